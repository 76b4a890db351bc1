// The legend of the map page: what is in view, drawn as it is drawn on the map.
// In: the state of map_page.js.
// Out: the contents of #legend-items.
"use strict";
var roofplatLegend = (function () {
  const { DASH, FAMILY_FILLS, LEFT_OUT, LOOKS, NEAR_ZOOM, OUTLINE_ZOOM, PLAN_ORDER, PLAN_ZOOM, RANK_FILLS, arrowPaths, drawLook, drawStation, feetOfPixel, fillStrength, isGuess, isShown, lookOf } = roofplatDraw;
  const { INK, WHITE, PALE, PURPLE } = roofplatDraw.COLORS;
  const { element } = roofplatData;
  const { fifthOf, ranksOf } = roofplatFilter;
  // A map that is being moved is not read.
  const WAIT_MS = 120;
  const FAMILY_WORDS = { lightweight: "Lightweight family", "not lightweight": "Family not lightweight", unknown: "Family unknown" };
  const GROUPS = [
    ["Ways up and along", (key, layer) => layer === "ladders" || layer === "paths"],
    ["Scenario and cuts", (key, layer) => ["fires", "checks", "openings", "trenches"].includes(layer)],
    ["Walls and members", (key, layer) => ["walls", "planes", "members"].includes(layer)],
    ["On the roof", (key, layer) => layer === "solar_access" || (layer === "obstacles" && key !== "obstacles/overhead_line")],
    ["Around", (key, layer) => ["collapse_zones", "ground"].includes(layer) || key === "obstacles/overhead_line"],
  ];

  // The window as a box of world pixels at zoom 0.
  function inView(map) {
    const bounds = map.getBounds(), at = (place) => L.CRS.EPSG3857.latLngToPoint(place, 0);
    const { x: west, y: north } = at(bounds.getNorthWest()), { x: east, y: south } = at(bounds.getSouthEast());
    return [west, north, east, south];
  }

  // Does a straight stretch enter the box? Liang and Barsky's clipping, 1984.
  function crosses([west, north, east, south], x1, y1, x2, y2) {
    let from = 0, to = 1;
    for (const [move, room] of [[x1 - x2, x1 - west], [x2 - x1, east - x1], [y1 - y2, y1 - north], [y2 - y1, south - y1]]) {
      if (move === 0) { if (room < 0) return false; continue; }
      const at = room / move;
      if (move < 0) from = Math.max(from, at); else to = Math.min(to, at);
      if (from > to) return false;
    }
    return true;
  }

  // Whether the shape of a row, not its box alone, meets a box.
  function meets(layer, row, window) {
    const [west, north, east, south] = window, at = 4 * row, { boxes, x, y } = layer;
    if (!(boxes[at] <= east && boxes[at + 2] >= west && boxes[at + 1] <= south && boxes[at + 3] >= north)) return false;
    if (boxes[at] >= west && boxes[at + 2] <= east && boxes[at + 1] >= north && boxes[at + 3] <= south) return true;
    const closed = layer.kind(row) === 2;
    for (let curve = layer.firstCurve[row]; curve < layer.firstCurve[row + 1]; curve++) {
      const first = layer.firstVertex[curve], end = layer.firstVertex[curve + 1];
      for (let i = closed ? first : first + 1, j = closed ? end - 1 : first; i < end; j = i++) {
        if (crosses(window, x[j], y[j], x[i], y[i])) return true;
      }
    }
    return closed && layer.holds(row, (west + east) / 2, (north + south) / 2);
  }

  // What the buildings in view say: stops as soon as there is nothing more that they could.
  function lookAtBuildings(state, window) {
    const { buildings } = state.layers, { kept } = state.tiles.shown, ranks = state.mode === "rank";
    const fills = new Set(), bases = new Set(), outs = new Set();
    buildings.unfold();
    const most = { fills: ranks ? RANK_FILLS.length + 1 : 3, bases: 2, outs: kept ? 2 : 1 };
    for (let row = 0; row < buildings.size; row++) {
      if (!meets(buildings, row, window)) continue;
      const out = Boolean(kept) && !kept[row];
      outs.add(out);
      bases.add(isGuess(buildings, row));
      const rank = ranks ? buildings.get("rank", row) : null;
      if (!out) fills.add(!ranks ? state.classOf(row) : rank === null ? null : fifthOf(rank, state.ranked));
      if (fills.size === most.fills && bases.size === most.bases && outs.size === most.outs) break;
    }
    return { fills, bases, leftOut: outs.has(true) };
  }

  function drawLegend(state) {
    clearTimeout(state.legendSoon);
    const box = document.getElementById("legend-items"), zoom = state.map.getZoom(), window = inView(state.map);
    const { buildings, streets, areas, stations } = state.layers, { fills, bases, leftOut } = lookAtBuildings(state, window);
    box.replaceChildren();
    const swatches = state.mode === "rank" ? rankRows(state, fills) : Object.entries(FAMILY_FILLS).filter(([word]) => fills.has(word)).map(([word, fill]) => [FAMILY_WORDS[word], fill]);
    const rows = swatches.map(([word, fill]) => [word, (context) => swatch(context, fill, false, fillStrength(zoom))]);
    if (leftOut) rows.push(["Left out by the filter", (context) => swatch(context, WHITE, false, 1, LEFT_OUT)]);
    addPart(box, state.mode === "rank" ? "Rank" : "Roof family", rows);
    if (state.mode === "rank" && fills.size) box.append(element("p", "Rank 1 has the highest score: look there first."));
    if (zoom >= OUTLINE_ZOOM) {
      addPart(box, "Outline", [false, true].filter((guessed) => bases.has(guessed)).map((guessed) =>
        [guessed ? "Family inferred or assumed" : "Family surveyed, recorded or drawn", (context) => swatch(context, WHITE, guessed, 1)]));
    }
    const places = [], seen = (layer) => layer.find(...window).some((row) => meets(layer, row, window));
    if (state.finder && state.finder.rows.length) places.push(["Found, with its number in the list", (context) => flag(context)]);
    if (seen(streets)) places.push(["Street", (context) => sample(context, { shape: "line", color: "#b9b6ad", width: 6 })]);
    if (seen(areas)) places.push(["Dispatch area", (context) => sample(context, { shape: "line", color: PURPLE, width: 4, dash: [14, 5, 3, 5] })]);
    if (seen(stations)) places.push(["Fire station", (context) => drawStation(context, 20, 12)]);
    addPart(box, "Places", places);
    if (zoom < PLAN_ZOOM) {
      if (buildings.size) box.append(element("p", "Zoom in to see walls, members, ladder spots, openings and obstacles."));
      return;
    }
    const drawn = planLooks(state, window, zoom), keys = Object.keys(LOOKS).filter((key) => drawn.has(key));
    for (const [title, belongs] of GROUPS) {
      addPart(box, title, keys.filter((key) => belongs(key, key.split("/")[0])).map((key) => [LOOKS[key].label, (context) => sample(context, LOOKS[key], zoom >= NEAR_ZOOM)]));
    }
    if (keys.length) box.append(element("p", "Dashed: inferred or assumed. A circled letter is the side."));
  }

  // The looks of all that is drawn of the plans in the window; each look is asked for once.
  function planLooks(state, window, zoom) {
    const scale = 2 ** zoom, drawn = new Set(), { layers } = state, { shown } = state.tiles;
    const view = { zoom, scale, left: 0, top: 0, feet: feetOfPixel(scale, (window[1] + window[3]) / 2) };
    for (const plan of state.district.plansIn(...window)) for (const name of PLAN_ORDER) {
      if (name === "sections") continue;
      const layer = plan.layers[name];
      for (const row of layer.find(...window)) {
        const key = lookOf(layer, row);
        if (!drawn.has(key) && isShown(view, layers, layer, row, shown) && meets(layer, row, window)) drawn.add(key);
      }
    }
    return drawn;
  }

  function rankRows(state, fifths) {
    const rows = RANK_FILLS.map((fill, fifth) => [fifth, fill, ranksOf(fifth, state.ranked)]).filter(([fifth]) => fifths.has(fifth))
      .map(([, fill, [first, last]]) => [first === last ? `Rank ${first}` : `Rank ${first} to ${last}`, fill]);
    return fifths.has(null) ? [...rows, ["Not ranked", PALE]] : rows;
  }

  // Draws it once the map has stood still.
  function drawLegendSoon(state) {
    clearTimeout(state.legendSoon);
    state.legendSoon = setTimeout(() => drawLegend(state), WAIT_MS);
  }

  function addPart(box, title, entries) {
    if (!entries.length) return;
    const list = element("ul");
    for (const [label, draw] of entries) {
      const item = element("li"), canvas = element("canvas");
      canvas.width = 80; canvas.height = 44;
      canvas.setAttribute("aria-hidden", "true");
      const context = canvas.getContext("2d");
      context.scale(2, 2);
      draw(context);
      item.append(canvas, element("span", label));
      list.append(item);
    }
    box.append(element("h3", title), list);
  }

  function sample(context, look, near = false) {
    const [path, head] = look.shape === "arrow" ? arrowPaths(20, 11, 90, 26) : [new Path2D()], box = { x: 6, y: 3, width: 28, height: 16 };
    if (look.shape === "area") path.rect(box.x, box.y, box.width, box.height);
    else if (look.shape !== "arrow") { path.moveTo(2, 11); path.lineTo(38, 11); }
    drawLook(context, look, path, box, false, 1, near, head);
  }

  function swatch(context, fill, guessed, strength, edge = INK) {
    context.globalAlpha = strength; context.fillStyle = fill; context.fillRect(4, 3, 32, 16);
    context.globalAlpha = 1;
    context.strokeStyle = edge; context.lineWidth = 1.5; context.setLineDash(guessed ? DASH : []);
    context.strokeRect(4, 3, 32, 16);
  }

  function flag(context) {
    context.fillStyle = "#00466e";
    context.beginPath(); context.roundRect(12, 1, 16, 14, 4); context.fill();
    context.beginPath(); context.moveTo(16, 15); context.lineTo(24, 15); context.lineTo(20, 21); context.fill();
  }

  return { drawLegend, drawLegendSoon, meets, sample };
})();
