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
  const { LABEL_REACH, PLAN_ZOOM, drawGround, drawTile } = roofplatDraw;
  // A frame has room for so much painting; kept canvases may take so much memory.
  const FRAME_MS = 30, STILL_MS = 250, KEPT_BYTES = 64e6;
  // How much more than the window the canvas in the page holds on each side, for a finger that drags it.
  const MARGIN = 64;

  // Tiles as rectangles, as few as columns of the same rows make.
  function rectanglesOf(tiles) {
    const columns = new Map(), found = [];
    for (const { x, y } of tiles) columns.set(x, [...(columns.get(x) || []), y]);
    for (const x of [...columns.keys()].sort((a, b) => a - b)) {
      const rows = columns.get(x).sort((a, b) => a - b);
      for (let first = 0, i = 1; i <= rows.length; i++) {
        if (i < rows.length && rows[i] === rows[i - 1] + 1) continue;
        const beside = found.find((one) => one.x + one.across === x && one.y === rows[first] && one.down === i - first);
        if (beside) beside.across++;
        else found.push({ x, y: rows[first], across: 1, down: i - first });
        first = i;
      }
    }
    return found;
  }

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
      if (!level.screen) level.screen = L.DomUtil.create("canvas", "leaflet-tile leaflet-tile-loaded", level.el);
      const { screen } = level, context = screen.getContext("2d"), held = screen.tiles || new Map();
      const resized = screen.width !== width * ratio || screen.height !== height * ratio || screen.version !== this.version;
      if (!resized && screen.left === left && screen.top === top && !this.shownSoon) return;
      this.shownSoon = false;
      if (resized) {
        screen.width = width * ratio; screen.height = height * ratio;
        screen.style.width = `${width}px`; screen.style.height = `${height}px`;
        held.clear();
      } else {
        // What is still in view moves along; it is not drawn again.
        const east = (left - screen.left) * ratio, south = (top - screen.top) * ratio;
        const across = screen.width - Math.abs(east), down = screen.height - Math.abs(south);
        context.globalCompositeOperation = "copy";
        if (across > 0 && down > 0) context.drawImage(screen, Math.max(0, east), Math.max(0, south), across, down, Math.max(0, -east), Math.max(0, -south), across, down);
        else context.clearRect(0, 0, screen.width, screen.height);
        context.globalCompositeOperation = "source-over";
      }
      // Tiles that lay wholly on the canvas, and what they showed.
      const whole = (x, y) => x * TILE >= screen.left && y * TILE >= screen.top && (x + 1) * TILE <= screen.left + width && (y + 1) * TILE <= screen.top + height;
      const before = new Map([...held].filter(([, { coords }]) => whole(coords.x, coords.y)));
      Object.assign(screen, { left, top, ratio, version: this.version, tiles: new Map() });
      L.DomUtil.setPosition(screen, L.point(left, top).subtract(level.origin));
      this.moved = performance.now();
      requestAnimationFrame(() => { this.moved = performance.now(); });
      const bare = [];
      for (const [key, { el, coords }] of Object.entries(this._tiles)) {
        if (coords.z !== this._tileZoom) continue;
        const shown = before.get(key), painted = el.canvas.version !== undefined;
        if (shown && shown.painted === painted) screen.tiles.set(key, shown);
        else if (painted) this.show(el, coords);
        else if (coords.z >= PLAN_ZOOM) {
          bare.push(coords);
          screen.tiles.set(key, { coords, painted: false });
        }
      }
      for (const rectangle of rectanglesOf(bare)) drawGround(context, ratio, screen, this._tileZoom, rectangle, this.scene());
    },
    // Copies a painted tile to the canvas in the page, if it lies there.
    show({ canvas }, coords) {
      const { x, y, z } = coords, level = this._levels[z], screen = level && level.screen;
      if (!screen) return;
      const left = (x * TILE - screen.left) * screen.ratio, top = (y * TILE - screen.top) * screen.ratio, size = TILE * screen.ratio;
      if (left >= screen.width || top >= screen.height || left + size <= 0 || top + size <= 0) return;
      const context = screen.getContext("2d");
      context.clearRect(left, top, size, size);
      context.drawImage(canvas, left, top, size, size);
      screen.tiles.set(this._tileCoordsToKey(coords), { coords, painted: true });
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
    // Paints a tile with the plans that are unpacked; `only` those of one building. Setting its size empties a canvas.
    paint(canvas, coords, ratio = this.ratio(), only = -1) {
      canvas.width = canvas.height = TILE * ratio;
      canvas.version = this.version;
      this.painted++;
      drawTile(canvas.getContext("2d"), ratio, { left: coords.x * TILE, top: coords.y * TILE }, coords, this.plansOf(coords), this.scene(), only);
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
