"""The files of a comparison: what they hold, that other programs read them, that equal states give none."""

from __future__ import annotations

import copy
import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely

from roofplat.errors import DistrictFileError
from roofplat.ground import Ground
from roofplat.publish import CAUTION, write_layers
from roofplat.publish.changes import (
    State,
    by_building,
    in_common,
    kind_counts,
    of_themselves,
    read_build,
    write_changes,
)
from roofplat.publish.parts import Parts
from roofplat.ranking.changes import Changes, compare_states
from roofplat.rules import load_rulebook
from roofplat.tables import CHANGE_KINDS

from ..conftest import HOSTILE, feet

GROUND = Ground(0.3048, 4200.0)
RULES = load_rulebook()
FILES = ["changes.csv", "changes.gpkg", "changes.geojson", "changes.html"]


@pytest.fixture
def after(tables: dict[str, Any]) -> dict[str, Any]:
    """One roof turned and its ladder moved 30 ft east, one building gone, one score moved."""
    made = copy.deepcopy({name: tables[name] for name in tables})
    sections, ladders, ranking = made["sections"], made["ladders"], made["ranking"]
    turned = sections.index[0]
    sections.loc[turned, ["framing_axis_deg", "axis_basis"]] = [90.0, "surveyed"]
    sections.loc[turned, ["roof_family", "family_basis"]] = ["heavy_timber", "surveyed"]
    first = ladders.index[ladders["section_id"] == sections.loc[turned, "section_id"]][0]
    ladders.loc[first, "base_lon"] += 30 * 0.3048 / 92_600
    lost = ranking["building_id"].iloc[-1]
    ranking.loc[ranking.index[1], "score"] += 0.05
    return {
        name: frame[frame["building_id"] != lost] if "building_id" in frame else frame
        for name, frame in made.items()
    }


@pytest.fixture
def changes(tables: dict[str, Any], after: dict[str, Any]) -> Changes:
    return compare_states(tables, after, RULES, GROUND)


def written(
    changes: Changes, before: dict[str, Any], after: dict[str, Any], out: Path, **words: Any
) -> dict[str, Path]:
    given: dict[str, Any] = {
        "district": HOSTILE,
        "notes": [f"Input {HOSTILE} is new."],
        "rules": RULES,
        "ground": GROUND,
        "out": out,
    }
    files = write_changes(changes, State("spring", before), State("autumn", after), **(given | words))
    assert [file.name for file in files] == FILES
    assert {file.parent for file in files} == {out / "changes"}
    return {file.name: file for file in files}


def test_the_list_has_a_row_for_each_change(
    changes: Changes, tables: dict[str, Any], after: dict[str, Any], tmp_path: Path
) -> None:
    rows = pd.read_csv(written(changes, tables, after, tmp_path)["changes.csv"])
    assert len(rows) == len(changes.rows) >= 5
    assert list(rows.columns) == [name for name in changes.rows.columns if name != "geometry"]
    assert {"roof_family", "framing_axis_deg", "ladder_spot", "score", "building_gone"} <= set(rows["what"])
    axis = rows[rows["what"] == "framing_axis_deg"].iloc[0]
    assert (axis["after"], axis["after_basis"]) == ("90 deg", "surveyed")
    spot = rows[rows["what"] == "ladder_spot"].iloc[0]
    assert spot["by"] == pytest.approx(30, abs=1)


def test_the_layers_open_elsewhere(
    changes: Changes, tables: dict[str, Any], after: dict[str, Any], tmp_path: Path
) -> None:
    file = written(changes, tables, after, tmp_path)["changes.gpkg"]
    assert dict(pyogrio.list_layers(file)) == {
        "changed_buildings": "MultiPolygon",
        "ladder_moves": "LineString",
        "changes": None,
    }
    for layer in ("changed_buildings", "ladder_moves", "changes"):
        told = pyogrio.read_info(file, layer=layer, force_feature_count=True)
        assert told["layer_metadata"]["caution"] == CAUTION
        assert told["layer_metadata"]["before"] == "spring"
    read = gpd.read_file(file, layer="changed_buildings")
    assert read.crs == tables["buildings"].crs
    own = by_building(changes.rows)
    assert read["building_id"].tolist() == own["building_id"].tolist()
    assert shapely.equals(read.geometry.to_numpy(), own.geometry.to_numpy()).all()
    assert len(gpd.read_file(file, layer="ladder_moves")) == len(changes.moves) == 1
    assert len(pyogrio.read_dataframe(file, layer="changes")) == len(changes.rows)


