"""Turn, mirror and carry a town, and hold the plan of it to the plan of the town as it was.

In: shapes in feet, tables of plans.
Out: `Motion`: the same turned, mirrored, shifted; `differences`: what of one plan is not in the other, once
    it is carried back.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.spatial import cKDTree

__all__ = ["CENTIMETRE_FT", "STILL", "Motion", "differences"]

CENTIMETRE_FT = 0.0328
Carry = Callable[[npt.NDArray[Any]], npt.NDArray[Any]]

# What names a row of a table; the rows of the others are matched by their place.
KEYS: dict[str, list[str]] = {
    "buildings": ["building_id"],
    "sections": ["section_id"],
    "members": ["section_id", "kind"],
    "ladders": ["section_id", "rank"],
    "paths": ["section_id", "ladder_rank"],
    "checks": ["section_id", "kind", "seq"],
    "openings": ["section_id", "seq"],
    "cuts": ["section_id", "feature", "feature_seq", "seq"],
    "trenches": ["section_id", "method"],
    "collapse_zones": ["building_id"],
    "venting": ["section_id"],
}
BY_PLACE = ("walls", "planes", "solar_access")
DIRECTIONS = (
    "azimuth_deg",
    "outward_deg",
    "finish_toward_deg",
    "saves_deg",
    "downslope_deg",
    "wind_from_deg",
    "framing_axis_deg",
)
LINES = ("framing_axis_deg", "azimuth_deg")
PLACES = ("base_lon", "base_lat", "tip_lon", "tip_lat", "fire_lon", "fire_lat", "usng")
# Numbers that only name a row among others: walls and planes are counted from a corner that the coordinates
# choose, arrays in the order of their panels. A compass point cannot turn by less than its own width, and a
# figure in a sentence may be rounded the other way.
NAMES = ("wall", "start_wall", "plane", "array", "push_side", "message")
SHARES = ("score", "share_on_bearing", "axis_share", "p_lightweight")
# True north at either end of a district differs by this much, and a facet of what is round.
NEAR_DEG = 0.03


@dataclass(frozen=True)
class Motion:
    """Mirror east and west, then turn clockwise, then shift; lengths stay."""

    turn_deg: float = 0.0
    mirror: bool = False
    shift: tuple[float, float] = (0.0, 0.0)

    @property
    def matrix(self) -> npt.NDArray[np.float64]:
        angle = np.radians(self.turn_deg)
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        return turn @ np.diag([-1.0 if self.mirror else 1.0, 1.0])

    def go(self, geometry: Any) -> Any:
        """A geometry, or an array of them, moved."""
        return shapely.transform(geometry, lambda xy: xy @ self.matrix.T + np.array(self.shift))

    def back(self, geometry: Any) -> Any:
        """The opposite of `go`."""
        return shapely.transform(
            geometry, lambda xy: (xy - np.array(self.shift)) @ np.linalg.inv(self.matrix).T
        )

    def azimuth(self, degrees: Any) -> Any:
        """A direction moved along."""
        return ((-1.0 if self.mirror else 1.0) * degrees + self.turn_deg) % 360.0

    def sides(self, letters: Any) -> Any:
        """Side letters: a mirror swaps those that lie clockwise and counter-clockwise of A."""
        if not self.mirror or not isinstance(letters, str) or letters.upper() == "ALL":
            return letters
        return letters.translate(str.maketrans("BDbd", "DBdb"))


STILL = Motion()


def differences(
    was: dict[str, Any],
    now: dict[str, Any],
    motion: Motion = STILL,
    *,
    was_in_feet: Carry,
    now_in_feet: Carry,
    near_ft: float = CENTIMETRE_FT,
    passed_over: Sequence[str] = (),
) -> list[str]:
    """What differs between two plans of the same town, once the second is moved back.

    Parameters
    ----------
    was, now
        Tables by name, each in its own CRS.
    motion
        How the second town lies to the first, in feet.
    was_in_feet, now_in_feet
        From the CRS of each to feet on a plane.
    near_ft
        What counts as the same place.
    passed_over
        Buildings that are not compared.

    Returns
    -------
    list of str
        Table, section, column, and both values.
    """
    found: list[str] = []
    for name in [*KEYS, *BY_PLACE]:
        if name not in was:
            continue
        one, two = (
            table[~table["building_id"].isin(passed_over)].reset_index(drop=True)
            for table in (was[name], now[name])
        )
        # A table of figures alone has no place.
        here, there = (np.full(len(table), None) for table in (one, two))
        if "geometry" in one:
            here = was_in_feet(np.asarray(one.geometry, dtype=object))
            there = motion.back(now_in_feet(np.asarray(two.geometry, dtype=object)))
        if name in KEYS:
            left, right, lost = _by_key(one, two, KEYS[name])
        else:
            left, right, lost = _by_place(here, there, *(_names(table) for table in (one, two)))
        found += [f"{name}: {row} is in one of them only" for row in lost]
        if not left.size:
            continue
        owner = one.get("section_id", one["building_id"]).to_numpy()[left]
        apart = np.array([_apart_ft(a, b) for a, b in zip(here[left], there[right], strict=True)])
        found += [
            f"{name} {owner[row]}: {apart[row]:.3f} ft apart" for row in np.flatnonzero(~(apart <= near_ft))
        ]
        for column in one.columns:
            if column == "geometry" or column in PLACES or column in NAMES:
                continue
            a, b = one[column].to_numpy()[left], two[column].to_numpy()[right]
            for row in np.flatnonzero(_unlike(column, a, b, motion)):
                found.append(f"{name} {owner[row]} {column}: {a[row]} and {b[row]}")
    return found


def _by_key(one: Any, two: Any, key: list[str]) -> tuple[Any, Any, list[str]]:
    mine = pd.MultiIndex.from_frame(pd.DataFrame(one)[key])
    theirs = pd.MultiIndex.from_frame(pd.DataFrame(two)[key])
    assert mine.is_unique
    assert theirs.is_unique
    place = theirs.get_indexer(mine)
    lost = [*map(str, mine[place < 0]), *map(str, theirs[mine.get_indexer(theirs) < 0])]
    return np.flatnonzero(place >= 0), place[place >= 0], lost


def _names(table: Any) -> Any:
    """The section, and of an audit the rule."""
    return table["section_id"] + (" " + table["rule"] if "rule" in table else "")


def _by_place(here: Any, there: Any, mine: Any, theirs: Any) -> tuple[Any, Any, list[str]]:
    """Rows of one name whose middles are the same."""
    spots = [shapely.get_coordinates(shapely.centroid(shapes)) for shapes in (here, there)]
    lost = []
    if len(here) != len(there):
        lost.append(f"{len(here)} and {len(there)} rows: one")
    if not len(here) or not len(there):
        return np.empty(0, dtype=int), np.empty(0, dtype=int), lost
    count = min(16, len(there))
    off, place = cKDTree(spots[1]).query(spots[0], k=count)
    off, place = off.reshape(len(here), -1), place.reshape(len(here), -1)
    own = (off < 0.5) & (mine.to_numpy()[:, None] == theirs.to_numpy()[place])
    # Of two rows at one place the one of the same extent.
    alike = np.abs(shapely.length(here)[:, None] - shapely.length(there)[place])
    best = np.argmin(np.where(own, alike + off, np.inf), axis=1)
    matched = own.any(axis=1)
    lost += [
        f"{name} at {spot.round(2)}" for name, spot in zip(mine[~matched], spots[0][~matched], strict=True)
    ]
    return np.flatnonzero(matched), place[np.arange(len(here)), best][matched], lost


def _apart_ft(one: Any, other: Any) -> float:
    """How far apart two shapes are, with the order of a line's points where that means a direction."""
    if one is None or other is None:
        return 0.0 if one is other else np.inf
    if one.geom_type == other.geom_type == "LineString" and len(one.coords) == len(other.coords):
        ends = np.abs(np.asarray(one.coords) - np.asarray(other.coords))
        back = np.abs(np.asarray(one.coords) - np.asarray(other.coords)[::-1])
        # Of a wall, a mirror turns the way round.
        return float(min(np.hypot(*ends.T).max(), np.hypot(*back.T).max()))
    # As many lines, and each where one of the others is.
    if one.geom_type == "MultiLineString" and len(one.geoms) != len(other.geoms):
        return np.inf
    return float(shapely.hausdorff_distance(one, other))


def _unlike(column: str, one: Any, other: Any, motion: Motion) -> npt.NDArray[np.bool_]:
    if column in DIRECTIONS:
        a, b = one.astype(float), other.astype(float)
        turn = 180.0 if column in LINES else 360.0
        off = np.abs((b - motion.azimuth(a) + turn / 2) % turn - turn / 2)
        return ~((off <= NEAR_DEG) | (np.isnan(a) & np.isnan(b)))
    kind = pd.Series(one)
    if pd.api.types.is_numeric_dtype(kind.dtype) and not pd.api.types.is_bool_dtype(kind.dtype):
        a = pd.Series(one).to_numpy(dtype=float, na_value=np.nan)
        b = pd.Series(other).to_numpy(dtype=float, na_value=np.nan)
        limit = 1e-3 if column in SHARES else CENTIMETRE_FT * 2 + 2e-4 * np.abs(a)
        return ~((np.abs(a - b) <= limit) | (np.isnan(a) & np.isnan(b)))
    if column in ("side", "bearing_walls"):
        one = np.array([motion.sides(value) for value in one], dtype=object)
    text = [pd.Series(values).astype("str").fillna("").to_numpy(dtype=object) for values in (one, other)]
    return np.asarray(text[0] != text[1], dtype=bool)
