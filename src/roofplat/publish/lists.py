"""The lists that open in a spreadsheet: ranking, survey next, odds, problems, the solar access audit.

In: a table.
Out: a CSV file, UTF-8, whose text cells no spreadsheet takes for a formula.
"""

from __future__ import annotations

import re
from pathlib import Path

import geopandas as gpd
import pandas as pd

from roofplat.publish.files import whole_file
from roofplat.publish.parts import GEOMETRY, Parts

__all__ = ["LIKE_A_FORMULA", "list_of", "solar_list", "write_list"]

# Lines end as RFC 4180 has it; a bare carriage return inside a cell is then quoted as well.
_LINE_END = "\r\n"
# The digits after these are the noise of sums.
_DECIMALS = 9
LIKE_A_FORMULA = re.compile(r"\s*[=+\-@\uff1d\uff0b\uff0d\uff20]|[\t\r\n]")
"""How a text begins that a spreadsheet may read as a formula, or skip to the next cell for.

Wide forms of the signs count in some languages, and blanks before a sign may be dropped.
"""


def list_of(parts: Parts, name: str) -> pd.DataFrame:
    """A table of the whole district without its geometry; the ranking by rank, wherever buildings lie.

    Parameters
    ----------
    parts
        The tables.
    name
        One of them.

    Returns
    -------
    DataFrame
    """
    columns = [column for column in parts.schema(name).names if column != GEOMETRY]
    rows = parts.narrow(name, columns)
    return rows.sort_values("rank", kind="stable", ignore_index=True) if name == "ranking" else rows


def solar_list(parts: Parts) -> pd.DataFrame:
    """Put the solar access audit in the order of a desk: what fails first, then what nobody can tell.

    Parameters
    ----------
    parts
        `buildings` and `solar_access`.

    Returns
    -------
    DataFrame
        The rows of `solar_access` with `name`, `address` and `dispatch_area` of the building after
        its id; within each part in the order of the table.
    """
    audit = list_of(parts, "solar_access")
    order = audit["passes"].astype("Int64").map({0: 0, 1: 2}).fillna(1)
    audit = audit.iloc[order.argsort(kind="stable").to_numpy()]
    told = ["name", "address", "dispatch_area"]
    buildings = parts.narrow("buildings", ["building_id", *told]).set_index("building_id")
    for place, name in enumerate(told, start=1):
        audit.insert(place, name, audit["building_id"].map(buildings[name]))
    return audit.reset_index(drop=True)


def write_list(table: pd.DataFrame, path: Path, *, marked: bool = False) -> Path:
    """Write a table as CSV, without its geometry.

    Parameters
    ----------
    table
        One of the tables; dates are written as YYYY-MM-DD, missing values as nothing.
    path
        The file to write.
    marked
        Begin with a byte order mark: a spreadsheet that knows the text as UTF-8 saves it as UTF-8 again.

    Returns
    -------
    Path
        `path`. A text that begins with = + - @, their wide forms, a tab or a line break gets an apostrophe
        in front, also where blanks come first; numbers stay numbers, negative ones as well, to nine decimals.

    Raises
    ------
    DistrictFileError
        The file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "list.csv"
    >>> _ = write_list(pd.DataFrame({"name": ["=1+1", "Shed"], "score": [-0.5, 0.1 + 0.2]}), path)
    >>> path.read_text().splitlines()
    ['name,score', "'=1+1,-0.5", 'Shed,0.3']
    """
    plain = pd.DataFrame(
        table.drop(columns=table.geometry.name) if isinstance(table, gpd.GeoDataFrame) else table
    )
    safe: dict[str, pd.Series] = {}
    for name, column in plain.items():
        if isinstance(column.dtype, pd.StringDtype) or column.dtype == object:
            safe[str(name)] = column.where(~column.str.match(LIKE_A_FORMULA, na=False), "'" + column)
        elif column.dtype.kind == "f":
            safe[str(name)] = column.round(_DECIMALS)
    with whole_file(path) as beside:
        plain.assign(**safe).to_csv(
            beside,
            index=False,
            encoding="utf-8-sig" if marked else "utf-8",
            date_format="%Y-%m-%d",
            lineterminator=_LINE_END,
        )
    return path
