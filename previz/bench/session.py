"""The scene on the bench: what the file says, what has been set by hand over it, the way back, and the shelf.

What is set by hand is a change of the file's text that has not been written yet. So the scene's own reader judges it,
and writing back keeps comments and layout. What it refuses is not set: the bench always has a scene without a fault.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import tomllib
from contextlib import suppress
from pathlib import Path
from typing import Any

from previz.bench.faults import about, placed_faults, refusal
from previz.bench.knobs import KNOBS, Written, in_data, shown, written
from previz.bench.lines import move_drawing, set_key
from previz.bench.protocol import RequestError, file_stem
from previz.bench.store import BenchStore, Changes, HandState, KeptState
from previz.errors import SceneError
from previz.run.output import output_error
from previz.scene.edit import edited_text
from previz.scene.model import Scene
from previz.scene.move import FIRST_FRAME
from previz.scene.reader import scene_of_text, scene_text

# steps that can be undone
_STEPS = 200

# candidates on the shelf
_SHELF = 24

_BOM = b"\xef\xbb\xbf"


class Session:
    """One scene file on the bench. Raises :class:`SceneError` where the file cannot be used to begin with.

    With a ``store`` the bench goes on from what it holds, and keeps there what has been set and not been written.
    """

    def __init__(self, path: Path, store: BenchStore | None = None) -> None:
        self.path = Path(path)
        self._store = store
        self._base_on(scene_text(self.path))
        self._scene, self._draft = self._base, self._text
        self._faults: list[dict[str, Any]] = []
        self._changes: Changes = {}
        # values of the hand's where the file has been given others since: neither is lost until one is chosen
        self._aside: Changes = {}
        self._undo: list[Changes] = []
        self._redo: list[Changes] = []
        self._turning = False
        self.taken_up = False
        self.shelf: list[KeptState] = [] if store is None else store.shelf()
        self._kept = max((one.number for one in self.shelf), default=0)
        self.frame = self._move_frame()
        self.follows = True
        self.laid_at: tuple[float, float, float] = self._scene.camera.position
        left = None if store is None else store.hand()
        if left is not None:
            self._take_up(left)

    def _base_on(self, text: str) -> None:
        """Take a text of the file over; its data and its scene are what changes are laid over."""
        self._base = scene_of_text(text, self.path)
        self._text, self._seen, self._data = text, text, tomllib.loads(text)

    def _move_frame(self) -> int:
        return int(KNOBS["station"].of(self._scene) or 0)

    def _take_up(self, left: HandState) -> None:
        """Go on where a bench before this one ended; the file may have been changed since."""
        now = self._text
        try:
            if left.text != now:
                self._base_on(left.text)
            self._lay(left.changes)
        except (SceneError, RequestError):
            self._base_on(now)
            self._aside = left.changes | left.aside
            self._lay({})
            self.taken_up = True
            return
        self._undo, self._redo, self._aside = left.undo, left.redo, left.aside
        self.follows, self.laid_at = left.follows, left.laid_at
        self.taken_up = self.unwritten or bool(left.aside)
        self.go(left.frame)
        if left.text != now:
            self.reread()

    @property
    def scene(self) -> Scene:
        """The scene that the bench has; it never has a fault."""
        return self._scene

    @property
    def text(self) -> str:
        """The scene file as it would be written now."""
        return self._draft

    @property
    def faulty(self) -> bool:
        """Whether the scene file cannot be used as it is now; ``scene`` is then that of the file before."""
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
        """Set values. Turns that are not ``still``, and the still one after them, are one step of undoing.

        What cannot be is refused, and a gesture that ends there stays where it was last.
        """
        self._sound_file()
        turning, self._turning = self._turning, not still and self._turning
        # together or not at all
        wanted = {name: written(KNOBS[name], value) for name, value in values.items()}
        before = dict(self._changes)
        try:
            self._lay(before | wanted)
        except SceneError as error:
            raise RequestError(refusal(wanted, error), about(error, wanted)) from error
        if not turning and self._changes != before:
            self._step(before)
        self._turning = not still and (turning or self._changes != before)
        for name in wanted:
            self._aside.pop(name, None)

    def choose(self, name: str, mine: bool) -> None:
        """Of two values of one knob take the hand's, or the file's. Raises :class:`RequestError` without a choice."""
        if name not in self._aside:
            raise RequestError("there is nothing to choose there any more")
        if mine:
            self.turn({name: self._aside[name]})
        else:
            self._sound_file()
            before = dict(self._changes)
            self._relay({k: v for k, v in before.items() if k != name})
            if self._changes != before:
                self._step(before)
            self._turning = False
        self._aside.pop(name, None)

    def undo(self) -> None:
        """Take the last step back."""
        self._back(self._undo, self._redo, "there is nothing to undo")

    def redo(self) -> None:
        """Take back the last undoing."""
        self._back(self._redo, self._undo, "there is nothing to do again")

    def leave(self) -> None:
        """Go back to what the file says."""
        self._sound_file()
        if self._changes:
            before = dict(self._changes)
            self._lay({})
            self._step(before)
            self._turning = False

    def _back(self, one: list[Changes], other: list[Changes], word: str) -> None:
        self._sound_file()
        self._turning = False
        if not one:
            raise RequestError(word)
        before = dict(self._changes)
        step = one.pop()
        self._relay(step)
        other.append(before)

    def _step(self, before: Changes) -> None:
        self._undo.append(before)
        del self._undo[:-_STEPS]
        self._redo.clear()

    def _sound_file(self) -> None:
        if self._faults:
            raise RequestError("the scene file has faults: put them right first, then go on here")

    def _relay(self, changes: Changes) -> None:
        """Lay changes that were there before; refused where the file has been changed so that they fit it no more."""
        try:
            self._lay(changes)
        except SceneError as error:
            why = error.faults[0]
            raise RequestError(
                f"that step does not fit the file as it is now and is left out: {why.key}: expected {why.expected}, "
                f"found {why.found}"
            ) from error

    def _lay(self, changes: Changes) -> None:
        """Lay changes over the file's text and take the scene over, or raise and leave all as it is."""
        # what the file says already is no change
        changes = {name: value for name, value in changes.items() if in_data(KNOBS[name], self._data) != value}
        try:
            draft = edited_text(self._text, {KNOBS[name].loc: value for name, value in changes.items()})
        except ValueError as error:
            raise RequestError(f"the scene file cannot be changed here: {error}", tuple(changes)) from error
        self._scene = scene_of_text(draft, self.path)
        self._draft, self._changes = draft, changes
        self.go(self.frame)

    # ---- the file ----------------------------------------------------------------------------------------------

    def reread(self) -> bool:
        """Read the file again; gives whether it says something else than before.

        What an editor changed is taken over; where the hand had set another value, that one is put aside to be chosen,
        and undoing brings it back. The hand's other changes stay over the file.
        """
        text = ""
        try:
            text = scene_text(self.path)
            if text == self._seen and not self._faults:
                return False
            before, data, aside = dict(self._changes), self._data, dict(self._aside)
            self._base_on(text)
        except SceneError as error:
            self._seen, self._faults, self._turning = text, placed_faults(error, text, self.path.name), False
            return True
        self._faults, self._turning = [], False
        changed = {name for name, knob in KNOBS.items() if in_data(knob, self._data) != in_data(knob, data)}
        rest = {name: value for name, value in before.items() if name not in changed}
        try:
            self._lay(rest)
        except (SceneError, RequestError):
            rest = {}
            self._lay(rest)
        for name in before.keys() - rest.keys():
            if in_data(KNOBS[name], self._data) != before[name]:
                aside[name] = before[name]
        if aside != self._aside:
            # what was undone before can still be done again
            self._undo.append(before)
        # what the file says by now is no other value
        self._aside = {name: value for name, value in aside.items() if in_data(KNOBS[name], self._data) != value}
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
        place = self.path.with_name(f"{file_stem(name)}.toml")
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
        self._changes = {}
        self._base_on(self._draft)

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
        self._keep_shelf()
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
        self._keep_shelf()

    def take(self, number: int) -> None:
        """Bring a candidate back onto the bench; that can be undone."""
        self._sound_file()
        candidate, before = self.candidate(number), dict(self._changes)
        own = candidate.values.items()
        self._relay({name: text for name, (inside, text) in own if not _alike(inside, KNOBS[name].of(self._base))})
        if self._changes != before:
            self._step(before)
        self._turning = False
        self.go(candidate.frame)

    # ---- for the page ------------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """Everything a page needs to show, but pictures."""
        scene = self._scene
        return {
            "scene": self.name(),
            "title": scene.title,
            "rate": float(scene.delivery.rate),
            "solving": scene.wants_solving,
            "scale": f"1:{scene.scale:g}",
            "file": self.path.name,
            "unwritten": self.unwritten,
            "faults": self._faults,
            "undo": len(self._undo),
            "redo": len(self._redo),
            "taken_up": self.taken_up,
            "frame": self.frame,
            "follows": self.follows,
            "size": list(scene.delivery.frame),
            "changed": sorted(self._changes),
            "knobs": {
                name: {
                    "label": knob.label,
                    "kind": knob.kind,
                    "value": knob.of(scene),
                    "shown": shown(knob, scene),
                    "low": knob.low,
                    "high": knob.high,
                    "choices": list(knob.choices),
                    "aside": self._two_values(name),
                }
                for name, knob in KNOBS.items()
            },
            "move": move_drawing(scene, self.frame),
            "shelf": [
                {"number": c.number, "name": c.name, "frame": c.frame, "shown": c.shown, **c.found} for c in self.shelf
            ],
        }

    def _two_values(self, name: str) -> dict[str, str] | None:
        """The two values to choose from, the hand's and the file's; None where there is no choice to make."""
        if name not in self._aside:
            return None
        return {"mine": str(self._aside[name]), "file": shown(KNOBS[name], self._base)}

    # ---- on disk -----------------------------------------------------------------------------------------------

    def keep_hand(self) -> None:
        """Keep what has been set and is not written on disk. Raises :class:`~previz.errors.OutputError`."""
        if self._store is None:
            return
        if not (self.unwritten or self._undo or self._redo or self._aside):
            self._store.forget_hand()
            return
        self._store.keep_hand(
            HandState(
                self._text, self._changes, self._undo, self._redo, self._aside, self.frame, self.follows, self.laid_at
            )
        )

    def _keep_shelf(self) -> None:
        if self._store is not None:
            self._store.keep_shelf(self.shelf)

    def name(self) -> str:
        """A name for all that numbers follow from but the frame: another one for another scene, or place of paint."""
        place = "" if self.follows else repr(self.laid_at)
        return hashlib.sha256(f"{self._draft}\n{place}".encode()).hexdigest()[:16]

    def set_key(self) -> str:
        """A name for the set that the scene needs."""
        return set_key(self._scene)


def _alike(one: Any, other: Any) -> bool:
    if isinstance(one, int | float) and isinstance(other, int | float):
        return abs(one - other) < 1e-9
    return bool(one == other)


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
