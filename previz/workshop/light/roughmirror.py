"""What a rough coat mirrors of its surroundings: not one place but a streak, longest in the plane of the way in.

The half vectors of the mirrored ways are spread as the paint's microfacets are (GGX, :mod:`previz.gloss`). Across the
plane of the way in that turns a way by the cosine less than along it: at a walkway's flat angle a streak is several
times as long as wide. So a few ways lie along the streak, by equal shares of the facets, and each sees its surroundings
averaged over the streak's width.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from previz import gloss
from previz.geometry import Array, unit
from previz.scene.model import Gloss

# ways along the streak: satin's is long enough to need several, gloss paint's is as good as one
TAPS: dict[Gloss, int] = {"matt": 1, "satin": 7, "gloss": 1}

# standard deviation that stands for the width of a streak, over the roughness: GGX has none of its own, and half of its
# facets lie within 0.58 of the plane, as of a Gaussian's within 0.67 deviations
_ACROSS = 0.86


# Ways along and across where a patch is mirrored. Each place of a tile of three by three takes them at other shares of
# the facets than its neighbours, so that their mean, over any nine around a place, has nine times as many (interleaved
# sampling: Keller and Heidrich, Rendering Techniques 2001, from memory). A few alone would show what stands near and
# narrow as so many faint copies of itself, and a contour is a thing that eyes find.
_WAYS = (5, 3)
TILE = 3


def mirrored_ways(
    normals: Array, eyeward: Array, kind: Gloss, tile: tuple[NDArray[np.intp], NDArray[np.intp]] | None = None
) -> tuple[Array, Array, Array]:
    """Ways that a coat mirrors: unit directions (T, N, 3), how much each counts (T, N), 1 in all, and how far each is
    spread across the streak (N,), a standard deviation in radians.

    ``normals`` and ``eyeward`` (N, 3) are unit vectors, the latter to the lens, on the side of the former. A facet
    counts as far as it is seen and by what it mirrors (Fresnel), and not where its way leads below the surface. With a
    row and a column (N,) of each place in its ``tile``, 0 to ``TILE`` - 1, a rough coat's ways are those of a patch.
    """
    roughness, count, wide = gloss.ROUGHNESS[kind], TAPS[kind], 1
    cosine = np.einsum("ij,ij->i", eyeward, normals)
    along = eyeward - cosine[:, None] * normals
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-12)
    within: tuple[Array | float, Array | float] = (0.5, 0.5)
    if tile is not None and count > 1:
        count, wide = _WAYS
        within = (tile[0] + 0.5) / TILE, (tile[1] + 0.5) / TILE
    across = np.cross(normals, along)
    ways, weights = np.empty((count * wide, *normals.shape)), np.empty((count * wide, len(normals)))
    for k, j in np.ndindex(count, wide):
        # equal shares of the facets by their slope in one plane: the distribution summed across it, whose own sum up to
        # a slope p is 1/2 + p / (2 sqrt(a^2 + p^2))
        share = np.asarray(2.0 * (k + within[0]) / count - 1.0)
        slope = roughness * share / np.sqrt(1.0 - share**2)
        aside = np.hypot(roughness, slope) * _aside(np.asarray((j + within[1]) / wide))
        facet = unit(normals + slope[..., None] * along + aside[..., None] * across)
        seen, row = np.einsum("ij,ij->i", eyeward, facet), k * wide + j
        ways[row] = 2.0 * seen[:, None] * facet - eyeward
        open_way = (seen > 0.0) & (np.einsum("ij,ij->i", ways[row], normals) > 0.0)
        weights[row] = np.where(open_way, seen * gloss.fresnel(np.clip(seen, 0.0, 1.0), gloss.PAINT_INDEX), 0.0)
    weights /= np.maximum(weights.sum(axis=0), 1e-12)
    return ways, weights, 2.0 * _ACROSS * roughness / wide * np.clip(cosine, 0.0, 1.0)


# slopes across at one slope along, in parts of their scale sqrt(a^2 + p^2), and the share of facets below each: they
# are distributed as 2 / pi / (1 + t^2)^2, whose own sum up to t is 1/2 + (arctan t + t / (1 + t^2)) / pi
_ASIDE = np.tan(np.linspace(-0.499, 0.499, 2001) * np.pi)
_BELOW = 0.5 + (np.arctan(_ASIDE) + _ASIDE / (1.0 + _ASIDE**2)) / np.pi


def _aside(share: Array) -> Array:
    """The slope across (N,) below which so many of the facets (N,) lie, 0 to 1, in parts of its scale."""
    return np.interp(share, _BELOW, _ASIDE)
