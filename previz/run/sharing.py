"""One copy of a large thing for all processes of this machine: its arrays lie in memory that they share.

Pickle's fifth protocol takes arrays out of what it writes (PEP 574). Here they go into one nameless block of memory
(memfd_create, Linux), which every process maps for itself: a page is copied only where a process writes to it, so that
nobody sees what another changes. Nothing is left behind however a process ends. Where the system has no such memory, or
not enough, everything travels as one message.
"""

from __future__ import annotations

import mmap
import os
import pickle
from dataclasses import dataclass
from multiprocessing import reduction
from multiprocessing.connection import Connection
from typing import Any, Final

# where arrays begin: on a line of the processor's memory
_ALIGNED: Final = 64


@dataclass(frozen=True)
class _Block:
    """What a receiver has to know: where each buffer (first byte, size) lies in the block, and how large that is."""

    places: tuple[tuple[int, int], ...]
    size: int


class Shared:
    """Something packed once, to be handed to processes by :meth:`send` and taken by :func:`received`. Close it then."""

    def __init__(self, what: object) -> None:
        buffers: list[pickle.PickleBuffer] = []
        self._packed = pickle.dumps(what, protocol=5, buffer_callback=buffers.append)
        views = [each.raw() for each in buffers]
        places, end = [], 0
        for view in views:
            begin = -(-end // _ALIGNED) * _ALIGNED
            places.append((begin, view.nbytes))
            end = begin + view.nbytes
        self._block: _Block | None = _Block(tuple(places), end)
        self._handle = _written(views, places, end)
        if self._handle is None:
            self._block = None
            self._packed = pickle.dumps(what, protocol=5)

    def send(self, line: Connection, pid: int) -> None:
        """Hand it to the process ``pid`` at the other end of a line."""
        line.send(self._block)
        line.send_bytes(self._packed)
        if self._handle is not None:
            reduction.send_handle(line, self._handle, pid)

    def close(self) -> None:
        """Let go of it here; those who have it keep it."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None


def received(line: Connection) -> Any:
    """What the process at the other end of a line sent by :meth:`Shared.send`."""
    block = line.recv()
    packed = line.recv_bytes()
    if block is None:
        return pickle.loads(packed)
    handle = reduction.recv_handle(line)
    try:
        # private: what is written here stays here
        whole = memoryview(mmap.mmap(handle, max(block.size, 1), mmap.MAP_PRIVATE, mmap.PROT_READ | mmap.PROT_WRITE))
    finally:
        os.close(handle)
    return pickle.loads(packed, buffers=[whole[begin : begin + size] for begin, size in block.places])


def _written(views: list[memoryview], places: list[tuple[int, int]], size: int) -> int | None:
    """A handle of a block of memory with buffers at their places; None where there is none to be had."""
    if not hasattr(os, "memfd_create"):
        return None
    try:
        handle = os.memfd_create("previz")
    except OSError:
        return None
    try:
        # taken now: filling memory that is not there ends a process without a word
        os.posix_fallocate(handle, 0, max(size, 1))
        with mmap.mmap(handle, max(size, 1)) as block:
            for view, (begin, length) in zip(views, places, strict=True):
                block[begin : begin + length] = view
    except OSError:
        os.close(handle)
        return None
    return handle
