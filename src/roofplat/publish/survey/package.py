"""The GeoPackage of a survey: layers to fill in, allowed values as field domains, styles.

In: the rows of the forms with their outlines, the walls, the questions.
Out: `survey.gpkg`; the same input gives the same bytes.

The layout of domains follows OGC 12-128r19, GeoPackage Encoding Standard 1.4, annex F.9 (Schema). Styles
stand in `layer_styles`, the table in which GIS programs look for them.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio

from roofplat.publish.files import CAUTION, whole_file
from roofplat.publish.layers import LAST_CHANGE, fixed_clock, in_parts
from roofplat.publish.survey.questions import YES_NO, Answer, Question
from roofplat.publish.survey.styles import Style

__all__ = ["write_package"]

_GEOMETRY = "geom"
_KINDS = {"walls": "MultiLineString"}
_DESCRIPTIONS: Mapping[str, str] = {
    "buildings": "One row a building, those first that a survey is worth most; fill in the empty columns",
    "sections": "Roofs in several sections: one row a section; fill in where sections differ",
    "walls": "Walls with the letters of their sides; nothing to fill in",
}
_SCHEMA_TABLES = """
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL,
  column_name TEXT NOT NULL,
  name TEXT,
  title TEXT,
  description TEXT,
  mime_type TEXT,
  constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name)
);
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL,
  constraint_type TEXT NOT NULL,
  value TEXT,
  min NUMERIC,
  min_is_inclusive BOOLEAN,
  max NUMERIC,
  max_is_inclusive BOOLEAN,
  description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value)
);
"""
_STYLES_TABLE = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
  f_table_catalog TEXT(256),
  f_table_schema TEXT(256),
  f_table_name TEXT(256),
  f_geometry_column TEXT(256),
  styleName TEXT(30),
  styleQML TEXT,
  styleSLD TEXT,
  useAsDefault BOOLEAN,
  description TEXT,
  owner TEXT(30),
  ui TEXT(30),
  update_time DATETIME
);
"""
_EXTENSIONS_TABLE = """
CREATE TABLE IF NOT EXISTS gpkg_extensions (
  table_name TEXT,
  column_name TEXT,
  extension_name TEXT NOT NULL,
  definition TEXT NOT NULL,
  scope TEXT NOT NULL,
  CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name)
);
"""
_DEFINITION = "http://www.geopackage.org/spec140/#extension_schema"


def write_package(
    layers: Mapping[str, gpd.GeoDataFrame],
    questions: Sequence[Question],
    help_: Mapping[str, str],
    styles: Mapping[str, Style],
    path: Path,
) -> Path:
    """Write the layers of a survey with their domains and styles.

    Parameters
    ----------
    layers
        `buildings`, `walls`, and `sections` where there are any; one CRS.
    questions
        From `survey_questions`: their answers get domains.
    help_
        Column to what it means.
    styles
        By layer.
    path
        The file to write.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    DistrictFileError
        The file cannot be written.
    """
    with whole_file(path) as beside:
        with fixed_clock():
            for name, frame in layers.items():
                _write_layer(frame, name, beside)
        with _open(beside) as connection:
            _write_domains(connection, layers, questions, help_)
            _write_styles(connection, {name: style for name, style in styles.items() if name in layers})
    return path


def domain_of(answer: Answer) -> str | None:
    """Name the domain of an answer; None where it may be anything.

    Examples
    --------
    >>> domain_of(Answer("sprinklered", "sprinklers", "", YES_NO))
    'yes_no'
    >>> domain_of(Answer("slope_deg", "slope", "", low=0.0, high=89.0))
    'slope_deg'
    """
    if answer.allowed:
        return "yes_no" if answer.allowed == YES_NO else answer.field
    bounded = answer.number and not answer.or_side and np.isfinite([answer.low, answer.high]).all()
    return answer.field if bounded else None


def _write_layer(frame: gpd.GeoDataFrame, name: str, path: Path) -> None:
    kind = _KINDS.get(name, "MultiPolygon")
    shapes = gpd.GeoSeries(in_parts(frame.geometry.to_numpy(), kind), crs=frame.crs)
    frame = frame.reset_index(drop=True).set_geometry(shapes)
    for column in frame.select_dtypes("datetime").columns:
        frame[column] = frame[column].astype("date32[pyarrow]")
    pyogrio.write_dataframe(
        frame,
        path,
        layer=name,
        driver="GPKG",
        geometry_type=kind,
        use_arrow=True,
        layer_metadata={"caution": CAUTION},
        layer_options={"DESCRIPTION": _DESCRIPTIONS[name], "GEOMETRY_NAME": _GEOMETRY},
    )


@contextlib.contextmanager
def _open(path: Path) -> Iterator[sqlite3.Connection]:
    connection = sqlite3.connect(path)
    try:
        with connection:
            yield connection
    finally:
        connection.close()


def _write_domains(
    connection: sqlite3.Connection,
    layers: Mapping[str, gpd.GeoDataFrame],
    questions: Sequence[Question],
    help_: Mapping[str, str],
) -> None:
    connection.executescript(_SCHEMA_TABLES + _EXTENSIONS_TABLE)
    connection.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
        [(name, _DEFINITION) for name in ("gpkg_data_columns", "gpkg_data_column_constraints")],
    )
    answers = {answer.field: answer for question in questions for answer in question.answers}
    connection.executemany(
        "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, ?)",
        [
            (
                layer,
                column,
                column,
                column.replace("_", " "),
                help_[column],
                domain_of(answers[column]) if column in answers else None,
            )
            for layer, frame in layers.items()
            for column in frame.columns
            if column in help_
        ],
    )
    rows: list[tuple[Any, ...]] = []
    written: set[str] = set()
    for answer in answers.values():
        domain = domain_of(answer)
        if domain is None or domain in written:
            continue
        written.add(domain)
        if answer.allowed:
            rows += [
                (domain, "enum", code, None, None, None, None, words)
                for code, words in answer.allowed.items()
            ]
        else:
            rows.append((domain, "range", None, answer.low, 1, answer.high, 1, answer.help))
    connection.executemany("INSERT INTO gpkg_data_column_constraints VALUES (?, ?, ?, ?, ?, ?, ?, ?)", rows)


def _write_styles(connection: sqlite3.Connection, styles: Mapping[str, Style]) -> None:
    connection.executescript(_STYLES_TABLE)
    connection.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, "
        "styleName, styleQML, styleSLD, useAsDefault, description, owner, ui, update_time) "
        "VALUES ('', '', ?, ?, ?, ?, ?, 1, ?, '', NULL, ?)",
        [
            (name, _GEOMETRY, f"survey {name}", style.qml, style.sld, _DESCRIPTIONS[name], LAST_CHANGE)
            for name, style in styles.items()
        ],
    )
    # A program lists tables that the contents name, and no others.
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
        "VALUES ('layer_styles', 'attributes', 'layer_styles', 'How the layers are drawn', ?)",
        (LAST_CHANGE,),
    )
