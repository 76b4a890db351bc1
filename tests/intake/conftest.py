"""Small layers that can be checked in the head, written as real files."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import geopandas as gpd
import pytest
import shapely

from roofplat.district import District
from roofplat.intake import Inputs, read_inputs
from roofplat.rules import Rulebook, load_rulebook

UTM = "EPSG:32613"
# A corner near the middle of UTM zone 13, on open ground.
EAST, NORTH = 500_000.0, 4_400_000.0


def square(column: int = 0, row: int = 0, side: float = 20.0) -> shapely.Polygon:
    """A square `side` metres wide, counter-clockwise, on a lattice of 50 m."""
    x, y = EAST + 50 * column, NORTH + 50 * row
    return shapely.Polygon([(x, y), (x + side, y), (x + side, y + side), (x, y + side)])


def ring(column: int = 0) -> list[list[float]]:
    """A closed square ring in lon/lat, about 20 m wide, counter-clockwise."""
    x, y = -105.0 + 0.001 * column, 39.7
    return [[x, y], [x + 2e-4, y], [x + 2e-4, y + 2e-4], [x, y + 2e-4], [x, y]]


def feature(geometry: object, **properties: object) -> dict[str, object]:
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def polygon(*rings: list[list[float]]) -> dict[str, object]:
    return {"type": "Polygon", "coordinates": list(rings)}


def codes(inputs: Inputs, severity: str | None = None) -> list[str]:
    """The distinct problem codes, in order of appearance."""
    problems = inputs.problems
    chosen = problems if severity is None else problems[problems["severity"] == severity]
    return list(dict.fromkeys(chosen["code"]))


@pytest.fixture(scope="session")
def geo() -> SimpleNamespace:
    """The makers above, for tests that draw their own shapes."""
    return SimpleNamespace(
        UTM=UTM,
        EAST=EAST,
        NORTH=NORTH,
        square=square,
        ring=ring,
        feature=feature,
        polygon=polygon,
        codes=codes,
    )


@pytest.fixture(scope="session")
def rules() -> Rulebook:
    return load_rulebook()


@pytest.fixture
def squares() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"building_id": ["a", "b", "c"], "height_ft": [12.0, 24.0, 36.0]},
        geometry=[square(0), square(1), square(2)],
        crs=UTM,
    )


@pytest.fixture
def draw(tmp_path: Path) -> Callable[..., Path]:
    """Write features as GeoJSON, as a hand would."""

    def write(*features: dict[str, object], name: str = "drawn.geojson", **extra: object) -> Path:
        path = tmp_path / name
        path.write_text(json.dumps({"type": "FeatureCollection", "features": list(features), **extra}))
        return path

    return write


@pytest.fixture
def read(rules: Rulebook, tmp_path: Path) -> Callable[..., Inputs]:
    """Read a district given as keywords; `footprints` may be a bare path."""

    def run(footprints: Any, **settings: Any) -> Inputs:
        line = {"file": footprints} if isinstance(footprints, Path) else footprints
        inputs = read_inputs(District(name="test", folder=tmp_path, footprints=line, **settings), rules)
        counts = inputs.counts
        assert (counts["read"] == counts["kept"] + counts["refused"]).all()
        return inputs

    return run
