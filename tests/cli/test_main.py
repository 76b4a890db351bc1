"""The command as a whole.

In: the words a person would try first.
Out: help, version, and exit code 2 for what is no command.
"""

from __future__ import annotations

import subprocess
import sys
from importlib.metadata import version

import pytest
from click.testing import CliRunner

import roofplat
from roofplat.cli.main import main
from roofplat.cli.manners import CAUTION

COMMANDS = ["start", "check", "build", "sheet", "rank", "inspect", "serve", "survey", "changes", "rules"]


def test_help_names_every_command_and_carries_the_caution() -> None:
    result = CliRunner().invoke(main, ["--help"])
    assert result.exit_code == 0
    assert list(main.commands) == COMMANDS
    for name in COMMANDS:
        assert name in result.output
    assert CAUTION in " ".join(result.output.split())


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help(name: str) -> None:
    result = CliRunner().invoke(main, [name, "-h"])
    assert result.exit_code == 0
    assert main.commands[name].help
    for parameter in main.commands[name].params:
        if parameter.param_type_name == "option" and parameter.name != "help":
            assert getattr(parameter, "help", None), f"{name} {parameter.name}"


def test_the_version_is_the_installed_one() -> None:
    result = CliRunner().invoke(main, ["--version"])
    assert result.output.strip() == f"roofplat, version {roofplat.__version__}"
    assert version("roofplat") == roofplat.__version__


@pytest.mark.parametrize("words", [["bild"], ["build"], ["check"], ["start"], ["build", "d.toml", "--fast"]])
def test_what_is_no_command_ends_with_exit_code_2(words: list[str]) -> None:
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 2
    assert "Traceback" not in result.output


@pytest.mark.parametrize("command", ["build", "check"])
def test_a_district_file_that_is_not_there_points_to_start(command: str) -> None:
    result = CliRunner().invoke(main, [command, "nowhere/district.toml"])
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert "roofplat start" in result.stderr


def test_help_loads_none_of_the_rooms() -> None:
    """Help that waits seconds for the map libraries is not asked for."""
    code = (
        "import sys\nfrom roofplat.cli.main import main\n"
        "main(['build', '--help'], standalone_mode=False)\n"
        "print(sorted({name.split('.')[1] for name in sys.modules if name.startswith('roofplat.')}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "['cli', 'district', 'errors', 'rules']"
