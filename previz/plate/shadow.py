"""The figure's shadow on the bridge's top, as a matte for every frame; on what else it falls, ``previz.plate.fallen``.

What keeps the light back is told in ``previz.plate.cardcast``. The shadow is worked out once, over the top's own
places, and looked up through the lens frame by frame.

What else stands in the set (wall, cards, an arch of the bridge) throws no shadow here: that is in the set's own light.
The matte belongs under the figure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy import ndimage

from previz.camera import Camera
from previz.geometry import Array
from previz.look.sight import SightLines
from previz.plate.cardcast import FACE_POINTS, ReadyCard, StandingCard, bilinear_at, cast_on_grid
from previz.plate.top import Top
from previz.scene.model import Lamp, Light
from previz.scene.shape import Slab
from previz.workshop.compiled import compiled, in_parts
from previz.workshop.light.lamps import Emitter, emitter_of, facing_frame, unshadowed
from previz.workshop.surface import Picture

# a performer from back to chest, and from heel to toe (m), at full size; common practice, no source
BODY_DEPTH = 0.27

# the lamp that the crew calls this is the one whose shadow is thrown
KEY = "key"

# texels of the map at most; rows that one thread works on at once
_MOST_TEXELS = 1_000_000
_ROWS = 16

# a hit this near (m) to the top is the top
_SAME_PLACE = 0.0015

# sight lines that are followed at a time
_RAYS = 1_000_000


@dataclass(frozen=True, eq=False)
class ShadowMap:
    """The shadow over the top's places, seen from above.

    ``share`` (rows, columns) float32 is the share of the lamp's light that the figure keeps back, 0 to 1: rows towards
    the camera from z = ``back`` m, columns to the right from x = ``left`` m, ``texel`` m each. Nothing outside.
    """

    share: Picture
    left: float
    back: float
    texel: float
    top: Top

    def heights(self) -> Array:
        """y (rows, columns) m of the top at every place; NaN past a modelled bridge's edges."""
        rows, columns = self.share.shape
        x = self.left + (np.arange(columns) + 0.5) * self.texel
        z = self.back + (np.arange(rows) + 0.5) * self.texel
        shape = self.top.shape
        if isinstance(shape, Slab):
            return np.broadcast_to(shape.level(z)[:, None], (rows, columns))
        return shape.top(x[None, :], z[:, None])


def key_lamp(lamps: Sequence[Lamp], light: Light, foot: ArrayLike) -> Lamp | None:
    """The lamp whose shadow is thrown: the one named "key", else the one that gives most at the foot mark (3,) m.

    None where no lamp's light reaches the top there: then there is no shadow.
    """
    given = [float(_given(lamp, light, foot)[1]) for lamp in lamps]
    named = [i for i, lamp in enumerate(lamps) if lamp.name.strip().lower() == KEY and given[i] > 0.0]
    if named:
        return lamps[named[0]]
    best = int(np.argmax(given)) if given else 0
    return lamps[best] if given and given[best] > 0.0 else None


def key_share(key: Lamp, lamps: Sequence[Lamp], light: Light, foot: ArrayLike) -> Array:
    """Share (3,), 0 to 1, of the light on a level top at the foot mark (3,) m that the key gives: red, green, blue.

    Where the matte is 1 the top keeps 1 less this share of its light. Nothing in the way of any lamp; ambient light is
    from all over.
    """
    up = np.array([[0.0, 1.0, 0.0]])
    return np.asarray(key_share_at(key, lamps, light, np.asarray(foot, dtype=np.float64).reshape(1, 3), up)[0])


def key_share_at(key: Lamp, lamps: Sequence[Lamp], light: Light, places: Array, normals: Array) -> Array:
    """The same (N, 3) at any ``places`` (N, 3) m of surfaces with unit ``normals`` (N, 3)."""
    given = [_given_at(lamp, light, places, normals) for lamp in lamps]
    every = np.sum([np.full((len(places), 3), light.ambient), *given], axis=0)
    return np.asarray(_given_at(key, light, places, normals) / np.maximum(every, 1e-12), dtype=np.float64)


