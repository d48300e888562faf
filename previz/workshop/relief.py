"""A wall as a height field, and the closed mesh made of it.

The height field is z over a grid of lines in x and y. It is carved by a rule (``previz.workshop.walls``), cut back
where the bridge comes out, and pierced by the doorway. The map of its picture is the front seen straight on, with the
doorway's floor, sides and top folded out: they are seen flat from the front, and light changes along them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from previz.geometry import Array
from previz.workshop.noise import Field, smoothstep
from previz.workshop.surface import WALL, Picture, Surface

JAMB = 0.0004  # m; how far a doorway's steep sides lean out over its depth
BACKING = 0.02  # m of wall behind its deepest place

# m of a doorway's depth that its sides have on the map, at most; deeper ones are drawn out
_FOLDED_OUT = 0.12

# around the bridge and the doorway the wall stays behind the datum plane: fully within _CLEAR, softly up to _EASED
_CLEAR = 0.006
_EASED = 0.03
_BEHIND = 0.001

# (x (nx,), y (ny,)) -> height (ny, nx), -1 to 1 of half the relief
Carve = Callable[[Array, Array], Field]


@dataclass(frozen=True)
class Opening:
    """A doorway: clear ``width`` m about x = 0, ``height`` m above the sill at y = ``sill``, ``depth`` m into the
    wall."""

    width: float
    height: float
    depth: float
    sill: float = 0.0

    @property
    def high(self) -> float:
        """y (m) of its upper edge."""
        return self.sill + self.height


@dataclass(frozen=True)
class Plot:
    """The wall's rectangle (m), how deeply it is carved, and what is cut out of it.

    ``keep_clear`` is (half width, depth below y = 0) of the bridge's cross-section at the wall, ``bridge_at`` the x of
    its middle; x = 0 is the middle of the wall and of its doorway. A ``measured`` wall is as it is around both.
    ``texels`` (w, h) are those of its front on the map, on which its doorway's sides are not folded out where it is
    not given.
    """

    width: float
    height: float
    top: float
    relief: float
    keep_clear: tuple[float, float] = (0.0, 0.0)
    opening: Opening | None = None
    bridge_at: float = 0.0
    measured: bool = False
    texels: tuple[int, int] | None = None

    @property
    def pairs(self) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
        """Lines in x and in y between which the doorway's sides lie, lower and upper."""
        if self.opening is None:
            return [], []
        half = 0.5 * self.opening.width
        low, high = self.opening.sill, self.opening.high
        return [(-half - JAMB, -half), (half, half + JAMB)], [(low - JAMB, low), (high, high + JAMB)]

    @property
    def folded_out(self) -> tuple[int, int]:
        """Texels, across and down, that each of the doorway's sides has on the map besides those of the front."""
        if self.opening is None or self.texels is None:
            return 0, 0
        depth = min(self.opening.depth, _FOLDED_OUT)
        return round(depth * self.texels[0] / self.width), round(depth * self.texels[1] / self.height)

    @property
    def bottom(self) -> float:
        """y of the lower edge."""
        return self.top - self.height


@dataclass(frozen=True, eq=False)
class HeightField:
    """z (ny, nx) m over lines at ``x`` (nx,) and ``y`` (ny,) m, all float64, both rising; not evenly spaced.

    Between lines the surface is two triangles a cell, split from the corner at the lower x and y to the opposite one.
    ``along`` (nx,) and ``up`` (ny,) are where the lines lie on the map, m from its left and lower edge: as far apart as
    they are, but for what is folded out.
    """

    x: Array
    y: Array
    z: Array
    along: Array
    up: Array

    @property
    def map_size(self) -> tuple[float, float]:
        """Width and height (m) of the map."""
        return float(self.along[-1]), float(self.up[-1])

    def at(self, x: Array, y: Array) -> Array:
        """Heights (m) of the triangles at places ``x``, ``y`` (any one shape); held beyond the edges."""
        i, s = _cell(self.x, x)
        j, t = _cell(self.y, y)
        a, b = self.z[j, i], self.z[j, i + 1]
        d, c = self.z[j + 1, i], self.z[j + 1, i + 1]
        return np.asarray(np.where(s >= t, a + s * (b - a) + t * (c - b), a + t * (d - a) + s * (c - d)))


@dataclass(frozen=True, eq=False)
class GridSurface(Surface):
    """A wall whose front is a height field, mapped straight on: u along x, v down from the top edge; see ``along``."""

    field: HeightField


def _cell(lines: Array, at: Array) -> tuple[NDArray[np.int64], Array]:
    """The cell that each place lies in and how far along it (0 to 1)."""
    i = np.clip(np.searchsorted(lines, at, side="right") - 1, 0, len(lines) - 2)
    return i, np.clip((at - lines[i]) / (lines[i + 1] - lines[i]), 0.0, 1.0)


