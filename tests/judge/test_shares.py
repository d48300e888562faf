"""How much of the windows that see grain is bridge, against SciPy's Gaussian and sums written out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from previz.judge.shares import grain_shares, middle_of
from previz.judge.viewer import GRAIN_OFFSET, GRAIN_WINDOW
from previz.judge.windows import CUT

SIGMAS = (1.0, 2.0, 4.0)


def strip(width: int) -> np.ndarray:
    cover = np.zeros((160, 160), dtype=np.float32)
    cover[:, 60 : 60 + width] = 1.0
    return cover


def at(x: float, y: float) -> np.ndarray:
    return np.tile([x, y], (len(SIGMAS), 1, 1)).astype(np.float64)


def test_shares_and_what_lies_beyond_are_those_of_the_window_itself() -> None:
    """A place off the middle of a narrow strip: the share by SciPy, and the mean place of the rest by adding up."""
    cover = strip(30)
    share, growth = grain_shares(cover, at(80.5, 80.5), SIGMAS)
    beyond = middle_of(1.0 - share, -growth, GRAIN_WINDOW * np.array(SIGMAS)[:, None])
    y, x = np.mgrid[:160, :160] - 80
    for k, sigma in enumerate(SIGMAS):
        wide = GRAIN_WINDOW * sigma
        truth = gaussian_filter(cover, wide, mode="nearest", truncate=CUT)[80, 80]
        assert share[k, 0] == pytest.approx(truth, abs=1e-5)
        weight = np.exp(-0.5 * (x * x + y * y) / wide**2) * (1.0 - cover) * (np.abs(x) <= CUT * wide)
        if 1.0 - truth < 0.02:
            continue
        mean = float((weight * x).sum() / weight.sum())
        # windows are cut off where the gradient is taken for a whole Gaussian's: a third of a window too far at most
        assert beyond[k, 0] == pytest.approx([mean, 0.0], abs=0.33 * wide)


def test_beside_a_straight_edge_grain_is_the_bridges_alone() -> None:
    cover = strip(100)
    for k, sigma in enumerate(SIGMAS):
        inside = 60.0 + GRAIN_OFFSET * GRAIN_WINDOW * sigma + 0.5
        share, _ = grain_shares(cover, at(inside, 80.0), SIGMAS)
        assert share[k, 0] == pytest.approx(1.0, abs=3e-3)
