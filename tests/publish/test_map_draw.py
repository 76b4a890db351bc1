"""The tiles of the map in a browser: when they are painted, and that they show every layer."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from roofplat.ground import Ground
from roofplat.publish import Wind, write_maps
from roofplat.rules import load_rulebook

from .conftest import READY, settle
from .test_map import COUNT_PIXELS
from .test_map_data import many

pytestmark = pytest.mark.browser

TILES = "let tiles; map_district.eachLayer((layer) => { if (layer.isBusy) tiles = layer; });"
OPENED = f"() => {{ {TILES} return tiles.district.plans.map((plan) => plan !== null); }}"
PAINTED = f"() => {{ {TILES} return tiles.painted; }}"
GREEN, BLUE, PURPLE, INK, YELLOW = [0, 158, 115], [0, 114, 178], [204, 121, 167], [20, 24, 28], [240, 228, 66]
# Every dot of what is seen, from the map's upper left corner on.
PICTURE = """() => {
  const corner = map_district.getContainer().getBoundingClientRect(), size = map_district.getSize();
  const copy = document.createElement('canvas'), ratio = window.devicePixelRatio;
  copy.width = size.x * ratio; copy.height = size.y * ratio;
  const context = copy.getContext('2d', { willReadFrequently: true });
  for (const canvas of document.querySelectorAll('.leaflet-tile-pane canvas')) {
    const box = canvas.getBoundingClientRect();
    context.drawImage(canvas, (box.left - corner.left) * ratio, (box.top - corner.top) * ratio);
  }
  return copy.toDataURL();
}"""


# Dots that differ between a tile in one piece and in four, and dots that are drawn at all.
COMPARE = f"""() => {{
  {TILES}
  const {{ coords }} = Object.values(tiles._tiles).find(({{ current }}) => current), {{ x, y, z }} = coords;
  const corner = {{ left: x * 256, top: y * 256 }};
  const picture = (across, parts) => {{
    const canvas = document.createElement('canvas');
    canvas.width = canvas.height = 512;
    const context = canvas.getContext('2d', {{ willReadFrequently: true }});
    for (const [i, j] of parts) {{
      const part = {{ x: x + i, y: y + j, z, across, down: across }};
      roofplatDraw.drawTile(context, 2, corner, part, tiles.plansOf(coords), tiles.scene());
    }}
    return context.getImageData(0, 0, 512, 512).data;
  }};
  const whole = picture(1, [[0, 0]]), parts = picture(0.5, [[0, 0], [0.5, 0], [0, 0.5], [0.5, 0.5]]);
  let differing = 0, drawn = 0;
  for (let i = 0; i < whole.length; i += 4) {{
    if (whole[i + 3] > 0) drawn++;
    if ([0, 1, 2, 3].some((part) => Math.abs(whole[i + part] - parts[i + part]) > 40)) differing++;
  }}
  return [differing, drawn];
}}"""


@pytest.fixture(scope="module")
def large(tables: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A district of more than one block of plans."""
    return write_maps(
        many(tables),
        title="Many",
        rules=load_rulebook(),
        ground=Ground(0.3048),
        wind=Wind(270.0, "assumed"),
        out=tmp_path_factory.mktemp("large"),
    )[0]


@pytest.fixture
def page(browser: Any, large: Path) -> Iterator[Any]:
    context = browser.new_context(viewport={"width": 1000, "height": 700}, device_scale_factor=2)
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(large.as_uri())
    page.wait_for_selector(READY)
    settle(page)
    yield page
    context.close()
    assert said == []


def look(page: Any, row: int, level: int) -> None:
    """Move to a building of the overview."""
    page.evaluate(
        f"""([row, level]) => {{ {TILES} const {{ boxes }} = tiles.layers.buildings, at = 4 * row;
        const middle = L.point((boxes[at] + boxes[at + 2]) / 2, (boxes[at + 1] + boxes[at + 3]) / 2);
        map_district.setView(L.CRS.EPSG3857.pointToLatLng(middle, 0), level, {{ animate: false }}); }}""",
        [row, level],
    )
    settle(page)


def test_a_block_is_unpacked_when_it_comes_into_view(page: Any) -> None:
    opened = page.evaluate(OPENED)
    assert len(opened) > 1
    assert not any(opened)
    look(page, 0, 19)
    opened = page.evaluate(OPENED)
    assert opened[0]
    # What is read on a card alone is not unpacked yet.
    read = f"() => {{ {TILES} return tiles.district.plans[0].layers.details.size; }}"
    assert page.evaluate(read) == 0
    page.evaluate(f"async () => {{ {TILES} await tiles.district.planOf(0); }}")
    first = f"() => {{ {TILES} return tiles.district.head.blocks.buildings[1]; }}"
    assert page.evaluate(read) == page.evaluate(first)
    last = page.evaluate(f"() => {{ {TILES} return tiles.layers.buildings.size - 1; }}")
    look(page, last, 19)
    assert page.evaluate(OPENED)[-1]


