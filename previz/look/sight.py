"""Ray casting, our sight lines: first hits and visibility by Embree. The only file that imports ``embreex``.

Embree works in float32 and finds which triangle a ray meets first; the place on that triangle is then worked
out again in float64, so that a distance is exact for the triangle it belongs to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene
from numpy.typing import NDArray

from previz.camera import AnyCamera
from previz.geometry import Array
from previz.look.raster import FrameTriangles, Shows, cast, triangles_of
from previz.look.view import View
from previz.workshop.compiled import compiled, in_parts
from previz.workshop.light.rays import Met
from previz.workshop.surface import LitSurface, Picture, Pixels8, Surface

# rays cast at once: bounds the memory of a picture to about 60 MB beside the picture itself
CHUNK = 1 << 18
# how far (m) a ray's start is moved off the surface that it leaves: 40 float32 steps at 2 m
OFFSET = 1e-5
# sine of the turn of a ray that is cast again: 1 um at 1 m, far below a pixel, far above a float32 step
JITTER = 1e-6


@dataclass(frozen=True, eq=False)
class Hits:
    """What N rays met first.

    ``distance`` (N,) float64: in lengths of the ray's direction, metres for unit directions, inf where
    nothing was met. ``surface`` (N,) int32: index into the surfaces given to :class:`SightLines`, -1 where
    nothing was met. ``face`` (N,) int32: row of that surface's ``faces``, -1. ``uv`` (N, 2) float64: texture
    coordinates, 0 where nothing. ``point`` (N, 3) float64 m: where, NaN where nothing.
    """

    distance: Array
    surface: NDArray[np.int32]
    face: NDArray[np.int32]
    uv: Array
    point: Array


def _cross(a: Any, b: Any, out: Any) -> None:
    out[0] = a[1] * b[2] - a[2] * b[1]
    out[1] = a[2] * b[0] - a[0] * b[2]
    out[2] = a[0] * b[1] - a[1] * b[0]


_cross_compiled = compiled(_cross)


def _place(
    origins: Any,
    directions: Any,
    corners: Any,
    vertices: Any,
    vertex_uv: Any,
    distance: Any,
    uv: Any,
    point: Any,
) -> None:
    """Float64 place of each hit; ``corners`` (N, 3) are vertex numbers, -1 where nothing was met.

    Moeller and Trumbore, "Fast, Minimum Storage Ray/Triangle Intersection", Journal of Graphics Tools 2(1),
    21-28, 1997.
    """
    p, q = np.empty(3), np.empty(3)
    e1, e2, from_a = np.empty(3), np.empty(3), np.empty(3)
    for i in range(origins.shape[0]):
        a, b, c = corners[i, 0], corners[i, 1], corners[i, 2]
        if a < 0:
            distance[i] = np.inf
            for k in range(3):
                point[i, k] = np.nan
            continue
        o, d = origins[i], directions[i]
        for k in range(3):
            e1[k] = vertices[b, k] - vertices[a, k]
            e2[k] = vertices[c, k] - vertices[a, k]
            from_a[k] = o[k] - vertices[a, k]
        _cross_compiled(d, e2, p)
        _cross_compiled(from_a, e1, q)
        determinant = e1[0] * p[0] + e1[1] * p[1] + e1[2] * p[2]
        s, t = 0.0, 0.0
        if determinant != 0.0:
            s = (from_a[0] * p[0] + from_a[1] * p[1] + from_a[2] * p[2]) / determinant
            t = (d[0] * q[0] + d[1] * q[1] + d[2] * q[2]) / determinant
        # a ray that passes by a float32 step outside, or along the face, is taken to the face's rim
        s = min(max(s, 0.0), 1.0)
        t = min(max(t, 0.0), 1.0 - s)
        along, length2 = 0.0, 0.0
        for k in range(3):
            along += (s * e1[k] + t * e2[k] - from_a[k]) * d[k]
            length2 += d[k] * d[k]
        distance[i] = along / length2
        for k in range(3):
            point[i, k] = o[k] + distance[i] * d[k]
        for k in range(2):
            uv[i, k] = (1.0 - s - t) * vertex_uv[a, k] + s * vertex_uv[b, k] + t * vertex_uv[c, k]


_place_compiled = compiled(_place)


class _Geometry:
    """The geometries of one set of names in one Embree scene, and the numbers to read its answers with."""

    def __init__(self, surfaces: Sequence[Surface]) -> None:
        self.scene = EmbreeScene(robust=True)
        # Embree numbers geometries in the order in which they are added
        for surface in surfaces:
            TriangleMesh(
                self.scene,
                np.ascontiguousarray(surface.vertices, dtype=np.float32),
                np.ascontiguousarray(surface.faces, dtype=np.int32),
            )
        first_vertex = np.cumsum([0] + [len(s.vertices) for s in surfaces[:-1]])
        self.first_face = np.cumsum([0] + [len(s.faces) for s in surfaces[:-1]])
        self.vertices = np.concatenate([np.asarray(s.vertices, dtype=np.float64) for s in surfaces])
        self.uv = np.concatenate([np.asarray(s.uv, dtype=np.float64) for s in surfaces])
        self.faces = np.concatenate(
            [np.asarray(s.faces, dtype=np.int64) + k for s, k in zip(surfaces, first_vertex, strict=True)]
        )


class SightLines:
    """Casts rays against surfaces. Surfaces are picked by name; one Embree scene is kept per choice.

    A lit surface answers to its own ``name``. Surfaces that share a geometry (the wall with and without the
    bridge's shadow) share its Embree scene too.
    """

    def __init__(self, surfaces: Sequence[Surface | LitSurface]) -> None:
        self.surfaces = tuple(surfaces)
        self._meshes = tuple(s.surface if isinstance(s, LitSurface) else s for s in self.surfaces)
        self._number = {surface.name: i for i, surface in enumerate(self.surfaces)}
        if len(self._number) != len(self.surfaces):
            raise ValueError("two surfaces have the same name")
        self._kept: dict[tuple[int, ...], _Geometry] = {}

    def first_hits(self, origins: Array, directions: Array, names: Sequence[str] | None = None) -> Hits:
        """What rays from ``origins`` (N, 3) m along ``directions`` (N, 3) meet first, among ``names`` or all.

        Both sides of a face stop a ray. An unknown name raises ``KeyError``.
        """
        count = len(origins)
        hits = Hits(
            distance=np.full(count, np.inf),
            surface=np.full(count, -1, dtype=np.int32),
            face=np.full(count, -1, dtype=np.int32),
            uv=np.zeros((count, 2)),
            point=np.full((count, 3), np.nan),
        )
        chosen = self._chosen(names)
        if not chosen:
            return hits
        geometry = self._geometry(chosen)
        number = np.array([*chosen, -1], dtype=np.int32)

        def cast(part: slice) -> None:
            o = np.ascontiguousarray(origins[part], dtype=np.float64)
            d = np.ascontiguousarray(directions[part], dtype=np.float64)
            which, face = _cast(geometry, o, d)
            met = which >= 0
            corners = np.full((len(o), 3), -1, dtype=np.int64)
            corners[met] = geometry.faces[geometry.first_face[which[met]] + face[met]]
            hits.surface[part] = number[which]
            hits.face[part] = face
            _place_compiled(
                o,
                d,
                corners,
                geometry.vertices,
                geometry.uv,
                hits.distance[part],
                hits.uv[part],
                hits.point[part],
            )

        in_parts(cast, count, CHUNK)
        return hits

    def normals(self, hits: Hits) -> Array:
        """Unit normals (N, 3) of the faces that :meth:`first_hits` met, outwards; NaN where nothing was met."""
        out = np.full((len(hits.face), 3), np.nan)
        for number, mesh in enumerate(self._meshes):
            of_it = np.flatnonzero(hits.surface == number)
            corners = mesh.vertices[mesh.faces[hits.face[of_it]]]
            square = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
            out[of_it] = square / np.maximum(np.linalg.norm(square, axis=1, keepdims=True), 1e-30)
        return out

    def blocked(
        self,
        origins: Array,
        directions: Array,
        distance: Array | float,
        names: Sequence[str] | None = None,
        normals: Array | None = None,
    ) -> NDArray[np.bool_]:
        """Whether something lies on the way (N,) from ``origins`` (N, 3) along unit ``directions`` (N, 3).

        The first and the last 10 um (``OFFSET``) of each way of ``distance`` (N,) m do not count, so that
        neither the face it starts from nor the one it ends on blocks it. At a grazing angle that may not
        lift a start, rounded to float32, off its face: give the faces' unit ``normals`` (N, 3) and it is
        lifted along them as well, on the side that the ray leaves by. An unknown name raises ``KeyError``.
        """
        count = len(origins)
        out = np.zeros(count, dtype=np.bool_)
        chosen = self._chosen(names)
        if not chosen:
            return out
        geometry = self._geometry(chosen)
        length = np.broadcast_to(np.asarray(distance, dtype=np.float64), (count,))
        for start in range(0, count, CHUNK):
            part = slice(start, start + CHUNK)
            d = np.asarray(directions[part], dtype=np.float64)
            o = origins[part] + OFFSET * d
            if normals is not None:
                side = np.sign(np.einsum("ij,ij->i", normals[part], d))
                o = o + (OFFSET * side)[:, None] * normals[part]
            # a way to a lamp at infinity is as long as Embree can have it
            reach = np.clip(length[part] - 2.0 * OFFSET, 0.0, 1e30).astype(np.float32)
            found = geometry.scene.run(
                np.ascontiguousarray(o, dtype=np.float32),
                np.ascontiguousarray(d, dtype=np.float32),
                dists=reach,
                query="OCCLUDED",
            )
            out[part] = (found != -1) & (reach > 0.0)
        return out

    def met(self, origins: Picture, directions: Picture, name: str) -> Met:
        """What rays from ``origins`` (N, 3) along unit ``directions`` (N, 3), float32, meet first of one surface.

        In Embree's own float32: about twice as fast as :meth:`first_hits`, and true to a few um at 2 m. Lets other
        threads run. An unknown name raises ``KeyError``.
        """
        geometry = self._geometry((self._number[name],))
        found = geometry.scene.run(np.ascontiguousarray(origins), np.ascontiguousarray(directions), output=True)
        hit = found["geomID"] >= 0
        front = hit & (np.einsum("ij,ij->i", found["Ng"], directions) < 0.0)
        return Met(
            np.where(hit, found["primID"], -1).astype(np.int32),
            found["u"],
            found["v"],
            np.where(hit, found["tfar"], np.float32(np.inf)),
            front,
        )

    def shut(
        self, origins: Picture, directions: Picture, distance: NDArray[np.float32], name: str
    ) -> NDArray[np.bool_]:
        """Whether one surface lies on the way (N,) of ``distance`` (N,) m, as :meth:`met` sees it."""
        geometry = self._geometry((self._number[name],))
        found = geometry.scene.run(
            np.ascontiguousarray(origins),
            np.ascontiguousarray(directions),
            dists=np.ascontiguousarray(distance),
            query="OCCLUDED",
        )
        return np.asarray(found != -1)

    def replaced(self, surface: Surface | LitSurface) -> SightLines:
        """The same with another surface in place of the one of its name; Embree scenes of the others are shared.

        An unknown name raises ``KeyError``.
        """
        at = self._number[surface.name]
        return self._sharing([*self.surfaces[:at], surface, *self.surfaces[at + 1 :]])

    def joined(self, surface: Surface | LitSurface) -> SightLines:
        """The same with one surface more; Embree scenes are shared. A name that is taken raises ``ValueError``."""
        return self._sharing([*self.surfaces, surface])

    def _sharing(self, surfaces: Sequence[Surface | LitSurface]) -> SightLines:
        other = SightLines(surfaces)
        # an Embree scene is known by its meshes, which must be alive for that
        alive = {id(mesh) for mesh in other._meshes}
        other._kept = {key: geometry for key, geometry in self._kept.items() if alive.issuperset(key)}
        return other

    def number(self, name: str) -> int:
        """Index of a surface by its name; an unknown name raises ``KeyError``."""
        return self._number[name]

    def _chosen(self, names: Sequence[str] | None) -> tuple[int, ...]:
        if names is None:
            return tuple(range(len(self.surfaces)))
        return tuple(sorted({self._number[name] for name in names}))

    def _geometry(self, chosen: tuple[int, ...]) -> _Geometry:
        key = tuple(id(self._meshes[i]) for i in chosen)
        if key not in self._kept:
            self._kept[key] = _Geometry([self._meshes[i] for i in chosen])
        return self._kept[key]


def _cast(
    geometry: _Geometry, origins: Array, directions: Array
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Geometry and face number (N,) that each ray meets first, -1 for none.

    A ray through an edge or a corner shared by faces can slip between them. It then meets nothing, or a face
    from behind: such rays are cast once more, turned by a hair, and the nearer answer counts.
    """
    o = origins.astype(np.float32)
    d = directions.astype(np.float32)
    found = geometry.scene.run(o, d, output=True)
    which, face = found["geomID"], found["primID"]
    from_behind = np.einsum("ij,ij->i", found["Ng"], d) > 0.0
    again = np.flatnonzero((which < 0) | from_behind)
    if len(again):
        aside = np.roll(directions[again], 1, axis=1) * np.array([1.0, -1.0, 1.0])
        turned = (directions[again] + JITTER * aside).astype(np.float32)
        second = geometry.scene.run(np.ascontiguousarray(o[again]), turned, output=True)
        nearer = (second["geomID"] >= 0) & (
            (which[again] < 0) | (second["tfar"] < found["tfar"][again] * (1.0 - 1e-4))
        )
        which[again[nearer]] = second["geomID"][nearer]
        face[again[nearer]] = second["primID"][nearer]
    return which, face


class SightEngine:
    """Draws frames by casting their rays: slower than pictures, but it runs anywhere (an ``Engine``).

    Its rays are cast together (:mod:`previz.look.raster`), Embree's one by one; tests compare what
    they meet.
    """

    name = "sight lines"
    driver = "numba"

    def __init__(self) -> None:
        self._lit: dict[str, LitSurface] = {}
        self._code: dict[str, Pixels8] = {}
        self._triangles: dict[tuple[int, ...], FrameTriangles] = {}

    def load(self, surfaces: Sequence[LitSurface]) -> None:
        """Take over the surfaces that will be drawn; replaces what was loaded before."""
        if len({lit.name for lit in surfaces}) != len(surfaces):
            raise ValueError("two surfaces have the same name")
        self._lit = {lit.name: lit for lit in surfaces}
        self._code = {lit.name: lit.code for lit in surfaces}
        self._triangles = {}

    def add(self, surface: LitSurface) -> None:
        """Take over one more surface, or another one in the place of that of its name."""
        self._lit[surface.name] = surface
        self._code[surface.name] = surface.code
        # triangles are known by their meshes, which must be alive for that
        alive = {id(lit.surface) for lit in self._lit.values()}
        self._triangles = {key: kept for key, kept in self._triangles.items() if alive.issuperset(key)}

    def repaint(self, name: str, code: Pixels8) -> None:
        """Give a loaded surface another picture of the same size; another size raises ``ValueError``."""
        if code.shape != self._code[name].shape:
            raise ValueError(f"{name} is painted {self._code[name].shape}, not {code.shape}")
        self._code[name] = code

    def draw(
        self,
        camera: AnyCamera,
        names: Sequence[str],
        samples: int = 2,
        depth: bool = False,
        background: tuple[float, float, float] = (0.0, 0.0, 0.0),
        keep: int | None = None,
        other: str | None = None,
        nearest: NDArray[np.float32] | None = None,
    ) -> View:
        """Look through ``camera`` at the named surfaces (:meth:`previz.look.view.Engine.draw`)."""
        meshes = [self._lit[name].surface for name in names]
        if other is not None and (len(names) != 1 or meshes[0] is not self._lit[other].surface):
            raise ValueError(f"{other} has not the mesh of {', '.join(names)}")
        also = () if other is None else (self._code[other],)
        shown = [
            Shows(mesh.layer, (self._code[name], *also) if keep in (None, mesh.layer) else ())
            for name, mesh in zip(names, meshes, strict=True)
        ]
        pictures, layer, distance = cast(
            camera, self._triangles_of(meshes), shown, samples, background, 1 + len(also), depth,
            nearest if depth else None,
        )  # fmt: skip
        return View(pictures[0], layer, distance, samples, other=pictures[1] if also else None)

    def close(self) -> None:
        """Let go of the surfaces; the engine cannot draw any more."""
        self._lit, self._code, self._triangles = {}, {}, {}

    def _triangles_of(self, meshes: Sequence[Surface]) -> FrameTriangles:
        key = tuple(id(mesh) for mesh in meshes)
        if key not in self._triangles:
            self._triangles[key] = triangles_of(meshes)
        return self._triangles[key]
