"""The change feed: what permits and the assessor say was done to a building, as marks to look again.

In: a table of permits or of changes, as a town exports it.
Out: its rows with the reasons that their words give; observations `look_again` for the buildings found; the
    marks that the log holds.

A mark says that somebody was to change the roof, not what it is now: it moves no fact.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from roofplat.district import AttributeSource
from roofplat.errors import DistrictFileError, FieldError, RuleError
from roofplat.intake import look
from roofplat.intake.layer import Layer
from roofplat.intake.read import read_layer
from roofplat.intake.values import as_str, dates, numbers, text
from roofplat.rules import Rulebook
from roofplat.tables import conform, empty

__all__ = [
    "FEED_FIELDS",
    "LOOK_AGAIN",
    "REASONS",
    "DateOrder",
    "Feed",
    "marks_of",
    "observe_marks",
    "read_feed",
]

LOOK_AGAIN = "look_again"
"""The field of the log that holds a mark."""

REASONS: Mapping[str, str] = {
    "reroof": "reroof",
    "addition": "addition",
    "rooftop_unit": "rooftop unit",
    "solar": "solar",
    "change_of_occupancy": "change of occupancy",
    "demolition": "demolition",
}
"""Last part of the rule `record.feed.*` to the reason as it is written, what tells most first."""

DateOrder = Literal["iso", "mdy", "dmy"]

FEED_FIELDS: Mapping[str, tuple[str, ...]] = {
    "building_id": ("building_id", "bldg_id", "bld_id", "structure_id"),
    "address": ("address", "site_address", "street_address", "full_address", "location"),
    "lon": ("lon", "longitude", "long", "lng"),
    "lat": ("lat", "latitude"),
    "date": ("date", "issued", "issue_date", "issued_date", "date_issued", "permit_date", "effective_date"),
    "kind": (
        "kind",
        "type",
        "permit_type",
        "work_type",
        "change_type",
        "description",
        "work_description",
        "project_description",
        "scope",
    ),
    "status": ("status", "permit_status"),
    "number": ("number", "permit", "permit_no", "permit_number", "record_id", "case_number"),
}
"""What a feed may say, and the names of columns that say it; all those of `kind` are read, else the first."""

_SLASHED = re.compile(r"^\s*(\d{1,2})/(\d{1,2})/(\d{4})(?:\s.*)?$")
_WHOLE_DAY = r"^\d{4}[-/]\d{1,2}[-/]\d{1,2}"
_NOTE_LENGTH = 200


@dataclass(frozen=True, slots=True)
class Feed:
    """A feed as read.

    rows
        One row for each that marks a roof, RangeIndex: `record` (its name in the problems), `key`,
        `address`, `lon`, `lat` (WGS 84 degrees), `seen_on` (datetime64[ms]; missing where no day is given),
        `reasons` (words of `REASONS`, in that order, joined by ", "), `note`.
    problems
        `tables.TABLES["problems"]`: a row for each other, and for values that were left out.
    read
        How many rows the table has.
    file, batch
        Name and SHA-256 sum of the file.
    """

    rows: pd.DataFrame
    problems: pd.DataFrame
    read: int
    file: str
    batch: str


def read_feed(
    file: Path, columns: Sequence[tuple[str, str]], rules: Rulebook, *, order: DateOrder = "iso"
) -> Feed:
    """Read a table of permits or of changes, and say what each row means for a roof.

    Parameters
    ----------
    file
        CSV, or another table that GDAL reads.
    columns
        Pairs of a field of `FEED_FIELDS` and the file's column, where the file has another name for it;
        `kind` may be given several times.
    rules
        `record.feed.*`, `record.feed_void`.
    order
        How its dates are written: `iso`, as 2026-03-14; `mdy`, as 3/14/2026; `dmy`, as 14/3/2026.

    Returns
    -------
    Feed

    Raises
    ------
    LayerError, FieldError
        The table cannot be used, lacks a column that is named, has no column of words or no column that
        finds a building.
    DistrictFileError
        A pair names no field.
    RuleError
        A rule holds something that is no phrase.
    """
    named: dict[str, list[str]] = {}
    for field, column in columns:
        if field not in FEED_FIELDS:
            raise DistrictFileError(f"A feed has no {field!r}; its fields are {', '.join(FEED_FIELDS)}.")
        named.setdefault(field, []).append(column)
    source = AttributeSource(file=file, name=file.name, how="points")
    layer = read_layer(look(file), source, geometry=False)
    found = {field: _columns(layer, field, named.get(field, [])) for field in FEED_FIELDS}
    if not found["kind"]:
        raise FieldError(
            f"{layer.label}: no column says what was done; name one with --columns kind=COLUMN. "
            f"It has {', '.join(map(str, layer.rows.columns))}."
        )
    if not (found["building_id"] or found["address"] or (found["lon"] and found["lat"])):
        raise FieldError(
            f"{layer.label}: no column says which building is meant; name one with --columns "
            "building_id=COLUMN, address=COLUMN, or lon=COLUMN and lat=COLUMN."
        )
    cells = {field: _words(layer, names[:1]) for field, names in found.items() if field != "kind"}
    said = _words(layer, found["kind"])
    layer, seen_on = _days(layer, cells["date"], order)
    layer, lon, lat = _places(layer, cells["lon"], cells["lat"])
    reasons = _reasons(said, rules)
    void = _holds(cells["status"], "record.feed_void", rules)
    layer = layer.refuse(
        void,
        "permit_void",
        [f"Its status is {word!r}: nothing was done by it." for word in cells["status"][void]],
        "Nothing; or take that word out of the rule record.feed_void.",
        "info",
    )
    silent = (reasons == "").to_numpy(dtype=bool)
    layer = layer.refuse(
        silent,
        "no_mark",
        [f"Nothing in {'no words' if pd.isna(word) else repr(_short(word))} says that the roof was changed."
         for word in said[silent]],
        "Nothing; or add its words to a rule record.feed.*.",
        "info",
    )  # fmt: skip
    lost = (cells["building_id"].isna() & cells["address"].isna() & (lon.isna() | lat.isna())).to_numpy(bool)
    layer = layer.refuse(
        lost,
        "no_building",
        "It gives neither id nor address nor place.",
        "Give one of them, and read the feed again.",
        "warning",
    )
    undated = seen_on.isna().to_numpy(dtype=bool) & layer.kept
    layer = layer.note(
        undated,
        "no_date",
        "It gives no day; the mark counts from the day on which it is taken in.",
        "Give the day, so that a survey after it can be told from one before it.",
    )
    number = cells["number"].fillna("")
    note = (number + ": ").where(number != "", "") + said.fillna("").map(_short)
    rows = pd.DataFrame(
        {
            "record": as_str(pd.Series(layer.feature, index=layer.rows.index)),
            "key": as_str(cells["building_id"]),
            "address": as_str(cells["address"]),
            "lon": lon,
            "lat": lat,
            "seen_on": seen_on,
            "reasons": as_str(reasons),
            "note": as_str(note),
        }
    )[layer.kept]
    problems = conform("problems", pd.concat(layer.problems)) if layer.problems else empty("problems")
    batch = hashlib.sha256(file.read_bytes()).hexdigest()
    return Feed(rows.reset_index(drop=True), problems, len(layer.rows), file.name, batch)


def observe_marks(feed: Feed, row: Sequence[int], building_id: Sequence[str]) -> pd.DataFrame:
    """Make the observations of the rows whose building is found.

    Parameters
    ----------
    feed
        As read.
    row, building_id
        Rows of `feed.rows` and the building of each, shape (k,); a row may have several.

    Returns
    -------
    DataFrame
        `tables.RECORD_TABLES["observations"]`, not logged yet: one for each reason, `recorded`.
    """
    rows = feed.rows.iloc[list(row)].reset_index(drop=True)
    rows["building_id"] = pd.Series(list(building_id), dtype="str")
    rows["value"] = rows["reasons"].str.split(", ")
    rows = rows.explode("value", ignore_index=True)
    observations = pd.DataFrame(
        {
            "number": pd.Series(pd.NA, index=rows.index, dtype="Int64"),
            "building_id": rows["building_id"],
            "section_id": None,
            "field": LOOK_AGAIN,
            "value": rows["value"].astype("str"),
            "unit": None,
            "basis": "recorded",
            "who": None,
            "seen_on": rows["seen_on"],
            "logged_at": None,
            "file": feed.file,
            "batch": feed.batch,
            "note": rows["note"],
        }
    )
    made: pd.DataFrame = conform("observations", observations)
    return made


def marks_of(observations: pd.DataFrame) -> pd.DataFrame:
    """Find the marks that the log holds; whether a survey came after is for the inventory to say.

    Parameters
    ----------
    observations
        `tables.RECORD_TABLES["observations"]`.

    Returns
    -------
    DataFrame
        `building_id`, `reason`, `since` (datetime64[ms]: the day that is given, else that of logging), the
        latest of each building and reason; by building, the latest first, then by reason.

    Examples
    --------
    >>> log = pd.DataFrame({"building_id": ["B1", "B1"], "field": "look_again", "value": ["solar", "reroof"],
    ...     "seen_on": pd.to_datetime(["2025-01-09", "2026-03-01"]), "logged_at": "2026-05-01T09:00:00Z"})
    >>> marks_of(log)["reason"].tolist()
    ['reroof', 'solar']
    """
    rows = observations[observations["field"] == LOOK_AGAIN]
    logged = pd.to_datetime(rows["logged_at"].astype("str").str[:10], format="%Y-%m-%d")
    marks = pd.DataFrame(
        {
            "building_id": rows["building_id"].astype("str"),
            "reason": rows["value"].astype("str").str.strip(),
            "since": rows["seen_on"].fillna(logged).astype("datetime64[ms]"),
        }
    )
    latest = marks.groupby(["building_id", "reason"])["since"].max().reset_index()
    # Not a day's negative, which the oldest of all does not have, but its complement.
    since = ~latest["since"].to_numpy(dtype="datetime64[ms]").view(np.int64)
    place = np.lexsort((latest["reason"], since, latest["building_id"]))
    found: pd.DataFrame = latest.iloc[place].reset_index(drop=True)
    return found


def _columns(layer: Layer, field: str, named: Sequence[str]) -> list[str]:
    """The columns that fill a field: those that are named, else those that are called so."""
    own = [str(name) for name in layer.rows.columns]
    strange = [name for name in named if name not in own]
    if strange:
        raise FieldError(
            f"{layer.label}: there is no column {strange[0]!r}, which --columns names for {field}; "
            f"it has {', '.join(own)}."
        )
    plain = {re.sub(r"[\s.:-]+", "_", name.strip().lower()): name for name in reversed(own)}
    return list(named) or [plain[name] for name in FEED_FIELDS[field] if name in plain]


def _words(layer: Layer, names: Sequence[str]) -> pd.Series[Any]:
    """The cells of some columns as one text, missing where all are empty."""
    whole = pd.Series("", index=layer.rows.index, dtype="string")
    for name in names:
        cells = text(layer.rows[name]).fillna("")
        whole = whole + cells.where((whole == "") | (cells == ""), "; " + cells)
    return whole.mask(whole == "")


def _days(layer: Layer, cells: pd.Series[Any], order: DateOrder) -> tuple[Layer, pd.Series[Any]]:
    """The day of each row; a month or a year alone is no day."""
    words = cells.astype("string")
    if order != "iso":
        parts = words.str.extract(_SLASHED)
        month, day = (parts[0], parts[1]) if order == "mdy" else (parts[1], parts[0])
        turned = parts[2] + "-" + month.str.zfill(2) + "-" + day.str.zfill(2)
        words = turned.fillna(words)
    found, bad = dates(words)
    bad |= words.notna() & ~words.str.match(_WHOLE_DAY).fillna(False).astype(bool)
    late = (found > pd.Timestamp.now() + pd.Timedelta(days=1)).astype(bool) & ~bad
    hint = {"iso": "2026-03-14; for 3/14/2026 give --dates mdy", "mdy": "3/14/2026", "dmy": "14/3/2026"}[
        order
    ]
    for wrong, why in ((bad, "is no day"), (late, "lies in the future")):
        mask = wrong.to_numpy(dtype=bool)
        layer = layer.note(
            mask,
            "bad_date",
            [f"Its date {word!r} {why}; the date was left out." for word in cells[mask]],
            f"Write it as {hint}.",
            "warning",
        )
    return layer, found.mask(bad | late).dt.normalize().astype("datetime64[ms]")


def _places(
    layer: Layer, lon: pd.Series[Any], lat: pd.Series[Any]
) -> tuple[Layer, pd.Series[Any], pd.Series[Any]]:
    """Longitude and latitude; both or none."""
    (x, bad_x), (y, bad_y) = numbers(lon), numbers(lat)
    wrong = (bad_x | bad_y | (x.abs() > 180) | (y.abs() > 90)).fillna(False).astype(bool)
    layer = layer.note(
        wrong.to_numpy(dtype=bool),
        "bad_coordinate",
        "Its place is no longitude and latitude in degrees; the place was left out.",
        "Write longitude and latitude in degrees, WGS 84.",
        "warning",
    )
    half = wrong | x.isna() | y.isna()
    return layer, x.mask(half).astype(float), y.mask(half).astype(float)


def _reasons(said: pd.Series[Any], rules: Rulebook) -> pd.Series[Any]:
    whole = pd.Series("", index=said.index, dtype="string")
    for name, reason in REASONS.items():
        here = _holds(said, f"record.feed.{name}", rules)
        whole = whole.mask(here, whole.mask(whole != "", whole + ", ") + reason)
    return whole


def _holds(words: pd.Series[Any], rule_id: str, rules: Rulebook) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Whether each text holds one of the phrases of a rule."""
    phrases = rules[rule_id].value
    if not all(isinstance(phrase, str) and phrase.strip("* ") for phrase in phrases):
        raise RuleError(f"Rule {rule_id} takes a list of phrases; {phrases!r} holds something else.")
    if not phrases:
        return np.zeros(len(words), dtype=bool)
    plain = words.fillna("").astype("str").str.casefold().str.replace(r"[^a-z0-9]+", " ", regex=True)
    pattern = "|".join(
        re.escape(" ".join(re.findall("[a-z0-9]+", phrase.casefold())))
        + ("" if phrase.rstrip().endswith("*") else r"\b")
        for phrase in phrases
    )
    return np.asarray(plain.str.contains(rf"\b(?:{pattern})", regex=True), dtype=bool)


def _short(words: str) -> str:
    plain = " ".join(words.split())
    return plain if len(plain) <= _NOTE_LENGTH else plain[: _NOTE_LENGTH - 3] + "..."
