"""Are the odds of unknown roofs as good as they say? Simulated districts whose truth is known.

In: districts of many strata. Each stratum has true shares of the families; its roofs are drawn by them, some
    are surveyed, and the odds of the others are held against what they are.
Out: what was said against what was so (a reliability curve), how often the interval holds the truth, and the
    Brier score against the two easy ways out: the handbook alone, and the district's own counts alone.

Two kinds of truth. Near: true shares drawn around the prior, as loosely as the prior claims to be
(Dirichlet, `odds.prior_roofs` times the prior). Far: true shares that have nothing to do with the prior
(Dirichlet, equal in all families).

A reliability curve alone does not tell good odds from lazy ones: the handbook alone is reliable wherever
truths scatter around it. The Brier score tells them apart. tests/inventory/test_odds_calibration.py holds the
figures to their limits; this prints them:

    python -m tests.benchmarks.odds
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from roofplat.inventory import estimate_odds, family_chances, family_names
from roofplat.rules import load_rulebook

WORLDS = 20
SURVEYS = (0, 1, 2, 4, 8, 16, 32)
LOOKED_AT_LATER = 30
GROUPS = ("A", "B", "E", "F", "I", "M", "R", "S")
YEARS = (1930, 1960, 1990)
AREAS_FT2 = (2_000.0, 12_000.0, 90_000.0)
EDGES = np.array([0.0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0])
# A bin of a few strata says nothing.
LEAST_PAIRS = 40
FORMS = ("flat", "gabled", "arched", "sawtooth")


@dataclass(frozen=True)
class Seen:
    """One row a stratum of a world: chances said, true shares, what later surveys found, how many before."""

    said: np.ndarray
    by_form: np.ndarray
    low: np.ndarray
    high: np.ndarray
    prior: np.ndarray
    counts: np.ndarray
    truth: np.ndarray
    found: np.ndarray

    @property
    def surveys(self) -> np.ndarray:
        return self.counts.sum(axis=1)


def frame_of(rows: pd.DataFrame) -> gpd.GeoDataFrame:
    """Buildings as the inventory has them before their odds."""
    nothing = ("file_id", "name", "address", "dispatch_area", "alert", "inspection_class", "sprinklered")
    nothing = (*nothing, "look_again")
    dates = ("surveyed_on", "inspected_on", "inspect_by")
    frame = rows.reset_index(drop=True).assign(
        building_id=[f"B{i:06d}" for i in range(len(rows))],
        height_ft=20.0,
        height_basis="assumed",
        storeys=pd.array([1] * len(rows), dtype="Int64"),
        **dict.fromkeys(nothing, None),
        **dict.fromkeys(dates, pd.NaT),
    )
    return gpd.GeoDataFrame(frame, geometry=[shapely.box(0, 0, 1, 1)] * len(rows), crs="EPSG:32613")


def strata() -> pd.DataFrame:
    grid = pd.MultiIndex.from_product(
        [GROUPS, YEARS, AREAS_FT2], names=["occupancy", "year_built", "area_ft2"]
    ).to_frame(index=False)
    return grid.assign(year_built=grid["year_built"].astype("Int64"))


def simulate(kind: str, *, changes: dict[str, object] | None = None, worlds: int = WORLDS) -> Seen:
    """Survey some roofs of each stratum, let the odds be made, then look at the others."""
    rules = load_rulebook(changes)
    families = family_names(rules)
    cells = strata()
    unseen = cells.assign(roof_family="unknown", family_basis=None)
    # The truth is the same whatever the odds claim.
    prior, loose = prior_shares(unseen), load_rulebook().number("odds.prior_roofs")
    center = loose * prior if kind == "near" else np.ones_like(prior)
    kept: list[Seen] = []
    for world in range(worlds):
        random = np.random.default_rng([world, 5])
        weights = random.standard_gamma(center)
        truth = weights / weights.sum(axis=1, keepdims=True)
        surveys = random.choice(SURVEYS, len(cells))
        counts = random.multinomial(surveys, truth)
        found = random.multinomial(LOOKED_AT_LATER, truth)
        cell, family = (axis.repeat(counts.reshape(-1)) for axis in np.indices(counts.shape).reshape(2, -1))
        looked = cells.iloc[cell].assign(roof_family=np.array(families)[family], family_basis="surveyed")
        # The surveyed roofs, then one roof of each stratum that nobody has looked at.
        buildings, odds = estimate_odds(frame_of(pd.concat([looked, unseen])), None, "west", rules)
        asked = buildings.iloc[-len(cells) :]
        assert asked["local_roofs"].tolist() == surveys.tolist()
        said = family_chances(asked, None, odds, rules).to_numpy()
        wanted = pd.MultiIndex.from_product([asked["stratum"], families])
        own = odds.set_index(["stratum", "roof_family"]).loc[wanted]
        low, high = (own[side].to_numpy().reshape(prior.shape) for side in ("low", "high"))
        by_form = np.stack(
            [family_chances(asked, said_form(asked, form), odds, rules).to_numpy() for form in FORMS],
            axis=1,
        )
        kept.append(Seen(said, by_form, low, high, prior, counts, truth, found))
    return Seen(*(np.concatenate([getattr(seen, name) for seen in kept]) for name in Seen.__annotations__))


def prior_shares(unseen: pd.DataFrame) -> np.ndarray:
    rules = load_rulebook()
    bare, odds = estimate_odds(frame_of(unseen), None, "west", rules)
    prior = odds.pivot_table(index="stratum", columns="roof_family", values="prior")
    return prior.loc[bare["stratum"], family_names(rules)].to_numpy()


def said_form(buildings: pd.DataFrame, form: str) -> pd.DataFrame:
    return pd.DataFrame(
        {"building_id": buildings["building_id"], "roof_shape": form, "roof_shape_basis": "recorded"}
    )


def reliability(said: np.ndarray, counts: np.ndarray) -> pd.DataFrame:
    """What was said and what was found, in bins of what was said; a pair is a stratum and a family.

    `error` is how far the mean of a bin strays by chance alone.
    """
    roofs = counts.sum(axis=1, keepdims=True)
    rows = pd.DataFrame(
        {
            "bin": np.digitize(said, EDGES[1:-1]).reshape(-1),
            "said": (said * roofs).reshape(-1),
            "found": counts.reshape(-1),
            "roofs": np.broadcast_to(roofs, said.shape).reshape(-1),
        }
    ).assign(squared=lambda rows: (rows["found"] - rows["said"]) ** 2)
    rows = rows[rows["roofs"] > 0]
    table = rows.groupby("bin").agg(
        pairs=("said", "size"), roofs=("roofs", "sum"), said=("said", "sum"), found=("found", "sum"),
        squared=("squared", "sum"),
    )  # fmt: skip
    table["error"] = np.sqrt(table["squared"]) / table["roofs"]
    table["said"], table["found"] = table["said"] / table["roofs"], table["found"] / table["roofs"]
    table["gap"] = (table["found"] - table["said"]).abs()
    return table[table["pairs"] >= LEAST_PAIRS].drop(columns="squared")


def mean_gap(said: np.ndarray, counts: np.ndarray) -> float:
    table = reliability(said, counts)
    return float((table["gap"] * table["roofs"]).sum() / table["roofs"].sum())


def brier(said: np.ndarray, counts: np.ndarray) -> float:
    """Mean over the roofs looked at later of the sum over families of (said - so)^2: 0 is best, 2 worst."""
    roofs = counts.sum(axis=1)
    total = roofs * ((said**2).sum(axis=1) + 1.0) - 2.0 * (said * counts).sum(axis=1)
    return float(total.sum() / roofs.sum())


def counts_alone(seen: Seen) -> np.ndarray:
    """The district's own shares; where nothing was surveyed every family is as likely as any other."""
    surveys = seen.surveys[:, None]
    return np.where(surveys > 0, seen.counts / np.maximum(surveys, 1), 1.0 / seen.said.shape[1])


