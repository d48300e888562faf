"""A take of the hand-pushed slide: where along the rail the camera was at every shot frame, and how well it was pushed.

Positions along the rail count from the start of the scene's move, as ``rail_mm`` of ``hold.csv`` does. Shot frames
keep the numbers they have in the file; between two of them a take has a position too (a fractional frame).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import PchipInterpolator
from scipy.linalg import solveh_banded
from scipy.ndimage import median_filter

from previz.errors import PlateError
from previz.geometry import Array
from previz.plate.columns import read_columns, whole_frames

TAKE_COLUMNS = ("frame", "rail_mm")
MARK_COLUMNS = ("rail_mm", "time_s")

# a hand changes its push within a second: nothing slower than this may be taken for noise (judgement, no source)
_SLOWEST_NOISE = 1.0  # s
_FEWEST_TO_SMOOTH = 12
# (1, -3, 3, -1) squared and summed: the variance of a third difference of unit white noise
_THIRD = 20.0
# standard deviations in a median absolute deviation of a normal distribution
_NORMAL_MAD = 1.4826


@dataclass(frozen=True, eq=False)
class Take:
    """A take as measured.

    ``frames`` (N,) are shot frame numbers, rising (fractional where they come from marks on the rail);
    ``measured`` (N,) m the positions as read, ``rail`` (N,) m without their measurement noise; ``noise`` m its
    standard deviation; ``filled`` the whole frames inside the take that were not measured, ``apart`` those whose
    reading was left out because it stands apart from its neighbours; ``rate`` the shooting rate.
    """

    name: str
    rate: Fraction
    frames: Array
    measured: Array
    rail: Array
    noise: float
    filled: tuple[int, ...] = ()
    apart: tuple[int, ...] = ()
    from_marks: bool = False

    @cached_property
    def course(self) -> PchipInterpolator:
        """Position (m) over frame number: the monotone cubic of Fritsch and Carlson (1980, from memory) through
        ``rail``; it turns only where the frames themselves turn."""
        return PchipInterpolator(self.frames, self.rail)

    def position(self, frame: ArrayLike) -> Array:
        """Positions (...) m at frame numbers (...), fractional too; held at the take's ends beyond them."""
        return np.asarray(self.course(np.clip(np.asarray(frame, dtype=np.float64), self.frames[0], self.frames[-1])))

    def stretch(self) -> tuple[int, int, int]:
        """``(first, last, direction)``: the indices between which the take travels furthest one way, and whether it
        goes up the rail (1) or down (-1). Where it only stands, first and last are the same."""
        up, down = _furthest(self.rail), _furthest(-self.rail)
        if self.rail[up[1]] - self.rail[up[0]] >= self.rail[down[0]] - self.rail[down[1]]:
            return *up, 1
        return *down, -1


def read_take(path: Path | str, rate: Fraction, first_frame: int = 1) -> Take:
    """The take in a CSV file: rows ``frame, rail_mm``, or marks on the rail with their times, ``rail_mm, time_s``.

    ``rate`` is the shooting rate; ``first_frame`` numbers the frame at time 0 of marks. Raises :class:`PlateError`.
    """
    columns = read_columns(path, TAKE_COLUMNS, MARK_COLUMNS)
    rail = columns.values["rail_mm"] * 1e-3
    if len(rail) < 2:
        raise PlateError(f"{columns.name} has one row; a take needs at least two positions")
    if "frame" in columns.values:
        return take_of(whole_frames(columns), rail, rate, columns.name)
    times = columns.values["time_s"]
    for row in range(1, len(times)):
        if times[row] <= times[row - 1]:
            columns.refuse(row, f"time_s {times[row]:g} comes after {times[row - 1]:g}; times must rise")
    return take_from_marks(rail, times, rate, columns.name, first_frame)


def read_wanted(path: Path | str) -> tuple[int, Array]:
    """``(first frame, positions (N,) m)`` wanted along the rail, from rows ``frame, rail_mm``: a row a frame, no gaps.

    Raises :class:`PlateError`.
    """
    columns = read_columns(path, TAKE_COLUMNS)
    frames = whole_frames(columns)
    for row in range(1, len(frames)):
        if frames[row] != frames[row - 1] + 1:
            columns.refuse(row, f"frame {frames[row - 1] + 1:.0f} is missing; give every delivered frame")
    return int(frames[0]), columns.values["rail_mm"] * 1e-3


