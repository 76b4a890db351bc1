"""Loops compiled by numba, where it is installed and worth the wait.

In: a function of arrays that is a plain loop, and how much is to be done.
Out: the same function compiled, or nothing: the caller then works on whole arrays in numpy.

Both ways give the same numbers to the last bit: nothing is compiled with relaxed arithmetic, and what numpy
and numba may round differently (sines, roots of sums, logarithms) is worked out before the loop, in numpy.
`ROOFPLAT_NUMBA=0` never compiles, `ROOFPLAT_NUMBA=1` always does; without it a process compiles from its
first large district on, for to load numba takes longer than to plan a small one.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import cache
from importlib.util import find_spec
from typing import Any, TypeVar

__all__ = ["SWITCH", "compiled", "prepare"]

SWITCH = "ROOFPLAT_NUMBA"
Loop = TypeVar("Loop", bound=Callable[..., object])
# Sections from which on the loops pay for being loaded.
_WORTH = 20_000
_state = {"large": False}


def prepare(count: int) -> None:
    """Say how many sections are planned in one go: from a large number on this process compiles.

    Examples
    --------
    >>> prepare(3)
    """
    if count >= _WORTH:
        _state["large"] = True


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
    if switch == "0" or not (switch == "1" or _state["large"]):
        return None
    return _compiled(loop) if _installed() else None


@cache
def _installed() -> bool:
    return find_spec("numba") is not None


@cache
def _compiled(loop: Loop) -> Loop:
    import numba

    settings: dict[str, Any] = {"nogil": True, "error_model": "numpy"}
    made: Any
    try:
        made = numba.njit(cache=True, **settings)(loop)
    except RuntimeError:
        # There is no folder to keep it in: it is compiled in each process.
        made = numba.njit(**settings)(loop)
    faster: Loop = made
    return faster
