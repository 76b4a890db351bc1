"""The pages of a survey, read back out of the PDF by strokes and words.

In: the forms of the demo district; two invented buildings with hostile names.
Out: one page a building with what the form asks, an outline true to its stated scale and north, each wall
    with the letter that the tables give it, nothing over anything else, and the same bytes again.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import momepy
import numpy as np
import pandas as pd
import pytest
import shapely
from pypdf import PdfReader
from pyproj import Transformer
from shapely import box

from roofplat import pipeline, read_district
from roofplat.ground import Ground
from roofplat.publish.files import CAUTION
from roofplat.publish.survey import survey_order, write_survey
from roofplat.publish.survey.questions import survey_questions
from roofplat.rules import load_rulebook
from roofplat.tables import TABLES, conform, empty

from ..conftest import AS_OF as INVENTED_AS_OF
from ..conftest import HOSTILE
from ..sheet.readback import GEOD, Mark, Page, feet_about, fonts_without_a_file, middle_of, read_pages
from .conftest import AREA, AS_OF, Forms

FOOT_M = 0.3048
# Half a percent, and what a number in a PDF is rounded to.
SHARE, ROUNDED_PT = 0.005, 0.02
LEAST_TYPE_PT, LEAST_STROKE_PT = 7.0, 0.35


@pytest.fixture(scope="module")
def content(forms: Forms) -> bytes:
    return (forms.folder / "survey.pdf").read_bytes()


@pytest.fixture(scope="module")
def pages(content: bytes) -> list[Page]:
    return read_pages(content)


def thick(page: Page) -> list[Mark]:
    """Strokes of the building's own outline."""
    return [mark for mark in page.marks if mark.stroke == 0.0 and 1.55 < mark.width < 1.65]


def test_a_page_for_each_building_in_the_order_of_the_survey(
    forms: Forms, content: bytes, pages: list[Page]
) -> None:
    assert len(pages) == len(forms.ids)
    for place, (name, page) in enumerate(zip(forms.ids, pages, strict=True), start=1):
        assert f"Id {name} " in f"{page.text} "
        assert f"Survey form {place} of {len(forms.ids)}" in page.text
        assert CAUTION in page.text
        for label in ("Seen on (date)", "Who", "Note"):
            assert label in page.text
    bookmarks = [str(entry["/Title"]) for entry in PdfReader(forms.folder / "survey.pdf").outline]
    assert len(bookmarks) == len(forms.ids)
    assert all(name in title for name, title in zip(forms.ids, bookmarks, strict=True))
    assert fonts_without_a_file(content) == []


def test_every_question_of_the_form_is_on_each_page_and_those_that_matter_are_numbered(
    forms: Forms, pages: list[Page]
) -> None:
    questions = survey_questions(forms.rules, AS_OF)
    families = [entry.label for name, entry in forms.rules.families.items() if name != "unknown"]
    for (_, row), page in zip(forms.made.rows.iterrows(), pages, strict=True):
        titles = [run.text for run in page.runs if run.font.endswith("Bold") and abs(run.size - 8.0) < 0.01]
        for question in questions:
            assert any(title.endswith(question.words) for title in titles), question.words
        numbered = [match for title in titles if (match := re.fullmatch(r"(\d+) +(.*)", title))]
        found = [match[2].lower() for match in sorted(numbered, key=lambda match: int(match[1]))]
        assert found == row["asked"].split(", ")
        for label in families:
            assert label in page.text
        boxes = [mark for mark in page.marks if abs(mark.line.length - 4 * 6.5) < 0.1 and mark.fill is None]
        # Families, forms, walls, panels, groups, and twice yes and no.
        assert len(boxes) == len(families) + 7 + 5 + 2 + len(_groups(forms)) + 4


def _groups(forms: Forms) -> dict[str, str]:
    (group,) = [
        answer.allowed
        for question in survey_questions(forms.rules, AS_OF)
        for answer in question.answers
        if answer.field == "occupancy"
    ]
    return dict(group)


def test_odds_are_said_to_be_odds_and_what_is_known_has_its_basis(forms: Forms, pages: list[Page]) -> None:
    for (_, row), page in zip(forms.made.rows.iterrows(), pages, strict=True):
        assert ("Odds, not a survey:" in page.text) == (row["looked"] != "surveyed")
        for said in re.findall(r"on record: ([^(]*)(\([a-z]+)?", page.text):
            assert said[0].startswith("nothing") or said[1][1:] in (
                "surveyed", "recorded", "drawn", "inferred", "assumed",
            ), (row["building_id"], said)  # fmt: skip


