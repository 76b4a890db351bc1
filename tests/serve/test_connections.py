"""Clients that send their request byte by byte are let go; those that wait for their turn are not."""

from __future__ import annotations

import shutil
import socket
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from tests.serve.conftest import DEMO

WAIT_S = 60.0


@pytest.fixture
def impatient(serve: Callable[..., Any], tmp_path: Path) -> Any:
    folder = Path(shutil.copytree(DEMO.parent, tmp_path / "district"))
    path = folder / DEMO.name
    path.write_text(
        path.read_text("utf-8") + "\n[service]\nidle_seconds = 1\nworkers = 1\nthreads = 1\n", "utf-8"
    )
    return serve(district=path)


@pytest.mark.parametrize(
    "start",
    [
        b"GET /hea",
        b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\nX: ",
        b"POST /processes/plan-roof/execution HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 60000\r\n"
        b"Content-Type: application/json\r\n\r\n",
    ],
)
def test_a_request_that_drips_is_cut_off(impatient: Any, start: bytes) -> None:
    limit = time.monotonic() + WAIT_S
    with socket.create_connection(("127.0.0.1", impatient.port), timeout=0.2) as line:
        line.sendall(start)
        while True:
            assert time.monotonic() < limit, "it was never cut off"
            try:
                line.sendall(b"a")
                if not line.recv(1):
                    break
            except TimeoutError:
                continue
            except ConnectionError:
                break
    assert impatient.ask("/health")[0] == 200


def test_one_that_is_slow_but_in_time_is_answered(demo_server: Any) -> None:
    with socket.create_connection(("127.0.0.1", demo_server.port), timeout=WAIT_S) as line:
        for part in (b"GET /health HT", b"TP/1.1\r\nHost: 127.0", b".0.1\r\n\r\n"):
            line.sendall(part)
            time.sleep(0.05)
        assert line.recv(12) == b"HTTP/1.1 200"


def test_one_whose_turn_comes_late_is_answered_in_full(impatient: Any) -> None:
    # One thread draws sheet after sheet, so that the last waits far longer than a silent client may.
    with ThreadPoolExecutor(8) as pool:
        sheets = [pool.submit(impatient.execute, "roof-sheet", building_id="MB-0004") for _ in range(6)]
        late = [pool.submit(impatient.ask, "/report.html") for _ in range(2)]
        answers = [one.result() for one in (*sheets, *late)]
    assert [status for status, _, _ in answers] == [200] * 8
    assert all(len(content) == int(headers["content-length"]) for _, headers, content in answers)
