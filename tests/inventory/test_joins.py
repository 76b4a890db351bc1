from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from roofplat.errors import CrsError
from roofplat.inventory.joins import (
    Match,
    join_by_footprint,
    join_by_key,
    join_by_parcel,
    join_by_point,
    overlap_pairs,
)

# Near the central meridian of zone 13 a foot is 0.3048 * 0.9996 units.
X, Y = 500_000.0, 4_400_000.0
FOOT = 0.3048 * 0.9996


def found(match: Match) -> dict[str, list[str]]:
    return match.pairs.groupby("record")["building_id"].agg(lambda ids: sorted(ids)).to_dict()


def codes(match: Match) -> list[tuple[str, str, str]]:
    return sorted(match.problems[["feature", "code", "severity"]].itertuples(index=False, name=None))


class TestKey:
    def test_cleans_both_sides(self, build):
        footprints = build.footprints(
            {"B 1": build.square(0), "17": build.square(20), "007": build.square(40)}
        )
        records = build.records("key", key=[" b  1 ", "17.0", "7"]).frame
        match = join_by_key(footprints, records, "table")
        assert found(match) == {"0": ["B 1"], "1": ["17"]}
        assert codes(match) == [("2", "record_unmatched", "warning")]

    def test_latest_of_several_and_a_missing_date_is_the_oldest(self, build):
        footprints = build.footprints({"a": build.square(0)})
        records = build.records(
            "key", key=["a"] * 4, date=[None, "2020-01-01", "2024-01-01", "2023-01-01"]
        ).frame
        match = join_by_key(footprints, records, "table")
        assert found(match) == {"2": ["a"]}
        assert codes(match) == [(record, "duplicate_key", "warning") for record in "013"]

    def test_same_date_goes_by_number_in_the_file_not_by_text(self, build):
        footprints = build.footprints({"a": build.square(0)})
        records = build.records("key", key=["a", "a"], record=["10", "9"]).frame
        assert found(join_by_key(footprints, records, "table")) == {"9": ["a"]}

    def test_ambiguous_and_blank_keys_are_told_apart(self, build):
        footprints = build.footprints({"a": build.square(0), "A": build.square(20)})
        records = build.records("key", key=["A", " a", None, "  "]).frame
        match = join_by_key(footprints, records, "table")
        assert found(match) == {"0": ["A"]}
        assert codes(match) == [
            ("1", "key_ambiguous", "warning"),
            ("2", "key_missing", "warning"),
            ("3", "key_missing", "warning"),
        ]

    @settings(deadline=None, max_examples=50)
    @given(
        keys=st.lists(st.sampled_from(["a", "B", "b ", "C", "x", "", None]), max_size=12),
        seed=st.integers(0, 100),
    )
    def test_never_multiplies_and_forgets_nothing(self, build, keys, seed):
        footprints = build.footprints({name: build.square(20 * i) for i, name in enumerate("abC")})
        records = build.records("key", key=keys).frame
        match = join_by_key(footprints, records, "table")
        assert match.pairs["record"].is_unique
        assert match.pairs["building_id"].is_unique
        assert set(match.pairs["record"]) ^ set(match.problems["feature"]) == set(records["record"])
        shuffled = records.sample(frac=1, random_state=seed)
        assert found(join_by_key(footprints, shuffled, "table")) == found(match)


