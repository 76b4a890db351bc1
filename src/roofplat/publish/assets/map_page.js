// The map page: legend, card, search, keys; it starts everything.
// In: a Leaflet map and the element #map-data.
// Out: what is seen. Text from data reaches the page through textContent alone.
"use strict";
var roofplat = (function () {
  const { TILE, Layer, unpack } = roofplatData;
  const { DASH, FAMILY_FILLS, LOOKS, NEAR_ZOOM, OUTLINE_ZOOM, PLAN_ORDER, PLAN_ZOOM, RANK_FILLS, RANK_WORDS, DistrictLayer,
    drawLook, drawStation, fillStrength, isGuess, looksIn, titleOf } = roofplatDraw;
  const { INK, WHITE, PALE, PURPLE, VERMILLION } = roofplatDraw.COLORS;

  function element(tag, text, className) {
    const made = document.createElement(tag);
    if (text !== undefined && text !== null) made.textContent = String(text);
    if (className) made.className = className;
    return made;
  }

  function drawLegend(state) {
    const box = document.getElementById("legend-items");
    box.replaceChildren();
    const zoom = state.map.getZoom(), { buildings } = state.layers;
    const fills = state.mode === "rank" ? RANK_WORDS.map((word, i) => [word, RANK_FILLS[i]]) :
      Object.entries(FAMILY_FILLS).filter(([word]) => state.classes.has(word)).map(([word, fill]) => [
        { lightweight: "Lightweight family", "not lightweight": "Family not lightweight", unknown: "Family unknown" }[word], fill]);
    addLegendPart(box, state.mode === "rank" ? "Buildings by rank" : "Buildings by roof family", fills.map(([word, fill]) => [word, (context) => swatch(context, fill, false, fillStrength(zoom))]));
    const basis = [];
    for (const guessed of [false, true]) {
      let any = false;
      for (let row = 0; row < buildings.size && !any; row++) any = isGuess(buildings, row) === guessed;
      if (any) basis.push([guessed ? "Family inferred or assumed" : "Family surveyed, recorded or drawn", (context) => swatch(context, WHITE, guessed, 1)]);
    }
    if (zoom >= OUTLINE_ZOOM) addLegendPart(box, "Outline", basis);
    const places = [];
    if (state.layers.streets.size) places.push(["Street", (context) => sample(context, { shape: "line", color: "#b9b6ad", width: 6 })]);
    if (state.layers.areas.size) places.push(["Dispatch area", (context) => sample(context, { shape: "line", color: PURPLE, width: 4, dash: [14, 5, 3, 5] })]);
    if (state.layers.stations.size) places.push(["Fire station", (context) => drawStation(context, 20, 12)]);
    addLegendPart(box, "Places", places);
    const plan = Object.keys(LOOKS).filter((key) => state.drawn.has(key));
    if (!plan.length) return;
    if (zoom < PLAN_ZOOM) box.append(element("p", "Zoom in to see walls, members, ladder spots, openings and obstacles."));
    else {
      addLegendPart(box, "Plan", plan.map((key) => [LOOKS[key].label, (context) => sample(context, LOOKS[key], zoom >= NEAR_ZOOM)]));
      box.append(element("p", "Dashed: inferred or assumed. A circled letter is the side."));
    }
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
    const path = new Path2D(), box = { x: 6, y: 3, width: 28, height: 16 };
    if (look.shape === "area") path.rect(box.x, box.y, box.width, box.height);
    else { path.moveTo(2, 11); path.lineTo(38, 11); }
    drawLook(context, look, path, box, false, 1, near);
  }

  function swatch(context, fill, guessed, strength) {
    context.globalAlpha = strength; context.fillStyle = fill; context.fillRect(4, 3, 32, 16);
    context.globalAlpha = 1;
    context.strokeStyle = INK; context.lineWidth = 1.5; context.setLineDash(guessed ? DASH : []);
    context.strokeRect(4, 3, 32, 16);
  }

  function thousands(value) {
    return String(Math.round(value)).replace(/\B(?=(\d{3})+$)/g, ",");
  }

  function words(name) {
    const trade = { fold_back: "fold-back", center_rafter_louver: "center-rafter louver" };
    return name === null ? null : trade[name] || name.replaceAll("_", " ");
  }

  function withBasis(value, basis) {
    return value === null ? null : `${value} (${basis || "assumed"})`;
  }

  function addFacts(card, facts) {
    const list = element("dl");
    for (const [term, value] of facts) {
      if (value === null || value === undefined) continue;
      list.append(element("dt", term), element("dd", value));
    }
    card.append(list);
  }

  function rowsOf(layer, building) {
    const owner = layer.columns.building.values, rows = [];
    for (let row = 0; row < owner.length; row++) if (owner[row] === building) rows.push(row);
    return rows;
  }

  function addList(card, title, tag, items) {
    if (!items.length) return;
    const list = element(tag);
    for (const parts of items) {
      const item = element("li");
      for (const [text, className] of parts) if (text) item.append(element("span", text, className), " ");
      list.append(item);
    }
    card.append(element("h3", title), list);
  }

  function fillCard(state, row) {
    const { layers } = state, buildings = layers.buildings;
    const get = (column) => buildings.get(column, row);
    const family = state.families[get("roof_family")] || state.families.unknown;
    const card = document.getElementById("card-body");
    card.replaceChildren(element("h2", titleOf(buildings, row)));
    if (get("alert")) card.append(element("p", get("alert"), "alert"));
    if (get("surveyed_on") === null) card.append(element("p", "Nobody has surveyed this roof.", "warn"));
    addFacts(card, [
      ["Id", get("building_id")], ["Address", get("address")], ["Area", get("dispatch_area")],
      ["Roof", withBasis(family.label, get("family_basis"))],
      ["Lightweight", get("p_lightweight") === null ? null : `chance ${get("p_lightweight")}`],
      ["Occupancy", get("occupancy")], ["Built", get("year_built")], ["Storeys", get("storeys")],
      ["Height", get("height_ft") === null ? null : withBasis(`${get("height_ft").toFixed(0)} ft`, get("height_basis"))],
      ["Ground area", get("area_ft2") === null ? null : `${thousands(get("area_ft2"))} ft2`],
      ["Sprinklers", { true: "yes", false: "no" }[get("sprinklered")] || "not known"],
      ["Roof survey", get("surveyed_on") || "never"], ["Inspected", get("inspected_on") || "no record"],
    ]);
    card.append(element("h3", "Caution"), element("p", family.caution, "warn"));
    if (get("rank") !== null) {
      card.append(element("h3", `Rank ${get("rank")} of ${state.ranked}`), element("p", get("reasons")));
      addFacts(card, [["Score", get("score")], ["Inspection class", get("class")], ["Next due", get("next_due")]]);
    }
    addList(card, "Ladder spots", "ul", rowsOf(layers.ladders, row).map((spot) => [
      [`${layers.ladders.get("rank", spot)}.`], [ladderWords(layers.ladders, spot)],
      [layers.ladders.get("usng", spot), "grid"], [layers.ladders.get("reasons", spot), "small"]]));
    addList(card, "Roof sections", "ul", rowsOf(layers.sections, row).map((part) => [
      [sectionWords(layers.sections, part)], [layers.sections.get("cut_method_why", part), "small"]]));
    addList(card, "Openings, in order", "ul", rowsOf(layers.openings, row).map((part) => [
      [`${layers.openings.get("seq", part)}. ${words(layers.openings.get("method", part))}, ${thousands(layers.openings.get("area_ft2", part) || 0)} ft2`],
      [layers.openings.get("usng", part), "grid"], [layers.openings.get("why", part), "small"]]));
    addList(card, "Trench", "ul", rowsOf(layers.trenches, row).map((part) => [
      [`${words(layers.trenches.get("method", part))}, ${thousands(layers.trenches.get("length_ft", part) || 0)} ft long`],
      [layers.trenches.get("usng", part), "grid"], [layers.trenches.get("why", part), "small"]]));
    card.append(element("h3", "Read this"), element("p", state.scenario), element("p", state.ground), element("p", state.caution));
  }

  function ladderWords(ladders, row) {
    const how = { ground_ladder: `${ladders.get("ladder_ft", row)} ft ground ladder`, aerial: "aerial", out_of_reach: "out of reach" };
    const setback = ladders.get("base_setback_ft", row);
    return `side ${ladders.get("side", row) ?? "?"}, ${how[ladders.get("apparatus", row)] || "ladder not known"}` +
      (setback === null ? "" : `, base ${setback.toFixed(1)} ft out`) + ` (height ${ladders.get("height_basis", row) || "assumed"})`;
  }

  function sectionWords(sections, row) {
    const axis = sections.get("framing_axis_deg", row), beam = sections.get("beam_spacing_ft", row);
    return [`${thousands(sections.get("area_ft2", row) || 0)} ft2`,
      axis === null ? "axis not known" : `beams run ${axis.toFixed(0)}° (${sections.get("axis_basis", row) || "assumed"})`,
      beam === null ? null : `beams ${beam} ft, purlins ${sections.get("purlin_spacing_ft", row)} ft apart (${sections.get("spacing_basis", row) || "assumed"})`,
      sections.get("fire_basis", row) === null ? null : `fire spot ${sections.get("fire_basis", row)}, wind from ${sections.get("wind_from_deg", row)}° (${sections.get("wind_basis", row)})`,
      sections.get("cut_method", row) === null ? "no cut drawn" : words(sections.get("cut_method", row))].filter(Boolean).join("; ");
  }

  function select(state, row, { move = false, focus = true } = {}) {
    const { buildings } = state.layers, map = state.map;
    buildings.unfold();
    if (state.highlight) state.highlight.remove();
    const latLng = (x, y) => L.CRS.EPSG3857.pointToLatLng(L.point(x, y), 0);
    const rings = [];
    for (let curve = buildings.firstCurve[row]; curve < buildings.firstCurve[row + 1]; curve++) {
      const ring = [];
      for (let i = buildings.firstVertex[curve]; i < buildings.firstVertex[curve + 1]; i++) ring.push(latLng(buildings.x[i], buildings.y[i]));
      if (ring.length) rings.push([...ring, ring[0]]);
    }
    // Under the tiles: a halo that covers nothing of the plan.
    state.highlight = L.polyline(rings, { color: VERMILLION, weight: 18, interactive: false, pane: "halo" }).addTo(map);
    fillCard(state, row);
    const card = document.getElementById("card");
    card.hidden = false;
    card.scrollTop = 0;
    if (move) {
      const legend = document.getElementById("legend");
      const left = window.innerWidth > 640 && legend.open ? legend.offsetWidth + 50 : 50;
      const covered = window.innerWidth > 640 ? [card.offsetWidth + 40, 40] : [30, card.offsetHeight + 20];
      map.fitBounds(state.highlight.getBounds(), { animate: false, maxZoom: 20, paddingTopLeft: [left, 60], paddingBottomRight: covered });
    }
    if (focus) card.focus();
    history.replaceState(null, "", `#${encodeURIComponent(buildings.get("building_id", row))}`);
  }

  function close(state) {
    document.getElementById("card").hidden = true;
    if (state.highlight) state.highlight.remove();
    history.replaceState(null, "", "#");
    state.map.getContainer().focus();
  }

  function pick(state, place) {
    const point = L.CRS.EPSG3857.latLngToPoint(place, 0), { buildings } = state.layers;
    const rows = buildings.find(point.x, point.y, point.x, point.y).filter((row) => buildings.holds(row, point.x, point.y));
    // Of outlines over one another the smallest is meant.
    rows.sort((a, b) => (buildings.get("area_ft2", a) || 0) - (buildings.get("area_ft2", b) || 0));
    if (rows.length) select(state, rows[0]);
  }

  function goToHash(state) {
    let id;
    try { id = decodeURIComponent(location.hash.slice(1)); } catch { return; }
    if (!id) return;
    const { buildings } = state.layers;
    for (let row = 0; row < buildings.size; row++) {
      if (buildings.get("building_id", row) === id) return select(state, row, { move: true });
    }
  }

  function search(state, typed) {
    const wanted = typed.trim().toLowerCase(), { buildings } = state.layers;
    const panel = document.getElementById("results"), list = document.getElementById("results-list");
    list.replaceChildren();
    panel.hidden = !wanted;
    if (!wanted) return;
    let count = 0;
    for (let row = 0; row < buildings.size; row++) {
      const texts = ["name", "address", "building_id"].map((column) => buildings.get(column, row)).filter(Boolean);
      if (!texts.some((text) => text.toLowerCase().includes(wanted))) continue;
      if (++count > 20) continue;
      const button = element("button", texts.join(", "));
      button.type = "button";
      button.addEventListener("click", () => { panel.hidden = true; select(state, row, { move: true }); });
      const item = element("li");
      item.append(button);
      list.append(item);
    }
    document.getElementById("results-count").textContent = count > 20 ? `${count} found, the first 20 shown` : `${count} found`;
  }

  function setMode(state, mode) {
    state.mode = state.tiles.mode = mode;
    for (const name of ["family", "rank"]) document.getElementById(`by-${name}`).setAttribute("aria-pressed", String(name === mode));
    state.tiles.redraw();
    drawLegend(state);
  }

  function showWind(wind) {
    const box = document.getElementById("wind");
    const drawing = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    drawing.setAttribute("viewBox", "-20 -20 40 40");
    drawing.setAttribute("aria-hidden", "true");
    const arrow = document.createElementNS("http://www.w3.org/2000/svg", "path");
    arrow.setAttribute("d", "M0 -17L10 0H4V17H-4V0H-10Z");
    arrow.setAttribute("fill", wind.given ? INK : WHITE);
    arrow.setAttribute("stroke", INK);
    arrow.setAttribute("stroke-width", "2.5");
    arrow.setAttribute("transform", `rotate(${wind.from_deg + 180})`);
    drawing.append(arrow);
    box.append(drawing, element("span", wind.words));
    box.hidden = false;
  }

  function connect(state) {
    const { map } = state, at = (id) => document.getElementById(id);
    map.on("click", (event) => pick(state, event.latlng));
    map.on("zoomend", () => drawLegend(state));
    map.getContainer().addEventListener("keydown", (event) => {
      if (event.key === "Enter" && event.target === map.getContainer()) pick(state, map.getCenter());
    });
    document.addEventListener("keydown", (event) => { if (event.key === "Escape" && !at("card").hidden) close(state); });
    at("card-close").addEventListener("click", () => close(state));
    at("search").addEventListener("input", (event) => search(state, event.target.value));
    at("search-form").addEventListener("submit", (event) => {
      event.preventDefault();
      const first = at("results-list").querySelector("button");
      if (first && !at("results").hidden) first.click();
    });
    at("by-family").addEventListener("click", () => setMode(state, "family"));
    at("by-rank").addEventListener("click", () => setMode(state, "rank"));
    at("about-open").addEventListener("click", () => at("about").showModal());
    at("about-close").addEventListener("click", () => at("about").close());
    window.addEventListener("hashchange", () => goToHash(state));
  }

  function fault(text) {
    const box = document.getElementById("fault");
    box.textContent = text;
    box.hidden = false;
  }

  function makeState(map, data) {
    const layers = {};
    for (const [name, packed] of Object.entries(data.layers)) layers[name] = new Layer(name, packed, data.steps_per_degree);
    layers.opened = new Set(layers.openings.columns.building.values);
    const { buildings } = layers, families = data.families;
    const ranked = data.ranked;
    const classOf = (row) => (families[buildings.get("roof_family", row)] || families.unknown).class;
    const state = { map, layers, families, ranked, mode: "family", drawn: new Set(), classes: new Set(), caution: data.caution, ground: data.ground, scenario: data.scenario };
    for (let row = 0; row < buildings.size; row++) state.classes.add(classOf(row));
    for (const name of PLAN_ORDER.slice(1)) {
      for (const look of looksIn(layers[name])) state.drawn.add(look);
    }
    const rankFill = (row) => {
      const rank = buildings.get("rank", row);
      return rank === null ? PALE : RANK_FILLS[Math.min(4, Math.floor(5 * (rank - 1) / ranked))];
    };
    state.tiles = new DistrictLayer(layers, { family: (row) => FAMILY_FILLS[classOf(row)], rank: rankFill },
      { tileSize: TILE, keepBuffer: 4, maxZoom: 22, updateWhenZooming: false });
    return state;
  }

  async function start(map) {
    if (typeof DecompressionStream === "undefined") {
      return fault("This browser is too old to unpack the map. Open it in a browser from 2023 or later, or use report.html and layers.gpkg.");
    }
    try {
      const data = await unpack(document.getElementById("map-data").textContent.trim());
      const state = makeState(map, data);
      if (data.bounds) map.fitBounds(data.bounds, { animate: false });
      if (!state.layers.buildings.size) fault("There are no buildings in this map.");
      if (window.innerWidth < 800) document.getElementById("legend").open = false;
      map.createPane("halo").classList.add("halo");
      state.tiles.addTo(map);
      if (data.wind) showWind(data.wind);
      drawLegend(state);
      connect(state);
      goToHash(state);
      document.body.dataset.ready = "yes";
    } catch (error) {
      fault(`The map could not be unpacked (${error.message}). Copy the file again, or build it anew.`);
    }
  }

  return { start };
})();
