"""Which building a row of a foreign list speaks of: by its id, its address or its place.

In: the buildings, every address that a source gives them, rows with an id, an address, a place.
Out: pairs of row and building, and how each was found; problem rows for what was not plain.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from roofplat.ground import Ground
from roofplat.intake.keys import NONE, find_keys
from roofplat.inventory._shared import combine_problems
from roofplat.inventory.joins import join_by_point
from roofplat.rules import Rulebook
from roofplat.tables import problem_rows

__all__ = ["Whose", "address_keys", "find_buildings"]

# How the common parts of a street address are shortened (USPS Publication 28, from memory).
_SHORT: Mapping[str, str] = {
    "street": "st",
    "avenue": "ave",
    "boulevard": "blvd",
    "road": "rd",
    "lane": "ln",
    "drive": "dr",
    "court": "ct",
    "place": "pl",
    "highway": "hwy",
    "parkway": "pkwy",
    "circle": "cir",
    "terrace": "ter",
    "square": "sq",
    "alley": "aly",
    "trail": "trl",
    "north": "n",
    "south": "s",
    "east": "e",
    "west": "w",
    "northeast": "ne",
    "northwest": "nw",
    "southeast": "se",
    "southwest": "sw",
}
# A part of a building: the roof is that of the whole.
_UNIT = re.compile(r"\s+(?:#|(?:unit|suite|ste|apt|apartment|room|rm|bldg|building|floor|fl)\b)\.?\s*\S*\s*$")


class Whose(NamedTuple):
    """Rows and their buildings: `row` (place in the list), `building_id`, `by` (`id`, `address`, `place`)."""

    pairs: pd.DataFrame
    problems: pd.DataFrame


def address_keys(addresses: pd.Series) -> pd.Series:
    """Write street addresses one way: no case, town, unit or stops, common words shortened.

    Parameters
    ----------
    addresses
        Number and street, with what may follow after a comma; shape (n,).

    Returns
    -------
    Series of str
        Missing where there is no house number, which alone tells one building from the next.

    Examples
    --------
    >>> address_keys(pd.Series(["120 North Elm Street, Mallow", "120 N. ELM ST #4", "Elm Street"])).tolist()
    ['120 n elm st', '120 n elm st', nan]
    """
    plain = addresses.astype("str").str.casefold().str.replace(r",.*$", "", regex=True).str.strip()
    plain = plain.str.replace(_UNIT, "", regex=True)
    plain = plain.str.replace(r"[^\w\s/-]+", " ", regex=True).str.replace(r"\s+", " ", regex=True).str.strip()
    words = r"\b(" + "|".join(_SHORT) + r")\b"
    short = plain.str.replace(words, lambda found: _SHORT[found.group(1)], regex=True)
    return short.where(short.str.match(r"\d+\S*\s+\S").fillna(False).astype(bool)).astype("str")


def find_buildings(
    footprints: gpd.GeoDataFrame,
    addresses: pd.DataFrame,
    rows: pd.DataFrame,
    layer: str,
    rules: Rulebook,
    ground: Ground,
) -> Whose:
    """Find the building of each row: by its id, else by its address, else by its place.

    An address that several buildings have means all of them: nothing says which. A place in no building goes
    to the nearest within `join.point_reach_ft`.

    Parameters
    ----------
    footprints
        `building_id` (unique), `geometry` in the working CRS; `file_id` where the footprint file has other
        ids: an id means the building that the file calls so, else the one that the record calls so.
    addresses
        `building_id`, `address`: every address that any source gives a building.
    rows
        `record`, `key`, `address`, `lon`, `lat` (WGS 84 degrees), each but the first may be missing;
        RangeIndex.
    layer
        Name of the list, for the problem log.
    rules, ground
        The reach, and what a foot is.

    Returns
    -------
    Whose
        Pairs by row, then by building.
    """
    ids = footprints["building_id"].astype("str")
    record = rows["record"].to_numpy(dtype=object)
    problems: list[pd.DataFrame] = []

    found, _ = find_keys(ids, rows["key"].astype("str"))
    if "file_id" in footprints:
        # Other lists speak of a building as the footprint file does, not as the record does.
        of_file, _ = find_keys(footprints["file_id"].astype("str"), rows["key"].astype("str"))
        found = np.where(of_file == NONE, found, of_file)
    by_id = np.flatnonzero(found != NONE)
    stranger = (rows["key"].notna() & (found == NONE)).to_numpy(dtype=bool)
    pairs = [
        pd.DataFrame({"row": by_id, "building_id": ids.to_numpy(dtype=object)[found[by_id]], "by": "id"})
    ]

    known = pd.DataFrame(
        {"key": address_keys(addresses["address"]), "building_id": addresses["building_id"].astype("str")}
    )
    known = known.dropna().drop_duplicates()
    known = known[known["building_id"].isin(ids)]
    asked = pd.DataFrame({"row": np.arange(len(rows)), "key": address_keys(rows["address"])})
    asked = asked[(found == NONE) & asked["key"].notna().to_numpy(dtype=bool)]
    matched = asked.merge(known, on="key")[["row", "building_id"]].assign(by="address")
    pairs.append(matched)
    many = matched.groupby("row")["building_id"].agg(["size", lambda names: ", ".join(sorted(names))])
    many = many[many["size"] > 1]
    problems.append(
        problem_rows(
            layer,
            record[many.index.to_numpy(dtype=np.int64)],
            "address_of_several",
            "info",
            [f"Its address is that of {count} buildings: {names}; all of them are meant."
             for count, names in many.itertuples(index=False, name=None)],
            "Give the building's id where one of them is meant.",
        )
    )  # fmt: skip

    settled = np.isin(np.arange(len(rows)), np.concatenate([by_id, matched["row"].to_numpy(dtype=np.int64)]))
    placed = np.flatnonzero(~settled & rows["lon"].notna().to_numpy() & rows["lat"].notna().to_numpy())
    to_working = Transformer.from_crs("EPSG:4326", footprints.crs, always_xy=True)
    x, y = to_working.transform(
        rows["lon"].to_numpy(dtype=float)[placed], rows["lat"].to_numpy(dtype=float)[placed]
    )
    points = gpd.GeoDataFrame(
        {"record": pd.Series(placed.astype("U20"), dtype="str")},
        geometry=shapely.points(x, y),
        crs=footprints.crs,
    )
    joined = join_by_point(footprints, points, layer, rules, ground)
    pairs.append(
        pd.DataFrame(
            {
                "row": joined.pairs["record"].astype("int64"),
                "building_id": joined.pairs["building_id"],
                "by": "place",
            }
        )
    )
    # By the name of the row in its list, not by its place in it.
    named = joined.problems.copy()
    if len(named):
        place = named["feature"].astype("int64").to_numpy()
        named["message"] = [
            message.replace(f"Record {one} ", f"Record {record[one]} ", 1)
            for message, one in zip(named["message"], place, strict=True)
        ]
        named["feature"] = pd.Series(record[place], dtype="str")
    problems.append(named)

    whole = pd.concat(pairs, ignore_index=True).astype({"row": "int64", "building_id": "str", "by": "str"})
    whole = whole.sort_values(["row", "building_id"], ignore_index=True)
    have = np.isin(np.arange(len(rows)), whole["row"])
    astray = stranger & have
    problems.append(
        problem_rows(
            layer,
            record[astray],
            "building_id_unknown",
            "info",
            [f"Its id {key!r} is no building's; it was found by what else it says."
             for key in rows["key"][astray]],
            "Give the id of the footprints, or leave that column out.",
        )
    )  # fmt: skip
    lost = ~have
    lost[placed] = False
    problems.append(
        problem_rows(
            layer,
            record[lost],
            "record_unmatched",
            "warning",
            [
                _lost(key, address)
                for key, address in zip(rows["key"][lost], rows["address"][lost], strict=True)
            ],
            "Correct it, give longitude and latitude, or add the missing footprint.",
        )
    )
    return Whose(whole, combine_problems(problems))


def _lost(key: object, address: object) -> str:
    said = [f"id {key!r}"] if isinstance(key, str) else []
    said += [f"address {address!r}"] if isinstance(address, str) else []
    return f"No building has its {' or its '.join(said)}."
