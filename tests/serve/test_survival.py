"""What the service lives through: builds underneath it, clients that hang, processes and files that go away.

In: districts made up and built here, a real service on a loopback port of its own.
Out: every answer is whole and of one build, or one sentence that says why there is none; and afterwards
    all is as before.
"""

from __future__ import annotations

import io
import json
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader
from tests.benchmarks.district import write_district
from tests.breaking.test_corrupt import turned
from tests.breaking.tries import tries

from roofplat.district import read_district
from roofplat.pipeline import build

ROOFPLAT = [sys.executable, "-c", "from roofplat.cli.main import main; main()"]
BUILDINGS = 40
LAYERS = ("buildings", "sections", "walls", "members", "ladders", "ranking", "facts")
SERVICE = """
[service]
idle_seconds = 2
workers = 2
threads = 4
"""
# A test that hangs is a defect too; far beyond what anything here takes on a busy machine.
PATIENCE_S = 180.0


def _write(folder: Path, prefix: str, service: str = SERVICE) -> Path:
    """A district whose building ids begin with a letter, so that each row tells which build it is from."""
    path = write_district(BUILDINGS, folder, prefix=prefix, name=f"District {prefix}")
    path.write_text(path.read_text("utf-8") + service, "utf-8")
    return path


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Two districts that differ in every row, by the letter that their ids begin with."""
    folder = tmp_path_factory.mktemp("two")
    return {prefix: _write(folder / prefix, prefix) for prefix in "AB"}


@pytest.fixture(scope="module")
def built(two: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Their builds."""
    folder = tmp_path_factory.mktemp("built")
    for prefix, path in two.items():
        build(read_district(path), out=folder / prefix)
    return {prefix: folder / prefix for prefix in two}


@pytest.fixture
def live(built: dict[str, Path], tmp_path: Path) -> Path:
    """A folder with a copy of build A, to be served and mistreated."""
    return Path(shutil.copytree(built["A"], tmp_path / "live"))


@pytest.fixture
def held() -> Iterator[list[socket.socket]]:
    """Connections that a test leaves open, closed at its end."""
    kept: list[socket.socket] = []
    yield kept
    for one in kept:
        one.close()


def sentence(content: bytes) -> str:
    """What an answer says that is none."""
    text = json.loads(content)["description"]
    assert isinstance(text, str)
    assert text.endswith(".")
    assert "Traceback" not in text
    return text


def builds_in(content: bytes) -> set[str]:
    """The builds that the rows of an answer are from."""
    rows = [feature["properties"] for feature in json.loads(content)["features"]]
    return {str(row["building_id"])[0] for row in rows if row.get("building_id")}


def until(holds: Callable[[], bool]) -> None:
    """Wait for something that must come; fail when it does not."""
    limit = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < limit, "it never came"
        time.sleep(0.05)


def swap(source: Path, live: Path) -> None:
    """Put the files of a build into a folder one by one, each whole: what a build does at its end."""
    for file in sorted(path for path in source.rglob("*") if path.is_file()):
        target = live / file.relative_to(source)
        target.parent.mkdir(exist_ok=True)
        shutil.copyfile(file, live / ".beside")
        (live / ".beside").replace(target)


def all_of(server: Any, prefix: str) -> bool:
    """Whether layers and plans are of one build now."""
    page, _, content = server.ask("/collections/ladders/items?f=json&limit=1000")
    status, _, plan = server.execute("plan-roof", building_id=f"{prefix}0000003")
    return page == status == 200 and builds_in(content) == builds_in(plan) == {prefix}


