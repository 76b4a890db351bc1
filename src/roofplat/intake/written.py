"""Measures, directions, dates and yes or no as people write them on a form.

In: a column of words, and the house field it answers.
Out: `Written`: house values, how finely each was written, whether it named its unit, and the faults.

A trade writes 5'6", 24 in o.c., 4:12 and NNE; a spreadsheet turns 2026-05-31 into 5/31/2026. What says one
thing only is understood. What may say two (2,5 or 5/6/2026) is refused and named.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.intake.layer import BoolArray
from roofplat.intake.values import COMPASS_DEG, Fault, as_str, booleans, dates, text, typed
from roofplat.rules import Rulebook
from roofplat.tables import ATTRIBUTES, RECORD_FIELDS

__all__ = ["Written", "as_text", "unanswered", "written", "written_dates"]

FloatArray = npt.NDArray[np.float64]

# A line has two ends: N-S is 0, NE-SW is 45.
_LINES_DEG = {
    f"{one}-{other}": COMPASS_DEG[one] % 180.0
    for one in COMPASS_DEG
    for other in COMPASS_DEG
    if abs(COMPASS_DEG[one] - COMPASS_DEG[other]) == 180.0
}
_LINE_FIELDS = ("framing_axis_deg", "ridge_deg", "sounding_walk_deg")
# Words for a question that stays open.
_OPEN = ("-", "--", "?", "unknown", "n/a", "na", "not known", "don't know", "not seen", "not asked")

_NUMBER = r"(?:\d+(?:\.\d*)?|\.\d+)"
_INCHES = rf"(?:\d+[\s-]+\d+/\d+|\d+/\d+|{_NUMBER})"
_FEET_INCHES = (
    rf"^(?P<ft>{_NUMBER})\s*(?:ft|feet|foot|')\.?"
    rf"(?:\s*[-,]?\s*(?P<in>{_INCHES})\s*(?:in|inch|inches|\"|'')?\.?)?$"
)
_INCHES_ALONE = rf"^(?P<in>{_INCHES})\s*(?:in|inch|inches|\"|'')\.?$"
_METRIC = rf"^(?P<number>{_NUMBER})\s*(?P<unit>m|cm|mm|metres?|meters?)\.?$"
_BARE = rf"^-?{_NUMBER}$"
_DEGREES = rf"^(?P<number>-?{_NUMBER})\s*(?:deg|degs|degree|degrees|°)\.?(?:\s*true)?$"
# A spreadsheet takes 4:12 for a time and may add seconds.
_PITCH = rf"^(?P<rise>\d+/\d+|{_NUMBER})\s*(?::|/|in|on)\s*(?P<run>12)(?::00)?$"
_PERCENT = rf"^(?P<number>{_NUMBER})\s*(?:%|percent)$"
_COMMA = r"^[^A-Za-z]*\d,\d"
_SLASHED = r"^(?P<first>\d{1,2})/(?P<second>\d{1,2})/(?P<year>\d{4})(?:\s.*)?$"
_IN_M = {"m": 1.0, "cm": 0.01, "mm": 0.001}


@dataclass(frozen=True, slots=True)
class Written:
    """A column of answers in house values.

    cells
        Shape (n,), the field's own type; missing where nothing usable stood.
    resolution
        Half the last decimal place in house units, shape (n,); 0 where the figure is exact or no figure.
    with_unit
        Whether the answer named its unit, shape (n,).
    faults
        What was left out, and why.
    """

    cells: pd.Series[Any]
    resolution: FloatArray
    with_unit: BoolArray
    faults: tuple[Fault, ...] = ()


def unanswered(values: pd.Series[Any]) -> pd.Series[Any]:
    """Return stripped text, missing where nothing was answered.

    Examples
    --------
    >>> unanswered(pd.Series([" AC ", "", "?", "n/a", "Unknown"])).tolist()
    ['AC', <NA>, <NA>, <NA>, <NA>]
    """
    words = text(values)
    return words.mask(words.str.lower().isin(_OPEN).fillna(False).astype(bool))


def written(values: pd.Series[Any], field: str, rules: Rulebook, *, unit: str | None = None) -> Written:
    r"""Understand one column of answers.

    Parameters
    ----------
    values
        The cells, shape (n,).
    field
        A key of `tables.ATTRIBUTES` or `tables.RECORD_FIELDS`.
    rules
        Feet, ranges `intake.range.*`, roof families.
    unit
        Unit of a bare number where the heading names one: `ft`, `in` or `m`; else the field's own.

    Returns
    -------
    Written

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> rules = load_rulebook()
    >>> written(pd.Series(["5'6\"", "24 in o.c.", "2,5"]), "beam_spacing_ft", rules).cells.tolist()
    [5.5, 2.0, nan]
    >>> written(pd.Series(["NNE", "E-W", "12 deg"]), "framing_axis_deg", rules).cells.tolist()
    [22.5, 90.0, 12.0]
    >>> written(pd.Series(["4:12"]), "slope_deg", rules).cells.round(2).tolist()
    [18.43]
    """
    words = unanswered(values)
    column = ATTRIBUTES[field] if field in ATTRIBUTES else RECORD_FIELDS[field]
    none = np.zeros(len(words), dtype=bool)
    exact = np.zeros(len(words))
    if column.dtype == "boolean":
        ticked = words.str.lower().isin(("x", "✓", "✔")).fillna(False).astype(bool)
        found, bad = booleans(words.mask(ticked, "yes"))
        return Written(found, exact, none, _fault(bad, "it is not yes or no", "Write yes or no."))
    if column.dtype == "datetime64[ms]":
        moments, faults = written_dates(words, to_come=field == "inspect_by")
        return Written(moments, exact, none, faults)
    if column.dtype == "str" and field not in ATTRIBUTES:
        return Written(as_str(words), exact, none)
    if column.dtype == "str":
        plain = typed(words, field, rules)
        return Written(plain.cells, exact, none, plain.faults)
    return _figures(words, field, rules, unit)


def written_dates(
    values: pd.Series[Any], *, to_come: bool = False
) -> tuple[pd.Series[Any], tuple[Fault, ...]]:
    """Understand a column of dates.

    Beside 2026-05-31 a spreadsheet's 5/31/2026 is understood where the column proves which part is the
    month: where a day above 12 stands in one place, and none in the other.

    Parameters
    ----------
    values
        Shape (n,).
    to_come
        Whether a date may lie in the future.

    Returns
    -------
    dates
        datetime64[ms], shape (n,).
    faults
        What was left out.

    Examples
    --------
    >>> written_dates(pd.Series(["5/6/2024", "5/31/2024"]))[0].dt.strftime("%Y-%m-%d").tolist()
    ['2024-05-06', '2024-05-31']
    >>> written_dates(pd.Series(["5/6/2024"]))[1][0].why
    'it does not say which part is the month'
    """
    words = unanswered(values)
    found, bad = dates(words)
    parts = words.str.extract(_SLASHED).astype("Float64").astype(float)
    slashed = parts["year"].notna()
    day_second = bool((parts["second"] > 12).any())
    day_first = bool((parts["first"] > 12).any())
    alike = slashed & (parts["first"] == parts["second"])
    if day_second != day_first:
        known = slashed
    else:
        known = slashed & (alike | (parts["first"] > 12) | (parts["second"] > 12))
    # With proof for both orders each date can speak for itself alone.
    first_is_day = (
        (parts["first"] > 12) if day_second == day_first else pd.Series(day_first, index=words.index)
    )
    month = parts["second"].where(first_is_day, parts["first"])
    day = parts["first"].where(first_is_day, parts["second"])
    read = pd.to_datetime(
        pd.DataFrame({"year": parts["year"], "month": month, "day": day}).where(known), errors="coerce"
    ).astype("datetime64[ms]")
    found = found.where(~slashed, read)
    unclear = slashed & ~known
    bad = (bad | slashed) & found.isna() & ~unclear
    late = (found > pd.Timestamp.now() + pd.Timedelta(days=1)).astype(bool) & (not to_come)
    early = (found < pd.Timestamp("1800-01-01")).astype(bool)
    return found.mask(late | early), (
        *_fault(bad, "it is not a date", "Write the date as 2024-05-31."),
        *_fault(unclear, "it does not say which part is the month", "Write the date as 2024-05-31."),
        *_fault(late, "it lies in the future", "Write the date it was seen."),
        *_fault(early, "nobody surveyed a roof then", "Write the year with four figures."),
    )


def as_text(cells: pd.Series[Any]) -> pd.Series[Any]:
    """Return typed cells as the one text that stands for each value, shape (n,).

    Examples
    --------
    >>> as_text(pd.Series([2.0, 5.5])).tolist(), as_text(pd.Series([True], dtype="boolean")).tolist()
    (['2', '5.5'], ['true'])
    """
    kind = str(cells.dtype)
    if kind == "float64":
        words = cells.astype("string").str.removesuffix(".0")
    elif kind == "boolean":
        words = cells.astype("string").str.lower()
    elif kind.startswith("datetime"):
        words = cells.dt.strftime("%Y-%m-%d").astype("string")
    else:
        words = cells.astype("string").str.strip()
    return as_str(words.mask(cells.isna()))


def _figures(words: pd.Series[Any], field: str, rules: Rulebook, unit: str | None) -> Written:
    kind = ATTRIBUTES[field].unit
    said = _plain(words)
    number, unit_in, named = _bare(said)
    if kind == "ft":
        number, unit_in, named = _length(said, rules, unit)
        how = "Write it as 5.5, 5'6\" or 24 in."
    elif field == "slope_deg":
        number, unit_in, named = _slope(said)
        how = "Write degrees, or the rise on a run of 12 as 4:12."
    elif kind == "deg":
        number, unit_in, named = _direction(said, field)
        how = "Write degrees from true north, or a compass point such as NNE."
    else:
        how = "Write the number alone."
    comma = said.str.contains(_COMMA).fillna(False).astype(bool) & number.isna()
    bad = said.notna() & number.isna() & ~comma
    what = {"ft": "it is no length", "deg": "it is no direction"}.get(kind, "it is no number")
    what = "it is no slope" if field == "slope_deg" else what
    # The range is looked at in house units; a direction keeps what was written until it is turned.
    fine = typed(number, field, rules)
    decimals = said.str.extract(r"\.(\d+)", expand=False).str.len().fillna(0).astype(float)
    # A figure without decimals is what was meant; one with decimals may have been rounded.
    resolution = np.where(decimals > 0, 0.5 * 10.0**-decimals * unit_in, 0.0)
    return Written(
        fine.cells,
        resolution,
        named.to_numpy(dtype=bool),
        (
            *_fault(comma, "it holds a comma", "Write a point before the decimals, and no comma."),
            *_fault(bad, what, how),
            *fine.faults,
        ),
    )


def _plain(words: pd.Series[Any]) -> pd.Series[Any]:
    """Lower case, straight marks for feet and inches, nothing about centres."""
    plain = words.str.lower().str.replace("[\u2032\u2019\u2018`]", "'", regex=True)
    plain = plain.str.replace("[\u2033\u201d\u201c]", '"', regex=True).str.replace(r"\s+", " ", regex=True)
    return plain.str.replace(r"\s*(?:o\.?\s?c\.?|on cent(?:er|re)s?)$", "", regex=True).str.strip()


def _bare(said: pd.Series[Any]) -> tuple[pd.Series[Any], FloatArray, pd.Series[Any]]:
    number = _number(said.where(said.str.match(_BARE).fillna(False).astype(bool)))
    return number, np.ones(len(said)), pd.Series(False, index=said.index)


def _length(
    said: pd.Series[Any], rules: Rulebook, unit: str | None
) -> tuple[pd.Series[Any], FloatArray, pd.Series[Any]]:
    """Feet, feet in the unit of the last figure, and which lengths name their unit."""
    foot_m = rules.number("ground.foot_m")
    own = {"in": 1.0 / 12.0, "m": 1.0 / foot_m}.get(unit or "ft", 1.0)
    bare, _, _ = _bare(said)
    both = said.str.extract(_FEET_INCHES)
    inch = said.str.extract(_INCHES_ALONE)["in"]
    metric = said.str.extract(_METRIC)
    inches = _fraction(both["in"].fillna(inch))
    feet = _number(both["ft"])
    # Twelve inches and more beside feet are a slip of the pen.
    slip = feet.notna() & (inches >= 12.0)
    trade = (feet.fillna(0.0) + inches.fillna(0.0) / 12.0).where((feet.notna() | inches.notna()) & ~slip)
    part = metric["unit"].str.replace(r"^met.*", "m", regex=True).map(_IN_M).astype("Float64").astype(float)
    metres = _number(metric["number"]) * part
    number = (bare * own).fillna(trade).fillna(metres / foot_m)
    last = np.where(inches.notna(), 1.0 / 12.0, np.where(metres.notna(), part / foot_m, 1.0))
    last = np.where(bare.notna(), own, last)
    return number, last, trade.notna() | metres.notna()


def _slope(said: pd.Series[Any]) -> tuple[pd.Series[Any], FloatArray, pd.Series[Any]]:
    bare, one, _ = _bare(said)
    degrees = _number(said.str.extract(_DEGREES)["number"])
    pitch = said.str.extract(_PITCH)
    rise = _fraction(pitch["rise"]) / _number(pitch["run"])
    percent = _number(said.str.extract(_PERCENT)["number"]) / 100.0
    rise = rise.fillna(percent)
    steep = pd.Series(np.degrees(np.arctan(rise.to_numpy())), index=said.index)
    return bare.fillna(degrees).fillna(steep), one, degrees.notna() | steep.notna()


def _direction(said: pd.Series[Any], field: str) -> tuple[pd.Series[Any], FloatArray, pd.Series[Any]]:
    bare, one, _ = _bare(said)
    degrees = _number(said.str.extract(_DEGREES)["number"])
    upper = said.str.upper().str.replace(r"\s*(?:-|/|\bTO\b)\s*", "-", regex=True)
    # north-east is one word in two; N-S are two.
    joined = upper.str.replace(r"\b(NORTH|SOUTH)[\s-](EAST|WEST)\b", r"\1\2", regex=True)
    point = joined.map(COMPASS_DEG).astype("Float64").astype(float)
    if field in _LINE_FIELDS:
        point = point.fillna(joined.map(_LINES_DEG).astype("Float64").astype(float))
    return bare.fillna(degrees).fillna(point), one, degrees.notna() | point.notna()


def _number(words: pd.Series[Any]) -> pd.Series[Any]:
    return pd.to_numeric(words.astype(object).where(words.notna(), None), errors="coerce").astype(float)


def _fraction(words: pd.Series[Any]) -> pd.Series[Any]:
    """Numbers such as 16, 5 1/2 and 1/4; one over nothing is no number."""
    parts = words.astype("string").str.extract(r"^(?:(?P<whole>\d+)[\s-]+)?(?P<top>\d+)/(?P<bottom>\d+)$")
    top, bottom = _number(parts["top"]), _number(parts["bottom"])
    mixed = _number(parts["whole"]).fillna(0.0) + top / bottom.where(bottom > 0)
    return _number(words).fillna(mixed)


def _fault(mask: pd.Series[Any], why: str, action: str) -> tuple[Fault, ...]:
    found = mask.to_numpy(dtype=bool)
    return (Fault(found, "wrong_type", why, action),) if found.any() else ()
