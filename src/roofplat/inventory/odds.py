"""What a roof that nobody has looked at may be: odds by family, for buildings of the same kind.

In: the buildings, their roof sections, the district's region, the rules; shares of building types out of a
    handbook (`hazus_lowrise.csv`, its source named in its head).
Out: the `family_odds` table; the columns `p_lightweight`, `stratum`, `odds`, `local_roofs` of `buildings`;
    chances by building and family.

Buildings of one region, period, occupancy group and size class are a stratum. Its odds begin with the
handbook's shares and are moved by the district's own surveyed roofs of the same stratum.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import bdtr, bdtrc, betaincinv

from roofplat.errors import RuleError
from roofplat.inventory._shared import IntArray, places_among, texts
from roofplat.inventory.prior import prior_shares
from roofplat.inventory.strata import UNKNOWN, Levels, level_words, levels_of, stratify, stratum_keys
from roofplat.rules import Family, Rulebook
from roofplat.tables import BASES, conform, empty, problem_rows, sentences

__all__ = [
    "chances_by_kind",
    "estimate_odds",
    "family_chances",
    "family_names",
    "odds_of",
    "region_problems",
    "stated_forms",
    "trust_bits",
    "trust_problems",
]

FloatArray = npt.NDArray[np.float64]
Words = npt.NDArray[np.object_]

# Forms of a roof as bits: a form and a family fit where they share one. A roof that falls one way may be
# a flat roof with a fall or a pitched one; any other form says nothing.
_FLAT, _PITCHED, _ARCHED, _SAWTOOTH = 1, 2, 4, 8
_ANY_FORM = _FLAT | _PITCHED | _ARCHED | _SAWTOOTH
_FORM_BITS = {
    "flat": _FLAT,
    "gabled": _PITCHED,
    "hipped": _PITCHED,
    "monopitch": _FLAT | _PITCHED,
    "arched": _ARCHED,
    "sawtooth": _SAWTOOTH,
}
# Chances below this are not written into the odds of a building.
_LEAST_WRITTEN = 0.01
# Ends of an interval are found by search, which differs in the last digits from machine to machine.
_DECIMALS = 9


def estimate_odds(
    buildings: gpd.GeoDataFrame, roofs: gpd.GeoDataFrame | None, region: str | None, rules: Rulebook
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Estimate what the roofs of each stratum are, and what that says of each building.

    The chances of a stratum are the mean of a Dirichlet distribution: `odds.prior_roofs` times the prior
    share of each family, plus the surveyed roofs of that family in the stratum, over their sum. A chance
    lies between `low` and `high` by the beta distribution of that family alone, with as much left out below
    as above; where that leaves out the chance itself, the interval is widened to hold it.

    The prior share is the sum over the building types of their share in the stratum, times the part of the
    type's roofs that is of the family (`odds.family.*`). An unknown level takes the plain mean over its
    known ones. The shares are of floor area and of buildings of 1 to 3 storeys; they are used for counts
    of buildings, and for taller ones too.

    Parameters
    ----------
    buildings
        The columns of `TABLES["buildings"]`, those that are filled here left out or empty; n rows.
    roofs
        `building_id`, `roof_shape`, `roof_shape_basis` of the sections; None where there are none.
    region
        `west`, `midwest` or `east`; None takes the mean over the three.
    rules
        `odds.*` and the roof families.

    Returns
    -------
    buildings
        `TABLES["buildings"]`.
    family_odds
        `TABLES["family_odds"]`, by stratum and then in the order of the rulebook.

    Raises
    ------
    RuleError
        A rule of the odds is out of its range, or there is no such region.

    Notes
    -----
    The mean of a Dirichlet distribution after counts, and the beta distribution of one of its parts, are
    textbook results.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> buildings, odds = estimate_odds(empty("buildings"), None, "west", load_rulebook())
    >>> len(buildings), len(odds)
    (0, 0)
    """
    frame = buildings.reset_index(drop=True)
    late, family_odds = odds_of(frame, stated_forms(frame["building_id"], roofs), region, rules)
    for name in late:
        frame[name] = late[name]
    return conform("buildings", frame), family_odds


