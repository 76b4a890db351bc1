"""The page in place of a map that would hold too many buildings: its areas, each a link to a page of its own.

In: groups of buildings, each with its name, its page, what is counted of it and its outline.
Out: one HTML page that opens with no network: the outlines on a map, and the same groups as a list of links.

The list needs no script, and says all that the map says.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roofplat.publish.files import CAUTION, asset
from roofplat.publish.map_place import STEPS_PER_DEGREE
from roofplat.publish.map_shapes import FlatShapes, joined
from roofplat.publish.packing import flatten_column, pack_block, write_blocks
from roofplat.publish.page import LEAFLET_CSS, LEAFLET_JS, fill, html_page, leaflet_file, leaflet_licence

__all__ = ["Group", "is_overview", "overview_page"]

_STYLES = ("map.css", "map_overview.css")
_SCRIPTS = ("map_data.js", "map_overview.js")
_MARK = '<nav class="groups" id="groups"'
_CLASSES = ("lightweight", "not lightweight", "unknown")


@dataclass(frozen=True, slots=True)
class Group:
    """Buildings that have a page of their own.

    name, link
        What it is called, and the file, as seen from the page.
    buildings, surveyed
        How many there are, and of how many roofs a survey is on record.
    classes
        How many are of a family of each class: `lightweight`, `not lightweight`, `unknown`.
    outline
        Its outlines in steps, any number of rows; none where no place is known.
    """

    name: str
    link: str
    buildings: int
    surveyed: int
    classes: Mapping[str, int]
    outline: FlatShapes

    @property
    def words(self) -> str:
        """What is counted, as a sentence.

        Examples
        --------
        >>> nothing = np.array([], dtype=np.int64)
        >>> none = FlatShapes(nothing, np.array([0]), np.array([0]), nothing.reshape(0, 2))
        >>> Group("1", "1.html", 1200, 30, {"lightweight": 200, "unknown": 1000}, none).words
        '1,200 buildings: 200 of a lightweight family, 0 not, 1,000 unknown. 30 roofs surveyed.'
        """
        light, other, unknown = (self.classes.get(name, 0) for name in _CLASSES)
        return (
            f"{_counted(self.buildings, 'building')}: {light:,} of a lightweight family, {other:,} not, "
            f"{unknown:,} unknown. {_counted(self.surveyed, 'roof')} surveyed."
        )


def overview_page(
    title: str,
    groups: Sequence[Group],
    *,
    ground: str,
    overridden: Sequence[str],
    back: tuple[str, str] | None,
) -> str:
    """Put the page together.

    Parameters
    ----------
    title
        Heading of the page.
    groups
        In the order of the list.
    ground
        The sentence on what a foot means.
    overridden
        A line for each rule the department has changed.
    back
        Name and file of the page that this one is a part of; None where it is of none.

    Returns
    -------
    str
    """
    total = sum(group.buildings for group in groups)
    body = fill(
        "map_overview.html.j2",
        title=title,
        caution=CAUTION,
        ground=ground,
        overridden=list(overridden),
        licence=leaflet_licence(),
        groups=groups,
        total=_counted(total, "building"),
        back=back,
        overview=_packed(groups).decode("ascii"),
    )
    return html_page(
        title,
        styles=[leaflet_file(LEAFLET_CSS), *map(asset, _STYLES)],
        scripts=[leaflet_file(LEAFLET_JS), *map(asset, _SCRIPTS)],
        body=body,
    )


def is_overview(page: str) -> bool:
    """Whether a page of ours shows links to parts, and is no map itself.

    Examples
    --------
    >>> is_overview("<html></html>")
    False
    """
    return _MARK in page


def _packed(groups: Sequence[Group]) -> bytes:
    """Outlines of the groups, a row each, with the number of their group."""
    rows = np.repeat(np.arange(len(groups)), [len(group.outline.kind) for group in groups])
    shapes = joined([group.outline for group in groups])
    whole = np.array([0, len(rows)])
    template = {
        "shapes": shapes.head(whole),
        "rows": len(rows),
        "columns": {"group": flatten_column(pd.Series(rows)).head(whole)},
    }
    ((layer, data),) = write_blocks(template, 1)
    return pack_block({"steps_per_degree": STEPS_PER_DEGREE, "layer": layer}, data)


def _counted(number: int, name: str) -> str:
    return f"{number:,} {name}" + ("" if number == 1 else "s")
