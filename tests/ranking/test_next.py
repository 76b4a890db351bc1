"""Survey next: against ranking the district again, against cases by hand, and the laws of a look's worth."""

from __future__ import annotations

import datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.ranking.made import district, made

from roofplat.errors import RuleError
from roofplat.inventory import family_chances
from roofplat.ranking import rank_buildings, survey_next
from roofplat.ranking.next import list_length, survey_effects
from roofplat.rules import load_rulebook
from roofplat.tables import TABLES

FloatArray = npt.NDArray[np.float64]
RULES = load_rulebook()
AS_OF = datetime.date(2026, 1, 1)


def ranked(tables: dict[str, Any], rules: Any = RULES) -> dict[str, Any]:
    return {**tables, "ranking": rank_buildings(tables, rules, as_of=AS_OF)}


def test_each_column_against_ranking_the_district_again() -> None:
    """Name one roof at a time, rank the whole district again, and see what became of the list."""
    tables = ranked(district(9, seed=22))
    found = survey_next(tables, RULES).set_index("building_id")
    ranking, buildings = tables["ranking"], tables["buildings"]
    length = list_length(len(ranking), RULES)
    assert length == 2
    listed = set(ranking["building_id"].head(length))
    chances = family_chances(buildings, None, tables["family_odds"], RULES)
    assert {"on", "off"} == {"on" if name in listed else "off" for name in found.index}
    for building, row in found.iterrows():
        worth = change = places = 0.0
        was = int(ranking.set_index("building_id").loc[building, "rank"])
        for family, chance in chances.loc[building].items():
            if chance == 0:
                continue
            # A record that is trusted whole: a survey would make the information new as well.
            named = buildings.copy()
            here = named["building_id"] == building
            named.loc[here, "roof_family"], named.loc[here, "family_basis"] = family, "surveyed"
            named.loc[here, "p_lightweight"] = float(RULES.families[str(family)].lightweight or False)
            again = rank_buildings({**tables, "buildings": named}, RULES, as_of=AS_OF)
            score = again.set_index("building_id")["score"]
            new = set(again["building_id"].head(length))
            worth += chance * (score[list(new)].sum() - score[list(listed)].sum())
            change += chance * ((building in new) != (building in listed))
            now = int(again.set_index("building_id").loc[building, "rank"])
            places += chance * abs(now - was)
        assert row["worth"] == pytest.approx(worth, abs=1e-7)
        assert row["chance_of_change"] == pytest.approx(change, abs=1e-7)
        assert row["places"] == pytest.approx(places, abs=1e-5)
    assert found["worth"].max() > 0.01


def test_three_buildings_by_hand() -> None:
    """One on the list at 0.6, two off it at 0.5 and 0.2; each may be a tenth more or less, or not."""
    score = np.array([0.6, 0.5, 0.2])
    would = score[:, None] + np.array([-0.15, 0.15])
    gains, moved, changes = survey_effects(score, would, 1)
    # The first may fall to 0.45, under the second's 0.5; the second may rise to 0.65, over 0.6.
    assert gains.round(9).tolist() == [[0.05, 0.0], [0.0, 0.05], [0.0, 0.0]]
    assert moved.tolist() == [[-1, 0], [0, 1], [0, 0]]
    assert changes.tolist() == [[True, False], [False, True], [False, False]]


@st.composite
def looks(draw: st.DrawFn) -> tuple[FloatArray, FloatArray, FloatArray, int]:
    """Chances of up to four scores for each of a few buildings, their means, and a list."""
    count, width = draw(st.integers(1, 12)), draw(st.integers(2, 4))
    random = np.random.default_rng(draw(st.integers(0, 10_000)))
    chances = random.dirichlet(np.ones(width), size=count)
    would = random.choice(np.linspace(0, 1, 11), size=(count, width))
    return chances, would, (chances * would).sum(axis=1), draw(st.integers(1, count))


@settings(max_examples=200, deadline=None)
@given(looks())
def test_the_list_gains_what_ranking_again_says(case: tuple[FloatArray, FloatArray, FloatArray, int]) -> None:
    _, would, score, length = case
    gains, _, changes = survey_effects(score, would, length)
    for building in range(len(score)):
        for place in range(would.shape[1]):
            now = score.copy()
            now[building] = would[building, place]
            kept = sorted(range(len(now)), key=lambda row: (-score[row].round(9), row))[:length]
            best = sorted(now)[::-1][:length]
            assert gains[building, place] == pytest.approx(sum(best) - now[kept].sum(), abs=1e-8)
            # A list that does not change gains nothing.
            if not changes[building, place]:
                assert gains[building, place] == pytest.approx(0.0, abs=1e-8)


@settings(max_examples=200, deadline=None)
@given(looks())
def test_a_look_that_tells_less_is_worth_no_more(
    case: tuple[FloatArray, FloatArray, FloatArray, int],
) -> None:
    """Two families told apart, or taken together at their mean: the second is worth no more."""
    chances, would, score, length = case
    gains, _, _ = survey_effects(score, would, length)
    told = (chances * gains).sum(axis=1)
    pair = chances[:, :2].sum(axis=1)
    mean = (chances[:, :2] * would[:, :2]).sum(axis=1) / pair
    blurred = np.column_stack([mean, would[:, 2:]])
    gains, _, _ = survey_effects(score, blurred, length)
    together = (np.column_stack([pair, chances[:, 2:]]) * gains).sum(axis=1)
    assert (together <= told + 1e-9).all()
    assert (told >= 0).all()


