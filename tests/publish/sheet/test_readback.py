"""Sheets read back out of their PDFs, by strokes and words, and held against the tables and the ellipsoid.

In: the demo district, a roof made by hand, and one roof of each family in two coordinate systems.
Out: every length on paper is the length on the ground at the stated scale; nothing lies on anything else;
    what the tables know is said; greys only, fonts inside, the same bytes again.
"""

from __future__ import annotations

import datetime
import re
from io import BytesIO
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pypdfium2
import pytest
import shapely
from pypdf import PdfReader
from pyproj import CRS, Transformer
from shapely import affinity

from roofplat import build, read_district
from roofplat.ground import Ground
from roofplat.publish.files import CAUTION
from roofplat.publish.overrides import override_words
from roofplat.publish.sheet.building import split_buildings
from roofplat.publish.sheet.leaf import sheet_pdf
from roofplat.publish.sheet.panels import FOUND_ON_SITE, Edition
from roofplat.publish.sheet.paper import PAPERS
from roofplat.publish.sheet.sets import sheet_files, write_set, write_singles
from roofplat.rules import Rulebook, load_rulebook

from .readback import (
    GEOD,
    Mark,
    Page,
    feet_about,
    fonts_without_a_file,
    middle_of,
    read_pages,
    rows_of,
)

DEMO = Path(__file__).resolve().parents[3] / "data" / "demo" / "district.toml"
AS_OF = datetime.date(2026, 1, 1)
FOOT_M = 0.3048
# Half a percent, and what a number in a PDF is rounded to.
SHARE, ROUNDED_PT = 0.005, 0.02
LEAST_TYPE_PT, LEAST_STROKE_PT, LEAST_CONTRAST = 7.0, 0.35, 7.0
OUT_OF_PAGE = 0.3


class Press:
    """The tables of a district and its sheets as they are asked for, each drawn and read once."""

    def __init__(self, path: Path, out: Path) -> None:
        district = read_district(path)
        self.rules: Rulebook = load_rulebook(district.rules, district.families)
        self.ground = Ground(self.rules.number("ground.foot_m"), district.mean_elevation_ft)
        self.edition = Edition(district.name, AS_OF, self.rules, override_words(self.rules))
        self.tables: dict[str, Any] = dict(build(district, out=out, as_of=AS_OF, sheets=False).tables)
        self._read: dict[tuple[str, str], tuple[bytes, Page]] = {}

    def sheet(self, building_id: str, paper: str = "letter") -> tuple[bytes, Page]:
        key = (building_id, paper)
        if key not in self._read:
            (leaf,) = split_buildings(self.tables, [building_id], ground=self.ground)
            content = sheet_pdf(leaf, paper=PAPERS[paper], edition=self.edition)
            (page,) = read_pages(content)
            self._read[key] = (content, page)
        return self._read[key]

    def rows(self, name: str, building_id: str) -> Any:
        return rows_of(self.tables, name, building_id)

    def lonlat(self, shape: Any) -> Any:
        """A shape of the tables in WGS 84."""
        to = Transformer.from_crs(self.tables["buildings"].crs, "EPSG:4326", always_xy=True)
        return shapely.transform(shape, lambda points: np.column_stack(to.transform(*points.T)))


class Ruler:
    """Where things of the tables ought to be on a page: by the ellipsoid, the scale and the arrow alone.

    Only where the middle of the roof lies is taken from the page.
    """

    def __init__(self, press: Press, building_id: str, page: Page) -> None:
        self.press, self.page = press, page
        (outline,) = press.rows("buildings", building_id).geometry
        self._outline = press.lonlat(outline)
        point = self._outline.centroid
        self._lon, self._lat = point.x, point.y
        self._middle_ft, self._middle_pt = np.zeros(2), np.zeros(2)
        drawn = shapely.union_all([mark.line for mark in page.outlines])
        self._middle_pt = middle_of(drawn) - middle_of(self.points(outline))
        self.drawn = drawn
        self.outline = self.points(outline)

    def points(self, shape: Any) -> Any:
        """A shape of the tables on the page."""
        return shapely.transform(self.press.lonlat(shape), self._to_page)

    def place(self, lon: float, lat: float) -> Any:
        return self._to_page(np.array([[lon, lat]]))[0]

    def _to_page(self, lonlat: Any) -> Any:
        feet = feet_about(self._lon, self._lat, lonlat[:, 0], lonlat[:, 1])
        return self.page.on_page(feet, self._middle_ft, self._middle_pt)

    def lines_between(self, start: Any, end: Any, slack: float) -> list[Mark]:
        """Lines on the page from one point to another, either way round."""
        found = []
        for mark in self.page.marks:
            if mark.stroke is None:
                continue
            ends = mark.points[[0, -1]]
            for first, last in (ends, ends[::-1]):
                if np.hypot(*(first - start)) < slack and np.hypot(*(last - end)) < slack:
                    found.append(mark)
                    break
        return found


