"""A footprint layer is written down: outlines, events, marks; and can be gone back on."""

from __future__ import annotations

import datetime
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from pyproj import CRS
from shapely.affinity import translate

from roofplat.record import Record, append, open_record, read_record
from roofplat.record.follow import follow
from roofplat.record.keep import event_counts, keep_rows
from roofplat.record.outlines import match_outlines, standing
from roofplat.rules import Rulebook

UTM = CRS.from_epsg(32613)
HALL, SHED = shapely.box(0, 0, 100, 20), shapely.box(0, 50, 12, 60)
WEST, EAST = shapely.box(0, 0, 60, 20), shapely.box(60, 0, 100, 20)
NEW_HALL = shapely.box(0, 0, 140, 20)
FIRST = datetime.date(2026, 3, 1)


@pytest.fixture
def record(tmp_path: Path, rules: Rulebook) -> Record:
    return open_record(tmp_path / "inventory.gpkg", UTM, rules)


class Town:
    """Keeps one layer after another, a day each unless told otherwise."""

    def __init__(self, record: Record, rules: Rulebook) -> None:
        self.record, self.rules, self.day = record, rules, FIRST

    def keep(self, shapes: dict[str, shapely.Geometry], release: str, *, days: int = 1) -> dict[str, int]:
        ids = pd.Series(list(shapes), dtype="str")
        layer = gpd.GeoDataFrame({"building_id": ids}, geometry=list(shapes.values()), crs=UTM)
        tables = read_record(self.record)
        found = match_outlines(tables.outlines, layer, self.rules, release=release)
        kept = keep_rows(layer.assign(building_id=found.ids), tables, found.lineage, day=self.day)
        now = datetime.datetime.combine(self.day, datetime.time(9), datetime.UTC)
        made = append(self.record, outlines=kept.outlines, lineage=kept.lineage,
                      observations=kept.observations, now=now)  # fmt: skip
        self.day += datetime.timedelta(days=days)
        return dict(made.added)

    @property
    def stands(self) -> dict[str, str]:
        return standing(read_record(self.record).outlines).set_index("building_id")["release"].to_dict()


@pytest.fixture
def town(record: Record, rules: Rulebook) -> Town:
    return Town(record, rules)


def test_the_first_layer_is_written_down_whole(town: Town) -> None:
    assert town.keep({"B1": HALL, "B2": SHED}, "r1") == {"outlines": 2, "lineage": 2, "observations": 0}
    tables = read_record(town.record)
    assert tables.outlines["from_date"].tolist() == [pd.Timestamp(FIRST)] * 2
    assert tables.outlines["to_date"].isna().all()
    assert tables.lineage["event"].tolist() == ["new", "new"]
    assert [
        shape.equals(wanted) for shape, wanted in zip(tables.outlines.geometry, [HALL, SHED], strict=True)
    ]


def test_the_same_layer_is_written_down_once(town: Town) -> None:
    town.keep({"B1": HALL, "B2": SHED}, "r1")
    assert town.keep({"B1": HALL, "B2": SHED}, "r1") == {"outlines": 0, "lineage": 0, "observations": 0}


def test_only_what_is_drawn_otherwise_gets_a_new_outline(town: Town) -> None:
    town.keep({"B1": HALL, "B2": SHED}, "r1")
    assert town.keep({"x": NEW_HALL, "y": SHED}, "r2") == {"outlines": 2, "lineage": 2, "observations": 1}
    assert town.stands == {"B1": "r2", "B2": "r1"}
    outlines = read_record(town.record).outlines
    assert outlines["to_date"].dropna().tolist() == [pd.Timestamp(2026, 3, 2)]
    before = read_record(town.record, FIRST).outlines
    assert before["building_id"].tolist() == ["B1", "B2"]
    assert before.geometry.iloc[0].equals(HALL)
    assert before["to_date"].isna().all()


