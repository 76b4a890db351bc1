// The tools of the map page: copy and share, measure, show where I am, print.
// In: the state of map_page.js, and what a person presses.
// Out: the buttons of #tools and what they show. Nothing is sent anywhere; the place of the device
// stays in the page. Text from data reaches the page through textContent alone.
"use strict";
var roofplatTools = (function () {
  const { LOOKS, NEAR_ZOOM, PLAN_ORDER, isShown, lookOf } = roofplatDraw;
  const { TILE, element } = roofplatData;
  const { printCard } = roofplatCard;
  const { INK, WHITE } = roofplatDraw.COLORS;
  const FOOT_M = 0.3048;
  // WGS 84.
  const AXIS_M = 6378137, SQUARED = 2 / 298.257223563 - 1 / 298.257223563 ** 2;
  const SAME_PLACE_PX = 4, LATE_MS = 60000, TICK_MS = 5000, NOTICE_MS = 12000;
  let noticeTimer = 0;
  // A drawing for print, in the pixels of a page at 96 to the inch: 7.5 in wide.
  const PRINT = { width: 720, most: 380, least: 240, margin: 56, ratio: 3, zoom: 22.5, strip: 44 };
  // Half as wide: it stands in a column.
  const PRINT_WORK = { ...PRINT, width: 352, most: 190, least: 190, margin: 40, zoom: 20.5 };
  const at = (id) => document.getElementById(id);

  // Ground feet between two places that are near each other: the radii of curvature of the meridian
  // and across it, in the middle latitude (Snyder 1987, USGS Professional Paper 1395, eq. 4-18 and 4-20).
  function distanceFeet(one, other, scale = 1) {
    const degree = Math.PI / 180, latitude = ((one.lat + other.lat) / 2) * degree;
    const share = 1 - SQUARED * Math.sin(latitude) ** 2;
    const across = AXIS_M / Math.sqrt(share), along = (AXIS_M * (1 - SQUARED)) / share ** 1.5;
    const north = along * (other.lat - one.lat) * degree, east = across * Math.cos(latitude) * (other.lng - one.lng) * degree;
    return (Math.hypot(north, east) / FOOT_M) * scale;
  }

  function lengthWords(feet) {
    const places = feet < 1000 ? 1 : 0;
    return `${feet.toFixed(places)} ft (${(feet * FOOT_M).toFixed(places)} m)`;
  }

  function press(label, id, parent, use) {
    const button = element("button", label);
    button.type = "button";
    button.id = id;
    button.addEventListener("click", use);
    parent.append(button);
    return button;
  }

  // A box over the map that tells what a tool is at.
  function panel(id, label) {
    const box = element("div", null, "panel"), words = element("p");
    box.id = id;
    box.hidden = true;
    box.setAttribute("role", "group");
    box.setAttribute("aria-label", label);
    words.setAttribute("role", "status");
    box.append(words);
    let stack = at("panels");
    if (!stack) {
      stack = element("div", null, "panels");
      stack.id = "panels";
      at("card").parentElement.append(stack);
    }
    stack.append(box);
    return { box, words };
  }

  // Says something in plain words until it is dismissed; every second part comes from data.
  function say(parts) {
    const list = [parts].flat(), box = at("notice");
    at("notice-words").replaceChildren(...list.map((part, place) => (place % 2 ? element("bdi", Array.from(part).slice(0, 80).join("")) : part)));
    at("notice-text").hidden = true;
    box.hidden = !list.join("");
    clearTimeout(noticeTimer);
  }

  function makeNotice() {
    const { box, words } = panel("notice", "Message"), text = element("textarea");
    words.id = "notice-words";
    text.id = "notice-text";
    text.readOnly = true;
    text.rows = 2;
    text.hidden = true;
    text.setAttribute("aria-label", "Text to copy");
    box.append(text);
    press("Dismiss", "notice-close", box, () => { say(""); });
  }

  // To the clipboard; from a file some browsers refuse it, and an older way is tried; at last the text is
  // shown, marked, to be copied by hand.
  async function copy(text, told) {
    if (await writeClipboard(text)) {
      say(told);
      noticeTimer = setTimeout(() => say(""), NOTICE_MS);
      return;
    }
    say("This browser does not let a page copy. The text is marked below: copy it from there.");
    const box = at("notice-text");
    box.value = text;
    box.hidden = false;
    box.focus();
    box.select();
  }

  async function writeClipboard(text) {
    try {
      await navigator.clipboard.writeText(text);
      return true;
    } catch { /* refused, or there is none */ }
    const before = document.activeElement, box = element("textarea", null, "offscreen");
    box.value = text;
    box.readOnly = true;
    document.body.append(box);
    box.select();
    let done = false;
    try { done = document.execCommand("copy"); } catch { /* told below */ }
    box.remove();
    if (before) before.focus();
    return done;
  }

  async function share() {
    const fromFile = location.protocol === "file:";
    if (!fromFile && navigator.share) {
      try { await navigator.share({ title: document.title, url: location.href }); return; } catch (error) { if (error.name === "AbortError") return; }
    }
    const elsewhere = " It opens where this file lies in the same folder; elsewhere, put the # and what follows it behind the address of the map there.";
    await copy(location.href, `Copied the link to this building.${fromFile ? elsewhere : ""}`);
  }

  class Measure {
    constructor(state) {
      this.state = state;
      this.map = state.map;
      this.points = [];
      this.on = false;
      this.scale = state.district.head.ground_scale || 1;
      // The figures stand above the line that they are about.
      for (const name of ["measure", "measure-figures"]) this.map.createPane(name).classList.add(`${name}-pane`);
      this.drawn = L.layerGroup().addTo(this.map);
      const { box, words } = panel("measure", "Measure a distance");
      this.box = box;
      this.words = words;
      box.append(element("p", state.ground, "small"));
      const row = element("div", null, "actions");
      press("Remove last", "measure-undo", row, () => this.undo());
      press("Start over", "measure-clear", row, () => { this.points = []; this.draw(); });
      press("Done", "measure-close", row, () => this.end());
      box.append(row);
      // Before the page's own keys: Escape ends the measuring and leaves the card open.
      document.addEventListener("keydown", (event) => this.key(event), true);
    }
    begin() {
      this.on = true;
      this.points = [];
      this.box.hidden = false;
      this.map.doubleClickZoom.disable();
      document.body.classList.add("measuring");
      this.button.setAttribute("aria-pressed", "true");
      this.draw();
      this.map.getContainer().focus();
    }
    end() {
      this.on = false;
      this.points = [];
      this.box.hidden = true;
      this.map.doubleClickZoom.enable();
      document.body.classList.remove("measuring");
      this.button.setAttribute("aria-pressed", "false");
      this.draw();
      this.button.focus();
    }
    // Takes a tap while it is on, so that no card opens.
    takes(place) {
      if (!this.on) return false;
      const last = this.points.at(-1), pixel = (one) => this.map.latLngToContainerPoint(one);
      if (!last || pixel(last).distanceTo(pixel(place)) >= SAME_PLACE_PX) {
        this.points.push(place);
        this.draw();
      }
      return true;
    }
    undo() {
      this.points.pop();
      this.draw();
    }
    key(event) {
      if (!this.on || document.querySelector("dialog[open]")) return;
      const typing = event.target.closest && event.target.closest("input, textarea, select");
      if (event.key === "Escape") this.end();
      else if (event.key === "Backspace" && !typing) this.undo();
      else return;
      event.preventDefault();
      event.stopPropagation();
    }
    draw() {
      this.drawn.clearLayers();
      const { points } = this, style = { pane: "measure", interactive: false };
      if (points.length > 1) {
        L.polyline(points, { ...style, color: WHITE, weight: 7 }).addTo(this.drawn);
        L.polyline(points, { ...style, color: INK, weight: 3 }).addTo(this.drawn);
      }
      for (const point of points) L.circleMarker(point, { ...style, radius: 6, color: INK, weight: 3, fillColor: WHITE, fillOpacity: 1 }).addTo(this.drawn);
      const parts = points.slice(1).map((point, before) => distanceFeet(points[before], point, this.scale));
      parts.forEach((feet, before) => {
        const middle = L.latLng((points[before].lat + points[before + 1].lat) / 2, (points[before].lng + points[before + 1].lng) / 2);
        const icon = L.divIcon({ className: "measure-label", iconSize: null, html: element("span", lengthWords(feet)) });
        L.marker(middle, { ...style, icon, keyboard: false, pane: "measure-figures" }).addTo(this.drawn);
      });
      this.words.textContent = this.told(parts);
    }
    told(parts) {
      if (!this.on) return "";
      if (!this.points.length) return "Tap the first point, or bring it into the middle with the arrow keys and press Enter.";
      if (!parts.length) return "1 point. Tap the next. Backspace takes a point back, Escape ends.";
      const total = parts.reduce((sum, feet) => sum + feet, 0);
      return `Total ${lengthWords(total)}, ${this.points.length} points` + (parts.length > 1 ? `; last part ${lengthWords(parts.at(-1))}.` : ".");
    }
  }

  // Where the device is, when its owner asks; it is drawn, and goes nowhere.
  class Locate {
    constructor(state) {
      this.state = state;
      this.watch = null;
      this.drawn = L.layerGroup().addTo(state.map);
      const { box, words } = panel("place", "Where I am");
      this.box = box;
      this.words = words;
      press("Stop", "place-close", box, () => this.stop());
    }
    toggle() {
      if (this.watch !== null) return this.stop();
      this.box.hidden = false;
      this.moved = false;
      this.last = null;
      if (!navigator.geolocation) return this.tell("This browser cannot tell a page where it is.");
      this.button.setAttribute("aria-pressed", "true");
      this.tell("Asking the device where it is.");
      this.watch = navigator.geolocation.watchPosition((found) => this.found(found), (error) => this.failed(error), { enableHighAccuracy: true, maximumAge: 5000, timeout: 30000 });
      this.timer = setInterval(() => this.draw(), TICK_MS);
      return undefined;
    }
    stop() {
      this.quiet();
      this.drawn.clearLayers();
      this.last = null;
      this.box.hidden = true;
      this.button.focus();
    }
    quiet() {
      if (this.watch !== null) navigator.geolocation.clearWatch(this.watch);
      clearInterval(this.timer);
      this.watch = null;
      this.button.setAttribute("aria-pressed", "false");
    }
    tell(text) {
      // Said again only when it changes: a live region repeats what is written into it.
      if (this.words.textContent !== text) this.words.textContent = text;
    }
    found({ coords, timestamp }) {
      this.last = { place: L.latLng(coords.latitude, coords.longitude), accuracy: coords.accuracy, time: timestamp };
      this.draw();
    }
    failed(error) {
      const held = this.last !== null;
      if (error.code === error.PERMISSION_DENIED) {
        this.quiet();
        this.drawn.clearLayers();
        return this.tell("The browser does not give this page the place of the device: allow location for it in the browser's settings, or, where a map opened as a file may not ask, open it from a web address; all else works without.");
      }
      if (!held) this.tell("The device cannot tell where it is now; it goes on trying: step into the open, or switch location on in the device's settings.");
      return undefined;
    }
    draw() {
      if (this.last === null) return;
      const { place, accuracy, time } = this.last, { map, district } = this.state, age = Date.now() - time, late = age > LATE_MS;
      const inside = district.head.bounds && L.latLngBounds(district.head.bounds).pad(1).contains(place);
      this.drawn.clearLayers();
      const color = late ? "#6b7177" : "#0072b2", style = { interactive: false, color };
      L.circle(place, { ...style, radius: accuracy, weight: 2, fillColor: color, fillOpacity: 0.12 }).addTo(this.drawn);
      L.circleMarker(place, { ...style, radius: 9, color: WHITE, weight: 3, fillColor: color, fillOpacity: 1 }).addTo(this.drawn);
      if (inside && !this.moved) {
        this.moved = true;
        map.setView(place, Math.max(map.getZoom(), 17), { animate: false });
      }
      const feet = accuracy / FOOT_M, words = `${feet < 100 ? Math.ceil(feet) : Math.ceil(feet / 10) * 10} ft`;
      this.tell(late ? `Outdated: you were here ${Math.round(age / 60000)} min ago, within ${words}.`
        : `You are within ${words} of the dot, as far as the device knows.${inside ? "" : " That is not on this map."}`);
    }
  }

  // A length that reads well, at most as long as asked for.
  function roundLength(most) {
    const ten = 10 ** Math.floor(Math.log10(most));
    return [5, 2, 1].map((times) => times * ten).find((length) => length <= most);
  }

  // The box around some rows of layers of one building, and around another box, in world pixels at zoom 0.
  function boxAround(layers, row, box = [Infinity, Infinity, -Infinity, -Infinity]) {
    for (const layer of layers) {
      layer.unfold();
      for (const one of layer.rowsOf(row)) {
        const [west, north, east, south] = layer.boxes.subarray(4 * one, 4 * one + 4);
        if (west <= east) box = [Math.min(box[0], west), Math.min(box[1], north), Math.max(box[2], east), Math.max(box[3], south)];
      }
    }
    return box;
  }

  // The whole plan, and, where it is too far away to tell its openings apart, these once more, larger.
  function drawPlans(state, row, plan) {
    const { buildings } = state.layers, { ladders, openings, fires } = plan.layers;
    buildings.unfold();
    const [west, north, east, south] = boxAround([ladders], row), own = buildings.boxes.subarray(4 * row, 4 * row + 4);
    const whole = [Math.min(west, own[0]), Math.min(north, own[1]), Math.max(east, own[2]), Math.max(south, own[3])];
    const work = openings.rowsOf(row).length > 0;
    const first = drawPlan(state, row, plan, whole, "Plan of the roof", PRINT);
    if (first.near || !work) return [first];
    return [first, drawPlan(state, row, plan, boxAround([openings, fires], row), "Where to open, larger", PRINT_WORK)];
  }

  // What lies in a box, drawn large, north up, with a scale bar.
  function drawPlan(state, row, plan, [west, north, east, south], title, { width, most, least, margin, ratio, strip, zoom: highest }) {
    const room = width - 2 * margin;
    const zoom = Math.min(highest, Math.log2(Math.min(room / (east - west), (most - 2 * margin) / (south - north)))), scale = 2 ** zoom;
    const height = Math.round(Math.max(least, (south - north) * scale + 2 * margin));
    const left = ((west + east) / 2) * scale - width / 2, top = ((north + south) / 2) * scale - height / 2;
    const canvas = element("canvas", null, "plan"), context = canvas.getContext("2d");
    canvas.width = width * ratio;
    canvas.height = (height + strip) * ratio;
    context.fillStyle = WHITE;
    context.fillRect(0, 0, canvas.width, canvas.height);
    context.beginPath();
    context.save();
    context.rect(0, 0, canvas.width, height * ratio);
    context.clip();
    for (let j = 0; j * TILE < height; j++) for (let i = 0; i * TILE < width; i++) {
      const tile = element("canvas");
      // On its sheet the spots of a neighbour would be taken for its own.
      state.tiles.paint(tile, { x: left / TILE + i, y: top / TILE + j, z: zoom }, ratio, row, [state.district.common, plan]);
      context.drawImage(tile, i * TILE * ratio, j * TILE * ratio);
    }
    context.restore();
    context.scale(ratio, ratio);
    context.strokeStyle = INK;
    context.lineWidth = 1.5;
    context.strokeRect(0.75, 0.75, width - 1.5, height - 1.5);
    const place = (x) => L.CRS.EPSG3857.pointToLatLng(L.point((left + x) / scale, (north + south) / 2), 0);
    const feet = distanceFeet(place(0), place(width), state.district.head.ground_scale) / width;
    const bar = drawScale(context, feet, height, 0.3 * width);
    drawNorth(context, width - 26, height + strip / 2);
    canvas.setAttribute("role", "img");
    canvas.setAttribute("aria-label", `${title}, true north up; its scale bar is ${bar} ft long`);
    return { canvas, looks: looksOf(state, row, plan, { zoom, feet }, [left, top, left + width, top + height].map((value) => value / scale)), feet, near: zoom >= NEAR_ZOOM };
  }

  function drawScale(context, feet, top, most) {
    const length = roundLength(most * feet), across = length / feet, y = top + 18;
    context.strokeStyle = context.fillStyle = INK;
    context.lineWidth = 1.5;
    context.strokeRect(2, y - 4, across, 8);
    context.fillRect(2, y - 4, across / 2, 8);
    context.font = "600 13px system-ui, sans-serif";
    context.textBaseline = "middle";
    context.textAlign = "left";
    context.fillText(`${length} ft (${Number((length * FOOT_M).toPrecision(3))} m)`, across + 12, y);
    context.font = "12px system-ui, sans-serif";
    context.fillText("0", 0, y + 15);
    context.textAlign = "center";
    context.fillText(String(length / 2), 2 + across / 2, y + 15);
    context.fillText(String(length), 2 + across, y + 15);
    return length;
  }

  function drawNorth(context, x, y) {
    const arrow = new Path2D(`M${x} ${y - 16}L${x + 8} ${y + 14}L${x} ${y + 8}L${x - 8} ${y + 14}Z`);
    context.fillStyle = INK;
    context.fill(arrow);
    context.font = "700 14px system-ui, sans-serif";
    context.textAlign = "right";
    context.textBaseline = "middle";
    context.fillText("true north", x - 14, y);
  }

  // The looks that a drawing shows of this building, and of lines overhead and ground around it.
  function looksOf(state, row, plan, view, box) {
    const drawn = new Set(), { common } = state.district, { shown } = state.tiles;
    for (const name of PLAN_ORDER) {
      if (name === "sections") continue;
      const layer = plan.layers[name];
      for (const one of layer.rowsOf(row)) if (isShown(view, state.layers, layer, one, shown)) drawn.add(lookOf(layer, one));
    }
    for (const layer of [common.layers.obstacles, common.layers.ground]) for (const one of layer.find(...box)) drawn.add(lookOf(layer, one));
    return Object.keys(LOOKS).filter((key) => drawn.has(key));
  }

  // What the looks of a drawing mean, each with its sample.
  function fillKey(key, looks, near) {
    for (const look of Object.keys(LOOKS).filter((one) => looks.has(one))) {
      const item = element("li"), small = element("canvas");
      small.width = 160;
      small.height = 88;
      const context = small.getContext("2d");
      context.scale(4, 4);
      roofplatLegend.sample(context, LOOKS[look], near);
      item.append(small, element("span", LOOKS[look].label));
      key.append(item);
    }
  }

  function writePrint(state) {
    const { selected: row, plan } = state;
    endPrint();
    if (row < 0 || !plan || !plan.layers.details.rowsOf(row).length) return;
    const box = element("section"), figure = element("figure"), key = element("ul", null, "key");
    box.id = "print";
    const drawings = drawPlans(state, row, plan), looks = new Set(drawings.flatMap((one) => one.looks));
    fillKey(key, looks, drawings.some(({ near }) => near));
    figure.append(drawings[0].canvas, key, element("figcaption", "Dashed: inferred or assumed. A circled letter is the side."), element("p", `${state.caution} ${state.scenario} ${state.ground}`, "caution"));
    const today = new Date(), two = (value) => String(value).padStart(2, "0");
    const head = element("p", null, "printed");
    head.append(element("bdi", document.title), `. Printed ${today.getFullYear()}-${two(today.getMonth() + 1)}-${two(today.getDate())}.`);
    box.append(head);
    if (state.mark) box.append(element("p", state.mark, "nocut"));
    printCard(box, state, row, plan, figure, drawings.length > 1 ? drawings[1].canvas : null);
    document.body.append(box);
    document.body.classList.add("prints-card");
  }

  function endPrint() {
    if (at("print")) at("print").remove();
    document.body.classList.remove("prints-card");
  }

  // What is pressed inside a card.
  function useCard(event) {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.copy) copy(button.dataset.copy, ["Copied ", button.dataset.copy, "."]);
    else if (button.id === "card-link") share();
    else if (button.id === "card-print") window.print();
  }

  function connectTools(state) {
    makeNotice();
    let tools = at("tools");
    if (!tools) {
      tools = element("div");
      tools.id = "tools";
      tools.setAttribute("role", "group");
      tools.setAttribute("aria-label", "Tools");
      at("about-open").before(tools);
    }
    const measure = state.measure = new Measure(state), locate = new Locate(state);
    measure.button = press("Measure", "measure-open", tools, () => (measure.on ? measure.end() : measure.begin()));
    locate.button = press("Where am I", "place-open", tools, () => locate.toggle());
    for (const one of [measure, locate]) one.button.setAttribute("aria-pressed", "false");
    at("card").addEventListener("click", useCard);
    // Also when a person prints by the browser's own menu.
    window.addEventListener("beforeprint", () => writePrint(state));
    window.addEventListener("afterprint", endPrint);
  }

  return { boxAround, connectTools, distanceFeet, drawPlan, fillKey, say, share, useCard };
})();
