"""How much of what a window sees is bridge: its share of the silhouette, without a picture of anything else."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from previz.judge.fields import own_width_px
from previz.judge.planes import look
from previz.judge.viewer import GRAIN_WINDOW
from previz.judge.windows import CUT, blurred, window_weights

Array = NDArray[np.float64]
Field = NDArray[np.float32]

# pixels that are looked at around the silhouette's own picture; it has a few around the bridge itself
_AROUND_PX = 10


def shares(cover: Field, px: Array, sigmas: tuple[float, ...]) -> Field:
    """Share of bridge (K, S, N), 0 to 1, in K sets of windows at (K, S, N, 2) px of ``cover`` (H, W).

    ``sigmas`` (px) are the S windows' standard deviations. The same windows in the same steps as those of pictures
    (:func:`previz.judge.fields.windows_of`); what the frame cuts off goes on.
    """
    window = np.pad(np.asarray(cover, dtype=np.float32), _AROUND_PX, mode="edge")[None]
    found = np.empty(px.shape[:-1], dtype=np.float32)
    done = own_width_px(sigmas)
    for scale, sigma in enumerate(sigmas):
        window = blurred(window, window_weights(float(np.sqrt(sigma**2 - done**2))))
        done = sigma
        for which in range(len(px)):
            look(window[0], px[which, scale] + _AROUND_PX, found[which, scale])
    return found


def grain_shares(cover: Field, px: Array, sigmas: tuple[float, ...]) -> tuple[Field, Array]:
    """Share of bridge (S, N), 0 to 1, in the windows over which grain is averaged, at (S, N, 2) px of ``cover`` (H, W),
    for windows of ``sigmas`` (px) as for :func:`shares`; and how far (S, N, 2) px from a window's middle that of its
    other part lies.

    The mean place of what a Gaussian window has of a plane is its variance times the gradient of what it has.
    """
    window = np.pad(np.asarray(cover, dtype=np.float32), _AROUND_PX, mode="edge")[None]
    found, aside = np.empty(px.shape[:-1], dtype=np.float32), np.empty(px.shape)
    side = np.empty((2, px.shape[1]), dtype=np.float32)
    for scale, sigma in enumerate(sigmas):
        wide = GRAIN_WINDOW * sigma
        plane, at = blurred(window, window_weights(wide))[0], px[scale] + _AROUND_PX
        look(plane, at, found[scale])
        rest = np.maximum(1.0 - found[scale], 1e-6)
        for axis, step in enumerate(np.eye(2)):
            look(plane, at + step, side[0])
            look(plane, at - step, side[1])
            aside[scale, :, axis] = wide * wide * 0.5 * (side[1] - side[0]) / rest
        length = np.linalg.norm(aside[scale], axis=-1)
        aside[scale] *= np.minimum(1.0, CUT * wide / np.maximum(length, 1e-9))[:, None]
    return found, aside
