"""Lamps that stand a little off, or burn a little dimmer: what that does to a painted bridge against its wall.

Paint is mixed for the light that there is. Where a lamp's part of the light changes, bridge and wall change by
different ratios, since they face it differently: the bridge is then lighter or darker than the wall that it continues.
Light is linear, so that the parts add up; a shift of a lamp is taken by its slope. Left out: how the lamp's shadows
move, what bounces, and the shadow that the bridge throws.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from previz import colour
from previz.camera import Camera
from previz.geometry import Array
from previz.judge.fast import Near, Paint
from previz.judge.layerfields import Field, Shown
from previz.look.sampling import bilinear
from previz.look.sight import SightLines
from previz.scene.model import Lamp
from previz.workshop.light.bake import Lighting, Share8, levels_of
from previz.workshop.light.lamps import emitter_of
from previz.workshop.surface import Picture, Pixels8, Surface
from previz.workshop.texels import TexelMap, texel_points

# errors of a lamp: shifts along the axes (m), and its brightness (share)
ERRORS: Final = 4

# how far a lamp is shifted to learn the slope, m
_STEP: Final = 0.01

# longest side of the maps that this is worked out on, texels, and over how much of the wall its relief is averaged, m
_LONGEST: Final = 320
_OVER: Final = 0.02

# a ratio of light beyond these is no error of a lamp any more
_LEAST, _MOST = 0.2, 5.0


def brightest_first(lamps: tuple[Lamp, ...]) -> list[int]:
    """Numbers of the lamps, the one that gives most first."""
    return sorted(range(len(lamps)), key=lambda k: (-lamps[k].lux, k))


@dataclass(frozen=True, eq=False)
class LampErrors:
    """What errors of the lamps, brightest first, change of the light on wall and bridge.

    ``on_wall`` (h, w, 3 L 4) over the wall's map and ``on_bridge`` (N, 3, L, 4) at ``places`` of the bridge: the change
    of the light there, as a share of it in red, green and blue, for each of the L lamps by each unit of its errors.
    """

    on_wall: Picture
    on_bridge: Array
    places: cKDTree
    sight: SightLines
    wall: str

    def ratio(self, points: Array, camera: Camera, errors: Array) -> Array:
        """How many times as bright (N, 3) in red, green and blue points (N, 3) m of the bridge become, against the wall
        that ``camera`` sees behind them, by ``errors`` (L, 4)."""
        lamps = len(errors)
        _, nearest = self.places.query(points)
        bridge = 1.0 + np.einsum("ncle,le->nc", self.on_bridge[nearest, :, :lamps], errors)
        away = points - camera.position
        hits = self.sight.first_hits(np.broadcast_to(camera.position, points.shape), away, names=[self.wall])
        met = np.isfinite(hits.distance)
        looked_up = bilinear(self.on_wall, hits.uv[met]).reshape(int(met.sum()), 3, -1, ERRORS)
        wall = np.ones((len(points), 3))
        wall[met] += np.einsum("ncle,le->nc", looked_up[:, :, :lamps], errors)
        return np.asarray(np.clip(bridge / np.clip(wall, _LEAST, _MOST), _LEAST, _MOST))


def lamp_errors(
    lighting: Lighting,
    wall: tuple[Surface, Picture, tuple[Share8, ...]],
    bridge: tuple[Surface, Picture, tuple[Share8, ...]],
    sight: SightLines,
    name: str,
) -> LampErrors | None:
    """What the lamps' errors change; None where there is no lamp.

    ``wall`` and ``bridge`` are surfaces with the light (h, w, 3) on their maps and what arrives of each lamp's;
    ``name`` is the wall's among the sight lines' surfaces.
    """
    if not lighting.lamps:
        return None
    texels = _texels(wall[0])
    slopes, light = _slopes(lighting, texels, *wall[1:])
    span = wall[0].vertices[:, 0].max() - wall[0].vertices[:, 0].min()
    sigma = _OVER * texels.valid.shape[1] / float(span)
    height, width = texels.valid.shape
    over = gaussian_filter(light, (sigma, sigma, 0), mode="nearest")
    change = gaussian_filter(slopes.reshape(height, width, -1), (sigma, sigma, 0), mode="nearest")
    on_wall = change.reshape(height, width, 3, -1) / np.maximum(over, 1e-6)[..., None]
    texels = _texels(bridge[0])
    slopes, light = _slopes(lighting, texels, *bridge[1:])
    valid = texels.valid
    on_bridge = slopes[valid] / np.maximum(light[valid], 1e-6)[:, :, None, None]
    places = cKDTree(texels.points[valid].astype(np.float64))
    flat = np.ascontiguousarray(on_wall.reshape(height, width, -1), dtype=np.float32)
    return LampErrors(flat, on_bridge.astype(np.float64), places, sight, name)


def _texels(surface: Surface) -> TexelMap:
    height, width = surface.reflectance.shape[:2]
    k = min(1.0, _LONGEST / max(height, width))
    return texel_points(surface, max(round(width * k), 1), max(round(height * k), 1))


def _slopes(
    lighting: Lighting, texels: TexelMap, light: Picture, seen: tuple[Share8, ...]
) -> tuple[NDArray[np.float32], Picture]:
    """Change of the light (h, w, 3, L, 4) by each unit of the lamps' errors, and the light (h, w, 3)."""
    height, width = texels.valid.shape
    row, column = np.mgrid[0:height, 0:width]
    uv = np.stack([(column.ravel() + 0.5) / width, (row.ravel() + 0.5) / height], axis=1)

    def laid_over(picture: Picture | Pixels8) -> Picture:
        return bilinear(picture, uv).reshape(height, width, -1)

    order = brightest_first(lighting.lamps)
    out = np.zeros((height, width, 3, len(order), ERRORS), dtype=np.float32)
    for k, number in enumerate(order):
        emitter = emitter_of(lighting.lamps[number], lighting.light, lighting.reference)
        share = laid_over(seen[number][..., None]) / np.float32(255.0)
        level = levels_of(texels, emitter)
        for axis in range(3):
            frame = emitter.frame.copy()
            frame[0, axis] += _STEP
            out[..., k, axis] = share * (levels_of(texels, replace(emitter, frame=frame)) - level) / _STEP
        out[..., k, 3] = share * level
    return out, laid_over(light)


