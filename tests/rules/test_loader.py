"""The rulebook: every number with its source, every override marked, every rule used.

In: the rulebook that comes with the package, overrides and families as a district file gives them.
Out: complete rules and families, legal statuses, clear refusals.
"""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roofplat.errors import RoofplatError, RuleError
from roofplat.rules import Family, Rule, load_rulebook
from roofplat.rules.loader import FRAMINGS, Status
from roofplat.tables import MEMBER_KINDS, METHODS, ROOF_SHAPES

BOOK = load_rulebook()
# What a rule id may end with, and the unit that it then has.
UNIT_OF_SUFFIX = {
    "ft2": "ft2",
    "ft": "ft",
    "in": "in",
    "m": "m",
    "deg": "deg",
    "kv": "kV",
    "share": "share",
    "iou": "share",
    "years": "year",
    "min": "min",
    "mph": "mi/h",
    "hours": "h",
}


@pytest.mark.parametrize("rule", BOOK.rules.values(), ids=lambda rule: rule.id)
def test_a_rule_says_where_it_comes_from(rule: Rule) -> None:
    assert rule.source.strip()
    assert rule.unit.strip()
    assert rule.status in get_args(Status)
    assert rule.meaning.strip().endswith(".")
    assert not rule.overridden


def test_a_rule_without_a_source_says_so_in_its_status() -> None:
    for rule in BOOK.rules.values():
        if rule.source.startswith("no controlling source"):
            assert rule.status in ("common practice", "from memory", "department"), rule.id


def test_the_end_of_an_id_is_its_unit() -> None:
    for rule in BOOK.rules.values():
        # `ladder.default_height_ft.storey`: the unit stands on the group. What stands behind "per" is
        # what it is counted by.
        ends = [part.partition("_per_")[0].rsplit("_", 1)[-1] for part in rule.id.split(".")]
        named = [UNIT_OF_SUFFIX[end] for end in ends if end in UNIT_OF_SUFFIX]
        if named:
            # "in per 12 in" is a slope, written in inches.
            assert rule.unit.split(" per ")[0] == named[-1], rule.id


def _packaged(name: str) -> dict[str, object]:
    return tomllib.loads(resources.files("roofplat.rules").joinpath(name).read_text("utf-8"))


def test_the_packaged_files_and_the_rulebook_hold_the_same_ids_in_the_same_order() -> None:
    def ids(table: dict[str, object], prefix: str) -> list[str]:
        if "value" in table:
            return [prefix]
        return [
            rule_id
            for key, entry in table.items()
            for rule_id in ids(entry, f"{prefix}.{key}" if prefix else key)  # type: ignore[arg-type]
        ]

    written = [
        rule_id
        for file in (
            *("rulebook.toml", "odds.toml", "days.toml", "record.toml", "changes.toml", "venting.toml"),
            "work.toml",
        )
        for rule_id in ids(_packaged(file), "")
    ]
    assert list(BOOK.rules)[: len(written)] == written
    assert all(rule_id.startswith("family.") for rule_id in list(BOOK.rules)[len(written) :])


def test_every_figure_of_a_family_in_the_packaged_file_is_a_rule() -> None:
    families = _packaged("families.toml")
    assert list(BOOK.families) == list(families)
    written = {
        f"family.{name}.{key}": entry["value"]
        for name, table in families.items()
        for key, entry in table.items()  # type: ignore[attr-defined]
        if isinstance(entry, dict) and "value" in entry
    }
    read = {rule.id: rule.value for rule in BOOK.rules.values() if rule.id.startswith("family.")}
    # What the department permits is stated nowhere but in its own file.
    added: dict[str, object] = {f"family.{name}.permits": [] for name in families}
    assert read == written | added
    for name, family in BOOK.families.items():
        assert all(rule is BOOK[f"family.{name}.{figure}"] for figure, rule in family.figures.items())


def test_an_override_is_marked_and_leaves_the_rest_alone() -> None:
    book = load_rulebook({"ladder.stock_ft": [16.0, 24.0], "opening.crew_limit": 2})
    assert book.numbers("ladder.stock_ft") == [16.0, 24.0]
    assert book.count("opening.crew_limit") == 2
    assert [rule.id for rule in book.overridden] == ["ladder.stock_ft", "opening.crew_limit"]
    assert {rule.status for rule in book.overridden} == {"department"}
    assert {rule.source for rule in book.overridden} == {"district file"}
    untouched = set(BOOK.rules) - {"ladder.stock_ft", "opening.crew_limit"}
    assert all(book[rule_id] == BOOK[rule_id] for rule_id in untouched)
    assert BOOK.overridden == []


