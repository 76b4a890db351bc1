"""The record beside the district's own layers: what it says reaches the roofs, with its basis and its day."""

from __future__ import annotations

import datetime
import json
from dataclasses import replace
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from roofplat import pipeline
from roofplat.district import District, LayerSource
from roofplat.ground import Ground
from roofplat.intake import Inputs
from roofplat.inventory import Inventory, take_inventory
from roofplat.record import RecordTables, append, current_values, open_record, read_record, with_record
from roofplat.rules import Rulebook
from roofplat.tables import RECORD_TABLES, conform, empty

X, Y = 500_000.0, 4_400_000.0
MARCH = datetime.datetime(2026, 3, 1, 9, 30, tzinfo=datetime.UTC)
MAY = datetime.datetime(2026, 5, 1, 9, 30, tzinfo=datetime.UTC)
JUNE = datetime.datetime(2026, 6, 1, 9, 30, tzinfo=datetime.UTC)


def seen(*rows: dict[str, Any]) -> pd.DataFrame:
    plain = {"building_id": "B1", "section_id": None, "basis": "surveyed", "who": "Inspector 1",
             "seen_on": "2026-02-27"}  # fmt: skip
    frame = pd.DataFrame([plain | row for row in rows])
    frame["seen_on"] = pd.to_datetime(frame["seen_on"])
    return frame


def drawing(*rows: tuple[str, Any, dict[str, Any]], **more: Any) -> gpd.GeoDataFrame:
    plain = {"building_id": "B1", "basis": "drawn"} | more
    return gpd.GeoDataFrame(
        [plain | {"layer": layer, "properties": json.dumps(said)} for layer, _, said in rows],
        geometry=[shape for _, shape, _ in rows],
        crs="EPSG:32613",
    )


def halves() -> list[tuple[str, Any, dict[str, Any]]]:
    """The first shed in two: the west part is larger, and so is B1/1."""
    west, east = shapely.box(X, Y, X + 25, Y + 20), shapely.box(X + 25, Y, X + 40, Y + 20)
    return [("sections", west, {}), ("sections", east, {})]


def log(town: District, rules: Rulebook, now: datetime.datetime = MARCH, **frames: Any) -> None:
    append(open_record(town.record_file, "EPSG:32613", rules), now=now, **frames)


def known(town: District, rules: Rulebook, as_of: datetime.date | None = None) -> Inventory:
    inputs = pipeline.gather(town, rules, as_of=as_of)
    counts = inputs.counts
    assert (counts["read"] == counts["kept"] + counts["refused"]).all()
    inventory = take_inventory(inputs, rules, Ground(rules.number("ground.foot_m"), None), region="west")
    both = pd.concat([inputs.problems, inventory.problems], ignore_index=True)
    return Inventory(**{name: getattr(inventory, name) for name in Inventory.__slots__} | {"problems": both})


def roof(inventory: Inventory, section_id: str = "B1/1") -> pd.Series:
    return inventory.roofs.set_index("section_id").loc[section_id]


def codes(inventory: Inventory) -> list[str]:
    return sorted(inventory.problems["code"].unique())


def test_without_a_record_nothing_is_different(town: District, rules: Rulebook) -> None:
    assert [source.source.name for source in pipeline.gather(town, rules).attributes] == []
    assert not town.record_file.exists(), "a look makes no file"


def test_a_survey_reaches_the_roof_with_basis_and_day(town: District, rules: Rulebook) -> None:
    rows = seen(
        {"field": "roof_family", "value": "panelized_wood"},
        {"field": "beam_spacing_ft", "value": "20", "basis": "recorded", "seen_on": "2019-01-01"},
        {"field": "framing_axis_deg", "value": "100.5"},
    )
    log(town, rules, observations=rows)
    inventory = known(town, rules)
    building = inventory.buildings.set_index("building_id").loc["B1"]
    assert (building["roof_family"], building["family_basis"]) == ("panelized_wood", "surveyed")
    assert building["surveyed_on"] == pd.Timestamp("2026-02-27")
    section = roof(inventory)
    assert (section["beam_spacing_ft"], section["beam_spacing_ft_basis"]) == (20.0, "recorded")
    assert (section["framing_axis_deg"], section["framing_axis_deg_basis"]) == (100.5, "surveyed")
    facts = inventory.facts.set_index("field")
    assert facts.loc["beam_spacing_ft", "source"] == "survey log"
    assert facts.loc["beam_spacing_ft", "date"] == pd.Timestamp("2019-01-01")
    assert inventory.counts.set_index("source").loc["survey log"].tolist() == [3, 3, 0]
    assert inventory.buildings.set_index("building_id").loc["B2", "roof_family"] == "unknown"


