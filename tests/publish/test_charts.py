"""Plots: the same counts give the same bytes, any name can be drawn, one bar or many."""

from __future__ import annotations

import base64
import re
import subprocess
import sys
from xml.etree import ElementTree

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roofplat.publish.charts import (
    ELLIPSIS,
    MOST_BARS,
    Look,
    Plot,
    bar_plot,
    drawable,
    interval_plot,
    row_labels,
)

from .conftest import HOSTILE

LOOKS = (Look("#0072b2"), Look("#ffffff", "////"))
ODD = (
    HOSTILE,
    "$\\frac{1}$ unclosed $",
    "צפון 12",
    "محطة",
    "🚒 engine",
    "a\nb\tc",
    "\u202eesrever",
    "x" * 9000,
)


def counts(names: list[str]) -> pd.DataFrame:
    return pd.DataFrame(
        {"seen": range(1, len(names) + 1), "never": [2] * len(names)}, index=pd.Index(names, dtype="str")
    )


def svg(plot: Plot | None) -> str:
    assert plot is not None
    kind, content = plot.source.split(",")
    assert kind == "data:image/svg+xml;base64"
    return base64.b64decode(content, validate=True).decode("utf-8")


def bars(plot: Plot | None) -> int:
    """Paths that are filled and edged as a bar is, the legend's included."""
    return len(re.findall(r'style="fill: (?:#0072b2|url\(#)[^"]*stroke: #14181c', svg(plot)))


def test_the_same_counts_give_the_same_bytes_and_nothing_of_the_day() -> None:
    frame = counts(["North", "South"])
    first, second = (bar_plot(frame, LOOKS, title="Surveys") for _ in range(2))
    assert first == second
    drawing = svg(first)
    assert "Matplotlib" not in drawing
    assert not re.search(r"20\d\d-\d\d", drawing)
    assert "<text" not in drawing  # letters are outlines
    assert svg(bar_plot(frame + 1, LOOKS, title="Surveys")) != drawing


def test_the_picture_has_the_size_it_says() -> None:
    plot = bar_plot(counts(["North"]), LOOKS, title="Surveys")
    root = ElementTree.fromstring(svg(plot))
    assert plot is not None
    assert float(root.attrib["width"].removesuffix("pt")) * 96 / 72 == pytest.approx(plot.width_px, abs=1)
    assert float(root.attrib["height"].removesuffix("pt")) * 96 / 72 == pytest.approx(plot.height_px, abs=1)
    assert plot.width_px < 390 - 2 * 16  # a phone's column holds it as it is


@pytest.mark.parametrize("name", ODD, ids=range(len(ODD)))
@pytest.mark.parametrize("shares", [True, False])
def test_any_name_can_be_drawn(name: str, shares: bool) -> None:
    # A glyph that is lacking, or mathematics in a name, would warn or raise.
    plot = bar_plot(counts([name, "South"]), LOOKS, title="Surveys", shares=shares)
    ElementTree.fromstring(svg(plot))
    assert plot is not None
    assert f"{name}: seen 1, never 2" in plot.alt
    assert plot.width_px < 390


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=30))
def test_a_drawable_text_is_one_line_and_stays_as_it_is(text: str) -> None:
    shown = drawable(text)
    assert shown.isprintable()
    assert drawable(shown) == " ".join(shown.split())


def test_what_can_be_drawn_is_not_touched() -> None:
    assert drawable("Gårdsgata 12, côté A ≥ 3 $5") == "Gårdsgata 12, côté A ≥ 3 $5"
    assert drawable("צ") == drawable("🚒") == "▯"


def test_names_are_numbered_only_where_one_is_not_shown_whole() -> None:
    assert row_labels(["North", "South"]) == ["North", "South"]
    assert row_labels(["North", "W" * 40]) == ["1. North", f"2. {'W' * 40}"]
    assert row_labels(["North", "North 🚒"]) == ["1. North", "2. North 🚒"]


