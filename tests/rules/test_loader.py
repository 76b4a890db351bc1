"""The rulebook: every number with its source, every override marked, every rule used.

In: the rulebook that comes with the package, and overrides as a district file gives them.
Out: complete rules, legal statuses, clear refusals.
"""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roofplat.errors import RoofplatError, RuleError
from roofplat.rules import Family, Rule, load_rulebook
from roofplat.rules.loader import Status

BOOK = load_rulebook()
REFERENCE_TESTS = Path(__file__).parents[1] / "reference"
# What a rule id may end with, and the unit that it then has.
UNIT_OF_SUFFIX = {
    "ft2": "ft2",
    "ft": "ft",
    "m": "m",
    "deg": "deg",
    "kv": "kV",
    "share": "share",
    "iou": "share",
    "years": "year",
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
        # `ladder.default_height_ft.storey`: the unit stands on the group.
        ends = [part.rsplit("_", 1)[-1] for part in rule.id.split(".")]
        named = [UNIT_OF_SUFFIX[end] for end in ends if end in UNIT_OF_SUFFIX]
        if named:
            assert rule.unit == named[-1], rule.id


@pytest.mark.parametrize(
    "rule",
    [rule for rule in BOOK.rules.values() if rule.status in ("published", "second-hand")],
    ids=lambda rule: rule.id,
)
def test_a_rule_with_a_source_is_checked_against_it(rule: Rule) -> None:
    tests = "\n".join(path.read_text("utf-8") for path in sorted(REFERENCE_TESTS.glob("test_*.py")))
    assert f'"{rule.id}"' in tests


def test_the_packaged_file_and_the_rulebook_hold_the_same_ids_in_the_same_order() -> None:
    document = tomllib.loads(resources.files("roofplat.rules").joinpath("rulebook.toml").read_text("utf-8"))

    def ids(table: dict[str, object], prefix: str) -> list[str]:
        if "value" in table:
            return [prefix]
        return [
            rule_id
            for key, entry in table.items()
            for rule_id in ids(entry, f"{prefix}.{key}" if prefix else key)  # type: ignore[arg-type]
        ]

    assert list(BOOK.rules) == ids(document, "")


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


def test_weights_add_up() -> None:
    for prefix in ("ladder.weight", "ranking.weight"):
        assert sum(BOOK.table(prefix).values()) == pytest.approx(1.0), prefix


def test_shares_are_shares() -> None:
    for rule in BOOK.rules.values():
        if rule.unit == "share":
            assert 0.0 <= rule.value <= 1.0, rule.id


@pytest.mark.parametrize("family", BOOK.families.values(), ids=lambda family: family.id)
def test_a_family_is_complete(family: Family) -> None:
    assert family.label.strip()
    assert family.caution.strip().endswith(".")
    assert family.source.strip()
    assert family.status in get_args(Status)
    assert len(family.alert) <= 80
    assert 0.0 <= family.severity <= 1.0
    if family.plan == "panelized":
        spacings = (family.beam_spacing_ft, family.purlin_spacing_ft, family.rafter_spacing_ft)
        assert all(spacing is not None and spacing > 0 for spacing in spacings)
        assert set(family.methods) == {"fold_back", "center_rafter_louver"}
    else:
        assert family.plan == "walls_only"
        assert family.methods == ()


def test_unknown_is_a_family_that_promises_nothing() -> None:
    unknown = BOOK.families["unknown"]
    assert unknown.plan == "walls_only"
    assert unknown.lightweight is None
    assert unknown.methods == ()


def test_no_rule_is_a_time_on_the_roof() -> None:
    """Furnace times and collapse times are no rule: nothing can be counted down from the rulebook."""
    for rule in BOOK.rules.values():
        assert rule.unit not in ("s", "min", "second", "minute"), rule.id
        assert not re.search(r"countdown|collapse|burn.?through", f"{rule.id} {rule.meaning}"), rule.id