def test_nothing_lies_on_anything_else(pages: list[Page]) -> None:
    for number, page in enumerate(pages):
        assert page.overlaps() == [], number
        assert list(page.struck()) == [], number
        assert min(run.size for run in page.runs) > LEAST_TYPE_PT - 0.01
        strokes = [mark.width for mark in page.marks if mark.stroke is not None]
        assert min(strokes) > LEAST_STROKE_PT
        assert page.images == 0
        inside = shapely.box(0, 0, page.width, page.height).buffer(-20)
        assert all(inside.contains(run.box) for run in page.runs)


def on_ground(forms: Forms, name: str) -> Any:
    """The outline of a building in WGS 84."""
    buildings = forms.tables["buildings"]
    (shape,) = buildings.loc[buildings["building_id"] == name, "geometry"]
    to = Transformer.from_crs(buildings.crs, "EPSG:4326", always_xy=True)
    return shapely.transform(shape, lambda points: np.column_stack(to.transform(*points.T)))


def test_the_outline_is_true_to_scale_and_north_by_the_ellipsoid(forms: Forms, pages: list[Page]) -> None:
    """Feet here are measured up at the district's elevation; the ellipsoid's are that much longer."""
    # 3,910 ft above the ellipsoid on a radius of 6,371 km.
    raised = 1 + 3910.0 * FOOT_M / 6_371_000.0
    for name, page in zip(forms.ids, pages, strict=True):
        outline = on_ground(forms, name)
        middle = outline.centroid
        points = shapely.get_coordinates(outline)
        feet = feet_about(middle.x, middle.y, points[:, 0], points[:, 1]) * raised
        wanted = page.on_page(feet, np.zeros(2), np.zeros(2))
        drawn = shapely.union_all([mark.line for mark in thick(page)])
        shape = shapely.set_coordinates(outline, wanted)
        moved = shapely.transform(shape, lambda p, s=shape, d=drawn: p + middle_of(d) - middle_of(s))
        slack = ROUNDED_PT + 0.4 + SHARE * max(np.ptp(wanted, axis=0))
        assert shapely.hausdorff_distance(moved.boundary, drawn, densify=0.2) < slack, name
        assert page.frame.contains(drawn)
    # One edge of one building, by the geodesic itself.
    outline = on_ground(forms, forms.ids[0])
    corners = shapely.get_coordinates(outline.exterior)
    _, _, metres = GEOD.inv(*corners[0], *corners[1])
    length = metres * raised / FOOT_M * pages[0].points_per_foot
    edges = [segment for mark in thick(pages[0]) for segment in np.diff(mark.points, axis=0)]
    assert any(abs(np.hypot(*edge) - length) < 0.002 * length for edge in edges)


def test_each_side_has_its_letter_outside_its_longest_wall(forms: Forms, pages: list[Page]) -> None:
    walls = forms.tables["walls"]
    held = 0
    for name, page in zip(forms.ids, pages, strict=True):
        own = walls[(walls["building_id"] == name) & walls["side"].notna()]
        drawn = shapely.union_all([mark.line for mark in thick(page)])
        letters = [
            run for run in page.runs if run.text in set("ABCD") and run.size > 10.5
        ]  # fmt: skip
        assert {run.text[0] for run in letters} >= set(own["side"]), name
        body = shapely.polygonize([drawn]).buffer(0)
        for run in letters:
            place = run.box.centroid
            assert 4.0 < place.distance(drawn) < 24.0, (name, run.text)
            held += 1
            # The side lies the way that its walls look out, from the middle of the wall toward the letter.
            foot = shapely.shortest_line(drawn, place)
            (x0, y0), (x1, y1) = shapely.get_coordinates(foot)
            toward = (np.degrees(np.arctan2(x1 - x0, y1 - y0)) + page.turn_deg) % 360.0
            outward = own.loc[own["side"] == run.text[0], "outward_deg"].to_numpy(dtype=float)
            apart = np.abs((outward - toward + 180.0) % 360.0 - 180.0)
            assert apart.min() < 6.0, (name, run.text, toward, outward)
            assert not shapely.unary_union(body).contains(place) or len(own) > 4, (name, run.text)
    assert held >= 4 * len(pages)


