"""Bar plots of counts and of rank intervals, as pictures that a page carries in itself.

In: a frame of counts (rows are bars, columns are their parts), or ranks with their intervals.
Out: `Plot`: an SVG as a `data:` address, its size, and words for those who do not see it.

Letters are drawn as outlines, not as text: a picture inside `<img>` cannot bring its fonts along,
so letters would take another width on every device and run into the bars. What is lost (finding
and copying text in the plot) the table beside each plot gives back. Colours are from the set of
Okabe and Ito (Color Universal Design, 2008) and differ in lightness or carry hatches, so that a
black and white print says the same.
"""

from __future__ import annotations

import base64
import bisect
import io
import math
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["ELLIPSIS", "MOST_BARS", "Look", "Plot", "bar_plot", "drawable", "interval_plot", "row_labels"]

ELLIPSIS = "…"
MOST_BARS = 40
"""More bars than this make no readable plot; the smallest are drawn as one."""

_INK = "#14181c"
_FAINT = "#b8bdc2"
_BOX = "▯"  # stands for a letter that the plot's typeface lacks, or that needs shaping
# The width of a phone's text column, so that a plot needs no shrinking there.
_WIDTH_PT = 268.0
_TYPE_PT = 8.5
_ROW_PT = 15.0
_LEGEND_ROW_PT = 14.0
_AXIS_PT = 34.0
_PAD_PT = 6.0
_LABEL_SHARE = 0.42
_MOST_ROWS_SAID = 12
_STYLE: Mapping[str, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": _TYPE_PT,
    "text.color": _INK,
    "text.parse_math": False,
    "text.usetex": False,
    "axes.edgecolor": _INK,
    "axes.labelcolor": _INK,
    "axes.linewidth": 0.8,
    "xtick.color": _INK,
    "ytick.color": _INK,
    "hatch.linewidth": 0.7,
    "svg.fonttype": "path",
    # Names inside the picture come from this and the content alone: the same counts, the same bytes.
    "svg.hashsalt": "roofplat",
}


@dataclass(frozen=True, slots=True)
class Look:
    """How one part of a bar is filled."""

    colour: str
    hatch: str = ""


@dataclass(frozen=True, slots=True)
class Plot:
    """A picture for a page.

    source
        `data:image/svg+xml;base64,...`
    alt
        What it shows, with the numbers of the first bars.
    width_px, height_px
        Its own size in CSS pixels.
    """

    source: str
    alt: str
    width_px: int
    height_px: int


def bar_plot(
    counts: pd.DataFrame,
    looks: Sequence[Look],
    *,
    title: str,
    shares: bool = False,
    axis: str = "buildings",
    apart: Sequence[str] = (),
) -> Plot | None:
    """Draw one horizontal bar for each row, its parts in the order of the columns.

    Parameters
    ----------
    counts
        Whole numbers from 0 up; the index names the bars from the top, the columns their parts.
    looks
        One for each column.
    title
        What is shown; goes into the words, not into the picture.
    shares
        Draw every bar to 100 percent; the number at its end is the count all the same.
    axis
        What is counted.
    apart
        Rows that are set off from those before them by a line.

    Returns
    -------
    Plot or None
        None where nothing is to be counted.

    Examples
    --------
    >>> counts = pd.DataFrame({"seen": [3, 0], "never": [1, 2]}, index=["North", "South"])
    >>> plot = bar_plot(counts, [Look("#0072b2"), Look("#ffffff", "////")], title="Surveys by area")
    >>> plot.alt
    'Bar plot: Surveys by area. North: seen 3, never 1; South: seen 0, never 2.'
    """
    if counts.empty or not counts.to_numpy().sum():
        return None
    shown = _fewer(counts)
    values = shown.to_numpy(dtype=float)
    totals = values.sum(axis=1)
    lengths = np.divide(100 * values, totals[:, None], out=np.zeros_like(values), where=totals[:, None] > 0)
    lengths = lengths if shares else values
    longest = 100.0 if shares else float(totals.max())
    names = [str(name) for name in shown.index]
    legend = [str(name) for name in shown.columns] if len(looks) > 1 else []
    legend_columns = 2 if legend and all(_width_pt(word) < _WIDTH_PT / 2 - 34 for word in legend) else 1
    legend_rows = math.ceil(len(legend) / legend_columns)

    from matplotlib.patches import Patch

    with _style():
        figure, axes = _sheet(names, legend_rows=legend_rows, ends=[f"{total:,.0f}" for total in totals])
        at = np.arange(len(names))
        left = np.zeros(len(names))
        for place, look in enumerate(looks):
            some = lengths[:, place] > 0
            axes.barh(
                at[some],
                lengths[some, place],
                left=left[some],
                height=0.72,
                **_filled(look),
            )
            left = left + lengths[:, place]
        for row, total in enumerate(totals):
            axes.annotate(
                f"{total:,.0f}",
                (float(left[row]), row),
                xytext=(3, 0),
                textcoords="offset points",
                va="center",
                annotation_clip=False,
            )
        for name in apart:
            if name in names and names.index(name):
                axes.axhline(names.index(name) - 0.5, color=_INK, linewidth=0.6, linestyle=(0, (2, 2)))
        axes.set_xlim(0, longest)
        if shares:
            axes.set_xticks([0, 25, 50, 75, 100], ["0%", "25%", "50%", "75%", "100%"])
            axes.set_xlabel("share; count at the end")
        else:
            _whole_ticks(axes)
            axes.set_xlabel(axis)
        if legend:
            figure.legend(
                [Patch(**_filled(look)) for look in looks],
                legend,
                loc="upper left",
                bbox_to_anchor=(0, 1),
                ncols=legend_columns,
                frameon=False,
                borderpad=0.1,
                handlelength=1.8,
                labelspacing=0.35,
                columnspacing=1.0,
            )
        return _plot(figure, _said(title, shown))


