"""How much of what a window sees is bridge: its share of the silhouette, without a picture of anything else."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from previz.judge.fields import own_width_px
from previz.judge.planes import look_around
from previz.judge.viewer import GRAIN_WINDOW
from previz.judge.windows import CUT, blurred, window_weights

Array = NDArray[np.float64]
Field = NDArray[np.float32]

# pixels that are looked at around the silhouette's own picture; it has a few around the bridge itself
_AROUND_PX = 10


def shares(cover: Field, px: Array, sigmas: tuple[float, ...]) -> tuple[Field, Array]:
    """Share of bridge (K, S, N), 0 to 1, in K sets of windows at (K, S, N, 2) px of ``cover`` (H, W), and how fast it
    grows (K, S, N, 2) to the right and down, a pixel.

    ``sigmas`` (px) are the S windows' standard deviations. The same windows in the same steps as those of pictures
    (:func:`previz.judge.fields.windows_of`); what the frame cuts off goes on.
    """
    window = np.pad(np.asarray(cover, dtype=np.float32), _AROUND_PX, mode="edge")[None]
    found, growth = np.empty(px.shape[:-1], dtype=np.float32), np.empty(px.shape)
    done = own_width_px(sigmas)
    for scale, sigma in enumerate(sigmas):
        window = blurred(window, window_weights(float(np.sqrt(sigma**2 - done**2))))
        done = sigma
        for which in range(len(px)):
            look_around(window[0], px[which, scale] + _AROUND_PX, found[which, scale], growth[which, scale])
    return found, growth


def grain_shares(cover: Field, px: Array, sigmas: tuple[float, ...]) -> tuple[Field, Array]:
    """The same (S, N) and (S, N, 2) of the windows over which grain is averaged, at (S, N, 2) px."""
    window = np.pad(np.asarray(cover, dtype=np.float32), _AROUND_PX, mode="edge")[None]
    found, growth = np.empty(px.shape[:-1], dtype=np.float32), np.empty(px.shape)
    for scale, sigma in enumerate(sigmas):
        plane = blurred(window, window_weights(GRAIN_WINDOW * sigma))[0]
        look_around(plane, px[scale] + _AROUND_PX, found[scale], growth[scale])
    return found, growth


def middle_of(share: Field, growth: Array, sigma: Array) -> Array:
    """How far (..., 2) px from a window's middle that part of it lies of which it has a ``share`` (...,).

    The mean place of what a Gaussian window has of a plane is its variance times the gradient of what it has.
    ``sigma`` (...,) px is its standard deviation; windows are cut off, and so is this.
    """
    aside = (sigma * sigma / np.maximum(share, 1e-6))[..., None] * growth
    length = np.linalg.norm(aside, axis=-1)
    return np.asarray(aside * np.minimum(1.0, CUT * sigma / np.maximum(length, 1e-9))[..., None])
