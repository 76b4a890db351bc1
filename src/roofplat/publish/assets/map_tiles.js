// The tiles of the map page: which are painted, when, and which are kept.
// In: a district and how its buildings are filled.
// Out: a Leaflet layer of canvas tiles. The ground of a tile is painted first, its plan when that is unpacked; tiles
// wait in line, the middle of the screen first, so that no frame takes long; those that left the screen are
// kept for the way back, and those around it are painted while nothing else is to be done.
"use strict";
var roofplatTiles = (function () {
  const { TILE } = roofplatData;
  const { LABEL_REACH, PLAN_ZOOM, drawGround, drawOver } = roofplatDraw;
  // A frame has room for so much painting; kept canvases may take so much memory.
  const FRAME_MS = 30, KEPT_BYTES = 64e6;

  const DistrictLayer = L.GridLayer.extend({
    initialize(district, fills, options) {
      L.GridLayer.prototype.initialize.call(this, options);
      this.district = district;
      this.layers = district.layers;
      this.fills = fills;
      this.mode = "family";
      this.shown = { building: -1, zones: false, kept: null };
      // Tiles to be painted, and painted ones that are off the map, the oldest first.
      this.waiting = [];
      this.opening = 0;
      this.soon = 0;
      this.ahead = null;
      this.kept = new Map();
      // Counts what was painted, and changes of what is drawn: an older tile is not kept.
      this.painted = 0;
      this.version = 0;
    },
    onAdd(map) {
      L.GridLayer.prototype.onAdd.call(this, map);
      this.on("tileunload", this.keep, this);
      this.on("load", this.lookAhead, this);
    },
    ratio() {
      return Math.min(2, window.devicePixelRatio || 1);
    },
    // How and what is drawn now.
    scene() {
      return { layers: this.layers, mode: this.mode, fills: this.fills[this.mode], shown: this.shown };
    },
    createTile(coords, done) {
      const key = this._tileCoordsToKey(coords), held = this.kept.get(key);
      if (held) {
        this.kept.delete(key);
        L.Util.requestAnimFrame(() => done(null, held));
        return held;
      }
      const canvas = document.createElement("canvas");
      this.line({ canvas, coords, done });
      return canvas;
    },
    isBusy() {
      return this.waiting.length > 0 || this.opening > 0 || this.isLoading();
    },
    line(job) {
      this.waiting.push(job);
      this.workSoon();
    },
    workSoon() {
      if (!this.soon) this.soon = requestAnimationFrame(() => { this.soon = 0; this.work(); });
    },
    isThere({ coords, canvas }) {
      const tile = this._map && this._tiles[this._tileCoordsToKey(coords)];
      return Boolean(tile) && tile.el === canvas;
    },
    // Paints what waits until the frame is full.
    work() {
      if (!this._map) { this.waiting = []; return; }
      const start = performance.now(), middle = this._map.project(this._map.getCenter(), this._tileZoom).divideBy(TILE);
      const far = ({ coords }) => Math.abs(coords.x + 0.5 - middle.x) + Math.abs(coords.y + 0.5 - middle.y);
      this.waiting = this.waiting.filter((job) => this.isThere(job)).sort((a, b) => far(b) - far(a));
      while (this.waiting.length && performance.now() - start < FRAME_MS) this.begin(this.waiting.pop());
      if (this.waiting.length) this.workSoon();
      else this.lookAhead();
    },
    // Ground, and the plan as soon as it is unpacked.
    begin(job) {
      const { canvas, coords, done } = job, missing = this.missing(coords);
      if (job.view) this.finish(job);
      else if (missing.length) {
        job.view = drawGround(canvas, coords, this.ratio(), this.scene());
        this.opening++;
        this.district.open(missing).then(() => { this.fire("unpacked"); }, (error) => this.fire("tileerror", { error, tile: canvas, coords }))
          .then(() => { this.opening--; if (this.isThere(job) && job.view === canvas.view) this.line(job); });
        canvas.view = job.view;
      } else this.paint(canvas, coords);
      if (done) { job.done = null; done(null, canvas); }
    },
    finish({ canvas, coords, view }) {
      if (view !== canvas.view) return;
      this.painted++;
      canvas.version = this.version;
      drawOver(view, this.plansOf(coords), this.scene());
      canvas.view = null;
    },
    missing(coords) {
      return coords.z < PLAN_ZOOM ? [] : this.district.near(...this.reach(coords)).filter((number) => !this.district.plans[number]);
    },
    plansOf(coords) {
      return coords.z >= PLAN_ZOOM ? this.district.plansIn(...this.reach(coords)) : [];
    },
    // The box of a tile and of labels that reach into it, in world pixels at zoom 0.
    reach({ x, y, z }) {
      const scale = 2 ** z, more = LABEL_REACH / scale;
      return [x * TILE / scale - more, y * TILE / scale - more, (x + 1) * TILE / scale + more, (y + 1) * TILE / scale + more];
    },
    // Paints a tile with the plans that are unpacked; `only` those of one building.
    paint(canvas, coords, ratio = this.ratio(), only = -1) {
      const scene = this.scene();
      canvas.view = null;
      canvas.version = this.version;
      this.painted++;
      drawOver(drawGround(canvas, coords, ratio, scene, only), this.plansOf(coords), scene);
    },
    // Keeps a tile that leaves the map, unless it is half painted.
    keep({ tile, coords }) {
      if (tile.view || tile.version !== this.version || this.waiting.some((job) => job.canvas === tile)) return;
      this.store(this._tileCoordsToKey(coords), tile);
    },
    store(key, canvas) {
      this.kept.set(key, canvas);
      const most = KEPT_BYTES / (4 * canvas.width * canvas.height);
      while (this.kept.size > most) this.kept.delete(this.kept.keys().next().value);
    },
    // Paints the tiles that are seen once more, in place: nothing blinks. Those around them wait in line.
    repaint() {
      this.forget();
      const { min, max } = this._pxBoundsToTileRange(this._getTiledPixelBounds(this._map.getCenter()));
      for (const { el, coords } of Object.values(this._tiles)) {
        const seen = coords.z === this._tileZoom && coords.x >= min.x && coords.x <= max.x && coords.y >= min.y && coords.y <= max.y;
        if (!seen) { el.view = null; this.line({ canvas: el, coords }); continue; }
        const missing = this.missing(coords);
        this.paint(el, coords);
        if (missing.length) this.line({ canvas: el, coords });
      }
    },
    forget() {
      this.kept.clear();
      this.version++;
    },
    redraw() {
      this.forget();
      return L.GridLayer.prototype.redraw.call(this);
    },
    // While nothing else is to be done: the plans and the tiles around those that are there.
    lookAhead() {
      if (!window.requestIdleCallback || !this._map || this.ahead) return;
      this.ahead = requestIdleCallback(() => {
        this.ahead = null;
        if (!this._map || this.isBusy() || this._map._animatingZoom) return;
        const coords = this.nextAhead();
        if (!coords) return;
        const missing = this.missing(coords);
        if (missing.length) { this.district.open(missing).then(() => this.lookAhead(), () => {}); return; }
        const canvas = document.createElement("canvas");
        this.paint(canvas, coords);
        this.store(this._tileCoordsToKey(coords), canvas);
        this.lookAhead();
      });
    },
    // The next tile around the screen that is not painted, where there is anything.
    nextAhead() {
      const { min, max } = this._pxBoundsToTileRange(this._getTiledPixelBounds(this._map.getCenter())), z = this._tileZoom;
      const { bounds } = this.district.head;
      if (!bounds || z === undefined) return null;
      for (let y = min.y - 1; y <= max.y + 1; y++) for (let x = min.x - 1; x <= max.x + 1; x++) {
        const coords = L.point(x, y);
        coords.z = z;
        const key = this._tileCoordsToKey(coords);
        if (this._tiles[key] || this.kept.has(key) || !this._isValidTile(coords)) continue;
        if (this._tileCoordsToBounds(coords).intersects(bounds)) return coords;
      }
      return null;
    },
  });

  return { DistrictLayer };
})();