def test_the_map_layer_is_geojson_as_the_standard_has_it(
    changes: Changes, tables: dict[str, Any], after: dict[str, Any], tmp_path: Path
) -> None:
    file = written(changes, tables, after, tmp_path)["changes.geojson"]
    told = json.loads(file.read_text("utf-8"))
    assert told["type"] == "FeatureCollection"
    assert "crs" not in told
    assert told["caution"] == CAUTION
    assert (told["before"], told["after"], told["overridden_rules"]) == ("spring", "autumn", [])
    layers = [feature["properties"]["layer"] for feature in told["features"]]
    assert layers == ["changed_buildings"] * len(by_building(changes.rows)) + ["ladder_moves"]
    west, south, east, north = told["bbox"]
    assert -180 < west < east < 180
    assert -90 < south < north < 90


def test_the_same_comparison_gives_the_same_bytes(
    changes: Changes, tables: dict[str, Any], after: dict[str, Any], tmp_path: Path
) -> None:
    first = written(changes, tables, after, tmp_path / "one")
    again = written(compare_states(tables, after, RULES, GROUND), tables, after, tmp_path / "two")
    for name in FILES:
        assert first[name].read_bytes() == again[name].read_bytes(), name


def test_the_page_tells_it_in_words_and_runs_nothing(
    changes: Changes, tables: dict[str, Any], after: dict[str, Any], tmp_path: Path
) -> None:
    page = written(changes, tables, after, tmp_path)["changes.html"].read_text("utf-8")
    assert page.count('class="caution"') == 2
    assert "script-src &#39;none&#39;" in page or "script-src 'none'" in page
    assert "<script" not in page
    assert "<img" not in page
    assert "From <strong>spring</strong> to <strong>autumn</strong>." in page
    assert f"{RULES.families['heavy_timber'].label} (surveyed)" in page
    assert '<td class="number">+90 deg</td>' in page or "-90 deg</td>" in page
    assert re.search(r'<path class="gone" d="M', page)
    assert re.search(r'<path class="moves" d="M', page)
    assert "changes.moved_ft" in page


def test_nothing_changed_is_said(tables: dict[str, Any], tmp_path: Path) -> None:
    none = compare_states(tables, tables, RULES, GROUND)
    files = written(none, tables, tables, tmp_path, notes=[])
    page = files["changes.html"].read_text("utf-8")
    assert "Nothing changed by more than the rules below let pass." in page
    assert "<svg" not in page
    assert files["changes.csv"].read_text().count("\n") == 1
    assert json.loads(files["changes.geojson"].read_text())["features"] == []
    assert pyogrio.read_info(files["changes.gpkg"], layer="changed_buildings")["features"] == 0
    assert kind_counts(none.rows).empty


def test_an_overridden_rule_is_told_everywhere(
    tables: dict[str, Any], after: dict[str, Any], tmp_path: Path
) -> None:
    rules = load_rulebook({"changes.moved_ft": 100.0})
    found = compare_states(tables, after, rules, GROUND)
    assert "ladder_spot" not in set(found.rows["what"])
    files = written(found, tables, after, tmp_path, rules=rules)
    assert "changes.moved_ft: 100 ft (department; was 5 ft)" in files["changes.html"].read_text("utf-8")
    (told,) = json.loads(files["changes.geojson"].read_text("utf-8"))["overridden_rules"]
    assert told == {"id": "changes.moved_ft", "value": 100.0, "unit": "ft"}


