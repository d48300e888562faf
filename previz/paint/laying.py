"""How paint is laid on: no change is finer than the brush, and none leaves the colours that the wall is made of.

Without this a solver draws dotted rims and tints that no wall has: they please the judge's windows and nobody's eye.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz.judge.windows import blurred, window_weights
from previz.workshop.charts import PADDING_PX, Chart
from previz.workshop.compiled import compiled, threads
from previz.workshop.surface import Pixels8

Codes = NDArray[np.float32]

# every so many pixels of the wall are looked at to learn its colours
_EVERY = 7


@dataclass(frozen=True, eq=False)
class Laying:
    """Lays changes of codes on a map of (``height``, ``width``) texels.

    ``charts`` are the map's; a brush never crosses from one to another. ``brush_texels`` is the brush's diameter: a
    stroke fades to its edges as a Gaussian of half the diameter. ``mixing`` (3, 3) turns changes towards what the
    wall's colours have in common.
    """

    height: int
    width: int
    charts: Sequence[Chart]
    brush_texels: float
    mixing: NDArray[np.float32]

    def __call__(self, changes: Codes) -> Codes:
        """Changes (T, 3) as the brush lays them. The way back for a slope is the same: both parts are symmetric."""
        # colours are mixed in each place by itself, so that it may be done before they are spread
        planes = mixed(changes, self.mixing).reshape(3, self.height, self.width)
        out = np.zeros_like(planes)
        weights = window_weights(max(0.5 * self.brush_texels, 0.3))

        def spread(channel: int, chart: Chart) -> None:
            rows, columns = chart.window(PADDING_PX // 2)
            part = np.ascontiguousarray(planes[channel : channel + 1, rows, columns])
            out[channel : channel + 1, rows, columns] = blurred(part, weights)

        with ThreadPoolExecutor(threads()) as pool:
            list(pool.map(lambda each: spread(*each), [(c, chart) for chart in self.charts for c in range(3)]))
        return np.ascontiguousarray(np.moveaxis(out, 0, 2)).reshape(-1, 3)


def mixed(changes: Codes, mixing: Codes) -> Codes:
    """Changes (T, 3) of codes turned by ``mixing`` (3, 3), in planes (3, T)."""
    planes = np.empty((3, len(changes)), dtype=np.float32)
    _mixed(np.ascontiguousarray(changes, dtype=np.float32), mixing, planes)
    return planes


@compiled
def _mixed(changes, mixing, planes):  # type: ignore[no-untyped-def]
    """Changes (T, 3) times ``mixing`` (3, 3), into planes (3, T)."""
    for i in range(len(changes)):
        for c in range(3):
            planes[c, i] = (
                changes[i, 0] * mixing[0, c] + changes[i, 1] * mixing[1, c] + changes[i, 2] * mixing[2, c]
            )


def wall_mixing(code: Pixels8) -> NDArray[np.float32]:
    """What turns changes (..., 3) of codes towards the colours of a wall, whose lit picture is ``code`` (H, W, 3).

    Along each principal axis of the wall's codes a change is as large, against the largest, as the wall's own spread
    there: nothing is taken from a wall of many colours, and all but lightness from a grey one.
    """
    pixels = code.reshape(-1, 3)[::_EVERY].astype(np.float64) / 255.0
    variance, axes = np.linalg.eigh(np.cov(pixels.T))
    spread = np.sqrt(np.maximum(variance, 0.0))
    share = spread / spread.max() if spread.max() > 0.0 else np.ones(3)
    return np.asarray((axes * share) @ axes.T, dtype=np.float32)
