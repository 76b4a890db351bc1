"""From the working CRS to longitude and latitude, for very many vertices.

In: the working CRS and a box in it.
Out: a function from coordinates to whole steps of longitude and latitude on WGS 84.

The transformation of a survey CRS is smooth: over a part of a district it is a polynomial of a few terms, to
far less than a step. The polynomial is fitted to pyproj's own places and held against others of them; where
it misses by more than a share of a step, pyproj is asked for every vertex.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
from pyproj import CRS, Transformer

__all__ = ["STEPS_PER_DEGREE", "Place", "degrees_to_steps", "picked", "steps_in"]

STEPS_PER_DEGREE = 10_000_000
"""A step is 1e-7 degree, about 1 cm."""
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Place = Callable[[FloatArray, IntArray | None], IntArray]
"""Coordinates, shape (n, 2), to steps of longitude and latitude, shape (m, 2): of all, or of some rows."""

_DEGREES_OF_FIT = (2, 3, 4)
_MOST_ERROR_STEPS = 0.05
# Places that the polynomial is fitted to, along each edge, and others that it is held against.
_FITTED, _CHECKED = 9, 14
# Vertices worked on at once: what is made of them on the way stays in the processor's cache.
_CHUNK = 8_192


def picked(xy: npt.NDArray[Any], rows: IntArray) -> npt.NDArray[Any]:
    """Some rows of coordinates, each axis by itself in memory.

    Examples
    --------
    >>> picked(np.array([[0, 1], [2, 3], [4, 5]]), np.array([2, 0])).tolist()
    [[4, 5], [0, 1]]
    """
    made = np.empty((len(rows), 2), dtype=xy.dtype, order="F")
    for axis in (0, 1):
        np.take(xy[:, axis], rows, out=made[:, axis], mode="clip")
    return made


def degrees_to_steps(degrees: FloatArray, rows: IntArray | None = None) -> IntArray:
    """Longitude and latitude in degrees, shape (n, 2), to the nearest steps; of all, or of some rows.

    Examples
    --------
    >>> degrees_to_steps(np.array([[0.0, 1.00000004]])).tolist()
    [[0, 10000000]]
    """
    degrees = degrees if rows is None else degrees[rows]
    return np.rint(degrees * STEPS_PER_DEGREE).astype(np.int64)


def steps_in(crs: Any, box: tuple[float, float, float, float] | None) -> Place:
    """What brings coordinates of a CRS to steps.

    Parameters
    ----------
    crs
        The CRS, as pyproj reads it.
    box
        Least x and y, greatest x and y of most that will be asked for; others cost more. None of nothing.

    Returns
    -------
    callable
        It is within a twentieth of a step of pyproj, before both are rounded.

    Examples
    --------
    >>> place = steps_in("EPSG:32613", (440_000.0, 4_400_000.0, 445_000.0, 4_405_000.0))
    >>> spot = np.array([[442_000.0, 4_401_000.0]])
    >>> exact = Transformer.from_crs("EPSG:32613", "EPSG:4326", always_xy=True).transform(*spot[0])
    >>> (place(spot, None)[0] == degrees_to_steps(np.array(exact))).all()
    np.True_
    """
    system = CRS.from_user_input(crs)
    if system == CRS.from_epsg(4326):
        return degrees_to_steps
    transformer = Transformer.from_crs(system, "EPSG:4326", always_xy=True)

    def exact(xy: FloatArray, rows: IntArray | None) -> IntArray:
        xy = xy if rows is None else xy[rows]
        return degrees_to_steps(np.stack(transformer.transform(xy[:, 0], xy[:, 1]), axis=1))

    if box is None or not np.isfinite(box).all():
        return exact
    fit = _fitted(transformer, box)
    if fit is None:
        return exact
    middle, half, terms, anchor = fit

    def place(xy: FloatArray, rows: IntArray | None) -> IntArray:
        count = len(xy) if rows is None else len(rows)
        steps = np.empty((count, 2), dtype=np.int64, order="F")
        outside = np.zeros(count, dtype=bool)
        for start in range(0, count, _CHUNK):
            part = slice(start, start + _CHUNK)
            some = xy[part] if rows is None else xy[rows[part]]
            u, v = ((some[:, axis] - middle[axis]) / half for axis in (0, 1))
            if max(u.max(), v.max(), -u.min(), -v.min()) > 1.0:
                # It is asked for below.
                outside[part] = (np.abs(u) > 1.0) | (np.abs(v) > 1.0)
                u[outside[part]] = v[outside[part]] = 0.0
            for axis, value in enumerate(_values(terms, u, v)):
                value += anchor[axis]
                steps[part, axis] = np.rint(value, out=value)
        if outside.any():
            steps[outside] = exact(xy, np.flatnonzero(outside) if rows is None else rows[outside])
        return steps

    return place


def _fitted(
    transformer: Transformer, box: tuple[float, float, float, float]
) -> tuple[tuple[float, float], float, list[list[FloatArray]], IntArray] | None:
    """Middle and half width of a square around a box, and the polynomial in it; None where none will do."""
    west, south, east, north = box
    middle = ((west + east) / 2, (south + north) / 2)
    half = max(east - west, north - south, 1.0) * 0.51

    def measured(count: int, spread: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        along = -np.cos(np.linspace(0.0, np.pi, count)) * spread
        u, v = (side.ravel() for side in np.meshgrid(along, along))
        lonlat = transformer.transform(middle[0] + half * u, middle[1] + half * v)
        return u, v, np.stack(lonlat, axis=1) * STEPS_PER_DEGREE

    u, v, wanted = measured(_FITTED, 1.0)
    if not np.isfinite(wanted).all():
        return None
    anchor = np.rint(wanted.mean(axis=0)).astype(np.int64)
    more_u, more_v, more = measured(_CHECKED, 0.999)
    for degree in _DEGREES_OF_FIT:
        powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
        basis = np.stack([u**i * v**j for i, j in powers], axis=1)
        found, *_ = np.linalg.lstsq(basis, wanted - anchor, rcond=None)
        terms: list[list[FloatArray]] = [
            [np.array([found[powers.index((i, j)), axis] for j in range(degree + 1 - i)])
             for i in range(degree + 1)]
            for axis in (0, 1)
        ]  # fmt: skip
        error = np.stack(_values(terms, more_u, more_v), axis=1) - (more - anchor)
        if np.abs(error).max() <= _MOST_ERROR_STEPS:
            return middle, half, terms, anchor
    return None


def _values(terms: list[list[FloatArray]], u: FloatArray, v: FloatArray) -> list[FloatArray]:
    """Two polynomials at some places, by Horner's rule in both variables."""
    values = []
    for rows in terms:
        total = np.zeros_like(u)
        for row in reversed(rows):
            inner = np.full_like(v, row[-1])
            for term in row[-2::-1]:
                inner *= v
                inner += term
            total *= u
            total += inner
        values.append(total)
    return values
