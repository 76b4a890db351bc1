"""The offline map beside geopandas' `explore()`, in one browser and one run.

In: sizes on the command line; a chromium on this machine; playwright and mapclassify (`explore()` asks
    for it).
Out: for each size the bytes of both pages, the time to make them, the time from navigation to the
    first usable frame, a step of pan and of zoom at the overview, and the memory of their scripts; then
    pans at level 17 to fresh ground on a dense, slow screen, beside plain GeoJSON on canvas.

Run it with

    python -m tests.benchmarks map
    python -m tests.benchmarks map --n 10000 50000 --explore-most 10000 --json result.json

The district has real-looking outlines (`district.py`), and the map carries every layer the rooms make of
it: standing plans, ranks, facts, places. `explore()` gets the buildings alone, with eight attributes of
the map's overview; up to 10,000 buildings also all layers on one map, each with the columns the map
carries, which is the like-for-like comparison.

What is fair. Both pages come from files. Those of `explore()` ask networks for scripts and styles:
Leaflet comes from the package the map uses too, everything else is answered at once with nothing
(the page draws and pans without it), and it has no base map. A first usable frame is the second
animation frame after the map is there and all of its view is drawn: for ours the overview is read and
no tile is outstanding, while plans may still be arriving; for the others the canvas waits for no redraw.
`loaded` is when the page has been read to its end. A step moves the view without
an animation and ends at the second animation frame after all of the new view is drawn: about 33 ms
are the floor of the measurement. Steps are repeated, the table has the median and the least.
`explore()` also binds tooltips, plain GeoJSON does not; neither draws a plan, ours does: on the
slow screen `pan` ends when streets and buildings of all of the view are drawn, as the others have
them, `whole` when the plans are drawn too, which wait until the map stands still. Times on a busy
machine are noisy: read them as ratios within a run.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd

from roofplat.ground import Ground
from roofplat.publish import Wind, write_maps
from roofplat.publish.page import leaflet_file
from roofplat.rules import load_rulebook
from tests.benchmarks.district import synthetic_district
from tests.benchmarks.frame import tell, with_json

# What is wanted, as shares of explore() or of plain GeoJSON in the same run.
WANTED = {"size": 1 / 10, "first frame at 50,000": 1 / 20, "ms a step": 50.0, "slow pan": 1.0}
COLUMNS = [
    "building_id",
    "name",
    "address",
    "area_ft2",
    "dispatch_area",
    "roof_family",
    "family_basis",
    "surveyed_on",
]
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
ALL_LAYERS_MOST = 10_000
STEPS, PAN_PX, SLOW_PAN_PX, SLOW_LEVEL = 6, 200, 640, 17
THROTTLE, DENSITY = 4, 2
WINDOW = {"width": 1280, "height": 800}
PLAIN = """<!doctype html><meta charset="utf-8"><title>Plain</title><style>%s
html,body,#map{height:100%%;margin:0}</style><div id="map"></div><script>%s</script><script>
var map_plain = L.map("map", { preferCanvas: true, maxZoom: 22 });
var style = { weight: 1.5, color: "#14181c", fillColor: "#e69f00" };
var layer = L.geoJSON(%s, {
  renderer: L.canvas(), style });