@given(value=st.floats(0.1, 1e4))
def test_an_override_keeps_its_value(value: float) -> None:
    assert load_rulebook({"trench.lead_ft": value}).number("trench.lead_ft") == value


def test_a_whole_number_does_for_a_number() -> None:
    assert load_rulebook({"trench.lead_ft": 30}).number("trench.lead_ft") == 30.0


@pytest.mark.parametrize(
    ("rule_id", "value"),
    [
        ("trench.lead_ft", "30"),
        ("trench.lead_ft", True),
        ("trench.lead_ft", [30.0]),
        ("ladder.stock_ft", 24.0),
        ("inspection.class_high", "A"),
    ],
)
def test_an_override_of_another_kind_is_refused(rule_id: str, value: object) -> None:
    with pytest.raises(RuleError, match=re.escape(rule_id)):
        load_rulebook({rule_id: value})


def test_an_unknown_rule_is_refused_with_the_nearest_one() -> None:
    with pytest.raises(RuleError, match=r"did you mean trench\.lead_ft"):
        load_rulebook({"trench.leed_ft": 30.0})
    with pytest.raises(RuleError, match=r"no rule 'trench\.leed_ft'"):
        BOOK["trench.leed_ft"]
    with pytest.raises(RuleError) as nothing_near:
        BOOK["zzz"]
    assert "did you mean" not in str(nothing_near.value)


def test_a_rule_error_is_a_key_error_that_reads_as_a_sentence() -> None:
    with pytest.raises(KeyError) as caught:
        BOOK["zzz"]
    assert isinstance(caught.value, RoofplatError)
    assert str(caught.value).startswith("There is no rule")
    assert str(RuleError()) == ""


def test_a_rulebook_cannot_be_changed_in_place() -> None:
    with pytest.raises(TypeError):
        BOOK.rules["trench.lead_ft"] = BOOK["trench.width_ft"]  # type: ignore[index]


def test_weights_weigh() -> None:
    """The ranking's add up to 1; the ladders' are taken by their share in all of them."""
    assert sum(BOOK.table("ranking.weight").values()) == pytest.approx(1.0)
    for prefix in ("ladder.weight", "ranking.weight"):
        assert all(0.0 < weight < 1.0 for weight in BOOK.table(prefix).values()), prefix


def test_shares_are_shares() -> None:
    for rule in BOOK.rules.values():
        if rule.unit == "share":
            # A collapse zone reaches as far as the wall is high, or farther.
            low, high = (1.0, 3.0) if rule.id.startswith("collapse.") else (0.0, 1.0)
            assert low <= rule.value <= high, rule.id


# What a way of framing is laid out from.
NEEDED = {
    "grid": {"beam_spacing_ft", "purlin_spacing_ft"},
    "joists": {"rafter_spacing_ft"},
    "pitched": {"rafter_spacing_ft"},
    "trusses": {"beam_spacing_ft"},
    "walls": set(),
}
NO_SAW = {"existing_opening", "glazing", "do_not_cut"}


@pytest.mark.parametrize("family", BOOK.families.values(), ids=lambda family: family.id)
def test_a_family_is_complete(family: Family) -> None:
    assert family.label.strip()
    assert family.caution.strip().endswith(".")
    assert family.framing in FRAMINGS
    assert family.shape in ROOF_SHAPES
    # What nobody knows has no severity of its own: it counts by the odds of the others.
    assert ("severity" in family.figures) == (family.id != "unknown")
    assert family.id == "unknown" or 0.0 <= family.severity <= 1.0
    # The premise note is 80 characters, and says how the family is known too.
    assert len(family.alert) <= 60
    spacings = {figure for figure in family.figures if figure.endswith("_spacing_ft")}
    assert NEEDED[family.framing] <= spacings
    assert spacings <= NEEDED[family.framing] | ({"rafter_spacing_ft"} if family.framing == "grid" else set())
    assert set(family.members) == {figure.removesuffix("_spacing_ft") for figure in spacings}
    assert set(family.members.values()) <= set(MEMBER_KINDS)
    assert len(set(family.members.values())) == len(family.members)