def test_a_building_is_what_is_most_of_it(changes: Changes) -> None:
    own = by_building(changes.rows)
    assert own["building_id"].is_unique
    assert set(own["building_id"]) == set(changes.rows["building_id"])
    assert own["changes"].sum() == len(changes.rows)
    kinds = changes.rows.groupby("building_id")["what"].agg(set)
    for row in own.to_dict("records"):
        told = kinds[row["building_id"]]
        roof = told - {"building_new", "building_gone", "score", "rank"}
        wanted = (
            "new" if "building_new" in told else "gone" if "building_gone" in told
            else "roof" if roof else "score" if "score" in told else "rank"
        )  # fmt: skip
        assert row["state"] == wanted
    moved = own[own["state"] == "score"].iloc[0]
    assert moved["score_after"] - moved["score_before"] == pytest.approx(0.05, abs=1e-4)
    counts = kind_counts(changes.rows)
    assert counts["changes"].sum() == len(changes.rows)
    assert len(counts) == changes.rows["what"].nunique() <= len(CHANGE_KINDS)


def build_at(tables: dict[str, Any], folder: Path, **told: Any) -> Path:
    write_layers(Parts.of(tables), folder / "layers.gpkg")
    if told:
        (folder / "build.json").write_text(json.dumps(told), "utf-8")
    return folder


def test_a_build_that_was_written_and_read_is_no_change(tables: dict[str, Any], tmp_path: Path) -> None:
    state = read_build(build_at(tables, tmp_path / "b", as_of="2026-01-01"))
    assert state.label == "b, built as of 2026-01-01"
    assert len(compare_states(tables, state.tables, RULES, GROUND).rows) == 0
    assert len(compare_states(state.tables, tables, RULES, GROUND).rows) == 0


def test_what_is_no_build_is_told_in_one_sentence(tables: dict[str, Any], tmp_path: Path) -> None:
    with pytest.raises(DistrictFileError, match=r"There is no build in .*; name the folder"):
        read_build(tmp_path)
    (tmp_path / "layers.gpkg").write_text("no database at all")
    with pytest.raises(DistrictFileError, match="cannot be read"):
        read_build(tmp_path)
    (tmp_path / "layers.gpkg").unlink()
    build_at({name: frame for name, frame in tables.items() if name != "ranking"}, tmp_path)
    with pytest.raises(DistrictFileError, match="layer ranking: it has no column building_id"):
        read_build(tmp_path)


@pytest.mark.parametrize(
    ("statement", "layer"),
    [
        ("UPDATE sections SET section_id = NULL WHERE fid = 1", "sections"),
        ("UPDATE ranking SET building_id = (SELECT max(building_id) FROM ranking)", "ranking"),
        ("UPDATE buildings SET geom = NULL WHERE fid = 1", "buildings"),
        ("UPDATE ladders SET rank = NULL", "ladders"),
    ],
)
def test_a_build_that_makes_no_sense_is_told_in_one_sentence(
    tables: dict[str, Any], tmp_path: Path, statement: str, layer: str
) -> None:
    build_at(tables, tmp_path)
    with closing(sqlite3.connect(tmp_path / "layers.gpkg")) as base, base:
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f"DROP TRIGGER {name}")
        base.execute(statement)
    with pytest.raises(DistrictFileError, match=f"layer {layer}: it makes no sense, the file may be damaged"):
        read_build(tmp_path)


@pytest.mark.parametrize(
    "told",
    [
        "{",
        "[1]",
        '{"inputs": [3]}',
        '{"inputs": {"a": 1}}',
        '{"versions": "0.1"}',
        '{"wind": {"from": 3}}',
        '{"a":' * 10_000,
    ],
)
def test_a_record_that_is_damaged_says_nothing_of_its_build(
    tables: dict[str, Any], tmp_path: Path, told: str
) -> None:
    build_at(tables, tmp_path / "b", as_of="2026-01-01")
    (tmp_path / "b" / "build.json").write_text(told, "utf-8")
    state = read_build(tmp_path / "b")
    assert (state.label, state.told) == ("b", {})
    assert of_themselves(state, State("now", {}, {"as_of": "2026-01-02"})) == [
        "Nothing is known of how b was built: it has no build.json that can be read."
    ]


