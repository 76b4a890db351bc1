from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roofplat.inventory.facts import collect_facts, known_values, reduce_facts, survey_dates
from roofplat.tables import ATTRIBUTES, BASES

VALUES = {
    "beam_spacing_ft": st.sampled_from([20.0, 20.1, 24.0]),
    "deck": st.sampled_from(["Plywood", "plywood ", "steel"]),
    "storeys": st.integers(1, 3),
    "sprinklered": st.booleans(),
    "framing_axis_deg": st.sampled_from([1.0, 179.0, 90.0]),
}


def settle(build, rules, footprints, *sources):
    pairs = [
        pd.DataFrame({"record": source.frame["record"], "building_id": source.frame["key"]})
        for source in sources
    ]
    loose, problems = collect_facts(footprints, sources, pairs, rules)
    ids = footprints["building_id"].to_numpy(dtype=object)
    facts, conflicts = reduce_facts(loose, ids, rules)
    return facts, pd.concat([problems, conflicts]), known_values(facts, len(footprints))


def test_basis_goes_before_date_and_date_before_source(build, rules):
    footprints = build.footprints({name: build.square(20 * i) for i, name in enumerate("abc")})
    old_survey = build.records(
        "key", "walk", "surveyed", key=["a"], date=["2010-01-01"], beam_spacing_ft=[16.0]
    )
    table = build.records(
        "key",
        "table",
        key=["a", "b", "c"],
        date=["2024-01-01", "2020-01-01", None],
        beam_spacing_ft=[24.0] * 3,
    )
    permits = build.records(
        "key", "permits", key=["b", "c"], date=["2021-01-01", None], beam_spacing_ft=[20.0, 20.0]
    )
    facts, problems, known = settle(build, rules, footprints, old_survey, table, permits)
    assert known["beam_spacing_ft"].tolist() == [16.0, 20.0, 24.0]
    assert known["beam_spacing_ft_basis"].tolist() == ["surveyed", "recorded", "recorded"]
    assert len(facts) == 6
    assert facts["current"].sum() == 3
    # a: the lower basis is outvoted, not in conflict.
    assert problems["feature"].tolist() == ["b", "c"]
    assert problems["message"].tolist() == [
        "Building b: beam_spacing_ft is 20 by permits record 0 (2021-01-01) and 24 by table record 1 "
        "(2020-01-01), of basis recorded; 20 is taken, being later.",
        "Building c: beam_spacing_ft is 24 by table record 2 (no date) and 20 by permits record 1 "
        "(no date), of basis recorded; 24 is taken, being listed first.",
    ]


def test_footprints_speak_first(build, rules):
    footprints = build.footprints({"a": build.square(0)}, storeys=[2])
    table = build.records("key", "table", key=["a"], storeys=[3])
    facts, _, known = settle(build, rules, footprints, table)
    assert known["storeys"].tolist() == [2]
    assert facts["source"].tolist() == ["footprints", "table"]


def test_the_last_inspection_is_in_force(build, rules):
    footprints = build.footprints({"a": build.square(0)})
    early = build.records("key", "early", key=["a"], inspected_on=["2019-05-01"])
    late = build.records("key", "late", key=["a"], inspected_on=["2023-05-01"])
    for sources in ((early, late), (late, early)):
        _, _, known = settle(build, rules, footprints, *sources)
        assert str(known["inspected_on"].iloc[0].date()) == "2023-05-01"


@pytest.mark.parametrize(
    ("basis", "days", "decks", "conflicts"),
    [
        ("surveyed", ["2020-01-01", "2024-01-01"], ["steel", "plywood"], 1),
        ("surveyed", ["2020-01-01", "2024-01-01", "2025-01-01"], ["steel", "plywood", "Plywood"], 0),
        # One visit listed twice is one visit.
        ("surveyed", ["2020-01-01", "2024-01-01", "2024-01-01"], ["steel", "plywood", "plywood"], 1),
        # Who disagrees later has not been answered.
        ("surveyed", ["2023-01-01", "2024-01-01", "2024-06-01"], ["plywood", "steel", "plywood"], 1),
        ("surveyed", [None, "2024-01-01", "2025-01-01"], ["steel", "plywood", "plywood"], 0),
        ("surveyed", ["2020-01-01", None, None], ["steel", "plywood", "plywood"], 1),
        # Two that were set aside, by the same two visits.
        (
            "surveyed",
            ["2019-01-01", "2020-01-01", "2024-01-01", "2025-01-01"],
            ["tile", "steel", "plywood", "plywood"],
            0,
        ),
        # Lists are copied from each other; they settle nothing.
        ("recorded", ["2020-01-01", "2024-01-01", "2025-01-01"], ["steel", "plywood", "plywood"], 1),
    ],
)
def test_later_surveys_that_agree_settle_a_conflict(build, rules, basis, days, decks, conflicts):
    footprints = build.footprints({"a": build.square(0)})
    visits = [
        build.records("key", f"visit {number}", basis, key=["a"], date=[day], deck=[deck])
        for number, (day, deck) in enumerate(zip(days, decks, strict=True))
    ]
    _, problems, _ = settle(build, rules, footprints, *visits)
    assert (problems["code"] == "conflicting_values").sum() == conflicts


