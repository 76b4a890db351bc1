"""How each family is opened, what is rejected, and by which rule: a roof of 80 by 30 ft of each.

Thirty feet is a span that every family has, so that only its own rules speak.
"""

from __future__ import annotations

import re
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest
import shapely

from roofplat.placing.methods import CUTTING, REJECTIONS
from roofplat.placing.reasons import NO_CUT
from roofplat.rules import Rulebook, load_rulebook
from roofplat.tables import METHODS

# The method told, the ways in which the deck is cut, and the code where it is not.
PLANNED: dict[str, tuple[str | None, set[str], str]] = {
    "panelized_wood": ("fold_back", {"fold_back"}, "fold_back"),
    "panelized_hybrid": (None, set(), "method_not_permitted"),
    "wood_i_joist_flat": ("joist_louver", {"joist_louver"}, "joist_louver"),
    "plate_truss_flat": (None, set(), "method_not_permitted"),
    "plate_truss_pitched": ("near_ridge", {"near_ridge"}, "near_ridge"),
    "sawn_rafter_pitched": ("near_ridge", {"near_ridge"}, "near_ridge"),
    "sawn_joist_flat": ("between_joists", {"between_joists"}, "between_joists"),
    "heavy_timber": ("between_joists", {"between_joists"}, "between_joists"),
    "steel_joist_steel_deck": ("small_opening", {"small_opening"}, "small_opening"),
    "metal_building": (None, set(), "method_not_permitted"),
    "bowstring_truss": ("do_not_cut", set(), "do_not_cut"),
    "sawtooth": ("glazing", {"glazing"}, "glazing"),
    "lamella": ("do_not_cut", set(), "do_not_cut"),
    "concrete_deck": ("do_not_cut", set(), "do_not_cut"),
    "unknown": (None, set(), "family_unknown"),
}


def _plan(
    shapes: ModuleType,
    *families: str,
    size: tuple[float, float] = (80, 30),
    skylight: bool = False,
    overrides: dict[str, Any] | None = None,
    added: dict[str, Any] | None = None,
    **facts: Any,
) -> Any:
    """A plan of one roof of each family in a row, each with a skylight in its middle if so wished."""
    rules = load_rulebook(overrides, added)
    places = [shapes.rectangle(*size, west=400.0 * number) for number in range(len(families))]
    roofs = shapes.roofs(*places, roof_family=list(families), **facts)
    lights = [
        ("skylight", f"B{number:03d}", shapely.box(-2, -2, 2, 2))
        for number in range(len(families) if skylight else 0)
    ]
    lights = [
        (kind, building, shapely.affinity.translate(box, *shapely.get_coordinates(place.centroid)[0]))
        for (kind, building, box), place in zip(lights, places, strict=False)
    ]
    return shapes.planned(roofs, obstacles=shapes.obstacles(*lights), rules=rules)[1]


@pytest.fixture(scope="module")
def bare(shapes: ModuleType) -> Any:
    """A plan of one roof of each family."""
    return _plan(shapes, *PLANNED)


@pytest.fixture(scope="module")
def lit(shapes: ModuleType) -> Any:
    """The same with a skylight in the middle of each."""
    return _plan(shapes, *PLANNED, skylight=True)


def _of(plan: Any, family: str) -> SimpleNamespace:
    """The tables of one family's roof."""
    building = f"B{list(PLANNED).index(family):03d}"
    tables = ("sections", "ladders", "openings", "cuts", "trenches")
    return SimpleNamespace(
        **{name: getattr(plan, name)[getattr(plan, name)["building_id"] == building] for name in tables}
    )


def _code(plan: Any, row: int = 0) -> str:
    return str(plan.sections["cut_method_why"].iloc[row]).split(":")[0]


def _rejected(plan: Any, row: int = 0) -> dict[str, str]:
    """Rejected method to the rule that did it."""
    text = str(plan.sections["methods_rejected"].iloc[row])
    return dict(re.findall(r"(\w+): [^;]*\(([\w.]+)\)", text))


def test_the_table_names_every_family(shapes: ModuleType) -> None:
    assert set(PLANNED) == set(shapes.RULES.families)


@pytest.mark.parametrize("family", PLANNED)
def test_each_family_is_opened_in_its_own_way(bare: Any, family: str) -> None:
    plan = _of(bare, family)
    method, ways, code = PLANNED[family]
    assert plan.sections["cut_method"].fillna("none").tolist() == [method or "none"]
    assert set(plan.openings["method"]) == ways
    assert _code(plan) == code
    if "glazing" in ways or not ways:
        assert plan.cuts[plan.cuts["feature"] == "opening"].empty
    else:
        assert set(plan.cuts.loc[plan.cuts["feature"] == "opening", "feature_seq"]) == set(
            plan.openings["seq"]
        )


