"""What a bench keeps on disk while it runs, in ``bench/`` of the output folder: what has been set by hand and is not
written yet, with its steps of undoing, and the shelf. A bench that ended, however it ended, is taken up from there.
"""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from previz.bench.knobs import KNOBS, Written
from previz.errors import OutputError
from previz.run.output import OutputFolder

_HAND = "bench/hand.json"
_SHELF = "bench/shelf.json"

Changes = dict[str, Written]


@dataclass
class KeptState:
    """A state of the bench that was kept. ``values`` holds what was set (inside units) and how it is written."""

    number: int
    name: str
    frame: int
    values: dict[str, tuple[Any, Written]]
    shown: dict[str, str]
    found: dict[str, Any] = field(default_factory=dict)
    picture: bytes = b""


@dataclass
class HandState:
    """What a hand has set over the ``text`` of a scene file, with its steps of undoing. ``aside`` are values of the
    hand's where the file has been given others meanwhile."""

    text: str
    changes: Changes
    undo: list[Changes]
    redo: list[Changes]
    aside: Changes
    frame: int
    follows: bool
    laid_at: tuple[float, float, float]

    @property
    def names(self) -> set[str]:
        """All knobs that it knows of."""
        return {name for changes in (self.changes, self.aside, *self.undo, *self.redo) for name in changes}


class BenchStore:
    """Keeps a bench in the folder ``path`` of results, which is made when there is something to keep.

    Raises :class:`~previz.errors.OutputError` where something cannot be written. What cannot be read was never kept.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._kept = ""
        if (path / "bench").is_dir():
            # what a bench that was killed had half written
            OutputFolder(path / "bench").remove_leftovers(0.0, ())

    def hand(self) -> HandState | None:
        """What a bench before this one has left unwritten; None without any."""
        try:
            found = TypeAdapter(HandState).validate_json(self._read(_HAND))
        except (OSError, ValidationError, OutputError):
            return None
        return found if found.names <= KNOBS.keys() else None

    def keep_hand(self, state: HandState) -> None:
        """Keep this; nothing is written where it is what was kept last."""
        text = TypeAdapter(HandState).dump_json(state).decode()
        if text != self._kept:
            OutputFolder(self._path).write_text(_HAND, text + "\n")
            self._kept = text

    def forget_hand(self) -> None:
        """Keep nothing of the hand."""
        self._kept = ""
        with suppress(OSError):
            (self._path / _HAND).unlink()

    def shelf(self) -> list[KeptState]:
        """The candidates that were kept and not put away."""
        try:
            listed = json.loads(self._read(_SHELF))
            kept = [KeptState(**one) for one in listed]
            for one in kept:
                one.values = {name: (inside, text) for name, (inside, text) in one.values.items() if name in KNOBS}
                one.picture = self._read(_picture(one.number))
        except (OSError, ValueError, TypeError, KeyError, OutputError):
            return []
        return kept

    def keep_shelf(self, shelf: list[KeptState]) -> None:
        """Keep the shelf as it is now."""
        folder = OutputFolder(self._path)
        for one in shelf:
            if not folder.has(_picture(one.number)):
                folder.write_bytes(_picture(one.number), one.picture)
        folder.write_text(_SHELF, json.dumps([{**vars(one), "picture": ""} for one in shelf]) + "\n")
        wanted = {folder.place(_picture(one.number)) for one in shelf}
        for place in (self._path / "bench").glob("kept-*.jpg"):
            if place not in wanted:
                place.unlink(missing_ok=True)

    def _read(self, name: str) -> bytes:
        return (self._path / name).read_bytes()


def _picture(number: int) -> str:
    return f"bench/kept-{number:06d}.jpg"
