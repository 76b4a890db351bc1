"""Framing as a whole: tables, bases, and what is told when nothing is known."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pytest
import shapely

from roofplat.rules import load_rulebook


def _feet(line: Any) -> float:
    """Length in ground feet, in the middle of UTM zone 13."""
    return float(shapely.length(line)) / 0.3048 / 0.9996


def _azimuths(line: Any) -> set[float]:
    """Directions of the pieces of a multi-line, to a degree, 0 up to 180."""
    ends = shapely.get_coordinates(line).reshape(-1, 2, 2)
    run = ends[:, 1] - ends[:, 0]
    azimuth = np.round(np.degrees(np.arctan2(run[:, 0], run[:, 1]))) % 180.0
    return set(azimuth.tolist())


@pytest.mark.parametrize("family", ["unknown", "lamella"])
def test_a_roof_of_which_nothing_is_laid_out_has_walls_and_no_members(
    shapes: ModuleType, family: str
) -> None:
    framing = shapes.framed(shapes.rectangle(100, 50), roof_family=[family])
    assert len(framing.walls) == 4
    assert framing.members.empty
    assert framing.sections["beam_spacing_ft"].isna().all()
    assert framing.sections["spacing_basis"].isna().all()
    assert set(framing.walls["kind"]) == {"unknown"}


# On 120 ft east by 60 ft north members run north across the short span, at their spacing along the
# 120 ft; purlins run east, at theirs along the 60 ft. Kind: count, spacing, feet of each, azimuth.
BY_HAND = {
    "panelized_wood": {"beam": (5, 20.0, 60.0, 0.0), "purlin": (7, 8.0, 120.0, 90.0)},
    "panelized_hybrid": {"girder": (2, 40.0, 60.0, 0.0), "joist": (7, 8.0, 120.0, 90.0)},
    "heavy_timber": {"timber": (7, 16.0, 60.0, 0.0), "purlin": (7, 8.0, 120.0, 90.0)},
    "steel_joist_steel_deck": {"girder": (2, 40.0, 60.0, 0.0), "joist": (11, 5.0, 120.0, 90.0)},
    "metal_building": {"frame": (4, 25.0, 60.0, 0.0), "purlin": (11, 5.0, 120.0, 90.0)},
    # 120 ft hold 90 spaces of 16 in, and a little over: joists at 0.81, 2.14, ... 119.18.
    "wood_i_joist_flat": {"joist": (90, 1.33, 60.0, 0.0)},
    "sawn_joist_flat": {"joist": (90, 1.33, 60.0, 0.0)},
    "plate_truss_flat": {"truss": (59, 2.0, 60.0, 0.0)},
    "bowstring_truss": {"truss": (5, 20.0, 60.0, 0.0)},
    "concrete_deck": {"tee": (11, 10.0, 60.0, 0.0)},
    # Glazing runs east and west, so that it looks north: two lines in 60 ft.
    "sawtooth": {"glazing": (2, 22.0, 120.0, 90.0)},
    "lamella": {},
    "unknown": {},
}


@pytest.mark.parametrize("turn", [0.0, 30.0])
@pytest.mark.parametrize("family", BY_HAND)
def test_each_family_gets_its_own_members(shapes: ModuleType, family: str, turn: float) -> None:
    framing = shapes.framed(shapes.turned(shapes.rectangle(120, 60), turn), roof_family=[family])
    members = framing.members.set_index("kind")
    assert set(members.index) == set(BY_HAND[family])
    for kind, (count, spacing, length, azimuth) in BY_HAND[family].items():
        row = members.loc[kind]
        assert (row["count"], row["spacing_ft"], row["basis"]) == (count, spacing, "assumed")
        pieces = shapely.get_parts(row["geometry"])
        assert len(pieces) == count
        assert [_feet(piece) for piece in pieces] == pytest.approx([length] * count, abs=0.01)
        # On a grid turned a little from true north directions in the plane are off by less.
        assert _azimuths(row["geometry"]) == {(azimuth + turn) % 180.0}
    spacings = framing.sections[["beam_spacing_ft", "purlin_spacing_ft", "rafter_spacing_ft"]].iloc[0]
    assert {spacing for _, spacing, _, _ in BY_HAND[family].values()} <= set(spacings.dropna())


def test_every_family_is_laid_out_by_hand_or_pitched(shapes: ModuleType) -> None:
    pitched = {name for name, family in shapes.RULES.families.items() if family.framing == "pitched"}
    assert pitched | set(BY_HAND) == set(shapes.RULES.families)
    for name in pitched:
        framing = shapes.framed(shapes.rectangle(120, 60), roof_family=[name])
        assert set(framing.members["kind"]) == {"ridge", shapes.RULES.families[name].members["rafter"]}


def test_joists_and_trusses_of_an_l_end_at_its_wings(shapes: ModuleType) -> None:
    """Both ways are 100 ft, so members run north: over the west wing 100 ft, over the south one 45."""
    framing = shapes.framed(
        *[shapes.letter_l(100, 45)] * 2, roof_family=["plate_truss_flat", "bowstring_truss"]
    )
    joists, trusses = framing.members.sort_values("spacing_ft").geometry
    # 49 joists every 2 ft, 22 of them west of 45 ft; trusses at 20 and 40, and at 60 and 80.
    assert _feet(joists) == pytest.approx(22 * 100 + 27 * 45, abs=0.05)
    assert _feet(trusses) == pytest.approx(2 * 100 + 2 * 45, abs=0.05)
    assert _azimuths(joists) == _azimuths(trusses) == {0.0}


def test_joists_are_counted_and_bound_the_bays(shapes: ModuleType) -> None:
    """Every fifth joist at 2 ft bounds a bay of 10 ft, and is one of the joists drawn."""
    framing = shapes.framed(shapes.rectangle(120, 60), roof_family=["plate_truss_flat"])
    assert framing.sections["rafter_count"].tolist() == [59]
    frames = framing.frames
    assert (frames.beams.spacing[0], frames.beams.count[0], frames.purlins.spacing[0]) == (10.0, 11, 6.0)
    assert frames.purlins_bear.tolist() == [False]
    x = shapely.get_coordinates(framing.members.geometry.iloc[0])[:, 0]
    at = frames.beams.first[0] + 10.0 * np.arange(11)
    bounds, _ = frames.crs(np.zeros(11), at, np.zeros(11, dtype=int))
    assert np.abs(x[:, None] - bounds).min(axis=0).max() < 1e-3


def test_which_walls_carry_goes_by_the_framing(shapes: ModuleType) -> None:
    """Joists and trusses run north and land on the long walls; a grid lands on all four."""
    families = ["panelized_wood", "sawn_joist_flat", "bowstring_truss", "sawtooth", "lamella"]
    places = [shapes.rectangle(120, 60, west=300 * number) for number in range(5)]
    walls = shapes.framed(*places, roof_family=families).walls
    long = walls["length_ft"].round() == 120
    kinds = [
        (set(group.loc[long, "kind"]), set(group.loc[~long, "kind"]))
        for _, group in walls.groupby("building_id")
    ]
    assert kinds == [
        ({"bearing"}, {"bearing"}),
        ({"bearing"}, {"nonbearing"}),
        ({"bearing"}, {"nonbearing"}),
        # Which way a sawtooth's own members run, its lines of glazing do not tell.
        ({"unknown"}, {"unknown"}),
        ({"unknown"}, {"unknown"}),
    ]
    told = walls["kind"] != "unknown"
    assert set(walls.loc[told, "kind_basis"]) == {"inferred"}
    assert set(walls.loc[~told, "kind_basis"]) == {"assumed"}


def test_what_a_survey_says_of_the_walls_wins(shapes: ModuleType) -> None:
    framing = shapes.framed(shapes.rectangle(120, 60), roof_family=["sawn_joist_flat"], bearing_walls=["all"])
    assert set(framing.walls["kind"]) == {"bearing"}
    assert set(framing.walls["kind_basis"]) == {"surveyed"}


def test_a_narrow_shed_has_joists_and_no_beams(shapes: ModuleType) -> None:
    """12 ft is enough for joists and too little for a grid or for trusses."""
    families = ["sawn_joist_flat", "panelized_wood", "bowstring_truss"]
    places = [shapes.rectangle(40, 12, west=100 * number) for number in range(3)]
    framing = shapes.framed(*places, roof_family=families)
    assert framing.members["building_id"].tolist() == ["B000"]


def test_a_recorded_spacing_of_joists_comes_first(shapes: ModuleType) -> None:
    framing = shapes.framed(
        shapes.rectangle(120, 60),
        roof_family=["sawn_joist_flat"],
        rafter_spacing_ft=[1.0],
        rafter_spacing_ft_basis=["recorded"],
        # A family without beams takes no notice of their spacing.
        beam_spacing_ft=[20.0],
    )
    assert framing.members["spacing_ft"].tolist() == [1.0]
    assert framing.members["count"].tolist() == [119]
    assert framing.sections["spacing_basis"].tolist() == ["recorded"]
    assert framing.sections["beam_spacing_ft"].isna().all()


def test_a_walk_that_feels_the_joists_crosses_them(shapes: ModuleType) -> None:
    framing = shapes.framed(
        shapes.rectangle(120, 60),
        roof_family=["sawn_joist_flat"],
        sounding_walk_deg=[0.0],
        sounding_spacing_ft=[1.33],
    )
    assert framing.sections["framing_axis_deg"].tolist() == pytest.approx([90.0], abs=0.01)
    assert framing.sections["axis_basis"].tolist() == ["surveyed"]
    assert framing.problems.empty


def test_a_family_added_by_the_department_is_framed_without_code(shapes: ModuleType) -> None:
    rules = load_rulebook(
        families={
            "deep_joist": {"like": "sawn_joist_flat", "label": "Deep joist", "rafter_spacing_ft": 2.0},
            "plank": {
                "label": "Plank and beam",
                "caution": "Check the planks.",
                "framing": "grid",
                "members": {"beam": "timber", "purlin": "joist"},
                "severity": 0.5,
                "beam_spacing_ft": 12.0,
                "purlin_spacing_ft": 6.0,
                "methods": ["between_joists"],
                "trench": [],
            },
        }
    )
    framing = shapes.framed(
        *[shapes.rectangle(120, 60)] * 2, rules=rules, roof_family=["deep_joist", "plank"]
    )
    found = {(row["building_id"], row["kind"]): row["count"] for _, row in framing.members.iterrows()}
    assert found == {("B000", "joist"): 59, ("B001", "timber"): 9, ("B001", "joist"): 9}


def test_a_department_changes_a_spacing_by_its_rule(shapes: ModuleType) -> None:
    rules = load_rulebook({"family.bowstring_truss.beam_spacing_ft": 15.0})
    framing = shapes.framed(shapes.rectangle(120, 60), rules=rules, roof_family=["bowstring_truss"])
    assert framing.members["count"].tolist() == [7]


def test_a_district_of_one_small_shed_has_no_members(shapes: ModuleType) -> None:
    assert shapes.framed(shapes.rectangle(10, 10)).members.empty


def test_defaults_are_assumed_and_records_come_first(shapes: ModuleType) -> None:
    framing = shapes.framed(
        *[shapes.rectangle(100, 50)] * 2,
        beam_spacing_ft=[None, 25.0],
        purlin_spacing_ft=[None, 8.0],
        rafter_spacing_ft=[None, 2.0],
        rafter_spacing_ft_basis=[None, "recorded"],
    )
    assert framing.sections["beam_spacing_ft"].tolist() == [20.0, 25.0]
    assert framing.sections["spacing_basis"].tolist() == ["assumed", "recorded"]


def test_members_are_counted_and_carry_the_weaker_basis(shapes: ModuleType) -> None:
    framing = shapes.framed(
        shapes.rectangle(100, 50),
        framing_axis_deg=[0.0],
        beam_spacing_ft=[20.0],
        purlin_spacing_ft=[8.0],
        rafter_spacing_ft=[2.0],
        rafter_spacing_ft_basis=["recorded"],
    )
    members = framing.members.set_index("kind")
    assert members["count"].to_dict() == {"beam": 4, "purlin": 6}
    assert members["spacing_ft"].to_dict() == {"beam": 20.0, "purlin": 8.0}
    assert set(members["basis"]) == {"recorded"}
    # Four beams of 50 ft and six purlins of 100 ft.
    feet_per_m = 1 / 0.3048 / 0.9996
    np.testing.assert_allclose(members.length * feet_per_m, [200.0, 600.0], atol=0.01)


def test_an_unfit_sounding_is_a_problem_and_the_outline_stands(shapes: ModuleType) -> None:
    framing = shapes.framed(shapes.rectangle(100, 50), sounding_walk_deg=[0.0], sounding_spacing_ft=[13.0])
    assert framing.problems["code"].tolist() == ["sounding_fits_no_spacing"]
    assert framing.problems["feature"].tolist() == ["B000/1"]
    assert framing.sections["axis_basis"].tolist() == ["inferred"]


def test_a_doubtful_axis_lets_no_wall_be_called_bearing(shapes: ModuleType) -> None:
    angle = np.radians(np.arange(0, 360, 45))
    octagon = shapely.Polygon(np.column_stack([50 * np.cos(angle), 50 * np.sin(angle)]))
    framing = shapes.framed(octagon)
    assert framing.sections["axis_basis"].tolist() == ["doubtful"]
    assert set(framing.walls["kind"]) == {"unknown"}


@pytest.mark.parametrize(
    ("family", "size", "facts"),
    [
        # 30,000 beams and 24,000 purlins: their bays were 5 GB before a cut was looked for.
        ("panelized_wood", (15_000, 12_000), {"beam_spacing_ft": [0.5], "purlin_spacing_ft": [0.5]}),
        # A spacing of a department's own range, and one so small that no whole number counts the lines.
        ("panelized_wood", (400, 100), {"beam_spacing_ft": [1e-300], "purlin_spacing_ft": [8.0]}),
        ("sawn_joist_flat", (400, 100), {"rafter_spacing_ft": [1e-5]}),
        ("sawn_rafter_pitched", (400, 100), {"rafter_spacing_ft": [1e-5]}),
        ("sawn_rafter_pitched", (400, 100), {"rafter_spacing_ft": [1e-300]}),
        ("bowstring_truss", (400, 100), {"beam_spacing_ft": [1e-4]}),
    ],
)
def test_more_members_than_a_roof_has_are_not_laid_out(
    shapes: ModuleType, family: str, size: tuple[float, float], facts: dict[str, list[float]]
) -> None:
    beside = shapes.rectangle(100, 60, west=20_000)
    known = {name: [*values, None] for name, values in facts.items()}
    framing = shapes.framed(shapes.rectangle(*size), beside, roof_family=[family] * 2, **known)
    alone = shapes.framed(beside, roof_family=[family])
    told = framing.problems[framing.problems["code"] == "members_too_close"]
    assert told["feature"].tolist() == ["B000/1"]
    assert "more than 250,000" in told["message"].iloc[0]
    own = framing.members[framing.members["section_id"] == "B000/1"]
    # The lines between planes are not spaced.
    assert own["spacing_ft"].isna().all()
    assert framing.sections["rafter_count"].isna().iloc[0]
    # The spacing is still told as it was given.
    for name, values in facts.items():
        assert framing.sections[name].iloc[0] == values[0]
    others = framing.members[framing.members["section_id"] == "B001/1"]
    for name in ("kind", "spacing_ft", "count"):
        np.testing.assert_array_equal(others[name].to_numpy(), alone.members[name].to_numpy())


def test_as_many_bays_as_the_rule_says_are_laid_out(shapes: ModuleType) -> None:
    """100 by 60 ft: two beams make 3 rows across the 60 ft, 12 purlins 13 columns along the 100 ft."""
    for most, told in ((39, []), (38, ["members_too_close"])):
        rules = load_rulebook({"member.most_bays": most})
        framing = shapes.framed(
            shapes.rectangle(60, 100), roof_family=["panelized_wood"], framing_axis_deg=[0.0], rules=rules
        )
        assert framing.problems["code"].tolist() == told


def test_pieces_count_where_a_line_is_cut_often(shapes: ModuleType) -> None:
    """Half a foot apart: 60 lines cross ten teeth of 30 ft, 20 lines the back of 10 ft."""
    teeth = [corner for x in range(0, 200, 20) for corner in ((x, 10), (x, 40), (x + 10, 40), (x + 10, 10))]
    comb = shapely.Polygon([(0, 0), *teeth, (200, 10), (200, 0)])
    for most, told in ((625, []), (615, ["members_too_close"])):
        rules = load_rulebook({"member.most_bays": most})
        framing = shapes.framed(
            comb,
            roof_family=["bowstring_truss"],
            framing_axis_deg=[90.0],
            beam_spacing_ft=[0.5],
            rules=rules,
        )
        assert framing.problems["code"].tolist() == told
