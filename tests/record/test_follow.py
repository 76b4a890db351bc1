"""Observations follow their building through splits and merges; the footprints get the ids of the record."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import translate

from roofplat.district import AttributeSource
from roofplat.intake import AttributeRecords, Inputs
from roofplat.record import RecordTables, current_values
from roofplat.record.follow import follow, follow_drawn, on_footprints
from roofplat.rules import Rulebook
from roofplat.tables import RECORD_TABLES, conform, empty

UTM = "EPSG:32613"
MARCH, APRIL, MAY, JUNE = (f"2026-0{month}-01T09:00:00Z" for month in (3, 4, 5, 6))
HALL = shapely.box(0, 0, 100, 20)
WEST, EAST = shapely.box(0, 0, 60, 20), shapely.box(60, 0, 100, 20)


def log(*rows: dict[str, object]) -> pd.DataFrame:
    plain = {"building_id": "B1", "section_id": None, "field": "deck", "value": "plywood", "unit": None,
             "basis": "surveyed", "who": None, "seen_on": pd.NaT, "logged_at": MARCH, "file": None,
             "batch": None, "note": None}  # fmt: skip
    frame = pd.DataFrame([plain | {"number": n} | row for n, row in enumerate(rows, 1)])
    made: pd.DataFrame = conform("observations", frame)
    return made


def events(
    *rows: tuple[str, str | None, str | None], at: str | None = MAY, release: str = "r2"
) -> pd.DataFrame:
    frame = pd.DataFrame(list(rows), columns=["event", "old_id", "new_id"])
    frame = frame.assign(number=range(1, len(frame) + 1), release=release, share=None, logged_at=at)
    made: pd.DataFrame = conform("lineage", frame)
    return made


SPLIT = events(("split", "B1", "B1"), ("split", "B1", "B1.2"))
MERGE = events(("merged", "B1", "B1"), ("merged", "B2", "B1"))


def told(found: pd.DataFrame) -> list[tuple[int, str]]:
    return list(zip(found["number"].tolist(), found["building_id"].tolist(), strict=True))


def test_what_was_said_of_a_whole_is_said_of_every_part() -> None:
    found = follow(log({}, {"building_id": "B2"}), SPLIT)
    assert told(found) == [(1, "B1"), (1, "B1.2"), (2, "B2")]
    assert list(found.columns) == list(RECORD_TABLES["observations"].columns)
    assert found["value"].tolist() == ["plywood"] * 3


def test_what_is_said_after_a_split_is_said_of_one_part() -> None:
    found = follow(log({"logged_at": MARCH}, {"logged_at": JUNE}, {"logged_at": MAY}), SPLIT)
    assert told(found) == [(1, "B1"), (1, "B1.2"), (2, "B1"), (3, "B1")]


def test_a_part_surveyed_later_is_known_better_than_the_whole() -> None:
    whole = {"seen_on": pd.Timestamp("2026-02-01")}
    part = {"building_id": "B1.2", "value": "steel", "logged_at": JUNE, "seen_on": pd.Timestamp("2026-06-01")}
    current = current_values(follow(log(whole, part), SPLIT))
    assert current.set_index("building_id")["value"].to_dict() == {"B1": "plywood", "B1.2": "steel"}


def test_all_that_was_merged_speaks_of_what_became_of_it() -> None:
    found = follow(log({}, {"building_id": "B2", "value": "steel"}), MERGE)
    assert told(found) == [(1, "B1"), (2, "B1")]
    assert found["value"].tolist() == ["plywood", "steel"], "both are there, and may be in conflict"


def test_an_id_that_ended_means_the_old_building_to_the_second() -> None:
    found = follow(
        log({"building_id": "B2", "logged_at": MAY}, {"logged_at": MAY, "section_id": "B1/2"}), MERGE
    )
    assert told(found) == [(1, "B1"), (2, "B1")]
    assert found["section_id"].isna().tolist() == [True, False], "B1 goes on: its later sections are meant"


def test_sections_are_numbered_anew_by_splits_and_merges() -> None:
    rows = log({"section_id": "B1/2"}, {"building_id": "B2", "section_id": "B2/1"}, {"section_id": None})
    assert follow(rows, SPLIT)["section_id"].dropna().tolist() == ["B2/1"]
    assert follow(rows, MERGE)["section_id"].dropna().empty


def test_a_hall_that_only_lost_a_shed_keeps_its_sections() -> None:
    shed = events(("same", "B1", "B1"), ("split", "B1", "B1.2"))
    found = follow(log({"section_id": "B1/2"}), shed)
    assert told(found) == [(1, "B1"), (1, "B1.2")]
    assert found["section_id"].fillna("").tolist() == ["B1/2", ""]


def test_releases_follow_each_other() -> None:
    """B2 is merged into B1, which is split in the layer after; one survey is older than both."""
    later = events(("split", "B1", "B1"), ("split", "B1", "B1.2"), at=JUNE, release="r3")
    both = pd.concat([MERGE, later.assign(number=later["number"] + 2)], ignore_index=True)
    rows = log(
        {"building_id": "B2", "logged_at": MARCH}, {"building_id": "B1", "logged_at": MAY.replace("09", "10")}
    )
    assert told(follow(rows, both)) == [(1, "B1"), (1, "B1.2"), (2, "B1"), (2, "B1.2")]


def test_a_layer_gone_back_to_is_an_event_of_its_own() -> None:
    """The record knows a layer of that name, and what was split then may be split again now."""
    now = events(("split", "B1", "B1"), ("split", "B1", "B1.3"), at=None)
    both = pd.concat([SPLIT, now.assign(number=pd.array([None, None], dtype="Int64"))], ignore_index=True)
    found = follow(log({"logged_at": MARCH}, {"logged_at": JUNE}), both)
    assert told(found) == [(1, "B1"), (1, "B1.2"), (1, "B1.3"), (2, "B1"), (2, "B1.3")]


def test_a_match_that_is_not_logged_comes_after_all_that_is() -> None:
    now = SPLIT.assign(number=pd.array([None, None], dtype="Int64"), logged_at=None)
    rows = log({"logged_at": JUNE}, {"logged_at": None})
    assert told(follow(rows, now)) == [(1, "B1"), (1, "B1.2"), (2, "B1")], "a form of today means a part"


def test_other_events_move_nothing() -> None:
    rows = log({}, {"building_id": "B2"}, {"building_id": "B3", "section_id": "B3/1"})
    fate = events(("same", "B1", "B1"), ("gone", "B2", None), ("changed", "B3", "B3"), ("new", None, "B4"))
    pd.testing.assert_frame_equal(follow(rows, fate), rows)
    pd.testing.assert_frame_equal(follow(rows, fate.iloc[:0]), rows)


def test_drawings_of_a_split_building_go_to_the_part_they_lie_in() -> None:
    frame = pd.DataFrame({"number": [1, 2], "building_id": ["B1", "B2"]}).assign(
        layer="sections", properties="{}", basis="drawn", who=None, seen_on=pd.NaT, logged_at=MARCH,
        file=None, batch=None, note=None, replaces=None,
    )  # fmt: skip
    drawn = conform("drawn", gpd.GeoDataFrame(frame, geometry=[EAST, EAST], crs=UTM))
    assert follow_drawn(drawn, SPLIT)["building_id"].fillna("").tolist() == ["", "B2"]
    assert follow_drawn(drawn, MERGE)["building_id"].tolist() == ["B1", "B1"]
    shed = events(("same", "B1", "B1"), ("split", "B1", "B1.2"))
    assert follow_drawn(drawn, shed)["building_id"].tolist() == ["B1", "B2"], "the hall goes on as it was"


names = st.sampled_from(["B1", "B2", "B3"])
times = st.sampled_from([MARCH, APRIL, MAY, JUNE])


@settings(max_examples=60)
@given(
    st.lists(st.tuples(names, times), min_size=1, max_size=8),
    st.lists(st.sampled_from(["split", "merged"]), max_size=3),
)
def test_no_observation_is_lost_and_a_plain_loop_says_the_same(
    rows: list[tuple[str, str]], fates: list[str]
) -> None:
    """Each release either splits B1 once more or merges a building into B1."""
    observed = log(*({"building_id": name, "logged_at": at} for name, at in rows))
    lineage, moments = [], [APRIL, MAY, JUNE]
    ended = iter(["B2", "B3", "B4"])
    for number, fate in enumerate(fates, 2):
        pair = ("B1", f"B1.{number}") if fate == "split" else (next(ended), "B1")
        both = events((fate, "B1", "B1"), (fate, *pair), at=moments[number - 2], release=f"r{number}")
        lineage.append(both.assign(number=both["number"] + 10 * number))
    found = follow(observed, pd.concat(lineage, ignore_index=True) if lineage else events().iloc[:0])

    wanted = []
    for number, (name, at) in enumerate(rows, 1):
        here = [name]
        for events_of, moment in zip(lineage, moments, strict=False):
            fate, old, new = events_of.iloc[1][["event", "old_id", "new_id"]]
            if fate == "split" and at < moment:
                here += [new] * here.count(old)
            if fate == "merged" and at <= moment:
                here = [new if one == old else one for one in here]
        wanted += [(number, one) for one in here]
    assert sorted(told(found)) == sorted(wanted)
    assert set(found["number"]) == set(observed["number"])


def outlines(shapes: dict[str, shapely.Geometry]) -> gpd.GeoDataFrame:
    frame = pd.DataFrame({"building_id": list(shapes)}).assign(
        release="r1", from_date=pd.Timestamp("2025-01-01"), to_date=pd.NaT
    )
    made: gpd.GeoDataFrame = conform(
        "outlines", gpd.GeoDataFrame(frame, geometry=list(shapes.values()), crs=UTM)
    )
    return made


def record_of(shapes: dict[str, shapely.Geometry], observations: pd.DataFrame | None = None) -> RecordTables:
    return RecordTables(
        observations=empty("observations") if observations is None else observations,
        outlines=outlines(shapes) if shapes else empty("outlines", UTM),
        lineage=empty("lineage"),
        drawn=empty("drawn", UTM),
        current=empty("current"),
    )


def inputs_of(shapes: dict[str, shapely.Geometry], **layers: object) -> Inputs:
    ids = pd.Series(list(shapes), dtype="str")
    footprints = gpd.GeoDataFrame({"building_id": ids, "basis": "recorded", "date": pd.NaT},
                                  geometry=list(shapes.values()), crs=UTM)  # fmt: skip
    plain = gpd.GeoDataFrame({"building_id": pd.Series([], dtype="str")}, geometry=[], crs=UTM)
    names = ("streets", "areas", "stations", "obstacles", "ground")
    divisions = ("sections", "fire_walls", "expansion_joints", "fires")
    nothing = dict.fromkeys((*names, *divisions), plain)
    more = {"attributes": (), **nothing, **layers}
    return Inputs(
        working_crs=UTM, footprints=footprints, problems=empty("problems"), counts=pd.DataFrame(),
        release="r2", **more,
    )  # fmt: skip


def source(*keys: str, how: str = "key") -> AttributeRecords:
    frame = pd.DataFrame({"record": [str(n) for n in range(len(keys))], "key": pd.Series(keys, dtype="str")})
    return AttributeRecords(AttributeSource(name="county", how=how, file=Path("county.csv")), frame)


def test_footprints_get_the_ids_of_the_record_and_keep_their_own(rules: Rulebook) -> None:
    inputs, record, lineage = on_footprints(
        inputs_of({"77": WEST, "78": EAST}), record_of({"B1": HALL}, log({})), rules
    )
    assert inputs.footprints["building_id"].tolist() == ["B1", "B1.2"]
    assert inputs.footprints["file_id"].tolist() == ["77", "78"]
    assert told(record.observations) == [(1, "B1"), (1, "B1.2")]
    assert record.current["building_id"].tolist() == ["B1", "B1.2"]
    assert lineage["event"].tolist() == ["split", "split"]
    codes = inputs.problems.groupby("code")["feature"].apply(list).to_dict()
    assert codes == {"footprints_not_kept": ["r2"], "outline_split": ["B1", "B1.2"]}


def test_keys_mean_the_file_first_and_the_record_after(rules: Rulebook) -> None:
    shapes = {"77": HALL, "B3": shapely.box(200, 0, 300, 20)}
    old = {"B1": HALL, "B2": shapes["B3"], "B3": shapely.box(900, 0, 950, 20)}
    inputs, *_ = on_footprints(
        inputs_of(shapes, attributes=(source("77", " b1", "B3", "B2", "?"), source("77", how="points"))),
        record_of(old), rules,
    )  # fmt: skip
    assert inputs.footprints["building_id"].tolist() == ["B1", "B2"]
    assert inputs.attributes[0].frame["key"].tolist() == ["B1", " b1", "B2", "B2", "?"]
    assert inputs.attributes[1].frame["key"].tolist() == ["77"]


def test_a_key_that_means_two_buildings_is_told_of(rules: Rulebook) -> None:
    """The new file calls another building B1 than the record does."""
    far = shapely.box(200, 0, 300, 20)
    inputs, *_ = on_footprints(
        inputs_of({"B2": HALL, "B1": far}, attributes=(source("B1"),)),
        record_of({"B1": HALL, "B2": far}), rules,
    )  # fmt: skip
    assert inputs.attributes[0].frame["key"].tolist() == ["B2"]
    rows = inputs.problems[inputs.problems["code"] == "key_means_two"]
    assert rows["message"].tolist() == [
        "Record 0 has the key B1, which is building B2 in the footprint file and another in the record; it "
        "joins the former."
    ]


def test_drawn_layers_that_name_a_building_are_renamed_too(rules: Rulebook) -> None:
    layer = gpd.GeoDataFrame(
        {"building_id": pd.Series(["77", None], dtype="str")}, geometry=[WEST, WEST], crs=UTM
    )
    inputs, *_ = on_footprints(
        inputs_of({"77": HALL}, sections=layer, fires=layer), record_of({"B1": HALL}), rules
    )
    assert inputs.sections["building_id"].fillna("").tolist() == ["B1", ""]
    assert inputs.fires["building_id"].fillna("").tolist() == ["B1", ""]


def test_without_outlines_the_files_ids_stay(rules: Rulebook) -> None:
    given_, record = inputs_of({"77": HALL}, attributes=(source("77"),)), record_of({}, log({}))
    inputs, same, lineage = on_footprints(given_, record, rules)
    assert inputs.footprints["building_id"].tolist() == inputs.footprints["file_id"].tolist() == ["77"]
    assert same is record
    assert inputs.problems.empty
    assert lineage[["event", "new_id"]].to_numpy().tolist() == [["new", "77"]]


def test_a_taken_id_and_a_building_gone_are_told_of(rules: Rulebook) -> None:
    inputs, *_ = on_footprints(
        inputs_of({"B1": shapely.box(500, 0, 550, 20)}), record_of({"B1": HALL}), rules
    )
    assert inputs.footprints["building_id"].tolist() == ["B1-2"]
    rows = inputs.problems.set_index("code")[["feature", "severity"]].apply(tuple, axis=1).to_dict()
    assert rows == {"footprints_not_kept": ("r2", "info"), "outline_gone": ("B1", "info"),
                    "id_taken": ("B1-2", "warning")}  # fmt: skip


def test_footprints_that_lie_off_are_told_of(rules: Rulebook) -> None:
    houses = {f"B{n}": shapely.box(40 * n, n, 40 * n + 10 + n, n + 12) for n in range(25)}
    moved = {f"f{n}": translate(shape, 3.048, -1.524)
             for n, shape in enumerate(houses.values())}  # fmt: skip
    inputs, *_ = on_footprints(inputs_of(moved), record_of(houses), rules)
    assert inputs.footprints["building_id"].tolist() == list(houses)
    assert inputs.problems["code"].tolist() == ["footprints_off"]
    # 500 km west of the central meridian a metre on the ground is 1.0027 of the CRS: 9.97 ft.
    assert "lie 10.0 ft east and 5.0 ft south of those" in inputs.problems["message"].iloc[0]


def test_a_building_seen_demolished_leaves_no_survey_behind(rules: Rulebook) -> None:
    rows = log({}, {"field": "gone", "value": "yes"})
    rebuilt = inputs_of({"77": shapely.box(0, 0, 95, 20)})
    inputs, *_ = on_footprints(rebuilt, record_of({"B1": HALL}, rows), rules)
    assert inputs.footprints["building_id"].tolist() == ["77"]
    stands = log({}, {"field": "gone", "value": "yes"}, {"field": "gone", "value": "no"})
    inputs, *_ = on_footprints(rebuilt, record_of({"B1": HALL}, stands), rules)
    assert inputs.footprints["building_id"].tolist() == ["B1"], "a later row says that it stands"


def test_a_release_that_was_kept_is_told_of_no_more(rules: Rulebook) -> None:
    kept = replace(record_of({"B1": WEST, "B1.2": EAST}, log({})), lineage=SPLIT)
    inputs, record, _ = on_footprints(inputs_of({"77": WEST, "78": EAST}), kept, rules)
    assert inputs.problems.empty
    assert told(record.observations) == [(1, "B1"), (1, "B1.2")]


@pytest.mark.parametrize("event", ["split", "merged"])
def test_an_empty_log_follows_too(event: str) -> None:
    nothing = log({}).iloc[:0]
    assert follow(nothing, SPLIT if event == "split" else MERGE).empty
