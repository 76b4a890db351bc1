"""Options that mean the same everywhere.

In: words of a command line.
Out: values, or exit code 2 with the option named.
"""

from __future__ import annotations

from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from roofplat.cli import options
from roofplat.cli.main import main


@click.command()
@options.wind_from
@options.workers
def _command(wind_from: float | None, workers: int) -> None:
    click.echo(f"{wind_from} {workers}")


def _run(*words: str) -> Result:
    return CliRunner().invoke(_command, words)


@pytest.mark.parametrize(("word", "azimuth"), [("0", "0.0"), ("360", "360.0"), ("22.5", "22.5")])
def test_a_direction_is_degrees_from_north(word: str, azimuth: str) -> None:
    assert _run("--wind-from", word).output == f"{azimuth} 1\n"


@pytest.mark.parametrize("word", ["400", "-1", "west", "nan", "inf", "", "360.0001"])
def test_what_is_no_direction_is_a_wrong_command(word: str) -> None:
    result = _run("--wind-from", word)
    assert result.exit_code == 2
    assert "--wind-from" in result.stderr
    assert "0 to 360" in result.stderr


@given(st.floats(0, 360))
def test_every_direction_is_taken_as_it_is(azimuth: float) -> None:
    assert _run("--wind-from", repr(azimuth)).output == f"{azimuth} 1\n"


@pytest.mark.parametrize("word", ["0", "-2", "many", "1.5", "100000"])
def test_what_is_no_number_of_workers_is_a_wrong_command(word: str) -> None:
    result = _run("--workers", word)
    assert result.exit_code == 2
    assert "--workers" in result.stderr


def test_workers_are_threads() -> None:
    help_text = _run("--help").output
    assert "Threads" in help_text
    assert "Process" not in help_text


def test_left_out_they_leave_the_choice_to_the_district() -> None:
    assert _run().output == "None 1\n"


@pytest.mark.parametrize(
    "words", [("check",), ("build",), ("sheet", "--area", "x"), ("rank",), ("survey", "out"),
              ("survey", "keep"), ("changes", "--since", "2026-01-01"), ("rules", "--district"), ("serve",),
              ("inspect", "--from", "2026-01-01", "--days", "1")], ids=" ".join,
)  # fmt: skip
def test_every_command_asks_before_a_district_file_leads_out_of_its_folder(
    tmp_path: Path, words: tuple[str, ...]
) -> None:
    folder = tmp_path / "inside"
    folder.mkdir()
    file = folder / "district.toml"
    file.write_text("[district]\nname = 'x'\n[footprints]\nfile = '../roofs.gpkg'\n", "utf-8")
    words = (*words, str(file))
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 2
    assert "--allow-outside" in result.stderr
    # Allowed, it is told what else is wrong: there is no such file.
    allowed = CliRunner().invoke(main, (*words, "--allow-outside"))
    assert "--allow-outside" not in allowed.output
