"""A flat piece to cut: its outline, what is cut, folded and bent, and the words that stand on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Polygon, line_merge, maximum_inscribed_circle, minimum_rotated_rectangle
from shapely.geometry.base import BaseGeometry

from previz.errors import BuildError
from previz.geometry import Array
from previz.workshop.pattern.facets import IN_THE_WALL, Facets
from previz.workshop.pattern.layout import BEND, Flats, joined

# matching letters stand this far (m) apart along a long edge, face names along a long face
_LETTERS_EVERY = 0.2
_NAMES_EVERY = 0.24
# letters that can be taken for figures are left out (common practice, no source)
_LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ"
# heights (m) of what is written on a piece, where there is room, and the least that can be read
_NAME_HIGH, _LETTER_HIGH, _LEAST_HIGH = 0.004, 0.003, 0.0014
# width of a letter against its height
_LETTER_WIDE = 0.66
# letters' room that a face's measures take beside its name
_MEASURES = 18
# an inner corner so flat (sine) that the two lines beside it do not cut one another well
_NEARLY_STRAIGHT = 0.02
_AT_THE_SILL = 1e-7
# a face that fills less of its rectangle has no two measures; one that is this long, against its width, is a strip
_RECTANGLE, _STUBBY = 0.995, 3.0
# how far a name may move along its share of a face to be clear of letters
_ASIDE = (0.0, -0.12, 0.12, -0.24, 0.24)


class NoRoomError(BuildError):
    """A panel whose neighbours are so thick that nothing of it is left."""


@dataclass(frozen=True, eq=False)
class Cut:
    """A line to cut, ``start`` to ``end`` (2,) m, the piece on its left.

    ``corners`` are the numbers of the mesh's vertices at its ends, (-1, -1) for a short step between two lines;
    ``face`` and ``meets`` name the faces on both sides. ``letter`` is the same on both sides of a joint, "" where
    nothing is glued on. ``angle`` rad is what the edge is folded by once it is glued, positive away from the printed
    side. ``inset`` m is how far the line lies inside the mesh's own edge (boards). Where ``tabbed``, a tab hangs on it:
    it is scored, not cut.
    """

    start: Array
    end: Array
    corners: tuple[int, int]
    face: str
    meets: str
    letter: str
    angle: float = 0.0
    inset: float = 0.0
    tabbed: bool = False


@dataclass(frozen=True, eq=False)
class Fold:
    """A line to fold, ``start`` to ``end`` (2,) m, by ``angle`` rad from flat, positive away from the printed side.

    A mountain is folded away from, a valley towards who looks at the printed side; a bend is rolled, not scored.
    """

    start: Array
    end: Array
    corners: tuple[int, int]
    kind: Literal["mountain", "valley", "bend"]
    angle: float


@dataclass(frozen=True, eq=False)
class Tab:
    """A flap to glue behind the face that it ``meets``: ``outline`` (K, 2) m, first along the fold, then back round it.

    ``base`` (2, 2) m are the ends of its fold.
    """

    outline: Array
    base: Array
    letter: str
    meets: str


@dataclass(frozen=True, eq=False)
class Label:
    """Words on a piece: middle ``at`` (2,) m, turned by ``turn`` rad from x, letters ``high`` m.

    A "letter" belongs to the place ``edge`` (2,) m of a cut line; a "face" that is a rectangle has its ``size``
    (long, narrow) m.
    """

    kind: Literal["face", "letter"]
    text: str
    at: Array
    turn: float
    high: float
    edge: Array | None = None
    size: tuple[float, float] | None = None


@dataclass(frozen=True, eq=False)
class Mark:
    """A line to draw, neither cut nor folded: ``start`` to ``end`` (2,) m."""

    name: str
    start: Array
    end: Array


@dataclass(frozen=True, eq=False)
class PatternPiece:
    """A flat piece, seen from its printed side, m, its longer side along x, the end nearer the wall to the left.

    ``outline`` (K, 2) and ``holes`` go round the faces without tabs, the piece on the left of each line.
    """

    name: str
    outline: Array
    holes: tuple[Array, ...]
    cuts: tuple[Cut, ...]
    folds: tuple[Fold, ...]
    tabs: tuple[Tab, ...]
    labels: tuple[Label, ...]
    marks: tuple[Mark, ...]
    faces: tuple[str, ...]

    @property
    def size(self) -> tuple[float, float]:
        """Width along x and height along y (m) without tabs."""
        w, h = np.ptp(self.outline, axis=0)
        return float(w), float(h)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Lowest x and y, highest x and y (m), tabs included."""
        points = np.concatenate([self.outline, *(t.outline for t in self.tabs)])
        (left, low), (right, high) = points.min(axis=0), points.max(axis=0)
        return float(left), float(low), float(right), float(high)


