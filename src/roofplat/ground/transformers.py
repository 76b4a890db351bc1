"""Ways from one CRS to another, made once.

In: two coordinate reference systems.
Out: the transformer between them, easting or longitude first.

To make one takes longer than to turn a few thousand points; they are kept, for a server asks for the
same few all day. One may be used by many threads at once (pyproj 3.1 and newer).
"""

from __future__ import annotations

from functools import lru_cache

from pyproj import CRS, Transformer, network

__all__ = ["transformer"]

_KEPT = 64
# For what was made of PROJ before the package was imported, and said so; see the package.
network.set_network_enabled(active=False)  # type: ignore[attr-defined]  # in its documentation


@lru_cache(maxsize=_KEPT)
def transformer(source: CRS, target: CRS) -> Transformer:
    """The transformer from one CRS to another, x before y in both.

    Parameters
    ----------
    source, target
        Two that are equal share a transformer.

    Returns
    -------
    Transformer

    Examples
    --------
    >>> lon, lat = transformer(CRS("EPSG:32613"), CRS("EPSG:4326")).transform(500_000.0, 4_400_000.0)
    >>> round(lon, 6), round(lat, 4)
    (-105.0, 39.7499)
    """
    return Transformer.from_crs(source, target, always_xy=True)