class Readers:
    """Clients that read everything over and over until the block ends.

    seen
        For each thing asked for, the builds it was from.
    faults
        What no reader should meet.
    answers
        How often they read something.
    """

    def __init__(self, server: Any) -> None:
        self.seen: dict[str, set[str]] = {}
        self.faults: list[str] = []
        self.answers = 0
        self._server = server
        self._over = threading.Event()
        looks: list[Callable[[], None]] = [partial(self._page, layer) for layer in LAYERS]
        looks += [self._plan, self._sheet, self._files]
        self._threads = [threading.Thread(target=self._loop, args=(look,)) for look in looks]

    def __enter__(self) -> Readers:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._over.set()
        for thread in self._threads:
            thread.join()

    def _loop(self, look: Callable[[], None]) -> None:
        while not self._over.is_set():
            try:
                look()
                self.answers += 1
            except Exception as error:
                self.faults.append(repr(error))
            # Room for the builds that go on meanwhile.
            self._over.wait(0.02)

    def _note(self, what: str, found: set[str]) -> None:
        if len(found) != 1:
            self.faults.append(f"{what}: of the builds {sorted(found)}")
        self.seen.setdefault(what, set()).update(found)

    def _page(self, layer: str) -> None:
        status, _, content = self._server.ask(f"/collections/{layer}/items?f=json&limit=1000")
        if status == 200:
            self._note(layer, builds_in(content))
        else:
            self.faults.append(f"{layer}: {status} {content[:300]!r}")

    def _plan(self) -> None:
        for prefix in "AB":
            status, _, content = self._server.execute("plan-roof", building_id=f"{prefix}0000003")
            if status == 200:
                self._note("plan-roof", builds_in(content) | {json.loads(content)["district"][-1]})
            elif status != 400 or "no building" not in sentence(content):
                self.faults.append(f"plan-roof: {status} {content[:300]!r}")

    def _sheet(self) -> None:
        for prefix in "AB":
            status, _, content = self._server.execute("roof-sheet", building_id=f"{prefix}0000003")
            if status == 200:
                text = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(content)).pages)
                found = {letter for letter in "AB" if f"{letter}0000003" in text}
                self._note("roof-sheet", found | {letter for letter in "AB" if f"District {letter}" in text})
            elif status not in (400, 503) or not sentence(content):
                self.faults.append(f"roof-sheet: {status} {content[:300]!r}")

    def _files(self) -> None:
        for path in ("/", "/health", "/report.html", "/api?f=json", "/collections?f=json", "/openapi?f=json"):
            status, _, content = self._server.ask(path)
            if status != 200:
                self.faults.append(f"{path}: {status} {content[:300]!r}")


@pytest.mark.parametrize("source", ["files", pytest.param("database", marks=pytest.mark.database)])
def test_readers_see_the_old_build_or_the_new_and_never_half(
    serve: Callable[..., Any],
    two: dict[str, Path],
    live: Path,
    source: str,
    request: pytest.FixtureRequest,
) -> None:
    url, options = None, ()
    if source == "database":
        url = request.getfixturevalue("database").url
        options = ("--from", url)
        build(read_district(two["A"]), out=live, to=url)
    server = serve(*options, district=two["A"], folder=live)
    with Readers(server) as readers:
        for prefix in "BA":
            build(read_district(two[prefix]), out=live, to=url)
            until(partial(all_of, server, prefix))
    assert readers.faults == []
    assert readers.answers > 50
    assert readers.seen == {what: {"A", "B"} for what in (*LAYERS, "plan-roof", "roof-sheet")}


def test_files_that_change_places_many_times_are_never_mixed(
    serve: Callable[..., Any], two: dict[str, Path], built: dict[str, Path], live: Path
) -> None:
    server = serve(district=two["A"], folder=live)
    with Readers(server) as readers:
        for turn in range(40):
            swap(built["BA"[turn % 2]], live)
            time.sleep(0.02)
    assert readers.faults == []
    until(partial(all_of, server, "A"))


def test_a_build_that_is_killed_leaves_the_old_one_serving(
    serve: Callable[..., Any], two: dict[str, Path], live: Path
) -> None:
    server = serve(district=two["A"], folder=live)
    command = [*ROOFPLAT, "build", str(two["B"]), "--out", str(live)]
    with Readers(server) as readers:
        # Killed while it writes, a little later each time.
        for late_s in (0.0, 0.05, 0.2):
            process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
            assert process.stderr is not None
            assert any(line.startswith("Writing") for line in process.stderr)
            time.sleep(late_s)
            process.kill()
            process.wait()
            process.stderr.close()
    assert readers.faults == []
    left = list(live.rglob(".writing-*"))
    assert left
    for workshop in left:
        # As if it had lain there for two hours.
        os.utime(workshop, (time.time() - 7200,) * 2)
    build(read_district(two["B"]), out=live)
    until(partial(all_of, server, "B"))
    assert list(live.rglob(".writing-*")) == []


