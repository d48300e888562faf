"""What the eye's windows see: mean colour and grain of a picture at several scales, at any place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from previz import colour
from previz.judge.viewer import GRAIN_FLOOR, GRAIN_OFFSET, GRAIN_WINDOW, WINDOW_DEG, Viewer
from previz.workshop.surface import Picture

# Standard deviation (px) of what a pixel averages, 1/12, and of looking up between pixels linearly, 1/6 on the mean
_OWN_WIDTH_PX = 0.5

# Gaussian windows are cut off at this many standard deviations
CUT = 2.5


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
        field = self.values[scale]
        h, w = field.shape[:2]
        x = np.clip(xy[..., 0] - self.origin[0] - 0.5, 0.0, w - 1.0)
        y = np.clip(xy[..., 1] - self.origin[1] - 0.5, 0.0, h - 1.0)
        x0 = np.minimum(x.astype(np.int64), w - 2)
        y0 = np.minimum(y.astype(np.int64), h - 2)
        fx = (x - x0).astype(np.float32)[..., None]
        fy = (y - y0).astype(np.float32)[..., None]
        flat = field.reshape(h * w, 4)
        base = y0 * w + x0
        top = flat[base] * (1 - fx) + flat[base + 1] * fx
        bottom = flat[base + w] * (1 - fx) + flat[base + w + 1] * fx
        return np.asarray(top * (1 - fy) + bottom * fy)


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
    seen = colour.lab(linear).astype(np.float32)
    sigmas = window_px(viewer)
    for scale, (sigma, window) in enumerate(zip(sigmas, windows_of(seen, sigmas), strict=True)):
        residue = seen[..., 0] - window[..., 0]
        energy = _blurred(residue * residue, GRAIN_WINDOW * sigma)
        into = values[min(scale, len(values) - 1)]
        into[..., :3] = window
        into[..., 3] = 0.5 * np.log(energy + np.float32(GRAIN_FLOOR**2))
        yield


def own_width_px(sigmas: tuple[float, ...]) -> float:
    """Standard deviation (px) of what looking at pixels and between them has averaged already."""
    return min(_OWN_WIDTH_PX, 0.9 * sigmas[0])


def windows_of(seen: NDArray[np.float32], sigmas: tuple[float, ...]) -> Iterator[NDArray[np.float32]]:
    """A picture (H, W, C) averaged over windows of these standard deviations (px), growing."""
    done = own_width_px(sigmas)
    window = seen
    for sigma in sigmas:
        window = _blurred(window, float(np.sqrt(sigma**2 - done**2)))
        done = sigma
        yield window


def _blurred(picture: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    axes = (0, 1)
    return np.asarray(gaussian_filter(picture, sigma, mode="nearest", truncate=CUT, axes=axes))