def close(measured: float, wanted: float) -> bool:
    return abs(measured - wanted) <= SHARE * wanted + ROUNDED_PT


def check_scale(press: Press, building_id: str, paper: str) -> dict[str, int]:
    """Hold every length on a sheet against the tables; how many of each were held."""
    _, page = press.sheet(building_id, paper)
    ruler = Ruler(press, building_id, page)
    per_foot = page.points_per_foot
    slack = 0.4 + SHARE * max(*np.ptp(np.array(ruler.outline.bounds).reshape(2, 2), axis=0))
    assert shapely.hausdorff_distance(ruler.drawn, ruler.outline.boundary, densify=0.2) < slack
    held = dict.fromkeys(("walls", "members", "ladders", "openings", "trenches"), 0)
    for row in press.rows("walls", building_id).itertuples():
        start, end = shapely.get_coordinates(ruler.points(row.geometry))[[0, -1]]
        lines = ruler.lines_between(start, end, slack)
        assert any(close(mark.line.length, row.length_ft * per_foot) for mark in lines), (
            building_id,
            row.wall,
        )
        held["walls"] += 1
    held["members"] += _check_members(press, building_id, ruler)
    for row in press.rows("ladders", building_id).itertuples():
        base, tip = ruler.place(row.base_lon, row.base_lat), ruler.place(row.tip_lon, row.tip_lat)
        _, _, metres = GEOD.inv(row.base_lon, row.base_lat, row.tip_lon, row.tip_lat)
        lines = ruler.lines_between(base, tip, slack + 2.6)
        true = [
            mark
            for mark in lines
            if mark.stroke == 0.0 and close(mark.line.length, metres / FOOT_M * per_foot)
        ]
        # Two rails, or one line.
        assert len(true) >= (2 if row.apparatus == "ground_ladder" else 1), (building_id, "ladder", row.rank)
        held["ladders"] += 1
    slopes = press.rows("planes", building_id).groupby("section_id")["slope_deg"].max()
    for row in press.rows("openings", building_id).itertuples():
        mark = _drawn_area(page, ruler.points(row.geometry), slack)
        if row.method not in ("existing_opening", "glazing"):
            level = np.cos(np.radians(float(slopes.get(row.section_id, 0.0))))
            sides = sorted(_sides(mark))
            wanted = sorted([row.length_ft * per_foot, row.width_ft * level * per_foot])
            assert all(map(close, sides, wanted)), (building_id, row.seq, sides, wanted)
            held["openings"] += 1
    for row in press.rows("trenches", building_id).itertuples():
        mark = _drawn_area(page, ruler.points(row.geometry), slack)
        narrow, long = sorted(_sides(mark))
        assert close(narrow, row.width_ft * per_foot), (building_id, narrow, row.width_ft)
        assert long >= row.length_ft * per_foot * (1 - SHARE) - row.width_ft * per_foot
        held["trenches"] += 1
    return held


def _drawn_area(page: Page, wanted: Any, slack: float) -> Mark:
    """The filled or stroked outline that lies where it should."""
    near = [
        mark
        for mark in page.marks
        if mark.stroke is not None and len(mark.points) > 3 and (mark.points[0] == mark.points[-1]).all()
    ]
    found = min(near, key=lambda mark: shapely.hausdorff_distance(mark.line, wanted.exterior))
    assert shapely.hausdorff_distance(found.line, wanted.exterior) < slack
    return found


