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
    // A line holds all places of the same words: in each panel, on each curve.
    const readings = view.dataset.read.split("\n").map((line) => {
      const [xs, ys, ...words] = line.split(" ");
      const heights = ys.split(";").map(Number);
      return { places: xs.split(";").map((x, index) => ({ x: Number(x), y: heights[index] })), words: words.join(" ") };
    });
    const acrossOf = (place) => (view.acrossOf === undefined ? place.x : view.acrossOf(place.x));
    const across = (one) => acrossOf(one.places[0]);
    const line = make("p", { class: "reading", role: "status" });
    view.title = "Point at a value, or use the arrow keys, to read it.";
    view.after(line);
    let rings = [];
    let at = -1;

    function ringAt(place) {
      const ring = document.createElementNS(SVG, "circle");
      for (const [name, value] of Object.entries({ class: "ring", r: 6, cx: acrossOf(place), cy: place.y })) ring.setAttribute(name, value);
      chart.append(ring);
      return ring;
    }

    function clear() {
      for (const ring of rings) ring.remove();
      [rings, at] = [[], -1];
    }

    function show(wanted) {
      clear();
      at = wanted;
      rings = readings[at].places.map(ringAt);
      line.textContent = readings[at].words;
    }

    chart.addEventListener("pointermove", (event) => {
      const box = chart.getBoundingClientRect();
      const scale = chart.viewBox.baseVal.width / box.width;
      const x = (event.clientX - box.left) * scale;
      const y = (event.clientY - box.top) * scale;
      let nearest = 0;
      let least = Infinity;
      readings.forEach((one, index) => {
        for (const place of one.places) {
          const away = (acrossOf(place) - x) ** 2 + ((place.y - y) ** 2) / 4;
          if (away < least) [nearest, least] = [index, away];
        }
      });
      if (nearest !== at) show(nearest);
    });
    view.tabIndex = 0;
    view.addEventListener("keydown", (event) => {
      const shown = readings.flatMap((one, place) => (Number.isNaN(across(one)) ? [] : [place]));
      const next = {
        ArrowRight: shown.find((place) => place > at) ?? shown.at(-1),
        ArrowLeft: shown.findLast((place) => place < at) ?? shown[0],
        Home: shown[0],
        End: shown.at(-1),
      }[event.key];
      if (next === undefined) return;
      event.preventDefault();
      show(next);
    });
    view.addEventListener("zoomed", clear);
  }

  for (const view of document.querySelectorAll(".view[data-read]")) addReadings(view);

  // ---- what is wider than the screen ----

  function addHint(part) {
    const isFigure = part.classList.contains("view");
    const hint = make("p", { class: "hint" }, `The ${isFigure ? "figure" : "table"} is wider than the screen: scroll it sideways.`);
    part.before(hint);
    if (isFigure) {
      const button = make("button", { type: "button", "aria-pressed": "false", "aria-label": `Fit to the screen: ${part.getAttribute("aria-label")}` }, "Fit to the screen");
      button.addEventListener("click", () => button.setAttribute("aria-pressed", `${part.classList.toggle("fitted")}`));
      hint.append(" ", button);
    }
    new ResizeObserver(() => {
      hint.hidden = part.scrollWidth <= part.clientWidth + 1 && !part.classList.contains("fitted");
    }).observe(part);
  }

  // ---- a part of the frequencies ----

  const CLOSEST = 16;
  const EVEN_STEPS_BELOW = 6;
  const MOST_TICKS = 6;

  function hertzWords(hertz) {
    return hertz >= 1000 ? `${Number((hertz / 1000).toPrecision(3))} kHz` : `${Number(hertz.toPrecision(3))} Hz`;
  }

  function evenSteps(low, high) {
    const raw = (high - low) / MOST_TICKS;
    const power = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 5, 10].map((factor) => factor * power).find((size) => size >= raw);
    const first = Math.ceil(low / step);
    return Array.from({ length: Math.floor(high / step) - first + 1 }, (_, place) => Number(((first + place) * step).toPrecision(6)));
  }

  function addZoom(view) {
    const chart = view.querySelector("svg");
    const parts = [...chart.querySelectorAll("svg.zoom")];
    const marks = [...chart.querySelectorAll("path[data-x]")];
    const scales = [...chart.querySelectorAll(".ticks")].map((group) => ({ group, ticks: [...group.children] }));
    const [left, , width] = parts[0].getAttribute("viewBox").split(" ").map(Number);
    const [low, high] = [parts[0].dataset.low, parts[0].dataset.high].map(Number);
    const line = make("span", { role: "status" });
    let [from, span] = [left, width];

    function hertz(x) {
      return low * (high / low) ** ((x - left) / width);
    }

    view.acrossOf = (x) => (x < from - 0.05 || x > from + span + 0.05 ? NaN : left + ((x - from) * width) / span);

    function move(part) {
      const x = view.acrossOf(Number(part.dataset.x));
      part.classList.toggle("beyond", Number.isNaN(x));
      if (!Number.isNaN(x)) part.setAttribute("transform", `translate(${x - Number(part.dataset.x)} 0)`);
    }

    function tickAt(model, value) {
      const tick = model.cloneNode(true);
      const x = left + ((left + (width * Math.log(value / low)) / Math.log(high / low) - from) * width) / span;
      tick.classList.remove("beyond");
      tick.setAttribute("transform", `translate(${x - Number(model.dataset.x)} 0)`);
      for (const words of tick.querySelectorAll("text")) words.textContent = `${value}`;
      return tick;
    }

    function show(middle, wanted) {
      span = Math.min(Math.max(wanted, width / CLOSEST), width);
      from = Math.min(Math.max(middle - span / 2, left), left + width - span);
      for (const part of parts) {
        const [, y, , tall] = part.getAttribute("viewBox").split(" ");
        part.setAttribute("viewBox", `${from} ${y} ${span} ${tall}`);
      }
      for (const mark of marks) move(mark);
      const [lowest, highest] = [hertz(from), hertz(from + span)];
      const isNear = span < width && highest / lowest < EVEN_STEPS_BELOW;
      for (const { group, ticks } of scales) {
        if (!isNear) for (const tick of ticks) move(tick);
        group.replaceChildren(...(isNear ? evenSteps(lowest, highest).map((value) => tickAt(ticks[0], value)) : ticks));
      }
      line.textContent = `Shown: ${hertzWords(lowest)} to ${hertzWords(highest)}`;
      view.dispatchEvent(new Event("zoomed"));
    }

    const title = view.getAttribute("aria-label");
    const ways = [
      ["Closer", () => show(from + span / 2, span / 2)],
      ["Wider", () => show(from + span / 2, span * 2)],
      ["Lower frequencies", () => show(from, span)],
      ["Higher frequencies", () => show(from + span, span)],
    ];
    const buttons = ways.map(([words, act]) => {
      const button = make("button", { type: "button", "aria-label": `${words}: ${title}` }, words);
      button.addEventListener("click", act);
      return button;
    });
    chart.addEventListener("dblclick", (event) => {
      const box = chart.getBoundingClientRect();
      const x = ((event.clientX - box.left) * chart.viewBox.baseVal.width) / box.width;
      show(from + ((x - left) * span) / width, span / 2);
    });
    view.before(make("p", { class: "zoomer", role: "group", "aria-label": `Frequencies shown: ${title}` }, ...buttons, line));
    show(left, width);
  }

  for (const view of document.querySelectorAll(".view")) if (view.querySelector("svg.zoom") !== null) addZoom(view);

  for (const part of document.querySelectorAll(".view, .wide")) addHint(part);

  // ---- one comparison, operating point and position at a time ----

  const KINDS = [["comparison", "Comparison"], ["point", "Operating point"], ["position", "Position"]];
  const ALL = "all";
  const MOST_DOWN = 0.75;

  function addChooser(stage) {
    const parts = [...stage.querySelectorAll("[data-comparison]")];
    const folds = [...stage.querySelectorAll("details.chosen")];
    const titles = new Map(folds.filter((fold) => !("point" in fold.dataset)).map((fold) => [fold.dataset.comparison, fold.querySelector("summary").textContent]));
    const selects = new Map();
    const kept = new Map();
    const wished = { ...stage.dataset };
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

    // What was chosen under the same comparison and point before, as part of a key.
    function within(kind) {
      return JSON.stringify(KINDS.slice(0, KINDS.findIndex(([name]) => name === kind) + 1).map(([name]) => (name === kind ? kind : selects.get(name).value)));
    }

    function fill(kind, wanted) {
      const select = selects.get(kind);
      const options = offered(kind).map((value) => new Option(titles.get(kind === "comparison" ? value : null) ?? value, value));
      if (kind === "position" && options.length > 1) options.push(new Option("all positions", ALL));
      const values = options.map((option) => option.value);
      select.replaceChildren(...options);
      select.value = [wanted, kept.get(within(kind)), wished[kind]].find((value) => values.includes(value)) ?? values[0];
      if (wanted !== undefined) kept.set(within(kind), select.value);
    }

    function chosen() {
      return Object.fromEntries([...selects].map(([kind, select]) => [kind, select.value]));
    }

    // The kinds that are not wanted keep their value, or get back the one they had under what is now chosen.
    function choose(wanted) {
      Object.assign(wished, wanted);
      for (const [kind] of KINDS) fill(kind, wanted[kind]);
      for (const part of parts) {
        const fits = KINDS.every(([kind]) => !(kind in part.dataset) || selects.get(kind).value === ALL || part.dataset[kind] === selects.get(kind).value);
        part.classList.toggle("away", !fits);
      }
    }

    function address() {
      const fits = (part) => part.id && Object.entries(part.dataset).every(([kind, value]) => !selects.has(kind) || selects.get(kind).value === value);
      return `#${parts.filter(fits).at(-1).id}`;
    }

    for (const [kind, select] of selects)
      select.addEventListener("change", () => {
        const before = KINDS.slice(0, KINDS.findIndex(([name]) => name === kind) + 1).map(([name]) => name);
        choose(Object.fromEntries(before.map((name) => [name, selects.get(name).value])));
        history.pushState({ chosen: chosen() }, "", address());
      });
    stage.prepend(bar);
    choose({ ...stage.dataset });
    return { choose, chosen, holds: (part) => part !== null && stage.contains(part) };
  }

  const stage = document.querySelector(".stage");
  const chooser = stage === null ? null : addChooser(stage);

  // ---- links into what is folded or away; Back and Forward bring back what was chosen ----

  function reveal() {
    const target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (target === null) return;
    const part = target.closest("[data-comparison]");
    const isChosen = chooser !== null && chooser.holds(part);
    if (isChosen) chooser.choose({ ...part.dataset });
    for (let fold = target; fold !== null; fold = fold.parentElement) if (fold.tagName === "DETAILS") fold.open = true;
    // Of a figure of the stage the choosers are shown too, where both find room; the browser itself scrolls there too.
    if (isChosen) {
      const below = target.getBoundingClientRect().top - stage.getBoundingClientRect().top;
      target.style.scrollMarginTop = below < innerHeight * MOST_DOWN ? `${below}px` : "";
    }
    target.scrollIntoView();
  }

  function restored() {
    if (chooser === null || !history.state?.chosen) return false;
    chooser.choose(history.state.chosen);
    return true;
  }

  function remember() {
    if (chooser !== null) history.replaceState({ chosen: chooser.chosen() }, "");
  }

  addEventListener("popstate", restored);
  addEventListener("hashchange", () => {
    if (history.state?.chosen) return;
    reveal();
    remember();
  });
  // The address of a link that was followed before does not change.
  addEventListener("click", (event) => {
    const link = event.target.closest("a[href^='#']");
    if (link !== null && link.getAttribute("href") === location.hash) setTimeout(reveal);
  });
  if (location.hash) reveal();
  restored();
  remember();

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