def test_a_narrow_letter_fits_more_often_than_a_wide_one() -> None:
    assert row_labels(["i" * 24]) == ["i" * 24]
    assert row_labels(["W" * 24]) != ["W" * 24]


@pytest.mark.parametrize("number", [1, 2, MOST_BARS, MOST_BARS + 1, 400])
def test_one_bar_or_many(number: int) -> None:
    plot = bar_plot(counts([f"Area {n}" for n in range(number)]), LOOKS, title="Surveys")
    drawn = min(number, MOST_BARS)
    assert bars(plot) == 2 * drawn + len(LOOKS)
    assert plot is not None
    assert plot.height_px < 900  # one page of a letter-size print
    if number > 12:
        assert f"{drawn - 12} more in the table." in plot.alt


def test_too_many_bars_keep_the_fullest_and_add_up_the_rest() -> None:
    frame = pd.DataFrame({"seen": [*range(1, 51)]}, index=[f"Area {n}" for n in range(1, 51)])
    plot = bar_plot(frame, [Look("#0072b2")], title="Surveys")
    assert plot is not None
    # The eleven smallest hold 1 + 2 + ... + 11; the twelfth is the first that is kept.
    assert plot.alt.startswith("Bar plot: Surveys. Area 12: 12; Area 13: 13;")
    assert svg(plot) == svg(
        bar_plot(
            pd.DataFrame(
                {"seen": [*range(12, 51), 66]}, index=[*(f"Area {n}" for n in range(12, 51)), "11 others"]
            ),
            [Look("#0072b2")],
            title="Surveys",
        )
    )


def test_a_part_of_nothing_is_no_bar() -> None:
    frame = pd.DataFrame({"seen": [3, 0], "never": [0, 0]}, index=["North", "South"])
    assert bars(bar_plot(frame, LOOKS, title="Surveys", shares=True)) == 1 + len(LOOKS)
    assert bar_plot(frame * 0, LOOKS, title="Surveys") is None
    assert bar_plot(frame.iloc[:0], LOOKS, title="Surveys") is None


def test_intervals() -> None:
    plot = interval_plot(
        ["1001", HOSTILE], [1, 2], [1, float("nan")], [7, float("nan")], title="Ranks of two"
    )
    assert plot is not None
    assert plot.alt == f"Interval plot: Ranks of two. 1001: rank 1, from 1 to 7; {HOSTILE}: rank 2."
    lines = re.findall(r"stroke-width: 2\.2", svg(plot))
    assert len(lines) == 1
    assert interval_plot([], [], [], [], title="None") is None


def test_drawing_leaves_no_trace_in_the_program() -> None:
    """A script that plots on its own keeps its settings, and no window system is loaded."""
    script = """if True:
        import sys
        import pandas as pd
        import roofplat.publish
        assert "matplotlib.figure" not in sys.modules
        # Nor does a program that prints no sheet wait for what prints them.
        assert not {"reportlab", "pypdf"} & set(sys.modules)
        import matplotlib
        matplotlib.rcParams["font.size"] = 31.0
        # Asking for the backend would load one.
        names = [name for name in matplotlib.rcParams if name != "backend"]
        before = [matplotlib.rcParams[name] for name in names]
        from roofplat.publish.charts import Look, bar_plot
        frame = pd.DataFrame({"seen": [3]}, index=["North"])
        plot = bar_plot(frame, [Look("#0072b2")], title="Surveys")
        assert [matplotlib.rcParams[name] for name in names] == before
        assert "matplotlib.pyplot" not in sys.modules
        print(plot.source)
    """
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    frame = pd.DataFrame({"seen": [3]}, index=["North"])
    plot = bar_plot(frame, [Look("#0072b2")], title="Surveys")
    assert plot is not None
    assert done.stdout.strip() == plot.source  # another's letter size did not reach the picture
    assert ELLIPSIS not in plot.alt
