"""A folder watched: every new photograph is judged as it comes, one line each, so that a knock is noticed at once."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from previz.command.lineup.lineup import along_at, compared, reference_of, steps_to
from previz.errors import PlateError
from previz.lineup.locate import Located
from previz.lineup.markers import Board
from previz.scene.move import move_of
from previz.scene.reader import read_scene

KINDS: Final = (".jpg", ".jpeg", ".png", ".tif", ".tiff")

# s between looks into the folder
_PAUSE: Final = 0.5


def watch(
    scene_path: Path,
    folder: Path,
    against: Path | None,
    frame: int | None,
    count: int | None,
    say: Callable[[str, dict[str, Any]], None],
    pause: float = _PAUSE,
) -> int:
    """Judge the photographs that appear in ``folder``; ``say`` is told each one's line and values. Gives how many.

    They are compared with ``against``, or with the first photograph that can be used. Those that lie there already
    are judged first, oldest first. Ends after ``count`` photographs; without it, never.
    """
    if not folder.is_dir():
        raise PlateError(f"{folder}: there is no such folder to watch")
    scene = read_scene(scene_path)
    move = move_of(scene)
    at = move.station_frame if frame is None else frame
    if not move.frames[0] <= at <= move.frames[-1]:
        raise PlateError(f"--frame {at} lies outside the move, {move.frames[0]} to {move.frames[-1]}")
    along = along_at(move, at)
    reference: tuple[Located, Board] | None = None
    if against is not None:
        reference = reference_of(scene, move, at, against)
    sizes: dict[Path, tuple[int, int]] = {}
    judged: set[tuple[Path, tuple[int, int]]] = set()
    done = 0
    while count is None or done < count:
        for photo in _waiting(folder):
            state = _state(photo)
            if state is None or (photo, state) in judged:
                continue
            if sizes.get(photo) != state:
                # still being written, or just found: look again
                sizes[photo] = state
                continue
            judged.add((photo, state))
            try:
                if reference is None:
                    reference = reference_of(scene, move, at, photo)
                    line, values = f"{photo.name}: taken as the reference", {"reference": True}
                else:
                    found = compared(scene, move, at, photo, reference[1])
                    line, values = _judged(photo.name, found, reference[0], along)
            except PlateError as error:
                line, values = f"{photo.name}: not judged: {_without_name(str(error), photo)}", {"judged": False}
            say(line, {"photograph": photo.name, **values})
            done += 1
            if count is not None and done >= count:
                return done
        time.sleep(pause)
    return done


def _judged(name: str, found: Located, reference: Located, along: Any) -> tuple[str, dict[str, Any]]:
    steps = [step for step in steps_to(found, reference, reference.solved.camera, along) if step.sure]
    # what no hand can set, and no eye sees, is no knock
    told = [step for step in steps if abs(step.change) > _TELLING[step.unit]]
    values = {"knocked": bool(told), "steps": [step.words for step in told]}
    if not told:
        return f"{name}: in place", values
    return f"{name}: KNOCKED: {'; '.join(step.words for step in told)}", values


# smaller changes are not reported: m, rad, share
_TELLING: Final = {"mm": 2e-4, "deg": 3.5e-4, "%": 1e-3}


def _waiting(folder: Path) -> list[Path]:
    try:
        found = [path for path in folder.iterdir() if path.suffix.lower() in KINDS and not path.name.startswith(".")]
    except OSError as error:
        raise PlateError(f"{folder}: the folder cannot be read any more: {error.strerror}") from error
    states = {path: _state(path) for path in found}
    whole = [(state[1], path.name, path) for path, state in states.items() if state is not None]
    return [path for *_, path in sorted(whole)]


def _state(path: Path) -> tuple[int, int] | None:
    try:
        stat = path.stat()
    except OSError:
        return None
    return (stat.st_size, stat.st_mtime_ns) if stat.st_size else None


def _without_name(text: str, photo: Path) -> str:
    for name in (f"{photo}: ", f"{photo.name}: "):
        text = text.removeprefix(name)
    return text
