"""Solar access on houses: ways from eave to ridge, setbacks at ridges, hips and valleys.

In: arrays and their roofs in feet, planes, ridges, hips and valleys, rules.
Out: findings, one for each array and rule that applies to it.

Lengths are measured along the slope: each plane is laid flat, so that a foot down it is a foot.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.framing.ragged import FloatArray, IntArray, offsets, pair_up, sums
from roofplat.late import LateTable
from roofplat.placing.solar_shared import (
    INCHES_PER_FOOT,
    SLIVER_FT2,
    GeometryArray,
    SolarArrays,
    SolarRoofs,
    basis_codes,
    cited,
    clear_runs,
    findings,
    full_stop,
    in_feet,
    moved,
    pick,
    rows_of,
    rows_with,
    sentences_of,
    told_ft,
    told_plain,
)
from roofplat.rules import Rulebook

__all__ = ["audit_houses"]

# Rounding of drawings: less than this is no distance, and no bend.
_TOUCH_FT = 0.25
_LEVEL_SHARE = 0.02


def audit_houses(
    arrays: SolarArrays,
    roofs: SolarRoofs,
    planes: gpd.GeoDataFrame,
    members: gpd.GeoDataFrame | LateTable,
    rules: Rulebook,
) -> list[pd.DataFrame]:
    """Check the arrays on houses steeper than the low-slope limit.

    Parameters
    ----------
    arrays, roofs
        k arrays on n sections.
    planes, members
        Tables of those names, working CRS; sections without planes are left out.
    rules
        `solar.*`.

    Returns
    -------
    list of DataFrame
        Findings, see `findings`; none where there is no such house.
    """
    drawn = roofs.table["section_id"].isin(planes["section_id"]).to_numpy(dtype=bool)
    audited = roofs.house & roofs.steep & drawn
    row = np.flatnonzero(audited[arrays.section])
    if not row.size:
        return []
    # A way up may lie on a plane of the building that carries no panel.
    section = pd.Index(roofs.table["section_id"]).get_indexer(pd.Index(planes["section_id"]))
    mine = np.flatnonzero((section >= 0) & audited[section])
    mine = mine[np.argsort(section[mine], kind="stable")]
    flats = _Flats(
        section[mine].astype(np.int64),
        np.radians(planes["downslope_deg"].to_numpy(dtype=float)[mine]),
        np.cos(np.radians(planes["slope_deg"].to_numpy(dtype=float)[mine])),
        shapely.normalize(in_feet(planes.geometry.to_numpy()[mine], roofs.planes, section[mine])),
        basis_codes(planes["basis"])[mine],
    )
    array, plane = pair_up(arrays.section[row], flats.section, roofs.outline.size)
    array = row[array]
    piece = shapely.intersection(arrays.feet[array], flats.shape[plane])
    some = shapely.area(piece) > SLIVER_FT2
    array, plane, piece = array[some], plane[some], flats.laid(piece[some], plane[some])
    basis = arrays.basis.copy()
    np.maximum.at(basis, array, flats.basis[plane])
    pieces = _Pieces(array, plane, piece)
    loaded = roofs.table["section_id"].iloc[np.unique(flats.section[plane])]
    drawn_lines = rows_with(members, "kind", ["ridge", "hip", "valley"])
    lines = rows_of(members, np.intersect1d(rows_with(members, "section_id", loaded), drawn_lines))
    return [
        _ways_up(row, pieces, flats, basis, roofs, arrays, rules),
        _setbacks(row, pieces, flats, basis, roofs, arrays, lines, rules, "ridge"),
        _setbacks(row, pieces, flats, basis, roofs, arrays, lines, rules, "hip or valley"),
    ]


@dataclass(frozen=True, slots=True)
class _Flats:
    """Roof planes, ascending by section, and how to lay them flat; shape (p,) each."""

    section: IntArray
    downslope: FloatArray
    cosine: FloatArray
    shape: GeometryArray
    basis: IntArray

    def laid(self, shapes: GeometryArray, plane: IntArray) -> GeometryArray:
        """Shapes in feet east and north, in feet along the eave and down the slope of their plane."""
        xy, owner = shapely.get_coordinates(shapes, return_index=True)
        turn = self.downslope[plane[owner]]
        sine, cosine = np.sin(turn), np.cos(turn)
        along = xy[:, 0] * cosine - xy[:, 1] * sine
        down = (xy[:, 0] * sine + xy[:, 1] * cosine) / self.cosine[plane[owner]]
        return moved(shapes, along, down)


@dataclass(frozen=True, slots=True)
class _Pieces:
    """What of an array lies on a plane, laid flat; shape (q,) each."""

    array: IntArray
    plane: IntArray
    shape: GeometryArray


def _ways_up(
    row: IntArray,
    pieces: _Pieces,
    flats: _Flats,
    basis: IntArray,
    roofs: SolarRoofs,
    arrays: SolarArrays,
    rules: Rulebook,
) -> pd.DataFrame:
    """The widest straight way from eave to ridge on each plane, and the building's second widest."""
    rule = "solar.house_pathway_in"
    wanted = rules.number(rule) / INCHES_PER_FOOT
    ways = rules.count("solar.house_pathway_count")
    if ways < 1:
        return findings(row[:0])
    span_plane, low, high = _eave_to_ridge(flats)
    part, of = shapely.get_parts(pieces.shape, return_index=True)
    box = shapely.bounds(part)
    span, block = pair_up(span_plane, np.sort(pieces.plane[of]), flats.section.size)
    block = np.argsort(pieces.plane[of], kind="stable")[block]
    run, start, end = clear_runs(low, high, span, box[block, 0], box[block, 2])
    widest = np.zeros(flats.section.size)
    np.maximum.at(widest, span_plane[run], end - start)

    with_way = np.unique(span_plane)
    building = roofs.building[flats.section[with_way]]
    order = np.lexsort((-widest[with_way], building))
    count = int(roofs.building.max()) + 1
    start_of = offsets(np.bincount(building, minlength=count))
    mine = roofs.building[arrays.section[row]]
    enough = start_of[mine + 1] - start_of[mine] >= ways
    place = np.where(enough, start_of[mine] + ways - 1, 0)
    measured = np.full(row.size, np.nan)
    measured[enough] = widest[with_way][order][place[enough]]
    return findings(
        row,
        rule=pick([rule], np.zeros(row.size, np.int64)),
        wanted=np.full(row.size, wanted),
        measured=measured,
        basis=basis[row],
        message=np.where(
            enough,
            sentences_of(
                f"{ways} ways from eave to ridge of {wanted:g} ft on separate planes are wanted and number "
                f"{ways} by width is ", told_ft(measured), f" ft wide ({cited(rules, rule)})",
                full_stop(roofs.unclear[arrays.section[row]]),
            ),
            sentences_of(
                f"{ways} ways from eave to ridge of {wanted:g} ft on separate planes are wanted, and fewer "
                f"planes than that run from eave to ridge ({cited(rules, rule)})",
                full_stop(roofs.unclear[arrays.section[row]]),
            ),
        ),
    )  # fmt: skip


