"""What the placing tests share.

In: the laws beside this file, the synthetic district.
Out: the fixtures `laws`, `synthetic`.
"""

from __future__ import annotations

from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def laws() -> ModuleType:
    from tests.placing import laws

    return laws


@pytest.fixture(scope="session")
def synthetic() -> ModuleType:
    from tests.benchmarks import synthetic

    return synthetic
