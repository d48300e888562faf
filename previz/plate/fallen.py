"""The figure's shadow on whatever it falls on besides the bridge's top: its sides and risers, the wall, the doorway.

As the middle of the lamp's face sees the set (a shadow map: Williams, *SIGGRAPH* 78, 270-274, 1978, turned round: what
is kept is not only how far the lamp's light gets, but how much of the face's light the figure keeps back from there).
There is a map for each surface by itself, so that what lies behind the bridge as the lamp sees it has places too. Each
has its exact share, times the part of the face that the set leaves free there (both are taken to be independent of
each other); a frame's pixel looks up the place that it shows.

On the top and on what else there is a lamp gives different shares of all light. The matte is of the foot mark's: where
it is 1 a surface loses the share that is told for there, so that elsewhere it is as much less (or more, up to 1) as the
lamp gives less there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.geometry import Array, unit
from previz.look.sight import SightLines
from previz.plate.cardcast import FACE_POINTS, StandingCard, kept_back
from previz.plate.shadow import key_share_at, part_about
from previz.scene.model import Lamp, Light
from previz.scene.shape import BridgeShape
from previz.workshop.light.lamps import Emitter
from previz.workshop.surface import Picture

# places of a map across and down, at most
_MOST: Final = 400
# points of the face that are tried for what the set leaves free of it
_FREE_POINTS: Final = 25
# a place that is met this near (m) to the map's own, along the lamp's way, is the same surface
_SAME_SURFACE: Final = 0.004
# a place this near (m) to the top is the top
_ON_TOP: Final = 0.0015
# a share below this is nothing that a frame of 8 bits shows
_LEAST: Final = 0.004
# sight lines that are followed at a time
_RAYS: Final = 1_000_000


@dataclass(frozen=True, eq=False)
class FallenShadow:
    """The shadow on one surface, ``name``, as the lamp's middle would see it with nothing else there.

    ``eye`` (3,) m; ``axes`` (3, 3) unit vectors to its right, up and ahead; ``left``, ``low``, ``step`` are tangents:
    place (i, j) of ``share`` (rows, columns) float32, of the foot mark's matte, lies at ``low + (i + .5) step``
    up and ``left + (j + .5) step`` right. ``depth`` (rows, columns) m ahead of the eye, inf where nothing is met.
    ``places`` (N, 3) m are those with a share.
    """

    name: str
    eye: Array
    axes: Array
    left: float
    low: float
    step: float
    share: Picture
    depth: Array
    places: Array


def cast_elsewhere(
    card: StandingCard,
    face: Emitter,
    lamps: tuple[Lamp, Sequence[Lamp], Light],
    sight: SightLines,
    names: Sequence[str],
    texel: float,
    points: int = FACE_POINTS,
) -> tuple[FallenShadow, ...]:
    """The shadow of ``card`` from a lamp's ``face`` on each of the surfaces ``names`` of ``sight``, the top included.

    ``lamps`` are the lamp, all lamps, and the light that is everywhere; ``texel`` (m) how fine it has to be at the
    figure, or a little coarser.
    """
    eye = face.frame[0]
    middle = card.foot + [0.0, 0.5 * card.height, 0.0]
    ahead = unit(middle - eye)
    side = unit(np.cross(ahead, [0.0, 1.0, 0.0] if abs(ahead[1]) < 0.999 else [0.0, 0.0, -1.0]))
    axes = np.stack([side, np.cross(side, ahead), ahead])
    corners = card.corners
    seen = (corners - eye) @ axes.T
    nearest = float(seen[:, 2].min())
    if nearest <= 1e-3:
        # the figure stands in the lamp: nobody lights so
        return ()
    tangents = seen[:, :2] / seen[:, 2:]
    # a penumbra is at most as wide as the face looks from the figure
    slack = 0.5 * math.hypot(*face.size) / nearest + 2.0 * texel / nearest
    low, high = tangents.min(axis=0) - slack, tangents.max(axis=0) + slack
    step = max(texel / nearest, float((high - low).max()) / _MOST)
    columns, rows = (math.ceil(float(each) / step) for each in high - low)
    j, i = np.meshgrid(np.arange(columns) + 0.5, np.arange(rows) + 0.5)
    way = axes[2] + (low[0] + j[..., None] * step) * axes[0] + (low[1] + i[..., None] * step) * axes[1]
    ways = way.reshape(-1, 3)
    key, every, light = lamps
    level = np.array([[0.0, 1.0, 0.0]])
    at_foot = max(float(key_share_at(key, every, light, card.foot[None], level).mean()), 1e-9)
    found = []
    for name in names:
        # the way is 1 m ahead for each of its lengths
        met = sight.first_hits(np.broadcast_to(eye, ways.shape), ways, (name,))
        depth = met.distance
        normals = sight.normals(met)
        normals = np.where(np.einsum("ij,ij->i", normals, ways)[:, None] > 0.0, -normals, normals)
        share = np.zeros(len(ways), dtype=np.float32)
        chosen = np.flatnonzero(np.isfinite(depth) & (depth > nearest))
        share[chosen] = kept_back(card, face, met.point[chosen], normals[chosen], texel, points)
        chosen = np.flatnonzero(share > _LEAST)
        share[share <= _LEAST] = 0.0
        free = _free(sight, names, face, met.point[chosen], normals[chosen])
        here = key_share_at(key, every, light, met.point[chosen], normals[chosen]).mean(axis=1)
        # of a lamp that is partly hidden: what it still gives, against what all give then
        here = here * free / np.maximum(1.0 - here * (1.0 - free), 1e-9)
        share[chosen] *= (here / at_foot).astype(np.float32)
        found.append(FallenShadow(
            name, eye, axes, float(low[0]), float(low[1]), step, share.reshape(rows, columns),
            depth.reshape(rows, columns), met.point[chosen][share[chosen] > _LEAST],
        ))  # fmt: skip
    return tuple(found)


def _free(sight: SightLines, names: Sequence[str], face: Emitter, places: Array, normals: Array) -> Array:
    """The part (N,) of a lamp's face, 0 to 1, that nothing among ``names`` hides from ``places`` (N, 3) m."""
    sources = face.points(face.places(_FREE_POINTS))
    clear = np.zeros(len(places))
    for source in sources:
        way = source - places
        distance = np.linalg.norm(way, axis=1)
        clear += ~sight.blocked(places, way / distance[:, None], distance, names, normals)
    return np.asarray(clear / len(sources))


