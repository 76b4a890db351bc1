"""Solar access: what the fire code wants left clear around the arrays on a roof, and what is.

In: sections, buildings, solar polygons and other things on the roof, planes, ridges, hips and
    valleys, rules.
Out: the table `solar_access`, one row for each array and rule that was checked, and problem rows
    where something could not be audited.

Two sets of rules. Houses (group R-3 and one- and two-family houses) steeper than the low-slope limit:
ways up from eave to ridge on separate planes, a setback at the ridge, hips and valleys with panels
on both sides. Every other building: a clear perimeter, array sections of limited size, pathways
between them wide enough for smoke ventilation, clear ground around hatches and vents.

Lengths on a house are measured along the slope: each plane is laid flat, so that a foot down the
slope is a foot. Elsewhere they are measured as seen from above.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from roofplat import tables
from roofplat.framing.ragged import FloatArray, IntArray, first_minimum, offsets, pair_up, sums
from roofplat.ground import Ground, LocalPlanes, local_planes
from roofplat.rules import Rulebook
from roofplat.tables import BASES, problem_rows, words

__all__ = ["SOLAR_CAUTION", "audit_solar", "clear_runs"]

GeometryArray = npt.NDArray[np.object_]
BoolArray = npt.NDArray[np.bool_]

SOLAR_CAUTION = (
    "The solar access audit is an aid from drawn outlines: the code adopted locally and the fire code "
    "official decide."
)

_INCHES_PER_FOOT = 12.0
# Lengths are told, and compared, to a hundredth of a foot.
_DECIMALS = 2
# Rounding of drawings, in feet and square feet: less than this is no overlap and no bend.
_TOUCH_FT = 0.25
_SLIVER_FT2 = 0.5
_LEVEL_SHARE = 0.02
_ASSUMED = BASES.index("assumed")
# What is known of a pathway between array sections, from the worst to the best.
_TOO_NARROW, _CANNOT_TELL, _CUT_OUTS, _VENTS, _WIDE = range(5)


@dataclass(frozen=True, slots=True)
class _Arrays:
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
class _Roofs:
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


def audit_solar(
    sections: gpd.GeoDataFrame,
    buildings: gpd.GeoDataFrame,
    obstacles: gpd.GeoDataFrame,
    planes: gpd.GeoDataFrame,
    members: gpd.GeoDataFrame,
    rules: Rulebook,
    ground: Ground,
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Check every solar array against the fire code's access rules.

    Parameters
    ----------
    sections, buildings, obstacles
        Tables of those names, working CRS. Solar is what has kind `solar`, a building and an
        outline; hatches, skylights and smoke vents count too.
    planes, members
        Tables of those names, for pitched roofs; of the members the ridges, hips and valleys are
        read. May be empty.
    rules
        `solar.*` and `obstacle.point_radius_ft`.
    ground
        Foot and elevation.

    Returns
    -------
    solar_access
        `tables.TABLES["solar_access"]`: one row for each array and rule that applies to it.
        Panels closer together than `solar.array_gap_ft` are one array; arrays are numbered in
        the order of their first panel.
    problems
        What could not be audited, and what no rule speaks of.

    Notes
    -----
    IFC 2018 1204.2 and 1204.3 (2021: 1205.2 and 1205.3), IRC 2018 R324.6 and NFPA 1 11.12.2.2, as
    far as the rulebook's sources go. The side of an array section is that of its smallest
    enclosing rectangle. A pathway to standpipes, the straight way from a hatch to the roof edge
    and the street side of a house are not checked.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> nothing = [tables.empty(name, "EPSG:32613")
    ...            for name in ("sections", "buildings", "obstacles", "planes", "members")]
    >>> access, problems = audit_solar(*nothing, load_rulebook(), Ground(0.3048))
    >>> len(access), len(problems)
    (0, 0)
    """
    crs = CRS(sections.crs) if sections.crs is not None else None
    solar = obstacles[(obstacles["kind"] == "solar") & obstacles["building_id"].notna()]
    drawn = shapely.get_dimensions(solar.geometry.to_numpy()) == 2
    problems = [
        problem_rows(
            "obstacles",
            solar["obstacle_id"][~drawn],
            "solar_without_outline",
            "warning",
            _sentences(
                "Solar ", _texts(solar["obstacle_id"][~drawn]), " on building ",
                _texts(solar["building_id"][~drawn]),
                " is drawn without an outline, so its access ways cannot be measured.",
            ),
            "Draw the outline of the array.",
        )
    ]  # fmt: skip
    panels = solar[drawn].reset_index(drop=True)
    section, off = _section_of(panels, sections)
    problems.append(
        problem_rows(
            "obstacles",
            panels["obstacle_id"][off],
            "solar_off_section",
            "warning",
            _sentences(
                "Solar ", _texts(panels["obstacle_id"][off]), " lies on no roof section of building ",
                _texts(panels["building_id"][off]), ".",
            ),
            "Move it onto its roof, or correct the sections.",
        )
    )  # fmt: skip
    if off.all() or crs is None:
        return tables.empty("solar_access", sections.crs), pd.concat(problems, ignore_index=True)

    used, section = np.unique(section[~off], return_inverse=True)
    roofs = _roofs(sections, used, buildings, planes, rules, crs, ground)
    arrays = _arrays(panels[~off].reset_index(drop=True), section, roofs.planes, rules)
    things = obstacles[obstacles["building_id"].notna()]

    problems += _not_audited(arrays, roofs, planes, rules)
    found = [
        *_audit_others(arrays, roofs, things, rules),
        *_audit_houses(arrays, roofs, planes, members, rules),
    ]
    rows = pd.concat(found, ignore_index=True) if found else _rows(np.empty(0, np.int64))
    rows = rows.sort_values("row", kind="stable", ignore_index=True)
    row = rows["row"].to_numpy()
    table = roofs.table
    rows["building_id"] = table["building_id"].array[arrays.section[row]]
    rows["section_id"] = table["section_id"].array[arrays.section[row]]
    rows["array"] = arrays.number[row]
    guess = roofs.unclear[arrays.section[row]]
    rows["basis"] = words(BASES, np.where(guess, _ASSUMED, rows["basis"].to_numpy()))
    access: gpd.GeoDataFrame = tables.conform(
        "solar_access", rows, geometry=arrays.shape[row], crs=sections.crs
    )
    return access, pd.concat(problems, ignore_index=True)


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


