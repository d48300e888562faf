"""Seeded noise on the lines of a grid: the same numbers on every machine, fast without compiling anything.

All randomness comes from an integer hash of lattice coordinates and a seed, so a picture of any size shows the same
wall. Fields are worked out for whole rows and columns at once: ``x`` (nx,) and ``y`` (ny,) are the coordinates (m) of
a grid's columns and rows, fields are (ny, nx) float32.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

Field = NDArray[np.float32]
Whole = NDArray[np.int64]

_DEGREES = 256  # directions that a lattice point's slope can take


def hashed(seed: int, *coordinates: ArrayLike) -> NDArray[np.uint32]:
    """Well mixed 32-bit numbers of whole coordinates (broadcast together) and a seed.

    Multiply-and-shift mixer "lowbias32" (Wellons, "Prospecting for Hash Functions", 2018), once a coordinate.
    """
    shape = np.broadcast_shapes(*(np.shape(c) for c in coordinates))
    h = np.full(shape, (seed * 0x9E3779B1 + 0x7F4A7C15) & 0xFFFFFFFF, dtype=np.uint32)
    h = _mixed(np.atleast_1d(h))
    for c in coordinates:
        h = _mixed(h ^ (np.asarray(c).astype(np.int64) & 0xFFFFFFFF).astype(np.uint32))
    return h.reshape(shape)


def _mixed(h: NDArray[np.uint32]) -> NDArray[np.uint32]:
    h = (h ^ (h >> np.uint32(16))) * np.uint32(0x7FEB352D)
    h = (h ^ (h >> np.uint32(15))) * np.uint32(0x846CA68B)
    return np.asarray(h ^ (h >> np.uint32(16)))


def uniform(seed: int, *coordinates: ArrayLike) -> Field:
    """Even random numbers, 0 to 1, of whole coordinates and a seed."""
    # 24 bits: every one of them is a float32
    return (hashed(seed, *coordinates) >> np.uint32(8)).astype(np.float32) * np.float32(2.0**-24)


def smoothstep(low: float, high: float, values: ArrayLike) -> Field:
    """0 below ``low``, 1 above ``high`` and a soft step between; falls where ``low`` > ``high``."""
    v = np.asarray(values, dtype=np.float32)
    t = np.clip((v - np.float32(low)) * np.float32(1.0 / (high - low)), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


def _cells(along: NDArray[np.float64], cell: float) -> tuple[Whole, Whole, Field]:
    """Lattice numbers in use, the lower one's place among them (n,), and the part of the cell gone by (n,)."""
    at = np.asarray(along, dtype=np.float64) / cell
    lower = np.floor(at).astype(np.int64)
    numbers = np.arange(lower.min(), lower.max() + 2)
    return numbers, lower - numbers[0], (at - lower).astype(np.float32)


def _fade(part: Field) -> Field:
    # Perlin, "Improving Noise", 2002: 6 t^5 - 15 t^4 + 10 t^3
    return part * part * part * (part * (part * 6.0 - 15.0) + 10.0)


def gradient(x: NDArray[np.float64], y: NDArray[np.float64], cell_x: float, cell_y: float, seed: int) -> Field:
    """Gradient noise (ny, nx), about -1 to 1, mean 0, with features of about ``cell_x`` by ``cell_y`` m.

    After Perlin, "Improving Noise", 2002, with slopes from a circle. The lattice is rectangular like the grid, so the
    sum over a cell's corners is taken rows first, then columns.
    """
    columns, i, part_x = _cells(x, cell_x)
    rows, j, part_y = _cells(y, cell_y)
    turn = (hashed(seed, rows[:, None], columns[None, :]) % _DEGREES).astype(np.float32) * (2.0 * np.pi / _DEGREES)
    slope_x, slope_y = np.cos(turn).astype(np.float32), np.sin(turn).astype(np.float32)
    up = _fade(part_y)[:, None]
    down_y, up_y = part_y[:, None], part_y[:, None] - 1.0
    level_x = slope_x[j] * (1.0 - up) + slope_x[j + 1] * up
    level_y = slope_y[j] * down_y * (1.0 - up) + slope_y[j + 1] * up_y * up
    right = _fade(part_x)
    left_part = np.take(level_x, i, axis=1)
    left_part *= part_x * (1.0 - right)
    left_part += np.take(level_y, i, axis=1) * (1.0 - right)
    left_part += np.take(level_x, i + 1, axis=1) * ((part_x - 1.0) * right)
    left_part += np.take(level_y, i + 1, axis=1) * right
    left_part *= np.float32(1.4)
    return left_part


