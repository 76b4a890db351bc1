"""What holds for every test.

In: nothing.
Out: a hypothesis profile without deadlines, because a shared machine is slow now and then; under CI
    the examples are the same in every run, so that a red gate can be repeated; and the fixtures of a real
    PostgreSQL.
"""

from __future__ import annotations

import os

from hypothesis import settings

from tests.postgres import database, demo_database, postgres_server

__all__ = ["database", "demo_database", "postgres_server"]

settings.register_profile("here", deadline=None)
settings.register_profile("gate", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("gate" if os.environ.get("CI") else "here")
