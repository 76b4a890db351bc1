"""The file of the record: what goes in comes out once, other programs open it, nothing is taken out."""

from __future__ import annotations

import datetime
import sqlite3
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from roofplat.errors import RecordError
from roofplat.record import Record, append, open_record, read_record
from roofplat.rules import load_rulebook
from roofplat.tables import CAUTION, RECORD_TABLES

UTM = CRS.from_epsg(32613)
RULES = load_rulebook({"record.wait_s": 0.2})
MARCH = datetime.datetime(2026, 3, 1, 9, 30, tzinfo=datetime.UTC)
MAY = datetime.datetime(2026, 5, 1, 9, 30, tzinfo=datetime.UTC)
JUNE = datetime.datetime(2026, 6, 1, 9, 30, tzinfo=datetime.UTC)


def seen(*rows: dict[str, object]) -> pd.DataFrame:
    plain = {
        "building_id": "B1",
        "section_id": None,
        "field": "deck",
        "value": "plywood",
        "basis": "surveyed",
        "who": "Inspector 1",
        "seen_on": "2026-02-27",
        "file": "survey.csv",
        "batch": "ab12",
        "note": None,
    }
    frame = pd.DataFrame([plain | row for row in rows])
    frame["seen_on"] = pd.to_datetime(frame["seen_on"])
    return frame


def outline(building_id: str, shape: object, **more: object) -> gpd.GeoDataFrame:
    plain = {"building_id": building_id, "release": "r1", "from_date": "2026-01-01", "to_date": None}
    frame = gpd.GeoDataFrame([plain | more], geometry=[shape], crs=UTM)
    frame["from_date"] = pd.to_datetime(frame["from_date"])
    frame["to_date"] = pd.to_datetime(frame["to_date"])
    return frame


def drawing(shape: object, crs: CRS = UTM, **more: object) -> gpd.GeoDataFrame:
    plain = {"layer": "sections", "building_id": "B1", "properties": "{}", "basis": "drawn", "who": None,
             "seen_on": pd.NaT, "note": None, "replaces": None}  # fmt: skip
    return gpd.GeoDataFrame([plain | more], geometry=[shape], crs=crs)


@pytest.fixture
def record(tmp_path: Path) -> Record:
    return open_record(tmp_path / "inventory.gpkg", UTM, RULES)


def test_what_goes_in_comes_out(record: Record) -> None:
    felt = {"field": "beam_spacing_ft", "value": "20", "section_id": "B1/2", "note": 'felt; "twice"\n'}
    rows = seen({}, felt)
    done = append(record, observations=rows, now=MARCH)
    assert (done.added, done.already_known) == ({"observations": 2}, {"observations": 0})
    log = read_record(record).observations
    assert log["number"].tolist() == [1, 2]
    assert log["unit"].fillna("").tolist() == ["", "ft"]
    assert log["logged_at"].tolist() == ["2026-03-01T09:30:00Z"] * 2
    assert log["note"].tolist()[1] == felt["note"]
    assert log["seen_on"].tolist() == [pd.Timestamp("2026-02-27")] * 2
    assert log["section_id"].isna().tolist() == [True, False]
    for name in ("who", "file", "batch", "basis", "value", "field"):
        assert log[name].tolist() == rows[name].tolist()


def test_the_same_row_is_taken_in_once(record: Record) -> None:
    append(record, observations=seen({}), now=MARCH)
    undated = {"seen_on": None}
    again = seen({}, {"file": "copy.csv", "batch": "cd34"}, {"who": "Inspector 2"}, undated, undated)
    done = append(record, observations=again, now=MAY)
    assert (done.added["observations"], done.already_known["observations"]) == (2, 3)
    log = read_record(record).observations
    assert log["who"].tolist() == ["Inspector 1", "Inspector 2", "Inspector 1"]
    assert log["file"].tolist()[0] == "survey.csv"


def test_current_is_written_with_the_log(record: Record) -> None:
    append(record, observations=seen({}, {"field": "name", "value": "Shed"}), now=MARCH)
    append(record, observations=seen({"value": "steel", "seen_on": "2026-04-30"}), now=MAY)
    with sqlite3.connect(record.path) as connection:
        written = connection.execute("SELECT field, value, number, logged_at FROM current").fetchall()
    assert sorted(written) == [
        ("deck", "steel", 3, "2026-05-01T09:30:00Z"),
        ("name", "Shed", 2, "2026-03-01T09:30:00Z"),
    ]
    assert read_record(record).current["value"].tolist() == ["steel", "Shed"]


