"""Where the layers of the service come from, and when they are others than before.

In: one run of the service.
Out: its collections; a value that changes when the layers do; the name of the build.
"""

from __future__ import annotations

import importlib
import importlib.util
import os
from typing import Any

from roofplat.errors import LayerError
from roofplat.serve.setting import Serving

__all__ = ["build_of", "collections_of", "identity_of"]


def collections_of(serving: Serving) -> list[dict[str, Any]]:
    """The collections there are now, as `api_config` takes them."""
    if importlib.util.find_spec("roofplat.serve.layers") is None:
        return []
    layers = importlib.import_module("roofplat.serve.layers")
    found: list[dict[str, Any]] = layers.collections(serving.folder / "layers.gpkg")
    return found


def identity_of(serving: Serving) -> tuple[int, int, int]:
    """A value that is another one when the layers are.

    Raises
    ------
    LayerError
        They cannot be looked at.
    """
    path = serving.folder / "layers.gpkg"
    try:
        found = os.stat(path)  # noqa: PTH116  the one call
    except OSError as error:
        raise LayerError(
            f"The layers of the build cannot be read ({error.strerror}); build the district again."
        ) from None
    return found.st_ino, found.st_mtime_ns, found.st_size


def build_of(serving: Serving) -> str:
    """Name of the build."""
    return str(identity_of(serving)[1])