def test_a_past_day_knows_what_it_knew(town: District, rules: Rulebook) -> None:
    log(town, rules, observations=seen({"field": "roof_family", "value": "heavy_timber"}))
    later = {"field": "roof_family", "value": "panelized_wood", "seen_on": "2026-04-30"}
    log(town, rules, MAY, observations=seen(later))
    families = [
        known(town, rules, day).buildings["roof_family"].iloc[0]
        for day in (datetime.date(2026, 2, 28), datetime.date(2026, 4, 30), datetime.date(2026, 5, 1), None)
    ]
    assert families == ["unknown", "heavy_timber", "panelized_wood", "panelized_wood"]


def test_two_surveys_that_disagree_are_a_conflict(town: District, rules: Rulebook) -> None:
    other = {"value": "heavy_timber", "who": "Inspector 2"}
    plain = {"field": "roof_family", "value": "panelized_wood"}
    log(town, rules, observations=seen(plain, plain | other))
    inventory = known(town, rules)
    (message,) = inventory.problems.loc[inventory.problems["code"] == "conflicting_values", "message"]
    assert message == (
        "Building B1: roof_family is heavy_timber by survey log record 2 (2026-02-27) and panelized_wood by "
        "survey log record 1 (2026-02-27), of basis surveyed; heavy_timber is taken, being logged later."
    )
    assert roof(inventory)["roof_family"] == "heavy_timber"


def test_a_section_in_the_record_takes_the_ground_of_one_in_the_layer(
    town: District, rules: Rulebook
) -> None:
    """The smaller drawing used to win, so that a roof that was drawn anew kept pieces of its old sections."""
    west = shapely.box(X, Y, X + 10, Y + 20)
    layer = gpd.GeoDataFrame(
        {"framing_axis_deg": [45.0, 60.0]},
        geometry=[west, shapely.box(X + 200, Y, X + 210, Y + 20)],
        crs="EPSG:32613",
    )
    layer.to_file(town.folder / "sections.gpkg")
    town = town.model_copy(update={"sections": LayerSource(file=town.folder / "sections.gpkg")})
    log(town, rules, drawn=drawing(
        ("sections", shapely.box(X, Y, X + 25, Y + 20), {"framing_axis_deg": 10}),
        ("sections", shapely.box(X + 25, Y, X + 40, Y + 20), {"framing_axis_deg": 100}),
    ))  # fmt: skip
    other = ("sections", shapely.box(X + 205, Y, X + 240, Y + 20), {"framing_axis_deg": 20})
    log(town, rules, drawn=drawing(other, building_id="B2"))
    found = known(town, rules)
    axes = found.roofs[["building_id", "framing_axis_deg"]].to_numpy().tolist()
    assert axes == [["B1", 10.0], ["B1", 100.0], ["B2", 20.0], ["B2", 60.0]]
    assert found.roofs.geometry.area.round(3).tolist() == [500.0, 300.0, 700.0, 100.0]
    told = found.problems[found.problems["code"] == "section_taken_over"]
    assert told["message"].str.contains("nothing of it is left").tolist() == [True, False]
    assert "sections_overlap" not in set(found.problems["code"])


SAID = st.lists(
    st.fixed_dictionaries(
        {
            "building_id": st.sampled_from(["B1", "B2"]),
            "field": st.sampled_from(["deck", "beam_spacing_ft", "inspected_on"]),
            "value": st.sampled_from(["1", "12", "20"]),
            # Few words, so that rows are often alike in all but what they say.
            "basis": st.sampled_from(["surveyed", "drawn"]),
            "seen_on": st.sampled_from([None, "2024-01-01", "2025-06-30"]),
        }
    ),
    min_size=1,
    max_size=20,
)


@pytest.fixture
def bare(town: District, rules: Rulebook) -> Inputs:
    return pipeline.gather(town, rules)


