"""What a stopped run has already done, kept beside its results so that it can be continued.

One line a finished piece of work (a frame, a candidate), after a first line that says of what run it is. A ledger of
another scene, version, size or engine is not continued: its results would not belong together.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import IO, Any, Generic, TypeVar

from pydantic import TypeAdapter, ValidationError

from previz.run.output import OutputFolder, output_error
from previz.scene.given.heights import HeightGrid
from previz.scene.model import Scene

Entry = TypeVar("Entry")

LEDGER = "unfinished.jsonl"

_PIECE = 1 << 20


def ledger_name(command: str) -> str:
    """The file of a command's ledger: a run of ``score`` leaves that of an unfinished ``shoot`` alone."""
    return LEDGER if command == "shoot" else f"unfinished-{command}.jsonl"


class Ledger(Generic[Entry]):
    """The ledger of a run in a folder; ``done`` holds what need not be made again, by number.

    ``kind`` is the dataclass of an entry. ``run`` says in texts all that the results depend on.
    """

    def __init__(self, folder: OutputFolder, name: str, run: Mapping[str, str], kind: type[Entry]) -> None:
        self._folder = folder
        self._name = name
        self._path = folder.place(name)
        self._key = hashlib.sha256(json.dumps(dict(run), sort_keys=True).encode()).hexdigest()
        self._file: IO[str] | None = None
        self.done: dict[int, Entry] = dict(self._read(kind))

    def _read(self, kind: type[Entry]) -> Iterator[tuple[int, Entry]]:
        # a pipe would have us wait for whoever writes to it
        if not self._path.is_file():
            return
        try:
            # what a kill or a bad disk has spoilt ends the part that counts
            lines = self._path.read_text(encoding="utf-8", errors="replace").splitlines()
        except OSError:
            return
        entries = TypeAdapter(kind)
        try:
            if not lines or json.loads(lines[0]) != {"run": self._key}:
                return
            for line in lines[1:]:
                found = json.loads(line)
                yield int(found["number"]), entries.validate_python(found["entry"])
        except (ValueError, TypeError, KeyError, ValidationError, RecursionError):
            return

    def add(self, number: int, entry: Entry) -> None:
        """Note a finished piece of work; its files are whole by now."""
        try:
            if self._file is None:
                before = [_line({"run": self._key}), *(_entry_line(n, e) for n, e in self.done.items())]
                self._folder.write_text(self._name, "".join(before))
                self._file = self._path.open("a", encoding="utf-8", newline="\n")
            self._file.write(_entry_line(number, entry))
            self._file.flush()
        except OSError as error:
            raise output_error(error, self._path) from error
        self.done[number] = entry

    def close(self, finished: bool) -> None:
        """Let go of the ledger; a finished run needs none any more."""
        try:
            if self._file is not None:
                self._file.close()
            if finished:
                self._path.unlink(missing_ok=True)
        except OSError as error:
            raise output_error(error, self._path) from error
        finally:
            self._file = None


def files_named(scene: Scene) -> dict[str, Path]:
    """The files that a scene's set is built from, by what they are in it."""
    bridge, wall = scene.bridge, scene.wall
    named = {"bridge.image": bridge.image} | {f"wall.photo {k}": photo.file for k, photo in enumerate(wall.photo or ())}
    if isinstance(wall.relief, HeightGrid):
        named["wall.relief"] = wall.relief.file
    named |= {f"{name}.mesh": mesh.file for name, mesh in (("bridge", bridge.mesh), ("wall", wall.mesh)) if mesh}
    return {name: scene.path(file) for name, file in named.items() if file is not None}


def file_sha256(path: Path) -> str:
    """SHA-256 of a file that a scene names, hexadecimal; of nothing where it cannot be read (its reader says so)."""
    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while piece := file.read(_PIECE):
                digest.update(piece)
    except OSError:
        return ""
    return digest.hexdigest()


def _entry_line(number: int, entry: Any) -> str:
    return _line({"number": number, "entry": asdict(entry)})


def _line(value: Mapping[str, object]) -> str:
    return json.dumps(value) + "\n"
