"""The handbook's figures: how much of an occupancy stands in each building type.

In: `hazus_lowrise.csv`, package data with its source in its head.
Out: the figures as a frame; the building types in their order.
"""

from __future__ import annotations

from functools import cache
from importlib import resources

import pandas as pd

__all__ = ["building_types", "hazus_percent"]


@cache
def hazus_percent() -> pd.DataFrame:
    """Return the percent of floor area by building type, of low-rise buildings; not to be changed.

    Returns
    -------
    DataFrame
        `region`, `from_year`, `before_year` (missing where there is no limit), `occupancy` (the handbook's
        class), then a column for each building type.

    Examples
    --------
    >>> hazus_percent()["region"].unique().tolist()
    ['west', 'midwest', 'east']
    """
    file = resources.files("roofplat.inventory").joinpath("hazus_lowrise.csv")
    with file.open("r", encoding="utf-8") as lines:
        return pd.read_csv(lines, comment="#")


def building_types() -> list[str]:
    """Return the building types in the order of the file.

    Examples
    --------
    >>> building_types()[:3]
    ['W1', 'W2', 'S1']
    """
    return list(hazus_percent().columns[4:])
