"""How the commands behave: what reaches the screen, how errors end, which exit code.

In: texts from the program and from data, tables of counts and problems, exceptions.
Out: lines that a terminal can show safely, and exit codes.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import signal
import sys
import unicodedata
import warnings
from collections.abc import Iterator
from numbers import Integral
from types import TracebackType
from typing import IO, Any

import click
import pandas as pd

from roofplat.cli.entry import SIGNALLED, STOPPED
from roofplat.cli.stopping import Stopped, Stops, stoppable
from roofplat.errors import RoofplatError

__all__ = [
    "CAUTION",
    "Commands",
    "Progress",
    "exit_code",
    "printable",
    "say",
    "say_problems",
    "say_table",
]

# The first sentences of the caution that the outputs carry; said here too, so that help loads no room.
CAUTION = (
    "An aid for pre-incident planning and training. What is found on arrival, the department's "
    "procedures and the local code outrank it."
)
# Control, format (bidirectional overrides), surrogate, line and paragraph separators.
_UNPRINTABLE = {"Cc", "Cf", "Cs", "Zl", "Zp"}
_LISTED_PER_CODE = 20
# Of an error's sentence: it may quote a name of any length.
_LONGEST, _LAST = 1_000, 200
# As a shell counts a program whose reader has gone.
_NOBODY_LISTENS = SIGNALLED + 13
# Most serious first: what one is called, and what several are.
_SEVERITIES = {"error": ("error", "errors"), "warning": ("warning", "warnings"), "info": ("note", "notes")}


class Commands(click.Group):
    """A group whose commands turn every error of the user's into one sentence."""

    def main(self, *args: Any, **said: Any) -> Any:
        """Run the command line; also help that cannot be written ends in a sentence."""
        try:
            return super().main(*args, **said)
        except OSError as error:
            _silence(sys.stdout)
            _write(f"Error: {_unheard(error)}", sys.stderr)
            sys.exit(2)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; no traceback for what a user can cause."""
        with stoppable() as stops, _hushed():
            try:
                with stops:
                    answer = super().invoke(ctx)
            except (Stopped, KeyboardInterrupt):
                raise _stopped(stops) from None
            except RoofplatError as error:
                # Where a library was at work when the signal came, it may call it by another name.
                if stops.came:
                    raise _stopped(stops) from None
                raise _Sentence(str(error), error.exit_code) from None
            except OSError as error:
                if stops.came:
                    raise _stopped(stops) from None
                what = "A file" if error.filename is None else error.filename
                sentence = (
                    f"{what} cannot be used ({error.strerror or error}); "
                    "check its name, its rights and the free space."
                )
                raise _Sentence(sentence, 2) from None
            except MemoryError:
                sentence = (
                    "There is not enough memory for this; give the machine more, or build in smaller tiles "
                    "with --tile-buildings."
                )
                raise _Sentence(sentence, 2) from None
            except Exception:
                if stops.came:
                    raise _stopped(stops) from None
                raise
            if stops.came:
                # It came with the last line, or in the last call that lets nothing through.
                raise _stopped(stops)
            return answer


def _stopped(stops: Stops) -> _Sentence:
    return _Sentence(STOPPED, SIGNALLED + (stops.came or [signal.SIGINT])[0])


@contextlib.contextmanager
def _hushed() -> Iterator[None]:
    """Print no library's warning: what a reader of the data has to know is a row of the problems."""
    with warnings.catch_warnings():
        # Not a filter: where warnings are made errors, they stay errors.
        warnings.showwarning = lambda *_, **__: None
        yield


class _Sentence(click.ClickException):
    def __init__(self, message: str, code: int) -> None:
        cut = len(message) > _LONGEST
        super().__init__(f"{message[: _LONGEST - _LAST]} ... {message[-_LAST:]}" if cut else message)
        # A class variable in click's types; click itself sets it on instances.
        setattr(self, "exit_code", code)  # noqa: B010

    def show(self, file: IO[Any] | None = None) -> None:
        _write(f"Error: {self.message}", file or sys.stderr)


class Progress:
    """What a long command is doing: one line redrawn on a terminal, plain lines elsewhere.

    Examples
    --------
    >>> with Progress(sys.stdout) as progress:
    ...     progress("Reading footprints")
    ...     progress("Placing ladders")
    Reading footprints
    Placing ladders
    """

    def __init__(self, stream: IO[str] | None = None) -> None:
        self._stream = stream or sys.stderr
        self._redraws = self._stream.isatty()

    def __call__(self, line: str) -> None:
        """Show a line."""
        if not self._redraws:
            _write(line, self._stream)
            return
        # The line must not wrap, or it could not be redrawn.
        width = max(20, shutil.get_terminal_size().columns - 1)
        _put("\r\x1b[K" + _encodable(printable(line), self._stream)[:width], self._stream)

    def __enter__(self) -> Progress:
        """Start showing."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave a clean line behind, whatever happened."""
        if self._redraws:
            _put("\r\x1b[K", self._stream)


