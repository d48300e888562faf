"""The scene on the bench: what the file says, what has been set by hand over it, the way back, and the shelf.

What is set by hand is a change of the file's text that has not been written yet. So the scene's own reader judges it,
a fault has a line, and writing back keeps comments and layout.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import tomllib
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from previz.bench.knobs import KNOBS, Written, in_data, shown, written
from previz.bench.lines import move_drawing, set_key
from previz.bench.protocol import RequestError
from previz.errors import Fault, SceneError
from previz.run.output import output_error
from previz.scene.edit import edited_text
from previz.scene.model import Scene
from previz.scene.move import FIRST_FRAME
from previz.scene.reader import scene_of_text, scene_text

# steps that can be undone
_STEPS = 200

# candidates on the shelf
_SHELF = 24

# letters of a faulty line that are shown
_LINE = 160

_BOM = b"\xef\xbb\xbf"

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


class Session:
    """One scene file on the bench. Raises :class:`SceneError` where the file cannot be used to begin with."""

    def __init__(self, path: Path) -> None:
        self.path = Path(path)
        self._text = scene_text(self.path)
        self._scene = scene_of_text(self._text, self.path)
        # the file's data when it was last free of faults, and its scene: what changes are laid over
        self._data, self._base = tomllib.loads(self._text), self._scene
        self._file_faulty = False
        self._draft = self._text
        self._changes: Changes = {}
        self._undo: list[Changes] = []
        self._redo: list[Changes] = []
        self._turning = False
        self._faults: list[dict[str, Any]] = []
        self.shelf: list[KeptState] = []
        self._kept = 0
        self.frame = self._move_frame()
        self.follows = True
        self.laid_at: tuple[float, float, float] = self._scene.camera.position

    def _move_frame(self) -> int:
        return int(KNOBS["station"].of(self._scene) or 0)

    @property
    def scene(self) -> Scene:
        """The last scene without a fault."""
        return self._scene

    @property
    def text(self) -> str:
        """The scene file as it would be written now."""
        return self._draft

    @property
    def faulty(self) -> bool:
        """Whether the bench cannot use what the file and the hand say; ``scene`` is then the one before."""
        return bool(self._faults)

    @property
    def unwritten(self) -> bool:
        """Whether the file says something else than the bench."""
        return self._draft != self._text

    def go(self, frame: int) -> None:
        """Look at a frame of the move, the nearest one where there is no such frame."""
        self.frame = min(max(frame, FIRST_FRAME), FIRST_FRAME + self._scene.rail.frames - 1)

    # ---- by hand ---------------------------------------------------------------------------------------------

    def turn(self, values: dict[str, float | int | str], still: bool = True) -> None:
        """Set values. Turns that are not ``still``, and the still one after them, are one step of undoing."""
        self._sound_file()
        # together or not at all: what cannot be read must not leave a gesture half open
        wanted = {name: written(KNOBS[name], value) for name, value in values.items()}
        if not self._turning:
            self._step()
        self._turning = not still
        self._changes.update(wanted)
        self._drafted()

    def undo(self) -> None:
        """Take the last step back."""
        self._back(self._undo, self._redo, "there is nothing to undo")

    def redo(self) -> None:
        """Take back the last undoing."""
        self._back(self._redo, self._undo, "there is nothing to do again")

    def leave(self) -> None:
        """Go back to what the file says."""
        if self._changes:
            self._step()
            self._changes = {}
            self._drafted()

    def _back(self, one: list[Changes], other: list[Changes], word: str) -> None:
        self._sound_file()
        self._turning = False
        if not one:
            raise RequestError(word)
        other.append(dict(self._changes))
        self._changes = one.pop()
        self._drafted()

    def _step(self) -> None:
        self._undo.append(dict(self._changes))
        del self._undo[:-_STEPS]
        self._redo.clear()

    def _sound_file(self) -> None:
        if self._file_faulty:
            raise RequestError("the scene file has faults: put them right first, then go on here")

    def _drafted(self) -> None:
        """Lay the changes over the file's text, and take the scene over if it has no fault."""
        try:
            draft = edited_text(self._text, {KNOBS[name].loc: value for name, value in self._changes.items()})
        except ValueError as error:
            self._faults = [_plain_fault(f"the scene file cannot be changed here: {error}")]
            return
        self._draft = draft
        try:
            self._scene = scene_of_text(draft, self.path)
            self._faults = []
            self.go(self.frame)
        except SceneError as error:
            self._faults = _placed_faults(error, draft, self.path.name)

    # ---- the file ----------------------------------------------------------------------------------------------

    def reread(self) -> bool:
        """Read the file again; gives whether it says something else than before.

        What an editor changed wins over the hand; the hand's other changes stay over it.
        """
        try:
            text = scene_text(self.path)
        except SceneError as error:
            self._file_faulty, self._faults = True, _placed_faults(error, "", self.path.name)
            return True
        if text == self._text and not self._file_faulty:
            return False
        self._text = text
        try:
            base = scene_of_text(text, self.path)
        except SceneError as error:
            self._file_faulty, self._faults = True, _placed_faults(error, text, self.path.name)
            return True
        self._file_faulty, self._turning = False, False
        data = tomllib.loads(text)
        changed = {name for name, knob in KNOBS.items() if in_data(knob, data) != in_data(knob, self._data)}
        for changes in (self._changes, *self._undo, *self._redo):
            for name in changed & changes.keys():
                del changes[name]
        self._data, self._base = data, base
        self._drafted()
        return True

    def write(self) -> None:
        """Write the bench into the scene file, whole or not at all. Raises :class:`RequestError` where it must not."""
        self._whole()
        raw = self._raw()
        mark = _BOM if raw.startswith(_BOM) else b""
        if raw != mark + self._text.encode():
            raise RequestError("the file has been changed meanwhile: look at it first, then write again")
        _write_whole(self.path, mark + self._draft.encode(), new=False)
        self._written()

    def write_as(self, name: str) -> Path:
        """Write the bench into a new file beside the scene's; gives its place. The scene on the bench stays."""
        self._whole()
        stem = name.removesuffix(".toml").strip()
        place = self.path.with_name(f"{stem}.toml")
        if os.path.lexists(place):
            raise RequestError(f"{place.name} is there already; choose another name")
        _write_whole(place, self._draft.encode(), new=True)
        return place

    def _whole(self) -> None:
        if self._faults:
            raise RequestError("a scene with faults is not written")

    def _raw(self) -> bytes:
        try:
            return self.path.read_bytes()
        except OSError as error:
            raise RequestError(f"the scene file cannot be read: {error.strerror or error}") from None

    def _written(self) -> None:
        """Go on from what has just been written; what was undone before can still be."""
        before: Changes = {}
        for name in self._changes:
            knob = KNOBS[name]
            value = in_data(knob, self._data)
            inside = knob.of(self._base)
            if value is not None:
                before[name] = value
            elif inside is not None:
                before[name] = written(knob, inside)
        for changes in (*self._undo, *self._redo):
            for name, value in before.items():
                changes.setdefault(name, value)
        self._text, self._changes = self._draft, {}
        self._data, self._base = tomllib.loads(self._text), self._scene

    # ---- the shelf ---------------------------------------------------------------------------------------------

    def keep(self, name: str, found: dict[str, Any], picture: bytes) -> KeptState:
        """Put the bench as it is on the shelf, with what was found of it."""
        self._whole()
        if len(self.shelf) >= _SHELF:
            raise RequestError(f"the shelf is full with {_SHELF} candidates; put one away first")
        self._kept += 1
        data = tomllib.loads(self._draft)
        values: dict[str, tuple[Any, Written]] = {}
        for key, knob in KNOBS.items():
            inside = knob.of(self._scene)
            if inside is not None:
                in_text = in_data(knob, data)
                values[key] = (inside, written(knob, inside) if in_text is None else in_text)
        words = {key: shown(knob, self._scene) for key, knob in KNOBS.items()}
        candidate = KeptState(self._kept, name, self.frame, values, words, found, picture)
        self.shelf.append(candidate)
        return candidate

    def candidate(self, number: int) -> KeptState:
        """The candidate of a number."""
        for candidate in self.shelf:
            if candidate.number == number:
                return candidate
        raise RequestError(f"there is no candidate {number} on the shelf")

    def drop(self, number: int) -> None:
        """Put a candidate away."""
        self.shelf.remove(self.candidate(number))

    def take(self, number: int) -> None:
        """Bring a candidate back onto the bench; that can be undone."""
        self._sound_file()
        candidate = self.candidate(number)
        self._step()
        self._turning = False
        self._changes = {}
        for name, (inside, text) in candidate.values.items():
            if not _alike(inside, KNOBS[name].of(self._base)):
                self._changes[name] = text
        self.frame = candidate.frame
        self._drafted()

    # ---- for the page ------------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """Everything a page needs to show, but pictures."""
        scene = self._scene
        return {
            "title": scene.title,
            "scale": f"1:{scene.scale:g}",
            "file": self.path.name,
            "unwritten": self.unwritten,
            "faults": self._faults,
            "undo": len(self._undo),
            "redo": len(self._redo),
            "frame": self.frame,
            "follows": self.follows,
            "size": list(scene.delivery.frame),
            "changed": sorted(self._changes),
            "knobs": {
                name: {
                    "label": knob.label,
                    "kind": knob.kind,
                    "value": knob.of(scene),
                    "shown": self._as_typed(name),
                    "low": knob.low,
                    "high": knob.high,
                    "choices": list(knob.choices),
                }
                for name, knob in KNOBS.items()
            },
            "move": move_drawing(scene, self.frame),
            "shelf": [
                {"number": c.number, "name": c.name, "frame": c.frame, "shown": c.shown, **c.found} for c in self.shelf
            ],
        }

    def _as_typed(self, name: str) -> str:
        # a value with a fault stays in its field as it was typed
        if self._faults and name in self._changes:
            return str(self._changes[name])
        return shown(KNOBS[name], self._scene)

    def set_key(self) -> str:
        """A name for the set that the scene needs."""
        return set_key(self._scene)


