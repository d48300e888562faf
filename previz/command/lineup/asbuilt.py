"""A scene of the set as built: the file's own text with what a photograph showed put in.

A scene's axes hang on its bridge and on the plane of its wall. The axes of the set as built are laid through the real
bridge: they start where the line along the middle of its top meets the real wall, and lie along it. Camera, rail,
lamps, cards and marker sheets, which stand where they stood, are written down in those; so the bridge is level,
straight out and in the middle as a scene's bridge is, and nothing of its place against the lens is lost. What the wall
is off against it goes into the wall's keys as far as there are any.
"""

from __future__ import annotations

import math
import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np

from previz.geometry import Array, inverse_rigid, rigid
from previz.lineup.correction import head_angles
from previz.lineup.locate import Located
from previz.lineup.markers import Board
from previz.scene.edit import edited_text
from previz.scene.files import named_files
from previz.scene.model import Scene
from previz.scene.move import Move
from previz.scene.reader import scene_text
from previz.units import deg_text, mm_text

Changes = dict[tuple[str | int, ...], Any]

# smaller ones are not worth a sentence: m, rad; nor is a turn against the bridge that is within what the scene states
_TELLING: Final = 5e-4
_TELLING_TURN: Final = math.radians(0.05)


def as_built_text(
    scene_path: Path,
    scene: Scene,
    move: Move,
    frame: int,
    found: Located,
    built: Mapping[str, Array],
    board: Board,
    folder: Path,
) -> tuple[str, list[str]]:
    """The scene's text as built, and what it cannot say, a sentence each. ``built`` (4, 4) are the real places of
    bridge and wall from the drawing's."""
    bridge, wall = (built.get(name, np.eye(4)) for name in ("bridge", "wall"))
    axes, sill = axes_of(bridge, wall) if scene.bridge.mesh is None else (bridge, 0.0)
    in_axes = inverse_rigid(axes)
    left: list[str] = []
    changes: Changes = {}
    if built:
        _put_set(changes, scene, in_axes, sill, in_axes @ wall, left)
        _put_places(changes, scene, in_axes, left)
    _put_camera(changes, scene, move, frame, found, in_axes)
    if built or board.by_rule:
        # those placed by rule would be placed anew for the camera as found
        _put_sheets(changes, board, in_axes)
    text = scene_text(scene_path)
    for loc, name in named_files(tomllib.loads(text)):
        # as seen from the folder that the new scene lies in
        changes[loc] = _file_from(folder, scene.path(Path(name)))
    return edited_text(text, changes), left


def axes_of(bridge: Array, wall: Array) -> tuple[Array, float]:
    """The axes (4, 4) of the set as built in those of the drawing, and how far (m) along the bridge they start.

    ``bridge`` and ``wall`` (4, 4) take the drawing's places to the real ones.
    """
    normal, along = wall[:3, 2], bridge[:3, 2]
    sill = float(normal @ (wall[:3, 3] - bridge[:3, 3]) / (normal @ along))
    return rigid(bridge[:3, :3], bridge[:3, 3] + sill * along), sill


def _put_set(changes: Changes, scene: Scene, in_axes: Array, sill: float, wall: Array, left: list[str]) -> None:
    """Bridge and wall; ``wall`` (4, 4) is the real wall in the new axes."""
    if scene.bridge.mesh is None:
        changes[("bridge", "length")] = _mm(scene.bridge.length - sill)
    elif abs(float(wall[2, 3])) > _TELLING:
        # the axes are the modelled bridge's own, wherever the wall is
        left.append(f"the wall's plane lies {mm_text(float(wall[2, 3]))} out, as the modelled bridge has it")
    # where the wall's datum plane is met level with the bridge's top, in the middle of the doorway
    right, up = (float(v) for v in wall[:2, 3])
    if scene.wall.mesh is None:
        changes[("wall", "top")] = _mm(scene.wall.top + up)
        door = scene.wall.doorway
        if door is not None and abs(up) > 5e-6:
            changes[("wall", "doorway", "sill")] = _mm(door.sill + up)
        if abs(scene.wall.sideways + right) > 5e-6:
            changes[("wall", "sideways")] = _mm(scene.wall.sideways + right)
    elif float(np.hypot(right, up)) > _TELLING:
        left.append(f"the wall is off by {mm_text(right)} to the right and {mm_text(up)} up against the bridge")
    pan, tilt, roll = head_angles(wall).tolist()
    reach = 0.5 * max(scene.wall.width, scene.wall.height)
    for angle, words in (
        (pan, f"turned by {deg_text(abs(pan), 2)} about the vertical"),
        (tilt, f"leaning by {deg_text(abs(tilt), 2)} {'backwards' if tilt > 0.0 else 'forwards'}"),
        (roll, f"turned by {deg_text(abs(roll), 2)} in its own plane"),
    ):
        if abs(angle) > max(_TELLING_TURN, scene.knock.hung_turn):
            edge = mm_text(reach * abs(math.sin(angle)))
            left.append(f"the wall is {words} against the bridge: up to {edge} at its edge")


