"""Machine code for loops over texels and rays, and work in parts on every core."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

import numba

Part = TypeVar("Part")

# more threads than this gain little: rays wait for memory
_MOST_THREADS = 8

# how many this process may have
_allowed = _MOST_THREADS


def compiled(function: Any) -> Any:
    """The function as machine code that lets other threads run, kept for the next process where that can be done."""
    try:
        return numba.njit(cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError:  # installed read-only, and no home folder either: compiled anew in each process
        return numba.njit(nogil=True, error_model="numpy")(function)


def at_most_threads(count: int) -> None:
    """Share work of this process among no more threads than ``count``: others work beside it."""
    global _allowed
    _allowed = min(max(count, 1), _MOST_THREADS)


def threads() -> int:
    """Threads that work is shared among."""
    if hasattr(os, "sched_getaffinity"):
        return min(len(os.sched_getaffinity(0)), _allowed)
    return min(os.cpu_count() or 1, _allowed)


def in_parts(work: Callable[[slice], Part], count: int, size: int) -> list[Part]:
    """``work`` done on slices of ``size`` of ``count`` things, several at once; results in the order of the slices.

    The slices do not depend on the number of threads, so neither does what comes out.
    """
    parts = [slice(start, min(start + size, count)) for start in range(0, count, size)]
    if len(parts) <= 1 or threads() == 1:
        return [work(part) for part in parts]
    with ThreadPoolExecutor(threads()) as pool:
        return list(pool.map(work, parts))
