"""What the table `venting` says of a roof section, as a truck officer would say it.

In: a row of the table as plain values, missing ones None.
Out: the figures that stand side by side, and sentences; nothing where there is nothing to say.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = [
    "CODE_WORDS",
    "area_sentence",
    "code_sentence",
    "figures",
    "flow_sentence",
    "says_sentence",
    "windward_sentence",
    "work_sentence",
]

Row = Mapping[str, Any]

CODE_WORDS: Mapping[str, str] = {
    "may ask": "By use and size the code may ask for vents here; the code official decides.",
    "not by size or use": "By use and size the code asks for no vents here, as far as is known.",
    "unknown": "Whether the code asks for vents here is not known.",
}
"""What is said of a `code_asks`: never what the code demands."""
_NOT_WORKED_OUT = "not worked out"
_LEAST_FT2 = 0.5
_STEPS = (("head", "head_cut_ft"), ("parallel", "parallel_cut_ft"), ("base", "base_cut_ft"))
_SAWS = (("saw 1", "saw_1_ft"), ("saw 2", "saw_2_ft"))


def figures(row: Row) -> list[tuple[str, str]]:
    """Set what is wanted beside what is there.

    Parameters
    ----------
    row
        Of `tables.TABLES["venting"]`; areas in ft2.

    Returns
    -------
    list of (label, value)
        By rule, by flow, planned, there already; in words where there is no number.

    Examples
    --------
    >>> row = {"wanted_ft2": 1536.0, "flow_ft2": None, "planned_ft2": 240.0, "existing_count": 3,
    ...        "existing_ft2": 48.0, "existing_unsized": 1, "flow_outside": "outside the range of the inlet"}
    >>> for label, value in figures(row):
    ...     print(f"{label}: {value}")
    by rule: 1,536 sq ft
    by flow: outside the range of the inlet
    planned: 240 sq ft
    there already: 48 sq ft in 3, 1 of unknown size
    """
    flow = row.get("flow_ft2")
    # Which range; why it is left is said in the sentence on the flow.
    outside = str(row.get("flow_outside") or _NOT_WORKED_OUT).partition(":")[0]
    return [
        ("by rule", _area(row.get("wanted_ft2"))),
        ("by flow", outside if flow is None else _area(flow)),
        ("planned", _planned(row)),
        ("there already", _existing(row)),
    ]


def area_sentence(row: Row) -> str:
    """Say the figures in one sentence; the area by flow with the fire and the clear height that it is for.

    Examples
    --------
    >>> row = {"planned": True, "wanted_ft2": 320.0, "flow_ft2": 138.0, "fire_kw": 5000.0, "clear_ft": 8.2,
    ...        "planned_ft2": 96.0, "existing_count": 0}
    >>> area_sentence(row).removeprefix("Area by rule 320 sq ft; ")
    'by flow 138 sq ft (5,000 kW, 8.2 ft clear); planned 96 sq ft; there already none.'
    """
    told = dict(figures(row))
    if row.get("flow_ft2") is not None and row.get("fire_kw") is not None:
        told["by flow"] += f" ({row['fire_kw']:,.0f} kW, {_feet(row.get('clear_ft'))} clear)"
    if not row.get("planned"):
        # No opening of this plan is in a section without the fire spot.
        del told["planned"]
    return f"Area {'; '.join(f'{label} {value}' for label, value in told.items())}."


def flow_sentence(row: Row) -> str:
    r"""Say for which fire and clear height the area by flow holds, and what the plan holds.

    Examples
    --------
    >>> fire = {"fire_kw": 5000.0, "fire_area_ft2": 100.0, "clear_ft": 8.0, "inlet_ft2": 42.0}
    >>> held = {"flow_ft2": 310.0, "clear_planned_ft": 6.25, "largest_single_ft2": 40.0, "least_openings": 8}
    >>> print(flow_sentence({**fire, **held}).replace("; ", ";\n").replace(". ", ".\n"))
    By flow: fire of 5,000 kW on 100 sq ft, 8 ft kept clear, air in through 42 sq ft;
    8 openings or more, none over 40 sq ft.
    What is planned and there keeps 6.2 ft clear.
    >>> flow_sentence({**fire, "flow_outside": "outside the range of the layer"}).partition("clear, ")[2]
    'air in through 42 sq ft: outside the range of the layer.'
    """
    if row.get("fire_kw") is None:
        return _sentence(row.get("flow_outside"))
    fire = (
        f"By flow: fire of {row['fire_kw']:,.0f} kW on {_area(row.get('fire_area_ft2'))}, "
        f"{_feet(row.get('clear_ft'))} kept clear, air in through {_area(row.get('inlet_ft2'))}"
    )
    if row.get("flow_outside"):
        said = f"{fire}: {row['flow_outside']}"
        if row.get("inlet_least_ft2") is not None:
            said += f"; doors of {_area(row['inlet_least_ft2'])} or more would do"
    elif row.get("least_openings") is not None and row.get("largest_single_ft2") is not None:
        count = int(row["least_openings"])
        noun = "opening" if count == 1 else "openings"
        said = f"{fire}; {count:,} {noun} or more, none over {_area(row['largest_single_ft2'])}"
    else:
        said = fire
    said = _sentence(said)
    held = "What is planned and there"
    if row.get("clear_planned_ft") is not None:
        return f"{said} {held} keeps {_feet(row['clear_planned_ft'])} clear."
    if row.get("clear_outside") and row["clear_outside"] != row.get("flow_outside"):
        return f"{said} {held}: {_sentence(row['clear_outside'], upper=False)}"
    return said


def says_sentence(row: Row) -> str:
    """The plain sentence where cutting cannot reach the wanted area; nothing where it can."""
    return _sentence(row.get("says"))


def work_sentence(row: Row) -> str:
    r"""Say what the plan asks of the crew, and how much of it one working spell opens.

    Examples
    --------
    >>> cuts = {"saw_ft": 180.0, "saw_1_ft": 100.0, "saw_2_ft": 80.0, "head_cut_ft": 90.0}
    >>> row = {**cuts, "parts": 6, "walk_ft": 75.0, "crew_share": 0.4, "rate_basis": "from memory"}
    >>> print(work_sentence(row).replace(". ", ".\n").replace("), ", "),\n"))
    Work: saw cut 180 ft (head 90; saw 1 100, saw 2 80),
    6 panels or louvers to pull, 75 ft to walk.
    One working spell opens 40% of the area by rule; rates from memory: measure yours.
    >>> work_sentence({**row, "rate_basis": "measured", "work_minutes": 12.4}).rpartition("; ")[2]
    'the planned cuts are 12 min of work, at your measured rate.'
    """
    if not row.get("saw_ft") and not row.get("trench_saw_ft") and not row.get("parts"):
        return ""
    parts = []
    if row.get("saw_ft"):
        groups = [
            ", ".join(f"{word} {row[name]:,.0f}" for word, name in group if row.get(name))
            for group in (_STEPS, _SAWS)
        ]
        told = "; ".join(group for group in groups if group)
        parts.append(f"saw cut {_feet(row['saw_ft'], 0)}" + (f" ({told})" if told else ""))
    if row.get("check_saw_ft"):
        parts.append(f"checks {_feet(row['check_saw_ft'], 0)}")
    if row.get("trench_saw_ft"):
        across = f" (across {row['cross_cut_ft']:,.0f})" if row.get("cross_cut_ft") else ""
        parts.append(f"trench {_feet(row['trench_saw_ft'], 0)}{across}")
    if row.get("parts"):
        count = int(row["parts"])
        parts.append(f"{count:,} {'panel or louver' if count == 1 else 'panels or louvers'} to pull")
    if row.get("walk_ft"):
        parts.append(f"{_feet(row['walk_ft'], 0)} to walk")
    said = f"Work: {', '.join(parts)}."
    share, measured = row.get("crew_share"), row.get("rate_basis") == "measured"
    if share is None:
        return said
    said += f" One working spell opens {_percent(share)} of the area by rule"
    if not measured:
        return f"{said}; rates from memory: measure yours."
    if row.get("work_minutes") is not None:
        said += f"; the planned cuts are {max(row['work_minutes'], 1.0):,.0f} min of work"
    return f"{said}, at your measured rate."


def windward_sentence(row: Row) -> str:
    """Say how many openings lie where the wind blows into them.

    Examples
    --------
    >>> windward_sentence({"windward_openings": 1}), windward_sentence({"windward_openings": 0})
    ('1 opening is planned on a windward slope.', '')
    """
    count = int(row.get("windward_openings") or 0)
    if not count:
        return ""
    return f"{count:,} {'opening is' if count == 1 else 'openings are'} planned on a windward slope."


def code_sentence(row: Row) -> str:
    r"""Say how the vents that are there compare with the prescriptive area, for the marshal.

    Examples
    --------
    >>> row = {"code_asks": "may ask", "prescribed_ft2": 1200.0, "prescribed_by": "unsprinklered"}
    >>> print(code_sentence({**row, "vents_short_ft2": 1104.0}).replace(". ", ".\n"))
    By use and size the code may ask for vents here; the code official decides.
    Prescriptive area 1,200 sq ft (unsprinklered), 1,104 sq ft more than is there.
    """
    words = CODE_WORDS.get(str(row.get("code_asks")), "")
    if row.get("code_asks") != "may ask" or row.get("prescribed_ft2") is None:
        return words
    short = row.get("vents_short_ft2")
    text = f"Prescriptive area {_area(row['prescribed_ft2'])} ({row.get('prescribed_by')})"
    text += f", {_area(short)} more than is there." if short is not None and short >= _LEAST_FT2 else "."
    return f"{words} {text}"


def _planned(row: Row) -> str:
    cut, glazing = row.get("planned_ft2"), row.get("glazing_ft2")
    if not glazing or glazing < _LEAST_FT2:
        return _area(cut)
    return f"{_area(cut)} cut and {_area(glazing)} of glazing" if cut else f"{_area(glazing)} of glazing"


def _existing(row: Row) -> str:
    count, unsized = int(row.get("existing_count") or 0), int(row.get("existing_unsized") or 0)
    if not count:
        return "none"
    if count == unsized:
        return f"{count:,} of unknown size"
    more = f", {unsized:,} of unknown size" if unsized else ""
    return f"{_area(row.get('existing_ft2'))} in {count:,}{more}"


def _area(value: Any) -> str:
    return "not known" if value is None else f"{value:,.0f} sq ft"


def _feet(value: Any, decimals: int = 1) -> str:
    if value is None:
        return "not known"
    text = f"{value:,.{decimals}f}"
    return f"{text.removesuffix('.0')} ft"


def _percent(share: float) -> str:
    """Whole percent; neither a few nor all but a few are rounded away."""
    if 0 < share < 0.01:
        return "under 1%"
    return "over 99%" if 0.99 < share < 1 else f"{100 * share:.0f}%"


def _sentence(text: Any, *, upper: bool = True) -> str:
    said = str(text or "").strip()
    if not said:
        return ""
    return (
        (said[:1].upper() if upper else said[:1]) + said[1:] + ("" if said.endswith((".", "!", "?")) else ".")
    )
