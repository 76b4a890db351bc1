"""`roofplat rank` on a small district with real files.

In: five sheds: surveyed, recorded, unknown with and without facts, one with a hostile name.
Out: a list of the first, one score taken apart, one sentence for what cannot be.
"""

from __future__ import annotations

import re
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from shapely.geometry import box

from roofplat.cli.main import main
from roofplat.cli.manners import CAUTION
from roofplat.tables import RANKING_FACTORS

CRS = "EPSG:32613"
EAST, NORTH = 500_000, 4_300_000
LONG = "Grain store of the growers of the upper valley and its neighbours " * 3


def write(folder: Path, rules: str = "") -> Path:
    gpd.GeoDataFrame(
        {"building_id": [f"b-{number}" for number in range(1, 6)]},
        geometry=[box(EAST + 100 * k, NORTH, EAST + 100 * k + 60, NORTH + 30) for k in range(5)],
        crs=CRS,
    ).to_file(folder / "roofs.gpkg", driver="GPKG")
    rows = {
        "id": [f"b-{number}" for number in range(1, 6)],
        "name": ["Cold store", None, "Joinery", LONG, "\x1b[31mred\u202e"],
        "address": ["12 Alder Way", None, "30 Alder Way", "1 Weir Road", None],
        "occupancy": ["S-1", None, "F-1", "A-2", "M"],
        "year_built": [1975, None, 1940, 1990, 1960],
        "sprinklered": ["no", None, "yes", "no", None],
        "roof_family": ["panelized_wood", None, "sawn_joist_flat", None, None],
        "inspected_on": ["2020-01-01", None, None, "2025-12-01", None],
    }
    pd.DataFrame(rows).to_csv(folder / "roll.csv", index=False)
    pd.DataFrame({"id": ["b-1"], "roof_family": ["panelized_wood"]}).to_csv(
        folder / "survey.csv", index=False
    )
    path = folder / "district.toml"
    path.write_text(
        '[district]\nname = "Sedge Flats"\nregion = "west"\n'
        '[footprints]\nfile = "roofs.gpkg"\nid = "building_id"\n'
        '[[attributes]]\nname = "roll"\nfile = "roll.csv"\nhow = "key"\nid = "id"\n'
        '[[attributes]]\nname = "surveys"\nfile = "survey.csv"\nhow = "key"\nid = "id"\nbasis = "surveyed"\n'
        'date = "2024-06-01"\n' + rules,
        "utf-8",
    )
    return path


@pytest.fixture(scope="module")
def district(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(tmp_path_factory.mktemp("sedge"))


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["rank", *map(str, words)])


def matching(pattern: str, result: Result) -> list[tuple[str, ...]]:
    """The groups of every line that is like this."""
    found = (re.fullmatch(pattern, line) for line in result.stdout.splitlines())
    return [match.groups() for match in found if match]


PART = r"  (\w+) +(\d\.\d{4}) +(\d\.\d{4}) +(\d\.\d{4})  (.+)"
ANSWER = (
    r"  ([a-z ]+?)  +(\S+(?: \S+)*)  +((?:under )?\d+\.\d%)? +(\d\.\d{4}) +(\d+)  (stays|up \d+|down \d+)"
)
ODDS = r"  ([a-z_]+) +((?:under )?\d+\.\d%) +(\d+\.\d% to \d+\.\d%) +(\d+\.\d%) +(\d+)"


def test_the_first_of_the_list(district: Path) -> None:
    result = run(district, "--top", 3)
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert re.fullmatch(r"Sedge Flats: 3 of 5 buildings, ranked on \d{4}-\d\d-\d\d", lines[0])
    assert lines[1].split() == ["rank", "in", "90%", "score", "id", "name,", "address", "inspection"]
    listed = matching(r" +(\d+)  (\d+) to (\d+) +(\d\.\d{4})  (b-\d) .*", result)
    assert [row[0] for row in listed] == ["1", "2", "3"]
    for row in listed:
        assert int(row[1]) <= int(row[0]) <= int(row[2])
    scores = [float(row[3]) for row in listed]
    assert scores == sorted(scores, reverse=True)
    assert "90% of 1,000 draws" in " ".join(result.stdout.split())
    assert CAUTION in result.stdout
    assert max(len(line) for line in lines if line != CAUTION) <= 100
    assert "Place" not in result.stdout, "progress is no part of the answer"


