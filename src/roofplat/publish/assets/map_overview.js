// The page in place of a map that would hold too many buildings.
// In: the text of #overview: outlines, and the number of the link in #groups that each belongs to.
// Out: the outlines on a map; a tap on one opens the page of its link. Text reaches the page through textContent alone.
"use strict";
(function () {
  const { Layer, element, unpack } = roofplatData;
  const INK = "#14181c", FILL = "#e69f00", MOST_ZOOM = 18, LEAST_WIDTH_PX = 70;
  const at = (id) => document.getElementById(id), links = [...document.querySelectorAll("#groups li a")];
  const still = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
  const look = (on) => ({ color: INK, weight: on ? 4 : 2, fillColor: FILL, fillOpacity: on ? 0.6 : 0.25, fillRule: "evenodd" });

  // An address may name a building: the pages of the parts know their own.
  function nameBuilding() {
    const hash = location.hash.length > 1 && location.hash !== "#groups" ? location.hash : "";
    for (const link of links) link.hash = hash;
    let id = hash.slice(1).split("?what-if")[0];
    try { id = decodeURIComponent(id); } catch { /* as it was typed */ }
    at("named").hidden = !hash;
    at("named").textContent = "";
    if (hash) at("named").append("Building ", element("bdi", id), ": open the part that it stands in.");
  }

  function ringsOf(layer, row) {
    const rings = [];
    for (let curve = layer.firstCurve[row]; curve < layer.firstCurve[row + 1]; curve++) {
      const ring = [];
      for (let i = layer.firstVertex[curve]; i < layer.firstVertex[curve + 1]; i++) ring.push(L.CRS.EPSG3857.pointToLatLng(L.point(layer.x[i], layer.y[i]), 0));
      if (ring.length) rings.push(ring);
    }
    return rings;
  }

  function draw(layer) {
    const map = L.map("map", { attributionControl: false, maxZoom: MOST_ZOOM, zoomSnap: 0.25,
      ...(still ? { zoomAnimation: false, fadeAnimation: false, inertia: false } : {}) });
    L.control.scale({ maxWidth: 160 }).addTo(map);
    layer.unfold();
    const shapes = links.map(() => L.featureGroup());
    for (let row = 0; row < layer.size; row++) {
      const rings = ringsOf(layer, row);
      if (rings.length) L.polygon(rings, look(false)).addTo(shapes[layer.get("group", row)]);
    }
    const mark = (number, on) => { shapes[number].setStyle(look(on)); links[number].classList.toggle("on", on); };
    // A small outline lies over a large one: each can be reached.
    const sizeOf = (shape) => { const box = shape.getBounds(); return box.isValid() ? (box.getEast() - box.getWest()) * (box.getNorth() - box.getSouth()) : 0; };
    for (const shape of [...shapes].sort((a, b) => sizeOf(b) - sizeOf(a))) shape.addTo(map);
    for (const [number, shape] of shapes.entries()) {
      shape.on("click", () => { location.href = links[number].href; });
      shape.on("mouseover", () => mark(number, true));
      shape.on("mouseout", () => mark(number, false));
      for (const [event, on] of [["focus", true], ["mouseenter", true], ["blur", false], ["mouseleave", false]]) {
        links[number].addEventListener(event, () => mark(number, on));
      }
    }
    const whole = L.featureGroup(shapes.filter((shape) => shape.getLayers().length)).getBounds();
    if (whole.isValid()) map.fitBounds(whole, { animate: false, padding: [16, 16] }); else map.setView([0, 0], 2);
    // A name stands where there is room for it.
    const labels = shapes.map((_, number) => L.tooltip({ permanent: true, direction: "center", className: "group", interactive: false })
      .setContent(element("bdi", links[number].querySelector(".name").textContent)));
    const label = () => shapes.forEach((shape, number) => {
      const bounds = shape.getLayers().length ? shape.getBounds() : null;
      const width = bounds ? map.latLngToLayerPoint(bounds.getSouthEast()).x - map.latLngToLayerPoint(bounds.getNorthWest()).x : 0;
      if (width < LEAST_WIDTH_PX) labels[number].remove(); else if (!map.hasLayer(labels[number])) labels[number].setLatLng(bounds.getCenter()).addTo(map);
    });
    map.on("zoomend", label);
    label();
    new ResizeObserver(() => map.invalidateSize({ animate: false, pan: false })).observe(map.getContainer());
  }

  async function start() {
    at("about-open").addEventListener("click", () => at("about").showModal());
    at("about-close").addEventListener("click", () => at("about").close());
    window.addEventListener("hashchange", nameBuilding);
    nameBuilding();
    try {
      if (typeof DecompressionStream === "undefined") throw new Error("this browser is too old");
      const { head, bytes } = await unpack(at("overview").textContent.trim());
      draw(new Layer("groups", head.layer, bytes, head.steps_per_degree));
    } catch (error) {
      at("fault").textContent = `The outlines could not be drawn (${error.message}). The list of parts works without them.`;
      at("fault").hidden = false;
    }
    document.body.dataset.ready = "yes";
  }

  start();
})();
