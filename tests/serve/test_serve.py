"""The service as a whole: it starts, says where it is, answers with pages and files, and ends."""

from __future__ import annotations

import contextlib
import json
import os
import random
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from tests.breaking.tries import tries
from tests.serve.conftest import DEMO, ROOFPLAT

from roofplat.errors import DistrictFileError
from roofplat.publish.page import policy_of
from roofplat.serve.setting import check_url, is_this_machine
from roofplat.tables import CAUTION

HTML = {"Accept": "text/html,application/xhtml+xml"}
WAIT_S = 60.0


class _Page(HTMLParser):
    """What a page shows and where it leads."""

    def __init__(self, content: bytes) -> None:
        super().__init__()
        self.links: list[str] = []
        self.text = ""
        self.tags: list[str] = []
        self.feed(content.decode("utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [value or "" for name, value in attrs if name in ("href", "src", "action")]

    def handle_data(self, data: str) -> None:
        self.text += data


def alive(process: int) -> bool:
    with contextlib.suppress(OSError):
        return "Z" not in Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    return False


def until(holds: Callable[[], bool]) -> None:
    limit = time.monotonic() + WAIT_S
    while not holds():
        assert time.monotonic() < limit, "it never came"
        time.sleep(0.1)


def test_it_starts_says_where_and_ends(serve: Callable[..., Any]) -> None:
    server = serve("--workers", "2")
    assert server.said[0].startswith("An aid for pre-incident planning")
    assert server.said[-1] == f"Serving Mallow Bench at {server.url}/"
    status, headers, body = server.ask("/health")
    assert (status, headers["content-type"]) == (200, "application/json")
    assert json.loads(body)["status"] == "ok"
    workers = server.workers()
    assert len(workers) == 2
    server.process.send_signal(signal.SIGINT)
    assert server.process.wait(WAIT_S) == 0
    until(lambda: not any(map(alive, workers)))
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", server.port), timeout=5)


def test_a_service_that_is_killed_leaves_nothing_behind(demo_build: Path, tmp_path: Path) -> None:
    from tests.serve.conftest import running

    workers = []
    with contextlib.suppress(AssertionError), running(DEMO, demo_build, tmp_path / "log") as server:
        workers = server.workers()
        server.process.kill()
        server.process.wait()
    assert workers
    until(lambda: not any(map(alive, workers)))


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="processes are counted as Linux shows them")
def test_all_processes_of_a_service_are_stopped_in_silence_also_as_they_start(demo_build: Path) -> None:
    """As a terminal does it: a worker that read its libraries printed a traceback, or was waited for."""
    chance = random.Random("a service")
    for turn in range(tries(3)):
        number = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)[turn % 3]
        words = ["serve", str(DEMO), "--out", str(demo_build), "--port", "0", "--workers", "1"]
        with subprocess.Popen(
            [sys.executable, "-m", "roofplat", *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        ) as process:
            assert process.stdout is not None
            # The caution; what follows is the start.
            assert process.stdout.readline()
            if number == signal.SIGHUP:
                # As the first worker is being started, which takes as long as to read the libraries.
                until(lambda: len(children(process.pid)) >= 2)
            else:
                time.sleep(chance.uniform(0.0, 6.0))
            os.killpg(process.pid, number)
            _, said = process.communicate(timeout=300)
        assert process.returncode in (0, 128 + number), (number, said)
        lines = said.splitlines()
        assert lines == [] or [line[:31] for line in lines] == ["Error: The command was stopped "], said
        until(lambda: not group_lives(process.pid))


def children(parent: int) -> list[int]:
    threads = Path(f"/proc/{parent}/task").glob("*/children")
    return [int(one) for thread in threads for one in thread.read_text("ascii").split()]


def group_lives(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


def test_a_worker_that_dies_is_replaced(serve: Callable[..., Any]) -> None:
    server = serve("--workers", "1")
    (before,) = server.workers()
    os.kill(before, signal.SIGKILL)
    until(lambda: server.workers() not in ([], [before]))
    assert server.ask("/collections/buildings/items?limit=1")[0] == 200
    assert server.process.poll() is None


def command(*options: str, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*ROOFPLAT, "serve", str(DEMO), "--out", str(folder), *options],
        check=False, capture_output=True, text=True, timeout=300,
    )  # fmt: skip


def test_without_a_build_it_says_so(tmp_path: Path) -> None:
    ran = command("--port", "0", folder=tmp_path / "none")
    assert ran.returncode == 1
    assert ran.stderr.startswith(
        f"Error: There is no build in {tmp_path / 'none'}; run `roofplat build` first"
    )
    (tmp_path / "layers.gpkg").write_bytes(b"no database at all" * 100)
    (tmp_path / "planner.gpkg").write_bytes(b"no database at all" * 100)
    ran = command("--port", "0", "--workers", "1", folder=tmp_path)
    assert ran.returncode == 1
    assert "may be damaged; build the district again." in ran.stderr
    assert "Traceback" not in ran.stderr


def test_a_port_that_is_taken_is_a_sentence(demo_build: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        ran = command("--port", port, folder=demo_build)
    assert ran.returncode == 2
    assert ran.stderr.startswith(f"Error: 127.0.0.1 port {port} cannot be listened on (")
    ran = command("--port", "0", "--host", "192.0.2.1", folder=demo_build)
    assert ran.returncode == 2
    assert ran.stderr.count("\n") == 1


@pytest.mark.parametrize(
    "url", ["plans.example.org", "ftp://a.example", "http://", "http://a.example/roofs", "http://a b", "http://u:p@a",
            "http://a.example?x=1", "http://[", "javascript:alert(1)", "http://a.example#b", "http://a:99999"]
)  # fmt: skip
def test_what_is_no_address_of_a_site_is_refused(url: str) -> None:
    with pytest.raises(DistrictFileError, match="is no address of a site"):
        check_url(url)


def test_addresses_of_this_machine() -> None:
    assert all(map(is_this_machine, ("127.0.0.1", "127.8.8.8", "::1", "localhost")))
    assert not any(map(is_this_machine, ("0.0.0.0", "::", "192.168.1.2", "plans.example.org", "")))


# Pages.


def test_the_live_map_is_the_first_page_of_a_browser(demo_server: Any) -> None:
    status, headers, content = demo_server.ask("/", headers=HTML)
    assert (status, headers["content-type"]) == (200, "text/html; charset=utf-8")
    policy = headers["content-security-policy"]
    assert policy == f"{policy_of(content.decode('utf-8'))}; frame-ancestors 'none'"
    assert "connect-src 'self'" in policy
    assert "script-src 'sha256-" in policy
    assert json.loads(demo_server.ask("/")[2])["title"] == "Mallow Bench: roof plans"


def test_built_pages_are_served_as_they_are(demo_server: Any, demo_build: Path) -> None:
    for name in ("report.html", "areas/kiln-yards.html", "map.html"):
        status, headers, content = demo_server.ask(f"/{name}")
        assert status == 200
        assert content == (demo_build / name).read_bytes()
        # Offline pages gain no right by being served.
        assert "connect-src 'none'" in headers["content-security-policy"]


PAGES = [
    "/api", "/collections", "/conformance", "/openapi", "/processes", "/processes/plan-roof",
    "/processes/roof-sheet", "/collections/buildings", "/collections/buildings/schema",
    "/collections/buildings/queryables", "/collections/buildings/items", "/collections/ladders/items",
    "/collections/facts/items", "/collections/buildings/items/MB-0001",
    "/collections/walls/items?bbox=0,0,1,1", "/nothing", "/collections/buildings/items?limit=0",
    "/collections/buildings/items/none",
]  # fmt: skip


@pytest.mark.parametrize("path", PAGES)
def test_each_page_is_ours_and_carries_the_caution(demo_server: Any, path: str) -> None:
    _, headers, content = demo_server.ask(path, headers=HTML)
    assert headers["content-type"].startswith("text/html")
    page = _Page(content)
    assert CAUTION in page.text.replace("\n", " ")
    # Nothing from elsewhere, no script, no picture.
    assert not {"script", "img", "link", "iframe", "object", "video"} & set(page.tags)
    assert page.links
    assert all(link.startswith((demo_server.url, "#")) for link in page.links), page.links
    assert "pygeoapi" not in content.decode("utf-8").lower()
    assert "{{" not in page.text
    assert "{%" not in page.text


def test_every_link_of_a_page_leads_somewhere(demo_server: Any) -> None:
    waiting, seen = ["/api"], set()
    while waiting and len(seen) < 120:
        path = waiting.pop(0)
        if path in seen:
            continue
        seen.add(path)
        status, headers, content = demo_server.ask(path, headers=HTML)
        assert status == 200, path
        if headers["content-type"].startswith("text/html") and path != "/":
            links = [link.removeprefix(demo_server.url) for link in _Page(content).links]
            waiting += [link for link in links if link.startswith("/")]
    assert {"/collections/buildings/items?f=html", "/processes/plan-roof?f=html", "/openapi?f=json"} <= seen


def test_a_form_leaves_out_what_is_empty(demo_server: Any) -> None:
    path = (
        "/collections/buildings/items?f=html&dispatch_area=Kiln+Yards&building_id=&bbox=&limit=5&height_ft="
    )
    status, _, content = demo_server.ask(path, headers=HTML)
    assert status == 200
    page = _Page(content)
    found = re.search(r"5 of (\d+) items, from number 1\.", page.text)
    assert found is not None
    hits = demo_server.json("/collections/buildings/items?dispatch_area=Kiln%20Yards&resulttype=hits")
    assert int(found[1]) == hits["numberMatched"] > 5
    (following,) = [link for link in page.links if "offset=5" in link]
    status, _, content = demo_server.ask(following.removeprefix(demo_server.url), headers=HTML)
    assert status == 200
    assert "from number 6." in _Page(content).text


# A build that changes underneath.


def test_what_is_said_of_the_layers_follows_them(
    serve: Callable[..., Any], demo_build: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "live"
    shutil.copytree(demo_build, folder)
    server = serve("--workers", "1", folder=folder)
    first = server.json("/health")["build"]
    report = folder / "report.html"
    assert server.ask("/report.html")[0] == 200
    other = tmp_path / "other"
    ran = subprocess.run(
        [*ROOFPLAT, "build", str(DEMO), "--out", str(other), "--area", "Kiln Yards"],
        check=False, capture_output=True, text=True,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    for name in ("layers.gpkg", "planner.gpkg"):
        shutil.copyfile(other / name, folder / ".beside")
        (folder / ".beside").replace(folder / name)
    second = server.json("/health")["build"]
    assert second != first
    every, of_area = (
        server.json(f"/collections/buildings/items?resulttype=hits{more}")["numberMatched"]
        for more in ("", "&dispatch_area=Kiln%20Yards")
    )
    assert every == of_area > 0
    report.unlink()
    assert server.ask("/report.html")[0] in (404, 503)
    (folder / "layers.gpkg").unlink()
    status, _, content = server.ask("/collections/buildings/items")
    assert status == 503
    assert str(tmp_path) not in content.decode()
    assert server.ask("/health")[0] == 503
