// What a reader can do with the page: choose a comparison, operating point and position, read values off figures, and look
// for rows in long tables. Without this script the whole page is there, folded. Texts of the page only become text again.
"use strict";
(() => {
  const LONG_TABLE_ROWS = 12;

  function make(tag, attributes, ...children) {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    element.append(...children);
    return element;
  }

  function plain(text) {
    return text.normalize("NFKC").replace(/\s+/g, " ").trim().toLowerCase();
  }

  // ---- rows of long tables ----

  function addFilter(table) {
    const rows = [...table.tBodies[0].rows];
    const texts = rows.map((row) => plain([...row.cells].map((cell) => cell.textContent).join(" ")));
    const id = `${table.id}-filter`;
    const field = make("input", { type: "search", id, autocomplete: "off" });
    const line = make("span", { role: "status" }, `${rows.length} rows`);
    field.addEventListener("input", () => {
      const wanted = plain(field.value);
      let shown = 0;
      rows.forEach((row, place) => {
        const fits = texts[place].includes(wanted);
        shown += fits ? 1 : 0;
        row.classList.toggle("unmatched", !fits);
      });
      line.textContent = `${shown} of ${rows.length} rows`;
    });
    const label = make("label", { for: id }, `Show rows of “${table.caption.textContent}” with`);
    table.closest(".tabular").prepend(make("p", { class: "filter" }, label, " ", field, " ", line));
  }

  for (const table of document.querySelectorAll(".tabular table:not(.heat)"))
    if (table.tBodies[0].rows.length > LONG_TABLE_ROWS) addFilter(table);

  // ---- values of figures ----

  const SVG = "http://www.w3.org/2000/svg";

  function addReadings(view) {
    const chart = view.querySelector("svg");
    const readings = view.dataset.read.split("\n").map((line) => {
      const [x, y, ...words] = line.split(" ");
      return { x: Number(x), y: Number(y), words: words.join(" ") };
    });
    const line = make("p", { class: "reading", role: "status" });
    view.title = "Point at a value, or use the arrow keys, to read it.";
    view.after(line);
    let ring = null;
    let at = -1;

    function show(place) {
      at = place;
      if (ring === null) {
        ring = document.createElementNS(SVG, "circle");
        ring.setAttribute("class", "ring");
        ring.setAttribute("r", "6");
        chart.append(ring);
      }
      ring.setAttribute("cx", readings[at].x);
      ring.setAttribute("cy", readings[at].y);
      line.textContent = readings[at].words;
    }

    chart.addEventListener("pointermove", (event) => {
      const box = chart.getBoundingClientRect();
      const scale = chart.viewBox.baseVal.width / box.width;
      const x = (event.clientX - box.left) * scale;
      const y = (event.clientY - box.top) * scale;
      let nearest = 0;
      let least = Infinity;
      readings.forEach((one, place) => {
        const away = (one.x - x) ** 2 + ((one.y - y) ** 2) / 4;
        if (away < least) [nearest, least] = [place, away];
      });
      if (nearest !== at) show(nearest);
    });
    view.tabIndex = 0;
    view.addEventListener("keydown", (event) => {
      const step = { ArrowRight: 1, ArrowLeft: -1, Home: -readings.length, End: readings.length }[event.key];
      if (step === undefined) return;
      event.preventDefault();
      show(Math.min(Math.max(at + step, 0), readings.length - 1));
    });
  }

  for (const view of document.querySelectorAll(".view[data-read]")) addReadings(view);

  // ---- one comparison, operating point and position at a time ----

  const KINDS = [["comparison", "Comparison"], ["point", "Operating point"], ["position", "Position"]];
  const ALL = "all";

  function addChooser(stage) {
    const parts = [...stage.querySelectorAll("[data-comparison]")];
    const folds = [...stage.querySelectorAll("details.chosen")];
    const selects = new Map();
    const bar = make("div", { class: "chooser", role: "group", "aria-label": "Choose what is compared" });
    for (const [kind, words] of KINDS) {
      const id = `choose-${kind}`;
      const select = make("select", { id, autocomplete: "off" });
      selects.set(kind, select);
      bar.append(make("span", { class: "choice" }, make("label", { for: id }, words), select));
    }
    for (const fold of folds) {
      fold.open = true;
      fold.classList.add("chosen-by-reader");
    }

    function offered(kind) {
      const before = KINDS.slice(0, KINDS.findIndex(([name]) => name === kind)).map(([name]) => name);
      const fitting = parts.filter((part) => before.every((name) => !(name in part.dataset) || part.dataset[name] === selects.get(name).value));
      return [...new Set(fitting.map((part) => part.dataset[kind]).filter((value) => value !== undefined))];
    }

    function fill(kind, wanted) {
      const select = selects.get(kind);
      const values = offered(kind);
      const kept = values.includes(wanted) || wanted === ALL ? wanted : values[0];
      const options = values.map((value) => new Option(value, value));
      if (kind === "position" && values.length > 1) options.push(new Option("all positions", ALL));
      select.replaceChildren(...options);
      select.value = kept;
    }

    function choose(wanted) {
      for (const [kind] of KINDS) fill(kind, wanted[kind] ?? selects.get(kind).value);
      for (const part of parts) {
        const fits = KINDS.every(([kind]) => !(kind in part.dataset) || selects.get(kind).value === ALL || part.dataset[kind] === selects.get(kind).value);
        part.classList.toggle("away", !fits);
      }
    }

    for (const [kind, select] of selects) select.addEventListener("change", () => choose({ [kind]: select.value }));
    stage.prepend(bar);
    choose({ ...stage.dataset });
    return (target) => {
      const part = target.closest("[data-comparison]");
      if (part !== null && stage.contains(part)) choose({ ...part.dataset });
    };
  }

  const stage = document.querySelector(".stage");
  const chooseFor = stage === null ? null : addChooser(stage);

  // ---- links into what is folded or away ----

  function reveal() {
    const target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (target === null) return;
    if (chooseFor !== null) chooseFor(target);
    for (let part = target; part !== null; part = part.parentElement) if (part.tagName === "DETAILS") part.open = true;
    target.scrollIntoView();
  }

  addEventListener("hashchange", reveal);
  if (location.hash) reveal();

  // ---- on paper everything is open ----

  let closed = [];
  addEventListener("beforeprint", () => {
    closed = [...document.querySelectorAll("details:not([open])")];
    for (const fold of closed) fold.open = true;
  });
  addEventListener("afterprint", () => {
    for (const fold of closed) fold.open = false;
  });
})();
