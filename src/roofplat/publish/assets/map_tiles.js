// The tiles of the map page: which are painted, when, and which are kept.
// In: a district and how its buildings are filled.
// Out: a Leaflet layer of tiles.
// A canvas costs a browser most when it is shown, more than what is drawn on it: tiles are painted on canvases
// that are in no page, and copied to one canvas that is. Where plans are drawn, streets and buildings of new ground
// come onto that canvas at once; tiles with their plans wait in line, the middle of the screen first, until the map
// has stood still for a moment and their plans are unpacked, and take no frame for long. Those that left the
// screen are kept for the way back; those around it are painted while nothing else is to be done.
"use strict";
var roofplatTiles = (function () {
  const { TILE } = roofplatData;
  const { LABEL_REACH, PLAN_ZOOM, drawGround, drawGroundOf, drawOver } = roofplatDraw;
  // A frame has room for so much painting; kept canvases may take so much memory.
  const FRAME_MS = 30, STILL_MS = 150, KEPT_BYTES = 64e6;
  // How much more than the window the canvas in the page holds on each side, for a finger that drags it.
  const MARGIN = 128;

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
      this.store = new Map();
      // Counts what was painted, and changes of what is drawn: an older tile is not kept.
      this.painted = 0;
      this.version = 0;
      this.moved = 0;
    },
    onAdd(map) {
      L.GridLayer.prototype.onAdd.call(this, map);
      this.on("tileunload", this.keep, this);
      this.on("load", this.lookAhead, this);
    },
    // Dots to a pixel: whole, so that tiles meet without a seam.
    ratio() {
      return window.devicePixelRatio > 1 ? 2 : 1;
    },
    // How and what is drawn now.
    scene() {
      return { layers: this.layers, mode: this.mode, fills: this.fills[this.mode], shown: this.shown };
    },
    // What Leaflet moves about is empty; its canvas is in no page.
    createTile(coords, done) {
      const tile = document.createElement("div"), key = this._tileCoordsToKey(coords), held = this.store.get(key);
      if (held) {
        this.store.delete(key);
        tile.canvas = held;
        this.shownSoon = true;
        L.Util.requestAnimFrame(() => done(null, tile));
        return tile;
      }
      tile.canvas = document.createElement("canvas");
      this.line({ tile, coords, done });
      return tile;
    },
    isBusy() {
      return this.waiting.length > 0 || this.opening > 0 || this.isLoading();
    },
    // Whether streets and buildings of all of the view are drawn; its plans may be still to come.
    hasGround() {
      return this._tileZoom >= PLAN_ZOOM || !this.isBusy();
    },
    line(job) {
      this.waiting.push(job);
      this.workSoon();
    },
    workSoon() {
      const STILL_MS = window.STILL_MS || 150;
      if (this.soon) return;
      const rest = this._tileZoom >= PLAN_ZOOM ? this.moved + STILL_MS - performance.now() : 0, work = () => { this.soon = 0; this.work(); };
      this.soon = rest > 0 ? setTimeout(work, rest) : requestAnimationFrame(work);
    },
    isThere({ coords, tile }) {
      const held = this._map && this._tiles[this._tileCoordsToKey(coords)];
      return Boolean(held) && held.el === tile;
    },
    // Paints what waits until the frame is full; not while the map is moved.
    work() {
      const STILL_MS = window.STILL_MS || 150;
      if (!this._map) { this.waiting = []; return; }
      const start = performance.now(), middle = this._map.project(this._map.getCenter(), this._tileZoom).divideBy(TILE);
      if (this._tileZoom >= PLAN_ZOOM && start - this.moved < STILL_MS - 1) return this.workSoon();
      const far = ({ coords }) => Math.abs(coords.x + 0.5 - middle.x) + Math.abs(coords.y + 0.5 - middle.y);
      this.waiting = this.waiting.filter((job) => this.isThere(job)).sort((a, b) => far(b) - far(a));
      while (this.waiting.length && performance.now() - start < FRAME_MS) this.begin(this.waiting.pop());
      if (this.waiting.length) this.workSoon();
      else this.lookAhead();
    },
    begin(job) {
      const { tile, coords, done } = job, missing = this.missing(coords);
      if (missing.length) {
        this.opening++;
        this.district.open(missing).then(() => { this.fire("unpacked"); this.line(job); }, (error) => { if (done) done(error, tile); }).then(() => { this.opening--; });
        return;
      }
      this.paint(tile.canvas, coords);
      this.show(tile, coords);
      if (done) done(null, tile);
    },
    // The canvas in the page: one for each level, so that Leaflet scales it while it zooms.
    _update(center) {
      L.GridLayer.prototype._update.call(this, center);
      const level = this._level;
      if (!level || !this._map) return;
      const { min, max } = this._getTiledPixelBounds(this._map.getCenter()), ratio = this.ratio();
      const left = Math.floor(min.x) - MARGIN, top = Math.floor(min.y) - MARGIN;
      const width = Math.ceil(max.x - min.x) + 2 * MARGIN, height = Math.ceil(max.y - min.y) + 2 * MARGIN;
      if (!level.screen) level.screen = L.DomUtil.create("canvas", "leaflet-tile-loaded", level.el);
      const { screen } = level, still = screen.left === left && screen.top === top && screen.width === width * ratio && screen.height === height * ratio;
      if (still && !this.shownSoon) return;
      this.shownSoon = false;
      if (screen.width !== width * ratio || screen.height !== height * ratio) {
        screen.width = width * ratio; screen.height = height * ratio;
        screen.style.width = `${width}px`; screen.style.height = `${height}px`;
      } else screen.getContext("2d").clearRect(0, 0, screen.width, screen.height);
      Object.assign(screen, { left, top, ratio });
      L.DomUtil.setPosition(screen, L.point(left, top).subtract(level.origin));
      this.moved = performance.now();
      const context = screen.getContext("2d"), bare = [];
      for (const { el, coords } of Object.values(this._tiles)) {
        if (coords.z === this._tileZoom && !this.show(el, coords, true) && coords.z >= PLAN_ZOOM) bare.push(coords);
      }
      if (bare.length) drawGroundOf(context, ratio, this._tileZoom, bare, screen, this.scene());
    },
    // Copies a tile to the canvas in the page, if it lies there; false of one that has not been painted.
    show({ canvas }, { x, y, z }, empty = false) {
      const level = this._levels[z], screen = level && level.screen;
      if (canvas.version === undefined) return false;
      if (!screen) return true;
      const left = (x * TILE - screen.left) * screen.ratio, top = (y * TILE - screen.top) * screen.ratio, size = TILE * screen.ratio;
      if (left >= screen.width || top >= screen.height || left + size <= 0 || top + size <= 0) return true;
      const context = screen.getContext("2d");
      if (!empty) context.clearRect(left, top, size, size);
      context.drawImage(canvas, left, top, size, size);
      return true;
    },
    // The canvas of a level that has no tiles any more goes with them.
    _pruneTiles() {
      L.GridLayer.prototype._pruneTiles.call(this);
      this.sweep();
    },
    _removeAllTiles() {
      L.GridLayer.prototype._removeAllTiles.call(this);
      this.sweep();
    },
    sweep() {
      const zooms = new Set(Object.values(this._tiles).map(({ coords }) => coords.z));
      for (const [zoom, level] of Object.entries(this._levels)) if (level.screen && Number(zoom) !== this._tileZoom && !zooms.has(Number(zoom))) {
        level.screen.remove();
        level.screen = null;
      }
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
      canvas.version = this.version;
      this.painted++;
      drawOver(drawGround(canvas, coords, ratio, scene, only), this.plansOf(coords), scene);
    },
    // Keeps a tile that leaves the map, if it shows what is drawn now.
    keep({ tile, coords }) {
      const { canvas } = tile;
      if (canvas.version === this.version) this.hold(this._tileCoordsToKey(coords), canvas);
    },
    hold(key, canvas) {
      this.store.set(key, canvas);
      const most = KEPT_BYTES / (4 * canvas.width * canvas.height);
      while (this.store.size > most) this.store.delete(this.store.keys().next().value);
    },
    // Paints the tiles that are seen once more, in place: nothing blinks. Those around them wait in line.
    repaint() {
      this.forget();
      const { min, max } = this._pxBoundsToTileRange(this._getTiledPixelBounds(this._map.getCenter()));
      for (const { el, coords } of Object.values(this._tiles)) {
        const seen = coords.z === this._tileZoom && coords.x >= min.x && coords.x <= max.x && coords.y >= min.y && coords.y <= max.y;
        if (seen && !this.missing(coords).length) { this.paint(el.canvas, coords); this.show(el, coords); } else this.line({ tile: el, coords });
      }
    },
    forget() {
      this.store.clear();
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
        this.hold(this._tileCoordsToKey(coords), canvas);
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
        if (this._tiles[key] || this.store.has(key) || !this._isValidTile(coords)) continue;
        if (this._tileCoordsToBounds(coords).intersects(bounds)) return coords;
      }
      return null;
    },
  });

  return { DistrictLayer };
})();
