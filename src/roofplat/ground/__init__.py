"""True ground: feet on the ellipsoid, azimuths from true north, National Grid strings.

In: coordinates in any CRS that pyproj knows.
Out: local planes in ground feet for each building, areas and lengths in feet, USNG strings; transformers
    that are made once.
"""

from roofplat.ground.local import Ground, LocalPlanes, local_planes
from roofplat.ground.transformers import transformer
from roofplat.ground.usng import usng, usng_bytes

__all__ = ["Ground", "LocalPlanes", "local_planes", "transformer", "usng", "usng_bytes"]
