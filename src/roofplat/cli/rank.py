"""`roofplat rank`: the ranked list on the screen, or one building's score taken apart.

In: a district file; how many rows, or the id of a building.
Out: a table of the first, or all that stands behind one rank, on the screen; no file is written.
"""

from __future__ import annotations

import datetime
import re
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from roofplat.cli import options
from roofplat.cli.manners import CAUTION, Progress, exit_code, printable, say, say_problems

if TYPE_CHECKING:
    from roofplat.pipeline import Ranked
    from roofplat.ranking import Apart

__all__ = ["rank"]

_TOP = 20
# What fits a terminal and a printed page.
_WIDE = 100
# Odds below this share are counted together.
_WORTH_A_ROW = 0.005
_LEAST_SHOWN = 0.001
# What the odds of a building say of themselves, at their end.
_NOTE = re.compile(r"\(([^()]*)\)$")


@click.command()
@options.district
@click.option(
    "--top",
    type=click.IntRange(min=1),
    help=f"How many of the first are listed. Without it: {_TOP}, and none with --explain.",
)
@click.option(
    "--explain",
    metavar="ID",
    help="Take the score of this building apart, and say where it would land for each answer.",
)
@options.as_of
@options.workers
@click.pass_context
def rank(
    ctx: click.Context,
    district: Path,
    top: int | None,
    explain: str | None,
    as_of: datetime.date | None,
    workers: int,
) -> None:
    """Rank the buildings of a district, or say what stands behind one rank.

    Nothing is written; `roofplat build` writes the whole list.
    """
    settings = options.settings_of(district)
    # Here and not above: the help of a command does not wait for the rooms to load.
    from roofplat import pipeline

    with Progress() as progress:
        ranked = pipeline.rank(settings, explain=explain, workers=workers, as_of=as_of, report=progress)
    errors = ranked.problems[ranked.problems["severity"] == "error"]
    if len(errors):
        say_problems(errors)
    if explain is None or top is not None:
        _say_list(ranked, settings.name, top or _TOP)
    if ranked.apart is not None:
        _say_apart(ranked, ranked.apart)
    say(CAUTION)
    ctx.exit(exit_code(ranked.problems))


def _say_list(ranked: Ranked, name: str, top: int) -> None:
    """The first rows: rank, interval, score, who, inspection; the reasons on a line of their own."""
    ranking = ranked.tables["ranking"]
    shown = ranking.head(top)
    counts = f"{len(shown):,} of {len(ranking):,} buildings, ranked on {ranked.as_of.isoformat()}"
    say(f"{_shortened(printable(name), _WIDE - len(counts) - 2)}: {counts}")
    head = ["rank", f"in {_share(ranked)}", "score", "id", "name, address", "inspection"]
    rows = [
        [
            f"{row['rank']:,}",
            _interval(row),
            f"{row['score']:.4f}",
            printable(row["building_id"]),
            _called(row),
            _inspection(row),
        ]
        for _, row in shown.iterrows()
    ]
    # An id is never cut; a name is, to what is left of the line.
    taken = sum(max(len(row[place]) for row in [head, *rows]) + 2 for place in (0, 1, 2, 3, 5))
    for row in rows:
        row[4] = _shortened(row[4], max(_WIDE - taken - 2, len(head[4])))
    lines = _columns([head, *rows], right=(0, 2))
    say(lines[0])
    for line, reasons in zip(lines[1:], shown["reasons"], strict=True):
        say(line)
        _say_wrapped(printable(reasons), "        ")
    _say_wrapped(_interval_words(ranked))


def _say_apart(ranked: Ranked, apart: Apart) -> None:
    """One building: where it stands, what its score is made of, what is not known, what would change it."""
    row = apart.row
    family = ranked.rules.families.get(row["roof_family"])
    label = family.label if family else printable(row["roof_family"])
    say(_cut(f"{printable(row['building_id'])}  {_called(row)}".rstrip()))
    _say_wrapped(
        f"Rank {row['rank']:,} of {apart.of:,}; {_interval(row)} in {_share(ranked)} of "
        f"{_draws(ranked)} draws. Score {row['score']:.4f}."
    )
    _say_wrapped(_interval_words(ranked))
    _say_survey(ranked, row["building_id"])
    _say_wrapped(f"Inspection: {_inspection(row)}; class {row['class']}, {_CLASS_BASES[row['class_basis']]}.")
    say()
    _say_parts(apart)
    say()
    basis = "" if family is None or row["roof_family"] == "unknown" else f" ({row['family_basis']})"
    _say_wrapped(f"Roof family: {label}{basis}.")
    _say_odds(ranked, apart)
    say()
    missing = row["unknown_facts"]
    _say_wrapped(
        f"Not known: {printable(missing)}."
        if isinstance(missing, str) and missing
        else "Not known: nothing that the score asks for."
    )
    _say_answers(apart)


def _say_survey(ranked: Ranked, building_id: str) -> None:
    """Which place it has among the roofs to survey next, and why."""
    following = ranked.tables["survey_next"]
    own = following[following["building_id"] == building_id]
    for line in own.to_dict("records"):
        _say_wrapped(f"Survey next: {line['order']:,} of {len(following):,}. {printable(line['reason'])}")


_CLASS_BASES = {
    "stated": "as the office states it",
    "occupancy": "by the occupancy",
    "unknown": "as neither occupancy nor office says which",
}


