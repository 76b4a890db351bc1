"""The switch for compiled loops.

In: the environment and sizes.
Out: a loop compiled, or none.
"""

from __future__ import annotations

import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

from roofplat.errors import DistrictFileError
from roofplat.fast import SWITCH, compiled, prepare
from tests.loops import doubled

needs_numba = pytest.mark.skipif(find_spec("numba") is None, reason="numba is not installed")


def test_it_can_be_turned_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(SWITCH, "0")
    assert compiled(doubled) is None


@needs_numba
def test_it_can_be_turned_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(SWITCH, "1")
    loop = compiled(doubled)
    assert loop is not None
    assert loop is not doubled
    assert loop(np.array([1.5, 2.0])).tolist() == [3.0, 4.0]
    assert compiled(doubled) is loop


def test_another_word_is_refused_in_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(SWITCH, "yes")
    with pytest.raises(DistrictFileError, match="ROOFPLAT_NUMBA is 'yes'; set it to 0 or 1, or leave it out"):
        prepare(1)


def _told(code: str, **environment: str) -> str:
    answer = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    return answer.stdout.strip()


@needs_numba
def test_a_process_compiles_from_its_first_large_district_on() -> None:
    code = (
        "import sys\nfrom roofplat.fast import compiled, prepare\n"
        "from roofplat.framing.loops import clip_lines\n"
        "before = compiled(clip_lines) is None; prepare(19_000); small = compiled(clip_lines) is None\n"
        "loaded = 'numba' in sys.modules; prepare(1_000)\n"
        "print(before, small, loaded, compiled(clip_lines) is None)"
    )
    assert _told(code) == "True True False False"


def test_a_process_that_plans_building_after_building_does_not() -> None:
    code = (
        "import sys\nfrom roofplat.fast import compiled, prepare\n"
        "from roofplat.framing.loops import clip_lines\n"
        "[prepare(900) for _ in range(100)]; print(compiled(clip_lines) is None, 'numba' in sys.modules)"
    )
    assert _told(code) == "True False"


def test_without_numba_numpy_works_and_a_wish_for_it_is_refused(tmp_path: Path) -> None:
    """A package of the same name that cannot be imported, as where a release does not fit numpy's."""
    (tmp_path / "numba.py").write_text("raise ImportError('needs another numpy')", "utf-8")
    code = (
        "from roofplat.fast import compiled, prepare; from roofplat.framing.loops import clip_lines\n"
        "prepare(50_000); print(compiled(clip_lines))"
    )
    assert _told(code, PYTHONPATH=str(tmp_path)) == "None"
    code = "from roofplat.fast import prepare\ntry: prepare(1)\nexcept ValueError as fault: print(fault)"
    told = _told(code, PYTHONPATH=str(tmp_path), ROOFPLAT_NUMBA="1")
    assert told == (
        "ROOFPLAT_NUMBA asks for compiled loops, but numba is not installed; "
        "run `python -m pip install 'roofplat[fast]'`, or leave it out."
    )