def _section_of(panels: gpd.GeoDataFrame, sections: gpd.GeoDataFrame) -> tuple[IntArray, BoolArray]:
    """The section of its building that holds most of each panel, and where there is none."""
    found = np.full(len(panels), -1, dtype=np.int64)
    outline = sections.geometry.to_numpy()
    shape = panels.geometry.to_numpy()
    panel, section = shapely.STRtree(outline).query(shape, predicate="intersects")
    same = _texts(panels["building_id"])[panel] == _texts(sections["building_id"])[section]
    panel, section = panel[same], section[same]
    area = shapely.area(shapely.intersection(shape[panel], outline[section]))
    panel, section, area = panel[area > 0], section[area > 0], area[area > 0]
    order = np.lexsort((section, -area, panel))
    first = np.unique(panel[order], return_index=True)[1]
    found[panel[order][first]] = section[order][first]
    return found, found < 0


def _arrays(panels: gpd.GeoDataFrame, section: IntArray, planes: LocalPlanes, rules: Rulebook) -> _Arrays:
    """Panels close together are one array."""
    shape = panels.geometry.to_numpy()
    feet = _in_feet(shape, planes, section)
    gap = rules.number("solar.array_gap_ft")
    # A foot is at most this many units of the working CRS, in any direction.
    units = np.linalg.svd(planes.to_crs, compute_uv=False)[:, 0]
    one, other = shapely.STRtree(shape).query(
        shape, predicate="dwithin", distance=1.01 * gap * units[section]
    )
    near = (one < other) & (section[one] == section[other])
    one, other = one[near], other[near]
    near = np.round(shapely.distance(feet[one], feet[other]), _DECIMALS) < gap
    group = _components(one[near], other[near], len(panels))
    # Numbered by section, then by the first panel.
    first = np.full(group.max() + 1, len(panels))
    np.minimum.at(first, group, np.arange(len(panels)))
    order = np.lexsort((first, section[first]))
    rank = np.empty(order.size, dtype=np.int64)
    rank[order] = np.arange(order.size)
    label = rank[group]
    owner = section[first[order]]
    start = np.flatnonzero(np.r_[True, owner[1:] != owner[:-1]])
    number = np.arange(owner.size) - np.repeat(start, np.diff(np.r_[start, owner.size])) + 1
    basis = np.full(owner.size, -1, dtype=np.int64)
    np.maximum.at(basis, label, _codes(panels["basis"]))
    whole = _unions(shape, label)
    return _Arrays(owner, number, whole, _in_feet(whole, planes, owner), basis)