@pytest.mark.parametrize("family", ["bowstring_truss", "lamella", "concrete_deck"])
def test_what_is_never_cut_says_so_in_the_familys_words(shapes: ModuleType, bare: Any, family: str) -> None:
    plan = _of(bare, family)
    caution = shapes.RULES.families[family].caution
    assert plan.sections["cut_method_why"].tolist() == [f"do_not_cut: {caution}"]
    assert plan.trenches.empty
    assert len(plan.ladders) >= 1


@pytest.mark.parametrize("family", PLANNED)
def test_every_listed_method_is_chosen_or_rejected_by_a_rule(
    shapes: ModuleType, bare: Any, family: str
) -> None:
    plan = _of(bare, family)
    rejected = _rejected(plan)
    chosen = {plan.sections["cut_method"].iloc[0]} | set(plan.openings["method"])
    assert set(rejected) == set(shapes.RULES.families[family].methods) - chosen
    assert set(rejected.values()) <= set(shapes.RULES.rules)
    if "existing_opening" in rejected:
        assert rejected["existing_opening"] == "opening.existing_reach_ft"


@pytest.mark.parametrize(
    "family", [name for name in PLANNED if name not in ("unknown", "bowstring_truss", "lamella")]
)
def test_a_skylight_in_the_middle_comes_first(lit: Any, family: str) -> None:
    plan = _of(lit, family)
    method, ways, code = PLANNED[family]
    first = plan.openings.iloc[0]
    assert (first["method"], first["seq"], first["parts"]) == ("existing_opening", 1, 1)
    assert first["area_ft2"] == pytest.approx(16.0, abs=0.01)
    assert plan.sections["cut_method"].tolist() == ["existing_opening"]
    assert _code(plan) == "existing_opening"
    # Nothing is cut there, and what is cut is cut after it, and in the family's own way.
    assert 1 not in plan.cuts.loc[plan.cuts["feature"] == "opening", "feature_seq"].tolist()
    assert set(plan.openings["method"].iloc[1:]) <= ways - {"glazing"}
    why = str(plan.sections["cut_method_why"].iloc[0])
    if code == "method_not_permitted":
        assert f"no deck is cut ({code}" in why
    elif method in ("glazing", "do_not_cut"):
        assert "no deck is cut (family_not_cut" in why
    else:
        assert why.endswith(f"then {method}")


@pytest.mark.parametrize("family", ["unknown", "bowstring_truss", "lamella"])
def test_a_skylight_does_not_draw_anybody_onto_a_roof_to_stay_off(lit: Any, family: str) -> None:
    plan = _of(lit, family)
    assert plan.openings.empty
    assert _code(plan) == PLANNED[family][2]


@pytest.mark.parametrize(
    ("family", "way"),
    [
        ("panelized_hybrid", "fold_back"),
        ("panelized_hybrid", "center_rafter_louver"),
        ("plate_truss_flat", "joist_louver"),
        ("metal_building", "small_opening"),
    ],
)
def test_a_permit_opens_what_the_family_holds_back(
    shapes: ModuleType, bare: Any, family: str, way: str
) -> None:
    assert _rejected(_of(bare, family))[way] == f"family.{family}.needs_permit"
    plan = _plan(shapes, family, overrides={f"family.{family}.permits": [way]})
    assert plan.sections["cut_method"].tolist() == [way]
    assert set(plan.openings["method"]) == {way}
    others = set(shapes.RULES.families[family].not_permitted) - {way}
    assert {name: _rejected(plan).get(name) for name in others} == dict.fromkeys(
        others, f"family.{family}.needs_permit"
    )


@pytest.mark.parametrize(
    ("family", "fits", "beyond"),
    [("sawn_joist_flat", 32.0, 32.5), ("wood_i_joist_flat", 40.0, 40.5), ("sawn_rafter_pitched", 48.0, 48.5)],
)
def test_a_span_beyond_the_familys_is_not_cut(
    shapes: ModuleType, family: str, fits: float, beyond: float
) -> None:
    good, wide = (_plan(shapes, family, size=(120, span)) for span in (fits, beyond))
    assert _code(good) == PLANNED[family][2]
    assert _code(wide) == "span_beyond_family"
    assert set(_rejected(wide).values()) == {"opening.existing_reach_ft", f"family.{family}.span_ft"}
    assert wide.openings.empty
    assert "span_beyond_family" in wide.problems["code"].tolist()
    # The rule named is the one by which the department changes it.
    own = _plan(shapes, family, size=(120, beyond), overrides={f"family.{family}.span_ft": 50.0})
    assert _code(own) == PLANNED[family][2]
    strict = _plan(shapes, family, size=(120, fits), overrides={f"family.{family}.span_ft": 12.0})
    assert _code(strict) == "span_beyond_family"


