"""`roofplat serve` before it serves: what it needs, and what the other commands do not."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.serve.conftest import DEMO

from roofplat.cli.main import main


@pytest.mark.parametrize("library", ["pygeoapi", "flask", "waitress"])
def test_without_the_extra_a_sentence_says_what_to_install(library: str) -> None:
    code = (
        f"import sys\nsys.modules[{library!r}] = None\n"
        "from roofplat.cli.main import main\n"
        f"sys.argv = ['roofplat', 'serve', {str(DEMO)!r}]\nmain()\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "pip install 'roofplat[service]'" in done.stderr
    assert "Traceback" not in done.stderr


def test_other_commands_load_nothing_of_the_service() -> None:
    code = (
        "import sys\nimport roofplat.cli.main\nimport roofplat.pipeline\n"
        "print({'pygeoapi', 'flask', 'waitress', 'sqlalchemy', 'psycopg2', 'geoalchemy2'} & set(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "set()\n"


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--port", "65536"], "65536 is not in the range"),
        (["--workers", "0"], "0 is not in the range"),
        (["--host", "no.such.host.invalid"], "no.such.host.invalid is no address of this machine"),
        (["--url", "plans.example.org", "--port", "0"], "is no address of a site"),
        (["--token-file", "no/such/file", "--port", "0"], "The token file no/such/file cannot be read"),
    ],
)
def test_a_wrong_command_is_a_sentence(options: list[str], sentence: str, tmp_path: Path) -> None:
    (tmp_path / "layers.gpkg").write_bytes(b"")
    done = CliRunner().invoke(main, ["serve", str(DEMO), "--out", str(tmp_path), *options])
    assert done.exit_code == 2
    assert sentence in done.output