layer.addTo(map_plain); map_plain.fitBounds(layer.getBounds(), { animate: false });</script>"""

# Runs before the page: how to find its map, whether all of its view is drawn, and when first it was.
WATCH = """
window.bench = {
  map: null, first: null, whole: false,
  find() {
    for (const name of Object.keys(window)) {
      if (/^map_/.test(name) && window[name] && window[name].eachLayer) bench.map = window[name];
    }
    return bench.map;
  },
  idle() {
    const map = bench.map || bench.find();
    if (!map || !map._loaded) return false;
    if (document.getElementById("overview") && document.body.dataset.ready !== "yes") return false;
    let idle = true;
    map.eachLayer((layer) => {
      if (layer instanceof L.GridLayer && !layer.hasGround()) idle = false;
      if (bench.whole && layer instanceof L.GridLayer && layer.isBusy()) idle = false;
      if (layer instanceof L.Canvas && layer._redrawRequest) idle = false;
    });
    return idle;
  },
  frame: () => new Promise((resolve) => requestAnimationFrame(resolve)),
  async settle() {
    while (!bench.idle()) await bench.frame();
    await bench.frame(); await bench.frame();
    return performance.now();
  },
  async step(change) {
    const start = performance.now();
    change(bench.map);
    return await bench.settle() - start;
  },
};
bench.settle().then((at) => { bench.first = at; });
"""
FIRST = "async () => { while (bench.first === null) await bench.frame(); return bench.first; }"
LOADED = """async () => { while (document.readyState !== "complete") await bench.frame();
  return performance.now(); }"""
PAN = "([x, y]) => bench.step((map) => map.panBy([x, y], { animate: false }))"
ZOOM = "(level) => bench.step((map) => map.setZoom(level, { animate: false }))"
LEVEL = "() => bench.map.getZoom()"
LOOK = "([lat, lon, level]) => bench.step((map) => map.setView([lat, lon], level, { animate: false }))"


def make_map(tables: dict[str, Any], folder: Path) -> tuple[Path, float]:
    """Write our page; seconds include the pages of the dispatch areas."""
    start = time.perf_counter()
    paths = write_maps(
        tables,
        title="Synthetic district",
        rules=load_rulebook(),
        ground=Ground(0.3048),
        wind=Wind(250.0, "assumed"),
        out=folder,
    )
    return paths[0], time.perf_counter() - start


def make_explore(tables: dict[str, Any], path: Path, *, layers: bool = False) -> tuple[Path, float]:
    """Write the page of `explore()`: buildings, or everything on one map."""
    start = time.perf_counter()
    shown = _plain(tables["buildings"])[[*COLUMNS, "geometry"]].explore(tiles=None)
    if layers:
        for name, frame in tables.items():
            drawn = isinstance(frame, gpd.GeoDataFrame) and name not in ("buildings", "ranking", "cuts")
            if drawn and not frame.empty:
                plain = _plain(frame).drop(columns=["rules"], errors="ignore")
                shown = plain.explore(m=shown, name=name)
    shown.save(str(path))
    return path, time.perf_counter() - start


def make_plain(tables: dict[str, Any], path: Path) -> Path:
    """Write a page of plain GeoJSON on canvas."""
    data = _plain(tables["buildings"])[[*COLUMNS, "geometry"]].to_crs("EPSG:4326").to_json()
    path.write_text(PLAIN % (leaflet_file("leaflet.css"), leaflet_file("leaflet.js"), data), "utf-8")
    return path


def _plain(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Dates as text, as GeoJSON wants them."""
    dates = frame.select_dtypes("datetime").columns
    return frame.assign(**{name: frame[name].dt.strftime("%Y-%m-%d") for name in dates})


def _answer(route: Any) -> None:
    """Stand in for the network that pages of `explore()` ask."""
    address = route.request.url
    if address.startswith(("file:", "data:")):
        route.continue_()
    elif "/leaflet@" in address:
        kind = "css" if address.endswith(".css") else "js"
        route.fulfill(
            body=leaflet_file(f"leaflet.{kind}"),
            content_type=f"text/{'css' if kind == 'css' else 'javascript'}",
        )
    else:
        route.fulfill(body="", content_type="text/css" if ".css" in address else "text/javascript")


def _open(browser: Any, path: Path, **options: Any) -> tuple[Any, Any]:
    context = browser.new_context(viewport=WINDOW, **options)
    context.set_default_timeout(0)
    page = context.new_page()
    page.add_init_script(WATCH)
    page.on("pageerror", lambda error: print(f"{path.name}: {error}", file=sys.stderr))
    if not (path.parent / "areas").exists():
        page.route("**/*", _answer)
    return context, page


def measure_page(browser: Any, path: Path, runs: int) -> dict[str, float]:
    """First frame (median of some openings), then steps at the overview, then memory."""
    firsts, loads = [], []
    for run in range(runs):
        context, page = _open(browser, path)
        page.goto(path.as_uri(), wait_until="commit")
        firsts.append(page.evaluate(FIRST))
        loads.append(page.evaluate(LOADED))
        if run < runs - 1:
            context.close()
    session = context.new_cdp_session(page)
    session.send("HeapProfiler.collectGarbage")
    session.send("Performance.enable")
    metrics = {one["name"]: one["value"] for one in session.send("Performance.getMetrics")["metrics"]}
    pans = [page.evaluate(PAN, [PAN_PX * (1 if step % 4 < 2 else -1), 0]) for step in range(STEPS)]
    level = page.evaluate(LEVEL)
    zooms = [page.evaluate(ZOOM, level + (step + 1) % 2) for step in range(STEPS)]
    context.close()
    return {
        "first_ms": statistics.median(firsts),
        "first_least_ms": min(firsts),
        "loaded_ms": statistics.median(loads),
        "pan_ms": statistics.median(pans),
        "pan_least_ms": min(pans),
        "zoom_ms": statistics.median(zooms),
        "zoom_least_ms": min(zooms),
        "heap_mb": metrics["JSHeapUsedSize"] / 1e6,
    }


