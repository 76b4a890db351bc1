"""A whole build on disk: report, record, and what a second build does to the first."""

from __future__ import annotations

import hashlib
import json
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pandas as pd
import pyogrio
import pytest

from roofplat.district import District
from roofplat.errors import DistrictFileError
from roofplat.ground import Ground
from roofplat.publish import CAUTION, write_outputs
from roofplat.publish.parts import Parts, save_part
from roofplat.rules import load_rulebook

from .conftest import AS_OF, HOSTILE

COUNTS = {
    "Layers": pd.DataFrame(
        {"layer": ["footprints", HOSTILE], "read": [5, 3], "kept": [4, 3], "refused": [1, 0]}
    ),
    "Joins": pd.DataFrame({"source": ["survey"], "records": [2], "matched": [1]}),
}


@pytest.fixture
def district(tmp_path: Path) -> District:
    folder = tmp_path / "district"
    folder.mkdir()
    (folder / "footprints.geojson").write_text("outlines")
    for ending in ("shp", "shx", "dbf"):
        (folder / f"streets.{ending}").write_text(ending)
    return District.model_validate(
        {
            "name": "Invented",
            "folder": folder,
            "footprints": {"file": folder / "footprints.geojson"},
            "streets": {"file": folder / "streets.shp"},
            "stations": {"file": folder / "gone.gpkg", "layer": "stations"},
        }
    )


def build(tables: dict[str, Any], district: District, out: Path) -> list[Path]:
    return write_outputs(
        Parts.of(tables),
        district=district,
        rules=load_rulebook({"ladder.tip_above_edge_ft": 4.0}),
        ground=Ground(0.3048, 4200.0),
        counts=COUNTS,
        as_of=AS_OF,
        out=out,
        scenario={"wind_from_deg": 270.0, "wind_basis": "assumed"},
    )


def test_every_file_of_a_build_and_no_other(
    tables: dict[str, Any], district: District, tmp_path: Path
) -> None:
    written = build(tables, district, tmp_path / "out")
    there = {path for path in (tmp_path / "out").rglob("*") if path.is_file()}
    assert there == set(written)
    assert {path.relative_to(tmp_path / "out").as_posix() for path in written} == {
        "layers.gpkg",
        "map.html",
        "ranking.csv",
        "ranking.xlsx",
        "survey_next.csv",
        "family_odds.csv",
        "problems.csv",
        "solar_access.csv",
        "report.html",
        "drill.html",
        "build.json",
        *(
            f"areas/{stem}.{ending}"
            for stem in ("x", "north-side", "north-side-2", "no-dispatch-area")
            for ending in ("html", "geojson")
        ),
    }


def test_same_input_same_bytes(tables: dict[str, Any], district: District, tmp_path: Path) -> None:
    first, second = build(tables, district, tmp_path / "one"), build(tables, district, tmp_path / "two")
    for one, two in zip(first, second, strict=True):
        assert one.read_bytes() == two.read_bytes(), one.name


