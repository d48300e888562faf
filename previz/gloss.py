"""How paint shines: the mirror-like part of what a painted surface sends back, as formulas on arrays.

The microfacet model of Walter, Marschner, Li and Torrance, "Microfacet Models for Refraction through Rough Surfaces",
EGSR 2007: GGX distribution (eq. 33), its Smith masking (eq. 34, separable as eq. 23) and the Fresnel term of a
dielectric (eq. 22). The full Fresnel term and not Schlick's fit: for index 1.5 the fit reads 0.070 at 60 degrees where
the formula reads 0.089, and walkways are looked at from low down.

Cosines are those between a direction and the normal, 0 to 1; directions lead away from the surface. ``roughness`` is
the paper's alpha_g. The bodies are plain arithmetic, so that they can be compiled and called with numbers as well.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# binders of house paint: 1.5 (textbook value, from memory)
PAINT_INDEX = 1.5

# alpha_g of the words that name a paint: satin reads 25 gloss units at 60 degrees and gloss 80, which a test holds by a
# gloss meter (``tests/glossmeter.py``). Matt paint has no mirrored part here: it is what the rest of the package takes
# every surface for. Real matt paint reads up to 10.
ROUGHNESS = {"satin": 0.0606, "gloss": 0.0093}

# cosines at which the albedo is tabled, and points of its integral a side
_TABLE = 65
_POINTS = 96


def distribution(cosine: Any, roughness: Any) -> Any:
    """GGX distribution D (1/sr) of microfacet normals at ``cosine`` from the normal (Walter et al. 2007, eq. 33)."""
    a2 = roughness * roughness
    t = cosine * cosine * (a2 - 1.0) + 1.0
    return a2 / (math.pi * t * t)


def masking(cosine: Any, roughness: Any) -> Any:
    """Share (0 to 1) of the microfacets that is seen from a direction: Smith's G1 for GGX (eq. 34)."""
    c2 = cosine * cosine
    return 2.0 * cosine / (cosine + np.sqrt(c2 + roughness * roughness * (1.0 - c2)))


def fresnel(cosine: Any, index: Any) -> Any:
    """Share of unpolarised light that a smooth dielectric of an ``index`` >= 1 mirrors (eq. 22), no absorption."""
    g = np.sqrt(index * index - 1.0 + cosine * cosine)
    first = (g - cosine) / (g + cosine)
    second = (cosine * (g + cosine) - 1.0) / (cosine * (g - cosine) + 1.0)
    return 0.5 * first * first * (1.0 + second * second)


def lobe(cos_in: Any, cos_out: Any, cos_half: Any, cos_between: Any, roughness: Any) -> Any:
    """What is sent one way of light from another (1/sr), times the cosine of the way in: F D G / (4 cos_out) (eq. 20).

    ``cos_half`` is that of the half vector of both ways with the normal, ``cos_between`` with either way. Times the
    radiance that falls in, summed over solid angle, it is the radiance sent out.
    """
    shadowed = masking(cos_in, roughness) * masking(cos_out, roughness)
    return fresnel(cos_between, PAINT_INDEX) * distribution(cos_half, roughness) * shadowed / (4.0 * cos_out)


def reflectance(way_in: Array, way_out: Array, roughness: float) -> Array:
    """Reflectance function f (...) in 1/sr of unit directions (..., 3), the normal along +Z; 0 below the surface."""
    i, o = np.broadcast_arrays(np.asarray(way_in, dtype=np.float64), np.asarray(way_out, dtype=np.float64))
    both = i + o
    h = both / np.maximum(np.linalg.norm(both, axis=-1, keepdims=True), 1e-300)
    above = (i[..., 2] > 0.0) & (o[..., 2] > 0.0)
    cos_in, cos_out = np.where(above, i[..., 2], 1.0), np.where(above, o[..., 2], 1.0)
    between = np.einsum("...k,...k->...", h, o)
    f = lobe(cos_in, cos_out, np.abs(h[..., 2]), np.abs(between), roughness) / cos_in
    return np.asarray(np.where(above, f, 0.0))


def _square(count: int) -> tuple[Array, Array]:
    """Midpoints (count^2,) of a grid over the unit square."""
    middle = (np.arange(count) + 0.5) / count
    u, v = np.meshgrid(middle, middle)
    return u.reshape(-1), v.reshape(-1)


def albedo(cosine: float, roughness: float, points: int = _POINTS) -> float:
    """Share (0 to 1) of light arriving along one direction that the paint mirrors, over all ways out.

    By reciprocity also what a surface seen at ``cosine`` mirrors of surroundings that are alike everywhere. Summed
    over half vectors drawn as they are seen (Heitz, "Sampling the GGX Distribution of Visible Normals", JCGT 7(4),
    2018), each weighing F G1(out), ``points``^2 of them: within 0.1 %.
    """
    sine = math.sqrt(max(1.0 - cosine * cosine, 0.0))
    u, v = _square(points)
    # the way stretched until the facets are a half ball, and two axes across it (Heitz, section 3)
    stretched = np.array([roughness * sine, 0.0, cosine])
    stretched /= np.linalg.norm(stretched)
    across = np.array([0.0, 1.0, 0.0])
    up = np.cross(stretched, across)
    radius, angle = np.sqrt(u), 2.0 * np.pi * v
    t1, t2 = radius * np.cos(angle), radius * np.sin(angle)
    s = 0.5 * (1.0 + stretched[2])
    t2 = (1.0 - s) * np.sqrt(1.0 - t1**2) + s * t2
    t3 = np.sqrt(np.maximum(1.0 - t1**2 - t2**2, 0.0))
    h = t1[:, None] * across + t2[:, None] * up + t3[:, None] * stretched
    h = np.column_stack([roughness * h[:, 0], roughness * h[:, 1], np.maximum(h[:, 2], 1e-12)])
    h /= np.linalg.norm(h, axis=1, keepdims=True)
    way = np.array([sine, 0.0, cosine])
    between = np.clip(h @ way, 0.0, 1.0)
    out = 2.0 * between * h[:, 2] - cosine
    weight = fresnel(between, PAINT_INDEX) * masking(np.maximum(out, 1e-12), roughness)
    return float(np.mean(np.where(out > 0.0, weight, 0.0)))


@lru_cache(maxsize=8)
def albedo_table(roughness: float) -> Array:
    """:func:`albedo` at evenly spaced roots of the cosine, 0 to 1: the k-th of n at cosine (k / (n - 1))^2."""
    roots = np.linspace(0.0, 1.0, _TABLE)
    return np.array([albedo(max(float(root) ** 2, 1e-6), roughness) for root in roots])


def transmitted(roughness: float) -> float:
    """Share (0 to 1) of light from all sides alike that gets through the coat: 1 - albedo, weighted by the cosine."""
    cosine = (np.arange(256) + 0.5) / 256
    return float(1.0 - 2.0 * np.mean(sheen(cosine, roughness) * cosine))


def sheen(cosine: Array, roughness: float) -> Array:
    """Share (...) that is mirrored of surroundings that are alike everywhere, seen at ``cosine`` (...): the table's."""
    table = albedo_table(roughness)
    roots = np.sqrt(np.clip(cosine, 0.0, 1.0))
    return np.asarray(np.interp(roots, np.linspace(0.0, 1.0, len(table)), table))
