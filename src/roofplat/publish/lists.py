"""The lists that open in a spreadsheet: ranking, survey next, odds, problems, the solar access audit.

In: a table.
Out: a CSV file, UTF-8, whose text cells no spreadsheet takes for a formula.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from roofplat.publish.files import whole_file
from roofplat.publish.parts import GEOMETRY, Parts
from roofplat.tables import CODE_ASKS, Column

__all__ = ["LIKE_A_FORMULA", "VENT_COLUMNS", "list_of", "solar_list", "with_vents", "write_list"]

VENT_COLUMNS: Mapping[str, Column] = {
    "code_asks": Column(
        "str",
        "whether the code may ask for vents in any section, by use and size; the code official decides",
        allowed=CODE_ASKS,
    ),
    "vents_short_ft2": Column(
        "float64",
        "area of vents that the model code names less what is there, over the sections where the code may "
        "ask for vents; empty where there is none of these",
        "ft2",
    ),
    "says": Column(
        "str", "what to plan for a section that cutting alone will not vent; empty where there is none"
    ),
}
"""What the ranked list has of the vents of a building, from its sections: for the marshal."""

# Lines end as RFC 4180 has it; a bare carriage return inside a cell is then quoted as well.
_LINE_END = "\r\n"
_MARK = codecs.BOM_UTF8
_NOTHING = pa.scalar("", pa.large_string())
# Rows that are put into text at once.
_BLOCK = 50_000
# Numbers from here on, and below here, the library may write with an exponent where Python does not.
_LONG, _SHORT = 1e10, 1e-4
# The digits after these are the noise of sums.
_DECIMALS = 9
# From the weakest to the strongest.
_STRONGER = ("not by size or use", "unknown", "may ask")
LIKE_A_FORMULA = re.compile(r"\s*[=+\-@\uff1d\uff0b\uff0d\uff20]|[\t\r\n]")
"""How a text begins that a spreadsheet may read as a formula, or skip to the next cell for.

Wide forms of the signs count in some languages, and blanks before a sign may be dropped.
"""


# The same and more, as the library understands it: it has no word for all blanks.
_MAY_BE_A_FORMULA = r"^'*[\pZ\x00-\x20\x{85}]*[=+\-@\x{ff1d}\x{ff0b}\x{ff0d}\x{ff20}]|^'*[\t\r\n]"


def list_of(parts: Parts, name: str) -> pd.DataFrame:
    """A table of the whole district without its geometry; the ranking by rank, with `VENT_COLUMNS`.

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
    if name != "ranking":
        return parts.narrow(name, columns)
    ranking = parts.in_order(name, columns, "rank")
    if "venting" not in parts.names:
        return ranking
    return with_vents(ranking, parts.narrow("venting", ["building_id", *VENT_COLUMNS]))


def with_vents(ranking: pd.DataFrame, venting: pd.DataFrame) -> pd.DataFrame:
    """Put what the sections of a building say of its vents behind its row of the ranking.

    Parameters
    ----------
    ranking
        `tables.TABLES["ranking"]`, without geometry.
    venting
        Of `tables.TABLES["venting"]` at least `building_id` and `VENT_COLUMNS`.

    Returns
    -------
    DataFrame
        The rows of the ranking with `VENT_COLUMNS` last: the strongest word of any section, the sum of what
        is short where the code may ask, the first sentence.

    Examples
    --------
    >>> rows = [("7", "unknown", 9.0, None), ("7", "may ask", 40.0, "Plan doors."), ("8", "unknown", 9, None)]
    >>> venting = pd.DataFrame(rows, columns=["building_id", "code_asks", "vents_short_ft2", "says"])
    >>> ranking = pd.DataFrame({"building_id": ["8", "7", "9"]})
    >>> made = with_vents(ranking, venting).astype(object)
    >>> made.where(made.notna(), None).values.tolist()
    [['8', 'unknown', None, None], ['7', 'may ask', 40.0, 'Plan doors.'], ['9', None, None, None]]
    """
    own, ids = venting["building_id"], ranking["building_id"]
    strength = venting["code_asks"].map({word: place for place, word in enumerate(_STRONGER)})
    strongest = strength.groupby(own.to_numpy()).max()
    asked = venting[(venting["code_asks"] == "may ask").fillna(False).to_numpy(dtype=bool)]
    short = asked["vents_short_ft2"].fillna(0.0).groupby(asked["building_id"].to_numpy()).sum()
    said = venting[venting["says"].notna()].drop_duplicates("building_id").set_index("building_id")["says"]
    return ranking.assign(
        code_asks=ids.map(strongest).map(dict(enumerate(_STRONGER))).astype("str"),
        vents_short_ft2=ids.map(short).astype("float64"),
        says=ids.map(said).astype("str"),
    )


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
    head = pa.table({str(name): pa.array([str(name)], pa.large_string()) for name in plain.columns})
    with whole_file(path) as beside, beside.open("wb") as stream:
        stream.write(_MARK if marked else b"")
        stream.write(_lines([_quoted(column.combine_chunks()) for column in head.columns]))
        for start in range(0, len(plain), _BLOCK):
            block = plain.iloc[start : start + _BLOCK]
            stream.write(_lines([_cells(block.iloc[:, place]) for place in range(block.shape[1])]))
    return path