@pytest.mark.parametrize(
    ("field", "one", "two", "conflict"),
    [
        ("beam_spacing_ft", 20.0, 20.2, False),
        ("beam_spacing_ft", 20.0, 20.3, True),
        ("deck", "Plywood", " plywood", False),
        ("deck", "plywood", "steel", True),
        ("framing_axis_deg", 179.5, 0.5, False),
        ("framing_axis_deg", 10.0, 14.0, True),
        ("ridge_deg", 179.5, 0.5, False),
        ("ridge_deg", 10.0, 14.0, True),
        ("downslope_deg", 359.5, 0.5, False),
        ("downslope_deg", 10.0, 190.0, True),
        ("roof_shape", "gabled", "hipped", True),
        ("ridge_runs", "along", "along", False),
        ("roof_height_ft", 8.0, 9.0, True),
        ("sprinklered", True, False, True),
        ("inspected_on", "2024-01-01", "2024-01-02", False),
        ("year_built", 1983, 1986, True),
        ("year_built", 1983, 1983, False),
    ],
)
def test_what_counts_as_a_conflict(build, rules, field, one, two, conflict):
    footprints = build.footprints({"a": build.square(0)})
    first = build.records("key", "first", key=["a"], **{field: [one]})
    second = build.records("key", "second", key=["a"], **{field: [two]})
    _, problems, _ = settle(build, rules, footprints, first, second)
    assert (problems["code"] == "conflicting_values").sum() == conflict


def test_values_keep_their_type_and_their_text(build, rules):
    footprints = build.footprints({"a": build.square(0), "b": build.square(20)})
    table = build.records(
        "key", "table", key=["b"], height_ft=[0.1 + 0.2], storeys=[2], sprinklered=[False],
        inspected_on=["2024-05-17"], name=[" Depot "], purlin_spacing_ft=[8.0],
    )  # fmt: skip
    facts, _, known = settle(build, rules, footprints, table)
    assert known.loc[1, "height_ft"] == 0.1 + 0.2
    for field, column in ATTRIBUTES.items():
        assert known[field].dtype == column.dtype
        assert pd.isna(known.loc[0, field])
    text = facts.set_index("field")["value"].to_dict()
    assert text == {
        "name": "Depot",
        "storeys": "2",
        "height_ft": "0.30000000000000004",
        "sprinklered": "false",
        "purlin_spacing_ft": "8",
        "inspected_on": "2024-05-17",
    }


def test_impossible_values_are_named_and_not_used(build, rules):
    footprints = build.footprints({"a": build.square(0)})
    table = build.records(
        "key",
        "table",
        key=["a"],
        roof_family=["thatch"],
        beam_spacing_ft=[0.0],
        height_ft=[np.inf],
        storeys=[-1],
    )
    facts, problems, _ = settle(build, rules, footprints, table)
    assert facts.empty
    assert sorted(problems["code"]) == ["impossible_value"] * 3 + ["unknown_family"]
    assert set(problems["feature"]) == {"0"}


def test_a_family_called_unknown_does_not_outweigh_a_guess(build, rules):
    footprints = build.footprints({"a": build.square(0)})
    survey = build.records("key", "walk", "surveyed", key=["a"], roof_family=["unknown"])
    guess = build.records("key", "guess", "inferred", key=["a"], roof_family=["heavy_timber"])
    _, problems, known = settle(build, rules, footprints, survey, guess)
    assert known.loc[0, ["roof_family", "roof_family_basis"]].tolist() == ["heavy_timber", "inferred"]
    assert problems.empty


