"""Builders of small districts in UTM 13N, one metre a unit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from pyproj import CRS

from roofplat import tables
from roofplat.district import AttributeSource
from roofplat.ground import Ground
from roofplat.intake.inputs import AttributeRecords, Inputs
from roofplat.rules import Rulebook, load_rulebook

UTM = CRS("EPSG:32613")


class Build:
    """Makes frames as the intake would hand them on."""

    crs = UTM

    @staticmethod
    def layer(geometry: Any, **columns: Any) -> gpd.GeoDataFrame:
        frame = gpd.GeoDataFrame(columns, geometry=list(geometry), crs=UTM)
        for name, values in columns.items():
            column = tables.ATTRIBUTES.get(name)
            dtype = column.dtype if column else "datetime64[ms]" if name == "date" else None
            if dtype or name in ("building_id", "basis", "record", "key"):
                frame[name] = pd.Series(values, index=frame.index).astype(dtype or "str")
        return frame

    @classmethod
    def footprints(cls, outlines: dict[str, Any], **columns: Any) -> gpd.GeoDataFrame:
        n = len(outlines)
        base = {"building_id": list(outlines), "basis": ["recorded"] * n, "date": [None] * n}
        return cls.layer(outlines.values(), **(base | columns))

    @classmethod
    def records(
        cls, how: str, name: str = "", basis: str = "recorded", /, *, geometry: Any = None, **columns: Any
    ) -> AttributeRecords:
        n = len(next(iter(columns.values()), [])) if geometry is None else len(geometry)
        base = {"record": [str(i) for i in range(n)], "date": [None] * n}
        frame: Any = cls.layer([None] * n if geometry is None else geometry, **(base | columns))
        if geometry is None:
            frame = pd.DataFrame(frame.drop(columns="geometry"))
        source = AttributeSource(name=name or how, how=how, basis=basis, file=Path("source.csv"))
        return AttributeRecords(source, frame)

    @classmethod
    def inputs(cls, footprints: gpd.GeoDataFrame, *attributes: AttributeRecords, **layers: Any) -> Inputs:
        empty = {
            "streets": cls.layer([], name=[]),
            "areas": cls.layer([], name=[]),
            "stations": cls.layer([], name=[]),
            "obstacles": cls.layer(
                [], obstacle_id=[], kind=[], voltage_kv=[], height_ft=[], basis=[], note=[]
            ),
            "ground": cls.layer([], ground_id=[], kind=[], basis=[], note=[]),
            "sections": cls.layer([], building_id=[], basis=[]),
            "fire_walls": cls.layer([]),
            "expansion_joints": cls.layer([]),
            "fires": cls.layer([], building_id=[]),
        }
        return Inputs(
            working_crs=UTM,
            footprints=footprints,
            attributes=attributes,
            problems=tables.empty("problems"),
            counts=pd.DataFrame(),
            **(empty | layers),
        )

    @staticmethod
    def square(x: float, y: float = 0.0, side: float = 10.0) -> shapely.Polygon:
        return shapely.box(x, y, x + side, y + side)


@pytest.fixture(scope="session")
def build() -> type[Build]:
    return Build


@pytest.fixture(scope="session")
def rules() -> Rulebook:
    return load_rulebook()


@pytest.fixture(scope="session")
def ground() -> Ground:
    return Ground(0.3048)