def _put_places(changes: Changes, scene: Scene, in_axes: Array, left: list[str]) -> None:
    """Lamps, cards, the rail's direction and what it aims at: they stand where they stood."""
    for name, things in (("lamp", scene.lamps), ("card", scene.cards)):
        for number, thing in enumerate(things):
            for key in ("position", "aim"):
                changes[(name, number, key)] = _place(in_axes, np.asarray(getattr(thing, key)))
    rail = scene.rail
    if not isinstance(rail.aim, str):
        changes[("rail", "aim")] = _place(in_axes, np.asarray(rail.aim))
    if not isinstance(rail.along, str):
        way = in_axes[:3, :3] @ np.asarray(rail.along, dtype=np.float64)
        changes[("rail", "along")] = [round(float(v), 6) for v in way]
        return
    tilted = float(np.arccos(np.clip(in_axes[1, 1], -1.0, 1.0)))
    if tilted > _TELLING_TURN:
        left.append(f"the curved rail is level in the scene; against the bridge it leans by {deg_text(tilted, 2)}")


def _put_camera(
    changes: Changes, scene: Scene, move: Move, frame: int, found: Located, in_axes: Array
) -> None:
    """The camera at the station frame, from where it is at ``frame``."""
    camera, own = found.solved.camera, scene.camera
    # the way that the rail takes it from the station to the frame, as the rail lies
    gone = move.positions[frame - move.frames[0]] - move.track.through
    turn = head_angles(move.camera(frame).world_from_cam) - head_angles(move.camera(move.station_frame).world_from_cam)
    changes[("camera", "position")] = _place(in_axes, np.asarray(camera.position) - gone)
    at = head_angles(in_axes @ camera.world_from_cam) - turn
    for key, angle in zip(("pan", "tilt", "roll"), np.degrees(at).tolist(), strict=True):
        changes[("camera", key)] = _deg(angle)
    lens = camera.focal_px * own.sensor[0] / found.photograph.size_px[0]
    changes[("camera", "lens")] = f"{lens * 1e3:.3f} mm"


def _put_sheets(changes: Changes, board: Board, in_axes: Array) -> None:
    """The sheets where they hang: the same in every scene of this set."""
    for sheet in board.sheets:
        right = in_axes[:3, :3] @ sheet.world_from_sheet[:3, 0]
        turn = math.degrees(math.atan2(-float(right[2]), float(right[0])))
        changes[("markers", sheet.name, "middle")] = _place(in_axes, sheet.middle)
        changes[("markers", sheet.name, "turned")] = _deg(turn)


def _place(in_axes: Array, point: Array) -> list[str]:
    return [_mm(float(v)) for v in in_axes[:3, :3] @ point + in_axes[:3, 3]]


def _file_from(folder: Path, file: Path) -> str:
    try:
        return Path(os.path.relpath(file, folder)).as_posix()
    except ValueError:
        # another drive has no way there
        return file.resolve().as_posix()


def _mm(metres: float) -> str:
    # no minus before a nought
    return f"{round(metres * 1e3, 2) + 0.0:.2f} mm"


def _deg(degrees: float) -> str:
    return f"{round(degrees, 4) + 0.0:.4f} deg"