class TestPoint:
    def test_inside_on_a_shared_wall_near_and_far(self, build, rules, ground):
        footprints = build.footprints({"b": build.square(X, Y), "a": build.square(X + 10, Y)})
        points = shapely.points(
            [[X + 5, Y + 5], [X + 10, Y + 5], [X - 14.9 * FOOT, Y + 5], [X - 15.1 * FOOT, Y + 5]]
        )
        match = join_by_point(footprints, build.records("points", geometry=points).frame, "s", rules, ground)
        assert found(match) == {"0": ["b"], "1": ["a"], "2": ["b"]}
        assert codes(match) == [
            ("1", "point_on_shared_wall", "warning"),
            ("2", "point_near_building", "info"),
            ("3", "record_unmatched", "warning"),
        ]
        near = match.problems.set_index("feature").loc["2", "message"]
        assert "14.9 ft" in near

    def test_on_an_outer_wall_is_inside(self, build, rules, ground):
        footprints = build.footprints({"a": build.square(X, Y)})
        frame = build.records("points", geometry=shapely.points([[X, Y + 5]])).frame
        match = join_by_point(footprints, frame, "s", rules, ground)
        assert found(match) == {"0": ["a"]}
        assert match.problems.empty

    def test_inside_one_beats_touching_another(self, build, rules, ground):
        # `a` reaches into `b` and its wall runs through the point.
        footprints = build.footprints({"b": build.square(X, Y), "a": build.square(X + 5, Y)})
        frame = build.records("points", geometry=shapely.points([[X + 5, Y + 5]])).frame
        match = join_by_point(footprints, frame, "s", rules, ground)
        assert found(match) == {"0": ["b"]}
        assert match.problems.empty

    def test_equally_near_goes_to_the_smallest_id(self, build, rules, ground):
        footprints = build.footprints({"b": build.square(X, Y), "a": build.square(X + 12, Y)})
        frame = build.records("points", geometry=shapely.points([[X + 11, Y + 5]])).frame
        match = join_by_point(footprints, frame, "s", rules, ground)
        assert found(match) == {"0": ["a"]}
        assert "by the smallest id" in match.problems["message"][0]

    def test_reach_is_ground_feet_in_degrees_too(self, build, rules, ground):
        # At 60 degrees north a degree of longitude is half as long as one of latitude.
        degree_ft = 111_412.0 / 0.3048  # a degree of latitude at 60 N, from the WGS 84 meridian
        outline = shapely.box(10.0, 60.0, 10.001, 60.001)
        footprints = gpd.GeoDataFrame({"building_id": ["a"]}, geometry=[outline], crs="EPSG:4326")
        east = [10.001 + 14 / (degree_ft * 0.5009), 10.001 + 16 / (degree_ft * 0.5009)]
        north = [60.001 + 14 / degree_ft, 60.001 + 16 / degree_ft]
        points = shapely.points(
            [[east[0], 60.0005], [east[1], 60.0005], [10.0005, north[0]], [10.0005, north[1]]]
        )
        frame = gpd.GeoDataFrame({"record": list("0123")}, geometry=points, crs="EPSG:4326")
        assert set(found(join_by_point(footprints, frame, "s", rules, ground))) == {"0", "2"}

    def test_another_crs_is_refused(self, build, rules, ground):
        footprints = build.footprints({"a": build.square(X, Y)})
        frame = build.records("points", geometry=shapely.points([[X, Y]])).frame.set_crs(
            "EPSG:32614", allow_override=True
        )
        with pytest.raises(CrsError, match="survey is in WGS 84 / UTM zone 14N"):
            join_by_point(footprints, frame, "survey", rules, ground)


class TestParcel:
    def test_largest_overlap_slivers_ignored_and_several_buildings(self, build, rules):
        footprints = build.footprints(
            {"a": build.square(0), "b": build.square(20), "c": build.square(36), "d": build.square(100)}
        )
        parcels = [shapely.box(-5, -5, 38, 15), shapely.box(38, -5, 60, 15), shapely.box(107, -5, 130, 15)]
        match = join_by_parcel(footprints, build.records("parcels", geometry=parcels).frame, "p", rules)
        # c has 2 of its 10 units in parcel 0 and 8 in parcel 1; d has 3 of 10 in parcel 2: too little.
        assert found(match) == {"0": ["a", "b"], "1": ["c"]}
        assert codes(match) == [("0", "parcel_speaks_for_several", "info"), ("2", "record_unmatched", "info")]

    def test_a_parcel_drawn_twice_is_a_tie(self, build, rules):
        footprints = build.footprints({"a": build.square(0)})
        twice = [shapely.box(-5, -5, 15, 15)] * 2
        frame = build.records("parcels", geometry=twice, record=["10", "9"]).frame
        match = join_by_parcel(footprints, frame, "p", rules)
        assert found(match) == {"9": ["a"]}
        assert codes(match) == [("10", "record_unmatched", "info"), ("a", "parcel_tie", "warning")]


