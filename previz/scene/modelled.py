"""The shape of a bridge that somebody modelled, read off its mesh.

Silhouettes and cuts are regions about which their border winds at least once: every border line has the solid to its
left, the plane is cut up along the lines, and a piece is in the region where the lines' winding number is positive.
So parts that run into one another (a deck and the parapets set into it) and holes need no repair.
"""

from __future__ import annotations

import itertools
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry.polygon import orient

from previz.geometry import Array, unit
from previz.scene.files import read_once
from previz.scene.foreign import RawMesh, read_mesh, require_closed, same_corners
from previz.scene.given.mesh import MeshFile
from previz.scene.shape import PIECES, BridgeShape, Outlines

# m; a cut closer than this to a corner of the mesh is made beside it, never along a face
_HAIR = 1e-6

# decimals (of a metre) to which border lines are laid, so that neighbours meet
_DECIMALS = 9

# levels of the corners, and of columns across, up to which every one bounds a box of its own
_MOST_LEVELS = 128
_MOST_COLUMNS = 24

Pairs = NDArray[np.intp]


class Modelled(BridgeShape):
    """The shape of a closed mesh ``raw``; what lies behind z = 0 is in the wall and no part of it.

    A mesh that lies behind that plane altogether is taken as a whole.
    """

    def __init__(self, raw: RawMesh) -> None:
        corners = raw.vertices[raw.faces]
        self._corners = corners[np.ptp(corners, axis=1).max(axis=1) > 0.0]
        self._raw = raw
        low, high = corners[..., 2].min(), corners[..., 2].max()
        self._near = float(high)
        self._start = 0.0 if high > _HAIR else float(low)
        self._far = max(float(low), self._start)

    @property
    def modelled(self) -> bool:
        return True

    @property
    def near(self) -> float:
        return self._near

    @property
    def far(self) -> float:
        return self._far

    def __reduce__(self) -> tuple[type, tuple[RawMesh]]:
        # to another process it goes without what it has worked out
        return Modelled, (self._raw,)

    def half_width(self, z: ArrayLike) -> Array:
        sides = self._sides(z)
        return np.asarray(0.5 * (sides[..., 1] - sides[..., 0]))

    def middle(self, z: ArrayLike) -> Array:
        sides = self._sides(z)
        return np.asarray(0.5 * (sides[..., 1] + sides[..., 0]))

    def _sides(self, z: ArrayLike) -> Array:
        """Lowest and highest x (..., 2) at ``z`` (...); NaN where nothing is."""
        at = np.asarray(z, dtype=np.float64)
        out = np.full((at.size, 2), np.nan)
        for i, level in enumerate(at.ravel()):
            if self.far - _HAIR <= level <= self.near + _HAIR:
                x = self._cut(self._beside(float(level)))[..., 0]
                if x.size:
                    out[i] = x.min(), x.max()
        return out.reshape(*at.shape, 2)

    def _beside(self, z: float) -> float:
        """A level a hair from ``z`` that runs through no corner of the mesh, within the bridge's ends."""
        z = min(max(z, self.far + _HAIR), self.near - _HAIR)
        levels = self._levels
        for step in (0.0, 0.1 * _HAIR, -0.1 * _HAIR, 0.2 * _HAIR, -0.2 * _HAIR):
            k = int(np.searchsorted(levels, z + step))
            if np.abs(levels[max(k - 1, 0) : k + 1] - (z + step)).min() > 1e-9:
                return z + step
        return z

    @cached_property
    def _levels(self) -> Array:
        """z of all corners, in order."""
        return np.unique(self._corners[..., 2])

    def _cut(self, z: float) -> Array:
        """The border lines (N, 2, 2), x and y from end to end, of the cut at ``z``, the solid to their left."""
        c = self._corners
        above = c[..., 2] > z
        some = above.any(axis=1) & ~above.all(axis=1)
        c, above = c[some], above[some]
        # the corner that is alone on its side comes first
        alone = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), (~above).argmax(axis=1))
        order = (alone[:, None] + np.arange(3)) % 3
        c = np.take_along_axis(c, order[..., None], axis=1)
        up = np.take_along_axis(above, order, axis=1)[:, 0]
        ends = np.stack([_crossing(c[:, 0], c[:, 1], z), _crossing(c[:, 0], c[:, 2], z)], axis=1)
        # seen from the camera, a face whose lone corner is near has the solid to the left of the way from its first
        # crossing to its second
        return np.asarray(np.where(up[:, None, None], ends, ends[:, ::-1]))

    def section(self, z: float) -> Outlines:
        if not self.far - _HAIR <= z <= self.near + _HAIR:
            return ()
        return _rings(self._region(self._beside(z)))

    def _region(self, z: float) -> Any:
        return _wound(self._cut(z))

    @cached_property
    def plan(self) -> Outlines:
        return self._silhouette(0, 2)

    @cached_property
    def elevation(self) -> Outlines:
        return self._silhouette(2, 1)

    def _silhouette(self, right: int, up: int) -> Outlines:
        """Rings of the two coordinates of all that stands out of the wall, seen along the third."""
        number = same_corners(self._corners.reshape(-1, 3)).reshape(-1, 3)
        flat = np.zeros((int(number.max()) + 1, 2))
        flat[number.ravel()] = self._corners.reshape(-1, 3)[:, [right, up]].round(_DECIMALS)
        a, b, c = (flat[number[:, k]] for k in range(3))
        turn = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]
        faces = number[turn > 0.0]
        pairs, ways = _borders(faces)
        lines = np.where((ways > 0)[:, None], pairs, pairs[:, ::-1])
        region = _wound(np.repeat(flat[lines], np.abs(ways), axis=0))
        window = [-1e4, -1e4, 1e4, 1e4]
        window[0 if right == 2 else 1] = self._start
        return _rings(shapely.intersection(region, shapely.box(*window)))

    @cached_property
    def near_corners(self) -> Array:
        left, right = self.top_edges(2)
        return np.array([left[-1], self.on_middle(self.near), right[-1]])

    def on_middle(self, z: ArrayLike) -> Array:
        z = np.asarray(z, dtype=np.float64)
        return self._topped(self.middle(z), z)

    def _topped(self, x: Array, z: Array) -> Array:
        """Points (..., 3) of the top at ``x`` and ``z`` (...); over a hole as high as the bridge is there."""
        y = self.top(x, z)
        for at in np.argwhere(np.isnan(y) & ~np.isnan(x)):
            y[tuple(at)] = self._cut(self._beside(float(z[tuple(at)])))[..., 1].max()
        return np.stack([x, y, z], axis=-1)

    def _rim(self, side: float, z: Array) -> Array:
        # a hair inside: what is upright there has a top only so
        x = self.middle(z) + side * (self.half_width(z) - _HAIR)
        inside = np.clip(z, self.far + _HAIR, self.near - _HAIR)
        return self._topped(x, inside)[..., 1]

    def drawn_lines(self, eye: ArrayLike) -> list[Array]:
        """The edges on the limb as seen from ``eye``: between a face turned that way and one turned away."""
        number = same_corners(self._corners.reshape(-1, 3)).reshape(-1, 3)
        a, b, c = (self._corners[:, k] for k in range(3))
        seen = ((np.asarray(eye) - a) * np.cross(b - a, c - a)).sum(axis=1) > 0.0
        place = np.zeros((int(number.max()) + 1, 3))
        place[number.ravel()] = self._corners.reshape(-1, 3)
        pairs, ways = _borders(number[seen])
        lines = place[pairs[ways != 0]]
        # what is in the wall is not seen
        z = lines[..., 2] - self._start
        lines, z = lines[(z > 0.0).any(axis=1)], z[(z > 0.0).any(axis=1)]
        for end in (0, 1):
            low = z[:, end] < 0.0
            share = (z[low, end] / (z[low, end] - z[low, 1 - end]))[:, None]
            lines[low, end] += share * (lines[low, 1 - end] - lines[low, end])
        return list(lines)

    @cached_property
    def silhouette_corners(self) -> Array:
        from scipy.spatial import ConvexHull, QhullError

        points = self._front
        try:
            return np.asarray(points[np.sort(ConvexHull(points).vertices)])
        except QhullError:
            return points

    @cached_property
    def _front(self) -> Array:
        """Corners (N, 3) of what stands out of the wall, with those where it enters the wall."""
        points = np.unique(self._corners.reshape(-1, 3), axis=0)
        points = points[points[:, 2] >= self._start]
        if self.far > self._start:
            return points
        rim = self._cut(self._beside(self.far)).reshape(-1, 2)
        return np.concatenate([points, np.column_stack([rim, np.full(len(rim), self.far)])])

    @cached_property
    def edge_points(self) -> Array:
        cuts = []
        for z in np.linspace(self.far, self.near, PIECES + 1):
            rim = np.unique(self._cut(self._beside(float(z))).reshape(-1, 2).round(_DECIMALS), axis=0)
            cuts.append(np.column_stack([rim, np.full(len(rim), z)]))
        return np.concatenate([self._front, *cuts])

    @cached_property
    def volume(self) -> float:
        """By Gauss's theorem on the field (0, 0, max(z, 0)): nothing flows through the cut at the wall."""
        a, b, c = (self._corners[:, k] for k in range(3))
        across = 0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
        z = self._corners[..., 2] - self._start
        # mean of max(z, 0) over a triangle: of the whole, less the corner or the two that lie behind
        z0, z1, z2 = np.sort(z, axis=1).T
        with np.errstate(divide="ignore", invalid="ignore"):
            front = z2**3 / ((z2 - z0) * (z2 - z1)) / 3.0
            back = z0**3 / ((z0 - z1) * (z0 - z2)) / 3.0
        mean = z.mean(axis=1)
        mean = np.where(z0 >= 0.0, mean, np.where(z1 >= 0.0, mean - back, np.where(z2 > 0.0, front, 0.0)))
        return float((across * mean).sum())

    # ---- upright lines

    @cached_property
    def _upright(self) -> tuple[Any, Array, Array]:
        """A tree of the boxes in plan of the faces that are not upright, their corners, and which way they look."""
        a, b, c = (self._corners[:, k] for k in range(3))
        turn = (b - a)[:, 2] * (c - a)[:, 0] - (b - a)[:, 0] * (c - a)[:, 2]
        flat = np.abs(turn) > 1e-16
        corners = self._corners[flat]
        low, high = corners.min(axis=1), corners.max(axis=1)
        hair = 1e-9
        boxes = shapely.box(low[:, 0] - hair, low[:, 2] - hair, high[:, 0] + hair, high[:, 2] + hair)
        return shapely.STRtree(boxes), corners, np.sign(turn[flat])

    def _met(self, x: Array, z: Array) -> tuple[Pairs, Array, Array]:
        """Where upright lines at ``x`` and ``z`` (N,) meet the mesh: number of the line, y, and 1 for a face that looks
        up or -1 for one that looks down."""
        tree, corners, side = self._upright
        line, face = tree.query(shapely.points(x, z), predicate="intersects")
        a, b, c = (corners[face, k] for k in range(3))
        turn = (b - a)[:, 2] * (c - a)[:, 0] - (b - a)[:, 0] * (c - a)[:, 2]
        px, pz = x[line] - a[:, 0], z[line] - a[:, 2]
        v = (pz * (c - a)[:, 0] - px * (c - a)[:, 2]) / turn
        w = ((b - a)[:, 2] * px - (b - a)[:, 0] * pz) / turn
        # on an edge counts, a tenth of a micrometre outside does not
        room = 1e-9 * np.sqrt(1.0 / np.abs(turn))
        inside = (v >= -room) & (w >= -room) & (v + w <= 1.0 + room)
        y = a[:, 1] + v * (b - a)[:, 1] + w * (c - a)[:, 1]
        return line[inside], y[inside], side[face[inside]]

    def _extreme(self, x: ArrayLike, z: ArrayLike, most: Any, none: float) -> Array:
        x, z = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(z, dtype=np.float64))
        out = np.full(x.size, none)
        line, y, _ = self._met(x.ravel(), z.ravel())
        most.at(out, line, y)
        return np.where(np.isfinite(out), out, np.nan).reshape(x.shape)

    def top(self, x: ArrayLike, z: ArrayLike) -> Array:
        return self._extreme(x, z, np.maximum, -np.inf)

    def underside(self, x: ArrayLike, z: ArrayLike) -> Array:
        return self._extreme(x, z, np.minimum, np.inf)

    def floor(self, x: ArrayLike, z: ArrayLike) -> Array:
        y = self.top(x, z)
        beside = self.on_middle(np.clip(z, self.far, self.near))[..., 1]
        return np.where(np.isnan(y), beside, y)

    def ahead(self, z: float) -> Array:
        # the outline of a rough bridge swings from stone to stone; people walk towards its end
        return unit([0.0, 0.0, 1.0])

    # ---- clearances

    def distance(self, points: ArrayLike) -> Array:
        p = np.asarray(points, dtype=np.float64)
        line, y, side = self._met(p[:, 0], p[:, 2])
        above = y > p[line, 1]
        inside = np.bincount(line[above], side[above], minlength=len(p)) > 0.5
        return np.where(inside, 0.0, np.array([self._gap(point) for point in p]))

    def _gap(self, point: Array) -> float:
        """Distance of one point to the faces."""
        middle, reach = self._balls
        away = np.linalg.norm(middle - point, axis=1)
        near = self._corners[away - reach <= (away + reach).min()]
        return float(_distances(point, near).min())

    @cached_property
    def _balls(self) -> tuple[Array, Array]:
        """Middle (F, 3) and radius (F,) of a ball about every face."""
        middle = self._corners.mean(axis=1)
        return middle, np.linalg.norm(self._corners - middle[:, None], axis=2).max(axis=1)

    @cached_property
    def stations(self) -> Array:
        even = np.linspace(self.far, self.near, PIECES + 1)
        inner = self._levels[(self._levels > self.far) & (self._levels < self.near)]
        return np.unique(np.concatenate([even, inner]).round(7)) if len(inner) <= _MOST_LEVELS else even

    @cached_property
    def boxes(self) -> tuple[Array, Array]:
        out: list[list[float]] = []
        open_: dict[tuple[float, ...], list[float]] = {}
        for first, last in itertools.pairwise(self.stations.tolist()):
            if last - first < 4.0 * _HAIR:
                continue
            cuts = [self._region(self._beside(at)) for at in (first + _HAIR, 0.5 * (first + last), last - _HAIR)]
            going = {}
            for rectangle in _rectangles(shapely.intersection_all(cuts)):
                key = tuple(round(v, 6) for v in rectangle)
                # what goes on alike is one box
                box = open_.get(key) or [*rectangle, first, last]
                if key in open_:
                    box[5] = last
                else:
                    out.append(box)
                going[key] = box
            open_ = going
        x0, y0, x1, y1, z0, z1 = np.array(out).reshape(-1, 6).T
        return np.column_stack([x0, y0, z0]), np.column_stack([x1, y1, z1])


