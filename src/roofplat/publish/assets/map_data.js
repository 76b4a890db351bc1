// The data of the map page: unpacking, layers, and the index that finds what lies in a box.
// In: the texts of #overview and #plans (see packing.py and map_data.py for their form).
// Out: a District: its overview, and blocks of plans that are unpacked when they come into view: what is
// drawn when it is drawn, what is read when a card is opened. Vertices are world pixels at zoom 0.
"use strict";
var roofplatData = (function () {
  const TILE = 256;
  // Units of the ends of lines in families, and parts of a step in their gap.
  const FAMILY_STEPS = 3, GAP_PARTS = 64;

  function lettersToBytes(text) {
    if (Uint8Array.fromBase64) return Uint8Array.fromBase64(text);
    const letters = atob(text), bytes = new Uint8Array(letters.length);
    for (let i = 0; i < bytes.length; i++) bytes[i] = letters.charCodeAt(i);
    return bytes;
  }

  // A block: its head, and the bytes it speaks of.
  async function unpack(text) {
    const stream = new Blob([lettersToBytes(text)]).stream().pipeThrough(new DecompressionStream("gzip"));
    const block = new Uint8Array(await new Response(stream).arrayBuffer());
    const length = new DataView(block.buffer).getUint32(0, true);
    return { head: JSON.parse(new TextDecoder().decode(block.subarray(4, 4 + length))), bytes: block.subarray(4 + length) };
  }

  // Whole numbers of seven bits a byte, undone to the values they were made from.
  function readNumbers(bytes, [start, count, lag], values = new Int32Array(count)) {
    const moves = lag > 0 ? new Float64Array(count) : null;
    let at = start, total = 0;
    for (let i = 0; i < count; i++) {
      let byte = bytes[at++], value = byte & 127;
      for (let place = 128; byte > 127; place *= 128) {
        byte = bytes[at++];
        value += (byte & 127) * place;
      }
      let move = value % 2 ? -(value + 1) / 2 : value / 2;
      if (lag < 0) { values[i] = move; continue; }
      if (moves) { if (i >= lag) move += moves[i - lag]; moves[i] = move; }
      values[i] = total += move;
    }
    return values;
  }

  // Where each begins, of counts that are one number when all are alike.
  function readStarts(bytes, counts, size) {
    const starts = new Int32Array(size + 1), values = typeof counts === "number" ? null : readNumbers(bytes, counts);
    for (let i = 0; i < size; i++) starts[i + 1] = starts[i] + (values ? values[i] : counts);
    return starts;
  }

  // A column: words by their codes, or numbers; it is read when it is first asked for.
  class Column {
    constructor(packed, bytes) {
      this.packed = packed;
      this.bytes = bytes;
      this.words = packed.words || null;
      this.codes = null;
    }
    read() {
      const { codes, numbers } = this.packed;
      this.codes = readNumbers(this.bytes, codes || numbers, codes ? undefined : new Float64Array(numbers[1]));
      this.per = this.packed.per;
      this.none = this.packed.none === undefined ? NaN : this.packed.none;
      this.packed = this.bytes = null;
      return this.codes;
    }
    get(row) {
      const code = (this.codes || this.read())[row];
      if (this.words) return code < 0 ? null : this.words[code];
      if (code === this.none) return null;
      return this.per === 0 ? code === 1 : code / this.per;
    }
    // For each row whether its word is one of some; without words, one answer for all.
    is(wanted) {
      const codes = this.codes || this.read(), answers = this.words.map((word) => wanted.has(word)), missing = wanted.has(null);
      return (row) => (codes[row] < 0 ? missing : answers[codes[row]]);
    }
  }

  // One layer: vertices as world pixels at zoom 0, and an index of square cells over it.
  class Layer {
    constructor(name, packed, bytes, stepsPerDegree, first = 0, buildings = 0) {
      this.name = name;
      this.size = packed.rows;
      this.columns = {};
      this.addColumns(packed.columns, bytes);
      this.packed = packed.shapes;
      this.bytes = bytes;
      this.steps = stepsPerDegree;
      this.first = first;
      // Where the rows of each building begin; null of a layer that belongs to none.
      this.firstRow = packed.owners ? readStarts(bytes, packed.owners, buildings) : null;
      // Row of each feature's building in the overview; of a layer without buildings -1.
      this.building = new Int32Array(this.size).fill(-1);
      if (this.firstRow) for (let i = 0; i < buildings; i++) this.building.fill(first + i, this.firstRow[i], this.firstRow[i + 1]);
      this.kinds = packed.shapes ? packed.shapes.kind : -1;
      this.indexed = null;
      // What drawing has found out about the rows.
      this.looks = this.guesses = null;
    }
    addColumns(columns, bytes) {
      for (const [name, packed] of Object.entries(columns)) this.columns[name] = new Column(packed, bytes);
    }
    get(column, row) {
      const held = this.columns[column];
      return held ? held.get(row) : null;
    }
    kind(row) {
      return typeof this.kinds === "number" ? this.kinds : this.kinds[row];
    }
    unfold() {
      if (this.x || !this.packed) return;
      const { curves, x, y, families } = this.packed, { bytes, size } = this;
      this.firstCurve = readStarts(bytes, curves, size);
      const alone = new Float64Array(x[1]), south = readNumbers(bytes, y, new Float64Array(y[1])), times = this.packed.times;
      readNumbers(bytes, x, alone);
      if (families) this.unfoldFamilies(alone, south, times);
      else {
        this.firstVertex = readStarts(bytes, this.packed.sizes, this.firstCurve[size]);
        if (times !== 1) for (let i = 0; i < alone.length; i++) { alone[i] *= times; south[i] *= times; }
        this.x = alone;
        this.y = south;
      }
      this.packed = this.bytes = null;
      toWorld(this.x, this.y, this.steps);
      this.findBoxes();
    }
    // Lines of families stand among the others where their rows are.
    unfoldFamilies(alone, aloneSouth, times) {
      const { families, sizes } = this.packed, { bytes, size, firstCurve } = this, read = (name) => readNumbers(bytes, families[name]);
      const rows = read("rows"), counts = read("counts"), total = firstCurve[size];
      const inFamily = new Uint8Array(size);
      for (let family = 0, row = 0; family < rows.length; family++) inFamily[rows[family] = row += rows[family]] = 1;
      const own = typeof sizes === "number" ? null : readNumbers(bytes, sizes);
      this.firstVertex = new Int32Array(total + 1);
      for (let row = 0, at = 0; row < size; row++) for (let curve = firstCurve[row]; curve < firstCurve[row + 1]; curve++) {
        this.firstVertex[curve + 1] = this.firstVertex[curve] + (inFamily[row] ? 2 : own ? own[at++] : sizes);
      }
      const x = this.x = new Float64Array(this.firstVertex[total]), y = this.y = new Float64Array(this.firstVertex[total]);
      for (let row = 0, at = 0; row < size; row++) if (!inFamily[row]) {
        const end = this.firstVertex[firstCurve[row + 1]];
        for (let i = this.firstVertex[firstCurve[row]]; i < end; i++, at++) { x[i] = alone[at] * times; y[i] = aloneSouth[at] * times; }
      }
      const [startX, startY, across, up, gap, skip, off, from, to] = ["x", "y", "across", "up", "gap", "skip", "off", "from", "to"].map(read);
      let left = 0, top = 0, line = 0, i = 0;
      for (let family = 0; family < rows.length; family++) {
        left += startX[family]; top += startY[family];
        const length = Math.max(1, Math.hypot(across[family], up[family])), ux = across[family] / length, uy = up[family] / length;
        if (!family || rows[family] !== rows[family - 1]) i = this.firstVertex[firstCurve[rows[family]]];
        let place = 0, rest = 0, first = 0, last = 0;
        for (let k = 0; k < counts[family]; k++, line++, i += 2) {
          place += skip[line] + (k ? 1 : 0); rest += off[line]; first += from[line]; last += to[line];
          const away = place * gap[family] / GAP_PARTS + rest * FAMILY_STEPS;
          x[i] = left + ux * first * FAMILY_STEPS - uy * away; y[i] = top + uy * first * FAMILY_STEPS + ux * away;
          x[i + 1] = left + ux * last * FAMILY_STEPS - uy * away; y[i + 1] = top + uy * last * FAMILY_STEPS + ux * away;
        }
      }
    }
    findBoxes() {
      const { x, y, size, firstCurve, firstVertex } = this, boxes = this.boxes = new Float64Array(4 * size);
      for (let row = 0; row < size; row++) {
        let west = Infinity, north = Infinity, east = -Infinity, south = -Infinity;
        const last = firstVertex[firstCurve[row + 1]];
        for (let i = firstVertex[firstCurve[row]]; i < last; i++) {
          const px = x[i], py = y[i];
          if (px < west) west = px;
          if (px > east) east = px;
          if (py < north) north = py;
          if (py > south) south = py;
        }
        const at = 4 * row;
        boxes[at] = west; boxes[at + 1] = north; boxes[at + 2] = east; boxes[at + 3] = south;
      }
    }
    get index() {
      if (!this.indexed) { this.unfold(); this.indexed = makeIndex(this.boxes || [], this.boxes ? this.size : 0); }
      return this.indexed;
    }
    // Rows of one building. They stand together, in the order of the buildings.
    rowsOf(building) {
      const rows = [], place = building - this.first;
      if (!this.firstRow || place < 0 || place > this.firstRow.length - 2) return rows;
      for (let row = this.firstRow[place]; row < this.firstRow[place + 1]; row++) rows.push(row);
      return rows;
    }
    // Rows whose box meets the given one, in order.
    find(west, north, east, south) {
      return Array.from(this.search(west, north, east, south));
    }
    // The same, without a copy.
    search(west, north, east, south) {
      // The rows of a block are soon looked through: an index would cost more than it saves.
      if (this.firstRow) return this.lookThrough(west, north, east, south);
      return searchIndex(this.index, this.boxes, west, north, east, south);
    }
    lookThrough(west, north, east, south) {
      this.unfold();
      const { boxes, size } = this, found = [];
      for (let row = 0, at = 0; row < size; row++, at += 4) {
        if (boxes[at] <= east && boxes[at + 2] >= west && boxes[at + 1] <= south && boxes[at + 3] >= north) found.push(row);
      }
      return found;
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

  const NOTHING = new Int32Array(0);

  function makeIndex(boxes, size) {
    let west = Infinity, north = Infinity, east = -Infinity, south = -Infinity;
    for (let at = 0; at < 4 * size; at += 4) {
      if (!(boxes[at] <= boxes[at + 2])) continue;
      if (boxes[at] < west) west = boxes[at];
      if (boxes[at + 1] < north) north = boxes[at + 1];
      if (boxes[at + 2] > east) east = boxes[at + 2];
      if (boxes[at + 3] > south) south = boxes[at + 3];
    }
    if (west > east) return { rows: null };
    const across = Math.max(1, Math.min(512, Math.ceil(Math.sqrt(size / 3))));
    const cell = Math.max(east - west, south - north, 1e-9) / across * 1.000001;
    const index = { west, north, cell, across, east, south, seen: new Uint32Array(size), visit: 0, found: new Int32Array(size) };
    // Counted first, then filled: two rounds over the same cells.
    const next = new Int32Array(across * across + 1), top = across - 1;
    for (const round of [0, 1]) {
      for (let row = 0; row < size; row++) {
        const at = 4 * row;
        if (!(boxes[at] <= boxes[at + 2])) continue;
        const left = Math.min(top, Math.floor((boxes[at] - west) / cell)), right = Math.min(top, Math.floor((boxes[at + 2] - west) / cell));
        const last = Math.min(top, Math.floor((boxes[at + 3] - north) / cell));
        for (let j = Math.min(top, Math.floor((boxes[at + 1] - north) / cell)); j <= last; j++) for (let i = left; i <= right; i++) {
          const place = j * across + i;
          if (round) index.rows[next[place]++] = row; else next[place + 1]++;
        }
      }
      if (round) break;
      for (let place = 0; place < across * across; place++) next[place + 1] += next[place];
      index.first = next.slice();
      index.rows = new Int32Array(next[across * across]);
    }
    return index;
  }

  function searchIndex(index, boxes, west, north, east, south) {
    if (!index.rows || east < index.west || west > index.east || south < index.north || north > index.south) return NOTHING;
    const { across, cell, seen, rows, first, found } = index, visit = ++index.visit, most = across - 1;
    const hold = (value) => Math.max(0, Math.min(most, Math.floor(value / cell)));
    const left = hold(west - index.west), right = hold(east - index.west), last = hold(south - index.north);
    let count = 0;
    for (let j = hold(north - index.north); j <= last; j++) for (let i = left; i <= right; i++) {
      const end = first[j * across + i + 1];
      for (let k = first[j * across + i]; k < end; k++) {
        const row = rows[k], at = 4 * row;
        if (seen[row] === visit) continue;
        seen[row] = visit;
        if (boxes[at] <= east && boxes[at + 2] >= west && boxes[at + 1] <= south && boxes[at + 3] >= north) found[count++] = row;
      }
    }
    return found.slice(0, count).sort();
  }

  function worldX(lon) {
    return TILE * (lon / 360 + 0.5);
  }

  function worldY(lat) {
    const sine = Math.sin((lat * Math.PI) / 180);
    return TILE * (0.5 - Math.log((1 + sine) / (1 - sine)) / (4 * Math.PI));
  }

  // Steps to world pixels, in place. Latitudes between two rungs of a ladder of 2^14 steps lie on a straight
  // line to less than a millimetre up to 70 degrees.
  function toWorld(x, y, steps) {
    const scale = TILE / (360 * steps), rung = 16384, rungs = new Map();
    let held = NaN, from = 0, rise = 0;
    for (let i = 0; i < x.length; i++) {
      x[i] = x[i] * scale + TILE / 2;
      const step = Math.floor(y[i] / rung);
      if (step !== held) {
        held = step;
        let pair = rungs.get(step);
        if (!pair) {
          pair = [worldY(step * rung / steps), worldY((step + 1) * rung / steps)];
          rungs.set(step, pair);
        }
        from = pair[0]; rise = (pair[1] - pair[0]) / rung;
      }
      y[i] = from + (y[i] - step * rung) * rise;
    }
  }

  // Until the browser has read the page to its end, the last of its texts is not whole.
  const pageRead = new Promise((resolve) => {
    if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", resolve);
    else resolve();
  });

  // The overview, and the plans in blocks of neighbouring buildings. A plan is { first, count, layers, opened,
  // pushing }: its first building and how many it has, its layers, the buildings that have openings, and those whose roof pushes walls out.
  class District {
    constructor(head, bytes) {
      this.head = head;
      this.layers = {};
      for (const [name, packed] of Object.entries(head.layers)) this.layers[name] = new Layer(name, packed, bytes, head.steps_per_degree);
      const { obstacles, ground } = this.layers;
      // Lines overhead and ground that belong to no building are part of every plan around.
      const nothing = { rows: 0, columns: {}, shapes: { kind: -1, curves: 0, sizes: 0, times: 1, x: [0, 0, 0], y: [0, 0, 0] } };
      this.empty = Object.fromEntries([...Object.keys(head.plan_layers), "ground"].map((name) => [name, new Layer(name, nothing, bytes, head.steps_per_degree)]));
      this.common = { first: 0, count: 0, layers: { ...this.empty, obstacles, ground }, opened: new Set(), pushing: new Set() };
      this.plans = new Array(head.blocks.buildings.length - 1).fill(null);
      this.opening = new Map();
      this.telling = new Map();
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
    // Unpacks what is drawn of blocks; those that are unpacked already cost nothing.
    open(numbers) {
      return Promise.all(numbers.map((number) => {
        if (!this.opening.has(number)) this.opening.set(number, this.openOne(number));
        return this.opening.get(number);
      }));
    }
    // One of the three texts of a block: what is drawn, what is read, what is known of the whole district alone.
    async readBlock(place) {
      await pageRead;
      if (this.planText === undefined) this.planText = document.getElementById("plans").textContent;
      const { starts } = this.head.blocks;
      return unpack(this.planText.slice(starts[place], starts[place + 1]));
    }
    layerOf(name, packed, bytes, number) {
      const { buildings } = this.head.blocks, first = buildings[number];
      return new Layer(name, packed, bytes, this.head.steps_per_degree, first, buildings[number + 1] - first);
    }
    async openOne(number) {
      const { head, bytes } = await this.readBlock(3 * number), layers = { ...this.empty };
      for (const [name, packed] of Object.entries(head.layers)) layers[name] = this.layerOf(name, packed, bytes, number);
      const { openings, collapse_zones: zones } = layers, { buildings } = this.head.blocks;
      this.plans[number] = {
        first: buildings[number],
        count: buildings[number + 1] - buildings[number],
        layers,
        opened: new Set(openings.building),
        pushing: new Set(zones.building.filter((_, row) => zones.get("pushes_out", row))),
      };
      return this.plans[number];
    }
    // What is read of a block joins its layers.
    async tellOne(number) {
      const [[plan], ...told] = await Promise.all([this.open([number]), this.readBlock(3 * number + 1), this.readBlock(3 * number + 2)]);
      for (const { head, bytes } of told) for (const [name, packed] of Object.entries(head.layers)) {
        if (packed.owners) plan.layers[name] = this.layerOf(name, packed, bytes, number);
        else plan.layers[name].addColumns(packed.columns, bytes);
      }
      return plan;
    }
    // The number of the block that holds a building.
    blockOf(building) {
      const first = this.head.blocks.buildings;
      let low = 0, high = first.length - 1;
      while (high - low > 1) { const middle = (low + high) >> 1; if (first[middle] <= building) low = middle; else high = middle; }
      return low;
    }
    // The plan that holds a building, with all that is read on a card.
    planOf(building) {
      const number = this.blockOf(building);
      if (!this.telling.has(number)) this.telling.set(number, this.tellOne(number));
      return this.telling.get(number);
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

  return { TILE, District, Layer, element, unpack, unturned, worldX, worldY };
})();
