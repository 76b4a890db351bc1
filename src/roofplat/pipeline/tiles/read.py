"""One tile of a district, read as if it were a small district.

In: a folder that `cut_district` filled, the name of a tile, the district and the rules in force.
Out: `TileInputs`: home rows and rows seen from there, as `read_inputs` would give them, and which are home.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from roofplat.district import District
from roofplat.intake import Inputs
from roofplat.rules import Rulebook

__all__ = ["TileInputs", "read_tile"]


@dataclass(frozen=True, slots=True)
class TileInputs:
    """What a tile is planned by.

    inputs
        Home rows and seen rows, as `pipeline.planning.gather` gives them.
    home
        `building_id` of the buildings at home.
    home_rows
        By the name of a layer or source as problems name it: the features and records at home there. Where
        a problem is about a building, its id is in `home`.
    problems
        `tables.TABLES["problems"]`: what the intake says of home rows; what it says of a whole layer is told
        by the first tile alone.
    counts
        As `Inputs.counts`, of home rows alone; the sum over all tiles is the count of the district.
    """

    inputs: Inputs
    home: pd.Index
    home_rows: Mapping[str, frozenset[str]]
    problems: pd.DataFrame
    counts: pd.DataFrame


def read_tile(
    district: District, rules: Rulebook, folder: Path, tile: str, *, as_of: datetime.date | None = None
) -> TileInputs:
    """Read one tile."""
    raise NotImplementedError
