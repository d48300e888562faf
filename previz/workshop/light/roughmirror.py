"""What a rough coat mirrors of its surroundings: not one place but a streak, longest in the plane of the way in.

The half vectors of the mirrored ways are spread as the paint's microfacets are (GGX, :mod:`previz.gloss`). Across the
plane of the way in that turns a way by the cosine less than along it: at a walkway's flat angle a streak is several
times as long as wide. So a few ways lie along the streak, by equal shares of the facets, and each sees its surroundings
averaged over the streak's width.
"""

from __future__ import annotations

import numpy as np

from previz import gloss
from previz.geometry import Array, unit
from previz.scene.model import Gloss

# ways along the streak: satin's is long enough to need several, gloss paint's is as good as one
TAPS: dict[Gloss, int] = {"matt": 1, "satin": 7, "gloss": 1}

# standard deviation that stands for the width of a streak, over the roughness: GGX has none of its own, and half of its
# facets lie within 0.58 of the plane, as of a Gaussian's within 0.67 deviations
_ACROSS = 0.86


def mirrored_ways(normals: Array, eyeward: Array, kind: Gloss) -> tuple[Array, Array, Array]:
    """Ways that a coat mirrors: unit directions (T, N, 3), how much each counts (T, N), 1 in all, and how far each is
    spread across the streak (N,), a standard deviation in radians.

    ``normals`` and ``eyeward`` (N, 3) are unit vectors, the latter to the lens, on the side of the former. A facet
    counts as far as it is seen and by what it mirrors (Fresnel), and not where its way leads below the surface.
    """
    roughness, count = gloss.ROUGHNESS[kind], TAPS[kind]
    cosine = np.einsum("ij,ij->i", eyeward, normals)
    along = eyeward - cosine[:, None] * normals
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-12)
    # equal shares of the facets by their slope in one plane: the distribution summed across it, whose own sum up to a
    # slope p is 1/2 + p / (2 sqrt(a^2 + p^2))
    share = (2.0 * np.arange(count) + 1.0) / count - 1.0
    slopes = roughness * share / np.sqrt(1.0 - share**2)
    ways, weights = np.empty((count, *normals.shape)), np.empty((count, len(normals)))
    for k, slope in enumerate(slopes):
        facet = unit(normals + slope * along)
        seen = np.einsum("ij,ij->i", eyeward, facet)
        ways[k] = 2.0 * seen[:, None] * facet - eyeward
        open_way = (seen > 0.0) & (np.einsum("ij,ij->i", ways[k], normals) > 0.0)
        weights[k] = np.where(open_way, seen * gloss.fresnel(np.clip(seen, 0.0, 1.0), gloss.PAINT_INDEX), 0.0)
    weights /= np.maximum(weights.sum(axis=0), 1e-12)
    return ways, weights, 2.0 * _ACROSS * roughness * np.clip(cosine, 0.0, 1.0)
