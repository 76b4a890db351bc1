"""The switch for compiled loops.

In: the environment and sizes.
Out: a loop compiled, or none.
"""

from __future__ import annotations

import subprocess
import sys
from importlib.util import find_spec

import numpy as np
import pytest

from roofplat.fast import SWITCH, compiled
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


def _told(code: str, **environment: str) -> str:
    answer = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    return answer.stdout.strip()


@needs_numba
def test_a_process_compiles_from_its_first_large_district_on() -> None:
    code = (
        "import sys; from roofplat.fast import compiled, prepare; from roofplat.framing.loops import peaks\n"
        "before = compiled(peaks) is None; prepare(200); small = compiled(peaks) is None\n"
        "loaded = 'numba' in sys.modules; prepare(20_000)\n"
        "print(before, small, loaded, compiled(peaks) is None)"
    )
    assert _told(code) == "True True False False"
