"""What holds for every test.

In: nothing.
Out: a hypothesis profile without deadlines, because a shared machine is slow now and then; under CI
    the examples are the same in every run, so that a red gate can be repeated; the small shapes of the
    framing tests as the fixture `shapes`; the fixtures of a real PostgreSQL; and signals that are heard.
"""

from __future__ import annotations

import os
import signal
from types import ModuleType

import pytest
from hypothesis import settings

from tests.postgres import database, demo_database, postgres_server

__all__ = ["database", "demo_database", "postgres_server"]

settings.register_profile("here", deadline=None)
settings.register_profile("gate", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("gate" if os.environ.get("CI") else "here")


# A run in the background is told by its shell, or by `nohup`, to hear neither Ctrl-C nor a terminal that is
# closed, and so is all that it starts: a program respects that, and a test would wait for ever.
for _name, _heard in (("SIGINT", signal.default_int_handler), ("SIGHUP", signal.SIG_DFL)):
    _number = getattr(signal, _name, None)
    if _number is not None and signal.getsignal(_number) == signal.SIG_IGN:
        signal.signal(_number, _heard)


@pytest.fixture(scope="session")
def shapes() -> ModuleType:
    """Loaded by whoever asks for it: it brings the rooms along."""
    from tests.framing import shapes

    return shapes