def printable(value: object) -> str:
    r"""Return text that cannot steer a terminal: what is not printable becomes its escape.

    Examples
    --------
    >>> print(printable("Mill \x1b[31mShed\nB"))
    Mill \x1b[31mShed\nB
    >>> printable("Äußere Halle 7")
    'Äußere Halle 7'
    """
    return "".join(
        character.encode("unicode_escape").decode("ascii")
        if unicodedata.category(character) in _UNPRINTABLE
        else character
        for character in str(value)
    )


def say(line: object = "") -> None:
    """Print one line of a command's answer."""
    _write(str(line), sys.stdout)


def say_table(frame: pd.DataFrame) -> None:
    """Print a small table: numbers to the right, words to the left, the header first.

    Parameters
    ----------
    frame
        Plain columns; missing values are left blank.

    Examples
    --------
    >>> say_table(pd.DataFrame({"layer": ["footprints", "areas"], "read": [1204, 3]}))
      layer       read
      footprints 1,204
      areas          3
    """
    cells = [[str(name) for name in frame.columns]]
    cells += [[_cell(value) for value in row] for row in frame.itertuples(index=False, name=None)]
    widths = [max(len(row[column]) for row in cells) for column in range(len(frame.columns))]
    right = [pd.api.types.is_numeric_dtype(frame.dtypes.iloc[column]) for column in range(len(frame.columns))]
    for row in cells:
        padded = (
            text.rjust(width) if to_the_right else text.ljust(width)
            for text, width, to_the_right in zip(row, widths, right, strict=True)
        )
        say("  " + " ".join(padded).rstrip())


def say_problems(problems: pd.DataFrame, *, every: bool = False) -> None:
    """Print the problems: how many of each code, then the errors themselves.

    Parameters
    ----------
    problems
        `tables.TABLES["problems"]`.
    every
        List every row; otherwise the first errors of each code.
    """
    if problems.empty:
        say("Problems: none")
        return
    totals = {name: int(problems["severity"].eq(name).sum()) for name in _SEVERITIES}
    say(
        "Problems: "
        + ", ".join(f"{total:,} {_SEVERITIES[name][total != 1]}" for name, total in totals.items())
    )
    order = {name: place for place, name in enumerate(_SEVERITIES)}
    codes = (
        problems.groupby(["severity", "layer", "code"], dropna=False, sort=True)
        .size()
        .rename("rows")
        .reset_index()
        .sort_values("severity", key=lambda column: column.map(order), kind="stable")
    )
    say_table(codes)
    listed = problems if every else problems[problems["severity"] == "error"]
    shown = listed if every else listed.groupby(["layer", "code"], dropna=False).head(_LISTED_PER_CODE)
    for row in shown.itertuples(index=False):
        where = " ".join(_cell(part) for part in (row.layer, row.feature) if _cell(part))
        # A fault of a whole layer names it itself.
        start = "" if str(row.message).startswith(f"{row.layer}:") else f"{where}: "
        say(f"  {row.severity}: {start}{row.message} {row.action}")
    if len(listed) > len(shown):
        say(f"  and {len(listed) - len(shown):,} more errors of these kinds")


def exit_code(problems: pd.DataFrame) -> int:
    """Return 1 where the data has errors, else 0.

    Examples
    --------
    >>> exit_code(pd.DataFrame({"severity": ["warning", "error"]}))
    1
    >>> exit_code(pd.DataFrame({"severity": ["info"]}))
    0
    """
    return int(problems["severity"].eq("error").any())


def _cell(value: object) -> str:
    if value is None or value is pd.NA or value is pd.NaT or value != value:
        return ""
    if isinstance(value, Integral) and not isinstance(value, bool):
        return f"{int(value):,}"
    if isinstance(value, float):
        return f"{value:,.0f}" if value.is_integer() else f"{value:,.2f}"
    return printable(value)


def _write(line: str, stream: IO[Any]) -> None:
    _put(_encodable(printable(line), stream) + "\n", stream)


def _put(text: str, stream: IO[Any]) -> None:
    try:
        click.echo(text, file=stream, nl=False)
    except OSError as error:
        _silence(stream)
        if stream is not sys.stdout:
            # Work is not lost because nobody reads of its progress.
            return
        if error.errno == errno.EPIPE:
            raise click.exceptions.Exit(_NOBODY_LISTENS) from None
        raise _Sentence(_unheard(error), 2) from None


def _unheard(error: OSError) -> str:
    return (
        f"The answer cannot be written ({error.strerror or error}); make room where it goes to, or send it "
        "elsewhere."
    )


def _silence(stream: IO[Any]) -> None:
    """Let what is still to be written to a stream vanish: the interpreter would complain at its end."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


def _encodable(text: str, stream: IO[Any]) -> str:
    """Return the text without what the stream's encoding cannot hold."""
    encoding = getattr(stream, "encoding", None) or "utf-8"
    return text.encode(encoding, "backslashreplace").decode(encoding)
