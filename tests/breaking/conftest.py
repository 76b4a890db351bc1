"""What the tests of this folder share.

In: nothing.
Out: the process that starts commands, and a small town, for tests that cut commands off.
"""

from __future__ import annotations

from tests.breaking.faults import launcher, town

__all__ = ["launcher", "town"]