def _alike(one: Any, other: Any) -> bool:
    if isinstance(one, int | float) and isinstance(other, int | float):
        return abs(one - other) < 1e-9
    return bool(one == other)


def _plain_fault(text: str) -> dict[str, Any]:
    return {"text": text, "line": 0, "column": 0, "source": ""}


def _placed_faults(error: SceneError, text: str, file: str) -> list[dict[str, Any]]:
    """Faults for the page: a text, line and column from 1 (0: nowhere), and the line itself with the caret's place."""
    lines = text.replace("\r\n", "\n").split("\n")
    return [_placed_fault(fault, lines, file) for fault in error.faults]


def _placed_fault(fault: Fault, lines: list[str], file: str) -> dict[str, Any]:
    source, caret = "", 0
    if 1 <= fault.line <= len(lines):
        source, caret = lines[fault.line - 1].replace("\t", " "), max(fault.column - 1, 0)
        cut = max(0, caret - _LINE // 2)
        source, caret = source[cut : cut + _LINE], caret - cut
    place = f"{file}, line {fault.line}, column {fault.column}" if fault.line else file
    key = f"{fault.key}: " if fault.key else ""
    hint = f" ({fault.hint})" if fault.hint else ""
    return {
        "text": f"{place}: {key}expected {fault.expected}, found {fault.found}{hint}",
        "line": fault.line,
        "column": fault.column,
        "source": source,
        "caret": caret,
    }


def _write_whole(place: Path, data: bytes, new: bool) -> None:
    """Write a file so that at every moment it is the old one or the new one, whatever ends the program."""
    # a link stays one: what it leads to is written
    target = place.resolve()
    temporary = ""
    try:
        number, temporary = tempfile.mkstemp(prefix=".part-", suffix=".toml", dir=target.parent)
        with os.fdopen(number, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if new:
            umask = os.umask(0)
            os.umask(umask)
            Path(temporary).chmod(0o666 & ~umask)
        else:
            shutil.copymode(target, temporary)
        Path(temporary).replace(target)
    except OSError as error:
        raise RequestError(str(output_error(error, target)).replace(" with --out", "")) from error
    finally:
        if temporary:
            with suppress(OSError):
                Path(temporary).unlink()