@pytest.mark.parametrize("family", BOOK.families.values(), ids=lambda family: family.id)
def test_a_family_says_how_far_its_figures_are_plausible(family: Family) -> None:
    for figure, rule in family.figures.items():
        if figure.endswith(("spacing_ft", "span_ft", "slope_deg")):
            assert rule.range is not None, rule.id
            low, high = rule.range
            assert low <= rule.value <= high, rule.id
            assert low < high, rule.id
    if family.id != "unknown":
        assert isinstance(family.lightweight, bool)
        assert family.alert
        slope = family.figures["slope_deg"].range
        assert slope is not None
        assert 0.0 <= slope[0] < slope[1] < 90.0


@pytest.mark.parametrize("family", BOOK.families.values(), ids=lambda family: family.id)
def test_the_ways_of_a_family_are_ways_that_there_are(family: Family) -> None:
    assert set(family.methods) <= set(METHODS)
    assert len(set(family.methods)) == len(family.methods)
    assert set(family.not_permitted) <= set(family.methods) - NO_SAW
    assert set(family.trench) <= {"with_construction", "against_construction"}
    # What is there already comes before any saw, and nothing comes after a no.
    if "existing_opening" in family.methods:
        assert family.methods[0] == "existing_opening"
    if "do_not_cut" in family.methods:
        assert family.methods[-1] == "do_not_cut"
    # A deck is cut only over members of which one knows how far they span.
    if set(family.methods) - NO_SAW:
        assert family.span_limit_ft() < float("inf")
        assert family.framing in ("grid", "joists", "pitched")


def test_the_ways_of_each_family_in_order() -> None:
    assert {name: family.methods for name, family in BOOK.families.items()} == {
        "panelized_wood": ("existing_opening", "fold_back", "center_rafter_louver"),
        "panelized_hybrid": ("existing_opening", "fold_back", "center_rafter_louver"),
        "wood_i_joist_flat": ("existing_opening", "joist_louver"),
        "plate_truss_flat": ("existing_opening", "joist_louver"),
        "plate_truss_pitched": ("existing_opening", "near_ridge"),
        "sawn_rafter_pitched": ("existing_opening", "near_ridge"),
        "sawn_joist_flat": ("existing_opening", "between_joists"),
        "heavy_timber": ("existing_opening", "between_joists"),
        "steel_joist_steel_deck": ("existing_opening", "small_opening"),
        "metal_building": ("existing_opening", "small_opening"),
        "bowstring_truss": ("do_not_cut",),
        "sawtooth": ("existing_opening", "glazing"),
        "lamella": ("do_not_cut",),
        "concrete_deck": ("existing_opening", "do_not_cut"),
        "unknown": (),
    }


def test_unknown_is_a_family_that_promises_nothing() -> None:
    unknown = BOOK.families["unknown"]
    assert unknown.framing == "walls"
    assert unknown.lightweight is None
    assert unknown.methods == ()
    assert unknown.trench == ()
    assert unknown.alert == ""
    assert unknown.number("slope_deg") is None
    assert unknown.span_limit_ft() == float("inf")


def test_families_that_push_walls_out_are_the_arched_ones() -> None:
    pushing = {name for name, family in BOOK.families.items() if family.pushes_walls_out}
    assert pushing == {name for name, family in BOOK.families.items() if family.shape == "arched"}
    assert pushing == {"bowstring_truss", "lamella"}


def test_a_family_changes_with_its_rules() -> None:
    book = load_rulebook(
        {
            "family.sawn_joist_flat.rafter_spacing_ft": 2,
            "family.sawn_joist_flat.methods": ["existing_opening"],
            "family.sawn_joist_flat.severity": 0.6,
        }
    )
    family = book.families["sawn_joist_flat"]
    assert family.number("rafter_spacing_ft") == 2.0
    assert family.methods == ("existing_opening",)
    assert family.severity == 0.6
    # How far it is plausible stays known.
    assert family.figures["rafter_spacing_ft"].range == (1.0, 2.0)
    assert [rule.id for rule in book.overridden] == [
        f"family.sawn_joist_flat.{figure}" for figure in ("severity", "rafter_spacing_ft", "methods")
    ]
    assert book.families["heavy_timber"] == BOOK.families["heavy_timber"]


def test_the_widest_span_is_the_end_of_the_range_or_the_departments() -> None:
    assert BOOK.families["sawn_joist_flat"].span_limit_ft() == 32.0
    stated = load_rulebook({"family.sawn_joist_flat.span_ft": 24.0})
    assert stated.families["sawn_joist_flat"].span_limit_ft() == 24.0
    added = load_rulebook(families={"shed": {"like": "sawn_joist_flat", "span_ft": 18.0}})
    assert added.families["shed"].span_limit_ft() == 18.0


