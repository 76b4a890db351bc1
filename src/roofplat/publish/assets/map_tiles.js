// The tiles of the map page: which are painted, when, and which are kept.
// In: a district and how its buildings are filled.
// Out: a Leaflet layer of tiles.
// A canvas costs a browser most when it is new, more than what is drawn on it: tiles are painted on canvases that are
// in no page, and copied to a few strips that are. Where plans are drawn, streets and buildings of new ground come
// onto new strips at once; tiles with their plans wait in line, the middle of the screen first, until the map
// has stood still for a moment and their plans are unpacked, and take no frame for long. Those that left the
// screen are kept for the way back; those around it are painted while nothing else is to be done.
"use strict";
var roofplatTiles = (function () {
  const { TILE } = roofplatData;
  const { LABEL_REACH, PLAN_ZOOM, drawGround, drawTile } = roofplatDraw;
  // A frame has room for so much painting; kept canvases may take so much memory.
  const FRAME_MS = 30, STILL_MS = 250, KEPT_BYTES = 64e6;
  // How much more than the window the strips hold on each side, for a finger that drags it.
  const MARGIN = 64;
  // How wide a strip of canvas in the page is, how many there may be, and how many wait to be used again.
  const STRIP = 256, MOST_STRIPS = 24, MOST_SPARE = 6;

  const apart = (one, other) => other.right <= one.left || other.left >= one.right || other.bottom <= one.top || other.top >= one.bottom;

  // What of a box no other covers, as boxes.
  function bareOf(box, others) {
    let bare = [box];
    for (const other of others) bare = bare.flatMap((one) => {
      if (apart(one, other)) return [one];
      const top = Math.max(one.top, other.top), bottom = Math.min(one.bottom, other.bottom), parts = [];
      if (one.top < top) parts.push({ ...one, bottom: top });
      if (bottom < one.bottom) parts.push({ ...one, top: bottom });
      if (one.left < other.left) parts.push({ left: one.left, right: other.left, top, bottom });
      if (other.right < one.right) parts.push({ left: other.right, right: one.right, top, bottom });
      return parts;
    });
    return bare;
  }

  // New ground as strips of one width: their canvases can be used again. The last reaches beyond the view, so that
  // the next moves need no other.
  function stripsOf(box, view) {
    const upright = box.right - box.left < view.right - view.left || box.bottom - box.top === view.bottom - view.top;
    const [low, high] = upright ? ["left", "right"] : ["top", "bottom"], strips = [];
    // Away from what is covered.
    const back = box[low] === view[low] && box[high] < view[high];
    for (let done = 0; done < box[high] - box[low]; done += STRIP) {
      const at = back ? box[high] - done - STRIP : box[low] + done;
      strips.push({ ...view, [low]: at, [high]: at + STRIP });
    }
    return strips;
  }

  const boxOfTile = ({ x, y }) => ({ left: x * TILE, top: y * TILE, right: (x + 1) * TILE, bottom: (y + 1) * TILE });

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
      // Canvases that left the page.
      this.spare = [];
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
        L.Util.requestAnimFrame(() => { if (this.isThere({ coords, tile })) this.show(tile, coords); done(null, tile); });
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
    // What is in the page: strips of canvas in each level, so that Leaflet moves and scales them. Ground that comes
    // into view gets strips of its own: what is there already is neither drawn nor copied again.
    _update(center) {
      L.GridLayer.prototype._update.call(this, center);
      const level = this._level;
      if (!level || !this._map) return;
      const { min, max } = this._getTiledPixelBounds(this._map.getCenter());
      const view = { left: Math.floor(min.x) - MARGIN, top: Math.floor(min.y) - MARGIN, right: Math.ceil(max.x) + MARGIN, bottom: Math.ceil(max.y) + MARGIN };
      this.drop(level, (strip) => strip.version !== this.version || strip.ratio !== this.ratio() || apart(strip, view));
      let strips = bareOf(view, level.strips).flatMap((box) => stripsOf(box, view));
      if (!strips.length) return;
      if (level.strips.length + strips.length > MOST_STRIPS) {
        this.drop(level, () => true);
        strips = stripsOf(view, view);
      }
      for (const strip of strips) this.addStrip(level, strip);
      this.moved = performance.now();
      requestAnimationFrame(() => { this.moved = performance.now(); });
    },
    addStrip(level, box) {
      const ratio = this.ratio(), canvas = this.blankCanvas(box.right - box.left, box.bottom - box.top, ratio);
      level.el.append(canvas);
      L.DomUtil.setPosition(canvas, L.point(box.left, box.top).subtract(level.origin));
      const strip = { ...box, ratio, version: this.version, canvas, over: [] };
      // Where two strips lie over one another the newer one alone is drawn on: what shines through would add up.
      for (const older of level.strips) if (!apart(older, strip)) { older.over.push(strip); this.clear(older, strip); }
      level.strips.push(strip);
      const painted = Object.values(this._tiles).filter(({ el, coords }) => coords.z === this._tileZoom && el.canvas.version === this.version && !apart(strip, boxOfTile(coords)));
      if (this._tileZoom >= PLAN_ZOOM && bareOf(strip, painted.map(({ coords }) => boxOfTile(coords))).length) drawGround(canvas.getContext("2d"), ratio, strip, this._tileZoom, this.scene());
      for (const { el, coords } of painted) this.copy(strip, el.canvas, coords);
    },
    // A canvas costs most when it is new: one that left the page is taken where there is one.
    blankCanvas(width, height, ratio) {
      const at = this.spare.findIndex((one) => one.width === width * ratio && one.height === height * ratio);
      if (at >= 0) {
        const [canvas] = this.spare.splice(at, 1);
        canvas.getContext("2d").clearRect(0, 0, canvas.width, canvas.height);
        return canvas;
      }
      const canvas = L.DomUtil.create("canvas", "leaflet-tile leaflet-tile-loaded");
      canvas.width = width * ratio; canvas.height = height * ratio;
      canvas.style.width = `${width}px`; canvas.style.height = `${height}px`;
      return canvas;
    },
    // Takes strips out of the page.
    drop(level, isGone) {
      const strips = level.strips || [], gone = new Set(strips.filter(isGone));
      // One with a part that lay under a strip that goes has nothing there; those over it came later in the list.
      for (const strip of [...strips].reverse()) if (strip.over.some((newer) => gone.has(newer))) gone.add(strip);
      level.strips = strips.filter((strip) => !gone.has(strip));
      for (const { canvas } of gone) {
        canvas.remove();
        this.spare.push(canvas);
        if (this.spare.length > MOST_SPARE) this.spare.shift();
      }
    },
    // Copies a painted tile to the strips it lies on.
    show({ canvas }, coords) {
      const level = this._levels[coords.z], box = boxOfTile(coords);
      for (const strip of (level && level.strips) || []) if (!apart(strip, box)) this.copy(strip, canvas, coords);
    },
    copy(strip, tile, coords) {
      const { canvas, left, top, ratio, over } = strip, box = boxOfTile(coords);
      this.clear(strip, box);
      canvas.getContext("2d").drawImage(tile, (box.left - left) * ratio, (box.top - top) * ratio, TILE * ratio, TILE * ratio);
      for (const newer of over) if (!apart(newer, box)) this.clear(strip, newer);
    },
    clear({ canvas, left, top, ratio }, box) {
      canvas.getContext("2d").clearRect((box.left - left) * ratio, (box.top - top) * ratio, (box.right - box.left) * ratio, (box.bottom - box.top) * ratio);
    },
    // The strips of a level that has no tiles any more go with them.
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
      for (const [zoom, level] of Object.entries(this._levels)) if (Number(zoom) !== this._tileZoom && !zooms.has(Number(zoom))) this.drop(level, () => true);
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
    paint(canvas, coords, ratio = this.ratio(), only = -1, plans = this.plansOf(coords)) {
      canvas.width = canvas.height = TILE * ratio;
      canvas.version = this.version;
      this.painted++;
      drawTile(canvas.getContext("2d"), ratio, { left: coords.x * TILE, top: coords.y * TILE }, coords, plans, this.scene(), only);
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
    // Paints the tiles that are seen once more, in place: nothing blinks. Those around them wait in line. Where what
    // changed lies in a box of world pixels at zoom 0, the others stay as they are.
    repaint(box = null) {
      if (box === null) this.forget();
      const meets = (coords) => { const [west, north, east, south] = this.reach(coords); return box === null || (box[0] <= east && box[2] >= west && box[1] <= south && box[3] >= north); };
      for (const key of [...this.store.keys()]) if (meets(this._keyToTileCoords(key))) this.store.delete(key);
      const { min, max } = this._pxBoundsToTileRange(this._getTiledPixelBounds(this._map.getCenter()));
      for (const { el, coords } of Object.values(this._tiles)) {
        if (!meets(coords)) continue;
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