@settings(max_examples=100, deadline=None)
@given(looks())
def test_a_roof_that_is_certain_is_not_worth_a_look(
    case: tuple[FloatArray, FloatArray, FloatArray, int],
) -> None:
    _, would, score, length = case
    gains, moved, changes = survey_effects(score, np.repeat(score[:, None], would.shape[1], axis=1), length)
    assert np.abs(gains).max() < 1e-9
    assert not moved.any()
    assert not changes.any()


def test_it_lists_every_roof_that_no_survey_has_named_once() -> None:
    tables = ranked(district(90, seed=8))
    found = survey_next(tables, RULES)
    basis = tables["buildings"].set_index("building_id")["family_basis"]
    assert sorted(found["building_id"]) == sorted(basis.index[basis != "surveyed"])
    assert found["order"].tolist() == list(range(1, len(found) + 1))
    ranking = tables["ranking"].set_index("building_id")
    for column in ("rank", "rank_low", "rank_high"):
        assert found[column].tolist() == ranking.loc[found["building_id"], column].tolist()
    assert list(found.columns) == list(TABLES["survey_next"].columns)


def test_the_order_is_by_worth_then_places_then_id() -> None:
    found = survey_next(ranked(district(90, seed=8)), RULES)
    keys = list(zip(-found["worth"], -found["places"], found["building_id"], strict=True))
    assert keys == sorted(keys)
    assert (found["worth"] == 0).any()
    # Records that are trusted whole: a survey changes nothing anywhere, and the id is all there is.
    rules = load_rulebook({"odds.trust.recorded": 1.0})
    twin = {"roof_family": "lamella", "family_basis": "recorded"}
    tables = ranked(made([{"building_id": name, **twin} for name in ("c", "a", "b")], rules=rules), rules)
    found = survey_next(tables, rules)
    assert found["building_id"].tolist() == ["a", "b", "c"]
    assert (found[["worth", "places", "chance_of_change"]] == 0).all(axis=None)
    assert found["reason"].iloc[0] == "A survey would not move it; roof recorded, not surveyed."


def test_a_surveyed_roof_whose_family_the_survey_does_not_name_is_listed() -> None:
    rows = [
        {"building_id": "a", "roof_family": "unknown", "surveyed_on": pd.Timestamp("2024-01-01")},
        {"building_id": "b", "roof_family": "lamella", "family_basis": "surveyed"},
        {"building_id": "c", "roof_family": "lamella", "family_basis": "recorded"},
        {"building_id": "d", "roof_family": "unknown", "family_basis": "assumed"},
    ]
    tables = ranked(made([{**row, "area_ft2": 9_000.0, "occupancy": "M"} for row in rows]))
    reason = survey_next(tables, RULES).set_index("building_id")["reason"]
    assert set(reason.index) == {"a", "c", "d"}
    assert reason["a"].endswith(
        "; the survey does not name the roof, no surveyed roofs behind the odds."
    ) or (reason["a"].endswith("; the survey does not name the roof, 1 surveyed roof behind the odds."))
    assert reason["c"].endswith("; roof recorded, not surveyed.")
    assert "roof unknown, " in reason["d"]


def test_the_sentence_carries_the_numbers() -> None:
    tables = ranked(district(40, seed=21))
    found = survey_next(tables, RULES)
    row = found.iloc[0]
    assert row["reason"].startswith("A survey would move it ")
    assert " the first 10 (" in row["reason"]
    # Its mean is the mean of both ways: the sentence rounds places and chances.
    numbers = [float(word) for word in pd.Series(row["reason"]).str.findall(r"\d+(?=[ %])").iloc[0]]
    if " or " in row["reason"]:
        up, up_chance, down, down_chance = numbers[:4]
        mean = (up * up_chance + down * down_chance) / 100
        assert mean == pytest.approx(row["places"], abs=1.0)
    else:
        assert numbers[0] * numbers[1] / 100 == pytest.approx(row["places"], abs=1.0)


def test_row_order_does_not_matter() -> None:
    tables = ranked(district(50, seed=2))
    mixed = {
        name: frame.sample(frac=1.0, random_state=1) if name != "family_odds" else frame
        for name, frame in tables.items()
    }
    pd.testing.assert_frame_equal(survey_next(mixed, RULES), survey_next(tables, RULES))


@pytest.mark.parametrize(
    "overrides",
    [{"ranking.list_length": 0}, {"ranking.list_share": 0.0}, {"ranking.list_share": 1.5}],
)
def test_a_list_that_cannot_be_is_refused(overrides: dict[str, float]) -> None:
    with pytest.raises(RuleError, match=r"^Rule ranking\.list_.*\.$"):
        survey_next(ranked(district(3, seed=1)), load_rulebook(overrides))


def test_a_list_of_everybody_cannot_change() -> None:
    rules = load_rulebook({"ranking.list_share": 1.0})
    found = survey_next(ranked(district(20, seed=1)), rules)
    assert (found["worth"] == 0).all()
    assert (found["chance_of_change"] == 0).all()
    assert (found["places"] > 0).any()
