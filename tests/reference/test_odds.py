"""The shares of building types against their handbook, and the posterior against scipy's distributions.

In: the packaged figures and the odds made from them.
Out: equal figures. Source of the figures: FEMA, Hazus Inventory Technical Manual, appendix A, tables A-2 to
    A-10, low-rise, percent of floor area; second-hand, as two published transcriptions give them.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from tests.benchmarks.odds import frame_of

from roofplat.inventory import estimate_odds, family_chances, family_names
from roofplat.inventory.hazus import building_types, hazus_percent
from roofplat.rules import load_rulebook

BOOK = load_rulebook()
TYPES = ["W1", "W2", "S1", "S2", "S3", "S4", "S5", "C1", "C2", "C3", "PC1", "PC2", "RM1", "RM2", "URM", "MH"]
# Region, first year of the period, class, percent by type in the order above.
ROWS = [
    ("west", None, "COM1", "0 22 2 0 6 3 20 0 17 1 0 0 6 0 23 0"),
    ("west", 1950, "COM1", "0 34 3 1 3 2 4 0 13 5 10 1 18 2 4 0"),
    ("west", 1970, "COM1", "0 26 9 1 2 1 0 6 10 1 15 5 21 3 0 0"),
    ("west", None, "COM2", "0 8 3 0 4 2 41 0 18 1 3 0 5 2 13 0"),
    ("west", 1950, "COM2", "0 12 4 5 5 3 3 0 18 0 22 1 19 4 4 0"),
    ("west", 1970, "COM2", "0 8 4 1 3 4 0 2 12 0 41 3 19 3 0 0"),
    ("west", 1950, "COM4", "0 34 3 3 1 2 3 0 17 5 3 0 23 4 2 0"),
    ("midwest", None, "COM1", "0 30 2 4 11 6 7 0 5 0 5 0 2 0 28 0"),
    ("midwest", None, "COM2", "0 10 2 4 11 6 7 2 10 2 14 2 2 0 28 0"),
    ("east", None, "COM1", "0 14 20 15 5 0 16 3 2 0 2 0 4 2 17 0"),
    ("east", None, "COM2", "0 10 21 15 7 0 16 3 2 0 2 0 3 4 17 0"),
    ("east", None, "COM3", "0 25 7 5 11 0 5 3 2 0 2 0 6 4 30 0"),
]


@pytest.mark.parametrize(("region", "year", "occupancy", "percent"), ROWS)
def test_a_row_is_that_of_the_handbook(region: str, year: int | None, occupancy: str, percent: str) -> None:
    table = hazus_percent()
    first = table["from_year"].isna() if year is None else table["from_year"] == year
    row = table[(table["region"] == region) & first & (table["occupancy"] == occupancy)]
    assert building_types() == TYPES
    assert row[TYPES].to_numpy().tolist() == [[int(value) for value in percent.split()]]


def test_every_row_is_a_hundred_percent() -> None:
    """All of the 135 rows but one, which sums to 99 as printed."""
    table = hazus_percent()
    short = table[table[TYPES].sum(axis=1) != 100]
    assert len(table) == 135
    assert short[["region", "occupancy"]].to_numpy().tolist() == [["east", "GOV1"]]
    assert int(short[TYPES].sum(axis=1).iloc[0]) == 99
    assert not table.duplicated(["region", "from_year", "occupancy"]).any()


QUOTED = [
    # FEMA P-154, table 2-3, seen: W1 light wood frame up to 5,000 ft2, W2 above.
    ("odds.wood_light_frame_ft2", 5000.0),
    # Hazus height classes: low-rise 1 to 3 storeys, mid-rise 4 to 7, high-rise 8 and more.
    ("odds.low_rise_storeys", 3.0),
]


@pytest.mark.checks(*(rule_id for rule_id, _ in QUOTED))
@pytest.mark.parametrize(("rule_id", "value"), QUOTED)
def test_a_quoted_limit_is_that_of_its_source(rule_id: str, value: float) -> None:
    assert BOOK.number(rule_id) == value
    assert BOOK[rule_id].status == "second-hand"


# --- the posterior beside scipy.stats ---

KIND = {"occupancy": "S-1", "year_built": 1985, "area_ft2": 40_000.0}


def posterior(surveyed: dict[str, int], **changes: float) -> tuple[pd.DataFrame, pd.Series]:
    """Odds of one stratum, and the chances of a roof in it that nobody has looked at."""
    rules = load_rulebook({f"odds.{name}": value for name, value in changes.items()})
    looked = [
        KIND | {"roof_family": name, "family_basis": "surveyed"}
        for name in surveyed
        for _ in range(surveyed[name])
    ]
    rows = pd.DataFrame([*looked, KIND | {"roof_family": "unknown", "family_basis": None}])
    rows["year_built"] = rows["year_built"].astype("Int64")
    buildings, odds = estimate_odds(frame_of(rows), None, "west", rules)
    return odds.set_index("roof_family"), family_chances(buildings, None, odds, rules).iloc[-1]


COUNTS = [
    {},
    {"panelized_wood": 1},
    {"panelized_wood": 9, "panelized_hybrid": 2, "concrete_deck": 1},
    {"lamella": 3, "bowstring_truss": 40},
]


@pytest.mark.parametrize("surveyed", COUNTS)
@pytest.mark.parametrize("prior_roofs", [0.5, 10.0, 80.0])
def test_the_posterior_is_that_of_scipy(surveyed: dict[str, int], prior_roofs: float) -> None:
    """Mean and variance of the Dirichlet, and the chance of the next roof by the Dirichlet-multinomial."""
    odds, chances = posterior(surveyed, prior_roofs=prior_roofs)
    part = odds["prior"] > 0
    counts = pd.Series(surveyed, dtype=float).reindex(odds.index, fill_value=0.0)
    assert not counts[~part].any()
    alpha = (prior_roofs * odds["prior"] + counts)[part].to_numpy()
    assert odds.loc[part, "chance"].to_numpy() == pytest.approx(stats.dirichlet.mean(alpha))
    next_roof = [stats.dirichlet_multinomial.pmf(one, alpha, 1) for one in np.eye(len(alpha), dtype=int)]
    assert chances[part.to_numpy()].to_numpy() == pytest.approx(next_roof)
    # The parts of a Dirichlet are beta, with the variance that scipy gives the Dirichlet.
    variance = [stats.beta.var(one, alpha.sum() - one) for one in alpha]
    assert variance == pytest.approx(stats.dirichlet.var(alpha))


@pytest.mark.parametrize("surveyed", COUNTS)
@pytest.mark.parametrize("share", [0.5, 0.9, 0.99])
def test_the_interval_is_that_of_scipys_beta(surveyed: dict[str, int], share: float) -> None:
    odds, _ = posterior(surveyed, interval_share=share)
    rows = odds[odds["prior"] > 0]
    alpha = rows["prior_count"] + rows["surveyed"]
    low, high = stats.beta.interval(share, alpha, alpha.sum() - alpha)
    # Widened to hold the chance where the beta alone would leave it out.
    assert rows["low"].to_numpy() == pytest.approx(np.minimum(low, rows["chance"]), abs=1e-9)
    assert rows["high"].to_numpy() == pytest.approx(np.maximum(high, rows["chance"]), abs=1e-9)
    assert (rows["low"] <= low + 1e-9).all()
    assert (rows["high"] >= high - 1e-9).all()


def test_two_surveys_one_after_the_other_are_as_likely_as_scipy_says() -> None:
    """The chance of finding one family and then another is that of the pair, whichever comes first."""
    before = {"panelized_wood": 2}
    odds, first = posterior(before)
    names = family_names(load_rulebook())
    part = odds["prior"].to_numpy() > 0
    alpha = (odds["prior_count"] + odds["surveyed"]).to_numpy()
    for one, other in (
        ("panelized_wood", "concrete_deck"),
        ("sawtooth", "sawtooth"),
        ("lamella", "metal_building"),
    ):
        _, second = posterior({**before, one: before.get(one, 0) + 1})
        found = np.zeros(len(names), dtype=int)
        np.add.at(found, [names.index(one), names.index(other)], 1)
        orders = 1 if one == other else 2
        pair = stats.dirichlet_multinomial.pmf(found[part], alpha[part], 2)
        assert orders * first[one] * second[other] == pytest.approx(pair)
