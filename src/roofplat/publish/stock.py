"""What the planning of a few buildings needs of a district, so that nothing else has to be read.

In: the inventory of a district and its settings.
Out: `planner.gpkg`, and `Stock`: the settings once, and the rows around some buildings when they are asked for.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import geopandas as gpd
from pyproj import CRS

from roofplat.ground import Ground
from roofplat.rules import Rulebook

__all__ = ["Stock", "StockRows", "StockSetting"]


@dataclass(frozen=True, slots=True)
class StockSetting:
    """What holds for every building of a district.

    district
        Its name.
    crs
        The working CRS, of all geometry.
    rules, ground
        The rules in force, and what a foot is.
    wind_from_deg, wind_basis
        The wind of the standing plans, degrees from true north, and how it is known.
    as_of
        The date on which ages were counted.
    paper
        Paper of the printed sheets: `letter` or `a4`.
    build
        Names the build: two that differ in anything have another one.
    """

    district: str
    crs: CRS
    rules: Rulebook
    ground: Ground
    wind_from_deg: float
    wind_basis: str
    as_of: datetime.date
    paper: str
    build: str


@dataclass(frozen=True, slots=True)
class StockRows:
    """The rows of a district that some buildings are planned by; geometry in the working CRS.

    roofs
        `tables.TABLES["roofs"]`: those of the buildings asked for, in the order asked for, then those of all
        others in reach, in the order of the district.
    obstacles
        `tables.TABLES["obstacles"]` of the buildings asked for, and those of no building in reach.
    ground
        `tables.TABLES["ground"]` in reach.
    streets
        `name` and lines: the named streets in reach, and as many more as hold the nearest to any place of
        the buildings asked for.
    walls
        `kind`, `basis` and lines: drawn walls in reach.
    fires
        `building_id` and points: the stated fire spots of the buildings asked for.
    """

    roofs: gpd.GeoDataFrame
    obstacles: gpd.GeoDataFrame
    ground: gpd.GeoDataFrame
    streets: gpd.GeoDataFrame
    walls: gpd.GeoDataFrame
    fires: gpd.GeoDataFrame


class Stock(Protocol):
    """A district that buildings can be taken from: a file or a database. For one thread at a time."""

    @property
    def setting(self) -> StockSetting:
        """What holds for every building."""
        ...

    def around(self, ids: Sequence[str], reach_ft: float) -> StockRows:
        """The rows that some buildings are planned by.

        Parameters
        ----------
        ids
            Buildings, each once.
        reach_ft
            How far from a building's bounding box its surroundings count; more may come.

        Returns
        -------
        StockRows

        Raises
        ------
        DistrictFileError
            There is no such building; the nearest ids are named.
        LayerError
            The stock cannot be read.
        """
        ...

    def fresh(self) -> bool:
        """Whether the district is still the one that was opened; if not, open it anew."""
        ...

    def close(self) -> None:
        """Let go of the file or the connection."""
        ...
