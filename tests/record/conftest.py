"""A small district whose record can be filled, in UTM 13N, one metre a unit."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from roofplat.district import District, read_district
from roofplat.rules import Rulebook, load_rulebook

X, Y = 500_000.0, 4_400_000.0


@pytest.fixture(scope="session")
def rules() -> Rulebook:
    return load_rulebook()


@pytest.fixture
def town(tmp_path: Path) -> District:
    """Two sheds of 40 by 20 m, far apart; nobody says anything of them."""
    sheds = [shapely.box(X + far, Y, X + far + 40, Y + 20) for far in (0, 200)]
    frame = gpd.GeoDataFrame({"building_id": ["B1", "B2"]}, geometry=sheds, crs="EPSG:32613")
    frame.to_file(tmp_path / "roofs.gpkg", layer="roofs")
    head = '[district]\nname = "Two sheds"\nregion = "west"\n'
    layer = '[footprints]\nfile = "roofs.gpkg"\nid = "building_id"\n'
    (tmp_path / "district.toml").write_text(head + layer)
    return read_district(tmp_path / "district.toml")