@read_once(4)
def modelled_shape(path: Path, given: MeshFile | None = None) -> Modelled:
    """The shape of a mesh file as it is now, placed as ``given`` says, read once for every state of the file.

    Raises :class:`~previz.errors.BuildError` for a file that is no mesh, or a mesh that is not closed.
    """
    raw = read_mesh(path, given)
    require_closed(raw, str(path))
    return Modelled(raw)


def _borders(faces: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The edges (E, 2) of faces (F, 3), lower corner first, and how much more often (E,) faces run that way than back.

    0 for an edge between two of the faces, where its two ways cancel: no border.
    """
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    key = np.sort(edges, axis=1)
    pairs, inverse = np.unique(key, axis=0, return_inverse=True)
    ways = np.bincount(inverse.reshape(-1), np.where(edges[:, 0] == key[:, 0], 1.0, -1.0), minlength=len(pairs))
    return pairs, ways.round().astype(np.int64)


def _crossing(one: Array, other: Array, z: float) -> Array:
    """x and y (N, 2) where edges cross a level; the same for both ways along an edge."""
    swap = (one[:, 2] > other[:, 2])[:, None]
    low, high = np.where(swap, other, one), np.where(swap, one, other)
    share = (z - low[:, 2]) / (high[:, 2] - low[:, 2])
    return np.asarray(low[:, :2] + share[:, None] * (high - low)[:, :2])


def _wound(lines: Array) -> Any:
    """The region about which border lines (N, 2, 2) wind anticlockwise."""
    lines = lines.round(_DECIMALS)
    lines = lines[(lines[:, 0] != lines[:, 1]).any(axis=1)]
    if not len(lines):
        return shapely.Polygon()
    noded = shapely.union_all(shapely.linestrings(lines))
    cells = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    spots = shapely.get_coordinates(shapely.point_on_surface(cells))
    inside = np.array([_winding(spot, lines) > 0 for spot in spots], dtype=np.bool_)
    return shapely.union_all(cells[inside])


def _winding(point: Array, lines: Array) -> int:
    """Winding number of lines (N, 2, 2) about a point (2,): crossings of the ray to the right, up less down."""
    x, y = lines[..., 0] - point[0], lines[..., 1] - point[1]
    up, down = (y[:, 0] <= 0.0) & (y[:, 1] > 0.0), (y[:, 0] > 0.0) & (y[:, 1] <= 0.0)
    cross = x[:, 0] * y[:, 1] - x[:, 1] * y[:, 0]
    return int((up & (cross > 0.0)).sum()) - int((down & (cross < 0.0)).sum())


def _rings(region: Any) -> Outlines:
    """The rings of a region to a micrometre, the largest part first: outer ones anticlockwise, holes clockwise."""
    parts = [part for part in shapely.get_parts(region) if part.geom_type == "Polygon" and part.area > 1e-12]
    rings = []
    for part in sorted(parts, key=lambda part: -part.area):
        turned = orient(part.simplify(_HAIR))
        rings += [np.asarray(ring.coords)[:-1] for ring in (turned.exterior, *turned.interiors)]
    return tuple(rings)


def _rectangles(region: Any) -> list[list[float]]:
    """Upright rectangles (left, low, right, high) side by side inside a region, as high as fit."""
    rings = [np.asarray(ring) for ring in _rings(region)]
    if not rings:
        return []
    x = np.unique(np.concatenate(rings)[:, 0].round(7))
    if len(x) > _MOST_COLUMNS + 1:
        x = np.linspace(x[0], x[-1], _MOST_COLUMNS + 1)
    out: list[list[float]] = []
    for left, right in itertools.pairwise(x):
        if right - left < 4e-7:
            continue
        ends = [_heights(rings, at) for at in (left + 1e-7, 0.5 * (left + right), right - 1e-7)]
        for low, high in _common(_common(ends[0], ends[1]), ends[2]):
            before = [r for r in out if r[2] == left and abs(r[1] - low) < 1e-7 and abs(r[3] - high) < 1e-7]
            if before:
                before[0][2] = right
            else:
                out.append([left, low, right, high])
    return [[float(v) for v in r] for r in out]


def _heights(rings: list[Array], x: float) -> list[tuple[float, float]]:
    """The stretches of y inside rings at ``x``."""
    met: list[float] = []
    for ring in rings:
        a, b = ring, np.roll(ring, -1, axis=0)
        over = (a[:, 0] > x) != (b[:, 0] > x)
        a, b = a[over], b[over]
        met += (a[:, 1] + (x - a[:, 0]) / (b[:, 0] - a[:, 0]) * (b[:, 1] - a[:, 1])).tolist()
    met.sort()
    return list(zip(met[::2], met[1::2], strict=False))


def _common(one: list[tuple[float, float]], other: list[tuple[float, float]]) -> list[tuple[float, float]]:
    both = [(max(a, c), min(b, d)) for a, b in one for c, d in other]
    return [(low, high) for low, high in both if high > low]


def _distances(point: Array, corners: Array) -> Array:
    """Distance (N,) of a point (3,) to triangles (N, 3, 3): to the plane if its foot falls inside, else to an edge."""
    a, b, c = (corners[:, k] for k in range(3))
    u, v, w = b - a, c - a, point - a
    n = np.cross(u, v)
    nn = np.maximum((n * n).sum(axis=1), 1e-300)
    # Heidrich, "Computing the barycentric coordinates of a projected point", Journal of Graphics Tools 10(3), 2005
    beta, gamma = (np.cross(w, v) * n).sum(axis=1) / nn, (np.cross(u, w) * n).sum(axis=1) / nn
    inside = (beta >= 0.0) & (gamma >= 0.0) & (beta + gamma <= 1.0)
    plane = np.abs((w * n).sum(axis=1)) / np.sqrt(nn)
    edges = [_to_segment(point, *ends) for ends in ((a, b), (b, c), (c, a))]
    return np.asarray(np.where(inside, plane, np.min(edges, axis=0)))


def _to_segment(point: Array, start: Array, end: Array) -> Array:
    way = end - start
    long = np.maximum((way * way).sum(axis=1), 1e-300)
    share = np.clip(((point - start) * way).sum(axis=1) / long, 0.0, 1.0)
    return np.asarray(np.linalg.norm(start + share[:, None] * way - point, axis=1))
