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

from previz.workshop.compiled import compiled

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
    values = np.ascontiguousarray(chance, dtype=np.float64)
    number, weight = np.empty(len(values), dtype=np.int64), np.zeros(len(values))
    count = _numbered(values, np.asarray(line, dtype=np.int64), np.array(closed, dtype=np.bool_), number, weight)
    return Runs(number, spacing_deg * weight[:count])


@compiled
def _numbered(chance, line, closed, number, weight):  # type: ignore[no-untyped-def]
    """Number runs in the order in which they begin, add up the chances of each, and say how many there are."""
    count = -1
    for i in range(len(chance)):
        number[i] = -1
        if chance[i] > _ENDS_BELOW:
            if i == 0 or number[i - 1] < 0 or line[i] != line[i - 1]:
                count += 1
            number[i] = count
    first = 0
    for k in range(len(closed)):
        last = first
        while last < len(line) and line[last] == k:
            last += 1
        before, after = number[last - 1] if last > first else -1, number[first] if last > first else -1
        if closed[k] and before >= 0 and 0 <= after < before:
            # one run over the joint
            for i in range(first, len(chance)):
                if number[i] == before:
                    number[i] = after
                elif number[i] > before:
                    number[i] -= 1
            count -= 1
        first = last
    for i in range(len(chance)):
        if number[i] >= 0:
            weight[number[i]] += chance[i]
    return count + 1


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
