"""Colour regions as lines and numbers: from a picture of labels to what a painter follows.

Labels are (h, w) integers; places are (x, y) m, right and down from the picture's top left corner; texels are squares
of ``texel`` m.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from previz.geometry import Array

Labels = NDArray[np.integer[Any]]

# a smoothed line is nowhere farther from the texels' own edges
TRUE_WITHIN: Final = 0.3e-3
_SMOOTHINGS = 8
_THINNINGS = 5
_THINNED = 0.015e-3
# half the diagonal of half a texel: how far the line through the middles of two edges cuts a corner
_CORNER = np.sqrt(0.125)


@dataclass(frozen=True)
class Region:
    """A connected piece of one label: the middle (``x``, ``y``) of the largest circle in it, of ``radius`` m."""

    label: int
    x: float
    y: float
    radius: float


def boundaries(labels: Labels, texel: float) -> list[Array]:
    """Lines (N, 2) m between texels of different labels, each drawn once, from meeting point to meeting point.

    The stairs of texels are smoothed; no point of a line is farther than ``TRUE_WITHIN`` from the stairs, and no
    point of the stairs from the lines. Closed lines end where they start.
    """
    chains = _chains(labels)
    if not chains:
        return []
    stride = labels.shape[1] + 1
    free = TRUE_WITHIN - _CORNER * texel - _THINNINGS * _THINNED
    stairs = [np.column_stack([c % stride, c // stride]).astype(np.float64) for c, _ in chains]
    if free <= 0.0:
        return [s * texel for s in stairs]
    lines = []
    for nodes, (_, loop) in zip(stairs, chains, strict=True):
        middles = 0.5 * (nodes[1:] + nodes[:-1])
        ends = (middles[:0], middles[:1]) if loop else (nodes[:1], nodes[-1:])
        lines.append(np.concatenate([ends[0], middles, ends[1]]))
    sizes = np.array([len(line) for line in lines])
    loops = np.array([loop for _, loop in chains])
    return _thinned(_smoothed(np.concatenate(lines) * texel, sizes, loops, free), sizes)


def _chains(labels: Labels) -> list[tuple[NDArray[np.int64], bool]]:
    """Edges between labels joined to chains of lattice points (row * (w + 1) + column), and whether each is a ring."""
    h, w = labels.shape
    stride = w + 1
    right = np.zeros((h + 1, stride), dtype=np.bool_)
    down = np.zeros((h + 1, stride), dtype=np.bool_)
    right[1:h, :w] = labels[:-1] != labels[1:]
    down[:h, 1:w] = labels[:, :-1] != labels[:, 1:]
    degree = right.astype(np.uint8) + down
    degree[:, 1:] += right[:, :-1]
    degree[1:] += down[:-1]
    # the last column of right and the last row of down are free, so an index below 0 finds no edge
    r, d, meets = bytearray(right.tobytes()), bytearray(down.tobytes()), degree.tobytes()

    def walked(node: int) -> list[int]:
        chain = [node]
        while True:
            if r[node]:
                r[node] = 0
                node += 1
            elif d[node]:
                d[node] = 0
                node += stride
            elif r[node - 1]:
                r[node - 1] = 0
                node -= 1
            elif d[node - stride]:
                d[node - stride] = 0
                node -= stride
            else:
                return chain
            chain.append(node)
            if meets[node] != 2:
                return chain

    out: list[tuple[NDArray[np.int64], bool]] = []
    starts = np.flatnonzero((degree != 2) & (degree != 0)).tolist()
    for start in starts:
        while len(chain := walked(start)) > 1:
            out.append((np.array(chain), False))
    for start in np.flatnonzero(np.frombuffer(bytes(r), dtype=np.bool_)).tolist():
        if r[start]:
            out.append((np.array(walked(start)), True))
    return out


def _smoothed(points: Array, sizes: NDArray[np.int64], loops: NDArray[np.bool_], free: float) -> Array:
    """Points of all lines, one after the other, each moved by at most ``free`` towards its neighbours' middle."""
    last = np.cumsum(sizes) - 1
    first = last - sizes + 1
    index = np.arange(len(points))
    before, after = index - 1, index + 1
    before[first], after[last] = first, last
    # a ring's last point repeats its first; both look past the seam
    before[first[loops]], before[last[loops]] = last[loops] - 1, last[loops] - 1
    after[first[loops]], after[last[loops]] = first[loops] + 1, first[loops] + 1
    fixed = np.zeros(len(points), dtype=np.bool_)
    fixed[first[~loops]] = fixed[last[~loops]] = True
    now = points.copy()
    for _ in range(_SMOOTHINGS):
        now = np.where(fixed[:, None], now, 0.5 * now + 0.25 * (now[before] + now[after]))
    moved = now - points
    far = np.linalg.norm(moved, axis=1, keepdims=True)
    return np.asarray(points + moved * np.minimum(1.0, free / np.maximum(far, 1e-12)))


