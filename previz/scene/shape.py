"""The bridge as it is: the one shape that drawings, cards, cautions, feet and the workshop ask for.

Built by rule (:class:`Slab`) or modelled (:class:`~previz.scene.modelled.Modelled`). Whoever needs an edge, an end, an
outline or a clearance of the bridge takes it from here; the formulas of taper, camber and bend stand nowhere else.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import ArrayLike

from previz.geometry import Array, unit
from previz.scene.model import Bridge, Scene
from previz.units import mm_text

# pieces along a slab that is arched or bent, and of any bridge where it is looked at from station to station
PIECES = 64

# places along each line that is drawn over a photograph
_DRAWN = 40

Outlines = tuple[Array, ...]


class BridgeShape(ABC):
    """What stands out of the wall, lengths in m, the scene's axes.

    Outlines are tuples of closed rings (N, 2) that do not repeat their first point; a hole's ring runs the other way
    round, so that the signed areas of all rings add up to the area of what is outlined.
    """

    @property
    @abstractmethod
    def near(self) -> float:
        """z of the nearest part."""

    @property
    def far(self) -> float:
        """z of the farthest part outside the wall."""
        return 0.0

    @property
    def modelled(self) -> bool:
        """Whether it is a mesh made elsewhere."""
        return False

    @abstractmethod
    def half_width(self, z: ArrayLike) -> Array:
        """Half of the whole width (...) at ``z`` (...); NaN where a modelled bridge has no part."""

    @abstractmethod
    def middle(self, z: ArrayLike) -> Array:
        """x (...) half way between the sides at ``z`` (...); NaN where a modelled bridge has no part."""

    @abstractmethod
    def top(self, x: ArrayLike, z: ArrayLike) -> Array:
        """y (...) of the upper surface at ``x`` and ``z`` (...); NaN where there is none."""

    @abstractmethod
    def underside(self, x: ArrayLike, z: ArrayLike) -> Array:
        """y (...) of the lowest surface at ``x`` and ``z`` (...); NaN where there is none."""

    @abstractmethod
    def floor(self, x: ArrayLike, z: ArrayLike) -> Array:
        """y (...) of what feet at ``x`` and ``z`` (...) stand on: the top, or past its edges the middle's."""

    @property
    @abstractmethod
    def plan(self) -> Outlines:
        """The silhouette from above: rings (N, 2) of x and z."""

    @property
    @abstractmethod
    def elevation(self) -> Outlines:
        """The silhouette from the side: rings (N, 2) of z and y."""

    @abstractmethod
    def section(self, z: float) -> Outlines:
        """The cut parallel to the wall at ``z``: rings (N, 2) of x and y; none beyond the ends."""

    @property
    @abstractmethod
    def near_corners(self) -> Array:
        """Left corner, middle and right corner (3, 3) of the top at the near end."""

    @property
    @abstractmethod
    def silhouette_corners(self) -> Array:
        """Points (N, 3) that bound it in every projection."""

    @property
    @abstractmethod
    def edge_points(self) -> Array:
        """Points (N, 3) along its edges, so close that a picture which shows a part of it shows one of them."""

    @property
    @abstractmethod
    def boxes(self) -> tuple[Array, Array]:
        """Lowest and highest corners (N, 3) each of boxes inside it, end to end, that fill it nearly."""

    @property
    @abstractmethod
    def volume(self) -> float:
        """Volume (m3) of what stands out of the wall."""

    @abstractmethod
    def distance(self, points: ArrayLike) -> Array:
        """Distance (N,) of points (N, 3) to it, 0 inside."""

    @abstractmethod
    def ahead(self, z: float) -> Array:
        """Unit level direction (3,) of the middle line at ``z``, towards the camera."""

    @abstractmethod
    def on_middle(self, z: ArrayLike) -> Array:
        """Points (..., 3) of the top's middle line at ``z`` (...); where that has a hole, on the highest place beside.

        NaN where a modelled bridge has no part.
        """

    @abstractmethod
    def drawn_lines(self, eye: ArrayLike) -> list[Array]:
        """Lines (N, 3) to draw over a photograph taken from about ``eye`` (3,)."""

    @cached_property
    def stations(self) -> Array:
        """z (N,) from the far to the near end at which the shape changes; evenly spread where it does all along."""
        return np.linspace(self.far, self.near, PIECES + 1)

    @property
    def root(self) -> tuple[float, float]:
        """How far it reaches to either side and below y = 0 where it comes out of the wall.

        Nothing where it comes to a point there.
        """
        cut = self.section(self.far)
        if not cut:
            return 0.0, 0.0
        corners = np.concatenate(cut)
        return float(np.abs(corners[:, 0]).max()), -float(corners[:, 1].min())

    @property
    def sill(self) -> Array:
        """The top's middle (3,) where the bridge comes out of the wall."""
        return self.on_middle(self.far)

    @property
    def centre(self) -> Array:
        """The top's middle (3,) half way along."""
        return self.on_middle(0.5 * (self.far + self.near))

    @cached_property
    def widest(self) -> float:
        """The largest half width."""
        return float(np.nanmax(self.half_width(self.stations)))

    def top_edges(self, count: int) -> tuple[Array, Array]:
        """Left and right edge of the top: points (N, 3) each at ``count`` places evenly spread from far to near."""
        z = self.far + np.linspace(0.0, 1.0, count) * (self.near - self.far)
        middle, half = self.middle(z), self.half_width(z)
        left, right = (np.column_stack([middle + side * half, self._rim(side, z), z]) for side in (-1.0, 1.0))
        return left, right

    @abstractmethod
    def _rim(self, side: float, z: Array) -> Array:
        """y (N,) of the top on its left (-1) or right (1) edge at ``z`` (N,)."""

    @property
    def bounds(self) -> Array:
        """Lowest and highest corner (2, 3) of it."""
        return np.stack([self.silhouette_corners.min(axis=0), self.silhouette_corners.max(axis=0)])

    @property
    def size(self) -> str:
        """Its size in words: out of the wall, across and high."""
        across, high, out = np.ptp(self.bounds, axis=0)
        return f"{mm_text(float(out))} long, {mm_text(float(across))} wide, {mm_text(float(high))} high"


