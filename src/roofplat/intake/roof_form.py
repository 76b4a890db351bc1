"""What a layer says of the form of its roofs, brought to the house's meaning.

In: typed columns of a layer, and what a preset knows of them: whether `height` counts the roof in,
    and where `roof:direction` points.
Out: the columns, and the layer with a problem row for every value that was left out.

The house's height is the roof edge's. OpenStreetMap and Overture Maps state the height of the whole
building and that of its roof, so the edge lies at the one less the other.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.intake.layer import Layer
from roofplat.intake.values import limits
from roofplat.rules import Rulebook

__all__ = ["EDGE", "edge_heights", "edges_not_known", "ridge_directions"]

EDGE = "edge_height_not_known"
"""Code of the row that says of how many roofs the edge's height is not known; it begins with the number."""

_PITCHED = ("gabled", "hipped", "monopitch", "sawtooth", "arched", "other")


def edge_heights(layer: Layer, columns: pd.DataFrame, rules: Rulebook) -> tuple[Layer, pd.DataFrame]:
    """Take the roof's own height off the height of the whole building.

    Parameters
    ----------
    layer
        n rows.
    columns
        `height_ft` from the ground to the top of the roof, `roof_height_ft` and `roof_shape` where
        the layer has them; n rows.
    rules
        `intake.range.height_ft`: the least height of a roof edge.

    Returns
    -------
    layer
        With a warning where the two heights cannot both be, and an info row that says how many
        heights are those of whole buildings because nobody states their roofs'.
    columns
        `height_ft` from the ground to the roof edge where the roof's height is known, else as it
        was. Where the edge would lie too low it is missing, and below the ground the roof's too.

    Notes
    -----
    Overture schema, buildings: `height` runs from the lowest point to the highest, `roof_height`
    from the base of the roof to its highest point. The OpenStreetMap wiki says the same of
    `height` and `roof:height`.
    """
    if "height_ft" not in columns:
        return layer, columns
    whole = columns["height_ft"]
    nothing = pd.Series(np.nan, index=columns.index)
    roof = columns.get("roof_height_ft", nothing)
    edge = whole - roof
    low, _ = limits("height_ft", rules)
    too_low = (edge < low).to_numpy(dtype=bool)
    impossible = (edge < 0).to_numpy(dtype=bool)
    words = [
        f"The building is {top:.4g} ft high and its roof {rise:.4g} ft, which leaves an edge at "
        f"{top - rise:.4g} ft; {'both were' if below else 'the height of the edge was'} left out."
        for top, rise, below in zip(whole[too_low], roof[too_low], impossible[too_low], strict=True)
    ]
    action = "Correct the height of the building or that of its roof."
    layer = layer.note(too_low, "roof_above_edge", words, action, "warning")
    changed = columns.assign(height_ft=edge.where(roof.notna(), whole).mask(too_low))
    if "roof_height_ft" in columns:
        changed["roof_height_ft"] = roof.mask(impossible)
    if "roof_shape" in columns:
        silent = columns["roof_shape"].isin(_PITCHED) & whole.notna() & roof.isna()
        if silent.any():
            layer = layer.remark(*edges_not_known(int(silent.sum())))
    return layer, changed


def edges_not_known(count: int) -> tuple[str, str, str]:
    """What is said of a layer with so many heights of whole buildings: code, message, action."""
    return (
        EDGE,
        f"{count} roofs that are not flat have a height of the whole building and none "
        "of the roof; the whole height stands for the edge's.",
        "State the height of the roof, or of its edge.",
    )


def ridge_directions(
    layer: Layer, columns: pd.DataFrame, facing_deg: pd.Series[Any] | None, rules: Rulebook
) -> tuple[Layer, pd.DataFrame]:
    """Turn the direction that a roof faces into its ridge, and see that a record has one ridge only.

    Parameters
    ----------
    layer
        n rows.
    columns
        `roof_shape`, `ridge_deg` and `downslope_deg` where the layer has them; n rows.
    facing_deg
        Which way a slope of the roof falls, true azimuth, missing where nobody says; shape (n,).
        None where the layer has no such column.
    rules
        `intake.ridge_apart_deg`: how far two directions of one ridge may lie apart.

    Returns
    -------
    layer
        With a warning for each record whose directions contradict each other.
    columns
        With `ridge_deg` at right angles to the slope, and `downslope_deg` for monopitch roofs. A
        direction that the record states itself goes before one that was turned. A flat roof takes
        none. Where they contradict each other there is neither.
    """
    changed = columns.copy()
    nothing = pd.Series(np.nan, index=columns.index)
    shape = columns["roof_shape"] if "roof_shape" in columns else pd.Series(None, index=columns.index)
    ridge = columns.get("ridge_deg", nothing)
    down = columns.get("downslope_deg", nothing)
    facing = nothing if facing_deg is None else facing_deg.mask((shape == "flat").to_numpy(dtype=bool))

    single = (shape == "monopitch").to_numpy(dtype=bool)
    far = rules.number("intake.ridge_apart_deg")
    # A ridge runs at right angles to every slope; where there is one slope only, it falls one way.
    mask = (
        (_apart(ridge, down + 90.0, 180.0) > far)
        | (_apart(ridge, facing + 90.0, 180.0) > far)
        | (_apart(down, facing, np.where(single, 360.0, 180.0)) > far)
    )
    words = [
        "Its ridge directions contradict each other: "
        + ", ".join(
            f"{what} {value:.4g} deg"
            for what, value in zip(("the ridge runs", "the roof falls", "a slope faces"), values, strict=True)
            if not np.isnan(value)
        )
        + "; they were left out."
        for values in zip(ridge[mask], down[mask], facing[mask], strict=True)
    ]
    layer = layer.note(
        mask,
        "contradictory_ridge",
        words,
        "Find out which is right: a ridge runs at right angles to the slopes.",
        "warning",
    )
    if facing_deg is not None:
        changed["ridge_deg"] = ridge.fillna((facing + 90.0) % 180.0)
        changed["downslope_deg"] = down.fillna(facing.where(single))
    for field in ("ridge_deg", "downslope_deg"):
        if field in changed:
            changed[field] = changed[field].mask(mask)
    return layer, changed


def _apart(one: pd.Series[Any], other: pd.Series[Any], turn: Any) -> npt.NDArray[np.float64]:
    """Degrees between two directions that repeat after a turn; missing where one of them is."""
    gap = np.abs(one.to_numpy(dtype=float) - other.to_numpy(dtype=float)) % turn
    return np.asarray(np.minimum(gap, turn - gap))
