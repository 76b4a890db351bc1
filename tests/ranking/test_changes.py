"""What changed between two states: figures by hand, and nothing where nothing did."""

from __future__ import annotations

import copy
from functools import cache
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod, Transformer
from shapely import LineString, affinity, box

from roofplat.ground import Ground
from roofplat.ranking.changes import Changes, compare_states
from roofplat.rules import load_rulebook
from roofplat.tables import CHANGE_KINDS, TABLES, conform

CRS = "EPSG:32613"
X, Y = 500_000.0, 4_400_000.0
FOOT = 0.3048
GROUND = Ground(FOOT, None)
RULES = load_rulebook()
TO_LONLAT = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)


def table(name: str, rows: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    frame = gpd.GeoDataFrame(
        pd.DataFrame(rows).reindex(columns=[*TABLES[name].columns, "geometry"]), geometry="geometry", crs=CRS
    )
    return conform(name, frame)


@cache
def _town(count: int) -> dict[str, Any]:
    """Sheds of 100 by 50 m in a row, a ladder at the middle of the south wall of each."""
    ids = [f"b{number}" for number in range(1, count + 1)]
    shapes = [box(X + 200 * at, Y, X + 200 * at + 100, Y + 50) for at in range(count)]
    bases = [(X + 200 * at + 50, Y - 2) for at in range(count)]
    spots = [TO_LONLAT.transform(*base) for base in bases]
    return {
        "buildings": table(
            "buildings",
            [
                {"building_id": name, "name": f"Shed {name}", "address": f"{at} Mill Road",
                 "area_ft2": 53_820.0,
                 "roof_family": "unknown", "dispatch_area": "Mill", "geometry": shape}
                for at, (name, shape) in enumerate(zip(ids, shapes, strict=True))
            ],
        ),
        "sections": table(
            "sections",
            [
                {"building_id": name, "section_id": f"{name}-1", "roof_family": "panelized_wood",
                 "family_basis": "inferred", "framing_axis_deg": 0.0, "axis_basis": "inferred",
                 "beam_spacing_ft": 20.0, "purlin_spacing_ft": 8.0, "rafter_spacing_ft": 2.0,
                 "spacing_basis": "assumed", "cut_method": "fold_back", "cut_method_why": "Panels hold.",
                 "area_ft2": 53_820.0, "geometry": shape}
                for name, shape in zip(ids, shapes, strict=True)
            ],
        ),
        "ladders": table(
            "ladders",
            [
                {"building_id": name, "section_id": f"{name}-1", "rank": 1, "side": "A", "base_lon": lon,
                 "base_lat": lat, "ladder_ft": 28.0, "apparatus": "ground_ladder", "usng": "13SDB0000000000",
                 "geometry": LineString([base, (base[0], base[1] + 2)])}
                for name, base, (lon, lat) in zip(ids, bases, spots, strict=True)
            ],
        ),
        "ranking": table(
            "ranking",
            [
                {"building_id": name, "roof_family": "unknown", "score": 0.6 - 0.1 * at, "rank": at + 1,
                 "part_lightweight": 0.2, "part_stale_information": 0.1, "geometry": shape}
                for at, (name, shape) in enumerate(zip(ids, shapes, strict=True))
            ],
        ),
    }  # fmt: skip


def town(count: int = 3) -> dict[str, Any]:
    """The sheds, to be changed at will."""
    return copy.deepcopy(_town(count))


def changed(before: dict[str, Any], after: dict[str, Any], **overrides: float) -> Changes:
    rules = load_rulebook({f"changes.{name}": value for name, value in overrides.items()})
    return compare_states(before, after, rules, GROUND)


def put(state: dict[str, Any], name: str, row: int, **values: Any) -> None:
    for column, value in values.items():
        state[name].loc[row, column] = value


def told(changes: Changes) -> list[tuple[Any, ...]]:
    columns = ["building_id", "what", "before", "after"]
    rows = changes.rows[columns].astype(object).where(changes.rows[columns].notna(), None)
    return list(rows.itertuples(index=False, name=None))


@pytest.fixture
def before() -> dict[str, Any]:
    return town()


@pytest.fixture
def after(before: dict[str, Any]) -> dict[str, Any]:
    return copy.deepcopy(before)


def test_equal_states_give_no_row(before: dict[str, Any], after: dict[str, Any]) -> None:
    found = changed(before, after)
    assert len(found.rows) == 0
    assert len(found.moves) == 0
    assert found.rows.crs == CRS


@settings(max_examples=6)
@given(st.permutations(range(3)))
def test_the_order_of_rows_changes_nothing(order: list[int]) -> None:
    before, after = town(), town()
    put(after, "sections", 1, roof_family="heavy_timber", family_basis="surveyed")
    shuffled = {name: frame.iloc[order].reset_index(drop=True) for name, frame in after.items()}
    assert len(changed(before, {name: frame.iloc[order] for name, frame in before.items()}).rows) == 0
    pd.testing.assert_frame_equal(changed(before, shuffled).rows, changed(before, after).rows)


def test_a_family_tells_how_both_were_known(before: dict[str, Any], after: dict[str, Any]) -> None:
    put(after, "sections", 1, roof_family="heavy_timber", family_basis="surveyed")
    (row,) = changed(before, after).rows.to_dict("records")
    assert (row["building_id"], row["section_id"], row["what"]) == ("b2", "b2-1", "roof_family")
    assert (row["before"], row["before_basis"]) == ("panelized_wood", "inferred")
    assert (row["after"], row["after_basis"]) == ("heavy_timber", "surveyed")
    assert (row["name"], row["address"], row["dispatch_area"]) == ("Shed b2", "1 Mill Road", "Mill")
    assert row["geometry"].equals(before["buildings"].geometry[1])


def test_a_guess_that_a_survey_confirmed_is_a_change(before: dict[str, Any], after: dict[str, Any]) -> None:
    put(after, "sections", 0, family_basis="surveyed")
    (row,) = changed(before, after).rows.to_dict("records")
    assert (row["what"], row["before"], row["after"]) == ("roof_family", "panelized_wood", "panelized_wood")
    assert (row["before_basis"], row["after_basis"]) == ("inferred", "surveyed")


@pytest.mark.parametrize(
    ("was", "now", "by"),
    [(0.0, 90.0, 90.0), (1.0, 179.0, -2.0), (179.0, 1.0, 2.0), (10.0, 30.0, 20.0), (0.2, 180.0, None),
     (0.0, 0.5, None), (0.0, 0.51, 0.51), (np.nan, 40.0, np.nan), (40.0, np.nan, np.nan)],
)  # fmt: skip
def test_beams_turn_as_lines_without_a_head(
    before: dict[str, Any], after: dict[str, Any], was: float, now: float, by: float | None
) -> None:
    put(before, "sections", 0, framing_axis_deg=was)
    put(after, "sections", 0, framing_axis_deg=now)
    rows = changed(before, after).rows
    assert rows["what"].tolist() == ([] if by is None else ["framing_axis_deg"])
    if by is not None:
        assert rows["by"][0] == pytest.approx(by, nan_ok=True)


@settings(max_examples=30)
@given(st.floats(0, 180), st.floats(0, 180))
def test_a_turn_leads_from_one_axis_to_the_other(was: float, now: float) -> None:
    before, after = town(1), town(1)
    put(before, "sections", 0, framing_axis_deg=was)
    put(after, "sections", 0, framing_axis_deg=now)
    rows = changed(before, after, axis_deg=0.0).rows
    # The plain way to say it: the smaller of the two turns between lines.
    apart = min(abs(now - was) % 180, 180 - abs(now - was) % 180)
    by = float(rows["by"].iloc[0]) if len(rows) else 0.0
    assert abs(by) == pytest.approx(apart, abs=1e-9)
    assert (was + by - now) % 180 == pytest.approx(0, abs=1e-9) or (was + by - now) % 180 == pytest.approx(
        180
    )


def test_spacings_are_told_one_by_one(before: dict[str, Any], after: dict[str, Any]) -> None:
    put(after, "sections", 0, beam_spacing_ft=24.0, purlin_spacing_ft=8.04, rafter_spacing_ft=np.nan)
    found = changed(before, after)
    assert told(found) == [
        ("b1", "beam_spacing_ft", "20 ft", "24 ft"),
        ("b1", "rafter_spacing_ft", "2 ft", None),
    ]
    assert found.rows["by"][0] == 4.0
    # What is not there is not known in any way.
    assert found.rows["after_basis"].isna().tolist() == [False, True]


def test_another_way_to_open_it_says_why(before: dict[str, Any], after: dict[str, Any]) -> None:
    put(after, "sections", 2, cut_method="do_not_cut")
    put(after, "sections", 1, cut_method=None)
    after["sections"]["cut_method_why"] = ["Panels hold.", "family_unknown", "It hangs from the roof."]
    found = changed(before, after)
    assert told(found) == [
        ("b2", "cut_method", "fold_back", None),
        ("b3", "cut_method", "fold_back", "do_not_cut"),
    ]
    assert found.rows["why"].tolist() == ["family_unknown", "It hangs from the roof."]


@pytest.mark.parametrize(("feet", "listed"), [(4.9, False), (5.1, True), (120.0, True)])
def test_a_ladder_that_moved_is_measured_on_the_ellipsoid(
    before: dict[str, Any], after: dict[str, Any], feet: float, listed: bool
) -> None:
    lon, lat = before["ladders"].loc[0, ["base_lon", "base_lat"]]
    # An independent way there: so far along the ellipsoid, to the north-east.
    there = Geod(ellps="WGS84").fwd(lon, lat, 45.0, feet * FOOT)
    put(after, "ladders", 0, base_lon=there[0], base_lat=there[1], side="B")
    found = changed(before, after)
    assert found.rows["what"].tolist() == ["ladder_spot"] * listed
    if listed:
        assert found.rows["by"][0] == pytest.approx(feet, abs=1e-4)
        assert found.rows["before"][0] == "side A, 13SDB0000000000"
        assert found.rows["spot"].tolist() == [1]
        assert found.moves["moved_ft"].tolist() == pytest.approx([feet], abs=1e-4)
        # In UTM on the central meridian a length is drawn 0.9996 of what it is.
        assert found.moves.length[0] == pytest.approx(feet * FOOT * 0.9996, rel=1e-5)
        assert found.moves.crs == CRS


def test_feet_are_longer_on_the_ellipsoid_than_at_an_elevation(
    before: dict[str, Any], after: dict[str, Any]
) -> None:
    lon, lat = before["ladders"].loc[0, ["base_lon", "base_lat"]]
    there = Geod(ellps="WGS84").fwd(lon, lat, 0.0, 1000 * FOOT)
    put(after, "ladders", 0, base_lat=there[1])
    high = compare_states(before, after, RULES, Ground(FOOT, 10_000.0)).rows["by"][0]
    assert high == pytest.approx(1000 * (1 + 3048 / 6_371_008.8), rel=1e-6)


def test_ladders_come_and_go_and_get_longer(before: dict[str, Any], after: dict[str, Any]) -> None:
    put(after, "ladders", 0, ladder_ft=35.0)
    put(after, "ladders", 1, ladder_ft=np.nan, apparatus="aerial")
    after["ladders"] = after["ladders"].drop(index=2)
    found = changed(before, after)
    assert told(found) == [
        ("b1", "ladder_needed", "28 ft ground ladder", "35 ft ground ladder"),
        ("b2", "ladder_needed", "28 ft ground ladder", "aerial"),
        ("b3", "ladder_spot", "side A, 13SDB0000000000", None),
    ]
    assert found.rows["by"].tolist()[0] == 7.0
    assert len(found.moves) == 0


def test_a_score_names_the_part_that_moved_it_most(before: dict[str, Any], after: dict[str, Any]) -> None:
    put(after, "ranking", 2, score=0.55, part_lightweight=0.21, part_stale_information=0.24, rank=2)
    put(after, "ranking", 1, rank=3)
    put(after, "ranking", 0, score=0.6004)
    found = changed(before, after)
    assert told(found) == [
        ("b3", "score", "0.4000", "0.5500"),
        ("b3", "rank", "3", "2"),
        ("b2", "rank", "2", "3"),
    ]
    assert found.rows["why"].tolist()[0] == "Most of it by stale_information: +0.1400."
    assert found.rows["by"].tolist() == pytest.approx([0.15, -1.0, 1.0])
    assert found.rows["why"].isna()[1]
    assert found.rows["why"][2] == "Its own score is as it was; others moved past it."
    # A department that wants less to read may say so.
    assert set(changed(before, after, rank_places=2.0, score_share=0.2).rows["what"]) == set()


def test_a_part_that_fell_may_be_the_largest(before: dict[str, Any], after: dict[str, Any]) -> None:
    put(after, "ranking", 0, score=0.53, part_lightweight=0.23, part_stale_information=0.0)
    assert changed(before, after).rows["why"].tolist() == ["Most of it by stale_information: -0.1000."]


def test_a_basis_without_a_value_says_nothing(before: dict[str, Any], after: dict[str, Any]) -> None:
    for state, basis in ((before, "assumed"), (after, "surveyed")):
        put(state, "sections", 0, framing_axis_deg=np.nan, axis_basis=basis)
    assert len(changed(before, after).rows) == 0


def test_buildings_come_and_go_with_one_row_each(before: dict[str, Any], after: dict[str, Any]) -> None:
    before = {name: frame[frame["building_id"] != "b1"] for name, frame in before.items()}
    after = {name: frame[frame["building_id"] != "b3"] for name, frame in after.items()}
    found = changed(before, after)
    assert told(found) == [
        ("b1", "building_new", None, "an outline"),
        ("b3", "building_gone", "an outline", None),
    ]
    # What is gone stands on the map where it stood.
    assert found.rows.geometry.to_list()[1].equals(before["buildings"].geometry.to_list()[1])
    assert found.rows["address"].tolist() == ["0 Mill Road", "2 Mill Road"]


def test_sections_come_and_go(before: dict[str, Any], after: dict[str, Any]) -> None:
    extra = after["sections"].iloc[[1]].assign(section_id="b2-2")
    after["sections"] = pd.concat([after["sections"], extra])
    assert told(changed(before, after)) == [("b2", "section_new", None, "a section")]
    assert told(changed(after, before)) == [("b2", "section_gone", "a section", None)]


@pytest.mark.parametrize(("feet", "listed"), [(4.9, False), (5.1, True)])
def test_an_outline_that_moved(
    before: dict[str, Any], after: dict[str, Any], feet: float, listed: bool
) -> None:
    # On the central meridian of UTM a true foot is drawn 0.9996 of one.
    shape = affinity.translate(before["buildings"].geometry[1], feet * FOOT * 0.9996)
    after["buildings"].loc[[1], "geometry"] = gpd.GeoSeries([shape], index=[1], crs=CRS)
    found = changed(before, after)
    assert found.rows["what"].tolist() == ["outline"] * listed
    if listed:
        assert found.rows["by"][0] == pytest.approx(feet, rel=1e-4)


def test_a_corner_more_on_a_straight_wall_is_no_change(before: dict[str, Any], after: dict[str, Any]) -> None:
    after["buildings"]["geometry"] = after["buildings"].geometry.segmentize(10.0)
    assert len(changed(before, after).rows) == 0


def test_another_working_crs_is_no_change(before: dict[str, Any], after: dict[str, Any]) -> None:
    moved = {name: frame.to_crs("EPSG:32612") for name, frame in before.items()}
    assert len(changed(moved, after).rows) == 0
    assert changed(after, moved).rows.crs == "EPSG:32612"


FIELDS: dict[str, tuple[str, st.SearchStrategy[Any]]] = {
    "roof_family": ("sections", st.sampled_from(["unknown", "heavy_timber", "panelized_wood"])),
    "family_basis": ("sections", st.sampled_from(["surveyed", "inferred"])),
    "framing_axis_deg": ("sections", st.sampled_from([np.nan, 0.0, 0.4, 45.0, 179.7])),
    "axis_basis": ("sections", st.sampled_from(["surveyed", "doubtful"])),
    "beam_spacing_ft": ("sections", st.sampled_from([np.nan, 20.0, 20.04, 24.0])),
    "spacing_basis": ("sections", st.sampled_from(["surveyed", "assumed"])),
    "cut_method": ("sections", st.sampled_from([None, "fold_back", "do_not_cut"])),
    "score": ("ranking", st.sampled_from([0.3, 0.3004, 0.4])),
    "rank": ("ranking", st.sampled_from([1, 2, 3])),
}
ROWS = st.lists(
    st.fixed_dictionaries({name: values for name, (_, values) in FIELDS.items()}), min_size=3, max_size=3
)


def plainly(was: dict[str, Any], now: dict[str, Any]) -> set[str]:
    """What differs between two rows, the plain way."""
    told = set()

    def off(name: str, basis: str, by: float) -> None:
        there = [not np.isnan(row[name]) for row in (was, now)]
        bases = [row[basis] if known else None for row, known in zip((was, now), there, strict=True)]
        if bases[0] != bases[1] or there[0] != there[1] or (all(there) and by > least[name]):
            told.add(name)

    least = {"framing_axis_deg": 0.5, "beam_spacing_ft": 0.05}
    turn = abs(was["framing_axis_deg"] - now["framing_axis_deg"]) % 180
    off("framing_axis_deg", "axis_basis", min(turn, 180 - turn))
    off("beam_spacing_ft", "spacing_basis", abs(was["beam_spacing_ft"] - now["beam_spacing_ft"]))
    families = [(row["roof_family"], row["family_basis"]) for row in (was, now)]
    families = [("unknown", "") if name == "unknown" else (name, basis) for name, basis in families]
    told |= {"roof_family"} if families[0] != families[1] else set()
    told |= {"cut_method"} if was["cut_method"] != now["cut_method"] else set()
    told |= {"score"} if abs(was["score"] - now["score"]) > 0.0005 else set()
    told |= {"rank"} if was["rank"] != now["rank"] else set()
    return told


@settings(max_examples=25)
@given(ROWS, ROWS)
def test_it_lists_what_a_plain_loop_lists(was: list[dict[str, Any]], now: list[dict[str, Any]]) -> None:
    before, after = town(), town()
    for state, rows in ((before, was), (after, now)):
        for number, row in enumerate(rows):
            for name, (where, _) in FIELDS.items():
                put(state, where, number, **{name: row[name]})
            # Purlins and rafters have the same basis; without a spacing they are no row of their own.
            put(state, "sections", number, purlin_spacing_ft=np.nan, rafter_spacing_ft=np.nan)
    listed = set(changed(before, after).rows[["building_id", "what"]].itertuples(index=False, name=None))
    wanted = {
        (f"b{number}", what)
        for number, pair in enumerate(zip(was, now, strict=True), start=1)
        for what in plainly(*pair)
    }
    assert listed == wanted


def test_what_an_older_build_does_not_have_is_not_compared(
    before: dict[str, Any], after: dict[str, Any]
) -> None:
    before["sections"] = before["sections"].drop(columns=["cut_method", "family_basis", "beam_spacing_ft"])
    before["ranking"] = before["ranking"].drop(columns=["part_lightweight", "part_stale_information"])
    put(after, "ranking", 0, score=0.7)
    found = changed(before, after)
    assert told(found) == [("b1", "score", "0.6000", "0.7000")]
    assert found.rows["why"].isna().all()


def test_rows_stand_by_rank_then_by_kind(before: dict[str, Any], after: dict[str, Any]) -> None:
    for row in (2, 0):
        put(after, "sections", row, framing_axis_deg=45.0, roof_family="heavy_timber")
    put(after, "ranking", 0, rank=3)
    put(after, "ranking", 2, rank=1)
    rows = changed(before, after).rows
    assert rows["building_id"].tolist() == ["b3"] * 3 + ["b1"] * 3
    assert rows["what"].tolist() == ["roof_family", "framing_axis_deg", "rank"] * 2
    assert [CHANGE_KINDS.index(kind) for kind in rows["what"][:3]] == [5, 6, 14]


def test_a_state_without_buildings(before: dict[str, Any]) -> None:
    none = {name: frame.iloc[:0] for name, frame in before.items()}
    assert set(changed(before, none).rows["what"]) == {"building_gone"}
    assert set(changed(none, before).rows["what"]) == {"building_new"}
    assert len(changed(none, none).rows) == 0
