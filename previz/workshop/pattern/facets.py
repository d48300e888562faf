"""The flat faces of a closed mesh: triangles that lie in one plane, laid flat, and what meets along which edge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from previz.errors import BuildError
from previz.geometry import Array
from previz.workshop.bridge import BridgeBuild

# corners closer than this (m) are one corner
_SAME_PLACE = 1e-6
# triangles of one flat face: corners within this (m) of its plane, normals within this (rad) of its own
_OFF_PLANE = 2e-6
_OFF_NORMAL = float(np.radians(1.0))
# twice the area (m2) below which a triangle has no direction of its own
_NO_AREA = 1e-14

INTO_THE_WALL = "into the wall"
IN_THE_WALL = ", in the wall"
# what the faces of a bridge are called by the axis and sign of their normals: -x, +x, -y, +y, -z, +z
_BY_AXIS = ("left side", "right side", "underside", "top", "back", "front")
# who covers whom where boards meet: the lower number lies over the higher
_RANKS = (("top", 0), ("left side", 1), ("right side", 1), ("front", 2), ("back", 2), (INTO_THE_WALL, 2))
_LAST_RANK = 3

Whole = NDArray[np.int64]


class Triangles(Protocol):
    """Anything with a closed mesh's ``vertices`` (V, 3) m and ``faces`` (F, 3), counter-clockwise from outside."""

    @property
    def vertices(self) -> Array: ...
    @property
    def faces(self) -> NDArray[np.int32]: ...


