"""The page of what changed: numbers, a map, roofs and plans, scores and ranks.

In: the changes, the two states, the rules in force.
Out: one HTML text that asks no network for anything.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import geopandas as gpd
import pandas as pd

from roofplat.publish.changes.drawing import ChangeMap
from roofplat.publish.changes.summary import KIND_WORDS, STATE_WORDS, STATES, kind_counts
from roofplat.publish.files import CAUTION, asset
from roofplat.publish.overrides import override_lines
from roofplat.publish.page import fill, html_page
from roofplat.publish.wording import plain_words
from roofplat.rules import Rulebook

__all__ = ["changes_page"]

_MOST_ROWS = 300
_RULES = "changes."
_SCORES = ("score", "rank")
_NUMBERS: Mapping[str, str] = {
    "new": "New buildings",
    "gone": "Buildings gone",
    "roof": "Roof or plan not as it was",
    "score": "Score moved, roof and plan did not",
    "rank": "Rank alone moved",
}
# A lone code, and nothing else.
_CODE = re.compile(r"[a-z_]+")


def changes_page(
    rows: gpd.GeoDataFrame,
    buildings: gpd.GeoDataFrame,
    *,
    drawn: ChangeMap | None,
    district: str,
    labels: tuple[str, str],
    notes: Sequence[str],
    rules: Rulebook,
    ground: str,
) -> str:
    """Make the page.

    Parameters
    ----------
    rows
        `tables.CHANGE_TABLES["changes"]`.
    buildings
        From `summary.by_building`.
    drawn
        The map; None where nothing changed.
    district, labels
        Names: of the district, of the state before and of the state after.
    notes
        What else is to be known of the two, as sentences.
    rules
        The rules in force.
    ground
        The statement on feet.

    Returns
    -------
    str
    """
    roofs = rows[~rows["what"].isin(_SCORES)]
    scores = buildings[buildings[["score_after", "rank_after"]].notna().any(axis=1)]
    # Whose own score moved first: ranks that follow are many.
    scores = scores.iloc[scores["score_after"].isna().argsort(kind="stable")]
    why = rows[rows["what"].isin(_SCORES) & rows["why"].notna()].drop_duplicates("building_id")
    reasons = why.set_index("building_id")["why"]
    states = buildings["state"].value_counts()
    body = fill(
        "changes.html.j2",
        district=district,
        before=labels[0],
        after=labels[1],
        caution=CAUTION,
        ground=ground,
        notes=list(notes),
        numbers=[
            ("Buildings with a change", f"{len(buildings):,}"),
            *((_NUMBERS[state], f"{states.get(state, 0):,}") for state in STATES),
        ],
        kinds=[
            {"word": row["what"], "rows": f"{row['changes']:,}", "buildings": f"{row['buildings']:,}"}
            for row in kind_counts(rows).to_dict("records")
        ],
        map=drawn,
        states=[
            {"code": state, "word": words} for state, words in STATE_WORDS.items() if states.get(state, 0)
        ],
        moved=bool(drawn and drawn.moves),
        roofs=[_roof(row, rules) for row in _plain(roofs.head(_MOST_ROWS))],
        more_roofs=max(len(roofs) - _MOST_ROWS, 0),
        scores=[_score(row, reasons) for row in _plain(scores.head(_MOST_ROWS))],
        more_scores=max(len(scores) - _MOST_ROWS, 0),
        least=[
            {
                "id": rule.id,
                "value": f"{rule.value:g} {rule.unit}",
                "meaning": rule.meaning,
                "source": f"{rule.status}: {rule.source}" if rule.source else rule.status,
            }
            for rule in rules.rules.values()
            if rule.id.startswith(_RULES)
        ],
        overridden=override_lines(rules),
    )
    return html_page(
        f"{district}: what changed",
        styles=[asset("report.css"), asset("days.css"), asset("changes.css")],
        scripts=[],
        body=body,
    )


def _plain(frame: pd.DataFrame) -> Sequence[Mapping[Any, Any]]:
    return pd.DataFrame(frame).drop(columns="geometry").to_dict("records")


def _roof(row: Mapping[Any, Any], rules: Rulebook) -> dict[str, str]:
    """One change of a roof or a plan as texts."""
    what = str(row["what"])
    kind = KIND_WORDS[what]
    if not pd.isna(row["spot"]):
        kind = f"{kind} {int(row['spot'])}"
    return {
        "id": str(row["building_id"]),
        "section": _text(row["section_id"]),
        "place": _place(row),
        "what": kind,
        "before": _value(what, row["before"], row["before_basis"], rules),
        "after": _value(what, row["after"], row["after_basis"], rules),
        "by": _by(what, row["by"], _text(row["unit"])),
    }


def _value(what: str, value: Any, basis: Any, rules: Rulebook) -> str:
    """A value in words, with how it is known."""
    text = _text(value)
    if not text:
        return "none"
    if what == "roof_family":
        text = rules.families[text].label if text in rules.families else text
    elif what == "cut_method" and _CODE.fullmatch(text):
        text = plain_words(text)
    return f"{text} ({basis})" if _text(basis) else text


def _by(what: str, by: Any, unit: str) -> str:
    """How far, with a sign where it has a direction."""
    if pd.isna(by) or by == 0:
        return ""
    if what in ("ladder_spot", "outline"):
        return f"{by:,.0f} {unit}"
    return f"{by:+.3g} {unit}"


def _score(row: Mapping[Any, Any], reasons: pd.Series[Any]) -> dict[str, str]:
    """Score and rank of a building as texts."""
    was, now = row["rank_before"], row["rank_after"]
    return {
        "id": str(row["building_id"]),
        "place": _place(row),
        "score_before": _figure(row["score_before"], "{:.4f}"),
        "score_after": _figure(row["score_after"], "{:.4f}"),
        "rank_before": _figure(was, "{:,}"),
        "rank_after": _figure(now, "{:,}"),
        "move": "" if pd.isna(was) or pd.isna(now) else _move(int(was), int(now)),
        "why": plain_words(_text(reasons.get(row["building_id"], ""))),
    }


def _move(was: int, now: int) -> str:
    """A rank of 1 is the first: a lower number is up."""
    return f"{'up' if now < was else 'down'} {abs(now - was):,}"


def _figure(value: Any, form: str) -> str:
    return "" if pd.isna(value) else form.format(value)


def _place(row: Mapping[Any, Any]) -> str:
    return ", ".join(text for text in (_text(row["name"]), _text(row["address"])) if text)


def _text(value: Any) -> str:
    return "" if pd.isna(value) else str(value)