def _workers(server: Any) -> set[int]:
    """Ids of the processes that answer and live."""
    return {one for one in server.workers() if Path(f"/proc/{one}/exe").exists()}


def _answered(server: Any) -> bool:
    try:
        return bool(server.ask("/health")[0] == 200)
    except OSError:
        return False


def test_a_worker_that_is_killed_is_replaced(
    serve: Callable[..., Any], two: dict[str, Path], built: dict[str, Path]
) -> None:
    server = serve(district=two["A"], folder=built["A"])
    first = _workers(server)
    assert len(first) == 2
    for worker in first:
        os.kill(worker, signal.SIGKILL)
        # The other one answers; who was being answered by this one has to ask again.
        assert sum(_answered(server) for _ in range(20)) >= 19
        until(lambda: len(_workers(server)) == 2)
    assert not _workers(server) & first
    assert all(_answered(server) for _ in range(20))


GET = b"GET /collections/walls/items?f=json&limit=1000 HTTP/1.1\r\nHost: localhost\r\n"
POST = (
    b"POST /processes/plan-roof/execution HTTP/1.1\r\nHost: localhost\r\n"
    b"Content-Type: application/json\r\nContent-Length: 60\r\n\r\n"
)
HALVES = {
    "nothing": b"",
    "half a line": b"GET /collec",
    "half a head": GET,
    "no body": POST,
    "half a body": POST + b'{"inputs": {"buil',
    "half a chunk": POST.replace(b"Content-Length: 60", b"Transfer-Encoding: chunked") + b"1f\r\n{",
}


def connect(server: Any, kept: list[socket.socket], said: bytes, *, narrow: bool = False) -> socket.socket:
    """Open a connection and say something on it; `narrow` takes little at a time."""
    opened = socket.socket()
    kept.append(opened)
    if narrow:
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    opened.settimeout(PATIENCE_S)
    opened.connect(("127.0.0.1", server.port))
    opened.sendall(said)
    return opened


def _open_connections(port: int) -> int:
    """Connections that the service holds open on its port: proc_net_tcp(5), state 01 is established."""
    lines = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    return sum(one[1].endswith(f":{port:04X}") and one[3] == "01" for one in lines)


@pytest.mark.skipif(not Path("/proc/net/tcp").exists(), reason="connections are counted as Linux shows them")
def test_clients_that_stop_half_way_are_let_go_while_others_are_answered(
    serve: Callable[..., Any], two: dict[str, Path], built: dict[str, Path], held: list[socket.socket]
) -> None:
    server = serve(district=two["A"], folder=built["A"])
    # More of each kind than the service has threads.
    for _ in range(20):
        for said in HALVES.values():
            connect(server, held, said)
    for _ in range(10):
        assert server.ask("/collections/buildings/items?f=json")[0] == 200
        assert server.execute("plan-roof", building_id="A0000003")[0] == 200
    until(lambda: _open_connections(server.port) == 0)
    assert server.ask("/health")[0] == 200


@pytest.mark.skipif(not Path("/proc/net/tcp").exists(), reason="connections are counted as Linux shows them")
def test_clients_that_never_read_do_not_stop_the_service(
    serve: Callable[..., Any], two: dict[str, Path], built: dict[str, Path], held: list[socket.socket]
) -> None:
    server = serve(district=two["A"], folder=built["A"])
    # Question after question on each connection: the answers fill whatever the system keeps for a reader, and
    # what a connection may keep in the service, so that all threads wait for room in the middle of an answer.
    for _ in range(24):
        connect(server, held, b"GET /report.html HTTP/1.1\r\nHost: localhost\r\n\r\n" * 80, narrow=True)
    until(partial(_answered, server))
    for _ in range(5):
        assert server.ask("/collections/buildings/items?f=json")[0] == 200
        assert server.execute("plan-roof", building_id="A0000003")[0] == 200
    # Waitress alone closes a connection only where it can still write to it: these stayed for ever.
    until(lambda: _open_connections(server.port) == 0)
    assert server.ask("/health")[0] == 200