def _given(lamp: Lamp, light: Light, foot: ArrayLike) -> Array:
    place = np.asarray(foot, dtype=np.float64).reshape(1, 3)
    return np.asarray(_given_at(lamp, light, place, np.array([[0.0, 1.0, 0.0]]))[0])


def _given_at(lamp: Lamp, light: Light, places: Array, normals: Array) -> Array:
    reached = unshadowed(emitter_of(lamp, light, 1.0), places.astype(np.float32), normals.astype(np.float32))
    return np.asarray(reached, dtype=np.float64)


def face_of(lamp: Lamp) -> Emitter:
    """The lamp's face, for :func:`cast_shadow`."""
    frame = facing_frame(lamp.position, lamp.aim)
    return Emitter(lamp.name, frame, lamp.face, lamp.is_disc, 1.0, np.ones(3))


def cast_shadow(
    card: StandingCard, face: Emitter, top: Top, texel: float, points: int = FACE_POINTS
) -> ShadowMap:
    """The shadow that ``card`` throws on ``top`` from a lamp's ``face``, at ``texel`` m or a little coarser.

    ``points`` of the face stand for all of it: a soft shadow is off by up to about 1 / sqrt(points) of it,
    and by a few hundredths as a rule.
    """
    if not texel > 0.0:
        raise ValueError(f"texels have a size, not {texel} m")
    ready = ReadyCard.of(card, face, texel, points)
    sources = ready.sources
    left, right, back, front = _reach(card, sources, top)
    # a whole map would be far too large only for a texel far below a pixel
    texel = max(texel, math.sqrt(max(right - left, 0.0) * max(front - back, 0.0) / _MOST_TEXELS))
    columns, rows = (max(math.ceil((b - a) / texel), 0) for a, b in ((left, right), (back, front)))
    share = np.zeros((rows, columns), dtype=np.float32)
    if columns == 0 or rows == 0 or not ready.alpha.any():
        return ShadowMap(np.zeros((0, 0), dtype=np.float32), left, back, texel, top)
    shadow = ShadowMap(share, left, back, texel, top)
    x = left + (np.arange(columns) + 0.5) * texel
    z = back + (np.arange(rows) + 0.5) * texel
    y = shadow.heights()
    # the normal of an arch leans away from its crest; treads are level
    slope = top.shape.slope(z) if isinstance(top.shape, Slab) else np.zeros(rows)

    def band(chosen: slice) -> None:
        cast_on_grid(x, y[chosen], z[chosen], slope[chosen], *ready.told, share[chosen])

    in_parts(band, rows, _ROWS)
    return shadow


def shadow_matte(
    shadow: ShadowMap,
    camera: Camera,
    samples: int = 3,
    sight: SightLines | None = None,
    names: Sequence[str] | None = None,
) -> Picture:
    """The matte (H, W) float32, 0 to 1, of the shadow seen by ``camera``: means over ``samples`` x ``samples`` looks.

    What lies beyond the top's edges, or on its far side, is 0. With ``sight`` the parts that one of ``names`` hides
    are 0 too. A modelled bridge is seen by ``sight`` alone, which must have it among ``names``.
    """
    matte = np.zeros((camera.height_px, camera.width_px), dtype=np.float32)
    window = _window(shadow, camera)
    if window is None:
        return matte
    x0, y0, x1, y1 = window
    if not isinstance(shadow.top.shape, Slab):
        if sight is None:
            raise ValueError("a modelled bridge's shadow needs sight lines")
        matte[y0:y1, x0:x1] = _met_matte(shadow, camera, window, samples, sight, names)
        return matte
    value = np.zeros(((y1 - y0) * samples, (x1 - x0) * samples), dtype=np.float32)
    along = np.zeros(value.shape)
    slab = shadow.top.shape
    shape = np.array([slab.length, slab.width, slab.taper, slab.camber, slab.bend, shadow.top.start])
    lens = np.array([camera.focal_px, camera.centre_x_px, camera.centre_y_px])
    _look_compiled(
        np.asarray(camera.world_from_cam, dtype=np.float64), lens, x0, y0, samples, shape,
        shadow.share, shadow.left, shadow.back, shadow.texel, value, along,
    )  # fmt: skip
    if sight is not None:
        row, column = np.nonzero(value)
        px = np.stack([x0 + (column + 0.5) / samples, y0 + (row + 0.5) / samples], axis=-1)
        origins, directions = camera.rays(px)
        reach = along[row, column] / (directions @ camera.forward)
        met = sight.first_hits(origins, directions, names).distance
        seen = met >= reach - _SAME_PLACE
        value[row[~seen], column[~seen]] = 0.0
    mean = value.reshape(y1 - y0, samples, x1 - x0, samples).mean(axis=(1, 3), dtype=np.float64)
    matte[y0:y1, x0:x1] = mean
    return matte