def interval_plot(
    names: Sequence[str], rank: Sequence[float], low: Sequence[float], high: Sequence[float], *, title: str
) -> Plot | None:
    """Draw each building's rank as a point on the span of ranks it may as well have.

    Parameters
    ----------
    names
        One for each building, from the top.
    rank, low, high
        Rank, and the best and worst rank in the interval; NaN draws no span.
    title
        What is shown.

    Returns
    -------
    Plot or None
        None where there is no building.

    Examples
    --------
    >>> interval_plot(["1001"], [1], [1], [4], title="Ranks").alt
    'Interval plot: Ranks. 1001: rank 1, from 1 to 4.'
    """
    names, rank, low, high = names[:MOST_BARS], rank[:MOST_BARS], low[:MOST_BARS], high[:MOST_BARS]
    if not len(names):
        return None
    ends = np.array([low, high], dtype=float)
    said = [
        f"{name}: rank {own:.0f}" + ("" if math.isnan(first + last) else f", from {first:.0f} to {last:.0f}")
        for name, own, first, last in zip(names, rank, low, high, strict=True)
    ]
    with _style():
        figure, axes = _sheet(list(names), legend_rows=0, ends=["   "])
        at = np.arange(len(names))
        known = ~np.isnan(ends).any(axis=0)
        axes.hlines(at[known], ends[0][known], ends[1][known], color=_INK, linewidth=2.2)
        axes.plot(np.asarray(rank, dtype=float), at, "o", color="#0072b2", markeredgecolor=_INK, markersize=5)
        axes.grid(axis="x", color=_FAINT, linewidth=0.5)
        axes.set_axisbelow(True)
        furthest = float(np.nanmax([*ends[0], *ends[1], *np.asarray(rank, dtype=float)]))
        axes.set_xlim(0, furthest + max(1.0, 0.03 * furthest))
        _whole_ticks(axes)
        axes.set_xlabel("rank; the line spans its interval")
        return _plot(figure, f"Interval plot: {title}. {_joined(said)}")


def row_labels(names: Sequence[str]) -> list[str]:
    """Number the names where the plot cannot show every one of them whole.

    A table that carries the same numbers then tells which bar is which.

    Examples
    --------
    >>> row_labels(["North", "South"])
    ['North', 'South']
    >>> row_labels(["North", "A name of which no plot can show more than the first few words"])[0]
    '1. North'
    """
    whole = all(_shortened(drawable(name), _LABEL_SHARE * _WIDTH_PT) == name for name in names)
    return list(names) if whole else [f"{number}. {name}" for number, name in enumerate(names, start=1)]


def drawable(text: str) -> str:
    r"""Turn any text into one line that the plot's typeface can draw, letter by letter.

    Letters it lacks, and those of scripts that run from right to left or join, become a box:
    they would be drawn in the wrong order. Marks that cannot be seen are left out.

    Examples
    --------
    >>> drawable("North\n$x^2$ \u202eside 🚒")
    'North $x^2$ side ▯'
    """
    glyphs = _glyphs()
    kept = []
    for letter in " ".join(text.split()):
        kind = unicodedata.category(letter)
        if kind in ("Cc", "Cf", "Mn", "Me", "Cs"):
            continue
        shaped = unicodedata.bidirectional(letter) in ("R", "AL", "AN")
        kept.append(_BOX if shaped or ord(letter) not in glyphs else letter)
    return "".join(kept)


def _style() -> Any:
    # Loaded here: it takes longer than everything else the room loads together.
    from matplotlib import style

    # A reader's own settings shall not change the picture.
    return style.context(["default", dict(_STYLE)], after_reset=True)


def _filled(look: Look) -> dict[str, Any]:
    return {"facecolor": look.colour, "edgecolor": _INK, "hatch": look.hatch or None, "linewidth": 0.5}


