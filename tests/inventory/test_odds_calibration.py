"""The odds are as good as they say, in simulated districts whose truth is known.

In: the simulation of tests/benchmarks/odds.py, which also says what is simulated and prints the figures.
Out: reliability, coverage of the interval and Brier scores within their limits; seeds are fixed.
"""

from __future__ import annotations

import numpy as np
import pytest
from tests.benchmarks.odds import (
    FORMS,
    SURVEYS,
    Seen,
    brier,
    coverage,
    gaps_by_surveys,
    mean_gap,
    reliability,
    scores,
    simulate,
)

from roofplat.inventory import family_names
from roofplat.rules import load_rulebook


@pytest.fixture(scope="module")
def near() -> Seen:
    return simulate("near")


@pytest.fixture(scope="module")
def far() -> Seen:
    return simulate("far")


def test_what_is_said_is_what_is_found(near):
    """In every bin within four standard errors, and on the mean within half a percent."""
    table = reliability(near.said, near.found)
    assert table["said"].is_monotonic_increasing
    assert len(table) >= 7
    assert (table["gap"] <= 4.0 * table["error"]).all()
    assert (table.loc[table["pairs"] >= 500, "gap"] <= 0.01).all()
    assert mean_gap(near.said, near.found) < 0.005


def test_the_interval_holds_the_truth_as_often_as_it_says(near):
    assert coverage(near) == pytest.approx(load_rulebook().number("odds.interval_share"), abs=0.01)


def test_the_odds_are_better_than_the_handbook_alone_and_than_counts_alone(near):
    table = scores(near)
    some = list(SURVEYS[1:])
    assert (table.loc[some, "odds"] < table.loc[some, "handbook alone"]).all()
    assert (table["odds"] < table["counts alone"]).all()
    assert table.loc[0, "odds"] == table.loc[0, "handbook alone"]
    # Of what could be gained over the handbook by knowing the truth, this much.
    best = table.loc["all"]
    gained = (best["handbook alone"] - best["odds"]) / (best["handbook alone"] - best["truth"])
    assert 0.25 < gained < 1.0
    assert best["odds"] < best["counts alone"] - 0.1


def test_surveys_mend_a_handbook_that_is_wrong(far):
    """Where the handbook is wrong the odds are wrong too, until roofs are surveyed."""
    table = scores(far)
    some = list(SURVEYS[1:])
    assert (table.loc[some, "odds"] < table.loc[some, "handbook alone"]).all()
    assert table.loc[some, "odds"].is_monotonic_decreasing
    assert table.loc["all", "odds"] < table.loc["all", ["handbook alone", "counts alone"]].min()
    # With many surveys a wrong handbook no longer matters, and with none it is all there is.
    assert table.loc[32, "odds"] == pytest.approx(table.loc[32, "counts alone"], abs=0.01)
    assert table.loc[0, "odds"] > table.loc[0, "counts alone"]
    gaps = list(gaps_by_surveys(far).values())
    assert gaps == sorted(gaps, reverse=True)
    assert gaps[0] > 0.04
    assert gaps[-1] < gaps[0] / 2.0


def test_the_check_finds_odds_that_claim_too_much_or_learn_too_little(near):
    """The same truths, with a prior that counts for half a roof, and for five hundred."""
    hasty = simulate("near", changes={"odds.prior_roofs": 0.5}, worlds=6)
    deaf = simulate("near", changes={"odds.prior_roofs": 500.0}, worlds=6)
    assert mean_gap(hasty.said, hasty.found) > 4.0 * mean_gap(near.said, near.found)
    assert (reliability(hasty.said, hasty.found)["gap"] > 0.1).any()
    assert coverage(deaf) < 0.5
    alike = slice(0, len(hasty.said))
    kept = brier(near.said[alike], near.found[alike])
    assert (near.found[alike] == hasty.found).all()
    assert (near.found[alike] == deaf.found).all()
    assert kept < brier(deaf.said, deaf.found) < brier(hasty.said, hasty.found)


def test_odds_by_the_form_of_the_roof_are_as_good_as_they_say():
    """The form of every roof is stated, and each family has one form."""
    rules = load_rulebook({"odds.flat_or_pitched": []})
    seen = simulate("near", changes={"odds.flat_or_pitched": []}, worlds=10)
    shape = np.array([rules.families[name].shape for name in family_names(rules)])
    said = seen.by_form.reshape(-1, len(shape))
    found = (seen.found[:, None, :] * (shape == np.array(FORMS)[:, None])).reshape(-1, len(shape))
    table = reliability(said, found)
    assert (table["gap"] <= 4.0 * table["error"]).all()
    assert mean_gap(said, found) < 0.01
    # What is ruled out was never found, and knowing the form is worth something.
    assert not found[said == 0.0].any()
    assert brier(said, found) < brier(seen.said, seen.found) - 0.05
