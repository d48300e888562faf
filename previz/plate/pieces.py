"""A curve of source frames as few stretches of constant speed, for software that knows no other retime."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from previz.geometry import Array

TOLERANCE = 0.25  # source frames
_DECIMALS = 9


@dataclass(frozen=True)
class SpeedPiece:
    """Delivered frames ``first`` to ``first + count - 1``, counted from 0: frame ``first + k`` shows source frame
    ``start + k speed``. ``speed`` is signed, in source frames a delivered frame."""

    first: int
    count: int
    start: float
    speed: float

    def source(self) -> Array:
        """Source frames (count,)."""
        return np.asarray(self.start + self.speed * np.arange(self.count), dtype=np.float64)


def constant_speed_pieces(
    source: ArrayLike, tolerance: ArrayLike = TOLERANCE, lowest: float = -np.inf, highest: float = np.inf
) -> list[SpeedPiece]:
    """The fewest pieces of constant speed that keep within ``tolerance`` of ``source`` (N,) at every delivered frame.

    ``tolerance`` is one number or (N,) of them, source frames, above 0. Each starts on a whole delivered frame where it
    likes: two pieces need not meet. No piece shows a frame outside ``lowest`` to ``highest``, the frames that the take
    has. Part of a piece that fits fits too, so that always taking the longest piece gives the fewest.
    """
    curve = np.asarray(source, dtype=np.float64)
    room = np.asarray(tolerance, dtype=np.float64)
    floor, ceiling = np.maximum(curve - room, lowest), np.minimum(curve + room, highest)
    if (room <= 0.0).any() or (floor > ceiling).any():
        raise ValueError("the tolerance must be above 0 and the curve within the frames of the take")
    pieces: list[SpeedPiece] = []
    first = 0
    while first < len(curve):
        fits, reach = 1, 2
        # twice as far until it does not fit, then halving
        while first + reach <= len(curve) and _line(floor[first : first + reach], ceiling[first : first + reach]):
            fits, reach = reach, 2 * reach
        fails = min(reach, len(curve) - first + 1)
        while fails - fits > 1:
            middle = (fits + fails) // 2
            if _line(floor[first : first + middle], ceiling[first : first + middle]):
                fits = middle
            else:
                fails = middle
        part = slice(first, first + fits)
        start, speed = _best(curve[part], floor[part], ceiling[part])
        # a billionth of a frame is nothing; the digits after it differ from one processor to the next
        pieces.append(SpeedPiece(first, fits, round(start, _DECIMALS), round(speed, _DECIMALS)))
        first += fits
    return pieces


def _best(curve: Array, floor: Array, ceiling: Array) -> tuple[float, float]:
    # the line of least squares, where it keeps within the limits; else the one with the most room
    at = np.arange(len(curve)) - 0.5 * (len(curve) - 1)
    speed = float(at @ curve / (at @ at)) if len(curve) > 1 else 0.0
    fitted = curve.mean() + speed * at
    if (fitted > floor - 1e-9).all() and (fitted < ceiling + 1e-9).all():
        return float(fitted[0]), speed
    line = _line(floor, ceiling)
    assert line is not None  # it was found to fit
    return line


def _line(floor: Array, ceiling: Array) -> tuple[float, float] | None:
    """``(start, speed)`` of a line above ``floor`` and below ``ceiling`` at 0, 1, 2 ..., with the most room; or None.

    There is one where the upper hull of the floor stays below the lower hull of the ceiling. The gap between the hulls
    is least at one of their corners; the line goes through its middle there, with a slope that both hulls have.
    """
    count = len(floor)
    if count == 1:
        return 0.5 * float(floor[0] + ceiling[0]), 0.0
    above = _lower_hull(ceiling)
    below = _lower_hull(-floor)
    at = np.union1d(above, below)
    top = np.interp(at, above, ceiling[above])
    bottom = np.interp(at, below, floor[below])
    gap = top - bottom
    least = int(np.argmin(gap))
    if gap[least] < 0.0:
        return None
    place = float(at[least])
    left, right = _slopes(above, ceiling, place)
    falling_left, falling_right = _slopes(below, -floor, place)
    # under the ceiling's hull a slope lies from its left one to its right one, over the floor's the other way round
    slowest, fastest = max(left, -falling_right), min(right, -falling_left)
    speed = 0.5 * (slowest + fastest)
    return 0.5 * float(top[least] + bottom[least]) - speed * place, speed


def _lower_hull(values: Array) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    # Andrew's monotone chain (Inf. Proc. Lett. 9, 1979, from memory) over points that are sorted already
    kept: list[int] = []
    for i in range(len(values)):
        while len(kept) > 1:
            a, b = kept[-2], kept[-1]
            if (values[b] - values[a]) * (i - b) < (values[i] - values[b]) * (b - a):
                break
            kept.pop()
        kept.append(i)
    return np.array(kept, dtype=np.intp)


def _slopes(corners: np.ndarray[tuple[int], np.dtype[np.intp]], values: Array, place: float) -> tuple[float, float]:
    """Slopes of a lower hull to the left and to the right of ``place``; beyond its ends nothing binds (infinity)."""
    slopes = np.diff(values[corners]) / np.diff(corners)
    left = int(np.searchsorted(corners, place, side="left")) - 1
    right = int(np.searchsorted(corners, place, side="right")) - 1
    return (
        float(slopes[left]) if left >= 0 else -np.inf,
        float(slopes[right]) if right < len(slopes) else np.inf,
    )
