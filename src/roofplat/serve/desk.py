"""The planning desk: one thread of a server process plans whatever questions wait, all in one call.

In: questions from many request threads; a way to open the district's stock.
Out: for each the plan, its text, and how long it took; or why there is none.

Planning works on whole arrays, so five questions cost little more together than one alone. The desk holds
what a server has to keep between requests: the open stock, the framings of buildings asked for last, the
questions that wait. It opens the stock anew when another build has taken its place.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import CancelledError, Future
from concurrent.futures import TimeoutError as OutOfTime
from dataclasses import dataclass, field
from pathlib import Path

from roofplat.errors import LayerError, RoofplatError
from roofplat.pipeline.scenarios import Answer, Planner, Scenario
from roofplat.publish.stock import FileStock, Stock, StockSetting
from roofplat.serve.answer import AnswerWriter

__all__ = ["Desk", "DeskBusyError", "DeskLateError", "Reply", "desk_of"]

# Questions planned in one call: more would let the first of them wait for the last.
_MOST_TOGETHER = 12
# Those who have just been answered ask again within moments. While several ask, the next call waits this long
# for them at most: two half-full calls one after the other would take each of them nearly twice as long.
_GATHER_S = 0.008
_log = logging.getLogger(__name__)


class DeskBusyError(RoofplatError):
    """More questions wait than may."""


class DeskLateError(RoofplatError):
    """A question waited longer than it may."""


@dataclass(frozen=True, slots=True)
class Reply:
    """What a question comes to.

    answer
        The plan; shared by all who asked the same at the same time, so nobody changes it.
    setting
        What held for the district when it was planned.
    text
        The plan as GeoJSON.
    wait_ms, plan_ms, write_ms
        How long the question waited for the desk, how long the call took that planned it, and how long
        the text took to write; by the clock.
    together
        Questions planned in that call.
    """

    answer: Answer
    setting: StockSetting
    text: bytes
    wait_ms: float
    plan_ms: float
    write_ms: float
    together: int


@dataclass(slots=True)
class _Ticket:
    """A question that waits, and everyone who waits for it."""

    scenario: Scenario
    arrived_s: float
    latest_s: float
    future: Future[Reply] = field(default_factory=Future)


class Desk:
    """Plans what is asked, one batch after the other, in a thread of its own.

    Parameters
    ----------
    open_stock
        Opens the district; called again when another build has taken its place.
    plan_seconds
        How long a question waits for its plan.
    waiting_plans
        Questions that wait at once.
    kept_roofs
        Framed buildings that are kept at hand.
    """

    def __init__(
        self,
        open_stock: Callable[[], Stock],
        *,
        plan_seconds: float = 10.0,
        waiting_plans: int = 64,
        kept_roofs: int = 256,
    ) -> None:
        self._open_stock = open_stock
        self._plan_seconds = plan_seconds
        self._most_waiting = waiting_plans
        self._kept = kept_roofs
        self._waiting: dict[Scenario, _Ticket] = {}
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None
        self._closed = False
        # Of the desk's thread alone.
        self._stock: Stock | None = None
        self._planner: Planner | None = None
        self._writer: AnswerWriter | None = None

    def ask(self, scenario: Scenario) -> Reply:
        """Wait for the plan of a scenario.

        Parameters
        ----------
        scenario
            What is asked; those who ask the same while it waits share one reply.

        Returns
        -------
        Reply

        Raises
        ------
        DeskBusyError
            As many questions wait as may.
        DeskLateError
            It was not planned in time.
        LayerError
            The district cannot be read now.
        RoofplatError
            There is no such building, or the fire spot is not in it.
        """
        now = time.monotonic()
        with self._changed:
            if self._closed:
                raise DeskBusyError("The service is being stopped; ask again when it runs.")
            ticket = self._waiting.get(scenario)
            if ticket is None:
                if len(self._waiting) >= self._most_waiting:
                    raise DeskBusyError("Too many questions wait for their plans; ask again in a moment.")
                ticket = self._waiting[scenario] = _Ticket(scenario, now, now + self._plan_seconds)
                self._changed.notify()
            ticket.latest_s = now + self._plan_seconds
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name="planning desk", daemon=True)
                self._thread.start()
        try:
            return ticket.future.result(self._plan_seconds)
        except (OutOfTime, CancelledError):
            raise DeskLateError(
                f"The plan was not ready within {self._plan_seconds:g} s; ask again in a moment."
            ) from None

    def close(self) -> None:
        """Let the thread end; questions that wait are turned away."""
        with self._changed:
            self._closed = True
            for ticket in self._waiting.values():
                ticket.future.set_exception(
                    DeskBusyError("The service is being stopped; ask again when it runs.")
                )
            self._waiting.clear()
            self._changed.notify()
        if self._thread is not None:
            self._thread.join()

    def _work(self) -> None:
        """Answer batch after batch; what comes while one is planned is the next."""
        asking = 0
        while True:
            with self._changed:
                if asking > 1:
                    self._gather(asking)
                while not self._waiting and not self._closed:
                    self._changed.wait()
                if self._closed:
                    break
            batch = self._take()
            if batch:
                self._answer(batch)
            # As many as have been answered, and those who came meanwhile.
            with self._changed:
                asking = min(len(batch) + len(self._waiting), _MOST_TOGETHER)
        self._let_go()

    def _gather(self, asking: int) -> None:
        """Wait a moment until as many wait as have been asking."""
        self._changed.wait_for(lambda: len(self._waiting) >= asking or self._closed, _GATHER_S)

    def _take(self) -> list[_Ticket]:
        """The questions that have waited longest; those that nobody waits for any more are dropped."""
        now = time.monotonic()
        batch: list[_Ticket] = []
        with self._changed:
            for ticket in list(self._waiting.values()):
                if len(batch) == _MOST_TOGETHER:
                    break
                del self._waiting[ticket.scenario]
                if ticket.latest_s < now:
                    ticket.future.cancel()
                else:
                    batch.append(ticket)
        return batch

    def _answer(self, batch: Sequence[_Ticket]) -> None:
        """Plan some questions; one that cannot be planned does not take the others down."""
        started = time.monotonic()
        was_open = self._stock is not None
        try:
            planner, setting, writer = self._ready()
            found = planner.plan([ticket.scenario for ticket in batch])
        except LayerError as fault:
            self._unread(batch, fault, again=was_open)
            return
        except Exception as fault:
            if len(batch) > 1:
                for ticket in batch:
                    self._answer([ticket])
                return
            if not isinstance(fault, RoofplatError):
                _log.exception("No plan could be made for %r", batch[0].scenario)
            batch[0].future.set_exception(fault)
            return
        planned = time.monotonic()
        unread: list[_Ticket] = []
        good: list[tuple[_Ticket, Answer]] = []
        for ticket, answer in zip(batch, found, strict=True):
            if isinstance(answer, LayerError):
                unread.append(ticket)
            elif isinstance(answer, RoofplatError):
                ticket.future.set_exception(answer)
            else:
                good.append((ticket, answer))
        texts = writer.write([answer for _, answer in good])
        for ticket, answer in good:
            begun = time.monotonic()
            try:
                text = next(texts)
            except Exception as fault:
                _log.exception("No plan could be written for %r", ticket.scenario)
                ticket.future.set_exception(fault)
                continue
            reply = Reply(
                answer=answer,
                setting=setting,
                text=text,
                wait_ms=1000.0 * (started - ticket.arrived_s),
                plan_ms=1000.0 * (planned - started),
                write_ms=1000.0 * (time.monotonic() - begun),
                together=len(batch),
            )
            ticket.future.set_result(reply)
        faults = [answer for answer in found if isinstance(answer, LayerError)]
        if faults:
            self._unread(unread, faults[0], again=was_open)

    def _unread(self, batch: Sequence[_Ticket], fault: LayerError, *, again: bool) -> None:
        """The stock cannot be read: it is opened anew once, for it may have been replaced or gone away."""
        self._let_go()
        if again:
            self._answer(batch)
            return
        _log.warning("%s", fault)
        for ticket in batch:
            ticket.future.set_exception(fault)

    def _ready(self) -> tuple[Planner, StockSetting, AnswerWriter]:
        """The planner and the writer of the build that is there now."""
        if self._stock is not None and not self._stock.fresh():
            self._let_go()
        if self._stock is None or self._planner is None or self._writer is None:
            self._stock = self._open_stock()
            self._planner = Planner(self._stock, keep=self._kept)
            self._writer = AnswerWriter(self._stock.setting, keep=self._kept)
        return self._planner, self._stock.setting, self._writer

    def _let_go(self) -> None:
        stock, self._stock, self._planner, self._writer = self._stock, None, None, None
        if stock is not None:
            stock.close()


_desks: dict[tuple[object, ...], Desk] = {}
_opening = threading.Lock()


def desk_of(
    folder: Path,
    database: str | None,
    *,
    plan_seconds: float,
    waiting_plans: int,
    kept_roofs: int,
    query_seconds: float,
) -> Desk:
    """The desk of this process for a build; the same for the same arguments.

    Parameters
    ----------
    folder
        Of the build.
    database
        `postgresql://...` where the district is read from a database instead.
    plan_seconds, waiting_plans, kept_roofs
        As for `Desk`.
    query_seconds
        How long one look into a database may take.
    """
    key = (folder, database, plan_seconds, waiting_plans, kept_roofs, query_seconds)
    with _opening:
        if key not in _desks:
            _desks[key] = Desk(
                lambda: open_stock(folder, database, query_seconds=query_seconds),
                plan_seconds=plan_seconds,
                waiting_plans=waiting_plans,
                kept_roofs=kept_roofs,
            )
        return _desks[key]


def open_stock(folder: Path, database: str | None = None, *, query_seconds: float = 10.0) -> Stock:
    """Open what the planning of a district needs: the file of a build, or a database.

    Parameters
    ----------
    folder, database, query_seconds
        As for `desk_of`.

    Raises
    ------
    LayerError
        It cannot be read.
    """
    if database is None:
        return FileStock.open(folder / "planner.gpkg")
    # Here and not above: who reads files does not wait for what reads databases.
    from roofplat.publish.database import read_address
    from roofplat.publish.database_stock import DatabaseStock

    return DatabaseStock.open(read_address(database), query_seconds=query_seconds)
