"""A picture as a brush of one width lays it: in strokes, with the picture's own local mean and as much of its grain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from previz import colour
from previz.geometry import Array
from previz.paint.dabs import dabs
from previz.paint.strokes import Labels, Mask, charts
from previz.workshop.compiled import compiled
from previz.workshop.surface import Picture

# rounds of looking at the strokes from afar and correcting them
_LOOKS: Final = 6
# grain is compared over windows of so many brush diameters (standard deviation)
_GRAIN_WINDOW: Final = 2.0
# contrast (L* units) that counts as none, and how far strokes may be driven apart to make up for what they average away
_FAINT: Final = 0.3
_LEAST_CONTRAST, _MOST_CONTRAST = 0.5, 3.0


@dataclass(frozen=True, eq=False)
class Strokes:
    """The strokes of a chart: ``number`` (H, W) int32 per texel, -1 off the chart, and ``reflectance`` (N, 3) of each,
    linear Rec.709."""

    number: Labels
    reflectance: Array


def brushed(
    reflectance: Picture, wanted: Mask, brush_texels: float, owner: NDArray[Any] | None = None
) -> Picture:
    """The picture (H, W, 3) float32, linear light, that a brush of ``brush_texels`` diameter lays for ``reflectance``.

    Every stroke is one colour and none is thinner than the brush (paint/strokes.py); below two texels the picture comes
    back as it is. The mean within a Gaussian window of a brush's width stays the picture's; the contrast that strokes
    average away inside is given back between them. No stroke leaves the range of the chart's own light in any band.
    Where ``wanted`` (H, W) is not set the picture is 0. ``owner`` (H, W) tells charts apart; nothing crosses.
    """
    number, colours = numbered_brushstrokes(reflectance, wanted, brush_texels, owner)
    laid = colours.astype(np.float32)[np.maximum(number, 0)]
    return np.where(number[..., None] >= 0, laid, np.float32(0.0))


def numbered_brushstrokes(
    reflectance: Picture, wanted: Mask, brush_texels: float, owner: NDArray[Any] | None = None
) -> tuple[Labels, Array]:
    """The strokes of :func:`brushed`: the number (H, W) of the one that each texel lies in, -1 where there is none, and
    what each reflects, (N, 3)."""
    number = np.full(wanted.shape, -1, dtype=np.int32)
    found = [np.zeros((0, 3))]
    count = 0
    for window, on in charts(wanted, owner):
        strokes = strokes_of(reflectance[window], on, brush_texels)
        part = number[window]
        part[on] = count + strokes.number[on]
        found.append(strokes.reflectance)
        count += len(strokes.reflectance)
    # an empty map looks up row 0, and shows none of it
    return number, np.concatenate(found) if count else np.zeros((1, 3))


def strokes_of(target: Picture, on: Mask, brush_texels: float) -> Strokes:
    """Strokes that a brush lays for a chart ``on`` (H, W) whose picture is ``target`` (H, W, 3), linear light."""
    target = np.where(on[..., None], target, np.float32(0.0)).astype(np.float32)
    lab = colour.lab(target).astype(np.float32)
    number, count = dabs(lab, on, brush_texels)
    mean = region_means(target, number, on, count)
    if brush_texels < 2.0 or count == 1:
        return Strokes(number, mean)
    windows = Windows(on, brush_texels)
    near, wide = brush_texels, _GRAIN_WINDOW * brush_texels
    want = windows.mean(windows.pooled(target), near)
    ground = region_means(windows.spread(windows.mean(windows.pooled(target), wide)), number, on, count)
    energy = windows.energy(lab[..., 0], wide)
    low, high = target[on].min(axis=0), target[on].max(axis=0)
    contrast = np.ones((count, 1))
    drive = np.zeros((count, 3))
    laid = mean
    for _ in range(_LOOKS):
        picture = laid[np.where(on, number, 0)].astype(np.float32)
        got = windows.mean(windows.pooled(picture), near)
        lost = (energy + _FAINT**2) / (windows.energy(colour.lab(picture)[..., 0], wide) + _FAINT**2)
        drive += region_means(windows.spread(want - got), number, on, count)
        more = region_means(windows.spread(np.sqrt(lost)[..., None]), number, on, count)
        contrast = np.clip(contrast * np.sqrt(more), _LEAST_CONTRAST, _MOST_CONTRAST)
        laid = np.clip(ground + contrast * (mean - ground) + drive, low, high)
    return Strokes(number, laid)


def region_means(values: NDArray[Any], number: Labels, on: Mask, count: int) -> Array:
    """Means (count, C) of values (H, W, C) over the regions of a chart numbered by ``number`` (H, W)."""
    key = number[on]
    size = np.bincount(key, minlength=count)
    sums = [np.bincount(key, weights=values[..., c][on], minlength=count) for c in range(values.shape[-1])]
    return np.asarray(np.stack(sums, axis=1) / size[:, None])


class Windows:
    """Means over Gaussian windows of a chart, looked at in blocks of ``step`` texels, a fifth of a brush.

    ``count`` (h, w) is how many of a block's texels are on the chart; what lies off it counts nowhere.
    """

    def __init__(self, on: Mask, brush_texels: float) -> None:
        self.step = max(1, round(brush_texels / 5.0))
        self.on = on
        self.count = self.pooled(np.ones((*on.shape, 1), dtype=np.float32))[..., 0]

    def pooled(self, values: Picture) -> Picture:
        """Sums (h, w, C) float32 over blocks of values (H, W, C)."""
        h, w = self.on.shape
        out = np.zeros((-(-h // self.step), -(-w // self.step), values.shape[2]), dtype=np.float32)
        _pool(np.ascontiguousarray(values, dtype=np.float32), self.on, self.step, out)
        return out

    def blurred(self, sums: Picture, window: float) -> Picture:
        """Sums (h, w, C) within a Gaussian window of a standard deviation of ``window`` texels."""
        sigma = window / self.step
        return np.asarray(gaussian_filter(sums, sigma, mode="constant", truncate=3.0, axes=(0, 1)))

    def under(self, window: float) -> NDArray[np.float32]:
        """How many texels (h, w) of the chart a window counts; never 0."""
        return np.maximum(self.blurred(self.count[..., None], window)[..., 0], np.float32(1e-6))

    def mean(self, sums: Picture, window: float) -> Picture:
        """Means (h, w, C) within a window of what the ``pooled`` sums were taken of."""
        return np.asarray(self.blurred(sums, window) / self.under(window)[..., None])

    def energy(self, lightness: NDArray[np.float32], window: float) -> NDArray[np.float32]:
        """Variance (h, w) of values (H, W) within a window."""
        centred = lightness - np.float32(lightness[self.on].mean())
        moments = self.mean(self.pooled(np.stack([centred, centred**2], axis=-1)), window)
        return np.asarray(np.maximum(moments[..., 1] - moments[..., 0] ** 2, np.float32(0.0)))

    def spread(self, blocks: NDArray[Any]) -> NDArray[Any]:
        """Values (H, W, C) of the texels' blocks (h, w, C)."""
        h, w = self.on.shape
        return np.repeat(np.repeat(blocks, self.step, axis=0), self.step, axis=1)[:h, :w]


def _pool_loop(values: Any, on: Any, step: int, out: Any) -> None:
    height, width, channels = values.shape
    for y in range(height):
        for x in range(width):
            if on[y, x]:
                for c in range(channels):
                    out[y // step, x // step, c] += values[y, x, c]


_pool = compiled(_pool_loop)
