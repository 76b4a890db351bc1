"""Which building a permit means: its id, its address, its place, in that order."""

from __future__ import annotations

import pandas as pd
import pytest
import shapely
from pyproj import Transformer

from roofplat.inventory.whose import address_keys, find_buildings

X, Y = 500_000.0, 4_400_000.0


@pytest.fixture
def find(build, rules, ground):
    footprints = build.footprints({name: shapely.box(X + far, Y, X + far + 20, Y + 20)
                                   for name, far in (("B1", 0), ("B2", 100), ("B3", 200))})  # fmt: skip
    addresses = pd.DataFrame(
        {"building_id": ["B1", "B2", "B3", "B3"],
         "address": ["12 North Elm Street", "14 N ELM ST", "14 N Elm St", "20 Rear Road"]}
    )  # fmt: skip

    def find(*rows):
        frame = pd.DataFrame(
            [{"key": None, "address": None, "lon": None, "lat": None} | row for row in rows],
            columns=["key", "address", "lon", "lat"],
        ).astype({"key": "str", "address": "str", "lon": float, "lat": float})
        frame["record"] = pd.Series([f"row {number}" for number in range(1, len(rows) + 1)], dtype="str")
        return find_buildings(footprints, addresses, frame, "permits.csv", rules, ground)

    return find


def place(east, north):
    to_lon_lat = Transformer.from_crs("EPSG:32613", "EPSG:4326", always_xy=True)
    lon, lat = to_lon_lat.transform(X + east, Y + north)
    return {"lon": lon, "lat": lat}


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("12 North Elm Street", "12 n. elm st"),
        ("12 N Elm St, Mallow, NV 89000", "12 N ELM ST."),
        ("12 Elm St Suite 4", "12 elm street #B"),
        ("12  Elm   Ave", "12 Elm Avenue Apt. 3"),
        ("12-14 Mill Rd", "12-14 MILL ROAD"),
    ],
)
def test_one_address_written_two_ways(one, other):
    left, right = address_keys(pd.Series([one, other]))
    assert left == right


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("12 Elm St", "112 Elm St"),
        ("12 Elm St", "12 Elm Ave"),
        ("12 N Elm St", "12 S Elm St"),
        ("12A Elm St", "12 Elm St"),
        ("12 Elm St", "12 Elmwood St"),
        # A word that only begins like a unit.
        ("12 Florence St", "12 Flat St"),
    ],
)
def test_two_addresses_stay_two(one, other):
    left, right = address_keys(pd.Series([one, other]))
    assert left != right


def test_without_a_house_number_there_is_no_address():
    assert address_keys(pd.Series(["Elm Street", "", None, "12"])).isna().all()


def test_id_goes_before_address_and_address_before_place(find):
    found = find(
        {"key": "b1", "address": "14 N Elm St", **place(210, 10)},
        {"address": "12 N. Elm Street, Mallow", **place(210, 10)},
        place(110, 10),
    )
    assert found.pairs["building_id"].tolist() == ["B1", "B1", "B2"]
    assert found.pairs["by"].tolist() == ["id", "address", "place"]
    assert found.problems.empty


def test_an_id_that_is_none_is_told_and_the_rest_is_tried(find):
    found = find({"key": "APN-7", "address": "12 N Elm St"}, {"key": "APN-8"})
    assert found.pairs["building_id"].tolist() == ["B1"]
    assert found.problems["code"].tolist() == ["building_id_unknown", "record_unmatched"]
    assert found.problems["feature"].tolist() == ["row 1", "row 2"]
    assert found.problems["message"].iloc[1] == "No building has its id 'APN-8'."


def test_an_address_of_several_means_all_of_them(find):
    found = find({"address": "14 North Elm Street"})
    assert found.pairs["building_id"].tolist() == ["B2", "B3"]
    assert found.problems["code"].tolist() == ["address_of_several"]
    assert "2 buildings: B2, B3; all of them are meant" in found.problems["message"].iloc[0]
    # An address that only one source gives finds its building too.
    assert find({"address": "20 Rear Rd"}).pairs["building_id"].tolist() == ["B3"]


def test_a_place_near_a_building_is_that_building_and_far_from_all_is_none(find):
    near, far = find(place(21, 10)), find(place(1000, 1000), {"address": "99 No St"})
    assert near.pairs["building_id"].tolist() == ["B1"]
    assert near.problems["code"].tolist() == ["point_near_building"]
    assert near.problems["message"].iloc[0].startswith("Record row 1 lies in no building")
    assert far.pairs.empty
    assert far.problems["code"].tolist() == ["record_unmatched", "record_unmatched"]
    assert far.problems["feature"].tolist() == ["row 1", "row 2"]


def test_an_id_is_that_of_the_footprint_file_and_then_that_of_the_record(build, rules, ground):
    footprints = build.footprints({name: shapely.box(X + far, Y, X + far + 20, Y + 20)
                                   for name, far in (("B1", 0), ("B2", 100), ("B3", 200))})  # fmt: skip
    # The file calls the first one B2, which is another one in the record.
    footprints["file_id"] = ["B2", "N7", "N8"]
    rows = pd.DataFrame({"record": ["1", "2", "3"], "key": ["B2", "n7", "B3"], "address": None})
    rows = rows.assign(lon=float("nan"), lat=float("nan")).astype({"address": "str"})
    nothing = pd.DataFrame({"building_id": [], "address": []}, dtype="str")
    found = find_buildings(footprints, nothing, rows, "permits.csv", rules, ground)
    assert found.pairs["building_id"].tolist() == ["B1", "B2", "B3"]


def test_nothing_asked_nothing_found(find):
    found = find()
    assert found.pairs.empty
    assert found.problems.empty