def value(x: NDArray[np.float64], y: NDArray[np.float64], cell_x: float, cell_y: float, seed: int) -> Field:
    """Value noise (ny, nx), -1 to 1: random numbers at lattice points, straight between. Cheap: for fine grain."""
    columns, i, part_x = _cells(x, cell_x)
    rows, j, part_y = _cells(y, cell_y)
    points = uniform(seed, rows[:, None], columns[None, :]) * 2.0 - 1.0
    level = points[j] + (points[j + 1] - points[j]) * part_y[:, None]
    out = np.take(level, i, axis=1)
    out += (np.take(level, i + 1, axis=1) - out) * part_x
    return out


def fbm(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    cell_x: float,
    cell_y: float,
    seed: int,
    octaves: int,
    gain: float = 0.5,
    ridged: bool = False,
) -> Field:
    """Layers of gradient noise (ny, nx), each half as large as the one before and ``gain`` times as strong.

    Scaled to about -1 to 1. ``ridged`` folds every layer into crests.
    """
    total = np.zeros((len(y), len(x)), dtype=np.float32)
    strength, sum_of = 1.0, 0.0
    for octave in range(octaves):
        k = 0.5**octave
        layer = gradient(x, y, cell_x * k, cell_y * k, seed + 1013 * octave)
        if ridged:
            layer = 1.0 - 3.0 * np.abs(layer)
        total += np.float32(strength) * layer
        sum_of += strength
        strength *= gain
    total *= np.float32(1.0 / sum_of**0.75)
    return total


def cells(
    x: NDArray[np.float64], y: NDArray[np.float64], cell_x: float, cell_y: float, seed: int
) -> tuple[Field, Field, NDArray[np.uint32]]:
    """Random cells (Worley, "A Cellular Texture Basis Function", 1996): each point belongs to its nearest seed.

    Distance to the nearest seed and how much farther the second one is, both (ny, nx) in cell sizes, and a random
    number a cell. Only for grids of up to about a million points.
    """
    at_x, at_y = (x / cell_x).astype(np.float32), (y / cell_y).astype(np.float32)
    i, j = np.floor(at_x).astype(np.int64), np.floor(at_y).astype(np.int64)
    columns, rows = np.arange(i.min() - 1, i.max() + 2), np.arange(j.min() - 1, j.max() + 2)
    seeds_x = columns + uniform(seed, rows[:, None], columns[None, :])
    seeds_y = rows[:, None] + uniform(seed + 1, rows[:, None], columns[None, :])
    names = hashed(seed + 2, rows[:, None], columns[None, :])
    nearest = np.full((len(y), len(x)), 9.0, dtype=np.float32)
    second = nearest.copy()
    name = np.zeros(nearest.shape, dtype=np.uint32)
    for dj in (-1, 0, 1):
        for di in (-1, 0, 1):
            c, r = i + di - columns[0], j + dj - rows[0]
            px = np.take(seeds_x[r].astype(np.float32), c, axis=1)
            py = np.take(seeds_y[r].astype(np.float32), c, axis=1)
            px -= at_x
            py -= at_y[:, None]
            d = np.sqrt(px * px + py * py)
            closer = d < nearest
            second = np.where(closer, nearest, np.minimum(second, d))
            nearest = np.where(closer, d, nearest)
            name = np.where(closer, np.take(names[r], c, axis=1), name)
    return nearest, second - nearest, name


def dragged(field: Field, right: Field, down: Field) -> Field:
    """A field (h, w) looked up elsewhere: at every place the value ``right`` columns and ``down`` rows away."""
    h, w = field.shape
    rows = np.arange(h, dtype=np.float32)[:, None] + down
    columns = np.arange(w, dtype=np.float32) + right
    return np.asarray(ndimage.map_coordinates(field, [rows, columns], order=1, mode="nearest"))


def blurred(field: Field, across: float, down: float | None = None) -> Field:
    """Gaussian blur, standard deviations in columns and rows (the same unless given)."""
    sigma = (across if down is None else down, across)
    return np.asarray(ndimage.gaussian_filter(field, sigma, mode="nearest", truncate=2.5))
