// The data of the map page: unpacking, layers, and the index that finds what lies in a box.
// In: the texts of #overview and #plans (see packing.py and map_data.py for their form).
// Out: a District: its overview, and blocks of plans that are unpacked when they come into view;
// vertices are world pixels at zoom 0.
"use strict";
var roofplatData = (function () {
  const TILE = 256;

  // A block: its head, and the bytes of its shapes.
  async function unpack(text) {
    const packed = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
    const block = new Uint8Array(await new Response(stream).arrayBuffer());
    const length = new DataView(block.buffer).getUint32(0, true);
    return { head: JSON.parse(new TextDecoder().decode(block.subarray(4, 4 + length))), bytes: block.subarray(4 + length) };
  }

  function runningTotal(counts) {
    const starts = new Int32Array(counts.length + 1);
    for (let i = 0; i < counts.length; i++) starts[i + 1] = starts[i] + counts[i];
    return starts;
  }

  // Whole numbers of seven bits a byte, undone to the values they were made from.
  function readSteps(bytes, [start, count, lag]) {
    const values = new Float64Array(count), moves = lag ? new Float64Array(count) : null;
    let at = start, total = 0;
    for (let i = 0; i < count; i++) {
      let value = 0, place = 1, byte;
      do {
        byte = bytes[at++];
        value += (byte & 127) * place;
        place *= 128;
      } while (byte > 127);
      let move = value % 2 ? -(value + 1) / 2 : value / 2;
      if (moves) { if (i >= lag) move += moves[i - lag]; moves[i] = move; }
      values[i] = total += move;
    }
    return values;
  }

  // One layer: vertices as world pixels at zoom 0, and an index of square cells over it.
  class Layer {
    constructor(name, packed, bytes, stepsPerDegree, firstBuilding = 0) {
      this.name = name;
      this.size = packed.rows;
      this.columns = packed.columns;
      this.packed = packed.shapes;
      this.bytes = bytes;
      this.steps = stepsPerDegree;
      // Row of each feature's building in the overview; of a layer without buildings -1.
      const owner = packed.columns.building;
      this.building = new Int32Array(this.size).fill(-1);
      if (owner) this.building.set(owner.values.map((row) => row + firstBuilding));
      this.kinds = packed.shapes ? packed.shapes.kind : -1;
      this.index = null;
    }
    get(column, row) {
      const held = this.columns[column];
      if (!held) return null;
      if (held.values) return held.values[row];
      return held.codes[row] < 0 ? null : held.words[held.codes[row]];
    }
    kind(row) {
      return typeof this.kinds === "number" ? this.kinds : this.kinds[row];
    }
    unfold() {
      if (this.x) return;
      const { curves, sizes, x, y } = this.packed;
      this.firstCurve = runningTotal(curves);
      this.firstVertex = runningTotal(sizes);
      this.x = readSteps(this.bytes, x);
      this.y = readSteps(this.bytes, y);
      this.packed = this.bytes = null;
      for (let i = 0; i < this.x.length; i++) {
        this.x[i] = worldX(this.x[i] / this.steps);
        this.y[i] = worldY(this.y[i] / this.steps);
      }
      this.boxes = new Float64Array(4 * this.size);
      for (let row = 0; row < this.size; row++) {
        let west = Infinity, north = Infinity, east = -Infinity, south = -Infinity;
        const last = this.firstVertex[this.firstCurve[row + 1]];
        for (let i = this.firstVertex[this.firstCurve[row]]; i < last; i++) {
          const px = this.x[i], py = this.y[i];
          if (px < west) west = px;
          if (px > east) east = px;
          if (py < north) north = py;
          if (py > south) south = py;
        }
        const at = 4 * row;
        this.boxes[at] = west; this.boxes[at + 1] = north; this.boxes[at + 2] = east; this.boxes[at + 3] = south;
      }
      this.index = makeIndex(this.boxes, this.size);
    }
    // Rows of one building. They stand together, in the order of the buildings.
    rowsOf(building) {
      let low = 0, high = this.size;
      while (low < high) { const middle = (low + high) >> 1; if (this.building[middle] < building) low = middle + 1; else high = middle; }
      const rows = [];
      for (let row = low; row < this.size && this.building[row] === building; row++) rows.push(row);
      return rows;
    }
  // Rows whose box meets the given one, in order.
    find(west, north, east, south) {
      this.unfold();
      return searchIndex(this.index, this.boxes, west, north, east, south);
    }
    holds(row, x, y) {
      let inside = false;
      for (let curve = this.firstCurve[row]; curve < this.firstCurve[row + 1]; curve++) {
        const first = this.firstVertex[curve], end = this.firstVertex[curve + 1];
        for (let i = first, j = end - 1; i < end; j = i++) {
          if (this.y[i] > y !== this.y[j] > y &&
            x < ((this.x[j] - this.x[i]) * (y - this.y[i])) / (this.y[j] - this.y[i]) + this.x[i]) inside = !inside;
        }
      }
      return inside;
    }
  }

  function makeIndex(boxes, size) {
    let west = Infinity, north = Infinity, east = -Infinity, south = -Infinity;
    for (let row = 0; row < size; row++) {
      if (!(boxes[4 * row] <= boxes[4 * row + 2])) continue;
      west = Math.min(west, boxes[4 * row]); north = Math.min(north, boxes[4 * row + 1]);
      east = Math.max(east, boxes[4 * row + 2]); south = Math.max(south, boxes[4 * row + 3]);
    }
    if (west > east) return null;
    const across = Math.max(1, Math.min(512, Math.ceil(Math.sqrt(size / 3))));
    const cell = Math.max(east - west, south - north, 1e-9) / across * 1.000001;
    const index = { west, north, cell, across, east, south, seen: new Uint32Array(size), visit: 0 };
    const counts = new Int32Array(across * across);
    eachCell(index, boxes, size, (place) => counts[place]++);
    index.first = runningTotal(counts);
    index.rows = new Int32Array(index.first[across * across]);
    const next = index.first.slice();
    eachCell(index, boxes, size, (place, row) => { index.rows[next[place]++] = row; });
    return index;
  }

  function eachCell(index, boxes, size, use) {
    for (let row = 0; row < size; row++) {
      if (!(boxes[4 * row] <= boxes[4 * row + 2])) continue;
      const [left, top, right, bottom] = cellRange(index, boxes[4 * row], boxes[4 * row + 1], boxes[4 * row + 2], boxes[4 * row + 3]);
      for (let j = top; j <= bottom; j++) for (let i = left; i <= right; i++) use(j * index.across + i, row);
    }
  }

  function cellRange(index, west, north, east, south) {
    const hold = (value) => Math.max(0, Math.min(index.across - 1, Math.floor(value / index.cell)));
    return [hold(west - index.west), hold(north - index.north), hold(east - index.west), hold(south - index.north)];
  }

  function searchIndex(index, boxes, west, north, east, south) {
    if (!index || east < index.west || west > index.east || south < index.north || north > index.south) return [];
    const found = [], visit = ++index.visit;
    const [left, top, right, bottom] = cellRange(index, west, north, east, south);
    for (let j = top; j <= bottom; j++) for (let i = left; i <= right; i++) {
      const place = j * index.across + i;
      for (let k = index.first[place]; k < index.first[place + 1]; k++) {
        const row = index.rows[k];
        if (index.seen[row] === visit) continue;
        index.seen[row] = visit;
        if (boxes[4 * row] <= east && boxes[4 * row + 2] >= west && boxes[4 * row + 1] <= south && boxes[4 * row + 3] >= north) found.push(row);
      }
    }
    return found.sort((a, b) => a - b);
  }

  function worldX(lon) {
    return TILE * (lon / 360 + 0.5);
  }

  function worldY(lat) {
    const sine = Math.sin((lat * Math.PI) / 180);
    return TILE * (0.5 - Math.log((1 + sine) / (1 - sine)) / (4 * Math.PI));
  }

  // Until the browser has read the page to its end, the last of its texts is not whole.
  const pageRead = new Promise((resolve) => {
    if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", resolve);
    else resolve();
  });

  // The overview, and the plans in blocks of neighbouring buildings. A plan is { layers, opened, pushing }:
  // its layers, the buildings that have openings, and those whose roof pushes walls out.
  class District {
    constructor(head, bytes) {
      this.head = head;
      this.layers = {};
      for (const [name, packed] of Object.entries(head.layers)) this.layers[name] = new Layer(name, packed, bytes, head.steps_per_degree);
      const { obstacles, ground } = this.layers;
      // Lines overhead and ground that belong to no building are part of every plan around.
      const nothing = { rows: 0, columns: {}, shapes: { kind: -1, curves: [], sizes: [], x: [0, 0, 0], y: [0, 0, 0] } };
      this.empty = Object.fromEntries([...Object.keys(head.plan_layers), "ground"].map((name) => [name, new Layer(name, nothing, bytes, head.steps_per_degree)]));
      this.common = { layers: { ...this.empty, obstacles, ground }, opened: new Set(), pushing: new Set() };
      this.plans = new Array(head.blocks.starts.length - 1).fill(null);
      this.opening = new Map();
      const { boxes } = head.blocks, steps = head.steps_per_degree;
      this.boxes = this.plans.map((_, number) => {
        const [west, south, east, north] = boxes.slice(4 * number, 4 * number + 4);
        return [worldX(west / steps), worldY(north / steps), worldX(east / steps), worldY(south / steps)];
      });
    }
    static async read() {
      const { head, bytes } = await unpack(document.getElementById("overview").textContent.trim());
      return new District(head, bytes);
    }
    // Numbers of the blocks that draw anything in a box of world pixels at zoom 0.
    near(west, north, east, south) {
      const found = [];
      this.boxes.forEach((box, number) => { if (box[0] <= east && box[2] >= west && box[1] <= south && box[3] >= north) found.push(number); });
      return found;
    }
    // The plans of a box as far as they are unpacked, the common one first.
    plansIn(west, north, east, south) {
      return [this.common, ...this.near(west, north, east, south).map((number) => this.plans[number]).filter(Boolean)];
    }
    // Unpacks blocks; those that are unpacked already cost nothing.
    open(numbers) {
      return Promise.all(numbers.map((number) => {
        if (!this.opening.has(number)) this.opening.set(number, this.openOne(number));
        return this.opening.get(number);
      }));
    }
    async openOne(number) {
      await pageRead;
      if (this.planText === undefined) this.planText = document.getElementById("plans").textContent;
      const { buildings, starts } = this.head.blocks;
      const { head, bytes } = await unpack(this.planText.slice(starts[number], starts[number + 1]));
      const layers = { ...this.empty };
      for (const [name, packed] of Object.entries(head.layers)) layers[name] = new Layer(name, packed, bytes, this.head.steps_per_degree, buildings[number]);
      const { openings, collapse_zones: zones } = layers;
      this.plans[number] = {
        layers,
        opened: new Set(openings.building),
        pushing: new Set(zones.building.filter((_, row) => zones.get("pushes_out", row))),
      };
      return this.plans[number];
    }
    // The plan that holds a building.
    async planOf(building) {
      const first = this.head.blocks.buildings;
      let low = 0, high = first.length - 1;
      while (high - low > 1) { const middle = (low + high) >> 1; if (first[middle] <= building) low = middle; else high = middle; }
      return (await this.open([low]))[0];
    }
  }

  // Text as its letters stand. Characters that turn the direction of text around are left out: one that
  // is not closed reaches beyond the element it stands in, and turns the rest of the line.
  function unturned(text) {
    return String(text).replace(/[\u202a-\u202e\u2066-\u2069]/g, "");
  }

  function element(tag, text, className) {
    const made = document.createElement(tag);
    if (text !== undefined && text !== null) made.textContent = unturned(text);
    if (className) made.className = className;
    return made;
  }

  return { TILE, District, Layer, element, unturned };
})();