def test_current_speaks_of_the_buildings_of_today(record: Record) -> None:
    append(record, observations=seen({}, {"building_id": "B2", "value": "steel"}), now=MARCH)
    events = pd.DataFrame({"release": ["r2"] * 2, "event": ["split"] * 2, "old_id": ["B1"] * 2,
                           "new_id": ["B1", "B1.2"], "share": [0.6, 0.4]})  # fmt: skip
    append(record, lineage=events, now=MAY)
    with sqlite3.connect(record.path) as connection:
        written = connection.execute("SELECT building_id, value, number FROM current").fetchall()
    assert written == [("B1", "plywood", 1), ("B1.2", "plywood", 1), ("B2", "steel", 2)]
    assert read_record(record).current["building_id"].tolist() == ["B1", "B1.2", "B2"]
    assert read_record(record, MARCH.date()).current["building_id"].tolist() == ["B1", "B2"]
    append(
        record,
        observations=seen({"building_id": "B1.2", "value": "steel", "seen_on": "2026-05-02"}),
        now=JUNE,
    )
    assert read_record(record).current["value"].tolist() == ["plywood", "steel", "steel"]


def test_any_past_day_can_be_read(record: Record) -> None:
    append(record, observations=seen({}), outlines=outline("B1", shapely.box(0, 0, 9, 9)), now=MARCH)
    append(
        record,
        observations=seen({"value": "steel", "seen_on": "2026-04-30"}),
        outlines=outline("B1", shapely.box(0, 0, 9, 9), to_date="2026-05-01"),
        drawn=drawing(shapely.box(0, 0, 3, 3)),
        now=MAY,
    )
    before = read_record(record, datetime.date(2026, 4, 30))
    assert before.current["value"].tolist() == ["plywood"], "it was seen by then, and nobody knew"
    assert before.outlines["to_date"].isna().all()
    assert before.drawn.empty
    after = read_record(record, datetime.date(2026, 5, 1))
    assert after.current["value"].tolist() == ["steel"]
    assert after.outlines["to_date"].tolist() == [pd.Timestamp("2026-05-01")]
    assert len(after.drawn) == 1
    assert read_record(record, datetime.date(2025, 12, 31)).outlines.empty


@pytest.mark.parametrize(
    "shape",
    [
        shapely.box(500000.1, 4400000.2, 500010.3, 4400020.4),
        shapely.MultiPolygon([shapely.box(0, 0, 1, 1), shapely.box(2, 2, 3, 3)]),
        shapely.LineString([(0, 0), (1 / 3, 2)]),
        shapely.Point(1, 2),
        shapely.MultiLineString([[(0, 0), (1, 1)], [(2, 2), (3, 3)]]),
        shapely.box(0, 0, 9, 9).difference(shapely.box(3, 3, 4, 4)),
    ],
    ids=lambda shape: shape.geom_type,
)
def test_shapes_keep_every_bit(record: Record, shape: shapely.Geometry) -> None:
    append(record, drawn=drawing(shape), now=MARCH)
    found = read_record(record).drawn.geometry.iloc[0]
    assert shapely.to_wkb(found) == shapely.to_wkb(shape)
    assert pyogrio.read_dataframe(record.path, layer="drawn").geometry.iloc[0].equals(shape)


def test_shapes_of_another_crs_are_moved(record: Record) -> None:
    point = gpd.GeoSeries([shapely.Point(-104.9, 39.7)], crs=4326)
    append(record, drawn=drawing(point.iloc[0], crs=CRS.from_epsg(4326)), now=MARCH)
    there = read_record(record).drawn
    assert there.crs == UTM
    assert there.geometry.iloc[0].equals(point.to_crs(UTM).iloc[0])
    back = read_record(record, crs="EPSG:4326").drawn.geometry.iloc[0]
    assert back.distance(point.iloc[0]) < 1e-9