def test_long_ids_are_whole_and_names_make_room(tmp_path: Path) -> None:
    district = write(tmp_path)
    for file, key in (("roll.csv", "id"), ("survey.csv", "id")):
        frame = pd.read_csv(tmp_path / file)
        frame.assign(**{key: frame[key] + "-of-the-upper-valley-growers"}).to_csv(
            tmp_path / file, index=False
        )
    roofs = gpd.read_file(tmp_path / "roofs.gpkg")
    roofs["building_id"] += "-of-the-upper-valley-growers"
    roofs.to_file(tmp_path / "roofs.gpkg", driver="GPKG")
    result = run(district)
    assert result.exit_code == 0, result.output
    lines = [line for line in result.stdout.splitlines() if line != CAUTION]
    assert max(map(len, lines)) <= 100
    assert sum("-of-the-upper-valley-growers " in line for line in lines) == 5
    (long,) = (line for line in lines if "b-4-of" in line)
    assert "Grain store" in long
    assert "..." in long


def test_nothing_is_written(district: Path) -> None:
    before = {path.name for path in district.parent.rglob("*")}
    assert run(district).exit_code == 0
    assert {path.name for path in district.parent.rglob("*")} == before


def test_a_score_taken_apart_can_be_recomputed(district: Path) -> None:
    result = run(district, "--explain", "b-4")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0].startswith("b-4  Grain store of the growers")
    assert lines[0].endswith("...")
    assert max(len(line) for line in lines if line != CAUTION) <= 100
    ((score,),) = matching(r"Rank \d of 5; \d to \d in 90% of 1,000 draws\. Score (0\.\d{4})\.", result)
    parts = matching(PART, result)
    assert {row[0] for row in parts} == set(RANKING_FACTORS)
    assert sum(float(row[1]) for row in parts) == pytest.approx(1.0, abs=1e-3)
    for _, share, value, part, _ in parts:
        assert float(share) * float(value) == pytest.approx(float(part), abs=1e-4)
    # Four decimals of eight products.
    assert sum(float(row[1]) * float(row[2]) for row in parts) == pytest.approx(float(score), abs=5e-4)
    ((total,),) = matching(r"  sum +1\.0000 +(\d\.\d{4})", result)
    assert total == score


def test_odds_of_an_unknown_roof_have_their_counts(district: Path) -> None:
    result = run(district, "--explain", "b-5")
    assert "Kind of building: west / 1950 to 1969 / M / " in result.stdout
    assert "; no roof of it is surveyed." in " ".join(result.stdout.split())
    odds = matching(ODDS, result)
    assert len(odds) > 5
    ((others,),) = matching(r"  \d+ others together +(\d+\.\d%)", result)
    total = sum(float(row[1].rstrip("%")) for row in odds) + float(others.rstrip("%"))
    assert total == pytest.approx(100.0, abs=1.0)
    assert {row[4] for row in odds} == {"0"}
    assert "counts for 10 roofs of the kind." in result.stdout


