"""What the tests of this folder share.

In: the small shapes of the framing tests.
Out: the process that starts commands, and a small town, for tests that cut commands off; those shapes.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

from tests.breaking.faults import launcher, town

__all__ = ["launcher", "shapes", "town"]


@pytest.fixture(scope="session")
def shapes() -> ModuleType:
    path = Path(__file__).resolve().parents[1] / "framing" / "shapes.py"
    spec = importlib.util.spec_from_file_location("roof_shapes", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["roof_shapes"] = module
    spec.loader.exec_module(module)
    return module
