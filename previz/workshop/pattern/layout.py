"""Which flat faces hang together, and where each lies on the sheet: a greedy tree over shared edges."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely import GeometryCollection, Polygon, STRtree, intersection, minimum_rotated_rectangle, transform, union_all
from shapely.geometry.base import BaseGeometry

from previz.geometry import Array
from previz.workshop.pattern.facets import Facets, Whole

# faces that meet at less than this (rad) are one sheet, bent
BEND = float(np.radians(6.0))
# flat edges closer than this (m) are one edge
_SAME_LINE = 2e-6
# pieces may share this much area (m2): rounding along a metre of edge, not a real overlap
_NO_OVERLAP = 3e-9
# share of their common edge that must come to lie together before two families of faces hang together
_ENOUGH = 0.5
_AT_THE_SILL = 1e-7
# what shapes are rounded to (m) before they are joined or intersected
_GRID = 1e-9
# a hinge is at least this long, against the shorter of the two panels
_HINGE = 0.3
# what an edge of the top counts, against its length: the top and its sides hang together first
_TOP_FIRST = 1.5
# a piece may be this much longer than its longest single panel, whatever the sheet
_LONGER = 1.25


@dataclass(frozen=True, eq=False)
class Flats:
    """Where the flat faces lie. ``turn`` (N, 2, 2) and ``shift`` (N, 2) m take a face's own plane to its piece's sheet.

    ``piece`` (N,) and ``panel`` (N,) number what hangs together: a panel by bends only, a piece by folds too. ``rank``
    and ``name`` are a panel's. A half edge (3T,) is ``flat`` inside a face, ``folded`` where two faces hang together,
    and cut otherwise; ``free`` where nothing is to be joined to it.
    """

    turn: Array
    shift: Array
    piece: Whole
    panel: Whole
    rank: tuple[int, ...]
    name: tuple[str, ...]
    flat: NDArray[np.bool_]
    folded: NDArray[np.bool_]
    free: NDArray[np.bool_]

    @property
    def count(self) -> int:
        """How many pieces there are."""
        return int(self.piece.max()) + 1

    def placed(self, facets: Facets, half_edges: Any) -> tuple[Array, Array]:
        """Start and end (N, 2) m of half edges on their piece's sheet."""
        t, k = np.divmod(np.asarray(half_edges, dtype=np.int64), 3)
        return self._at(facets, t, k), self._at(facets, t, (k + 1) % 3)

    def _at(self, facets: Facets, triangle: Whole, corner: Whole) -> Array:
        face = facets.facet[triangle]
        flat = facets.flat[triangle, corner]
        return np.asarray(np.einsum("nij,nj->ni", self.turn[face], flat) + self.shift[face])

    def areas(self, facets: Facets, faces: Any) -> list[Polygon]:
        """The triangles of some faces where they lie on the sheet."""
        triangles = np.flatnonzero(np.isin(facets.facet, np.asarray(faces)))
        corners = [self._at(facets, triangles, np.full(len(triangles), k)) for k in range(3)]
        out = [Polygon(c) for c in np.stack(corners, axis=1)]
        return [p for p in out if p.area > 1e-13]