def _sides(mark: Mark) -> tuple[float, float]:
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(mark.line))
    first, second = np.hypot(*np.diff(corners[:3], axis=0).T)
    return float(first), float(second)


def _check_members(press: Press, building_id: str, ruler: Ruler) -> int:
    """Members that lie side by side are as far apart as the table says, or a whole number of times that."""
    held = 0
    lines = [mark for mark in ruler.page.marks if len(mark.points) == 2 and mark.stroke is not None]
    ends = np.array([mark.points for mark in lines]).reshape(-1, 2, 2)
    for row in press.rows("members", building_id).itertuples():
        if not row.spacing_ft > 0:
            continue
        wanted = shapely.get_parts(ruler.points(row.geometry))
        pairs = np.array([shapely.get_coordinates(line)[[0, -1]] for line in wanted])
        drawn = []
        for pair in pairs:
            apart = np.minimum(
                np.hypot(*(ends - pair).transpose(2, 0, 1)).max(axis=1),
                np.hypot(*(ends - pair[::-1]).transpose(2, 0, 1)).max(axis=1),
            )
            if apart.min() < 0.6:
                drawn.append(ends[int(apart.argmin())])
        assert drawn, (building_id, row.kind)
        gap = row.spacing_ft * ruler.page.points_per_foot
        steps = _gaps(np.array(drawn))
        times = np.round(steps / gap)
        right = (times >= 1) & (np.abs(steps - times * gap) <= SHARE * times * gap + 2 * ROUNDED_PT)
        if len(steps):
            assert right.mean() > 0.6, (
                building_id,
                row.kind,
                row.spacing_ft,
                (steps / gap).round(3).tolist(),
            )
            held += int(right.sum())
    return held


def _gaps(ends: Any) -> Any:
    """Distance of each line to the next that lies beside it, among parallel lines."""
    step = ends[:, 1] - ends[:, 0]
    angle = np.degrees(np.arctan2(step[:, 1], step[:, 0])) % 180.0
    gaps = []
    for turn in np.unique(np.round(angle, 0) % 180.0):
        same = np.minimum((angle - turn) % 180.0, (turn - angle) % 180.0) < 0.8
        middle = np.radians(np.median(angle[same]))
        ahead, aside = np.array([np.cos(middle), np.sin(middle)]), np.array([-np.sin(middle), np.cos(middle)])
        across = ends[same].mean(axis=1) @ aside
        along = np.sort(ends[same] @ ahead, axis=1)
        apart = across[None, :] - across[:, None]
        common = np.minimum(along[:, None, 1], along[None, :, 1]) - np.maximum(
            along[:, None, 0], along[None, :, 0]
        )
        apart[(apart < 0.3) | (common < 1.0)] = np.inf
        nearest = apart.min(axis=1)
        gaps.append(nearest[np.isfinite(nearest)])
    return np.concatenate(gaps) if gaps else np.array([])


def check_furniture(press: Press, building_id: str, paper: str) -> None:
    """Scale bar by its own label; the arrow by the walls."""
    _, page = press.sheet(building_id, paper)
    cells = [
        mark for mark in page.marks
        if mark.fill in (0.0, 1.0) and mark.stroke == 0.0 and abs(mark.width - 0.6) < 0.01
        and len(mark.points) == 5 and not page.frame.intersects(mark.line)
    ]  # fmt: skip
    ends = [(run, found) for run in page.runs if (found := re.fullmatch(r"([\d,.]+) (ft|m)", run.text))]
    _, south, east, _ = page.frame.bounds
    # Right below the drawing, beside no words.
    ends = [
        (run, found) for run, found in ends if 0 < south - run.box.bounds[3] < 58 and run.box.bounds[2] < east
    ]
    bars = 0
    for run, found in ends:
        west, _, _, north = run.box.bounds
        bar = [
            mark for mark in cells if 0.0 < mark.line.bounds[1] - north < 8.0 and mark.line.bounds[0] < west
        ]
        bar = sorted(bar, key=lambda mark: mark.line.bounds[0])[-4:]
        assert len(bar) == 4
        long = bar[-1].line.bounds[2] - bar[0].line.bounds[0]
        unit = 1.0 if found[2] == "ft" else 1.0 / FOOT_M
        assert close(long, float(found[1].replace(",", "")) * unit * page.points_per_foot), building_id
        bars += 1
    assert bars == (2 if paper == "A4" else 1)
    walls = press.rows("walls", building_id)
    address = walls[(walls["side"] == "A").fillna(False).to_numpy(dtype=bool)]
    if len(address):
        outward = float(address.loc[address["length_ft"].round(3).idxmax(), "outward_deg"])
        # Side A is at the foot: down the page is out of it.
        assert abs((page.turn_deg + 180.0 - outward + 180.0) % 360.0 - 180.0) < 0.5
    else:
        assert abs((page.turn_deg + 180.0) % 360.0 - 180.0) < 0.1


