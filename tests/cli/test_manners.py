"""What reaches the screen, and how errors end.

In: texts with control characters, tables, problems, streams that are terminals and ones that are not.
Out: safe lines, one sentence for an error, the exit codes 0, 1 and 2.
"""

from __future__ import annotations

import errno
import io

import click
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from roofplat.cli.manners import (
    CAUTION,
    Commands,
    Progress,
    exit_code,
    printable,
    say,
    say_problems,
    say_table,
)
from roofplat.errors import CrsError, DistrictFileError, RuleError
from roofplat.publish.files import CAUTION as CAUTION_OF_OUTPUTS
from roofplat.tables import problem_rows


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def _group(fault: BaseException | None) -> click.Group:
    @click.group(cls=Commands)
    def group() -> None:
        pass

    @group.command()
    def work() -> None:
        if fault is not None:
            raise fault
        say("done")

    return group


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        (CrsError("footprints.shp: the layer names no CRS; set crs."), 1),
        (DistrictFileError("d.toml: no such setting; mend it."), 2),
        (RuleError("There is no rule 'x'; list them."), 2),
        (PermissionError(errno.EACCES, "Permission denied", "maps"), 2),
    ],
    ids=lambda value: type(value).__name__,
)
def test_an_error_is_one_sentence_with_its_exit_code(fault: Exception, code: int) -> None:
    result = CliRunner().invoke(_group(fault), ["work"])
    assert result.exit_code == code
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1
    assert result.stderr.startswith("Error: ")
    assert "Traceback" not in result.stderr


def test_a_defect_keeps_its_traceback() -> None:
    result = CliRunner().invoke(_group(ZeroDivisionError("ours")), ["work"])
    assert isinstance(result.exception, ZeroDivisionError)


def test_nothing_wrong_is_exit_code_0() -> None:
    result = CliRunner().invoke(_group(None), ["work"])
    assert (result.exit_code, result.stdout) == (0, "done\n")


def test_an_error_cannot_steer_the_terminal() -> None:
    result = CliRunner().invoke(_group(CrsError("\x1b[2Jroofs\n.gpkg: bad.")), ["work"], color=True)
    assert "\x1b" not in result.stderr
    assert result.stderr == "Error: \\x1b[2Jroofs\\n.gpkg: bad.\n"


@pytest.mark.parametrize(
    "text", ["\x1b[31m", "\x9b1A", "a\rb", "a\nb", "\u202egnp.exe", "\u2028", "\x00", "\x07"]
)
def test_what_could_steer_a_terminal_is_escaped(text: str) -> None:
    shown = printable(text)
    assert shown.isprintable()
    assert "\\" in shown


@given(st.text())
def test_any_text_becomes_printable_and_stays_readable(text: str) -> None:
    shown = printable(text)
    assert not any(ord(character) < 32 or 127 <= ord(character) < 160 for character in shown)
    if text.isprintable():
        assert shown == text


def test_a_screen_that_cannot_show_a_letter_shows_its_escape() -> None:
    group = _group(CrsError("Äußere.gpkg: bad."))
    result = CliRunner(charset="ascii").invoke(group, ["work"])
    assert result.exit_code == 1
    assert "\\xc4u\\xdfere.gpkg" in result.stderr


def test_a_table_lines_up(capsys: pytest.CaptureFixture[str]) -> None:
    say_table(
        pd.DataFrame(
            {
                "layer": ["footprints", "a\x1bb"],
                "read": pd.array([1204, None], dtype="Int64"),
                "share": [0.5, float("nan")],
            }
        )
    )
    assert capsys.readouterr().out.splitlines() == [
        "  layer       read share",
        "  footprints 1,204  0.50",
        "  a\\x1bb",
    ]


def _problems() -> pd.DataFrame:
    return pd.concat(
        [
            problem_rows("roll.csv", ["9"], "unmatched", "warning", "No building.", "Check the key."),
            problem_rows("roofs", range(25), "sliver", "error", "Too small.", "Remove it."),
            problem_rows("roofs", ["b\x1b1"], "duplicate_id", "error", "Twice.", "Renumber."),
        ],
        ignore_index=True,
    )


def test_problems_are_counted_by_code_errors_first(capsys: pytest.CaptureFixture[str]) -> None:
    say_problems(_problems())
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "Problems: 26 errors, 1 warning, 0 notes"
    assert [line.split() for line in lines[1:5]] == [
        ["severity", "layer", "code", "rows"],
        ["error", "roofs", "duplicate_id", "1"],
        ["error", "roofs", "sliver", "25"],
        ["warning", "roll.csv", "unmatched", "1"],
    ]


def test_the_first_errors_of_each_code_are_listed_and_the_rest_counted(
    capsys: pytest.CaptureFixture[str],
) -> None:
    say_problems(_problems())
    listed = [line for line in capsys.readouterr().out.splitlines() if ":" in line][1:]
    assert "  error: roofs 0: Too small. Remove it." in listed
    assert "  error: roofs b\\x1b1: Twice. Renumber." in listed
    assert len(listed) == 20 + 1
    say_problems(_problems())
    assert capsys.readouterr().out.splitlines()[-1] == "  and 5 more errors of these kinds"


def test_every_problem_is_listed_when_asked(capsys: pytest.CaptureFixture[str]) -> None:
    say_problems(_problems(), every=True)
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 1 + 4 + 27
    assert "  warning: roll.csv 9: No building. Check the key." in lines


def test_no_problems_say_so(capsys: pytest.CaptureFixture[str]) -> None:
    say_problems(problem_rows("roofs", [], "sliver", "error", "", ""))
    assert capsys.readouterr().out == "Problems: none\n"


@pytest.mark.parametrize(("severity", "code"), [("error", 1), ("warning", 0), ("info", 0)])
def test_only_errors_change_the_exit_code(severity: str, code: int) -> None:
    assert exit_code(pd.DataFrame({"severity": [severity]})) == code


def test_progress_is_plain_lines_off_a_terminal() -> None:
    stream = io.StringIO()
    with Progress(stream) as progress:
        progress("Reading")
        progress("Placing\x1b")
    assert stream.getvalue() == "Reading\nPlacing\\x1b\n"


def test_progress_redraws_one_line_on_a_terminal_and_cleans_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "30")
    stream = _Terminal()

    def work() -> None:
        with Progress(stream) as progress:
            progress("Reading")
            progress("Placing " + "x" * 100)
            raise ValueError("stop")

    with pytest.raises(ValueError, match="stop"):
        work()
    drawn = stream.getvalue().split("\r\x1b[K")
    assert drawn == ["", "Reading", ("Placing " + "x" * 100)[:29], ""]


def test_the_caution_on_the_screen_is_the_one_in_the_outputs() -> None:
    assert CAUTION_OF_OUTPUTS.startswith(CAUTION)
