// A plan that was asked for, as layers of the map.
// In: the answer of the process plan-roof (GeoJSON whose features say their layer), and the block of plans that
// holds the building.
// Out: the same block with the answer's rows in the place of the building's own, so that all that draws and tells
// a standing plan draws and tells this one.
"use strict";
var roofplatAnswer = (function () {
  const { Layer, worldX, worldY } = roofplatData;
  // What a scenario changes. Walls, members and what is on the roof stay as they are.
  const MOVED = ["ladders", "paths", "checks", "openings", "trenches"];
  const KINDS = { Point: 0, LineString: 1, MultiLineString: 1, Polygon: 2, MultiPolygon: 2 };

  // The curves of a geometry, as longitude and latitude; a ring without its last vertex, which is its first.
  function curvesOf(geometry) {
    if (!geometry) return [];
    const { type, coordinates } = geometry, ring = (vertices) => vertices.slice(0, -1);
    if (type === "Point") return [[coordinates]];
    if (type === "LineString") return [coordinates];
    if (type === "MultiLineString") return coordinates;
    if (type === "Polygon") return coordinates.map(ring);
    if (type === "MultiPolygon") return coordinates.flat().map(ring);
    return [];
  }

  // Some rows of one layer: their columns by name, and their shapes.
  function rowsFrom(features) {
    const columns = {};
    features.forEach(({ properties }, row) => {
      for (const [name, value] of Object.entries(properties)) (columns[name] || (columns[name] = new Array(features.length).fill(null)))[row] = value;
    });
    return { columns, size: features.length, kinds: features.map(({ geometry }) => (geometry ? KINDS[geometry.type] ?? -1 : -1)), curves: features.map(({ geometry }) => curvesOf(geometry)) };
  }

  function featuresOf(answer, layer) {
    return answer.features.filter(({ properties }) => properties.layer === layer);
  }

  // Sections say whether they hold the fire, where it is and how it is known: a point for each, as on the map.
  function firesFrom(sections) {
    return sections.filter(({ properties }) => properties.planned && properties.fire_lon !== null && properties.fire_lon !== undefined)
      .map(({ properties: { fire_lon: lon, fire_lat: lat, fire_basis } }) => ({ properties: { fire_basis }, geometry: { type: "Point", coordinates: [lon, lat] } }));
  }

  // Every building has a section; its outline says something new only where there are several.
  function sectionsFrom(sections) {
    return sections.map(({ properties, geometry }, place) => ({ properties: { ...properties, part: place + 1 }, geometry: sections.length > 1 ? geometry : null }));
  }

  // What openings do and cost is told by section, under the number that the section has.
  function ventingFrom(rows, sections) {
    const part = new Map(sections.map(({ properties: { section_id } }, place) => [section_id, place + 1]));
    return rows.map(({ properties, geometry }) => ({ properties: { ...properties, part: part.get(properties.section_id) ?? null }, geometry }));
  }

  // A layer of a block with the rows of one building taken out, and others in their place.
  function splice(base, { first, count }, building, own) {
    base.unfold();
    const place = building - first, starts = base.firstRow || new Int32Array(count + 1), from = starts[place], end = starts[place + 1];
    const size = base.size - (end - from) + own.size, more = own.size - (end - from);
    const layer = Object.assign(Object.create(Layer.prototype), { name: base.name, size, first, columns: {}, packed: null, bytes: null, indexed: null, looks: null, guesses: null });
    layer.firstRow = Int32Array.from(starts, (start, at) => (at <= place ? start : start + more));
    layer.building = new Int32Array(size);
    for (let at = 0; at < count; at++) layer.building.fill(first + at, layer.firstRow[at], layer.firstRow[at + 1]);
    // Where a row comes from: one of the base, or one of the answer.
    const source = (row) => (row < from ? [base, row] : row < from + own.size ? [null, row - from] : [base, row - more]);
    for (const name of new Set([...Object.keys(base.columns), ...Object.keys(own.columns)])) {
      layer.columns[name] = { get: (row) => { const [held, at] = source(row); return held ? held.get(name, at) : (own.columns[name] || [])[at] ?? null; } };
    }
    const x = [], y = [], curves = [0], vertices = [0], kinds = [];
    for (let row = 0; row < size; row++) {
      const [held, at] = source(row);
      kinds.push(held ? held.kind(at) : own.kinds[at]);
      if (!held) {
        for (const curve of own.curves[at]) {
          for (const [lon, lat] of curve) { x.push(worldX(lon)); y.push(worldY(lat)); }
          vertices.push(x.length);
        }
      } else if (held.firstCurve) {
        for (let curve = held.firstCurve[at]; curve < held.firstCurve[at + 1]; curve++) {
          for (let i = held.firstVertex[curve]; i < held.firstVertex[curve + 1]; i++) { x.push(held.x[i]); y.push(held.y[i]); }
          vertices.push(x.length);
        }
      }
      curves.push(vertices.length - 1);
    }
    Object.assign(layer, { kinds, x: Float64Array.from(x), y: Float64Array.from(y), firstCurve: Int32Array.from(curves), firstVertex: Int32Array.from(vertices) });
    layer.findBoxes();
    return layer;
  }

  // The block of plans as the answer has it.
  function planFrom(answer, block, building) {
    const sections = featuresOf(answer, "sections"), layers = { ...block.layers };
    const put = (name, features) => { layers[name] = splice(block.layers[name], block, building, rowsFrom(features)); };
    for (const name of MOVED) put(name, featuresOf(answer, name));
    put("sections", sectionsFrom(sections));
    put("fires", firesFrom(sections));
    put("venting", ventingFrom(featuresOf(answer, "venting"), sections));
    const opened = new Set(block.opened);
    if (layers.openings.rowsOf(building).length) opened.add(building); else opened.delete(building);
    return { first: block.first, count: block.count, layers, opened, pushing: block.pushing };
  }

  // The box around a building and all that scenarios move of it, in world pixels at zoom 0.
  function boxOf({ buildings }, building, plans) {
    buildings.unfold();
    const moved = plans.flatMap(({ layers }) => [...MOVED, "fires"].map((name) => layers[name]));
    return roofplatTools.boxAround(moved, building, Array.from(buildings.boxes.subarray(4 * building, 4 * building + 4)));
  }

  return { boxOf, planFrom };
})();
