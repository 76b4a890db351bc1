// The map page: legend, card, search, keys; it starts everything.
// In: a Leaflet map and the element #map-data.
// Out: what is seen. Text from data reaches the page through textContent alone.
"use strict";
var roofplat = (function () {
  const { TILE, Layer, unpack } = roofplatData;
  const { DASH, FAMILY_FILLS, LOOKS, NEAR_ZOOM, OUTLINE_ZOOM, PLAN_ORDER, PLAN_ZOOM, RANK_FILLS, RANK_WORDS, DistrictLayer,
    arrowPaths, drawLook, drawStation, fillStrength, isGuess, looksIn, spotWarning, titleOf } = roofplatDraw;
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

  function thousands(value) {
    return String(Math.round(value)).replace(/\B(?=(\d{3})+$)/g, ",");
  }

  // What methods are called; it comes with the data.
  let methodWords = {};

  function words(name) {
    return name === null ? null : methodWords[name] || name.replaceAll("_", " ");
  }

  // Codes of the tables read as words; ids of rules, which have a point in them, stay as they are.
  function plain(text) {
    return text.replace(/(?<![.\w])[a-z]+(?:_[a-z]+)+(?![.\w])/g, (code) => words(code));
  }

  // A reason begins with the method or the code it is about; said once is enough.
  function reason(text, method) {
    const [, code, rest] = /^(\w+): (.*)$/s.exec(text) || [null, null, text];
    return code === null || code === method ? sentence(plain(rest)) : sentence(`${words(code)}: ${plain(rest)}`);
  }

  function sentence(text) {
    const whole = text.charAt(0).toUpperCase() + text.slice(1);
    return /[.!?]$/.test(whole) ? whole : `${whole}.`;
  }

  function number(value, places = 1) {
    return String(Number(value.toFixed(places)));
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
    const familyOf = (key) => state.families[key] || state.families.unknown;
    const family = familyOf(get("roof_family")), parts = rowsOf(layers.sections, row);
    const card = document.getElementById("card-body");
    card.replaceChildren(element("h2", titleOf(buildings, row)));
    if (get("alert")) card.append(element("p", get("alert"), "alert"));
    if (get("surveyed_on") === null) card.append(element("p", "Nobody has surveyed this roof.", "warn"));
    const cautions = new Set([family, ...parts.map((part) => familyOf(layers.sections.get("roof_family", part)))].map((one) => one.caution));
    card.append(element("h3", "Caution"));
    for (const caution of cautions) card.append(element("p", caution, "warn"));
    const zones = rowsOf(layers.collapse_zones, row), zone = (column) => layers.collapse_zones.get(column, zones[0]);
    if (zones.length && zone("pushes_out")) card.append(element("p", `Collapse zone ${number(zone("distance_ft"))} ft from the walls. ${zone("why") || ""}`, "warn"));
    card.append(element("h3", "Building"));
    addFacts(card, [
      ["Id", get("building_id")], ["Address", get("address")], ["Area", get("dispatch_area")],
      ["Roof", withBasis(family.label, get("family_basis"))],
      ["Lightweight", get("p_lightweight") === null ? null : `chance ${get("p_lightweight")}`],
      ["Occupancy", get("occupancy")], ["Built", get("year_built")], ["Storeys", get("storeys")],
      ["Height", get("height_ft") === null ? null : withBasis(`${get("height_ft").toFixed(0)} ft`, get("height_basis"))],
      ["Collapse zone", zones.length ? `${number(zone("distance_ft"))} ft from the walls, for walls of ${withBasis(`${number(zone("height_ft"))} ft`, zone("height_basis"))}` : null],
      ["Ground area", get("area_ft2") === null ? null : `${thousands(get("area_ft2"))} ft2`],
      ["Sprinklers", { true: "yes", false: "no" }[get("sprinklered")] || "not known"],
      ["Roof survey", get("surveyed_on") || "never"], ["Inspected", get("inspected_on") || "no record"],
    ]);
    if (get("rank") !== null) {
      card.append(element("h3", `Rank ${get("rank")} of ${state.ranked}`), element("p", get("reasons")));
      addFacts(card, [["Score", get("score")], ["Inspection class", get("class")], ["Next due", get("next_due")]]);
    }
    addList(card, "Ladder spots", "ul", rowsOf(layers.ladders, row).map((spot) => [
      [`${layers.ladders.get("rank", spot)}.`], [ladderWords(layers.ladders, spot)], [spotDanger(layers, spot), "warn"],
      [layers.ladders.get("usng", spot), "grid"], [layers.ladders.get("reasons", spot), "small"]]));
    for (const part of parts) addSection(card, state, row, part, parts.length > 1);
    addList(card, "Openings, in order", "ul", rowsOf(layers.openings, row).map((part) => [
      [`${layers.openings.get("seq", part)}. ${openingWords(layers.openings, part)}`],
      [layers.openings.get("usng", part), "grid"], [layers.openings.get("why", part), "small"]]));
    addList(card, "Trench", "ul", rowsOf(layers.trenches, row).map((part) => [
      [`${words(layers.trenches.get("method", part))}, ${thousands(layers.trenches.get("length_ft", part) || 0)} ft long`],
      [layers.trenches.get("usng", part), "grid"], [layers.trenches.get("why", part), "small"]]));
    if (get("solar_checks")) {
      const audit = layers.solar_access;
      card.append(element("h3", "Solar access"), element("p", `${get("solar_met")} of ${get("solar_checks")} checks met.`));
      const list = element("ul");
      for (const one of rowsOf(audit, row)) list.append(element("li", `${audit.get("finding", one) === "failed" ? "Not met" : "Cannot be told"}, array ${audit.get("array", one)}: ${audit.get("message", one)}`));
      if (list.childElementCount) card.append(list);
    }
    card.append(element("h3", "Read this"), element("p", state.scenario), element("p", state.ground), element("p", state.caution));
  }

  function ladderWords(ladders, row) {
    const get = (column) => ladders.get(column, row), setback = get("base_setback_ft"), support = get("support_ft"), highest = get("highest_ft");
    const how = { ground_ladder: `${get("ladder_ft")} ft ground ladder`, aerial: "aerial", out_of_reach: "out of reach" };
    return [`side ${get("side") ?? "?"}`, how[get("apparatus")] || "ladder not known",
      setback === null || get("apparatus") !== "ground_ladder" ? null : `base ${setback.toFixed(1)} ft out`,
      get("aerial_setback_ft") === null ? null : `${get("aerial_setback_ft").toFixed(0)} ft from the street to the tip`,
      support === null ? `height ${get("height_basis") || "assumed"}` : `edge and parapet at ${withBasis(`${number(support)} ft`, get("height_basis"))}`,
      highest === null ? null : `${get("apparatus") === "out_of_reach" ? "the best there is reaches" : "reaches"} ${number(highest)} ft`].filter(Boolean).join(", ");
  }

  function spotDanger(layers, row) {
    return spotWarning(layers, row) === "in the collapse zone" ? "The base stands in the collapse zone." : null;
  }

  function openingWords(openings, row) {
    const method = openings.get("method", row), first = method === "existing_opening" || method === "glazing";
    return `${words(method)}, ${thousands(openings.get("area_ft2", row) || 0)} ft2` + (first ? ": open first, fall hazard" : "");
  }

  // 12 rafters, 2 ft apart (assumed)
  function memberWords(members, row) {
    const kind = members.get("kind", row), count = members.get("count", row), spacing = members.get("spacing_ft", row);
    const one = kind === "glazing" ? "line of glazing" : kind;
    const kinds = count === 1 ? one : { truss: "trusses", glazing: "lines of glazing" }[kind] || `${kind}s`;
    return withBasis([count === null ? kinds : `${thousands(count)} ${kinds}`, spacing === null ? null : `${number(spacing, 2)} ft apart`].filter(Boolean).join(", "), members.get("basis", row));
  }

  function addSection(card, state, building, row, several) {
    const { sections, members, planes } = state.layers, get = (column) => sections.get(column, row);
    const own = (layer) => rowsOf(layer, building).filter((one) => layer.get("part", one) === get("part"));
    const family = state.families[get("roof_family")] || state.families.unknown, method = get("cut_method"), slope = get("slope_deg");
    const flat = get("area_ft2"), along = get("true_area_ft2"), axis = get("framing_axis_deg");
    card.append(element("h3", several ? `Roof section ${get("part")}` : "Roof"));
    addFacts(card, [
      ["Family", several ? withBasis(family.label, get("family_basis")) : null],
      ["Form", get("roof_shape") === null ? null : withBasis(words(get("roof_shape")), get("shape_basis"))],
      ["Slope", slope === null ? null : withBasis(`${number(slope)}°`, get("slope_basis"))],
      ["Rise", get("rise_ft") ? `${number(get("rise_ft"))} ft from eave to top` : null],
      ["Planes", own(planes).length || null],
      ["Area", `${thousands(flat || 0)} ft2 on the ground` + (along === null || Math.round(along) === Math.round(flat) ? "" : `, ${thousands(along)} ft2 along the slope`)],
      ["Framing runs", axis === null ? "not known" : withBasis(`${axis.toFixed(0)}°`, get("axis_basis"))],
      ["Members", own(members).map((one) => memberWords(members, one)).join("; ") || "none drawn"],
      ["Scenario", get("fire_basis") === null ? null : `fire spot ${get("fire_basis")}, wind from ${get("wind_from_deg")}° (${get("wind_basis")})`],
      ["Opening", method === null ? "no cut drawn" : words(method)],
    ]);
    if (get("cut_method_why")) card.append(element("p", reason(get("cut_method_why"), method), method === null || method === "do_not_cut" ? "warn" : undefined));
    const rejected = (get("methods_rejected") || "").split(/; (?=\w+: )/).filter(Boolean);
    if (!rejected.length) return;
    const list = element("ul");
    for (const one of rejected) list.append(element("li", sentence(plain(one))));
    card.append(element("h4", "Rejected, and the rule"), list);
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
    show(state, { building: row });
    fillCard(state, row);
    const card = document.getElementById("card");
    card.hidden = false;
    card.scrollTop = 0;
    if (move) {
      const legend = document.getElementById("legend");
      const left = window.innerWidth > 640 && legend.open ? legend.offsetWidth + 50 : 50;
      const covered = window.innerWidth > 640 ? [card.offsetWidth + 40, 40] : [30, card.offsetHeight + 20];
      map.fitBounds(state.highlight.getBounds(), { animate: false, maxZoom: 21, paddingTopLeft: [left, 60], paddingBottomRight: covered });
    }
    if (focus) card.focus();
    history.replaceState(null, "", `#${encodeURIComponent(buildings.get("building_id", row))}`);
  }

  // What the tiles draw beyond what is always there.
  function show(state, change) {
    Object.assign(state.tiles.shown, change);
    state.tiles.repaint();
  }

  function close(state) {
    document.getElementById("card").hidden = true;
    if (state.highlight) state.highlight.remove();
    show(state, { building: -1 });
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
    at("zones").hidden = !state.layers.collapse_zones.size;
    at("zones").addEventListener("click", () => {
      const zones = !state.tiles.shown.zones;
      at("zones").setAttribute("aria-pressed", String(zones));
      show(state, { zones });
    });
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
    const { collapse_zones: zones } = layers;
    layers.pushing = new Set(zones.columns.building.values.filter((building, row) => zones.get("pushes_out", row)));
    const { buildings } = layers, families = data.families;
    const ranked = data.ranked;
    const classOf = (row) => (families[buildings.get("roof_family", row)] || families.unknown).class;
    const state = { map, layers, families, ranked, mode: "family", drawn: new Set(), classes: new Set(), caution: data.caution, ground: data.ground, scenario: data.scenario };
    for (let row = 0; row < buildings.size; row++) state.classes.add(classOf(row));
    for (const name of PLAN_ORDER) {
      if (name !== "sections") for (const look of looksIn(layers[name])) state.drawn.add(look);
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
      methodWords = data.methods;
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
