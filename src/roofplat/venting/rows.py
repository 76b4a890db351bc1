"""The table `venting`: what is wanted, planned and there already in each roof section, and the work of it.

In: framing, the inventory's roofs and obstacles, the plan.
Out: `vent_rows`: one row a section. Nothing here changes the plan, or the choice of a method.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.errors import RuleError
from roofplat.framing import Framing
from roofplat.framing.ragged import FloatArray, IntArray, lists_of
from roofplat.inventory import occupancy_parts
from roofplat.late import LateTable
from roofplat.placing.compose import compose
from roofplat.placing.openings import UNCUT
from roofplat.rules import Rulebook
from roofplat.tables import BASES, CODE_ASKS, METHODS, PRESCRIBED_BY, RATE_BASES, conform, sentences, words
from roofplat.venting.existing import existing_vents
from roofplat.venting.flow import FLOW_COLUMNS, flow_rows, prescribed_ft2
from roofplat.venting.words import OUTSIDE
from roofplat.venting.work import Work, crew_rates, cut_work, numbers_among

__all__ = ["code_asks", "vent_rows"]

BoolArray = npt.NDArray[np.bool_]

# By which area a plan is judged.
_ENOUGH_BY = ("rule", "flow", "either", "both")
# Rounding makes no opening too small.
_SAME_FT2 = 1e-6


def vent_rows(
    framing: Framing,
    roofs: pd.DataFrame,
    obstacles: gpd.GeoDataFrame,
    sections: gpd.GeoDataFrame,
    plan: Mapping[str, LateTable],
    rules: Rulebook,
) -> pd.DataFrame:
    """Say of every section what an opening has to do, what there is of it, and what it costs.

    Parameters
    ----------
    framing, roofs
        n sections, in the same order; of `tables.TABLES["roofs"]` the columns `area_ft2`, `undivided_ft2`,
        `height_ft` and its basis, `storeys`, `building_occupancy`, `building_sprinklered`.
    obstacles
        `tables.TABLES["obstacles"]`, working CRS.
    sections
        The same n sections as they are planned.
    plan
        `openings`, `cuts`, `checks`, `paths` and `trenches` of the plan.
    rules
        `opening.wanted_share`, `opening.lee_tolerance_deg`, `venting.*`, `work.*`.

    Returns
    -------
    DataFrame
        `tables.TABLES["venting"]`, n rows. What is the plan's is empty in sections that are not planned.
    """
    count = len(sections)
    ids = sections["section_id"].array
    planned = sections["planned"].fillna(False).to_numpy(dtype=bool)
    area_ft2 = roofs["area_ft2"].to_numpy(dtype=float)
    frames = framing.frames
    stretch = np.nan_to_num(sections["true_area_ft2"].to_numpy(dtype=float) / area_ft2, nan=1.0)
    existing = existing_vents(sections, obstacles, frames.outlines.planes, stretch)

    openings = plan["openings"]
    section = numbers_among(ids, openings.columns["section_id"])
    middle = openings.shapes.bounds().reshape(-1, 2, 2).mean(axis=1)
    east, north = frames.outlines.planes.feet(middle[:, 0], middle[:, 1], section)
    rates = crew_rates(rules)
    work = cut_work(
        ids,
        openings.columns,
        plan["cuts"].columns,
        plan["checks"].columns,
        plan["paths"].columns,
        rates,
        east_ft=east,
        north_ft=north,
    )
    windward = _windward(framing, sections, section, east, north, rules)

    height_ft, height_basis = _storey_heights(roofs)
    sized = existing.count - existing.unsized
    cut = np.bincount(section[~_uncut(openings)], minlength=count)
    flow = flow_rows(
        pd.DataFrame(
            {
                "height_ft": height_ft,
                "area_ft2": area_ft2,
                "occupancy": roofs["building_occupancy"].array,
                "opening_ft2": work.planned_ft2 + work.glazing_ft2 + existing.area_ft2,
                "openings": cut + (work.glazing_ft2 > 0) + sized,
            }
        ),
        rules,
    )
    said = roofs["building_sprinklered"].array
    known = ~np.asarray(pd.isna(said))
    sprinklered = known & np.asarray(pd.array(said, dtype="boolean").fillna(False), dtype=bool)
    prescribed = prescribed_ft2(height_ft * area_ft2, area_ft2, sprinklered, rules)
    wanted = rules.number("opening.wanted_share") * area_ft2
    reaches = (
        work.placed_ft2 >= _enough_ft2(wanted, flow["flow_ft2"].to_numpy(dtype=float), rules) - _SAME_FT2
    )
    has_trench = np.bincount(numbers_among(ids, plan["trenches"].columns["section_id"]), minlength=count) > 0
    with np.errstate(invalid="ignore", divide="ignore"):
        crew_share = np.clip(work.done_ft2 / wanted, 0.0, 1.0)
    sawn = work.planned_ft2 > 0
    columns: dict[str, Any] = {
        "building_id": sections["building_id"].array,
        "section_id": ids,
        "planned": planned,
        "height_ft": height_ft,
        "height_basis": height_basis,
        "sprinklered": said,
        "wanted_ft2": wanted,
        **{name: flow[name].array for name in FLOW_COLUMNS},
        "flow_outside": _told(flow["flow_outside"]),
        "clear_outside": _told(flow["clear_outside"]),
        "existing_ft2": existing.area_ft2,
        "existing_count": existing.count,
        "existing_unsized": existing.unsized,
        "prescribed_ft2": prescribed,
        "prescribed_by": words(PRESCRIBED_BY, np.where(known, np.where(sprinklered, 0, 1), 2)),
        "vents_short_ft2": np.maximum(prescribed - existing.area_ft2, 0.0),
        "code_asks": code_asks(roofs["building_occupancy"], roofs["undivided_ft2"], rules),
        **_of_plan(work, planned),
        "crew_share": np.where(planned, crew_share, np.nan),
        "rate_basis": words(RATE_BASES, np.where(planned, 0 if rates.measured else 1, -1)),
        "work_minutes": np.where(planned & sawn & rates.measured, work.minutes, np.nan),
        "windward_openings": _counted(windward, planned),
        "cutting_reaches": pd.arrays.BooleanArray(reaches, ~(planned & sawn)),
        "says": _says(planned & ~reaches, sawn, existing.count > 0, work.glazing_ft2 > 0, has_trench),
    }
    table: pd.DataFrame = conform("venting", columns)
    return table


def code_asks(occupancy: pd.Series, undivided_ft2: pd.Series, rules: Rulebook) -> Any:
    """Say whether a model code may ask for vents, as far as use and size tell; it is no verdict.

    Parameters
    ----------
    occupancy
        Of each building, shape (n,).
    undivided_ft2
        Ground area within the same fire walls, shape (n,).
    rules
        `venting.code_asks_ft2`, `venting.code_asks_groups`.

    Returns
    -------
    ExtensionArray of str
        Words of `tables.CODE_ASKS`, shape (n,). A group without its number may be any of its letter. How
        high goods are piled, which can ask for vents as well, is not known here.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> uses = pd.Series(["S-1", "S", "S-2", "B", "shop"])
    >>> code_asks(uses, pd.Series([60e3] * 5), load_rulebook()).tolist()
    ['may ask', 'may ask', 'not by size or use', 'not by size or use', 'unknown']
    """
    parts = occupancy_parts(occupancy)
    told = [str(group) for group in rules["venting.code_asks_groups"].value]
    groups = [(group[:1].upper(), group[1:].lstrip("-")) for group in told]
    letter, number = parts["letter"], parts["number"]
    named = np.zeros(len(parts), dtype=bool)
    for group, which in groups:
        mine = (letter == group).to_numpy(dtype=bool, na_value=False)
        named |= mine & (number.isna() | (number == which)).to_numpy(dtype=bool, na_value=False)
    large = undivided_ft2.to_numpy(dtype=float) > rules.positive("venting.code_asks_ft2")
    unknown = letter.isna().to_numpy(dtype=bool)
    may, no, open_ = (CODE_ASKS.index(word) for word in ("may ask", "not by size or use", "unknown"))
    return words(CODE_ASKS, np.select([~large, named, unknown], [no, may, open_], default=no))


def _storey_heights(roofs: pd.DataFrame) -> tuple[FloatArray, Any]:
    """Floor to roof of the top storey; where nobody says how many storeys there are, there is one."""
    storeys = roofs["storeys"].to_numpy(dtype=float, na_value=np.nan)
    told = storeys >= 1
    height_ft = roofs["height_ft"].to_numpy(dtype=float) / np.where(told, storeys, 1.0)
    basis = numbers_among(list(BASES), roofs["height_ft_basis"].array)
    guessed = BASES.index("inferred")
    return height_ft, words(BASES, np.where((basis < 0) | told, basis, np.maximum(basis, guessed)))


def _uncut(openings: LateTable) -> BoolArray:
    return np.isin(numbers_among(METHODS, openings.columns["method"]), UNCUT)


def _windward(
    framing: Framing,
    sections: pd.DataFrame,
    section: IntArray,
    east: FloatArray,
    north: FloatArray,
    rules: Rulebook,
) -> IntArray:
    """How many openings of each section lie on a plane that faces the wind, shape (n,)."""
    planes = framing.pitched.planes
    opening, plane = lists_of(section, planes.start)
    wind = sections["wind_from_deg"].to_numpy(dtype=float)[section[opening]]
    off_lee = np.abs((planes.downslope_deg[plane] - wind) % 360.0 - 180.0)
    facing = np.flatnonzero(off_lee > 90.0 + rules.number("opening.lee_tolerance_deg"))
    opening, plane = opening[facing], plane[facing]
    # An odd number of edges east of a point: it lies within.
    pair, corner = lists_of(plane, planes.corner_start)
    following = corner + 1
    last = planes.corner_start[plane + 1][pair]
    following = np.where(following == last, planes.corner_start[plane][pair], following)
    east0, north0, east1, north1 = (
        values[at] for at in (corner, following) for values in (planes.east, planes.north)
    )
    level = north[opening][pair]
    straddles = np.flatnonzero((north0 <= level) != (north1 <= level))
    share = (level - north0)[straddles] / (north1 - north0)[straddles]
    crossing = east0[straddles] + share * (east1 - east0)[straddles]
    east_of = pair[straddles][crossing > east[opening][pair][straddles]]
    holds = np.bincount(east_of, minlength=plane.size) % 2 == 1
    return np.bincount(section[opening[holds]], minlength=len(sections))


def _of_plan(work: Work, planned: BoolArray) -> dict[str, Any]:
    """What is added up over the plan, empty where there is none."""
    lengths = {
        "planned_ft2": work.planned_ft2,
        "glazing_ft2": work.glazing_ft2,
        "saw_ft": work.saw_ft,
        "saw_1_ft": work.saw_1_ft,
        "saw_2_ft": work.saw_2_ft,
        **{f"{kind}_ft": length for kind, length in work.steps_ft.items()},
        "check_saw_ft": work.check_saw_ft,
        "trench_saw_ft": work.trench_saw_ft,
        "cross_cut_ft": work.cross_cut_ft,
        "walk_ft": work.walk_ft,
    }
    told = {name: np.where(planned, values, np.nan) for name, values in lengths.items()}
    return {**told, "parts": _counted(work.parts, planned)}


def _counted(values: IntArray, planned: BoolArray) -> Any:
    return pd.arrays.IntegerArray(values.astype(np.int64), ~planned)


def _told(column: pd.Series) -> pd.Categorical:
    """Sentences, missing where there is none."""
    return sentences(OUTSIDE[1:], numbers_among(OUTSIDE[1:], column.array))


def _enough_ft2(wanted_ft2: FloatArray, flow_ft2: FloatArray, rules: Rulebook) -> FloatArray:
    """The area that a plan has to make up; outside the range of the flow it is the one by rule."""
    by = rules.choice("venting.enough_by")
    if by not in _ENOUGH_BY:
        raise RuleError(f"Rule venting.enough_by is {by!r}; it takes {', '.join(_ENOUGH_BY[:-1])} or both.")
    if by == "rule":
        return wanted_ft2
    known = np.where(np.isnan(flow_ft2), wanted_ft2, flow_ft2)
    if by == "flow":
        return known
    return np.minimum(wanted_ft2, known) if by == "either" else np.maximum(wanted_ft2, known)


def _says(
    short: BoolArray, sawn: BoolArray, vents: BoolArray, glazing: BoolArray, trench: BoolArray
) -> pd.Categorical:
    """What to plan beside cutting."""

    def sentence(short: int, sawn: int, vents: int, glazing: int, trench: int) -> str:
        if not short:
            return ""
        what = "Cutting alone will not vent this section" if sawn else "No cut is planned in this section"
        there = {"existing vents": vents, "glazing": glazing, "doors": True, "a trench": trench}
        ways = [way for way, has in there.items() if has]
        listed = ways[0] if len(ways) == 1 else f"{', '.join(ways[:-1])}{',' * (len(ways) > 2)} or {ways[-1]}"
        return f"{what}; plan {listed}."

    told = compose([part.astype(int) for part in (short, sawn, vents, glazing, trench)], sentence)
    return told.set_categories([text for text in told.categories if text])