@dataclass(frozen=True, eq=False)
class Facets:
    """A mesh's flat faces. Half edge ``3 t + k`` runs from corner k of triangle t to the next, the face on its left.

    ``vertices`` (V, 3) m with corners in one place made one; ``given`` (V,) the number of such a corner in the mesh
    that came. ``triangles`` (T, 3); ``twin`` (3T,) the half edge on the other side; ``facet`` (T,) which flat face;
    ``flat`` (T, 3, 2) m the triangle's corners in its face's plane, seen from outside. A row a face: ``normal``
    (N, 3), ``name``, ``rank`` (who covers whom; 0 covers all) and ``hidden``, true for what is glued into the wall.
    ``family`` (N,): the same number for what has one name but for a place in the wall. ``bridge``: whether z = 0 is a
    wall that the mesh comes out of.
    """

    vertices: Array
    given: Whole
    triangles: Whole
    twin: Whole
    facet: Whole
    flat: Array
    normal: Array
    name: tuple[str, ...]
    rank: tuple[int, ...]
    hidden: tuple[bool, ...]
    family: Whole
    bridge: bool

    @property
    def start(self) -> Whole:
        """The corner (3T,) that every half edge starts from."""
        return self.triangles.reshape(-1)

    @property
    def end(self) -> Whole:
        """The corner (3T,) that every half edge leads to."""
        return self.triangles[:, [1, 2, 0]].reshape(-1)

    @property
    def length(self) -> Array:
        """Length (3T,) m of every half edge in space."""
        return np.asarray(np.linalg.norm(self.vertices[self.end] - self.vertices[self.start], axis=1))

    @property
    def fold(self) -> Array:
        """How far (3T,) rad each edge is folded from flat: positive away from who looks from outside (mountain)."""
        own = self.facet[np.arange(len(self.twin)) // 3]
        other = self.facet[self.twin // 3]
        cross = np.cross(self.normal[own], self.normal[other])
        along = self.vertices[self.end] - self.vertices[self.start]
        along = along / np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-300)
        sine = np.einsum("ij,ij->i", cross, along)
        cosine = np.einsum("ij,ij->i", self.normal[own], self.normal[other])
        return np.asarray(np.arctan2(sine, cosine))


def facets_of(model: BridgeBuild | Triangles) -> Facets:
    """The flat faces of a mesh or of a bridge as built, whose faces have the names of its charts.

    Faces of a plain mesh are called "face 1", "face 2" ...; what a bridge has behind the wall's datum plane is called
    "into the wall" where it faces back. A mesh that is not closed raises :class:`BuildError`.
    """
    mesh: Triangles = model.surface if isinstance(model, BridgeBuild) else model
    points = np.asarray(mesh.vertices, dtype=np.float64).reshape(-1, 3)
    corner, given = _welded(points)
    vertices = points[given]
    triangles = corner[np.asarray(mesh.faces, dtype=np.int64)]
    whole = (triangles != triangles[:, [1, 2, 0]]).all(axis=1)
    triangles = triangles[whole]
    twin = _twins(triangles)
    facet, normal, flat = _flat_faces(vertices, triangles, twin)
    bridge = isinstance(model, BridgeBuild)
    if isinstance(model, BridgeBuild):
        name, hidden = _chart_names(model, np.flatnonzero(whole), facet, len(normal), vertices, triangles, normal)
    else:
        name, hidden = tuple(f"face {i + 1}" for i in range(len(normal))), (False,) * len(normal)
    rank = tuple(_rank(n if bridge else _by_axis(v)) for n, v in zip(name, normal, strict=True))
    whole_name = [n.removesuffix(IN_THE_WALL) for n in name]
    family = np.array([whole_name.index(n) for n in whole_name])
    return Facets(vertices, given, triangles, twin, facet, flat, normal, name, rank, hidden, family, bridge)


def _welded(points: Array) -> tuple[Whole, Whole]:
    """A number for every corner, the same in the same place, and the first corner of each number."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    pairs = cKDTree(points).query_pairs(_SAME_PLACE, output_type="ndarray")
    link = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(points), len(points)))
    _, label = connected_components(link, directed=False)
    _, first, number = np.unique(label, return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(first))
    return rank[number.reshape(-1)].astype(np.int64), np.sort(first).astype(np.int64)


def _twins(triangles: Whole) -> Whole:
    start, end = triangles.reshape(-1), triangles[:, [1, 2, 0]].reshape(-1)
    waiting: dict[tuple[int, int], list[int]] = {}
    for h, way in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
        waiting.setdefault(way, []).append(h)
    twin = np.full(len(start), -1, dtype=np.int64)
    for (a, b), there in waiting.items():
        for one, other in zip(there, waiting.get((b, a), []), strict=False):
            twin[one] = other
    missing = int((twin < 0).sum())
    if missing or len(triangles) == 0:
        raise BuildError(
            f"the mesh to be unfolded is not closed ({missing} open edges); close its holes, or turn its faces one way"
        )
    return twin


def _flat_faces(vertices: Array, triangles: Whole, twin: Whole) -> tuple[Whole, Array, Array]:
    """Face number (T,), face normals (N, 3) and flat corners (T, 3, 2), grown from the largest triangle on."""
    corners = vertices[triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    double = np.linalg.norm(cross, axis=1)
    own = cross / np.maximum(double, 1e-300)[:, None]
    facet = np.full(len(triangles), -1, dtype=np.int64)
    normals: list[Array] = []
    flat = np.zeros((len(triangles), 3, 2))
    for seed in sorted(range(len(triangles)), key=lambda t: (-round(float(double[t]), 12), t)):
        if facet[seed] >= 0:
            continue
        normal, origin = own[seed], corners[seed, 0]
        members, wave = [seed], [seed]
        facet[seed] = len(normals)
        while wave:
            t = wave.pop()
            for k in range(3):
                other = int(twin[3 * t + k]) // 3
                if facet[other] >= 0 or np.abs((corners[other] - origin) @ normal).max() > _OFF_PLANE:
                    continue
                if double[other] > _NO_AREA and own[other] @ normal < np.cos(_OFF_NORMAL):
                    continue
                facet[other] = len(normals)
                members.append(other)
                wave.append(other)
        ways = corners[seed] - np.roll(corners[seed], 1, axis=0)
        right = ways[np.linalg.norm(ways, axis=1).argmax()]
        right = right / np.linalg.norm(right)
        right = right - normal * (right @ normal)
        axes = np.stack([right, np.cross(normal, right)], axis=1)
        flat[members] = (corners[members] - origin) @ axes
        normals.append(normal)
    return facet, np.array(normals), flat


def _chart_names(
    build: BridgeBuild, rows: Any, facet: Whole, count: int, vertices: Array, triangles: Whole, normal: Array
) -> tuple[tuple[str, ...], tuple[bool, ...]]:
    """For every face the chart that holds most of it, and whether it is buried in the wall."""
    w, h = build.size_px
    surface = build.surface
    px = surface.uv.astype(np.float64)[surface.faces[rows]].mean(axis=1) * (w, h)
    low = np.array([(c.left_px, c.top_px) for c in build.charts])
    high = low + np.array([(c.width_px, c.height_px) for c in build.charts])
    outside = np.maximum(np.maximum(low - px[:, None], px[:, None] - high), 0.0).sum(axis=2)
    chart = outside.argmin(axis=1)
    corners = vertices[triangles]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    share = np.zeros((count, len(build.charts)))
    np.add.at(share, (facet, chart), area)
    names, hidden = [], []
    for i, best in enumerate(share.argmax(axis=1)):
        behind = bool(vertices[triangles[facet == i]][..., 2].max() <= _OFF_PLANE)
        buried = behind and _by_axis(normal[i]) == "back"
        names.append(INTO_THE_WALL if buried else build.charts[best].name + IN_THE_WALL * behind)
        hidden.append(buried)
    return tuple(names), tuple(hidden)


def _by_axis(normal: Array) -> str:
    axis = int(np.abs(normal).argmax())
    return _BY_AXIS[2 * axis + int(normal[axis] > 0.0)]


def _rank(name: str) -> int:
    return next((rank for start, rank in _RANKS if name.startswith(start)), _LAST_RANK)
