"""What the eye's windows see: mean colour and grain of a picture at several scales, at any place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz.judge.lab import picture_lab
from previz.judge.viewer import GRAIN_FLOOR, GRAIN_OFFSET, GRAIN_WINDOW, WINDOW_DEG, Viewer
from previz.judge.windows import CUT, windowed
from previz.workshop.compiled import compiled
from previz.workshop.surface import Picture

# Standard deviation (px) of what a pixel averages, 1/12, and of looking up between pixels linearly, 1/6 on the mean
_OWN_WIDTH_PX = 0.5


@dataclass(frozen=True, eq=False)
class Fields:
    """Windowed means of a picture, for looking up.

    ``values`` (S, H, W, 4) float32: for every scale L*, a*, b* averaged over the window, and the natural log of
    the root mean square of what the window averages away, in L* units. ``origin`` (x, y) px is the place of
    the fields' first pixel in the picture they were cut from.
    """

    values: NDArray[np.float32]
    origin: tuple[int, int]

    def at(self, scale: int, xy: NDArray[np.float64]) -> NDArray[np.float32]:
        """Values (..., 4) of a scale at places (..., 2) px of the whole picture, bilinear, held at the edges."""
        out = np.empty((xy.size // 2, 4), dtype=np.float32)
        _look_up(self.values[scale], np.ascontiguousarray(xy, dtype=np.float64).reshape(-1, 2), *self.origin, out)
        return out.reshape(*xy.shape[:-1], 4)


@compiled
def _look_up(field, xy, left, top, out):  # type: ignore[no-untyped-def]
    """Values (N, 4) of a field (H, W, 4), whose first pixel is (left, top) px, at places (N, 2) px into ``out``."""
    height, width, channels = field.shape
    for n in range(len(xy)):
        x = min(max(xy[n, 0] - left - 0.5, 0.0), width - 1.0)
        y = min(max(xy[n, 1] - top - 0.5, 0.0), height - 1.0)
        x0, y0 = max(min(int(x), width - 2), 0), max(min(int(y), height - 2), 0)
        x1, y1 = min(x0 + 1, width - 1), min(y0 + 1, height - 1)
        fx, fy = np.float32(x - x0), np.float32(y - y0)
        one = np.float32(1.0)
        for c in range(channels):
            upper = field[y0, x0, c] * (one - fx) + field[y0, x1, c] * fx
            lower = field[y1, x0, c] * (one - fx) + field[y1, x1, c] * fx
            out[n, c] = upper * (one - fy) + lower * fy


def window_px(viewer: Viewer) -> tuple[float, ...]:
    """Standard deviations (px) of the windows."""
    return tuple(s * viewer.px_per_deg for s in WINDOW_DEG)


def reach_px(viewer: Viewer) -> int:
    """How far from the outline its windows look, in whole pixels."""
    widest = window_px(viewer)[-1]
    return int(np.ceil(widest * (CUT * (1.0 + GRAIN_WINDOW) + GRAIN_OFFSET * GRAIN_WINDOW))) + 1


def fields_of(linear: Picture, viewer: Viewer, origin: tuple[int, int] = (0, 0)) -> Fields:
    """Fields of a picture (H, W, 3), linear light 0 to 1, as delivered."""
    h, w = linear.shape[:2]
    values = np.empty((len(window_px(viewer)), h, w, 4), dtype=np.float32)
    for _ in _filled(values, linear, viewer):
        pass
    return Fields(values, origin)


def fields_by_scale(linear: Picture, viewer: Viewer) -> Iterator[Fields]:
    """The fields of each scale by themselves, one after the other in the same memory: look before going on."""
    values = np.empty((1, *linear.shape[:2], 4), dtype=np.float32)
    for _ in _filled(values, linear, viewer):
        yield Fields(values, (0, 0))


def _filled(values: NDArray[np.float32], linear: Picture, viewer: Viewer) -> Iterator[None]:
    """Fill in the values (S, H, W, 4) scale by scale; where S is 1 each overwrites the one before it.

    Windows are Gaussians. Each scale's window is made from the one before it: variances add. What the pixel and the
    look-up between pixels have averaged already is part of the first window.
    """
    seen = picture_lab(linear)
    sigmas = window_px(viewer)
    for scale, (sigma, window) in enumerate(zip(sigmas, windows_of(seen, sigmas), strict=True)):
        residue = seen[..., 0] - window[..., 0]
        energy = windowed(residue * residue, GRAIN_WINDOW * sigma)
        energy += np.float32(GRAIN_FLOOR**2)
        np.log(energy, out=energy)
        _together(window, energy, values[min(scale, len(values) - 1)])
        yield


@compiled
def _together(window, log_energy, out):  # type: ignore[no-untyped-def]
    """Colours (H, W, 3) and half of what is the log of squares (H, W) side by side (H, W, 4)."""
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            for c in range(3):
                out[y, x, c] = window[y, x, c]
            out[y, x, 3] = np.float32(0.5) * log_energy[y, x]


def own_width_px(sigmas: tuple[float, ...]) -> float:
    """Standard deviation (px) of what looking at pixels and between them has averaged already."""
    return min(_OWN_WIDTH_PX, 0.9 * sigmas[0])


def windows_of(seen: NDArray[np.float32], sigmas: tuple[float, ...]) -> Iterator[NDArray[np.float32]]:
    """A picture (H, W, C) averaged over windows of these standard deviations (px), growing."""
    done = own_width_px(sigmas)
    window = seen
    for sigma in sigmas:
        window = windowed(window, float(np.sqrt(sigma**2 - done**2)))
        done = sigma
        yield window
