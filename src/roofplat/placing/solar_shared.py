"""What the files of the solar access audit share: arrays, their roofs, findings and sentences.

In: arrays and geometries of any length.
Out: the same as the audit wants them; no rule is checked here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from roofplat.framing.ragged import FloatArray, IntArray, pair_up
from roofplat.ground import LocalPlanes
from roofplat.late import LateTable
from roofplat.rules import Rulebook
from roofplat.tables import BASES

__all__ = [
    "ASSUMED",
    "DECIMALS",
    "INCHES_PER_FOOT",
    "SLIVER_FT2",
    "BoolArray",
    "GeometryArray",
    "SolarArrays",
    "SolarRoofs",
    "basis_codes",
    "cited",
    "clear_runs",
    "components",
    "findings",
    "full_stop",
    "in_feet",
    "moved",
    "objects",
    "on_same_building",
    "pick",
    "rows_of",
    "rows_with",
    "sentences_of",
    "told_ft",
    "told_plain",
    "unions",
]

GeometryArray = npt.NDArray[np.object_]
BoolArray = npt.NDArray[np.bool_]

INCHES_PER_FOOT = 12.0
# Lengths are told, and compared, to a hundredth of a foot.
DECIMALS = 2
# Rounding of drawings: less than this is no overlap.
SLIVER_FT2 = 0.5
ASSUMED = BASES.index("assumed")


@dataclass(frozen=True, slots=True)
class SolarArrays:
    """k arrays, sorted by section and number.

    section
        Row in the sections that carry arrays, shape (k,).
    number
        From 1 in each section.
    shape, feet
        Outline in the working CRS and in feet on the section's plane.
    basis
        Number in `tables.BASES` of the weakest of its panels, -1 where none says.
    """

    section: IntArray
    number: IntArray
    shape: GeometryArray
    feet: GeometryArray
    basis: IntArray


@dataclass(frozen=True, slots=True)
class SolarRoofs:
    """The sections that carry arrays, and their buildings; shape (n,) each.

    table
        Their rows of the table `sections`.
    planes
        A local plane for each.
    outline, building_outline
        In feet on that plane.
    building
        Number of the building.
    house
        Audited by the rules for houses.
    unclear
        The occupancy does not tell which rules hold.
    sprinklered
        Known to be sprinklered throughout.
    steep
        Steeper than the low-slope limit.
    slope_known
        Whether anything tells the slope.
    building_ft2
        Roof area of the building, seen from above.
    """

    table: gpd.GeoDataFrame
    planes: LocalPlanes
    outline: GeometryArray
    building_outline: GeometryArray
    building: IntArray
    house: BoolArray
    unclear: BoolArray
    sprinklered: BoolArray
    steep: BoolArray
    slope_known: BoolArray
    building_ft2: FloatArray


def clear_runs(
    span_low: FloatArray, span_high: FloatArray, owner: IntArray, low: FloatArray, high: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """What intervals leave clear of the spans they lie in.

    Parameters
    ----------
    span_low, span_high
        Ends of n spans, shape (n,).
    owner, low, high
        Span and ends of each interval, shape (m,); they may overlap and reach over the ends.

    Returns
    -------
    owner, low, high
        The clear runs, ascending by span and place; none of them empty.

    Examples
    --------
    >>> span = np.array([0.0]), np.array([10.0])
    >>> owner, low, high = clear_runs(*span, np.array([0, 0]), np.array([2.0, 3.0]), np.array([4.0, 7.0]))
    >>> low.tolist(), high.tolist()
    ([0.0, 7.0], [2.0, 10.0])
    """
    count = span_low.size
    if not count:
        return np.empty(0, np.int64), np.empty(0), np.empty(0)
    # The end of each span stands as an interval of no length behind all the others.
    owner = np.concatenate([owner, np.arange(count)])
    low = np.concatenate([np.clip(low, span_low[owner[: low.size]], span_high[owner[: low.size]]), span_high])
    high = np.concatenate(
        [np.clip(high, span_low[owner[: high.size]], span_high[owner[: high.size]]), span_high]
    )
    order = np.lexsort((low, owner))
    owner, low, high = owner[order], low[order], high[order]
    # One running maximum serves all spans when each is moved beyond the end of the one before.
    width = float((span_high - span_low).max()) + 1.0
    reach = np.maximum.accumulate(high - span_low[owner] + owner * width)
    before = np.r_[-np.inf, reach[:-1]] - owner * width + span_low[owner]
    start = np.maximum(before, span_low[owner])
    some = low > start
    return owner[some], start[some], low[some]


def findings(
    row: IntArray,
    *,
    rule: Any = (),
    wanted: FloatArray | Sequence[float] = (),
    measured: FloatArray | Sequence[float] = (),
    basis: IntArray | Sequence[int] = (),
    message: Any = (),
    passes: FloatArray | None = None,
) -> pd.DataFrame:
    """Put findings into a frame.

    Parameters
    ----------
    row
        Which array each is about, shape (m,).
    rule, wanted, measured, message
        Columns of the table `solar_access`, shape (m,).
    basis
        Numbers in `tables.BASES`, -1 where nobody says, shape (m,).
    passes
        1, 0, or NaN where nobody can tell, shape (m,); without it what is measured has to be at
        least what is wanted.

    Returns
    -------
    DataFrame
        m rows.
    """
    found = np.round(np.asarray(measured, dtype=float), DECIMALS)
    need = np.asarray(wanted, dtype=float)
    if passes is None:
        passes = np.where(np.isnan(found), np.nan, (found >= need).astype(float))
    return pd.DataFrame(
        {
            "row": row,
            "rule": pd.array(np.asarray(rule, dtype=object), dtype="str"),
            "wanted_ft": need,
            "measured_ft": found,
            "passes": pd.Series(passes, dtype="Float64").astype("boolean").array,
            "basis": np.asarray(basis, dtype=np.int64),
            "message": pd.array(np.asarray(message, dtype=object), dtype="str"),
        }
    )


def on_same_building(
    building: IntArray, things: gpd.GeoDataFrame, roofs: SolarRoofs
) -> tuple[IntArray, IntArray]:
    """Pair entries with the things on their building.

    Parameters
    ----------
    building
        Number of the building of each entry, as in `roofs.building`, shape (a,).
    things
        Rows of the table `obstacles`.
    roofs
        The buildings' ids and numbers.

    Returns
    -------
    entry, thing
        Index into `building`, ascending, and row of `things`, shape (p,) each.
    """
    names, first = np.unique(roofs.building, return_index=True)
    index = pd.Index(roofs.table["building_id"].iloc[first]).get_indexer(pd.Index(things["building_id"]))
    here = np.flatnonzero(index >= 0)
    of = names[index[here]]
    order = np.argsort(of, kind="stable")
    entry, thing = pair_up(building, of[order], int(roofs.building.max()) + 1)
    return entry, here[order][thing]


def components(one: IntArray, other: IntArray, count: int) -> IntArray:
    """Group entries that are linked, straight or through others.

    Parameters
    ----------
    one, other
        Ends of the links, shape (m,).
    count
        Number of entries.

    Returns
    -------
    ndarray of int
        Number of each entry's group, from 0, shape (count,).

    Examples
    --------
    >>> components(np.array([0]), np.array([2]), 3).tolist()
    [0, 1, 0]
    """
    links = coo_array((np.ones(one.size, dtype=np.int8), (one, other)), shape=(count, count))
    label: IntArray = connected_components(links, directed=False)[1].astype(np.int64)
    return label


def unions(shapes: GeometryArray, group: IntArray) -> GeometryArray:
    """Unite the polygons of each group, all groups in one call, whatever their size.

    Parameters
    ----------
    shapes
        Polygons or multi-polygons, shape (n,).
    group
        Number of each one's group, from 0 without gaps, shape (n,).

    Returns
    -------
    ndarray of geometry
        Shape (groups,).

    Examples
    --------
    >>> halves = np.array([shapely.box(0, 0, 1, 1), shapely.box(1, 0, 2, 1)])
    >>> shapely.area(unions(halves, np.array([0, 0]))).tolist()
    [2.0]
    """
    parts, owner = shapely.get_parts(shapes, return_index=True)
    group = group[owner]
    order = np.argsort(group, kind="stable")
    many = shapely.multipolygons(parts[order], indices=group[order])
    return np.asarray(shapely.union_all(np.asarray(many, dtype=object)[:, None], axis=1), dtype=object)


def in_feet(shapes: GeometryArray, planes: LocalPlanes, plane: IntArray) -> GeometryArray:
    """Move shapes from the working CRS into feet east and north, each on its own plane.

    Parameters
    ----------
    shapes
        Shape (n,).
    planes, plane
        Local planes, and which one each shape goes by, shape (n,).

    Returns
    -------
    ndarray of geometry
        Shape (n,).
    """
    xy, owner = shapely.get_coordinates(shapes, return_index=True)
    return moved(shapes, *planes.feet(xy[:, 0], xy[:, 1], plane[owner]))


def moved(shapes: GeometryArray, x: FloatArray, y: FloatArray) -> GeometryArray:
    """Give shapes other coordinates.

    Parameters
    ----------
    shapes
        Shape (n,).
    x, y
        Coordinates of all their vertices in order, shape (m,).

    Returns
    -------
    ndarray of geometry
        Shape (n,).
    """
    # A copy, because the coordinates are set in place.
    copy = np.array(shapes, dtype=object)
    return np.asarray(shapely.set_coordinates(copy, np.column_stack([x, y])), dtype=object)


def basis_codes(basis: pd.Series) -> IntArray:
    """Look up each basis in `tables.BASES`; -1 where there is none.

    Examples
    --------
    >>> basis_codes(pd.Series(["surveyed", None, "assumed"])).tolist()
    [0, -1, 4]
    """
    return pd.Index(BASES).get_indexer(pd.Index(basis)).astype(np.int64)


def full_stop(guess: BoolArray) -> npt.NDArray[np.object_]:
    """End a sentence; where the occupancy does not tell, say what was taken for granted."""
    told = ", taking the building for what its size and slope suggest, because its occupancy does not tell."
    return np.where(guess, told, ".").astype(object)


def cited(rules: Rulebook, rule: str) -> str:
    """Cite the code sections of a rule: its source up to how it was seen.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> cited(load_rulebook(), "solar.pathway_ft")
    'IFC 2018 1204.3.2, 2021 1205.3.2'
    """
    return rules[rule].source.split(";")[0]


def pick(texts: Sequence[str], number: IntArray) -> npt.NDArray[np.object_]:
    """Take one of a few texts for each row.

    Examples
    --------
    >>> pick(["no", "yes"], np.array([1, 0])).tolist()
    ['yes', 'no']
    """
    return np.array(texts, dtype=object)[number]


def objects(values: pd.Series) -> npt.NDArray[np.object_]:
    """Return a column as an array of objects."""
    return values.to_numpy(dtype=object)


def rows_with(table: pd.DataFrame | LateTable, column: str, values: Any) -> IntArray:
    """Find the rows of a table that hold one of some texts in a column, ascending.

    Examples
    --------
    >>> table = pd.DataFrame({"kind": pd.array(["hip", "ridge", "hip"], dtype="str")})
    >>> rows_with(table, "kind", ["hip"]).tolist()
    [0, 2]
    """
    column_values = table.columns[column] if isinstance(table, LateTable) else table[column].array
    wanted = pa.array(pd.array(values, dtype="str"), pa.large_string())
    return np.flatnonzero(pc.is_in(pa.array(column_values, pa.large_string()), value_set=wanted))


def rows_of(table: gpd.GeoDataFrame | LateTable, rows: IntArray) -> gpd.GeoDataFrame:
    """Take rows of a table as a frame, counted from 0."""
    if isinstance(table, LateTable):
        return table.take(rows).frame()
    return table.iloc[rows].reset_index(drop=True)


def told_ft(values: FloatArray) -> npt.NDArray[np.object_]:
    """Write lengths as they are told, to a hundredth.

    Examples
    --------
    >>> told_ft(np.array([3.0])).tolist()
    ['3.00']
    """
    return np.char.mod("%.2f", values).astype(object)


def told_plain(values: FloatArray) -> npt.NDArray[np.object_]:
    """Write numbers without needless digits.

    Examples
    --------
    >>> told_plain(np.array([3.0, 1.5])).tolist()
    ['3', '1.5']
    """
    return np.char.mod("%g", values).astype(object)


def sentences_of(*parts: Any) -> list[str]:
    """Join texts and arrays of texts into one sentence for each row.

    Parameters
    ----------
    parts
        Texts, and arrays or lists of texts of one length; at least one of the latter.

    Returns
    -------
    list of str

    Examples
    --------
    >>> sentences_of("Array ", ["1", "2"], ".")
    ['Array 1.', 'Array 2.']
    """
    size = next(len(part) for part in parts if not isinstance(part, str))
    whole = np.full(size, "", dtype=object)
    for part in parts:
        whole = whole + (part if isinstance(part, str) else np.asarray(part, dtype=object))
    return [str(text) for text in whole]
