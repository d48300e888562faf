"""Where an arm can hold the bridge unseen: the space that the bridge itself hides from the lens, over many frames.

What a lens cannot see past a solid piece is a shadow with the lens for its lamp; what it cannot see over a move is
common to the shadows of all its places. Each is convex where the piece is, so that down from the underside of a slab it
is one stretch, and across at any depth one as well. Under a modelled bridge the stretch ends where it is first broken.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from previz.geometry import Array
from previz.scene.given.measured import relief_of
from previz.scene.layout import judged_frames, wall_box
from previz.scene.model import Scene
from previz.scene.move import FIRST_FRAME, Move
from previz.scene.shape import BridgeShape, bridge_shape

# stations along the bridge, levels down a cross section, and bisections of every edge
_STATIONS = 33
_LEVELS = 25
_HALVINGS = 24

# levels at which a modelled bridge's shadow is looked for a gap
_GAPS = 48
_PLAN_STATIONS = 17

# depth (m) below the underside at which the plan shows what is hidden
_PLAN_DEPTH = 0.03

# the deepest (m) that is looked, and the width (m) of the arm unless the bridge is narrower than three of it
DEEPEST = 1.5
ARM = 0.020


@dataclass(frozen=True, eq=False)
class Profile:
    """How deep an arm stays unseen: ``z`` (N,) m from the wall's plane, ``underside`` (N,) m the height of the bridge's
    underside there, ``depth`` (N,) m below it."""

    z: Array
    underside: Array
    depth: Array


@dataclass(frozen=True, eq=False)
class Section:
    """What is hidden across the bridge at ``z`` m: ``left`` to ``right`` (N,) m at ``levels`` (N,) m below it.

    Levels count from the underside; NaN where nothing is. ``slab`` is left, right, top and underside of the bridge.
    """

    z: float
    slab: tuple[float, float, float, float]
    levels: Array
    left: Array
    right: Array


@dataclass(frozen=True, eq=False)
class Level:
    """What is hidden ``depth`` m below the underside, from above: ``left`` to ``right`` (N,) m at ``z`` (N,) m."""

    depth: float
    z: Array
    left: Array
    right: Array


@dataclass(frozen=True, eq=False)
class Support:
    """Where an arm ``arm`` m wide, under the middle of the bridge, stays unseen: over the hold and over the move."""

    arm: float
    hold: Profile
    move: Profile
    hold_sections: tuple[Section, ...]
    move_sections: tuple[Section, ...]
    hold_level: Level
    move_level: Level

    def depth_at(self, share: float) -> tuple[float, float]:
        """Depth (m) over the hold and over the move at a share of the near end's z, between stations linearly."""
        z = share * self.hold.z[-1]
        return float(np.interp(z, self.hold.z, self.hold.depth)), float(np.interp(z, self.move.z, self.move.depth))


def hidden(scene: Scene, eyes: ArrayLike, points: ArrayLike) -> NDArray[np.bool_]:
    """Whether the bridge hides points (N, 3) m from every eye (F, 3) m.

    A straight line to a point is cut with the boxes inside its shape (Kay and Kajiya's slabs, SIGGRAPH 1986); a line
    that only grazes counts as hidden.
    """
    low, high = bridge_shape(scene).boxes
    p = np.asarray(points, dtype=np.float64)
    out = np.ones(len(p), dtype=np.bool_)
    for eye in np.asarray(eyes, dtype=np.float64):
        left = np.flatnonzero(out)
        way = p[left] - eye
        way = np.where(np.abs(way) < 1e-12, 1e-12, way)
        enter = np.full((len(left), len(low)), 0.0)
        leave = np.full((len(left), len(low)), 1.0)
        for axis in range(3):
            a = (low[None, :, axis] - eye[axis]) / way[:, None, axis]
            b = (high[None, :, axis] - eye[axis]) / way[:, None, axis]
            np.maximum(enter, np.minimum(a, b), out=enter)
            np.minimum(leave, np.maximum(a, b), out=leave)
        out[left] = (enter <= leave + 1e-12).any(axis=1)
    return out


def support(scene: Scene, move: Move) -> Support | None:
    """The space behind and under the bridge that the lens cannot see; None for one whose middle is open all along."""
    shape = bridge_shape(scene)
    if np.isnan(_underside(shape, _places(scene, shape))).all():
        return None
    first, last = scene.rail.hold
    rows = np.array(judged_frames(move, most=17)) - FIRST_FRAME
    held = np.unique(np.linspace(first, last, min(last - first + 1, 13)).round().astype(int)) - FIRST_FRAME
    over_move, over_hold = move.positions[rows], move.positions[held]
    arm = min(ARM, 2.0 * float(shape.half_width(shape.far)) / 3.0)
    shares = [share for share in (0.25, 0.5, 0.75) if shape.section(float(_at(shape, share)))]
    return Support(
        arm,
        _profile(scene, over_hold, arm),
        _profile(scene, over_move, arm),
        tuple(_section(scene, over_hold, share) for share in shares),
        tuple(_section(scene, over_move, share) for share in shares),
        _level(scene, over_hold, _PLAN_DEPTH),
        _level(scene, over_move, _PLAN_DEPTH),
    )


def _at(shape: BridgeShape, share: Array | float) -> Array:
    return np.asarray(shape.far + share * (shape.near - shape.far))


def _places(scene: Scene, shape: BridgeShape) -> Array:
    """z (N,) m at which the middle is looked at, from the rock's face to the near end."""
    start = min(0.5 * relief_of(scene) / shape.near, 0.5) if scene.wall.mesh is None else 0.0
    return _at(shape, np.linspace(start, 1.0, _STATIONS))