def test_what_needs_a_permit_is_not_permitted_until_the_department_says_so() -> None:
    assert BOOK.families["panelized_hybrid"].not_permitted == ("fold_back", "center_rafter_louver")
    book = load_rulebook({"family.panelized_hybrid.permits": ["center_rafter_louver"]})
    assert book.families["panelized_hybrid"].not_permitted == ("fold_back",)
    assert BOOK.families["panelized_wood"].not_permitted == ()


@pytest.mark.parametrize(
    ("rule_id", "value", "says"),
    [
        ("family.panelized_wood.beam_spacing_ft", 0, "more than 0 ft"),
        ("family.panelized_wood.purlin_spacing_ft", -8.0, "more than 0 ft"),
        ("family.sawn_joist_flat.span_ft", 0.0, "more than 0 ft"),
        ("family.sawn_rafter_pitched.slope_deg", 90, "up to 90 degrees"),
        ("family.sawn_rafter_pitched.slope_deg", -1.0, "up to 90 degrees"),
        ("family.sawn_rafter_pitched.severity", 2.0, "from 0 to 1"),
        ("family.panelized_wood.methods", ["fold_bak"], "did you mean fold_back"),
        ("family.panelized_wood.permits", ["zzz"], "use existing_opening"),
        ("family.panelized_wood.trench", ["with"], "with_construction"),
        ("family.panelized_wood.methods", "fold_back", "takes a value like"),
        ("family.panelized_wood.severity", "high", "takes a value like"),
        ("family.panelised_wood.severity", 0.5, r"did you mean family\.panelized_wood\.severity"),
        ("family.panelized_wood.beam_spacing", 20.0, r"did you mean family\.panelized_wood\.beam_spacing_ft"),
    ],
)
def test_a_figure_that_cannot_be_is_refused(rule_id: str, value: object, says: str) -> None:
    with pytest.raises(RuleError, match=says) as caught:
        load_rulebook({rule_id: value})
    assert rule_id in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_family_like_another_takes_over_all_that_it_does_not_state() -> None:
    book = load_rulebook(
        families={
            "deep_joist": {
                "like": "sawn_joist_flat",
                "label": "Deep joist",
                "rafter_spacing_ft": 2.0,
                "methods": ["between_joists"],
            }
        }
    )
    family, base = book.families["deep_joist"], book.families["sawn_joist_flat"]
    assert family.id == "deep_joist"
    assert family.label == "Deep joist"
    assert family.number("rafter_spacing_ft") == 2.0
    assert family.methods == ("between_joists",)
    assert family.figures["methods"].status == "department"
    assert family.figures["methods"].source == "district file"
    assert (family.framing, family.caution, family.members, family.severity) == (
        base.framing,
        base.caution,
        base.members,
        base.severity,
    )
    # Its figures are rules, with its own name in them, and the standard's are as they were.
    assert book["family.deep_joist.severity"].meaning.startswith("Deep joist: ")
    assert base == BOOK.families["sawn_joist_flat"]
    assert "deep_joist" not in BOOK.families


WHOLE = {
    "label": "Plank and beam",
    "caution": "Check the planks.",
    "framing": "grid",
    "members": {"beam": "timber", "purlin": "joist"},
    "severity": 0.5,
    "beam_spacing_ft": {
        "value": 12.0,
        "range": [8.0, 16.0],
        "source": "survey of 2024",
        "status": "department",
    },
    "purlin_spacing_ft": 6.0,
    "methods": ["existing_opening", "between_joists"],
    "trench": [],
}


