"""Runs: how far pieces of a line stand out in one go, and how often a clean wall does so by chance.

Chance is not a hiding place. On a clean wall, too, some pieces of any line stand out, scattered; the same share in one
run is an edge. So the runs of a line are compared with those of lines laid on the clean wall. Of the k longest runs of
an outline, as many as a clean line of that length has of the same length or longer, E, would be there without any
bridge, and rare, independent events are Poisson distributed (Aldous, *Probability Approximations via the Poisson
Clumping Heuristic*, 1989, from memory): k runs are the bridge's where so many come of chance less than once in
125 times.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammainc

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]

# a run ends where the chance of being found falls below this
_ENDS_BELOW: Final = 0.1

# runs that come of chance so often are half suspicious, and how steeply that falls as they come more often
RARE: Final = 0.008
_STEEPNESS: Final = 2.0

# weights of runs in a table of rates, degrees: those between are interpolated, beyond them rates fall exponentially
_WEIGHTS: Final = np.geomspace(0.002, 20.0, 81)


@dataclass(frozen=True, eq=False)
class Runs:
    """Runs along lines: ``number`` (N,) int says which each piece belongs to, -1 none; ``weight`` (R,) degrees is a
    run's length, each piece counted by its chance of being found."""

    number: NDArray[np.int64]
    weight: Array


def runs_of(chance: Floats, line: NDArray[np.int64], closed: tuple[bool, ...], spacing_deg: float) -> Runs:
    """Runs of pieces whose ``chance`` (N,) of being found is not small, along the lines that ``line`` (N,) numbers.

    Pieces come in order along their lines; a closed line's last piece is beside its first.
    """
    stands_out = np.asarray(chance) > _ENDS_BELOW
    number = np.full(len(stands_out), -1, dtype=np.int64)
    if not stands_out.any():
        return Runs(number, np.zeros(0))
    before = np.concatenate([[False], stands_out[:-1] & (line[1:] == line[:-1])])
    number[stands_out] = np.cumsum(stands_out & ~before)[stands_out] - 1
    for k in np.flatnonzero(closed):
        rows = np.flatnonzero(line == k)
        if len(rows) and stands_out[rows[0]] and stands_out[rows[-1]]:
            # one run over the joint
            number[number == number[rows[-1]]] = number[rows[0]]
    _, number[stands_out] = np.unique(number[stands_out], return_inverse=True)
    weight = np.bincount(number[stands_out], np.asarray(chance, np.float64)[stands_out]).astype(np.float64)
    return Runs(number, spacing_deg * weight)


@dataclass(frozen=True, eq=False)
class ChanceRuns:
    """How many runs a clean wall shows: ``per_deg`` (A, G) a degree of a line in each of A directions that weigh at
    least the steps of the table."""

    per_deg: Array

    @classmethod
    def counted(cls, weights: list[Array], degrees: list[float]) -> ChanceRuns:
        """Rates from the runs' weights found along ``degrees`` of laid lines in each direction."""
        return cls(np.stack([_rates(w, d) for w, d in zip(weights, degrees, strict=True)]))

    def between(self, other: ChanceRuns, part: float) -> ChanceRuns:
        """Rates ``part`` of the way to another wall's, as between two magnifications of one wall."""
        return ChanceRuns((1.0 - part) * self.per_deg + part * other.per_deg)

    def expected(self, by_direction: Array, length_deg: float, weight: Array) -> Array:
        """Runs (R,) at least as heavy as ``weight`` (R,) to be expected on ``length_deg`` degrees of clean line, of
        which the shares ``by_direction`` (A,) lie in each direction."""
        rates = by_direction @ self.per_deg
        return np.asarray(length_deg * np.exp(np.interp(np.log(weight), np.log(_WEIGHTS), np.log(rates))))


def _rates(weights: Array, degrees: float) -> Array:
    """Runs a degree at least as heavy as each step of the table; beyond the heaviest found they fall exponentially."""
    ordered = np.sort(weights)
    count = len(ordered) - np.searchsorted(ordered, _WEIGHTS, side="left")
    if len(ordered) == 0:
        return np.full(len(_WEIGHTS), 1e-9)
    # the tail of the heavier half: an exponential's mean excess is its scale
    middle = float(ordered[len(ordered) // 2])
    scale = max(float(np.mean(ordered[len(ordered) // 2 :] - middle)), 0.02)
    heaviest = float(ordered[-1])
    beyond = np.exp(-np.maximum(_WEIGHTS - heaviest, 0.0) / scale)
    return np.maximum(np.where(count > 0, count, beyond), 1e-9) / degrees


def not_by_chance(weight: Array, expected: Array) -> Array:
    """How far each run (R,) is none of chance's, 0 to 1; ``expected`` (R,) runs of a clean line are as heavy.

    One half where as many such runs as there are come of chance once in 125 times, next to nothing where they
    do once in twenty. A run is no less suspicious than a lighter one.
    """
    order = np.argsort(-weight, kind="stable")
    rank = np.arange(1, len(order) + 1)
    # P(at least k events where E are expected) of the Poisson distribution
    by_chance = np.maximum(gammainc(rank, expected[order]), 1e-12)
    shown = 1.0 - np.exp2(-((RARE / by_chance) ** _STEEPNESS))
    out = np.empty(len(order))
    out[order] = np.maximum.accumulate(shown[::-1])[::-1]
    return out
