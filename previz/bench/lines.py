"""What side view, plan and the lines over the lens view are drawn from, as plain values for the page."""

from __future__ import annotations

from typing import Any

import numpy as np

from previz.draw.drawing import field_directions
from previz.draw.sideview import bridge_outlines, rail_rule, wall_profiles
from previz.geometry import Array
from previz.judge.breaks import Break
from previz.judge.tells import TELL_OF_KIND
from previz.judge.telltable import HIDDEN, TELLS
from previz.look.sight import SightLines
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.stage.prepare import BRIDGE, WALL, ReadySet

# sight lines drawn through the bridge's outline
_SIGHT_LINES = 6

# room (m) around what both drawings show, so that the camera has somewhere to go
_AROUND = 0.12
_AHEAD = 0.35

Plain = list[list[float]]


def set_drawing(ready: ReadySet) -> dict[str, Any]:
    """Wall profiles and lamps of a built set, lengths in m."""
    side, plan = wall_profiles(ready)
    bridge_side, bridge_plan = bridge_outlines(ready)
    return {
        "wall_side": _plain(side),
        "wall_plan": _plain(plan),
        "bridge_side": _plain(bridge_side),
        "bridge_plan": _plain(bridge_plan),
        "lamps": [
            {"name": lamp.name, "position": list(lamp.position), "aim": list(lamp.aim)} for lamp in ready.scene.lamps
        ],
    }


def move_drawing(scene: Scene, frame: int) -> dict[str, Any]:
    """Rail, marks and camera of a scene at a frame; what the two drawings must show. Lengths in m."""
    move = move_of(scene)
    frame = min(max(frame, move.frames[0]), move.frames[-1])
    camera = move.camera(frame)
    rail = move.track.position(np.linspace(0.0, float(move.rail[-1]), 33) - move.station_rail)
    bridge = scene.bridge
    half = 0.5 * bridge.width * max(1.0, bridge.taper)
    points = np.concatenate(
        [
            rail,
            [[-half, -bridge.thickness, 0.0], [half + max(bridge.bend, 0.0), 0.0, bridge.length]],
            [[min(bridge.bend, 0.0) - half, 0.0, bridge.length]],
        ]
    )
    low, high = points.min(axis=0) - _AROUND, points.max(axis=0) + _AROUND
    low[2] = -max(scene.wall.relief, 0.06)
    high[2] += _AHEAD
    if scene.wall.doorway is not None:
        high[1] = max(high[1], scene.wall.doorway.height + _AROUND)
    return {
        "low": low.round(4).tolist(),
        "high": high.round(4).tolist(),
        "rail_line": _plain(rail),
        "marks": [
            {"name": m.name, "frame": m.frame, "rail_mm": round(1e3 * m.rail, 2), "point": _point(m.point)}
            for m in rail_rule(scene, move).marks
        ],
        "position": _point(camera.position),
        "forward": _point(camera.forward),
        "field": np.round(np.asarray(field_directions(camera)), 5).tolist(),
        "rail_mm": round(1e3 * move.rail_at(frame), 3),
        "frame": frame,
        "frames": [move.frames[0], move.frames[-1]],
        "station": move.station_frame,
        "hold": list(scene.rail.hold),
        "reveal": scene.rail.reveal,
    }


def outline_lines(found: Break) -> list[tuple[str, list[float]]]:
    """The judged outline as lines of one kind each: a tell's name where it is broken, "hidden" elsewhere.

    Points are px of the frame that was judged, x after y after x.
    """
    outline = found.outline
    names = [*TELLS, HIDDEN.word]
    kinds = np.where(found.broken, TELL_OF_KIND[found.kind], len(TELLS))
    lines: list[tuple[str, list[float]]] = []
    for number in range(len(outline.closed)):
        here = np.flatnonzero(outline.line == number)
        if len(here) == 0:
            continue
        ends = np.flatnonzero(np.diff(kinds[here])) + 1
        for run in np.split(np.arange(len(here)), ends):
            # one point more, so that neighbouring runs meet
            stretch = here[run[0] : run[-1] + 2]
            if run[-1] == len(here) - 1 and outline.closed[number]:
                stretch = np.append(stretch, here[0])
            xy = outline.xy[stretch]
            xy = xy[np.isfinite(xy).all(axis=1)]
            lines.append((names[int(kinds[here[run[0]]])], np.round(xy, 1).ravel().tolist()))
    return lines


def sight_drawing(found: Break, move: Move, frame: int, size_px: tuple[int, int], sight: SightLines) -> list[Any]:
    """Sight lines through pieces of the outline: [point of the bridge, point of the wall behind it, broken]."""
    outline = found.outline
    chosen = np.unique(np.linspace(0, len(outline) - 1, _SIGHT_LINES).astype(int))
    camera = move.camera(frame, *size_px)
    origins, directions = camera.rays((outline.xy - outline.spacing_px * outline.normal)[chosen])
    edge = sight.first_hits(origins, directions, names=[BRIDGE])
    wall = sight.first_hits(origins, directions, names=[WALL])
    met = np.isfinite(edge.distance) & np.isfinite(wall.distance)
    return [
        [_point(edge.point[k]), _point(wall.point[k]), bool(found.broken[chosen[k]])]
        for k in np.flatnonzero(met)
    ]


def _plain(points: Array | None) -> Plain | None:
    return None if points is None else [[round(float(v), 4) for v in point] for point in points]


def _point(point: Array) -> list[float]:
    return [round(float(v), 5) for v in point]


def set_key(scene: Scene) -> str:
    """A name for a scene's set: another one for whatever has to be built or lit anew."""
    parts = (scene.wall, scene.bridge, scene.lamps, scene.cards, scene.light, scene.scale, str(scene.folder))
    return repr(parts)