def _lines(low: float, high: float, count: int, pairs: list[tuple[float, float]]) -> Array:
    """About ``count`` even lines from ``low`` to ``high`` with every pair of lines put in exactly."""
    lines = np.linspace(low, high, count)
    step = lines[1] - lines[0]
    extra = np.array([v for pair in pairs for v in pair if low < v < high])
    if len(extra) == 0:
        return lines
    inner = lines[1:-1]
    free = np.abs(inner[:, None] - extra).min(axis=1) > 0.35 * step
    return np.unique(np.concatenate([lines[[0, -1]], inner[free], extra]))


def carved_field(plot: Plot, triangles: int, carve: Carve) -> HeightField:
    """The height field of a wall that makes about ``triangles`` triangles (within 10 %, rim and back included)."""
    # 2 n m in front and 6 (n + m) around and behind, with n / m as width / height
    ratio = plot.width / plot.height
    m = (np.sqrt(9.0 * (1.0 + ratio) ** 2 + 2.0 * ratio * triangles) - 3.0 * (1.0 + ratio)) / (2.0 * ratio)
    columns, rows = max(2, round(m * ratio)) + 1, max(2, round(m)) + 1
    hole, (pairs_x, pairs_y) = plot.opening, plot.pairs
    for _ in range(8):
        x = _lines(-0.5 * plot.width, 0.5 * plot.width, columns, pairs_x)
        y = _lines(plot.bottom, plot.top, rows, pairs_y)
        # the doorway's lines come on top of the even ones: make room for them
        made = 2 * (len(x) - 1) * (len(y) - 1) + 6 * (len(x) + len(y) - 2)
        if abs(made - triangles) <= 0.02 * triangles or min(columns, rows) <= 3:
            break
        k = np.sqrt(triangles / made)
        columns, rows = max(3, round((columns - 1) * k) + 1), max(3, round((rows - 1) * k) + 1)
    z = 0.5 * plot.relief * np.clip(_sampled(plot, carve, x, y, columns, rows), -1.0, 1.0)
    z = _kept_clear(plot, x, y, z)
    if hole is not None:
        inside_x = np.abs(x) <= 0.5 * hole.width + 1e-9
        inside_y = (y >= hole.sill - 1e-9) & (y <= hole.high + 1e-9)
        z[np.ix_(inside_y, inside_x)] = -hole.depth
    return HeightField(x, y, z, *(_on_map(lines, plot, axis) for axis, lines in enumerate((x, y))))


def _on_map(lines: Array, plot: Plot, axis: int) -> Array:
    """Where lines lie on the map (m from its lower edge): what lies between a pair of the doorway's has texels more."""
    steps = np.diff(lines)
    if plot.texels is not None:
        texel = (plot.width, plot.height)[axis] / plot.texels[axis]
        for low, high in plot.pairs[axis]:
            steps[(lines[:-1] == low) & (lines[1:] == high)] += plot.folded_out[axis] * texel
    return np.concatenate([[0.0], np.cumsum(steps)])


def folded_out(picture: Picture, plot: Plot, field: HeightField) -> Picture:
    """A picture (h, w, C) of the front seen straight on, with the doorway's sides in the colours just inside it."""
    if plot.texels is None or plot.opening is None:
        return picture
    height, width = picture.shape[:2]
    half, low, high = 0.5 * plot.opening.width, plot.opening.sill, plot.opening.high
    columns = _texels_of(field.x, field.along, plot.pairs[0], (-half, half), width) if plot.folded_out[0] else None
    rows = _texels_of(field.y, field.up, plot.pairs[1], (low, high), height) if plot.folded_out[1] else None
    out = picture if columns is None else picture[:, columns]
    # rows run down from the upper edge
    return out if rows is None else np.ascontiguousarray(out[height - 1 - rows[::-1]])


def straight_on(picture: NDArray[Any], field: HeightField) -> NDArray[Any]:
    """A picture (H, W, ...) on a wall's map as the front alone, seen straight on: nothing of it is folded out."""
    out = picture
    for axis, lines, on_map in ((0, field.y, field.up), (1, field.x, field.along)):
        count = picture.shape[axis]
        front = max(1, round(count * (lines[-1] - lines[0]) / on_map[-1]))
        at = np.interp(lines[0] + (np.arange(front) + 0.5) / front * (lines[-1] - lines[0]), lines, on_map)
        shown = np.minimum((at / on_map[-1] * count).astype(np.int64), count - 1)
        out = np.take(out, shown if axis else count - 1 - shown[::-1], axis=axis)
    return out


def _texels_of(
    lines: Array, on_map: Array, pairs: list[tuple[float, float]], inside: tuple[float, float], count: int
) -> NDArray[np.int64]:
    """Which of ``count`` even texels between the first line and the last each texel of the map shows, from below."""
    texel = (lines[-1] - lines[0]) / count
    middle = (np.arange(round(on_map[-1] / texel)) + 0.5) * texel
    at = np.interp(middle, on_map, lines)
    for (low, high), edge, way in zip(pairs, inside, (0.5, -0.5), strict=True):
        at = np.where((at > low) & (at < high), edge + way * texel, at)
    return np.asarray(np.clip(((at - lines[0]) / texel).astype(np.int64), 0, count - 1))


