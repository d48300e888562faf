"""Rays as the baking of light needs them: what the caller's ray caster must answer, and what cards keep off.

This room has no ray caster of its own (DEVELOPERS.md, the list of rooms); :class:`Caster` says what it asks for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from previz.scene.model import Card
from previz.workshop.light.lamps import facing_frame
from previz.workshop.surface import Picture

# distance (m) off a surface at which rays start, so that a texel does not stand in its own light
CLEARANCE = 3e-4

Numbers = NDArray[np.int32]
Single = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Met:
    """What N rays met first of one surface: ``face`` (N,) int32, -1 where nothing; weights ``u`` and ``v`` (N,) of the
    face's second and third corner; ``distance`` (N,) float32 m, inf where nothing; ``front`` (N,) bool where it was met
    from outside.
    """

    face: Numbers
    u: Single
    v: Single
    distance: Single
    front: NDArray[np.bool_]


class Caster(Protocol):
    """Casts rays from ``origins`` (N, 3) along unit ``directions`` (N, 3), float32, against one surface by its name."""

    def met(self, origins: Picture, directions: Picture, name: str) -> Met:
        """What the rays meet first."""
        ...

    def shut(self, origins: Picture, directions: Picture, distance: Single, name: str) -> NDArray[np.bool_]:
        """Whether something lies on the way (N,) of ``distance`` (N,) m."""
        ...


def card_frames(cards: tuple[Card, ...]) -> Picture:
    """Cards (C, 3, 3) float32: middle, and the two half sides as vectors (m)."""
    out = np.zeros((len(cards), 3, 3), dtype=np.float32)
    for i, card in enumerate(cards):
        centre, side, up, _ = facing_frame(card.position, card.aim)
        out[i] = np.stack([centre, 0.5 * card.size[0] * side, 0.5 * card.size[1] * up])
    return out


def past_cards(cards: Any, ox: Any, oy: Any, oz: Any, dx: Any, dy: Any, dz: Any, reach: Any) -> bool:
    """Whether a ray gets ``reach`` m far without meeting one of ``cards`` (C, 3, 3); to be compiled."""
    for c in range(cards.shape[0]):
        ax, ay, az = cards[c, 1, 0], cards[c, 1, 1], cards[c, 1, 2]
        bx, by, bz = cards[c, 2, 0], cards[c, 2, 1], cards[c, 2, 2]
        nx, ny, nz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        rx, ry, rz = cards[c, 0, 0] - ox, cards[c, 0, 1] - oy, cards[c, 0, 2] - oz
        slope = nx * dx + ny * dy + nz * dz
        if slope == 0.0:
            continue
        t = (nx * rx + ny * ry + nz * rz) / slope
        # a ray may start on a card, or end on one
        if t <= 1e-4 or t >= reach - 1e-4:
            continue
        qx, qy, qz = t * dx - rx, t * dy - ry, t * dz - rz
        s = (qx * ax + qy * ay + qz * az) / (ax * ax + ay * ay + az * az)
        u = (qx * bx + qy * by + qz * bz) / (bx * bx + by * by + bz * bz)
        if -1.0 <= s <= 1.0 and -1.0 <= u <= 1.0:
            return False
    return True


def crosses(low: Any, high: Any, ox: Any, oy: Any, oz: Any, dx: Any, dy: Any, dz: Any, reach: Any) -> bool:
    """Whether a ray comes through the box from ``low`` (3,) to ``high`` (3,) within ``reach`` m; to be compiled."""
    near, far = 0.0, reach
    for k in range(3):
        o, d = (ox, dx) if k == 0 else ((oy, dy) if k == 1 else (oz, dz))
        if d == 0.0:
            if o < low[k] or o > high[k]:
                return False
            continue
        a, b = (low[k] - o) / d, (high[k] - o) / d
        if a > b:
            a, b = b, a
        near, far = max(near, a), min(far, b)
    return bool(near <= far)