def _roofs(
    sections: gpd.GeoDataFrame,
    used: IntArray,
    buildings: gpd.GeoDataFrame,
    planes: gpd.GeoDataFrame,
    rules: Rulebook,
    crs: CRS,
    ground: Ground,
) -> _Roofs:
    table = sections.iloc[used].reset_index(drop=True)
    outline = table.geometry.to_numpy()
    centre = shapely.centroid(outline)
    local = local_planes(shapely.get_x(centre), shapely.get_y(centre), crs, ground)
    own = np.arange(used.size)
    number = pd.Index(buildings["building_id"]).get_indexer(pd.Index(table["building_id"]))
    of_building = buildings.iloc[number].reset_index(drop=True)
    by_building = sections["area_ft2"].groupby(sections["building_id"]).sum()
    building_ft2 = table["building_id"].map(by_building).to_numpy(dtype=float)

    steepest = planes["slope_deg"].groupby(planes["section_id"]).max()
    slope = table["section_id"].map(steepest).astype("float64").fillna(table["slope_deg"])
    slope = slope.mask(slope.isna() & (table["roof_shape"] == "flat").fillna(False).astype(bool), 0.0)
    limit = np.degrees(np.arctan(rules.number("solar.pitched_over_in") / _INCHES_PER_FOOT))
    degrees = slope.to_numpy(dtype=float, na_value=np.nan)
    steep = np.nan_to_num(degrees) > limit

    house, unclear = _occupancy(of_building["occupancy"], rules)
    small = of_building["area_ft2"].to_numpy(dtype=float) <= rules.number("solar.house_area_ft2")
    return _Roofs(
        table=table,
        planes=local,
        outline=_in_feet(outline, local, own),
        building_outline=_in_feet(of_building.geometry.to_numpy(), local, own),
        building=number.astype(np.int64),
        house=house | (unclear & steep & small),
        unclear=unclear,
        sprinklered=of_building["sprinklered"].fillna(False).to_numpy(dtype=bool),
        steep=steep,
        slope_known=np.isfinite(degrees),
        building_ft2=building_ft2,
    )


def _occupancy(occupancy: pd.Series, rules: Rulebook) -> tuple[BoolArray, BoolArray]:
    """Which occupancies are houses, and which do not tell."""
    text = occupancy.astype("str").str.strip().str.casefold().str.replace("_", " ")
    group = text.str.match(r"(?:group\s+)?r\s*-?\s*3(?!\d)").fillna(False).to_numpy(dtype=bool)
    house = group | text.isin(list(rules["solar.house_words"].value)).to_numpy(dtype=bool)
    empty = text.fillna("").eq("").to_numpy(dtype=bool)
    return house, empty | text.isin(list(rules["solar.unclear_words"].value)).to_numpy(dtype=bool)


