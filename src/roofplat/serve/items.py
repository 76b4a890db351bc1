"""What a request asks of a layer, whatever the layer is kept in.

In: the parameters of OGC API Features as pygeoapi hands them on: texts and numbers.
Out: typed values, days, boxes that a projection can take; features of GeoJSON; one sentence for what is none.
"""

from __future__ import annotations

import datetime
import itertools
import json
import math
import re
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from pygeoapi.provider.base import ProviderConnectionError, ProviderInvalidQueryError
from pyproj import Transformer

from roofplat.tables import TABLES

__all__ = [
    "DATE_COLUMNS",
    "DECIMALS",
    "KEY",
    "NEVER",
    "Box",
    "LayerBusyError",
    "boxes_near",
    "fields_of",
    "interval_of",
    "outward",
    "places_of",
    "ring_of",
    "title_of",
    "value_of",
]

Box = tuple[float, float, float, float]
"""West, south, east and north."""

KEY = "fid"
"""The column that numbers the rows of a layer."""
DECIMALS = 7
"""Degrees to the centimetre."""
DATE_COLUMNS: Mapping[str, str] = {
    "buildings": "surveyed_on",
    "facts": "date",
    "section_facts": "date",
    "ranking": "next_due",
}
"""The column by which the rows of a layer have their date."""
NEVER = object()
"""A value that no row can have."""
# Points along each edge of a box: a parallel of 20 km is drawn to 2 cm by them.
_ALONG = 32
# How far around a layer boxes are looked at, degrees: beyond, a projection may have no values.
_AROUND_DEG = 0.1
_LARGEST = 2**63
_WHOLE = re.compile(r"[+-]?\d{1,30}")
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}(?:T\S{1,40})?")
_TRUTH = {"true": True, "1": True, "false": False, "0": False}
_JSON_TYPES: Mapping[str, dict[str, Any]] = {
    "INTEGER": {"type": "integer"},
    "REAL": {"type": "number"},
    "BOOLEAN": {"type": "boolean"},
    "DATE": {"type": "string", "format": "date"},
}
_TAKES = {
    "INTEGER": "a whole number",
    "REAL": "a number",
    "BOOLEAN": "true or false",
    "DATE": "a day such as 2024-05-31",
}


class LayerBusyError(ProviderConnectionError):  # type: ignore[misc]  # pygeoapi has no types
    """The layers cannot be read now; what to do stands in the message."""

    http_status_code = HTTPStatus.SERVICE_UNAVAILABLE


def title_of(layer: str) -> str:
    """What a collection is called.

    Examples
    --------
    >>> title_of("solar_access")
    'Solar access'
    """
    return layer.replace("_", " ").capitalize()


def fields_of(layer: str, kinds: Mapping[str, str]) -> dict[str, dict[str, Any]]:
    """Columns with their types as JSON Schema has them.

    Parameters
    ----------
    layer
        Its name.
    kinds
        Column to `INTEGER`, `REAL`, `BOOLEAN`, `DATE` or `TEXT`.

    Returns
    -------
    dict
        A type, a format for dates, and where the table names them the allowed words, the meaning, and the
        unit, as OGC API - Features - Part 5: Schemas has it.

    Examples
    --------
    >>> fields_of("paths", {"length_ft": "REAL"})
    {'length_ft': {'type': 'number', 'description': 'length', 'x-ogc-unit': 'ft'}}
    """
    table = TABLES.get(layer)
    fields = {}
    for name, kind in kinds.items():
        column = None if table is None else table.columns.get(name)
        said = dict(_JSON_TYPES.get(kind, {"type": "string"}))
        if column is not None and column.allowed:
            said["values"] = list(column.allowed)
        if column is not None:
            said["description"] = column.meaning
            said |= {"x-ogc-unit": column.unit} if column.unit else {}
        fields[name] = said
    return fields


def value_of(name: str, kind: str, text: str) -> Any:
    """A value of a column that is given as text.

    Parameters
    ----------
    name
        The column, for the sentence.
    kind
        As for `fields_of`.
    text
        What the request says.

    Returns
    -------
    int, float, bool, datetime.date, str or NEVER

    Raises
    ------
    ProviderInvalidQueryError
        It can be no value of that column.

    Examples
    --------
    >>> value_of("storeys", "INTEGER", "2"), value_of("sprinklered", "BOOLEAN", "True")
    (2, True)
    """
    found: Any = text
    if kind == "INTEGER":
        found = int(text) if _WHOLE.fullmatch(text) else None
        if found is not None and not -_LARGEST <= found < _LARGEST:
            return NEVER
    elif kind == "REAL":
        try:
            found = float(text)
        except ValueError:
            found = None
    elif kind == "BOOLEAN":
        found = _TRUTH.get(text.lower())
    elif kind == "DATE":
        found = _day(text)
    elif not _storable(text):
        return NEVER
    if found is None:
        raise ProviderInvalidQueryError(
            user_msg=f"{text[:60]!r} is no value of {name}, which takes {_TAKES[kind]}."
        )
    return found


