"""One layer on its way through the intake: its rows, and which are kept, mended or refused.

In: rows as a file gave them.
Out: `Layer`, a value that every step replaces with a new one; nothing is dropped before the end,
    so that read = kept + refused holds by construction.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from pyproj import CRS

from roofplat.tables import problem_rows

__all__ = ["BoolArray", "Layer", "TextArray"]

BoolArray = npt.NDArray[np.bool_]
TextArray = npt.NDArray[np.object_]
Severity = Literal["error", "warning", "info"]


@dataclass(frozen=True, slots=True)
class Layer:
    """n rows of a layer and what became of each.

    label
        The layer's name in problems and counts.
    name
        The layer's own name, from which ids are made where it has none.
    driver
        The format it came in.
    rows
        The file's columns without geometry, RangeIndex of n.
    geometry
        Same index; in `crs` of its own until it is moved to the working CRS. None for a table.
    feature
        What a problem row calls each feature, shape (n,).
    kept, repaired
        Shape (n,).
    ids
        Cleaned ids by row, where a column holds any.
    refusal
        Severity of a refused feature: `error` for footprints, `warning` for all else.
    problems
        Frames of problem rows so far.
    row
        Row numbers in the file, from 1, shape (n,); None where the layer holds all rows of the file.
    home
        Which rows belong to the part of a district that is read, shape (n,); the others are only seen from
        there. None where all do.
    names
        Ids as they were made unique among all rows of the file, where that was done before.
    kept_names
        Ids that the record of surveys gives instead, missing where it gives no other.
    """

    label: str
    name: str
    driver: str
    rows: pd.DataFrame
    geometry: gpd.GeoSeries | None
    feature: TextArray
    kept: BoolArray
    repaired: BoolArray
    ids: pd.Series[Any] | None = None
    refusal: Severity = "warning"
    problems: tuple[pd.DataFrame, ...] = ()
    row: npt.NDArray[np.int64] | None = None
    home: BoolArray | None = None
    names: pd.Series[Any] | None = None
    kept_names: pd.Series[Any] | None = None

    def numbers(self) -> npt.NDArray[np.int64]:
        """Return the row numbers in the file, from 1, shape (n,)."""
        return np.arange(1, len(self.rows) + 1) if self.row is None else self.row

    @property
    def crs(self) -> CRS | None:
        """The CRS of the geometry."""
        return None if self.geometry is None else self.geometry.crs

    def required_crs(self) -> CRS:
        """The CRS of the geometry of a layer that is known to have one."""
        if self.crs is None:
            raise TypeError(f"{self.label} has no CRS.")
        return self.crs

    def shapes(self) -> npt.NDArray[np.object_]:
        """Return the geometry as a plain array, shape (n,)."""
        if self.geometry is None:
            raise TypeError(f"{self.label} has no geometry.")
        return np.asarray(self.geometry.array, dtype=object)

    def with_shapes(self, shapes: npt.NDArray[np.object_], crs: CRS | None = None) -> Layer:
        """Return the layer with other shapes, shape (n,)."""
        return replace(self, geometry=gpd.GeoSeries(shapes, index=self.rows.index, crs=crs or self.crs))

    def note(
        self,
        mask: BoolArray,
        code: str,
        message: str | Sequence[str] | npt.NDArray[Any],
        action: str,
        severity: Severity = "info",
    ) -> Layer:
        """Log one row for each masked feature; `message` is one for all or one for each of them."""
        if not mask.any():
            return self
        words = message if isinstance(message, str) else [str(part) for part in message]
        rows = problem_rows(self.label, self.feature[mask], code, severity, words, action)
        return replace(self, problems=(*self.problems, rows))

    def remark(self, code: str, message: str, action: str, severity: Severity = "info") -> Layer:
        """Log one row for the layer as a whole."""
        rows = problem_rows(self.label, [""], code, severity, message, action)
        return replace(self, problems=(*self.problems, rows))

    def mend(
        self,
        mask: BoolArray,
        code: str,
        message: str | Sequence[str] | npt.NDArray[Any],
        action: str,
        severity: Severity = "info",
    ) -> Layer:
        """Log a repair of each masked feature that is still kept."""
        if not isinstance(message, str):
            message = np.asarray(message, dtype=object)[self.kept[mask]]
        mask = mask & self.kept
        logged = self.note(mask, code, message, action, severity)
        return replace(logged, repaired=self.repaired | mask)

    def refuse(
        self,
        mask: BoolArray,
        code: str,
        message: str | Sequence[str] | npt.NDArray[Any],
        action: str,
        severity: Severity | None = None,
    ) -> Layer:
        """Refuse each masked feature that is still kept, and log it."""
        if not isinstance(message, str):
            message = np.asarray(message, dtype=object)[self.kept[mask]]
        mask = mask & self.kept
        logged = self.note(mask, code, message, action, severity or self.refusal)
        return replace(logged, kept=self.kept & ~mask, repaired=self.repaired & ~mask)

    def counts(self) -> dict[str, object]:
        """Return the layer's line of the counts table, of the rows at home."""
        home = np.ones(len(self.rows), dtype=bool) if self.home is None else self.home
        read, kept = int(home.sum()), int((self.kept & home).sum())
        return {
            "layer": self.label,
            "read": read,
            "kept": kept,
            "repaired": int((self.repaired & home).sum()),
            "refused": read - kept,
        }
