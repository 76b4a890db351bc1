// The legend of the map page: what is in view, drawn as it is drawn on the map.
// In: the state of map_page.js.
// Out: the contents of #legend-items.
"use strict";
var roofplatLegend = (function () {
  const { DASH, FAMILY_FILLS, LOOKS, NEAR_ZOOM, OUTLINE_ZOOM, PLAN_ORDER, PLAN_ZOOM, RANK_FILLS, RANK_WORDS, arrowPaths, drawLook, drawStation, fillStrength, isGuess, lookOf } = roofplatDraw;
  const { INK, WHITE, PURPLE } = roofplatDraw.COLORS;
  const { element } = roofplatData;

  // The window as a box of world pixels at zoom 0.
  function inView(map) {
    const bounds = map.getBounds(), at = (place) => L.CRS.EPSG3857.latLngToPoint(place, 0);
    const { x: west, y: north } = at(bounds.getNorthWest()), { x: east, y: south } = at(bounds.getSouthEast());
    return [west, north, east, south];
  }

  function drawLegend(state) {
    const box = document.getElementById("legend-items"), zoom = state.map.getZoom(), window = inView(state.map);
    const { buildings, streets, areas, stations } = state.layers, classes = new Set(), bases = new Set();
    for (const row of buildings.find(...window)) {
      classes.add(state.classOf(row)); bases.add(isGuess(buildings, row));
      if (classes.size === 3 && bases.size === 2) break;
    }
    box.replaceChildren();
    const fills = state.mode === "rank" ? RANK_WORDS.map((word, i) => [word, RANK_FILLS[i]]) :
      Object.entries(FAMILY_FILLS).filter(([word]) => classes.has(word)).map(([word, fill]) => [
        { lightweight: "Lightweight family", "not lightweight": "Family not lightweight", unknown: "Family unknown" }[word], fill]);
    addLegendPart(box, state.mode === "rank" ? "Buildings by rank" : "Buildings by roof family", fills.map(([word, fill]) => [word, (context) => swatch(context, fill, false, fillStrength(zoom))]));
    const basis = [false, true].filter((guessed) => bases.has(guessed)).map((guessed) =>
      [guessed ? "Family inferred or assumed" : "Family surveyed, recorded or drawn", (context) => swatch(context, WHITE, guessed, 1)]);
    if (zoom >= OUTLINE_ZOOM) addLegendPart(box, "Outline", basis);
    const places = [], seen = (layer) => layer.find(...window).length > 0;
    if (seen(streets)) places.push(["Street", (context) => sample(context, { shape: "line", color: "#b9b6ad", width: 6 })]);
    if (seen(areas)) places.push(["Dispatch area", (context) => sample(context, { shape: "line", color: PURPLE, width: 4, dash: [14, 5, 3, 5] })]);
    if (seen(stations)) places.push(["Fire station", (context) => drawStation(context, 20, 12)]);
    addLegendPart(box, "Places", places);
    if (zoom < PLAN_ZOOM) {
      if (buildings.size) box.append(element("p", "Zoom in to see walls, members, ladder spots, openings and obstacles."));
      return;
    }
    const drawn = new Set();
    for (const plan of state.district.plansIn(...window)) for (const name of PLAN_ORDER) {
      if (name !== "sections") for (const row of plan.layers[name].find(...window)) drawn.add(lookOf(plan.layers[name], row));
    }
    const plan = Object.keys(LOOKS).filter((key) => drawn.has(key));
    if (!plan.length) return;
    addLegendPart(box, "Plan", plan.map((key) => [LOOKS[key].label, (context) => sample(context, LOOKS[key], zoom >= NEAR_ZOOM)]));
    box.append(element("p", "Dashed: inferred or assumed. A circled letter is the side."));
  }

  function addLegendPart(box, title, entries) {
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

  function swatch(context, fill, guessed, strength) {
    context.globalAlpha = strength; context.fillStyle = fill; context.fillRect(4, 3, 32, 16);
    context.globalAlpha = 1;
    context.strokeStyle = INK; context.lineWidth = 1.5; context.setLineDash(guessed ? DASH : []);
    context.strokeRect(4, 3, 32, 16);
  }

  return { drawLegend, sample };
})();
