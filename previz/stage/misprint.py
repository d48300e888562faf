"""Paint that lies off its place on the bridge."""

from __future__ import annotations

from dataclasses import dataclass

from previz.camera import Camera
from previz.geometry import Array
from previz.judge.fast import Near, Paint
from previz.judge.layerfields import Places


@dataclass(frozen=True, eq=False)
class Misprinted:
    """``paint`` (a ``Paint``) moved as a whole by ``off`` (3,) m on the bridge.

    A point of the bridge then shows what was meant for the point ``off`` before it: for projected paint that is the
    wall hidden by that other point.
    """

    paint: Paint
    off: Array

    def at(self, points: Array, camera: Camera, depth: Array, near: Near) -> Places:
        """The pattern at points (S, N, 3) m of the bridge, ``depth`` (S, N) m from ``camera`` along its axis."""
        return self.paint.at(points - self.off, camera, depth, near)
