"""The planning desk: who waits, who shares, who is turned away, and what a fault does to the others."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import pytest
from tests.serve.conftest import DEMO

from roofplat.district import read_district
from roofplat.errors import DistrictFileError, LayerError
from roofplat.pipeline import build
from roofplat.pipeline.scenarios import Scenario
from roofplat.publish.stock import Stock
from roofplat.serve.desk import Desk, DeskBusyError, DeskLateError, Reply, desk_of, open_stock

IDS = [f"MB-{number:04d}" for number in range(1, 13)]


class Gate:
    """Opens the stock of a build, but not before it is told to."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.waited_at = threading.Event()
        self.opened = threading.Event()
        self.times = 0

    def __call__(self) -> Stock:
        self.times += 1
        self.waited_at.set()
        assert self.opened.wait(60.0)
        return open_stock(self.folder)


@pytest.fixture
def pool() -> Iterator[ThreadPoolExecutor]:
    with ThreadPoolExecutor(32) as made:
        yield made


@pytest.fixture
def desk(demo_build: Path) -> Iterator[Desk]:
    made = Desk(lambda: open_stock(demo_build), plan_seconds=60.0)
    yield made
    made.close()


@pytest.fixture
def gated(demo_build: Path) -> Iterator[Callable[..., tuple[Desk, Gate]]]:
    """Makes desks that do nothing before their gate is opened."""
    made: list[tuple[Desk, Gate]] = []

    def make(**settings: float) -> tuple[Desk, Gate]:
        gate = Gate(demo_build)
        made.append((Desk(gate, **{"plan_seconds": 60.0, **settings}), gate))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for one, gate in made:
        gate.opened.set()
        one.close()


def ask_first(pool: ThreadPoolExecutor, desk: Desk, gate: Gate, name: str = "MB-0001") -> Future[Reply]:
    """A question that the desk has taken and cannot answer yet: whatever comes now waits."""
    first = pool.submit(desk.ask, Scenario(name))
    assert gate.waited_at.wait(60.0)
    return first


def waiting(desk: Desk, count: int) -> None:
    """Until so many questions wait."""
    for _ in range(6000):
        if len(desk._waiting) == count:
            return
        threading.Event().wait(0.01)
    raise AssertionError(f"{len(desk._waiting)} questions wait, not {count}.")


def test_questions_that_wait_are_planned_together_and_answered_as_if_alone(
    desk: Desk, gated: Callable[..., tuple[Desk, Gate]], pool: ThreadPoolExecutor
) -> None:
    crowd, gate = gated()
    first = ask_first(pool, crowd, gate)
    asked = [Scenario(name, wind_from_deg=30.0 * place) for place, name in enumerate(IDS)]
    # Two of one building as well.
    asked.append(Scenario(IDS[3], wind_from_deg=200.0))
    others = [pool.submit(crowd.ask, one) for one in asked]
    waiting(crowd, len(asked))
    gate.opened.set()
    assert first.result().together == 1
    replies = [one.result() for one in others]
    assert max(reply.together for reply in replies) == 12
    assert [reply.answer.scenario for reply in replies] == asked
    assert [reply.text for reply in replies] == [desk.ask(one).text for one in asked]


def test_who_asks_the_same_while_it_waits_shares_the_reply(
    gated: Callable[..., tuple[Desk, Gate]], pool: ThreadPoolExecutor
) -> None:
    desk, gate = gated()
    ask_first(pool, desk, gate)
    same = [pool.submit(desk.ask, Scenario("MB-0002", wind_from_deg=90.0)) for _ in range(5)]
    waiting(desk, 1)
    other = pool.submit(desk.ask, Scenario("MB-0002", wind_from_deg=91.0))
    waiting(desk, 2)
    gate.opened.set()
    replies = [one.result() for one in same]
    assert len({id(reply) for reply in replies}) == 1
    assert other.result() is not replies[0]


def test_a_full_desk_turns_away_and_goes_on(
    gated: Callable[..., tuple[Desk, Gate]], pool: ThreadPoolExecutor
) -> None:
    desk, gate = gated(waiting_plans=2)
    first = ask_first(pool, desk, gate)
    others = [pool.submit(desk.ask, Scenario(name)) for name in IDS[1:3]]
    waiting(desk, 2)
    with pytest.raises(DeskBusyError, match="ask again in a moment"):
        desk.ask(Scenario("MB-0004"))
    # The same question needs no place of its own.
    again = pool.submit(desk.ask, Scenario("MB-0002"))
    gate.opened.set()
    assert all(one.result().text for one in [first, *others, again])
    assert desk.ask(Scenario("MB-0004")).text


def test_nobody_waits_longer_than_stated_and_what_nobody_waits_for_is_not_planned(
    gated: Callable[..., tuple[Desk, Gate]], pool: ThreadPoolExecutor
) -> None:
    desk, gate = gated(plan_seconds=0.3)
    first = ask_first(pool, desk, gate)
    late = pool.submit(desk.ask, Scenario("MB-0002"))
    for one in (first, late):
        with pytest.raises(DeskLateError, match=r"not ready within 0\.3 s"):
            one.result()
    ticket = desk._waiting[Scenario("MB-0002")]
    gate.opened.set()
    for _ in range(6000):
        if ticket.future.done():
            break
        threading.Event().wait(0.01)
    assert ticket.future.cancelled()


