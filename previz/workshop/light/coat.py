"""What glossy and satin paint throws on beside its own colour: light that its coat mirrors on its way to a surface.

A walkway's top before a satin wall is lit by the sky that it sees in the wall, and the floor of a doorway by that in
its sides. A ray that light is gathered along goes on from where it met a coat, once, as from a mirror: to what it meets
there, or to light from everywhere. What the coat mirrors is taken from what comes out of the paint under it, as in a
picture (:func:`previz.workshop.light.shine.under_coat`). Left out: lamps and cards that are mirrored, which give a
twentieth of their light at most and where they gleam, and how a rough coat spreads what it mirrors, which is averaged
over all directions here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from previz import gloss
from previz.scene.model import Gloss
from previz.workshop.compiled import compiled
from previz.workshop.light.rays import CLEARANCE, Numbers, Single
from previz.workshop.surface import Picture
from previz.workshop.texels import TexelMap

# a ray that grazes a texel's normal from behind is taken for one along the surface
_GRAZING = 1e-3


@dataclass(frozen=True, eq=False)
class Coated:
    """What coats do to the rays of a lattice, (N, D) each: ``through`` is how much of its paint's light comes out of
    the coat that a ray met, against square on, and ``mirrored`` the share that it sees of what is beyond. That is
    ``texel`` of ``surface``, as of the rays themselves."""

    through: Single
    mirrored: Single
    texel: Numbers
    surface: NDArray[np.int8]


def let_into(kind: Gloss) -> float:
    """How much of light from all sides gets through a coat to its paint, against light from 45 degrees, by which a
    paint's colour is told (CIE 15, geometry 45:0). 1 for matt paint."""
    if kind == "matt":
        return 1.0
    roughness = gloss.ROUGHNESS[kind]
    return float(gloss.transmitted(roughness) / (1.0 - gloss.sheen(np.full(1, math.sqrt(0.5)), roughness)[0]))


def onward(
    ways: Picture, texel: NDArray[Any], texels: TexelMap, kind: Gloss
) -> tuple[Picture, Picture, Single, Single]:
    """Rays that go on from where ways (N, 3) met texels (N,) of a coated surface: origins and directions (N, 3), and
    the shares (N,) that come through and that are mirrored."""
    points, normals = (a.reshape(-1, 3)[texel] for a in (texels.points, texels.normals))
    cosine = -np.einsum("ij,ij->i", ways, normals)
    on = ways + 2.0 * np.maximum(cosine, _GRAZING)[:, None] * normals
    on /= np.linalg.norm(on, axis=1, keepdims=True)
    roughness = gloss.ROUGHNESS[kind]
    mirrored = gloss.sheen(np.maximum(cosine, _GRAZING), roughness)
    through = np.minimum((1.0 - mirrored) / (1.0 - gloss.sheen(np.ones(1), roughness)[0]), 1.0)
    origins = points + np.float32(CLEARANCE) * normals
    return origins, on.astype(np.float32), through.astype(np.float32), mirrored.astype(np.float32)


def _laid_over(through: Any, mirrored: Any, beyond: Any, value: Any) -> None:
    for i in range(value.shape[0]):
        for c in range(value.shape[1]):
            for k in range(value.shape[2]):
                value[i, c, k] = through[i, k] * value[i, c, k] + mirrored[i, k] * beyond[i, c, k]


laid_over = compiled(_laid_over)
