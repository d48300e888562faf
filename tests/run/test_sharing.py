"""A large thing handed to processes as one copy: the same for all, and nobody sees what another writes."""

from __future__ import annotations

import multiprocessing
import os

import numpy as np
import pytest

from previz.run import sharing
from previz.run.sharing import Shared, received
from previz.workshop import compiled

RNG = np.random.default_rng(5)
WHAT = {"name": "a set", "map": RNG.random((70, 33, 3), dtype=np.float32), "faces": np.arange(9).reshape(3, 3)}


def handed_over() -> list[dict[str, object]]:
    """What two receivers take."""
    shared = Shared(WHAT)
    taken = []
    for _ in range(2):
        here, there = multiprocessing.Pipe()
        shared.send(here, os.getpid())
        taken.append(received(there))
    shared.close()
    return taken


def the_same(found: dict[str, object]) -> bool:
    return found["name"] == WHAT["name"] and all(np.array_equal(found[k], WHAT[k]) for k in ("map", "faces"))


def test_everybody_has_the_same_and_what_one_writes_is_its_own() -> None:
    one, other = handed_over()
    assert the_same(one)
    one["map"][:] = 0.0
    assert the_same(other)
    assert the_same(WHAT)
    # what is still there when the sender has let go of it
    assert other["map"].flags.writeable


@pytest.mark.skipif(not hasattr(os, "memfd_create"), reason="this system has no memory without a name")
def test_arrays_lie_in_shared_memory_and_not_in_the_message() -> None:
    shared = Shared(WHAT)
    assert shared._handle is not None
    assert len(shared._packed) < WHAT["map"].nbytes / 10
    shared.close()


def test_where_there_is_no_such_memory_it_travels_as_a_message(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sharing, "_written", lambda *_: None)
    one, other = handed_over()
    assert the_same(one)
    one["map"][:] = 0.0
    assert the_same(other)


def test_a_worker_has_no_more_threads_than_its_share(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compiled, "_allowed", compiled._MOST_THREADS)
    before = compiled.threads()
    compiled.at_most_threads(1)
    assert compiled.threads() == 1
    compiled.at_most_threads(1000)
    assert compiled.threads() == before
