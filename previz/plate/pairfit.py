"""A colour decision list fitted to colours that are known, or taken, to be the same thing in both pictures.

Least mean CIEDE2000: residuals are differences in CIELAB, measured by the ellipsoid of CIEDE2000 about the wanted
colour, and weighted anew in every round so that the sum of lengths becomes least and not the sum of squares (Weiszfeld,
*Tohoku Mathematical Journal* 43, 355-386, 1937, from memory); each round is a damped step (Levenberg 1944, see
``previz.plate.matchfit``). A picture is clipped to 0..1 as it is shown, here too.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.colour import Floats
from previz.geometry import Array
from previz.plate.cdl import Cdl
from previz.plate.matchfit import FARTHEST, USUAL, cdl_of, moved_light
from previz.plate.space import Space, graded, worked

# a difference (dE00) below which a pair pulls no harder: the sum of lengths has a corner at 0
_CORNER: Final = 0.25
# how hard what the pictures cannot tell is held at no change: dE00 of one pair in a thousand, a usual change away
_PULL: Final = 0.03
_STEP: Final = 0.05

# the steps for derivatives of CIELAB by light
_LAB_FROM_XYZ: Final[Array] = np.array([[0.0, 116.0, 0.0], [500.0, -500.0, 0.0], [0.0, 200.0, -200.0]])
_CUBE_FROM: Final = (6.0 / 29.0) ** 3


def metric(lab: Floats) -> Array:
    """(N, 3, 3) matrices that make small steps in CIELAB from ``lab`` (N, 3) as long as CIEDE2000 says they are.

    The ellipsoid (its rotation too) from second differences of the formula itself.
    """
    step = _STEP * np.eye(3)
    square = {k: colour.de00(lab, lab + step[k]) ** 2 / _STEP**2 for k in range(3)}
    form = np.zeros((len(lab), 3, 3))
    for i in range(3):
        form[:, i, i] = square[i]
        for j in range(i):
            both = colour.de00(lab, lab + step[i] + step[j]) ** 2 / _STEP**2
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
    pull = np.where(free, 1e-3 * (_PULL / USUAL) ** 2, 0.0)
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

