"""Windows against scipy's own Gaussian filter."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from previz.judge.windows import CUT, windowed


@pytest.mark.parametrize("shape", [(41, 60, 3), (41, 60), (4, 7, 3), (1, 1)])
@pytest.mark.parametrize("sigma", [0.3, 2.0, 30.0])
@pytest.mark.parametrize("cut", [CUT, 3.0])
def test_a_window_averages_as_scipy_does(shape: tuple[int, ...], sigma: float, cut: float) -> None:
    """scipy.ndimage.gaussian_filter, mode nearest, also where the window is wider than the picture."""
    picture = np.random.default_rng(len(shape)).random(shape, dtype=np.float32)
    expected = gaussian_filter(picture.astype(np.float64), sigma, mode="nearest", truncate=cut, axes=(0, 1))
    assert windowed(picture, sigma, cut) == pytest.approx(expected, abs=1e-6)


def test_a_window_of_no_width_changes_nothing() -> None:
    picture = np.random.default_rng(1).random((5, 6), dtype=np.float32)
    assert windowed(picture, 0.0) == pytest.approx(picture)