@dataclass(frozen=True, eq=False)
class _Relit:
    """What ``under`` shows, its light changed by ``ratio`` (N, 3) in X, Y and Z."""

    under: Shown
    ratio: Array

    def colour(self, aside_px: Array | None = None, finer: bool = False) -> Field:
        """L*, a*, b* (S, N, 3)."""
        xyz = colour.xyz_of_lab(self.under.colour(aside_px, finer).astype(np.float64))
        return np.asarray(colour.lab_of_xyz(xyz * self.ratio), dtype=np.float32)

    def pattern(self) -> Array:
        """What movement shows, taken not to change."""
        return self.under.pattern()

    def grain(self, aside_px: Array | None = None) -> Field:
        """Log grain (S, N), taken not to change."""
        return self.under.grain(aside_px)


@dataclass(frozen=True, eq=False)
class Relit:
    """``paint`` under lamps that err by ``errors`` (L, 4), against a wall that is taken as it was.

    Only the ratio between the two is looked at: a change of both alike is one of exposure. A coloured lamp's change is
    laid on X, Y and Z as on a neutral paint.
    """

    paint: Paint
    lamps: LampErrors
    errors: Array

    def at(self, points: Array, camera: Camera, depth: Array, near: Near) -> Shown:
        """As a ``Paint`` shows."""
        ratio = self.lamps.ratio(points[0], camera, self.errors)
        neutral = colour.xyz(np.ones(3))
        return _Relit(self.paint.at(points, camera, depth, near), colour.xyz(ratio) / neutral)
