"""A shed of 120 by 60 ft drawn as it is: to scale, address side down, with a key of what is there."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pdfplumber
import pytest
import shapely
from reportlab.pdfgen.canvas import Canvas

from roofplat.ground import Ground
from roofplat.publish.sheet.building import split_buildings
from roofplat.publish.sheet.fonts import embed_fonts
from roofplat.publish.sheet.paper import PAPERS, Box
from roofplat.publish.sheet.plan import DrawnPlan, draw_plan
from roofplat.rules import load_rulebook
from roofplat.tables import TABLES

CRS = "EPSG:32613"
FOOT_M = 0.3048
GROUND = Ground(FOOT_M, None)
RULES = load_rulebook()
# On the central meridian the grid is shrunk by this and points to the true north.
X, Y, SHRUNK = 500_000.0, 4_400_000.0, 0.9996
BOX = Box(40, 200, 530, 500)


def _at(*feet: tuple[float, float]) -> list[tuple[float, float]]:
    return [(X + east * FOOT_M * SHRUNK, Y + north * FOOT_M * SHRUNK) for east, north in feet]


def _frame(name: str, rows: list[dict[str, Any]], shapes: list[Any]) -> gpd.GeoDataFrame:
    columns = {column: [row.get(column) for row in rows] for column in TABLES[name].columns}
    return gpd.GeoDataFrame(pd.DataFrame(columns), geometry=shapes, crs=CRS)


def _shed(
    *, spacing_ft: float = 8.0, basis: str = "surveyed", address: str = "south", wide_ft: float = 120.0
) -> dict[str, Any]:
    """Purlins north and south; the walls of the long sides bear; the address side is the one named."""
    high_ft = wide_ft / 2
    corners = [(0.0, 0.0), (0.0, high_ft), (wide_ft, high_ft), (wide_ft, 0.0)]
    ids = {"building_id": "shed", "section_id": "shed/1"}
    outline = shapely.Polygon(_at(*corners))
    order = ["south", "west", "north", "east"]
    walls, shapes = [], []
    for k, (name, outward) in enumerate(
        zip(["west", "north", "east", "south"], (270, 0, 90, 180), strict=True)
    ):
        side = "ABCD"[(order.index(name) - order.index(address)) % 4]
        length = high_ft if k % 2 == 0 else wide_ft
        kind = "bearing" if k % 2 else "nonbearing"
        walls.append(
            {
                **ids,
                "wall": k,
                "side": side,
                "kind": kind,
                "kind_basis": basis,
                "length_ft": length,
                "outward_deg": outward,
            }
        )
        shapes.append(shapely.LineString(_at(corners[k], corners[(k + 1) % 4])))
    lines = [_at((east, 0), (east, high_ft)) for east in np.arange(spacing_ft, wide_ft - 0.1, spacing_ft)]
    members = [{**ids, "kind": "purlin", "count": len(lines), "spacing_ft": spacing_ft, "basis": basis}]
    section = {**ids, "planned": True, "wind_from_deg": 270.0, "wind_basis": "given"}
    return {
        "buildings": _frame("buildings", [ids], [outline]),
        "sections": _frame("sections", [section], [outline]),
        "walls": _frame("walls", walls, shapes),
        "members": _frame("members", members, [shapely.MultiLineString(lines)]),
    }


def _draw(tables: dict[str, Any], *, paper: str = "letter", box: Box = BOX) -> tuple[DrawnPlan, bytes]:
    (leaf,) = split_buildings(tables, ["shed"], ground=GROUND)
    stream = BytesIO()
    canvas = Canvas(stream, pagesize=(PAPERS[paper].width_pt, PAPERS[paper].height_pt), invariant=1)
    embed_fonts(canvas)
    drawn = draw_plan(canvas, leaf, box, paper=PAPERS[paper], rules=RULES)
    canvas.showPage()
    canvas.save()
    return drawn, stream.getvalue()


def _page(made: bytes) -> Any:
    return pdfplumber.open(BytesIO(made)).pages[0]


def _purlins(page: Any) -> list[float]:
    """Where the thin upright lines of the roof are."""
    upright = [
        line for line in page.lines if abs(line["x1"] - line["x0"]) < 0.01 and line["linewidth"] == 0.6
    ]
    return sorted({round(line["x0"], 3) for line in upright if abs(line["y1"] - line["y0"]) > 60})


@pytest.mark.parametrize("paper", list(PAPERS))
def test_purlins_of_eight_feet_are_eight_feet_apart(paper: str) -> None:
    drawn, made = _draw(_shed(), paper=paper)
    steps_ft = np.diff(_purlins(_page(made))) * drawn.feet_per_point
    assert len(steps_ft) == 13
    assert steps_ft == pytest.approx(8.0, rel=0.002)


def test_the_scale_is_the_largest_and_is_said() -> None:
    drawn, made = _draw(_shed())
    # 120 ft are 432 points at 20 ft to the inch, which leaves room for letters at the sides.
    assert drawn.scale == "1 in = 20 ft"
    assert drawn.feet_per_point * 72 == pytest.approx(20)
    assert "Scale 1 in = 20 ft" in _page(made).extract_text()


@pytest.mark.parametrize(("address", "turn_deg"), [("south", 0), ("west", 90), ("north", 180), ("east", 270)])
def test_the_address_side_is_at_the_foot(address: str, turn_deg: float) -> None:
    drawn, made = _draw(_shed(address=address))
    assert drawn.turn_deg == pytest.approx(turn_deg, abs=0.01)
    letters = {word["text"]: word for word in _page(made).extract_words() if word["text"] in "ABCD"}
    assert set(letters) == set("ABCD")
    assert letters["A"]["top"] > max(letters[side]["top"] for side in "BCD")
    assert letters["B"]["x0"] < letters["A"]["x0"] < letters["D"]["x0"]


def test_north_is_up_where_no_side_is_known() -> None:
    tables = _shed()
    tables["walls"]["side"] = None
    drawn, made = _draw(tables)
    assert drawn.turn_deg == 0.0
    assert not [word for word in _page(made).extract_words() if word["text"] in ("A", "B", "C", "D")]


def test_lines_that_would_run_together_are_thinned_and_counted_in_words() -> None:
    drawn, made = _draw(_shed(spacing_ft=1.0))
    # A point is 0.28 ft: lines a foot apart are 3.6 points, two feet 7.2.
    assert drawn.notes == ("Every 2nd purlin is drawn; they are 1.0 ft apart.",)
    assert np.diff(_purlins(_page(made))) * drawn.feet_per_point == pytest.approx(2.0, rel=0.002)
    assert "every 2nd drawn" in _page(made).extract_text()


def test_a_guess_is_broken_and_says_so_and_a_survey_is_whole() -> None:
    words = {}
    for basis in ("surveyed", "assumed"):
        drawn, made = _draw(_shed(basis=basis))
        page = _page(made)
        # Text that runs up the page is read from its end.
        words[basis] = page.extract_text() + page.extract_text()[::-1]
        thin = [line for line in page.lines if line["linewidth"] == 0.6 and abs(line["y1"] - line["y0"]) > 60]
        broken = [bool(line["dash"] and line["dash"][0]) for line in thin]
        assert broken
        assert set(broken) == {basis == "assumed"}
        assert drawn.references == ()
    assert "(assumed)" in words["assumed"]
    assert "(assumed)" not in words["surveyed"]


def test_the_key_names_what_is_drawn_and_nothing_else() -> None:
    text = _page(_draw(_shed())[1]).extract_text()
    for words in ("bearing wall", "nonbearing wall", "purlin", "broken line: inferred or assumed"):
        assert words in text
    for words in ("party wall", "beam", "ladder", "street", "fire spot", "trench"):
        assert words not in text


def test_nothing_stands_outside_of_the_box() -> None:
    page = _page(_draw(_shed())[1])
    inside = shapely.box(BOX.x - 1, BOX.y - 1, BOX.x + BOX.width + 1, BOX.y + BOX.height + 1)
    for thing in (*page.chars, *page.lines, *page.rects, *page.curves):
        assert inside.covers(shapely.box(thing["x0"], thing["y0"], thing["x1"], thing["y1"])), thing


def test_a_building_larger_than_any_scale_of_one_to_sixty_is_drawn_smaller() -> None:
    drawn, made = _draw(_shed(wide_ft=900.0, spacing_ft=20.0))
    assert drawn.scale == "1 in = 200 ft"
    assert np.diff(_purlins(_page(made))) * drawn.feet_per_point == pytest.approx(20.0, rel=0.005)


def test_a_line_overhead_keeps_its_clearance_and_one_of_no_known_voltage_says_so() -> None:
    tables = _shed()
    line = shapely.LineString(_at((-80, -18), (200, -18)))
    row = {"obstacle_id": "1", "kind": "overhead_line", "voltage_kv": np.nan, "basis": "recorded"}
    tables["obstacles"] = _frame("obstacles", [row], [line])
    _, made = _draw(tables)
    text = _page(made).extract_text()
    assert "overhead line, voltage unknown: keep 10 ft away" in text
    assert "clearance from a line" in text


def test_the_same_rows_are_the_same_bytes() -> None:
    assert _draw(_shed())[1] == _draw(_shed())[1]