def test_a_wall_that_is_outer_in_part_has_the_length_of_that_part(forms: Forms, pages: list[Page]) -> None:
    """An L in two sections: of the long one's back wall, half is the border to the other."""
    page = pages[forms.ids.index("MB-0003")]
    lengths = sorted(run.text for run in page.runs if re.fullmatch(r"[\d,]+ ft", run.text) and run.size > 7.4)
    ground = sorted(
        f"{GEOD.geometry_length(side) * (1 + 3910.0 * FOOT_M / 6_371_000.0) / FOOT_M:,.0f} ft"
        for side in map(
            shapely.LineString,
            np.lib.stride_tricks.sliding_window_view(
                shapely.get_coordinates(on_ground(forms, "MB-0003").exterior), (2, 2)
            )[:, 0],
        )
    )
    # The outline has six edges; two of them are split where the sections meet.
    assert "190 ft" in ground
    assert lengths.count("190 ft") == ground.count("190 ft") == 2
    assert "380 ft" in lengths


def with_roofs(tables: dict[str, Any]) -> Any:
    """The sections as the inventory hands them on, as far as the forms ask for them."""
    sections = tables["sections"].sort_values("section_id", kind="stable")
    part = sections.groupby("building_id").cumcount() + 1
    made = sections.assign(part=part, undivided_ft2=sections["area_ft2"])
    columns = [*TABLES["roofs"].columns, "geometry"]
    return conform("roofs", made.reindex(columns=columns).reset_index(drop=True))


def invented(
    tables: dict[str, Any], out: Path, paper: str = "A4", ids: Sequence[str] | None = None
) -> tuple[pd.DataFrame, list[Path]]:
    names = tables["buildings"]["building_id"].tolist() if ids is None else ids
    bare = {name: empty(name, tables["buildings"].crs) for name in ("facts", "walls", "sections")}
    tables = bare | tables
    tables["roofs"] = with_roofs(tables)
    return write_survey(
        tables,
        survey_order(tables, names),
        district=f"Flats {HOSTILE}",
        area="Everything",
        areas=["Everything"],
        rules=load_rulebook(),
        ground=Ground(FOOT_M, None),
        as_of=INVENTED_AS_OF,
        paper=paper,
        out=out,
    )


@pytest.mark.parametrize("paper", ["letter", "A4"])
def test_hostile_names_are_text_on_every_form(mixed: dict[str, Any], tmp_path: Path, paper: str) -> None:
    tables = dict(mixed)
    tables["buildings"] = mixed["buildings"].assign(name=HOSTILE, address="=1+1\u202eb\nc")
    rows, files = invented(tables, tmp_path, paper)
    pages = read_pages(files[3].read_bytes())
    assert len(pages) == len(rows)
    for page in pages:
        assert page.annotations == 0
        assert page.overlaps() == []
        assert "</script><img src=x" in page.text
        assert "\u202e" not in page.text
    listed = pd.read_csv(files[1], dtype="str")
    assert listed["title"].str.startswith(HOSTILE[:20]).all()


def test_the_same_input_gives_the_same_bytes(mixed: dict[str, Any], tmp_path: Path) -> None:
    _, first = invented(mixed, tmp_path / "one")
    shuffled = {
        name: frame.sample(frac=1.0, random_state=3).reset_index(drop=True)
        if name in ("buildings", "ranking", "survey_next", "facts")
        else frame
        for name, frame in mixed.items()
    }
    _, second = invented(mixed, tmp_path / "two")
    _, third = invented(shuffled, tmp_path / "three")
    for one, two, three in zip(first, second, third, strict=True):
        assert one.read_bytes() == two.read_bytes(), one.name
        assert one.read_bytes() == three.read_bytes(), one.name


