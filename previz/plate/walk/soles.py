"""The feet of a walking performer, found in the figure's pictures: where their soles are, and when they are down.

A foot reaches lower than what is beside it: it is a peak, downwards, of the figure's lower outline, wider than a staff.
From picture to picture the two feet are followed by where they are and how they move. A foot is down while it goes with
the ground. In a plate whose camera stands the ground stands; in a cut-out that keeps the performer in one place it
slides back under them, steadily. Either way a walker's feet are down for some 60 % of the time (gait studies; textbook
value, from memory), so that the median of both feet's velocities is the ground's.

Pictures: x right, y down, pixel centres at .5.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from previz.geometry import Array
from previz.plate.cutout import opaque_box
from previz.workshop.surface import Pixels8

# of a figure's height (judgement, no source): how high above the lowest sole another foot is looked for, how much lower
# than what is beside it a foot reaches, how thin a staff is, and how much of a foot is its sole
_LEGS = 0.25
_STANDS_OUT = 0.012
_STAFF = 0.03
_SOLE = 0.012

# a foot that moves past the ground by less goes with it: of the height a picture, and of the swing's own speed
_STILL = 0.004
_SWING_SHARE = 0.12

# ground speed is the median over so many seconds, two steps of a walk; a foot that goes with the ground for less time
# is swinging: as it is lifted and comes forward it does so for a moment
_WINDOW_S = 1.2
_SHORTEST_S = 0.2


def soles_of(cutout: Pixels8) -> Array:
    """Soles (K, 2) px of a cut-out (h, w, 4), K 0 to 2, from left to right: the middle of each one's lowest edge.

    Rows to a fraction of a pixel by the alpha that covers them. Raises as :func:`opaque_box` does.
    """
    left, top, right, bottom = opaque_box(cutout)
    height = bottom - top
    first = max(bottom - round(_LEGS * height), top)
    # one row below and a column beside, for edges that are half covered
    part = cutout[first : bottom + 1, max(left - 1, 0) : right + 1, 3]
    alpha = np.pad(part.astype(np.float64) / 255.0, ((0, 2), (1, 1)))
    left = max(left - 1, 0) - 1
    solid = alpha >= 0.5
    rows = np.arange(len(alpha))[:, None]
    lowest = np.where(solid.any(axis=0), np.where(solid, rows, -1).max(axis=0), -1)
    staff = max(round(_STAFF * height), 1)
    # what is thinner than a staff is taken off the outline
    outline = ndimage.grey_opening(lowest, size=staff)
    peaks, _ = signal.find_peaks(outline, prominence=max(_STANDS_OUT * height, 1.0), plateau_size=1)
    deepest = sorted(peaks, key=lambda at: (-outline[at], at))[:2]
    reach = max(_SOLE * height, 1.0)
    found = []
    for peak in sorted(deepest):
        near = (outline >= outline[peak] - reach) & (outline >= 0)
        begin, end = peak, peak
        while near[begin - 1]:
            begin -= 1
        while near[end + 1]:
            end += 1
        # a column more on both sides is half covered
        wide = slice(begin - 1, end + 2)
        low = int(outline[peak])
        covered = alpha[max(low - round(reach), 0) : low + 2, wide]
        across = covered.sum(axis=0)
        # below the sole's solid row only its own soft edge is left
        edge = alpha[low : low + 2, begin : end + 1].sum(axis=0)
        touching = np.flatnonzero(outline[begin : end + 1] >= low)
        x = left + begin - 1 + float((across * (np.arange(len(across)) + 0.5)).sum() / across.sum())
        found.append((x, first + low + float(np.median(edge[touching]))))
    return np.array(found, dtype=np.float64).reshape(-1, 2)


def followed(soles: Iterable[Array], height: float) -> Array:
    """Places (N, 2, 2) px of the left and the right foot in N pictures; NaN where a foot is not seen apart.

    ``soles`` are each picture's (:func:`soles_of`), ``height`` px the figure's. Left and right are the picture's, as
    the feet are when they are first seen apart.
    """
    every = list(soles)
    out = np.full((len(every), 2, 2), np.nan)
    last, speed = np.full((2, 2), np.nan), np.zeros((2, 2))
    seen = np.full(2, -1)
    for i, found in enumerate(every):
        if len(found) == 0:
            continue
        if np.isnan(last).any():
            if len(found) == 2:
                chosen = {0: 0, 1: 1}
            else:
                continue
        else:
            expected = last + speed * np.minimum(i - seen, 2)[:, None]
            away = np.linalg.norm(expected[:, None] - found[None], axis=2)
            if len(found) == 2:
                chosen = {0: 0, 1: 1} if away[0, 0] + away[1, 1] <= away[0, 1] + away[1, 0] else {0: 1, 1: 0}
            else:
                nearest = int(away[:, 0].argmin())
                chosen = {nearest: 0} if away[nearest, 0] <= 0.25 * height else {}
        for foot, which in chosen.items():
            place = found[which]
            if seen[foot] == i - 1 and i > 0:
                speed[foot] = place - last[foot]
            else:
                speed[foot] = 0.0
            out[i, foot], last[foot], seen[foot] = place, place, i
    return out


def downs(places: Array, height: float, rate: float) -> NDArray[np.bool_]:
    """Whether (N, 2) the left and the right foot are down, from their ``places`` (N, 2, 2) px in N delivered frames.

    ``height`` px is the figure's, ``rate`` the frames a second.
    """
    count = len(places)
    if count < 2:
        return np.asarray(np.isfinite(places).all(axis=2))
    steps = np.diff(places, axis=0)
    half = max(round(0.5 * _WINDOW_S * rate), 1)
    ground = np.zeros((count - 1, 2))
    for i in range(count - 1):
        around = steps[max(i - half, 0) : i + half + 1].reshape(-1, 2)
        known = around[np.isfinite(around).all(axis=1)]
        ground[i] = np.median(known, axis=0) if len(known) else np.nan
    past = np.linalg.norm(steps - ground[:, None], axis=2)
    known = past[np.isfinite(past)]
    swing = float(np.quantile(known, 0.9)) if len(known) else 0.0
    with np.errstate(invalid="ignore"):
        still = past <= max(_STILL * height * 25.0 / rate, _SWING_SHARE * swing)
    out = np.zeros((count, 2), dtype=bool)
    out[:-1] |= still
    out[1:] |= still
    shortest = max(round(_SHORTEST_S * rate), 2)
    for foot in range(2):
        for begin, end in runs(out[:, foot]):
            if end - begin + 1 < shortest:
                out[begin : end + 1, foot] = False
    return out


def runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of every stretch of true ``flags`` (N,)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in edges.reshape(-1, 2)]