def _not_audited(
    arrays: _Arrays, roofs: _Roofs, planes: gpd.GeoDataFrame, rules: Rulebook
) -> list[pd.DataFrame]:
    """Houses for which there is no rule, no slope or no plane; arrays across two sections."""
    table = roofs.table
    drawn = table["section_id"].isin(planes["section_id"]).to_numpy(dtype=bool)
    flat = roofs.house & ~roofs.steep
    limit = f"{rules.number('solar.pitched_over_in'):g} in 12 ({_cited(rules, 'solar.pitched_over_in')})"
    cases = (
        (
            flat & roofs.slope_known,
            "solar_low_slope",
            "info",
            f" is a house's and the roof is no steeper than {limit}, for which no access way is wanted.",
            "Nothing, unless the slope is wrong.",
        ),
        (
            flat & ~roofs.slope_known,
            "solar_slope_unknown",
            "warning",
            f" is a house's and its slope is not known: ways up are wanted above {limit}.",
            "Record the roof's slope or its shape.",
        ),
        (
            roofs.house & roofs.steep & ~drawn,
            "solar_without_planes",
            "warning",
            " is a house's and its roof planes could not be drawn, so eaves and ridge are not known.",
            "Record the roof's shape.",
        ),
    )
    rows = []
    for sections, code, severity, text, action in cases:
        row = np.flatnonzero(sections[arrays.section])
        name = _named(arrays, roofs, row)
        rows.append(problem_rows("solar_access", name, code, severity, _sentences(name, text), action))  # type: ignore[arg-type]
    row = np.flatnonzero(_across(arrays, roofs) & ~roofs.house[arrays.section])
    name = _named(arrays, roofs, row)
    rows.append(
        problem_rows(
            "solar_access",
            name,
            "solar_across_sections",
            "info",
            _sentences(
                name, " reaches onto another section; its perimeter is measured to the building's outline."
            ),
            "Nothing, unless the sections are at different heights or a fire wall parts them.",
        )
    )
    return rows


def _across(arrays: _Arrays, roofs: _Roofs) -> BoolArray:
    """Arrays that lie partly off their section and on the building."""
    off = shapely.difference(arrays.feet, roofs.outline[arrays.section])
    on = shapely.area(shapely.intersection(off, roofs.building_outline[arrays.section]))
    result: BoolArray = on > _SLIVER_FT2
    return result


# ---------------------------------------------------------------- every building that is no house


def _audit_others(
    arrays: _Arrays, roofs: _Roofs, things: gpd.GeoDataFrame, rules: Rulebook
) -> list[pd.DataFrame]:
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
    gap = np.round(shapely.distance(shape[one], shape[other]), _DECIMALS)
    near = gap < least
    group = _components(one[near], other[near], row.size)
    whole = _unions(shape, group)
    size = np.round(_sides(whole)[1], _DECIMALS)
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
    arrays: _Arrays, roofs: _Roofs, row: IntArray, rules: Rulebook, guess: BoolArray
) -> pd.DataFrame:
    section = arrays.section[row]
    outline = np.where(_across(arrays, roofs)[row], roofs.building_outline[section], roofs.outline[section])
    measured = shapely.distance(arrays.feet[row], shapely.boundary(outline))
    axis = np.round(_sides(roofs.building_outline)[0], _DECIMALS)[section]
    limit = rules.number("solar.narrow_axis_ft")
    ids = ("solar.perimeter_ft", "solar.perimeter_narrow_ft")
    narrow = (axis <= limit).astype(np.int64)
    wanted = np.array([rules.number(name) for name in ids])[narrow]
    return _rows(
        row,
        rule=_pick(ids, narrow),
        wanted=wanted,
        measured=measured,
        basis=arrays.basis[row],
        message=_sentences(
            "The array lies ", _ft(measured), " ft from the roof edge and ", _plain(wanted),
            " ft of clear perimeter are wanted, the building's shorter axis being ", _ft(axis),
            _pick((f" ft, over {limit:g} ft (", f" ft, not over {limit:g} ft ("), narrow),
            _pick([_cited(rules, name) for name in ids], narrow), ")", _by_guess(guess),
        ),
    )  # fmt: skip