@given(SAID)
@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_what_is_in_force_is_what_the_log_says(
    bare: Inputs, rules: Rulebook, rows: list[dict[str, Any]]
) -> None:
    """The reduction of the inventory and that of the record are two pieces of code; they may not differ."""
    visits = [row["field"] == "inspected_on" for row in rows]
    log = pd.DataFrame(rows, columns=list(RECORD_TABLES["observations"].columns))
    log["value"] = log["value"].mask(visits, "2024-02-" + log["value"].str.zfill(2))
    log["number"] = range(1, len(rows) + 1)
    log["seen_on"] = pd.to_datetime(log["seen_on"])
    log["logged_at"] = "2026-03-01T09:30:00Z"
    log = conform("observations", log)
    nothing = {name: empty(name, "EPSG:32613") for name in ("outlines", "lineage", "drawn")}
    current = current_values(log)
    tables = RecordTables(observations=log, current=current, **nothing)
    inputs = with_record(bare, tables, rules)
    facts = take_inventory(inputs, rules, Ground(rules.number("ground.foot_m"), None), region="west").facts
    found = facts[facts["current"]].sort_values(["building_id", "field"])
    for name in ("building_id", "field", "value", "basis"):
        assert found[name].tolist() == current[name].tolist()
    assert found["date"].reset_index(drop=True).equals(current["seen_on"])


def test_what_is_said_of_a_section_stays_there(town: District, rules: Rulebook) -> None:
    log(town, rules, drawn=drawing(*halves()))
    rows = seen(
        {"field": "beam_spacing_ft", "value": "24", "basis": "recorded"},
        {"field": "beam_spacing_ft", "value": "20", "section_id": "B1/2"},
        {"field": "roof_family", "value": "panelized_wood", "section_id": "B1/2", "seen_on": "2026-04-27"},
        {"field": "name", "value": "Kiln 4", "section_id": "B1/2"},
    )
    log(town, rules, MAY, observations=rows)
    inventory = known(town, rules)
    west, east = roof(inventory, "B1/1"), roof(inventory, "B1/2")
    assert (west["beam_spacing_ft"], west["beam_spacing_ft_basis"]) == (24.0, "recorded")
    assert (east["beam_spacing_ft"], east["beam_spacing_ft_basis"]) == (20.0, "surveyed")
    assert (west["roof_family"], east["roof_family"]) == ("unknown", "panelized_wood")
    facts = inventory.section_facts
    assert facts["section_id"].tolist() == ["B1/2", "B1/2"]
    assert facts["field"].tolist() == ["roof_family", "beam_spacing_ft"]
    assert facts["date"].tolist() == [pd.Timestamp("2026-04-27"), pd.Timestamp("2026-02-27")]
    assert facts["current"].all()
    assert inventory.facts["field"].tolist() == ["name", "beam_spacing_ft"]
    building = inventory.buildings.set_index("building_id").loc["B1"]
    assert (building["roof_family"], building["name"]) == ("panelized_wood", "Kiln 4")
    assert building["surveyed_on"] == pd.Timestamp("2026-04-27")
    assert building["alert"].startswith("LIGHTWEIGHT ROOF (surveyed)")
    assert inventory.counts.set_index("source").loc["survey log"].tolist() == [4, 4, 0]
    assert not {"section_unknown", "conflicting_values"} & set(codes(inventory))


def test_the_weaker_word_of_a_section_gives_way(town: District, rules: Rulebook) -> None:
    log(town, rules, drawn=drawing(*halves()))
    rows = seen(
        {"field": "beam_spacing_ft", "value": "24"},
        {"field": "beam_spacing_ft", "value": "20", "section_id": "B1/2", "basis": "inferred"},
    )
    log(town, rules, MAY, observations=rows)
    assert roof(known(town, rules), "B1/2")["beam_spacing_ft"] == 24.0


def test_surveys_of_a_section_that_disagree_are_a_conflict(town: District, rules: Rulebook) -> None:
    log(town, rules, drawn=drawing(*halves()))
    one = {"field": "beam_spacing_ft", "value": "20", "section_id": "B1/2"}
    log(town, rules, MAY, observations=seen(one, one | {"value": "24", "seen_on": "2026-04-27"}))
    inventory = known(town, rules)
    problems = inventory.problems[inventory.problems["code"] == "conflicting_values"]
    assert problems["feature"].tolist() == ["B1/2"]
    assert roof(inventory, "B1/2")["beam_spacing_ft"] == 24.0


