"""What each roof may be, as numbers: the chance of every family, and what each would count.

In: buildings, roof sections, the odds by stratum, the rulebook.
Out: `Outlook`: chances by building and family, and two figures a family.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.inventory import chances_by_kind, stated_forms
from roofplat.rules import Rulebook

__all__ = ["UNKNOWN", "Outlook", "family_surveyed", "outlook", "outlook_of", "to_look_again"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Outlook:
    """The chance of each roof family for each building, and what a family counts in the score.

    families
        Ids of the roof families, `unknown` left out; m of them.
    lightweight, severity
        The two factors that follow from the family, from 0 to 1, shape (m,).
    by_kind
        Chances, shape (k, m); every row adds up to 1.
    kind
        Row of `by_kind` of each building, shape (n,); None where each building has a row of its own.
    """

    families: tuple[str, ...]
    lightweight: FloatArray
    severity: FloatArray
    by_kind: FloatArray
    kind: IntArray | None = None

    @property
    def chances(self) -> FloatArray:
        """The chances of each building, shape (n, m)."""
        return self.by_kind if self.kind is None else self.by_kind[self.kind]

    @property
    def kind_of_each(self) -> IntArray:
        """Row of `by_kind` of each building, shape (n,)."""
        return np.arange(len(self.by_kind)) if self.kind is None else self.kind

    def of_rows(self, rows: slice | IntArray) -> Outlook:
        """The same of some of the buildings."""
        return replace(self, kind=self.kind_of_each[rows])

    def mean(self, values: FloatArray) -> FloatArray:
        """The mean of a figure a family over the families of each building, shape (n,)."""
        # Family by family, so that no library decides in which order a sum is taken.
        total = np.zeros(len(self.by_kind))
        for chance, value in zip(self.by_kind.T, values, strict=True):
            total += chance * value
        return total[self.kind_of_each]


def outlook(buildings: pd.DataFrame, tables: Mapping[str, Any], rules: Rulebook) -> Outlook:
    """Tell what each roof may be.

    A family that is stated has the chances that the inventory gives it by its basis; one that
    nobody has stated follows the odds of its stratum. Without odds, as for tables made by hand, a
    stated family is taken as it is, and an unknown one may be any family with equal chance.

    Parameters
    ----------
    buildings
        Rows of `TABLES["buildings"]`, n of them.
    tables
        `roofs` and `family_odds`, where there are any.
    rules
        The roof families, `odds.*`.

    Returns
    -------
    Outlook
        Rows in the order of `buildings`.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> rules = load_rulebook()
    >>> known = outlook(pd.DataFrame({"building_id": ["a"], "roof_family": ["lamella"]}), {}, rules)
    >>> known.families[int(known.chances[0].argmax())], known.severity[int(known.chances[0].argmax())]
    ('lamella', np.float64(1.0))
    """
    odds = tables.get("family_odds")
    forms = stated_forms(buildings["building_id"], tables.get("roofs"))
    return outlook_of(buildings, forms, odds if odds is not None and len(odds) else None, rules)


def outlook_of(
    frame: pd.DataFrame, forms: IntArray, family_odds: pd.DataFrame | None, rules: Rulebook
) -> Outlook:
    """Tell the same from narrow columns.

    Parameters
    ----------
    frame
        `roof_family`; with odds also `stratum`, `family_basis`, `storeys` and `look_again`; n rows.
    forms
        As `inventory.stated_forms` returns them, shape (n,).
    family_odds
        The odds by stratum; None where there are none.
    rules
        The roof families, `odds.*`.

    Returns
    -------
    Outlook
        Rows in the order of `frame`.
    """
    entries = [entry for name, entry in rules.families.items() if name != UNKNOWN]
    families = tuple(entry.id for entry in entries)
    if family_odds is None or not len(family_odds):
        kind = pd.Index(families).get_indexer(pd.Index(frame["roof_family"]))
        # The last kind, which -1 is the place of, is the roof that nobody knows.
        chances = np.vstack([np.eye(len(families)), np.full(len(families), 1.0 / len(families))])
        kind = np.where(kind < 0, len(families), kind).astype(np.int64)
    else:
        chances, kind = chances_by_kind(frame, forms, family_odds, rules)
    not_said = rules.number("odds.lightweight_not_said")
    return Outlook(
        families=families,
        lightweight=np.array(
            [not_said if entry.lightweight is None else entry.lightweight for entry in entries], dtype=float
        ),
        severity=np.clip([entry.severity for entry in entries], 0.0, 1.0),
        by_kind=chances,
        kind=kind,
    )


def family_surveyed(buildings: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Tell of which buildings a survey has named the roof family as it is now.

    Examples
    --------
    >>> rows = {"roof_family": ["lamella", "lamella", "unknown"], "family_basis": ["surveyed", "drawn", None]}
    >>> family_surveyed(pd.DataFrame(rows)).tolist()
    [True, False, False]
    """
    seen = (buildings["family_basis"] == "surveyed") & (buildings["roof_family"] != UNKNOWN)
    return seen.to_numpy(dtype=bool, na_value=False) & ~to_look_again(buildings)


def to_look_again(buildings: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Tell which roofs were changed since they were surveyed, or may have been.

    Examples
    --------
    >>> to_look_again(pd.DataFrame({"look_again": ["reroof 2026-03", None]})).tolist()
    [True, False]
    """
    if "look_again" not in buildings:
        return np.zeros(len(buildings), dtype=bool)
    return buildings["look_again"].notna().to_numpy(dtype=bool)
