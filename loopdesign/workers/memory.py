"""Memory that a worker has freed and keeps for its next arrays, in place of returning it to the system each time.

Our calls make and free arrays of some hundred kilobytes by the thousand. dask.distributed starts its workers with
``MALLOC_TRIM_THRESHOLD_=65536``, with which the C library returns each of them to the system at once, and every new one
costs page faults: more than half of a worker's time went there.
"""

from __future__ import annotations

import ctypes

_TRIM, _MAP = -1, -3
"""Numbers of the two thresholds in the C library's interface (``mallopt``)."""
KEPT, MAPPED = 128 << 20, 32 << 20
"""Freed memory that a worker keeps at most, and the size from which an array is still mapped by itself [byte]."""


def keep_freed_memory() -> bool:
    """Let this process keep the memory it frees, up to 128 MB, where its C library can be told so (glibc).

    Returns
    -------
    bool
        Whether it was told.
    """
    try:
        tell = ctypes.CDLL(None).mallopt
    except (OSError, TypeError, AttributeError):
        return False
    return bool(tell(_TRIM, KEPT) and tell(_MAP, MAPPED))
