"""What changed between two states of a district: roofs, plans, scores and ranks that moved.

In: the tables of two builds, or of one district as its record was on two days; the rules, what a foot is.
Out: `Changes`: one row a change, and a line for each ladder spot that moved. Two equal states give no row.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS, Geod

from roofplat.ground import Ground, local_planes
from roofplat.rules import Rulebook
from roofplat.tables import CHANGE_KINDS, RANKING_FACTORS, conform

__all__ = ["Changes", "compare_states"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

_WHO = ("name", "address", "dispatch_area")
_SPACINGS = ("beam_spacing_ft", "purlin_spacing_ft", "rafter_spacing_ft")
_ROW = ["building_id", "section_id", "spot", "what", "before", "before_basis", "after", "after_basis", "by",
        "unit", "why"]  # fmt: skip
_SPOT = ["section_id", "rank"]
_DECIMALS = 2
# Shown with four decimals.
_LEAST_PART = 0.00005
_PASSED = "Its own score is as it was; others moved past it."


@dataclass(frozen=True, slots=True)
class Changes:
    """What is not as it was.

    rows
        `tables.CHANGE_TABLES["changes"]`, with the outline of the building as it is after, or before where it
        is gone; those that rank first come first.
    moves
        `tables.CHANGE_TABLES["ladder_moves"]`: from where a ladder stood to where it stands.
    """

    rows: gpd.GeoDataFrame
    moves: gpd.GeoDataFrame


def compare_states(
    before: Mapping[str, Any], after: Mapping[str, Any], rules: Rulebook, ground: Ground
) -> Changes:
    """List everything that differs between two states by more than the rules let pass.

    Parameters
    ----------
    before, after
        `buildings`, `sections`, `ladders` and `ranking`, each state in a working CRS of its own. A column
        that one of them does not have, as it comes from an older build, is not compared.
    rules
        `changes.*` says how much is a change.
    ground
        What a foot is.

    Returns
    -------
    Changes
        In the working CRS of `after`. Of a building that is new or gone there is one row alone. Sections are
        the same where their ids are; the direction of beams is compared as a line, without a head.
    """
    outlines = after["buildings"]
    # Two builds of one district may stand in different working CRSs.
    earlier = before["buildings"].to_crs(outlines.crs)
    both = set(earlier["building_id"]) & set(outlines["building_id"])
    pairs = {
        name: _pair(before[name], after[name], keys, both)
        for name, keys in (("sections", ["section_id"]), ("ladders", _SPOT), ("ranking", ["building_id"]))
    }
    ladders, moves = _ladders(pairs["ladders"], rules, ground, outlines.crs)
    scores = _scores(pairs["ranking"], rules)
    parts = [
        _come_and_gone(earlier, outlines, "building_id", "building", "an outline"),
        _moved_outlines(earlier, outlines, rules, ground),
        _come_and_gone(
            _of(before["sections"], both), _of(after["sections"], both), "section_id", "section", "a section"
        ),
        _families(pairs["sections"]),
        _axes(pairs["sections"], rules),
        *(_spacing(pairs["sections"], name, rules) for name in _SPACINGS),
        _methods(pairs["sections"]),
        ladders,
        scores,
        _ranks(pairs["ranking"], set(scores["building_id"]), rules),
    ]
    rows = pd.concat([part for part in parts if len(part)] or [_rows({}, "rank")], ignore_index=True)
    return Changes(_in_order(rows, earlier, outlines, before["ranking"], after["ranking"]), moves)


def _of(frame: pd.DataFrame, ids: set[str]) -> pd.DataFrame:
    return pd.DataFrame(frame[frame["building_id"].isin(ids)])


def _pair(before: pd.DataFrame, after: pd.DataFrame, keys: list[str], ids: set[str]) -> pd.DataFrame:
    """Rows of both states side by side, `_was` and `_now`, by their keys in order; only columns of both."""
    shared = [name for name in before.columns if name in after.columns and name != "geometry"]
    frames = [
        pd.DataFrame(frame)[shared].assign(there=True)[frame["building_id"].isin(ids).to_numpy()]
        for frame in (before, after)
    ]
    both = frames[0].merge(frames[1], on=keys, how="outer", suffixes=("_was", "_now"), sort=True)
    if "building_id" not in both:
        both.insert(0, "building_id", both["building_id_now"].fillna(both["building_id_was"]))
    return both


def _rows(columns: Mapping[str, Any], what: str, index: Any = ()) -> pd.DataFrame:
    """Rows of one kind; what they do not say is missing."""
    return pd.DataFrame(dict(columns), index=pd.Index(index)).assign(what=what).reindex(columns=_ROW)


def _has(pair: pd.DataFrame, *names: str) -> bool:
    return all(f"{name}_was" in pair and f"{name}_now" in pair for name in names)


def _number(pair: pd.DataFrame, name: str) -> tuple[pd.Series, pd.Series]:
    """A figure before and after."""
    was, now = (pair[f"{name}{end}"].astype("Float64").astype("float64") for end in ("_was", "_now"))
    return was, now


def _words(pair: pd.DataFrame, name: str) -> tuple[pd.Series, pd.Series]:
    """A word before and after, empty where there is none."""
    was, now = (pair[f"{name}{end}"].astype("str").fillna("") for end in ("_was", "_now"))
    return was, now


def _basis(pair: pd.DataFrame, name: str, was: pd.Series, now: pd.Series) -> tuple[pd.Series, pd.Series]:
    """How both values are known; nothing for a value that is not there."""
    if not _has(pair, name):
        nothing = pd.Series("", index=pair.index, dtype="str")
        return nothing, nothing
    old, new = _words(pair, name)
    return old.where(was.notna() & (was != ""), ""), new.where(now.notna() & (now != ""), "")


def _said(values: pd.Series, unit: str) -> pd.Series:
    """Figures as texts, to a hundredth."""
    rounded = values.round(_DECIMALS) + 0.0
    return rounded.map(lambda value: "" if np.isnan(value) else f"{value:.12g} {unit}").astype("str")


def _in_both(pair: pd.DataFrame) -> pd.DataFrame:
    """Rows that both states have."""
    return pair[pair["there_was"].notna() & pair["there_now"].notna()]


def _come_and_gone(
    before: pd.DataFrame, after: pd.DataFrame, key: str, word: str, called: str
) -> pd.DataFrame:
    """What only one of the states has."""
    gone = before[~before[key].isin(after[key])]
    new = after[~after[key].isin(before[key])]
    ids = [key] if key == "building_id" else ["building_id", key]
    return pd.concat(
        [
            _rows({**{name: frame[name] for name in ids}, side: called}, f"{word}_{end}", frame.index)
            for frame, side, end in ((new, "after", "new"), (gone, "before", "gone"))
        ],
        ignore_index=True,
    )


def _moved_outlines(
    before: gpd.GeoDataFrame, after: gpd.GeoDataFrame, rules: Rulebook, ground: Ground
) -> pd.DataFrame:
    """Outlines of which some part lies elsewhere: the largest distance from one to the other."""
    pair = pd.DataFrame({"building_id": after["building_id"], "now": after.geometry.to_numpy()}).merge(
        pd.DataFrame({"building_id": before["building_id"], "was": before.geometry.to_numpy()})
    )
    pair = pair[~shapely.equals(pair["was"].to_numpy(), pair["now"].to_numpy())].reset_index(drop=True)
    was, now = (pair[side].to_numpy(dtype=object) for side in ("was", "now"))
    middle = shapely.get_coordinates(shapely.point_on_surface(now))
    planes = local_planes(middle[:, 0], middle[:, 1], CRS(after.crs), ground)
    off = shapely.hausdorff_distance(was, now) * np.sqrt(planes.area_ft2_per_unit2())
    moved = off > rules.number("changes.moved_ft")
    area = [shapely.area(shapes) * planes.area_ft2_per_unit2() for shapes in (was, now)]
    texts = [pd.Series([f"{ft2:,.0f} ft2" for ft2 in side], dtype="str") for side in area]
    columns = {"building_id": pair["building_id"], "before": texts[0], "after": texts[1], "by": off,
               "unit": "ft"}  # fmt: skip
    return _rows(columns, "outline", pair.index)[moved]


def _families(pair: pd.DataFrame) -> pd.DataFrame:
    """Another roof family, or the same known another way."""
    pair = _in_both(pair)
    was, now = _words(pair, "roof_family")
    bases = _basis(pair, "family_basis", was.replace("unknown", ""), now.replace("unknown", ""))
    return _values(pair, "roof_family", (was, now), bases, (was != now).to_numpy())


def _axes(pair: pd.DataFrame, rules: Rulebook) -> pd.DataFrame:
    """Beams that run another way; a line has no head, so that half a turn is none."""
    pair = _in_both(pair)
    was, now = _number(pair, "framing_axis_deg")
    turn = 90.0 - (90.0 - (now - was)) % 180.0
    moved = _apart(was, now, turn, rules.number("changes.axis_deg"))
    texts = _said(was, "deg"), _said(now, "deg")
    return _values(pair, "framing_axis_deg", texts, _basis(pair, "axis_basis", was, now), moved, turn, "deg")


def _spacing(pair: pd.DataFrame, name: str, rules: Rulebook) -> pd.DataFrame:
    """Members that stand closer or farther apart."""
    if not _has(pair, name):
        return _rows({}, name)
    pair = _in_both(pair)
    was, now = _number(pair, name)
    moved = _apart(was, now, now - was, rules.number("changes.spacing_ft"))
    texts = _said(was, "ft"), _said(now, "ft")
    return _values(pair, name, texts, _basis(pair, "spacing_basis", was, now), moved, now - was, "ft")


def _methods(pair: pd.DataFrame) -> pd.DataFrame:
    """Another way to open the roof."""
    if not _has(pair, "cut_method"):
        return _rows({}, "cut_method")
    pair = _in_both(pair)
    was, now = _words(pair, "cut_method")
    nothing = pd.Series("", index=pair.index, dtype="str")
    rows = _values(pair, "cut_method", (was, now), (nothing, nothing), (was != now).to_numpy())
    if _has(pair, "cut_method_why"):
        rows["why"] = _words(pair, "cut_method_why")[1].loc[rows.index]
    return rows


def _apart(was: pd.Series, now: pd.Series, by: pd.Series, least: float) -> BoolArray:
    """Whether two figures differ by more than may pass, or only one is there."""
    apart: BoolArray = ((was.isna() != now.isna()) | (by.abs() > least)).to_numpy()
    return apart


def _values(
    pair: pd.DataFrame,
    what: str,
    texts: tuple[pd.Series, pd.Series],
    bases: tuple[pd.Series, pd.Series],
    moved: BoolArray,
    by: Any = np.nan,
    unit: str | None = None,
) -> pd.DataFrame:
    """Rows for values that moved, and for those that are known another way than before."""
    listed = moved | (bases[0] != bases[1]).to_numpy()
    columns = {
        "building_id": pair["building_id"],
        "section_id": pair["section_id"],
        "before": texts[0],
        "before_basis": bases[0],
        "after": texts[1],
        "after_basis": bases[1],
        "by": by,
        "unit": unit,
    }
    return _rows(columns, what, pair.index)[listed]


def _ladders(
    pair: pd.DataFrame, rules: Rulebook, ground: Ground, crs: Any
) -> tuple[pd.DataFrame, gpd.GeoDataFrame]:
    """Spots that moved, came or went, and ladders of another length; with a line for each spot that moved."""
    pair = pair.reset_index(drop=True)
    lon_was, lon_now = _number(pair, "base_lon")
    lat_was, lat_now = _number(pair, "base_lat")
    stood, stands = (lon.notna() & lat.notna() for lon, lat in ((lon_was, lat_was), (lon_now, lat_now)))
    off = _ground_ft(lon_was, lat_was, lon_now, lat_now, ground)
    moved = ((stood != stands) | (off > rules.number("changes.moved_ft"))).to_numpy()
    texts = [_spot_words(pair, end, there) for end, there in (("was", stood), ("now", stands))]
    shared = {"building_id": pair["building_id"], "section_id": pair["section_id"], "spot": pair["rank"]}
    spots = _rows(
        {**shared, "before": texts[0], "after": texts[1], "by": off, "unit": "ft"}, "ladder_spot", pair.index
    )[moved]
    needs = [_need_words(pair, end, there) for end, there in (("was", stood), ("now", stands))]
    lengths = _number(pair, "ladder_ft")
    longer = _rows(
        {**shared, "before": needs[0], "after": needs[1], "by": lengths[1] - lengths[0], "unit": "ft"},
        "ladder_needed",
        pair.index,
    )[(stood & stands & (needs[0] != needs[1])).to_numpy()]
    went = moved & (stood & stands).to_numpy()
    ends = [np.column_stack([lon[went], lat[went]]) for lon, lat in ((lon_was, lat_was), (lon_now, lat_now))]
    lines = shapely.linestrings(np.stack(ends, axis=1)) if went.any() else np.array([], dtype=object)
    moves = pd.DataFrame({**shared, "moved_ft": off})[went].reset_index(drop=True)
    drawn = gpd.GeoDataFrame(moves, geometry=lines, crs="EPSG:4326").to_crs(crs)
    return pd.concat([spots, longer]), conform("ladder_moves", drawn)


def _ground_ft(
    lon_was: pd.Series, lat_was: pd.Series, lon_now: pd.Series, lat_now: pd.Series, ground: Ground
) -> pd.Series:
    """Distance between two places along the ellipsoid, in ground feet; missing where one is."""
    known = (lon_was.notna() & lon_now.notna()).to_numpy()
    was, now = (
        (lon[known].to_numpy(), lat[known].to_numpy())
        for lon, lat in ((lon_was, lat_was), (lon_now, lat_now))
    )
    _, _, metres = Geod(ellps="WGS84").inv(was[0], was[1], now[0], now[1])
    off = np.full(len(known), np.nan)
    off[known] = np.asarray(metres) / ground.foot_m * ground.scale
    return pd.Series(off, index=lon_was.index)


def _column(pair: pd.DataFrame, name: str, end: str) -> pd.Series:
    if not _has(pair, name):
        return pd.Series("", index=pair.index, dtype="str")
    return pair[f"{name}_{end}"].astype("str").fillna("")


def _spot_words(pair: pd.DataFrame, end: str, there: pd.Series) -> pd.Series:
    """Where a ladder stands: side and grid; nothing where none does."""
    side, grid = _column(pair, "side", end), _column(pair, "usng", end)
    words = ("side " + side).where(side != "", "courtyard side") + grid.where(grid == "", ", " + grid)
    return words.where(there, "")


def _need_words(pair: pd.DataFrame, end: str, there: pd.Series) -> pd.Series:
    """What is needed to get up there."""
    means = _column(pair, "apparatus", end).str.replace("_", " ", regex=False)
    length = _number(pair, "ladder_ft")[end == "now"]
    words = _said(length, "ft") + " "
    return (words.where(length.notna(), "") + means).where(there, "")


def _scores(pair: pd.DataFrame, rules: Rulebook) -> pd.DataFrame:
    """Scores that moved, and the part that moved each of them most."""
    pair = _in_both(pair)
    was, now = _number(pair, "score")
    moved = _apart(was, now, now - was, rules.number("changes.score_share"))
    own = pair[moved]
    columns = {
        "building_id": own["building_id"],
        "before": was[moved].map("{:.4f}".format).astype("str"),
        "after": now[moved].map("{:.4f}".format).astype("str"),
        "by": (now - was)[moved],
        "unit": "share",
        "why": _largest_part(own),
    }
    return _rows(columns, "score", own.index)


def _largest_part(pair: pd.DataFrame) -> pd.Series:
    """The factor whose part of the score moved most; of equals the first in the order of the score.

    Nothing where no part that both states have moved so far that its figure would show it.
    """
    names = [name for name in RANKING_FACTORS if _has(pair, f"part_{name}")]
    if not names or pair.empty:
        return pd.Series("", index=pair.index, dtype="str")
    steps = np.column_stack([np.subtract(*reversed(_number(pair, f"part_{name}"))) for name in names])
    steps = np.nan_to_num(steps)
    # To a millionth, so that noise in the last digits does not choose among equals.
    most = np.abs(np.round(steps, 6)).argmax(axis=1)
    by = steps[np.arange(len(pair)), most]
    return pd.Series(
        [
            f"Most of it by {names[place]}: {step:+.4f}." if abs(step) >= _LEAST_PART else ""
            for place, step in zip(most, by, strict=True)
        ],
        index=pair.index,
        dtype="str",
    )


def _ranks(pair: pd.DataFrame, scored: set[str], rules: Rulebook) -> pd.DataFrame:
    """Ranks that moved, and whether the building or the others did."""
    pair = _in_both(pair)
    was, now = _number(pair, "rank")
    moved = ((now - was).abs() >= rules.number("changes.rank_places")).to_numpy()
    own = pair["building_id"].isin(scored)
    columns = {
        "building_id": pair["building_id"],
        "before": was.map("{:.0f}".format).astype("str"),
        "after": now.map("{:.0f}".format).astype("str"),
        "by": now - was,
        "unit": "place",
        "why": pd.Series("", index=pair.index, dtype="str").where(own, _PASSED),
    }
    return _rows(columns, "rank", pair.index)[moved]


def _in_order(
    rows: pd.DataFrame,
    before: gpd.GeoDataFrame,
    after: gpd.GeoDataFrame,
    ranked_before: pd.DataFrame,
    ranked_after: pd.DataFrame,
) -> gpd.GeoDataFrame:
    """The rows with who they are of and where that stands; by rank, building, kind, section and spot."""
    known = pd.concat([after, before[~before["building_id"].isin(after["building_id"])]])
    known = known.set_index("building_id")
    ids = rows["building_id"]
    for name in _WHO:
        rows[name] = ids.map(known[name]) if name in known else None
    for name in ("before_basis", "after_basis", "before", "after", "why", "unit"):
        rows[name] = rows[name].astype("str").replace("", None)
    # Without their outlines: those of the earlier state may stand in another CRS.
    places = [pd.DataFrame(frame[["building_id", "rank"]]) for frame in (ranked_after, ranked_before)]
    ranked = pd.concat(places).drop_duplicates("building_id")
    ranks = ranked.set_index("building_id")["rank"].astype("Int64")
    keys = rows.assign(
        place=ids.map(ranks), kind=rows["what"].map({word: at for at, word in enumerate(CHANGE_KINDS)})
    )
    by: Sequence[str] = ("place", "building_id", "kind", "section_id", "spot")
    order = keys.sort_values(list(by), kind="stable", na_position="last").index
    rows = rows.loc[order].reset_index(drop=True)
    shapes = known.geometry.reindex(rows["building_id"]).to_numpy()
    made: gpd.GeoDataFrame = conform("changes", rows, geometry=shapes, crs=after.crs)
    return made