def _underside(shape: BridgeShape, z: Array) -> Array:
    """Height (N,) m of the underside in the middle; NaN where the middle is open."""
    return shape.underside(shape.middle(z), z)


def _profile(scene: Scene, eyes: Array, arm: float) -> Profile:
    shape = bridge_shape(scene)
    z = _places(scene, shape)
    middle, underside = shape.middle(z), _underside(shape, z)
    # nothing holds where the middle is open
    closed = ~np.isnan(underside)
    underside = np.interp(z, z[closed], underside[closed])
    deepest = np.full(len(z), DEEPEST)
    if scene.wall.mesh is None:
        deepest = np.clip(underside - wall_box(scene)[1], 0.0, DEEPEST)

    def unseen(depth: Array) -> NDArray[np.bool_]:
        y = underside - depth
        both = [hidden(scene, eyes, np.column_stack([middle + side * 0.5 * arm, y, z])) for side in (-1.0, 1.0)]
        return both[0] & both[1] & closed

    nearest, first_seen = np.full(len(z), 1e-6), deepest
    if shape.modelled:
        levels = nearest + np.linspace(0.0, 1.0, _GAPS)[:, None] * (deepest - nearest)
        seen = np.array([~unseen(level) for level in levels])
        first_seen = np.where(seen.any(axis=0), levels[seen.argmax(axis=0), np.arange(len(z))], deepest)
    return Profile(z, underside, _farthest(unseen, nearest, first_seen))


def _farthest(holds: Callable[[Array], NDArray[np.bool_]], near: Array, far: Array) -> Array:
    """The farthest values between ``near`` and ``far`` (N,) at which a test still holds; 0 where not even nearest."""
    begun, ended = holds(near), holds(far)
    low, high = near.copy(), far.copy()
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        inside = holds(middle)
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    return np.where(begun, np.where(ended, far, low), 0.0)


def _section(scene: Scene, eyes: Array, share: float) -> Section:
    shape = bridge_shape(scene)
    z = float(_at(shape, share))
    corners = np.concatenate(shape.section(z))
    (left, underside), (right, top) = corners.min(axis=0), corners.max(axis=0)
    middle, half = float(shape.middle(z)), 0.5 * (right - left)
    span = 10.0 * half
    # down to where the deepest middle is hidden
    across = middle + np.linspace(-span, span, 241)

    def hidden_somewhere(depth: float) -> bool:
        y = underside - depth
        points = np.column_stack([across, np.full(len(across), y), np.full(len(across), z)])
        return bool(hidden(scene, eyes, points).any())

    low, high = 0.0, DEEPEST
    for _ in range(_HALVINGS // 2):
        depth = 0.5 * (low + high)
        low, high = (depth, high) if hidden_somewhere(depth) else (low, depth)
    levels = np.linspace(1e-6, max(low, 2e-6), _LEVELS)
    ends = np.array([_edges(scene, eyes, across, underside - depth, z) for depth in levels])
    return Section(z, (left, right, top, underside), levels, ends[:, 0], ends[:, 1])


def _edges(scene: Scene, eyes: Array, across: Array, y: float, z: float) -> tuple[float, float]:
    """First and last x (m) that is hidden at height ``y`` and ``z``, looked for at ``across`` (N,) m; NaN if none."""

    def inside(x: Array) -> NDArray[np.bool_]:
        return hidden(scene, eyes, np.column_stack([x, np.full(len(x), y), np.full(len(x), z)]))

    found = np.flatnonzero(inside(across))
    if not len(found):
        return np.nan, np.nan
    step = across[1] - across[0]
    ends = []
    for edge, side in ((found[0], -1.0), (found[-1], 1.0)):
        fine = across[edge] + side * step * np.linspace(0.0, 1.0, 33)
        ends.append(float(fine[np.flatnonzero(inside(fine))[-1]]))
    return ends[0], ends[1]


def _level(scene: Scene, eyes: Array, depth: float) -> Level:
    """What is hidden at one depth below the underside, from the wall to the near end."""
    shape = bridge_shape(scene)
    z = _at(shape, np.linspace(0.0, 1.0, _PLAN_STATIONS))
    middle, underside = shape.middle(z), _underside(shape, z)
    z, middle, underside = (each[~np.isnan(underside)] for each in (z, middle, underside))
    span = 4.0 * shape.widest
    ends = np.array(
        [
            _edges(scene, eyes, m + np.linspace(-span, span, 97), u - depth, at)
            for m, u, at in zip(middle, underside, z, strict=True)
        ]
    )
    seen = np.isfinite(ends).all(axis=1)
    return Level(depth, z[seen], ends[seen, 0], ends[seen, 1])


def support_sentences(found: Support, ends: Sequence[float] = (0.25, 0.5, 0.75)) -> list[str]:
    """How far down an arm stays unseen, in plain sentences, mm."""
    arm = f"An arm {found.arm * 1e3:.0f} mm wide under the middle of the bridge stays unseen"
    out = []
    for share in ends:
        hold, move = (1e3 * depth for depth in found.depth_at(share))
        z = 1e3 * share * found.hold.z[-1]
        out.append(f"{z:.0f} mm from the wall: {hold:.0f} mm down over the hold, {move:.0f} mm over the whole move")
    if max(found.hold.depth.max(), found.move.depth.max()) <= 1e-5:
        return ["The bridge hides nothing under it from this lens: hold it from the wall."]
    return [f"{arm}, below the bridge's underside: " + "; ".join(out) + "."]