def _thinned(points: Array, sizes: NDArray[np.int64]) -> list[Array]:
    """The lines without the points that lie on the way between their neighbours, to ``_THINNED`` a pass."""
    line = np.repeat(np.arange(len(sizes)), sizes)
    for turn in range(_THINNINGS):
        inner = np.zeros(len(points), dtype=np.bool_)
        inner[1:-1] = (line[1:-1] == line[:-2]) & (line[1:-1] == line[2:])
        a, b = points[:-2], points[2:]
        run = b - a
        off = points[1:-1] - a
        length = np.maximum(np.linalg.norm(run, axis=1), 1e-12)
        part = np.clip((off * run).sum(axis=1) / length**2, 0.0, 1.0)
        aside = np.linalg.norm(off - part[:, None] * run, axis=1)
        drop = inner.copy()
        drop[1:-1] &= aside < _THINNED
        # never two neighbours in one pass
        drop &= np.arange(len(points)) % 2 == turn % 2
        points, line = points[~drop], line[~drop]
    return np.split(points, np.flatnonzero(np.diff(line)) + 1)


def regions(labels: Labels, inside: NDArray[np.bool_], texel: float) -> list[Region]:
    """Every connected piece of one label inside (label 0 left out), largest circle first.

    The circle's middle is the point of the piece that lies deepest in it; of equally deep ones (to a tenth) it is
    the one nearest to the piece's middle. Circles are right to about a texel.
    """
    kept = np.where(inside, labels, 0)
    edge = np.pad(kept, 1)
    same = inside & (kept != 0)
    for dy, dx in ((0, 1), (2, 1), (1, 0), (1, 2)):
        same &= edge[dy : dy + kept.shape[0], dx : dx + kept.shape[1]] == kept
    depth = ndimage.distance_transform_edt(np.pad(same, 1))[1:-1, 1:-1] + 0.5
    pieces = np.zeros(kept.shape, dtype=np.int64)
    count = 0
    for label in np.unique(kept[kept != 0]):
        found, n = ndimage.label(kept == label)
        pieces = np.where(found > 0, found + count, pieces)
        count += n
    if count == 0:
        return []
    rows, columns = np.nonzero(pieces)
    piece, deep = pieces[rows, columns] - 1, depth[rows, columns]
    size = np.bincount(piece, minlength=count)
    middle = np.stack([np.bincount(piece, v, count) / size for v in (columns, rows)], axis=1)
    deepest = np.zeros(count)
    np.maximum.at(deepest, piece, deep)
    off = np.hypot(columns - middle[piece, 0], rows - middle[piece, 1])
    off[deep < 0.9 * deepest[piece]] = np.inf
    order = np.lexsort((off, piece))
    chosen = order[np.flatnonzero(np.diff(piece[order], prepend=-1))]
    found_at = [
        Region(
            int(kept[rows[i], columns[i]]),
            float((columns[i] + 0.5) * texel),
            float((rows[i] + 0.5) * texel),
            float(depth[rows[i], columns[i]] * texel),
        )
        for i in chosen.tolist()
    ]
    return sorted(found_at, key=lambda region: (-region.radius, region.y, region.x))


def inside_outline(outline: Array, shape: tuple[int, int], texel: float) -> NDArray[np.bool_]:
    """Texels (h, w) whose middles lie inside the polygon ``outline`` (K, 2) m, by the even-odd rule."""
    h, w = shape
    flips = np.zeros((h, w + 1), dtype=np.int64)
    corner = np.asarray(outline) / texel - 0.5
    for (x0, y0), (x1, y1) in zip(corner, np.roll(corner, -1, axis=0), strict=True):
        if y0 == y1:
            continue
        low, high = sorted((y0, y1))
        rows = np.arange(max(0, int(np.ceil(low))), min(h, int(np.ceil(high))))
        at = x0 + (rows - y0) / (y1 - y0) * (x1 - x0)
        np.add.at(flips, (rows, np.clip(np.ceil(at), 0, w).astype(np.int64)), 1)
    return np.asarray(np.cumsum(flips, axis=1)[:, :w] % 2 == 1)


def filled_out(inside: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """For every texel the row and column of the nearest one inside, and how many texels away it is."""
    away, (rows, columns) = ndimage.distance_transform_edt(~inside, return_indices=True)
    return rows.astype(np.int64), columns.astype(np.int64), away