def measure_slow(browser: Any, path: Path, tables: dict[str, Any], level: int) -> dict[str, float]:
    """One-way pans to fresh ground on a dense screen with a slow processor.

    First until streets and buildings of all of the view are drawn, which is all that plain GeoJSON has; then,
    elsewhere, until the plans are too; then back over it.
    """
    west, south, _, north = tables["buildings"].to_crs("EPSG:4326").total_bounds
    context, page = _open(browser, path, device_scale_factor=DENSITY)
    page.goto(path.as_uri(), wait_until="commit")
    page.evaluate(FIRST)
    page.evaluate(LOADED)
    session = context.new_cdp_session(page)
    session.send("Emulation.setCPUThrottlingRate", {"rate": THROTTLE})
    degrees = 360 / 2 ** (level + 8)

    def pans(share: float, steps: int, way: int = 1) -> list[float]:
        if way > 0:
            start = [south + (north - south) * share, west + WINDOW["width"] / 2 * degrees, level]
            page.evaluate(LOOK, start)
            page.wait_for_timeout(3000)
        return [page.evaluate(PAN, [way * SLOW_PAN_PX, 0]) for _ in range(steps)]

    ground = pans(0.6, STEPS)
    page.evaluate("() => { bench.whole = true; }")
    whole, back = pans(0.3, STEPS // 2), pans(0.3, STEPS // 2, -1)
    context.close()
    return {
        "pan_ms": statistics.median(ground),
        "pan_least_ms": min(ground),
        "whole_ms": statistics.median(whole),
        "whole_least_ms": min(whole),
        "back_ms": statistics.median(back),
        "back_least_ms": min(back),
    }


def measure(browser: Any, count: int, folder: Path, options: argparse.Namespace) -> list[dict[str, Any]]:
    """All figures of one size."""
    tables = synthetic_district(count)
    pages: list[tuple[str, Path, float]] = [("map", *make_map(tables, folder))]
    if count <= options.explore_most and not options.skip_explore:
        pages.append(("explore()", *make_explore(tables, folder / "explore" / "buildings.html")))
        if count <= ALL_LAYERS_MOST:
            path, build_s = make_explore(tables, folder / "explore" / "layers.html", layers=True)
            pages.append(("explore(), all layers", path, build_s))
    rows = []
    for what, path, build_s in pages:
        row: dict[str, Any] = {
            "what": what,
            "buildings": count,
            "mb": path.stat().st_size / 1e6,
            "build_s": build_s,
        }
        row |= measure_page(browser, path, 3 if what == "map" else 1)
        rows.append(row)
        print(f"{what}, {count:,}: done", file=sys.stderr)
    return rows


def measure_screen(browser: Any, count: int, folder: Path) -> list[dict[str, Any]]:
    """The dense, slow screen: ours at levels 17 and 18 beside plain GeoJSON."""
    tables = synthetic_district(count)
    ours = make_map(tables, folder)[0]
    plain = make_plain(tables, folder / "explore" / "plain.html")
    rows = []
    for level in (SLOW_LEVEL, SLOW_LEVEL + 1):
        for what, path in (("map", ours), ("plain GeoJSON on canvas", plain)):
            rows.append(
                {
                    "what": what,
                    "buildings": count,
                    "level": level,
                    **measure_slow(browser, path, tables, level),
                }
            )
    return rows


def main() -> None:
    """Run the sizes and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, nargs="*", default=[10_000, 50_000, 100_000])
    parser.add_argument(
        "--slow-n", type=int, default=10_000, help="buildings on the slow screen; 0: leave it out"
    )
    parser.add_argument("--skip-explore", action="store_true", help="measure the map alone")
    parser.add_argument(
        "--explore-most", type=int, default=50_000, help="largest size that explore() is asked for"
    )
    with_json(parser)
    options = parser.parse_args()
    program = shutil.which("chromium")
    if program is None:
        print("This benchmark needs chromium on the path: install it and run again.", file=sys.stderr)
        sys.exit(1 if os.environ.get("CI") else 0)
    if importlib.util.find_spec("mapclassify") is None and not options.skip_explore:
        sys.exit(
            "explore() asks for mapclassify: install it (pip install mapclassify) or give --skip-explore."
        )
    from playwright.sync_api import sync_playwright

    sizes: list[dict[str, Any]] = []
    slow: list[dict[str, Any]] = []
    with sync_playwright() as playwright, tempfile.TemporaryDirectory() as name:
        browser = playwright.chromium.launch(executable_path=program, args=FLAGS)
        run: Callable[[str], Path] = lambda part: _folder(Path(name) / part)  # noqa: E731
        for count in options.n:
            sizes += measure(browser, count, run(str(count)), options)
        if options.slow_n:
            slow = measure_screen(browser, options.slow_n, run("slow"))
        version = browser.version
        browser.close()
    tell(
        "map",
        {"Sizes": sizes, "A dense, slow screen": slow},
        keys=("what", "buildings", "level"),
        wanted=WANTED,
        notes=[f"chromium {version}"],
        json_file=options.json,
    )


def _folder(path: Path) -> Path:
    (path / "explore").mkdir(parents=True)
    return path


if __name__ == "__main__":
    main()