def test_what_is_not_as_it_was_is_marked_to_be_looked_at_again(town: Town) -> None:
    town.keep({"B1": HALL, "B2": SHED}, "r1")
    town.keep({"a": WEST, "b": EAST, "c": SHED}, "r2")
    marks = read_record(town.record).current
    assert marks[["building_id", "field", "value", "basis", "file"]].to_numpy().tolist() == [
        ["B1", "look_again", "outline split", "inferred", "r2"],
        ["B1.2", "look_again", "outline split", "inferred", "r2"],
    ]
    assert marks["seen_on"].tolist() == [pd.Timestamp(2026, 3, 2)] * 2


@pytest.mark.parametrize("days", [1, 0], ids=["day by day", "within a day"])
def test_an_earlier_layer_can_be_gone_back_to(town: Town, days: int) -> None:
    """It used to be lost which buildings stand, where a layer was taken back on the day it came."""
    for turn in range(3):
        town.keep({"B1": HALL, "B2": SHED}, "r1", days=days)
        assert set(town.stands) == {"B1", "B2"}
        town.keep({"a": WEST, "b": EAST, "c": SHED}, "r2", days=days)
        assert set(town.stands) == {"B1", f"B1.{turn + 2}", "B2"}, "no id is given twice"
    assert read_record(town.record).lineage["release"].unique().tolist() == [
        "r1", "r2", "r1 #2", "r2 #2", "r1 #3", "r2 #3",
    ]  # fmt: skip


def test_a_file_name_may_look_like_a_number_of_ours(town: Town) -> None:
    """It used to be written down again and again."""
    town.keep({"B1": HALL}, "roofs #2.gpkg ab12")
    assert town.keep({"B1": HALL}, "roofs #2.gpkg ab12")["lineage"] == 0


def test_a_layer_of_one_area_and_back_loses_no_building(town: Town) -> None:
    town.keep({"B1": HALL, "B2": SHED}, "r1")
    town.keep({"B2": SHED}, "only one area")
    assert set(town.stands) == {"B2"}
    town.keep({"77": HALL, "78": SHED}, "r1 again")
    assert set(town.stands) == {"B1", "B2"}
    assert read_record(town.record).lineage["event"].tolist() == [
        "new",
        "new",
        "gone",
        "same",
        "same",
        "same",
    ]


def test_a_layer_that_lies_off_is_written_where_it_lies(town: Town) -> None:
    """It used to be taken for drawn alike, and the record kept outlines of another place."""
    houses = {f"B{n}": shapely.box(40 * n, n, 40 * n + 10 + n, n + 12) for n in range(25)}
    town.keep(houses, "r1")
    moved = {f"f{n}": translate(shape, 4.0, 0.0)
             for n, shape in enumerate(houses.values())}  # fmt: skip
    assert town.keep(moved, "r2") == {"outlines": 50, "lineage": 25, "observations": 0}
    assert set(town.stands.values()) == {"r2"}
    assert town.keep(moved, "r2")["outlines"] == 0


def test_a_survey_follows_through_the_file(town: Town, record: Record) -> None:
    town.keep({"B1": WEST, "B2": EAST}, "r1")
    seen = pd.DataFrame({"building_id": ["B1", "B2"], "value": ["plywood", "steel"]}).assign(
        section_id=None, field="deck", basis="surveyed", who="Inspector 1", seen_on=pd.Timestamp(FIRST),
        file="survey.csv", batch="ab", note=None,
    )  # fmt: skip
    append(record, observations=seen, now=datetime.datetime(2026, 3, 1, 18, tzinfo=datetime.UTC))
    town.keep({"x": HALL}, "r2")
    tables = read_record(record)
    found = follow(tables.observations, tables.lineage)
    decks = found[found["field"] == "deck"]
    assert decks[["building_id", "value"]].to_numpy().tolist() == [["B1", "plywood"], ["B1", "steel"]]
    before = read_record(record, FIRST)
    assert follow(before.observations, before.lineage)["building_id"].tolist() == ["B1", "B2"]


def test_counts_are_in_the_order_of_the_table() -> None:
    rows = pd.DataFrame({"event": ["gone", "new", "same", "new"]})
    assert event_counts(rows).to_dict("list") == {"event": ["same", "new", "gone"], "buildings": [1, 2, 1]}
    assert event_counts(rows.iloc[:0]).empty
