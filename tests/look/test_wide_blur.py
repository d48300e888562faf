"""Blurs as wide as the frame and wider: of things close before a fast, long lens."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from previz.camera import camera_for
from previz.look.blur import LensBlur
from previz.look.kernels import disc_kernel, moments
from previz.look.spreading import node_kernel

WIDTH, HEIGHT = 320, 180
SENSOR = 0.0359


def close_up(focus: float = 2.8) -> LensBlur:
    """118 mm, f/2, on a frame of 320 px: 15 mm from the lens the disc would be 4 300 px across."""
    camera = camera_for((0.0, 0.0, 1.0), 0.0, 0.0, 0.0, 0.118, SENSOR, WIDTH, HEIGHT)
    return LensBlur(camera, SENSOR / WIDTH, 0.118, 2.0, focus)


@pytest.mark.parametrize("diameter", [130.0, 150.5, 367.0])
def test_a_wide_disc_has_the_variance_of_a_disc(diameter: float) -> None:
    """d^2 / 16 per axis: the second moment of an evenly filled circle."""
    mean, spread = moments(disc_kernel(diameter))
    np.testing.assert_allclose(mean, 0.0, atol=1e-9)
    np.testing.assert_allclose(np.diag(spread), diameter**2 / 16.0, rtol=3e-4)


def test_both_ways_of_laying_a_disc_agree_where_they_meet() -> None:
    small, wide = disc_kernel(128.0), disc_kernel(128.001)
    half = min(len(small), len(wide)) // 2
    cut = [k[len(k) // 2 - half : len(k) // 2 + half + 1, len(k) // 2 - half : len(k) // 2 + half + 1]
           for k in (small, wide)]  # fmt: skip
    # half a percent of the light lies elsewhere, all of it at the rim
    assert np.abs(cut[0] - cut[1]).sum() < 0.005


def test_no_disc_is_wider_than_the_frame() -> None:
    blur = close_up()
    assert blur.disc_px(0.015) == pytest.approx(np.hypot(WIDTH, HEIGHT), rel=1e-6)
    # where it is not, it is the thin lens's: A f |S - d| / (d (S - f)), A the pupil's width
    pupil, focus, depth = 0.118 / 2.0, 2.8, 1.2
    wanted = pupil * 0.118 * (focus - depth) / (depth * (focus - 0.118)) / (SENSOR / WIDTH)
    assert blur.disc_px(depth) == pytest.approx(wanted, rel=1e-9)


def test_a_part_of_the_frame_has_the_discs_of_the_whole() -> None:
    part = close_up().cut(100, 60, 20, 20)
    assert part.disc_px(0.4) == close_up().disc_px(0.4)
    assert part.resized(40, 40).disc_px(0.4) == pytest.approx(2.0 * part.disc_px(0.4))


def test_a_kernel_as_wide_as_the_frame_still_sums_to_one() -> None:
    """Every share of it is below what is left out of small ones."""
    blur = close_up()
    nodes = blur.nodes(0.015, 0.015)
    kernel = node_kernel(blur, nodes, (0, 0, 0))
    assert kernel.max() < 3e-5
    assert np.isfinite(kernel).all()
    assert kernel.sum() == pytest.approx(1.0, abs=1e-4)


def test_no_path_is_longer_than_the_frame() -> None:
    blur = close_up()
    moments_ = tuple(blur.camera.moved((x, 0.0, 0.0)) for x in (-0.01, 0.0, 0.01))
    path = replace(blur, focus=None, moments=moments_).path_px(0.001)
    assert np.abs(path[-1] - path[0]).max() <= np.hypot(WIDTH, HEIGHT) * (1.0 + 1e-6)