def check_page(content: bytes, page: Page, paper: str) -> None:
    """What holds for every page, whatever is on it."""
    size = PAPERS[paper]
    edge = size.margin_pt - OUT_OF_PAGE
    inner = shapely.box(edge, edge, size.width_pt - edge, size.height_pt - edge)
    assert page.overlaps() == []
    assert [(run.text, mark.points[:2].tolist()) for run, mark in page.struck()] == []
    assert [run.text for run in page.runs if not inner.contains(run.tight)] == []
    assert [run.text for run in page.runs if run.tight.intersects(page.frame.exterior)] == []
    assert [run.text for run in page.runs if run.size < LEAST_TYPE_PT - 1e-3] == []
    assert [
        mark.width for mark in page.marks if mark.stroke is not None and mark.width < LEAST_STROKE_PT - 1e-3
    ] == []
    colours = {run.grey for run in page.runs} | {
        colour for mark in page.marks for colour in (mark.stroke, mark.fill) if colour is not None
    }
    assert all(isinstance(colour, float) for colour in colours)
    assert all(_contrast(run.grey, page.ground_of(run)) >= LEAST_CONTRAST for run in page.runs)
    assert page.images == 0
    assert page.annotations == 0
    assert fonts_without_a_file(content) == []


def _contrast(one: float, other: float) -> float:
    """Contrast of two greys by WCAG 2.2."""
    light = [((grey + 0.055) / 1.055) ** 2.4 if grey > 0.04045 else grey / 12.92 for grey in (one, other)]
    return (max(light) + 0.05) / (min(light) + 0.05)


def check_words(press: Press, building_id: str, page: Page) -> None:
    """What the tables know is on the page, or the page says how much of it is elsewhere."""
    text = page.text
    left = set(re.findall(r"(?:more|1 row|All [\d,]+) in ([\w.]+(?:, layer \w+)?)", text))

    def said(pattern: str, *, rest: str = "") -> None:
        if not re.search(pattern, text):
            assert any(
                place.startswith("layers.gpkg") and (rest in place or place == "layers.gpkg")
                for place in left
            ), (building_id, pattern)

    assert CAUTION in text
    for label in [label for line in FOUND_ON_SITE for label in line]:
        assert label in text
    assert text.count("Found on site") == 1
    assert re.search(rf"Id {re.escape(building_id)}\b", text)
    assert AS_OF.isoformat() in text
    for row in press.rows("ladders", building_id).itertuples():
        assert row.usng in text
        assert f"lon {row.base_lon:.6f}, lat {row.base_lat:.6f}" in text
        if row.apparatus == "ground_ladder":
            side = rf"(?:Section \d+: )?(?:side {row.side}|no side letter)"
            assert re.search(rf"\b{row.rank} {side}, {row.ladder_ft:g} ft ladder\.", text)
            assert re.search(
                rf"Base {re.escape(f'{row.base_setback_ft:.1f}'.removesuffix('.0'))} ft from the wall", text
            )
        elif row.apparatus == "out_of_reach":
            assert "out of reach" in text
    for row in press.rows("paths", building_id).itertuples():
        said(rf"from ladder {row.ladder_rank} {row.length_ft:,.0f} ft", rest="checks")
    for row in press.rows("openings", building_id).itertuples():
        said(
            rf"\b{row.seq} [A-Z][\w -]+, (?:\d+ parts?, )?{row.length_ft:,.1f}".removesuffix(".0"),
            rest="openings",
        )
    for row in press.rows("trenches", building_id).itertuples():
        said(rf"{row.width_ft:g} ft wide, {row.length_ft:,.0f} ft wall to wall", rest="trenches")
    holes = int((press.rows("checks", building_id)["kind"] == "indicator_hole").sum())
    if holes:
        said(rf"\b{holes} indicator holes?\b", rest="checks")
    sections = press.rows("sections", building_id)
    planned = sections[sections["planned"].fillna(False)]
    for row in planned.itertuples():
        assert f"lon {row.fire_lon:.6f}, lat {row.fire_lat:.6f}" in text
        assert {"assumed": "Fire spot assumed", "given": "as stated"}[row.fire_basis] in text
        if row.wind_from_deg == row.wind_from_deg:
            assert f"({row.wind_from_deg:.0f}°)" in text
            assert re.search(r"Wind from [NESW]+, \d+° true", text)
    facts = press.rows("facts", building_id)
    facts = facts[facts["current"].fillna(False)]
    for basis, date in facts[["basis", "date"]].drop_duplicates().itertuples(index=False):
        day = "no date" if pd.isna(date) else str(date)[:10]
        said(rf"{basis.capitalize()}, {day}:", rest="facts")
    walls = press.rows("walls", building_id)
    letters = {run.text for run in page.runs if run.size > 14.9 and page.frame.contains(run.box)}
    lost = re.findall(
        r"side ([ABCD])\b",
        text.partition("Not written on the plan")[2] + text.partition("Numbers on the plan")[2],
    )
    outer = walls[walls["side"].notna()]
    assert set(outer["side"]) <= letters | set(lost), building_id
    zones = press.rows("collapse_zones", building_id)
    for row in zones.itertuples():
        said(rf"{row.distance_ft:.0f} ft out from the walls", rest="collapse_zones")


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Press:
    return Press(DEMO, tmp_path_factory.mktemp("demo"))


