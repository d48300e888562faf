"""The performer's cut-out, standing where the scene wants it in a lens view."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from previz import colour
from previz.build.surface import Pixels8
from previz.camera import Camera
from previz.deliver.cutout import Figure, figure_of, place_cutout
from previz.deliver.frames import read_png
from previz.errors import BuildError
from previz.geometry import Array
from previz.scene.model import Scene


@dataclass(frozen=True, eq=False)
class StandingFigure:
    """A cut-out that stands at ``foot`` (3,) m and is ``height`` m tall, at miniature size."""

    cutout: Figure
    foot: Array
    height: float

    def stood_in(self, frame: Pixels8, camera: Camera) -> Pixels8:
        """The frame (H, W, 3) uint8 with the figure in it; unchanged where the foot is not in view."""
        foot, head = camera.project(np.stack([self.foot, self.foot + [0.0, self.height, 0.0]]))
        if not np.isfinite([foot, head]).all():
            return frame
        up = foot - head
        tall = float(np.linalg.norm(up))
        roll = float(np.arctan2(head[0] - foot[0], foot[1] - head[1]))
        linear = place_cutout(colour.decoded8(frame), self.cutout, (float(foot[0]), float(foot[1])), tall, roll)
        return colour.encoded8(linear)


def standing_figure(scene: Scene) -> StandingFigure | None:
    """The scene's figure, or None where it has none. A folder of numbered frames gives its first."""
    plate = scene.plate
    if plate is None or plate.figure is None:
        return None
    path = scene.path(plate.figure)
    if path.is_dir():
        frames = sorted(p for p in path.iterdir() if p.suffix.lower() == ".png")
        if not frames:
            raise BuildError(f"{path}: no PNG frames in this folder; put the figure's numbered frames there")
        path = frames[0]
    foot_mark = plate.foot_mark
    bridge = scene.bridge
    along = foot_mark / bridge.length
    foot = np.array([bridge.bend * along**2, 4.0 * bridge.camber * along * (1.0 - along), foot_mark])
    return StandingFigure(figure_of(_rgba(path)), foot, plate.height / scene.scale)


def _rgba(path: Path) -> Pixels8:
    picture = read_png(path)
    if picture.ndim != 3 or picture.shape[2] != 4:
        raise BuildError(f"{path}: the figure has no alpha channel; save the cut-out as a PNG with transparency")
    return picture
