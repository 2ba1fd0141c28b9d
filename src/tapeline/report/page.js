// What a reader can do with the page: choose what it shows, and look for rows in long tables.
// Without this script the whole page is there. What is hidden here is hidden on the screen alone: see `.other` and
// `.unmatched` in the style sheet. Texts of the page only ever become text again.
"use strict";
(() => {
  const LONG_TABLE_ROWS = 8;
  const KINDS = [
    { words: "Comparison", all: "all comparisons", of: (data) => single(data.comparison) },
    { words: "Operating point", all: "all operating points", of: (data) => single(data.point) },
    { words: "Position", all: "all positions", of: (data) => (data.positions ?? "").split(" ").filter(Boolean) },
  ];
  const ABOUT = "[data-comparison], [data-point], [data-positions]";
  const main = document.querySelector("main");
  const figures = [...main.querySelectorAll("figure")];
  const rows = [...main.querySelectorAll("tbody tr")];
  const lines = [...main.querySelectorAll(".work > li")];
  const subjects = [...main.querySelectorAll(ABOUT)].map((element) => ({
    element,
    about: KINDS.map((kind) => kind.of(element.dataset)),
  }));

  function single(text) {
    return text ? [text] : [];
  }

  function make(tag, attributes, ...children) {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    element.append(...children);
    return element;
  }

  function counted(count, noun) {
    return `${count} ${noun}${count === 1 ? "" : "s"}`;
  }

  // A choice hides every count on the page at once; only the chooser's own line is spoken then.
  function say(line, text, spoken) {
    line.setAttribute("aria-live", spoken ? "polite" : "off");
    if (line.textContent !== text) line.textContent = text;
  }

  // ---- rows of long tables ----

  function plain(text) {
    return text.normalize("NFKC").replace(/\s+/g, " ").trim().toLowerCase();
  }

  function filterOf(table) {
    const own = [...table.tBodies[0].rows];
    const texts = own.map((row) => plain([...row.cells].map((cell) => cell.textContent).join(" ")));
    const id = `${table.id}-filter`;
    const label = make("label", { for: id, id: `${id}-label` }, "Show rows with");
    table.caption.id = `${id}-caption`;
    const names = `${id}-label ${id}-caption`;
    const field = make("input", { type: "search", id, "aria-labelledby": names, autocomplete: "off" });
    const line = make("span", { role: "status", "aria-live": "polite" });

    function tell(spoken) {
      const shown = own.filter((row) => !row.classList.contains("unmatched") && !row.closest(".other"));
      say(line, `${shown.length} of ${counted(own.length, "row")}`, spoken);
    }

    function filter(spoken) {
      const wanted = plain(field.value);
      own.forEach((row, place) => row.classList.toggle("unmatched", !texts[place].includes(wanted)));
      tell(spoken);
    }

    function clear() {
      field.value = "";
      filter(false);
    }

    field.addEventListener("input", () => filter(true));
    table.closest(".tabular").prepend(make("p", { class: "filter" }, label, " ", field, " ", line));
    filter(false);
    return { tell, clear };
  }

  const filters = [...main.querySelectorAll(".tabular table")]
    .filter((table) => table.tBodies[0].rows.length > LONG_TABLE_ROWS)
    .map(filterOf);

  // ---- what the page is about ----

  function valuesOf(place) {
    const found = new Set(subjects.flatMap((subject) => subject.about[place]));
    // Comparisons keep the order of the page, which is that of the settings.
    return place === 0 ? [...found] : [...found].sort((a, b) => a.localeCompare(b, "en", { numeric: true }));
  }

  function selectOf(kind, place) {
    const values = valuesOf(place);
    if (values.length < 2) return null;
    const id = `choose-${place}`;
    const select = make("select", { id, autocomplete: "off" }, new Option(kind.all, ""));
    select.append(...values.map((value) => new Option(value, value)));
    return { place, select, part: make("span", { class: "choice" }, make("label", { for: id }, kind.words), select) };
  }

  function chooser() {
    const choices = KINDS.map(selectOf).filter((choice) => choice !== null);
    if (choices.length === 0) return;
    const button = make("button", { type: "button" }, "Show all");
    const line = make("span", { role: "status", "aria-live": "polite" });
    const hint = make("p", { class: "note" });
    hint.textContent =
      "Figures, table rows and lines to work on first that are about something else are hidden; what needs attention " +
      "and the main findings stay. " +
      "On paper the report is always whole.";
    const parts = choices.map((choice) => choice.part);
    // A legend would stand upon the upper edge, and what is scrolled below it would show beside it.
    const title = make("p", { id: "choose-title", class: "title" }, "Choose what is shown");
    const group = { class: "chooser", role: "group", "aria-labelledby": title.id };
    const box = make("div", group, title, ...parts, button, line, hint);

    function choose(spoken) {
      const wanted = choices.filter((choice) => choice.select.value !== "");
      const isOther = (about) =>
        wanted.some(({ place, select }) => about[place].length > 0 && !about[place].includes(select.value));
      for (const { element, about } of subjects) element.classList.toggle("other", isOther(about));
      for (const part of main.querySelectorAll(".tabular, .gathered")) {
        const own = [...part.querySelectorAll("tbody tr, li")];
        part.classList.toggle("other", own.every((row) => row.classList.contains("other")));
      }
      box.classList.toggle("chosen", wanted.length > 0);
      const [noFigures, noRows, noLines] = [figures, rows, lines].map(
        (all) => all.filter((one) => one.closest(".other")).length,
      );
      const listed = `${counted(noRows, "row")} and ${counted(noLines, "line")}`;
      const hidden = `${counted(noFigures, "figure")}, ${listed} to work on hidden`;
      say(line, wanted.length ? hidden : "nothing hidden by choice", spoken);
      for (const { tell } of filters) tell(false);
    }

    button.addEventListener("click", () => {
      for (const { select } of choices) select.value = "";
      for (const { clear } of filters) clear();
      choose(true);
    });
    for (const { select } of choices) select.addEventListener("change", () => choose(true));
    main.prepend(box);
    choose(false);
  }

  // ---- what scrolls sideways ----

  // A part that is seen whole is no stop for the keyboard.
  const scrolling = [...main.querySelectorAll(".wide, .view")];
  const watch = new ResizeObserver((entries) => {
    for (const { target } of entries) {
      if (target.scrollWidth > target.clientWidth) target.tabIndex = 0;
      else target.removeAttribute("tabindex");
    }
  });

  chooser();
  for (const part of scrolling) watch.observe(part);
})();