def test_real_outlines_with_jagged_walls_keep_their_letters_apart(tmp_path: Path) -> None:
    """144 outlines of a town (momepy's bubenec, OpenStreetMap contributors, ODbL 1.0)."""
    outlines = gpd.read_file(momepy.datasets.get_path("bubenec"), layer="buildings")
    outlines = outlines.assign(building_id=[f"B{number}" for number in range(len(outlines))])
    outlines[["building_id", "geometry"]].to_file(tmp_path / "roofs.gpkg")
    around = box(*outlines.total_bounds).buffer(50)
    gpd.GeoDataFrame({"name": ["Town"]}, geometry=[around], crs=outlines.crs).to_file(tmp_path / "areas.gpkg")
    path = tmp_path / "district.toml"
    path.write_text(
        '[district]\nname = "Town"\nworking_crs = "EPSG:32633"\n'
        '[footprints]\nfile = "roofs.gpkg"\nid = "building_id"\n[areas]\nfile = "areas.gpkg"\n',
        "utf-8",
    )
    made = pipeline.survey_out(read_district(path), area="Town", out=tmp_path / "out", as_of=AS_OF)
    content = (made.out / "survey.pdf").read_bytes()
    names = made.rows["building_id"].tolist()
    assert len(PdfReader(made.out / "survey.pdf").pages) == len(outlines)
    corners = dict(zip(outlines["building_id"], outlines.geometry.count_coordinates(), strict=True))
    # Those with the most corners are the hard ones.
    hard = sorted(range(len(names)), key=lambda place: (-corners[names[place]], place))[:40]
    numbers = sorted(place + 1 for place in hard)
    for number, page in zip(numbers, read_pages(content, pages=numbers), strict=True):
        name = names[number - 1]
        assert f"Id {name} " in page.text
        assert page.overlaps() == [], name
        assert list(page.struck()) == [], name
        letters = {run.text for run in page.runs if run.text in set("ABCD") and run.size > 10.5}
        # Every side that a wall has is lettered, or stands as a number that the words explain.
        assert letters or "[1] side" in page.text, name
        assert len(letters) + page.text.count("] side ") >= 3, name


def test_a_guess_on_the_roof_is_drawn_broken(forms: Forms, tmp_path: Path) -> None:
    obstacles = forms.tables["obstacles"]
    ((name, _),) = (
        obstacles.loc[obstacles["building_id"].isin(forms.ids), "building_id"].value_counts().head(1).items()
    )
    counts = {}
    for basis in ("surveyed", "inferred"):
        tables = {**forms.tables, "obstacles": obstacles.assign(basis=basis)}
        _, files = invented(tables, tmp_path / basis, "letter", [str(name)])
        (page,) = read_pages(files[3].read_bytes())
        counts[basis] = sum(mark.dashed and abs(mark.width - 0.6) < 0.01 for mark in page.marks)
    assert counts["surveyed"] == 0
    assert counts["inferred"] > 0


def test_a_long_record_is_never_cut_off_before_its_basis(mixed: dict[str, Any], tmp_path: Path) -> None:
    tables = dict(mixed)
    name = mixed["buildings"]["building_id"].iloc[0]
    words = "plywood on two by fours with a second layer of boards that nobody has taken off, and gravel"
    tables["facts"] = pd.DataFrame(
        {
            "building_id": [name],
            "field": ["deck"],
            "value": [words],
            "basis": ["inferred"],
            "date": pd.to_datetime(["2020-05-01"]),
            "source": ["aerial"],
            "current": [True],
        }
    )
    _, files = invented(tables, tmp_path, "letter", [name])
    (page,) = read_pages(files[3].read_bytes())
    said = " ".join(page.text.split())
    assert f"on record: {words} (inferred 2020-05)" in said


def test_a_spreadsheet_is_told_that_the_lists_are_utf_8(forms: Forms) -> None:
    """Without the mark a spreadsheet may save the list in another encoding, which an import refuses."""
    for name in ("survey.csv", "help.csv"):
        assert (forms.folder / name).read_bytes().startswith(b"\xef\xbb\xbf"), name


def test_the_readme_says_how_and_carries_the_caution(forms: Forms) -> None:
    text = (forms.folder / "README.txt").read_text("utf-8")
    assert CAUTION in " ".join(text.split())
    assert f"Roof survey: {AREA}, Mallow Bench" in text
    for name in ("survey.pdf", "survey.csv", "survey.gpkg", "help.csv", "--dry-run", "--as obstacles"):
        assert name in text
    assert text.isascii()


def test_forms_written_again_take_the_place_of_the_first(mixed: dict[str, Any], tmp_path: Path) -> None:
    names = mixed["buildings"]["building_id"].tolist()
    invented(mixed, tmp_path)
    _, files = invented(mixed, tmp_path, ids=names[:1])
    assert len(read_pages(files[3].read_bytes())) == 1
    assert {path.name for path in files[0].parent.iterdir()} == {path.name for path in files}