def _eave_to_ridge(flats: _Flats) -> tuple[IntArray, FloatArray, FloatArray]:
    """Stretches of each plane where a line straight up the slope leads from an eave to a top edge."""
    laid = flats.laid(flats.shape, np.arange(flats.shape.size))
    rings = shapely.get_exterior_ring(laid)
    xy, owner = shapely.get_coordinates(rings, return_index=True)
    edge = np.flatnonzero(owner[1:] == owner[:-1])
    owner = owner[edge]
    step = xy[edge + 1] - xy[edge]
    level = np.abs(step[:, 1]) <= _LEVEL_SHARE * np.abs(step[:, 0])
    # Rings run clockwise: an edge that leads the other way than the eave has the roof below it.
    eave, top = np.flatnonzero(level & (step[:, 0] > 0)), np.flatnonzero(level & (step[:, 0] < 0))
    one, other = pair_up(owner[eave], owner[top], flats.shape.size)
    one, other = eave[one], top[other]
    low = np.maximum(xy[edge[one], 0], xy[edge[other] + 1, 0])
    high = np.minimum(xy[edge[one] + 1, 0], xy[edge[other], 0])
    some = (high - low > _TOUCH_FT) & (xy[edge[one], 1] > xy[edge[other], 1])
    return owner[one[some]], low[some], high[some]


