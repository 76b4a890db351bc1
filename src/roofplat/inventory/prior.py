"""The share of each roof family in a stratum before any survey.

In: the handbook's shares of building types, the rules that say which roofs stand on them.
Out: shares by period, occupancy group, size class and family.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.errors import RuleError
from roofplat.inventory.hazus import building_types, hazus_percent
from roofplat.inventory.strata import UNKNOWN, Levels
from roofplat.rules import Rulebook

__all__ = ["prior_shares"]

FloatArray = npt.NDArray[np.float64]

_WEST = "west"


def prior_shares(levels: Levels, families: Sequence[str], rules: Rulebook) -> FloatArray:
    """Work out the share of each family before any survey.

    The sum over the building types of their share in the stratum, times the part of the type's roofs that
    is of the family. W1 and W2 are told apart by size, so a size class is one of them where it lies on one
    side of `odds.wood_light_frame_ft2`. Where a family is not at home, or not yet or no longer built, it
    keeps a part of its parts. An unknown level is the plain mean over the known ones.

    Parameters
    ----------
    levels
        The levels of the district.
    families
        Families to give shares to.
    rules
        `odds.occupancy.*`, `odds.family.*`, `odds.first_year.*`, `odds.last_year.*`,
        `odds.out_of_use_share`, `odds.outside_west_share.*`, `odds.wood_light_frame_ft2`.

    Returns
    -------
    ndarray of float
        By period, group, size class and family, in the order of `levels`; sums to 1 over the families.

    Raises
    ------
    RuleError
        A rule is out of its range.
    """
    hazus = hazus_percent()
    regions = hazus["region"].unique().tolist() if levels.region == UNKNOWN else [levels.region]
    whole = np.mean([_regional_shares(region, levels, families, rules) for region in regions], axis=0)
    # An unknown level is the plain mean over the known ones.
    whole = np.concatenate([whole, whole.mean(axis=1, keepdims=True)], axis=1)
    if levels.periods[-1] == UNKNOWN:
        whole = np.concatenate([whole, whole.mean(axis=0, keepdims=True)], axis=0)
    return whole


def _regional_shares(region: str, levels: Levels, families: Sequence[str], rules: Rulebook) -> FloatArray:
    """As `prior_shares`, of one region and without the unknown levels of period and group."""
    rows = hazus_percent()
    rows = rows[rows["region"] == region]
    parts = _family_parts(families, rules)
    if region != _WEST:
        away = {
            name: rules.share(f"odds.outside_west_share.{name}")
            for name in rules.table("odds.outside_west_share")
        }
        parts = parts * np.array([away.get(family, 1.0) for family in families])
    # Rows of all years stand for every period, and say nothing of when.
    dated = rows["before_year"].notna().any()
    first, before = rows["from_year"].fillna(-np.inf), rows["before_year"].fillna(np.inf)
    found = []
    for start in levels.period_starts:
        here = (first == start) if dated else first.notna()
        kept = _in_use(start, float(before[here].iloc[0]), families, rules) if dated else 1.0
        found.append(_type_shares(rows[here], levels, rules) @ _rows_to_one(parts * kept, parts))
    return np.stack(found)


def _type_shares(rows: pd.DataFrame, levels: Levels, rules: Rulebook) -> FloatArray:
    """Share of each building type, by group, size and type."""
    types = building_types()
    shares = rows.set_index("occupancy")[types].astype(float)
    shares = shares.div(shares.sum(axis=1), axis=0)
    found = np.zeros((len(levels.groups) - 1, len(types)))
    for place, group in enumerate(levels.groups[:-1]):
        word = rules.choice(f"odds.occupancy.{group}")
        if word in types:
            found[place, types.index(word)] = 1.0
        elif word in shares.index:
            found[place] = shares.loc[word].to_numpy()
        else:
            raise RuleError(
                f"Rule odds.occupancy.{group} is {word!r}; it takes a building type, such as {types[0]}, or "
                f"an occupancy class of the handbook: {', '.join(shares.index)}."
            )
    sizes = np.repeat(found[:, None, :], len(levels.sizes), axis=1)
    # W1 and W2 are told apart by size, so the size class settles which one a wood building is.
    limit_ft2 = rules.positive("odds.wood_light_frame_ft2")
    steps = levels.size_steps_ft2
    light, commercial = types.index("W1"), types.index("W2")
    small = np.append(steps <= limit_ft2, [False, False])
    large = np.concatenate([[False], steps >= limit_ft2, [False]])
    for these, gains, loses in ((small, light, commercial), (large, commercial, light)):
        sizes[:, these, gains] += sizes[:, these, loses]
        sizes[:, these, loses] = 0.0
    return sizes


def _family_parts(families: Sequence[str], rules: Rulebook) -> FloatArray:
    """Parts of each family among the roofs of a building type, by type and family."""
    stated = rules.table("odds.family")
    types = building_types()
    # A family of the department's own has no rule: only its surveyed roofs speak for it.
    parts = np.array([[stated.get(f"{kind}.{family}", 0.0) for family in families] for kind in types])
    for row, kind in zip(parts, types, strict=True):
        wrong = ~np.isfinite(row) | (row < 0)
        if wrong.any():
            place = int(np.argmax(wrong))
            raise RuleError(
                f"Rule odds.family.{kind}.{families[place]} is {row[place]:g}; a part is zero or more."
            )
        if not row.any():
            raise RuleError(
                f"All rules odds.family.{kind}.* are zero; give at least one family a part of these roofs."
            )
    return parts


def _rows_to_one(weighted: FloatArray, plain: FloatArray) -> FloatArray:
    """Each row over its sum; a row of which nothing is left is taken unweighted."""
    kept = np.where(weighted.sum(axis=1, keepdims=True) > 0, weighted, plain)
    whole: FloatArray = kept / kept.sum(axis=1, keepdims=True)
    return whole


def _in_use(start: float, end: float, families: Sequence[str], rules: Rulebook) -> FloatArray:
    """What each family keeps of its parts between two years."""
    first, last = rules.table("odds.first_year"), rules.table("odds.last_year")
    built = np.array(
        [first.get(name, -np.inf) < end and last.get(name, np.inf) >= start for name in families]
    )
    return np.where(built, 1.0, rules.share("odds.out_of_use_share"))
