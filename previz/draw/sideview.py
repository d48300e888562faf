"""The side elevation and plan of a set, frame by frame: what the drawing needs, gathered from the set."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.camera import Camera, OrthoCamera
from previz.draw.drawing import SideFrame, SideSheet, SideStatic, sheet_cameras, usual_dimensions
from previz.draw.drawnset import drawn_set, lens_mark, rail_line
from previz.draw.paper import TitleBlock
from previz.draw.style import PAPER_LINEAR
from previz.geometry import Array, unit
from previz.judge.breaks import Break
from previz.judge.frame import JudgedFrame
from previz.look.sight import SightLines
from previz.look.view import Engine
from previz.scene.given.measured import relief_of
from previz.scene.model import Scene
from previz.scene.move import Move
from previz.stage.prepare import BRIDGE, WALL, WITH_BRIDGE, ReadySet
from previz.workshop.surface import Pixels8

# sight lines drawn through the bridge's outline
_SIGHT_LINES = 6

# the wall is shown around what matters: this far (m) beyond the bridge, the camera and what they hide
_AROUND = 0.08


class SideView:
    """Draws the side sheets of one ready set. ``engine`` draws the two pictures under the lines, once."""

    def __init__(self, ready: ReadySet, engine: Engine, date: str) -> None:
        self._move = ready.move
        self._sight = SightLines([s for s in ready.lit if s.name in (WALL, BRIDGE)])
        # low and high corner (2, 3) m of what the drawings must show
        self.shown = _shown(ready, self._move, self._sight)
        side, plan = sheet_cameras(self.shown)
        engine.load(ready.lit)
        drawn = drawn_set(self._move, ready.built.wall)
        self.static = SideStatic(
            title=title_block(ready.scene, date, "side elevation and plan"),
            side=side,
            plan=plan,
            drawn=drawn,
            side_picture=_picture(engine, side),
            plan_picture=_picture(engine, plan),
            dimensions=usual_dimensions(drawn),
        )
        self._sheet = SideSheet(self.static)

    def at(self, judged: JudgedFrame) -> Pixels8:
        """The sheet of a frame, (H, W, 3) uint8."""
        return self._sheet.frame(self.frame(judged))

    def frame(self, judged: JudgedFrame) -> SideFrame:
        """What moves on the sheet of a frame."""
        score = judged.score
        camera = self._move.camera(score.frame, judged.width_px, judged.height_px)
        lines, broken = sight_lines(judged.found, camera, self._sight)
        return SideFrame(
            frame=score.frame,
            rail=score.rail,
            lens=lens_mark(self._move.camera(score.frame)),
            break_pct=score.shown_pct,
            sight_lines=lines,
            broken=broken,
            tells=score.tells,
        )


def sight_lines(found: Break | None, camera: Camera, sight: SightLines) -> tuple[Array, NDArray[np.bool_]]:
    """Sight lines (M, 2, 3) m through pieces of a judged outline, from the bridge's edge to the wall behind it, and
    which (M,) of those pieces show. ``camera`` is the one whose frame was judged."""
    if found is None:
        return np.zeros((0, 2, 3)), np.zeros(0, dtype=np.bool_)
    outline = found.outline
    chosen = np.unique(np.linspace(0, len(outline) - 1, _SIGHT_LINES).astype(int))
    origins, directions = camera.rays((outline.xy - outline.spacing_px * outline.normal)[chosen])
    edge = sight.first_hits(origins, directions, names=[BRIDGE])
    wall = sight.first_hits(origins, directions, names=[WALL])
    met = np.isfinite(edge.distance) & np.isfinite(wall.distance)
    return np.stack([edge.point[met], wall.point[met]], axis=1), found.broken[chosen][met]


def title_block(scene: Scene, date: str, subject: str, sheet: int = 1, sheets: int = 1) -> TitleBlock:
    """The title block of a sheet of this scene."""
    return TitleBlock(scene.title, f"1:{scene.scale:g}", date, subject, sheet, sheets)


def _shown(ready: ReadySet, move: Move, sight: SightLines) -> Array:
    """Points (N, 3) that both views must show: bridge, lens, rail, and the wall around what the bridge hides."""
    bridge = ready.built.bridge.surface.vertices
    station = ready.station_point
    behind = sight.first_hits(np.broadcast_to(station, bridge.shape).copy(), unit(bridge - station), names=[WALL])
    hidden = behind.point[np.isfinite(behind.distance)]
    points = np.concatenate([bridge, rail_line(move), hidden])
    low, high = points.min(axis=0) - _AROUND, points.max(axis=0) + _AROUND
    opening = ready.scene.wall.opening
    if opening is not None:
        high[1] = max(high[1], opening[3] + _AROUND)
    # the wall's thickness is not news: a hand's breadth of it is enough
    low[2] = -max(relief_of(ready.scene), 0.06)
    return np.stack([low, high])


def _picture(engine: Engine, camera: OrthoCamera) -> Pixels8:
    return colour.encoded8(engine.draw(camera, WITH_BRIDGE, background=PAPER_LINEAR).colour)