def test_beams_recorded_too_far_apart_are_a_span_too(shapes: ModuleType) -> None:
    plan = _plan(shapes, "panelized_wood", size=(180, 60), beam_spacing_ft=[41.0])
    assert _code(plan) == "span_beyond_family"


def test_a_roof_too_steep_is_not_cut(shapes: ModuleType) -> None:
    plans = [_plan(shapes, "sawn_rafter_pitched", slope_deg=[slope]) for slope in (44.0, 46.0)]
    assert [_code(plan) for plan in plans] == ["near_ridge", "too_steep"]
    assert _rejected(plans[1])["near_ridge"] == "opening.steepest_deg"


@pytest.mark.parametrize(
    ("facts", "rule"),
    [
        ({"suspended_load": [True]}, "opening.fold_back_under_load"),
        ({"panel_type": ["early_heavy"]}, "opening.fold_back_heavy"),
    ],
)
def test_what_hangs_and_what_is_heavy_is_not_folded_back(
    shapes: ModuleType, facts: dict[str, Any], rule: str
) -> None:
    plan = _plan(shapes, "panelized_wood", **facts)
    assert plan.sections["cut_method"].tolist() == ["center_rafter_louver"]
    assert _rejected(plan)["fold_back"] == rule
    allowed = _plan(shapes, "panelized_wood", overrides={rule: 1}, **facts)
    assert allowed.sections["cut_method"].tolist() == ["fold_back"]


def test_the_departments_order_is_the_order(shapes: ModuleType) -> None:
    ways = ["center_rafter_louver", "fold_back", "existing_opening"]
    plan = _plan(shapes, "panelized_wood", skylight=True, overrides={"family.panelized_wood.methods": ways})
    assert set(plan.openings["method"]) == {"center_rafter_louver"}
    served = "family.panelized_wood.methods"
    assert _rejected(plan) == {"existing_opening": served, "fold_back": served}


def test_a_family_without_ways_is_not_cut(shapes: ModuleType) -> None:
    plan = _plan(shapes, "sawn_joist_flat", overrides={"family.sawn_joist_flat.methods": []})
    assert _code(plan) == "family_not_cut"
    assert _rejected(plan) == {}


def test_families_of_the_department_are_opened_without_code(shapes: ModuleType) -> None:
    """One like another with its own spacing and order, and one written in full."""
    added = {
        "deep_joist": {"like": "sawn_joist_flat", "label": "Deep joist", "methods": ["joist_louver"]},
        "plank": {
            "label": "Plank and beam",
            "caution": "Check the planks.",
            "framing": "grid",
            "members": {"beam": "timber", "purlin": "joist"},
            "severity": 0.5,
            "beam_spacing_ft": 12.0,
            "purlin_spacing_ft": 6.0,
            "methods": ["existing_opening", "small_opening"],
            "trench": [],
        },
    }
    plan = _plan(shapes, "deep_joist", "plank", added=added)
    assert plan.sections["cut_method"].tolist() == ["joist_louver", "small_opening"]
    book = load_rulebook(families=added)
    assert set(_rejected(plan, 1).values()) <= set(book.rules)
    for rules in plan.openings["rules"]:
        assert set(rules.split()) <= set(book.rules)


@pytest.mark.parametrize("skylight", [False, True])
def test_openings_and_paths_name_rules_that_there_are(shapes: ModuleType, skylight: bool) -> None:
    families = list(PLANNED)
    permits = {
        f"family.{name}.permits": list(family.not_permitted)
        for name, family in shapes.RULES.families.items()
        if family.not_permitted
    }
    plan = _plan(shapes, *families, skylight=skylight, overrides=permits)
    assert set(plan.openings["method"]) >= {"joist_louver", "between_joists", "small_opening", "near_ridge"}
    for table in (plan.openings, plan.paths, plan.checks, plan.ladders, plan.trenches):
        for rules in table["rules"]:
            assert set(rules.split()) <= set(shapes.RULES.rules)


def test_every_reason_to_reject_names_a_rule_of_every_family(shapes: ModuleType) -> None:
    """A rule of the family is one that a family with such a reason has."""
    book: Rulebook = shapes.RULES
    for code, (text, rule) in REJECTIONS.items():
        assert text
        for name, family in book.families.items():
            listed = {"not_permitted": "needs_permit", "span": "span_ft"}.get(code)
            if listed is None or listed in family.figures:
                assert rule.format(family=name) in book.rules
    # Every way that needs a saw is one of a family that states its span.
    saws = {METHODS[number] for number in CUTTING}
    assert saws == set(METHODS) - {"existing_opening", "glazing", "do_not_cut"}
    assert all("span_ft" in family.figures for family in book.families.values() if saws & set(family.methods))


def test_reasons_for_no_cut_are_sentences_without_a_time(shapes: ModuleType) -> None:
    for code, text in NO_CUT.items():
        assert re.fullmatch(r"[a-z_]+", code)
        assert not re.search(r"\d|minute|second", text)
