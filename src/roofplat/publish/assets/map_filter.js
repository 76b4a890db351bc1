// Filtering the buildings of the map page.
// In: the state of map_page.js, and what is ticked in #filters.
// Out: which buildings are left (the others are drawn pale), how many, and a list of them by rank.
// Text from data reaches the page through textContent alone.
"use strict";
var roofplatFilter = (function () {
  const { element, unturned } = roofplatData;
  const { addLabel, fold, labelOf, shorten } = roofplatFind;
  const AT_ONCE = 50;
  const LIGHTNESS = [["lightweight", "Lightweight"], ["not lightweight", "Not lightweight"], ["unknown", "Unknown"]];
  const FIFTHS = ["first", "second", "third", "fourth", "last"];
  const CLASSES = ["high", "moderate", "low", "unknown"];
  const DUE = [["overdue", "Overdue", "inspection overdue"], ["never_inspected", "Never inspected (no inspection on record)", "never inspected"],
    ["due", "Not yet due", "inspection not yet due"], ["no_class", "No class, so no date", "no inspection date"]];

  // The ranks of one fifth, first and last.
  function ranksOf(fifth, ranked) {
    return [Math.ceil((fifth * ranked) / FIFTHS.length) + 1, Math.ceil(((fifth + 1) * ranked) / FIFTHS.length)];
  }

  function fifthOf(rank, ranked) {
    return Math.min(FIFTHS.length - 1, Math.floor((FIFTHS.length * (rank - 1)) / ranked));
  }

  // What a family is called; of a family that the page does not know its name in the tables.
  function familyName(families, key) {
    return key === "unknown" ? "Unknown" : families[key] ? families[key].label : String(key ?? "Unknown");
  }

  // What can be asked of a building: an option for each answer, and the answer of each building as its place.
  // `words` is how an option reads in the sentence that sums the filter up.
  function makeQuestions(state) {
    const { buildings } = state.layers, { families, ranked } = state;
    const ask = (key, title, options, answer) => {
      const places = new Map(options.map((option, place) => [option.key, place])), answers = new Uint16Array(buildings.size);
      for (let row = 0; row < buildings.size; row++) answers[row] = places.get(answer(row));
      return { key, title, options, answers };
    };
    const seen = (column) => { const found = new Set(); for (let row = 0; row < buildings.size; row++) found.add(buildings.get(column, row)); return found; };
    const survey = ask("survey", "Roof survey", [
      { key: false, label: "Nobody has looked (no survey on record)", words: "nobody has looked" }, { key: true, label: "Survey on record", words: "surveyed" },
    ], (row) => buildings.get("surveyed_on", row) !== null);
    const areas = [...seen("dispatch_area")].sort((a, b) => (a === null) - (b === null) || String(a).localeCompare(String(b), "en", { numeric: true }));
    const shown = (name) => shorten(unturned(name));
    const area = ask("area", "Dispatch area", areas.map((name) => ({ key: name, label: shown(name ?? "No area"), words: shown(name ?? "no area") })), (row) => buildings.get("dispatch_area", row));
    const kind = ask("kind", "Lightweight or not", LIGHTNESS.map(([key, label]) => ({ key, label, words: key === "unknown" ? "lightweight or not unknown" : key })), state.classOf);
    const known = [...seen("roof_family")], order = Object.keys(families);
    const nameOf = (key) => familyName(families, key);
    const family = ask("family", "Roof family", known.sort((a, b) => order.indexOf(a) - order.indexOf(b))
      .map((key) => ({ key, label: nameOf(key), words: key === "unknown" ? "family unknown" : nameOf(key) })), (row) => buildings.get("roof_family", row));
    const questions = [survey, ...(areas.length > 1 ? [area] : []), kind, family];
    if (!ranked || !("rank" in buildings.columns)) return questions;
    const fifths = FIFTHS.map((name, place) => [name, place, ranksOf(place, ranked)]).filter(([, , [first, last]]) => first <= last)
      .map(([name, place, [first, last]]) => ({ key: place, label: `${name} fifth: rank ${first} to ${last}`, words: `${name} fifth by rank` }));
    questions.push(ask("rank", "Rank", [...fifths, { key: null, label: "Not ranked", words: "not ranked" }],
      (row) => { const rank = buildings.get("rank", row); return rank === null ? null : fifthOf(rank, ranked); }));
    if ("visit_band" in buildings.columns) {
      const bands = [...seen("visit_band")].filter((band) => band !== null).sort((a, b) => parseInt(a, 10) - parseInt(b, 10));
      questions.push(ask("visit", "Survey next", [...bands.map((key) => ({ key, label: `Place ${key}`, words: `survey next ${key}` })), { key: null, label: "Not on the list (family surveyed)", words: "family surveyed" }],
        (row) => buildings.get("visit_band", row)));
    }
    if ("class" in buildings.columns) {
      questions.push(ask("class", "Inspection class", [...CLASSES, null].map((key) => ({ key, label: key ?? "none", words: `inspection class ${key ?? "none"}` })), (row) => buildings.get("class", row)));
    }
    if ("due_state" in buildings.columns) {
      questions.push(ask("due", "Inspection due", [...DUE, [null, "Not ranked", "inspection not told"]].map(([key, label, said]) => ({ key, label, words: said })), (row) => buildings.get("due_state", row)));
    }
    return questions;
  }

  // Which buildings every question leaves, and for each option how many would be left with it alone
  // chosen in its question and the other questions as they are.
  function sift(questions, chosen, size) {
    const kept = new Uint8Array(size), counts = questions.map(({ options }) => new Int32Array(options.length));
    const wanted = questions.map(({ key }) => (chosen[key] && chosen[key].size ? chosen[key] : null));
    let left = 0;
    for (let row = 0; row < size; row++) {
      let misses = 0, missed = -1;
      for (let at = 0; at < questions.length && misses < 2; at++) {
        if (wanted[at] && !wanted[at].has(questions[at].answers[row])) { misses++; missed = at; }
      }
      if (misses > 1) continue;
      if (misses) { counts[missed][questions[missed].answers[row]]++; continue; }
      kept[row] = 1;
      left++;
      for (let at = 0; at < questions.length; at++) counts[at][questions[at].answers[row]]++;
    }
    return { kept, counts, left, any: wanted.some(Boolean) };
  }

  // By rank; what has none comes last, by name.
  function orderByRank(buildings) {
    const titles = new Map(), title = (row) => { if (!titles.has(row)) titles.set(row, fold(labelOf(buildings, row).name)); return titles.get(row); };
    const ranks = Float64Array.from({ length: buildings.size }, (_, row) => buildings.get("rank", row) ?? Infinity);
    const byTitle = (a, b) => (title(a) < title(b) ? -1 : title(a) > title(b) ? 1 : a - b);
    return Int32Array.from(ranks, (_, row) => row).sort((a, b) => (ranks[a] === ranks[b] ? byTitle(a, b) : ranks[a] - ranks[b]));
  }

  class Filter {
    constructor(state) {
      this.state = state;
      this.chosen = {};
      this.questions = null;
      const at = (id) => document.getElementById(id);
      this.panel = at("filters");
      this.opener = at("filters-open");
      this.opener.addEventListener("click", () => (this.panel.hidden ? this.open("choose") : this.close()));
      at("filters-close").addEventListener("click", () => this.close());
      at("filters-choose").addEventListener("click", () => this.turn("choose"));
      at("filters-list").addEventListener("click", () => this.turn("list"));
      at("filtered-list").addEventListener("click", () => this.open("list"));
      for (const id of ["filters-clear", "filtered-clear"]) at(id).addEventListener("click", () => this.clear());
      at("filters-more").addEventListener("click", () => this.listMore());
      at("filters-rows").addEventListener("click", (event) => {
        const button = event.target.closest("[data-row]");
        if (button) state.select(Number(button.dataset.row), { move: true });
      });
    }
    // The questions are asked of all buildings when somebody wants to know.
    build() {
      if (this.questions) return;
      this.questions = makeQuestions(this.state);
      const box = document.getElementById("filters-groups");
      for (const [place, { key, title, options }] of this.questions.entries()) {
        const group = element("details"), summary = element("summary"), set = element("fieldset"), name = element("legend", title, "unseen");
        const now = element("span", "all", "now");
        group.open = place === 0;
        summary.append(element("span", title, "what"), " ", now);
        set.append(name);
        this.questions[place].now = now;
        for (const [answer, option] of options.entries()) {
          const row = element("label", null, "check"), tick = element("input"), count = element("span", null, "count");
          tick.type = "checkbox";
          tick.addEventListener("change", () => this.tick(key, answer, tick.checked));
          row.append(tick, element("bdi", option.label), count);
          Object.assign(option, { tick, count, row });
          set.append(row);
        }
        group.append(summary, set);
        box.append(group);
      }
      this.sift();
    }
    tick(key, answer, on) {
      const answers = this.chosen[key] || (this.chosen[key] = new Set());
      if (on) answers.add(answer); else answers.delete(answer);
      this.sift();
    }
    clear() {
      // The button goes away with the filter; the focus must not.
      const leaving = document.activeElement;
      this.chosen = {};
      for (const { options } of this.questions) for (const option of options) option.tick.checked = false;
      this.sift();
      if (leaving && !leaving.getClientRects().length) (this.panel.hidden ? this.opener : document.getElementById("filters-title")).focus();
    }
    sift() {
      const { buildings } = this.state.layers;
      const { kept, counts, left, any } = sift(this.questions, this.chosen, buildings.size);
      this.kept = any ? kept : null;
      this.left = left;
      for (const [place, question] of this.questions.entries()) {
        const here = this.chosen[question.key];
        for (const [answer, option] of question.options.entries()) {
          option.count.textContent = String(counts[place][answer]);
          // An answer that nobody gave is no choice at all.
          option.row.hidden = !counts[place][answer] && !option.tick.checked && !any;
        }
        question.now.textContent = here && here.size ? [...here].sort((a, b) => a - b).map((answer) => question.options[answer].label).join(" or ") : "all";
      }
      const words = this.words();
      for (const id of ["filters-words", "filtered-words"]) document.getElementById(id).textContent = words;
      document.getElementById("filtered").hidden = !any;
      // While a filter is in force the sentence stands above the map.
      document.getElementById("filters-words").hidden = any;
      document.getElementById("filters-clear").disabled = !any;
      this.opener.classList.toggle("on", any);
      document.getElementById("filters-said").textContent = this.told === undefined ? "" : words;
      this.told = words;
      if (this.kept || this.state.tiles.shown.kept) this.state.onFilter(this.kept);
      this.list();
    }
    // 37 of 559 buildings: Kiln Yards, lightweight, nobody has looked
    words() {
      const { size } = this.state.layers.buildings, parts = [];
      for (const key of ["area", "kind", "family", "rank", "visit", "class", "due", "survey"]) {
        const question = this.questions.find((one) => one.key === key), answers = this.chosen[key];
        if (question && answers && answers.size) parts.push([...answers].sort((a, b) => a - b).map((answer) => question.options[answer].words).join(" or "));
      }
      return parts.length ? `${this.left} of ${size} buildings: ${parts.join(", ")}` : `All ${size} buildings`;
    }
    turn(view) {
      for (const name of ["choose", "list"]) document.getElementById(`filters-${name}`).setAttribute("aria-pressed", String(name === view));
      document.getElementById("filters-groups").hidden = view !== "choose";
      document.getElementById("filters-rows").hidden = view !== "list";
      this.list();
    }
    get view() {
      return document.getElementById("filters-rows").hidden ? "choose" : "list";
    }
    open(view) {
      this.build();
      this.state.openPanel(this.panel, { focus: document.getElementById("filters-title") });
      this.opener.setAttribute("aria-expanded", "true");
      this.turn(view);
      this.panel.scrollTop = 0;
    }
    close() {
      this.opener.setAttribute("aria-expanded", "false");
      this.state.closePanel(this.panel, this.opener);
    }
    // The list is written when it is looked at.
    list() {
      if (this.view !== "list") return;
      if (!this.order) this.order = orderByRank(this.state.layers.buildings);
      this.rows = this.kept ? this.order.filter((row) => this.kept[row]) : this.order;
      this.listed = 0;
      document.getElementById("filters-found").replaceChildren();
      this.listMore({ focus: false });
    }
    listMore({ focus = true } = {}) {
      const list = document.getElementById("filters-found"), { buildings } = this.state.layers, { families } = this.state;
      const from = this.listed, more = document.getElementById("filters-more");
      for (const row of this.rows.slice(from, from + AT_ONCE)) {
        const item = element("li"), button = element("button"), rank = buildings.get("rank", row);
        button.type = "button";
        button.dataset.row = String(row);
        const key = buildings.get("roof_family", row);
        const family = key === "unknown" || key === null ? "family unknown" : `${familyName(families, key)} (${buildings.get("family_basis", row) || "assumed"})`;
        addLabel(button, labelOf(buildings, row), [family,
          ...(buildings.get("surveyed_on", row) === null ? ["nobody has looked"] : [])]);
        if (this.order && "rank" in buildings.columns) button.prepend(element("span", rank === null ? "Not ranked" : `Rank ${rank}`, "rank"), " ");
        item.append(button);
        list.append(item);
      }
      this.listed = Math.min(this.rows.length, from + AT_ONCE);
      const rest = this.rows.length - this.listed;
      more.hidden = !rest;
      more.textContent = `Show ${Math.min(rest, AT_ONCE)} more of ${rest}`;
      if (focus && list.children[from]) list.children[from].firstElementChild.focus();
    }
  }

  return { Filter, fifthOf, orderByRank, ranksOf };
})();
