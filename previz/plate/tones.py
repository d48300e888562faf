"""What two pictures of different things can be compared by: their tones, sorted, and how far apart those are.

A tone is a colour of the picture after noise is averaged away. Two pictures are compared by the values at equal ranks
(quantiles) of every channel and channel difference, never by place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.stats import rankdata

from previz import colour
from previz.colour import Floats
from previz.geometry import Array

# the darkest and lightest 2 % are left out: sparks, holes and dead pixels are not the look of a picture
EDGES: Final[Array] = np.linspace(0.02, 0.98, 49)

# The ways of looking at a colour in which quantiles must agree: each channel, the sum, and the three differences, on
# the lightness that a grey of the channel's value has. A unit is then about one step of L*; differences of channels
# move a* and b* about twice as far as themselves (from the CIELAB matrices).
WAYS: Final[Array] = np.array(
    [[1, 0, 0], [0, 1, 0], [0, 0, 1], [1 / 3, 1 / 3, 1 / 3], [2, -2, 0], [2, 0, -2], [0, -2, 2]], dtype=np.float64
)

# tiles across and down, the unit that resampling draws (neighbouring pixels are not independent)
TILES: Final = (6, 4)

# CIE 15:2004: where the cube root begins
_CUBE_FROM: Final = (6.0 / 29.0) ** 3

_AVERAGED_TO: Final = 240
_MOST_AVERAGED: Final = 8
_ABOUT_SAMPLES: Final = 6_000
_FULL: Final = float(colour.decoded(254.5 / 255.0))


def lightness(linear: Floats) -> Array:
    """L* that a grey of each value has (CIE 15:2004, section 8.2.1), any shape, not clipped above 1."""
    root = np.cbrt(np.maximum(linear, _CUBE_FROM))
    return np.asarray(np.where(linear > _CUBE_FROM, 116.0 * root - 16.0, linear * (29.0**3 / 27.0)))


def lightness_slope(linear: Floats) -> Array:
    """Derivative of :func:`lightness`."""
    root = np.cbrt(np.maximum(linear, _CUBE_FROM))
    return np.asarray(np.where(linear > _CUBE_FROM, 116.0 / (3.0 * root**2), 29.0**3 / 27.0))


@dataclass(frozen=True)
class Tones:
    """Tones of one picture: ``linear`` (N, 3) float64 light, ``tile`` (N,) number of the tile each comes from."""

    linear: Array
    tile: NDArray[np.int64]

    @property
    def count(self) -> int:
        return len(self.linear)


def tones_of(picture: Floats, most: int = _MOST_AVERAGED) -> Tones:
    """Some thousand tones, evenly spread, of a linear picture (H, W, 3).

    Averaged over squares of up to 8 pixels (for pictures of 1920 and more across), so that sensor noise counts little;
    of up to ``most`` where that is less.
    """
    h, w = picture.shape[:2]
    side = min(most, max(1, round(max(h, w) / _AVERAGED_TO)), h, w)
    rows, columns = h // side, w // side
    cut = picture[: rows * side, : columns * side].reshape(rows, side, columns, side, 3)
    small = cut.mean(axis=(1, 3), dtype=np.float64)
    step = max(1, math.ceil(math.sqrt(rows * columns / _ABOUT_SAMPLES)))
    start = (step - 1) // 2
    row, column = np.meshgrid(np.arange(start, rows, step), np.arange(start, columns, step), indexing="ij")
    tile = (row * TILES[1] // rows) * TILES[0] + column * TILES[0] // columns
    return Tones(small[row.ravel(), column.ravel()], tile.ravel().astype(np.int64))


# rank correlation of the steps between neighbouring tones from which two stills show the same view; of different
# things it is about 0 (judgement, no source)
_SAME_VIEW: Final = 0.5
_SMALL: Final = 160


def same_view(a: Floats, b: Floats) -> bool:
    """Whether two pictures (H, W, 3), linear light, show the same things at the same places, whatever their colours.

    Told by the steps from each place to the next, in rank (Spearman): a match changes their size, not their order.
    """
    if a.shape != b.shape:
        return False
    side = max(1, round(max(a.shape[:2]) / _SMALL))
    rows, columns = a.shape[0] // side, a.shape[1] // side
    if min(rows, columns) < 8:
        return False
    small = [
        lightness(p[: rows * side, : columns * side].reshape(rows, side, columns, side, 3).mean(axis=(1, 3, 4)))
        for p in (a, b)
    ]
    steps = [np.concatenate([np.diff(s, axis=0).ravel(), np.diff(s, axis=1).ravel()]) for s in small]
    ranks = [rankdata(s) for s in steps]
    if min(float(np.ptp(r)) for r in ranks) == 0.0:
        return False
    return bool(np.corrcoef(ranks[0], ranks[1])[0, 1] > _SAME_VIEW)


def bins(values: Floats, weights: Array, carried: Array | None = None) -> tuple[Array, Array]:
    """Means of ``values`` (N,) between the ranks of ``EDGES``: (48,); and of ``carried`` (N, P) likewise: (48, P).

    ``weights`` (N,) are not negative and not all 0. The mean of ``carried`` in the bins of ``values`` is the exact
    derivative of the bin's mean when ``carried`` is the derivative of each value (the order does not change then).
    """
    order = np.argsort(values, kind="stable")
    share = weights[order]
    rank = np.concatenate([[0.0], np.cumsum(share)])
    edges = EDGES * rank[-1]
    rows = np.empty((len(values), 1 + (0 if carried is None else carried.shape[1])))
    rows[:, 0] = values[order]
    if carried is not None:
        np.take(carried, order, axis=0, out=rows[:, 1:])
    rows *= share[:, None]
    place = np.clip(np.searchsorted(rank, edges, side="right") - 1, 0, len(share) - 1)
    whole = np.add.reduceat(rows, place, axis=0)[:-1]
    whole[place[:-1] == place[1:]] = 0.0
    # an edge between two samples takes its share of the one it falls on
    width = np.maximum(rank[place + 1] - rank[place], 1e-300)
    part = np.clip((edges - rank[place]) / width, 0.0, 1.0)[:, None] * rows[place]
    means = (whole - part[:-1] + part[1:]) / np.diff(edges)[:, None]
    return means[:, 0], means[:, 1:]


def ramp(linear: Floats, weights: Array) -> Array:
    """The picture as a ramp (48, 3): the means of each channel between equal ranks, dark to light, linear light."""
    return np.stack([bins(linear[:, c], weights)[0] for c in range(3)], axis=-1)


def chroma_spread(linear: Floats, weights: Array) -> float:
    """How colourful: mean distance, in a*b*, of the tones from their own mean colour; deaf to a cast."""
    lab = colour.lab(np.clip(linear, 0.0, 1.0))[:, 1:]
    mean = np.average(lab, axis=0, weights=weights)
    return float(np.average(np.hypot(*(lab - mean).T), weights=weights))


@dataclass(frozen=True)
class Difference:
    """How far apart two pictures' looks are.

    ``mean_de00``, ``worst_de00``: CIEDE2000 between colours at equal ranks (:func:`ramp`); ``means_de00`` between the
    mean colours; ``mean_de76``: as the first, in dE*ab. ``spread``: how much more colourful the miniature is than the
    plate, in a*b* units (:func:`chroma_spread`).
    """

    mean_de00: float
    worst_de00: float
    means_de00: float
    mean_de76: float
    spread: float

    def below(self, jnd_de76: float) -> bool:
        """Whether nobody would tell: the ramps and the colourfulness within ``jnd_de76``, the means within 1 dE00."""
        return (
            self.mean_de76 < jnd_de76 and self.means_de00 < colour.JND_DE00 and abs(self.spread) < jnd_de76
        )


def difference(miniature: Floats, plate: Floats, miniature_weights: Array, plate_weights: Array) -> Difference:
    """Difference of two sets of tones (N, 3) and (M, 3), linear light; with weights (N,) and (M,)."""
    ramps = [ramp(miniature, miniature_weights), ramp(plate, plate_weights)]
    spread = chroma_spread(miniature, miniature_weights) - chroma_spread(plate, plate_weights)
    return _of_pairs(ramps[0], ramps[1], spread)


def pair_difference(miniature: Floats, plate: Floats) -> Difference:
    """Difference of colours (N, 3) that are known to be the same thing in both pictures."""
    equal = np.ones(len(miniature))
    return _of_pairs(miniature, plate, chroma_spread(miniature, equal) - chroma_spread(plate, equal))


def _of_pairs(a: Floats, b: Floats, spread: float) -> Difference:
    labs = [colour.lab(np.clip(values, 0.0, 1.0)) for values in (a, b)]
    means = [colour.lab(np.clip(values.mean(axis=0), 0.0, 1.0)) for values in (a, b)]
    de = colour.de00(labs[0], labs[1])
    return Difference(
        float(de.mean()),
        float(de.max()),
        float(colour.de00(means[0], means[1])),
        float(colour.de76(labs[0], labs[1]).mean()),
        spread,
    )


# side of a cell of colour, L* steps, and the softening of the counts, cells
_CELL: Final = 5.0
_SOFT: Final = 1.2
_CELLS: Final = 28
# a colour counts fully where the other picture has at least this share of it
_ENOUGH: Final = 0.5


def shared(a: Floats, b: Floats) -> tuple[Array, Array]:
    """Weights (N,), (M,), 0 to 1, of tones ``a`` (N, 3) and ``b`` (M, 3): 0 where the other picture has no such colour.

    A figure that stands in one picture only is left out so. Linear light, already matched as well as is known.
    """
    places = [np.clip(np.floor(lightness(v) / _CELL).astype(np.int64) + 2, 0, _CELLS - 1) for v in (a, b)]
    flat = [(p[:, 0] * _CELLS + p[:, 1]) * _CELLS + p[:, 2] for p in places]
    counts = [np.bincount(f, minlength=_CELLS**3).reshape((_CELLS,) * 3) / len(f) for f in flat]
    dense = [gaussian_filter(count, _SOFT, mode="constant").ravel() for count in counts]
    ratios = [dense[1][flat[0]] / dense[0][flat[0]], dense[0][flat[1]] / dense[1][flat[1]]]
    return np.minimum(ratios[0] / _ENOUGH, 1.0), np.minimum(ratios[1] / _ENOUGH, 1.0)


def clipped(linear: Floats) -> NDArray[np.bool_]:
    """Whether each pixel (..., 3) has a channel at or beyond black or the delivered white (8-bit codes 0 and 255)."""
    return np.asarray(((linear >= _FULL) | (linear <= 0.0)).any(axis=-1))
