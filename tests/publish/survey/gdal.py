"""Field domains as GDAL itself reads them, through the library that comes with pyogrio.

In: a dataset that GDAL opens.
Out: `Fields`: by layer and column the name of the domain and the comment; by domain its codes or its range.

pyogrio shows columns and rows, but not domains; the C interface of GDAL does (gdal.h, ogr_api.h).
"""

from __future__ import annotations

import ctypes
from ctypes import POINTER, Structure, Union, c_char_p, c_double, c_int, c_void_p
from dataclasses import dataclass
from functools import cache
from importlib.metadata import files
from pathlib import Path
from typing import Any

import pyogrio

__all__ = ["Fields", "read_fields", "run_sql"]

_VECTOR, _UPDATE = 0x04, 0x01
_CODED, _RANGE = 0, 1
_INTEGER, _REAL, _LONG = 0, 2, 12


class _Code(Structure):
    _fields_ = (("code", c_char_p), ("value", c_char_p))


class _Field(Union):
    # As ogr_core.h has it; the largest member is larger than a double.
    _fields_ = (
        ("integer", c_int),
        ("long", ctypes.c_int64),
        ("real", c_double),
        ("room", ctypes.c_byte * 64),
    )


@dataclass(frozen=True, slots=True)
class Fields:
    """What GDAL says of the columns of a dataset."""

    columns: dict[str, dict[str, tuple[str, str]]]
    """By layer and column: the name of the domain, empty for none, and the comment."""
    codes: dict[str, dict[str, str]]
    """By domain of listed values: code to meaning."""
    ranges: dict[str, tuple[float, float, bool, bool]]
    """By domain of a range: least, greatest, and whether each is allowed itself."""


@cache
def _library() -> Any:
    # pyogrio has loaded and set up this very file; loading it again gives the same one.
    (path,) = [Path(str(file.locate())) for file in files("pyogrio") or [] if file.name.startswith("libgdal")]
    pyogrio.list_drivers()
    gdal = ctypes.CDLL(str(path))
    for name, result, arguments in (
        ("GDALOpenEx", c_void_p, (c_char_p, c_int, c_void_p, c_void_p, c_void_p)),
        ("GDALClose", c_int, (c_void_p,)),
        ("GDALDatasetGetLayerCount", c_int, (c_void_p,)),
        ("GDALDatasetGetLayer", c_void_p, (c_void_p, c_int)),
        ("GDALDatasetGetFieldDomainNames", POINTER(c_char_p), (c_void_p, c_void_p)),
        ("GDALDatasetGetFieldDomain", c_void_p, (c_void_p, c_char_p)),
        ("GDALDatasetExecuteSQL", c_void_p, (c_void_p, c_char_p, c_void_p, c_char_p)),
        ("GDALDatasetReleaseResultSet", None, (c_void_p, c_void_p)),
        ("CPLErrorReset", None, ()),
        ("CPLGetLastErrorNo", c_int, ()),
        ("CPLGetLastErrorMsg", c_char_p, ()),
        ("OGR_L_GetName", c_char_p, (c_void_p,)),
        ("OGR_L_GetLayerDefn", c_void_p, (c_void_p,)),
        ("OGR_FD_GetFieldCount", c_int, (c_void_p,)),
        ("OGR_FD_GetFieldDefn", c_void_p, (c_void_p, c_int)),
        ("OGR_Fld_GetNameRef", c_char_p, (c_void_p,)),
        ("OGR_Fld_GetDomainName", c_char_p, (c_void_p,)),
        ("OGR_Fld_GetComment", c_char_p, (c_void_p,)),
        ("OGR_FldDomain_GetDomainType", c_int, (c_void_p,)),
        ("OGR_FldDomain_GetFieldType", c_int, (c_void_p,)),
        ("OGR_CodedFldDomain_GetEnumeration", POINTER(_Code), (c_void_p,)),
        ("OGR_RangeFldDomain_GetMin", POINTER(_Field), (c_void_p, POINTER(ctypes.c_bool))),
        ("OGR_RangeFldDomain_GetMax", POINTER(_Field), (c_void_p, POINTER(ctypes.c_bool))),
    ):
        function = getattr(gdal, name)
        function.restype, function.argtypes = result, arguments
    return gdal


def run_sql(path: Path, statement: str) -> None:
    """Change a dataset in place, as a GIS does that saves an edit."""
    gdal = _library()
    gdal.CPLErrorReset()
    dataset = gdal.GDALOpenEx(str(path).encode(), _VECTOR | _UPDATE, None, None, None)
    assert dataset, f"GDAL does not open {path}"
    try:
        layer = gdal.GDALDatasetExecuteSQL(dataset, statement.encode(), None, None)
        if layer:
            gdal.GDALDatasetReleaseResultSet(dataset, layer)
        assert not gdal.CPLGetLastErrorNo(), gdal.CPLGetLastErrorMsg()
    finally:
        gdal.GDALClose(dataset)


def read_fields(path: Path) -> Fields:
    """Read what GDAL knows of the columns and domains of a dataset."""
    gdal = _library()
    dataset = gdal.GDALOpenEx(str(path).encode(), _VECTOR, None, None, None)
    assert dataset, f"GDAL does not open {path}"
    try:
        columns: dict[str, dict[str, tuple[str, str]]] = {}
        for number in range(gdal.GDALDatasetGetLayerCount(dataset)):
            layer = gdal.GDALDatasetGetLayer(dataset, number)
            definition = gdal.OGR_L_GetLayerDefn(layer)
            own = columns.setdefault(gdal.OGR_L_GetName(layer).decode(), {})
            for place in range(gdal.OGR_FD_GetFieldCount(definition)):
                column = gdal.OGR_FD_GetFieldDefn(definition, place)
                own[gdal.OGR_Fld_GetNameRef(column).decode()] = (
                    (gdal.OGR_Fld_GetDomainName(column) or b"").decode(),
                    (gdal.OGR_Fld_GetComment(column) or b"").decode(),
                )
        codes: dict[str, dict[str, str]] = {}
        ranges: dict[str, tuple[float, float, bool, bool]] = {}
        names = gdal.GDALDatasetGetFieldDomainNames(dataset, None)
        place = 0
        while names and names[place]:
            name = names[place]
            place += 1
            domain = gdal.GDALDatasetGetFieldDomain(dataset, name)
            kind = gdal.OGR_FldDomain_GetDomainType(domain)
            if kind == _CODED:
                codes[name.decode()] = _codes(gdal.OGR_CodedFldDomain_GetEnumeration(domain))
            elif kind == _RANGE:
                ranges[name.decode()] = _range(gdal, domain)
        return Fields(columns, codes, ranges)
    finally:
        gdal.GDALClose(dataset)


def _codes(entries: Any) -> dict[str, str]:
    found: dict[str, str] = {}
    place = 0
    while entries[place].code:
        found[entries[place].code.decode()] = (entries[place].value or b"").decode()
        place += 1
    return found


def _range(gdal: Any, domain: Any) -> tuple[float, float, bool, bool]:
    kind = gdal.OGR_FldDomain_GetFieldType(domain)
    member = {_INTEGER: "integer", _LONG: "long", _REAL: "real"}[kind]
    ends: list[float] = []
    held: list[bool] = []
    for function in (gdal.OGR_RangeFldDomain_GetMin, gdal.OGR_RangeFldDomain_GetMax):
        inclusive = ctypes.c_bool(False)
        end = function(domain, ctypes.byref(inclusive)).contents
        ends.append(float(getattr(end, member)))
        held.append(inclusive.value)
    return ends[0], ends[1], held[0], held[1]
