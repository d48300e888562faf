"""The bridge's top as a surface to stand on: where a point of it is, and how the performer's two feet stand there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from previz.geometry import Array
from previz.scene.model import Scene
from previz.scene.shape import BridgeShape, bridge_shape

# the performer's stance at full size (m), middle of one foot to middle of the other, one ahead of the other along the
# bridge and beside it; of an easy stand, common practice, no source
FEET_ALONG, FEET_ACROSS = 0.25, 0.15


@dataclass(frozen=True, eq=False)
class Top:
    """The top of a bridge; ``start`` (m, 0 or less): how far it reaches behind the sill, into a doorway."""

    shape: BridgeShape
    start: float = 0.0

    def on_top(self, x: ArrayLike, z: ArrayLike) -> Array:
        """Points (..., 3) m of the top at ``x`` (...) and ``z`` (...) m."""
        x, z = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(z, dtype=np.float64))
        return np.stack([x, self.shape.floor(x, z), z], axis=-1)


def top_of(scene: Scene) -> Top:
    """The top of a scene's bridge."""
    doorway = scene.wall.doorway
    return Top(bridge_shape(scene), -doorway.depth if doorway is not None else 0.0)


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
    performer is turned as on the bridge. Where the bridge is arched or has steps each foot stands on what is under it.
    """
    if not (height > 0.0 and scale > 0.0 and foot_mark >= 0.0):
        raise ValueError(f"a stance needs height, scale and place on the bridge, not {height}, {scale}, {foot_mark}")
    ahead = top.shape.ahead(foot_mark)
    right = np.cross([0.0, 1.0, 0.0], ahead)
    spread = np.stack([0.5 * along * ahead - 0.5 * across * right, -0.5 * along * ahead + 0.5 * across * right])
    foot = top.shape.on_middle(foot_mark)
    level = foot + spread / scale
    on_bridge = Stance(foot, height / scale, top.on_top(level[:, 0], level[:, 2]))
    return Stance(np.zeros(3), height, spread), on_bridge
