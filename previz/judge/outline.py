"""The visible outline of the bridge, cut into pieces of equal length."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from contourpy import contour_generator
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from previz.judge.viewer import PIECE_SPACING_DEG, SHORTEST_RUN_DEG, Viewer
from previz.judge.windows import windowed
from previz.workshop.compiled import compiled

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Outline:
    """Pieces of the outline, in order along each of its lines.

    ``xy`` (N, 2) px are the pieces' middles, ``normal`` (N, 2) unit vectors out of the bridge, ``line`` (N,)
    int the number of the line a piece belongs to, ``closed`` one flag a line, ``spacing_px`` the length of a piece.
    """

    xy: Array
    normal: Array
    line: NDArray[np.int64]
    closed: tuple[bool, ...]
    spacing_px: float

    def __len__(self) -> int:
        return len(self.xy)

    @property
    def inside_px(self) -> Array:
        """Places (N, 2) px just inside the pieces, where the bridge itself is met."""
        return self.xy - 0.75 * self.spacing_px * self.normal

    def scaled(self, factor: float) -> Outline:
        """The outline in the same frame drawn ``factor`` times as large."""
        return replace(self, xy=factor * self.xy, spacing_px=factor * self.spacing_px)


def outline_of(cover: NDArray[np.float32], viewer: Viewer) -> Outline:
    """The outline of what ``cover`` (H, W), share of each pixel covered by the bridge, shows.

    The frame's own edges are not outline. Lines too short for a viewer to see are left out.
    """
    sigma = 0.5 * PIECE_SPACING_DEG * viewer.px_per_deg
    rows, columns = np.flatnonzero(cover.any(axis=1)), np.flatnonzero(cover.any(axis=0))
    if len(rows) == 0:
        return contours_of(np.zeros((2, 2), dtype=np.float32), 0.5, viewer)
    # a little more than it and the filter reach: what is beyond makes no difference
    beyond = int(4.0 * sigma + 0.5) + 2
    top, left = max(int(rows[0]) - beyond, 0), max(int(columns[0]) - beyond, 0)
    part = cover[top : int(rows[-1]) + beyond + 1, left : int(columns[-1]) + beyond + 1]
    # the sub-pixel looks are few: half a pixel of smoothing takes the steps out of the line
    found = contours_of(windowed(part, sigma, cut=4.0), 0.5, viewer)
    return replace(found, xy=found.xy + [left, top])


def contours_of(field: NDArray[np.float32], level: float, viewer: Viewer) -> Outline:
    """The contours of a field (H, W) at a level, cut into pieces; normals point to where it is less.

    There is none where the field is NaN. Lines too short for a viewer to see are left out.
    """
    spacing = PIECE_SPACING_DEG * viewer.px_per_deg
    shortest = SHORTEST_RUN_DEG * viewer.px_per_deg
    points: list[Array] = []
    normals: list[Array] = []
    numbers: list[NDArray[np.int64]] = []
    closed: list[bool] = []
    # a row of pixels, or a column, has no lines in it
    known = field if np.isfinite(field).all() else np.ma.masked_invalid(field)
    lines = contour_generator(z=known).lines(level) if min(field.shape) > 1 else []
    for line in lines:
        xy = np.asarray(line, dtype=np.float64) + 0.5
        ring = bool(np.allclose(xy[0], xy[-1]))
        steps = np.linalg.norm(np.diff(xy, axis=0), axis=1)
        run = np.concatenate([[0.0], np.cumsum(steps)])
        if run[-1] < shortest:
            continue
        count = max(round(run[-1] / spacing), 1)
        at = (np.arange(count) + 0.5) * run[-1] / count
        even = np.stack([np.interp(at, run, xy[:, k]) for k in (0, 1)], axis=1)
        mode = "wrap" if ring else "nearest"
        smooth = gaussian_filter1d(even, 1.5, axis=0, mode=mode)
        tangent = np.roll(smooth, -1, 0) - np.roll(smooth, 1, 0) if ring else np.gradient(smooth, axis=0)
        length = np.linalg.norm(tangent, axis=1, keepdims=True)
        if len(even) < 3 or np.any(length == 0.0):
            continue
        tangent /= length
        # contourpy keeps higher values to the left of a line in x right, y up; in y down that is the right
        normal = np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)
        points.append(even)
        normals.append(_outward(field, even, normal))
        numbers.append(np.full(count, len(closed)))
        closed.append(ring)
    if not points:
        return Outline(np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0, np.int64), (), spacing)
    return Outline(
        np.concatenate(points), np.concatenate(normals), np.concatenate(numbers), tuple(closed), spacing
    )


def _outward(cover: NDArray[np.float32], xy: Array, normal: Array) -> Array:
    """Turn a line's normals so that most point to where less is covered."""
    h, w = cover.shape

    def near(p: Array) -> NDArray[np.float32]:
        x = np.clip(p[:, 0].astype(int), 0, w - 1)
        y = np.clip(p[:, 1].astype(int), 0, h - 1)
        return np.asarray(cover[y, x])

    rise = near(xy + 1.5 * normal).astype(float) - near(xy - 1.5 * normal)
    return normal if np.nansum(rise) < 0 else -normal


