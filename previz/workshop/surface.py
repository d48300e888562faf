"""What the set is made of once it is built: closed triangle meshes, each with one texture."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz.geometry import Array

# layer numbers, as written to id pictures; 0 is "nothing there"
NOTHING: Final = 0
WALL: Final = 1
BRIDGE: Final = 2
SUPPORT: Final = 3

Pixels8 = NDArray[np.uint8]
Picture = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Surface:
    """A closed mesh with outward normals and one texture.

    ``vertices`` (V, 3) float64 m; ``faces`` (F, 3) int32, counter-clockwise seen from outside; ``uv`` (V, 2)
    float32 in glTF's convention: u right, v **down** from the texture's first row, so the texel of row r,
    column c has its centre at ((c + .5) / width, (r + .5) / height). ``reflectance`` (H, W, 3) float32,
    linear Rec.709, 0 to 1. ``layer`` is one of the layer numbers above.
    """

    name: str
    layer: int
    vertices: Array
    faces: NDArray[np.int32]
    uv: NDArray[np.float32]
    reflectance: Picture

    @cached_property
    def corners(self) -> Array:
        """Corners (8, 3) m of the upright box around it: asked for frame by frame."""
        return corners_of(self.vertices)


def corners_of(points: Array) -> Array:
    """Corners (8, 3) of the upright box around points (N, 3)."""
    low, high = points.min(axis=0), points.max(axis=0)
    return np.stack(np.meshgrid(*zip(low, high, strict=True)), axis=-1).reshape(-1, 3)


@dataclass(frozen=True, eq=False)
class LitSurface:
    """A surface as it is drawn: what it sends to the lens, baked, so that frames are drawn unlit.

    ``name`` is the name it is drawn by (the wall exists twice: with and without the bridge's shadow).
    ``code`` (H, W, 3) uint8 is the sRGB-encoded picture of what it sends to the lens.
    """

    name: str
    surface: Surface
    code: Pixels8