def test_a_family_may_be_written_in_full() -> None:
    book = load_rulebook({"family.plank.purlin_spacing_ft": 5.0}, {"plank": WHOLE})
    family = book.families["plank"]
    assert (family.framing, family.shape, family.lightweight) == ("grid", "flat", None)
    assert family.figures["beam_spacing_ft"].range == (8.0, 16.0)
    assert family.figures["beam_spacing_ft"].source == "survey of 2024"
    assert family.number("purlin_spacing_ft") == 5.0
    assert family.number("rafter_spacing_ft") is None
    assert family.not_permitted == ()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"framing": "gird"}, "use one of grid, joists, pitched, trusses, walls"),
        ({"framing": "joists"}, "lacks rafter_spacing_ft"),
        ({"beam_spacing": 20.0}, "did you mean beam_spacing_ft"),
        ({"zzz": 20.0}, r"has no setting 'zzz'\.$"),
        ({"label": None}, "lacks label"),
        ({"label": 7}, "give text"),
        ({"lightweight": "yes"}, "give true or false"),
        ({"members": "timber"}, "give a table of names"),
        ({"members": {"beam": "timber"}}, r"members = \{ purlin"),
        ({"members": {"beam": "log", "purlin": "joist"}}, "members.beam 'log'"),
        ({"members": {"beam": "timber", "purlin": "joist", "post": "beam"}}, "'post'"),
        ({"shape": "round"}, "shape 'round'"),
        ({"beam_spacing_ft": 0.0}, "more than 0 ft"),
        ({"beam_spacing_ft": "wide"}, "takes a number"),
        ({"beam_spacing_ft": {"range": [8.0, 16.0]}}, "value is needed"),
        ({"beam_spacing_ft": {"value": 12.0, "unit": "m"}}, "value is needed"),
        ({"beam_spacing_ft": {"value": 12.0, "range": [8.0]}}, "lowest and the highest"),
        ({"beam_spacing_ft": {"value": 12.0, "status": "sure"}}, "status 'sure'"),
        ({"methods": ["betwen_joists"]}, "did you mean between_joists"),
        ({"methods": "between_joists"}, "names 'between_joists'"),
        ({"trench": ["along"]}, "names 'along'"),
        ({"severity": 2}, "from 0 to 1"),
        ({"like": "plank_roof"}, "no roof family"),
    ],
)
def test_a_family_with_a_fault_is_refused(change: dict[str, object], says: str) -> None:
    entry = {key: value for key, value in (WHOLE | change).items() if value is not None}
    with pytest.raises(RuleError, match=says) as caught:
        load_rulebook(families={"plank": entry})
    assert "plank" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_family_of_the_rulebook_is_not_added_again() -> None:
    with pytest.raises(RuleError, match="is a family of the rulebook; change its figures in"):
        load_rulebook(families={"lamella": {"like": "lamella"}})
    with pytest.raises(RuleError, match="must be a table"):
        load_rulebook(families={"shed": "sawn_joist_flat"})
    with pytest.raises(RuleError, match="did you mean lamella"):
        load_rulebook(families={"shed": {"like": "lamela"}})


@pytest.mark.parametrize("value", [-0.1, 1.1, float("nan")])
def test_a_share_is_from_0_to_1(value: float) -> None:
    assert load_rulebook({"odds.trust.drawn": 0}).share("odds.trust.drawn") == 0.0
    with pytest.raises(RuleError, match=r"odds\.trust\.drawn is .*it takes a value from 0 to 1"):
        load_rulebook({"odds.trust.drawn": value}).share("odds.trust.drawn")


@pytest.mark.parametrize("value", [0.0, -3, float("nan"), float("inf")])
def test_what_must_be_more_than_zero_is(value: float) -> None:
    assert BOOK.positive("odds.prior_roofs") == 10.0
    with pytest.raises(RuleError, match=r"odds\.prior_roofs is .* roofs; it must be more than zero"):
        load_rulebook({"odds.prior_roofs": value}).positive("odds.prior_roofs")


def test_no_rule_is_a_time_on_the_roof() -> None:
    """Furnace times and collapse times are no rule: nothing can be counted down from the rulebook."""
    for rule in BOOK.rules.values():
        # Minutes are those of an inspector's working day, and of a spell of work that the department plans,
        # whatever the roof; one import waits seconds for another.
        elsewhere = rule.id.startswith("days.") or rule.id in ("record.wait_s", "work.spell_min")
        assert rule.unit not in ("s", "min", "second", "minute") or elsewhere, rule.id
        # How far the collapse zone reaches is a distance, and the only thing said of a collapse.
        text = re.sub(r"collapse zone|^collapse\.", "", f"{rule.id} {rule.meaning}")
        assert not re.search(r"countdown|collapse|burn.?through|time to", text), rule.id


@pytest.mark.parametrize("value", [2, 2.5, -1, float("nan"), float("inf")])
def test_a_count_is_a_whole_number_from_the_least_on(value: float) -> None:
    assert load_rulebook({"ranking.draws": 3.0}).count("ranking.draws", least=3) == 3
    with pytest.raises(
        RuleError, match=r"^Rule ranking\.draws is \S+; it takes a whole number, 3 or more\.$"
    ):
        load_rulebook({"ranking.draws": value}).count("ranking.draws", least=3)
