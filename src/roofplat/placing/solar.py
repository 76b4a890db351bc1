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

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from roofplat import tables
from roofplat.framing.ragged import IntArray
from roofplat.ground import Ground, LocalPlanes, local_planes
from roofplat.late import LateTable
from roofplat.placing.solar_houses import audit_houses
from roofplat.placing.solar_others import across_sections, audit_others
from roofplat.placing.solar_shared import (
    ASSUMED,
    DECIMALS,
    INCHES_PER_FOOT,
    BoolArray,
    SolarArrays,
    SolarRoofs,
    basis_codes,
    cited,
    components,
    findings,
    in_feet,
    objects,
    rows_of,
    rows_with,
    sentences_of,
    unions,
)
from roofplat.rules import Rulebook
from roofplat.tables import BASES, problem_rows, words

__all__ = ["SOLAR_CAUTION", "audit_solar"]

SOLAR_CAUTION = (
    "The solar access audit is an aid from drawn outlines: the code adopted locally and the fire code "
    "official decide."
)


def audit_solar(
    sections: gpd.GeoDataFrame,
    buildings: gpd.GeoDataFrame,
    obstacles: gpd.GeoDataFrame,
    planes: gpd.GeoDataFrame | LateTable,
    members: gpd.GeoDataFrame | LateTable,
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
        read. May be empty, and as frames or with their geometry as coordinates: geometry objects are made
        of the rows alone that an array lies on.
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
    enclosing rectangle. Not checked: a pathway to standpipes, the straight way from a hatch to the
    roof edge, and on a house the street side and a way up on or beside each plane with panels.

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
            sentences_of(
                "Solar ", objects(solar["obstacle_id"][~drawn]), " on building ",
                objects(solar["building_id"][~drawn]),
                " is drawn without an outline, so its access ways cannot be measured.",
            ),
            "Draw the outline of the array.",
        )
    ]  # fmt: skip
    panels = solar[drawn].reset_index(drop=True)
    # Few buildings carry arrays: from here on there are no others.
    names = panels["building_id"].unique()
    sections, buildings, things = (
        rows_of(table, rows_with(table, "building_id", names)) for table in (sections, buildings, obstacles)
    )
    section, off = _section_of(panels, sections)
    problems.append(
        problem_rows(
            "obstacles",
            panels["obstacle_id"][off],
            "solar_off_section",
            "warning",
            sentences_of(
                "Solar ", objects(panels["obstacle_id"][off]), " lies on no roof section of building ",
                objects(panels["building_id"][off]), ".",
            ),
            "Move it onto its roof, or correct the sections.",
        )
    )  # fmt: skip
    if off.all() or crs is None:
        return tables.empty("solar_access", sections.crs), pd.concat(problems, ignore_index=True)

    used, section = np.unique(section[~off], return_inverse=True)
    section_ids = sections["section_id"].iloc[used]
    own_planes = rows_of(planes, rows_with(planes, "section_id", section_ids))
    roofs = _roofs(sections, used, buildings, own_planes, rules, crs, ground)
    arrays = _arrays(panels[~off].reset_index(drop=True), section, roofs.planes, rules)

    problems += _not_audited(arrays, roofs, own_planes, rules)
    found = [
        *audit_others(arrays, roofs, things, rules),
        *audit_houses(arrays, roofs, own_planes, members, rules),
    ]
    rows = pd.concat(found, ignore_index=True) if found else findings(np.empty(0, np.int64))
    rows = rows.sort_values("row", kind="stable", ignore_index=True)
    row = rows["row"].to_numpy()
    table = roofs.table
    rows["building_id"] = table["building_id"].array[arrays.section[row]]
    rows["section_id"] = table["section_id"].array[arrays.section[row]]
    rows["array"] = arrays.number[row]
    guess = roofs.unclear[arrays.section[row]]
    rows["basis"] = words(BASES, np.where(guess, ASSUMED, rows["basis"].to_numpy()))
    access: gpd.GeoDataFrame = tables.conform(
        "solar_access", rows, geometry=arrays.shape[row], crs=sections.crs
    )
    return access, pd.concat(problems, ignore_index=True)