class TestFootprint:
    def test_best_intersection_over_union(self, build, rules):
        footprints = build.footprints({"a": build.square(0), "b": build.square(20)})
        # Record 0 is a shifted by 2 (iou 8/12); 1 is a big yard over b (iou 1/9); 2 is b itself.
        others = [shapely.box(2, 0, 12, 10), shapely.box(10, -10, 40, 20), build.square(20)]
        match = join_by_footprint(footprints, build.records("footprints", geometry=others).frame, "f", rules)
        assert found(match) == {"0": ["a"], "2": ["b"]}
        assert codes(match) == [("1", "record_unmatched", "warning")]

    def test_threshold_is_met_exactly(self, build, rules):
        footprints = build.footprints({"a": build.square(0)})
        # 10 by 3 of 10 by 10: intersection over union is 0.3.
        frame = build.records("footprints", geometry=[shapely.box(0, 0, 10, 3)]).frame
        assert found(join_by_footprint(footprints, frame, "f", rules)) == {"0": ["a"]}

    def test_one_record_a_building_and_ties_by_id(self, build, rules):
        footprints = build.footprints({"b": build.square(0), "a": build.square(10)})
        others = [shapely.box(0, 0, 20, 10), shapely.box(10, 0, 20, 9)]
        match = join_by_footprint(footprints, build.records("footprints", geometry=others).frame, "f", rules)
        # Record 0 outlines both alike and goes to a, which record 1 outlines better.
        assert found(match) == {"1": ["a"]}
        assert codes(match) == [("0", "duplicate_footprint", "warning"), ("0", "footprint_tie", "warning")]


@settings(deadline=None, max_examples=50)
@given(
    boxes=st.lists(st.tuples(*[st.integers(0, 12)] * 2, *[st.integers(1, 6)] * 2), min_size=1, max_size=8),
    others=st.lists(st.tuples(*[st.integers(0, 12)] * 2, *[st.integers(1, 6)] * 2), min_size=1, max_size=8),
    seed=st.integers(0, 50),
)
def test_joins_by_place_conserve_and_ignore_row_order(build, rules, ground, boxes, others, seed):
    shapes = [shapely.box(X + x, Y + y, X + x + w, Y + y + h) for x, y, w, h in boxes]
    more = [shapely.box(X + x, Y + y, X + x + w, Y + y + h) for x, y, w, h in others]
    footprints = build.footprints({f"b{i}": shape for i, shape in enumerate(shapes)})
    areal = build.records("parcels", geometry=more).frame
    points = build.records("points", geometry=shapely.points([(X + x, Y + y) for x, y, _, _ in others])).frame
    mixed = footprints.sample(frac=1, random_state=seed)
    for join, frame in (
        (lambda a, b: join_by_parcel(a, b, "s", rules), areal),
        (lambda a, b: join_by_footprint(a, b, "s", rules), areal),
        (lambda a, b: join_by_point(a, b, "s", rules, ground), points),
    ):
        match = join(footprints, frame)
        assert not match.pairs.duplicated().any()
        unused = set(frame["record"]) - set(match.pairs["record"])
        assert unused <= set(match.problems["feature"])
        again = join(mixed, frame.sample(frac=1, random_state=seed))
        assert found(again) == found(match)
        assert codes(again) == codes(match)
    assert join_by_parcel(footprints, areal, "s", rules).pairs["building_id"].is_unique
    assert join_by_footprint(footprints, areal, "s", rules).pairs["building_id"].is_unique

    # The plain way: every pair, its overlap.
    small, large, share = overlap_pairs(np.array(shapes), np.array(more))
    got = pd.Series(share, index=pd.MultiIndex.from_arrays([small, large])).sort_index()
    plain = {
        (i, j): a.intersection(b).area / a.area
        for i, a in enumerate(shapes)
        for j, b in enumerate(more)
        if a.intersection(b).area > 0
    }
    assert got.to_dict() == pytest.approx(plain)