def _sampled(plot: Plot, carve: Carve, x: Array, y: Array, columns: int, rows: int) -> Array:
    """The carving at the lines, looked at twice as closely and softened, so that no thin feature is hit by chance."""
    fine_x = np.linspace(-0.5 * plot.width, 0.5 * plot.width, 2 * columns - 1)
    fine_y = np.linspace(plot.bottom, plot.top, 2 * rows - 1)
    fine = ndimage.gaussian_filter(carve(fine_x, fine_y), 0.8, mode="nearest", truncate=2.5)
    i, s = _cell(fine_x, x)
    j, t = _cell(fine_y, y)
    level = fine[j] * (1.0 - t[:, None]) + fine[j + 1] * t[:, None]
    return np.asarray(level[:, i] * (1.0 - s) + level[:, i + 1] * s)


def _kept_clear(plot: Plot, x: Array, y: Array, z: Array) -> Array:
    """Pressed back behind z = 0 around the bridge's cross-section and the doorway; the relief stays, but shallow."""
    half, below = plot.keep_clear
    if plot.measured or (half == 0.0 and plot.opening is None):
        return z
    above = 0.0
    low, high = plot.bridge_at - half, plot.bridge_at + half
    if plot.opening is not None:
        door, above = 0.5 * plot.opening.width, plot.opening.high
        below = max(below, -plot.opening.sill)
        low, high = min(low, -door), max(high, door)
    from_x = np.maximum(np.maximum(low - x, x - high), 0.0)
    from_y = np.maximum(np.maximum(y - above, -below - y), 0.0)
    distance = np.hypot(from_x[None, :], from_y[:, None])
    # a rule's own flat board is left as it is
    pressed = np.minimum(z, -_BEHIND - 0.3 * (0.5 * plot.relief - z)) if plot.relief > 2.0 * _BEHIND else z
    hold = smoothstep(_EASED, _CLEAR, distance).astype(np.float64)
    return np.asarray(z + hold * (np.maximum(pressed, -0.5 * plot.relief) - z))


def wall_surface(plot: Plot, field: HeightField, reflectance: Picture) -> GridSurface:
    """The closed mesh of a wall: the field in front, a flat back, and a rim between.

    The back and the rim have vertices of their own, mapped to the edge of the picture, and take no part of it.
    """
    ny, nx = field.z.shape
    grid_x, grid_y = np.meshgrid(field.x, field.y)
    front = np.stack([grid_x, grid_y, field.z], axis=-1).reshape(-1, 3)
    wide, high = field.map_size
    u, v = np.meshgrid(field.along / wide, 1.0 - field.up / high)
    uv = np.stack([u, v], axis=-1).reshape(-1, 2)
    number = np.arange(nx * ny, dtype=np.int32).reshape(ny, nx)
    a, b = number[:-1, :-1].ravel(), number[:-1, 1:].ravel()
    d, c = number[1:, :-1].ravel(), number[1:, 1:].ravel()
    faces = np.empty((2 * len(a), 3), dtype=np.int32)
    faces[0::2] = np.stack([a, b, c], axis=1)
    faces[1::2] = np.stack([a, c, d], axis=1)
    rim = np.concatenate([number[0, :-1], number[:-1, -1], number[-1, :0:-1], number[:0:-1, 0]])
    behind = front[rim].copy()
    behind[:, 2] = field.z.min() - BACKING
    count, first = len(rim), nx * ny
    here, after = np.arange(count, dtype=np.int32), np.roll(np.arange(count, dtype=np.int32), -1)
    ring, back, centre = first + count, first + 2 * count, first + 3 * count
    sides = [
        np.stack([first + here, ring + here, ring + after], axis=1),
        np.stack([first + here, ring + after, first + after], axis=1),
        np.stack([np.full(count, centre), back + after, back + here], axis=1),
    ]
    middle = [[0.0, 0.5 * (plot.top + plot.bottom), field.z.min() - BACKING]]
    corner = np.zeros((count + 1, 2))
    return GridSurface(
        name="wall",
        layer=WALL,
        vertices=np.concatenate([front, front[rim], behind, behind, middle]),
        faces=np.concatenate([faces, *sides]).astype(np.int32),
        uv=np.concatenate([uv, uv[rim], uv[rim], corner]).astype(np.float32),
        reflectance=reflectance,
        field=field,
    )


def moved_sideways(wall: GridSurface, distance: float) -> GridSurface:
    """The wall moved to camera right by ``distance`` m."""
    if distance == 0.0:
        return wall
    field = replace(wall.field, x=wall.field.x + distance)
    return replace(wall, vertices=wall.vertices + (distance, 0.0, 0.0), field=field)
