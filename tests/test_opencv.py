"""Blur, reads between pixels and CIELAB are written once here, and OpenCV's own agree with them to rounding.

They are not taken from OpenCV because sums in another order move the last digits of what is promised byte for byte.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from previz import colour
from previz.judge.outline import smoothed
from previz.judge.windows import CUT, blurred, window_weights
from previz.look.sampling import bilinear

RNG = np.random.default_rng(14)
# a thousandth of the smallest difference that anybody sees, dE*ab 2.3 (Mahy et al. 1994)
UNSEEN = 2.3e-3


@pytest.mark.parametrize("sigma", [0.6, 1.3, 2.5, 6.0])
def test_the_judges_windows_are_those_of_opencv_and_scipy(sigma: float) -> None:
    planes = RNG.uniform(0.0, 100.0, (2, 40, 60)).astype(np.float32)
    weights = window_weights(sigma)
    kernel = np.concatenate([weights[:0:-1], weights])
    got = blurred(planes, weights)
    for plane, ours in zip(planes, got, strict=True):
        theirs = cv2.sepFilter2D(plane, -1, kernel, kernel, borderType=cv2.BORDER_REPLICATE)
        assert np.abs(ours - theirs).max() < UNSEEN
        assert np.abs(ours - gaussian_filter(plane, sigma, mode="nearest", truncate=CUT)).max() < UNSEEN


@pytest.mark.parametrize("closed", [True, False])
def test_a_line_is_averaged_as_opencv_does(closed: bool) -> None:
    line = RNG.uniform(0.0, 100.0, (90, 3)).astype(np.float32)
    # along a line windows are cut off at three standard deviations
    reach = 12
    kernel = cv2.getGaussianKernel(2 * reach + 1, 4.0, cv2.CV_32F)
    around = np.pad(line, ((reach, reach), (0, 0)), mode="wrap" if closed else "symmetric")
    theirs = cv2.sepFilter2D(around, -1, np.ones(1, np.float32), kernel)[reach:-reach]
    assert np.abs(smoothed(line, 4.0, closed) - theirs).max() < UNSEEN


# from memory: before release 5 it reads at whole 32nds of a pixel
@pytest.mark.skipif(int(cv2.__version__.split(".")[0]) < 5, reason="this release of OpenCV reads in coarse steps")
def test_a_texture_is_read_as_opencv_reads_it() -> None:
    texture, uv = RNG.random((70, 90, 3), dtype=np.float32), RNG.uniform(-0.1, 1.1, (5000, 2))
    x, y = (uv * [90, 70] - 0.5).astype(np.float32).T
    theirs = cv2.remap(texture, x[:, None].copy(), y[:, None].copy(), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    # places in float32 are good to 4e-6 px here, and so much of the whole range a step may be
    assert np.abs(bilinear(texture, uv) - theirs[:, 0]).max() < 2e-5


def test_cielab_is_opencvs_to_its_table() -> None:
    light = RNG.random((60, 80, 3), dtype=np.float32)
    # from memory: OpenCV rounds the white point and takes the cube root from a spline; 0.02 was measured
    assert np.abs(colour.lab(light) - cv2.cvtColor(light, cv2.COLOR_LRGB2Lab)).max() < 0.03