def sample(press: Press, paper: str = "letter") -> list[str]:
    """One roof of each family, and the oddest: most sections, openings, members, ladders out of reach."""
    buildings = press.tables["buildings"]
    sections, openings = press.tables["sections"], press.tables["openings"]
    ladders, walls = press.tables["ladders"], press.tables["walls"]
    chosen = buildings.drop_duplicates("roof_family")["building_id"].tolist()
    by_area = buildings.sort_values(["area_ft2", "building_id"])["building_id"].tolist()
    chosen += [by_area[0], by_area[-1]]
    chosen += [frame["building_id"].value_counts().index[0] for frame in (sections, openings, walls)]
    chosen += [sections.loc[sections["cut_method"] == "do_not_cut", "building_id"].iloc[-1]]
    chosen += [sections.loc[sections["roof_shape"] == "hipped", "building_id"].iloc[-1]]
    for kind in ("aerial", "out_of_reach"):
        chosen += ladders.loc[ladders["apparatus"] == kind, "building_id"].head(1).tolist()
    # All on one paper, every third on the other.
    return list(dict.fromkeys(chosen))[:: 1 if paper == "letter" else 3]


@pytest.mark.parametrize("paper", ["letter", "A4"])
def test_every_length_on_paper_is_the_length_on_the_ground(demo: Press, paper: str) -> None:
    held = pd.DataFrame([check_scale(demo, building_id, paper) for building_id in sample(demo, paper)]).sum()
    assert (held > 0).all(), held.to_dict()
    assert held["walls"] > 30
    assert held["members"] > 60


@pytest.mark.parametrize("paper", ["letter", "A4"])
def test_scale_bar_and_arrow_tell_the_truth(demo: Press, paper: str) -> None:
    for building_id in sample(demo, paper):
        check_furniture(demo, building_id, paper)


@pytest.mark.parametrize("paper", ["letter", "A4"])
def test_nothing_lies_on_anything_else_and_a_copier_keeps_it_all(demo: Press, paper: str) -> None:
    for building_id in sample(demo, paper):
        check_page(*demo.sheet(building_id, paper), paper)


def test_what_the_tables_know_is_said(demo: Press) -> None:
    for building_id in sample(demo):
        check_words(demo, building_id, demo.sheet(building_id)[1])


