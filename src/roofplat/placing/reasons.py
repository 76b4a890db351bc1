"""Why here, and why not: sentences made from the rules that decided.

In: codes and numbers of the placing room.
Out: one sentence for each row; only the few different ones are ever composed.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.framing import Framing
from roofplat.placing.ladders import WISHES
from roofplat.tables import sentences, words

__all__ = ["NO_CUT", "compass_point", "compose", "ladder_reasons", "why_no_cut", "wishes_met"]

NO_CUT = {
    "not_planned": "the scenario's fire spot is in another section of this building",
    "family_unknown": "nobody has looked at this roof; find out first",
    "family_walls_only": "no cut is planned for this roof family; walls and ladder spots only",
    "axis_doubtful": "the outline does not tell which way the beams run; survey the axis first",
    "section_too_small": "the section is narrower than the rulebook allows for a planned cut",
    "no_clear_bay": "no bay is clear of the outline, the obstacles and the clearances",
    "no_wall_reachable": "no wall has a usable ladder spot",
    "out_of_reach": "neither a ladder of the stock nor the aerial reaches the roof edge",
    "no_path": "no path along bearing lines leads from the ladder to a clear bay",
}
_POINTS = ("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest")
_WISH_WORDS = {
    "bearing": "on a bearing wall",
    "corner": "near a corner",
    "upwind": "on the upwind side",
    "street": "on the street side",
    "away_from_fire": "away from the fire spot",
    "short_path": "close to the work",
}
# A wish that is met this far is given as a reason.
_MET = {
    "bearing": 0.99,
    "corner": 0.5,
    "upwind": 0.85,
    "street": 0.85,
    "away_from_fire": 0.99,
    "short_path": 0.5,
}


def why_no_cut(
    framing: Framing, planned: npt.NDArray[np.bool_], can_cut: npt.NDArray[np.bool_]
) -> npt.NDArray[np.object_]:
    """The reason why no cut is drawn, before any placing; empty where one may be.

    Parameters
    ----------
    framing
        n sections.
    planned, can_cut
        Shape (n,).

    Returns
    -------
    ndarray of object
        Keys of `NO_CUT` or empty texts, shape (n,).
    """
    family = framing.sections["roof_family"]
    doubtful = (framing.sections["axis_basis"] == "doubtful").to_numpy(dtype=bool)
    return np.select(
        [
            ~planned,
            (family == "unknown").to_numpy(dtype=bool),
            ~framing.panelized,
            doubtful,
            ~can_cut,
        ],
        ["not_planned", "family_unknown", "family_walls_only", "axis_doubtful", "section_too_small"],
        default="",
    ).astype(object)


def compose(parts: list[npt.NDArray[Any]], sentence: Callable[..., str]) -> pd.Categorical:
    """Make one sentence for each row, composing each different one once.

    Parameters
    ----------
    parts
        Columns of whole numbers, shape (k,) each.
    sentence
        Takes one value of each column.

    Returns
    -------
    pandas.Categorical
        Shape (k,).

    Examples
    --------
    >>> compose([np.array([1, 2, 1])], lambda number: f"number {number}").tolist()
    ['number 1', 'number 2', 'number 1']
    """
    if not parts[0].size:
        return sentences([], np.empty(0, dtype=np.int64))
    code = np.zeros(parts[0].size, dtype=np.int64)
    for part in parts:
        values = part.astype(np.int64)
        low = values.min()
        code = code * (values.max() - low + 1) + (values - low)
    # Codes are small numbers: counting them is cheaper than sorting them.
    used = np.flatnonzero(np.bincount(code))
    number = np.empty(used[-1] + 1, dtype=np.int64)
    number[used] = np.arange(used.size)
    inverse = number[code]
    first = np.empty(used.size, dtype=np.int64)
    first[inverse[::-1]] = np.arange(code.size)[::-1]
    texts = [sentence(*(int(part[row]) for part in parts)) for row in first]
    # Different codes may say the same.
    different = list(dict.fromkeys(texts))
    place = np.array([different.index(text) for text in texts], dtype=np.int64)
    return sentences(different, place[inverse])


def compass_point(azimuth_deg: npt.NDArray[np.float64], shown: npt.NDArray[np.bool_]) -> Any:
    """The nearest of eight compass points, in words; missing where not shown.

    Examples
    --------
    >>> compass_point(np.array([10.0, 225.0]), np.array([True, True])).tolist()
    ['north', 'southwest']
    """
    point = np.round(azimuth_deg / 45.0).astype(np.int64) % len(_POINTS)
    return words(_POINTS, np.where(shown, point, -1))


def wishes_met(wishes: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    """Which wishes are met well enough to be given as reasons, one bit each.

    Parameters
    ----------
    wishes
        How far each of `ladders.WISHES` is met, shape (k, 6).

    Returns
    -------
    ndarray of int
        Shape (k,).
    """
    met = np.stack([wishes[:, column] >= _MET[wish] for column, wish in enumerate(WISHES)], axis=1)
    return np.asarray(met @ (1 << np.arange(len(WISHES))))


def ladder_reasons(
    met: npt.NDArray[np.int64], rank: npt.NDArray[np.int64], apparatus: npt.NDArray[Any]
) -> tuple[pd.Categorical, pd.Categorical]:
    """Rule ids and the sentence of each ladder spot.

    Parameters
    ----------
    met
        From `wishes_met`, shape (k,).
    rank
        1 or 2, shape (k,).
    apparatus
        0 ground ladder, 1 aerial, 2 out of reach, shape (k,).

    Returns
    -------
    rules, reasons
        Shape (k,).
    """

    def names(code: int) -> list[str]:
        return [wish for column, wish in enumerate(WISHES) if code >> column & 1]

    def rule_ids(code: int, rank: int, means: int) -> str:
        ids = ["ladder.base_share", "ladder.base_clear_ft", "line.clearance_ft"]
        ids += ["ladder.stock_ft", "ladder.tip_above_edge_ft"] if means == 0 else ["ladder.aerial_reach_ft"]
        ids += [f"ladder.weight.{name}" for name in names(code)]
        return " ".join([*ids, "ladder.apart_ft"] if rank == 2 else ids)

    def sentence(code: int, rank: int, means: int) -> str:
        wishes_met = [_WISH_WORDS[name] for name in names(code)] or ["the best spot with clear ground"]
        lead = "Second way off, on another side: " if rank == 2 else ""
        text = lead + ", ".join(wishes_met) + "."
        tail = (
            "",
            " No ladder of the stock reaches; aerial.",
            " Out of reach of the stock and of the aerial.",
        )[means]
        return text[0].upper() + text[1:] + tail

    columns = [met, rank, apparatus]
    return compose(columns, rule_ids), compose(columns, sentence)