def test_the_only_section_is_the_building(town: District, rules: Rulebook) -> None:
    log(town, rules, observations=seen({"field": "deck", "value": "plywood", "section_id": "B1/1"}))
    inventory = known(town, rules)
    assert roof(inventory)["deck"] == "plywood"
    assert inventory.facts["field"].tolist() == ["deck"]


@pytest.mark.parametrize("section_id", ["B1/3", "B1/0", "B2/1", "B1", "north part"])
def test_a_section_that_does_not_exist_is_told(town: District, rules: Rulebook, section_id: str) -> None:
    log(town, rules, drawn=drawing(*halves()))
    rows = seen({"field": "deck", "value": "steel", "section_id": section_id})
    log(town, rules, MAY, observations=rows)
    inventory = known(town, rules)
    (row,) = inventory.problems[inventory.problems["code"] == "section_unknown"].to_dict("records")
    assert row["feature"] == "1"
    assert section_id in row["message"]
    assert inventory.roofs["deck"].isna().all(), "one part's deck is not told of another"
    assert inventory.counts.set_index("source").loc["survey log"].tolist() == [1, 0, 1]


def test_a_section_that_was_drawn_anew_is_not_told_of_what_was_seen_before(
    town: District, rules: Rulebook
) -> None:
    log(town, rules, drawn=drawing(*halves()))
    log(town, rules, MAY, observations=seen({"field": "deck", "value": "steel", "section_id": "B1/2"}))
    wall = drawing(("fire_walls", shapely.LineString([(X + 10, Y), (X + 10, Y + 20)]), {}))
    log(town, rules, JUNE, drawn=wall)
    assert roof(known(town, rules, datetime.date(2026, 5, 31)), "B1/2")["deck"] == "steel"
    inventory = known(town, rules)
    assert len(inventory.roofs) == 4
    assert inventory.roofs["deck"].isna().all()
    assert "section_redrawn" in codes(inventory)


def test_drawings_shape_the_roof(town: District, rules: Rulebook) -> None:
    rows = [
        *halves(),
        ("expansion_joints", shapely.LineString([(X, Y + 10), (X + 25, Y + 10)]), {}),
        ("obstacles", shapely.Point(X + 5, Y + 5), {"kind": "unit"}),
        ("obstacles", shapely.Point(X + 6, Y + 6), {"kind": "swing"}),
        ("walls", shapely.LineString([(X, Y), (X + 40, Y)]), {"kind": "bearing"}),
    ]
    rows[1][2].update({"deck": "steel", "slope_deg": 4, "roof_family": "steel_joists"})
    log(town, rules, drawn=drawing(*rows))
    inventory = known(town, rules)
    assert (inventory.roofs["building_id"] == "B1").sum() == 3
    (steel,) = inventory.roofs[inventory.roofs["deck"] == "steel"].to_dict("records")
    assert (steel["deck_basis"], steel["slope_deg"], steel["slope_deg_basis"]) == ("drawn", 4.0, "drawn")
    # On the central meridian of its zone a UTM metre is 1/0.9996 ground metres.
    assert steel["area_ft2"] == pytest.approx(300 / 0.3048**2 / 0.9996**2, rel=1e-6)
    assert inventory.obstacles["kind"].tolist() == ["unit", "other"]
    assert inventory.obstacles["building_id"].tolist() == ["B1", "B1"]
    assert "unknown_kind" in codes(inventory)
    assert "unknown_roof_family" in codes(inventory), "a drawing is read as strictly as any layer"


def test_a_drawing_that_is_replaced_is_gone(town: District, rules: Rulebook) -> None:
    log(town, rules, drawn=drawing(*halves()))
    whole = [("sections", shapely.box(X, Y, X + 40, Y + 20), {"deck": "plywood"})]
    log(town, rules, MAY, drawn=drawing(*whole, replaces=1))
    half = [("obstacles", shapely.Point(X + 5, Y + 5), {"kind": "hatch"})]
    log(town, rules, JUNE, drawn=drawing(*half, replaces=2))
    assert (known(town, rules, datetime.date(2026, 4, 1)).roofs["building_id"] == "B1").sum() == 2
    inventory = known(town, rules)
    assert (inventory.roofs["building_id"] == "B1").sum() == 1
    assert roof(inventory)["deck"] == "plywood"