def scores(seen: Seen) -> pd.DataFrame:
    """Brier scores, a row for each number of surveyed roofs and one for all."""
    ways = {
        "odds": seen.said,
        "handbook alone": seen.prior,
        "counts alone": counts_alone(seen),
        "truth": seen.truth,
    }
    here = {number: seen.surveys == number for number in SURVEYS} | {"all": seen.surveys >= 0}
    return pd.DataFrame(
        {
            way: {row: brier(said[chosen], seen.found[chosen]) for row, chosen in here.items()}
            for way, said in ways.items()
        }
    )


def coverage(seen: Seen) -> float:
    """How often the interval holds the true share, of the families that are worth a thought."""
    inside = (seen.low <= seen.truth) & (seen.truth <= seen.high)
    return float(inside[seen.said >= EDGES[1]].mean())


def gaps_by_surveys(seen: Seen) -> dict[int, float]:
    """Mean gap of the strata with each number of surveyed roofs."""
    return {
        number: mean_gap(seen.said[seen.surveys == number], seen.found[seen.surveys == number])
        for number in SURVEYS
    }


def main() -> None:
    """Print the figures of both kinds of truth."""
    for kind in ("near", "far"):
        seen = simulate(kind)
        print(f"Truths {kind}: {len(seen.said)} strata, {LOOKED_AT_LATER} roofs of each looked at later.")
        print("What was said and what was found:")
        print(reliability(seen.said, seen.found).round(4).to_string())
        print("Brier score by surveyed roofs of the stratum:")
        print(scores(seen).round(4).to_string())
        print("Mean gap by surveyed roofs:", {n: round(gap, 4) for n, gap in gaps_by_surveys(seen).items()})
        print(f"Mean gap {mean_gap(seen.said, seen.found):.4f}; the interval holds {coverage(seen):.3f}.\n")


if __name__ == "__main__":
    main()
