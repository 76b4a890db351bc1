"""No command asks a network for anything.

In: part of the demo district; processes that are refused the network, twice where this machine can do it:
    Python's own sockets by an audit hook, and everything else, the C libraries too, by a network namespace
    without any interface.
Out: every command works as ever and writes the same bytes; `serve`, which listens, answers on this machine
    and asks no other.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from roofplat.cli.main import main
from roofplat.pipeline.tiles.keys import WORK_FOLDER

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "data" / "demo"
REFUSING = Path(__file__).with_name("refusing")
EXIT_CODE = 97
# One process runs many commands, for it takes longer to start than they do.
RUN = """
import json, sys
from click.testing import CliRunner
from roofplat.cli.main import main
for words in json.loads(sys.argv[1]):
    done = CliRunner().invoke(main, words)
    print(json.dumps([words, done.exit_code, done.output[-600:], repr(done.exception)]), flush=True)
"""
# A service and who asks it, on a machine that has nothing but itself.
SERVE = """
import fcntl, http.client, json, os, re, signal, socket, struct, subprocess, sys
alone, district, out, asked = json.loads(sys.argv[1])
if alone:
    # Loopback is down in a new namespace: read its flags, add IFF_UP, write them back; netdevice(7).
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        name, flags = struct.unpack("16sh", fcntl.ioctl(one, 0x8913, struct.pack("16sh", b"lo", 0)))
        fcntl.ioctl(one, 0x8914, struct.pack("16sh", b"lo", flags | 1))
words = [sys.executable, "-m", "roofplat", "serve", district, "--out", out, "--port", "0", "--workers", "1"]
server = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
port = None
for line in server.stdout:
    found = re.search(r"at http://127.0.0.1:(\\d+)/", line)
    if found:
        port = int(found[1])
        break
for method, path, body in asked if port else []:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=300)
    connection.request(method, path, body, {"Content-Type": "application/json"} if body else {})
    answer = connection.getresponse()
    print(json.dumps([path, answer.status, answer.getheader("Content-Type"), len(answer.read())]), flush=True)
    connection.close()
server.send_signal(signal.SIGTERM)
server.stdout.close()
print(json.dumps(server.wait(60)))
"""
# Nobody listens there: RFC 5737 keeps these addresses for documents.
NOWHERE = "192.0.2.1"


def _alone() -> list[str]:
    """What to write before a command so that it finds no interface; nothing where that cannot be had."""
    words = ["unshare", "--map-root-user", "--net"]
    if shutil.which(words[0]) is None:
        return []
    return words if subprocess.run([*words, "true"], capture_output=True).returncode == 0 else []


def _refused(log: Path) -> dict[str, str]:
    """The environment of a process that is refused the network, although it is told to use it."""
    folders = os.pathsep.join([str(REFUSING), *filter(None, [os.environ.get("PYTHONPATH")])])
    more = {"PYTHONPATH": folders, "REFUSED_TO": str(log), "PROJ_NETWORK": "ON"}
    return {**os.environ, **more}


def _checksums(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and WORK_FOLDER not in path.parts
    }


def _build(district: Path, out: Path) -> list[str]:
    tiles = ["--tile-buildings", "30", "--workers", "2"]
    return ["build", str(district), "--out", str(out), "--as-of", "2026-01-01", *tiles]


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo with its first 60 buildings alone."""
    folder = tmp_path_factory.mktemp("offline")
    shutil.copytree(DEMO, folder / "demo")
    with closing(sqlite3.connect(folder / "demo" / "footprints.gpkg")) as file, file:
        # The spatial index does not matter here; its triggers ask for functions that are GDAL's.
        for (name,) in file.execute("select name from sqlite_master where type = 'trigger'").fetchall():
            file.execute(f"drop trigger {name}")
        file.execute("delete from buildings where bldg_id > 'MB-0060'")
    return folder


@pytest.fixture(scope="module")
def done(town: Path) -> dict[str, Any]:
    """Every command but `serve`, one after the other, without a network."""
    district, out = town / "demo" / "district.toml", town / "maps"
    seen = town / "seen.csv"
    seen.write_text("building_id,suspended_load,seen_on,who\nMB-0001,no,2026-01-05,Crew 7\n", "utf-8")
    feed = town / "permits.csv"
    feed.write_text("building_id,date,kind\nMB-0002,2026-01-05,new roof\n", "utf-8")
    file = str(district)
    commands = [
        _build(district, out),
        ["check", file],
        ["rank", file, "--top", "3"],
        ["rank", file, "--explain", "MB-0001"],
        ["sheet", file, "MB-0001", "--out", str(town / "sheets")],
        ["inspect", file, "--from", "2026-01-05", "--days", "1", "--out", str(town / "days")],
        ["survey", "out", file, "--most", "3", "--out", str(town / "forms")],
        ["survey", "in", file, str(seen)],
        ["survey", "feed", file, str(feed), "--dry-run"],
        ["survey", "keep", file],
        ["changes", file, "--since", "2026-01-04", "--out", str(town / "news")],
        ["rules", "ladder.base_share"],
        ["start", str(town / "own"), "--footprints", str(town / "demo" / "footprints.gpkg")],
    ]
    log = town / "asked.txt"
    ran = subprocess.run(
        [*_alone(), sys.executable, "-c", RUN, json.dumps(commands)],
        capture_output=True,
        text=True,
        env=_refused(log),
        check=False,
    )
    return {
        "ran": ran,
        "log": log,
        "commands": commands,
        "answers": [json.loads(line) for line in ran.stdout.splitlines()],
        "built": _checksums(out),
    }