def _say_parts(apart: Apart) -> None:
    """Every factor with its share and its part, and the sum."""
    say("What the score is made of: weight share x factor = part")
    rows = [
        (line["factor"], f"{line['weight_share']:.4f}", f"{line['value']:.4f}", f"{line['part']:.4f}")
        for line in apart.parts.to_dict("records")
    ]
    total = ("sum", f"{apart.parts['weight_share'].sum():.4f}", "", f"{apart.parts['part'].sum():.4f}")
    lines = _columns([("factor", "share", "factor", "part"), *rows, total], right=(1, 2, 3))
    why = ["why", *apart.parts["why"], ""]
    room = max(map(len, lines)) + 2
    for line, words in zip(lines, why, strict=True):
        folded = textwrap.wrap(printable(words), _WIDE - room) or [""]
        say(f"{line.ljust(room)}{folded[0]}".rstrip())
        for more in folded[1:]:
            say(" " * room + more)
    _say_wrapped("The weights and what the factors rest on are rules: roofplat rules ranking.")


def _say_odds(ranked: Ranked, apart: Apart) -> None:
    """The odds of the roof's family, with the roofs behind them."""
    if apart.odds.empty:
        return
    seen = int(apart.odds["surveyed"].sum())
    known = {0: "no roof of it is", 1: "1 roof of it is"}.get(seen, f"{seen:,} roofs of it are")
    _say_wrapped(f"Kind of building: {printable(apart.building['stratum'])}; {known} surveyed.")
    if apart.row["roof_family"] != "unknown":
        basis, how = apart.row["family_basis"], f"is {apart.row['family_basis']}, not surveyed"
        if basis == "surveyed":
            # Before a change of the roof: it counts as recorded.
            basis, how = "recorded", f"was surveyed before a change, {apart.building['look_again']}"
        trust = ranked.rules.number(f"odds.trust.{basis}")
        _say_wrapped(
            f"The family {printable(how)}: it has {trust:.0%} of the chance, and the odds of the kind share "
            "the rest."
        )
    if note := _NOTE.search(str(apart.building["odds"])):
        _say_wrapped(f"About the odds: {note[1]}.")
    shown = apart.odds[apart.odds["chance"] >= _WORTH_A_ROW]
    rows = [
        (
            line["roof_family"],
            _percent(line["chance"]),
            f"{line['low']:.1%} to {line['high']:.1%}",
            f"{line['prior']:.1%}",
            f"{line['surveyed']:,}",
        )
        for line in shown.to_dict("records")
    ]
    rest = apart.odds.iloc[len(shown) :]
    if len(rest):
        rows.append((f"{len(rest)} others together", _percent(rest["chance"].sum()), "", "", ""))
    held = f"{ranked.rules.number('odds.interval_share'):.0%} of its kind"
    head = ("family", "this roof", held, "before surveys", "surveyed")
    for line in _columns([head, *rows], right=(1, 2, 3, 4)):
        say(line)
    counted = apart.odds["prior_count"].sum()
    _say_wrapped(f"What is known before surveys counts for {counted:g} roofs of the kind.")


def _say_answers(apart: Apart) -> None:
    """Where it would land, one answer at a time."""
    if apart.answers.empty:
        say("No answer is open that would move it.")
        return
    say("Where it would land, one answer at a time, all else as it is:")
    now = int(apart.row["rank"])
    rows = [
        (
            line["fact"],
            line["answer"],
            "" if line["chance"] != line["chance"] else _percent(line["chance"]),
            f"{line['score']:.4f}",
            f"{line['rank']:,}",
            _move(now, int(line["rank"])),
        )
        for line in apart.answers.to_dict("records")
    ]
    for line in _columns([("fact", "answer", "chance", "score", "rank", "moves"), *rows], right=(2, 3, 4)):
        say(line)
    _say_wrapped(
        "A survey also renews the date of what is known; that is not counted here, as any survey does it."
    )


def _move(now: int, then: int) -> str:
    if then == now:
        return "stays"
    places = abs(now - then)
    return f"{'up' if then < now else 'down'} {places:,}"


def _percent(chance: float) -> str:
    """A chance that is not zero is never shown as zero."""
    return "under 0.1%" if 0 < chance < _LEAST_SHOWN else f"{chance:.1%}"


def _interval(row: Any) -> str:
    return f"{row['rank_low']:,} to {row['rank_high']:,}"


def _share(ranked: Ranked) -> str:
    return f"{ranked.rules.number('ranking.interval_share'):.0%}"


def _draws(ranked: Ranked) -> str:
    return f"{ranked.rules.count('ranking.draws'):,}"


def _interval_words(ranked: Ranked) -> str:
    return (
        f"The interval holds the rank in {_share(ranked)} of {_draws(ranked)} draws of the weights "
        "and of the families of roofs that nobody has surveyed."
    )


def _called(row: Any) -> str:
    """Name and address, as far as they are known."""
    return ", ".join(printable(row[key]) for key in ("name", "address") if isinstance(row[key], str))


def _inspection(row: Any) -> str:
    """When the next inspection is due, and by how much it is late."""
    state = row["due_state"]
    if state == "overdue":
        days = int(row["overdue_days"])
        return f"overdue by {days:,} {'day' if days == 1 else 'days'}"
    if state == "due":
        return f"due {row['next_due'].date().isoformat()}"
    return {"never_inspected": "never inspected", "no_class": "no class"}[state]


def _shortened(text: str, longest: int) -> str:
    return text if len(text) <= longest else text[: longest - 3].rstrip() + "..."


def _cut(text: str) -> str:
    return _shortened(text, _WIDE)


def _columns(rows: Sequence[Sequence[str]], right: Sequence[int]) -> list[str]:
    """Lines of a table, two blanks before each column; those named stand to the right."""
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    return [
        "  "
        + "  ".join(
            text.rjust(width) if place in right else text.ljust(width)
            for place, (text, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def _say_wrapped(text: str, indent: str = "") -> None:
    for line in textwrap.wrap(text, _WIDE, initial_indent=indent, subsequent_indent=indent):
        say(line)