def _section_of(panels: gpd.GeoDataFrame, sections: gpd.GeoDataFrame) -> tuple[IntArray, BoolArray]:
    """The section of its building that holds most of each panel, and where there is none."""
    found = np.full(len(panels), -1, dtype=np.int64)
    outline = sections.geometry.to_numpy()
    shape = panels.geometry.to_numpy()
    panel, section = shapely.STRtree(outline).query(shape, predicate="intersects")
    same = objects(panels["building_id"])[panel] == objects(sections["building_id"])[section]
    panel, section = panel[same], section[same]
    area = shapely.area(shapely.intersection(shape[panel], outline[section]))
    panel, section, area = panel[area > 0], section[area > 0], area[area > 0]
    order = np.lexsort((section, -area, panel))
    first = np.unique(panel[order], return_index=True)[1]
    found[panel[order][first]] = section[order][first]
    return found, found < 0


def _arrays(panels: gpd.GeoDataFrame, section: IntArray, planes: LocalPlanes, rules: Rulebook) -> SolarArrays:
    """Panels close together are one array."""
    shape = panels.geometry.to_numpy()
    feet = in_feet(shape, planes, section)
    gap = rules.number("solar.array_gap_ft")
    # A foot is at most this many units of the working CRS, in any direction.
    units = np.linalg.svd(planes.to_crs, compute_uv=False)[:, 0]
    one, other = shapely.STRtree(shape).query(
        shape, predicate="dwithin", distance=1.01 * gap * units[section]
    )
    near = (one < other) & (section[one] == section[other])
    one, other = one[near], other[near]
    near = np.round(shapely.distance(feet[one], feet[other]), DECIMALS) < gap
    group = components(one[near], other[near], len(panels))
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
    np.maximum.at(basis, label, basis_codes(panels["basis"]))
    whole = unions(shape, label)
    return SolarArrays(owner, number, whole, in_feet(whole, planes, owner), basis)


def _roofs(
    sections: gpd.GeoDataFrame,
    used: IntArray,
    buildings: gpd.GeoDataFrame,
    planes: gpd.GeoDataFrame,
    rules: Rulebook,
    crs: CRS,
    ground: Ground,
) -> SolarRoofs:
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
    limit = np.degrees(np.arctan(rules.number("solar.pitched_over_in") / INCHES_PER_FOOT))
    degrees = slope.to_numpy(dtype=float, na_value=np.nan)
    steep = np.nan_to_num(degrees) > limit

    house, unclear = _occupancy(of_building["occupancy"], rules)
    small = of_building["area_ft2"].to_numpy(dtype=float) <= rules.number("solar.house_area_ft2")
    return SolarRoofs(
        table=table,
        planes=local,
        outline=in_feet(outline, local, own),
        building_outline=in_feet(of_building.geometry.to_numpy(), local, own),
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
    arrays: SolarArrays, roofs: SolarRoofs, planes: gpd.GeoDataFrame, rules: Rulebook
) -> list[pd.DataFrame]:
    """Houses for which there is no rule, no slope or no plane; arrays across two sections."""
    table = roofs.table
    drawn = table["section_id"].isin(planes["section_id"]).to_numpy(dtype=bool)
    flat = roofs.house & ~roofs.steep
    limit = f"{rules.number('solar.pitched_over_in'):g} in 12 ({cited(rules, 'solar.pitched_over_in')})"
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
        rows.append(problem_rows("solar_access", name, code, severity, sentences_of(name, text), action))  # type: ignore[arg-type]
    row = np.flatnonzero(across_sections(arrays, roofs) & ~roofs.house[arrays.section])
    name = _named(arrays, roofs, row)
    rows.append(
        problem_rows(
            "solar_access",
            name,
            "solar_across_sections",
            "info",
            sentences_of(
                name, " reaches onto another section; its perimeter is measured to the building's outline."
            ),
            "Nothing, unless the sections are at different heights or a fire wall parts them.",
        )
    )
    return rows


def _named(arrays: SolarArrays, roofs: SolarRoofs, row: IntArray) -> list[str]:
    ids = objects(roofs.table["section_id"])[arrays.section[row]]
    return sentences_of("Array ", arrays.number[row].astype("U"), " of section ", ids)
