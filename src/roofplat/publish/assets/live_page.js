// "What if" on the live page: tap the fire, turn the wind, and see the plan that the server makes of it.
// In: the state of map_page.js, the elements of live.html.j2, and what a person does.
// Out: questions to the server, and its answers on the map, in the panel and in the address of the page. Text from
// data reaches the page through textContent alone.
"use strict";
(function () {
  const { element, unturned } = roofplatData;
  const { PLAN_ZOOM } = roofplatDraw;
  const { shortTitle, writePlan } = roofplatCard;
  const { share, useCard } = roofplatTools;
  const { boxOf, planFrom } = roofplatAnswer;
  const { Asker, build, sheet } = roofplatAsk;
  const { Compare } = roofplatCompare;
  const { Dial } = roofplatWind;
  const { changes, compared, shortWords, warningsOf } = roofplatWords;
  const { drawLegendSoon } = roofplatLegend;
  const at = (id) => document.getElementById(id);
  // A centimetre.
  const DECIMALS = 7;
  const SLOW_MS = 400, SAY_MS = 500, NUDGE_PX = 4;
  const NOTHING = Object.freeze({ fire: null, wind: null, method: null, ladder: null });
  const MARK = "What if, not surveyed: fire spot and wind as tapped.", STANDING = "What if: the standing plan so far.", WAITING = "What if: asking for the standing plan.";

  const same = (one, other) => JSON.stringify(one) === JSON.stringify(other);
  const isStanding = (wish) => same(wish, NOTHING);
  const lonLat = ({ lng, lat }) => [Number(lng.toFixed(DECIMALS)), Number(lat.toFixed(DECIMALS))];

  // A scenario in the address of the page, so that it can be shared.
  function toHash(id, wish) {
    const parts = Object.entries(wish).filter(([, value]) => value !== null).map(([name, value]) => `${name}=${encodeURIComponent([value].flat().join(","))}`);
    return `#${encodeURIComponent(id)}?what-if${parts.map((part) => `&${part}`).join("")}`;
  }

  // The scenario that an address states, or null; what cannot be is left out.
  function fromHash() {
    const [, rest] = location.hash.split("?what-if");
    if (rest === undefined) return null;
    const said = new URLSearchParams(rest), place = (name) => {
      const parts = /^-?\d+(\.\d+)?,-?\d+(\.\d+)?$/.test(said.get(name) || "") ? said.get(name).split(",").map(Number) : [];
      return Math.abs(parts[0]) <= 180 && Math.abs(parts[1]) <= 90 ? parts : null;
    };
    const wind = said.get("wind") ? Number(said.get("wind")) : NaN, method = said.get("method");
    const known = Array.from(at("whatif-method").options, ({ value }) => value);
    return { fire: place("fire"), wind: wind >= 0 && wind <= 360 ? wind : null, method: method && known.includes(method) ? method : null, ladder: place("ladder") };
  }

  class WhatIf {
    constructor(state) {
      this.state = state;
      this.row = -1;
      this.standingWords = state.scenario;
      at("card").after(at("live-parts").content.cloneNode(true));
      this.panel = at("whatif");
      document.querySelector(".top").prepend(at("whatif-mark"));
      document.body.append(at("compare"));
      this.asker = new Asker((heard) => this.hear(heard));
      this.dial = new Dial(at("whatif-dial"), at("whatif-wind"), (wind) => this.change({ wind }));
      this.compare = new Compare(state, { use: (scenario) => this.takeUp(scenario.wish), print: (scenario, said) => this.print(scenario, said) });
      this.connect();
      // As this page was loaded: a build that comes later is another one.
      this.build = null;
      this.known = build().then((now) => { this.build = now; });
    }
    connect() {
      const press = (id, use) => at(id).addEventListener("click", use);
      for (const what of ["fire", "ladder"]) press(`whatif-tap-${what}`, () => this.aim(what));
      press("whatif-close", () => this.goBack());
      press("whatif-reset", () => this.startOver());
      press("whatif-ladder-away", () => { this.change({ ladder: null }); this.aim("fire"); at("whatif-tap-ladder").focus(); });
      press("whatif-keep", () => this.keep());
      press("whatif-compare", () => this.openCompare());
      press("whatif-sheet", () => this.print(this.now, at("whatif-printed")));
      press("whatif-link", () => share());
      press("whatif-again", () => (this.outdated ? location.reload() : this.ask()));
      at("whatif-method").addEventListener("change", (event) => this.change({ method: event.target.value || null }));
      this.panel.addEventListener("click", useCard);
      this.handles = { fire: this.handle("fire", "Fire spot of the scenario"), ladder: this.handle("ladder", "Ladder already placed") };
    }
    // A place on the map that a finger or the arrow keys move.
    handle(what, label) {
      const icon = L.divIcon({ className: `handle ${what}`, iconSize: [44, 44], html: element("span") });
      const handle = L.marker([0, 0], { icon, draggable: true, autoPan: true, zIndexOffset: what === "fire" ? 1000 : 0 });
      const moved = () => this.change({ [what]: lonLat(handle.getLatLng()) });
      // Off the roof there is no fire: it goes back to where it was.
      handle.on("drag", () => { if (what === "ladder" || this.isOnRoof(handle.getLatLng())) moved(); });
      handle.on("dragend", () => { if (what === "ladder" || this.isOnRoof(handle.getLatLng())) moved(); else this.refuseSpot(); });
      // A tap on it is a tap on what lies below.
      handle.on("click", ({ originalEvent }) => {
        const { map, measure } = this.state, place = map.mouseEventToLatLng(originalEvent);
        if (!measure.takes(place)) this.takes(place);
      });
      handle.on("add", () => {
        const box = handle.getElement();
        box.setAttribute("aria-label", `${label}. Arrow keys move it.`);
        box.addEventListener("keydown", (event) => {
          const move = { ArrowLeft: [-NUDGE_PX, 0], ArrowRight: [NUDGE_PX, 0], ArrowUp: [0, -NUDGE_PX], ArrowDown: [0, NUDGE_PX] }[event.key];
          if (!move) return;
          event.preventDefault();
          event.stopPropagation();
          const { map } = this.state, to = map.layerPointToLatLng(map.latLngToLayerPoint(handle.getLatLng()).add(move));
          if (what === "fire" && !this.isOnRoof(to)) this.refuseSpot();
          else this.change({ [what]: lonLat(to) });
        });
      });
      return handle;
    }
    get on() {
      return this.row >= 0;
    }
    // The card of a building is open: it offers "what if", and a scenario in the address is taken up.
    opened(row, plan) {
      this.offered = { row, plan };
      const button = element("button", "What if");
      button.type = "button";
      button.id = "card-whatif";
      button.addEventListener("click", () => this.begin(NOTHING));
      document.querySelector("#card-body .actions").prepend(button);
      const wish = fromHash();
      if (wish) this.begin(wish, { shared: true });
    }
    begin(wish, { shared = false } = {}) {
      const { state } = this, { row, plan } = this.offered, { map } = state;
      Object.assign(this, { row, block: plan, number: state.district.blockOf(row), id: state.layers.buildings.get("building_id", row) });
      Object.assign(this, { standing: null, now: null, kept: null, wish });
      at("card").hidden = true;
      this.panel.hidden = false;
      this.panel.scrollTop = 0;
      at("whatif-mark").hidden = false;
      this.mark(WAITING);
      at("wind").hidden = true;
      document.body.classList.add("what-if");
      at("whatif-name").textContent = unturned(shortTitle(state.layers.buildings, row));
      for (const id of ["whatif-plan", "whatif-changed", "whatif-refused", "whatif-warnings"]) at(id).replaceChildren();
      for (const id of ["whatif-sum", "whatif-printed", "whatif-kept", "whatif-trouble"]) at(id).textContent = "";
      at("whatif-fault").hidden = true;
      at("whatif-again").textContent = "Ask again";
      this.outdated = false;
      this.aim("fire");
      if (shared || map.getZoom() < PLAN_ZOOM || !map.getBounds().contains(state.highlight.getBounds())) state.frame(this.panel);
      this.known.then(() => { if (this.row === row && !this.now) this.ask(); });
      at("whatif-title").focus();
    }
    // Ends it: the standing plan is on the map again.
    leave() {
      if (!this.on) return;
      const { state } = this;
      this.asker.stop();
      clearTimeout(this.slow);
      clearTimeout(this.saying);
      if (at("compare").open) at("compare").close();
      for (const handle of Object.values(this.handles)) handle.remove();
      this.put(this.block, this.standingWords);
      this.row = -1;
      this.panel.hidden = true;
      at("whatif-mark").hidden = true;
      at("wind").hidden = !state.district.head.wind;
      document.body.classList.remove("what-if");
      delete document.body.dataset.whatif;
    }
    // Back to the card, as it was.
    goBack() {
      if (!this.on) return false;
      history.replaceState(null, "", `#${encodeURIComponent(this.id)}`);
      this.leave();
      at("card").hidden = false;
      at("card-whatif").focus();
      return true;
    }
    // What the next tap on the map sets.
    aim(what) {
      this.aimed = what;
      for (const one of ["fire", "ladder"]) at(`whatif-tap-${one}`).setAttribute("aria-pressed", String(one === what));
      at("whatif-hint").textContent = what === "fire" ? "Tap the roof where the fire is, or drag its ring." : "Tap the ground where the ladder stands, close to a wall.";
    }
    isOnRoof(place) {
      const point = L.CRS.EPSG3857.latLngToPoint(place, 0);
      return this.state.layers.buildings.holds(this.row, point.x, point.y);
    }
    refuseSpot() {
      at("whatif-hint").textContent = "That place is not on this roof: tap inside its outline.";
      this.showHandles();
    }
    takes(place) {
      if (!this.on) return false;
      if (this.aimed === "fire" && !this.isOnRoof(place)) this.refuseSpot();
      else {
        this.aim(this.aimed);
        this.change({ [this.aimed]: lonLat(place) });
      }
      return true;
    }
    change(some) {
      const wish = { ...this.wish, ...some };
      if (same(wish, this.wish)) return;
      this.wish = wish;
      this.ask();
    }
    startOver() {
      this.kept = null;
      at("whatif-kept").textContent = "";
      this.takeUp(NOTHING);
    }
    takeUp(wish) {
      this.aim("fire");
      this.wish = wish;
      this.ask();
    }
    // The standing plan comes first: what is wished for is compared with it.
    ask() {
      const { fire, wind, method, ladder } = this.standing ? this.wish : NOTHING, inputs = { building_id: this.id };
      if (fire) inputs.fire = fire;
      if (wind !== null) inputs.wind_from_deg = wind;
      if (method) inputs.method = method;
      if (ladder) inputs.ladder = ladder;
      this.showControls();
      this.asker.ask(inputs);
    }
    hear({ asked, wish: inputs, answer, error, again }) {
      if (asked) {
        document.body.dataset.whatif = "asking";
        clearTimeout(this.slow);
        this.slow = setTimeout(() => { at("whatif-busy").textContent = "Planning."; }, SLOW_MS);
        return;
      }
      const wish = { fire: inputs.fire || null, wind: inputs.wind_from_deg ?? null, method: inputs.method || null, ladder: inputs.ladder || null };
      clearTimeout(this.slow);
      at("whatif-busy").textContent = "";
      if (error) this.trouble(error, again);
      else this.settle(wish, answer, inputs);
    }
    // No answer: what is drawn is of the scenario before, and that is said.
    trouble(error, again) {
      document.body.dataset.whatif = "failed";
      const drawn = this.now ? " The drawing still shows the scenario before." : "";
      at("whatif-trouble").textContent = unturned(error.message) + drawn + (again ? " This page asks again by itself." : "");
      at("whatif-fault").hidden = false;
      at("whatif-mark").classList.toggle("old", this.now !== null);
    }
    // Nothing more can be asked until the page is loaded again.
    outdate(why) {
      this.outdated = true;
      at("whatif-again").textContent = "Load the page again";
      this.trouble({ message: why });
    }
    settle(wish, answer, inputs) {
      const { state } = this;
      at("whatif-fault").hidden = true;
      at("whatif-trouble").textContent = "";
      this.build ??= answer.build ?? null;
      // The roofs on this page and the plan would be of two builds.
      if (answer.build !== this.build) return this.outdate("The district was built anew since this page was opened.");
      let plan;
      try { plan = planFrom(answer, this.block, this.row); } catch { return this.outdate("The server's answer cannot be drawn on this map."); }
      this.now = { wish, inputs, answer, plan };
      const standing = isStanding(wish);
      const waits = this.standing === null && !isStanding(this.wish);
      if (standing) this.standing = this.now;
      this.mark(standing ? STANDING : MARK);
      if (standing) this.put(plan, this.standingWords);
      else this.put(plan, `What if, not the standing plan: ${shortWords(this.now)}.`, MARK);
      if (waits) return this.ask();
      history.replaceState(null, "", toHash(this.id, wish));
      this.showControls();
      this.write();
      if (!this.asker.next) document.body.dataset.whatif = "shown";
      return undefined;
    }
    // Says on the map and in the panel what is shown.
    mark(words) {
      for (const id of ["whatif-mark", "whatif-words"]) at(id).textContent = words;
      at("whatif-mark").classList.remove("old");
    }
    // Puts a plan in the place of the building's own: on the map, in the legend, and in print.
    put(plan, words, mark = null) {
      const { state } = this, before = state.district.plans[this.number];
      state.district.plans[this.number] = plan;
      state.plan = plan;
      Object.assign(state, { scenario: words, mark });
      state.tiles.repaint(boxOf(state.layers, this.row, [before, plan]));
      drawLegendSoon(state);
    }
    // The controls show what is wished for; where nothing is, what the plan assumes.
    showControls() {
      const { wish, standing } = this, scenario = (standing || this.now || { answer: { scenario: {} } }).answer.scenario;
      const wind = wish.wind ?? scenario.wind_from_deg ?? null;
      this.dial.show(wind ?? 0);
      at("whatif-wind-words").textContent = wind === null ? (this.now ? "no wind is assumed" : "") : `${roofplatWind.words(wind)}${wish.wind === null ? `, ${scenario.wind_basis || "assumed"}` : ""}`;
      at("whatif-method").value = wish.method || "";
      at("whatif-ladder").hidden = !wish.ladder;
      at("whatif-reset").disabled = isStanding(wish) && !this.kept;
      this.showHandles();
    }
    showHandles() {
      const { map } = this.state, scenario = (this.now || this.standing || { answer: { scenario: {} } }).answer.scenario;
      const places = { fire: this.wish.fire || scenario.fire, ladder: this.wish.ladder };
      for (const [what, handle] of Object.entries(this.handles)) {
        const place = places[what];
        if (!place) { handle.remove(); continue; }
        handle.setLatLng([place[1], place[0]]);
        if (!handle._map) handle.addTo(map);
      }
    }
    write() {
      const { state, row, standing, now } = this, base = this.kept || standing, was = this.kept ? "in A" : "standing plan";
      const listed = at("whatif-changed"), lines = base ? compared(state, row, base, now) : [], changed = changes(lines, was);
      listed.replaceChildren(...changed.map(({ what, now: said, why, before, moved }) => {
        const item = element("li");
        item.append(element("strong", `${what}: `), element("bdi", said), ".");
        if (moved) item.append(` ${roofplatCard.capital(moved)} of the ${this.kept ? "one in A" : "standing plan's"}.`);
        if (before) item.append(" ", element("bdi", `${roofplatCard.capital(before)}.`, "how"));
        if (why) item.append(" ", element("bdi", why, "how"));
        return item;
      }));
      const warnings = warningsOf(now), warned = warnings.length ? ` ${warnings.length} ${warnings.length === 1 ? "warning" : "warnings"}.` : "";
      const sum = isStanding(now.wish) && !this.kept ? "This is the standing plan. Tap the fire, turn the wind, ask for a method or put a ladder."
        : changed.length ? `Changed against ${this.kept ? "scenario A" : "the standing plan"}: ${changed.map(({ what }) => what.toLowerCase()).join(", ")}.`
          : `Nothing changes against ${this.kept ? "scenario A" : "the standing plan"}.`;
      // Said once a person has come to rest.
      clearTimeout(this.saying);
      this.saying = setTimeout(() => { at("whatif-sum").textContent = sum + warned; }, SAY_MS);
      at("whatif-warnings").replaceChildren(...warnings.map((text) => element("li", text)));
      for (const id of ["whatif-refused", "whatif-plan"]) at(id).replaceChildren();
      writePlan(at("whatif-plan"), at("whatif-refused"), state, row, now.plan);
      at("whatif-compare").disabled = !base || same(base.wish, now.wish);
      at("whatif-compare").textContent = this.kept ? "Compare with A" : "Compare with the standing plan";
    }
    // The scenario on the screen becomes A: what follows is compared with it.
    keep() {
      if (!this.now) return;
      this.kept = this.now;
      at("whatif-kept").textContent = `A is kept: ${shortWords(this.kept)}.`;
      this.showControls();
      this.write();
    }
    openCompare() {
      const base = this.kept || this.standing;
      if (base && this.now) this.compare.open(this.row, [base, this.now], [this.kept ? "A" : "A: standing plan", "B: on the screen"]);
    }
    // The sheet of a scenario, as the server prints it.
    async print(scenario, said) {
      if (!scenario) return;
      said.textContent = "Printing the sheet.";
      try {
        const { blob, name } = await sheet(scenario.inputs), link = element("a");
        link.href = URL.createObjectURL(blob);
        link.download = name;
        document.body.append(link);
        link.click();
        link.remove();
        setTimeout(() => URL.revokeObjectURL(link.href), 60000);
        said.textContent = "The sheet is among the downloads.";
      } catch (error) {
        said.textContent = unturned(error.message);
      }
    }
  }

  roofplat.add((state) => { state.live = new WhatIf(state); });
})();