@dataclass(frozen=True, eq=False)
class Joint:
    """Cut half edges (K,), end to end, whose twins lie end to end on the other side as well."""

    edges: NDArray[np.int64]


def joints_of(facets: Facets, flats: Flats) -> list[Joint]:
    """What is glued to what, the longest joint first."""
    h = np.arange(len(facets.twin))
    panel = flats.panel[facets.facet[h // 3]]
    other = panel[facets.twin]
    cut = ~flats.flat & ~flats.folded & ~flats.free
    mine = np.flatnonzero(cut & ((panel < other) | ((panel == other) & (h < facets.twin))))
    groups: dict[tuple[int, int], list[int]] = {}
    for e in mine.tolist():
        groups.setdefault((int(panel[e]), int(other[e])), []).append(e)
    out = [Joint(np.array(path)) for members in groups.values() for path in _paths(facets, flats, members)]
    return sorted(out, key=lambda j: (-round(float(facets.length[j.edges].sum()), 9), int(j.edges[0])))


def _paths(facets: Facets, flats: Flats, members: list[int]) -> list[list[int]]:
    """Half edges in the order in which they are walked, parted where either side is not one line."""
    here, there = flats.placed(facets, members), flats.placed(facets, facets.twin[members])
    row = {h: i for i, h in enumerate(members)}
    start, end = facets.start, facets.end
    leaving: dict[int, list[int]] = {}
    for h in members:
        leaving.setdefault(int(start[h]), []).append(h)
    after: dict[int, int] = {}
    before: dict[int, int] = {}
    for h in members:
        for g in leaving.get(int(end[h]), []):
            i, j = row[h], row[g]
            gap = max(np.abs(here[1][i] - here[0][j]).max(), np.abs(there[0][i] - there[1][j]).max())
            if gap < 1e-6 and g != h and h not in after and g not in before:
                after[h], before[g] = g, h
    out, left = [], set(members)
    for h in [h for h in members if h not in before] + members:
        path = []
        at: int | None = h
        while at is not None and at in left:
            left.discard(at)
            path.append(at)
            at = after.get(at)
        if path:
            out.append(path)
    return out


def lettered(facets: Facets, flats: Flats, joints: list[Joint]) -> list[str]:
    """A letter for every joint: A, B ... Z, AA, AB ..."""
    n = len(_LETTERS)
    return [(_LETTERS[i // n - 1] if i >= n else "") + _LETTERS[i % n] if i < n * (n + 1) else f"{i + 1}"
            for i in range(len(joints))]  # fmt: skip


def boundaries(facets: Facets, flats: Flats, piece: int) -> list[NDArray[np.int64]]:
    """The rims of a piece as half edges, walked with the piece on the left; the outer one first."""
    on_piece = flats.piece[facets.facet[np.arange(len(facets.twin)) // 3]] == piece
    inside = flats.flat | flats.folded
    left = set(np.flatnonzero(on_piece & ~inside).tolist())
    loops = []
    for first in sorted(left):
        if first not in left:
            continue
        loop, h = [], first
        while h in left:
            left.discard(h)
            loop.append(h)
            h = _next(h)
            while inside[h]:
                h = _next(int(facets.twin[h]))
        loops.append(np.array(loop))
    return sorted(loops, key=lambda loop: -_area(flats.placed(facets, loop)[0]))


def _next(h: int) -> int:
    return h - 2 if h % 3 == 2 else h + 1


def _area(ring: Array) -> float:
    x, y = ring.T
    return float(0.5 * (x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def cut_piece(
    facets: Facets, flats: Flats, piece: int, inset: Array, joints: list[Joint], letters: list[str]
) -> PatternPiece:
    """One piece, without tabs. ``inset`` (3T,) m moves its rim inwards; a piece that has no room for it raises
    :class:`NoRoomError`."""
    own = flats.panel[facets.facet[np.arange(len(facets.twin)) // 3]]
    letter_of = {
        int(h): letter
        for joint, letter in zip(joints, letters, strict=True)
        for h in np.concatenate([joint.edges, facets.twin[joint.edges]])
    }
    panels = sorted(
        {int(p) for p in flats.panel[flats.piece == piece]},
        key=lambda p: (flats.rank[p], flats.name[p].endswith(IN_THE_WALL), p),
    )
    name = flats.name[panels[0]]
    rings: list[Array] = []
    cuts: list[Cut] = []
    turned = False
    for loop in boundaries(facets, flats, piece):
        outer, outer_end = flats.placed(facets, loop)
        ring, origin = _inset_ring(outer, inset[loop])
        rings.append(ring)
        for i, edge in enumerate(origin):
            h = int(loop[edge]) if edge >= 0 else -1
            start, end = ring[i], ring[(i + 1) % len(ring)]
            # a line that runs the other way has passed the one across: a ring that did so twice is valid, and nowhere
            turned |= h >= 0 and float((end - start) @ (outer_end[edge] - outer[edge])) <= 0.0
            if h < 0:
                cuts.append(Cut(start, end, (-1, -1), name, "", ""))
                continue
            corners = int(facets.given[facets.start[h]]), int(facets.given[facets.end[h]])
            faces = flats.name[own[h]], flats.name[own[facets.twin[h]]]
            cuts.append(Cut(start, end, corners, *faces, letter_of.get(h, ""), float(facets.fold[h]), float(inset[h])))
    shape = Polygon(rings[0], rings[1:])
    if np.any(inset) and (turned or not shape.is_valid or not _seen(facets, flats, panels, shape)):
        raise NoRoomError(
            f'the board is too thick: its neighbours leave nothing of "{name}"; take thinner board, or card'
        )
    folds = _folds(facets, flats, piece)
    labels = _edge_letters(facets, flats, piece, inset, joints, letters)
    labels += _face_labels(facets, flats, panels, shape if np.any(inset) else None, labels)
    marks = _sill(facets, flats, piece)
    faces_named = tuple(flats.name[p] for p in panels)
    return PatternPiece(name, rings[0], tuple(rings[1:]), tuple(cuts), folds, (), tuple(labels), marks, faces_named)


def _seen(facets: Facets, flats: Flats, panels: list[int], shape: Polygon) -> bool:
    """Whether anything of its faces is seen of a piece once its neighbours lie over it: a low riser may end up whole
    under the treads beside it."""
    return any(panel_area(facets, flats, p).intersection(shape).area > 1e-8 for p in panels)


def _inset_ring(ring: Array, inset: Array) -> tuple[Array, list[int]]:
    """A ring whose lines are moved inwards, each by its own inset; for every new line the old one, -1 for a step."""
    if not np.any(inset):
        return ring, list(range(len(ring)))
    way = np.roll(ring, -1, axis=0) - ring
    way = way / np.linalg.norm(way, axis=1, keepdims=True)
    inwards = np.stack([-way[:, 1], way[:, 0]], axis=1)
    points: list[Array] = []
    lines: list[int] = []
    for i, at in enumerate(ring):
        n0, n1, d0, d1 = inwards[i - 1], inwards[i], inset[i - 1], inset[i]
        turn = float(n0[0] * n1[1] - n0[1] * n1[0])
        if abs(turn) > _NEARLY_STRAIGHT:
            points.append(at + np.array([d0 * n1[1] - d1 * n0[1], d1 * n0[0] - d0 * n1[0]]) / turn)
            lines.append(i)
        elif abs(d0 - d1) < 1e-5:
            # one corner for both lines, well conditioned however straight the corner is
            points.append(at + 0.5 * (d0 + d1) * (n0 + n1) / (1.0 + n0 @ n1))
            lines.append(i)
        else:
            points += [at + d0 * n0, at + d1 * n1]
            lines += [-1, i]
    return np.array(points), lines


def _folds(facets: Facets, flats: Flats, piece: int) -> tuple[Fold, ...]:
    h = np.arange(len(facets.twin))
    on_piece = flats.piece[facets.facet[h // 3]] == piece
    folded = np.flatnonzero(on_piece & flats.folded & (h < facets.twin))
    start, end = flats.placed(facets, folded)
    out = []
    for i, e in enumerate(folded.tolist()):
        angle = float(facets.fold[e])
        kind: Literal["mountain", "valley", "bend"]
        kind = "bend" if abs(angle) < BEND else "mountain" if angle > 0.0 else "valley"
        corners = int(facets.given[facets.start[e]]), int(facets.given[facets.end[e]])
        out.append(Fold(start[i], end[i], corners, kind, angle))
    return tuple(out)


def _upright(way: Array) -> float:
    turn = float(np.arctan2(way[1], way[0]))
    if turn > np.pi / 2 - 1e-6:
        turn -= np.pi
    elif turn <= -np.pi / 2 - 1e-6:
        turn += np.pi
    return turn


def panel_area(facets: Facets, flats: Flats, panel: int) -> BaseGeometry:
    """A panel's faces where they lie on the sheet."""
    return joined(flats.areas(facets, np.flatnonzero(flats.panel == panel)))


def _face_labels(
    facets: Facets, flats: Flats, panels: list[int], shape: Polygon | None, letters: list[Label]
) -> list[Label]:
    """The names of the faces: in the middle of a stubby one, again and again along a long one, clear of the letters."""
    out = []
    for p in panels:
        area, name = panel_area(facets, flats, p), flats.name[p]
        if shape is not None:
            area = area.intersection(shape)
            if area.is_empty:
                continue
        corners = np.asarray(minimum_rotated_rectangle(area).exterior.coords)[:3]
        ways = np.diff(corners, axis=0)
        sizes = np.linalg.norm(ways, axis=1)
        long = int(sizes[1] > sizes[0] + 1e-9)
        along, across = ways[long] / sizes[long], ways[1 - long] / sizes[1 - long]
        size = (float(sizes[long]), float(sizes[1 - long]))
        measured = size if area.area > _RECTANGLE * size[0] * size[1] else None
        if size[0] < _STUBBY * size[1] and measured is None:
            circle = maximum_inscribed_circle(area, tolerance=0.02 * size[1])
            at, rim = np.asarray(circle.coords)
            room = 1.5 * float(np.linalg.norm(rim - at)) / (_LETTER_WIDE * len(name))
            out.append(Label("face", name, at, _upright(along), max(min(_NAME_HIGH, room), _LEAST_HIGH)))
            continue
        first = corners[0] if long == 0 else corners[1]
        centre_line = first + (0.5 if long == 0 else -0.5) * size[1] * across
        count = max(1, round(size[0] / _NAMES_EVERY))
        room = 0.55 * size[0] / count / (_LETTER_WIDE * len(name))
        for i in range(count):
            tries = []
            for shift in _ASIDE:
                middle = centre_line + along * size[0] * (i + 0.5 + shift) / count
                found = LineString([middle - across * size[1], middle + across * size[1]]).intersection(area)
                parts = [g for g in getattr(found, "geoms", [found]) if g.length > 0.0]
                if not parts:
                    continue
                part = max(parts, key=lambda g: g.length)
                at = np.asarray(part.interpolate(0.5, normalized=True).coords)[0]
                high = max(min(_NAME_HIGH, 0.22 * part.length, room), _LEAST_HIGH)
                signs = len(name) + (_MEASURES if measured else 0)
                half = np.array([0.5 * _LETTER_WIDE * high * signs, 0.5 * high])
                off = [np.abs([(o.at - at) @ along, (o.at - at) @ across]) - half - 0.55 * o.high for o in letters]
                crowded = sum(bool((d < 0.0).all()) for d in off)
                crowded += 3 * (size[0] * min(i + 0.5 + shift, count - i - 0.5 - shift) / count < half[0])
                tries.append((crowded, abs(shift), Label("face", name, at, _upright(along), high, size=measured)))
            if tries:
                out.append(min(tries, key=lambda t: t[:2])[2])
    return out


def _edge_letters(
    facets: Facets, flats: Flats, piece: int, inset: Array, joints: list[Joint], letters: list[str]
) -> list[Label]:
    """The letters of every joint on this piece, at the same places along both sides of it."""
    out = []
    of_half_edge = flats.piece[facets.facet[np.arange(len(facets.twin)) // 3]]
    for joint, letter in zip(joints, letters, strict=True):
        if piece not in (of_half_edge[joint.edges[0]], of_half_edge[facets.twin[joint.edges[0]]]):
            continue
        steps = facets.length[joint.edges]
        gone = np.concatenate([[0.0], np.cumsum(steps)])
        count = max(1, int(np.ceil(gone[-1] / _LETTERS_EVERY - 1e-9)))
        for i in range(count):
            far = gone[-1] * (i + 0.5) / count
            k = min(int(np.searchsorted(gone, far, side="right")) - 1, len(steps) - 1)
            share = (far - gone[k]) / steps[k]
            text = f"{letter}{i + 1}" if count > 1 else letter
            for h, part in ((int(joint.edges[k]), share), (int(facets.twin[joint.edges[k]]), 1.0 - share)):
                if of_half_edge[h] != piece:
                    continue
                start, end = (v[0] for v in flats.placed(facets, [h]))
                way = (end - start) / np.linalg.norm(end - start)
                inwards = np.array([-way[1], way[0]])
                edge = start + part * (end - start) + inset[h] * inwards
                face = facets.flat[facets.facet == facets.facet[h // 3]].reshape(-1, 2)
                narrow = float(np.ptp(face @ flats.turn[facets.facet[h // 3]].T @ inwards))
                high = max(min(_LETTER_HIGH, 0.22 * (narrow - max(inset[h], 0.0))), _LEAST_HIGH)
                out.append(Label("letter", text, edge + (0.75 * high + 0.0006) * inwards, _upright(way), high, edge))
    return out


def _sill(facets: Facets, flats: Flats, piece: int) -> tuple[Mark, ...]:
    """Where the faces of a bridge pass the wall's datum plane, z = 0."""
    if not facets.bridge:
        return ()
    lines = []
    for i in np.flatnonzero(flats.piece == piece):
        rows = np.flatnonzero(facets.facet == i)
        z = facets.vertices[facets.triangles[rows], 2]
        flat = facets.flat[rows] @ flats.turn[i].T + flats.shift[i]
        # half open: a line on an edge belongs to the triangle in front of the wall
        for corners, depth in zip(flat, np.where(np.abs(z) < _AT_THE_SILL, 0.0, z), strict=True):
            points = [c for c, d in zip(corners, depth, strict=True) if d == 0.0]
            for k in range(3):
                d0, d1 = depth[k], depth[(k + 1) % 3]
                if d0 * d1 < 0.0:
                    points.append(corners[k] + d0 / (d0 - d1) * (corners[(k + 1) % 3] - corners[k]))
            if len(points) == 2 and depth.max() > 0.0:
                lines.append(LineString(points))
    if not lines:
        return ()
    merged = line_merge(joined(lines))
    ends = [np.asarray(g.coords)[[0, -1]] for g in getattr(merged, "geoms", [merged])]
    return tuple(Mark("sill", a, b) for a, b in ends if np.linalg.norm(b - a) > 1e-4)
