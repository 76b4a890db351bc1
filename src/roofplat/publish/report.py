"""The report of one build: what came in, what was made of it, what is assumed, what to do first.

In: the tables, the counts of the intake and the joins, the rules in force.
Out: `report.html`, one page that prints well and asks no network for anything.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from roofplat.district import District
from roofplat.ground import Ground
from roofplat.publish.files import CAUTION, NO_AREA, asset, write_whole
from roofplat.publish.map import Wind
from roofplat.publish.page import fill, html_page
from roofplat.rules import Rulebook

__all__ = ["write_report"]

_TOP = 25
_MOST_REASONS = 12
# Which columns say how a thing is known, and what to call them.
_BASES = (
    ("buildings", "family_basis", "Roof family, by building"),
    ("buildings", "height_basis", "Height, by building"),
    ("sections", "axis_basis", "Framing axis, by section"),
    ("sections", "spacing_basis", "Spacings, by section"),
    ("walls", "kind_basis", "Wall kind, by wall"),
    ("sections", "fire_basis", "Fire spot of the scenario, by planned section"),
    ("sections", "wind_basis", "Wind of the scenario, by planned section"),
)


def write_report(
    tables: Mapping[str, pd.DataFrame],
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
    tables
        The tables of the build; `buildings` at least.
    district
        For its name.
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
    body = fill(
        "report.html.j2",
        name=district.name,
        as_of=as_of.isoformat(),
        caution=CAUTION,
        ground=ground.statement,
        wind=wind.words if wind else "No wind is stated.",
        numbers=_numbers(tables),
        counts=[(title, _grid(frame)) for title, frame in counts.items() if len(frame)],
        families=_families_by_area(tables["buildings"], rules),
        bases=_bases(tables),
        overridden=rules.overridden,
        statuses=_statuses(rules),
        problems=_problems(tables),
        not_cut=_not_cut(tables),
        top=_top(tables),
        unseen=_unseen(tables),
    )
    return write_whole(
        path, html_page(f"{district.name}: roof report", styles=[asset("report.css")], scripts=[], body=body)
    )


def _numbers(tables: Mapping[str, pd.DataFrame]) -> list[tuple[str, str]]:
    buildings = tables["buildings"]
    seen = buildings["surveyed_on"].notna()
    found = [
        ("Buildings", f"{len(buildings):,}"),
        ("Ground area of the outlines", f"{buildings['area_ft2'].sum():,.0f} ft2"),
        ("Roofs surveyed", f"{seen.sum():,}"),
        ("Roofs nobody has surveyed", f"{(~seen).sum():,}"),
        ("Roof family unknown", f"{(buildings['roof_family'] == 'unknown').sum():,}"),
    ]
    if "sections" in tables:
        found.append(("Roof sections", f"{len(tables['sections']):,}"))
    if "ladders" in tables:
        ladders = tables["ladders"]
        reached = ladders.loc[ladders["apparatus"] != "out_of_reach", "building_id"].nunique()
        found += [
            ("Ladder spots", f"{len(ladders):,}"),
            ("Buildings without a ladder spot in reach", f"{len(buildings) - reached:,}"),
        ]
    if "openings" in tables:
        openings = tables["openings"]
        short = openings.drop_duplicates("section_id")["short_ft2"].gt(0).sum()
        found += [
            ("Openings", f"{len(openings):,}"),
            ("Sections whose openings are short of the area wanted", f"{short:,}"),
        ]
    if "trenches" in tables:
        found.append(("Trenches", f"{len(tables['trenches']):,}"))
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
        "head": [str(name).replace("_", " ") for name in frame.columns],
        "numeric": numeric,
        "rows": shown.to_numpy().tolist(),
    }


def _families_by_area(buildings: pd.DataFrame, rules: Rulebook) -> dict[str, Any]:
    area = buildings["dispatch_area"].fillna(NO_AREA)
    label = buildings["roof_family"].map({key: entry.label for key, entry in rules.families.items()})
    cross = pd.crosstab(label.fillna(buildings["roof_family"]), area)
    total = cross.sum(axis=1)
    cross = cross.assign(total=total).sort_values("total", ascending=False, kind="stable")
    most = int(total.max()) if len(total) else 1
    return {
        "areas": [str(name) for name in cross.columns[:-1]],
        "rows": [
            {"label": name, "counts": row[:-1], "total": row[-1], "share": row[-1] / most}
            for name, row in zip(cross.index.tolist(), cross.to_numpy().tolist(), strict=True)
        ],
    }


def _bases(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    rows = []
    for table, column, label in _BASES:
        if table in tables and column in tables[table]:
            tally = tables[table][column].value_counts()
            if len(tally):
                rows.append(
                    {"label": label, "parts": [f"{word} {number:,}" for word, number in tally.items()]}
                )
    return rows


def _statuses(rules: Rulebook) -> list[tuple[str, int]]:
    tally = pd.Series([rule.status for rule in rules.rules.values()], dtype="str").value_counts()
    return [(str(status), int(number)) for status, number in tally.items()]


def _problems(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    if "problems" not in tables or tables["problems"].empty:
        return []
    kinds = (
        tables["problems"]
        .groupby(["severity", "code", "layer"], sort=True)
        .agg(number=("code", "size"), message=("message", "first"), action=("action", "first"))
        .reset_index()
    )
    order = kinds["severity"].map({"error": 0, "warning": 1, "info": 2})
    kinds = kinds.assign(order=order).sort_values(["order", "number"], ascending=[True, False], kind="stable")
    return _records(kinds.drop(columns="order"))


def _not_cut(tables: Mapping[str, pd.DataFrame]) -> list[tuple[str, int]]:
    if "sections" not in tables:
        return []
    sections = tables["sections"]
    reasons = sections.loc[sections["cut_method"].isna(), "cut_method_why"].fillna("no reason given")
    tally = reasons.value_counts()
    shown = [(str(reason), int(number)) for reason, number in tally.head(_MOST_REASONS).items()]
    rest = int(tally.iloc[_MOST_REASONS:].sum())
    return [*shown, ("other reasons, see layers.gpkg", rest)] if rest else shown


def _top(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    if "ranking" not in tables:
        return []
    return _ranked_rows(tables["ranking"].head(_TOP))


def _unseen(tables: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    buildings = tables["buildings"]
    unseen = buildings.loc[buildings["surveyed_on"].isna()]
    by_area = unseen["dispatch_area"].fillna(NO_AREA).value_counts(sort=False).sort_index()
    all_by_area: Mapping[Any, int] = buildings["dispatch_area"].fillna(NO_AREA).value_counts().to_dict()
    first: list[dict[str, Any]] = []
    if "ranking" in tables:
        ranking = tables["ranking"]
        first = _ranked_rows(ranking[ranking["building_id"].isin(unseen["building_id"])].head(_TOP))
    return {
        "number": len(unseen),
        "by_area": [(str(name), int(number), int(all_by_area[name])) for name, number in by_area.items()],
        "first": first,
    }


def _ranked_rows(ranking: pd.DataFrame) -> list[dict[str, Any]]:
    columns = [
        "rank",
        "building_id",
        "name",
        "address",
        "dispatch_area",
        "score",
        "reasons",
        "class",
        "next_due",
    ]
    part = pd.DataFrame(ranking[columns])
    return _records(part.assign(next_due=part["next_due"].dt.strftime("%Y-%m-%d")))


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {str(key): value for key, value in row.items()}
        for row in frame.astype(object).where(frame.notna(), "").to_dict("records")
    ]
