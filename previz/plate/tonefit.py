"""The decision list that brings two stills together: what is paired with what, and the fit to those pairs.

Two stills that show the same view (the same set before and after a change of lamp, a graded copy) are paired place by
place. Stills of different things are paired by their tones: the assignment of one picture's tones to the other's that
moves colours least (optimal transport; Jonker and Volgenant, *Computing* 38, 325-340, 1987, as SciPy has it), worked
out anew after every fit. Colours that only one picture has are left out once the first fit tells which.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.spatial.distance import cdist

from previz import colour
from previz.geometry import Array
from previz.plate.matchfit import (
    COUNT,
    OFFSET,
    POWER,
    SATURATION,
    SLOPE,
    cdl_of,
    extent,
    fitted,
    pair_fit,
    quantile_fit,
)
from previz.plate.space import Space, graded
from previz.plate.tones import TILES, Tones, shared

# tones that are assigned to one another at a time; (how many such draws are fitted together, rounds of assignment and
# fit): one to come near, then many, for a single draw is a fifth of a dE00 off
_ASSIGNED: Final = 400
_NEAR: Final = (1, 12)
_FINE: Final = (10, 4)
_SETTLED: Final = 0.99
_LEAST_SHARED: Final = 0.5
# the two have all their colours in common above this
_ALL_SHARED: Final = 0.97
_PLACES: Final = 3000
# a pair of places that is off by more than 3 dE00 shows two things, where the middle pair is matched to half of one;
# where no list fits as well as that, what is far off may be the list's own doing and stays in
_STRANGE_DE: Final = 3.0
_FITS: Final = 0.5
# a kind of move is kept when leaving it out leaves more than this, mean dE00
_WORTH: Final = 0.03
# every third tone is enough for quantiles, a start and a doubt
_THINNED: Final = 3
_RESAMPLED: Final = 24
_RESAMPLED_ROUNDS: Final = 3
_SEED: Final = 1
# CIE94's chroma weight: a step of a*b* counts less the further from grey it is (CIE 116-1995)
_CHROMA: Final = 0.045

_EVERY: Final[NDArray[np.bool_]] = np.ones(COUNT, dtype=bool)


@dataclass(frozen=True, eq=False)
class ToneFit:
    """Ten ``numbers`` (10,), the weights (N,), (M,) that source's and target's tones had in their fit, and ``few``:
    whether the pictures have too few colours in common for weights to mean anything. ``kept`` (N,) says of stills of
    the same view which places show the same thing; None where tones were paired."""

    numbers: Array
    free: NDArray[np.bool_]
    source_weights: Array
    target_weights: Array
    few: bool
    kept: NDArray[np.bool_] | None = None


def fit_by_place(source: Tones, target: Tones, space: Space) -> ToneFit:
    """The fit of two stills of the same view: tones (N, 3) each, of the same places."""
    step = max(1, -(-source.count // _PLACES))
    a, b = source.linear[::step], target.linear[::step]
    # from no change and from where the quantiles lead: one start alone may end in a hollow of its own
    equations, guess = quantile_fit(a, b, np.ones(len(a)), np.ones(len(b)), space)
    numbers, _ = _best_start(a, b, space, (np.zeros(COUNT), fitted(equations, guess, _EVERY).numbers))
    rest = _apart(a, b, numbers, space)
    # what stands in one of the two only, a performer say, is not the same thing twice
    kept = _same_things(rest)
    numbers, left = _best_start(a[kept], b[kept], space, (numbers,))
    numbers, free = _simplest(a[kept], b[kept], space, numbers, left)
    every = _apart(source.linear, target.linear, numbers, space)
    same = _same_things(every)
    weights = same.astype(np.float64)
    return ToneFit(numbers, free, weights, weights, False, same)


def fit_by_tones(source: Tones, target: Tones, space: Space) -> ToneFit:
    """The fit of stills of different things: every tone first, then those that both pictures have."""
    equal = np.ones(source.count), np.ones(target.count)
    third = slice(None, None, _THINNED)
    equations, start = quantile_fit(
        source.linear[third], target.linear[third], equal[0][third], equal[1][third], space
    )
    first = fitted(equations, start, _EVERY)
    starts = (first.numbers, np.zeros(COUNT))
    near = min((_assigned_fit(source, target, equal, space, start, *_NEAR) for start in starts), key=lambda one: one[3])
    found, weights, few = _assigned_fit(source, target, equal, space, near[0], *_FINE), equal, False
    now = np.clip(graded(source.linear, cdl_of(found[0]), space), 0.0, 1.0)
    some = shared(now, target.linear)
    least = min(float(w.mean()) for w in some)
    if least < _LEAST_SHARED:
        few = True
    elif least < _ALL_SHARED:
        weights = some
        found = _assigned_fit(source, target, weights, space, found[0], *_FINE)
    numbers, a, b, left = found
    numbers, free = _simplest(a, b, space, numbers, left)
    return ToneFit(numbers, free, *weights, few)


def doubt(source: Tones, target: Tones, fit: ToneFit, space: Space) -> tuple[float, float]:
    """(how far the match moves the tones, how far it may be off): mean dE*ab.

    The second is exceeded by 5 of 100 matches fitted to tiles drawn anew, with replacement, from each picture.
    """
    draw = np.random.default_rng(_SEED)
    some = source.linear[:: max(1, source.count // 1500)]

    def seen(numbers: Array) -> Array:
        light = graded(some, cdl_of(numbers), space)
        return np.asarray(colour.lab(np.clip(light, 0.0, 1.0)), dtype=np.float64)

    third = slice(None, None, _THINNED)
    own = (fit.source_weights[third], fit.target_weights[third])

    def equations(ours: Array, theirs: Array) -> Any:
        return quantile_fit(source.linear[third], target.linear[third], ours, theirs, space)[0]

    # quantiles answer a little differently than the assignment does: they are compared with themselves
    middle = seen(fitted(equations(*own), fit.numbers, fit.free).numbers)
    count = TILES[0] * TILES[1]
    apart = []
    for _ in range(_RESAMPLED):
        weights = []
        for tones, weight in ((source, own[0]), (target, own[1])):
            drawn = np.bincount(draw.integers(0, count, count), minlength=count)
            weights.append(weight * drawn[tones.tile[third]])
        again = fitted(equations(*weights), fit.numbers, fit.free, _RESAMPLED_ROUNDS)
        apart.append(float(colour.de76(seen(again.numbers), middle).mean()))
    change = float(colour.de76(seen(fit.numbers), colour.lab(np.clip(some, 0.0, 1.0))).mean())
    return change, float(np.quantile(apart, 0.95))


def _same_things(rest: Array) -> NDArray[np.bool_]:
    """Which places (N,) show the same thing in both stills, by what the fit leaves there (N,), dE00."""
    strange = rest > _STRANGE_DE
    return np.asarray(~strange if float(np.median(rest)) <= _FITS else np.ones(len(rest), dtype=bool))


def _best_start(source: Array, target: Array, space: Space, starts: tuple[Array, ...]) -> tuple[Array, float]:
    return min((pair_fit(source, target, space, start, _EVERY) for start in starts), key=lambda one: one[1])


def _apart(source: Array, target: Array, numbers: Array, space: Space) -> Array:
    shown = np.clip(graded(source, cdl_of(numbers), space), 0.0, 1.0)
    return np.asarray(colour.de00(colour.lab(shown), colour.lab(np.clip(target, 0.0, 1.0))))


def _draws(linear: Array, weights: Array, count: int) -> list[Array]:
    """``count`` draws of tones (400, 3), each evenly along the picture and each tone as often as its weight says."""
    rank = np.cumsum(weights) / weights.sum()
    many = _ASSIGNED * count
    at = np.searchsorted(rank, (np.arange(many) + 0.5) / many)
    picked = linear[np.minimum(at, len(linear) - 1)]
    return [picked[k::count] for k in range(count)]


def _even(linear: Array) -> Array:
    """(N, 3) coordinates in which equal steps look about alike: CIELAB with its chroma drawn in (integral of CIE94)."""
    lab = colour.lab(np.clip(linear, 0.0, 1.0))
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    drawn = np.log1p(_CHROMA * chroma) / (_CHROMA * np.maximum(chroma, 1e-9))
    return np.stack([lab[:, 0], lab[:, 1] * drawn, lab[:, 2] * drawn], axis=1)


def _assigned_fit(
    source: Tones, target: Tones, weights: tuple[Array, Array], space: Space, start: Array, count: int, rounds: int
) -> tuple[Array, Array, Array, float]:
    """(ten numbers, tones of the source, the target's tones that they are paired with, what is left, mean dE00)."""
    own = _draws(source.linear, weights[0], count)
    theirs = _draws(target.linear, weights[1], count)
    wanted = [_even(tones) for tones in theirs]
    every = np.concatenate(own)
    numbers, partner, left = start, np.concatenate(theirs), np.inf
    for turn in range(rounds):
        partners = []
        for tones, others, even in zip(own, theirs, wanted, strict=True):
            shown = _even(np.asarray(graded(tones, cdl_of(numbers), space)))
            _, taken = linear_sum_assignment(cdist(shown, even))
            partners.append(others[taken])
        before, partner = partner, np.concatenate(partners)
        numbers, left = pair_fit(every, partner, space, numbers, _EVERY, rounds=6)
        if turn and float((partner == before).all(axis=1).mean()) > _SETTLED:
            break
    return numbers, every, partner, left


def _simplest(
    source: Array, target: Array, space: Space, numbers: Array, left: float
) -> tuple[Array, NDArray[np.bool_]]:
    """The fewest kinds of move that leave no more than the full fit does, and which of the ten numbers they are."""
    free = _EVERY.copy()
    best = numbers
    # in the log space a gain is an offset, and the slope is a contrast
    for group in (POWER, SATURATION, OFFSET) if space == "linear" else (POWER, SATURATION, SLOPE):
        fewer = free.copy()
        fewer[group] = False
        trial, rest = pair_fit(source, target, space, best, fewer)
        # not where the other moves had to grow to make up for it
        if rest <= left + _WORTH and extent(trial) <= extent(best):
            best, free = trial, fewer
    return best, free