def test_the_plan_of_an_area_that_is_no_more_goes(
    tables: dict[str, Any], district: District, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    build(tables, district, out)
    own = out / "areas" / "notes.html"
    own.write_text("somebody's own")
    renamed = tables["buildings"].assign(dispatch_area="South")
    build({**tables, "buildings": renamed, "areas": tables["areas"].iloc[:0]}, district, out)
    assert {path.name for path in (out / "areas").iterdir()} == {"south.html", "south.geojson", "notes.html"}


def test_a_record_cannot_name_files_elsewhere(
    tables: dict[str, Any], district: District, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (tmp_path / "keep.html").write_text("keep")
    (out / "build.json").write_text(json.dumps({"outputs": ["../keep.html", "areas/../../keep.html", 7]}))
    build(tables, district, out)
    assert (tmp_path / "keep.html").read_text() == "keep"


def test_a_folder_that_cannot_be_made(tables: dict[str, Any], district: District, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(DistrictFileError):
        build(tables, district, tmp_path / "out")


def test_the_record(tables: dict[str, Any], district: District, tmp_path: Path) -> None:
    text = build(tables, district, tmp_path / "out")[-1].read_text("utf-8")
    assert str(tmp_path) not in text
    record = json.loads(text)
    assert list(record) == sorted(record)
    inputs = {entry["file"]: entry for entry in record["inputs"]}
    assert set(inputs) == {"footprints.geojson", "streets.shp", "streets.shx", "streets.dbf", "gone.gpkg"}
    assert inputs["footprints.geojson"]["sha256"] == hashlib.sha256(b"outlines").hexdigest()
    assert inputs["gone.gpkg"]["sha256"] is None
    assert record["rules_overridden"] == {"ladder.tip_above_edge_ft": {"unit": "ft", "value": 4.0}}
    assert record["tables"]["buildings"] == 4
    assert record["counts"]["Joins"] == [{"matched": 1, "records": 2, "source": "survey"}]
    assert record["wind"] == {"basis": "assumed", "from_deg": 270.0}
    assert record["as_of"] == "2026-01-01"
    assert record["working_crs"] == "EPSG:32613"
    assert {"roofplat", "shapely", "GDAL", "PROJ"} <= set(record["versions"])


def test_every_output_says_which_rules_were_changed(
    tables: dict[str, Any], district: District, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    build(tables, district, out)
    changed = [{"id": "ladder.tip_above_edge_ft", "value": 4.0, "unit": "ft"}]
    for path in (out / "areas").glob("*.geojson"):
        assert json.loads(path.read_text("utf-8"))["overridden_rules"] == changed
    for name in ("buildings", "ladders", "facts"):
        metadata = pyogrio.read_info(out / "layers.gpkg", layer=name)["layer_metadata"]
        assert json.loads(metadata["overridden_rules"]) == changed
        assert metadata["caution"] == CAUTION
    before = load_rulebook().number("ladder.tip_above_edge_ft")
    line = f"ladder.tip_above_edge_ft: 4 ft (department; was {before:g} ft)"
    for path in (out / "map.html", out / "areas" / "north-side.html"):
        reader = Reader()
        reader.feed(path.read_text("utf-8"))
        assert line in reader.text, path.name


class Reader(HTMLParser):
    """Tags in order, and the text between them."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.text: list[str] = []
        self.addresses: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.addresses += [value or "" for name, value in attrs if name in ("href", "src")]

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.text.append(" ".join(data.split()))


@pytest.fixture
def report(tables: dict[str, Any], district: District, tmp_path: Path) -> Reader:
    build(tables, district, tmp_path / "out")
    reader = Reader()
    reader.feed((tmp_path / "out" / "report.html").read_text("utf-8"))
    return reader


def test_the_report_shows_hostile_text_as_text(report: Reader) -> None:
    assert "script" not in report.tags
    assert report.addresses
    assert all(address.startswith(("#", "data:image/svg+xml;base64,")) for address in report.addresses)
    assert HOSTILE in report.text
    assert any(HOSTILE in text and text != HOSTILE for text in report.text)  # beside its address


def test_the_report_counts(report: Reader, tables: dict[str, Any]) -> None:
    text = report.text

    def after(label: str, steps: int = 1) -> str:
        return text[text.index(label) + steps]

    assert after("Buildings") == "4"
    assert after("Ground area of the outlines") == "39,500 ft2"
    assert after("Roofs surveyed") == "1"
    assert after("Roofs nobody has surveyed") == "3"
    assert after("Roof family unknown") == "1"
    assert after("Buildings without a ladder spot in reach") == "2"
    assert after("Sections whose openings are short of the area wanted") == "2"
    assert after("Problems: info") == "2"
    # Surveyed, recorded, inferred, assumed, doubtful, not stated, all.
    assert text[text.index("Roof family") + 1 :][:7] == ["1", "1", "1", "1", "0", "0", "4"]
    assert after("ladder.tip_above_edge_ft") == "4.0 ft"
    # Buildings, share, surveyed, recorded, inferred, assumed, by area.
    assert text[text.index("Panelized, wood beams and purlins") + 1 :][:7] == [
        "2", "50%", "1", "0", "1", "0", "North Side 2"
    ]  # fmt: skip
    assert tables["ranking"]["reasons"].iloc[0] in text


def test_the_report_says_what_it_stands_on(report: Reader) -> None:
    assert report.text.count(CAUTION) == 2
    assert "Feet are international feet at the district's mean elevation of 4200 ft." in report.text
    assert "Ages are counted to 2026-01-01. Wind from 270° (assumed)" in report.text


def test_a_build_of_buildings_alone(tables: dict[str, Any], district: District, tmp_path: Path) -> None:
    written = write_outputs(
        Parts.of({"buildings": tables["buildings"]}),
        district=district,
        rules=load_rulebook(),
        ground=Ground(0.3048),
        counts={},
        as_of=AS_OF,
        out=tmp_path / "out",
        scenario={},
    )
    names = {path.name for path in written}
    assert {"layers.gpkg", "map.html", "report.html", "build.json"} <= names
    assert {"ranking.csv", "ranking.xlsx", "solar_access.csv"}.isdisjoint(names)


@pytest.fixture
def mixed_report(mixed: dict[str, Any], district: District, tmp_path: Path) -> Reader:
    build(mixed, district, tmp_path / "out")
    reader = Reader()
    reader.feed((tmp_path / "out" / "report.html").read_text("utf-8"))
    return reader


def row_of(reader: Reader, title: str, *first: str) -> list[str]:
    """The texts from the cells that begin a row, looked for below a heading."""
    # The contents name every heading as well.
    start = max(place for place, text in enumerate(reader.text) if text == title)
    cells = reader.text[start:]
    at = next(place for place in range(len(cells)) if tuple(cells[place : place + len(first)]) == first)
    return cells[at:]


def test_the_report_tells_what_is_planned_by_family_and_why_not(mixed_report: Reader) -> None:
    title = "What is planned, and why not"
    assert row_of(mixed_report, title, "Sawn rafter, pitched", "East")[2:6] == [
        "1", "1", "0", "existing opening 1"
    ]  # fmt: skip
    hall = row_of(mixed_report, title, "Bowstring or other arched truss", "East")
    assert hall[2:7] == ["1", "0", "1", "not at all", "Long-span truss. Stay off. (1)"]
    shop = row_of(mixed_report, title, "Sawn joist, flat", "West")
    assert shop[6] == "members cannot span this far (1)"
    unknown = row_of(mixed_report, title, "Unknown: nobody has looked", "West")
    assert unknown[6] == "nobody has looked at this roof; find out first (1)"


def test_the_report_lists_what_ladders_walls_and_arrays_do_wrong(mixed_report: Reader) -> None:
    assert row_of(mixed_report, "Roofs that push walls out", "B1")[:6] == [
        "B1", "B1 house", "Bowstring or other arched truss", "surveyed", "40.0 ft", "2"
    ]  # fmt: skip
    assert row_of(mixed_report, "Ladders out of reach", "S1")[:7] == [
        "S1", "S1 house", "1, side A", "44.5 ft", "recorded", "40.6 ft", "Near a corner."
    ]  # fmt: skip
    solar = row_of(mixed_report, "Solar access", "Solar access")
    assert solar[1].startswith("Arrays held against the access rules: 1.")
    by_rule = {rule: row_of(mixed_report, "Solar access", rule)[2:5] for rule in (
        "solar.pathway_ft", "solar.perimeter_ft", "solar.smoke_way_ft")}  # fmt: skip
    assert by_rule == {
        "solar.pathway_ft": ["1", "0", "0"],
        "solar.perimeter_ft": ["0", "1", "0"],
        "solar.smoke_way_ft": ["0", "0", "1"],
    }
    failed = row_of(mixed_report, "Not met", "S1", "S1 house")
    assert failed[2:8] == [
        "S1/1, array 1", "solar.perimeter_ft", "6.00 ft", "5.00 ft", "recorded",
        "The array lies 5.00 ft from the roof edge.",
    ]  # fmt: skip


def test_the_report_says_what_to_find_out_first(mixed_report: Reader, report: Reader) -> None:
    assert any("Roofs of which nobody knows how they are built: 1;" in text for text in mixed_report.text)
    unknown = row_of(mixed_report, "Survey next", "U1")
    assert unknown[1:3] == ["U1 house", "West"]
    assert any(text.startswith("A survey would") and "roof unknown" in text for text in unknown[:8])
    assert row_of(mixed_report, "How things are known, in numbers", "Slope")[1:3] == ["0", "0"]
    # What is not there is said to be so.
    for title, said in (
        ("Ladders out of reach", "None."),
        ("Solar access", "No solar array is known."),
        ("Roofs that push walls out", "None is known. An unknown roof may be one."),
    ):
        assert row_of(report, title, title)[1] == said


def test_a_long_list_says_how_much_more_there_is(
    mixed: dict[str, Any], district: District, tmp_path: Path
) -> None:
    one = mixed["ladders"].iloc[3:]
    many = pd.concat([one.assign(rank=number) for number in range(1, 206)], ignore_index=True)
    build({**mixed, "ladders": many}, district, tmp_path / "out")
    reader = Reader()
    reader.feed((tmp_path / "out" / "report.html").read_text("utf-8"))
    assert "5 more: see layer ladders." in reader.text


def test_ground_and_joints_are_in_the_record(
    mixed: dict[str, Any], district: District, tmp_path: Path
) -> None:
    more = {
        "ground": [{"file": tmp_path / "pools.gpkg", "kind": "pool"}],
        "expansion_joints": {"file": tmp_path / "joints.gpkg"},
    }
    wider = District.model_validate({**district.model_dump(), **more})
    record = json.loads(build(mixed, wider, tmp_path / "out")[-1].read_text("utf-8"))
    assert {"ground", "expansion_joints"} <= {entry["role"] for entry in record["inputs"]}


def test_a_district_in_two_parts_has_the_files_of_one(
    mixed: dict[str, Any], district: District, tmp_path: Path
) -> None:
    """Sheets too: what lies near a building is drawn, whichever part it is in."""
    ids = mixed["buildings"]["building_id"]
    lists = ("ranking", "survey_next")
    once = {name for name, frame in mixed.items() if "building_id" not in frame or name in lists}
    for tile, own in (("t0", ids[:1]), ("t1", ids[1:])):
        (tmp_path / tile).mkdir()
        by_tile = {name: frame for name, frame in mixed.items() if name not in once}
        nobody = pd.Series([pd.NA]) if tile == "t0" else pd.Series([])
        here = {name: frame["building_id"].isin([*own, *nobody]) for name, frame in by_tile.items()}
        rows = {name: frame[here[name]].reset_index(drop=True) for name, frame in by_tile.items()}
        save_part(rows, tmp_path / tile)
        (tmp_path / tile / "key.txt").write_text(tile)
    tiled = Parts.open(tmp_path, ["t0", "t1"], {name: mixed[name] for name in once}, {})
    whole = Parts.of(mixed)
    names = []
    for parts, out in ((whole, tmp_path / "whole"), (tiled, tmp_path / "tiled")):
        written = write_outputs(
            parts,
            district=district,
            rules=load_rulebook(),
            ground=Ground(0.3048, 4200.0),
            counts=COUNTS,
            as_of=AS_OF,
            out=out,
            scenario={"wind_from_deg": 270.0, "wind_basis": "assumed"},
            sheets=True,
        )
        names.append([path.relative_to(out).as_posix() for path in written])
    assert sorted(names[0]) == sorted(names[1])
    for name in names[0]:
        if name.endswith((".pdf", ".csv", ".json")) and name != "build.json":
            one, other = ((tmp_path / folder / name).read_bytes() for folder in ("whole", "tiled"))
            assert one == other, name


def test_a_build_without_the_geopackage_leaves_no_old_one(
    tables: dict[str, Any], district: District, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    build(tables, district, out)
    assert (out / "layers.gpkg").exists()
    scale = district.scale.model_copy(update={"geopackage": False, "geojson_buildings": 0})
    names = {path.name for path in build(tables, district.model_copy(update={"scale": scale}), out)}
    assert "layers.gpkg" not in names
    assert not (out / "layers.gpkg").exists()
    # An area without a building is no larger than that.
    assert {name for name in names if name.endswith(".geojson")} == {"north-side-2.geojson"}