class _Joining:
    def __init__(self, facets: Facets, sheet: tuple[float, float]) -> None:
        self.facets, self.sheet = facets, sheet
        n = len(facets.normal)
        self.turn = np.tile(np.eye(2), (n, 1, 1))
        self.shift = np.zeros((n, 2))
        self.group = np.arange(n)
        own = facets.facet[np.arange(len(facets.twin)) // 3]
        self.own, self.other = own, own[facets.twin]
        self.flat = self.own == self.other
        self.folded = np.zeros(len(own), dtype=np.bool_)
        plain = Flats(self.turn, self.shift, self.group, self.group, (), (), self.flat, self.folded, self.folded)
        self.members = [[i] for i in range(n)]
        self.area: list[list[BaseGeometry]] = [[joined(plain.areas(facets, [i]))] for i in range(n)]
        self.longest = 0.0

    def try_chain(self, chain: NDArray[np.intp], limited: bool, share: float) -> bool:
        """Hang the piece beyond a chain of half edges onto the piece before its longest one, if it fits.

        ``share`` of all the edge that the two families of faces have in common must come to lie together. ``limited``
        pieces stay within the sheet.
        """
        f = self.facets
        h = int(chain[f.length[chain].argmax()])
        a, b = int(self.group[self.own[h]]), int(self.group[self.other[h]])
        if a == b:
            return False
        here, there = self._ends(h), self._ends(int(f.twin[h]))
        turn, shift = _rigid(there[1], there[0], here[0], here[1])
        between = np.flatnonzero((self.group[self.own] == a) & (self.group[self.other] == b))
        together = np.zeros(len(self.own), dtype=np.bool_)
        for e in between:
            p, q = self._ends(int(e)), self._ends(int(f.twin[e]))
            off = max(np.abs(turn @ q[1] + shift - p[0]).max(), np.abs(turn @ q[0] + shift - p[1]).max())
            together[e] = off < _SAME_LINE
        kin = f.family[self.own], f.family[self.other]
        shared = (kin[0] == kin[0][h]) & (kin[1] == kin[1][h]) & ~self.flat
        if kin[0][h] != kin[1][h] and f.length[together & shared].sum() < share * f.length[shared].sum():
            return False
        moved = list(transform(np.array(self.area[b]), lambda p: p @ turn.T + shift))
        if overlap(self.area[a], moved) > _NO_OVERLAP:
            return False
        whole = self.area[a] + moved
        if limited and not self._fits(whole):
            return False
        for i in self.members[b]:
            self.turn[i] = turn @ self.turn[i]
            self.shift[i] = turn @ self.shift[i] + shift
            self.group[i] = a
        self.members[a] += self.members[b]
        self.members[b] = []
        self.area[a] = whole
        hung = np.flatnonzero(together)
        self.folded[hung] = True
        self.folded[f.twin[hung]] = True
        return True

    def _ends(self, h: int) -> tuple[Array, Array]:
        t, k = divmod(h, 3)
        i = int(self.facets.facet[t])
        flat = self.facets.flat[t]
        return self.turn[i] @ flat[k] + self.shift[i], self.turn[i] @ flat[(k + 1) % 3] + self.shift[i]

    def _fits(self, area: list[BaseGeometry]) -> bool:
        long, narrow = extent(area)
        return narrow <= self.sheet[0] + 1e-9 and long <= max(self.sheet[1], _LONGER * self.longest) + 1e-9


def joined_flats(facets: Facets, fold: bool, sheet: tuple[float, float]) -> Flats:
    """Join faces by bends, then, where ``fold``, by straight folds, longest first, as far as nothing overlaps.

    ``sheet`` (narrow, long) m bounds what is joined by folds.
    """
    work = _Joining(facets, sheet)
    forward = np.arange(len(facets.twin)) < facets.twin
    bends = np.flatnonzero(forward & ~work.flat & (np.abs(facets.fold) < BEND))
    bends = np.array(sorted(bends, key=lambda h: (-round(float(facets.length[h]), 9), int(h))), dtype=np.int64)
    bends = bends[[facets.hidden[work.own[h]] == facets.hidden[work.other[h]] for h in bends]]
    # a kink at the sill may wait: a side that hangs on the top is worth more than its end inside the wall
    depth = np.abs(facets.vertices[:, 2])
    at_sill = facets.bridge & (np.maximum(depth[facets.start], depth[facets.end]) < _AT_THE_SILL)[bends]
    for h in bends[~at_sill if fold else slice(None)]:
        work.try_chain(np.array([h]), limited=False, share=0.0)
    panel = np.unique(work.group, return_inverse=True)[1].reshape(-1).astype(np.int64)
    rank, name, hidden = _panel_words(facets, panel)
    long = tuple(extent(work.area[int(work.group[np.flatnonzero(panel == p)[0]])])[0] for p in range(len(rank)))
    work.longest = max(long)
    free = np.zeros(len(facets.twin), dtype=np.bool_)
    if fold:
        # a flap into the wall hangs on the top and is glued to nothing else of the bridge
        still_cut = np.flatnonzero(forward & ~work.flat & ~work.folded)
        allowed = [
            c
            for c in chains(facets, still_cut, panel[work.own], panel[work.other])
            if _may_hang(facets, c, panel[work.own[c[0]]], panel[work.other[c[0]]], rank, hidden, long)
        ]
        for c in sorted(allowed, key=lambda c: (-_worth(facets, c, panel, rank, work), int(c[0]))):
            work.try_chain(c, limited=True, share=_ENOUGH)
        for h in bends[at_sill]:
            work.try_chain(np.array([h]), limited=False, share=0.0)
        flap = np.array(hidden)[panel]
        hangs = np.zeros(len(panel), dtype=np.bool_)
        for h in np.flatnonzero(work.folded):
            if flap[work.own[h]] and not flap[work.other[h]]:
                hangs[panel == panel[work.own[h]]] = True
        free = ~work.flat & ~work.folded & (hangs[work.own] | hangs[work.other])
    piece = np.unique(work.group, return_inverse=True)[1].reshape(-1).astype(np.int64)
    flats = Flats(work.turn, work.shift, piece, panel, rank, name, work.flat, work.folded, free)
    return _laid_straight(facets, flats, work)


def _panel_words(facets: Facets, panel: Whole) -> tuple[tuple[int, ...], tuple[str, ...], tuple[bool, ...]]:
    """Rank, name (numbered where several have the same) and whether it is buried, of every panel."""
    corners = facets.flat
    a, b = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area = np.zeros(len(facets.normal))
    np.add.at(area, facets.facet, 0.5 * (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]))
    best = []
    for p in range(panel.max() + 1):
        faces = np.flatnonzero(panel == p)
        alike = {n: sum(float(area[i]) for i in faces if facets.name[i] == n) for n in (facets.name[i] for i in faces)}
        best.append(max(faces, key=lambda i: (round(alike[facets.name[i]], 12), round(float(area[i]), 12), -i)))
    names: list[str] = []
    seen: dict[str, int] = {}
    for i in best:
        name = facets.name[i]
        seen[name] = seen.get(name, 0) + 1
        names.append(name if seen[name] == 1 else f"{name}, part {seen[name]}")
    return tuple(facets.rank[i] for i in best), tuple(names), tuple(facets.hidden[i] for i in best)


