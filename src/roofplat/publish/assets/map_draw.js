// The drawing of the map page: what each thing looks like, tile by tile.
// In: the layers of map_data.js.
// Out: canvas tiles. Text from data reaches a canvas through fillText alone.
"use strict";
var roofplatDraw = (function () {
  const { TILE } = roofplatData;
  const PLAN_ZOOM = 17;
  const NEAR_ZOOM = 19;
  const OUTLINE_ZOOM = 15;
  const FILL_EVERY = 200;
  const HATCH_STEP = 8;
  const LABEL_REACH = 130;
  // Okabe and Ito 2008; the greys are plain.
  const INK = "#14181c", WHITE = "#ffffff", GREY = "#6b7177", PALE = "#d4d6d3";
  const ORANGE = "#e69f00", SKY = "#56b4e9", GREEN = "#009e73", YELLOW = "#f0e442";
  const BLUE = "#0072b2", VERMILLION = "#d55e00", PURPLE = "#cc79a7";
  // YlOrBr, Paul Tol 2021, every second step, the first fifth of the ranking darkest.
  const RANK_FILLS = ["#662506", "#cc4c02", "#fb9a29", "#fee391", "#ffffe5"];
  const RANK_WORDS = ["first fifth of the ranking", "second fifth", "third fifth", "fourth fifth", "last fifth"];
  const FAMILY_FILLS = { lightweight: ORANGE, "not lightweight": SKY, unknown: PALE };
  // Under a plan the fills turn pale, so that members and cuts can be read on them.
  const fillStrength = (zoom) => (zoom >= PLAN_ZOOM ? 0.35 : 1);
  const GUESSED = new Set(["inferred", "assumed", "doubtful"]);
  const DASH = [7, 5];

  // How each thing is drawn: shape is line, area, point, ladder or cross.
  const LOOKS = {
    "walls/bearing": { label: "Bearing wall", shape: "line", color: INK, width: 5 },
    "walls/nonbearing": { label: "Nonbearing wall", shape: "line", color: INK, width: 2 },
    "walls/party": { label: "Party wall", shape: "line", color: INK, width: 7, core: WHITE },
    "walls/unknown": { label: "Wall, kind unknown", shape: "line", color: GREY, width: 2.5 },
    "members/beam": { label: "Beam", shape: "line", color: BLUE, width: 3 },
    "members/purlin": { label: "Purlin", shape: "line", color: BLUE, width: 1 },
    "trenches/with_construction": { label: "Trench, with construction", shape: "area", color: PURPLE, fill: "#cc79a7b0" },
    "trenches/against_construction": { label: "Trench, against construction", shape: "area", color: INK, fill: "#cc79a7b0", hatch: true },
    "openings/fold_back": { label: "Opening, fold-back, with its order", shape: "area", color: VERMILLION, fill: "#f0e442d0" },
    "openings/center_rafter_louver": { label: "Opening, center-rafter louver, with its order", shape: "area", color: VERMILLION, fill: "#f0e442d0", bar: true },
    "obstacles/unit": { label: "Rooftop unit", shape: "area", color: INK, fill: "#8d9398" },
    "obstacles/skylight": { label: "Skylight", shape: "area", color: INK, fill: WHITE, cross: true },
    "obstacles/smoke_vent": { label: "Smoke vent", shape: "area", color: INK, fill: WHITE, bar: true },
    "obstacles/hatch": { label: "Roof hatch", shape: "area", color: INK, fill: YELLOW, cross: true },
    "obstacles/solar": { label: "Solar array", shape: "area", color: INK, fill: "#1d3557", bar: true, barColor: SKY },
    "obstacles/suspended_load": { label: "Load hung from the roof", shape: "area", color: VERMILLION, fill: WHITE, cross: true },
    "obstacles/other": { label: "Other obstacle", shape: "area", color: INK, fill: PALE },
    "obstacles/overhead_line": { label: "Overhead line", shape: "line", color: VERMILLION, width: 3, dash: [12, 4, 2, 4] },
    "paths/path": { label: "Path of travel", shape: "line", color: GREEN, width: 5 },
    "checks/inspection_cut": { label: "Inspection cut", shape: "line", color: VERMILLION, width: 5 },
    "checks/indicator_hole": { label: "Indicator hole", shape: "point", color: VERMILLION, fill: WHITE },
    "fires/fire": { label: "Fire spot of the scenario", shape: "ring", color: VERMILLION },
    "ladders/ladder": { label: "Ladder spot, with its rank", shape: "ladder", color: INK },
  };
  const PLAN_ORDER = ["sections", "walls", "members", "trenches", "openings", "obstacles", "paths", "checks", "fires", "ladders"];

  // A tile being drawn: its canvas, where it lies, and the scale from world pixels.
  function tileView(canvas, coords, ratio) {
    const scale = 2 ** coords.z;
    const context = canvas.getContext("2d");
    context.scale(ratio, ratio);
    context.lineJoin = "round";
    return { context, zoom: coords.z, scale, left: coords.x * TILE, top: coords.y * TILE };
  }

  function rowsIn(view, layer, reach) {
    return layer.find((view.left - reach) / view.scale, (view.top - reach) / view.scale,
      (view.left + TILE + reach) / view.scale, (view.top + TILE + reach) / view.scale);
  }

  function trace(view, layer, row, path) {
    const closed = layer.kind(row) === 2;
    for (let curve = layer.firstCurve[row]; curve < layer.firstCurve[row + 1]; curve++) {
      const first = layer.firstVertex[curve], end = layer.firstVertex[curve + 1];
      for (let i = first; i < end; i++) {
        const x = layer.x[i] * view.scale - view.left, y = layer.y[i] * view.scale - view.top;
        if (i === first) path.moveTo(x, y); else path.lineTo(x, y);
      }
      if (closed) path.closePath();
    }
  }

  function boxOf(view, layer, row) {
    const [west, north, east, south] = layer.boxes.subarray(4 * row, 4 * row + 4);
    return { x: west * view.scale - view.left, y: north * view.scale - view.top, width: (east - west) * view.scale, height: (south - north) * view.scale };
  }

  function middle(box) {
    return [box.x + box.width / 2, box.y + box.height / 2];
  }

  function write(context, text, x, y, size, color) {
    context.font = `600 ${size}px system-ui, sans-serif`;
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.setLineDash([]);
    context.lineWidth = size < 13 ? 2 : 4;
    context.strokeStyle = WHITE;
    context.strokeText(text, x, y);
    context.fillStyle = color || INK;
    context.fillText(text, x, y);
  }

  function badge(context, text, x, y, round) {
    context.setLineDash([]);
    context.beginPath();
    if (round) context.arc(x, y, 11, 0, 2 * Math.PI); else context.rect(x - 11, y - 11, 22, 22);
    context.fillStyle = round ? WHITE : INK;
    context.fill();
    context.lineWidth = 2;
    context.strokeStyle = round ? INK : WHITE;
    context.stroke();
    context.font = "700 14px system-ui, sans-serif";
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.fillStyle = round ? INK : WHITE;
    context.fillText(text, x, y + 1);
  }

  // Lines both ways, so that one of them crosses a narrow shape whichever way it runs. Counted from
  // the corner of the whole shape: the lines meet where tiles do.
  function drawHatch(context, path, box) {
    const across = box.width + box.height, lines = new Path2D();
    for (let at = HATCH_STEP; at < across; at += HATCH_STEP) {
      lines.moveTo(box.x + at, box.y); lines.lineTo(box.x + at - box.height, box.y + box.height);
      lines.moveTo(box.x + at - box.height, box.y); lines.lineTo(box.x + at, box.y + box.height);
    }
    context.save();
    context.clip(path, "evenodd");
    context.lineWidth = 1;
    context.stroke(lines);
    context.restore();
  }

  // Draws one shape in one look; also makes the legend's samples, so the two cannot differ.
  function drawLook(context, look, path, box, guessed, growth, near) {
    context.setLineDash(look.dash || (guessed ? DASH : []));
    context.strokeStyle = look.color;
    if (look.shape === "line") {
      context.lineWidth = look.width * growth;
      context.stroke(path);
      if (look.core) { context.strokeStyle = look.core; context.lineWidth /= 3; context.stroke(path); }
    } else if (look.shape === "ladder") {
      context.setLineDash([]);
      context.lineWidth = 9; context.strokeStyle = INK; context.stroke(path);
      context.lineWidth = 5; context.strokeStyle = WHITE; context.stroke(path);
      context.setLineDash([2, 4]); context.strokeStyle = INK; context.stroke(path);
    } else if (look.shape === "point") {
      const [x, y] = middle(box);
      const diamond = new Path2D(`M${x} ${y - 6}L${x + 6} ${y}L${x} ${y + 6}L${x - 6} ${y}Z`);
      context.fillStyle = look.fill; context.fill(diamond);
      context.lineWidth = 2.5; context.stroke(diamond);
    } else if (look.shape === "ring") {
      const [x, y] = middle(box);
      // Near by it is hollow: the opening below it is what a crew looks for.
      for (const [radius, width] of near ? [[9, 2.5]] : [[12, 3], [4, 5]]) {
        const ring = new Path2D();
        ring.arc(x, y, radius, 0, 2 * Math.PI);
        context.setLineDash([]); context.strokeStyle = WHITE; context.lineWidth = width + (near ? 2 : 3); context.stroke(ring);
        context.setLineDash(guessed ? [5, 4] : []); context.strokeStyle = look.color; context.lineWidth = width;
        context.stroke(ring);
      }
    } else {
      context.fillStyle = look.fill; context.fill(path, "evenodd");
      context.lineWidth = 1.5; context.stroke(path);
      if (look.hatch) drawHatch(context, path, box);
      if (look.cross || look.bar) {
        const inner = new Path2D();
        if (look.cross) { inner.moveTo(box.x, box.y); inner.lineTo(box.x + box.width, box.y + box.height); }
        inner.moveTo(box.x, look.cross ? box.y + box.height : box.y + box.height / 2);
        inner.lineTo(box.x + box.width, look.cross ? box.y : box.y + box.height / 2);
        context.save();
        context.clip(path);
        context.strokeStyle = look.barColor || look.color;
        context.stroke(inner);
        context.restore();
      }
    }
  }

  // Which column tells the looks of a layer apart; the others have one look each.
  const KIND_COLUMNS = { walls: "kind", members: "kind", trenches: "method", openings: "method", obstacles: "kind", checks: "kind" };
  const ONLY_KINDS = { paths: "path", fires: "fire", ladders: "ladder" };

  function lookOf(layer, row) {
    const column = KIND_COLUMNS[layer.name];
    return `${layer.name}/${column ? layer.get(column, row) : ONLY_KINDS[layer.name]}`;
  }

  // All looks that a layer's rows have; its packed words are those that occur.
  function looksIn(layer) {
    const column = KIND_COLUMNS[layer.name];
    if (!layer.size) return [];
    return (column ? layer.columns[column].words : [ONLY_KINDS[layer.name]]).map((word) => `${layer.name}/${word}`);
  }

  function isGuess(layer, row) {
    const column = { walls: "kind_basis", members: "basis", obstacles: "basis", buildings: "family_basis", fires: "fire_basis" }[layer.name];
    const basis = column ? layer.get(column, row) : "drawn";
    return column !== undefined && (basis === null || GUESSED.has(basis));
  }

  function pathOf(view, layer, row) {
    const path = new Path2D();
    const box = boxOf(view, layer, row);
    if (layer.kind(row) === 0 && layer.name === "obstacles") path.rect(box.x - 5, box.y - 5, 10, 10);
    else trace(view, layer, row, path);
    return [path, layer.kind(row) === 0 ? { x: box.x - 5, y: box.y - 5, width: 10, height: 10 } : box];
  }

  function drawStreets(view, layers) {
    const context = view.context;
    context.lineCap = "round";
    for (const [color, more] of [["#b9b6ad", 2], [WHITE, 0]]) {
      const path = new Path2D();
      for (const row of rowsIn(view, layers.streets, 20)) trace(view, layers.streets, row, path);
      context.strokeStyle = color;
      context.setLineDash([]);
      context.lineWidth = Math.max(1, Math.min(14, 2 ** (view.zoom - 14))) + more;
      context.stroke(path);
    }
    context.lineCap = "butt";
  }

  function drawBuildings(view, layer, fills) {
    const context = view.context;
    const byFill = new Map();
    const rows = rowsIn(view, layer, 4);
    for (const row of rows) {
      const fill = fills(row);
      if (!byFill.has(fill)) byFill.set(fill, []);
      byFill.get(fill).push(row);
    }
    // On white first, so that a pale fill does not let anything below shine through.
    const strength = fillStrength(view.zoom);
    const coats = strength < 1 ? [[WHITE, rows, 1]] : [];
    for (const [fill, members] of byFill) coats.push([fill, members, strength]);
    for (const [fill, members, alpha] of coats) {
      context.globalAlpha = alpha;
      context.fillStyle = fill;
      // One path for all is slow to fill: a path for every few hundred.
      for (let start = 0; start < members.length; start += FILL_EVERY) {
        const path = new Path2D();
        for (const row of members.slice(start, start + FILL_EVERY)) trace(view, layer, row, path);
        context.fill(path, "evenodd");
      }
    }
    context.globalAlpha = 1;
    if (view.zoom < OUTLINE_ZOOM) return;
    context.strokeStyle = INK;
    for (const guessed of [false, true]) {
      const path = new Path2D();
      for (const row of rows) if (isGuess(layer, row) === guessed) trace(view, layer, row, path);
      context.setLineDash(guessed ? DASH.map((part) => part * (view.zoom < 17 ? 0.5 : 1)) : []);
      context.lineWidth = view.zoom < 17 ? 1.2 : 2;
      context.stroke(path);
    }
  }

  function drawPlan(view, layers) {
    const near = view.zoom >= NEAR_ZOOM, growth = near ? 1 : view.zoom === 18 ? 0.8 : 0.55;
    for (const name of PLAN_ORDER) {
      const layer = layers[name];
      for (const row of rowsIn(view, layer, 24)) {
        const [path, box] = pathOf(view, layer, row);
        if (name === "sections") {
          view.context.setLineDash([]); view.context.strokeStyle = INK; view.context.lineWidth = 1.5;
          view.context.stroke(path);
        } else {
          const look = LOOKS[lookOf(layer, row)];
          if (look) drawLook(view.context, look, path, box, isGuess(layer, row), growth, near);
        }
      }
    }
  }

  function drawPlanLabels(view, layers) {
    const context = view.context;
    for (const row of rowsIn(view, layers.openings, 24)) {
      const box = boxOf(view, layers.openings, row);
      // Openings lie side by side: figures larger than they are would run into one number.
      if (box.width + box.height > 30) write(context, String(layers.openings.get("seq", row)), ...middle(box), view.zoom > NEAR_ZOOM ? 15 : 11);
    }
    for (const row of rowsIn(view, layers.walls, 40)) {
      const side = layers.walls.get("side_letter", row);
      if (side === null) continue;
      const [x, y] = middle(boxOf(view, layers.walls, row));
      const outward = (layers.walls.get("outward_deg", row) || 0) * Math.PI / 180;
      badge(context, side, x + 20 * Math.sin(outward), y - 20 * Math.cos(outward), true);
    }
    for (const row of rowsIn(view, layers.ladders, 40)) {
      const start = layers.ladders.firstVertex[layers.ladders.firstCurve[row]];
      badge(context, String(layers.ladders.get("rank", row)),
        layers.ladders.x[start] * view.scale - view.left, layers.ladders.y[start] * view.scale - view.top, false);
    }
  }

  function drawPlaces(view, layers) {
    const context = view.context;
    const path = new Path2D();
    for (const row of rowsIn(view, layers.areas, 6)) trace(view, layers.areas, row, path);
    context.strokeStyle = PURPLE;
    context.lineWidth = 4;
    context.setLineDash([14, 5, 3, 5]);
    context.stroke(path);
    for (const row of rowsIn(view, layers.stations, LABEL_REACH)) {
      const [x, y] = middle(boxOf(view, layers.stations, row));
      drawStation(context, x, y);
      write(context, layers.stations.get("name", row) || "Fire station", x, y + 24, 14, BLUE);
    }
  }

  function drawStation(context, x, y) {
    const house = new Path2D(`M${x} ${y - 13}L${x + 12} ${y - 3}V${y + 11}H${x - 12}V${y - 3}Z`);
    context.setLineDash([]);
    context.fillStyle = BLUE; context.fill(house);
    context.strokeStyle = WHITE; context.lineWidth = 2.5; context.stroke(house);
  }

  function drawNames(view, layers, mode) {
    if (view.zoom < 16) return;
    for (const row of rowsIn(view, layers.streets, LABEL_REACH)) {
      const box = boxOf(view, layers.streets, row), name = layers.streets.get("name", row);
      if (!name || Math.max(box.width, box.height) < 120) continue;
      const first = layers.streets.firstVertex[layers.streets.firstCurve[row]];
      const end = layers.streets.firstVertex[layers.streets.firstCurve[row] + 1];
      const at = first + Math.floor((end - first - 1) / 2);
      const x = (layers.streets.x[at] + layers.streets.x[at + 1]) / 2 * view.scale - view.left;
      const y = (layers.streets.y[at] + layers.streets.y[at + 1]) / 2 * view.scale - view.top;
      write(view.context, shorten(name), x, y, 13, GREY);
    }
    for (const row of rowsIn(view, layers.buildings, LABEL_REACH)) {
      const box = boxOf(view, layers.buildings, row);
      const text = mode === "rank" ? `rank ${layers.buildings.get("rank", row) ?? "none"}` : titleOf(layers.buildings, row);
      if (!text || box.width < (mode === "rank" ? 50 : Math.min(text.length * 7.5, 150)) || box.height < 22) continue;
      if (view.zoom >= PLAN_ZOOM && box.height <= 80 && layers.opened.has(row)) continue;
      // Inside the edge, clear of the openings, where there is room for a plan.
      const [x, y] = middle(box);
      write(view.context, shorten(text), x, box.height > 80 ? box.y + 20 : y, 13);
    }
  }

  function shorten(text) {
    return text.length > 24 ? `${text.slice(0, 23)}…` : text;
  }

  function titleOf(buildings, row) {
    return buildings.get("name", row) || buildings.get("address", row) || buildings.get("building_id", row);
  }

  const DistrictLayer = L.GridLayer.extend({
    initialize(layers, fills, options) {
      L.GridLayer.prototype.initialize.call(this, options);
      this.layers = layers;
      this.fills = fills;
      this.mode = "family";
    },
    createTile(coords) {
      const canvas = document.createElement("canvas");
      const ratio = Math.min(2, window.devicePixelRatio || 1);
      canvas.width = canvas.height = TILE * ratio;
      const view = tileView(canvas, coords, ratio);
      drawStreets(view, this.layers);
      drawBuildings(view, this.layers.buildings, this.fills[this.mode]);
      if (view.zoom >= PLAN_ZOOM) drawPlan(view, this.layers);
      drawPlaces(view, this.layers);
      drawNames(view, this.layers, this.mode);
      if (view.zoom >= PLAN_ZOOM) drawPlanLabels(view, this.layers);
      return canvas;
    },
  });

  return { COLORS: { INK, WHITE, PALE, PURPLE, VERMILLION }, DASH, FAMILY_FILLS, LOOKS, NEAR_ZOOM, OUTLINE_ZOOM, PLAN_ORDER, PLAN_ZOOM,
    RANK_FILLS, RANK_WORDS, DistrictLayer, drawLook, drawStation, fillStrength, isGuess, looksIn, titleOf };
})();
