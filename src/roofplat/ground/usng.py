"""US National Grid strings for many points at once.

In: longitudes and latitudes on WGS 84 (or NAD 83, which the grid treats alike).
Out: strings such as `18S UJ 23480 06470`, to 1 m.

Source of the lettering: FGDC-STD-011-2001, US National Grid, which takes the zones, bands and
100,000 m square letters of MGRS. Easting and northing are truncated, not rounded.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from pyproj import CRS, Transformer

__all__ = ["usng"]

_BANDS = np.array(list("CDEFGHJKLMNPQRSTUVWXX"))
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"
_COLUMNS = np.array([list(_LETTERS[0:8]), list(_LETTERS[8:16]), list(_LETTERS[16:24])])
_ROWS = np.array(list(_LETTERS[:20]))


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
    lon = np.asarray(lon, dtype=float)
    lat = np.asarray(lat, dtype=float)
    text = np.full(lon.shape, "", dtype="<U18")
    usable = np.isfinite(lon) & np.isfinite(lat) & (lat >= -80) & (lat <= 84)
    wrapped = np.where(usable, lon + 180.0, 0.0) % 360.0
    zone = np.zeros(lon.shape, dtype=int)
    zone[usable] = (wrapped[usable] // 6).astype(int) + 1
    for number in np.unique(zone[usable]):
        for north in (True, False):
            here = usable & (zone == number) & ((lat >= 0) == north)
            if here.any():
                text[here] = _one_zone(lon[here], lat[here], int(number), north)
    return text


def _one_zone(
    lon: npt.NDArray[np.float64], lat: npt.NDArray[np.float64], zone: int, north: bool
) -> npt.NDArray[np.str_]:
    utm = Transformer.from_crs(
        "EPSG:4326", CRS.from_dict({"proj": "utm", "zone": zone, "south": not north}), always_xy=True
    )
    easting, northing = utm.transform(lon, lat)
    easting = np.floor(easting).astype(np.int64)
    northing = np.floor(northing).astype(np.int64)
    band = _BANDS[((lat + 80.0) // 8.0).astype(int)]
    column = _COLUMNS[(zone - 1) % 3][easting // 100_000 - 1]
    # Row letters run through 20 letters in 2,000 km and start at F in even zones.
    row = _ROWS[(northing // 100_000 + (5 if zone % 2 == 0 else 0)) % 20]

    # Characters are laid out as code points: formatting each string would cost more than the grid.
    codes = np.full((lon.size, 18), ord(" "), dtype=np.uint32)
    codes[:, 0] = ord("0") + zone // 10
    codes[:, 1] = ord("0") + zone % 10
    codes[:, 2] = band.view(np.uint32)
    codes[:, 4] = column.view(np.uint32)
    codes[:, 5] = row.view(np.uint32)
    for digit in range(5):
        power = 10 ** (4 - digit)
        codes[:, 7 + digit] = ord("0") + (easting // power) % 10
        codes[:, 13 + digit] = ord("0") + (northing // power) % 10
    return codes.view("<U18").ravel()