def test_a_client_that_asks_byte_by_byte_is_let_go(
    serve: Callable[..., Any], two: dict[str, Path], built: dict[str, Path], held: list[socket.socket]
) -> None:
    server = serve(district=two["A"], folder=built["A"])
    slow = connect(server, held, GET)
    sent = 0

    def let_go() -> bool:
        nonlocal sent
        sent += 1
        try:
            # Never silent for as long as the service waits, and never done.
            slow.sendall(b"X-More: 1\r\n")
        except OSError:
            return True
        return False

    until(let_go)
    assert sent > 20
    assert server.ask("/health")[0] == 200


@pytest.mark.skipif(not Path("/proc/net/tcp").exists(), reason="connections are counted as Linux shows them")
def test_more_clients_than_may_be_connected_wait_their_turn(
    serve: Callable[..., Any], tmp_path: Path, built: dict[str, Path], held: list[socket.socket]
) -> None:
    few = SERVICE.replace("workers = 2", "workers = 1") + "connections = 10\n"
    server = serve(district=_write(tmp_path / "few", "A", few), folder=built["A"])
    for _ in range(30):
        connect(server, held, b"")
    # It is answered when those before it have been let go.
    assert server.ask("/health", timeout=PATIENCE_S)[0] == 200
    until(lambda: _open_connections(server.port) == 0)


def test_a_slow_reader_gets_all_of_a_big_page_while_others_are_answered(
    serve: Callable[..., Any], two: dict[str, Path], built: dict[str, Path], held: list[socket.socket]
) -> None:
    server = serve(district=two["A"], folder=built["A"])
    whole = server.ask("/collections/walls/items?f=json&limit=1000")[2]
    slow = connect(server, held, GET + b"Connection: close\r\n\r\n", narrow=True)
    got, asked = b"", 0
    while more := slow.recv(8192):
        got += more
        if len(got) > 65_536 * asked:
            asked += 1
            assert server.ask("/health")[0] == 200
            time.sleep(0.1)
    head, _, body = got.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 200")
    assert asked > 2
    assert json.loads(body)["features"] == json.loads(whole)["features"]


def test_more_questions_than_may_wait_are_turned_away_in_a_sentence(
    serve: Callable[..., Any], tmp_path: Path, built: dict[str, Path]
) -> None:
    narrow = SERVICE.replace("workers = 2", "workers = 1").replace("threads = 4", "threads = 32")
    district = _write(tmp_path / "narrow", "A", narrow + "waiting_plans = 1\n")
    server = serve(district=district, folder=built["A"])
    with ThreadPoolExecutor(30) as clients:
        asked = [
            clients.submit(server.execute, "plan-roof", building_id="A0000001", wind_from_deg=wind)
            for wind in range(120)
        ]
        answers = [one.result() for one in asked]
    assert {status for status, _, _ in answers} == {200, 503}
    assert {sentence(content) for status, _, content in answers if status == 503} == {
        "Too many questions wait for their plans; ask again in a moment."
    }
    assert server.execute("plan-roof", building_id="A0000001")[0] == 200


