"""A wall that may be painted over: in bands along the slide, where the bridge sweeps past it until the hold ends.

Solved paint begins with these bands and goes on from there; any other paint lies before them as they are.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.geometry import Array
from previz.judge.fields import reach_px
from previz.judge.viewer import Viewer
from previz.look.sight import SightLines
from previz.scene.model import Scene
from previz.scene.move import Move
from previz.stage.prepare import WALL, LitWall, Painter, ReadySet, sight_of
from previz.workshop.bands import SMEAR, banded, way_on_map
from previz.workshop.surface import Picture, Pixels8, Surface

# a camera that goes less than this share of its way along the wall does not slide along it
_SLIDES = 0.3

# frames, at most, whose bridges are swept together
_LOOKED_AT = 9

# the size of the frames that it is looked at in, and how far apart sight lines go, px
_WIDTH_PX, _HEIGHT_PX = 960, 540
_APART_PX = 8.0


def with_free_wall(ready: ReadySet) -> ReadySet:
    """The ready set as its scene says: in bands where its wall is free. Solved paint brings a wall of its own."""
    return ready if ready.scene.wants_solving else in_bands(ready)


def in_bands(ready: ReadySet, sight: SightLines | None = None) -> ReadySet:
    """The ready set with its free wall in bands along the slide and the bridge painted before them; as it is where the
    wall is kept, nothing slides along it, or it has no one direction for that."""
    sight = sight_of(ready.built) if sight is None else sight
    wall = wall_in_bands(ready, sight)
    if wall is ready.wall:
        return ready
    bridge, out_of_range = Painter(ready.built, wall, sight).painted(ready.scene, ready.station_point)
    return replace(ready, wall=wall, bridge=bridge, out_of_range=out_of_range)


def wall_in_bands(ready: ReadySet, sight: SightLines) -> LitWall:
    """The ready set's wall in bands, for the move of its scene; the wall itself where there are none."""
    if ready.scene.paint.wall != "free":
        return ready.wall
    move, wall = ready.move, ready.built.wall
    part = _swept(move, wall, ready.built.bridge.surface.vertices, sight)
    if part is None:
        return ready.wall
    code = ready.wall.clean.code
    rows, columns = part
    design = np.asarray(code[rows, columns] / np.float32(255.0), dtype=np.float32)
    bands = bands_along(move, wall, design, change_of(ready.scene))
    if bands is None:
        return ready.wall
    painted = code.copy()
    painted[rows, columns] = np.rint(bands * 255.0).astype(np.uint8)
    return painted_over(ready.wall, painted)


def change_of(scene: Scene) -> float:
    """How far the codes, 0 to 1, of a free wall may lie from its design's."""
    # L* goes nearly as sRGB codes do: a hundredth of the code range is about one unit
    return 0.01 * scene.paint.wall_change


def bands_along(
    move: Move, wall: Surface, design: NDArray[np.float32], change: float
) -> NDArray[np.float32] | None:
    """A part of a wall's picture (H, W, 3), codes 0 to 1, in bands along a move's slide, off its design by no more than
    ``change``; None where nothing slides along the wall, or its map has no one direction for it."""
    way = move.positions[-1] - move.positions[0]
    length = float(np.linalg.norm(way))
    along = float(np.hypot(*way[:2]))
    if length == 0.0 or along < _SLIDES * length:
        return None
    way_px = way_on_map(wall, SMEAR * way[:2] / along)
    return None if way_px is None else banded(design, way_px, change)


def painted_over(wall: LitWall, code: Pixels8) -> LitWall:
    """A lit wall with another clean picture (H, W, 3), the bridge's shadow on it as before."""
    clean = replace(wall.clean, code=code)
    shadowed = replace(wall.shadowed, code=code)
    if wall.shadows:
        shaded = colour.encoded8(colour.decoded8(code) * shade_of(wall))
        # what was not painted over keeps its very codes
        same = (code == wall.clean.code).all(axis=-1, keepdims=True)
        shadowed = replace(shadowed, code=np.where(same, wall.shadowed.code, shaded))
    return replace(wall, clean=clean, shadowed=shadowed)


def shade_of(wall: LitWall) -> Picture:
    """What the bridge's shadow leaves (H, W, 3) of the light on the wall's picture, 0 to 1."""
    clean = np.maximum(colour.decoded8(wall.clean.code), np.float32(1e-4))
    return np.asarray(np.clip(colour.decoded8(wall.shadowed.code) / clean, 0.0, 1.0))


def _swept(move: Move, wall: Surface, bridge: Array, sight: SightLines) -> tuple[slice, slice] | None:
    """Rows and columns of the wall's picture that the bridge's vertices (V, 3) m and a viewer's windows around them
    sweep past, from the first frame to the end of the hold; None where no wall is behind them."""
    height, width = wall.reflectance.shape[:2]
    last = max(move.scene.rail.hold)
    frames = sorted({int(f) for f in np.linspace(move.frames[0], last, _LOOKED_AT).round()} | {move.station_frame})
    low, high = np.array([width, height]), np.array([-1, -1])
    for frame in frames:
        camera = move.camera(frame, _WIDTH_PX, _HEIGHT_PX)
        depth = camera.depth(bridge)
        px = camera.project(bridge[depth > 0.25 * float(np.median(depth))])
        reach = reach_px(Viewer(_HEIGHT_PX))
        first = np.clip(px.min(axis=0) - reach, -reach, [_WIDTH_PX, _HEIGHT_PX])
        after = np.clip(px.max(axis=0) + reach, 0.0, [_WIDTH_PX + reach, _HEIGHT_PX + reach])
        lines = [np.arange(a, b + _APART_PX, _APART_PX) for a, b in zip(first, after, strict=True)]
        origins, directions = camera.rays(np.stack(np.meshgrid(*lines), axis=-1).reshape(-1, 2))
        hits = sight.first_hits(origins, directions, names=[WALL])
        met = hits.uv[np.isfinite(hits.distance)]
        if len(met):
            texel = (met * [width, height]).astype(np.int64)
            low, high = np.minimum(low, texel.min(axis=0)), np.maximum(high, texel.max(axis=0))
    low, high = np.maximum(low, 0), np.minimum(high, [width - 1, height - 1])
    if (high <= low).any():
        return None
    return slice(int(low[1]), int(high[1]) + 1), slice(int(low[0]), int(high[0]) + 1)
