// Two scenarios of one building side by side: two drawings of one scale, and a table of what differs.
// In: two scenarios as live_page.js keeps them.
// Out: the contents of #compare. Text from data reaches the page through textContent alone.
"use strict";
var roofplatCompare = (function () {
  const { element, unturned } = roofplatData;
  const { boxOf } = roofplatAnswer;
  const { drawPlan, fillKey } = roofplatTools;
  const { compared, shortWords } = roofplatWords;
  const WAIT_MS = 150;
  const at = (id) => document.getElementById(id);

  class Compare {
    // `use` takes a scenario up again, `print` asks for its sheet.
    constructor(state, { use, print }) {
      Object.assign(this, { state, pair: null });
      this.dialog = at("compare");
      at("compare-close").addEventListener("click", () => this.dialog.close());
      ["a", "b"].forEach((letter, place) => {
        at(`compare-use-${letter}`).addEventListener("click", () => { const scenario = this.pair[place]; this.dialog.close(); use(scenario); });
        at(`compare-print-${letter}`).addEventListener("click", () => print(this.pair[place], at("compare-said")));
      });
      this.dialog.addEventListener("close", () => { this.pair = null; });
      new ResizeObserver(() => { clearTimeout(this.soon); this.soon = setTimeout(() => this.draw(), WAIT_MS); }).observe(at("compare-pair"));
    }
    open(row, pair, names) {
      Object.assign(this, { row, pair, names, width: 0 });
      at("compare-said").textContent = "";
      this.write();
      this.dialog.showModal();
      this.dialog.scrollTop = 0;
      at("compare-title").focus();
      this.draw();
    }
    write() {
      const { state, row, pair, names } = this, lines = compared(state, row, ...pair), body = at("compare-lines");
      at("compare-title").textContent = unturned(`Two scenarios: ${roofplatCard.shortTitle(state.layers.buildings, row)}`);
      ["a", "b"].forEach((letter, place) => {
        at(`compare-name-${letter}`).textContent = names[place];
        at(`compare-words-${letter}`).textContent = shortWords(pair[place]);
        const { wind_from_deg: from } = pair[place].answer.scenario;
        at(`compare-wind-${letter}`).classList.toggle("none", from === null || from === undefined);
        at(`compare-wind-${letter}`).querySelector("path").setAttribute("transform", `rotate(${from || 0})`);
      });
      const differ = lines.filter(({ differs, asked }) => differs && !asked).map(({ what }) => what.toLowerCase());
      at("compare-sum").textContent = differ.length ? `The plans differ in: ${differ.join(", ")}.` : "The two plans are the same.";
      body.replaceChildren(...lines.map((line) => {
        const tr = element("tr", null, line.differs ? "differs" : ""), what = element("th", line.what);
        tr.append(what, this.cell(line.one), this.cell(line.other), element("td", line.differs ? ["differs", line.moved && `${line.moved} of A's`].filter(Boolean).join(": ") : "same"));
        tr.setAttribute("role", "row");
        for (const one of tr.children) one.setAttribute("role", one === what ? "rowheader" : "cell");
        return tr;
      }));
    }
    cell({ said, why }) {
      const td = element("td");
      td.append(element("bdi", said));
      if (why) td.append(" ", element("bdi", why, "how"));
      return td;
    }
    draw() {
      if (!this.pair || !this.dialog.open) return;
      const { state, row, pair } = this, box = boxOf(state.layers, row, pair.map(({ plan }) => plan)), looks = new Set();
      const width = Math.floor(at("compare-drawing-a").clientWidth), ratio = window.devicePixelRatio > 1 ? 2 : 1;
      // Too narrow to show anything, or drawn for this width already.
      if (width < 80 || width === this.width) return;
      this.width = width;
      const room = { width, most: Math.max(260, Math.min(0.62 * window.innerHeight, 1.2 * width)), least: 160, margin: Math.min(48, width / 8), ratio, strip: 44, zoom: 22.5 };
      let near = false;
      ["a", "b"].forEach((letter, place) => {
        const drawn = drawPlan(state, row, pair[place].plan, box, `Plan of scenario ${letter.toUpperCase()}, ${shortWords(pair[place])}`, room);
        drawn.canvas.id = `compare-plan-${letter}`;
        at(`compare-drawing-${letter}`).replaceChildren(drawn.canvas);
        for (const look of drawn.looks) looks.add(look);
        near ||= drawn.near;
      });
      at("compare-key").replaceChildren();
      fillKey(at("compare-key"), looks, near);
    }
  }

  return { Compare };
})();