def _sheet(names: list[str], *, legend_rows: int, ends: list[str]) -> tuple[Figure, Axes]:
    """An empty plot with the names at its left, as wide as they need, and room for the numbers."""
    from matplotlib.figure import Figure

    labels = [_shortened(drawable(name), _LABEL_SHARE * _WIDTH_PT) for name in names]
    left_pt = max(_width_pt(label) for label in labels) + 8.0
    right_pt = max(_width_pt(end) for end in ends) + _PAD_PT + 4.0
    # The last mark of the axis is centred on the end of it.
    right_pt = max(right_pt, 0.5 * _width_pt("100%") + 2.0)
    top_pt = legend_rows * _LEGEND_ROW_PT + _PAD_PT
    height_pt = top_pt + len(names) * _ROW_PT + _AXIS_PT
    figure = Figure(figsize=(_WIDTH_PT / 72, height_pt / 72))
    axes = figure.add_axes(
        (
            left_pt / _WIDTH_PT,
            _AXIS_PT / height_pt,
            (_WIDTH_PT - left_pt - right_pt) / _WIDTH_PT,
            len(names) * _ROW_PT / height_pt,
        )
    )
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.set_yticks(range(len(names)), labels)
    axes.tick_params(axis="y", length=0)
    axes.spines[["top", "right"]].set_visible(False)
    return figure, axes


def _whole_ticks(axes: Axes) -> None:
    """Few marks, at whole numbers, with commas."""
    from matplotlib.ticker import MaxNLocator, StrMethodFormatter

    axes.xaxis.set_major_locator(MaxNLocator(nbins=4, integer=True))
    axes.xaxis.set_major_formatter(StrMethodFormatter("{x:,.0f}"))


def _plot(figure: Figure, alt: str) -> Plot:
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    page = io.BytesIO()
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    canvas: Any = FigureCanvasSVG(figure)
    canvas.print_svg(page, metadata=nothing)
    # A third of the picture is indents and remarks.
    drawing = re.sub(rb"\n\s*", b"\n", re.sub(rb"<!-- .*? -->", b"", page.getvalue(), flags=re.DOTALL))
    width_in, height_in = figure.get_size_inches()
    return Plot(
        source="data:image/svg+xml;base64," + base64.b64encode(drawing).decode("ascii"),
        alt=alt,
        width_px=round(96 * width_in),
        height_px=round(96 * height_in),
    )


def _fewer(counts: pd.DataFrame) -> pd.DataFrame:
    """Keep the fullest bars in their order; add up the others as the last."""
    if len(counts) <= MOST_BARS:
        return counts
    order = np.argsort(-counts.to_numpy().sum(axis=1), kind="stable")
    kept = np.sort(order[: MOST_BARS - 1])
    others = counts.iloc[np.sort(order[MOST_BARS - 1 :])]
    rest = pd.DataFrame([others.sum()], index=[f"{len(others):,} others"])
    return pd.concat([counts.iloc[kept], rest])


def _said(title: str, counts: pd.DataFrame) -> str:
    columns = [str(name) for name in counts.columns]
    rows = [
        f"{name}: "
        + ", ".join(
            f"{column} {value:,}" if len(columns) > 1 else f"{value:,}"
            for column, value in zip(columns, row, strict=True)
        )
        for name, row in zip(counts.index, counts.to_numpy().tolist(), strict=True)
    ]
    return f"Bar plot: {title}. {_joined(rows)}"


def _joined(rows: list[str]) -> str:
    more = len(rows) - _MOST_ROWS_SAID
    said = "; ".join(rows[:_MOST_ROWS_SAID])
    return f"{said}; {more} more in the table." if more > 0 else f"{said}."


def _shortened(text: str, widest_pt: float) -> str:
    """Cut a text to a width, with an ellipsis where something is missing."""
    if _width_pt(text) <= widest_pt:
        return text
    # Halving finds the longest beginning that fits: a longer one is never narrower.
    length = bisect.bisect_left(
        range(len(text)), x=True, key=lambda end: _width_pt(text[: end + 1].rstrip() + ELLIPSIS) > widest_pt
    )
    return text[:length].rstrip() + ELLIPSIS


def _width_pt(text: str) -> float:
    """Width of a line of the plot's type."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    if not text.strip():
        return 3.0 * len(text)
    own = FontProperties(family=["DejaVu Sans"], size=_TYPE_PT)
    return float(text_to_path.get_text_width_height_descent(text, own, ismath=False)[0])


@cache
def _glyphs() -> frozenset[int]:
    """Code points that the plot's typeface has."""
    from matplotlib.font_manager import FontProperties, findfont, get_font

    return frozenset(get_font(findfont(FontProperties(family=["DejaVu Sans"]))).get_charmap())
