"""Loops compiled by numba, where it is installed and worth the wait.

In: a function of arrays that is a plain loop, and how much is to be done.
Out: the same function compiled, or nothing: the caller then works on whole arrays in numpy.

Both ways give the same numbers to the last bit: nothing is compiled with relaxed arithmetic, and what numpy
and numba may round differently (sines, roots of sums, logarithms) is worked out before the loop, in numpy.
`ROOFPLAT_NUMBA=0` never compiles, `ROOFPLAT_NUMBA=1` always does; without it a process compiles once it has
planned many sections, in one go or tile after tile: to load numba takes longer than to plan a small district.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import cache
from importlib import import_module
from typing import Any, TypeVar

from roofplat.errors import DistrictFileError

__all__ = ["SWITCH", "compiled", "prepare"]

SWITCH = "ROOFPLAT_NUMBA"
Loop = TypeVar("Loop", bound=Callable[..., object])
# Sections after which the loops pay for being loaded, and the least in one go that count: a server that plans
# building after building is not to wait for them.
_WORTH, _LEAST = 20_000, 1_000
_planned = {"sections": 0}


def prepare(count: int) -> None:
    """Say that so many sections are about to be planned.

    Parameters
    ----------
    count
        How many, in one go.

    Raises
    ------
    DistrictFileError
        `ROOFPLAT_NUMBA` asks for what cannot be.

    Examples
    --------
    >>> prepare(3)
    """
    switch = os.environ.get(SWITCH, "")
    if switch not in ("", "0", "1"):
        raise DistrictFileError(f"{SWITCH} is {switch!r}; set it to 0 or 1, or leave it out.")
    if switch == "1" and _numba() is None:
        raise DistrictFileError(
            f"{SWITCH} asks for compiled loops, but numba is not installed; "
            "run `python -m pip install 'roofplat[fast]'`, or leave it out."
        )
    if count >= _LEAST:
        _planned["sections"] += count


def compiled(loop: Loop) -> Loop | None:
    """A loop compiled, or None where numpy is to do the work.

    Parameters
    ----------
    loop
        A function of arrays and numbers that is its own module's, so that what is compiled is kept on disk.

    Returns
    -------
    callable or None
    """
    switch = os.environ.get(SWITCH, "")
    if switch == "0" or not (switch == "1" or _planned["sections"] >= _WORTH):
        return None
    return _compiled(loop)


@cache
def _numba() -> Any:
    try:
        return import_module("numba")
    except ImportError:
        return None


@cache
def _compiled(loop: Loop) -> Loop | None:
    numba = _numba()
    if numba is None:
        return None
    settings: dict[str, Any] = {"nogil": True, "error_model": "numpy"}
    made: Any
    try:
        made = numba.njit(cache=True, **settings)(loop)
    except RuntimeError:
        # There is no folder to keep it in: it is compiled in each process.
        made = numba.njit(**settings)(loop)
    faster: Loop = made
    return faster