@dataclass(frozen=True)
class Slab(BridgeShape):
    """A slab by rule: cross-sections are rectangles parallel to the wall.

    The middle bends to the right and rises along parabolas: ``bend`` at the near end, ``camber`` half way; the width
    goes evenly from ``width`` at the sill to ``taper`` times that. Behind the sill it runs on level and as wide as
    there, as far as it is buried; beyond the near end the formulas are carried on where no end is asked for.
    """

    length: float
    width: float
    thickness: float
    taper: float
    camber: float
    bend: float

    @property
    def near(self) -> float:
        return self.length

    @property
    def straight(self) -> bool:
        """Whether its sides are flat: neither arched nor bent."""
        return self.camber == 0.0 and self.bend == 0.0

    @cached_property
    def stations(self) -> Array:
        """z (N,) from the sill to the near end: both ends of a straight slab, evenly spread ones of another."""
        return np.linspace(0.0, self.length, 2 if self.straight else PIECES + 1)

    def _share(self, z: ArrayLike) -> Array:
        return np.asarray(np.maximum(np.asarray(z, dtype=np.float64) / self.length, 0.0))

    def half_width(self, z: ArrayLike) -> Array:
        return np.asarray(0.5 * self.width * (1.0 + (self.taper - 1.0) * self._share(z)))

    def middle(self, z: ArrayLike) -> Array:
        return np.asarray(self.bend * self._share(z) ** 2)

    def level(self, z: ArrayLike) -> Array:
        """y (...) of the top at ``z`` (...), all across and whether or not the slab reaches there."""
        share = self._share(z)
        return np.asarray(4.0 * self.camber * share * (1.0 - share))

    def slope(self, z: ArrayLike) -> Array:
        """How steeply (...) the top rises towards the camera at ``z`` (...)."""
        z = np.asarray(z, dtype=np.float64)
        return np.where(z > 0.0, 4.0 * self.camber * (1.0 - 2.0 * self._share(z)) / self.length, 0.0)

    def top(self, x: ArrayLike, z: ArrayLike) -> Array:
        x, z = np.asarray(x, dtype=np.float64), np.asarray(z, dtype=np.float64)
        hair = 1e-9  # m; on the very edge is on it
        there = (np.abs(x - self.middle(z)) <= self.half_width(z) + hair) & (z <= self.length + hair)
        return np.where(there, self.level(z), np.nan)

    def underside(self, x: ArrayLike, z: ArrayLike) -> Array:
        return np.asarray(self.top(x, z) - self.thickness)

    def on_middle(self, z: ArrayLike) -> Array:
        z = np.asarray(z, dtype=np.float64)
        return np.stack([self.middle(z), self.level(z), z], axis=-1)

    def floor(self, x: ArrayLike, z: ArrayLike) -> Array:
        return self.level(np.broadcast_arrays(x, z)[1])

    def _rim(self, side: float, z: Array) -> Array:
        return self.level(z)

    def drawn_lines(self, eye: ArrayLike) -> list[Array]:
        """The top's outline, and the near end's face below it: what is seen from above its near end."""
        left, right = self.top_edges(_DRAWN)
        near = np.array([left[-1], right[-1]])
        low = near - (0.0, self.thickness, 0.0)
        return [np.concatenate([left, right[::-1], left[:1]]), np.array([near[0], low[0], low[1], near[1]])]

    def ahead(self, z: float) -> Array:
        return unit([2.0 * self.bend * float(self._share(z)) / self.length, 0.0, 1.0])

    @cached_property
    def plan(self) -> Outlines:
        z = self.stations
        left, right = (np.column_stack([self.middle(z) + side * self.half_width(z), z]) for side in (-1.0, 1.0))
        return (np.concatenate([left[::-1], right]),)

    @cached_property
    def elevation(self) -> Outlines:
        z, y = self.stations, self.level(self.stations)
        top, low = np.column_stack([z, y]), np.column_stack([z, y - self.thickness])
        return (np.concatenate([low, top[::-1]]),)

    def section(self, z: float) -> Outlines:
        if not self.far <= z <= self.near:
            return ()
        middle, half, y = float(self.middle(z)), float(self.half_width(z)), float(self.level(z))
        low = y - self.thickness
        return (np.array([[middle - half, low], [middle + half, low], [middle + half, y], [middle - half, y]]),)

    @cached_property
    def near_corners(self) -> Array:
        half = 0.5 * self.width * self.taper
        return np.array([[self.bend + side * half, 0.0, self.length] for side in (-1.0, 0.0, 1.0)])

    def _along(self, z: Array, sides: tuple[float, ...]) -> Array:
        middle, half, y = self.middle(z), self.half_width(z), self.level(z)
        lines = [
            np.column_stack([middle + side * half, y - down, z]) for side in sides for down in (0.0, self.thickness)
        ]
        return np.concatenate(lines)

    @cached_property
    def silhouette_corners(self) -> Array:
        return self._along(self.stations, (-1.0, 1.0))

    @cached_property
    def edge_points(self) -> Array:
        return self._along(self.length * np.linspace(0.0, 1.0, PIECES + 1), (-1.0, 0.0, 1.0))

    @cached_property
    def boxes(self) -> tuple[Array, Array]:
        z = self.length * np.linspace(0.0, 1.0, PIECES + 1)
        middle, half, top = self.middle(z), self.half_width(z), self.level(z)
        left, right = middle - half, middle + half
        underside = np.maximum(top[:-1], top[1:]) - self.thickness
        low = np.column_stack([np.maximum(left[:-1], left[1:]), underside, z[:-1]])
        high = np.column_stack([np.minimum(right[:-1], right[1:]), np.minimum(top[:-1], top[1:]), z[1:]])
        return low, np.maximum(high, low)

    @property
    def volume(self) -> float:
        return 0.5 * (1.0 + self.taper) * self.width * self.length * self.thickness

    def distance(self, points: ArrayLike) -> Array:
        """Distance (N,) of points (N, 3) to it, 0 inside; off by less than a hundredth of its length."""
        p = np.asarray(points, dtype=np.float64)
        share = np.linspace(0.0, 1.0, PIECES + 1)
        z = self.length * share
        top = self.level(z)
        across = np.maximum(np.abs(p[:, None, 0] - self.middle(z)) - self.half_width(z), 0.0)
        above = np.maximum(p[:, None, 1] - top, 0.0) + np.maximum(top - self.thickness - p[:, None, 1], 0.0)
        # each cross section stands for the stretch halfway to its neighbours
        reach = 0.5 / PIECES
        first, last = (self.length * np.clip(share + step, 0.0, 1.0) for step in (-reach, reach))
        along = np.maximum(np.maximum(first - p[:, None, 2], p[:, None, 2] - last), 0.0)
        return np.asarray(np.sqrt(across**2 + above**2 + along**2).min(axis=1))


def slab_of(bridge: Bridge) -> Slab:
    """The slab that the keys of a ``[bridge]`` without a mesh describe."""
    return _slab(bridge.length, bridge.width, bridge.thickness, bridge.taper, bridge.camber, bridge.bend)


# one slab for equal keys, so that what it has worked out serves everyone
_slab = lru_cache(maxsize=256)(Slab)


def bridge_shape(scene: Scene) -> BridgeShape:
    """The shape of a scene's bridge, worked out once for a bridge or a state of its mesh file.

    Raises :class:`~previz.errors.BuildError` for a mesh that cannot be used.
    """
    if scene.bridge.mesh is None:
        return slab_of(scene.bridge)
    # meshes need more than a plain scene does
    from previz.scene.modelled import modelled_shape

    return modelled_shape(scene.path(scene.bridge.mesh.file), scene.bridge.mesh)
