"""The step at a shadow's edge: a fast measure of how strong it is on the wall, where, and whose it is.

Windows of the judge's sizes lie to either side, and the step is the difference between what the shadow changes on one
side and on the other (CIELAB), so that a soft edge counts for less than a hard one. The wall's own pattern, which may
hide a step, is not weighed here: whether a shadow shows is for the judge to say (:mod:`previz.rig.shadow`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from previz import colour
from previz.geometry import Array
from previz.judge.viewer import WINDOW_DEG, WINDOW_OFFSET, Viewer
from previz.look.sampling import bilinear
from previz.look.sight import SightLines
from previz.scene.layout import PictureBox
from previz.scene.move import Move
from previz.workshop.compiled import compiled
from previz.workshop.surface import Picture, Surface

# rows of sight lines over the whole frame: windows of 1/16 and 1/8 degree are 1.3 and 2.5 of them
_ROWS = 360

# smaller windows than this many rows are not laid
_LEAST_WINDOW = 0.9

# how far (degrees) from a place the step at it is looked for: contour and step lie within a window of each other
_NEARBY_DEG = WINDOW_OFFSET * WINDOW_DEG[-1]

# changes below this (dE*ab) are none
_NO_CHANGE = 0.1

# a window counts where at least this share of it lies on the wall
_LEAST_ON_WALL = 0.6

# ways that a step is looked for: right, down and both diagonals (rows, columns)
_WAYS = ((0.0, 1.0), (1.0, 0.0), (0.70710678, 0.70710678), (0.70710678, -0.70710678))


@dataclass(frozen=True, eq=False)
class ShadowLight:
    """The wall's light and what the bridge keeps off it, as shares of white over the wall's map.

    ``clean`` (h, w, 3) is without the bridge; ``lost`` holds one picture (h, w, 3) for each of ``names``.
    """

    clean: Picture
    lost: tuple[Picture, ...]
    names: tuple[str, ...]

    @property
    def shadowed(self) -> Picture:
        """Light (h, w, 3) with the bridge in place."""
        return np.asarray(self.clean - sum(self.lost, np.zeros_like(self.clean)), dtype=np.float32)

    def without(self, index: int) -> ShadowLight:
        """The same if one of the lamps threw no shadow of the bridge."""
        lost = list(self.lost)
        lost[index] = np.zeros_like(self.clean)
        return replace(self, lost=tuple(lost))


@dataclass(frozen=True)
class ShadowEdge:
    """The strongest step of a shadow in a frame, or near a place in it.

    ``step`` is in dE*ab, as the judge's windows read it. ``place`` (m) is on the wall, ``px`` in the delivered frame.
    ``lamp`` is whose shadow it is (empty where it is nobody's alone), ``left`` the step (dE*ab) there without that
    lamp's shadow.
    """

    frame: int
    step: float
    place: tuple[float, float, float]
    px: tuple[float, float]
    lamp: str
    left: float


_MATRIX = (colour.XYZ_FROM_RGB / colour.WHITE_XYZ[:, None]).copy()


def _lab_change(reflectance: Any, light: Any, other: Any, matrix: Any, out: Any) -> None:
    """CIELAB under ``light`` less that under ``other``, as :func:`previz.colour.lab` has it, all (N, 3)."""
    f = np.empty((2, 3))
    for n in range(out.shape[0]):
        for side in range(2):
            for k in range(3):
                f[side, k] = 0.0
            for c in range(3):
                v = reflectance[n, c] * (light[n, c] if side == 0 else other[n, c])
                v = min(max(v, 0.0), 1.0)
                for k in range(3):
                    f[side, k] += matrix[k, c] * v
            for k in range(3):
                t = f[side, k]
                # CIE 15:2004, 8.2.1: (6/29)^3 and the straight piece below it
                f[side, k] = np.cbrt(t) if t > 216.0 / 24389.0 else t * 841.0 / 108.0 + 4.0 / 29.0
        out[n, 0] = 116.0 * (f[0, 1] - f[1, 1])
        out[n, 1] = 500.0 * (f[0, 0] - f[0, 1] - f[1, 0] + f[1, 1])
        out[n, 2] = 200.0 * (f[0, 1] - f[0, 2] - f[1, 1] + f[1, 2])


_lab_change_compiled = compiled(_lab_change)


@dataclass(frozen=True, eq=False)
class WallView:
    """What one frame sees of the wall on a grid of sight lines ``step_px`` apart.

    ``on_wall`` (r, c); of those ``uv`` (N, 2), ``points`` (N, 3) m and ``reflectance`` (N, 3); ``px`` (r, c, 2).
    """

    frame: int
    step_px: int
    px: Array
    on_wall: NDArray[np.bool_]
    uv: Array
    points: Array
    reflectance: Picture
    viewer: Viewer

    def light(self, light: Picture) -> Picture:
        """Light (N, 3) on the seen places of light (h, w, 3) over the wall's map."""
        return bilinear(light, self.uv)

    def change(self, light: Picture, other: Picture) -> Picture:
        """How the wall's CIELAB (N, 3) under ``light`` (N, 3) differs from that under ``other``."""
        out = np.empty((len(self.uv), 3), dtype=np.float32)
        _lab_change_compiled(self.reflectance, light, other, _MATRIX, out)
        return out

    def steps(self, change: Picture) -> NDArray[np.float32]:
        """The step (r, c), dE*ab, of what changes on the wall (N, 3), in its strongest direction and window.

        An edge of height h in a straight line reads h; 0 where too little of a window lies on the wall.
        """
        laid = np.zeros((*self.on_wall.shape, 3), dtype=np.float32)
        laid[self.on_wall] = change
        whole = np.zeros(self.on_wall.shape, dtype=np.float32)
        part = self._changed(laid)
        if part is None:
            return whole
        laid, inside = laid[part], self.on_wall[part].astype(np.float32)
        best = np.zeros(inside.shape, dtype=np.float32)
        for window in WINDOW_DEG:
            sigma = window * self.viewer.px_per_deg / self.step_px
            if sigma < _LEAST_WINDOW:
                continue
            weight = ndimage.gaussian_filter(inside, sigma, mode="constant", truncate=3.0)
            mean = ndimage.gaussian_filter(laid, (sigma, sigma, 0.0), mode="constant", truncate=3.0)
            mean /= np.maximum(weight, 1e-6)[..., None]
            usable = weight >= _LEAST_ON_WALL
            for down, right in _WAYS:
                reach = WINDOW_OFFSET * sigma
                i, j = round(reach * down), round(reach * right)
                if i == j == 0:
                    continue
                # grid steps are whole: what is read is put right for how far the windows really lie
                gain = math.erf(math.hypot(i, j) / sigma / math.sqrt(2.0))
                a, b = _shifted(mean, i, j), _shifted(mean, -i, -j)
                both = _shifted(usable, i, j) & _shifted(usable, -i, -j)
                d = a - b
                size = np.sqrt(d[..., 0] ** 2 + d[..., 1] ** 2 + d[..., 2] ** 2) / np.float32(gain)
                np.maximum(best, np.where(both, size, 0.0), out=best)
        whole[part] = best
        return whole

    def _changed(self, laid: Picture) -> tuple[slice, slice] | None:
        """The part of the grid outside which nothing changes, as far as the largest window reaches; None for all."""
        changed = np.abs(laid).max(axis=2) > _NO_CHANGE
        rows, columns = np.flatnonzero(changed.any(axis=1)), np.flatnonzero(changed.any(axis=0))
        if len(rows) == 0:
            return None
        margin = math.ceil((WINDOW_OFFSET + 3.0) * max(WINDOW_DEG) * self.viewer.px_per_deg / self.step_px)
        return (
            slice(max(int(rows[0]) - margin, 0), int(rows[-1]) + margin + 1),
            slice(max(int(columns[0]) - margin, 0), int(columns[-1]) + margin + 1),
        )


def _shifted(values: NDArray[Any], down: int, right: int) -> NDArray[Any]:
    """Values (r, c, ...) as seen ``down`` rows and ``right`` columns on; 0 beyond the edge."""
    out = np.zeros_like(values)
    r, c = values.shape[:2]
    if abs(down) >= r or abs(right) >= c:
        return out
    to = np.s_[max(-down, 0) : r - max(down, 0), max(-right, 0) : c - max(right, 0)]
    of = np.s_[max(down, 0) : r - max(-down, 0), max(right, 0) : c - max(-right, 0)]
    out[to] = values[of]
    return out


def wall_view(
    move: Move, frame: int, wall: Surface, sight: SightLines, names: Sequence[str], box: PictureBox, rows: int = _ROWS
) -> WallView:
    """What the lens sees of ``wall`` at a frame, inside ``box`` of it; ``names`` are all surfaces, the wall's first.

    About ``rows`` rows of sight lines over the whole frame, whole pixels apart.
    """
    camera = move.camera(frame)
    step_px = max(1, round(camera.height_px / rows))
    left, top, right, bottom = box
    x = np.arange(left + 0.5 * step_px, right, step_px)
    y = np.arange(top + 0.5 * step_px, bottom, step_px)
    px = np.stack(np.meshgrid(x, y), axis=-1)
    origins, directions = camera.rays(px.reshape(-1, 2))
    hits = sight.first_hits(origins, directions, names)
    met = hits.surface == sight.number(names[0])
    return WallView(
        frame,
        step_px,
        px,
        met.reshape(px.shape[:2]),
        hits.uv[met],
        hits.point[met],
        bilinear(wall.reflectance, hits.uv[met]),
        Viewer(camera.height_px),
    )


def steps_of(view: WallView, light: ShadowLight) -> NDArray[np.float32]:
    """The steps (r, c), dE*ab, that the bridge's shadow makes in a view."""
    return view.steps(view.change(view.light(light.shadowed), view.light(light.clean)))


def strongest_edge(
    view: WallView, light: ShadowLight, near_px: tuple[float, float] | None = None
) -> ShadowEdge | None:
    """The strongest step of a view, or of what lies around ``near_px`` in the delivered frame.

    None where the wall is not in the picture.
    """
    if not view.on_wall.any():
        return None
    size = steps_of(view, light)
    if near_px is not None:
        off = np.linalg.norm(view.px - np.array(near_px), axis=-1)
        within = off <= max(_NEARBY_DEG * view.viewer.px_per_deg, float(off.min()))
        size = np.where(within, size, np.float32(-1.0))
    at = np.unravel_index(int(np.argmax(size)), size.shape)
    step = float(size[at])
    # the seen place next to the edge's own
    px = view.px[at]
    nearest = int(np.argmin(np.sum((view.px[view.on_wall] - px) ** 2, axis=1)))
    x, y, z = (float(v) for v in view.points[nearest])
    lamp, left = "", step
    for i, name in enumerate(light.names):
        without = float(steps_of(view, light.without(i))[at])
        if without < left:
            lamp, left = name, without
    return ShadowEdge(view.frame, step, (x, y, z), (float(px[0]), float(px[1])), lamp, left)