def test_every_layer_of_a_plan_leaves_its_colour(page: Any) -> None:
    look(page, 0, 19)
    for color in (GREEN, BLUE, INK):
        assert page.evaluate(COUNT_PIXELS, color) > 200, color
    # A trench and an opening are translucent: their edges and marks show their colour.
    assert page.evaluate(COUNT_PIXELS, PURPLE) > 20


def test_panning_back_paints_nothing(page: Any) -> None:
    look(page, 0, 18)
    before = page.evaluate(PICTURE)
    page.evaluate("() => map_district.panBy([700, 0], { animate: false })")
    settle(page)
    painted = page.evaluate(PAINTED)
    page.evaluate("() => map_district.panBy([-700, 0], { animate: false })")
    settle(page)
    assert page.evaluate(PAINTED) == painted
    assert page.evaluate(PICTURE) == before


@pytest.mark.parametrize("level", [16, 17, 18, 20])
def test_tiles_meet_without_a_seam(page: Any, level: int) -> None:
    """What is drawn tile by tile is what is drawn in one piece, but for the dots where tiles meet."""
    look(page, 0, level)
    differing = page.evaluate(COMPARE)
    assert differing[1] > 1000
    assert differing[0] < 0.01 * 512 * 512


def test_a_change_of_what_is_shown_reaches_tiles_out_of_sight(page: Any) -> None:
    look(page, 0, 18)
    page.evaluate("() => map_district.panBy([700, 0], { animate: false })")
    settle(page)
    page.locator("#by-rank").click()
    settle(page)
    page.evaluate("() => map_district.panBy([-700, 0], { animate: false })")
    settle(page)
    held = page.evaluate(PICTURE)
    page.evaluate(f"() => {{ {TILES} tiles.redraw(); }}")
    settle(page)
    assert page.evaluate(PICTURE) == held


def test_what_is_shown_fills_the_window_and_no_dot_is_drawn_twice(page: Any) -> None:
    """Strips may lie over one another; what shines through must not add up there."""
    look(page, 0, 18)
    for way in ([300, 0], [-500, 260], [0, -700], [40, 30], [-90, 70], [340, 260]):
        page.evaluate("(way) => map_district.panBy(way, { animate: false })", way)
        settle(page)
        bare, twice, drawn = page.evaluate(
            """() => {
            const { x: width, y: height } = map_district.getSize();
            const corner = map_district.getContainer().getBoundingClientRect();
            const strips = [...document.querySelectorAll('.leaflet-tile-pane canvas')].map((canvas) => {
              const box = canvas.getBoundingClientRect(), ratio = canvas.width / box.width;
              const copy = document.createElement('canvas');
              copy.width = canvas.width; copy.height = canvas.height;
              const context = copy.getContext('2d', { willReadFrequently: true });
              context.drawImage(canvas, 0, 0);
              const dots = context.getImageData(0, 0, copy.width, copy.height);
              return { box, ratio, dots };
            });
            let bare = 0, twice = 0, once = 0;
            for (let x = 1; x < width; x += 7) for (let y = 1; y < height; y += 7) {
              const east = corner.left + x, south = corner.top + y;
              const over = strips.filter(({ box: { left, right, top, bottom } }) =>
                left <= east && right > east && top <= south && bottom > south);
              const drawn = over.filter(({ box, ratio, dots }) => {
                const across = Math.floor((east - box.left) * ratio);
                const down = Math.floor((south - box.top) * ratio);
                return dots.data[4 * (down * dots.width + across) + 3] > 0;
              });
              if (!over.length) bare++;
              if (drawn.length > 1) twice++;
              if (drawn.length === 1) once++;
            }
            return [bare, twice, once]; }"""
        )
        assert (bare, twice) == (0, 0)
        assert drawn > 0


def test_after_many_small_moves_the_map_looks_as_if_drawn_anew(page: Any) -> None:
    look(page, 0, 18)
    for way in ([35, 20], [60, 45], [-20, 90], [-130, -40], [200, -170], [-500, 0], [260, 300]):
        page.evaluate("(way) => map_district.panBy(way, { animate: false })", way)
    settle(page)
    held = page.evaluate(PICTURE)
    page.evaluate(f"() => {{ {TILES} tiles.redraw(); }}")
    settle(page)
    assert page.evaluate(PICTURE) == held
