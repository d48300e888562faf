"""The bridge's top as a surface to stand on: where a point of it is, and how the performer's two feet stand there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from previz.geometry import Array, unit
from previz.scene.model import Scene

# the performer's stance at full size (m), middle of one foot to middle of the other, one ahead of the other along the
# bridge and beside it; of an easy stand, common practice, no source
FEET_ALONG, FEET_ACROSS = 0.25, 0.15


@dataclass(frozen=True)
class Top:
    """The top of a bridge ``length`` m long, from the sill (z = 0) towards the camera, as ``build.bridge`` makes it.

    ``width`` at the sill, ``taper`` near width / far width, ``camber`` how far the middle rises, ``bend`` how far the
    near end swings to camera right. ``start`` (m, 0 or less): how far it reaches behind the sill, into a doorway.
    ``bounded`` is False for a modelled bridge: then it is the level plane y = 0 without edges, and only sight lines
    know where that bridge ends.
    """

    length: float
    width: float
    taper: float = 1.0
    camber: float = 0.0
    bend: float = 0.0
    start: float = 0.0
    bounded: bool = True

    def middle(self, z: ArrayLike) -> Array:
        """Points (..., 3) m of the top's middle line at ``z`` (...) m from the sill."""
        z = np.asarray(z, dtype=np.float64)
        part = np.maximum(z / self.length, 0.0)
        return np.stack([self.bend * part**2, 4.0 * self.camber * part * (1.0 - part), z], axis=-1)

    def half(self, z: ArrayLike) -> Array:
        """Half the width (...) m at ``z`` (...) m from the sill."""
        part = np.maximum(np.asarray(z, dtype=np.float64) / self.length, 0.0)
        return np.asarray(0.5 * self.width * (1.0 + (self.taper - 1.0) * part))

    def on_top(self, x: ArrayLike, z: ArrayLike) -> Array:
        """Points (..., 3) m of the top at ``x`` (...) and ``z`` (...) m."""
        points = self.middle(z)
        points[..., 0] = x
        return points

    def along(self, z: float) -> Array:
        """Unit level direction (3,) of the middle line at ``z`` m from the sill, towards the camera."""
        part = max(z / self.length, 0.0)
        return unit([2.0 * self.bend * part / self.length, 0.0, 1.0])


def top_of(scene: Scene) -> Top:
    """The top of a scene's bridge; of a modelled one the level plane through the axes' origin."""
    bridge, doorway = scene.bridge, scene.wall.doorway
    if bridge.mesh is not None:
        return Top(bridge.length, bridge.width, bounded=False)
    start = -doorway.depth if doorway is not None else 0.0
    return Top(bridge.length, bridge.width, bridge.taper, bridge.camber, bridge.bend, start)


@dataclass(frozen=True, eq=False)
class Stance:
    """How a performer ``height`` m tall stands: ``foot`` (3,) m between the feet, ``feet`` (2, 3) m left and right.

    Left and right are the camera's. The left foot is the one nearer to the camera.
    """

    foot: Array
    height: float
    feet: Array

    @property
    def head(self) -> Array:
        """Top of the head (3,) m, upright above the foot mark."""
        return self.foot + [0.0, self.height, 0.0]


def stances(
    top: Top, foot_mark: float, height: float, scale: float, along: float = FEET_ALONG, across: float = FEET_ACROSS
) -> tuple[Stance, Stance]:
    """The stance on the plate's level floor at full size, feet about the origin, and the same on the bridge.

    ``foot_mark`` is m from the sill at miniature size; ``height``, ``along`` and ``across`` (how far the feet stand
    apart along the bridge and across it) m at full size; ``scale`` 20 for 1:20. The plate's axes are the scene's: the
    performer is turned as on the bridge. Where the bridge is arched the feet stand on its arch.
    """
    if not (height > 0.0 and scale > 0.0 and foot_mark >= 0.0):
        raise ValueError(f"a stance needs height, scale and place on the bridge, not {height}, {scale}, {foot_mark}")
    ahead = top.along(foot_mark)
    right = np.cross([0.0, 1.0, 0.0], ahead)
    spread = np.stack([0.5 * along * ahead - 0.5 * across * right, -0.5 * along * ahead + 0.5 * across * right])
    foot = top.middle(foot_mark)
    level = foot + spread / scale
    on_bridge = Stance(foot, height / scale, top.on_top(level[:, 0], level[:, 2]))
    return Stance(np.zeros(3), height, spread), on_bridge