def _setbacks(
    row: IntArray,
    pieces: _Pieces,
    flats: _Flats,
    basis: IntArray,
    roofs: SolarRoofs,
    arrays: SolarArrays,
    lines: gpd.GeoDataFrame,
    rules: Rulebook,
    what: str,
) -> pd.DataFrame:
    """Distance from each array to a ridge, or to a hip or valley with panels on both sides."""
    ridge = what == "ridge"
    lines = rows_of(lines, rows_with(lines, "kind", ["ridge"] if ridge else ["hip", "valley"]))
    line, owner = shapely.get_parts(lines.geometry.to_numpy(), return_index=True)
    section = pd.Index(roofs.table["section_id"]).get_indexer(pd.Index(lines["section_id"]))[owner]
    line = in_feet(line, roofs.planes, section)
    which, plane = pair_up(section, flats.section, roofs.outline.size)
    # Only of planes with panels on them anything is asked.
    with_panels = np.unique(pieces.plane)
    loaded = np.isin(plane, with_panels)
    which, plane = which[loaded], plane[loaded]
    # A line that comes nowhere near a plane has no part on its border, and to ask that costs little.
    near = shapely.dwithin(line[which], flats.shape[plane], 1.01 * _TOUCH_FT)
    which, plane = which[near], plane[near]
    wide = shapely.buffer(flats.shape[with_panels], _TOUCH_FT)
    border = shapely.intersection(line[which], wide[np.searchsorted(with_panels, plane)])
    # Longer than what the margin alone catches of a line that ends at the plane's corner.
    along = shapely.length(border) > 4 * _TOUCH_FT
    which, plane, border = which[along], plane[along], border[along]
    if not ridge:
        both = np.bincount(which, minlength=line.size) > 1
        kept = both[which]
        which, plane, border = which[kept], plane[kept], border[kept]
    order = np.argsort(plane, kind="stable")
    plane, border = plane[order], border[order]
    piece, at = pair_up(pieces.plane, plane, flats.section.size)
    away = shapely.distance(pieces.shape[piece], flats.laid(border[at], plane[at]))
    measured = np.full(arrays.section.size, np.inf)
    np.minimum.at(measured, pieces.array[piece], away)
    row = row[np.isfinite(measured[row])]
    measured = measured[row]

    guess = roofs.unclear[arrays.section[row]]
    if not ridge:
        rule = "solar.hip_valley_in"
        wanted = np.full(row.size, rules.number(rule) / INCHES_PER_FOOT)
        return findings(
            row,
            rule=pick([rule], np.zeros(row.size, np.int64)),
            wanted=wanted,
            measured=measured,
            basis=basis[row],
            message=sentences_of(
                "The array lies ", told_ft(measured),
                " ft from a hip or valley with panels on both sides and ", told_plain(wanted),
                f" ft are wanted ({cited(rules, rule)})", full_stop(guess),
            ),
        )  # fmt: skip
    building = roofs.building[arrays.section]
    covered = sums(shapely.area(arrays.feet), building, int(building.max()) + 1)
    share = covered[building[row]] / roofs.building_ft2[arrays.section[row]]
    limit = np.where(
        roofs.sprinklered[arrays.section[row]],
        rules.number("solar.ridge_share_sprinklered"),
        rules.number("solar.ridge_share"),
    )
    ids = ("solar.ridge_low_in", "solar.ridge_high_in")
    much = (np.round(share, 4) > limit).astype(np.int64)
    wanted = np.array([rules.number(name) for name in ids])[much] / INCHES_PER_FOOT
    return findings(
        row,
        rule=pick(ids, much),
        wanted=wanted,
        measured=measured,
        basis=basis[row],
        message=sentences_of(
            "The array lies ", told_ft(measured), " ft from the ridge and ", told_plain(wanted),
            " ft are wanted where solar covers ", _percent(share), " percent of the roof, ",
            pick(("not over ", "over "), much), told_plain(100 * limit), " percent (",
            pick([cited(rules, name) for name in ids], much), ")", full_stop(guess),
        ),
    )  # fmt: skip


def _percent(values: FloatArray) -> npt.NDArray[np.object_]:
    return np.char.mod("%.1f", 100 * values).astype(object)
