"""What a scenario asks beside the fire spot: winds, methods to prefer, ladders that stand already.

In: a wind for all or for each section, methods and points by building.
Out: `Asked`: the same for each section, and the problems of what cannot be meant.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.framing.ragged import FloatArray, IntArray, marked
from roofplat.tables import METHODS, SCENARIO_BASES, problem_rows

__all__ = ["Asked", "read_asked"]


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of n sections; shape (n,) each.

    wind_from_deg, wind_basis
        Degrees from true north, and a number in `tables.SCENARIO_BASES`.
    preferred
        Number in `tables.METHODS`, -1 where none is preferred.
    ladder_x, ladder_y
        Where a ladder stands already, in the working CRS; NaN where none does.
    """

    wind_from_deg: FloatArray
    wind_basis: IntArray
    preferred: IntArray
    ladder_x: FloatArray
    ladder_y: FloatArray


def read_asked(
    building_id: pd.Series,
    *,
    wind_from_deg: float | FloatArray,
    wind_basis: str | npt.NDArray[Any],
    preferred: Mapping[str, str | None] | None,
    placed_ladders: gpd.GeoDataFrame | None,
) -> tuple[Asked, list[pd.DataFrame]]:
    """Spread what is asked of buildings over their sections.

    Parameters
    ----------
    building_id
        Of n sections, shape (n,).
    wind_from_deg, wind_basis
        One for all sections, or shape (n,).
    preferred
        Method to prefer by building.
    placed_ladders
        `building_id` and points in the working CRS.

    Returns
    -------
    asked, problems
        Of several points of one building the first counts, and the others are problems.

    Raises
    ------
    ValueError
        A basis or a method that the tables do not know: a defect of the caller.
    """
    count = len(building_id)
    method: IntArray = np.full(count, -1, dtype=np.int64)
    if preferred:
        number = np.array([-1 if way is None else _number(way, METHODS) for way in preferred.values()])
        at = pd.Index([*preferred]).get_indexer(pd.Index(building_id))
        method = np.where(at >= 0, number[at], -1)
    x, y = np.full(count, np.nan), np.full(count, np.nan)
    given = np.atleast_1d(np.asarray(wind_basis, dtype=object))
    basis = np.array([_number(word, SCENARIO_BASES) for word in given])
    problems: list[pd.DataFrame] = []
    if placed_ladders is not None and len(placed_ladders):
        name = pd.Index(placed_ladders["building_id"])
        again = name.duplicated()
        at = name[~again].get_indexer(pd.Index(building_id))
        points = placed_ladders.geometry.to_numpy()[~again]
        x = np.where(at >= 0, shapely.get_x(points)[at], np.nan)
        y = np.where(at >= 0, shapely.get_y(points)[at], np.nan)
        if again.any() or not marked(at[at >= 0], points.size).all():
            problems = _left_out(name, again, name.isin(building_id))
    asked = Asked(
        wind_from_deg=np.broadcast_to(np.asarray(wind_from_deg, dtype=float), count),
        wind_basis=np.broadcast_to(basis, count).astype(np.int64),
        preferred=method,
        ladder_x=x,
        ladder_y=y,
    )
    return asked, problems


def _left_out(
    name: pd.Index[str], again: npt.NDArray[np.bool_], known: npt.NDArray[np.bool_]
) -> list[pd.DataFrame]:
    """Problems of ladders that are stated and do not count."""
    return [
        problem_rows(
            "scenario",
            name[~known].fillna("no building").tolist(),
            "placed_ladder_no_building",
            "warning",
            "A ladder is stated at a building that is not there; it is left out.",
            "Name a building of the district.",
        ),
        problem_rows(
            "scenario",
            name[again & known].tolist(),
            "placed_ladder_twice",
            "warning",
            "A building has more than one ladder stated; the first one counts.",
            "State the ladder that the crew goes up.",
        ),
    ]


def _number(word: str, words: tuple[str, ...]) -> int:
    if word not in words:
        raise ValueError(f"{word!r} is none of {', '.join(words)}.")
    return words.index(word)
