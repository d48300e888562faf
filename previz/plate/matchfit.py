"""The ten numbers of a colour decision list that bring one set of tones to another: iterated robust least squares.

Residuals are differences of matching quantiles (``previz.plate.tones``), or of patches known to be the same, in steps
of L*; weighted by Huber's function (Huber, *Annals of Mathematical Statistics* 35, 73-101, 1964) with the scale from
the median absolute residual; damped (Levenberg, *Quarterly of Applied Mathematics* 2, 164-168, 1944); pulled a little
towards no change, so that what the pictures cannot tell stays as it is.

Pairs of colours (:func:`pair_fit`) are brought to the least mean CIEDE2000: residuals are differences in CIELAB,
measured by the ellipsoid of CIEDE2000 about the wanted colour, and weighted anew in every round so that the sum of
lengths becomes least and not the sum of squares (Weiszfeld, *Tohoku Mathematical Journal* 43, 355-386, 1937, from
memory). A picture is clipped to 0..1 as it is shown, there too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.colour import LUMINANCE_WEIGHTS, Floats
from previz.geometry import Array
from previz.plate.cdl import Cdl
from previz.plate.space import RGB_FROM_AP1, Space, graded, linear_of, linear_slope_of, worked
from previz.plate.tones import WAYS, bins, lightness, lightness_slope

# log slope (3), offset (3), log power (3), log saturation
COUNT: Final = 10
SLOPE, OFFSET, POWER, SATURATION = slice(0, 3), slice(3, 6), slice(6, 9), slice(9, 10)

# the change of each number that weighs as much as one quantile being wrong by _PULL steps of L*
USUAL: Final = np.array([1.0] * 3 + [0.1] * 3 + [0.5] * 3 + [0.5])
_PULL: Final = 1.0
FARTHEST: Final = np.array([np.log(16.0)] * 3 + [1.0] * 3 + [np.log(8.0)] * 3 + [np.log(4.0)])

# 95 % as good as least squares where errors are normal (Huber 1981, from memory)
_HUBER: Final = 1.345
_LEAST_SCALE: Final = 0.2

# from this lightness up (8-bit sRGB code 254.5) a value may have been anything
_FULL_LIGHTNESS: Final = 99.8

# a difference (dE00) below which a pair pulls no harder: the sum of lengths has a corner at 0
_CORNER: Final = 0.25
# how hard what the pictures cannot tell is held at no change: dE00 of one pair in a thousand, a usual change away
_PAIR_PULL: Final = 0.03
_METRIC_STEP: Final = 0.05

# the steps for derivatives of CIELAB by light
_LAB_FROM_XYZ: Final[Array] = np.array([[0.0, 116.0, 0.0], [500.0, -500.0, 0.0], [0.0, 200.0, -200.0]])
_CUBE_FROM: Final = (6.0 / 29.0) ** 3

Residuals = tuple[Array, Array]
Fit = Callable[[Array], Residuals]


def cdl_of(numbers: Array) -> Cdl:
    """The decision list of ten fitted numbers."""
    r, g, b, *rest = (float(value) for value in (*np.exp(numbers[SLOPE]), *numbers[OFFSET], *np.exp(numbers[POWER])))
    return Cdl((r, g, b), (rest[0], rest[1], rest[2]), (rest[3], rest[4], rest[5]), float(np.exp(numbers[9])))


def extent(numbers: Array) -> float:
    """How much ten numbers change, each against the change that is usual for its kind."""
    return float(np.linalg.norm(numbers / USUAL))


def moved_light(values: Floats, numbers: Array, space: Space) -> tuple[Array, Array]:
    """Linear light (N, 3) of working values (N, 3) after the match, and its derivatives (N, 3, 10) by the numbers.

    Not clipped to 0..1 where the space goes beyond.
    """
    slope, power, saturation = np.exp(numbers[SLOPE]), np.exp(numbers[POWER]), float(np.exp(numbers[9]))
    sum_ = values * slope + numbers[OFFSET]
    inside = (sum_ > 1e-9) & (sum_ < 1.0)
    base = np.clip(sum_, 1e-9, 1.0)
    v = np.where(sum_ > 0.0, base**power, 0.0)
    rate = np.where(inside, power * v / base, 0.0)
    own = np.stack([rate * values * slope, rate, power * v * np.log(base)], axis=-1)  # (N, 3, slope offset power)
    luma = (v @ LUMINANCE_WEIGHTS)[:, None]
    out = luma + saturation * (v - luma)
    jacobian = np.zeros((len(values), 3, COUNT))
    for channel in range(3):
        through_luma = (1.0 - saturation) * LUMINANCE_WEIGHTS[channel] * own[:, channel]
        jacobian[:, :, channel:9:3] = through_luma[:, None, :]
        jacobian[:, channel, channel:9:3] += saturation * own[:, channel]
    jacobian[:, :, 9] = saturation * (v - luma)
    unclipped = (out > 0.0) & (out < 1.0)
    out = np.clip(out, 0.0, 1.0)
    jacobian *= unclipped[:, :, None]
    if space == "linear":
        return out, jacobian
    jacobian *= linear_slope_of(out)[:, :, None]
    light: Array = np.asarray(linear_of(out) @ RGB_FROM_AP1.T, dtype=np.float64)
    return light, np.einsum("ck,nkp->ncp", RGB_FROM_AP1, jacobian)


def moved(values: Floats, numbers: Array, space: Space) -> tuple[Array, Array]:
    """Lightness (N, 3) of working values (N, 3) after the match, and its derivatives (N, 3, 10) by the numbers."""
    light, jacobian = moved_light(values, numbers, space)
    return lightness(light), jacobian * lightness_slope(light)[:, :, None]


def quantile_fit(
    source: Array, target: Array, source_weights: Array, target_weights: Array, space: Space
) -> tuple[Fit, Array]:
    """Residuals of matching quantiles of linear tones ``source`` (N, 3) and ``target`` (M, 3) as a function of the ten
    numbers; and a first guess: the slopes that bring the middle of each channel (the neutral of a wall) together."""
    values = worked(source, space)
    seen = lightness(target) @ WAYS.T
    wanted = np.stack([bins(seen[:, k], target_weights)[0] for k in range(len(WAYS))])
    # quantiles at the clip tell nothing; only channels can clip
    open_ended = np.ones_like(wanted)
    open_ended[:3] = wanted[:3] < _FULL_LIGHTNESS

    def residuals(numbers: Array) -> Residuals:
        light, jacobian = moved(values, numbers, space)
        rows, slopes = [], []
        for k, way in enumerate(WAYS):
            got, by = bins(light @ way, source_weights, np.tensordot(jacobian, way, axes=(1, 0)))
            rows.append((got - wanted[k]) * open_ended[k])
            slopes.append(by * open_ended[k][:, None])
        return np.concatenate(rows), np.concatenate(slopes)

    middles = [
        np.array([bins(worked(t, space)[:, c], w)[0][16:32].mean() for c in range(3)])
        for t, w in ((source, source_weights), (target, target_weights))
    ]
    guess = np.zeros(COUNT)
    if space == "linear":
        guess[SLOPE] = np.log(np.maximum(middles[1], 1e-4) / np.maximum(middles[0], 1e-4))
    else:
        guess[OFFSET] = middles[1] - middles[0]
    return residuals, np.clip(guess, -FARTHEST, FARTHEST)


def patch_fit(source: Array, target: Array, space: Space) -> Fit:
    """Residuals of patches (N, 3), linear light, that show the same thing in both pictures."""
    values = worked(source, space)
    wanted = lightness(target) @ WAYS.T

    def residuals(numbers: Array) -> Residuals:
        light, jacobian = moved(values, numbers, space)
        rows = light @ WAYS.T - wanted
        return rows.ravel(), np.einsum("wc,ncp->nwp", WAYS, jacobian).reshape(-1, COUNT)

    return residuals


@dataclass(frozen=True)
class Fitted:
    """``numbers`` (10,), and ``misfit``: the mean absolute residual, steps of L*."""

    numbers: Array
    misfit: float


def _huber(residuals: Array) -> tuple[Array, float]:
    scale = max(1.4826 * float(np.median(np.abs(residuals))), _LEAST_SCALE)
    limit = _HUBER * scale
    return np.minimum(1.0, limit / np.maximum(np.abs(residuals), 1e-12)), limit


def _cost(residuals: Array, limit: float, numbers: Array) -> float:
    size = np.abs(residuals)
    robust = np.where(size <= limit, 0.5 * size**2, limit * (size - 0.5 * limit))
    return float(robust.sum() + 0.5 * ((_PULL * numbers / USUAL) ** 2).sum())


def fitted(fit: Fit, start: Array, free: NDArray[np.bool_], rounds: int = 25) -> Fitted:
    """The numbers (10,) that make the residuals small, from ``start``; those not ``free`` (10,) stay at no change."""
    numbers = np.where(free, start, 0.0)
    damping = 1e-3
    residuals, jacobian = fit(numbers)
    for _ in range(rounds):
        weights, limit = _huber(residuals)
        j = jacobian[:, free]
        pull = (_PULL / USUAL[free]) ** 2
        normal = j.T @ (j * weights[:, None]) + np.diag(pull)
        downhill = -(j.T @ (weights * residuals) + pull * numbers[free])
        cost = _cost(residuals, limit, numbers)
        gained, change = 0.0, np.zeros(COUNT)
        for _ in range(8):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), downhill)
            trial = numbers.copy()
            trial[free] += step
            trial = np.clip(trial, -FARTHEST, FARTHEST)
            trial_residuals, trial_jacobian = fit(trial)
            gained = cost - _cost(trial_residuals, limit, trial)
            if gained > 0.0:
                change = trial - numbers
                numbers, residuals, jacobian = trial, trial_residuals, trial_jacobian
                damping = max(damping / 5.0, 1e-9)
                break
            damping *= 8.0
        if gained <= 1e-7 * cost or float(np.abs(change / USUAL).max()) < 1e-6:
            break
    return Fitted(numbers, float(np.abs(residuals).mean()))


def metric(lab: Floats) -> Array:
    """(N, 3, 3) matrices that make small steps in CIELAB from ``lab`` (N, 3) as long as CIEDE2000 says they are.

    The ellipsoid (its rotation too) from second differences of the formula itself.
    """
    step = _METRIC_STEP * np.eye(3)
    square = {k: colour.de00(lab, lab + step[k]) ** 2 / _METRIC_STEP**2 for k in range(3)}
    form = np.zeros((len(lab), 3, 3))
    for i in range(3):
        form[:, i, i] = square[i]
        for j in range(i):
            both = colour.de00(lab, lab + step[i] + step[j]) ** 2 / _METRIC_STEP**2
            form[:, i, j] = form[:, j, i] = 0.5 * (both - square[i] - square[j])
    values, vectors = np.linalg.eigh(form)
    return np.asarray(np.sqrt(np.maximum(values, 1e-6))[:, :, None] * np.swapaxes(vectors, 1, 2))


def lab_slope(light: Array) -> Array:
    """Derivatives (N, 3, 3) of CIELAB by linear light (N, 3)."""
    t = light @ colour.XYZ_FROM_RGB.T / colour.WHITE_XYZ
    root = np.cbrt(np.maximum(t, _CUBE_FROM))
    rate = np.where(t > _CUBE_FROM, 1.0 / (3.0 * root**2), (29.0 / 6.0) ** 2 / 3.0)
    by_xyz = rate[:, :, None] * (colour.XYZ_FROM_RGB / colour.WHITE_XYZ[:, None])[None]
    return np.asarray(np.einsum("kx,nxc->nkc", _LAB_FROM_XYZ, by_xyz))


def mean_de00(source: Array, target: Array, cdl: Cdl, space: Space, weights: Array | None = None) -> float:
    """Mean CIEDE2000, weighted, of ``source`` (N, 3) after ``cdl`` against ``target`` (N, 3), linear light."""
    shown = np.clip(graded(source, cdl, space), 0.0, 1.0)
    apart = colour.de00(colour.lab(shown), colour.lab(np.clip(target, 0.0, 1.0)))
    return float(np.average(apart, weights=weights))


def pair_fit(
    source: Array,
    target: Array,
    space: Space,
    start: Array,
    free: NDArray[np.bool_],
    weights: Array | None = None,
    rounds: int = 40,
) -> tuple[Array, float]:
    """The ten numbers (10,) of least mean CIEDE2000 between pairs (N, 3) of linear light, and that mean.

    From ``start`` (10,); numbers that are not ``free`` stay at no change. ``weights`` (N,) are not negative.
    """
    values = worked(source, space)
    wanted = colour.lab(np.clip(target, 0.0, 1.0))
    to_de = metric(wanted)
    share = np.full(len(source), 1.0 / len(source)) if weights is None else weights / weights.sum()
    pull = np.where(free, 1e-3 * (_PAIR_PULL / USUAL) ** 2, 0.0)
    numbers = np.where(free, start, 0.0)

    def seen(trial: Array) -> tuple[Array, Array, float]:
        light, jacobian = moved_light(values, trial, space)
        shown = np.clip(light, 0.0, 1.0)
        rows = np.einsum("nkl,nl->nk", to_de, colour.lab(shown) - wanted)
        slope = np.einsum("nkl,nlc->nkc", to_de, lab_slope(shown))
        # what is clipped does not move
        slope = slope * ((light > 0.0) & (light < 1.0))[:, None, :]
        length = np.linalg.norm(rows, axis=1)
        cost = float(share @ np.sqrt(length**2 + _CORNER**2)) + 0.5 * float(pull @ trial**2)
        return rows, np.einsum("nkc,ncp->nkp", slope, jacobian), cost

    damping = 1e-3
    rows, jacobian, cost = seen(numbers)
    for _ in range(rounds):
        weight = share / np.sqrt((rows**2).sum(axis=1) + _CORNER**2)
        j = jacobian[:, :, free]
        normal = np.einsum("nkp,nkq->pq", j * weight[:, None, None], j) + np.diag(pull[free])
        downhill = -(np.einsum("nkp,nk->p", j, rows * weight[:, None]) + pull[free] * numbers[free])
        gained = 0.0
        for _ in range(8):
            scale = np.diag(normal) + 1e-9 * (np.trace(normal) + 1e-12)
            step = np.linalg.solve(normal + damping * np.diag(scale), downhill)
            trial = numbers.copy()
            trial[free] += step
            trial = np.clip(trial, -FARTHEST, FARTHEST)
            there = seen(trial)
            gained = cost - there[2]
            if gained > 0.0:
                numbers, (rows, jacobian, cost) = trial, there
                damping = max(damping / 5.0, 1e-9)
                break
            damping *= 8.0
        if gained <= 1e-6 * cost:
            break
    return numbers, mean_de00(source, target, cdl_of(numbers), space, share)