@dataclass(frozen=True, eq=False)
class FallenMatte:
    """The ``matte`` (H, W) float32, 0 or more, of what lies elsewhere than on the top; ``by_surface`` how much of it
    (px) lies on each surface of the sight lines, by its number."""

    matte: Picture
    by_surface: dict[int, float]


def fallen_matte(
    fallen: Sequence[FallenShadow],
    top: BridgeShape,
    camera: Camera,
    sight: SightLines,
    names: Sequence[str],
    samples: int = 2,
) -> FallenMatte:
    """The matte seen by ``camera``: means over ``samples`` x ``samples`` looks; the top's own places are left out."""
    matte = np.zeros((camera.height_px, camera.width_px), dtype=np.float32)
    window = _window(np.concatenate([np.zeros((0, 3)), *(each.places for each in fallen)]), camera)
    by_surface: dict[int, float] = {}
    if window is None:
        return FallenMatte(matte, by_surface)
    x0, y0, x1, y1 = window
    rows_at_once = max(1, _RAYS // ((x1 - x0) * samples**2))
    for first in range(y0, y1, rows_at_once):
        rows = min(rows_at_once, y1 - first)
        v, u = np.indices((rows * samples, (x1 - x0) * samples))
        px = np.stack([x0 + (u + 0.5) / samples, first + (v + 0.5) / samples], axis=-1).reshape(-1, 2)
        met = sight.first_hits(*camera.rays(px), names)
        value = np.zeros(len(px), dtype=np.float32)
        for each in fallen:
            of_it = np.flatnonzero(met.surface == sight.number(each.name))
            value[of_it] = _looked_up(each, met.point[of_it])
        dark = np.flatnonzero(value)
        on_top = np.zeros(len(dark), dtype=bool)
        if len(dark):
            point = met.point[dark]
            with np.errstate(invalid="ignore"):
                on_top = np.abs(point[:, 1] - top.top(point[:, 0], point[:, 2])) <= _ON_TOP
        value[dark[on_top]] = 0.0
        for number in np.unique(met.surface[dark]):
            much = float(value[dark][met.surface[dark] == number].sum(dtype=np.float64)) / samples**2
            by_surface[int(number)] = by_surface.get(int(number), 0.0) + much
        matte[first : first + rows, x0:x1] = value.reshape(rows, samples, x1 - x0, samples).mean(axis=(1, 3))
    return FallenMatte(matte, by_surface)


def _looked_up(fallen: FallenShadow, points: Array) -> Picture:
    """Shares (N,) float32 of places (N, 3) m; 0 where the lamp's middle sees another part of the surface."""
    out = np.zeros(len(points), dtype=np.float32)
    rows, columns = fallen.share.shape
    with np.errstate(invalid="ignore", divide="ignore"):
        seen = (points - fallen.eye) @ fallen.axes.T
        x = (seen[:, 0] / seen[:, 2] - fallen.left) / fallen.step - 0.5
        y = (seen[:, 1] / seen[:, 2] - fallen.low) / fallen.step - 0.5
        inside = (seen[:, 2] > 0.0) & (x > -1.0) & (y > -1.0) & (x < columns) & (y < rows)
    at = np.flatnonzero(inside)
    x, y, depth = x[at], y[at], seen[at, 2]
    j, i = np.floor(x).astype(np.intp), np.floor(y).astype(np.intp)
    total, weight = np.zeros(len(at)), np.zeros(len(at))
    for dj in range(2):
        for di in range(2):
            jj, ii = j + dj, i + di
            there = (jj >= 0) & (jj < columns) & (ii >= 0) & (ii < rows)
            jj, ii = np.clip(jj, 0, columns - 1), np.clip(ii, 0, rows - 1)
            # bilinear over those neighbours that are of the same surface
            near = there & (np.abs(fallen.depth[ii, jj] - depth) <= _SAME_SURFACE)
            share = np.where(near, np.abs(1 - dj - (x - j)) * np.abs(1 - di - (y - i)), 0.0)
            total += share * fallen.share[ii, jj]
            weight += share
    out[at] = np.where(weight > 1e-6, total / np.maximum(weight, 1e-6), 0.0)
    return out


def _window(places: Array, camera: Camera) -> tuple[int, int, int, int] | None:
    """Left, top, right, bottom (px, last ones exclusive) of the frame's part in which places with a share lie."""
    before: NDArray[np.bool_] = np.asarray(camera.depth(places) > 1e-6) if len(places) else np.zeros(0, dtype=bool)
    if not before.any():
        return None
    return part_about(camera.project(places[before]), camera)