def test_leaders_of_openings_end_in_their_opening(demo: Press) -> None:
    held = 0
    for building_id in sample(demo):
        _, page = demo.sheet(building_id)
        ruler = Ruler(demo, building_id, page)
        leaders = _leaders(page)
        for row in demo.rows("openings", building_id).itertuples():
            size = f"{row.length_ft:.1f} \u00d7 {row.width_ft:.1f} ft"
            numbers = [run for run in page.runs if run.text == str(row.seq) and page.frame.contains(run.box)]
            labels = [
                number.box.union(text.box).envelope
                for number in numbers
                for text in page.runs
                if text.text == size and number.box.distance(text.box) < 6.0 and number.order < text.order
            ]
            for label in labels:
                ends = [end for near, end in leaders if label.distance(shapely.Point(near)) < 4.0]
                opening = ruler.points(row.geometry).buffer(2.0)
                assert all(opening.contains(shapely.Point(end)) for end in ends), (building_id, row.seq)
                held += len(ends)
    assert held > 3


def _leaders(page: Page) -> list[tuple[Any, Any]]:
    """Thin lines that end in a dot: where they begin, and the dot."""
    dots = [
        middle_of(mark.line)
        for mark in page.marks
        if mark.fill == 0.0 and mark.stroke is None and abs(np.ptp(mark.points[:, 0]) - 2.2) < 0.1
        and abs(np.ptp(mark.points[:, 1]) - 2.2) < 0.1
    ]  # fmt: skip
    lines = [
        mark
        for mark in page.marks
        if len(mark.points) == 2 and abs(mark.width - 0.5) < 1e-6 and mark.stroke == 0.0
    ]
    return [
        (near, end)
        for mark in lines
        for near, end in (mark.points, mark.points[::-1])
        if any(np.hypot(*(end - dot)) < 0.15 for dot in dots)
    ]


def test_a_page_in_grey_is_the_page(demo: Press) -> None:
    content, page = demo.sheet(sample(demo)[0])
    (sheet,) = pypdfium2.PdfDocument(content)
    colour = sheet.render(scale=100 / 72).to_numpy().astype(int)
    assert (colour.max(axis=2) == colour.min(axis=2)).all()
    # What is drawn beyond the frame of the plan is cut off at it: white between it and the words.
    height, width = colour.shape[:2]
    _, south, east, north = (value * 100 / 72 for value in page.frame.bounds)
    beside = colour[int(height - north) : int(height - south), int(east) + 4 : int(east) + 10]
    assert (beside == 255).all()
    assert width == round(612 / 72 * 100)


def test_the_same_rows_make_the_same_bytes(demo: Press) -> None:
    building_id = sample(demo)[0]
    (leaf,) = split_buildings(demo.tables, [building_id], ground=demo.ground)
    again = sheet_pdf(leaf, paper=PAPERS["letter"], edition=demo.edition)
    assert again == demo.sheet(building_id)[0]


def test_an_index_leads_to_every_sheet(demo: Press, tmp_path: Path) -> None:
    ids = demo.tables["buildings"]["building_id"].tolist()[:62]
    files = {name: path for name, path in sheet_files(ids).items() if name in ids}
    files = {name: files[name] for name in ids}
    common: dict[str, Any] = {"paper": PAPERS["letter"], "edition": demo.edition, "out": tmp_path}
    write_singles(demo.tables, files, ground=demo.ground, **common)
    path = write_set(demo.tables, files, tmp_path / "set.pdf", title="Kiln Yards", **common)
    document = pypdfium2.PdfDocument(path)
    texts = [page.get_textpage().get_text_range() for page in document]
    index = len(document) - len(ids)
    assert index >= 1
    marks = list(document.get_toc())
    assert marks[0].get_title() == "Index"
    for number, (name, mark) in enumerate(zip(ids, marks[1:], strict=True)):
        assert f"Id {name}" in texts[index + number]
        assert name in mark.get_title()
        assert mark.get_dest().get_index() == index + number
    assert _linked_rows(path.read_bytes(), index) == {name: index + k for k, name in enumerate(ids)}


