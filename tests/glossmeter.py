"""A gloss meter at 60 degrees, and what it reads of paint as it is sold."""

from __future__ import annotations

import math

import numpy as np

from previz.geometry import Array
from previz.gloss import fresnel, reflectance

# Gloss meters (ISO 2813, ASTM D523; all of it from memory): light falls in at 60 degrees and black glass of this index
# reads 100 gloss units; the source's picture is 0.75 degrees in the plane of incidence and 2.5 across it, the
# receptor's field 4.4 by 11.7.
_GLASS_INDEX = 1.567
_METER_ANGLE = math.radians(60.0)
_SOURCE_DEG = (0.75, 2.5)
_RECEPTOR_DEG = (4.4, 11.7)

# Readings at 60 degrees that the three words stand for. Tins and data sheets call below 10 matt, about 10 to 40 satin,
# above 70 gloss (common practice, no source); each word stands at the middle of what is sold under it. Brushed gloss
# cannot pass 89: that is what a perfect mirror of index 1.5 reads.
GLOSS_UNITS = {"matt": 0.0, "satin": 25.0, "gloss": 80.0}


def _field(size_deg: tuple[float, float], counts: tuple[int, int]) -> tuple[Array, Array, Array]:
    """Gauss-Legendre points of a rectangular field: tangents in the plane and across it (N,), solid angles (N,) sr."""
    (a, wa), (b, wb) = (np.polynomial.legendre.leggauss(n) for n in counts)
    half = [math.tan(math.radians(0.5 * side)) for side in size_deg]
    x, y = np.meshgrid(a * half[0], b * half[1], indexing="ij")
    weight = np.outer(wa * half[0], wb * half[1]) / (1.0 + x**2 + y**2) ** 1.5
    return x.reshape(-1), y.reshape(-1), weight.reshape(-1)


def _ways(side: float, x: Array, y: Array) -> Array:
    """Unit directions (N, 3) about the one that leans ``_METER_ANGLE`` to ``side`` (+1 or -1) from the normal, +Z."""
    sine, cosine = math.sin(_METER_ANGLE), math.cos(_METER_ANGLE)
    d = np.array([side * sine, 0.0, cosine]) + x[:, None] * np.array([cosine, 0.0, -side * sine])
    d[:, 1] += y
    return np.asarray(d / np.linalg.norm(d, axis=1, keepdims=True))


def gloss_units(roughness: float, diffuse: float = 0.0) -> float:
    """What a gloss meter at 60 degrees reads (ISO 2813): 100 times the light in its receptor / that off black glass.

    ``diffuse`` is the reflectance (0 to 1) of the paint below: white adds 2.5 units. A perfect mirror of index 1.5
    reads 89.1. Good to 0.3 units for a roughness of 0.002 and more.
    """
    source = _ways(-1.0, *_field(_SOURCE_DEG, (3, 5))[:2])
    share = _field(_SOURCE_DEG, (3, 5))[2]
    x, y, solid = _field(_RECEPTOR_DEG, (80, 256))
    receptor = _ways(1.0, x, y)
    caught = 0.0
    for way_in, part in zip(source, share / share.sum(), strict=True):
        sent = reflectance(way_in, receptor, roughness) + diffuse / math.pi
        caught += float(part) * float(np.sum(sent * receptor[:, 2] * solid))
    return 100.0 * caught / float(fresnel(math.cos(_METER_ANGLE), _GLASS_INDEX))
