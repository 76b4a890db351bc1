"""roofplat: standing roof plans for a fire district, in true map coordinates.

In: a `district.toml` that names the district's layers.
Out: an inventory, standing plans, maps that work offline, and a ranked list.

The rooms, from left to right: `intake`, `inventory`, `framing`, `placing`, `ranking`, `publish`;
`pipeline` composes them.
"""

from __future__ import annotations

from roofplat.district import District, read_district
from roofplat.errors import RoofplatError
from roofplat.pipeline import Built, build
from roofplat.rules import Rulebook, load_rulebook

__all__ = ["Built", "District", "RoofplatError", "Rulebook", "build", "load_rulebook", "read_district"]
__version__ = "0.1.0"
