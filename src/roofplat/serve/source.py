"""Where the layers of the service come from, and when they are others than before.

In: one run of the service.
Out: its collections; a value that changes when the layers do; the name of the build.
"""

from __future__ import annotations

import json
from collections.abc import Hashable
from typing import Any, Protocol

from roofplat.errors import LayerError
from roofplat.publish.stock import FILE_FAULTS, identity_of, setting_told
from roofplat.serve.setting import Serving

__all__ = ["FileSource", "Source", "source_of"]

_DAMAGED = "The files of the build cannot be read, they may be damaged; build the district again."


class Source(Protocol):
    """The layers of a build, in files or in a database."""

    def identity(self) -> Hashable:
        """A value that is another one when the layers are."""
        ...

    def build(self) -> str:
        """Name of the build."""
        ...

    def collections(self) -> list[dict[str, Any]]:
        """The collections there are now, as `api_config` takes them."""
        ...


class FileSource:
    """The layers in the files of a build."""

    def __init__(self, serving: Serving) -> None:
        self._layers = serving.folder / "layers.gpkg"
        self._stock = serving.folder / "planner.gpkg"
        self._seconds = serving.service.query_seconds

    def identity(self) -> Hashable:
        """A value that is another one when the layers are.

        Raises
        ------
        LayerError
            They cannot be looked at.
        """
        try:
            return identity_of(self._layers), identity_of(self._stock)
        except OSError as error:
            raise LayerError(
                f"The layers of the build cannot be read ({error.strerror}); build the district again."
            ) from None

    def build(self) -> str:
        """Name of the build.

        Raises
        ------
        LayerError
            Its file cannot be read.
        """
        try:
            return str(json.loads(setting_told(self._stock))["build"])
        except (*FILE_FAULTS, ValueError, KeyError, TypeError, RecursionError):
            raise LayerError(_DAMAGED) from None

    def collections(self) -> list[dict[str, Any]]:
        """The collections there are now, as `api_config` takes them.

        Raises
        ------
        LayerError
            They cannot be read.
        """
        from roofplat.serve.layers import collections

        try:
            return collections(self._layers, query_seconds=self._seconds)
        except FILE_FAULTS:
            raise LayerError(_DAMAGED) from None


def source_of(serving: Serving) -> Source:
    """Where a run reads from.

    Raises
    ------
    DistrictFileError
        The address of the database is none.
    """
    if serving.database is None:
        return FileSource(serving)
    # Here and not above: who reads files does not wait for what reads databases.
    from roofplat.serve.database import DatabaseSource

    return DatabaseSource(serving.database, serving.service.query_seconds)
