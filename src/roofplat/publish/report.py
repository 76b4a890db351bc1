"""The report of one build: what came in, what was made of it, what is assumed, what to do first.

In: the tables of a build, of which a few columns are read; the counts of the intake and the joins, the
    rules in force.
Out: `report.html`, one page that prints well and asks no network for anything.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from roofplat.district import District
from roofplat.ground import Ground
from roofplat.inventory import places_among
from roofplat.publish.charts import Look, bar_plot, interval_plot, row_labels
from roofplat.publish.files import CAUTION, NO_AREA, asset, write_whole
from roofplat.publish.map import Wind
from roofplat.publish.page import fill, html_page
from roofplat.publish.parts import Parts
from roofplat.publish.tallies import (
    GAPS,
    NOT_KNOWN,
    NOT_STATED,
    among,
    area_names,
    due_by_class,
    due_by_year,
    gap_flags,
    gaps_by_area,
    gaps_first,
    known_by_basis,
    odds_by_stratum,
    reached,
    roofs_by_area,
    roofs_by_decade,
    scores_by_class,
    surveys_by_area,
)
from roofplat.publish.vent_words import figures
from roofplat.publish.wording import METHOD_WORDS, due_words, interval_words, odds_words, without_code
from roofplat.rules import Rulebook
from roofplat.tables import AXIS_BASES, BASES
from roofplat.venting import CAUTION as VENTING_CAUTION
from roofplat.venting import wind_words

__all__ = ["write_report"]

_TOP = 25
_MOST_ROWS = 200
_MOST_REASONS = 6
_ALL_AREAS = "all areas"
_MOST_AREAS_SAID = 8
# Less than this is short of nothing.
_LEAST_SHORT_FT2 = 0.5
_RATES = {True: "at your measured rate", False: "by rates from memory: measure yours"}
# Of `vent_words.figures`.
_FIGURES = ("by rule", "by flow", "planned", "there already")
# Families told of each stratum; the rest is said as one.
_MOST_FAMILIES = 3
_LEAST_SAID = 0.005
# Columns and rows of a table that has room beside its plot.
_MOST_BESIDE = 5
_MOST_ROWS_BESIDE = 20
_SCENARIO = (
    ("sections", "fire_basis", "Fire spot of the scenario, by planned section"),
    ("sections", "wind_basis", "Wind of the scenario, by planned section"),
)
# What is read of each table; no geometry. Of others rows and bases are counted, part after part.
_READ: Mapping[str, tuple[str, ...]] = {
    "buildings": ("building_id", "name", "address", "dispatch_area", "roof_family", "family_basis",
                  "year_built", "height_basis", "area_ft2", "surveyed_on", "look_again", "inspected_on",
                  "stratum", "odds"),
    "sections": ("building_id", "roof_family", "axis_basis", "spacing_basis", "cut_method", "cut_method_why",
                 "fire_basis", "wind_basis"),
    "ladders": ("building_id", "rank", "side", "apparatus", "support_ft", "highest_ft", "in_collapse_zone",
                "height_basis", "reasons"),
    "openings": ("section_id", "short_ft2"),
    "collapse_zones": ("building_id", "distance_ft", "pushes_out"),
    "venting": ("building_id", "section_id", "planned", "wanted_ft2", "flow_ft2", "flow_outside",
                "clear_planned_ft", "planned_ft2", "glazing_ft2", "existing_ft2", "existing_count",
                "existing_unsized", "prescribed_ft2", "prescribed_by", "vents_short_ft2", "code_asks",
                "saw_ft", "crew_share", "rate_basis", "cutting_reaches", "says"),
    "solar_access": ("building_id", "section_id", "array", "rule", "wanted_ft", "measured_ft", "passes",
                     "basis", "message"),
    "ranking": ("building_id", "name", "address", "dispatch_area", "score", "rank", "rank_low", "rank_high",
                "reasons", "class", "class_basis", "next_due", "due_state", "overdue_days"),
    "survey_next": ("building_id", "name", "address", "dispatch_area", "order", "rank", "rank_low",
                    "rank_high", "reason"),
    "family_odds": ("stratum", "roof_family", "chance", "low", "high", "surveyed"),
    "problems": ("layer", "feature", "code", "severity", "message", "action"),
}  # fmt: skip
# White is what nobody knows, hatched is what nobody has seen; the rest goes from dark to light.
_HATCHED = Look("#ffffff", "////")
_ROOFS = {
    "lightweight": Look("#d55e00"),
    "either": Look("#f0e442", "----"),
    "not lightweight": Look("#b9ddf2"),
    "unknown": _HATCHED,
}
_SURVEYS = (Look("#003f66"), Look("#0072b2"), Look("#56b4e9"), Look("#cfe8f7"), Look("#f0e442", "----"))
_KNOWN = (
    Look("#14181c"),
    Look("#0072b2"),
    Look("#56b4e9"),
    Look("#f0e442", "----"),
    Look("#e69f00", "\\\\\\\\"),
    Look("#d55e00", "xxxx"),
    Look("#ffffff"),
)
_CLASSES = (Look("#003f66"), Look("#56b4e9"), Look("#dcdcdc"), _HATCHED)
_DUE = (Look("#d55e00"), Look("#56b4e9"), _HATCHED)
_STATES = (*_DUE, Look("#ffffff"))


def write_report(
    parts: Parts,
    *,
    district: District,
    rules: Rulebook,
    ground: Ground,
    counts: Mapping[str, pd.DataFrame],
    as_of: datetime.date,
    wind: Wind | None,
    path: Path,
) -> Path:
    """Write the report.

    Parameters
    ----------
    parts
        The tables of the build; `buildings` at least.
    district
        For its name, and how much of the ranking the workbook holds.
    rules
        The rules in force.
    ground
        For the statement on feet.
    counts
        What was read, joined and refused: title to frame, shown as they are.
    as_of
        The date on which ages were counted.
    wind
        What the standing plans assume.
    path
        The file to write.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    DistrictFileError
        The file cannot be written.
    """
    tables = {
        name: parts.in_order(name, columns, "rank") if name == "ranking" else parts.narrow(name, columns)
        for name, columns in _READ.items()
        if name in parts.names
    }
    buildings = tables["buildings"]
    ranking = tables.get("ranking")
    body = fill(
        "report.html.j2",
        name=district.name,
        as_of=as_of.isoformat(),
        caution=CAUTION,
        no_area=NO_AREA,
        ground=ground.statement,
        wind=wind.words if wind else "No wind is stated.",
        numbers=_numbers(tables, parts),
        counts=[(title, _grid(frame)) for title, frame in counts.items() if len(frame)],
        figures=_figures(tables, known_by_basis(parts), rules, as_of),
        families=_families(buildings, rules),
        scenario=_scenario(tables),
        ranks=_ranks(ranking, rules),
        odds=_odds(tables, rules),
        visits=_visits(tables, rules),
        gaps=_gaps(tables, buildings, ranking, rules),
        overridden=rules.overridden,
        statuses=_statuses(rules),
        problems=_problems(tables),
        planned=_planned(tables, rules),
        pushing=_pushing(tables, rules),
        out_of_reach=_out_of_reach(tables),
        venting=_venting(tables, rules),
        solar=_solar(tables, rules),
        unknown=f"{(buildings['roof_family'] == 'unknown').sum():,}",
        top=_top(tables),
        workbook=_of_workbook(ranking, district),
        unseen=f"{buildings['surveyed_on'].isna().sum():,}",
    )
    return write_whole(
        path, html_page(f"{district.name}: roof report", styles=[asset("report.css")], scripts=[], body=body)
    )


def _numbers(tables: Mapping[str, pd.DataFrame], parts: Parts) -> list[tuple[str, str]]:
    buildings = tables["buildings"]
    seen = buildings["surveyed_on"].notna()
    found = [
        ("Buildings", f"{len(buildings):,}"),
        ("Ground area of the outlines", f"{buildings['area_ft2'].sum():,.0f} ft2"),
        ("Roofs surveyed", f"{seen.sum():,}"),
        ("Roofs nobody has surveyed", f"{(~seen).sum():,}"),
        ("Roof family unknown", f"{(buildings['roof_family'] == 'unknown').sum():,}"),
    ]
    if again := int(buildings["look_again"].notna().sum()):
        found.insert(4, ("Roofs to look at again", f"{again:,}"))
    if "sections" in tables:
        found.append(("Roof sections", f"{len(tables['sections']):,}"))
    if "ladders" in tables:
        ladders = tables["ladders"]
        found += [
            ("Ladder spots", f"{len(ladders):,}"),
            ("Buildings without a ladder spot in reach", f"{(~reached(buildings, ladders)).sum():,}"),
        ]
    if "openings" in tables:
        openings = tables["openings"]
        short = openings.drop_duplicates("section_id")["short_ft2"].gt(0).sum()
        found += [
            ("Openings", f"{len(openings):,}"),
            ("Sections whose openings are short of the area wanted", f"{short:,}"),
        ]
    if "venting" in tables:
        venting = tables["venting"]
        found += [
            ("Sections that cutting alone will not vent", f"{_beyond_cutting(venting).sum():,}"),
            ("Sections with vents short of the prescriptive area", f"{_short_of_code(venting).sum():,}"),
        ]
    if "ladders" in tables:
        beyond = tables["ladders"]["apparatus"] == "out_of_reach"
        found.append(("Ladder spots out of reach", f"{beyond.sum():,}"))
    if "collapse_zones" in tables:
        found.append(("Roofs known to push walls out", f"{tables['collapse_zones']['pushes_out'].sum():,}"))
    if "solar_access" in tables:
        failed = tables["solar_access"]
        failed = failed[(failed["passes"] == False).fillna(False)]  # noqa: E712  three values
        arrays = failed.drop_duplicates(["section_id", "array"])
        found.append(("Solar arrays that fail an access rule", f"{len(arrays):,}"))
    if "trenches" in parts.names:
        found.append(("Trenches", f"{parts.count('trenches'):,}"))
    if "ranking" in tables:
        late = tables["ranking"]["due_state"] == "overdue"
        found.append(("Inspections overdue", f"{late.sum():,}"))
    found.append(("No inspection on record", f"{buildings['inspected_on'].isna().sum():,}"))
    if "problems" in tables:
        severity = tables["problems"]["severity"].value_counts()
        found += [
            (f"Problems: {name}", f"{severity.get(name, 0):,}") for name in ("error", "warning", "info")
        ]
    return found


def _grid(frame: pd.DataFrame) -> dict[str, Any]:
    """Turn a frame into a heading and rows of text, numbers marked for alignment."""
    numeric = [bool(pd.api.types.is_numeric_dtype(dtype)) for dtype in frame.dtypes]
    shown = frame.astype(object).where(frame.notna(), "")
    return {
        "head": [_heading(str(name)) for name in frame.columns],
        "numeric": numeric,
        "rows": [[_with_commas(cell) for cell in row] for row in shown.to_numpy().tolist()],
        "foot": [],
    }


def _heading(name: str) -> str:
    words = name.replace("_", " ")
    return words[:1].upper() + words[1:]


def _with_commas(cell: Any) -> Any:
    return f"{cell:,}" if isinstance(cell, int) and not isinstance(cell, bool) else cell


def _figures(
    tables: Mapping[str, pd.DataFrame], known: pd.DataFrame, rules: Rulebook, as_of: datetime.date
) -> list[dict[str, Any]]:
    """Make the plots, each with the table of its numbers, in the order of the page."""
    buildings = tables["buildings"]
    roofs = roofs_by_area(buildings, rules)
    decades = roofs_by_decade(buildings, rules, as_of=as_of)
    kinds = [kind for kind in roofs if kind != "either" or roofs[kind].any()]
    surveys = surveys_by_area(buildings, rules, as_of=as_of)
    known = known[[basis for basis in known if basis != "drawn" or known[basis].any()]]
    looks = [_ROOFS[str(kind)] for kind in kinds]
    figures = [
        _figure(
            "roofs",
            "Roof families by area",
            roofs[kinds],
            looks,
            "Area",
            shares=True,
            note="What the family says of the roof's weight. Nobody knows how an unknown roof is built.",
        ),
        _figure(
            "ages",
            "Age of the buildings",
            decades[kinds],
            looks,
            "Built",
            apart=(NOT_KNOWN,),
            note="By year of construction, with what is known of the roof.",
        ),
        _figure(
            "surveys",
            "How fresh the surveys are",
            surveys,
            (_HATCHED, *_SURVEYS[: surveys.shape[1] - 2], _SURVEYS[-1]),
            "Area",
            shares=True,
            note=f"Years from the last roof survey to {as_of.isoformat()}. Never: nobody has looked.",
        ),
        _figure(
            "known",
            "How things are known",
            known,
            [look for basis, look in zip((*AXIS_BASES, NOT_STATED), _KNOWN, strict=True) if basis in known],
            "What",
            shares=True,
            axis="things",
            note="Surveyed, recorded and drawn: somebody says so. Inferred, assumed and doubtful: a guess. "
            "Not stated: there is nothing of the kind, or nobody says. Family and height are counted by "
            "building, walls by wall, members by kind and section, planes by plane, the rest by section.",
        ),
    ]
    if "ranking" in tables:
        ranking = tables["ranking"]
        figures += [
            _figure(
                "scores",
                "Scores by inspection class",
                scores_by_class(ranking),
                _CLASSES,
                "Score",
                note="The class is stated or follows the occupancy; a high score may stand in any class.",
            ),
            _figure(
                "classes",
                "Overdue by inspection class",
                due_by_class(ranking),
                _STATES,
                "Class",
                note="No inspection on record does not say that there was none. No class: nobody has stated "
                "one, and the occupancy gives none.",
            ),
            _figure(
                "inspections",
                "Inspections due by year",
                due_by_year(ranking, buildings, as_of=as_of),
                _DUE,
                "Due",
                apart=("class unknown", "no record"),
                note=f"Overdue: due before {as_of.isoformat()}. No record: no date of an inspection, which "
                "does not say that there was none. Class unknown: inspected, but no cycle to count by.",
            ),
        ]
    return [figure for figure in figures if figure is not None]


def _figure(
    anchor: str,
    title: str,
    counts: pd.DataFrame,
    looks: Sequence[Look],
    first: str,
    *,
    note: str,
    shares: bool = False,
    axis: str = "buildings",
    apart: Sequence[str] = (),
) -> dict[str, Any] | None:
    """Draw counts and set them as a table under the same names; None where there are none."""
    counts = counts.set_axis(pd.Index(row_labels([str(name) for name in counts.index])), axis="index")
    plot = bar_plot(counts, looks, title=title, shares=shares, axis=axis, apart=apart)
    if plot is None:
        return None
    total = counts.sum(axis=1)
    grid = _grid(counts.assign(all=total).reset_index(names=first))
    if counts.shape[0] > 1 and axis == "buildings":
        grid["foot"] = ["All", *(f"{number:,}" for number in [*counts.sum(), total.sum()])]
    tall = counts.shape[0] > _MOST_ROWS_BESIDE
    return {
        "anchor": anchor,
        "title": title,
        "plot": plot,
        "grid": grid,
        "note": note,
        "broad": tall or counts.shape[1] > _MOST_BESIDE,
        "tall": tall,
    }


def _families(buildings: pd.DataFrame, rules: Rulebook) -> dict[str, Any]:
    """Count each family by area and by how it is known; a family by area as words, areas being many."""
    label = _labels(buildings["roof_family"], rules)
    area = pd.Series(area_names(buildings), index=buildings.index)
    cross = pd.crosstab(label, area)
    count = _counted(label)
    basis = pd.crosstab(label, buildings["family_basis"].fillna(NOT_STATED))
    basis = basis.reindex(columns=[name for name in (*BASES, NOT_STATED) if name in basis])
    frame = pd.DataFrame({"family": count.index, "buildings": count.to_numpy()})
    frame["share"] = [_percent(number, len(buildings)) for number in count]
    for name in basis:
        frame[str(name)] = basis[name].reindex(count.index).to_numpy()
    frame["by area"] = [
        _most_of({str(name): int(number) for name, number in row.items() if number})
        for row in cross.reindex(index=count.index).to_dict("records")
    ]
    grid = _grid(frame)
    grid["numeric"][2] = True
    return grid


def _counted(column: pd.Series) -> pd.Series:
    """How often each word is met, most often first; ties by the word, however the district was cut."""
    return column.value_counts().sort_index().sort_values(ascending=False, kind="stable")


def _most_of(counts: Mapping[str, int]) -> str:
    """Say a few counts in their order; of many, the largest."""
    said = dict(counts)
    if len(counts) > _MOST_AREAS_SAID:
        said = dict(sorted(counts.items(), key=lambda item: -item[1])[:_MOST_AREAS_SAID])
    words = [f"{name} {number:,}" for name, number in said.items()]
    if len(said) < len(counts):
        rest = sum(counts.values()) - sum(said.values())
        words.append(f"{len(counts) - len(said):,} other areas {rest:,}")
    return "; ".join(words)


def _ranks(ranking: pd.DataFrame | None, rules: Rulebook) -> dict[str, Any] | None:
    """Draw how far the rank of the first buildings may move."""
    if ranking is None or ranking.empty:
        return None
    first = ranking.head(_TOP)
    rank, low, high = (
        first[name].to_numpy(dtype=float, na_value=np.nan).tolist()
        for name in ("rank", "rank_low", "rank_high")
    )
    labels = row_labels(first["building_id"].astype("str").tolist())
    title = f"Rank of the first {len(first)} buildings and the span it may have"
    grid = _grid(
        pd.DataFrame(
            {
                "building": labels,
                "rank": first["rank"].astype("Int64"),
                "from": first["rank_low"].astype("Int64"),
                "to": first["rank_high"].astype("Int64"),
            }
        )
    )
    return {
        "plot": interval_plot(labels, rank, low, high, title=title),
        "grid": grid,
        "interval": interval_words(rules),
        "draws": f"{rules.number('ranking.draws'):,.0f}",
    }


def _odds(tables: Mapping[str, pd.DataFrame], rules: Rulebook) -> dict[str, Any]:
    """Tell the odds of each stratum with the number of roofs behind them and before them."""
    if "family_odds" not in tables:
        return dict(_NONE)
    words = {
        "interval": f"{100 * rules.number('odds.interval_share'):.4g}%",
        "prior": f"{rules.number('odds.prior_roofs'):.4g}",
    }
    strata = odds_by_stratum(tables["family_odds"], tables["buildings"], rules)
    number, strata = len(strata), strata.head(_TOP)
    strata = strata.assign(
        lightweight=strata["lightweight"].map(_of_all),
        families=[_likeliest(families, rules) for families in strata["families"]],
    )
    return {**_capped(strata, number), **words}


def _likeliest(families: Sequence[tuple[str, float, float, float]], rules: Rulebook) -> str:
    """Say the likeliest families of a stratum, each with its chance and the interval of it."""
    words = []
    for key, chance, low, high in families[:_MOST_FAMILIES]:
        label = rules.families[key].label if key in rules.families else key
        words.append(f"{label} {_of_all(chance)} ({_of_all(low)} to {_of_all(high)})")
    rest = sum(chance for _, chance, _, _ in families[_MOST_FAMILIES:])
    return "; ".join([*words, f"others {_of_all(rest)}"] if rest >= _LEAST_SAID else words)


def _of_all(share: float) -> str:
    """A chance in whole percent, as parts of a thousand say it."""
    return _percent(round(1000 * share), 1000)


def _visits(tables: Mapping[str, pd.DataFrame], rules: Rulebook) -> dict[str, Any]:
    """List the roofs whose survey is worth most, in that order."""
    if "survey_next" not in tables:
        return dict(_NONE)
    visits = tables["survey_next"].sort_values("order", kind="stable")
    number, visits = len(visits), visits.head(_TOP)
    own = visits["building_id"]
    odds = own.map(_by_id(tables, own)["odds"])
    frame = pd.DataFrame(
        {
            "order": visits["order"].astype("str"),
            "rank": visits["rank"].astype("str"),
            "span": _spans(visits),
            "id": own,
            "place": _places(own, visits.set_index("building_id")),
            "area": visits["dispatch_area"].fillna(NO_AREA),
            "odds": odds.map(lambda one: odds_words(one, rules, most=_MOST_FAMILIES), na_action="ignore"),
            "reason": visits["reason"],
        }
    )
    return _capped(frame, number)


def _spans(ranked: pd.DataFrame) -> pd.Series:
    """The span that each rank may have."""
    low, high = (ranked[name].astype("str").fillna("?") for name in ("rank_low", "rank_high"))
    return low + " to " + high


def _gaps(
    tables: Mapping[str, pd.DataFrame],
    buildings: pd.DataFrame,
    ranking: pd.DataFrame | None,
    rules: Rulebook,
) -> dict[str, Any]:
    """Set the gaps by area, with shares, and the order in which to close them."""
    flags = gap_flags(tables)
    counts = gaps_by_area(flags, buildings)
    counts = pd.concat([counts, pd.DataFrame([counts.sum()], index=["All"])]) if len(counts) > 1 else counts
    rows = [
        {
            "area": area,
            "buildings": f"{row[0]:,}",
            "cells": [(f"{n:,}", _percent(n, row[0]) if n else "") for n in row[1:]],
        }
        for area, row in zip(counts.index, counts.to_numpy().tolist(), strict=True)
    ]
    wanted = int(rules.number("report.high_ranked_count"))
    order = None
    if ranking is not None:
        first = gaps_first(flags, buildings, ranking, first=wanted)
        order = [
            {"label": GAPS[str(key)].label, "close": GAPS[str(key)].close, **row}
            for key, row in first.to_dict("index").items()
        ]
    return {
        "head": [GAPS[str(key)].label for key in flags],
        "rows": rows,
        "order": order,
        "high": min(wanted, len(buildings)),
    }


def _percent(part: int, whole: int) -> str:
    """Whole percent; neither a few nor all but a few are rounded away."""
    share = 100 * part / whole if whole else 0.0
    if 0 < share < 1:
        return "under 1%"
    return "over 99%" if 99 < share < 100 else f"{share:.0f}%"


def _scenario(tables: Mapping[str, pd.DataFrame]) -> list[tuple[str, str]]:
    rows = []
    for table, column, label in _SCENARIO:
        if table in tables and column in tables[table]:
            tally = _counted(tables[table][column])
            if len(tally):
                rows.append((label, ", ".join(f"{word} {number:,}" for word, number in tally.items())))
    return rows


def _statuses(rules: Rulebook) -> list[tuple[str, int]]:
    tally = pd.Series([rule.status for rule in rules.rules.values()], dtype="str").value_counts()
    return [(str(status), int(number)) for status, number in tally.items()]


def _problems(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    if "problems" not in tables or tables["problems"].empty:
        return []
    # The example is that of the first feature by its name, however the district was cut.
    kinds = (
        tables["problems"]
        .sort_values(["feature", "message"], kind="stable")
        .groupby(["severity", "code", "layer"], sort=True)
        .agg(number=("code", "size"), message=("message", "first"), action=("action", "first"))
        .reset_index()
    )
    order = kinds["severity"].map({"error": 0, "warning": 1, "info": 2})
    kinds = kinds.assign(order=order).sort_values(["order", "number"], ascending=[True, False], kind="stable")
    return _records(kinds.drop(columns="order"))


def _planned(tables: Mapping[str, pd.DataFrame], rules: Rulebook) -> list[dict[str, Any]]:
    """Count for each family and area the sections with and without an opening, and say why without."""
    if "sections" not in tables:
        return []
    sections = tables["sections"]
    opened = sections["cut_method"].notna() & (sections["cut_method"] != "do_not_cut")
    buildings = tables["buildings"].drop_duplicates("building_id")
    place = places_among(buildings["building_id"], sections["building_id"])
    areas = area_names(buildings)
    frame = pd.DataFrame(
        {
            "family": _labels(sections["roof_family"], rules),
            "area": pd.Categorical.from_codes(np.append(areas.codes, -1)[place], dtype=areas.dtype),
            "opened": opened,
            "words": sections["cut_method_why"].astype("str").fillna("no reason given"),
        }
    )
    frame["words"] = frame["words"].mask(opened, sections["cut_method"].astype("str"))
    counts = frame.value_counts(sort=False).reset_index(name="number")
    # Areas are a classification: pairs that never occur are counted as well.
    counts = counts[counts["number"] > 0]
    counts["area"] = counts["area"].astype("str").fillna(NO_AREA)
    if len(counts[["family", "area"]].drop_duplicates()) > _MOST_ROWS:
        counts = counts.assign(area=_ALL_AREAS).groupby(["family", "area", "opened", "words"]).sum()
        counts = counts.reset_index()
    counts = counts.sort_values(["number", "words"], ascending=[False, True], kind="stable")
    rows = []
    for (family, area), part in counts.groupby(["family", "area"], sort=True):
        ways, closed = part[part["opened"]], part[~part["opened"]]
        rows.append(
            {
                "family": family,
                "area": area,
                "sections": int(part["number"].sum()),
                "opened": int(ways["number"].sum()),
                "ways": [
                    f"{METHOD_WORDS[way]} {number:,}"
                    for way, number in zip(ways["words"], ways["number"], strict=True)
                ],
                "reasons": [
                    f"{without_code(why)} ({number:,})"
                    for why, number in zip(closed["words"], closed["number"], strict=True)
                ][:_MOST_REASONS],
                "other_reasons": len(closed) - _MOST_REASONS,
            }
        )
    return rows


def _pushing(tables: Mapping[str, pd.DataFrame], rules: Rulebook) -> dict[str, Any]:
    """List buildings of families that push walls out, and whether a ladder base stands in the zone."""
    if "collapse_zones" not in tables:
        return dict(_NONE)
    zones = tables["collapse_zones"]
    zones = _by_building(zones[zones["pushes_out"]])
    number, zones = len(zones), zones.head(_MOST_ROWS)
    inside: pd.Series = pd.Series(dtype="str")
    if "ladders" in tables:
        ladders = tables["ladders"]
        ladders = ladders[ladders["in_collapse_zone"].fillna(False).astype(bool)]
        ladders = ladders[among(ladders["building_id"], zones["building_id"])]
        inside = ladders["rank"].astype("str").groupby(ladders["building_id"]).agg(", ".join)
    own = zones["building_id"]
    buildings = _by_id(tables, own)
    frame = pd.DataFrame(
        {
            "id": own,
            "place": _places(own, buildings),
            "family": _labels(own.map(buildings["roof_family"]), rules),
            "basis": own.map(buildings["family_basis"]),
            "zone": zones["distance_ft"].map("{:.1f} ft".format),
            "inside": own.map(inside).astype("str").fillna("none"),
        }
    )
    return _capped(frame, number)


def _out_of_reach(tables: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    """List ladder spots that nothing reaches, with the height that defeats the best there is."""
    if "ladders" not in tables:
        return dict(_NONE)
    ladders = tables["ladders"]
    ladders = _by_building(ladders[ladders["apparatus"] == "out_of_reach"])
    number, ladders = len(ladders), ladders.head(_MOST_ROWS)
    own = ladders["building_id"]
    frame = pd.DataFrame(
        {
            "id": own,
            "place": _places(own, _by_id(tables, own)),
            "spot": ladders["rank"].astype("str") + ", side " + ladders["side"].fillna("?"),
            "support": ladders["support_ft"].map("{:.1f} ft".format, na_action="ignore"),
            "highest": ladders["highest_ft"].map("{:.1f} ft".format, na_action="ignore"),
            "basis": ladders["height_basis"],
            "reasons": ladders["reasons"].astype("str"),
        }
    )
    return _capped(frame, number)


def _beyond_cutting(venting: pd.DataFrame) -> Any:
    """Sections whose planned cuts are less than is wanted; shape (n,)."""
    return (~venting["cutting_reaches"].fillna(True).astype(bool)).to_numpy(dtype=bool)


def _short_of_code(venting: pd.DataFrame) -> Any:
    """Sections where the code may ask for vents, and less of them is there than it names; shape (n,)."""
    asked = (venting["code_asks"] == "may ask").fillna(False)
    return (asked & (venting["vents_short_ft2"] >= _LEAST_SHORT_FT2).fillna(False)).to_numpy(dtype=bool)


def _venting(tables: Mapping[str, pd.DataFrame], rules: Rulebook) -> dict[str, Any] | None:
    """List sections that cutting alone will not vent, and those short of vents, the largest first."""
    if "venting" not in tables:
        return None
    venting = tables["venting"]
    beyond = venting[_beyond_cutting(venting)]
    open_ft2 = beyond["planned_ft2"].fillna(0.0) + beyond["glazing_ft2"].fillna(0.0)
    lists = {
        "beyond": _largest(beyond, beyond["wanted_ft2"] - open_ft2),
        "short": _largest(venting[short := _short_of_code(venting)], venting["vents_short_ft2"][short]),
    }
    made: dict[str, Any] = {
        "caution": VENTING_CAUTION,
        "wind": wind_words(rules),
        "unasked": int((venting["code_asks"] == "unknown").sum()),
        "uncut": int((venting["says"].notna() & venting["cutting_reaches"].isna()).sum()),
        "rates": _RATES[bool((venting["rate_basis"] == "measured").any())],
    }
    for name, rows in lists.items():
        number, rows = len(rows), rows.head(_TOP)
        own = rows["building_id"]
        told = [dict(figures(row)) for row in _plain_records(rows)]
        frame = pd.DataFrame(
            {
                "id": own,
                "section": rows["section_id"],
                "place": _places(own, _by_id(tables, own)),
                **{label.replace(" ", "_"): [row[label] for row in told] for label in _FIGURES},
                "kept_clear": rows["clear_planned_ft"].map("{:.1f} ft".format, na_action="ignore"),
                "saw": rows["saw_ft"].map("{:,.0f} ft".format, na_action="ignore"),
                "share": rows["crew_share"].map(_of_all, na_action="ignore"),
                "prescribed": rows["prescribed_ft2"].map("{:,.0f} sq ft".format, na_action="ignore"),
                "prescribed_by": rows["prescribed_by"],
                "lacking": rows["vents_short_ft2"].map("{:,.0f} sq ft".format, na_action="ignore"),
                "says": rows["says"]
                .astype("str")
                .str.removeprefix("Cutting alone will not vent this section; "),
            }
        )
        made[name] = _capped(frame, number)
    return made


def _largest(venting: pd.DataFrame, lacking: pd.Series) -> pd.DataFrame:
    """Rows by what they lack, the most first; ties by section, however the district was cut."""
    keyed = venting.assign(lacking=lacking.fillna(0.0))
    return keyed.sort_values(["lacking", "section_id"], ascending=[False, True], kind="stable")


def _plain_records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as plain values; what is missing is None."""
    return [
        {str(key): value for key, value in row.items()}
        for row in frame.astype(object).where(frame.notna(), None).to_dict("records")
    ]


