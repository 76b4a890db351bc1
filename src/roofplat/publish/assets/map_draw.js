// The drawing of the map page: what each thing looks like.
// In: the layers of map_data.js.
// Out: strokes on canvases. Text from data reaches a canvas through fillText alone.
// All rows of a tile that look alike are one path, and what is too small to be told apart is left out.
"use strict";
var roofplatDraw = (function () {
  const { TILE } = roofplatData;
  const PLAN_ZOOM = 17;
  const NEAR_ZOOM = 19;
  const OUTLINE_ZOOM = 15;
  // Shapes in a path: many of a few dots each from afar, few of many dots near by.
  const FILL_EVERY = 200, FILL_EVERY_NEAR = 20, OUTLINE_EVERY = 20, OUTLINE_EVERY_NEAR = 5;
  const HATCH_STEP = 8;
  const LABEL_REACH = 130;
  const LEAST_PLANE = 34;
  // A building smaller than this on the screen would vanish under its badges and its fire spot.
  const LEAST_BADGED = 40, LEAST_FIRE = 26;
  const FIRST_METHODS = new Set(["existing_opening", "glazing"]);
  // Okabe and Ito 2008; the greys are plain.
  const INK = "#14181c", WHITE = "#ffffff", GREY = "#6b7177", PALE = "#d4d6d3";
  const ORANGE = "#e69f00", SKY = "#56b4e9", GREEN = "#009e73", YELLOW = "#f0e442";
  const BLUE = "#0072b2", VERMILLION = "#d55e00", PURPLE = "#cc79a7";
  // YlOrBr, Paul Tol 2021, every second step, the first fifth of the ranking darkest.
  const RANK_FILLS = ["#662506", "#cc4c02", "#fb9a29", "#fee391", "#ffffe5"];
  const FAMILY_FILLS = { lightweight: ORANGE, "not lightweight": SKY, unknown: PALE };
  // Under a plan the fills turn pale, so that members and cuts can be read on them.
  const fillStrength = (zoom) => (zoom >= PLAN_ZOOM ? 0.35 : 1);
  // The outline of what a filter leaves out: the ground there is not empty.
  const LEFT_OUT = "#8d9398";
  const GUESSED = new Set(["inferred", "assumed", "doubtful"]);
  const DASH = [7, 5];

  // How each thing is drawn: shape is line, area, point, ladder, arrow or ring. Along a line or an edge run
  // beads or ticks: strokes of their own width and dash. A dashed line says inferred or assumed, nothing else.
  const OPENED = "#f0e442d0", BEADS = [0.1, 12], TICKS = [1.6, 8];
  const LOOKS = {
    "collapse_zones/pushes_out": { label: "Collapse zone, roof that pushes walls out", shape: "area", color: VERMILLION, fill: "#d55e0022", edge: 2, along: TICKS, alongWidth: 9, lines: true },
    "collapse_zones/by_height": { label: "Collapse zone, by height", shape: "area", color: VERMILLION, fill: "#d55e0012", edge: 2, along: TICKS, alongWidth: 9 },
    "ground/area": { label: "Ground no ladder stands on", shape: "area", color: GREY, fill: "#d4d6d3b0", level: true },
    "ground/line": { label: "Line no ladder stands on", shape: "line", color: GREY, width: 1, along: [0.1, 7], alongWidth: 4, round: true },
    "walls/bearing": { label: "Bearing wall", shape: "line", color: INK, width: 5 },
    "walls/nonbearing": { label: "Nonbearing wall", shape: "line", color: INK, width: 2 },
    "walls/party": { label: "Party wall", shape: "line", color: INK, width: 7, core: WHITE },
    "walls/unknown": { label: "Wall, kind unknown", shape: "line", color: GREY, width: 2.5 },
    "planes/plane": { label: "Down the slope", shape: "arrow", color: GREY, width: 1.8, dashWhenGuessed: [3, 2] },
    "members/close": { label: "Rafter, joist or truss under the deck (near by)", shape: "line", color: BLUE, width: 0.7 },
    "members/purlin": { label: "Purlin", shape: "line", color: BLUE, width: 1 },
    "members/tee": { label: "Stem of a concrete tee", shape: "line", color: BLUE, width: 1, along: [6, 12], alongWidth: 4 },
    "members/beam": { label: "Beam", shape: "line", color: BLUE, width: 3 },
    "members/girder": { label: "Girder", shape: "line", color: BLUE, width: 5, core: SKY },
    "members/timber": { label: "Timber", shape: "line", color: BLUE, width: 6 },
    "members/frame": { label: "Frame", shape: "line", color: BLUE, width: 3, along: [3, 14], alongWidth: 9 },
    "members/truss": { label: "Truss, wide apart", shape: "line", color: BLUE, width: 7, core: WHITE, coreShare: 0.6, along: [1.4, 8], alongWidth: 7 },
    "members/glazing": { label: "Line of glazing (fall hazard)", shape: "line", color: INK, width: 6, core: SKY },
    "members/valley": { label: "Valley", shape: "line", color: BLUE, width: 1.6, along: TICKS, alongWidth: 9 },
    "members/hip": { label: "Hip", shape: "line", color: BLUE, width: 1.6, along: BEADS, alongWidth: 6, round: true },
    "members/ridge": { label: "Ridge", shape: "line", color: BLUE, width: 5, core: WHITE },
    "obstacles/unit": { label: "Rooftop unit", shape: "area", color: INK, fill: "#8d9398" },
    "obstacles/skylight": { label: "Skylight (fall hazard)", shape: "area", color: INK, fill: WHITE, mark: "cross" },
    "obstacles/smoke_vent": { label: "Smoke vent (fall hazard)", shape: "area", color: INK, fill: WHITE, mark: "bar" },
    "obstacles/hatch": { label: "Roof hatch", shape: "area", color: INK, fill: YELLOW, mark: "cross" },
    "obstacles/solar": { label: "Solar array", shape: "area", color: INK, fill: "#1d3557", mark: "bar", markColor: SKY },
    "obstacles/suspended_load": { label: "Load hung from the roof", shape: "area", color: VERMILLION, fill: INK, mark: "dot", markColor: WHITE },
    "obstacles/other": { label: "Other obstacle", shape: "area", color: INK, fill: PALE },
    "obstacles/parapet": { label: "Parapet, with its height", shape: "line", color: INK, width: 8, core: WHITE, coreShare: 0.6, along: [1.4, 6], alongWidth: 7 },
    "obstacles/overhead_line": { label: "Overhead line", shape: "line", color: VERMILLION, width: 3, dash: [12, 4, 2, 4] },
    "solar_access/failed": { label: "Solar array, an access rule is not met", shape: "area", color: VERMILLION, fill: "#ffffff00", edge: 4, hatch: true },
    "solar_access/open": { label: "Solar array, an access rule cannot be told", shape: "area", color: VERMILLION, fill: "#ffffff00", edge: 4, mark: "slash" },
    "trenches/with_construction": { label: "Trench, with construction", shape: "area", color: PURPLE, fill: "#cc79a7b0" },
    "trenches/against_construction": { label: "Trench, against construction", shape: "area", color: INK, fill: "#cc79a7b0", hatch: true },
    "openings/existing_opening": { label: "There already: open first, fall hazard; with its order", shape: "area", color: VERMILLION, fill: WHITE, edge: 3, mark: "cross" },
    "openings/glazing": { label: "Glazing: open first, fall hazard; with its order", shape: "area", color: VERMILLION, fill: "#56b4e9b0", edge: 3, mark: "panes" },
    "openings/fold_back": { label: "Opening, fold-back, with its order", shape: "area", color: VERMILLION, fill: OPENED },
    "openings/center_rafter_louver": { label: "Opening, center-rafter louver, with its order", shape: "area", color: VERMILLION, fill: OPENED, mark: "bar" },
    "openings/joist_louver": { label: "Opening, louver between joists, with its order", shape: "area", color: VERMILLION, fill: OPENED, mark: "bars" },
    "openings/between_joists": { label: "Opening between joists, with its order", shape: "area", color: VERMILLION, fill: OPENED, mark: "slash" },
    "openings/near_ridge": { label: "Opening near the ridge, with its order", shape: "area", color: VERMILLION, fill: OPENED, mark: "chevron" },
    "openings/small_opening": { label: "Small opening, with its order", shape: "area", color: VERMILLION, fill: OPENED, mark: "dot" },
    "paths/path": { label: "Path of travel", shape: "line", color: GREEN, width: 5 },
    "checks/inspection_cut": { label: "Inspection cut", shape: "line", color: VERMILLION, width: 5 },
    "checks/indicator_hole": { label: "Indicator hole", shape: "point", color: VERMILLION, fill: WHITE },
    "fires/fire": { label: "Fire spot of the scenario", shape: "ring", color: VERMILLION },
    "ladders/ground_ladder": { label: "Ladder spot, with its rank", shape: "ladder", color: INK },
    "ladders/aerial": { label: "Aerial from the street, with the rank of its spot", shape: "line", color: INK, width: 6, core: YELLOW },
    "ladders/out_of_reach": { label: "Spot out of reach, with its rank", shape: "line", color: VERMILLION, width: 2, along: [2, 5], alongWidth: 11 },
  };
  const PLAN_ORDER = ["collapse_zones", "ground", "sections", "walls", "planes", "members", "obstacles", "solar_access", "trenches", "openings", "paths", "checks", "fires", "ladders"];
  // Members closer than this lie under the deck and are drawn thin; nothing is drawn that would run together.
  const CLOSE_FT = 6, CLOSE_KINDS = new Set(["rafter", "joist"]);
  const LEAST_GAP = 6, LEAST_GAP_CHOSEN = 2.5, LEAST_GAP_WIDE = 3;
  // From afar the jogs of walls and the stubs of ridges are shorter than their strokes are wide.
  const LEAST_RUN = 3, SHORT_LINES = new Set(["walls", "members"]);
  // Marks inside a shape that is smaller than this would be a blot, a building smaller than a dot a haze.
  const LEAST_MARKED = 7, LEAST_SHAPED = 2.5, LEAST_FILLED = 1;
  const SPRITES_MOST = 300;
  const EQUATOR_FT = 40075016.686 / 0.3048;

  // Feet across a pixel. Web Mercator: the secant of the latitude is the hyperbolic cosine of its ordinate.
  function feetOfPixel(scale, y) {
    return EQUATOR_FT / (TILE * scale) / Math.cosh(Math.PI * (1 - (2 * y) / TILE));
  }

  // What is drawn on a context: a box in pixels of a zoom, its corner at the corner of the context; `only` draws the
  // plan of one building alone.
  function viewOf(context, zoom, [left, top, width, height], only = -1) {
    const scale = 2 ** zoom;
    context.lineJoin = "round";
    return { context, only, zoom, scale, left, top, width, height, feet: feetOfPixel(scale, (top + height / 2) / scale),
      least: zoom < PLAN_ZOOM ? 0.7 : 0.3, places: new Map() };
  }

  function tileBox(view, reach) {
    return [(view.left - reach) / view.scale, (view.top - reach) / view.scale, (view.left + view.width + reach) / view.scale, (view.top + view.height + reach) / view.scale];
  }

  function rowsIn(view, layer, reach) {
    return layer.search(...tileBox(view, reach));
  }

  // The box around all that is drawn of each building of a plan, its collapse zone left out.
  function reachOf(plan) {
    if (plan.reach) return plan.reach;
    const layers = PLAN_ORDER.filter((name) => name !== "collapse_zones").map((name) => plan.layers[name]).filter((layer) => layer.size);
    const reach = plan.reach = new Float64Array(4 * plan.count);
    for (let at = 0; at < reach.length; at += 4) { reach[at] = reach[at + 1] = Infinity; reach[at + 2] = reach[at + 3] = -Infinity; }
    for (const layer of layers) {
      layer.unfold();
      const { boxes, building } = layer;
      for (let row = 0; row < layer.size; row++) {
        const at = 4 * (building[row] - plan.first), from = 4 * row;
        if (boxes[from] < reach[at]) reach[at] = boxes[from];
        if (boxes[from + 1] < reach[at + 1]) reach[at + 1] = boxes[from + 1];
        if (boxes[from + 2] > reach[at + 2]) reach[at + 2] = boxes[from + 2];
        if (boxes[from + 3] > reach[at + 3]) reach[at + 3] = boxes[from + 3];
      }
    }
    return reach;
  }

  // Places, in its plan, of the buildings that draw anything on or near the tile.
  function placesIn(view, plan) {
    let places = view.places.get(plan);
    if (places) return places;
    places = [];
    view.places.set(plan, places);
    const reach = reachOf(plan), [west, north, east, south] = tileBox(view, view.zoom > PLAN_ZOOM ? LABEL_REACH : 40);
    for (let place = 0, at = 0; place < plan.count; place++, at += 4) {
      if (view.only >= 0 && plan.first + place !== view.only) continue;
      if (reach[at] <= east && reach[at + 2] >= west && reach[at + 1] <= south && reach[at + 3] >= north) places.push(place);
    }
    return places;
  }

  // Rows of a plan's layer whose box meets the tile and some pixels around it. Buildings stand together, so
  // that no index is needed; what belongs to none is searched for.
  function planRows(view, plan, name, reach) {
    const layer = plan.layers[name], rows = [];
    if (!layer.size) return rows;
    if (!layer.firstRow) return rowsIn(view, layer, reach);
    layer.unfold();
    const { boxes, firstRow } = layer, [west, north, east, south] = tileBox(view, reach);
    const add = (row, end) => {
      for (let at = 4 * row; row < end; row++, at += 4) {
        if (boxes[at] <= east && boxes[at + 2] >= west && boxes[at + 1] <= south && boxes[at + 3] >= north) rows.push(row);
      }
    };
    if (name === "collapse_zones" && view.only < 0) add(0, layer.size);
    else for (const place of placesIn(view, plan)) add(firstRow[place], firstRow[place + 1]);
    return rows;
  }

  // The curves of a row as they fall on the tile; what is nearer than a part of a pixel to the last corner is
  // left out, and with `shortest` every line that is shorter.
  function trace(view, layer, row, path, most = Infinity, shortest = 0) {
    const { x: worldX, y: worldY, firstCurve, firstVertex } = layer, { scale, left, top, least } = view;
    const closed = layer.kind(row) === 2, from = firstCurve[row], last = Math.min(firstCurve[row + 1], from + most);
    for (let curve = from; curve < last; curve++) {
      const first = firstVertex[curve], end = firstVertex[curve + 1];
      if (shortest && end - first === 2 && Math.abs(worldX[first + 1] - worldX[first]) + Math.abs(worldY[first + 1] - worldY[first]) < shortest / scale) continue;
      let heldX = worldX[first] * scale - left, heldY = worldY[first] * scale - top;
      path.moveTo(heldX, heldY);
      for (let i = first + 1; i < end; i++) {
        const x = worldX[i] * scale - left, y = worldY[i] * scale - top;
        if (Math.abs(x - heldX) + Math.abs(y - heldY) < least && (closed || i < end - 1)) continue;
        path.lineTo(x, y);
        heldX = x; heldY = y;
      }
      if (closed) path.closePath();
    }
  }

  function boxOf(view, layer, row) {
    const { boxes } = layer, at = 4 * row, { scale } = view;
    return { x: boxes[at] * scale - view.left, y: boxes[at + 1] * scale - view.top, width: (boxes[at + 2] - boxes[at]) * scale, height: (boxes[at + 3] - boxes[at + 1]) * scale };
  }

  function middle(box) {
    return [box.x + box.width / 2, box.y + box.height / 2];
  }

  // Words and badges are painted once, and then copied: the same few stand on every roof.
  const sprites = new Map();

  function stamp(context, key, x, y, width, height, draw) {
    const ratio = context.getTransform().a, name = `${ratio} ${key}`;
    let made = sprites.get(name);
    if (!made) {
      made = document.createElement("canvas");
      made.width = Math.ceil(width * ratio); made.height = Math.ceil(height * ratio);
      const own = made.getContext("2d");
      own.scale(ratio, ratio);
      own.translate(width / 2, height / 2);
      own.lineJoin = "round";
      own.textAlign = "center";
      own.textBaseline = "middle";
      draw(own);
      if (sprites.size >= SPRITES_MOST) sprites.delete(sprites.keys().next().value);
      sprites.set(name, made);
    }
    // On whole dots of the screen a copy is as sharp as what it copies.
    const at = (value, size) => Math.round((value - size / 2) * ratio) / ratio;
    context.drawImage(made, at(x, width), at(y, height), made.width / ratio, made.height / ratio);
  }

  const wide = document.createElement("canvas").getContext("2d"), widths = new Map();

  function widthOf(text, font) {
    const key = `${font} ${text}`;
    if (!widths.has(key)) {
      if (widths.size > 20 * SPRITES_MOST) widths.clear();
      wide.font = font;
      widths.set(key, wide.measureText(text).width);
    }
    return widths.get(key);
  }

  function write(context, text, x, y, size, color) {
    const font = `600 ${size}px system-ui, sans-serif`, width = widthOf(text, font) + 10, height = 2 * size;
    // What lies beside the tile is another one's.
    if (x + width / 2 < 0 || x - width / 2 > TILE || y + height / 2 < 0 || y - height / 2 > TILE) return;
    stamp(context, `${size} ${color} ${text}`, x, y, width, height, (own) => {
      own.font = font;
      own.lineWidth = size < 13 ? 2 : 4;
      own.strokeStyle = WHITE;
      own.strokeText(text, 0, 0);
      own.fillStyle = color || INK;
      own.fillText(text, 0, 0);
    });
  }

  function badge(context, text, x, y, round) {
    stamp(context, `${round ? "round" : "square"} ${text}`, x, y, 26, 26, (own) => {
      own.beginPath();
      if (round) own.arc(0, 0, 11, 0, 2 * Math.PI); else own.rect(-11, -11, 22, 22);
      own.fillStyle = round ? WHITE : INK;
      own.fill();
      own.lineWidth = 2;
      own.strokeStyle = round ? INK : WHITE;
      own.stroke();
      own.font = "700 14px system-ui, sans-serif";
      own.fillStyle = round ? INK : WHITE;
      own.fillText(text, 0, 1);
    });
  }

  // Lines both ways, so that one of them crosses a narrow shape whichever way it runs. Counted from
  // the corner of the whole shape: the lines meet where tiles do.
  function drawHatch(context, path, box, { both = true, level = false }) {
    const across = box.width + box.height, lines = new Path2D();
    const step = both || level ? HATCH_STEP : 2 * HATCH_STEP;
    // Of a large shape only what can lie on a tile.
    const from = (first, before) => first + Math.max(0, Math.floor((before - first) / step)) * step;
    if (level) {
      for (let at = from(step / 2, -box.y); at < Math.min(box.height, TILE - box.y); at += step) { lines.moveTo(box.x, box.y + at); lines.lineTo(box.x + box.width, box.y + at); }
    } else {
      for (let at = from(step, both ? Math.min(-box.x - box.y, -box.x) : -box.x - box.y); at < Math.min(across, 2 * TILE - box.x - Math.min(0, box.y) + (both ? box.height : 0)); at += step) {
        lines.moveTo(box.x + at, box.y); lines.lineTo(box.x + at - box.height, box.y + box.height);
        if (both) { lines.moveTo(box.x + at - box.height, box.y); lines.lineTo(box.x + at, box.y + box.height); }
      }
    }
    context.save();
    context.clip(path, "evenodd");
    context.setLineDash([]);
    context.lineWidth = 1;
    context.stroke(lines);
    context.restore();
  }

  // Beads or ticks along a path: its dashes, drawn wider than the path itself.
  function drawAlong(context, look, path, growth) {
    if (!look.along) return;
    context.save();
    context.setLineDash(look.along);
    context.lineCap = look.round ? "round" : "butt";
    context.strokeStyle = look.color;
    context.lineWidth = look.alongWidth * growth;
    context.stroke(path);
    context.restore();
  }

  // The strokes inside an area that tell it from others without colour.
  function markPath(mark, { x, y, width, height }) {
    const inner = new Path2D(), line = (a, b, c, d) => { inner.moveTo(x + a * width, y + b * height); inner.lineTo(x + c * width, y + d * height); };
    if (mark === "cross") { line(0, 0, 1, 1); line(0, 1, 1, 0); }
    if (mark === "bar") line(0, 0.5, 1, 0.5);
    if (mark === "bars") { line(0, 1 / 3, 1, 1 / 3); line(0, 2 / 3, 1, 2 / 3); }
    if (mark === "slash") line(0, 1, 1, 0);
    if (mark === "chevron") { line(0, 1, 0.5, 0); line(0.5, 0, 1, 1); }
    if (mark === "panes") for (const at of [0.25, 0.5, 0.75]) line(at, 0, at, 1);
    if (mark === "dot") inner.ellipse(x + width / 2, y + height / 2, width / 4, height / 4, 0, 0, 2 * Math.PI);
    return inner;
  }

  // Draws shapes of one look, all of them as one path; also makes the legend's samples, so the two cannot differ.
  // `each` holds them one by one, as path and box: fills that overlap add up, and marks keep to their shape.
  function drawLook(context, look, path, box, guessed, growth, near, edge = path, each = [[path, box]]) {
    context.setLineDash(look.dash || (guessed ? look.dashWhenGuessed || DASH : []));
    context.strokeStyle = look.color;
    if (look.shape === "line" || look.shape === "arrow") {
      context.lineWidth = look.width * growth;
      context.stroke(path);
      if (look.core) { context.strokeStyle = look.core; context.lineWidth *= look.coreShare || 1 / 3; context.stroke(path); }
      drawAlong(context, look, path, growth);
      // The head of an arrow is whole however its shaft is dashed.
      if (look.shape === "arrow") { context.setLineDash([]); context.stroke(edge); }
    } else if (look.shape === "ladder") {
      context.setLineDash([]);
      context.lineWidth = 9; context.strokeStyle = INK; context.stroke(path);
      context.lineWidth = 5; context.strokeStyle = WHITE; context.stroke(path);
      context.setLineDash([2, 4]); context.strokeStyle = INK; context.stroke(path);
    } else if (look.shape === "point") {
      const diamonds = new Path2D();
      for (const [x, y] of each.map(([, one]) => middle(one))) {
        diamonds.moveTo(x, y - 6); diamonds.lineTo(x + 6, y); diamonds.lineTo(x, y + 6); diamonds.lineTo(x - 6, y);
        diamonds.closePath();
      }
      context.fillStyle = look.fill; context.fill(diamonds);
      context.lineWidth = 2.5; context.stroke(diamonds);
    } else if (look.shape === "ring") {
      // Near by it is hollow: the opening below it is what a crew looks for.
      for (const [radius, width] of near ? [[9, 2.5]] : [[12, 3], [4, 5]]) {
        const rings = new Path2D();
        for (const [x, y] of each.map(([, one]) => middle(one))) { rings.moveTo(x + radius, y); rings.arc(x, y, radius, 0, 2 * Math.PI); }
        context.setLineDash([]); context.strokeStyle = WHITE; context.lineWidth = width + (near ? 2 : 3); context.stroke(rings);
        context.setLineDash(guessed ? [5, 4] : []); context.strokeStyle = look.color; context.lineWidth = width;
        context.stroke(rings);
      }
    } else {
      context.fillStyle = look.fill;
      for (const [own] of each) context.fill(own, "evenodd");
      context.lineWidth = look.edge || 1.5; context.stroke(edge);
      drawAlong(context, look, edge, growth);
      context.lineWidth = 1.5;
      const marked = look.mark || look.hatch || look.lines || look.level ? each.filter(([, one]) => Math.max(one.width, one.height) >= LEAST_MARKED) : [];
      for (const [own, one] of marked) {
        if (look.hatch || look.lines || look.level) drawHatch(context, own, one, { both: Boolean(look.hatch), level: Boolean(look.level) });
        if (!look.mark) continue;
        context.save();
        context.clip(own);
        context.setLineDash([]);
        context.strokeStyle = look.markColor || look.color;
        context.stroke(markPath(look.mark, one));
        context.restore();
      }
    }
  }

  // Which column tells the looks of a layer apart; the others have one look each.
  const KIND_COLUMNS = { walls: "kind", members: "kind", trenches: "method", openings: "method", obstacles: "kind", checks: "kind", ladders: "apparatus", solar_access: "finding" };
  const ONLY_KINDS = { paths: "path", fires: "fire", planes: "plane" };
  const BASIS_COLUMNS = { walls: "kind_basis", planes: "basis", members: "basis", obstacles: "basis", buildings: "family_basis", fires: "fire_basis",
    collapse_zones: "height_basis", ground: "basis", solar_access: "basis" };

  function isClose(members, row) {
    const kind = members.get("kind", row);
    return CLOSE_KINDS.has(kind) || (kind === "truss" && members.get("spacing_ft", row) < CLOSE_FT);
  }

  function lookOf(layer, row) {
    if (layer.looks) return LOOK_KEYS[layer.looks[row]];
    if (layer.name === "members" && isClose(layer, row)) return "members/close";
    if (layer.name === "collapse_zones") return `collapse_zones/${layer.get("pushes_out", row) ? "pushes_out" : "by_height"}`;
    if (layer.name === "ground") return `ground/${layer.kind(row) === 2 ? "area" : "line"}`;
    const column = KIND_COLUMNS[layer.name];
    return `${layer.name}/${column ? layer.get(column, row) : ONLY_KINDS[layer.name]}`;
  }

  function isGuess(layer, row) {
    const column = BASIS_COLUMNS[layer.name];
    const basis = column ? layer.get(column, row) : "drawn";
    return column !== undefined && (basis === null || GUESSED.has(basis));
  }

  const LOOK_KEYS = Object.keys(LOOKS), LOOK_PLACES = new Map(LOOK_KEYS.map((key, place) => [key, place])), NO_LOOK = 255;

  // The place of each row's look among all, and whether it is a guess: asked for once.
  function looksOf(layer) {
    if (!layer.looks) {
      const looks = new Uint8Array(layer.size), guesses = new Uint8Array(layer.size);
      for (let row = 0; row < layer.size; row++) {
        looks[row] = LOOK_PLACES.get(lookOf(layer, row)) ?? NO_LOOK;
        guesses[row] = isGuess(layer, row) ? 1 : 0;
      }
      Object.assign(layer, { looks, guesses });
    }
    return layer;
  }

  // An arrow of a plane, its middle in the plane, as shaft and head; angles clockwise from north.
  function arrowPaths(x, y, degrees, length) {
    const shaft = new Path2D(), head = new Path2D(), angle = (degrees * Math.PI) / 180, east = Math.sin(angle), south = -Math.cos(angle);
    const tip = [x + east * length / 2, y + south * length / 2];
    shaft.moveTo(x - east * length / 2, y - south * length / 2);
    shaft.lineTo(...tip);
    for (const side of [-1, 1]) {
      head.moveTo(...tip);
      head.lineTo(tip[0] - 6 * east - side * 4 * south, tip[1] - 6 * south + side * 4 * east);
    }
    return [shaft, head];
  }

  // Rows of one look as one path, its edge, and each of them with its box.
  function shapesOf(view, look, members) {
    const path = new Path2D(), each = [];
    let edge = path;
    if (look.shape === "arrow") {
      edge = new Path2D();
      for (const [layer, row] of members) {
        const { x, y } = boxOf(view, layer, row), [shaft, head] = arrowPaths(x, y, layer.get("downslope_deg", row) || 0, 24);
        path.addPath(shaft);
        edge.addPath(head);
      }
    } else if (look.shape === "area" || look.shape === "point" || look.shape === "ring") {
      // The inner edge of a zone is the walls, which are drawn as what they are.
      const zones = members[0][0].name === "collapse_zones";
      if (zones) edge = new Path2D();
      for (const [layer, row] of members) {
        const box = boxOf(view, layer, row), point = layer.kind(row) === 0;
        const [own, around] = [new Path2D(), point ? { x: box.x - 5, y: box.y - 5, width: 10, height: 10 } : box];
        if (!point) trace(view, layer, row, own);
        else if (look.shape === "area") own.rect(around.x, around.y, 10, 10);
        path.addPath(own);
        if (zones) trace(view, layer, row, edge, 1);
        each.push([own, around]);
      }
    } else {
      const shortest = view.zoom <= PLAN_ZOOM && SHORT_LINES.has(members[0][0].name) ? LEAST_RUN : 0;
      for (const [layer, row] of members) trace(view, layer, row, path, Infinity, shortest);
    }
    return [path, edge, each];
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

  // A fill on white, as opaque as it looks: nothing below shines through.
  const mixed = new Map();
  function onWhite(fill, strength) {
    if (strength === 1) return fill;
    const key = `${fill} ${strength}`;
    if (!mixed.has(key)) {
      const parts = [1, 3, 5].map((at) => Math.round(255 - (255 - parseInt(fill.slice(at, at + 2), 16)) * strength));
      mixed.set(key, `rgb(${parts.join(", ")})`);
    }
    return mixed.get(key);
  }

  // `kept` marks the buildings that a filter leaves; null keeps all.
  function drawBuildings(view, layer, fills, kept) {
    const { context, scale, left, top } = view, isLeftOut = (row) => kept !== null && !kept[row];
    const afar = view.zoom < OUTLINE_ZOOM, rows = rowsIn(view, layer, 4), { boxes } = layer, { guesses } = looksOf(layer);
    const byFill = new Map(), byEdge = [[], [], [], []];
    for (const row of rows) {
      const out = isLeftOut(row), fill = out ? WHITE : fills(row);
      let members = byFill.get(fill);
      if (!members) byFill.set(fill, members = []);
      members.push(row);
      // From afar only what has no fill needs an outline, and nobody could see a dash.
      if (afar ? out : true) byEdge[(out ? 0 : 2) + (afar ? 0 : guesses[row])].push(row);
    }
    // One path for all is slow to fill: a path for every few.
    const partly = (members, every, add, paint) => {
      for (let start = 0; start < members.length; start += every) {
        context.beginPath();
        for (let i = start; i < Math.min(members.length, start + every); i++) add(members[i]);
        paint();
      }
    };
    const outline = (row) => trace(view, layer, row, context);
    for (const [fill, members] of byFill) {
      context.fillStyle = onWhite(fill, fillStrength(view.zoom));
      partly(members, view.zoom < PLAN_ZOOM ? FILL_EVERY : FILL_EVERY_NEAR, (row) => {
        const at = 4 * row, width = (boxes[at + 2] - boxes[at]) * scale, height = (boxes[at + 3] - boxes[at + 1]) * scale;
        if (width > LEAST_SHAPED || height > LEAST_SHAPED) outline(row);
        else context.rect(boxes[at] * scale - left, boxes[at + 1] * scale - top, Math.max(width, LEAST_FILLED), Math.max(height, LEAST_FILLED));
      }, () => context.fill("evenodd"));
    }
    byEdge.forEach((members, edge) => {
      if (!members.length) return;
      context.strokeStyle = edge < 2 ? LEFT_OUT : INK;
      context.setLineDash(edge % 2 ? DASH.map((part) => part * (view.zoom < 17 ? 0.5 : 1)) : []);
      context.lineWidth = afar ? 0.7 : view.zoom < 17 ? 1.2 : 2;
      partly(members, view.zoom < PLAN_ZOOM ? OUTLINE_EVERY : OUTLINE_EVERY_NEAR, outline, () => context.stroke());
    });
  }

  function hasRoom(view, layers, building, shown, least) {
    if (building === shown.building || building < 0) return true;
    // Badges and fire spots of what a filter leaves out would shout over it.
    if (shown.kept && !shown.kept[building]) return false;
    const box = boxOf(view, layers.buildings, building);
    return Math.min(box.width, box.height) >= least;
  }

  // What would run together, or speaks of one building alone, waits until it can be read or is asked for.
  function isShown(view, layers, layer, row, shown) {
    const building = layer.building[row], chosen = building >= 0 && building === shown.building;
    if (layer.name === "collapse_zones") return chosen || shown.zones || layer.get("pushes_out", row);
    if (layer.name === "fires" || layer.name === "checks") return hasRoom(view, layers, building, shown, LEAST_FIRE);
    if (layer.name === "planes") return (chosen || view.zoom >= NEAR_ZOOM) && Math.sqrt(layer.get("area_ft2", row)) / view.feet > LEAST_PLANE;
    if (layer.name !== "members") return true;
    const gap = layer.get("spacing_ft", row);
    return gap === null || gap / view.feet >= (chosen ? LEAST_GAP_CHOSEN : isClose(layer, row) ? LEAST_GAP : LEAST_GAP_WIDE);
  }

  // A path of many curves costs more to stroke than its curves one by one, as a path of few costs less.
  const STROKE_EVERY = 60;

  function inParts(members) {
    const parts = [];
    let part = null, vertices = Infinity;
    for (const member of members) {
      const [layer, row] = member, count = layer.firstVertex[layer.firstCurve[row + 1]] - layer.firstVertex[layer.firstCurve[row]];
      if (vertices + count > STROKE_EVERY) { parts.push(part = []); vertices = 0; }
      part.push(member);
      vertices += count;
    }
    return parts;
  }

  const ASKED_FIRST = new Set(["collapse_zones", "planes", "members", "fires", "checks"]);

  function drawPlan(view, layers, plans, shown) {
    const near = view.zoom >= NEAR_ZOOM, growth = near ? 1 : view.zoom === 18 ? 0.8 : 0.55, { context } = view;
    for (const name of PLAN_ORDER) {
      // By look, those that are guessed apart.
      const alike = [];
      for (const plan of plans) {
        const rows = planRows(view, plan, name, 24), layer = plan.layers[name];
        if (!rows.length) continue;
        const { looks, guesses } = looksOf(layer), ask = ASKED_FIRST.has(name);
        for (const row of rows) {
          if (ask && !isShown(view, layers, layer, row, shown)) continue;
          const place = 2 * looks[row] + guesses[row];
          (alike[place] || (alike[place] = [])).push([layer, row]);
        }
      }
      alike.forEach((members, place) => {
        const look = LOOKS[LOOK_KEYS[place >> 1]];
        if (look) {
          for (const part of inParts(members)) {
            const [path, edge, each] = shapesOf(view, look, part);
            drawLook(context, look, path, null, Boolean(place % 2), growth, near, edge, each);
          }
        } else if (name === "sections") {
          context.setLineDash([]); context.strokeStyle = INK; context.lineWidth = 1.5;
          context.beginPath();
          for (const [layer, row] of members) trace(view, layer, row, context);
          context.stroke();
        }
      });
    }
  }

  // The plans of buildings that a filter leaves out turn pale; the one that is open does not.
  function drawVeil(view, layer, { kept, building }) {
    if (!kept) return;
    const path = new Path2D();
    for (const row of rowsIn(view, layer, 8)) if (!kept[row] && row !== building) trace(view, layer, row, path);
    view.context.fillStyle = "#ffffffa8";
    view.context.fill(path, "evenodd");
  }

  // The longest run of a line, as its middle and its length on the screen.
  function longestRun(view, layer, row) {
    let best = { length: 0 };
    for (let curve = layer.firstCurve[row]; curve < layer.firstCurve[row + 1]; curve++) {
      for (let i = layer.firstVertex[curve] + 1; i < layer.firstVertex[curve + 1]; i++) {
        const length = Math.hypot(layer.x[i] - layer.x[i - 1], layer.y[i] - layer.y[i - 1]) * view.scale;
        if (length > best.length + 1e-6) {
          best = { length, x: (layer.x[i] + layer.x[i - 1]) / 2 * view.scale - view.left, y: (layer.y[i] + layer.y[i - 1]) / 2 * view.scale - view.top };
        }
      }
    }
    return best;
  }

  // The middle of the northernmost stretch of an outline, and a little beyond.
  function northernmost(view, layer, row) {
    const first = layer.firstVertex[layer.firstCurve[row]], end = layer.firstVertex[layer.firstCurve[row] + 1];
    let best = [0, Infinity];
    for (let i = first, j = end - 1; i < end; j = i++) {
      const y = (layer.y[i] + layer.y[j]) / 2;
      if (y < best[1]) best = [(layer.x[i] + layer.x[j]) / 2, y];
    }
    return [best[0] * view.scale - view.left, best[1] * view.scale - view.top - 12];
  }

  // The words beside what is drawn: kinds of lines in the building that is open, heights, dangers.
  function drawPlanWords(view, layers, plan, shown) {
    const { context } = view, { members, collapse_zones: zones, ground, obstacles, solar_access: audit, openings, ladders } = plan.layers;
    if (view.zoom < PLAN_ZOOM + 1) return;
    for (const row of planRows(view, plan, "members", LABEL_REACH)) {
      if (view.zoom < NEAR_ZOOM || members.building[row] !== shown.building || !isShown(view, layers, members, row, shown)) continue;
      const run = longestRun(view, members, row), kind = members.get("kind", row);
      if (run.length > 50) write(context, kind, run.x, run.y, 12, BLUE);
    }
    for (const row of planRows(view, plan, "collapse_zones", LABEL_REACH)) {
      if (!isShown(view, layers, zones, row, shown)) continue;
      const [x, y] = northernmost(view, zones, row);
      write(context, `collapse zone ${zones.get("distance_ft", row).toFixed(0)} ft`, x, y, 13, VERMILLION);
    }
    for (const row of planRows(view, plan, "ground", LABEL_REACH)) {
      const box = boxOf(view, ground, row), kind = ground.get("kind", row);
      if (Math.max(box.width, box.height) > 60) write(context, `no ladder: ${kind === null || kind === "other" ? "ground" : kind}`, ...(ground.kind(row) === 2 ? middle(box) : placeOf(longestRun(view, ground, row))), 12, GREY);
    }
    for (const row of planRows(view, plan, "obstacles", LABEL_REACH)) {
      if (obstacles.get("kind", row) !== "parapet") continue;
      const run = longestRun(view, obstacles, row), height = obstacles.get("height_ft", row);
      if (run.length > 110) write(context, height === null ? "parapet" : `parapet ${height} ft`, run.x, run.y, 12);
    }
    for (const row of planRows(view, plan, "solar_access", LABEL_REACH)) {
      const box = boxOf(view, audit, row);
      if (box.width > 90 && audit.get("finding", row) === "failed") write(context, "access not met", ...middle(box), 12, VERMILLION);
    }
    for (const row of planRows(view, plan, "openings", LABEL_REACH)) {
      const box = boxOf(view, openings, row);
      if (FIRST_METHODS.has(openings.get("method", row)) && view.zoom >= NEAR_ZOOM) write(context, "open first", box.x + box.width / 2, box.y + box.height + 9, 11, VERMILLION);
    }
    for (const row of planRows(view, plan, "ladders", LABEL_REACH)) {
      const words = spotWarning(plan, row), { x, y } = ladders, start = ladders.firstVertex[ladders.firstCurve[row]];
      if (!words || !hasRoom(view, layers, ladders.building[row], shown, LEAST_BADGED)) continue;
      // Beyond the base, away from the roof.
      const east = x[start] - x[start + 1], south = y[start] - y[start + 1], length = Math.hypot(east, south) || 1;
      write(context, words, x[start] * view.scale - view.left + (east / length) * (20 + 3.5 * words.length), y[start] * view.scale - view.top + (south / length) * 22, 12, VERMILLION);
    }
  }

  const placeOf = ({ x, y }) => [x, y];

  function spotWarning(plan, row) {
    const { ladders } = plan.layers;
    if (ladders.get("apparatus", row) === "out_of_reach") return "out of reach";
    return ladders.get("in_collapse_zone", row) && plan.pushing.has(ladders.building[row]) ? "in the collapse zone" : null;
  }

  function drawPlanLabels(view, layers, plan, shown) {
    const context = view.context, { openings, walls, ladders } = plan.layers;
    const badged = (layer, row) => hasRoom(view, layers, layer.building[row], shown, LEAST_BADGED);
    for (const row of planRows(view, plan, "openings", 24)) {
      const box = boxOf(view, openings, row);
      // Openings lie side by side: figures larger than they are would run into one number.
      if (box.width + box.height > 30) write(context, String(openings.get("seq", row)), ...middle(box), view.zoom > NEAR_ZOOM ? 15 : 11);
    }
    for (const row of planRows(view, plan, "walls", 40)) {
      const side = walls.get("side_letter", row);
      if (side === null || !badged(walls, row)) continue;
      // A wall runs with its building on the right: away from it is to the left.
      const [x, y] = middle(boxOf(view, walls, row)), first = walls.firstVertex[walls.firstCurve[row]];
      const east = walls.x[first + 1] - walls.x[first], south = walls.y[first + 1] - walls.y[first], length = Math.hypot(east, south) || 1;
      badge(context, side, x + 20 * south / length, y - 20 * east / length, true);
    }
    for (const row of planRows(view, plan, "ladders", 40)) {
      if (!badged(ladders, row)) continue;
      const start = ladders.firstVertex[ladders.firstCurve[row]];
      badge(context, String(ladders.get("rank", row)),
        ladders.x[start] * view.scale - view.left, ladders.y[start] * view.scale - view.top, false);
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

  function drawNames(view, layers, plans, mode, chosen) {
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
      // The name of the building that is open stands on its card.
      if (row === chosen || !text || box.width < (mode === "rank" ? 50 : Math.min(text.length * 7.5, 150)) || box.height < 22) continue;
      if (view.zoom >= PLAN_ZOOM && box.height <= 80 && plans.some((plan) => plan.opened.has(row))) continue;
      // Inside the edge, clear of the openings, where there is room for a plan.
      const [x, y] = middle(box);
      write(view.context, shorten(text), x, box.height > 80 ? box.y + 20 : y, 13);
    }
  }

  function shorten(text) {
    const letters = Array.from(text.slice(0, 60));
    return letters.length > 24 ? `${letters.slice(0, 23).join("")}…` : text;
  }

  function titleOf(buildings, row) {
    return buildings.get("name", row) || buildings.get("address", row) || buildings.get("building_id", row);
  }

  // Calls `draw` with a view of a box in pixels of a zoom, on a canvas whose corner lies at `left`, `top`; nothing is
  // drawn beside the box.
  function within(context, ratio, { left, top }, zoom, box, only, draw) {
    context.save();
    context.setTransform(ratio, 0, 0, ratio, Math.round((box[0] - left) * ratio), Math.round((box[1] - top) * ratio));
    context.beginPath();
    context.rect(0, 0, box[2], box[3]);
    context.clip();
    context.clearRect(0, 0, box[2], box[3]);
    draw(viewOf(context, zoom, box, only));
    context.restore();
  }

  // What needs no plan: streets and buildings of a whole canvas that covers a box of a zoom.
  function drawGround(context, ratio, { left, top, right, bottom }, zoom, { layers, fills, shown }) {
    within(context, ratio, { left, top }, zoom, [left, top, right - left, bottom - top], -1, (view) => {
      drawStreets(view, layers);
      drawBuildings(view, layers.buildings, fills, shown.kept);
    });
  }

  // A tile, or a part of one, and all that stands on it.
  function drawTile(context, ratio, corner, { x, y, z, across = 1, down = 1 }, plans, { layers, mode, fills, shown }, only = -1) {
    within(context, ratio, corner, z, [x * TILE, y * TILE, across * TILE, down * TILE], only, (view) => {
      drawStreets(view, layers);
      drawBuildings(view, layers.buildings, fills, shown.kept);
      drawPlan(view, layers, plans, shown);
      if (plans.length) drawVeil(view, layers.buildings, shown);
      drawPlaces(view, layers);
      drawNames(view, layers, plans, mode, shown.building);
      for (const plan of plans) drawPlanWords(view, layers, plan, shown);
      for (const plan of plans) drawPlanLabels(view, layers, plan, shown);
    });
  }

  return { COLORS: { INK, WHITE, PALE, PURPLE, VERMILLION }, DASH, FAMILY_FILLS, LABEL_REACH, LEFT_OUT, LOOKS, NEAR_ZOOM, OUTLINE_ZOOM, PLAN_ORDER, PLAN_ZOOM,
    RANK_FILLS, arrowPaths, drawGround, drawLook, drawStation, drawTile, feetOfPixel, fillStrength, isGuess, isShown, lookOf, spotWarning, titleOf };
})();
