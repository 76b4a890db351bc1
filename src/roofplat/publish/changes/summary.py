"""The changes by building, and what each kind of change is called.

In: the rows of a comparison.
Out: one row a building, for a map layer and a page; words for codes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import pandas as pd

from roofplat.tables import CHANGE_KINDS

__all__ = ["KIND_WORDS", "STATES", "STATE_WORDS", "by_building", "kind_counts"]

KIND_WORDS: Mapping[str, str] = {
    "building_new": "new building",
    "building_gone": "building gone",
    "outline": "outline moved",
    "section_new": "new roof section",
    "section_gone": "roof section gone",
    "roof_family": "roof family",
    "framing_axis_deg": "framing axis",
    "beam_spacing_ft": "beam spacing",
    "purlin_spacing_ft": "purlin spacing",
    "rafter_spacing_ft": "rafter spacing",
    "cut_method": "way to open it",
    "ladder_spot": "ladder spot",
    "ladder_needed": "ladder needed",
    "score": "score",
    "rank": "rank",
}
"""What each of `tables.CHANGE_KINDS` is called."""

STATE_WORDS: Mapping[str, str] = {
    "new": "new building",
    "gone": "building gone",
    "roof": "roof or plan is not as it was",
    "score": "score moved, roof and plan are as they were",
    "rank": "rank alone moved: others moved past it",
}
"""What the colours of the map mean; a building has the first of these that is so."""
STATES = tuple(STATE_WORDS)

_STATE_OF = {"building_new": "new", "building_gone": "gone", "score": "score", "rank": "rank"}


def by_building(rows: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Put the changes of each building into one row.

    Parameters
    ----------
    rows
        `tables.CHANGE_TABLES["changes"]`.

    Returns
    -------
    GeoDataFrame
        In the order of the rows: `building_id`, `name`, `address`, `dispatch_area`, `state` (of `STATES`),
        `what` (kinds in words, each once), `changes` (how many rows), `score_before`, `score_after`,
        `rank_before`, `rank_after` (missing where they did not move), and the outline.
    """
    order = {state: place for place, state in enumerate(STATES)}
    told = pd.DataFrame(
        {
            "building_id": rows["building_id"],
            "place": rows["what"].map(_STATE_OF).fillna("roof").map(order),
            "kind": rows["what"].map({kind: place for place, kind in enumerate(CHANGE_KINDS)}),
        }
    )
    groups = told.groupby("building_id", sort=False)
    first = rows.drop_duplicates("building_id").reset_index(drop=True)
    ids = first["building_id"]
    kinds = (
        told.drop_duplicates(["building_id", "kind"])
        .sort_values("kind", kind="stable")
        .assign(word=lambda frame: frame["kind"].map(dict(enumerate(map(KIND_WORDS.get, CHANGE_KINDS)))))
        .groupby("building_id")["word"]
        .agg("; ".join)
    )
    made = first[["building_id", "name", "address", "dispatch_area"]].assign(
        state=ids.map(groups["place"].min()).map(dict(enumerate(STATES))).astype("str"),
        what=ids.map(kinds).astype("str"),
        changes=ids.map(groups.size()).astype("Int64"),
        **{
            f"{kind}_{side}": ids.map(_figures(rows, kind, side)).astype(dtype)
            for kind, dtype in (("score", "float64"), ("rank", "Int64"))
            for side in ("before", "after")
        },
    )
    return gpd.GeoDataFrame(made, geometry=first.geometry.to_numpy(), crs=rows.crs)


def kind_counts(rows: pd.DataFrame) -> pd.DataFrame:
    """Count the changes of each kind, and the buildings that have them.

    Parameters
    ----------
    rows
        `tables.CHANGE_TABLES["changes"]`.

    Returns
    -------
    DataFrame
        `what` in words, `changes`, `buildings`; kinds without a change are left out.
    """
    tally = rows.groupby("what")["building_id"].agg(["size", "nunique"])
    tally = tally.reindex([kind for kind in CHANGE_KINDS if kind in tally.index])
    words = [KIND_WORDS[kind] for kind in tally.index]
    return pd.DataFrame(
        {"what": words, "changes": tally["size"].to_numpy(), "buildings": tally["nunique"].to_numpy()}
    )


def _figures(rows: pd.DataFrame, kind: str, side: str) -> pd.Series[Any]:
    """A figure by building, from its text."""
    own = rows[rows["what"] == kind].set_index("building_id")
    figures: pd.Series[Any] = pd.to_numeric(own[side])
    return figures
