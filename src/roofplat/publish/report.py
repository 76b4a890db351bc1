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
from roofplat.publish.wording import METHOD_WORDS, without_code
from roofplat.rules import Rulebook

__all__ = ["write_report"]

_TOP = 25
_MOST_ROWS = 200
# Which columns say how a thing is known, and what to call them.
_BASES = (
    ("buildings", "family_basis", "Roof family, by building"),
    ("buildings", "height_basis", "Height, by building"),
    ("sections", "axis_basis", "Framing axis, by section"),
    ("sections", "spacing_basis", "Spacings, by section"),
    ("sections", "shape_basis", "Form of the roof, by section"),
    ("sections", "slope_basis", "Slope, by section"),
    ("walls", "kind_basis", "Wall kind, by wall"),
    ("members", "basis", "Members, by kind and section"),
    ("planes", "basis", "Planes of pitched roofs, by plane"),
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
        planned=_planned(tables, rules),
        pushing=_pushing(tables, rules),
        out_of_reach=_out_of_reach(tables),
        solar=_solar(tables, rules),
        unknown=_unknown(tables),
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
    cross = pd.crosstab(_labels(buildings["roof_family"], rules), area)
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


def _planned(tables: Mapping[str, pd.DataFrame], rules: Rulebook) -> list[dict[str, Any]]:
    """Count for each family and area the sections with and without an opening, and say why without."""
    if "sections" not in tables:
        return []
    sections = pd.DataFrame(tables["sections"])
    buildings = _by_id(tables)
    opened = sections["cut_method"].notna() & (sections["cut_method"] != "do_not_cut")
    frame = pd.DataFrame(
        {
            "family": _labels(sections["roof_family"], rules),
            "area": sections["building_id"].map(buildings["dispatch_area"]).fillna(NO_AREA),
            "opened": opened,
            "method": sections["cut_method"].astype("str").fillna(""),
            "why": sections["cut_method_why"].astype("str").fillna("no reason given"),
        }
    )
    rows = []
    for (family, area), part in frame.groupby(["family", "area"], sort=True):
        closed = part.loc[~part["opened"], "why"].value_counts()
        ways = part.loc[part["opened"], "method"].value_counts()
        rows.append(
            {
                "family": family,
                "area": area,
                "sections": len(part),
                "opened": int(part["opened"].sum()),
                "ways": [f"{METHOD_WORDS[str(way)]} {number:,}" for way, number in ways.items()],
                "reasons": [f"{without_code(str(why))} ({number:,})" for why, number in closed.items()],
            }
        )
    return rows


def _pushing(tables: Mapping[str, pd.DataFrame], rules: Rulebook) -> dict[str, Any]:
    """List buildings of families that push walls out, and whether a ladder base stands in the zone."""
    if "collapse_zones" not in tables:
        return _capped([])
    zones = pd.DataFrame(tables["collapse_zones"])
    zones = zones[zones["pushes_out"]]
    inside: pd.Series = pd.Series(dtype="str")
    if "ladders" in tables:
        ladders = pd.DataFrame(tables["ladders"])
        ladders = ladders[ladders["in_collapse_zone"].fillna(False).astype(bool)]
        inside = ladders["rank"].astype("str").groupby(ladders["building_id"]).agg(", ".join)
    buildings = _by_id(tables)
    own = zones["building_id"]
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
    return _capped(_records(frame))


def _out_of_reach(tables: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    """List ladder spots that nothing reaches, with the height that defeats the best there is."""
    if "ladders" not in tables:
        return _capped([])
    ladders = pd.DataFrame(tables["ladders"])
    ladders = ladders[ladders["apparatus"] == "out_of_reach"]
    own = ladders["building_id"]
    frame = pd.DataFrame(
        {
            "id": own,
            "place": _places(own, _by_id(tables)),
            "spot": ladders["rank"].astype("str") + ", side " + ladders["side"].fillna("?"),
            "support": ladders["support_ft"].map("{:.1f} ft".format, na_action="ignore"),
            "highest": ladders["highest_ft"].map("{:.1f} ft".format, na_action="ignore"),
            "basis": ladders["height_basis"],
            "reasons": ladders["reasons"].astype("str"),
        }
    )
    return _capped(_records(frame))


def _solar(tables: Mapping[str, pd.DataFrame], rules: Rulebook) -> dict[str, Any]:
    """Tell the solar access audit by rule, and list every finding that is not met."""
    if "solar_access" not in tables or tables["solar_access"].empty:
        return {"arrays": 0, "rules": [], **_capped([])}
    audit = pd.DataFrame(tables["solar_access"])
    verdict = audit["passes"].astype("Int64").map({1: "met", 0: "failed"}).fillna("open")
    counts = pd.crosstab(audit["rule"], verdict).reindex(columns=["met", "failed", "open"], fill_value=0)
    failed = audit[verdict == "failed"]
    own = failed["building_id"]
    frame = pd.DataFrame(
        {
            "id": own,
            "place": _places(own, _by_id(tables)),
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
        **_capped(_records(frame)),
    }


def _unknown(tables: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    """List the roofs of which nobody knows the family, in the order of the ranking where there is one."""
    buildings = pd.DataFrame(tables["buildings"])
    unknown = buildings[buildings["roof_family"] == "unknown"]
    if "ranking" in tables:
        rank = pd.DataFrame(tables["ranking"]).set_index("building_id")["rank"]
        unknown = unknown.assign(rank=unknown["building_id"].map(rank)).sort_values("rank", kind="stable")
    own = unknown["building_id"]
    frame = pd.DataFrame(
        {
            "id": own,
            "place": _places(own, _by_id(tables)),
            "area": unknown["dispatch_area"].fillna(NO_AREA),
            "lightweight": unknown["p_lightweight"].map("{:.2f}".format, na_action="ignore"),
            "rank": unknown["rank"].astype("str") if "rank" in unknown else "",
        }
    )
    by_area = unknown["dispatch_area"].fillna(NO_AREA).value_counts(sort=False).sort_index()
    listed = _capped(_records(frame), most=_TOP)
    return {"by_area": [(str(name), int(number)) for name, number in by_area.items()], **listed}


def _capped(rows: list[dict[str, Any]], most: int = _MOST_ROWS) -> dict[str, Any]:
    """Keep a page readable: the first rows, and how many there are."""
    return {"rows": rows[:most], "number": len(rows), "more": max(0, len(rows) - most)}


def _by_id(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    return pd.DataFrame(tables["buildings"]).drop_duplicates("building_id").set_index("building_id")


def _places(ids: pd.Series, buildings: pd.DataFrame) -> pd.Series:
    """Name and address of buildings as one text."""
    name, address = (ids.map(buildings[column]).fillna("").astype("str") for column in ("name", "address"))
    between = pd.Series("", index=ids.index, dtype="str").mask((name != "") & (address != ""), ", ")
    return name + between + address


def _labels(families: pd.Series, rules: Rulebook) -> pd.Series:
    return families.map({key: entry.label for key, entry in rules.families.items()}).fillna(families)


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