def _lines(cells: Sequence[pa.Array]) -> bytes:
    """Rows of a list as the bytes of its lines; a missing cell is empty."""
    if len(cells) == 1:
        # An empty line would be no row at all.
        cells = [pc.if_else(pc.equal(pc.fill_null(cells[0], ""), ""), '""', cells[0])]
    options = {"null_handling": "replace", "null_replacement": ""}
    lines = pc.binary_join_element_wise(*cells, pa.scalar(",", pa.large_string()), **options)
    ended = pc.binary_join_element_wise(lines, pa.scalar(_LINE_END, pa.large_string()), _NOTHING)
    return b"".join(ended.cast(pa.large_binary()).to_pylist())


def _cells(column: pd.Series) -> pa.Array:
    """The cells of a column as text, as they stand in the file."""
    kind = column.dtype.kind
    if kind == "f":
        return _written(column.round(_DECIMALS).to_numpy(dtype=float, na_value=np.nan))
    if kind == "M":
        return pc.strftime(pa.array(column), format="%Y-%m-%d").cast(pa.large_string())
    if kind in "iub":
        texts = pa.array(column).cast(pa.large_string())
        return pc.utf8_capitalize(texts) if kind == "b" else texts
    words = column if isinstance(column.dtype, pd.StringDtype) else column.astype("str")
    texts = pa.chunked_array(pa.array(words, pa.large_string())).combine_chunks()
    return _quoted(_guarded(texts))


def _written(numbers: npt.NDArray[np.float64]) -> pa.Array:
    """Numbers as Python writes them; nothing for one that is missing."""
    size = np.abs(numbers)
    texts = pc.cast(pa.array(numbers, from_pandas=True), pa.large_string())
    whole = (numbers == np.rint(numbers)) & (size < _LONG)
    texts = pc.binary_join_element_wise(
        texts, pa.array(np.where(whole, ".0", "")).cast(pa.large_string()), _NOTHING
    )
    odd = np.flatnonzero((size >= _LONG) | ((size > 0) & (size < _SHORT)))
    if odd.size:
        there = np.zeros(len(numbers), dtype=bool)
        there[odd] = True
        own = pa.array([repr(number) for number in numbers[odd].tolist()], pa.large_string())
        texts = pc.replace_with_mask(texts, pa.array(there), own)
    return texts


def _guarded(texts: pa.Array) -> pa.Array:
    """An apostrophe in front of what a spreadsheet may take for a formula, and of what looks guarded already.

    So a text is what is behind the first apostrophe, and no two texts are written alike.
    """
    may_be = pc.fill_null(pc.match_substring_regex(texts, _MAY_BE_A_FORMULA), False)
    rows = np.flatnonzero(may_be.to_numpy(zero_copy_only=False))
    found = texts.take(pa.array(rows)).to_pylist()
    changed = ["'" + text if LIKE_A_FORMULA.match(text.lstrip("'")) else text for text in found]
    return pc.replace_with_mask(texts, may_be, pa.array(changed, pa.large_string())) if found else texts


def _quoted(texts: pa.Array) -> pa.Array:
    """Quotes around cells that hold what parts cells or lines, their own quotes doubled."""
    needs = pc.fill_null(pc.match_substring_regex(texts, '[,"\r\n]'), False)
    if not pc.any(needs).as_py():
        return texts
    doubled = pc.replace_substring(texts, '"', '""')
    mark = pa.scalar('"', pa.large_string())
    return pc.if_else(needs, pc.binary_join_element_wise(mark, doubled, mark, _NOTHING), texts)