def _linked_rows(content: bytes, pages: int) -> dict[str, int]:
    """Ids of the index and the page, from 0, that a press on their row leads to; no link leads elsewhere."""
    reader = PdfReader(BytesIO(content))
    found = {}
    for number, page in enumerate(read_pages(content, pages=list(range(1, pages + 1)))):
        for held in reader.pages[number]["/Annots"]:  # type: ignore[attr-defined]
            link = held.get_object()
            assert "/A" not in link
            target = next(
                k for k, sheet in enumerate(reader.pages) if sheet.indirect_reference == link["/Dest"][0]
            )
            west, south, east, north = map(float, link["/Rect"])
            row = shapely.box(west, south, east, north)
            inside = sorted(
                (run for run in page.runs if row.contains(run.box.centroid)),
                key=lambda run: run.box.bounds[0],
            )
            found[inside[1].text] = target
    return found


def _roofs(folder: Path, crs: str, lon: float, lat: float, families: list[str], turn_deg: float) -> Path:
    """One roof of 90 by 62 ft for each family, in a row along a street, laid out on the ellipsoid."""
    here = CRS.from_proj4(f"+proj=tmerc +lat_0={lat} +lon_0={lon} +k=1 +units=m +ellps=WGS84")
    to = Transformer.from_crs(here, crs, always_xy=True)

    def at(shape: Any) -> Any:
        turned = affinity.rotate(
            affinity.scale(shape, FOOT_M, FOOT_M, origin=(0, 0)), turn_deg, origin=(0, 0)
        )
        return shapely.transform(turned, lambda points: np.column_stack(to.transform(*points.T)))

    roofs = [at(shapely.box(260 * k, 0, 260 * k + 90, 62)) for k in range(len(families))]
    frame = gpd.GeoDataFrame(
        {"building_id": [f"{family}-90" for family in families], "roof_family": families, "height_ft": 16.0,
         "address": [f"{k} Straw Lane" for k in range(1, len(families) + 1)]},
        geometry=roofs, crs=crs,
    )  # fmt: skip
    frame.to_file(folder / "roofs.gpkg")
    lane = at(shapely.LineString([(-100, -40), (260 * len(families), -40)]))
    gpd.GeoDataFrame({"name": ["Straw Lane"]}, geometry=[lane], crs=crs).to_file(folder / "streets.gpkg")
    path = folder / "district.toml"
    path.write_text(
        '[district]\nname = "Straw Flats"\n[footprints]\nfile = "roofs.gpkg"\n'
        '[streets]\nfile = "streets.gpkg"\n',
        "utf-8",
    )
    return path


# A Mercator foot is twice a ground foot at 60 degrees; a zone's edge turns its grid from true north.
@pytest.fixture(
    scope="module",
    params=[("EPSG:32613", -107.6, 40.0), ("EPSG:3857", -148.5, 61.0)],
    ids=["utm", "mercator"],
)
def straw(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Press:
    crs, lon, lat = request.param
    folder = tmp_path_factory.mktemp("straw")
    families = [name for name in load_rulebook().families if name != "unknown"]
    return Press(_roofs(folder, crs, lon, lat, [*families, "unknown"], 25.0), folder / "out")


@pytest.mark.parametrize("paper", ["letter", "A4"])
def test_a_roof_of_ninety_by_sixty_two_feet_is_so_in_any_coordinates(straw: Press, paper: str) -> None:
    ids = straw.tables["buildings"]["building_id"].tolist()
    # All families on one paper, some on the other.
    zone = straw.tables["buildings"].crs.to_epsg() != 3857
    for building_id in ids if (paper == "letter") == zone else ids[::4]:
        content, page = straw.sheet(building_id, paper)
        outline = page.outlines[0].line
        sides = sorted(_sides(page.outlines[0]))
        assert all(map(close, sides, [62 * page.points_per_foot, 90 * page.points_per_foot])), building_id
        # The street runs along the foot of the page, and so do the eaves.
        west, south, east, north = outline.bounds
        assert close(east - west, 90 * page.points_per_foot)
        assert close(north - south, 62 * page.points_per_foot)
        if paper == "letter" and "Scale 1 in = 20 ft" in page.text:
            assert (close(east - west, 324.0), close(north - south, 223.2)) == (True, True)
        check_scale(straw, building_id, paper)
        check_furniture(straw, building_id, paper)
        check_page(content, page, paper)
        assert abs(page.turn_deg - 335.0) < 0.5
