"""A real PostgreSQL with PostGIS for the tests that are marked `database`.

In: the programs of Debian's packages `postgresql` and `postgis`.
Out: a server in a temporary folder, on a loopback port and a socket of its own, gone when the tests are; in
    it a fresh database for each test that asks for one.
"""

from __future__ import annotations

import contextlib
import datetime
import os
import secrets
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest

__all__ = [
    "OWNER",
    "Database",
    "PostgresServer",
    "database",
    "demo_database",
    "fresh_database",
    "postgres_server",
]

OWNER = "planner"
PASSWORD = "only for tests / #1"
_TEMPLATE = "with_postgis"
DEMO = Path(__file__).parents[1] / "data" / "demo" / "district.toml"
_DAY = datetime.date(2026, 3, 1)


class PostgresServer:
    """A server of the tests' own: started, stopped and started again at will."""

    def __init__(self, programs: Path, folder: Path, port: int) -> None:
        self.programs = programs
        self.folder = folder
        self.port = port
        # PostgreSQL refuses to run as root.
        self._as: dict[str, Any] = {}
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            account = next(name for name in ("postgres", "nobody") if _exists(name))
            shutil.chown(folder, account)
            self._as = {"user": account, "extra_groups": []}

    def run(self, program: str, *words: str) -> str:
        """Run one of its programs; a failure shows what the program said."""
        # A file, for a pipe would stay open for as long as the server runs.
        with tempfile.TemporaryFile("w+") as said:
            done = subprocess.run(
                [self.programs / program, *words],
                cwd=self.folder,
                env={"PATH": os.environ["PATH"], "LC_ALL": "C", "HOME": str(self.folder)},
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=subprocess.STDOUT,
                timeout=120,
                **self._as,
            )
            said.seek(0)
            text = said.read()
        if done.returncode:
            raise RuntimeError(f"{program} {' '.join(words)}: {text}")
        return text

    def make(self) -> None:
        self.run("initdb", "-D", "data", "-U", "postgres", "-E", "UTF8", "--no-locale", "-A", "trust", "-N")
        (self.folder / "data" / "pg_hba.conf").write_text(
            "local all all trust\n"
            "host all postgres 127.0.0.1/32 trust\n"
            "host all all 127.0.0.1/32 scram-sha-256\n"
        )
        with (self.folder / "data" / "postgresql.conf").open("a") as settings:
            settings.write(
                f"port = {self.port}\nlisten_addresses = '127.0.0.1'\n"
                f"unix_socket_directories = '{self.folder}'\nfsync = off\nfull_page_writes = off\n"
                "synchronous_commit = off\nmax_connections = 60\nshared_buffers = 64MB\n"
            )

    @contextlib.contextmanager
    def outlived(self) -> Iterator[None]:
        """Let the server end with the process of the tests, also where that is killed: then a pipe closes."""
        end = 'cat >/dev/null; "$1" -D data -m immediate stop; rm -rf "$2"'
        with subprocess.Popen(
            ["sh", "-c", end, "sh", str(self.programs / "pg_ctl"), str(self.folder)],
            cwd=self.folder,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            **self._as,
        ):
            yield

    def start(self) -> None:
        self.run("pg_ctl", "-D", "data", "-l", "log", "-w", "-t", "60", "start")

    def stop(self, mode: str = "fast") -> None:
        self.run("pg_ctl", "-D", "data", "-w", "-t", "60", "-m", mode, "stop")

    @contextlib.contextmanager
    def frozen(self) -> Iterator[None]:
        """Let it hang: it keeps its connections, takes new ones, and answers nothing."""
        pids = [int((self.folder / "data" / "postmaster.pid").read_text().split()[0])]
        pids += map(
            int, self.sql("SELECT pid FROM pg_stat_activity WHERE backend_type = 'client backend'").split()
        )
        for pid in pids:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGSTOP)
        try:
            yield
        finally:
            for pid in pids:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGCONT)

    def wait(self) -> None:
        """Wait until it answers again, after one of its processes was killed."""
        for _ in range(600):
            try:
                self.run("pg_isready", "-q", "-h", str(self.folder), "-p", str(self.port))
                return
            except RuntimeError:
                time.sleep(0.1)
        raise RuntimeError("the server does not come back")

    def sql(self, statement: str, name: str = "postgres") -> str:
        """Run a statement as the superuser; columns come out separated by `|`."""
        return self.run(
            "psql", "-X", "-A", "-t", "-q", "-v", "ON_ERROR_STOP=1", "-h", str(self.folder), "-p",
            str(self.port), "-U", "postgres", "-d", name, "-c", statement,
        ).strip()  # fmt: skip


