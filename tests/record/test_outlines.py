"""Ids that survive a new footprint layer: worked cases first, then the laws."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS
from shapely.affinity import rotate, translate

from roofplat.record.outlines import Matching, match_outlines, standing
from roofplat.rules import load_rulebook
from roofplat.tables import LINEAGE_EVENTS, RECORD_TABLES

UTM = CRS.from_epsg(32613)
RULES = load_rulebook()
HOUSE = shapely.box(0, 0, 12, 10)


def kept(shapes: dict[str, shapely.Geometry], **more: Sequence[object]) -> gpd.GeoDataFrame:
    """Outlines of the record; those named in `to_date` have ended."""
    n = len(shapes)
    frame = {"building_id": list(shapes), "release": ["r1"] * n, "from_date": ["2025-01-01"] * n,
             "to_date": [None] * n, **more}  # fmt: skip
    table = gpd.GeoDataFrame(frame, geometry=list(shapes.values()), crs=UTM)
    for name in ("from_date", "to_date"):
        table[name] = pd.to_datetime(table[name])
    table["building_id"] = table["building_id"].astype("str")
    return table


def layer(shapes: dict[str, shapely.Geometry]) -> gpd.GeoDataFrame:
    names = pd.Series(list(shapes), dtype="str")
    return gpd.GeoDataFrame({"building_id": names}, geometry=list(shapes.values()), crs=UTM)


def match(old: dict[str, shapely.Geometry], new: dict[str, shapely.Geometry]) -> Matching:
    return match_outlines(kept(old), layer(new), RULES, release="r2")


def events(found: Matching) -> list[tuple[str, object, object]]:
    rows = found.lineage[["event", "old_id", "new_id"]].astype(object)
    return [tuple(row) for row in rows.where(rows.notna(), None).to_numpy().tolist()]


def test_the_same_outline_keeps_its_id() -> None:
    found = match({"B1": HOUSE}, {"77": HOUSE})
    assert found.ids.tolist() == ["B1"]
    assert events(found) == [("same", "B1", "B1")]
    assert found.lineage["share"].tolist() == [1.0]


def test_an_outline_drawn_a_little_off_is_the_same() -> None:
    # 12 by 10 m, 1 m east: 11 of 13 parts of the union are shared.
    found = match({"B1": HOUSE}, {"77": translate(HOUSE, 1, 0)})
    assert events(found) == [("same", "B1", "B1")]
    assert found.lineage["share"].tolist() == pytest.approx([11 / 13])


def test_an_outline_turned_about_its_middle_is_the_same() -> None:
    hall = shapely.box(0, 0, 30, 30)
    assert events(match({"B1": hall}, {"77": rotate(hall, 20)})) == [("same", "B1", "B1")]


def test_a_wing_added_is_a_change_of_one_building() -> None:
    found = match({"B1": HOUSE}, {"77": shapely.box(0, 0, 24, 10)})
    assert events(found) == [("changed", "B1", "B1")]
    assert found.lineage["share"].tolist() == [0.5]


def test_the_largest_part_keeps_the_id_and_the_others_count_on() -> None:
    hall = shapely.box(0, 0, 100, 20)
    parts = {
        "a": shapely.box(0, 0, 20, 20),
        "b": shapely.box(20, 0, 70, 20),
        "c": shapely.box(70, 0, 100, 20),
    }
    found = match({"B1": hall}, parts)
    assert found.ids.tolist() == ["B1.3", "B1", "B1.2"]
    assert events(found) == [("split", "B1", "B1"), ("split", "B1", "B1.2"), ("split", "B1", "B1.3")]
    assert found.lineage["share"].tolist() == [0.5, 0.3, 0.2]


def test_equal_parts_are_numbered_from_west_to_east() -> None:
    hall = shapely.box(0, 0, 90, 20)
    parts = {str(n): shapely.box(30 * n, 0, 30 * n + 30, 20) for n in (2, 0, 1)}
    assert match({"B1": hall}, parts).ids.tolist() == ["B1.3", "B1", "B1.2"]


def test_a_part_never_gets_an_id_that_was_used() -> None:
    hall = shapely.box(0, 0, 90, 20)
    old = kept({"B1": hall, "B1.2": shapely.box(900, 0, 910, 10)}, to_date=[None, "2025-06-01"])
    parts = {
        "a": shapely.box(0, 0, 40, 20),
        "b": shapely.box(40, 0, 70, 20),
        "B1.3": shapely.box(70, 0, 90, 20),
    }
    found = match_outlines(old, layer(parts), RULES)
    assert found.ids.tolist() == ["B1", "B1.4", "B1.5"], "B1.2 was used, B1.3 is somebody's in the file"


def test_a_merged_building_keeps_the_id_of_the_largest() -> None:
    old = {"B1": HOUSE, "B2": shapely.box(12, 0, 40, 10), "B3": shapely.box(40, 0, 50, 10)}
    found = match(old, {"77": shapely.box(0, 0, 50, 10)})
    assert found.ids.tolist() == ["B2"]
    assert events(found) == [("merged", "B1", "B2"), ("merged", "B2", "B2"), ("merged", "B3", "B2")]
    assert found.lineage["share"].tolist() == [0.24, 0.56, 0.2]


def test_a_shed_drawn_apart_leaves_the_hall_as_it_was() -> None:
    hall = shapely.box(0, 0, 100, 20)
    found = match({"B1": hall}, {"a": shapely.box(0, 0, 92, 20), "b": shapely.box(92, 0, 100, 20)})
    assert events(found) == [("same", "B1", "B1"), ("split", "B1", "B1.2")]


def test_nothing_there_is_new_and_nothing_left_is_gone() -> None:
    found = match({"B1": HOUSE}, {"77": translate(HOUSE, 50, 0)})
    assert found.ids.tolist() == ["77"]
    assert events(found) == [("gone", "B1", None), ("new", None, "77")]
    assert found.lineage["share"].isna().all()


def test_a_new_building_takes_no_id_that_another_had() -> None:
    old = kept({"B1": HOUSE, "B9": translate(HOUSE, 500, 0)}, to_date=[None, "2025-06-01"])
    new = layer({"B9": translate(HOUSE, 50, 0), "B1": translate(HOUSE, 90, 0), "B1-2": HOUSE,
                 "B9-2": translate(HOUSE, 200, 0)})  # fmt: skip
    found = match_outlines(old, new, RULES)
    assert found.ids.tolist() == ["B9-3", "B1-2", "B1", "B9-2"]


def test_a_hall_on_the_site_of_a_house_is_no_house_grown_large() -> None:
    found = match({"B1": HOUSE}, {"77": shapely.box(-50, -50, 60, 60)})
    assert events(found) == [("gone", "B1", None), ("new", None, "77")]
    rows = {f"B{n}": translate(HOUSE, 20 * n, 0) for n in range(5)}
    found = match(rows, {"77": shapely.box(0, -50, 100, 60)})
    assert found.lineage["event"].tolist() == ["gone"] * 5 + ["new"], "600 of 11000 m2 were built on"


def test_houses_on_the_site_of_a_hall_are_no_parts_of_it() -> None:
    houses = {str(n): translate(HOUSE, 25 * n, 3) for n in range(4)}
    found = match({"B1": shapely.box(0, 0, 100, 40)}, houses)
    assert found.lineage["event"].tolist() == ["gone"] + ["new"] * 4


def test_what_is_built_where_a_building_was_torn_down_is_new() -> None:
    old = kept({"B1": HOUSE, "B2": translate(HOUSE, 50, 0)})
    new = layer({"B1": shapely.box(0, 0, 12, 9), "B2": translate(HOUSE, 50, 0)})
    found = match_outlines(old, new, RULES, demolished=["B1", "B2"])
    assert events(found) == [("gone", "B1", None), ("same", "B2", "B2"), ("new", None, "B1-2")], (
        "the county still draws B2 as it was"
    )
    ended = kept({"B1": HOUSE}, to_date=["2025-06-01"])
    assert match_outlines(ended, layer({"7": HOUSE}), RULES, demolished=["B1"]).ids.tolist() == ["7"]


def test_row_houses_drawn_a_third_of_a_house_off_keep_their_ids() -> None:
    row = {f"B{n}": translate(HOUSE, 12 * n, 0) for n in range(6)}
    shifted = {f"{n}": translate(HOUSE, 12 * n + 4, 1) for n in range(6)}
    assert match(row, shifted).ids.tolist() == list(row)


def test_an_outline_that_comes_back_as_it_was_is_what_it_was() -> None:
    old = kept({"B1": HOUSE, "B2": translate(HOUSE, 50, 0)}, to_date=["2025-06-01", "2025-06-01"])
    new = layer({"77": HOUSE, "78": translate(HOUSE, 53, 0)})
    found = match_outlines(old, new, RULES)
    assert found.ids.tolist() == ["B1", "78"], "what stands where B2 stood may be built anew"
    assert events(found) == [("same", "B1", "B1"), ("new", None, "78")]


def test_the_first_layer_is_all_new() -> None:
    found = match({}, {"77": HOUSE, "78": translate(HOUSE, 50, 0)})
    assert found.ids.tolist() == ["77", "78"]
    assert found.lineage["event"].tolist() == ["new", "new"]
    assert found.lineage["release"].tolist() == ["r2", "r2"]


def test_of_two_that_cover_it_alike_the_closer_keeps_the_id() -> None:
    """Two new outlines lie over each other, and both hold the old one whole."""
    hall = shapely.box(0, 0, 20, 20)
    found = match({"B1": hall}, {"wide": shapely.box(-20, 0, 30, 20), "close": shapely.box(0, 0, 30, 20)})
    assert found.ids.tolist() == ["B1.2", "B1"]


def test_an_empty_layer_is_all_gone() -> None:
    found = match({"B1": HOUSE}, {})
    assert found.ids.empty
    assert events(found) == [("gone", "B1", None)]


def test_a_part_may_be_absorbed_by_a_neighbour() -> None:
    """The wall between two shops moved: both go on, and neither is a part of the other."""
    old = {"B1": shapely.box(0, 0, 60, 20), "B2": shapely.box(60, 0, 100, 20)}
    found = match(old, {"a": shapely.box(0, 0, 35, 20), "b": shapely.box(35, 0, 100, 20)})
    assert found.ids.tolist() == ["B1", "B2"]
    assert events(found) == [("changed", "B1", "B1"), ("changed", "B2", "B2")]


def test_a_rule_of_the_department_decides_what_is_the_same() -> None:
    strict = load_rulebook({"record.same_share": 0.9})
    found = match_outlines(kept({"B1": HOUSE}), layer({"77": translate(HOUSE, 1, 0)}), strict)
    assert found.lineage["event"].tolist() == ["changed"]


def test_the_latest_outline_stands() -> None:
    rows = kept({"B1": HOUSE, "B2": HOUSE})
    twice = pd.concat([rows, rows.iloc[:1].assign(from_date=pd.Timestamp("2026-01-01"), release="r2")])
    assert standing(twice)[["building_id", "release"]].to_numpy().tolist() == [["B1", "r2"], ["B2", "r1"]]


def test_two_crs_and_doubled_ids_are_defects() -> None:
    with pytest.raises(ValueError, match="one CRS"):
        match_outlines(kept({"B1": HOUSE}), layer({"7": HOUSE}).set_crs(32614, allow_override=True), RULES)
    with pytest.raises(ValueError, match="ids of their own"):
        match_outlines(kept({"B1": HOUSE}), layer({"7": HOUSE}).iloc[[0, 0]], RULES)


boxes = st.builds(
    lambda x, y, wide, deep: shapely.box(x, y, x + wide, y + deep),
    st.integers(0, 60), st.integers(0, 60), st.integers(2, 40), st.integers(2, 40),
)  # fmt: skip
towns = st.lists(boxes, max_size=6, unique_by=lambda shape: shape.bounds)


def named(shapes: Sequence[shapely.Geometry], start: str) -> dict[str, shapely.Geometry]:
    return {f"{start}{n}": shape for n, shape in enumerate(shapes)}


@settings(max_examples=50)
@given(towns, towns)
def test_every_outline_is_told_of_once_and_ids_are_unique(
    old: list[shapely.Geometry], new: list[shapely.Geometry]
) -> None:
    before = named(old, "B")
    found = match(before, named(new, "B"))
    assert found.ids.is_unique
    assert list(found.lineage.columns) == list(RECORD_TABLES["lineage"].columns)
    rows = found.lineage
    assert set(rows["event"]) <= set(LINEAGE_EVENTS)
    # A row for each new outline, and one for each old one that is gone or absorbed.
    own = rows[rows["new_id"].notna() & ~((rows["event"] == "merged") & (rows["old_id"] != rows["new_id"]))]
    assert sorted(own["new_id"]) == sorted(found.ids)
    gone = rows.loc[rows["event"] == "gone", "old_id"]
    absorbed = rows.loc[(rows["event"] == "merged") & (rows["old_id"] != rows["new_id"]), "old_id"]
    goes_on = set(found.ids) & set(before)
    assert sorted([*gone, *absorbed, *goes_on]) == sorted(before)
    fresh = found.ids[~found.ids.isin(list(before))]
    assert not set(fresh) & set(before), "an id that another building had is not given again"
    assert set(rows.loc[rows["event"] == "new", "new_id"]) <= set(fresh)


@settings(max_examples=50)
@given(towns, towns, st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(
    old: list[shapely.Geometry], new: list[shapely.Geometry], chance: st.DataObject
) -> None:
    before, after = kept(named(old, "B")), layer(named(new, "f"))
    found = match_outlines(before, after, RULES)
    mixed_old = before.iloc[chance.sample(range(len(before)), len(before))]
    mixed_new = after.iloc[chance.sample(range(len(after)), len(after))]
    again = match_outlines(mixed_old, mixed_new, RULES)
    assert again.ids.sort_index().tolist() == found.ids.tolist()
    pd.testing.assert_frame_equal(again.lineage, found.lineage)


@settings(max_examples=50)
@given(towns)
def test_the_same_layer_keeps_every_id(shapes: list[shapely.Geometry]) -> None:
    found = match(named(shapes, "B"), named(shapes, "f"))
    assert found.ids.tolist() == [f"B{n}" for n in range(len(shapes))]
    assert found.lineage["event"].tolist() == ["same"] * len(shapes)


def plain_keepers(old: dict[str, shapely.Geometry], new: dict[str, shapely.Geometry]) -> dict[str, str]:
    """Which new outline keeps which id: pair by pair, in plain Python, from the words of the docstring."""
    same, part, least = (RULES.number(f"record.{name}_share") for name in ("same", "part", "least"))
    links = []
    settled = [
        {name for name, shape in one.items() if any(shape.equals(like) for like in other.values())}
        for one, other in ((old, new), (new, old))
    ]
    for old_id, a in old.items():
        for name, b in new.items():
            if old_id in settled[0] and name in settled[1] and not a.equals(b):
                continue
            both = a.intersection(b).area
            iou = both / (a.area + b.area - both)
            if iou >= same or both / min(a.area, b.area) >= part:
                links.append((iou < same, -round(both, 6), -round(iou, 9), old_id, b.bounds[:2], name))
    case = {end: {end} for link in links for end in (("old", link[3]), ("new", link[5]))}
    for link in links:
        joined = case[("old", link[3])] | case[("new", link[5])]
        for end in joined:
            case[end] = joined
    believed = {}
    for ends in case.values():
        olds = [old[name] for kind, name in ends if kind == "old"]
        news = [new[name] for kind, name in ends if kind == "new"]
        both = sum(old[link[3]].intersection(new[link[5]]).area for link in links if ("old", link[3]) in ends)
        total = sum(shape.area for shape in [*olds, *news])
        believed[frozenset(ends)] = round(both / max(total - both, both), 9) >= least
    kept_by: dict[str, str] = {}
    for link in sorted(links):
        old_id, name = link[3], link[5]
        enough = -link[2] >= least or believed[frozenset(case[("old", old_id)])]
        if enough and old_id not in kept_by and name not in kept_by.values():
            kept_by[old_id] = name
    return kept_by


@settings(max_examples=50)
@given(towns, towns)
def test_who_keeps_an_id_is_what_a_plain_loop_says(
    old: list[shapely.Geometry], new: list[shapely.Geometry]
) -> None:
    before, after = named(old, "B"), named(new, "f")
    found = match(before, after)
    told = {name: file for file, name in zip(after, found.ids, strict=True) if name in before}
    assert told == plain_keepers(before, after)


def town(count: int, seed: int = 20260301) -> dict[str, shapely.Geometry]:
    """Houses of different sizes on a grid, 30 m apart."""
    rng = np.random.default_rng(seed)
    side = int(np.ceil(np.sqrt(count)))
    return {
        f"B{n}": shapely.box(x, y, x + wide, y + deep)
        for n, (x, y, wide, deep) in enumerate(
            zip(
                5e5 + 30 * (np.arange(count) % side),
                44e5 + 30 * (np.arange(count) // side),
                rng.uniform(6, 20, count),
                rng.uniform(6, 20, count),
                strict=True,
            )
        )
    }


@pytest.mark.parametrize("far", [(6.0, 0.0), (-2.5, 4.0), (0.0, -8.0)], ids=str)
def test_a_layer_that_lies_off_as_a_whole_is_laid_over(far: tuple[float, float]) -> None:
    """A third of the houses is gone, some are drawn otherwise, others are new, and all lie metres off."""
    rng = np.random.default_rng(7)
    old = town(90)
    new = {
        f"f{n}": translate(rotate(shape, rng.uniform(-4, 4)), *(np.add(far, rng.uniform(-0.3, 0.3, 2))))
        for n, shape in enumerate(old.values())
        if n % 3
    }
    new |= {f"g{n}": translate(HOUSE, 5e5 - 200 + 30 * n, 44e5 - 90) for n in range(6)}
    found = match(old, new)
    assert found.offset_ft == pytest.approx(np.array(far) / 0.3048, abs=0.6)
    told = dict(zip(new, found.ids, strict=True))
    assert {name: told[name] for name in new if name[0] == "f"} == {
        f"f{n}": f"B{n}" for n in range(90) if n % 3
    }
    counts = found.lineage["event"].value_counts().to_dict()
    assert counts == {"same": 60, "gone": 30, "new": 6}


def test_an_offset_is_believed_of_many_that_agree_alone() -> None:
    few = dict(list(town(19).items()))
    assert not match(few, {n: translate(shape, 5, 0) for n, shape in few.items()}).offset_ft.any()
    old, rng = town(60), np.random.default_rng(5)
    apart = {n: translate(shape, *rng.uniform(-6, 6, 2)) for n, shape in old.items()}
    assert not match(old, apart).offset_ft.any(), "every house lies off another way"
    half = {n: translate(shape, 5.0 * (k < 29), 0) for k, (n, shape) in enumerate(old.items())}
    assert not match(old, half).offset_ft.any(), "most lie where they lay"
    assert not match(old, {n: translate(shape, 0.2, 0) for n, shape in old.items()}).offset_ft.any()


def test_a_row_of_equal_houses_is_laid_over_the_right_way() -> None:
    """Half a house off, a row fits itself both ways, but for the house at its end."""
    row = {f"B{n}": translate(HOUSE, 5e5 + 12 * n, 44e5) for n in range(40)}
    shifted = {f"f{n}": translate(shape, 5.9, 0) for n, shape in enumerate(row.values())}
    assert match(row, shifted).ids.tolist() == list(row)


def test_shares_are_those_of_the_overlay() -> None:
    rng = np.random.default_rng(20260301)
    old = {
        f"B{n}": rotate(translate(HOUSE, 40 * (n % 10), 40 * (n // 10)), rng.uniform(0, 90))
        for n in range(60)
    }
    new = {f"f{n}": translate(rotate(shape, rng.uniform(-8, 8)), *rng.uniform(-1.5, 1.5, 2))
           for n, shape in enumerate(old.values())}  # fmt: skip
    found = match(old, new)
    assert found.ids.tolist() == list(old)
    wanted = [
        old[name].intersection(shape).area / old[name].union(shape).area
        for name, shape in zip(found.ids, new.values(), strict=True)
    ]
    shares = found.lineage.set_index("new_id")["share"].loc[found.ids]
    assert shares.to_numpy() == pytest.approx(np.array(wanted), abs=1e-8)
