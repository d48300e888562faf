"""The visible outline of the bridge, cut into pieces of equal length."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from contourpy import contour_generator
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from previz.judge.viewer import PIECE_SPACING_DEG, SHORTEST_RUN_DEG, Viewer

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


def outline_of(cover: NDArray[np.float32], viewer: Viewer) -> Outline:
    """The outline of what ``cover`` (H, W), share of each pixel covered by the bridge, shows.

    The frame's own edges are not outline. Lines too short for a viewer to see are left out.
    """
    spacing = PIECE_SPACING_DEG * viewer.px_per_deg
    shortest = SHORTEST_RUN_DEG * viewer.px_per_deg
    # the sub-pixel looks are few: half a pixel of smoothing takes the steps out of the line
    soft = gaussian_filter(cover, 0.5 * spacing, mode="nearest")
    points: list[Array] = []
    normals: list[Array] = []
    numbers: list[NDArray[np.int64]] = []
    closed: list[bool] = []
    for line in contour_generator(z=soft).lines(0.5):
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
        normals.append(_outward(soft, even, normal))
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
    return normal if rise.sum() < 0 else -normal


def smoothed(values: NDArray[np.floating[Any]], sigma: float, closed: bool) -> NDArray[np.float32]:
    """Values (N, ...) of a line's pieces averaged along it with a Gaussian window of ``sigma`` pieces."""
    mode = "wrap" if closed else "reflect"
    return np.asarray(gaussian_filter1d(np.asarray(values, np.float32), sigma, axis=0, mode=mode, truncate=3.0))


def smoothed_along(values: NDArray[np.floating[Any]], outline: Outline, sigma_px: float) -> NDArray[np.float32]:
    """Values (N, C) averaged along each line of an outline with a Gaussian window of ``sigma_px``."""
    if len(outline.closed) == 1:
        return smoothed(values, sigma_px / outline.spacing_px, outline.closed[0])
    out = np.empty(values.shape, dtype=np.float32)
    for number, closed in enumerate(outline.closed):
        rows = outline.line == number
        out[rows] = smoothed(values[rows], sigma_px / outline.spacing_px, closed)
    return out


def without_short_runs(broken: NDArray[np.bool_], outline: Outline, shortest_px: float) -> NDArray[np.bool_]:
    """Drop runs of broken pieces (N,) shorter than ``shortest_px``."""
    out = np.zeros_like(broken)
    for number, closed in enumerate(outline.closed):
        rows = outline.line == number
        out[rows] = longest_runs_only(broken[rows], shortest_px / outline.spacing_px, closed)
    return out


def longest_runs_only(flags: NDArray[np.bool_], shortest: float, closed: bool) -> NDArray[np.bool_]:
    """Flags (N,) of one line without the runs of fewer than ``shortest`` pieces."""
    if flags.all() or not flags.any():
        return flags
    # on a closed line begin at an unbroken piece, so that no run spans the seam
    start = int(np.flatnonzero(~flags)[0]) if closed else 0
    rolled = np.roll(flags, -start)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], rolled.view(np.int8), [0]])))
    need = int(np.ceil(shortest - 1e-9))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if b - a < need:
            rolled[a:b] = False
    return np.roll(rolled, start)
