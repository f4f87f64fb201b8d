"""Hands memory that reading needed, and the tables do not, back to the system."""

from __future__ import annotations

import ctypes
import sys


def give_back() -> None:
    """Return freed memory to the system, as far as the system and its C library know how; changes nothing else.

    Reading a large log, or tallying it, frees as much as it keeps, in pieces that the C library does not return by
    itself; of what was read, the processes that a report forks would all count as holding it.
    """
    if arrow := sys.modules.get("pyarrow"):
        arrow.default_memory_pool().release_unused()
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)  # glibc has it, musl has not
        if trim is not None:
            trim(0)
