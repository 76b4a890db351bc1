// The map page: it starts everything, and holds what is chosen and shown.
// In: a Leaflet map and the data of the page.
// Out: what is seen. Text from data reaches the page through textContent alone.
"use strict";
var roofplat = (function () {
  const { TILE, District, element } = roofplatData;
  const { FAMILY_FILLS, RANK_FILLS } = roofplatDraw;
  const { DistrictLayer } = roofplatTiles;
  const { INK, WHITE, PALE, VERMILLION } = roofplatDraw.COLORS;
  const { drawLegend, drawLegendSoon } = roofplatLegend;
  const { fillCard, useWords } = roofplatCard;
  const { connectTools, say } = roofplatTools;
  const { Finder } = roofplatFind;
  const { Filter, fifthOf } = roofplatFilter;
  // Less than this between the panels is no room to show a building in.
  const LEAST_ROOM_PX = 120;
  // What is added to the page by others: called with its state once all else is there.
  const additions = [];

  // Every building that is opened is a step back in the browser; one that an address names is there already.
  async function select(state, row, { move = false, focus = true, step = true } = {}) {
    const { buildings } = state.layers, map = state.map;
    if (state.live) state.live.leave();
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
    if (state.selected < 0) state.returnTo = document.activeElement;
    const again = state.selected === row;
    state.selected = row;
    if (step && !again) history.pushState(null, "", `#${encodeURIComponent(buildings.get("building_id", row))}`);
    const plan = await state.district.planOf(row);
    // Another building may have been chosen while this one was unpacked.
    if (state.selected !== row) return;
    show(state, { building: row });
    fillCard(state, row, plan);
    const card = document.getElementById("card"), filters = document.getElementById("filters");
    // The card takes the place of the filter, which comes back after it.
    if (!filters.hidden) {
      state.behind = filters;
      filters.hidden = true;
    }
    card.hidden = false;
    card.scrollTop = 0;
    if (move) frame(state, card);
    if (focus) (card.querySelector("h2") || card).focus();
    if (state.live) state.live.opened(row, plan);
  }

  // Brings the chosen building into what a panel leaves of the map.
  function frame({ map, highlight }, panel) {
    map.fitBounds(highlight.getBounds(), { animate: false, maxZoom: 21, ...clearRoom(map, panel) });
  }

  // What of the map no panel covers, as paddings.
  function clearRoom(map, card) {
    const { x: width, y: height } = map.getSize(), legend = document.getElementById("legend");
    const isSheet = card.offsetWidth > 0.8 * width, right = isSheet ? 30 : card.offsetWidth + 40, bottom = isSheet ? card.offsetHeight + 20 : 40;
    const left = legend.open && width - right - legend.offsetWidth - 40 > LEAST_ROOM_PX ? legend.offsetWidth + 40 : 50;
    const top = height - bottom - 60 > LEAST_ROOM_PX ? 60 : 10;
    return width - left - right < LEAST_ROOM_PX || height - top - bottom < LEAST_ROOM_PX / 2 ? {} : { paddingTopLeft: [left, top], paddingBottomRight: [right, bottom] };
  }

  // One panel at the side at a time. Who opened it gets the focus back.
  function openPanel(state, panel, { focus }) {
    const from = document.activeElement;
    if (state.selected >= 0) close(state);
    if (panel.hidden) state.panelFrom = from;
    panel.hidden = false;
    focus.focus();
  }

  function closePanel(state, panel, opener) {
    panel.hidden = true;
    const back = state.panelFrom;
    (back && back !== document.body && back.getClientRects().length ? back : opener).focus();
  }

  // What the tiles draw beyond what is always there.
  function show(state, change) {
    Object.assign(state.tiles.shown, change);
    state.tiles.repaint();
  }

  // Closes the card; who opened it gets the focus back.
  function close(state, { step = true } = {}) {
    if (state.selected < 0) return;
    if (state.live) state.live.leave();
    document.getElementById("card").hidden = true;
    if (state.behind) state.behind.hidden = false;
    state.behind = null;
    if (state.highlight) state.highlight.remove();
    state.selected = -1;
    show(state, { building: -1 });
    if (step) history.pushState(null, "", "#");
    const back = state.returnTo;
    (back && back !== document.body && back.isConnected && back.getClientRects().length ? back : state.map.getContainer()).focus();
  }

  function pick(state, place) {
    const point = L.CRS.EPSG3857.latLngToPoint(place, 0), { buildings } = state.layers;
    const rows = buildings.find(point.x, point.y, point.x, point.y).filter((row) => buildings.holds(row, point.x, point.y));
    // Of outlines over one another the smallest is meant.
    rows.sort((a, b) => (buildings.get("area_ft2", a) || 0) - (buildings.get("area_ft2", b) || 0));
    if (rows.length) return select(state, rows[0]);
  }

  function goToHash(state) {
    // A scenario may follow: the map shows the building alone.
    const [typed] = location.hash.slice(1).split("?what-if"), { buildings } = state.layers;
    let id = typed;
    // A percent sign that somebody typed is no code.
    try { id = decodeURIComponent(typed); } catch { /* as it was typed */ }
    say("");
    if (!id) return close(state, { step: false });
    for (let row = 0; row < buildings.size; row++) {
      if (buildings.get("building_id", row) === id) return select(state, row, { move: true, step: false });
    }
    close(state, { step: false });
    say(["No building of this map has the id ", id, ". It may be on the map of another area, or have a new id: find it by name or address."]);
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
    if (!wind.given) arrow.setAttribute("stroke-dasharray", "5 3");
    arrow.setAttribute("transform", `rotate(${wind.from_deg + 180})`);
    drawing.append(arrow);
    box.append(drawing, element("span", `${wind.words}. North is up.`));
    box.hidden = false;
  }

  function closeTopmost(state) {
    const at = (id) => document.getElementById(id), legend = at("legend");
    if (state.live && state.live.goBack()) return;
    if (!at("card").hidden) close(state);
    else if (!at("filters").hidden) state.filter.close();
    else if (legend.open && legend.contains(document.activeElement)) {
      legend.open = false;
      legend.querySelector("summary").focus();
    }
  }

  function connect(state) {
    const { map } = state, at = (id) => document.getElementById(id);
    const tap = (place) => { if (!state.measure.takes(place) && !(state.live && state.live.takes(place))) pick(state, place); };
    map.on("click", (event) => tap(event.latlng));
    map.on("moveend", () => drawLegendSoon(state));
    state.tiles.on("unpacked", () => drawLegendSoon(state));
    map.getContainer().addEventListener("keydown", (event) => {
      if (event.key !== "Enter" || event.target !== map.getContainer()) return;
      tap(map.getCenter());
    });
    document.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && !event.defaultPrevented && !document.querySelector("dialog[open]")) closeTopmost(state);
    });
    // The bar above may grow and take height from the map.
    new ResizeObserver(() => map.invalidateSize({ animate: false, pan: false })).observe(map.getContainer());
    at("skip-map").addEventListener("click", (event) => { event.preventDefault(); map.getContainer().focus(); });
    at("card-close").addEventListener("click", () => close(state));
    at("by-family").addEventListener("click", () => setMode(state, "family"));
    at("by-rank").addEventListener("click", () => setMode(state, "rank"));
    at("zones").hidden = !state.district.head.plan_layers.collapse_zones;
    at("zones").addEventListener("click", () => {
      const zones = !state.tiles.shown.zones;
      at("zones").setAttribute("aria-pressed", String(zones));
      show(state, { zones });
    });
    at("about-open").addEventListener("click", () => at("about").showModal());
    at("about-close").addEventListener("click", () => at("about").close());
    window.addEventListener("hashchange", () => goToHash(state));
    connectTools(state);
  }

  function fault(text) {
    const box = document.getElementById("fault");
    box.textContent = text;
    box.hidden = false;
  }

  function makeState(map, district) {
    const { layers, head } = district, { buildings } = layers, { families, interval, ranked } = head;
    const classOf = (row) => (families[buildings.get("roof_family", row)] || families.unknown).class;
    const rankFill = (row) => {
      const rank = buildings.get("rank", row);
      return rank === null ? PALE : RANK_FILLS[fifthOf(rank, ranked)];
    };
    const state = { map, district, layers, families, interval, ranked, classOf, mode: "family", selected: -1, caution: head.caution, ground: head.ground, scenario: head.scenario, venting: head.venting || null, mark: null, live: null };
    state.select = (row, options) => select(state, row, options);
    state.frame = (panel) => frame(state, panel);
    state.openPanel = (panel, options) => openPanel(state, panel, options);
    state.closePanel = (panel, opener) => closePanel(state, panel, opener);
    state.onFound = () => drawLegendSoon(state);
    // The tick is seen before the map has been painted anew.
    state.onFilter = (kept) => {
      cancelAnimationFrame(state.paintSoon);
      state.tiles.shown.kept = kept;
      state.paintSoon = requestAnimationFrame(() => setTimeout(() => state.tiles.repaint()));
      drawLegendSoon(state);
    };
    state.tiles = new DistrictLayer(district, { family: (row) => FAMILY_FILLS[classOf(row)], rank: rankFill },
      { tileSize: TILE, keepBuffer: 1, maxZoom: 22, updateWhenZooming: false });
    return state;
  }

  async function start(map) {
    if (typeof DecompressionStream === "undefined") {
      return fault("This browser is too old to unpack the map. Open it in a browser from 2023 or later, or use report.html and layers.gpkg.");
    }
    try {
      const district = await District.read(), { bounds, methods, wind } = district.head;
      useWords(methods);
      const state = makeState(map, district);
      if (bounds) map.fitBounds(bounds, { animate: false });
      if (!state.layers.buildings.size) fault("There are no buildings in this map.");
      if (window.innerWidth < 800 || window.innerHeight < 600) document.getElementById("legend").open = false;
      map.createPane("halo").classList.add("halo");
      state.tiles.addTo(map);
      if (wind) showWind(wind);
      state.finder = new Finder(state);
      state.filter = new Filter(state);
      drawLegend(state);
      connect(state);
      for (const addition of additions) addition(state);
      document.body.dataset.ready = "yes";
      await goToHash(state);
    } catch (error) {
      fault(`The map could not be unpacked (${error.message}). Copy the file again, or build it anew.`);
    }
  }

  // Of who asks for less motion nothing glides.
  function motion() {
    const still = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
    return still ? { zoomAnimation: false, fadeAnimation: false, markerZoomAnimation: false, inertia: false } : {};
  }

  return { add: (addition) => additions.push(addition), motion, start };
})();