def take_of(frames: ArrayLike, rail: ArrayLike, rate: Fraction, name: str = "take", smooth: bool = True) -> Take:
    """A take from whole shot frame numbers (N,) and positions (N,) m; frames between that are missing are filled.

    Readings that stand apart from their neighbours by more than a hand can move (:func:`standing_apart`) are left out
    and filled. The noise is estimated (:func:`noise_of`) and smoothed away (:func:`smoothed`) unless ``smooth`` is off.
    Raises :class:`PlateError` for fewer than two frames, frames that do not rise, or what is not a number.
    """
    given = np.asarray(frames, dtype=np.float64)
    measured = np.asarray(rail, dtype=np.float64)
    _check(name, given, measured, rate)
    if (given != np.round(given)).any():
        raise PlateError(f"{name}: shot frame numbers must be whole")
    if given[-1] - given[0] > 50 * len(given) + 1000:
        raise PlateError(
            f"{name}: {len(given)} positions for {given[-1] - given[0] + 1:.0f} frames are too few; "
            f"check the frame numbers, or give marks with times instead ({', '.join(MARK_COLUMNS)})"
        )
    every = np.arange(given[0], given[-1] + 1.0)
    apart = standing_apart(measured)
    known = np.isin(every, given[~apart])
    # a gap is bridged before smoothing, so that the smoothing has a value to weigh with nothing
    full = measured if known.all() else np.asarray(PchipInterpolator(given[~apart], measured[~apart])(every))
    noise = noise_of(full, known) if smooth else 0.0
    clean = smoothed(full, noise, float(rate), known)
    filled = tuple(int(frame) for frame in every[~np.isin(every, given)])
    return Take(name, rate, every, full, clean, noise, filled, tuple(int(frame) for frame in given[apart]))


def take_from_marks(
    rail: ArrayLike, times: ArrayLike, rate: Fraction, name: str = "marks", first_frame: int = 1
) -> Take:
    """A take from marks on the rail (N,) m and the times (N,) s at which the camera passed them.

    ``first_frame`` numbers the shot frame at time 0. Nothing is smoothed: between two marks the position is a monotone
    cubic, and how the hand went there is not known. Raises :class:`PlateError`.
    """
    passed = np.asarray(times, dtype=np.float64)
    marks = np.asarray(rail, dtype=np.float64)
    _check(name, passed, marks, rate)
    return Take(name, rate, first_frame + passed * float(rate), marks, marks.copy(), 0.0, from_marks=True)


