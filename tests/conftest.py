"""What holds for every test.

In: nothing.
Out: a hypothesis profile without deadlines, because a shared machine is slow now and then; under CI
    the examples are the same in every run, so that a red gate can be repeated; the small shapes of the
    framing tests as the fixture `shapes`; and the fixtures of a real PostgreSQL.
"""

from __future__ import annotations

import os
from types import ModuleType

import pytest
from hypothesis import settings

from tests.postgres import database, demo_database, postgres_server

__all__ = ["database", "demo_database", "postgres_server"]

settings.register_profile("here", deadline=None)
settings.register_profile("gate", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("gate" if os.environ.get("CI") else "here")


@pytest.fixture(scope="session")
def shapes() -> ModuleType:
    """Loaded by whoever asks for it: it brings the rooms along."""
    from tests.framing import shapes

    return shapes