def test_survey_date_is_of_records_that_looked_at_the_roof(build, rules):
    footprints = build.footprints({name: build.square(20 * i) for i, name in enumerate("abcd")})
    walk = build.records(
        "key", "walk", "surveyed", key=["a", "a", "b", "c"],
        date=["2020-01-01", "2022-03-01", "2023-01-01", None],
        deck=["plywood", "plywood", None, "steel"], name=["x", "x", "y", "z"],
    )  # fmt: skip
    table = build.records("key", "table", key=["d"], date=["2024-01-01"], deck=["steel"])
    facts, _, _ = settle(build, rules, footprints, walk, table)
    surveyed, on = survey_dates(facts, 4)
    assert surveyed.tolist() == [True, False, True, False]
    assert np.datetime_as_string(on, unit="D").tolist() == ["2022-03-01", "NaT", "NaT", "NaT"]


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("roof_shape", "hipped"),
        ("slope_deg", 20.0),
        ("roof_height_ft", 6.0),
        ("ridge_deg", 30.0),
        ("ridge_runs", "along"),
        ("downslope_deg", 200.0),
    ],
)
def test_who_knows_the_form_of_a_roof_has_looked_at_it(build, rules, field, value):
    footprints = build.footprints({"a": build.square(0)})
    walk = build.records("key", "walk", "surveyed", key=["a"], date=["2024-05-01"], **{field: [value]})
    tags = build.records("key", "tags", key=["a"], date=["2025-05-01"], **{field: [value]})
    for source, looked in ((walk, True), (tags, False)):
        facts, _, known = settle(build, rules, footprints, source)
        assert known[field].tolist() == [value]
        assert survey_dates(facts, 1)[0].tolist() == [looked]


def plain_reduction(sources):
    """Build the same answer with one loop over records: the best claim of each building and field."""
    best = {}
    for order, source in enumerate(sources):
        for row in source.frame.to_dict("records"):
            for field in VALUES:
                if field not in row or pd.isna(row[field]):
                    continue
                age = -row["date"].value if not pd.isna(row["date"]) else float("inf")
                claim = (BASES.index(source.source.basis), age, order, int(row["record"]))
                key = (row["key"], field)
                if key not in best or claim < best[key][0]:
                    best[key] = (claim, row[field])
    return {key: value for key, (_, value) in best.items()}


@st.composite
def some_sources(draw):
    made = []
    for number in range(draw(st.integers(1, 3))):
        n = draw(st.integers(1, 5))
        columns = {
            field: draw(st.lists(st.none() | values, min_size=n, max_size=n))
            for field, values in VALUES.items()
        }
        keys = draw(st.lists(st.sampled_from("abc"), min_size=n, max_size=n))
        dates = draw(st.lists(st.sampled_from([None, "2020-01-01", "2021-01-01"]), min_size=n, max_size=n))
        made.append((f"s{number}", draw(st.sampled_from(BASES)), {"key": keys, "date": dates, **columns}))
    return made


@settings(deadline=None, max_examples=40)
@given(made=some_sources(), seed=st.integers(0, 100))
def test_reduction_agrees_with_a_plain_loop(build, rules, made, seed):
    footprints = build.footprints({name: build.square(20 * i) for i, name in enumerate("abc")})
    sources = [build.records("key", name, basis, **columns) for name, basis, columns in made]
    facts, problems, known = settle(build, rules, footprints, *sources)
    expected = plain_reduction(sources)
    for row, name in enumerate("abc"):
        for field in VALUES:
            got = known.loc[row, field]
            want = expected.get((name, field))
            assert pd.isna(got) if want is None else got == (want.strip() if isinstance(want, str) else want)
    # Nothing said is lost, and one value a building and field is in force.
    assert len(facts) == sum(source.frame[list(VALUES)].notna().to_numpy().sum() for source in sources)
    assert facts["current"].sum() == len(expected)

    for source in sources:
        mixed = source.frame.sample(frac=1, random_state=seed).reset_index(drop=True)
        object.__setattr__(source, "frame", mixed)
    again, problems_again, _ = settle(build, rules, footprints, *sources)
    pd.testing.assert_frame_equal(again, facts)
    assert sorted(problems_again["message"]) == sorted(problems["message"])
