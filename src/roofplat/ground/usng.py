"""US National Grid strings for many points at once.

In: longitudes and latitudes on WGS 84 (or NAD 83, which the grid treats alike).
Out: strings such as `18S UJ 23480 06470`, to 1 m.

Source of the lettering: FGDC-STD-011-2001, US National Grid, which takes the zones, bands and
100,000 m square letters of MGRS. Easting and northing are truncated, not rounded.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt
from pyproj import CRS, Transformer

from roofplat.ground.transformers import transformer

__all__ = ["usng", "usng_bytes"]


def _letters(text: str) -> npt.NDArray[np.uint8]:
    return np.frombuffer(text.encode("ascii"), dtype=np.uint8)


_BANDS = _letters("CDEFGHJKLMNPQRSTUVWXX")
_COLUMNS = (_letters("ABCDEFGH"), _letters("JKLMNPQR"), _letters("STUVWXYZ"))
_ROWS = _letters("ABCDEFGHJKLMNPQRSTUV")
_WGS84 = CRS("EPSG:4326")
_TWO_DIGITS = _letters("".join(f"{number:02d}" for number in range(100))).reshape(-1, 2)
_THREE_DIGITS = _letters("".join(f"{number:03d}" for number in range(1000))).reshape(-1, 3)


def usng(lon: npt.NDArray[np.float64], lat: npt.NDArray[np.float64]) -> npt.NDArray[np.str_]:
    """US National Grid strings to 1 m.

    Parameters
    ----------
    lon, lat
        Degrees on WGS 84, shape (n,); latitudes from -80 to 84.

    Returns
    -------
    ndarray of str
        Shape (n,); an empty string where a coordinate is missing or outside the grid.

    Notes
    -----
    The zones of Norway and Svalbard are not widened: the grid is for the United States.

    Examples
    --------
    >>> import numpy as np
    >>> print(usng(np.array([-77.0353]), np.array([38.8895]))[0])
    18S UJ 23478 06483
    """
    return usng_bytes(lon, lat).astype("U18")


def usng_bytes(lon: npt.NDArray[np.float64], lat: npt.NDArray[np.float64]) -> npt.NDArray[np.bytes_]:
    """The same as ASCII bytes, shape (n,), dtype S18; see `usng`."""
    lon, lat = np.asarray(lon, dtype=float), np.asarray(lat, dtype=float)
    text = np.zeros(lon.shape, dtype="S18")
    usable = np.isfinite(lon) & np.isfinite(lat) & (lat >= -80) & (lat <= 84)
    zone = ((np.where(usable, lon + 180.0, 0.0) % 360.0) // 6).astype(np.int64) + 1
    # Zones south of the equator are numbered below zero.
    side = np.where(usable, np.where(lat >= 0, zone, -zone), 0)
    for number in np.unique(side[usable]):
        here = side == number
        text[here] = _one_zone(lon[here], lat[here], abs(int(number)), bool(number > 0))
    return text


@cache
def _to_zone(zone: int, north: bool) -> Transformer:
    """Longitude and latitude to eastings and northings of a zone."""
    return transformer(_WGS84, CRS.from_dict({"proj": "utm", "zone": zone, "south": not north}))


def _one_zone(
    lon: npt.NDArray[np.float64], lat: npt.NDArray[np.float64], zone: int, north: bool
) -> npt.NDArray[np.bytes_]:
    utm = _to_zone(zone, north)
    # Truncated to the metre; both are above zero.
    easting, northing = (metres.astype(np.int32) for metres in utm.transform(lon, lat))
    square_east, square_north = easting // 100_000, northing // 100_000
    # Characters are laid out as bytes: formatting each string would cost more than the grid.
    codes = np.full((lon.size, 18), ord(" "), dtype=np.uint8)
    codes[:, 0:2] = _TWO_DIGITS[zone]
    codes[:, 2] = _BANDS[((lat + 80.0) // 8.0).astype(np.int32)]
    codes[:, 4] = _COLUMNS[(zone - 1) % 3][square_east - 1]
    # Row letters run through 20 letters in 2,000 km and start at F in even zones.
    codes[:, 5] = _ROWS[(square_north + (5 if zone % 2 == 0 else 0)) % 20]
    for place, within in ((7, easting - square_east * 100_000), (13, northing - square_north * 100_000)):
        thousands = within // 1000
        codes[:, place : place + 2] = _TWO_DIGITS[thousands]
        codes[:, place + 2 : place + 5] = _THREE_DIGITS[within - thousands * 1000]
    return codes.view("S18").ravel()