def odds_of(
    frame: pd.DataFrame, forms: IntArray, region: str | None, rules: Rulebook
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Estimate the same from narrow columns: what `estimate_odds` fills in, and nothing of the outlines.

    Parameters
    ----------
    frame
        `year_built`, `occupancy`, `area_ft2`, `storeys`, `roof_family`, `family_basis`, `look_again`; n rows
        counted from 0.
    forms
        As `stated_forms` returns them, shape (n,).
    region, rules
        As in `estimate_odds`.

    Returns
    -------
    late
        `stratum`, `local_roofs`, `p_lightweight`, `odds`, n rows in the order of `frame`; the texts, of which
        few differ, as categories.
    family_odds
        `TABLES["family_odds"]`.

    Raises
    ------
    RuleError
        A rule of the odds is out of its range, or there is no such region.
    """
    families = family_names(rules)
    levels = levels_of(region, rules)
    codes = stratify(frame, levels, rules)
    shape = (len(levels.periods), len(levels.groups), len(levels.sizes))
    # Strata in order of period, then of group, then of size.
    met, stratum = np.unique(np.ravel_multi_index(tuple(codes.T), shape), return_inverse=True)
    strata = np.column_stack(np.unravel_index(met, shape)).astype(np.int64)
    prior = prior_shares(levels, families, rules)[strata[:, 0], strata[:, 1], strata[:, 2]]
    keys = stratum_keys(levels, strata)

    family = places_among(families, frame["roof_family"])
    # Of a roof that was changed since nobody knows what it is now: it counts as recorded.
    by_survey = (frame["family_basis"] == "surveyed") & frame["look_again"].isna()
    seen = (family >= 0) & by_survey.to_numpy(dtype=bool, na_value=False)
    surveyed = np.zeros(prior.shape)
    np.add.at(surveyed, (stratum[seen], family[seen]), 1.0)
    prior_count = prior * rules.positive("odds.prior_roofs")
    chance, low, high = _posterior(prior_count, surveyed, rules.share("odds.interval_share"))

    count, width = prior.shape
    named = dict(zip(("period", "occupancy", "size_class"), level_words(levels, strata), strict=True))
    odds = pd.DataFrame(
        {
            "stratum": np.repeat(keys, width),
            "region": levels.region,
            **{name: np.repeat(found, width) for name, found in named.items()},
            "roof_family": np.tile(np.array(families, dtype=object), count),
            "prior": prior.reshape(-1),
            "prior_count": prior_count.reshape(-1),
            "surveyed": surveyed.reshape(-1).astype(np.int64),
            "chance": chance.reshape(-1),
            "low": low.reshape(-1),
            "high": high.reshape(-1),
        }
    )
    family_odds: pd.DataFrame = conform("family_odds", odds) if count else empty("family_odds")

    kinds, kind = _kinds(frame, forms, stratum, family, rules)
    chances, form_counts = _chances(kinds, chance, families, rules)
    lightweight = np.clip(chances @ _lightweight(families, rules), 0.0, 1.0)
    text = _texts(kinds, chances, form_counts, levels, strata, families)
    late = pd.DataFrame(
        {
            "stratum": sentences(keys.tolist(), stratum),
            "local_roofs": surveyed.sum(axis=1).astype(np.int64)[stratum],
            "p_lightweight": lightweight[kind],
            "odds": _few(text, kind),
        }
    )
    return late, family_odds


def _few(texts: Words, place: IntArray) -> pd.Categorical[Any]:
    """A column of a few texts, some of them missing, each kept once."""
    codes, met = pd.factorize(pd.Series(texts, dtype="str"))
    return sentences(met.tolist(), codes[place])


def family_chances(
    buildings: pd.DataFrame, roofs: pd.DataFrame | None, family_odds: pd.DataFrame, rules: Rulebook
) -> pd.DataFrame:
    """Give the chance of each roof family for each building.

    - Nobody knows: the chances of the building's stratum. A stated form of the roof rules out the families
      that do not come in it, and the rest is scaled to 1; a form is stated where every section has one that
      is not assumed. Where it rules out every family it is not counted.
    - A family that is known but not surveyed has `odds.trust.*` of the chance; the rest follows the odds.
    - A surveyed family has the whole chance; one that was surveyed before a change of the roof
      (`look_again`) has that of a recorded one.

    Parameters
    ----------
    buildings
        `building_id`, `stratum`, `roof_family`, `family_basis`, `storeys`; n rows.
    roofs
        `building_id`, `roof_shape`, `roof_shape_basis` of the sections; None where there are none.
    family_odds
        As `estimate_odds` returns it.
    rules
        `odds.trust.*`, `odds.flat_or_pitched` and the roof families.

    Returns
    -------
    DataFrame
        n rows indexed by `building_id`, in the order of `buildings`; one column of float for each family of
        the rulebook but `unknown`. Each row sums to 1.

    Raises
    ------
    RuleError
        A rule of the odds is out of its range.
    KeyError
        A building belongs to a stratum that has no odds: the tables are not of one district.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> rules = load_rulebook()
    >>> chances = family_chances(empty("buildings"), None, empty("family_odds"), rules)
    >>> chances.shape == (0, len(rules.families) - 1)
    True
    """
    forms = stated_forms(buildings["building_id"], roofs)
    chances, kind = chances_by_kind(buildings, forms, family_odds, rules)
    ids = pd.Index(buildings["building_id"], name="building_id")
    return pd.DataFrame(chances[kind], index=ids, columns=pd.Index(family_names(rules)))


def chances_by_kind(
    frame: pd.DataFrame, forms: IntArray, family_odds: pd.DataFrame, rules: Rulebook
) -> tuple[FloatArray, IntArray]:
    """Give the same chances once for all buildings of which the same is known.

    Parameters
    ----------
    frame
        `stratum`, `roof_family`, `family_basis`, `storeys`, and `look_again` where there is one; n rows.
    forms
        As `stated_forms` returns them, shape (n,).
    family_odds, rules
        As in `family_chances`.

    Returns
    -------
    chances
        By kind and family, families as `family_names` names them; each row sums to 1.
    kind
        Row of `chances` of each building, shape (n,).

    Raises
    ------
    RuleError
        A rule of the odds is out of its range.
    KeyError
        A building belongs to a stratum that has no odds: the tables are not of one district.
    """
    families = family_names(rules)
    keys = pd.Index(family_odds["stratum"].unique())
    stratum = places_among(keys, frame["stratum"])
    if (stratum < 0).any():
        lost = frame["stratum"].iloc[int(np.argmax(stratum < 0))]
        raise KeyError(f"There are no odds for the stratum {lost!r}.")
    chance = np.zeros((len(keys), len(families)))
    row, column = (
        places_among(keys, family_odds["stratum"]),
        places_among(families, family_odds["roof_family"]),
    )
    chance[row, column] = family_odds["chance"].to_numpy(dtype=float)
    kinds, kind = _kinds(frame, forms, stratum, places_among(families, frame["roof_family"]), rules)
    return _chances(kinds, chance, families, rules)[0], kind


def family_names(rules: Rulebook) -> list[str]:
    """Return the families that a roof can be: all of the rulebook but `unknown`, in its order."""
    return [name for name in rules.families if name != UNKNOWN]


def region_problems(region: str | None) -> pd.DataFrame:
    """Return a row of problems where the district does not say in which region it lies.

    Examples
    --------
    >>> region_problems(None)["code"].tolist(), len(region_problems("west"))
    (['region_not_stated'], 0)
    """
    return problem_rows(
        "district file",
        ["region"] if region is None else [],
        "region_not_stated",
        "info",
        "The region is not stated; the odds of unknown roofs take the mean over west, midwest and east.",
        "Set region in [district].",
    )


def trust_bits(facts: pd.DataFrame) -> pd.DataFrame:
    """Tell of each surveyed roof on which other bases its family is known, and where they agree.

    Parameters
    ----------
    facts
        `TABLES["facts"]`: the most trusted of each basis first.

    Returns
    -------
    DataFrame
        `known` and `agrees`, a bit for each place in `BASES`, indexed by `building_id`; buildings without
        such a basis are left out.

    Examples
    --------
    >>> rows = [["a", "roof_family", "lamella", "surveyed"], ["a", "roof_family", "rigid_arch", "recorded"]]
    >>> facts = pd.DataFrame(rows, columns=["building_id", "field", "value", "basis"])
    >>> trust_bits(facts).to_dict("index")
    {'a': {'known': 2, 'agrees': 0}}
    """
    families = facts.loc[facts["field"] == "roof_family", ["building_id", "basis", "value"]]
    families = families.drop_duplicates(["building_id", "basis"])
    seen = families[families["basis"] == BASES[0]].set_index("building_id")["value"]
    others = families[families["basis"] != BASES[0]]
    place = places_among(seen.index, others["building_id"])
    others, place = others[place >= 0], place[place >= 0]
    agrees = others["value"].to_numpy(dtype=object) == seen.to_numpy(dtype=object)[place]
    bit = 1 << places_among(BASES, others["basis"])
    found = pd.DataFrame({"known": bit, "agrees": np.where(agrees, bit, 0)}, dtype="int64")
    return found.groupby(others["building_id"].to_numpy()).sum().rename_axis("building_id")


def trust_problems(known: IntArray, agrees: IntArray, rules: Rulebook) -> pd.DataFrame:
    """Say where surveys do not bear out how far families of another basis are trusted.

    Where a roof was surveyed and its family is also known otherwise, the two are compared. A basis whose
    families agree less or more often than `odds.trust.*` makes likely, by the binomial distribution with
    as much left out on each side as `odds.interval_share` says, has a row.

    Parameters
    ----------
    known, agrees
        As `trust_bits` returns them, of all buildings of the district.
    rules
        `odds.trust.*`, `odds.interval_share`.

    Returns
    -------
    DataFrame
        Rows of problems, one for each such basis.
    """
    places = range(1, len(BASES))
    count = np.array([int((known >> place & 1).sum()) for place in places])
    right = np.array([int((agrees >> place & 1).sum()) for place in places])
    trust = np.array([rules.share(f"odds.trust.{name}") for name in BASES[1:]])
    tail = (1.0 - rules.share("odds.interval_share")) / 2.0
    few = bdtr(right.astype(float), count, trust) < tail
    # Nothing is more than none: its chance is one, and not asked for.
    many = (right > 0) & (bdtrc(np.maximum(right - 1.0, 0.0), count, trust) < tail)
    told = np.flatnonzero((count > 0) & (few | many))
    names = np.array(BASES[1:], dtype=object)[told]
    shown = [f"{100.0 * share:.0f}" for share in trust[told]]
    return problem_rows(
        "odds",
        names,
        "trust_not_borne_out",
        "info",
        texts(
            "Of ", count[told].astype("U20"), " roof families known as ", names, " that were surveyed too, ",
            right[told].astype("U20"), " agree with the survey; odds.trust.", names, " says ", shown,
            " percent.", size=told.size,
        ),
        "Set that rule in [rules] of the district file to what such families are worth here.",
    )  # fmt: skip


def _posterior(
    prior_count: FloatArray, surveyed: FloatArray, share: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean and interval of each part of a Dirichlet distribution, shape (strata, families)."""
    alpha = prior_count + surveyed
    whole = alpha.sum(axis=1, keepdims=True)
    rest = whole - alpha
    chance = alpha / whole
    # Where a family has no part, or nothing but it has one, there is nothing to spread.
    open_ = (alpha > 0) & (rest > 0)
    first, second = np.where(open_, alpha, 1.0), np.where(open_, rest, 1.0)
    tail = (1.0 - share) / 2.0
    low = np.where(open_, betaincinv(first, second, tail), chance)
    high = np.where(open_, betaincinv(first, second, 1.0 - tail), chance)
    low, high = np.round(low, _DECIMALS), np.round(high, _DECIMALS)
    return chance, np.minimum(low, chance), np.maximum(high, chance)


def _kinds(
    frame: pd.DataFrame, forms: IntArray, stratum: IntArray, family: IntArray, rules: Rulebook
) -> tuple[IntArray, IntArray]:
    """Buildings of which the same is known: few, so that the work is done once for each.

    Returns
    -------
    kinds
        Stratum, bits of the stated forms, family or -1, place of the basis in `BASES` or -1, and whether it
        is taller than the shares; shape (k, 5).
    kind
        Row of `kinds` of each building, shape (n,).
    """
    basis = places_among(BASES, frame["family_basis"])
    # A family without a basis is as good as assumed.
    basis = np.where(family >= 0, np.where(basis >= 0, basis, len(BASES) - 1), -1)
    if "look_again" in frame:
        # What was seen before the roof was changed is a record of how it was.
        marked = frame["look_again"].notna().to_numpy(dtype=bool)
        basis = np.where(marked & (basis == BASES.index("surveyed")), BASES.index("recorded"), basis)
    storeys = frame["storeys"].to_numpy(dtype=float, na_value=np.nan)
    tall = storeys > rules.count("odds.low_rise_storeys")
    # As one number, for a sort of whole numbers is many times quicker than one of rows.
    families = len(rules.families)
    shape = (int(stratum.max(initial=0)) + 1, _ANY_FORM + 1, families + 1, len(BASES) + 1, 2)
    number = np.ravel_multi_index((stratum, forms, family + 1, basis + 1, tall.astype(np.int64)), shape)
    met, kind = np.unique(number, return_inverse=True)
    kinds = np.column_stack(np.unravel_index(met, shape)).astype(np.int64) - (0, 0, 1, 1, 0)
    return kinds, kind.astype(np.int64)


def stated_forms(building_ids: pd.Series, roofs: pd.DataFrame | None) -> IntArray:
    """Bits of the forms that the sections of each building are said to have; all where one is not said.

    A building without sections has none, which rules out all families, and so does not count.

    Parameters
    ----------
    building_ids
        The buildings, shape (n,).
    roofs
        `building_id`, `roof_shape`, `roof_shape_basis` of the sections; None where there are none.

    Returns
    -------
    ndarray of int
        Shape (n,).

    Examples
    --------
    >>> said = {"building_id": ["a"], "roof_shape": ["gabled"], "roof_shape_basis": ["drawn"]}
    >>> stated_forms(pd.Series(["a", "b"]), pd.DataFrame(said)).tolist()
    [2, 0]
    """
    bits = np.zeros(len(building_ids), dtype=np.int64)
    if roofs is not None and len(roofs):
        said = (roofs["roof_shape_basis"] != "assumed").to_numpy(dtype=bool, na_value=False)
        form = roofs["roof_shape"].map(_FORM_BITS).fillna(_ANY_FORM).to_numpy(dtype=np.int64)
        owner = places_among(building_ids, roofs["building_id"])
        own = owner >= 0
        np.bitwise_or.at(bits, owner[own], np.where(said, form, _ANY_FORM)[own])
    return bits


def _chances(
    kinds: IntArray, chance: FloatArray, families: Sequence[str], rules: Rulebook
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Chance of each family for each kind, and whether the form of the roof took part in it."""
    stratum, forms, family, basis = kinds[:, 0], kinds[:, 1], kinds[:, 2], kinds[:, 3]
    odds = chance[stratum]
    fits = (forms[:, None] & _family_forms(families, rules)) != 0
    left = np.where(fits, odds, 0.0)
    total = left.sum(axis=1, keepdims=True)
    form_counts = (total[:, 0] > 0) & ~fits.all(axis=1)
    odds = np.where(form_counts[:, None], left / np.where(total > 0, total, 1.0), odds)
    trust = np.array([1.0, *(rules.share(f"odds.trust.{name}") for name in BASES[1:]), 0.0])[basis]
    known = np.zeros_like(odds)
    rows = np.flatnonzero(family >= 0)
    known[rows, family[rows]] = 1.0
    mixed = trust[:, None] * known + (1.0 - trust[:, None]) * odds
    return mixed, form_counts


def _family_forms(families: Sequence[str], rules: Rulebook) -> IntArray:
    both = rules["odds.flat_or_pitched"].value
    strange = [name for name in both if name not in rules.families]
    if strange:
        raise RuleError(
            f"Rule odds.flat_or_pitched names {strange[0]!r}, which is no roof family; "
            "`roofplat rules family` lists them."
        )
    return np.array([_forms_of(rules.families[name], name in both) for name in families], dtype=np.int64)


def _forms_of(family: Family, both: bool) -> int:
    return _FORM_BITS.get(family.shape, _ANY_FORM) | (_FLAT | _PITCHED if both else 0)


def _lightweight(families: Sequence[str], rules: Rulebook) -> FloatArray:
    unsaid = rules.share("odds.lightweight_not_said")
    said = [rules.families[name].lightweight for name in families]
    return np.array([unsaid if value is None else float(value) for value in said])


def _texts(
    kinds: IntArray,
    chances: FloatArray,
    form_counts: npt.NDArray[np.bool_],
    levels: Levels,
    strata: IntArray,
    families: Sequence[str],
) -> Words:
    """The odds of each kind in words, likeliest first, ties as in the rulebook; none where surveyed."""
    order = np.argsort(-np.round(chances, _DECIMALS), axis=1, kind="stable")
    names = np.array(families, dtype=object)
    text = np.full(len(kinds), "", dtype=object)
    for place in range(len(families)):
        column = order[:, place]
        chance = np.take_along_axis(chances, column[:, None], axis=1)[:, 0]
        percent = np.round(100.0 * chance).astype(np.int64).astype("U3").astype(object)
        entry = (", " if place else "") + names[column] + " " + percent + " %"
        text = text + np.where(chance >= _LEAST_WRITTEN, entry, "")
    at = strata[kinds[:, 0]]
    notes = np.full(len(kinds), "", dtype=object)
    for here, note in (
        (np.full(len(kinds), levels.region == UNKNOWN), "region unknown, mean of all"),
        (np.array([levels.periods[code] == UNKNOWN for code in at[:, 0]]), "year unknown, mean of all"),
        (at[:, 1] == len(levels.groups) - 1, "occupancy unknown, mean of all"),
        (at[:, 2] == len(levels.sizes) - 1, "size unknown"),
        (form_counts, "by the form of the roof"),
        (kinds[:, 4] == 1, "taller than the shares are for"),
    ):
        here = np.asarray(here, dtype=bool)
        notes = notes + np.where(here, np.where(notes == "", note, "; " + note), "")
    text = np.where(notes == "", text, text + " (" + notes + ")")
    surveyed = (kinds[:, 2] >= 0) & (kinds[:, 3] == BASES.index("surveyed"))
    text[surveyed] = None
    return text
