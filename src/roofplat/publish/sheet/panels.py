"""The words of a sheet: what the tables say of one building, as a truck officer would say it.

In: one building's rows, the rules, the date of the build.
Out: the heading and blocks of text; values with their basis, sentences without codes.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape

import pandas as pd

from roofplat.publish.sheet.blocks import Block
from roofplat.publish.sheet.fonts import markup, shown
from roofplat.publish.vent_words import (
    area_sentence,
    code_sentence,
    flow_sentence,
    says_sentence,
    windward_sentence,
    work_sentence,
)
from roofplat.publish.wording import (
    METHOD_WORDS,
    behind_words,
    due_words,
    interval_words,
    odds_words,
    plain_words,
    reason_words,
    rejected_methods,
)
from roofplat.rules import Rulebook
from roofplat.tables import ATTRIBUTES, BASES
from roofplat.venting import CAUTION as VENTING_CAUTION
from roofplat.venting import wind_words

__all__ = ["FOUND_ON_SITE", "Edition", "Heading", "heading_of", "list_block", "text_blocks"]

FOUND_ON_SITE = (
    ("Deck", "Spacing", "Members run"),
    ("On or under the roof", "Different from this sheet"),
    ("Date", "Who", "Company"),
)
"""Labels of the blank lines, line by line."""

_MOST = 260
"""Characters of one text from the data; the rest is in the layers."""
_MOST_SHORT = 90
_MOST_LONG = 420
_MOST_VALUE = 2000
# Characters of one row of facts; what else one source vouches for begins another.
_FACTS_ROW = 300
# Rows of one block, before any is left out for want of room.
_MOST_ROWS = 40
_POINTS = (
    "north", "north-northeast", "northeast", "east-northeast",
    "east", "east-southeast", "southeast", "south-southeast",
    "south", "south-southwest", "southwest", "west-southwest",
    "west", "west-northwest", "northwest", "north-northwest",
)  # fmt: skip
_FIELDS: Mapping[str, str] = {
    "occupancy": "occupancy",
    "year_built": "year built",
    "storeys": "storeys",
    "height_ft": "height to roof edge",
    "sprinklered": "sprinklers throughout",
    "roof_family": "roof family",
    "framing_axis_deg": "beams run",
    "beam_spacing_ft": "beam spacing",
    "purlin_spacing_ft": "purlin spacing",
    "rafter_spacing_ft": "rafter spacing",
    "roof_shape": "form of the roof",
    "slope_deg": "slope",
    "roof_height_ft": "rise of the roof",
    "ridge_deg": "ridge runs",
    "ridge_runs": "ridge runs",
    "downslope_deg": "slope falls toward",
    "deck": "deck",
    "panel_type": "panels",
    "parapet_ft": "parapet",
    "suspended_load": "heavy load hung from roof",
    "bearing_walls": "bearing walls",
    "sounding_walk_deg": "sounding walk",
    "sounding_spacing_ft": "spacing felt underfoot",
    "inspected_on": "last inspection",
    "inspection_class": "inspection class set",
    "inspect_by": "inspect by",
    "name": "name",
    "address": "address",
}
_UNITS = {"ft": " ft", "deg": "\u00b0"}
_FIRE_WORDS = {
    "given": "Fire spot as stated for this plan",
    "assumed": "Fire spot assumed: the deepest point of the largest section",
}
_WIND_WORDS = {
    "given": "Wind as stated for this plan",
    "prevailing": "Usual wind of the district",
    "assumed": "Wind assumed, nobody has stated one",
}
_OUT_OF_REACH = "Out of reach:"
_UNCUT = ("existing_opening", "glazing")
_CLASS_BASES = {"stated": " as stated", "occupancy": " by occupancy"}
_SAYS_YES_NO = {"true": "yes", "false": "no"}

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Edition:
    """What all sheets of one run share.

    district
        Name of the district.
    as_of
        The date on which ages were counted.
    rules
        The rules in force.
    changed
        What the department has changed in the rulebook, from `overrides.override_words`.
    what_if
        Of a sheet that is not of the standing plan: what was asked instead, first in a few words for the
        head, then in sentences. Nothing for a standing plan.
    """

    district: str
    as_of: datetime.date
    rules: Rulebook
    changed: tuple[str, ...] = ()
    what_if: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Heading:
    """The head of a sheet, as texts that can be drawn."""

    name: str
    address: str
    building_id: str
    area: str
    alert: str
    family: str
    basis: str
    """How the family is known."""


def heading_of(frames: Mapping[str, pd.DataFrame], rules: Rulebook) -> Heading:
    """Return the heading of a building's sheet.

    Parameters
    ----------
    frames
        The building's rows by table name; `buildings` has one.
    rules
        For the label of the roof family.
    """
    building = _first(frames, "buildings")
    get: Callable[[str], Any] = building.get
    return Heading(
        name=shown(get("name"), most=_MOST_SHORT),
        address=shown(get("address"), most=_MOST_SHORT),
        building_id=shown(get("building_id"), most=60),
        area=shown(get("dispatch_area"), most=60),
        alert=shown(get("alert"), most=120),
        family=_family(get("roof_family"), None, rules),
        basis=shown(get("family_basis"), most=20),
    )


def text_blocks(frames: Mapping[str, pd.DataFrame], edition: Edition) -> list[Block]:
    """Return everything the text of a sheet says, in reading order.

    Parameters
    ----------
    frames
        The building's rows by table name; tables that are missing are empty.
    edition
        What all sheets share.

    Returns
    -------
    list of Block
        Rows are markup in which every text of the data is escaped.
    """
    sections = sorted(_rows(frames, "sections"), key=lambda row: not row.get("planned"))
    number = {row["section_id"]: place for place, row in enumerate(_rows(frames, "sections"), start=1)}
    several = len(number) > 1

    def where(row: Row) -> str:
        return f"Section {number.get(row.get('section_id'), '?')}: " if several else ""

    planned = sections[0] if sections else {}
    rules = edition.rules
    layer = "layers.gpkg, layer {}".format
    scenario = _scenario(planned, number if several else {}) + tuple(map(markup, edition.what_if[1:]))
    blocks = [
        Block("Scenario", scenario, rank=1, least=len(scenario)),
        Block("Roof", tuple(_roof(frames, sections, where, rules)), 1, least=4, rest=layer("sections")),
        _opening_way(sections, where),
        Block("Ladder spots", tuple(_ladders(frames, where)), 1, least=6, rest=layer("ladders")),
        Block("Path and checks", tuple(_ways(frames)), 3, least=2, rest=layer("checks")),
        Block("Openings, in order", tuple(_openings(frames, where)), 2, least=5, rest=layer("openings")),
        Block("Trench", tuple(_trenches(frames, where)), 2, rest=layer("trenches")),
        _smoke(frames, where, rules),
        Block("Collapse zone", tuple(_collapse(frames)), 2, rest=layer("collapse_zones")),
        Block("Methods rejected", tuple(_rejected(sections, where)), 4, least=2, rest=layer("sections")),
        Block("Solar access not met", tuple(_solar(frames)), 5, rest="solar_access.csv"),
        Block("Rank", tuple(_rank(frames, rules)), 5, rest="ranking.csv"),
        Block("Facts", tuple(_facts(frames, rules)), 3, least=2, rest=layer("facts")),
        Block("Why here", tuple(_reasons(frames)), 7, rest="layers.gpkg"),
        Block("Department rules changed", tuple(map(markup, edition.changed)), 6, rest="build.json"),
    ]
    return [_capped(block) for block in blocks if block.rows]


def list_block(title: str, lines: Sequence[str], *, rank: int, rest: str) -> Block:
    """Return plain lines as a block, such as the numbers that a plan shows instead of words.

    Examples
    --------
    >>> list_block("Key", ["1: 20 ft", ""], rank=1, rest="layers.gpkg").rows
    ('1: 20 ft',)
    """
    rows = tuple(markup(line, most=_MOST) for line in lines if shown(line))
    return _capped(Block(title, rows, rank=rank, least=len(rows), rest=rest))


def _capped(block: Block) -> Block:
    extra = len(block.rows) - _MOST_ROWS
    if extra <= 0:
        return block
    return Block(block.title, block.rows[:-extra], block.rank, block.least, block.rest, extra)


def _scenario(planned: Row, number: Mapping[str, int]) -> tuple[str, ...]:
    if planned.get("fire_basis") is None:
        return (markup("No fire spot and no wind are assumed for this building."),)
    fire = _FIRE_WORDS.get(planned["fire_basis"], f"Fire spot {planned['fire_basis']}")
    in_section = f", in section {number[planned['section_id']]}" if number else ""
    spot = f"{fire}{in_section}; {_lon_lat(planned.get('fire_lon'), planned.get('fire_lat'))}."
    rows = [_kept(spot)]
    if planned.get("wind_from_deg") is not None:
        wind = _WIND_WORDS.get(str(planned.get("wind_basis")), f"Wind {planned.get('wind_basis')}")
        rows.append(markup(f"{wind}: from the {_toward(planned['wind_from_deg'])}."))
    return tuple(rows)


def _roof(
    frames: Mapping[str, pd.DataFrame],
    sections: Sequence[Row],
    where: Callable[[Row], str],
    rules: Rulebook,
) -> Iterator[str]:
    """Family and caution, then how each section is framed."""
    members: dict[str, list[Row]] = {}
    for row in _rows(frames, "members"):
        members.setdefault(row["section_id"], []).append(row)
    told: set[str] = set()
    for section in sections or _rows(frames, "buildings"):
        family = rules.families.get(str(section.get("roof_family")))
        label = _family(section.get("roof_family"), section.get("family_basis"), rules)
        if label not in told:
            told.add(label)
            # A department's caution begins a sentence of its own.
            yield f"<b>{markup(where(section) + label)}.</b>"
            if family is not None:
                yield f"<b>{markup(family.caution, most=_MOST)}</b>"
        framing = list(_framing(section, members.get(str(section.get("section_id")), []), rules))
        if framing:
            yield markup(where(section) + " ".join(framing), most=_MOST_LONG)


def _framing(section: Row, members: Sequence[Row], rules: Rulebook) -> Iterator[str]:
    family = rules.families.get(str(section.get("roof_family")))
    called = family.members if family is not None else {}
    main = called.get("beam") or called.get("rafter")
    basis = section.get("axis_basis")
    if basis == "doubtful":
        yield "Which way the members run is doubtful."
    elif family is not None and family.framing == "pitched":
        if main and members:
            yield f"{_many(main).capitalize()} run down the slopes ({basis})."
    elif main and section.get("framing_axis_deg") is not None and members:
        yield f"{_many(main).capitalize()} run {_both_ways(section['framing_axis_deg'])} ({basis})."
    spaced = [row for row in members if row.get("spacing_ft") is not None]
    if spaced:
        parts = ", ".join(f"{_many(row['kind'])} {_plain(row['spacing_ft'], 2)} ft" for row in spaced)
        bases = list(dict.fromkeys(str(row["basis"]) for row in spaced))
        yield f"Apart: {parts} ({', '.join(bases)})."
    shape = section.get("roof_shape")
    if shape is not None:
        slope = section.get("slope_deg")
        text = f"Form {plain_words(shape)} ({section.get('shape_basis')})"
        if slope is not None:
            text += f", slope {_plain(slope, 1)}\u00b0 ({section.get('slope_basis')})"
        yield text + "."
    if section.get("height_ft") is not None:
        text = f"Roof edge {_plain(section['height_ft'], 1)} ft up ({section.get('height_basis')})"
        if section.get("parapet_ft"):
            text += f", parapet {_plain(section['parapet_ft'], 1)} ft above it"
        yield text + "."
    if section.get("deck") is not None:
        yield f"Deck: {shown(section['deck'], most=_MOST_SHORT)}."
    if section.get("area_ft2") is not None:
        yield f"{section['area_ft2']:,.0f} sq ft."


def _opening_way(sections: Sequence[Row], where: Callable[[Row], str]) -> Block:
    """Which method and why, or why no cut is drawn."""
    cut = [row for row in sections if row.get("cut_method") not in (None, "do_not_cut")]
    several = len(sections) > 1
    rows = []
    for section in sections:
        method, why = section.get("cut_method"), section.get("cut_method_why")
        # The scenario says in which section the fire spot is.
        if (method is None and why is None) or (several and str(why).startswith("not_planned")):
            continue
        reason = reason_words(str(why)) if why is not None else ""
        name = METHOD_WORDS.get(str(method), "no cut is drawn") if method is not None else "no cut is drawn"
        rows.append(
            f"<b>{markup(where(section) + _upper(name))}.</b> {markup(_sentence(reason), most=_MOST)}"
        )
    title = "How it is opened" if cut else "No cut"
    return Block(title, tuple(rows), rank=1, least=1, rest="layers.gpkg, layer sections")


def _rejected(sections: Sequence[Row], where: Callable[[Row], str]) -> Iterator[str]:
    for section in sections:
        for method, why, _ in rejected_methods(str(section.get("methods_rejected") or "")):
            yield (
                f"<b>{markup(where(section) + _upper(METHOD_WORDS.get(method, method)))}:</b> "
                f"{markup(_sentence(why, upper=False), most=_MOST)}"
            )


def _ladders(frames: Mapping[str, pd.DataFrame], where: Callable[[Row], str]) -> Iterator[str]:
    """How to get up, what defeats it, and where the base stands."""
    for row in _ladder_rows(frames):
        get: Callable[[str], Any] = row.get
        means = {
            "ground_ladder": f"{_plain(get('ladder_ft'), 0)} ft ladder",
            "aerial": "aerial",
            "out_of_reach": "out of reach",
        }.get(str(get("apparatus")), "ladder")
        side = f"side {get('side')}" if get("side") else "no side letter"
        parts = []
        if get("base_setback_ft") is not None:
            parts.append(f"Base {_plain(get('base_setback_ft'), 1)} ft from the wall.")
        if get("aerial_setback_ft") is not None:
            parts.append(f"Street to tip {_plain(get('aerial_setback_ft'), 1)} ft along the ground.")
        if get("support_ft") is not None:
            text = f"Must clear {_plain(get('support_ft'), 1)} ft (height {get('height_basis') or 'unknown'})"
            if get("highest_ft") is not None:
                text += f", reaches {_plain(get('highest_ft'), 1)} ft"
            parts.append(text + ".")
        if get("in_collapse_zone"):
            parts.append("Inside the collapse zone.")
        head = f"{_plain(get('rank'), 0)} {where(row)}{side}, {means}"
        yield f"<b>{markup(head)}.</b> {markup(' '.join(parts))}"
        _, mark, why = str(get("reasons") or "").partition(_OUT_OF_REACH)
        if mark:
            # Why nothing reaches is no detail.
            yield f"<b>{markup(mark)}</b> {markup(why, most=_MOST)}"
        grid = _grid(get("usng"))
        if grid or get("base_lon") is not None:
            place = f"<b>{grid}</b>; " if grid else ""
            yield f"Base {place}{_kept(_lon_lat(get('base_lon'), get('base_lat')))}."


def _reasons(frames: Mapping[str, pd.DataFrame]) -> Iterator[str]:
    """Why each thing stands where it does."""
    for row in _ladder_rows(frames):
        reasons = str(row.get("reasons") or "").partition(_OUT_OF_REACH)[0].strip()
        if reasons:
            yield _labelled(f"Ladder {_plain(row.get('rank'), 0)}:", reasons)
    told: dict[str, list[str]] = {}
    for row in _rows(frames, "openings"):
        if row.get("why"):
            told.setdefault(row["why"], []).append(_plain(row.get("seq"), 0))
    for why, numbers in told.items():
        yield _labelled(f"Opening {', '.join(numbers)}:", why)
    for row in _rows(frames, "trenches"):
        if row.get("why"):
            yield _labelled("Trench:", row["why"])
    for why in dict.fromkeys(row["why"] for row in _rows(frames, "paths") if row.get("why")):
        yield _labelled("Path:", why)
    for why in dict.fromkeys(row["why"] for row in _rows(frames, "collapse_zones") if row.get("why")):
        yield _labelled("Collapse zone:", why)


def _labelled(label: str, text: object) -> str:
    return f"<b>{markup(label)}</b> {markup(text, most=_MOST)}"


def _ladder_rows(frames: Mapping[str, pd.DataFrame]) -> list[Row]:
    return sorted(_rows(frames, "ladders"), key=lambda row: row.get("rank") or 0)


def _kept(text: str) -> str:
    """Markup in which a coordinate is not broken off from its name."""
    return re.sub(r"\b(lon|lat) (?=-?\d)", "\\1\u00a0", markup(text))


def _grid(text: object) -> str:
    """A grid string that is not broken over two lines."""
    return markup(text, most=_MOST_SHORT).replace(" ", "\u00a0")


def _ways(frames: Mapping[str, pd.DataFrame]) -> Iterator[str]:
    ways = []
    for row in sorted(_rows(frames, "paths"), key=lambda row: row.get("ladder_rank") or 0):
        share = row.get("share_on_bearing")
        on = ""
        if share is not None:
            on = ", all on bearing lines" if share > 0.9995 else f", {share:.0%} on bearing lines"
        ways.append(
            f"from ladder {_plain(row.get('ladder_rank'), 0)} {_plain(row.get('length_ft'), 0)} ft{on}"
        )
    if ways:
        yield markup(f"Path {'; '.join(ways)}.")
    checks = sorted(_rows(frames, "checks"), key=lambda row: row.get("seq") or 0)
    for row in checks:
        if row["kind"] == "inspection_cut":
            why = row.get("why") or "Inside the first foothold, diagonal to the wall."
            yield markup(f"Inspection cut, {_plain(row.get('cut_ft'), 1)} ft. {why}", most=_MOST)
    holes = [row for row in checks if row["kind"] == "indicator_hole"]
    if holes:
        why = holes[0].get("why") or "Beside the path of travel, to be watched on the way in and out."
        noun = "indicator hole" if len(holes) == 1 else "indicator holes"
        yield markup(f"{len(holes)} {noun}. {why}", most=_MOST)


def _openings(frames: Mapping[str, pd.DataFrame], where: Callable[[Row], str]) -> Iterator[str]:
    openings = sorted(_rows(frames, "openings"), key=lambda row: (row["section_id"], row.get("seq") or 0))
    for place, row in enumerate(openings):
        get: Callable[[str], Any] = row.get
        if place == 0 or openings[place - 1]["section_id"] != row["section_id"]:
            summary = _areas(row)
            if summary:
                yield f"<b>{markup(where(row) + summary)}</b>"
        method = METHOD_WORDS.get(str(get("method")), plain_words(str(get("method"))))
        parts = [method]
        if get("parts") is not None and get("parts") > 1:
            parts.append(f"{_plain(get('parts'), 0)} parts")
        if get("length_ft") is not None and get("width_ft") is not None:
            parts.append(f"{_plain(get('length_ft'), 1)} \u00d7 {_plain(get('width_ft'), 1)} ft")
        if get("area_ft2") is not None:
            parts.append(f"{get('area_ft2'):,.0f} sq ft")
        text = ", ".join(parts) + "."
        # What is there already is lifted or broken, not cut from one side to the other.
        if get("finish_toward_deg") is not None and get("method") not in _UNCUT:
            text += f" Finish toward the {_toward(get('finish_toward_deg'))}."
        if get("push_side"):
            text += f" Push the {shown(get('push_side'), most=20)} edge down."
        grid = _grid(get("usng"))
        at = f" At {grid}." if grid else ""
        yield f"<b>{_plain(get('seq'), 0)}</b> {markup(_upper(text))}{at}"


def _areas(row: Row) -> str:
    wanted, placed, short = (row.get(name) for name in ("wanted_ft2", "placed_ft2", "short_ft2"))
    parts = []
    if wanted is not None:
        parts.append(f"wanted {wanted:,.0f} sq ft")
    if placed is not None:
        parts.append(f"placed {placed:,.0f}")
    if short is not None and short >= 0.5:
        parts.append(f"short {short:,.0f}")
    return f"{_upper(', '.join(parts))}." if parts else ""


def _trenches(frames: Mapping[str, pd.DataFrame], where: Callable[[Row], str]) -> Iterator[str]:
    sides = {(row["section_id"], row.get("wall")): row.get("side") for row in _rows(frames, "walls")}
    for row in _rows(frames, "trenches"):
        get: Callable[[str], Any] = row.get
        start = sides.get((row["section_id"], get("start_wall")))
        parts = [
            f"{where(row)}{plain_words(str(get('method')))}, {_plain(get('width_ft'), 1)} ft wide, "
            f"{_plain(get('length_ft'), 0)} ft wall to wall"
        ]
        if get("from_fire_ft") is not None:
            parts.append(f"{_plain(get('from_fire_ft'), 0)} ft from the fire spot")
        if start:
            parts.append(f"starts at side {start}")
        if get("saves_deg") is not None:
            parts.append(f"saves the part to the {_toward(get('saves_deg'))}")
        grid = _grid(get("usng"))
        at = f" Start at {grid}." if grid else ""
        yield f"{markup(_upper(', '.join(parts)))}.{at}"


def _smoke(frames: Mapping[str, pd.DataFrame], where: Callable[[Row], str], rules: Rulebook) -> Block:
    """What the openings do for the smoke and what they cost; of sections without a plan the figures alone."""
    rows = sorted(_rows(frames, "venting"), key=lambda row: not row.get("planned"))
    said = []
    for row in rows:
        area = f"<b>{markup(where(row) + area_sentence(row))}</b>"
        # One row, so that no want of room parts the figures from their caution.
        caution = f"<br/><b>{markup(VENTING_CAUTION)} {markup(wind_words(rules))}</b>"
        said.append(area + caution if row is rows[0] else area)
        if says_sentence(row):
            said.append(f"<b>{markup(says_sentence(row), most=_MOST)}</b>")
        if row.get("planned"):
            more = (work_sentence(row), flow_sentence(row), windward_sentence(row))
            said += [markup(text, most=_MOST_LONG) for text in more if text]
        if row.get("code_asks") == "may ask":
            said.append(markup(where(row) + code_sentence(row), most=_MOST))
    # The figures with their caution, the plain sentence, the work.
    least = 1 + sum(bool(tell(row)) for row in rows[:1] for tell in (says_sentence, work_sentence))
    return Block("What the openings do", tuple(said), 2, least=least, rest="layers.gpkg, layer venting")


def _collapse(frames: Mapping[str, pd.DataFrame]) -> Iterator[str]:
    for row in _rows(frames, "collapse_zones"):
        text = (
            f"{_plain(row.get('distance_ft'), 0)} ft out from the walls; greatest height of the walls "
            f"{_plain(row.get('height_ft'), 1)} ft ({row.get('height_basis') or 'basis unknown'})."
        )
        if row.get("pushes_out"):
            yield f"<b>This roof family is known to push walls out.</b> {markup(text)}"
        else:
            yield markup(text)


def _solar(frames: Mapping[str, pd.DataFrame]) -> Iterator[str]:
    rows = _rows(frames, "solar_access")
    for row in rows:
        if row.get("passes") is False:
            yield f"Array {_plain(row.get('array'), 0)}: {markup(row.get('message'), most=_MOST)}"
    untold = sum(row.get("passes") is None for row in rows)
    if untold:
        noun = "check cannot be told" if untold == 1 else "checks cannot be told"
        yield markup(f"{untold} {noun} from what is recorded (solar_access.csv).")


def _rank(frames: Mapping[str, pd.DataFrame], rules: Rulebook) -> Iterator[str]:
    set_for = _first(frames, "buildings").get("inspect_by")
    for row in _rows(frames, "ranking"):
        text = f"Rank {_plain(row.get('rank'), 0)} in the district"
        if row.get("rank_low") is not None:
            text += f", {row['rank_low']:,} to {row['rank_high']:,} in {interval_words(rules)}"
        if row.get("score") is not None:
            text += f", score {row['score']:.2f} of 1"
        reasons = _sentence(re.sub(r"\bft2\b", "sq ft", str(row.get("reasons") or "")))
        yield f"<b>{markup(text)}.</b> {markup(reasons, most=_MOST)}"
        by = _CLASS_BASES.get(str(row.get("class_basis")), "")
        due = f"; next due {_day(row['next_due'])}" if row.get("next_due") is not None else ""
        due += " (set by the office)" if due and row["next_due"] == set_for else ""
        late = due_words(row.get("due_state"), row.get("overdue_days"))
        late = f"; {late}" if late else ""
        yield markup(f"Inspection class {row.get('class') or 'unknown'}{by}{due}{late}.", most=_MOST)
    for row in _rows(frames, "survey_next"):
        place = f"Survey next: place {_plain(row.get('order'), 0)} on the list."
        yield markup(f"{place} {_sentence(str(row.get('reason') or ''))}", most=_MOST)


def _facts(frames: Mapping[str, pd.DataFrame], rules: Rulebook) -> Iterator[str]:
    """One row for what one basis and one date vouch for, the best known first; before them the odds."""
    building = _first(frames, "buildings")
    if building.get("roof_family") == "unknown" and building.get("odds"):
        odds = f"{odds_words(building['odds'], rules)}; {behind_words(building.get('local_roofs'))}."
        yield f"<b>Odds of the roof family, not seen:</b> {markup(odds, most=_MOST_LONG)}"
    order = {name: place for place, name in enumerate(_FIELDS)}
    facts = [row for row in _rows(frames, "facts") if row.get("current")]
    groups: dict[tuple[str, str], list[str]] = {}
    for row in sorted(facts, key=lambda row: (order.get(row["field"], len(order)), row["field"])):
        field = str(row["field"])
        label = _FIELDS.get(field) or re.sub(r"_(ft2?|deg|on)$", "", field).replace("_", " ")
        day = _day(row["date"]) if row.get("date") is not None else "no date"
        value = shown(_fact_value(field, str(row["value"]), rules), most=_MOST_SHORT)
        groups.setdefault((str(row["basis"]), day), []).append(f"{label} {value}")
    for basis, day in sorted(groups, key=lambda group: (BASES.index(group[0]), -len(groups[group]), group)):
        lines = [""]
        for fact in groups[basis, day]:
            if lines[-1] and len(lines[-1]) + len(fact) > _FACTS_ROW:
                lines.append("")
            lines[-1] += f"; {fact}" if lines[-1] else fact
        for line in lines:
            yield f"<b>{markup(_upper(basis))}, {day}:</b> {escape(line)}."


def _fact_value(field: str, value: str, rules: Rulebook) -> str:
    column = ATTRIBUTES.get(field)
    if field == "roof_family":
        family = rules.families.get(value)
        return family.label if family is not None else value
    if column is None:
        return value
    if column.dtype == "boolean":
        return _SAYS_YES_NO.get(value.lower(), value)
    if column.dtype == "float64":
        try:
            return f"{_plain(float(value), 2)}{_UNITS.get(column.unit, f' {column.unit}'.rstrip())}"
        except ValueError:
            return value
    if column.allowed:
        return value.replace("_", ", ") if field == "panel_type" else plain_words(value)
    return value[:10] if column.dtype.startswith("datetime") else value


def _rows(frames: Mapping[str, pd.DataFrame], name: str) -> list[Row]:
    """Rows of a table as plain values; what is missing is None."""
    frame = frames.get(name)
    if frame is None or not len(frame):
        return []
    columns = [column for column in frame.columns if column != "geometry"]
    values = [_plain_list(frame[column]) for column in columns]
    return [dict(zip(columns, row, strict=True)) for row in zip(*values, strict=True)]


def _plain_list(column: pd.Series) -> list[Any]:
    missing = column.isna().to_numpy()
    values = column.tolist()
    return [None if gone else _bounded(value) for value, gone in zip(values, missing, strict=True)]


def _bounded(value: Any) -> Any:
    """A value of which no text is so long that it could fill a page; what a row quotes is shorter still."""
    if isinstance(value, str) and len(value) > _MOST_VALUE:
        return value[: _MOST_VALUE - 1] + "\u2026"
    return value


def _first(frames: Mapping[str, pd.DataFrame], name: str) -> Row:
    rows = _rows(frames, name)
    return rows[0] if rows else {}


def _family(family: Any, basis: Any, rules: Rulebook) -> str:
    known = rules.families.get(str(family))
    label = known.label if known is not None else shown(family, most=_MOST_SHORT)
    return f"{label} ({basis})" if basis is not None and family != "unknown" else label


def _plain(value: Any, decimals: int) -> str:
    """A number without idle zeros; a question mark where there is none."""
    if value is None:
        return "?"
    text = f"{float(value):,.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _toward(degrees: float) -> str:
    point = _POINTS[round(degrees / 22.5) % len(_POINTS)]
    return f"{point} ({round(degrees) % 360}\u00b0)"


def _both_ways(degrees: float) -> str:
    one = round(degrees / 22.5) % 8
    return f"{_POINTS[one]} to {_POINTS[one + 8]} ({round(degrees) % 180}\u00b0)"


def _lon_lat(lon: Any, lat: Any) -> str:
    return "place unknown" if lon is None or lat is None else f"lon {lon:.6f}, lat {lat:.6f}"


def _day(value: Any) -> str:
    return str(value)[:10]


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _sentence(text: str, *, upper: bool = True) -> str:
    text = text.strip()
    if not text:
        return ""
    return (_upper(text) if upper else text) + ("" if text.endswith((".", "!", "?")) else ".")


def _many(noun: str) -> str:
    """The plural of what members are called; one that runs through a texture of glass has none."""
    return {"glazing": "lines of glazing", "truss": "trusses", "tee": "tees"}.get(noun, f"{noun}s")
