"""What side view and plan are drawn from under the hand, as plain values for the page."""

from __future__ import annotations

from typing import Any

import numpy as np

from previz.deliver.shoot.pagedata import extent_data, lens_data, move_data
from previz.draw.drawnset import lens_mark, rail_line, rail_rule
from previz.scene.given.measured import relief_of
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.shape import bridge_shape

# room (m) around what both drawings show, so that the camera has somewhere to go
_AROUND = 0.12
_AHEAD = 0.35


def move_drawing(scene: Scene, frame: int) -> dict[str, Any]:
    """Rail, marks and camera of a scene at a frame; what the two drawings must show. Lengths in m."""
    move = move_of(scene)
    frame = min(max(frame, move.frames[0]), move.frames[-1])
    rail = rail_line(move)
    points = np.concatenate([rail, bridge_shape(scene).bounds])
    low, high = points.min(axis=0) - _AROUND, points.max(axis=0) + _AROUND
    low[2] = -max(relief_of(scene), 0.06)
    high[2] += _AHEAD
    if scene.wall.opening is not None:
        high[1] = max(high[1], scene.wall.opening[3] + _AROUND)
    return {
        **extent_data(np.stack([low, high])),
        **move_data(rail, rail_rule(move)),
        **lens_data(lens_mark(move.camera(frame))),
        "rail_mm": round(1e3 * move.rail_at(frame), 3),
        "frame": frame,
        "frames": [move.frames[0], move.frames[-1]],
        "station": move.station_frame,
        "hold": list(scene.rail.hold),
        "reveal": scene.rail.reveal,
    }


def set_key(scene: Scene) -> str:
    """A name for a scene's set: another one for whatever has to be built or lit anew."""
    parts = (scene.wall, scene.bridge, scene.lamps, scene.cards, scene.light, scene.scale, str(scene.folder))
    return repr(parts)