def test_gdal_opens_every_table(record: Record) -> None:
    append(record, observations=seen({}), outlines=outline("B1", shapely.box(0, 0, 9, 9)),
           drawn=drawing(shapely.box(0, 0, 3, 3)), now=MARCH)  # fmt: skip
    layers = dict(pyogrio.list_layers(record.path))
    assert layers == {"observations": None, "outlines": "MultiPolygon", "lineage": None, "drawn": "Unknown",
                      "current": None}  # fmt: skip
    for name in RECORD_TABLES:
        info = pyogrio.read_info(record.path, layer=name)
        assert CAUTION in info["layer_metadata"]["DESCRIPTION"]
    assert pyogrio.read_info(record.path, layer="outlines")["crs"] == "EPSG:32613"
    assert pyogrio.read_info(record.path, layer="outlines")["total_bounds"] == (0, 0, 9, 9)
    frame = pyogrio.read_dataframe(record.path, layer="observations")
    assert frame[["building_id", "field", "value"]].to_numpy().tolist() == [["B1", "deck", "plywood"]]
    assert str(frame["seen_on"].iloc[0])[:10] == "2026-02-27"


@pytest.mark.parametrize("table", ["observations", "lineage", "drawn", "outlines"])
def test_nothing_is_changed_or_deleted(record: Record, table: str) -> None:
    events = pd.DataFrame({"release": ["r1"], "event": ["new"], "old_id": [None], "new_id": ["B1"],
                           "share": [np.nan]})  # fmt: skip
    append(record, observations=seen({}), outlines=outline("B1", shapely.box(0, 0, 9, 9)), lineage=events,
           drawn=drawing(shapely.box(0, 0, 3, 3)), now=MARCH)  # fmt: skip
    column = {"observations": "value", "lineage": "new_id", "drawn": "properties", "outlines": "release"}
    orders = [f"UPDATE {table} SET {column[table]} = 'x'", f"DELETE FROM {table}"]
    if table != "outlines":
        orders.append(f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}")
    with sqlite3.connect(record.path) as connection:
        before = connection.execute(f"SELECT * FROM {table}").fetchall()
        for order in orders:
            with pytest.raises(sqlite3.IntegrityError):
                connection.execute(order)
        assert connection.execute(f"SELECT * FROM {table}").fetchall() == before != []


def test_events_are_logged_once(record: Record) -> None:
    events = pd.DataFrame({"release": ["r1"] * 2, "event": ["new", "gone"], "old_id": [None, "B0"],
                           "new_id": ["B1", None], "share": [np.nan, 0.0]})  # fmt: skip
    assert append(record, lineage=events, now=MARCH).added == {"lineage": 2}
    assert append(record, lineage=events, now=MAY).already_known == {"lineage": 2}


def test_a_failed_import_leaves_nothing(record: Record) -> None:
    append(record, observations=seen({}), now=MARCH)
    with sqlite3.connect(record.path) as connection:
        stop = "CREATE TRIGGER no_more BEFORE INSERT ON drawn BEGIN SELECT RAISE(ABORT, 'full'); END"
        connection.execute(stop)
    connection.close()
    with pytest.raises(RecordError, match="full"):
        append(record, observations=seen({"value": "steel"}), drawn=drawing(shapely.box(0, 0, 3, 3)), now=MAY)
    assert len(read_record(record).observations) == 1
    assert read_record(record).current["value"].tolist() == ["plywood"]


