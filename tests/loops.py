"""A loop for the tests of compiled loops."""

from __future__ import annotations

from roofplat.framing.ragged import FloatArray


def doubled(values: FloatArray) -> FloatArray:
    """Twice each value."""
    result = values.copy()
    for place in range(values.size):
        result[place] = values[place] * 2
    return result