def test_every_open_answer_says_where_it_would_land(district: Path) -> None:
    result = run(district, "--explain", "b-2")
    assert "Not known: roof family, year built, occupancy, sprinklers." in result.stdout
    answers = matching(ANSWER, result)
    by_fact = {fact: [row for row in answers if row[0] == fact] for fact in {row[0] for row in answers}}
    assert set(by_fact) == {"roof family", "year built", "occupancy", "sprinklers"}
    assert len(by_fact["roof family"]) > 10
    assert all(row[2] for row in by_fact["roof family"])
    assert sorted(row[1] for row in by_fact["occupancy"]) == [*"ABEFHIMR", "R-3", "S", "U"]
    assert sorted(row[1] for row in by_fact["year built"]) == [
        "1950 to 1969", "1970 and later", "before 1950",
    ]  # fmt: skip
    assert [row[1] for row in by_fact["sprinklers"]] == ["no", "yes"]
    assert not any(row[2] for row in by_fact["sprinklers"])
    ((now,),) = matching(r"Rank (\d) of 5; .*", result)
    for _, _, _, _, then, move in answers:
        moved = int(now) - int(then)
        assert move == ("stays" if not moved else f"up {moved}" if moved > 0 else f"down {-moved}")
    assert "About the odds: year unknown, mean of all; occupancy unknown, mean of all." in result.stdout


def test_a_recorded_family_is_not_taken_for_a_surveyed_one(district: Path) -> None:
    result = run(district, "--explain", "b-3")
    words = " ".join(result.stdout.split())
    assert "Roof family: Sawn joist, flat (recorded)." in words
    assert "it has 90% of the chance, and the odds of the kind share the rest." in words
    assert "sprinklers throughout" in words
    assert "Not known: nothing that the score asks for." in words
    assert {row[0] for row in matching(ANSWER, result)} == {"roof family"}


def test_a_surveyed_roof_has_nothing_open(district: Path) -> None:
    result = run(district, "--explain", "b-1")
    assert "No answer is open that would move it." in result.stdout
    assert "Roof family: Panelized, wood beams and purlins (surveyed)." in result.stdout
    assert "Kind of building" not in result.stdout
    assert matching(r"Inspection: overdue by [\d,]+ days; class low, by the occupancy\.", result)


def test_top_and_explain_together(district: Path) -> None:
    result = run(district, "--top", 2, "--explain", "b-5")
    assert "2 of 5 buildings" in result.stdout
    assert "What the score is made of" in result.stdout
    # A name can steer no terminal.
    assert "\x1b" not in result.stdout
    assert "\u202e" not in result.stdout
    assert "\\x1b[31mred\\u202e" in result.stdout


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--explain", "b-7"), "There is no building 'b-7'; the nearest are b-"),
        (("--explain", ""), "There is no building ''"),
        (("--top", "0"), "0 is not in the range"),
        (("--top", "ten"), "not a valid integer"),
    ],
)
def test_what_cannot_be_is_one_sentence(district: Path, words: tuple[str, ...], says: str) -> None:
    result = run(district, *words)
    assert result.exit_code == 2
    assert says in " ".join(result.stderr.split())
    assert "Traceback" not in result.output
    assert not result.stdout


@pytest.mark.parametrize(
    ("rules", "says"),
    [
        (
            '"ranking.weight.severity" = -0.1',
            "ranking.weight.severity is -0.1; a weight is zero or more.",
        ),
        (
            "\n".join(f'"ranking.weight.{name}" = 0.0' for name in RANKING_FACTORS),
            "All rules ranking.weight.* are zero",
        ),
        ('"inspection.cycle_years.high" = 0.0', "inspection class high has no cycle"),
    ],
)
def test_rules_that_cannot_rank_are_one_sentence(tmp_path: Path, rules: str, says: str) -> None:
    result = run(write(tmp_path, f"[rules]\n{rules}\n"))
    assert result.exit_code == 2
    assert says in result.stderr
    assert "Traceback" not in result.output


def test_the_building_that_errors_refuse_is_told_and_the_rest_ranked(tmp_path: Path) -> None:
    district = write(tmp_path)
    file = tmp_path / "roofs.gpkg"
    frame = gpd.read_file(file)
    frame.loc[4, "geometry"] = None
    frame.to_file(file, driver="GPKG")
    result = run(district)
    assert result.exit_code == 1
    assert "Problems: 1 error" in result.stdout
    assert "4 of 4 buildings" in result.stdout
