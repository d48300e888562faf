"""A palette of few colours, and which of them goes where under a brush."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.geometry import Array
from previz.paint.brush import Strokes, Windows, strokes_of
from previz.paint.strokes import Labels, Mask, charts
from previz.workshop.compiled import compiled
from previz.workshop.surface import Picture, Pixels8

Floats = NDArray[Any]

# CIELAB steps to which colours are gathered before clustering: well below what an eye tells apart
_BIN: Final = 0.8
_ROUNDS: Final = 40
# how strongly the weight of a colour counts where clusters form: a rare colour (a rust streak) a little more than its
# share. With 0.8 local means came out 0.05 nearer on two of three demonstration walls than with 1, with 0.6 farther.
_COMMONNESS: Final = 0.8


@dataclass(frozen=True, eq=False)
class Palette:
    """K paints, darkest first: paint ``i + 1`` is row i.

    ``codes`` (K, 3) uint8 sRGB; ``lab`` (K, 3) float64 CIELAB and ``reflectance`` (K, 3) float64 linear Rec.709 of
    exactly these codes, so that what is printed, listed and judged is one colour.
    """

    codes: Pixels8
    lab: Array
    reflectance: Array

    def __len__(self) -> int:
        return len(self.codes)


def palette(reflectance: Array) -> Palette:
    """The palette of some colours (N, 3), linear light: rounded to 8 bits, equal ones once, sorted by lightness."""
    codes = np.unique(colour.encoded8(np.asarray(reflectance, dtype=np.float64)).reshape(-1, 3), axis=0)
    linear = np.asarray(colour.decoded(codes / 255.0), dtype=np.float64)
    lab = np.asarray(colour.lab(linear), dtype=np.float64)
    order = np.lexsort((lab[:, 2], lab[:, 1], lab[:, 0]))
    return Palette(codes[order], lab[order], linear[order])


def in_order(reflectance: Array) -> tuple[Palette, NDArray[np.intp]]:
    """The palette of some colours (N, 3), linear light, and which of its rows (N,) each of them is."""
    paints = palette(reflectance)
    codes = colour.encoded8(np.asarray(reflectance, dtype=np.float64)).reshape(-1, 3)
    same = (codes[:, None] == paints.codes[None]).all(axis=-1)
    return paints, np.asarray(same.argmax(axis=1))


def palette_of(reflectance: Picture, weight: NDArray[np.float32], count: int, seed: int = 0) -> Palette:
    """At most ``count`` paints that come nearest to a picture (H, W, 3), linear light, weighted by ``weight`` (H, W).

    Weighted k-means in CIELAB (Lloyd, *IEEE Trans. Information Theory* 28, 129-137, 1982, started by the rule of
    Arthur and Vassilvitskii, SODA 2007, drawn by ``seed``; both from memory). Each paint is the mean of its share in
    linear light: that is how light mixes at a distance; one paint is the weighted mean of the picture. Raises
    ``ValueError`` for ``count`` < 1, negative weights or no weight at all.
    """
    w = np.asarray(weight, dtype=np.float64).reshape(-1)
    if count < 1:
        raise ValueError(f"a palette needs at least one colour, not {count}")
    if (w < 0.0).any() or not w.any():
        raise ValueError("weights must not be negative and some must be above 0")
    counted = w > 0.0
    linear = np.asarray(reflectance, dtype=np.float32).reshape(-1, 3)[counted]
    w = w[counted]
    lab, linear_mean, w = _gathered(linear, w)
    pull = w**_COMMONNESS
    centre = _started(lab, pull, count, np.random.default_rng(seed))
    for _ in range(_ROUNDS):
        nearest = _nearest_of(lab, centre)
        share = np.bincount(nearest, weights=pull, minlength=len(centre))
        held = share > 0.0
        moved = _means(lab, pull, nearest, share)[held]
        settled = len(moved) == len(centre) and bool(np.abs(moved - centre).max() < 1e-3)
        centre = moved
        if settled:
            break
    nearest = _nearest_of(lab, centre)
    share = np.bincount(nearest, weights=w, minlength=len(centre))
    return palette(_means(linear_mean, w, nearest, share)[share > 0.0])


def _gathered(linear: Picture, weight: Floats) -> tuple[Array, Array, Array]:
    """Colours that fall into one CIELAB bin as one: CIELAB (M, 3), mean linear light (M, 3), weight (M,)."""
    lab = colour.lab(linear)
    cell = np.floor(lab / np.float32(_BIN)).astype(np.int64)
    cell -= cell.min(axis=0)
    span = cell.max(axis=0) + 1
    _, key = np.unique((cell[:, 0] * span[1] + cell[:, 1]) * span[2] + cell[:, 2], return_inverse=True)
    key = key.reshape(-1)
    total = np.asarray(np.bincount(key, weights=weight), dtype=np.float64)
    return _means(lab, weight, key, total), _means(linear, weight, key, total), total


def _means(values: NDArray[Any], weight: Floats, key: NDArray[np.intp], total: Floats) -> Array:
    sums = [np.bincount(key, weights=weight * values[:, c], minlength=len(total)) for c in range(3)]
    return np.asarray(np.stack(sums, axis=1) / np.maximum(total, 1e-300)[:, None])


def _nearest_of(lab: Floats, centre: Floats) -> NDArray[np.intp]:
    return np.asarray((((lab[:, None, :] - centre[None]) ** 2).sum(axis=2)).argmin(axis=1))


def _started(lab: Array, weight: Array, count: int, random: np.random.Generator) -> Array:
    """Starting centres, each drawn with a chance that goes with weight and squared distance to those before it."""

    def drawn(chance: Array) -> Array:
        total = np.cumsum(chance)
        place = int(np.searchsorted(total, random.random() * total[-1], side="right"))
        return np.asarray(lab[min(place, len(lab) - 1)])

    chosen = [drawn(weight)]
    far = ((lab - chosen[0]) ** 2).sum(axis=1)
    while len(chosen) < count and far.max() > 0.0:
        chosen.append(drawn(weight * far))
        far = np.minimum(far, ((lab - chosen[-1]) ** 2).sum(axis=1))
    return np.stack(chosen)


# how much a stroke's own colour weighs against the local mean
_LOYALTY: Final = 0.1
# a stroke larger than this, brush diameters across, has no one local mean: it keeps the paint nearest to its own
_LARGEST: Final = 6.0


def labelled(
    reflectance: Picture,
    wanted: Mask,
    paints: Palette,
    brush_texels: float,
    owner: NDArray[Any] | None = None,
) -> NDArray[np.int16]:
    """The number (H, W) of the paint that each texel gets, 1 the darkest, 0 where ``wanted`` (H, W) is not set.

    ``reflectance`` (H, W, 3) linear light is what the paint should look like from where single strokes are not seen:
    same local mean, same grain. It is laid in strokes first (paint/brush.py); each stroke then gets one paint so that
    the error that one makes is taken up by those around it, as error diffusion does with pixels. No region is thinner
    than ``brush_texels`` (paint/strokes.py). ``owner`` (H, W) tells charts apart; nothing crosses.
    """
    number, paint_of = numbered_strokes(reflectance, wanted, paints, brush_texels, owner)
    out = np.zeros(wanted.shape, dtype=np.int16)
    out[number >= 0] = paint_of[number[number >= 0]] + 1
    return out


def numbered_strokes(
    reflectance: Picture,
    wanted: Mask,
    paints: Palette,
    brush_texels: float,
    owner: NDArray[Any] | None = None,
) -> tuple[Labels, Labels]:
    """The strokes of :func:`labelled`: the number (H, W) of the one that each texel lies in, -1 where there is none,
    and the row (N,) of ``paints`` that each is painted with."""
    number = np.full(wanted.shape, -1, dtype=np.int32)
    found = [np.zeros(0, dtype=np.int32)]
    count = 0
    for window, on in charts(wanted, owner):
        target = np.where(on[..., None], reflectance[window], np.float32(0.0)).astype(np.float32)
        strokes = strokes_of(target, on, brush_texels)
        found.append(_shared_out(target, on, strokes, paints, brush_texels))
        part = number[window]
        part[on] = count + strokes.number[on]
        count += len(found[-1])
    return number, np.concatenate(found)


def _shared_out(target: Picture, on: Mask, strokes: Strokes, paints: Palette, brush: float) -> Labels:
    """Paint (N,) of each stroke, strokes repainted one after the other while the whole gains by it.

    Weighed is the squared error of the mean in a Gaussian window of a brush's width, CIELAB made linear around the
    target, and the squared difference of the paint from the stroke's own colour.
    """
    own = np.asarray(colour.lab(strokes.reflectance), dtype=np.float64)
    paint_of = _nearest_of(own, paints.lab).astype(np.int32)
    if len(paints) == 1:
        return paint_of
    windows = Windows(on, brush)
    step = windows.step
    rows, columns = windows.count.shape
    y, x = np.nonzero(on)
    pair = strokes.number[y, x].astype(np.int64) * (rows * columns) + (y // step) * columns + x // step
    pair, texels = np.unique(pair, return_counts=True)
    stroke, block = pair // (rows * columns), pair % (rows * columns)
    start = np.searchsorted(stroke, np.arange(len(paint_of) + 1))
    linear = paints.reflectance
    want = windows.mean(windows.pooled(target), brush).astype(np.float64)
    laid = linear[paint_of[np.where(on, strokes.number, 0)]].astype(np.float32)
    sigma = max(brush, 0.3) / step
    reach = int(3.0 * sigma + 0.5)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    _repaint(
        start,
        block // columns,
        block % columns,
        texels.astype(np.float64),
        kernel / kernel.sum(),
        windows.under(brush).astype(np.float64),
        windows.count.astype(np.float64),
        want - windows.mean(windows.pooled(laid), brush),
        _lab_by_light(want),
        paints.lab,
        linear,
        own,
        _LOYALTY,
        (_LARGEST * brush / step) ** 2,
        paint_of,
    )
    return paint_of


def _lab_by_light(linear: Array) -> Array:
    """How CIELAB (rows) changes with linear light (columns), (..., 3, 3), around colours (..., 3)."""
    step = 1e-4
    base = np.maximum(linear, 2.0 * step)
    return np.stack([colour.lab(base + d) - colour.lab(base - d) for d in step * np.eye(3)], axis=-1) / (2.0 * step)


def _repaint_loop(
    start: Any, rows: Any, columns: Any, texels: Any, kernel: Any, under: Any, weight: Any,
    error: Any, slope: Any, lab: Any, linear: Any, own: Any, loyalty: float, largest: float, out: Any,
) -> None:  # fmt: skip
    """Repaint regions where that gains, twice over all of them, keeping the windowed ``error`` up to date."""
    height, width = under.shape
    reach = len(kernel) // 2
    for _ in range(2):
        for r in range(len(start) - 1):
            a, b = start[r], start[r + 1]
            top, bottom = rows[a:b].min() - reach, rows[a:b].max() + reach + 1
            left, right = columns[a:b].min() - reach, columns[a:b].max() + reach + 1
            top, left = max(top, 0), max(left, 0)
            bottom, right = min(bottom, height), min(right, width)
            size = texels[a:b].sum()
            if b - a > largest:
                continue
            along = np.zeros((bottom - top, right - left))
            for i in range(a, b):
                for j in range(-reach, reach + 1):
                    x = columns[i] + j - left
                    if 0 <= x < right - left:
                        along[rows[i] - top, x] += texels[i] * kernel[j + reach]
            share = np.zeros_like(along)
            for y in range(bottom - top):
                for j in range(-reach, reach + 1):
                    if 0 <= y + j < bottom - top:
                        share[y] += kernel[j + reach] * along[y + j]
            square = np.zeros((3, 3))
            cross = np.zeros(3)
            for y in range(bottom - top):
                for x in range(right - left):
                    n = weight[top + y, left + x]
                    if share[y, x] <= 0.0 or n <= 0.0:
                        continue
                    c = share[y, x] / under[top + y, left + x]
                    share[y, x] = c
                    s = slope[top + y, left + x]
                    e = error[top + y, left + x]
                    for p in range(3):
                        se = s[p, 0] * e[0] + s[p, 1] * e[1] + s[p, 2] * e[2]
                        for q in range(3):
                            cross[q] += n * c * s[p, q] * se
                            for t in range(3):
                                square[q, t] += n * c * c * s[p, q] * s[p, t]
            old = out[r]
            best, least = old, -1e-9
            far_old = ((lab[old] - own[r]) ** 2).sum()
            for k in range(len(lab)):
                d = linear[k] - linear[old]
                cost = loyalty * size * (((lab[k] - own[r]) ** 2).sum() - far_old)
                for q in range(3):
                    cost -= 2.0 * cross[q] * d[q]
                    for t in range(3):
                        cost += d[q] * square[q, t] * d[t]
                if cost < least:
                    best, least = k, cost
            if best != old:
                out[r] = best
                d = linear[best] - linear[old]
                for y in range(bottom - top):
                    for x in range(right - left):
                        if weight[top + y, left + x] > 0.0:
                            for q in range(3):
                                error[top + y, left + x, q] -= share[y, x] * d[q]


_repaint = compiled(_repaint_loop)