class Database:
    """One database on the server, with PostGIS, owned by an account that is no superuser."""

    def __init__(self, server: PostgresServer, name: str) -> None:
        self.server = server
        self.name = name

    @property
    def url(self) -> str:
        """Over the socket, where no password is asked for."""
        place = quote(str(self.server.folder), safe="")
        return f"postgresql://{OWNER}@/{self.name}?host={place}&port={self.server.port}"

    @property
    def loopback_url(self) -> str:
        """Over 127.0.0.1, where the password is asked for; it is not in the address."""
        return f"postgresql://{OWNER}@127.0.0.1:{self.server.port}/{self.name}"

    @property
    def superuser_url(self) -> str:
        return f"postgresql://postgres@127.0.0.1:{self.server.port}/{self.name}"

    @property
    def password(self) -> str:
        return PASSWORD

    def sql(self, statement: str) -> str:
        """Run a statement as the superuser; columns come out separated by `|`."""
        return self.server.sql(statement, self.name)


def _exists(account: str) -> bool:
    import pwd

    try:
        pwd.getpwnam(account)
    except KeyError:
        return False
    return True


def _missing(what: str) -> None:
    if os.environ.get("CI"):
        pytest.fail(f"CI needs {what} for the database tests.")
    pytest.skip(f"no {what} on this machine")


def _programs() -> Path | None:
    """The newest PostgreSQL of the machine; Debian keeps the server's programs out of the PATH."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    if found:
        return found[-1].parent
    elsewhere = shutil.which("initdb")
    return Path(elsewhere).resolve().parent if elsewhere else None


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[PostgresServer]:
    """A running server; a test that stops it has to start it again."""
    programs = _programs()
    if programs is None:
        _missing("PostgreSQL")
    assert programs is not None
    # Not below pytest's folder: its owner alone may enter that, and a socket's path must be short.
    folder = Path(tempfile.mkdtemp(prefix="pg-"))
    server = PostgresServer(programs, folder, _free_port())
    with server.outlived():
        server.make()
        server.start()
        secret = PASSWORD.replace("'", "''")
        server.sql(f"CREATE ROLE {OWNER} LOGIN PASSWORD '{secret}'")
        server.sql(f"CREATE DATABASE {_TEMPLATE}")
        try:
            server.sql("CREATE EXTENSION postgis", _TEMPLATE)
        except RuntimeError:
            _missing("PostGIS")
        yield server


@contextlib.contextmanager
def fresh_database(server: PostgresServer) -> Iterator[Database]:
    """A new database with PostGIS, dropped at the end whoever is still in it."""
    name = f"test_{secrets.token_hex(6)}"
    server.sql(f"CREATE DATABASE {name} TEMPLATE {_TEMPLATE} OWNER {OWNER}")
    yield Database(server, name)
    server.sql(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def database(postgres_server: PostgresServer) -> Iterator[Database]:
    """A database of the test's own."""
    with fresh_database(postgres_server) as made:
        yield made


@pytest.fixture(scope="session")
def demo_database(
    postgres_server: PostgresServer, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Database, Path]]:
    """The demo in a database and in a folder, by one build, for tests that change neither."""
    from roofplat import build, read_district

    folder = tmp_path_factory.mktemp("demo")
    with fresh_database(postgres_server) as made:
        build(read_district(DEMO), out=folder, as_of=_DAY, to=made.url)
        yield made, folder
