"""The side elevation and plan of a set, frame by frame: what the drawing needs, gathered from the set."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from previz import colour
from previz.camera import OrthoCamera
from previz.draw.drawing import (
    Dimension,
    SideFrame,
    SideSheet,
    SideStatic,
    field_directions,
    sheet_cameras,
    usual_dimensions,
)
from previz.draw.paper import TitleBlock
from previz.draw.railrule import RailMark, RailRule
from previz.draw.style import PAPER_LINEAR
from previz.draw.symbols import LampMark
from previz.geometry import Array, unit
from previz.judge.frame import JudgedFrame
from previz.judge.outline import Outline
from previz.look.sight import SightLines
from previz.look.view import Engine
from previz.scene.model import Scene
from previz.scene.move import Move
from previz.stage.prepare import BRIDGE, WALL, WITH_BRIDGE, ReadySet
from previz.workshop.section import section
from previz.workshop.surface import Pixels8

# sight lines drawn through the bridge's outline
_SIGHT_LINES = 6

# the wall is shown around what matters: this far (m) beyond the bridge, the camera and what they hide
_AROUND = 0.08


class SideView:
    """Draws the side sheets of one ready set. ``engine`` draws the two pictures under the lines, once."""

    def __init__(self, ready: ReadySet, engine: Engine, date: str) -> None:
        self._ready = ready
        self._move = ready.move
        self._sight = SightLines([s for s in ready.lit if s.name in (WALL, BRIDGE)])
        # low and high corner (2, 3) m of what the drawings must show
        self.shown = _shown(ready, self._move, self._sight)
        side, plan = sheet_cameras(self.shown)
        engine.load(ready.lit)
        bridge_side, bridge_plan = bridge_outlines(ready)
        wall_side, wall_plan = wall_profiles(ready)
        self.static = SideStatic(
            title=title_block(ready.scene, date, "side elevation and plan"),
            side=side,
            plan=plan,
            bridge_side=bridge_side,
            bridge_plan=bridge_plan,
            rail=rail_rule(ready.scene, self._move),
            rail_line=_rail_line(self._move),
            side_picture=_picture(engine, side),
            plan_picture=_picture(engine, plan),
            wall_side=wall_side,
            wall_plan=wall_plan,
            lamps=tuple(
                LampMark(lamp.name, np.asarray(lamp.position), np.asarray(lamp.aim)) for lamp in ready.scene.lamps
            ),
            dimensions=_dimensions(ready.scene, self._move),
        )
        self._sheet = SideSheet(self.static)

    def at(self, judged: JudgedFrame) -> Pixels8:
        """The sheet of a frame, (H, W, 3) uint8."""
        return self._sheet.frame(self.frame(judged))

    def frame(self, judged: JudgedFrame) -> SideFrame:
        """What moves on the sheet of a frame."""
        score = judged.score
        camera = self._move.camera(score.frame)
        lines, broken = self._sight_lines(judged)
        return SideFrame(
            frame=score.frame,
            rail=score.rail,
            position=np.asarray(camera.position),
            forward=np.asarray(camera.forward),
            field=field_directions(camera),
            break_pct=score.break_pct,
            sight_lines=lines,
            broken=broken,
            tells=score.tells,
        )

    def _sight_lines(self, judged: JudgedFrame) -> tuple[Array, NDArray[np.bool_]]:
        found = judged.found
        none = np.zeros((0, 2, 3)), np.zeros(0, dtype=np.bool_)
        if found is None:
            return none
        outline: Outline = found.outline
        chosen = np.unique(np.linspace(0, len(outline) - 1, _SIGHT_LINES).astype(int))
        camera = self._move.camera(judged.score.frame, judged.width_px, judged.height_px)
        origins, directions = camera.rays((outline.xy - outline.spacing_px * outline.normal)[chosen])
        edge = self._sight.first_hits(origins, directions, names=[BRIDGE])
        wall = self._sight.first_hits(origins, directions, names=[WALL])
        met = np.isfinite(edge.distance) & np.isfinite(wall.distance)
        if not met.any():
            return none
        return np.stack([edge.point[met], wall.point[met]], axis=1), found.broken[chosen][met]


def title_block(scene: Scene, date: str, subject: str, sheet: int = 1, sheets: int = 1) -> TitleBlock:
    """The title block of a sheet of this scene."""
    return TitleBlock(scene.title, f"1:{scene.scale:g}", date, subject, sheet, sheets)


def rail_rule(scene: Scene, move: Move) -> RailRule:
    """The rail with the marks of the move."""
    frames = {"start": move.frames[0], "hold": scene.rail.hold[0], "hold ends": scene.rail.hold[1]}
    frames |= {"station": move.station_frame, "end": move.frames[-1]}
    if scene.rail.reveal is not None:
        frames["reveal"] = scene.rail.reveal
    if frames["hold"] == frames["start"]:
        del frames["hold"]
    marks = tuple(
        RailMark(name, frame, move.rail_at(frame), np.asarray(move.camera(frame).position))
        for name, frame in sorted(frames.items(), key=lambda item: item[1])
    )
    hold = scene.rail.hold
    return RailRule(float(move.rail[-1]), marks, (move.rail_at(hold[0]), move.rail_at(hold[1])))


def _rail_line(move: Move) -> Array:
    distances = np.linspace(0.0, float(move.rail[-1]), 33) - move.station_rail
    return move.track.position(distances)


def _shown(ready: ReadySet, move: Move, sight: SightLines) -> Array:
    """Points (N, 3) that both views must show: bridge, lens, rail, and the wall around what the bridge hides."""
    bridge = ready.built.bridge.surface.vertices
    rail = _rail_line(move)
    station = ready.station_point
    behind = sight.first_hits(np.broadcast_to(station, bridge.shape).copy(), unit(bridge - station), names=[WALL])
    hidden = behind.point[np.isfinite(behind.distance)]
    points = np.concatenate([bridge, rail, hidden]) if len(hidden) else np.concatenate([bridge, rail])
    low, high = points.min(axis=0) - _AROUND, points.max(axis=0) + _AROUND
    doorway = ready.scene.wall.doorway
    if doorway is not None:
        high[1] = max(high[1], doorway.height + _AROUND)
    # the wall's thickness is not news: a hand's breadth of it is enough
    low[2] = -max(ready.scene.wall.relief, 0.06)
    return np.stack([low, high])


def bridge_outlines(ready: ReadySet) -> tuple[Array, Array]:
    """Outlines (N, 3) m of the bridge seen from the side and from above: the hulls of its points before the wall."""
    vertices = ready.built.bridge.surface.vertices
    in_front = vertices[vertices[:, 2] >= 0.0]
    points = in_front if len(in_front) > 3 else vertices
    side, above = (points[ConvexHull(points[:, axes]).vertices] for axes in ([2, 1], [2, 0]))
    return np.asarray(side), np.asarray(above)


def wall_profiles(ready: ReadySet) -> tuple[Array | None, Array | None]:
    """The wall cut through the bridge's middle and at its top: (N, 3) m each, None where there is no wall."""
    # a hair beside the middle and the top, so that the cut does not run along an edge of the mesh
    point = np.array([1e-4, -1e-4, 0.0])
    return (
        section(ready.built.wall, point, np.array([1.0, 0.0, 0.0])),
        section(ready.built.wall, point, np.array([0.0, 1.0, 0.0])),
    )


def _picture(engine: Engine, camera: OrthoCamera) -> Pixels8:
    return colour.encoded8(engine.draw(camera, WITH_BRIDGE, background=PAPER_LINEAR).colour)


def _dimensions(scene: Scene, move: Move) -> tuple[Dimension, ...]:
    rail = move.positions
    near_end = np.array([scene.bridge.bend, 0.0, scene.bridge.length])
    station = np.asarray(move.camera(move.station_frame).position)
    return usual_dimensions(station, np.zeros(3), near_end, rail[0], rail[-1])
