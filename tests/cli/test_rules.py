"""`roofplat rules` over the rulebook that comes with the package.

In: rule ids, groups, families, a district file with overrides.
Out: value, unit, status and source on the screen.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from roofplat.cli.main import main
from roofplat.rules import load_rulebook

BOOK = load_rulebook()


def _run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["rules", *map(str, words)])


@pytest.fixture
def district(tmp_path: Path) -> Path:
    path = tmp_path / "district.toml"
    path.write_text(
        '[district]\nname = "Sedge Flats"\n[footprints]\nfile = "f.gpkg"\n'
        '[rules]\n"trench.lead_ft" = 40.0\n"ladder.stock_ft" = [16.0, 24.0]\n',
        "utf-8",
    )
    return path


def test_all_rules_and_families_are_listed_with_unit_status_and_source() -> None:
    result = _run()
    assert result.exit_code == 0
    rows = {line.split()[0]: line for line in result.output.splitlines() if line.strip()}
    for rule in BOOK.rules.values():
        assert rule.unit in rows[rule.id]
        assert rule.status in rows[rule.id]
        assert rows[rule.id].endswith(rule.source)
    assert set(BOOK.families) <= set(rows)


@pytest.mark.parametrize("rule_id", ["ladder.stock_ft", "line.clearance_ft", "ground.us_survey_foot_m"])
def test_one_rule_tells_all_that_is_known_of_it(rule_id: str) -> None:
    rule = BOOK[rule_id]
    output = _run(rule_id).output
    for part in (rule.meaning, rule.unit, rule.status, rule.source):
        assert part in output


def test_a_list_is_shown_without_needless_decimals() -> None:
    assert "14, 16, 20, 24, 28, 35 ft" in _run("ladder.stock_ft").output


def test_a_group_lists_its_rules_only() -> None:
    lines = _run("trench").output.splitlines()
    assert [line.split()[0] for line in lines] == ["id", *(i for i in BOOK.rules if i.startswith("trench."))]


def test_a_family_shows_its_caution() -> None:
    family = BOOK.families["panelized_wood"]
    output = _run("panelized_wood").output
    assert family.caution in output
    rows = {line.split()[0]: line for line in output.splitlines() if line.split()}
    for rule in family.figures.values():
        assert rule.source in rows[rule.id]
        assert rule.status in rows[rule.id]
    assert " 20 " in rows["family.panelized_wood.beam_spacing_ft"]
    assert "do_not_cut" in _run("bowstring_truss").output


def test_a_districts_overrides_are_shown_beside_what_they_replace(district: Path) -> None:
    output = _run("trench.lead_ft", "--district", district).output
    assert "40 ft" in output
    assert "instead of 25 ft" in output
    assert "status  department" in output
    listed = _run("--district", district).output.splitlines()
    assert listed[-3:] == [
        f"2 rules overridden in {district}:",
        "  ladder.stock_ft: 16, 24 ft instead of 14, 16, 20, 24, 28, 35",
        "  trench.lead_ft: 40 ft instead of 25",
    ]


def test_an_unknown_rule_is_a_wrong_command_with_the_nearest_one() -> None:
    result = _run("trench.leed_ft")
    assert result.exit_code == 2
    assert "did you mean trench.lead_ft?" in result.stderr
    assert result.stdout == ""


def test_an_override_of_no_rule_is_a_wrong_district_file(district: Path) -> None:
    district.write_text(district.read_text("utf-8").replace("trench.lead_ft", "trench.leed_ft"), "utf-8")
    result = _run("--district", district)
    assert result.exit_code == 2
    assert "trench.leed_ft" in result.stderr


def test_a_district_that_is_not_there_is_a_wrong_command(tmp_path: Path) -> None:
    assert _run("--district", tmp_path / "none.toml").exit_code == 2