def _solar(tables: Mapping[str, pd.DataFrame], rules: Rulebook) -> dict[str, Any]:
    """Tell the solar access audit by rule, and list every finding that is not met."""
    if "solar_access" not in tables or tables["solar_access"].empty:
        return {"arrays": 0, "rules": [], **_NONE}
    audit = tables["solar_access"]
    verdict = audit["passes"].astype("Int64").map({1: "met", 0: "failed"}).fillna("open")
    counts = pd.crosstab(audit["rule"], verdict).reindex(columns=["met", "failed", "open"], fill_value=0)
    failed = _by_building(audit[verdict == "failed"])
    number, failed = len(failed), failed.head(_MOST_ROWS)
    own = failed["building_id"]
    frame = pd.DataFrame(
        {
            "id": own,
            "place": _places(own, _by_id(tables, own)),
            "array": failed["section_id"] + ", array " + failed["array"].astype("str"),
            "rule": failed["rule"],
            "wanted": failed["wanted_ft"].map("{:.2f} ft".format),
            "measured": failed["measured_ft"].map("{:.2f} ft".format, na_action="ignore"),
            "basis": failed["basis"],
            "message": failed["message"],
        }
    )
    return {
        "arrays": len(audit.drop_duplicates(["section_id", "array"])),
        "rules": [
            {"rule": rule, "meaning": rules[str(rule)].meaning if rule in rules.rules else "", **row}
            for rule, row in counts.to_dict("index").items()
        ],
        **_capped(frame, number),
    }


