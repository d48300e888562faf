"""Light baked into textures: how much of it reaches every texel, lamp by lamp, and what the texel sends back.

Light falls off with the inverse square of the distance and the cosine at the surface (Lambert); what stands in the
way is asked of a function that the caller brings, so that this layer needs no ray caster of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.build.surface import Picture, Surface
from previz.build.texels import TexelMap, texel_points
from previz.geometry import Array, unit
from previz.scene.model import Lamp, Light

# (origins (N, 3), unit directions (N, 3), distance (N,)) -> (N,) bool
Blocked = Callable[[Array, Array, Array], NDArray[np.bool_]]

# longest side of the map on which the angle of the light is worked out: as fine as the relief's triangles
_SHADING_PX = 896

# shadow rays spent on a lamp and a surface
_SHADOW_RAYS = 800_000

# distance (m) off the surface at which a shadow ray starts
_CLEARANCE = 3e-4

# points on the face of a soft lamp: one in the middle and two rings
_RINGS = ((0.0, 1), (0.55, 6), (0.9, 9))


@dataclass(frozen=True, eq=False)
class Lighting:
    """Everything that lights the set. ``reference`` lux is what a white card needs to come out as white."""

    lamps: tuple[Lamp, ...]
    light: Light
    reference: float

    @property
    def flat(self) -> bool:
        """True where nothing is lit and every surface is shown in its own colour."""
        return not self.lamps and self.light.ambient == 0.0


def _face_points(lamp: Lamp) -> Array:
    """Points (K, 3) m on the lamp's face; the middle alone where it has no size."""
    centre = np.asarray(lamp.position)
    if lamp.size == 0.0:
        return centre[None]
    ahead = unit(np.asarray(lamp.aim) - centre)
    side = unit(np.cross(ahead, [0.0, 1.0, 0.0] if abs(ahead[1]) < 0.9 else [1.0, 0.0, 0.0]))
    up = np.cross(side, ahead)
    points = []
    for radius, count in _RINGS:
        angle = 2.0 * np.pi * (np.arange(count) + 0.5 * (radius > 0.6)) / count
        points.append(
            centre
            + 0.5 * lamp.size * radius * (np.cos(angle)[:, None] * side + np.sin(angle)[:, None] * up)
        )
    return np.concatenate(points)


def irradiance(surface: Surface, lighting: Lighting, blockers: Sequence[Blocked]) -> list[Picture]:
    """Light that reaches a surface, as a share of ``lighting.reference``, tinted by lamps and white balance.

    One picture (h, w, 3) float32 over the surface's map for each blocker: the n-th has the shadows of the first n
    blockers together. The pictures are coarser than the surface's texture; ``enlarged`` fits them to it.
    ``lux`` of a lamp is what it gives, face on, at the point it is aimed at.
    """
    height, width = surface.reflectance.shape[:2]
    if lighting.flat:
        return [np.ones((1, 1, 3), dtype=np.float32) for _ in blockers]
    shade_size = _at_most(width, height, _SHADING_PX)
    texels = texel_points(surface, *shade_size)
    ambient = lighting.light.ambient / lighting.reference
    outs = [np.full((*texels.valid.shape, 3), ambient, np.float32) for _ in blockers]
    for lamp in lighting.lamps:
        strength = lamp.lux * float(np.sum((np.asarray(lamp.position) - np.asarray(lamp.aim)) ** 2))
        tint = colour.lamp_tint(lamp.kelvin, lighting.light.white_balance)
        level = _unshadowed(texels, lamp) * np.float32(strength / lighting.reference)
        for out, seen in zip(outs, _lamp_seen(surface, lamp, blockers), strict=True):
            out += (level * enlarged(seen, *level.shape))[..., None] * tint.astype(np.float32)
    return outs


def _at_most(width: int, height: int, longest: int) -> tuple[int, int]:
    k = min(1.0, longest / max(width, height))
    return max(round(width * k), 1), max(round(height * k), 1)


def _unshadowed(texels: TexelMap, lamp: Lamp) -> NDArray[np.float32]:
    """Mean of cos / distance^2 (h, w), 1/m^2, over the lamp's face, nothing in the way."""
    # where nothing is in the way a face's light changes so slowly that its middle and inner ring stand for all of it
    face = _face_points(lamp)[: 1 + _RINGS[1][1]].astype(np.float32)
    points, normals = (np.moveaxis(a, -1, 0).copy() for a in (texels.points, texels.normals))
    level = np.zeros(texels.valid.shape, dtype=np.float32)
    for source in face:
        x, y, z = (source[k] - points[k] for k in range(3))
        square = np.maximum(x * x + y * y + z * z, np.float32(1e-6))
        cosine = x * normals[0] + y * normals[1] + z * normals[2]
        level += np.maximum(cosine, 0.0) / (square * np.sqrt(square))
    return level / np.float32(len(face))


def _lamp_seen(surface: Surface, lamp: Lamp, blockers: Sequence[Blocked]) -> list[NDArray[np.float32]]:
    """Share (h, w) of the lamp's face that each texel sees past the first n blockers, for each n."""
    face = _face_points(lamp)
    height, width = surface.reflectance.shape[:2]
    # many points of a face make a soft edge that needs few texels; one point makes a sharp one that needs many
    longest = int(np.sqrt(_SHADOW_RAYS / len(face) * max(width, height) / min(width, height)))
    texels = texel_points(surface, *_at_most(width, height, min(longest, _SHADING_PX)))
    rows = np.flatnonzero(texels.valid)
    points = texels.points.reshape(-1, 3)[rows].astype(np.float64)
    normals = texels.normals.reshape(-1, 3)[rows].astype(np.float64)
    # start a hair off the surface, so that a texel does not stand in its own light
    starts = points + _CLEARANCE * normals
    counts = np.zeros((len(blockers), len(rows)), dtype=np.float32)
    for source in face:
        towards = source - starts
        distance = np.linalg.norm(towards, axis=1)
        towards /= distance[:, None]
        alive = np.flatnonzero(np.einsum("ij,ij->i", towards, normals) > 0.0)
        for n, blocked in enumerate(blockers):
            alive = alive[~blocked(starts[alive], towards[alive], distance[alive])]
            counts[n, alive] += 1.0
    seen = []
    for n in range(len(blockers)):
        share = np.ones(texels.valid.size, dtype=np.float32)
        share[rows] = counts[n] / np.float32(len(face))
        seen.append(share.reshape(texels.valid.shape))
    return seen


def enlarged(picture: NDArray[np.float32], height: int, width: int) -> NDArray[np.float32]:
    """A picture (h, w) or (h, w, C) stretched to (height, width), linear between texel centres, held at the edges."""
    out = picture
    for axis, count in ((0, height), (1, width)):
        have = out.shape[axis]
        if have == count:
            continue
        at = np.clip((np.arange(count) + 0.5) * have / count - 0.5, 0.0, have - 1.0)
        lower = np.minimum(at.astype(np.int64), max(have - 2, 0))
        shape = [1] * out.ndim
        shape[axis] = count
        part = (at - lower).astype(np.float32).reshape(shape)
        upper = np.minimum(lower + 1, have - 1)
        out = np.take(out, lower, axis=axis) * (1 - part) + np.take(out, upper, axis=axis) * part
    return out


def reference_light(lamps: Sequence[Lamp], light: Light) -> float:
    """Lux that the wall gets, face on, where the lamps are aimed: what the exposure is set for."""
    return float(sum(lamp.lux for lamp in lamps) + light.ambient)