def _ruin(file: Path, how: str) -> None:
    """Spoil a file as a full disk, a bad copy or a mistake would."""
    content = file.read_bytes()
    spoiled = {
        "empty": b"",
        "another": b"not a database, " * 4096,
        "spoiled": content[:4096] + b"\xa5" * (len(content) - 4096),
    }
    if how == "removed":
        file.unlink()
    elif how == "cut in place":
        os.truncate(file, len(content) // 2)
    else:
        beside = file.with_name(".beside")
        beside.write_bytes(spoiled[how])
        beside.replace(file)


@pytest.mark.parametrize("how", ["removed", "cut in place", "empty", "another", "spoiled"])
def test_files_that_go_bad_are_said_to_be_and_come_back(
    serve: Callable[..., Any], two: dict[str, Path], built: dict[str, Path], live: Path, how: str
) -> None:
    server = serve(district=two["A"], folder=live)
    assert all_of(server, "A")
    for name in ("layers.gpkg", "planner.gpkg"):
        _ruin(live / name, how)

    def said() -> bool:
        asked = [server.ask(f"/collections/{layer}/items?f=json") for layer in LAYERS]
        # A building that nobody has asked for, so that no framing of it is at hand.
        asked.append(server.execute("plan-roof", building_id="A0000007"))
        return all(status == 503 and bool(sentence(content)) for status, _, content in asked)

    until(said)
    swap(built["B"], live)
    until(partial(all_of, server, "B"))
    assert server.ask("/health")[0] == 200
    assert server.ask("/report.html")[0] == 200


def _damage(file: Path, chance: random.Random) -> str:
    """Put a damaged copy in the place of a file, in a way that somebody's disk or mistake might; in which."""
    content = file.read_bytes()
    how = chance.choice(("cut", "bits", "bits", "blocks", "text"))
    beside = file.with_name(".beside")
    beside.write_bytes(
        {
            "cut": content[: chance.randrange(len(content))],
            "bits": turned(content, chance),
            "blocks": content[: len(content) // 2] + bytes(len(content) - len(content) // 2),
            "text": b"This file was moved to the archive.\n" * 50,
        }[how]
    )
    beside.replace(file)
    return how


ASKED = (
    *(f"/collections/{layer}/items?f=json&limit=1000" for layer in LAYERS),
    "/collections/walls/items?f=json&bbox=-180,-90,180,90",
    "/collections/buildings/items?f=html",
    *("/", "/health", "/report.html", "/collections?f=json"),
)


def _answers(server: Any) -> list[tuple[str, int, str]]:
    """What is said to everything that is asked: status, and the sentence of those that are refused."""
    found = []
    for path in ASKED:
        status, headers, content = server.ask(path)
        refused = status != 200 and headers["content-type"] == "application/json"
        found.append((path, status, sentence(content) if refused else ""))
    for process, building in (("plan-roof", "A0000005"), ("roof-sheet", "A0000006")):
        status, _, content = server.execute(process, building_id=building)
        found.append((process, status, "" if status == 200 else sentence(content)))
    return found


def test_a_damaged_file_costs_an_answer_and_nothing_else(
    serve: Callable[..., Any], two: dict[str, Path], built: dict[str, Path], live: Path
) -> None:
    """Bits in the middle of a number show nowhere; where they do, a sentence says so, and no traceback."""
    server = serve("--workers", "1", district=two["A"], folder=live)
    chance = random.Random("damaged")
    for turn in range(tries(3)):
        name = ("layers.gpkg", "planner.gpkg", "build.json")[turn % 3]
        how = _damage(live / name, chance)
        for path, status, said in _answers(server):
            assert status in (200, 503), (name, how, path, status, said)
        swap(built["A"], live)
        until(lambda: {status for _, status, _ in _answers(server)} == {200})
    # It used to be said that there is nothing at the address.
    (live / "build.json").write_text("{", "utf-8")
    status, _, content = server.ask("/report.html")
    assert status == 503
    assert sentence(content) == "build.json names no files, it may be damaged; build the district again."
    assert server.ask("/no-such-thing")[0] == 404
    (live / "build.json").unlink()
    status, _, content = server.ask("/report.html")
    assert (status, "build.json of the build cannot be read" in sentence(content)) == (503, True)
    swap(built["A"], live)
    until(lambda: bool(server.ask("/report.html")[0] == 200))


def test_a_service_does_not_start_on_a_build_without_a_record(two: dict[str, Path], live: Path) -> None:
    (live / "build.json").write_text('{"outputs": [', "utf-8")
    words = [*ROOFPLAT, "serve", str(two["A"]), "--out", str(live), "--port", "0", "--workers", "1"]
    ran = subprocess.run(words, check=False, capture_output=True, text=True, timeout=PATIENCE_S)
    assert ran.returncode == 1, ran.stderr
    assert ran.stderr == "Error: build.json names no files, it may be damaged; build the district again.\n"


@pytest.mark.database
def test_a_database_that_goes_away_and_comes_back(
    serve: Callable[..., Any], two: dict[str, Path], live: Path, database: Any
) -> None:
    build(read_district(two["A"]), out=live, to=database.url)
    server = serve("--from", database.url, district=two["A"], folder=live)
    assert all_of(server, "A")
    database.server.stop("immediate")
    try:
        for _ in range(3):
            asked = [server.ask(f"/collections/{layer}/items?f=json") for layer in ("buildings", "walls")]
            asked.append(server.execute("plan-roof", building_id="A0000007"))
            for status, _, content in asked:
                assert 500 <= status < 600
                assert sentence(content)
    finally:
        database.server.start()
    until(partial(all_of, server, "A"))
    build(read_district(two["B"]), out=live, to=database.url)
    until(partial(all_of, server, "B"))