def standing_apart(rail: ArrayLike) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which of the readings (N,) m, one a frame, no hand can have made: (N,) bool.

    Those further from the running median of seven frames than three typical steps and ten times the noise (judgement,
    no source), and as far from the line between the readings that are left. The median of a push that goes one way is
    the reading itself; it stands up to three wrong ones in a row. The first and the last have nothing to be told by.
    """
    readings = np.asarray(rail, dtype=np.float64)
    if len(readings) < _FEWEST_TO_SMOOTH:
        return np.zeros(len(readings), dtype=bool)
    noise = noise_of(readings)
    steps = np.abs(np.diff(readings))
    moving = steps[steps > max(4.0 * noise, 1e-6)]
    usual = float(np.median(moving)) if len(moving) else 0.0
    limit = 10.0 * noise + 3.0 * usual + 1e-6
    apart = np.abs(readings - median_filter(readings, size=7, mode="nearest")) > limit
    if not apart.any() or apart.all():
        return np.zeros(len(readings), dtype=bool)
    # several wrong readings shift the median of their honest neighbours too
    at = np.arange(len(readings))
    bridged = np.interp(at, at[~apart], readings[~apart])
    return np.asarray(apart & (np.abs(readings - bridged) > limit))


def noise_of(rail: ArrayLike, known: ArrayLike | None = None) -> float:
    """Standard deviation (m) of the measurement noise of positions (N,) m at consecutive frames.

    From second differences: white noise of variance v gives them 6 v, -4 v at a lag of one frame; the slow
    acceleration of a hand gives both the same, so that half the mean square of the change from one second difference
    to the next is 10 v and free of it. Taken by the median, so that pulls and knocks do not count, and where the camera
    moves, so that a standing gauge that reads the same number does not count either. A tremor faster than about a
    third of the shooting rate is taken for noise. 0 for fewer than twelve frames.
    """
    positions = np.asarray(rail, dtype=np.float64)
    if len(positions) < _FEWEST_TO_SMOOTH:
        return 0.0
    change = np.diff(np.diff(positions), axis=0)
    change = change[1:] - change[:-1]
    pace = np.abs(positions[3:] - positions[:-3])
    usable = np.ones(len(change), dtype=bool)
    if known is not None:
        seen = np.asarray(known, dtype=bool)
        usable = seen[3:] & seen[2:-1] & seen[1:-2] & seen[:-3]
    moving = usable & (pace > 0.25 * np.percentile(pace, 90))
    chosen = moving if moving.sum() >= _FEWEST_TO_SMOOTH else usable
    if chosen.sum() < _FEWEST_TO_SMOOTH:
        return 0.0
    return float(_NORMAL_MAD * np.median(np.abs(change[chosen])) / np.sqrt(_THIRD))


def smoothed(rail: ArrayLike, noise: float, rate: float, known: ArrayLike | None = None) -> Array:
    """Positions (N,) m without noise of standard deviation ``noise`` m; unchanged where that is 0.

    Least squares with a penalty on third differences (Whittaker 1923; Eilers, Anal. Chem. 75, 2003, eqs. 5 and 8; from
    memory): an even or evenly accelerated push passes unchanged up to its very ends, which are not drawn inwards as a
    running mean draws them. The weight of the penalty is the one of least expected error (Mallows' Cp, 1973, from
    memory) among those that leave alone whatever is slower than a second. ``known`` (N,) are the frames measured.
    """
    positions = np.asarray(rail, dtype=np.float64)
    count = len(positions)
    if noise <= 0.0 or count < _FEWEST_TO_SMOOTH:
        return positions.copy()
    weights = np.ones(count) if known is None else np.asarray(known, dtype=np.float64)
    bands = _third_difference_bands(count)
    # how much of each frequency the penalty sees, for the number of free values left
    seen = (2.0 * np.sin(0.5 * np.pi * np.arange(count) / count)) ** 6
    strongest = (2.0 * np.sin(np.pi / max(_SLOWEST_NOISE * rate, 4.0))) ** -6.0
    best, least = positions, np.inf
    for penalty in np.geomspace(1e-3, max(strongest, 1e-2), 41):
        matrix = penalty * bands
        matrix[-1] += weights
        # about the first position, so that a far zero of the rail costs no digits
        curve = positions[0] + solveh_banded(matrix, weights * (positions - positions[0]))
        free = float((1.0 / (1.0 + penalty * seen)).sum())
        risk = float((weights * (positions - curve) ** 2).sum()) + 2.0 * noise**2 * free * float(weights.mean())
        if risk < least:
            best, least = curve, risk
    return np.asarray(best, dtype=np.float64)


def _third_difference_bands(count: int) -> Array:
    # the upper bands of D'D for third differences D, in the form that solveh_banded takes
    steps = np.array([-1.0, 3.0, -3.0, 1.0])
    bands = np.zeros((4, count))
    for apart in range(4):
        for at in range(4 - apart):
            first = at + apart
            bands[3 - apart, first : first + count - 3] += steps[at] * steps[at + apart]
    return bands


def _furthest(rail: Array) -> tuple[int, int]:
    # the greatest rise from an earlier to a later frame; of equal frames the last low one and the first high one
    lowest = np.minimum.accumulate(rail)
    last = int(np.argmax(rail - lowest))
    first = int(np.flatnonzero(rail[: last + 1] == lowest[last])[-1])
    return first, last


def _check(name: str, at: Array, rail: Array, rate: Fraction) -> None:
    if rate <= 0:
        raise PlateError(f"{name}: {rate} is not a shooting rate; expected frames a second above 0")
    if at.ndim != 1 or at.shape != rail.shape or len(at) < 2:
        raise PlateError(f"{name}: a take needs at least two positions, each with its frame; found {len(rail)}")
    if not (np.isfinite(at).all() and np.isfinite(rail).all()):
        raise PlateError(f"{name}: a position or its frame is not a number")
    if (np.diff(at) <= 0.0).any():
        raise PlateError(f"{name}: frames must rise; {at[int(np.argmax(np.diff(at) <= 0.0)) + 1]:g} does not")
