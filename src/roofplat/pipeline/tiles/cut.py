"""Cut the sources of a district into tiles.

In: a district, the rules in force, a folder.
Out: `Cut`: the tiles, and in the folder `cut.json` and the raw rows that each tile reads.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from roofplat.district import District
from roofplat.ground import Ground
from roofplat.rules import Rulebook

__all__ = ["Cut", "Tile", "cut_district", "open_cut"]


@dataclass(frozen=True, slots=True)
class Tile:
    """One tile: its name, its box in the working CRS, the footprints at home in it."""

    name: str
    box: tuple[float, float, float, float]
    buildings: int


@dataclass(frozen=True, slots=True)
class Cut:
    """A district in tiles.

    folder
        Where `cut.json` and `sources/` are.
    tiles
        By name, along a curve that keeps neighbours together.
    digests
        By tile: SHA-256 of everything that it reads.
    """

    folder: Path
    tiles: tuple[Tile, ...]
    digests: Mapping[str, str]


def cut_district(
    district: District,
    rules: Rulebook,
    ground: Ground,
    folder: Path,
    *,
    tile_buildings: int,
    report: Callable[[str], None],
) -> Cut:
    """Cut a district."""
    raise NotImplementedError


def open_cut(folder: Path) -> Cut:
    """Read `cut.json`."""
    raise NotImplementedError
