"""A scene of the set as built: the file's own text with what a photograph showed put in."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from previz.lineup.asbuilt import Offset
from previz.lineup.correction import head_angles
from previz.lineup.locate import Located
from previz.scene.edit import edited_text
from previz.scene.model import Scene
from previz.scene.move import Move
from previz.scene.reader import scene_text
from previz.units import mm_text

# keys whose values are files, as seen from the scene's folder
_FILES: Final = (
    *(("wall", key) for key in ("mesh", "photo")),
    *(("bridge", key) for key in ("mesh", "image")),
    *(("plate", key) for key in ("figure", "still", "miniature", "wanted", "take")),
)


def as_built_text(
    scene_path: Path,
    scene: Scene,
    move: Move,
    frame: int,
    found: Located,
    built: Sequence[Offset],
    folder: Path,
) -> tuple[str, list[str]]:
    """The scene's text as built, and what it cannot say."""
    camera = found.solved.camera
    left: list[str] = []
    place = camera.position - (move.positions[frame - move.frames[0]] - move.track.through)
    pan, tilt, roll = np.degrees(head_angles(camera.world_from_cam) - head_angles(move.camera(frame).world_from_cam))
    own = scene.camera
    lens = camera.focal_px * own.sensor[0] / found.photograph.size_px[0]
    changes: dict[tuple[str | int, ...], Any] = {}
    lift, door = 0.0, np.zeros(3)
    for offset in built:
        if offset.piece == "bridge":
            sill = offset.moved(np.zeros(3))
            far = offset.moved(np.array([scene.bridge.bend, 0.0, scene.bridge.length]))
            lift = float(sill[1])
            door = sill
            changes[("bridge", "length")] = _mm(float(far[2]))
            changes[("bridge", "bend")] = _mm(float(far[0] - sill[0]))
            if abs(far[1] - sill[1]) > 1e-3:
                left.append(f"the bridge's near end stands {mm_text(float(far[1] - sill[1]))} higher than its sill")
        else:
            left.append(f"the wall is off by {', '.join(mm_text(float(v)) for v in offset.shift)} (right, up, out)")
            changes[("wall", "top")] = _mm(scene.wall.top + float(offset.shift[1]))
    if lift:
        top = scene.wall.top + sum(float(o.shift[1]) for o in built if o.piece == "wall")
        changes[("wall", "top")] = _mm(top - lift)
    if abs(float(door[0])) > 1e-3:
        left.append(f"the bridge lies {mm_text(float(door[0]))} to the right of the doorway's middle")
    # axes start at the bridge's top: what is measured from it shifts with it
    origin = np.array([door[0], lift, 0.0])
    changes[("camera", "position")] = [_mm(float(v)) for v in place - origin]
    changes[("camera", "pan")] = f"{math.degrees(own.pan) + float(pan):.4f} deg"
    changes[("camera", "tilt")] = f"{math.degrees(own.tilt) + float(tilt):.4f} deg"
    changes[("camera", "roll")] = f"{math.degrees(own.roll) + float(roll):.4f} deg"
    changes[("camera", "lens")] = f"{lens * 1e3:.3f} mm"
    if np.any(origin):
        for number, lamp in enumerate(scene.lamps):
            changes[("lamp", number, "position")] = [_mm(float(v)) for v in np.asarray(lamp.position) - origin]
            changes[("lamp", number, "aim")] = [_mm(float(v)) for v in np.asarray(lamp.aim) - origin]
    for table, key in _FILES:
        value = getattr(getattr(scene, table), key, None)
        if value is not None:
            changes[(table, key)] = _file_from(folder, scene.path(Path(value)))
    return edited_text(scene_text(scene_path), changes), left


def _file_from(folder: Path, file: Path) -> str:
    try:
        return Path(os.path.relpath(file, folder)).as_posix()
    except ValueError:
        # another drive has no way there
        return file.resolve().as_posix()


def _mm(metres: float) -> str:
    return f"{metres * 1e3:.2f} mm"
