"""Paint that lies off its place on the bridge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from previz.camera import Camera
from previz.geometry import Array, turned
from previz.judge.fast import Near, Paint
from previz.judge.layerfields import Shown


@dataclass(frozen=True, eq=False)
class Misprinted:
    """``paint`` (a ``Paint``) turned as a whole by ``turn`` rad about the upright through ``middle`` (3,) m, its near
    end to camera right where that is positive, and then moved by ``off`` (3,) m on the bridge.

    A point of the bridge then shows what was meant for the point ``off`` before it: for projected paint that is the
    wall hidden by that other point.
    """

    paint: Paint
    off: Array
    turn: float = 0.0
    middle: Array | None = None

    def at(self, points: Array, camera: Camera, depth: Array, near: Near) -> Shown:
        """The pattern at points (S, N, 3) m of the bridge, ``depth`` (S, N) m from ``camera`` along its axis."""
        middle = np.zeros(3) if self.middle is None else self.middle
        return self.paint.at(meant_points(points, self.off, self.turn, middle), camera, depth, near)


def meant_points(points: Array, off: Array, turn: float, middle: Array) -> Array:
    """Points (..., 3) m of a bridge whose paint lies at ``points``: it was turned by ``turn`` rad about the upright
    through ``middle`` (3,) m, and then moved by ``off`` (3,) m."""
    meant = points - off
    if turn != 0.0:
        # a rotation is undone by its transpose: from the right, itself
        meant = middle + (meant - middle) @ turned(-turn, 0.0, 0.0)
    return np.asarray(meant)