def _may_hang(
    facets: Facets,
    chain: NDArray[np.intp],
    p: int,
    q: int,
    rank: tuple[int, ...],
    hidden: tuple[bool, ...],
    long: tuple[float, ...],
) -> bool:
    """Whether two panels may hang together by a chain: not by a short edge of a long strip."""
    if p == q or facets.length[chain].sum() < _HINGE * min(long[p], long[q]):
        return False
    if hidden[p] != hidden[q]:
        return rank[q if hidden[p] else p] == 0
    return True


def _worth(facets: Facets, chain: NDArray[np.intp], panel: Whole, rank: tuple[int, ...], work: _Joining) -> float:
    top = 0 in (rank[panel[work.own[chain[0]]]], rank[panel[work.other[chain[0]]]])
    return round(float(facets.length[chain].sum()) * (_TOP_FIRST if top else 1.0), 9)


def chains(facets: Facets, half_edges: Any, left: Whole, right: Whole) -> list[NDArray[np.intp]]:
    """Half edges that touch end to end between the same two things, each chain in the order of its lowest edge.

    ``left`` and ``right`` (3T,) say what lies on either side of a half edge.
    """
    start, end = facets.start, facets.end
    groups: dict[tuple[int, int], list[int]] = {}
    for h in np.asarray(half_edges).tolist():
        pair = (int(left[h]), int(right[h]))
        groups.setdefault((min(pair), max(pair)), []).append(h)
    out: list[NDArray[np.intp]] = []
    for members in groups.values():
        at: dict[int, list[int]] = {}
        for h in members:
            for corner in (int(start[h]), int(end[h])):
                at.setdefault(corner, []).append(h)
        left_over = set(members)
        for h in members:
            if h not in left_over:
                continue
            left_over.discard(h)
            chain, wave = [h], [h]
            while wave:
                e = wave.pop()
                for corner in (int(start[e]), int(end[e])):
                    for other in at[corner]:
                        if other in left_over:
                            left_over.discard(other)
                            chain.append(other)
                            wave.append(other)
            out.append(np.array(sorted(chain)))
    return out