def _met_matte(
    shadow: ShadowMap,
    camera: Camera,
    window: tuple[int, int, int, int],
    samples: int,
    sight: SightLines,
    names: Sequence[str] | None,
) -> Picture:
    """The matte's part in a window, by what sight lines meet: a place of the top has the shadow of its place."""
    x0, y0, x1, y1 = window
    heights = shadow.heights()
    out = np.zeros((y1 - y0, x1 - x0), dtype=np.float32)
    step = max(1, _RAYS // ((x1 - x0) * samples**2))
    for row in range(0, y1 - y0, step):
        rows = min(step, y1 - y0 - row)
        v, u = np.indices((rows * samples, (x1 - x0) * samples))
        px = np.stack([x0 + (u + 0.5) / samples, y0 + row + (v + 0.5) / samples], axis=-1).reshape(-1, 2)
        x, y, z = sight.first_hits(*camera.rays(px), names).point.T
        j, i = (x - shadow.left) / shadow.texel, (z - shadow.back) / shadow.texel
        with np.errstate(invalid="ignore"):
            on = (i >= 0.0) & (i < heights.shape[0]) & (j >= 0.0) & (j < heights.shape[1])
            there = heights[np.where(on, i, 0).astype(int), np.where(on, j, 0).astype(int)]
            on &= np.abs(y - there) <= _SAME_PLACE
        value = np.zeros(len(px), dtype=np.float32)
        # between texels' middles; nothing outside
        places = np.stack([i[on], j[on]]) - 0.5
        value[on] = ndimage.map_coordinates(shadow.share, places, order=1, mode="grid-constant")
        out[row : row + rows] = value.reshape(rows, samples, x1 - x0, samples).mean(axis=(1, 3), dtype=np.float64)
    return out


def _reach(card: StandingCard, sources: Array, top: Top) -> tuple[float, float, float, float]:
    """Left, right, back, front (m) of the part of the top's outline that a shadow may fall on."""
    shape = top.shape
    if isinstance(shape, Slab):
        z = np.linspace(top.start, shape.near, 129)
        middle, half = shape.on_middle(z), shape.half_width(z)
        bounds = [(middle[:, 0] - half).min(), (middle[:, 0] + half).max(), top.start, shape.near]
        low, high = float(middle[:, 1].min()), float(middle[:, 1].max())
    else:
        (left, low, _), (right, high, _) = shape.bounds.tolist()
        bounds = [left, right, top.start, shape.near]
    corners = card.corners
    # every corner's shadow, from every point of the face, on the top's lowest and highest levels
    ground = []
    for level in (low, high):
        fall = sources[:, None, 1] - corners[None, :, 1]
        t = (sources[:, None, 1] - level) / np.where(fall > 1e-6, fall, np.nan)
        if not np.isfinite(t).all():
            # a lamp no higher than the figure's head: its shadow has no end
            return bounds[0], bounds[1], bounds[2], bounds[3]
        ground.append((sources[:, None] + t[..., None] * (corners[None] - sources[:, None])).reshape(-1, 3))
    # the feet's own places too, where the top passes above a corner
    met = np.concatenate([*ground, corners])
    slack = 0.002
    return (
        max(float(met[:, 0].min()) - slack, bounds[0]),
        min(float(met[:, 0].max()) + slack, bounds[1]),
        max(float(met[:, 2].min()) - slack, bounds[2]),
        min(float(met[:, 2].max()) + slack, bounds[3]),
    )


def _window(shadow: ShadowMap, camera: Camera) -> tuple[int, int, int, int] | None:
    """Left, top, right, bottom (px, last ones exclusive) of the frame's part that the shadow may be in."""
    rows, columns = np.nonzero(shadow.share)
    if len(rows) == 0:
        return None
    z = shadow.back + np.linspace(rows.min(), rows.max() + 1, 65) * shadow.texel
    x = shadow.left + np.array([columns.min(), columns.max() + 1]) * shadow.texel
    shape = shadow.top.shape
    if isinstance(shape, Slab):
        points = shadow.top.on_top(*(g.ravel() for g in np.meshgrid(x, z)))
    else:
        points = np.stack(np.meshgrid(x, shape.bounds[:, 1], z[[0, -1]]), axis=-1).reshape(-1, 3)
    if (camera.depth(points) <= 1e-6).any():
        return 0, 0, camera.width_px, camera.height_px
    # a pixel more for what an arch bulges between the points
    return part_about(camera.project(points), camera)


def part_about(px: Array, camera: Camera) -> tuple[int, int, int, int] | None:
    """Left, top, right, bottom (px, last ones exclusive) of the frame's part about places (N, 2) px, two pixels more on
    every side; None where it is out of the frame."""
    w, h = camera.width_px, camera.height_px
    (left, up), (right, down) = np.floor(px.min(axis=0)) - 2.0, np.ceil(px.max(axis=0)) + 2.0
    x0, y0, x1, y1 = max(left, 0.0), max(up, 0.0), min(right, float(w)), min(down, float(h))
    return (int(x0), int(y0), int(x1), int(y1)) if x0 < x1 and y0 < y1 else None


def _look(
    world_from_cam: Any, lens: Any, x0: int, y0: int, samples: int, shape: Any,
    share: Any, left: float, back: float, texel: float, value: Any, along: Any,
) -> None:  # fmt: skip
    length, width, taper, camber, bend, start = shape[0], shape[1], shape[2], shape[3], shape[4], shape[5]
    ox, oy, oz = world_from_cam[0, 3], world_from_cam[1, 3], world_from_cam[2, 3]
    for i in range(value.shape[0]):
        for j in range(value.shape[1]):
            u = (x0 + (j + 0.5) / samples - lens[1]) / lens[0]
            v = -(y0 + (i + 0.5) / samples - lens[2]) / lens[0]
            dx = world_from_cam[0, 0] * u + world_from_cam[0, 1] * v - world_from_cam[0, 2]
            dy = world_from_cam[1, 0] * u + world_from_cam[1, 1] * v - world_from_cam[1, 2]
            dz = world_from_cam[2, 0] * u + world_from_cam[2, 1] * v - world_from_cam[2, 2]
            best = math.inf
            # the level part: all of a flat top, and what an arched one has behind the sill
            if dy < 0.0 < oy:
                t = -oy / dy
                z = oz + t * dz
                if start <= z < (length if camber == 0.0 else 0.0):
                    best = t
            if camber != 0.0:
                # the arch: height 4 c p (1 - p) with p = z / length, a quadratic along the ray
                k = 4.0 * camber / length
                a = k / length * dz * dz
                b = dy - k * dz + 2.0 * k / length * oz * dz
                c = oy - k * oz + k / length * oz * oz
                root = b * b - 4.0 * a * c
                if root >= 0.0:
                    # the form that does not cancel
                    q = -0.5 * (b + math.copysign(math.sqrt(root), b))
                    for n in range(2):
                        if (n == 0 and a == 0.0) or (n == 1 and q == 0.0):
                            continue
                        t = q / a if n == 0 else c / q
                        z = oz + t * dz
                        slope = k * (1.0 - 2.0 * z / length)
                        if 0.0 < t < best and 0.0 <= z <= length and dy - slope * dz < 0.0:
                            best = t
            if best == math.inf:
                continue
            x, z = ox + best * dx, oz + best * dz
            p = max(z / length, 0.0)
            if abs(x - bend * p * p) > 0.5 * width * (1.0 + (taper - 1.0) * p):
                continue
            value[i, j] = bilinear_at(share, (x - left) / texel, (z - back) / texel)
            along[i, j] = best


_look_compiled = compiled(_look)
