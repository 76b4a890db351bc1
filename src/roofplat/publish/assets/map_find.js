// Finding buildings on the map page, as a person types.
// In: the state of map_page.js, and what is typed into #search.
// Out: the list in #results-list, numbered marks on the map, and the building that is chosen.
// Text from data reaches the page through textContent alone.
"use strict";
var roofplatFind = (function () {
  const { element } = roofplatData;
  const FIELDS = ["name", "address", "building_id"];
  const LISTED = 20, MOST_LETTERS = 90, ROWS_AT_ONCE = 2000;
  // Letters that no decomposition takes apart.
  const LETTERS = { "ß": "ss", "ø": "o", "æ": "ae", "œ": "oe", "đ": "d", "ð": "d", "ł": "l", "þ": "th", "ı": "i" };

  // Lower case without accents; whatever stands between words is one space.
  function fold(text) {
    return String(text).toLowerCase().normalize("NFKD").replace(/\p{M}+/gu, "").replace(/['’ʼ]/g, "")
      .replace(/[ßøæœđðłþı]/g, (letter) => LETTERS[letter]).replace(/[^\p{L}\p{N}\p{So}]+/gu, " ").trim();
  }

  // Texts of all buildings, ready to be looked through. Each field stands in a line of its own.
  class Index {
    constructor(buildings) {
      this.buildings = buildings;
      this.texts = [];
      this.keys = [];
    }
    // Prepares some more rows; false when there are none.
    advance(rows) {
      const end = Math.min(this.buildings.size, this.texts.length + rows);
      for (let row = this.texts.length; row < end; row++) {
        const parts = FIELDS.map((field) => this.buildings.get(field, row) || "").map(fold);
        // Last the id without what may stand between its parts.
        this.texts.push(`\n${parts.join("\n")}\n${squeeze(parts[2])}\n`);
        // House numbers in order of size: 2 before 12.
        this.keys.push((parts[0] || parts[1] || parts[2]).slice(0, 60).replace(/\d+/g, (digits) => digits.padStart(8, "0")));
      }
      return end < this.buildings.size;
    }
    // Best first: the id itself; a field that begins so; every word at the start of a word; the words anywhere.
    // Among equals by name (else address, else id) with numbers by size, then as the buildings stand.
    search(typed, most = LISTED) {
      this.advance(Infinity);
      const whole = fold(typed), words = whole.split(" ").filter(Boolean), best = [];
      if (!words.length) return { count: 0, rows: [] };
      const { texts, keys } = this;
      let count = 0;
      const before = (a, b) => a.grade - b.grade || (keys[a.row] < keys[b.row] ? -1 : keys[a.row] > keys[b.row] ? 1 : a.row - b.row);
      for (let row = 0; row < texts.length; row++) {
        const text = texts[row];
        if (!words.every((word) => text.includes(word))) continue;
        count++;
        const one = { row, grade: gradeOf(text, whole, words) };
        if (best.length === most && before(one, best[most - 1]) > 0) continue;
        let place = best.length;
        while (place && before(one, best[place - 1]) < 0) place--;
        best.splice(place, 0, one);
        if (best.length > most) best.pop();
      }
      return { count, rows: best.map((one) => one.row) };
    }
  }

  function squeeze(text) {
    return text.replaceAll(" ", "");
  }

  function gradeOf(text, whole, words) {
    if (text.endsWith(`\n${squeeze(whole)}\n`)) return 0;
    if (text.includes(`\n${whole}`)) return 1;
    return words.every((word) => text.includes(` ${word}`) || text.includes(`\n${word}`)) ? 2 : 3;
  }

  function shorten(text) {
    const letters = Array.from(text.slice(0, 2 * MOST_LETTERS));
    return letters.length > MOST_LETTERS ? `${letters.slice(0, MOST_LETTERS - 1).join("")}…` : text;
  }

  // Name, then what else tells it apart; each in a direction of its own, so that none turns the next around.
  function labelOf(buildings, row) {
    const [name, ...others] = FIELDS.map((field) => buildings.get(field, row)).filter(Boolean).map(shorten);
    const area = buildings.get("dispatch_area", row);
    return { name, others: [...others, ...(area ? [shorten(area)] : [])] };
  }

  function addLabel(box, { name, others }, more = []) {
    const below = element("span", null, "below");
    for (const [place, text] of [...others, ...more].entries()) {
      if (place) below.append(" · ");
      below.append(element("bdi", text));
    }
    box.append(element("bdi", name, "name"), " ", below);
  }

  function middleOf(buildings, row) {
    buildings.unfold();
    const [west, north, east, south] = buildings.boxes.subarray(4 * row, 4 * row + 4);
    return Number.isFinite(west) ? L.CRS.EPSG3857.pointToLatLng(L.point((west + east) / 2, (north + south) / 2), 0) : null;
  }

  class Finder {
    constructor(state) {
      this.state = state;
      this.index = new Index(state.layers.buildings);
      this.rows = [];
      this.active = -1;
      this.marks = L.layerGroup().addTo(state.map);
      for (const [name, id] of [["input", "search"], ["panel", "results"], ["list", "results-list"], ["words", "results-count"], ["said", "results-said"], ["empty", "search-clear"], ["fit", "results-fit"], ["form", "search-form"]]) {
        this[name] = document.getElementById(id);
      }
      this.input.addEventListener("input", () => this.look());
      this.input.addEventListener("focus", () => this.open());
      this.input.addEventListener("click", () => this.open());
      this.input.addEventListener("keydown", (event) => this.press(event));
      // The field keeps the focus while a finger is on the list.
      this.list.addEventListener("mousedown", (event) => event.preventDefault());
      this.list.addEventListener("click", (event) => {
        const item = event.target.closest("[role=option]");
        if (item) this.choose([...this.list.children].indexOf(item));
      });
      this.form.addEventListener("submit", (event) => {
        event.preventDefault();
        if (this.rows.length) this.choose(Math.max(0, this.active));
      });
      this.form.addEventListener("focusout", (event) => { if (!this.form.contains(event.relatedTarget)) this.close(); });
      this.empty.addEventListener("click", () => { this.clear(); this.input.focus(); });
      this.fit.addEventListener("click", () => this.showAll());
      this.prepare();
    }
    // A little whenever the page has nothing else to do; what is left when somebody types is done at once.
    prepare() {
      const later = window.requestIdleCallback || ((work) => setTimeout(work, 30));
      later(() => { if (this.index.advance(ROWS_AT_ONCE)) this.prepare(); });
    }
    look() {
      const { count, rows } = this.index.search(this.input.value);
      this.rows = rows;
      this.count = count;
      this.active = -1;
      this.empty.hidden = !this.input.value;
      this.list.replaceChildren();
      this.marks.clearLayers();
      const { buildings } = this.state.layers;
      for (const [place, row] of rows.entries()) {
        const item = element("li"), mark = element("span", place + 1, "number");
        item.id = `found-${place + 1}`;
        item.setAttribute("role", "option");
        item.setAttribute("aria-selected", "false");
        mark.setAttribute("aria-hidden", "true");
        const label = element("span", null, "label");
        const out = this.state.tiles.shown.kept && !this.state.tiles.shown.kept[row];
        addLabel(label, labelOf(buildings, row), out ? ["left out by the filter"] : []);
        item.append(mark, label);
        this.list.append(item);
        const at = middleOf(buildings, row);
        if (at) this.addMark(place, row, at);
      }
      const told = count > rows.length ? `${count} found, the first ${rows.length} listed and marked` : `${count} found`;
      this.words.textContent = told;
      this.said.textContent = fold(this.input.value) ? told : "";
      this.fit.hidden = !this.marks.getLayers().length;
      this.open();
      this.state.onFound();
    }
    addMark(place, row, at) {
      const flag = element("span", place + 1, "number");
      const mark = L.marker(at, { keyboard: false, zIndexOffset: 1000 - place, icon: L.divIcon({ className: "found", html: flag, iconSize: [44, 48], iconAnchor: [22, 48] }) });
      mark.on("click", () => this.choose(place));
      this.marks.addLayer(mark);
      mark.getElement().setAttribute("aria-hidden", "true");
      mark.place = place;
    }
    get isOpen() {
      return !this.panel.hidden;
    }
    open() {
      const wanted = Boolean(fold(this.input.value));
      this.panel.hidden = !wanted;
      this.input.setAttribute("aria-expanded", String(wanted && this.rows.length > 0));
    }
    close() {
      this.panel.hidden = true;
      this.input.setAttribute("aria-expanded", "false");
      this.point(-1);
    }
    clear() {
      this.input.value = "";
      this.look();
    }
    point(place) {
      this.active = place;
      for (const [at, item] of [...this.list.children].entries()) item.setAttribute("aria-selected", String(at === place));
      this.marks.eachLayer((mark) => mark.getElement().classList.toggle("on", mark.place === place));
      if (place < 0) return this.input.removeAttribute("aria-activedescendant");
      const item = this.list.children[place];
      this.input.setAttribute("aria-activedescendant", item.id);
      item.scrollIntoView({ block: "nearest" });
    }
    press(event) {
      const last = this.rows.length - 1;
      if (event.key === "ArrowDown" || event.key === "ArrowUp") {
        if (last < 0) return;
        event.preventDefault();
        if (!this.isOpen) this.open();
        const step = event.key === "ArrowDown" ? 1 : -1;
        this.point(this.active < 0 ? (step > 0 ? 0 : last) : (this.active + step + last + 1) % (last + 1));
      } else if (event.key === "Escape" && (this.isOpen || this.input.value)) {
        event.preventDefault();
        if (this.isOpen) this.close(); else this.clear();
      }
    }
    choose(place) {
      const row = this.rows[place];
      this.close();
      this.marks.eachLayer((mark) => mark.getElement().classList.toggle("on", mark.place === place));
      return this.state.select(row, { move: true });
    }
    showAll() {
      const places = this.marks.getLayers().map((mark) => mark.getLatLng());
      this.close();
      this.state.map.getContainer().focus();
      this.state.map.fitBounds(L.latLngBounds(places), { animate: false, maxZoom: 18, padding: [60, 60] });
    }
  }

  return { addLabel, Finder, fold, Index, labelOf, shorten };
})();
