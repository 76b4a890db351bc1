"""Plain pygeoapi on one bare file: what the service is measured beside.

In: a GeoParquet or a GeoPackage of buildings in longitude and latitude, worker processes and threads.
Out: a server of its own kind on a loopback port: pygeoapi's own flask application behind waitress, as its
    manual has it; it prints its address when it is ready and serves until it is told to stop.

GeoParquet goes through pygeoapi's provider `Parquet`, with columns that hold each building's bounding box;
GeoPackage through its `SQLiteGPKG`, which needs mod_spatialite and a Python that loads extensions of SQLite.
The workers share one listening socket and write JSON without indents, as those of the service do.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import multiprocessing
import os
import signal
import socket
import sqlite3
import sys
import tempfile
import types
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio
import shapely

__all__ = ["spatialite_loads", "write_bare"]

_BOUNDS = ("minx", "miny", "maxx", "maxy")


def spatialite_loads() -> bool:
    """Whether pygeoapi's provider of GeoPackages can work here."""
    connection = sqlite3.connect(":memory:")
    try:
        connection.enable_load_extension(True)
        connection.execute("SELECT load_extension('mod_spatialite.so')")
    except (AttributeError, sqlite3.OperationalError):
        return False
    finally:
        connection.close()
    return True


def write_bare(layers: Path, folder: Path) -> dict[str, Path]:
    """Write the layer `buildings` of a build as plain files in longitude and latitude.

    Dates become text, which the provider knows, and columns that nothing fills are left out.

    Parameters
    ----------
    layers
        `layers.gpkg` of a build.
    folder
        Where to.

    Returns
    -------
    dict
        `GeoParquet` and `GeoPackage` to their files.
    """
    frame = pyogrio.read_dataframe(layers, layer="buildings").to_crs("OGC:CRS84").dropna(axis=1, how="all")
    for column in frame.columns.drop(["geometry"]):
        if frame[column].dtype.kind not in "iufb":
            frame[column] = frame[column].astype("str").astype(object).where(frame[column].notna(), None)
    paths = {"GeoParquet": folder / "buildings.parquet", "GeoPackage": folder / "buildings.gpkg"}
    pyogrio.write_dataframe(frame, paths["GeoPackage"], layer="buildings")
    bounds = dict(zip(_BOUNDS, shapely.bounds(frame.geometry.to_numpy()).T, strict=True))
    gpd.GeoDataFrame(frame.assign(**bounds)).to_parquet(paths["GeoParquet"], index=False)
    return paths


def _config(path: Path, port: int) -> dict[str, Any]:
    url = f"http://127.0.0.1:{port}"
    provider: dict[str, Any] = {"type": "feature", "id_field": "building_id"}
    if path.suffix == ".gpkg":
        provider |= {"name": "SQLiteGPKG", "data": str(path), "table": "buildings"}
    else:
        provider |= {"name": "Parquet", "data": {"source": str(path)}}
        provider |= {"x_field": ["minx", "maxx"], "y_field": ["miny", "maxy"]}
    person = {"name": "-", "url": url}
    return {
        "server": {
            "bind": {"host": "127.0.0.1", "port": port},
            "url": url,
            "mimetype": "application/json; charset=UTF-8",
            "encoding": "utf-8",
            "languages": ["en-US"],
            "pretty_print": False,
            "limits": {"default_items": 100, "max_items": 1000, "on_exceed": "throttle"},
            "map": {"url": url, "attribution": "-"},
        },
        "logging": {"level": "ERROR"},
        "metadata": {
            "identification": {
                "title": "Plain",
                "description": "Plain",
                "keywords": ["plain"],
                "keywords_type": "theme",
                "terms_of_service": url,
                "url": url,
            },
            "license": {"name": "-", "url": url},
            "provider": person,
            "contact": person,
        },
        "resources": {
            "buildings": {
                "type": "collection",
                "title": "buildings",
                "description": "Buildings",
                "keywords": ["buildings"],
                "links": [],
                "extents": {
                    "spatial": {
                        "bbox": [-180, -90, 180, 90],
                        "crs": "http://www.opengis.net/def/crs/OGC/1.3/CRS84",
                    }
                },
                "providers": [provider],
            }
        },
    }


def _serve(listening: socket.socket, threads: int, folder: str, connections: int) -> None:
    """One worker: pygeoapi's own application behind waitress."""
    os.environ["PYGEOAPI_CONFIG"] = str(Path(folder) / "config.yml")
    os.environ["PYGEOAPI_OPENAPI"] = str(Path(folder) / "openapi.json")
    import waitress
    from pygeoapi.flask_app import APP

    # SIGTERM ends waitress as the keyboard does.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    waitress.serve(
        APP, sockets=[listening], threads=threads, connection_limit=connections, ident=None, _quiet=True
    )


def _without_s3() -> None:
    """The provider `Parquet` imports a client of S3 for addresses that begin with s3; ours is a file."""
    if importlib.util.find_spec("s3fs") is None:
        sys.modules["s3fs"] = types.ModuleType("s3fs")


def main() -> None:
    """Serve one file until told to stop."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", type=Path)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--threads", type=int, default=4)
    parser.add_argument("--connections", type=int, default=200)
    arguments = parser.parse_args()
    _without_s3()
    from pygeoapi.openapi import get_oas

    listening = socket.socket()
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listening.bind(("127.0.0.1", 0))
    listening.listen(1024)
    port = listening.getsockname()[1]
    with tempfile.TemporaryDirectory() as folder:
        config = _config(arguments.file.resolve(), port)
        # JSON is YAML too.
        (Path(folder) / "config.yml").write_text(json.dumps(config), "utf-8")
        (Path(folder) / "openapi.json").write_text(json.dumps(get_oas(config)), "utf-8")
        fork = multiprocessing.get_context("fork")
        workers = [
            fork.Process(
                target=_serve, args=(listening, arguments.threads, folder, arguments.connections), daemon=True
            )
            for _ in range(arguments.workers)
        ]
        for worker in workers:
            worker.start()
        print(f"Serving {arguments.file.name} at http://127.0.0.1:{port}/", flush=True)
        try:
            signal.signal(signal.SIGTERM, signal.default_int_handler)
            signal.pause()
        except KeyboardInterrupt:
            pass
        finally:
            for worker in workers:
                worker.terminate()
            for worker in workers:
                worker.join()


if __name__ == "__main__":
    main()