def _by_building(frame: pd.DataFrame) -> pd.DataFrame:
    """Rows in the order of their buildings, however the district was cut."""
    return frame.sort_values("building_id", kind="stable")


def _capped(frame: pd.DataFrame, number: int) -> dict[str, Any]:
    """Give the rows that are listed, and how many there are of the `number` beyond them."""
    return {"rows": _records(frame), "number": number, "more": number - len(frame)}


_NONE: Mapping[str, Any] = {"rows": [], "number": 0, "more": 0}


def _by_id(tables: Mapping[str, pd.DataFrame], wanted: pd.Series) -> pd.DataFrame:
    """The buildings that are wanted, by id."""
    buildings = tables["buildings"]
    buildings = buildings[among(buildings["building_id"], wanted)]
    return buildings.drop_duplicates("building_id").set_index("building_id")


def _places(ids: pd.Series, buildings: pd.DataFrame) -> pd.Series:
    """Name and address of buildings as one text."""
    name, address = (ids.map(buildings[column]).fillna("").astype("str") for column in ("name", "address"))
    between = pd.Series("", index=ids.index, dtype="str").mask((name != "") & (address != ""), ", ")
    return name + between + address


def _labels(families: pd.Series, rules: Rulebook) -> pd.Series:
    return families.map({key: entry.label for key, entry in rules.families.items()}).fillna(families)


def _of_workbook(ranking: pd.DataFrame | None, district: District) -> str | None:
    """How many rows of the ranking the workbook holds, where it does not hold all."""
    rows = district.scale.workbook_rows
    return f"{rows:,}" if ranking is not None and len(ranking) > rows else None


def _top(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    if "ranking" not in tables:
        return []
    return _ranked_rows(tables["ranking"].head(_TOP))


def _ranked_rows(ranking: pd.DataFrame) -> list[dict[str, Any]]:
    columns = (
        "rank",
        "building_id",
        "name",
        "address",
        "dispatch_area",
        "score",
        "reasons",
        "class",
        "next_due",
    )
    part = pd.DataFrame(ranking[[*columns]])
    late = ranking[["due_state", "overdue_days"]].astype(object).itertuples(index=False, name=None)
    return _records(
        part.assign(
            next_due=part["next_due"].dt.strftime("%Y-%m-%d"),
            span=_spans(ranking),
            stated=ranking["class_basis"] == "stated",
            due=[due_words(state, days) for state, days in late],
        )
    )


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {str(key): value for key, value in row.items()}
        for row in frame.astype(object).where(frame.notna(), "").to_dict("records")
    ]