def test_what_cannot_be_planned_does_not_take_the_others_down(
    gated: Callable[..., tuple[Desk, Gate]],
    pool: ThreadPoolExecutor,
    caplog: pytest.LogCaptureFixture,
) -> None:
    desk, gate = gated()
    ask_first(pool, desk, gate)
    # No request can name such a method: it stands for a defect of ours, met in the midst of a batch.
    broken = pool.submit(desk.ask, Scenario("MB-0002", method="chop"))
    strange = pool.submit(desk.ask, Scenario("MB-0000"))
    outside = pool.submit(desk.ask, Scenario("MB-0003", fire=(0.0, 0.0)))
    good = [pool.submit(desk.ask, Scenario(name)) for name in IDS[3:6]]
    waiting(desk, 6)
    gate.opened.set()
    assert all(one.result().text for one in good)
    with pytest.raises(DistrictFileError, match="There is no building 'MB-0000'"):
        strange.result()
    with pytest.raises(DistrictFileError, match="does not lie in building 'MB-0003'"):
        outside.result()
    with pytest.raises(ValueError, match="chop"):
        broken.result()
    assert "No plan could be made for Scenario(building_id='MB-0002'" in caplog.text
    assert desk.ask(Scenario("MB-0002")).text


def test_another_build_is_seen_by_the_next_question(
    demo_build: Path, tmp_path: Path, pool: ThreadPoolExecutor
) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    shutil.copy(demo_build / "planner.gpkg", folder)
    desk = Desk(lambda: open_stock(folder), plan_seconds=60.0)
    before = desk.ask(Scenario("MB-0001"))
    build(read_district(DEMO), out=tmp_path / "next", wind_from_deg=10.0)
    (tmp_path / "next" / "planner.gpkg").replace(folder / "planner.gpkg")
    after = desk.ask(Scenario("MB-0001"))
    assert before.setting.build != after.setting.build
    assert after.answer.tables["sections"]["wind_from_deg"].dropna().unique().tolist() == [10.0]
    desk.close()


def test_a_stock_that_is_gone_is_said_and_one_that_is_back_is_used(demo_build: Path, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    desk = Desk(lambda: open_stock(folder), plan_seconds=60.0)
    with pytest.raises(LayerError, match="roofplat build"):
        desk.ask(Scenario("MB-0001"))
    folder.mkdir()
    shutil.copy(demo_build / "planner.gpkg", folder)
    assert desk.ask(Scenario("MB-0001")).text
    (folder / "planner.gpkg").unlink()
    with pytest.raises(LayerError, match="roofplat build"):
        desk.ask(Scenario("MB-0001"))
    (folder / "planner.gpkg").write_bytes(b"SQLite format 3\0 and then rubbish" * 100)
    with pytest.raises(LayerError, match="build it again"):
        desk.ask(Scenario("MB-0001"))
    shutil.copy(demo_build / "planner.gpkg", folder)
    assert desk.ask(Scenario("MB-0001")).text
    desk.close()


def test_a_desk_that_closes_turns_away(
    gated: Callable[..., tuple[Desk, Gate]], pool: ThreadPoolExecutor
) -> None:
    desk, gate = gated()
    first = ask_first(pool, desk, gate)
    waits = pool.submit(desk.ask, Scenario("MB-0002"))
    waiting(desk, 1)
    closing = pool.submit(desk.close)
    with pytest.raises(DeskBusyError, match="being stopped"):
        waits.result()
    gate.opened.set()
    closing.result()
    assert first.result().text
    with pytest.raises(DeskBusyError, match="being stopped"):
        desk.ask(Scenario("MB-0002"))


def test_one_process_has_one_desk_for_a_build(demo_build: Path) -> None:
    settings = {"plan_seconds": 60.0, "waiting_plans": 8, "kept_roofs": 4, "query_seconds": 5.0}
    one = desk_of(demo_build, None, **settings)
    assert desk_of(demo_build, None, **settings) is one
    assert desk_of(demo_build, None, **{**settings, "kept_roofs": 5}) is not one
    assert one.ask(Scenario("MB-0001")).text
    one.close()


@pytest.mark.database
def test_a_database_gives_the_same_plans_as_the_files_of_the_same_build(demo_database: tuple) -> None:
    database, folder = demo_database
    there = Desk(lambda: open_stock(folder, database.url), plan_seconds=60.0)
    here = Desk(lambda: open_stock(folder), plan_seconds=60.0)
    for name in IDS[:4]:
        asked = Scenario(name, wind_from_deg=45.0)
        assert there.ask(asked).text == here.ask(asked).text
    there.close()
    here.close()


@pytest.mark.database
def test_a_database_that_goes_away_and_comes_back_needs_no_new_desk(demo_database: tuple) -> None:
    database, folder = demo_database
    desk = Desk(lambda: open_stock(folder, database.url, query_seconds=5.0), plan_seconds=60.0)
    before = desk.ask(Scenario("MB-0001")).text
    database.server.stop()
    try:
        for _ in range(2):
            with pytest.raises(LayerError, match="cannot be reached"):
                desk.ask(Scenario("MB-0002"))
    finally:
        database.server.start()
    assert desk.ask(Scenario("MB-0002")).text
    assert desk.ask(Scenario("MB-0001")).text == before
    # Gone and back between two questions: nobody notices.
    database.server.stop()
    database.server.start()
    assert desk.ask(Scenario("MB-0001")).text == before
    desk.close()
