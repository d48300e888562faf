"""Gradient descent for paint: every texel's colour, so that the bridge is found least in the hold's worst frame.

Break, softened until it has a slope (:mod:`previz.paint.sensitivity`), is followed downhill for all frames together,
from a paint that others would have made (projected, or one of :mod:`previz.paint.baselines`). The worst frames weigh
most: what is made small is a power mean over the frames. Steps are those of Adam (Kingma and Ba, "Adam: A Method for
Stochastic Optimization", ICLR 2015), which needs no step size to be found for each set.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz.paint.framemodel import FrameModel
from previz.paint.sensitivity import BreakGradient, FrameBreak
from previz.workshop.compiled import compiled

Codes = NDArray[np.float32]

# the power mean over frames: the larger, the more the worst frame decides
FRAME_POWER: Final = 8.0

# steps downhill, and how far one of them takes a code (0 to 1) at first and at last
STEPS: Final = 80
_FIRST_STEP: Final = 0.02
_LAST_STEP: Final = 0.002

# Adam's memory of slopes and of their squares (Kingma and Ba 2015, section 2)
_MEMORY = (0.9, 0.99)

# every so many steps the judge itself is asked, which costs as much as a step
_JUDGED_EVERY: Final = 4

# texels whose slope is below this share of the usual one move less, not as far as all others: what is hardly ever
# outline stays as it was
_QUIET: Final = 0.3


@dataclass(frozen=True, eq=False)
class HeldFrame:
    """A frame of the hold: its picture as a function of the paint, and its break as a function of the picture.

    ``place`` (N, 3) m is where on the bridge each piece of its outline lies, NaN where that is not known.
    """

    frame: int
    model: FrameModel
    judged: FrameBreak
    place: NDArray[np.float64]

    def at(self, codes: Codes, judged: bool = True) -> BreakGradient:
        """Its break with a texture of ``codes`` (T, 3), ``judged`` by the judge itself or softened alone."""
        return self.judged.at(self.model.picture(codes), self.model.clean(codes), judged)


@dataclass(frozen=True, eq=False)
class Solution:
    """Solved codes (T, 3) float32, 0 to 1, and the softened share found, 0 to 1, of every frame solved for, in order:
    ``before`` for the paint that was begun with, and ``after``; ``after_pct`` (F,) is the judge's break then, percent.
    ``steps`` is how many steps were taken."""

    codes: Codes
    before: NDArray[np.float64]
    after: NDArray[np.float64]
    after_pct: NDArray[np.float64]
    steps: int


@dataclass(frozen=True, eq=False)
class _Evaluation:
    """The objective at one paint: softened share found (F,), the judge's break (F,) percent, nan where it was not
    asked, and the gradient of every frame's share with respect to its pixels."""

    shares: NDArray[np.float64]
    percents: NDArray[np.float64]
    slopes: list[BreakGradient]