def smoothed(values: NDArray[np.floating[Any]], sigma: float, closed: bool) -> NDArray[np.float32]:
    """Values (N, ...) of a line's pieces averaged along it with a Gaussian window of ``sigma`` pieces."""
    reach = int(3.0 * sigma + 0.5)
    rows = np.ascontiguousarray(values, dtype=np.float32).reshape(len(values), -1)
    at = _going_on(len(values), reach, closed)
    columns = np.empty(rows.shape[::-1], dtype=np.float32)
    _weighted(rows, at, _weights(sigma), np.empty(len(at), dtype=np.float32), columns)
    return np.ascontiguousarray(columns.T).reshape(values.shape)


@lru_cache(maxsize=64)
def _weights(sigma: float) -> NDArray[np.float32]:
    """Weights (R + 1,) of a Gaussian window of ``sigma`` pieces, the middle one first."""
    weights = np.exp(-0.5 * (np.arange(int(3.0 * sigma + 0.5) + 1) / sigma) ** 2)
    out = np.asarray(weights / (weights[0] + 2.0 * weights[1:].sum()), dtype=np.float32)
    out.flags.writeable = False
    return out


@lru_cache(maxsize=256)
def _going_on(count: int, reach: int, closed: bool) -> NDArray[np.int64]:
    """Pieces (count + 2 reach,) of a line of ``count`` as it goes on beyond its ends: round, or mirrored."""
    at = np.arange(-reach, count + reach) % (count if closed else 2 * count)
    if not closed:
        np.minimum(at, 2 * count - 1 - at, out=at)
    at.flags.writeable = False
    return at


@compiled
def _weighted(rows, at, weights, run, out):  # type: ignore[no-untyped-def]
    """Columns (C, N) of rows (N, C), as they go on in the order ``at`` (N + 2 R,), added up with symmetric ``weights``
    (R + 1,), the middle one first. ``run`` (N + 2 R,) holds one column at a time."""
    reach = len(weights) - 1
    count, channels = rows.shape
    # four weights at a time, so that what is being added up is fetched less often
    by_four = reach - reach % 4
    for c in range(channels):
        for i in range(len(at)):
            run[i] = rows[at[i], c]
        into = out[c]
        for i in range(count):
            into[i] = weights[0] * run[reach + i]
        for t in range(1, by_four + 1, 4):
            w0, w1, w2, w3 = weights[t], weights[t + 1], weights[t + 2], weights[t + 3]
            a0, a1, a2, a3 = run[reach + t :], run[reach + t + 1 :], run[reach + t + 2 :], run[reach + t + 3 :]
            b0, b1, b2, b3 = run[reach - t :], run[reach - t - 1 :], run[reach - t - 2 :], run[reach - t - 3 :]
            for i in range(count):
                near = w0 * (b0[i] + a0[i]) + w1 * (b1[i] + a1[i])
                into[i] += near + (w2 * (b2[i] + a2[i]) + w3 * (b3[i] + a3[i]))
        for t in range(by_four + 1, reach + 1):
            weight, before, after = weights[t], run[reach - t :], run[reach + t :]
            for i in range(count):
                into[i] += weight * (before[i] + after[i])


def smoothed_along(values: NDArray[np.floating[Any]], outline: Outline, sigma_px: float) -> NDArray[np.float32]:
    """Values (N, ...) averaged along each line of an outline with a Gaussian window of ``sigma_px``."""
    if len(outline.closed) == 1:
        return smoothed(values, sigma_px / outline.spacing_px, outline.closed[0])
    out = np.empty(values.shape, dtype=np.float32)
    for number, closed in enumerate(outline.closed):
        rows = outline.line == number
        out[rows] = smoothed(values[rows], sigma_px / outline.spacing_px, closed)
    return out


def without_short_runs(values: Array, outline: Outline, shortest_px: float) -> Array:
    """Values (N,), at least 0, with what stands out over less than ``shortest_px`` of a line levelled."""
    out = np.empty_like(values)
    for number, closed in enumerate(outline.closed):
        rows = outline.line == number
        out[rows] = long_runs_only(values[rows], shortest_px / outline.spacing_px, closed)
    return out


def long_runs_only(values: NDArray[np.floating[Any]], shortest: float, closed: bool) -> Array:
    """Values (N, ...), at least 0, of a line's pieces, each no larger than a run of ``shortest`` pieces with it is.

    A grey opening: what is above any limit afterwards is so in runs of at least ``shortest`` pieces.
    """
    need = int(np.ceil(shortest - 1e-9))
    if need <= 1:
        return np.array(values, dtype=np.float64)
    flat = np.ascontiguousarray(values, dtype=np.float64).reshape(len(values), -1)
    out = np.empty_like(flat)
    _opened(flat, need, closed, np.empty(len(flat)), out)
    return out.reshape(values.shape)


@compiled
def _opened(values, need, closed, least, out):  # type: ignore[no-untyped-def]
    """The largest of the least of ``need`` neighbours, down each column of values (N, C); 0 beyond an open line's ends.

    Windows of an even number reach one farther back when they look for the least, and forth for the most.
    """
    count = values.shape[0]
    back, forth = need // 2, need - need // 2 - 1
    for c in range(values.shape[1]):
        for i in range(count):
            found = np.inf
            for k in range(i - back, i + forth + 1):
                value = values[k % count, c] if closed or 0 <= k < count else 0.0
                found = min(found, value)
            least[i] = found
        for i in range(count):
            found = -np.inf
            for k in range(i - forth, i + back + 1):
                value = least[k % count] if closed or 0 <= k < count else 0.0
                found = max(found, value)
            out[i, c] = found
