"""roofplat: standing roof plans for a fire district, in true map coordinates.

In: a `district.toml` that names the district's layers.
Out: an inventory, standing plans, maps that work offline, and a ranked list.

The rooms, from left to right: `intake`, `record`, `inventory`, `framing`, `placing`, `venting`, `ranking`,
`publish`, `serve`; `pipeline` composes them.
"""

from __future__ import annotations

import os

# That of `typing` would have to be imported, before anybody listens to signals.
TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from roofplat.district import District, read_district
    from roofplat.errors import RoofplatError
    from roofplat.pipeline import Built, build
    from roofplat.rules import Rulebook, load_rulebook

__all__ = ["Built", "District", "RoofplatError", "Rulebook", "build", "load_rulebook", "read_district"]
__version__ = "0.1.0"
# A plan may not depend on which grids a machine could fetch on the day: PROJ asks no network, in no thread
# and in no process that is started from here.
os.environ["PROJ_NETWORK"] = "OFF"
_HOMES = {
    "Built": "pipeline",
    "District": "district",
    "RoofplatError": "errors",
    "Rulebook": "rules",
    "build": "pipeline",
    "load_rulebook": "rules",
    "read_district": "district",
}


def __getattr__(name: str) -> Any:
    # The rooms load when they are first asked for: a command listens to signals first, and its help need not
    # wait for them.
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(f"roofplat.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
