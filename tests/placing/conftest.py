"""What the placing tests share.

In: the small shapes of the framing tests, the laws beside this file, the synthetic district.
Out: the fixtures `shapes`, `laws`, `synthetic`.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

TESTS = Path(__file__).resolve().parents[1]


def _load(name: str, path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def shapes() -> ModuleType:
    return _load("roof_shapes", TESTS / "framing" / "shapes.py")


@pytest.fixture(scope="session")
def laws() -> ModuleType:
    return _load("plan_laws", TESTS / "placing" / "laws.py")


@pytest.fixture(scope="session")
def synthetic() -> ModuleType:
    return _load("synthetic_district", TESTS / "benchmarks" / "synthetic.py")