class Descent:
    """Goes downhill from a paint, step by step, and remembers the best on the way.

    ``frames`` are those solved for, ``start`` (T, 3) codes 0 to 1 the paint begun with, ``lowest`` and ``highest``
    (T, 3) what paint can do under the light, ``laid`` how changes of it are laid on, a symmetric linear map of (T, 3).
    ``steps`` is how many are meant to be taken. The same input gives the same answer, whatever the number of
    ``threads``.
    """

    def __init__(
        self,
        frames: Sequence[HeldFrame],
        start: Codes,
        lowest: Codes,
        highest: Codes,
        laid: Callable[[Codes], Codes],
        steps: int = STEPS,
        threads: int = 2,
    ) -> None:
        self.frames, self._laid, self._steps, self._threads = frames, laid, steps, threads
        self._lowest, self._highest = lowest, highest
        self._start = np.clip(start, lowest, highest).astype(np.float32)
        self._strokes = np.zeros_like(self._start)
        self._mean, self._square = np.zeros_like(self._start), np.zeros_like(self._start)
        self._codes = self._start
        self._best = self._start
        self.taken = 0
        self._evaluated = self._evaluate(self._start)
        self.before = self.after = self._evaluated.shares
        self._after_pct = self._evaluated.percents

    @property
    def worst(self) -> float:
        """Softened share found, 0 to 1, in the worst frame with the best paint so far."""
        return float(self.after.max())

    @property
    def solution(self) -> Solution:
        """The best so far."""
        return Solution(self._best, self.before, self.after, self._after_pct, self.taken)

    def go(self, steps: int) -> bool:
        """Take up to ``steps`` steps; whether any are left to take."""
        for _ in range(min(steps, self._steps - self.taken)):
            self._step()
        return self.taken < self._steps

    def _step(self) -> None:
        shares, slopes = self._evaluated.shares, self._evaluated.slopes
        weights = (shares / max(float(shares.max()), 1e-12)) ** (FRAME_POWER - 1.0)
        slope = self._laid(self._slope(slopes, weights / weights.sum()))
        squares, touched = _remembered(slope.reshape(-1), self._mean.reshape(-1), self._square.reshape(-1))
        # means of what is remembered are less than what they are means of, at first
        steady, sized = (1.0 / (1.0 - memory ** (self.taken + 1)) for memory in _MEMORY)
        usual = math.sqrt(squares / touched * sized) if touched else 1.0
        far = _FIRST_STEP * (_LAST_STEP / _FIRST_STEP) ** (self.taken / max(self._steps - 1, 1))
        _moved(
            self._strokes.reshape(-1), self._mean.reshape(-1), self._square.reshape(-1),
            np.float32(far * steady), np.float32(sized), np.float32(_QUIET * usual),
        )  # fmt: skip
        codes = self._start + self._laid(self._strokes)
        self._codes = np.clip(codes, self._lowest, self._highest, out=codes)
        self.taken += 1
        judged = self.taken % _JUDGED_EVERY == 0 or self.taken == self._steps
        self._evaluated = self._evaluate(self._codes, judged)
        if not judged:
            return
        found, percents = self._evaluated.shares, self._evaluated.percents
        # the judge's worst frame decides; where that cannot be told apart (it is often 0), the softened one's
        if (percents.max(), found.max()) < (self._after_pct.max(), self.after.max()):
            self._best, self.after, self._after_pct = self._codes, found, percents

    def _evaluate(self, codes: Codes, judged: bool = True) -> _Evaluation:
        """Every frame with a paint."""
        with ThreadPoolExecutor(self._threads) as pool:
            found = list(pool.map(lambda frame: frame.at(codes, judged), self.frames))
        return _Evaluation(
            np.array([one.share for one in found]), np.array([one.percent for one in found]), found
        )

    def _slope(self, slopes: Sequence[BreakGradient], weights: NDArray[np.float64]) -> Codes:
        """Slope (T, 3) of the weighted sum over frames, added up in their order: always the same."""

        def part_of(numbers: Sequence[int]) -> Codes:
            out = np.zeros_like(self._codes)
            for k in numbers:
                weight, found = np.float32(weights[k]), slopes[k]
                clean = None if found.slope_clean is None else weight * found.slope_clean
                self.frames[k].model.slope(weight * found.slope, clean, self._codes, out)
            return out

        # frames that weigh next to nothing cost as much as the others
        counted = [k for k in range(len(self.frames)) if weights[k] > 1e-3 * float(weights.max())]
        # always two parts, whatever the threads: sums in another order would be other sums
        with ThreadPoolExecutor(self._threads) as pool:
            first, second = pool.map(part_of, (counted[::2], counted[1::2]))
        return np.asarray(first + second)


@compiled
def _remembered(slope, mean, square):  # type: ignore[no-untyped-def]
    """The running means (N,) of a slope (N,) and of its square go on by a step; the sum of the squares, and how many
    are not nought."""
    total, touched = 0.0, 0
    for i in range(len(slope)):
        mean[i] = _MEMORY[0] * mean[i] + (1.0 - _MEMORY[0]) * slope[i]
        square[i] = _MEMORY[1] * square[i] + (1.0 - _MEMORY[1]) * slope[i] * slope[i]
        total += square[i]
        touched += square[i] > 0.0
    return total, touched


@compiled
def _moved(strokes, mean, square, far, sized, quiet):  # type: ignore[no-untyped-def]
    """Strokes (N,) go ``far`` against the mean slope, in sizes of what it usually is there."""
    for i in range(len(strokes)):
        strokes[i] -= far * mean[i] / (np.sqrt(square[i] * sized) + quiet)


def worst_of(frames: Sequence[HeldFrame], codes: Codes, threads: int = 2) -> tuple[float, float]:
    """The judge's break, percent, and the softened share found, 0 to 1, each of its worst frame, with ``codes``."""
    with ThreadPoolExecutor(threads) as pool:
        found = list(pool.map(lambda frame: frame.at(codes), frames))
    return max(one.percent for one in found), max(one.share for one in found)
