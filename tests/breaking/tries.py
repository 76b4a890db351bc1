"""How often a test that tries to break the program tries.

In: the environment variable `ROOFPLAT_TRIES`, 1 where it is not set.
Out: so many times the tries of an ordinary run.
"""

from __future__ import annotations

import os


def tries(ordinary: int) -> int:
    """So many tries, once at the least.

    Examples
    --------
    >>> tries(20) >= 1
    True
    """
    return max(1, round(ordinary * float(os.environ.get("ROOFPLAT_TRIES", "1"))))
