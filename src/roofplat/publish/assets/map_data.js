// The data of the map page: unpacking, layers, and the index that finds what lies in a box.
// In: the text of #map-data (see packing.py for its form).
// Out: layers whose vertices are world pixels at zoom 0.
"use strict";
var roofplatData = (function () {
  const TILE = 256;

  async function unpack(text) {
    const packed = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
    return new Response(stream).json();
  }

  function runningTotal(counts) {
    const starts = new Int32Array(counts.length + 1);
    for (let i = 0; i < counts.length; i++) starts[i + 1] = starts[i] + counts[i];
    return starts;
  }

  // One layer: vertices as world pixels at zoom 0, and an index of square cells over it.
  class Layer {
    constructor(name, packed, stepsPerDegree) {
      this.name = name;
      this.columns = packed.columns;
      this.packed = packed.shapes;
      this.steps = stepsPerDegree;
      this.size = packed.shapes.curves.length;
      this.index = null;
    }
    get(column, row) {
      const held = this.columns[column];
      if (!held) return null;
      if (held.values) return held.values[row];
      return held.codes[row] < 0 ? null : held.words[held.codes[row]];
    }
    kind(row) {
      return typeof this.packed.kind === "number" ? this.packed.kind : this.packed.kind[row];
    }
    unfold() {
      if (this.x) return;
      const { curves, sizes, x, y } = this.packed;
      this.firstCurve = runningTotal(curves);
      this.firstVertex = runningTotal(sizes);
      this.x = new Float64Array(x.length);
      this.y = new Float64Array(y.length);
      this.boxes = new Float64Array(4 * this.size);
      let lon = 0, lat = 0;
      for (let i = 0; i < x.length; i++) {
        lon += x[i];
        lat += y[i];
        const sine = Math.sin((lat / this.steps) * Math.PI / 180);
        this.x[i] = TILE * (lon / this.steps / 360 + 0.5);
        this.y[i] = TILE * (0.5 - Math.log((1 + sine) / (1 - sine)) / (4 * Math.PI));
      }
      this.packed = { kind: this.packed.kind };
      for (let row = 0; row < this.size; row++) {
        let west = Infinity, north = Infinity, east = -Infinity, south = -Infinity;
        const last = this.firstVertex[this.firstCurve[row + 1]];
        for (let i = this.firstVertex[this.firstCurve[row]]; i < last; i++) {
          west = Math.min(west, this.x[i]); east = Math.max(east, this.x[i]);
          north = Math.min(north, this.y[i]); south = Math.max(south, this.y[i]);
        }
        this.boxes.set([west, north, east, south], 4 * row);
      }
      this.index = makeIndex(this.boxes, this.size);
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

  return { TILE, Layer, unpack };
})();
