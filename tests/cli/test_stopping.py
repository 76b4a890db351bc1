"""A stop gets through wherever it comes, and nobody reads of what Python threw away.

In: commands that are at work in a destructor, in the callback of a weak reference, in code that lets nothing
    through, or that tidy up, when a signal comes.
Out: the sentence and the exit code of the signal, each time, at once or when the command next can be stopped.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
import weakref
from collections.abc import Callable, Iterator
from typing import Any

import click
import pytest
from click.testing import CliRunner

from roofplat.cli.manners import Commands, say
from roofplat.cli.stopping import Stopped, Stops, stoppable

pytestmark = pytest.mark.skipif(not hasattr(signal, "setitimer"), reason="signals are those of POSIX")
# On a machine that does much else; what waits for a stop that never comes has to end too.
PATIENCE_S = 60.0


def ask(number: int = signal.SIGINT) -> None:
    """Send this process a signal; Python takes it at the next step of whoever called."""
    os.kill(os.getpid(), number)


def wait() -> None:
    """Work on until somebody stops it."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        time.sleep(0.01)


def run(work: Callable[[], Any]) -> Any:
    """Run a command that does this."""

    @click.group(cls=Commands)
    def group() -> None:
        pass

    group.command("work")(work)
    return CliRunner().invoke(group, ["work"])


def in_a_destructor() -> None:
    class Held:
        def __del__(self) -> None:
            ask()
            sum(range(10))

    held = Held()
    del held


def in_a_callback() -> None:
    class Held:
        pass

    def called(reference: object) -> None:
        ask()
        sum(range(10))

    held = Held()
    reference = weakref.ref(held, called)
    del held
    assert reference() is None


def in_what_lets_nothing_through() -> None:
    try:
        ask()
        sum(range(10))
    except BaseException:
        pass


def in_a_sort() -> None:
    """As a library in C that asks Python and forgets the answer's error."""
    with contextlib.suppress(BaseException):
        sorted([2, 1], key=lambda one: (ask(), sum(range(10)), one))


@pytest.mark.parametrize("place", [in_a_destructor, in_a_callback, in_what_lets_nothing_through, in_a_sort])
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_stop_is_not_lost_where_python_throws_it_away(
    place: Callable[[], None], number: signal.Signals, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(globals(), "ask", lambda: os.kill(os.getpid(), number))
    complaints: list[Any] = []
    monkeypatch.setattr(sys, "unraisablehook", complaints.append)
    reached: list[str] = []

    def work() -> None:
        place()
        reached.append("the stop was thrown away")
        wait()
        reached.append("and never came again")

    result = run(work)
    assert result.exit_code == 128 + number
    assert result.stderr.startswith("Error: The command was stopped before it was done")
    assert result.stderr.count("\n") == 1
    assert reached == ["the stop was thrown away"]
    assert complaints == []


def test_a_stop_that_no_call_lets_through_is_told_at_the_end() -> None:
    """The work may be done by then; the exit code says that somebody asked to stop."""

    def work() -> None:
        in_what_lets_nothing_through()
        say("done")

    result = run(work)
    assert (result.exit_code, result.stdout) == (130, "done\n")
    assert result.stderr.startswith("Error: The command was stopped")


def test_what_tidies_up_is_left_to_end() -> None:
    """Also from a second signal of the impatient, and where another error is handled on the way."""
    tidied = []

    def work() -> None:
        try:
            ask()
            wait()
        finally:
            with contextlib.suppress(OSError):
                os.stat("/no/such/file")  # noqa: PTH116
            ask()
            time.sleep(0.5)
            try:
                raise ValueError("on the way")
            except ValueError:
                time.sleep(0.5)
            tidied.append(True)

    result = run(work)
    assert result.exit_code == 130
    assert tidied == [True]
    assert result.stderr.count("\n") == 1


def test_what_is_held_by_a_with_is_let_go_of_in_peace() -> None:
    let_go = []

    @contextlib.contextmanager
    def held() -> Iterator[None]:
        try:
            yield
        finally:
            time.sleep(0.5)
            let_go.append(True)

    def work() -> None:
        with contextlib.ExitStack() as stack:
            stack.enter_context(held())
            ask()
            wait()

    assert run(work).exit_code == 130
    assert let_go == [True]


def test_a_stop_that_a_library_calls_by_another_name_is_a_stop() -> None:
    def work() -> None:
        try:
            ask()
            wait()
        except BaseException as error:
            raise OSError("the disk said so") from error

    result = run(work)
    assert result.exit_code == 130
    assert "stopped" in result.stderr


def test_what_others_complain_of_is_still_heard(monkeypatch: pytest.MonkeyPatch) -> None:
    complaints: list[Any] = []
    monkeypatch.setattr(sys, "unraisablehook", complaints.append)

    class Faulty:
        def __del__(self) -> None:
            raise ValueError("ours")

    def work() -> None:
        held = Faulty()
        del held

    assert run(work).exit_code == 0
    assert [complaint.exc_type for complaint in complaints] == [ValueError]


def test_all_is_as_before_when_a_command_is_over() -> None:
    before = [signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM, signal.SIGALRM)]
    hook = sys.unraisablehook
    assert run(wait_for(ask)).exit_code == 130
    assert [signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM, signal.SIGALRM)] == before
    assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)
    assert sys.unraisablehook is hook


def wait_for(first: Callable[[], None]) -> Callable[[], None]:
    def work() -> None:
        first()
        wait()

    return work


def test_what_was_turned_off_stays_so() -> None:
    """As `nohup` does it."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        assert run(lambda: ask(signal.SIGHUP)).exit_code == 0
    finally:
        signal.signal(signal.SIGHUP, before)


def test_a_stop_that_comes_before_the_block_stops_it_at_its_start() -> None:
    with stoppable() as stops:
        ask()
        sum(range(10))
        with pytest.raises(Stopped), stops:
            raise AssertionError("the block has begun")
        assert stops.came == [signal.SIGINT]


def test_another_thread_takes_no_signals() -> None:
    seen: list[Stops] = []

    def look() -> None:
        with stoppable() as stops, stops:
            seen.append(stops)

    before = signal.getsignal(signal.SIGINT)
    thread = threading.Thread(target=look)
    thread.start()
    thread.join()
    assert seen[0].came == []
    assert signal.getsignal(signal.SIGINT) is before
