"""Which markers of the family are in a picture, and roughly where: corners to a pixel or so.

Adaptive threshold, connected components, quadrilaterals, and the modules inside compared with the family's codes. It is
done on a pyramid: at every level markers of some 10 to 100 pixels are looked for, so that the window of the threshold
fits their size and no part of the work grows with it. Blind to what makes the dark rim run into something dark: those
are looked for by :func:`previz.lineup.find.looked_for`.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from previz.geometry import Array
from previz.lineup.family import INNER, MODULES, WHITE

# mean light around is taken over this window, px; what is darker than that by so many codes is dark
_WINDOW: Final = 31
_DARKER: Final = 7.0

# sides px of a component's box at one level; below a module is no pixel wide, above the next level has it
_LEAST, _MOST = MODULES + 3, 130
_LEAST_LEVEL: Final = 3 * MODULES

# the dark part of a component's box: a slanted rim has least, a solid square most
_FILLED: Final = (0.12, 0.97)

# components looked at in one level: far more than markers that a picture shows
_CANDIDATES: Final = 1000

# bits of a member that may be read wrongly: fewer than half of the eleven in which two members differ
_WRONG_BITS: Final = 3
_RIM_RIGHT: Final = 0.86
_LEAST_STEP: Final = 12.0


def _members() -> NDArray[np.bool_]:
    """(587, 4, 36): every member as it looks when the picture stands turned by 0, 1, 2, 3 quarters."""
    turned = [np.rot90(WHITE, quarter, axes=(1, 2)) for quarter in range(4)]
    return np.stack(turned, axis=1).reshape(len(WHITE), 4, INNER * INNER)


_MEMBERS: Final = _members()
_SIGNED: Final = np.where(_MEMBERS, 1.0, -1.0).astype(np.float32).reshape(-1, INNER * INNER)

# middles of the modules of a marker and of the paper around it, in modules from its top left corner
_AT: Final = np.stack(np.meshgrid(np.arange(-1, MODULES + 1) + 0.5, np.arange(-1, MODULES + 1) + 0.5), axis=-1)
_SQUARE: Final = np.array([(0.0, 0.0), (MODULES, 0.0), (MODULES, MODULES), (0.0, MODULES)])


def read_markers(grey: NDArray[np.uint8], least_px: float = 0.0) -> dict[int, Array]:
    """Markers in a picture (h, w) uint8: number to corners (4, 2) px from the printed marker's top left, clockwise.

    Pixel middles are whole numbers. ``least_px`` is the shortest side that is looked for. A number that lies at two
    places is left out: it says nothing.
    """
    found: dict[int, Array] = {}
    twice: set[int] = set()
    level, scale = grey.astype(np.float32), 1.0
    while min(level.shape) >= _LEAST_LEVEL:
        for number, corners in _read_level(level, max(_LEAST, least_px / scale)):
            placed = (corners + 0.5) * scale - 0.5
            before = found.get(number)
            if before is None:
                # a finer level has it more exactly
                found[number] = placed
            elif np.linalg.norm(before.mean(axis=0) - placed.mean(axis=0)) > 0.5 * np.ptp(before, axis=0).max():
                twice.add(number)
        h, w = level.shape[0] // 2, level.shape[1] // 2
        even = level[: 2 * h, : 2 * w]
        level = (even[::2, ::2] + even[1::2, ::2] + even[::2, 1::2] + even[1::2, 1::2]) * np.float32(0.25)
        scale *= 2.0
    return {number: found[number] for number in sorted(found) if number not in twice}


def _read_level(level: NDArray[np.float32], least: float) -> list[tuple[int, Array]]:
    around = ndimage.uniform_filter(level, _WINDOW, mode="nearest")
    labels, count = ndimage.label(level < around - np.float32(_DARKER))
    if count == 0:
        return []
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    sizes[0] = 0
    # noise has very many specks: those that cannot be a rim go before any is looked at, and the largest are looked at
    large = sizes >= _FILLED[0] * 0.25 * least * least
    order = np.cumsum(large) * large
    sizes, labels = sizes[large], order.astype(np.int32)[labels]
    candidates = []
    for index, box in enumerate(ndimage.find_objects(labels)):
        h, w = box[0].stop - box[0].start, box[1].stop - box[1].start
        if not (max(h, w) >= least and min(h, w) >= 0.25 * max(h, w) and max(h, w) <= _MOST):
            continue
        if _FILLED[0] * h * w <= sizes[index] <= _FILLED[1] * h * w:
            candidates.append((-max(h, w), index, box))
    out = []
    for _, index, box in sorted(candidates, key=lambda one: one[:2])[:_CANDIDATES]:
        quad = _quadrilateral(labels[box] == index + 1)
        if quad is None:
            continue
        read = _decoded(level, quad + (box[1].start, box[0].start))
        if read is not None:
            out.append(read)
    return out


def _quadrilateral(dark: NDArray[np.bool_]) -> Array | None:
    """Corners (4, 2) px, clockwise, of the quadrilateral that a component (h, w) fills; None for others."""
    y = np.arange(dark.shape[0])
    seen = dark.any(axis=1)
    first, last = dark.argmax(axis=1)[seen], dark.shape[1] - 1 - dark[:, ::-1].argmax(axis=1)[seen]
    x = np.arange(dark.shape[1])
    down = dark.any(axis=0)
    top, bottom = dark.argmax(axis=0)[down], dark.shape[0] - 1 - dark[::-1].argmax(axis=0)[down]
    rim = np.concatenate([
        np.column_stack([first, y[seen]]), np.column_stack([last, y[seen]]),
        np.column_stack([x[down], top]), np.column_stack([x[down], bottom]),
    ]).astype(np.float64)
    # a corner lies farthest from the middle, the one across farthest from it, the others farthest from their diagonal
    a = rim[np.argmax(((rim - rim.mean(axis=0)) ** 2).sum(axis=1))]
    c = rim[np.argmax(((rim - a) ** 2).sum(axis=1))]
    side = (c[0] - a[0]) * (rim[:, 1] - a[1]) - (c[1] - a[1]) * (rim[:, 0] - a[0])
    b, d = rim[np.argmin(side)], rim[np.argmax(side)]
    corners = np.array([a, b, c, d])
    for tolerance in (0.12, 0.06):
        fitted = _fitted(rim, corners, tolerance)
        if fitted is None:
            return None
        corners = fitted
    return corners


def _fitted(rim: Array, corners: Array, tolerance: float) -> Array | None:
    """The four lines through what lies near the sides, half a pixel outside of its middles, crossed."""
    ends = np.roll(corners, -1, axis=0)
    along = ends - corners
    length = np.linalg.norm(along, axis=1)
    if length.min() < 0.5 * _LEAST or length.min() < 0.15 * length.max():
        return None
    along = along / length[:, None]
    # corners run clockwise with y down: outwards is to the left of the run
    out = np.column_stack([along[:, 1], -along[:, 0]])
    from_start = rim[None] - corners[:, None]
    s = (from_start * along[:, None]).sum(axis=2) / length[:, None]
    n = (from_start * out[:, None]).sum(axis=2)
    reach = tolerance * length[:, None] + 1.0
    if (n > reach).any():
        return None
    near = (np.abs(n) < reach) & (s > 0.06) & (s < 0.94)
    lines = []
    for i in range(4):
        px = rim[near[i]]
        if len(px) < 0.6 * length[i]:
            return None
        # most of the side has to be there, not one part of it many times
        if len(np.unique((s[i, near[i]] * 10.0).astype(int))) < 8:
            return None
        middle = px.mean(axis=0)
        direction = np.linalg.svd(px - middle, full_matrices=False)[2][0]
        direction = direction * np.sign(direction @ along[i])
        outward = np.array([direction[1], -direction[0]])
        lines.append((middle + 0.5 * np.abs(outward).max() * outward, direction))
    crossed = []
    for (p, u), (q, v) in zip(lines[-1:] + lines[:-1], lines, strict=True):
        turn = u[0] * v[1] - u[1] * v[0]
        if turn < 0.1:
            return None
        crossed.append(p + ((q - p)[0] * v[1] - (q - p)[1] * v[0]) / turn * u)
    return np.array(crossed)


def px_from_square(corners: Array) -> Array:
    """Homography (3, 3) that takes the marker's own square, in modules, to its corners (4, 2) px.

    Hartley and Zisserman, *Multiple View Geometry*, 2nd edition, eq. 4.3, with the last element 1. Raises
    ``numpy.linalg.LinAlgError`` where three of the corners lie on a line.
    """
    rows = []
    for (x, y), (u, v) in zip(_SQUARE, corners, strict=True):
        rows.append([x, y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y])
        rows.append([0.0, 0.0, 0.0, x, y, 1.0, -v * x, -v * y])
    return np.append(np.linalg.solve(np.array(rows), np.asarray(corners, dtype=np.float64).ravel()), 1.0).reshape(3, 3)


def module_levels(picture: NDArray[np.floating], corners: Array) -> Array:
    """What a picture (h, w) shows at the middles of a marker's modules and of the paper's around it, (10, 10)."""
    places = np.concatenate([_AT, np.ones((*_AT.shape[:2], 1))], axis=2) @ px_from_square(corners).T
    px = places[..., :2] / places[..., 2:]
    places = np.stack([px[..., 1], px[..., 0]])
    return np.asarray(ndimage.map_coordinates(picture, places, order=1, mode="nearest", output=np.float64))


def _decoded(level: NDArray[np.float32], corners: Array) -> tuple[int, Array] | None:
    try:
        seen = module_levels(level, corners)
    except np.linalg.LinAlgError:
        return None
    if not np.isfinite(seen).all():
        return None
    inside = np.zeros(seen.shape, dtype=np.bool_)
    inside[1:-1, 1:-1] = True
    rim = inside.copy()
    rim[2:-2, 2:-2] = False
    dark, bright = float(np.median(seen[rim])), float(np.median(seen[~inside]))
    between = 0.5 * (dark + bright)
    if bright - dark < _LEAST_STEP or (seen[rim] < between).mean() < _RIM_RIGHT:
        return None
    white = np.where(seen[2:-2, 2:-2].ravel() > between, 1.0, -1.0).astype(np.float32)
    agreed = _SIGNED @ white
    best = int(np.argmax(agreed))
    if (INNER * INNER - agreed[best]) / 2 > _WRONG_BITS:
        return None
    number, quarter = divmod(best, 4)
    # turned counter-clockwise by a quarter, the printed marker's first corner is the picture's last
    return number, np.roll(corners, quarter, axis=0)