def interval_of(text: str) -> tuple[datetime.date | None, datetime.date | None]:
    """First and last day of an interval; None where it is open.

    Parameters
    ----------
    text
        A day, or two with `/` between, either of which may be `..` or nothing.

    Returns
    -------
    first, last

    Raises
    ------
    ProviderInvalidQueryError
        It is none.

    Examples
    --------
    >>> interval_of("../2024-05-31")
    (None, datetime.date(2024, 5, 31))
    """
    first, slash, last = text.partition("/")
    ends: list[datetime.date | None] = []
    for end in (first, last if slash else first):
        day = None if slash and end in ("", "..") else _day(end)
        if day is None and not (slash and end in ("", "..")):
            raise ProviderInvalidQueryError(
                user_msg=f"datetime is {text[:60]!r}; give a day as 2024-05-31, or two with a / between, "
                "either of which may be two dots."
            )
        ends.append(day)
    return ends[0], ends[1]


def boxes_near(bbox: Sequence[float], extent: Box | None) -> list[Box] | None:
    """The boxes that have to be looked at in a layer.

    Parameters
    ----------
    bbox
        West, south, east and north in CRS84 degrees; or six numbers, of which heights are not looked at. A
        west greater than the east goes across the 180th meridian.
    extent
        Of the layer, CRS84 degrees; None where it has no geometry.

    Returns
    -------
    list of Box or None
        Cut to a little more than the layer, none where it lies elsewhere; None where all of it is inside.

    Raises
    ------
    ProviderInvalidQueryError
        They are no box.

    Examples
    --------
    >>> boxes_near((-120, 30, -100, 50), (-110.0, 40.0, -109.9, 40.1)) is None
    True
    >>> boxes_near((0, 0, 1, 1), (-110.0, 40.0, -109.9, 40.1))
    []
    """
    boxes = _boxes(bbox)
    if extent is None:
        return []
    west, south, east, north = extent
    if west > east:
        # The layer itself lies across the 180th meridian: count on from 180 degrees.
        east += 360.0
        boxes = [*boxes, *((box[0] + 360.0, box[1], box[2] + 360.0, box[3]) for box in boxes)]
    near = []
    for box in boxes:
        if box[0] <= west and box[1] <= south and box[2] >= east and box[3] >= north:
            return None
        cut = (
            max(box[0], west - _AROUND_DEG),
            max(box[1], south - _AROUND_DEG),
            min(box[2], east + _AROUND_DEG),
            min(box[3], north + _AROUND_DEG),
        )
        if cut[0] <= cut[2] and cut[1] <= cut[3]:
            near.append(cut)
    return near


def outward(box: Sequence[float]) -> list[float]:
    """A box with as many decimals as features have, around all of what it was around.

    Examples
    --------
    >>> outward((7.00000004, -45.00000004, 7.2, 45.1))
    [7.0, -45.0000001, 7.2, 45.1]
    """
    unit = 10.0**DECIMALS
    down = [math.floor(edge * unit) / unit for edge in box[:2]]
    return [*down, *(math.ceil(edge * unit) / unit for edge in box[2:])]


def ring_of(box: Box, from_lonlat: Transformer) -> npt.NDArray[np.float64]:
    """The edges of a box in the CRS of a layer.

    Parameters
    ----------
    box
        CRS84 degrees.
    from_lonlat
        To the CRS of the layer.

    Returns
    -------
    ndarray
        Shape (4, n, 2): south, east, north and west edge, against the clock, with points along each.
    """
    west, south, east, north = box
    corners = np.array([(west, south), (east, south), (east, north), (west, north), (west, south)])
    step = np.linspace(0.0, 1.0, _ALONG)[:, None]
    ring = np.concatenate([start + step * (end - start) for start, end in itertools.pairwise(corners)])
    x, y = from_lonlat.transform(ring[:, 0], ring[:, 1])
    return np.stack([x, y], axis=1).reshape(4, _ALONG, 2)


def places_of(shapes: npt.NDArray[np.object_], to_lonlat: Transformer) -> list[Any]:
    """Geometry in longitude and latitude, as GeoJSON has it.

    Parameters
    ----------
    shapes
        In the CRS of a layer, shape (n,).
    to_lonlat
        From that CRS to CRS84.

    Returns
    -------
    list of dict
        n long; None where there is no geometry.
    """
    points = shapely.get_coordinates(shapes)
    lon, lat = to_lonlat.transform(points[:, 0], points[:, 1])
    shapes = shapely.set_coordinates(shapes, np.round(np.stack([lon, lat], axis=1), DECIMALS))
    # RFC 7946, section 3.1.6: outer rings run against the clock.
    texts = (text or "null" for text in shapely.to_geojson(shapely.orient_polygons(shapes)))
    made: list[Any] = json.loads(f"[{','.join(texts)}]")
    return made


def _storable(text: str) -> bool:
    """Whether a text can stand in a row at all."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _day(text: str) -> datetime.date | None:
    """The day of a date or a moment."""
    if not _DAY.fullmatch(text):
        return None
    try:
        return datetime.date.fromisoformat(text[:10])
    except ValueError:
        return None


def _boxes(bbox: Sequence[float]) -> list[Box]:
    """One box, or two where it goes across the 180th meridian."""
    flat = (*bbox[:2], *bbox[3:5]) if len(bbox) == 6 else tuple(bbox)
    if len(flat) != 4 or not all(map(math.isfinite, flat)):
        raise ProviderInvalidQueryError(
            user_msg="bbox takes four numbers: west, south, east and north in degrees."
        )
    west, south, east, north = flat
    if south > north:
        raise ProviderInvalidQueryError(user_msg="bbox has its south above its north; exchange them.")
    if west > east:
        return [(west, south, 180.0, north), (-180.0, south, east, north)]
    return [(west, south, east, north)]
