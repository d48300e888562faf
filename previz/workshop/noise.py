"""Seeded noise on the lines of a grid: the same numbers on every machine, fast without compiling anything.

All randomness comes from an integer hash of lattice coordinates and a seed, so a picture of any size shows the same
wall. Fields are worked out for whole rows and columns at once: ``x`` (nx,) and ``y`` (ny,) are the coordinates (m) of
a grid's columns and rows, fields are (ny, nx) float32.
"""

from __future__ import annotations

from dataclasses import dataclass

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
    k = np.float32(1.0 / (high - low))
    t = np.asarray(v * k)
    t -= np.float32(low) * k
    np.clip(t, 0.0, 1.0, out=t)
    out = np.asarray(t * np.float32(-2.0))
    out += np.float32(3.0)
    out *= t
    out *= t
    return out


def _cells(along: NDArray[np.float64], cell: float) -> tuple[Whole, Whole, Field]:
    """Lattice numbers in use, the lower one's place among them (n,), and the part of the cell gone by (n,)."""
    at = np.asarray(along, dtype=np.float64) / cell
    lower = np.floor(at).astype(np.int64)
    numbers = np.arange(lower.min(), lower.max() + 2)
    return numbers, lower - numbers[0], (at - lower).astype(np.float32)


def _fade(part: Field) -> Field:
    # Perlin, "Improving Noise", 2002: 6 t^5 - 15 t^4 + 10 t^3
    return np.asarray(part * part * part * (part * (part * 6.0 - 15.0) + 10.0), dtype=np.float32)


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
    return np.asarray(left_part, dtype=np.float32)


def value(x: NDArray[np.float64], y: NDArray[np.float64], cell_x: float, cell_y: float, seed: int) -> Field:
    """Value noise (ny, nx), -1 to 1: random numbers at lattice points, straight between. Cheap: for fine grain."""
    columns, i, part_x = _cells(x, cell_x)
    rows, j, part_y = _cells(y, cell_y)
    points = uniform(seed, rows[:, None], columns[None, :]) * 2.0 - 1.0
    level = points[j] + (points[j + 1] - points[j]) * part_y[:, None]
    out = np.take(level, i, axis=1)
    out += (np.take(level, i + 1, axis=1) - out) * part_x
    return np.asarray(out, dtype=np.float32)


def fbm(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    cell_x: float,
    cell_y: float,
    seed: int,
    octaves: int,
    gain: float = 0.5,
) -> Field:
    """Layers of gradient noise (ny, nx), each half as large as the one before and ``gain`` times as strong.

    Scaled to about -1 to 1.
    """
    total = np.zeros((len(y), len(x)), dtype=np.float32)
    strength, sum_of = 1.0, 0.0
    for octave in range(octaves):
        k = 0.5**octave
        total += np.float32(strength) * gradient(x, y, cell_x * k, cell_y * k, seed + 1013 * octave)
        sum_of += strength
        strength *= gain
    total *= np.float32(1.0 / sum_of**0.75)
    return total


@dataclass(frozen=True, eq=False)
class Cells:
    """Random cells: for each place (h, w) how much farther the second nearest seed is than the nearest, the place
    as seen from its seed (``right``, ``up``), all in cell sizes, and a random number a cell."""

    gap: Field
    right: Field
    up: Field
    name: NDArray[np.uint32]


def cells(u: Field, v: Field, seed: int) -> Cells:
    """Cells around one random seed a unit square (Worley, "A Cellular Texture Basis Function", 1996).

    ``u`` and ``v`` (h, w) are the places in cell sizes. Costs about a quarter of a second a million places.
    """
    i, j = np.floor(u).astype(np.int32), np.floor(v).astype(np.int32)
    columns, rows = np.arange(i.min() - 1, i.max() + 2), np.arange(j.min() - 1, j.max() + 2)
    seeds_u = (columns + uniform(seed, rows[:, None], columns[None, :])).astype(np.float32).reshape(-1)
    seeds_v = (rows[:, None] + uniform(seed + 1, rows[:, None], columns[None, :])).astype(np.float32).reshape(-1)
    names = hashed(seed + 2, rows[:, None], columns[None, :]).reshape(-1)
    base = (j - np.int32(rows[0])) * np.int32(len(columns)) + (i - np.int32(columns[0]))
    nearest = np.full(u.shape, 9.0, dtype=np.float32)
    second = nearest.copy()
    owner = np.zeros(u.shape, dtype=np.int32)
    for down in (-1, 0, 1):
        for across in (-1, 0, 1):
            at = base + np.int32(down * len(columns) + across)
            right = np.take(seeds_u, at)
            right -= u
            up = np.take(seeds_v, at)
            up -= v
            right *= right
            up *= up
            right += up
            closer = right < nearest
            second = np.where(closer, nearest, np.minimum(second, right))
            np.copyto(nearest, right, where=closer)
            np.copyto(owner, at, where=closer)
    gap = np.sqrt(second) - np.sqrt(nearest)
    return Cells(gap, u - np.take(seeds_u, owner), v - np.take(seeds_v, owner), np.take(names, owner))


def blurred(field: Field, across: float, down: float | None = None) -> Field:
    """Gaussian blur, standard deviations in columns and rows (the same unless given)."""
    sigma = (across if down is None else down, across)
    return np.asarray(ndimage.gaussian_filter(field, sigma, mode="nearest", truncate=2.5))
