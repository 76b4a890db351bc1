"""Solar access on every building that is no house: perimeter, array sections, ways between them.

In: arrays and their roofs in feet, other things on the roofs, rules.
Out: findings, one for each array and rule that applies to it.

Lengths are measured as seen from above.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from roofplat.framing.ragged import FloatArray, IntArray, first_minimum, pair_up
from roofplat.placing.solar_shared import (
    ASSUMED,
    DECIMALS,
    SLIVER_FT2,
    BoolArray,
    GeometryArray,
    SolarArrays,
    SolarRoofs,
    basis_codes,
    cited,
    clear_runs,
    components,
    findings,
    full_stop,
    in_feet,
    moved,
    on_same_building,
    pick,
    sentences_of,
    told_ft,
    told_plain,
    unions,
)
from roofplat.rules import Rulebook

__all__ = ["across_sections", "audit_others"]

# What is known of a way between array sections, from the worst to the best.
_TOO_NARROW, _CANNOT_TELL, _CUT_OUTS, _VENTS, _WIDE = range(5)


def audit_others(
    arrays: SolarArrays, roofs: SolarRoofs, things: gpd.GeoDataFrame, rules: Rulebook
) -> list[pd.DataFrame]:
    """Check the arrays on buildings that are no houses.

    Parameters
    ----------
    arrays, roofs
        k arrays on n sections.
    things
        Rows of the table `obstacles` that have a building, working CRS.
    rules
        `solar.*` and `obstacle.point_radius_ft`.

    Returns
    -------
    list of DataFrame
        Findings, see `findings`; none where every building is a house.
    """
    row = np.flatnonzero(~roofs.house[arrays.section])
    if not row.size:
        return []
    section = arrays.section[row]
    shape = arrays.feet[row]
    guess = roofs.unclear[section]
    least = rules.number("solar.pathway_ft")

    one, other = pair_up(section, section, roofs.outline.size)
    once = one < other
    one, other = one[once], other[once]
    gap = np.round(shapely.distance(shape[one], shape[other]), DECIMALS)
    near = gap < least
    group = components(one[near], other[near], row.size)
    whole = unions(shape, group)
    size = np.round(_sides(whole)[1], DECIMALS)
    limit = rules.number("solar.array_section_ft")
    # Arrays with no pathway between them are one array section where that is small enough.
    parted = (group[one] != group[other]) | (size[group[one]] > limit)
    one, other, gap = one[parted], other[parted], gap[parted]

    return [
        _perimeter(arrays, roofs, row, rules, guess),
        _array_sections(arrays, row, group, size, rules, guess),
        _pathways(arrays, row, one, other, gap, rules, guess),
        _smoke_ways(arrays, roofs, row, one, other, gap, things, rules, guess),
        _around(arrays, roofs, row, things, "hatch", rules, guess),
        _around(arrays, roofs, row, things, "smoke_vent", rules, guess),
    ]


def _perimeter(
    arrays: SolarArrays, roofs: SolarRoofs, row: IntArray, rules: Rulebook, guess: BoolArray
) -> pd.DataFrame:
    section = arrays.section[row]
    outline = np.where(
        across_sections(arrays, roofs)[row], roofs.building_outline[section], roofs.outline[section]
    )
    measured = shapely.distance(arrays.feet[row], shapely.boundary(outline))
    axis = np.round(_sides(roofs.building_outline)[0], DECIMALS)[section]
    limit = rules.number("solar.narrow_axis_ft")
    ids = ("solar.perimeter_ft", "solar.perimeter_narrow_ft")
    narrow = (axis <= limit).astype(np.int64)
    wanted = np.array([rules.number(name) for name in ids])[narrow]
    return findings(
        row,
        rule=pick(ids, narrow),
        wanted=wanted,
        measured=measured,
        basis=arrays.basis[row],
        message=sentences_of(
            "The array lies ", told_ft(measured), " ft from the roof edge and ", told_plain(wanted),
            " ft of clear perimeter are wanted, the building's shorter axis being ", told_ft(axis),
            pick((f" ft, over {limit:g} ft (", f" ft, not over {limit:g} ft ("), narrow),
            pick([cited(rules, name) for name in ids], narrow), ")", full_stop(guess),
        ),
    )  # fmt: skip


def _array_sections(
    arrays: SolarArrays, row: IntArray, group: IntArray, size: FloatArray, rules: Rulebook, guess: BoolArray
) -> pd.DataFrame:
    rule = "solar.array_section_ft"
    limit = rules.number(rule)
    others = np.bincount(group)[group] - 1
    measured = size[group]
    together = np.where(
        others > 0,
        sentences_of(", counted together with ", others.astype("U"), " others closer than a pathway,"),
        "",
    )
    return findings(
        row,
        rule=pick([rule], np.zeros(row.size, np.int64)),
        wanted=np.full(row.size, limit),
        measured=measured,
        passes=(measured <= limit).astype(float),
        basis=arrays.basis[row],
        message=sentences_of(
            "The longer side of the array section", together, " is ", told_ft(measured),
            f" ft and at most {limit:g} ft are wanted ({cited(rules, rule)})", full_stop(guess),
        ),
    )  # fmt: skip


def _pathways(
    arrays: SolarArrays,
    row: IntArray,
    one: IntArray,
    other: IntArray,
    gap: FloatArray,
    rules: Rulebook,
    guess: BoolArray,
) -> pd.DataFrame:
    rule = "solar.pathway_ft"
    wanted = rules.number(rule)
    measured = np.full(row.size, np.inf)
    np.minimum.at(measured, one, gap)
    np.minimum.at(measured, other, gap)
    here = np.flatnonzero(np.isfinite(measured))
    return findings(
        row[here],
        rule=pick([rule], np.zeros(here.size, np.int64)),
        wanted=np.full(here.size, wanted),
        measured=measured[here],
        basis=arrays.basis[row[here]],
        message=sentences_of(
            "The pathway to the nearest array is ", told_ft(measured[here]),
            f" ft wide and {wanted:g} ft are wanted ({cited(rules, rule)})", full_stop(guess[here]),
        ),
    )  # fmt: skip


def _smoke_ways(
    arrays: SolarArrays,
    roofs: SolarRoofs,
    row: IntArray,
    one: IntArray,
    other: IntArray,
    gap: FloatArray,
    things: gpd.GeoDataFrame,
    rules: Rulebook,
    guess: BoolArray,
) -> pd.DataFrame:
    """The worst way between array sections for each array, by the options for smoke ventilation."""
    rule = "solar.smoke_way_ft"
    wanted = rules.number(rule)
    narrow = rules.number("solar.smoke_way_narrow_ft")
    option = np.where(gap >= wanted, _WIDE, np.where(gap < narrow, _TOO_NARROW, _CANNOT_TELL))
    open_ = np.flatnonzero(option == _CANNOT_TELL)
    option[open_[_beside_vents(arrays, roofs, row, one[open_], other[open_], things, wanted, narrow)]] = (
        _VENTS
    )
    open_ = np.flatnonzero(option == _CANNOT_TELL)
    shape = arrays.feet[row]
    option[open_[_cut_outs(shape[one[open_]], shape[other[open_]], rules)]] = _CUT_OUTS

    owner = np.concatenate([one, other])
    order = np.lexsort((np.tile(gap, 2), np.tile(option, 2), owner))
    place, first = np.unique(owner[order], return_index=True)
    worst = order[first] % gap.size if gap.size else order[first]
    option, measured = option[worst], gap[worst]
    size = [rules.number(f"solar.cut_out_{name}") for name in ("depth_ft", "length_ft", "every_ft")]
    cut_outs = f"cut-out areas of {size[0]:g} by {size[1]:g} ft every {size[2]:g} ft on alternating sides"
    basis = arrays.basis[row[place]]
    return findings(
        row[place],
        rule=pick([rule], np.zeros(place.size, np.int64)),
        wanted=np.full(place.size, wanted),
        measured=measured,
        passes=np.array([0.0, np.nan, 1.0, 1.0, 1.0])[option],
        basis=basis,
        message=sentences_of(
            "For smoke ventilation the way to the next array section is ", told_ft(measured),
            f" ft wide and {wanted:g} ft are wanted",
            pick(
                (
                    f", {narrow:g} ft even beside drop-out vents or cut-out areas",
                    f", or {narrow:g} ft beside drop-out vents or with {cut_outs}, which the drawing"
                    " does not show",
                    f", or {narrow:g} ft with {cut_outs}, which are there",
                    f", or {narrow:g} ft beside drop-out vents or skylights, one of which is there",
                    "",
                ),
                option,
            ),
            f" ({cited(rules, rule)})", full_stop(guess[place]),
        ),
    )  # fmt: skip


def _beside_vents(
    arrays: SolarArrays,
    roofs: SolarRoofs,
    row: IntArray,
    one: IntArray,
    other: IntArray,
    things: gpd.GeoDataFrame,
    wide: float,
    narrow: float,
) -> BoolArray:
    """Ways that have a vent or skylight in them with a clear strip on at least one side of it."""
    result = np.zeros(one.size, dtype=bool)
    vents = things[things["kind"].isin(["skylight", "smoke_vent"])]
    way, vent = on_same_building(roofs.building[arrays.section[row[one]]], vents, roofs)
    shape = in_feet(vents.geometry.to_numpy()[vent], roofs.planes, arrays.section[row[one[way]]])
    first = shapely.distance(arrays.feet[row[one[way]]], shape)
    second = shapely.distance(arrays.feet[row[other[way]]], shape)
    there = np.round(np.minimum(first, second), DECIMALS) < wide
    beside = np.round(np.maximum(first, second), DECIMALS)
    result[way[there & (beside >= narrow) & (beside < wide)]] = True
    return result


def _cut_outs(first: GeometryArray, second: GeometryArray, rules: Rulebook) -> BoolArray:
    """Ways bordered by cut-out areas of the wanted size, close enough, on alternating sides.

    A cut-out is a stretch of the array's border where the array stays back by the depth; from
    centre to centre, and from the ends of the way, they are no farther apart than wanted.
    """
    count = first.size
    if not count:
        return np.zeros(0, dtype=bool)
    # A hair less, so that the bottom of a cut-out of just that depth does not stand in it.
    depth = rules.number("solar.cut_out_depth_ft") - 0.5 * 10.0**-DECIMALS
    long = rules.number("solar.cut_out_length_ft")
    every = rules.number("solar.cut_out_every_ft")
    ends = shapely.get_coordinates(shapely.shortest_line(first, second)).reshape(count, 2, 2)
    across = ends[:, 1] - ends[:, 0]
    width = np.hypot(across[:, 0], across[:, 1])
    across = across / width[:, None]

    def along_way(shapes: GeometryArray) -> GeometryArray:
        xy, owner = shapely.get_coordinates(shapes, return_index=True)
        off = xy - ends[owner, 0]
        turn = across[owner]
        s = off[:, 0] * turn[:, 1] - off[:, 1] * turn[:, 0]
        return moved(shapes, s, (off * turn).sum(axis=1))

    sides = along_way(first), along_way(second)
    bounds = [shapely.bounds(side) for side in sides]
    low = np.maximum(bounds[0][:, 0], bounds[1][:, 0])
    high = np.maximum(np.minimum(bounds[0][:, 2], bounds[1][:, 2]), low)
    bands = (
        shapely.box(low, np.full(count, -depth), high, np.zeros(count)),
        shapely.box(low, width, high, width + depth),
    )
    strip = np.concatenate([shapely.intersection(*pair) for pair in zip(sides, bands, strict=True)])
    part, owner = shapely.get_parts(strip, return_index=True)
    box = shapely.bounds(part)[shapely.area(part) > 0]
    owner = owner[shapely.area(part) > 0]
    run, start, end = clear_runs(np.tile(low, 2), np.tile(high, 2), owner, box[:, 0], box[:, 2])
    cut = np.round(end - start, DECIMALS) >= long
    way, side, centre = run[cut] % count, run[cut] // count, (start[cut] + end[cut]) / 2
    order = np.lexsort((centre, way))
    way, side, centre = way[order], side[order], centre[order]
    begins = np.r_[True, way[1:] != way[:-1]][: way.size]
    stops = np.r_[way[1:] != way[:-1], True][: way.size]
    to_first = np.round(centre - low[way], DECIMALS)
    to_end = np.round(high[way] - centre, DECIMALS)
    step = np.round(np.diff(centre, prepend=0.0), DECIMALS)
    same_side = np.r_[-1, side[:-1]][: way.size] == side
    bad = np.where(begins, to_first > every, (step > every) | same_side) | (stops & (to_end > every))
    result: BoolArray = (np.bincount(way, minlength=count) > 0) & ~(
        np.bincount(way[bad], minlength=count) > 0
    )
    return result


def _around(
    arrays: SolarArrays,
    roofs: SolarRoofs,
    row: IntArray,
    things: gpd.GeoDataFrame,
    kind: str,
    rules: Rulebook,
    guess: BoolArray,
) -> pd.DataFrame:
    """Clear ground around the nearest hatch or smoke vent of the building."""
    rule = {"hatch": "solar.hatch_clear_ft", "smoke_vent": "solar.vent_clear_ft"}[kind]
    wanted = rules.number(rule)
    what = kind.replace("_", " ")
    some = things[things["kind"] == kind]
    array, thing = on_same_building(roofs.building[arrays.section[row]], some, roofs)
    shape = some.geometry.to_numpy()[thing]
    # What is drawn as a point or a line has a size that nobody wrote down.
    bare = shapely.get_dimensions(shape) < 2
    away = shapely.distance(arrays.feet[row[array]], in_feet(shape, roofs.planes, arrays.section[row[array]]))
    away = np.maximum(away - np.where(bare, rules.number("obstacle.point_radius_ft"), 0.0), 0.0)
    nearest = first_minimum(away, array, row.size)
    here = np.flatnonzero(nearest >= 0)
    nearest = nearest[here]
    measured = away[nearest]
    clear = np.round(measured, DECIMALS) >= wanted
    # Vents that fall open by gravity need a way on one side only; the kind does not tell which these are.
    short = 0.0 if kind == "hatch" else np.nan
    basis = np.maximum(
        np.maximum(arrays.basis[row[here]], basis_codes(some["basis"])[thing[nearest]]),
        np.where(bare[nearest], ASSUMED, -1),
    )
    tail = "" if kind == "hatch" else " on all sides of one that does not drop out by gravity"
    return findings(
        row[here],
        rule=pick([rule], np.zeros(here.size, np.int64)),
        wanted=np.full(here.size, wanted),
        measured=measured,
        passes=np.where(clear, 1.0, short),
        basis=basis,
        message=sentences_of(
            f"The nearest {what} lies ", told_ft(measured),
            f" ft from the array and {wanted:g} ft are wanted{tail}",
            np.where(bare[nearest], f", the {what} being drawn without a size", ""),
            f" ({cited(rules, rule)})", full_stop(guess[here]),
        ),
    )  # fmt: skip


def across_sections(arrays: SolarArrays, roofs: SolarRoofs) -> BoolArray:
    """Tell which arrays reach onto another section of their building.

    Parameters
    ----------
    arrays, roofs
        k arrays on n sections.

    Returns
    -------
    ndarray of bool
        Shape (k,).
    """
    off = shapely.difference(arrays.feet, roofs.outline[arrays.section])
    on = shapely.area(shapely.intersection(off, roofs.building_outline[arrays.section]))
    result: BoolArray = on > SLIVER_FT2
    return result


def _sides(shapes: GeometryArray) -> tuple[FloatArray, FloatArray]:
    """Shorter and longer side of the smallest rectangle around each shape."""
    corner = shapely.get_coordinates(shapely.oriented_envelope(shapes)).reshape(-1, 5, 2)
    step = np.diff(corner[:, :3], axis=1)
    length = np.sort(np.hypot(step[..., 0], step[..., 1]), axis=1)
    return length[:, 0], length[:, 1]
