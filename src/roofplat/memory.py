"""Memory that many arrays share one after the other.

In: a stretch of work that makes and drops many large arrays.
Out: the same work with fewer requests to the system.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pyarrow as pa

__all__ = ["steady_memory"]

# Just below 32 MiB, the largest block that moves glibc's threshold (mallopt, M_MMAP_THRESHOLD).
_LARGE_BLOCK_BYTES = 31 * 2**20


@contextmanager
def steady_memory() -> Iterator[None]:
    """Keep the memory managers out of the way while many arrays and geometries come and go.

    Python's cyclic garbage collector pauses: every geometry counts as a container, so that making
    millions of them sets off one search for cycles after the other, though they cannot form any.
    The C library is shown one large block first: glibc then keeps freed memory for the next
    array, where it would otherwise hand it back to the system and ask for it anew, page by page.
    And Arrow takes its memory there too: its own pool hands back at once what it will want again.

    Examples
    --------
    >>> with steady_memory():
    ...     pa.default_memory_pool().backend_name
    'system'
    """
    was_on, pool = gc.isenabled(), pa.default_memory_pool()
    gc.disable()
    np.empty(_LARGE_BLOCK_BYTES, dtype=np.uint8)
    pa.set_memory_pool(pa.system_memory_pool())
    try:
        yield
    finally:
        pa.set_memory_pool(pool)
        if was_on:
            gc.enable()