def test_who_comes_second_is_told(record: Record) -> None:
    holder = sqlite3.connect(record.path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    try:
        with pytest.raises(RecordError, match=r"another program is writing .* nothing was changed\."):
            append(record, observations=seen({}), now=MARCH)
        assert read_record(record).observations.empty, "a look needs no lock"
    finally:
        holder.close()
    assert append(record, observations=seen({}), now=MARCH).added == {"observations": 1}


def test_a_crs_without_a_code_is_kept(tmp_path: Path) -> None:
    own = CRS.from_proj4("+proj=tmerc +lat_0=39 +lon_0=-105 +k=1.0003 +x_0=1000 +datum=NAD83 +units=us-ft")
    made = open_record(tmp_path / "own.gpkg", own, RULES)
    assert made.crs == open_record(tmp_path / "own.gpkg", UTM, RULES).crs
    ours = gpd.GeoSeries([shapely.Point(-104.9, 39.7)], crs=4326)
    assert ours.to_crs(made.crs).iloc[0].equals_exact(ours.to_crs(own).iloc[0], 1e-6)


def test_an_existing_record_keeps_its_crs(record: Record) -> None:
    assert open_record(record.path, "EPSG:4326", RULES).crs == UTM


def test_a_file_that_was_never_filled_is_made_anew(tmp_path: Path) -> None:
    (tmp_path / "inventory.gpkg").touch()
    assert read_record(open_record(tmp_path / "inventory.gpkg", UTM, RULES)).observations.empty


def test_other_files_are_refused(tmp_path: Path) -> None:
    (tmp_path / "notes.gpkg").write_text("notes" * 300)
    with pytest.raises(RecordError, match=r"notes\.gpkg is no GeoPackage"):
        open_record(tmp_path / "notes.gpkg", UTM, RULES)
    outline("B1", shapely.box(0, 0, 9, 9)).to_file(tmp_path / "layers.gpkg", layer="buildings")
    with pytest.raises(RecordError, match=r"no record of surveys: it lacks the table 'current'"):
        open_record(tmp_path / "layers.gpkg", UTM, RULES)
    with pytest.raises(RecordError, match="cannot be opened"):
        open_record(tmp_path, UTM, RULES)


def test_wrong_units_and_missing_shapes_are_defects(record: Record) -> None:
    with pytest.raises(ValueError, match="beam_spacing_ft in m"):
        append(record, observations=seen({"field": "beam_spacing_ft", "value": "6", "unit": "m"}), now=MARCH)
    with pytest.raises(ValueError, match="needs a geometry"):
        append(record, drawn=drawing(None), now=MARCH)
    with pytest.raises(ValueError, match="time zone"):
        append(record, observations=seen({}), now=datetime.datetime(2026, 3, 1))


IMPORTS = st.lists(
    st.tuples(
        st.integers(0, 40),
        st.lists(
            st.fixed_dictionaries(
                {
                    "building_id": st.sampled_from(["B1", "B2"]),
                    "field": st.sampled_from(["deck", "name"]),
                    "value": st.sampled_from(["a", "b", "c"]),
                    "basis": st.sampled_from(["surveyed", "recorded"]),
                    "seen_on": st.sampled_from([None, "2026-01-05", "2026-01-20"]),
                }
            ),
            min_size=1,
            max_size=4,
        ),
    ),
    max_size=5,
)


@given(IMPORTS, st.integers(0, 40))
@settings(max_examples=25)
def test_a_past_day_is_the_record_that_stopped_on_it(
    tmp_path_factory: pytest.TempPathFactory, imports: list[tuple[int, list[dict[str, object]]]], day: int
) -> None:
    folder = tmp_path_factory.mktemp("records")
    start = datetime.datetime(2026, 1, 1, 12, tzinfo=datetime.UTC)
    whole, stopped = (open_record(folder / name, UTM, RULES) for name in ("whole.gpkg", "stopped.gpkg"))
    for passed, rows in sorted(imports, key=lambda one: one[0]):
        now = start + datetime.timedelta(days=passed)
        append(whole, observations=seen(*rows), now=now)
        if passed <= day:
            append(stopped, observations=seen(*rows), now=now)
    as_of = (start + datetime.timedelta(days=day)).date()
    then, kept = read_record(whole, as_of), read_record(stopped, as_of)
    pd.testing.assert_frame_equal(then.observations, kept.observations)
    pd.testing.assert_frame_equal(then.current, kept.current)


def test_a_gis_that_keeps_a_log_of_its_own_beside_the_file_does_no_harm(record: Record) -> None:
    """Some programs switch a GeoPackage to write-ahead logging while they have it open."""
    gis = sqlite3.connect(record.path)
    assert gis.execute("PRAGMA journal_mode = WAL").fetchone() == ("wal",)
    assert gis.execute("SELECT count(*) FROM observations").fetchone() == (0,)
    append(record, observations=seen({}), now=MARCH)
    assert len(read_record(record).observations) == 1
    assert gis.execute("SELECT count(*) FROM observations").fetchone() == (1,)
    gis.close()
    assert len(read_record(record).observations) == 1