def test_every_command_works_without_a_network(done: dict[str, Any]) -> None:
    assert not done["log"].exists(), done["log"].read_text("utf-8")
    assert done["ran"].returncode == 0, done["ran"].stderr
    assert [words for words, *_ in done["answers"]] == done["commands"]
    assert [answer for answer in done["answers"] if answer[1] != 0] == []


def test_the_service_asks_nobody(town: Path, done: dict[str, Any], tmp_path: Path) -> None:
    """Not for a page, and not for a plan or a sheet either."""
    log = tmp_path / "asked.txt"
    question = json.dumps({"inputs": {"building_id": "MB-0001", "wind_from_deg": 200}})
    pages = ["/", "/health", "/report.html", "/api?f=html", "/openapi?f=json", "/collections?f=html",
             "/collections/buildings/items?f=json&limit=5", "/collections/buildings/items?f=html&limit=5",
             "/processes?f=json", "/conformance?f=html"]  # fmt: skip
    asked = [("GET", page, None) for page in pages]
    asked += [("POST", f"/processes/{name}/execution", question) for name in ("plan-roof", "roof-sheet")]
    words = [bool(_alone()), str(town / "demo" / "district.toml"), str(town / "maps"), asked]
    ran = subprocess.run(
        [*_alone(), sys.executable, "-c", SERVE, json.dumps(words)],
        capture_output=True,
        text=True,
        env={**_refused(log), "REFUSED_BUT_HERE": "1", "PYTHONUNBUFFERED": "1"},
        check=False,
    )
    assert not log.exists(), log.read_text("utf-8")
    *answers, code = [json.loads(line) for line in ran.stdout.splitlines()]
    assert (code, ran.returncode) == (0, 0), ran.stderr
    assert [path for path, *_ in answers] == [path for _, path, _ in asked]
    assert [answer for answer in answers if answer[1] != 200 or not answer[3]] == []
    assert [kind for _, _, kind, _ in answers[-2:]] == ["application/geo+json", "application/pdf"]


def test_no_command_is_left_out(done: dict[str, Any]) -> None:
    tried = {words[0] for words in done["commands"]}
    assert tried | {"serve"} == set(main.commands)


def test_without_a_network_a_build_has_the_same_bytes(town: Path, done: dict[str, Any]) -> None:
    # From the same folder; what the other commands have written there since is no part of it.
    fresh = town / "fresh"
    shutil.copytree(town / "demo", fresh / "demo", ignore=shutil.ignore_patterns("inventory.gpkg*"))
    words = _build(fresh / "demo" / "district.toml", fresh / "maps")
    subprocess.run([sys.executable, "-c", RUN, json.dumps([words])], capture_output=True, check=True)
    again = _checksums(fresh / "maps")
    assert {"map.html", "ranking.csv", "report.html"} <= set(again)
    assert {"layers.gpkg", "planner.gpkg"} <= set(again)
    assert again == done["built"]


@pytest.mark.parametrize(
    "attempt",
    [
        f"socket.create_connection(({NOWHERE!r}, 80), timeout=5)",
        f"socket.socket(socket.AF_INET, socket.SOCK_DGRAM).sendto(b'?', ({NOWHERE!r}, 9))",
        "socket.getaddrinfo('no.such.host.invalid', 80)",
        "socket.create_connection(('127.0.0.1', 1), timeout=5)",
    ],
)
def test_what_is_refused_would_be_seen(attempt: str, tmp_path: Path) -> None:
    """Also from a child process, and where the error is caught."""
    log = tmp_path / "asked.txt"
    assert _tried(attempt, _refused(log)) == EXIT_CODE
    assert len(log.read_text("utf-8").splitlines()) == 1


@pytest.mark.parametrize(
    ("attempt", "passes"),
    [
        ("socket.getaddrinfo('0.0.0.0', 0)", True),
        ("socket.getaddrinfo('::1', 80)", True),
        ("socket.create_connection(('127.0.0.1', 1), timeout=5)", True),
        (f"socket.getaddrinfo({NOWHERE!r}, 80)", True),
        (f"socket.create_connection(({NOWHERE!r}, 80), timeout=5)", False),
        ("socket.getaddrinfo('localhost.invalid', 80)", False),
        ("socket.gethostbyaddr('127.0.0.1')", False),
    ],
)
def test_of_a_service_loopback_alone_is_let_through(attempt: str, passes: bool, tmp_path: Path) -> None:
    log = tmp_path / "asked.txt"
    assert _tried(attempt, {**_refused(log), "REFUSED_BUT_HERE": "1"}) == (0 if passes else EXIT_CODE)
    assert log.exists() != passes


def _tried(attempt: str, environment: dict[str, str]) -> int:
    tried = f"import socket\ntry:\n    {attempt}\nexcept Exception:\n    pass\n"
    child = f"import subprocess, sys\nsys.exit(subprocess.run([sys.executable, '-c', {tried!r}]).returncode)"
    return subprocess.run([sys.executable, "-c", child], env=environment, capture_output=True).returncode


def test_proj_fetches_no_grid_whatever_the_machine_says() -> None:
    """It used to heed PROJ_NETWORK: a district in an older datum lay elsewhere with it on."""
    code = (
        "import roofplat, pyproj.network\nfrom roofplat import ground\n"
        "print(pyproj.network.is_network_enabled())"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PROJ_NETWORK": "ON"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert ran.stdout == "False\n"