def joined(areas: list[Any]) -> BaseGeometry:
    """The union of shapes that share edges but for rounding."""
    return union_all(areas, grid_size=_GRID)


def overlap(one: list[Any], other: list[Any]) -> float:
    """Area (m2) that shapes have in common with others, each pair counted."""
    left, right = STRtree(one).query(other)
    if len(left) == 0:
        return 0.0
    pairs = intersection(np.array(other)[left], np.array(one)[right], grid_size=_GRID)
    return float(sum(p.area for p in pairs))


def extent(areas: list[Any]) -> tuple[float, float]:
    """Long and narrow side (m) of the smallest rectangle, however turned, that holds shapes."""
    corners = np.asarray(minimum_rotated_rectangle(GeometryCollection(areas)).exterior.coords)[:3]
    one, other = np.linalg.norm(np.diff(corners, axis=0), axis=1)
    return float(max(one, other)), float(min(one, other))


def _rigid(p0: Array, p1: Array, q0: Array, q1: Array) -> tuple[Array, Array]:
    """Rotation (2, 2) and shift (2,) that lay the way p0 -> p1 on q0 -> q1, middle on middle."""
    p, q = p1 - p0, q1 - q0
    cosine, sine = p @ q, p[0] * q[1] - p[1] * q[0]
    length = np.hypot(cosine, sine)
    turn = np.array([[cosine, -sine], [sine, cosine]]) / length
    return turn, 0.5 * (q0 + q1) - turn @ (0.5 * (p0 + p1))


def _laid_straight(facets: Facets, flats: Flats, work: _Joining) -> Flats:
    """Every piece turned so that its longer side lies along x and the end nearer the wall to the left."""
    turn, shift = flats.turn.copy(), flats.shift.copy()
    for p in range(flats.count):
        faces = np.flatnonzero(flats.piece == p)
        area = work.area[int(work.group[faces[0]])]
        corners = np.asarray(minimum_rotated_rectangle(GeometryCollection(area)).exterior.coords)[:3]
        ways = np.diff(corners, axis=0)
        long = ways[0] if np.hypot(*ways[0]) >= np.hypot(*ways[1]) - 1e-9 else ways[1]
        along = long / np.hypot(*long)
        triangles = np.flatnonzero(np.isin(facets.facet, faces))
        flat = np.concatenate([flats._at(facets, triangles, np.full(len(triangles), k)) for k in range(3)])
        z = np.concatenate([facets.vertices[facets.triangles[triangles, k], 2] for k in range(3)])
        slope = float(((flat - flat.mean(axis=0)) @ along) @ (z - z.mean()))
        if slope < -1e-12 or (abs(slope) <= 1e-12 and (along[0], along[1]) < (0.0, 0.0)):
            along = -along
        straight = np.array([[along[0], along[1]], [-along[1], along[0]]])
        low = (flat @ straight.T).min(axis=0)
        turn[faces] = straight @ turn[faces]
        shift[faces] = shift[faces] @ straight.T - low
    return Flats(
        turn, shift, flats.piece, flats.panel, flats.rank, flats.name, flats.flat, flats.folded, flats.free
    )
