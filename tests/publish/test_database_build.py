"""The demo in a database, beside its files."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
import sqlalchemy
from tests.postgres import Database

pytestmark = pytest.mark.database


def test_every_layer_of_the_file_is_in_the_database_row_by_row(demo_database: tuple[Database, Path]) -> None:
    """Read back by GDAL from the file and by geopandas from the database."""
    database, folder = demo_database
    # The driver by name: which one an address without it means changes between releases of SQLAlchemy.
    address = database.superuser_url.replace("postgresql:", "postgresql+psycopg2:", 1)
    engine = sqlalchemy.create_engine(address)
    layers = pyogrio.list_layers(folder / "layers.gpkg")
    compared = 0
    for name, kind in layers:
        filed = pyogrio.read_dataframe(folder / "layers.gpkg", layer=name, datetime_as_string=True)
        query = f'SELECT * FROM roofplat."{name}" ORDER BY fid'
        if kind is None:
            stored = pd.read_sql(query, engine)
        else:
            stored = gpd.read_postgis(query, engine, geom_col="geom").rename_geometry("geometry")
            assert stored.crs.to_epsg() == filed.crs.to_epsg(), name
            assert shapely.equals_exact(
                shapely.normalize(stored.geometry.to_numpy()),
                shapely.normalize(filed.geometry.to_numpy()),
                0.0,
            ).all(), name
            filed, stored = (
                pd.DataFrame(filed.drop(columns="geometry")),
                pd.DataFrame(stored.drop(columns="geometry")),
            )
        stored = stored.drop(columns="fid")
        assert list(stored.columns) == list(filed.columns), name
        for column in stored.columns:
            ours, theirs = ([_plain(value) for value in frame[column]] for frame in (stored, filed))
            assert ours == theirs, f"{name}.{column}"
        compared += len(stored)
    assert compared > 500
    engine.dispose()


def _plain(value: object) -> object:
    """A cell as text or number, whichever library read it."""
    if pd.isna(value):
        return None
    if isinstance(value, bool | int | float | np.number | np.bool_):
        return float(value)
    return str(value)