def of_area(tables: dict[str, Any], area: str) -> dict[str, Any]:
    ids = set(tables["buildings"].loc[tables["buildings"]["dispatch_area"] == area, "building_id"])
    part = {
        name: frame[frame["building_id"].isin(ids)] if "building_id" in frame else frame
        for name, frame in tables.items()
    }
    return {**part, "areas": tables["areas"][tables["areas"]["name"] == area]}


def test_a_build_of_one_area_says_nothing_of_the_others(tables: dict[str, Any]) -> None:
    names = tables["buildings"]["dispatch_area"].dropna().unique().tolist()
    assert len(names) > 1
    whole, part = State("whole", tables), State("part", of_area(tables, names[0]))
    for pair in ((whole, part), (part, whole)):
        before, after, area = in_common(*pair)
        assert area == names[0]
        assert set(before.tables["buildings"]["building_id"]) == set(part.tables["buildings"]["building_id"])
        assert len(compare_states(before.tables, after.tables, RULES, GROUND).rows) == 0
    assert in_common(whole, whole)[2] is None
    assert len(in_common(whole, whole)[1].tables["buildings"]) == len(tables["buildings"])


def test_builds_of_two_areas_cannot_be_compared(tables: dict[str, Any]) -> None:
    parts = []
    for number, area in enumerate(("North", "South")):
        ranking = tables["ranking"].iloc[[number]].assign(rank=2)
        areas = gpd.GeoDataFrame({"name": [area]}, geometry=[feet(shapely.box(0, 0, 9, 9))])
        parts.append(State(area, {**tables, "ranking": ranking, "areas": areas}))
    with pytest.raises(DistrictFileError, match="different dispatch areas, North and South"):
        in_common(*parts)


def test_what_builds_say_of_themselves_is_compared(tables: dict[str, Any]) -> None:
    told = {
        "as_of": "2026-01-01",
        "inputs": [{"role": "footprints", "file": "a.gpkg", "sha256": "1"},
                   {"role": "areas", "file": "b.gpkg", "sha256": "2"}],
        "rules_overridden": {"ladder.stock_ft": {"value": [24.0, 35.0], "unit": "ft"}},
        "wind": {"from_deg": 250.0, "basis": "prevailing"},
        "versions": {"roofplat": "0.1.0", "GDAL": "3.9"},
    }  # fmt: skip
    later = {
        "as_of": "2026-02-01",
        "inputs": [{"role": "footprints", "file": "a.gpkg", "sha256": "9"},
                   {"role": "record", "file": "inventory.gpkg", "sha256": "3"}],
        "rules_overridden": {},
        "wind": None,
        "versions": {"roofplat": "0.2.0", "GDAL": "3.9"},
    }  # fmt: skip
    assert of_themselves(State("a", tables, told), State("b", tables, copy.deepcopy(told))) == []
    lines = of_themselves(State("a", tables, told), State("b", tables, later))
    assert lines[0].startswith("Ages are counted on 2026-01-01 before and on 2026-02-01 after")
    assert lines[1:] == [
        "Input areas (b.gpkg) is no longer read.",
        "Input footprints (a.gpkg) is not what it was.",
        "Input record (inventory.gpkg) is new.",
        "Rule ladder.stock_ft: 24.0, 35.0 ft before, as the rulebook has it after.",
        "Wind: from 250 deg, prevailing before, none after.",
        "Version of roofplat: 0.1.0 before, 0.2.0 after.",
    ]
    assert of_themselves(State("a", tables), State("b", tables, told)) == [
        "Nothing is known of how a was built: it has no build.json that can be read."
    ]


@pytest.mark.browser
@pytest.mark.parametrize("width", [360, 1280])
def test_the_page_fits_a_screen_and_asks_for_nothing(
    browser: Any,
    changes: Changes,
    tables: dict[str, Any],
    after: dict[str, Any],
    tmp_path: Path,
    width: int,
) -> None:
    file = written(changes, tables, after, tmp_path)["changes.html"]
    context = browser.new_context(viewport={"width": width, "height": 800})
    page = context.new_page()
    asked: list[str] = []
    complaints: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(file.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate("window.hacked") is None
    assert page.locator("svg.sketch path.roof").first.is_visible()
    context.close()
    assert asked == [file.as_uri()]
    assert complaints == []