def test_values_that_cannot_be_are_told(town: District, rules: Rulebook) -> None:
    rows = seen(
        {"field": "beam_spacing_ft", "value": "-4"},
        {"field": "roof_family", "value": "thatch"},
        {"field": "storeys", "value": "2"},
    )
    log(town, rules, observations=rows)
    inventory = known(town, rules)
    layer = inventory.problems[inventory.problems["layer"] == "survey log"]
    assert sorted(layer["feature"]) == ["1", "2"]
    assert "'-4' as beam_spacing_ft" in layer.set_index("feature").loc["1", "message"]
    inputs = pipeline.gather(town, rules)
    assert inputs.counts.set_index("layer").loc["survey log", ["read", "kept", "refused"]].tolist() == [
        3,
        1,
        2,
    ]


def test_buildings_that_do_not_exist_or_are_gone_are_told(town: District, rules: Rulebook) -> None:
    rows = seen(
        {"field": "deck", "value": "steel", "building_id": "B9"},
        {"field": "slope_deg", "value": "2", "building_id": "B9"},
        {"field": "gone", "value": "true", "basis": "recorded"},
        {"field": "gone", "value": "true", "building_id": "B2"},
        {"field": "gone", "value": "false", "building_id": "B2", "seen_on": "2026-02-28"},
    )
    log(town, rules, observations=rows)
    inventory = known(town, rules)
    problems = inventory.problems.set_index("code")
    assert problems.loc["record_unmatched", "message"] == (
        "2 rows of the log, the first of which is 1, speak of building B9, which is in no footprint layer; "
        "they are not used."
    )
    assert problems.loc["gone_but_drawn", "feature"] == "B1"


def test_the_order_of_rows_in_the_tables_does_not_matter(town: District, rules: Rulebook) -> None:
    log(town, rules, drawn=drawing(*halves()))
    rows = [
        {"field": "deck", "value": value, "section_id": part}
        for value in ("steel", "plywood")
        for part in ("B1/1", "B1/2", None)
    ]
    log(town, rules, MAY, observations=seen(*rows))
    record = open_record(town.record_file, "EPSG:32613", rules)
    inputs = pipeline.gather(town.model_copy(update={"record": town.folder / "none.gpkg"}), rules)
    tables = read_record(record)
    ground = Ground(rules.number("ground.foot_m"), None)
    plain = take_inventory(with_record(inputs, tables, rules), rules, ground)
    turned = type(tables)(
        **{name: getattr(tables, name).iloc[::-1].reset_index(drop=True) for name in type(tables).__slots__}
    )
    again = take_inventory(with_record(inputs, turned, rules), rules, ground)
    pd.testing.assert_frame_equal(pd.DataFrame(plain.roofs), pd.DataFrame(again.roofs))


def test_a_whole_build_takes_it_up(town: District, rules: Rulebook) -> None:
    rows = [
        {"field": "roof_family", "value": "panelized_wood"},
        {"field": "framing_axis_deg", "value": "0"},
        {"field": "beam_spacing_ft", "value": "20"},
    ]
    log(town, rules, observations=seen(*rows))
    turn = {"field": "framing_axis_deg", "value": "90", "seen_on": "2026-04-30"}
    log(town, rules, MAY, observations=seen(turn))
    then = pipeline.rank(town, as_of=datetime.date(2026, 4, 30)).tables["sections"]
    now = pipeline.rank(town, as_of=datetime.date(2026, 5, 2)).tables["sections"]
    assert then.loc[0, ["framing_axis_deg", "axis_basis"]].tolist() == [0.0, "surveyed"]
    assert now.loc[0, ["framing_axis_deg", "axis_basis"]].tolist() == [90.0, "surveyed"]


def test_one_row_may_speak_of_several_buildings(town: District, rules: Rulebook) -> None:
    """What was seen of a building that was split since is there for each part, under one number."""
    log(town, rules, observations=seen({"field": "deck", "value": "steel"}))
    tables = read_record(open_record(town.record_file, "EPSG:32613", rules))
    both = pd.concat([tables.observations, tables.observations.assign(building_id="B2")], ignore_index=True)
    inputs = pipeline.gather(town.model_copy(update={"record": town.folder / "none.gpkg"}), rules)
    twice = with_record(inputs, replace(tables, observations=both), rules)
    inventory = take_inventory(twice, rules, Ground(rules.number("ground.foot_m"), None), region="west")
    assert inventory.roofs["deck"].tolist() == ["steel", "steel"]
    assert inventory.counts.set_index("source").loc["survey log"].tolist() == [2, 2, 0]