def _array_sections(
    arrays: _Arrays, row: IntArray, group: IntArray, size: FloatArray, rules: Rulebook, guess: BoolArray
) -> pd.DataFrame:
    rule = "solar.array_section_ft"
    limit = rules.number(rule)
    others = np.bincount(group)[group] - 1
    measured = size[group]
    together = np.where(
        others > 0,
        _sentences(", counted together with ", others.astype("U"), " others closer than a pathway,"),
        "",
    )
    return _rows(
        row,
        rule=_pick([rule], np.zeros(row.size, np.int64)),
        wanted=np.full(row.size, limit),
        measured=measured,
        passes=(measured <= limit).astype(float),
        basis=arrays.basis[row],
        message=_sentences(
            "The longer side of the array section", together, " is ", _ft(measured),
            f" ft and at most {limit:g} ft are wanted ({_cited(rules, rule)})", _by_guess(guess),
        ),
    )  # fmt: skip


def _pathways(
    arrays: _Arrays,
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
    return _rows(
        row[here],
        rule=_pick([rule], np.zeros(here.size, np.int64)),
        wanted=np.full(here.size, wanted),
        measured=measured[here],
        basis=arrays.basis[row[here]],
        message=_sentences(
            "The pathway to the nearest array is ", _ft(measured[here]),
            f" ft wide and {wanted:g} ft are wanted ({_cited(rules, rule)})", _by_guess(guess[here]),
        ),
    )  # fmt: skip


def _smoke_ways(
    arrays: _Arrays,
    roofs: _Roofs,
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
    return _rows(
        row[place],
        rule=_pick([rule], np.zeros(place.size, np.int64)),
        wanted=np.full(place.size, wanted),
        measured=measured,
        passes=np.array([0.0, np.nan, 1.0, 1.0, 1.0])[option],
        basis=basis,
        message=_sentences(
            "For smoke ventilation the way to the next array section is ", _ft(measured),
            f" ft wide and {wanted:g} ft are wanted",
            _pick(
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
            f" ({_cited(rules, rule)})", _by_guess(guess[place]),
        ),
    )  # fmt: skip


def _beside_vents(
    arrays: _Arrays,
    roofs: _Roofs,
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
    way, vent = _same_building(roofs.building[arrays.section[row[one]]], vents, roofs)
    shape = _in_feet(vents.geometry.to_numpy()[vent], roofs.planes, arrays.section[row[one[way]]])
    first = shapely.distance(arrays.feet[row[one[way]]], shape)
    second = shapely.distance(arrays.feet[row[other[way]]], shape)
    there = np.round(np.minimum(first, second), _DECIMALS) < wide
    beside = np.round(np.maximum(first, second), _DECIMALS)
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
    depth = rules.number("solar.cut_out_depth_ft") - 0.5 * 10.0**-_DECIMALS
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
        return _moved(shapes, s, (off * turn).sum(axis=1))

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
    cut = np.round(end - start, _DECIMALS) >= long
    way, side, centre = run[cut] % count, run[cut] // count, (start[cut] + end[cut]) / 2
    order = np.lexsort((centre, way))
    way, side, centre = way[order], side[order], centre[order]
    begins = np.r_[True, way[1:] != way[:-1]][: way.size]
    stops = np.r_[way[1:] != way[:-1], True][: way.size]
    to_first = np.round(centre - low[way], _DECIMALS)
    to_end = np.round(high[way] - centre, _DECIMALS)
    step = np.round(np.diff(centre, prepend=0.0), _DECIMALS)
    same_side = np.r_[-1, side[:-1]][: way.size] == side
    bad = np.where(begins, to_first > every, (step > every) | same_side) | (stops & (to_end > every))
    result: BoolArray = (np.bincount(way, minlength=count) > 0) & ~(
        np.bincount(way[bad], minlength=count) > 0
    )
    return result


def _around(
    arrays: _Arrays,
    roofs: _Roofs,
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
    array, thing = _same_building(roofs.building[arrays.section[row]], some, roofs)
    shape = some.geometry.to_numpy()[thing]
    # What is drawn as a point or a line has a size that nobody wrote down.
    bare = shapely.get_dimensions(shape) < 2
    away = shapely.distance(
        arrays.feet[row[array]], _in_feet(shape, roofs.planes, arrays.section[row[array]])
    )
    away = np.maximum(away - np.where(bare, rules.number("obstacle.point_radius_ft"), 0.0), 0.0)
    nearest = first_minimum(away, array, row.size)
    here = np.flatnonzero(nearest >= 0)
    nearest = nearest[here]
    measured = away[nearest]
    clear = np.round(measured, _DECIMALS) >= wanted
    # Vents that fall open by gravity need a way on one side only; the kind does not tell which these are.
    short = 0.0 if kind == "hatch" else np.nan
    basis = np.maximum(
        np.maximum(arrays.basis[row[here]], _codes(some["basis"])[thing[nearest]]),
        np.where(bare[nearest], _ASSUMED, -1),
    )
    tail = "" if kind == "hatch" else " on all sides of one that does not drop out by gravity"
    return _rows(
        row[here],
        rule=_pick([rule], np.zeros(here.size, np.int64)),
        wanted=np.full(here.size, wanted),
        measured=measured,
        passes=np.where(clear, 1.0, short),
        basis=basis,
        message=_sentences(
            f"The nearest {what} lies ", _ft(measured),
            f" ft from the array and {wanted:g} ft are wanted{tail}",
            np.where(bare[nearest], f", the {what} being drawn without a size", ""),
            f" ({_cited(rules, rule)})", _by_guess(guess[here]),
        ),
    )  # fmt: skip


# ---------------------------------------------------------------- houses


def _audit_houses(
    arrays: _Arrays,
    roofs: _Roofs,
    planes: gpd.GeoDataFrame,
    members: gpd.GeoDataFrame,
    rules: Rulebook,
) -> list[pd.DataFrame]:
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
        shapely.normalize(_in_feet(planes.geometry.to_numpy()[mine], roofs.planes, section[mine])),
        _codes(planes["basis"])[mine],
    )
    array, plane = pair_up(arrays.section[row], flats.section, roofs.outline.size)
    array = row[array]
    piece = shapely.intersection(arrays.feet[array], flats.shape[plane])
    some = shapely.area(piece) > _SLIVER_FT2
    array, plane, piece = array[some], plane[some], flats.laid(piece[some], plane[some])
    basis = arrays.basis.copy()
    np.maximum.at(basis, array, flats.basis[plane])
    pieces = _Pieces(array, plane, piece)
    return [
        _ways_up(row, pieces, flats, basis, roofs, arrays, rules),
        _setbacks(row, pieces, flats, basis, roofs, arrays, members, rules, "ridge"),
        _setbacks(row, pieces, flats, basis, roofs, arrays, members, rules, "hip or valley"),
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
        return _moved(shapes, along, down)


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
    roofs: _Roofs,
    arrays: _Arrays,
    rules: Rulebook,
) -> pd.DataFrame:
    """The widest straight way from eave to ridge on each plane, and the building's second widest."""
    rule = "solar.house_pathway_in"
    wanted = rules.number(rule) / _INCHES_PER_FOOT
    ways = rules.count("solar.house_pathway_count")
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
    return _rows(
        row,
        rule=_pick([rule], np.zeros(row.size, np.int64)),
        wanted=np.full(row.size, wanted),
        measured=measured,
        basis=basis[row],
        message=np.where(
            enough,
            _sentences(
                f"{ways} ways from eave to ridge of {wanted:g} ft on separate planes are wanted and number "
                f"{ways} by width is ", _ft(measured), f" ft wide ({_cited(rules, rule)})",
                _by_guess(roofs.unclear[arrays.section[row]]),
            ),
            _sentences(
                f"{ways} ways from eave to ridge of {wanted:g} ft on separate planes are wanted, and fewer "
                f"planes than that run from eave to ridge ({_cited(rules, rule)})",
                _by_guess(roofs.unclear[arrays.section[row]]),
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
    roofs: _Roofs,
    arrays: _Arrays,
    members: gpd.GeoDataFrame,
    rules: Rulebook,
    what: str,
) -> pd.DataFrame:
    """Distance from each array to a ridge, or to a hip or valley with panels on both sides."""
    ridge = what == "ridge"
    lines = members[members["kind"].isin(["ridge"] if ridge else ["hip", "valley"])]
    line, owner = shapely.get_parts(lines.geometry.to_numpy(), return_index=True)
    section = pd.Index(roofs.table["section_id"]).get_indexer(pd.Index(lines["section_id"]))[owner]
    line, section = line[section >= 0], section[section >= 0]
    line = _in_feet(line, roofs.planes, section)
    which, plane = pair_up(section, flats.section, roofs.outline.size)
    border = shapely.intersection(line[which], shapely.buffer(flats.shape[plane], _TOUCH_FT))
    # Longer than what the margin alone catches of a line that ends at the plane's corner.
    along = shapely.length(border) > 4 * _TOUCH_FT
    which, plane, border = which[along], plane[along], border[along]
    if not ridge:
        loaded = np.isin(plane, pieces.plane)
        both = np.bincount(which[loaded], minlength=line.size) > 1
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
        wanted = np.full(row.size, rules.number(rule) / _INCHES_PER_FOOT)
        return _rows(
            row,
            rule=_pick([rule], np.zeros(row.size, np.int64)),
            wanted=wanted,
            measured=measured,
            basis=basis[row],
            message=_sentences(
                "The array lies ", _ft(measured), " ft from a hip or valley with panels on both sides and ",
                _plain(wanted), f" ft are wanted ({_cited(rules, rule)})", _by_guess(guess),
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
    wanted = np.array([rules.number(name) for name in ids])[much] / _INCHES_PER_FOOT
    return _rows(
        row,
        rule=_pick(ids, much),
        wanted=wanted,
        measured=measured,
        basis=basis[row],
        message=_sentences(
            "The array lies ", _ft(measured), " ft from the ridge and ", _plain(wanted),
            " ft are wanted where solar covers ", _percent(share), " percent of the roof, ",
            _pick(("not over ", "over "), much), _plain(100 * limit), " percent (",
            _pick([_cited(rules, name) for name in ids], much), ")", _by_guess(guess),
        ),
    )  # fmt: skip


# ---------------------------------------------------------------- small helpers


def _rows(
    row: IntArray,
    *,
    rule: Any = (),
    wanted: FloatArray | Sequence[float] = (),
    measured: FloatArray | Sequence[float] = (),
    basis: IntArray | Sequence[int] = (),
    message: Any = (),
    passes: FloatArray | None = None,
) -> pd.DataFrame:
    """Findings; without `passes` what is measured has to be at least what is wanted."""
    found = np.round(np.asarray(measured, dtype=float), _DECIMALS)
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


def _same_building(building: IntArray, things: gpd.GeoDataFrame, roofs: _Roofs) -> tuple[IntArray, IntArray]:
    """Pairs of an entry, by the number of its building, and a thing on that building."""
    names, first = np.unique(roofs.building, return_index=True)
    index = pd.Index(roofs.table["building_id"].iloc[first]).get_indexer(pd.Index(things["building_id"]))
    here = np.flatnonzero(index >= 0)
    of = names[index[here]]
    order = np.argsort(of, kind="stable")
    entry, thing = pair_up(building, of[order], int(roofs.building.max()) + 1)
    return entry, here[order][thing]


def _components(one: IntArray, other: IntArray, count: int) -> IntArray:
    """Number of the connected part each of `count` entries belongs to."""
    links = coo_array((np.ones(one.size, dtype=np.int8), (one, other)), shape=(count, count))
    label: IntArray = connected_components(links, directed=False)[1].astype(np.int64)
    return label


def _unions(shapes: GeometryArray, group: IntArray) -> GeometryArray:
    """Union of the polygons of each group, groups numbered from 0 without gaps."""
    parts, owner = shapely.get_parts(shapes, return_index=True)
    group = group[owner]
    order = np.argsort(group, kind="stable")
    many = shapely.multipolygons(parts[order], indices=group[order])
    return np.asarray(shapely.union_all(np.asarray(many, dtype=object)[:, None], axis=1), dtype=object)


def _sides(shapes: GeometryArray) -> tuple[FloatArray, FloatArray]:
    """Shorter and longer side of the smallest rectangle around each shape."""
    corner = shapely.get_coordinates(shapely.oriented_envelope(shapes)).reshape(-1, 5, 2)
    step = np.diff(corner[:, :3], axis=1)
    length = np.sort(np.hypot(step[..., 0], step[..., 1]), axis=1)
    return length[:, 0], length[:, 1]


def _in_feet(shapes: GeometryArray, planes: LocalPlanes, plane: IntArray) -> GeometryArray:
    """Shapes of the working CRS in feet east and north, each on its own plane."""
    xy, owner = shapely.get_coordinates(shapes, return_index=True)
    return _moved(shapes, *planes.feet(xy[:, 0], xy[:, 1], plane[owner]))


def _moved(shapes: GeometryArray, x: FloatArray, y: FloatArray) -> GeometryArray:
    # A copy, because the coordinates are set in place.
    copy = np.array(shapes, dtype=object)
    return np.asarray(shapely.set_coordinates(copy, np.column_stack([x, y])), dtype=object)


def _codes(basis: pd.Series) -> IntArray:
    """Numbers in `tables.BASES`, -1 where there is none."""
    return pd.Index(BASES).get_indexer(pd.Index(basis)).astype(np.int64)


def _named(arrays: _Arrays, roofs: _Roofs, row: IntArray) -> list[str]:
    ids = _texts(roofs.table["section_id"])[arrays.section[row]]
    return _sentences("Array ", arrays.number[row].astype("U"), " of section ", ids)


def _by_guess(guess: BoolArray) -> npt.NDArray[np.object_]:
    """The end of a sentence, and what was taken for granted."""
    told = ", taking the building for what its size and slope suggest, because its occupancy does not tell."
    return np.where(guess, told, ".").astype(object)


def _cited(rules: Rulebook, rule: str) -> str:
    """The code sections of a rule's source."""
    return rules[rule].source.split(";")[0]


def _pick(texts: Sequence[str], number: IntArray) -> npt.NDArray[np.object_]:
    return np.array(texts, dtype=object)[number]


def _texts(values: pd.Series) -> npt.NDArray[np.object_]:
    return values.to_numpy(dtype=object)


def _ft(values: FloatArray) -> npt.NDArray[np.object_]:
    return np.char.mod("%.2f", values).astype(object)


def _plain(values: FloatArray) -> npt.NDArray[np.object_]:
    return np.char.mod("%g", values).astype(object)


def _percent(values: FloatArray) -> npt.NDArray[np.object_]:
    return np.char.mod("%.1f", 100 * values).astype(object)


def _sentences(*parts: Any) -> list[str]:
    """Texts and arrays of texts joined, one for each row; at least one part is an array."""
    size = next(len(part) for part in parts if not isinstance(part, str))
    whole = np.full(size, "", dtype=object)
    for part in parts:
        whole = whole + (part if isinstance(part, str) else np.asarray(part, dtype=object))
    return [str(text) for text in whole]
