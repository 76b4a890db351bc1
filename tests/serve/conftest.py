"""A build of the demo, and servers: real processes on loopback ports of their own.

A server is started by the command line and stopped by a signal; a test fails when one printed a traceback.
"""

from __future__ import annotations

import json
import os
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.client import HTTPConnection, HTTPResponse
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "data" / "demo" / "district.toml"
ROOFPLAT = [sys.executable, "-c", "from roofplat.cli.main import main; main()"]
_START_S, _STOP_S = 300.0, 60.0


@dataclass
class Server:
    """A running service."""

    url: str
    process: subprocess.Popen[bytes]
    log: Path
    said: list[str] = field(default_factory=list)

    @property
    def port(self) -> int:
        return int(urlsplit(self.url).port or 0)

    def ask(
        self,
        path: str,
        *,
        method: str = "GET",
        body: bytes | None = None,
        headers: dict[str, str] | None = None,
        timeout: float = 60.0,
    ) -> tuple[int, dict[str, str], bytes]:
        """Status, headers (names in lower case) and body of one request on a connection of its own."""
        connection = HTTPConnection(str(urlsplit(self.url).hostname), self.port, timeout=timeout)
        try:
            # A server may refuse a body before it has all of it.
            with suppress(BrokenPipeError, ConnectionResetError):
                connection.request(method, path, body=body, headers=headers or {})
            answer: HTTPResponse = connection.getresponse()
            content = answer.read()
            return answer.status, {name.lower(): value for name, value in answer.getheaders()}, content
        finally:
            connection.close()

    def json(self, path: str, **more: Any) -> Any:
        """The JSON of a request that must be answered."""
        status, _, content = self.ask(path, **more)
        assert status == 200, content
        return json.loads(content)

    def execute(self, process: str, **inputs: Any) -> tuple[int, dict[str, str], bytes]:
        """Ask a process."""
        body = json.dumps({"inputs": inputs}).encode("utf-8")
        return self.ask(
            f"/processes/{process}/execution",
            method="POST",
            body=body,
            headers={"Content-Type": "application/json"},
        )

    def errors(self) -> str:
        """What it printed to standard error so far."""
        return self.log.read_text("utf-8", "replace")

    def workers(self) -> list[int]:
        """Ids of the processes that answer, as Linux tells them: children of a child of the command."""
        parents = {}
        for entry in Path("/proc").iterdir():
            if entry.name.isdigit():
                with suppress(OSError):
                    # The name of a program may hold spaces and brackets; the parent comes two words after it.
                    words = (entry / "stat").read_text("utf-8", "replace").rpartition(")")[2].split()
                    parents[int(entry.name)] = int(words[1])
        return sorted(one for one, its in parents.items() if parents.get(its) == self.process.pid)


@contextmanager
def running(
    district: Path,
    folder: Path,
    log: Path,
    *options: str,
    tracebacks: bool = False,
    address: str | None = None,
    **environment: str,
) -> Iterator[Server]:
    """Run a service until the block ends.

    Parameters
    ----------
    district, folder
        The district file, the folder of its build.
    log
        A file for what it prints to standard error.
    options
        More of the command line.
    tracebacks
        Whether they may be printed.
    address
        How it is reached where that is not what it says of itself; the port is added.
    environment
        More of it.
    """
    command = [*ROOFPLAT, "serve", str(district), "--out", str(folder), "--port", "0", *options]
    with log.open("wb") as errors:
        process = subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=errors,
            env={**os.environ, "PYTHONUNBUFFERED": "1", **environment},
        )
    try:
        said: list[str] = []
        url = _await_address(process, said, log, address)
        yield Server(url, process, log, said)
        process.send_signal(signal.SIGTERM)
        assert process.wait(_STOP_S) == 0, log.read_text("utf-8", "replace")
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
        assert process.stdout is not None
        process.stdout.close()
    if not tracebacks:
        assert "Traceback" not in log.read_text("utf-8", "replace"), log.read_text("utf-8", "replace")


def _await_address(
    process: subprocess.Popen[bytes], said: list[str], log: Path, reached_at: str | None
) -> str:
    assert process.stdout is not None
    until = time.monotonic() + _START_S
    text = b""
    while time.monotonic() < until:
        if select.select([process.stdout], [], [], 0.5)[0]:
            more = os.read(process.stdout.fileno(), 65536)
            text += more
            found = re.search(rb"Serving .* at (https?://\S+?)/(?:, listening on \S+ port (\d+))?\n", text)
            if found:
                said += text.decode("utf-8").splitlines()
                return found[1].decode() if reached_at is None else f"{reached_at}:{int(found[2])}"
            if not more:
                break
        elif process.poll() is not None:
            break
    pytest.fail(f"The service did not start: {text!r} {log.read_text('utf-8', 'replace')}")


@pytest.fixture(scope="session")
def demo_build(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a build of the demo; read it, do not change it."""
    folder = tmp_path_factory.mktemp("demo") / "out"
    ran = subprocess.run(
        [*ROOFPLAT, "build", str(DEMO), "--out", str(folder)], check=False, capture_output=True, text=True
    )
    assert ran.returncode == 0, ran.stderr
    return folder


@pytest.fixture
def serve(demo_build: Path, tmp_path: Path) -> Iterator[Callable[..., Server]]:
    """Starts services; each ends with the test. `serve()` is the demo; all else is yours to give."""
    open_ones: list[Any] = []

    def start(*options: str, folder: Path | None = None, district: Path = DEMO, **more: Any) -> Server:
        log = tmp_path / f"serve-{len(open_ones)}.log"
        one = running(district, folder or demo_build, log, *options, **more)
        server = one.__enter__()
        open_ones.append(one)
        return server

    yield start
    for one in reversed(open_ones):
        one.__exit__(None, None, None)


@pytest.fixture(scope="session")
def demo_server(demo_build: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """One service of the demo for all tests that only ask it."""
    log = tmp_path_factory.mktemp("serve") / "demo.log"
    with running(DEMO, demo_build, log, "--workers", "1") as server:
        yield server
