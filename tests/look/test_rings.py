"""Diffraction's rings against the pupil that makes them and Rayleigh's light within a circle."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import fftconvolve
from scipy.special import j0, j1

from previz.look.kernels import AIRY_SIGMA, gaussian_kernel
from previz.look.rings import ringed, ringed_part, transfer
from previz.look.spreading import spread_as

# a full frame's pixel in a picture 960 px wide, and green light
PITCH = 0.0359 / 960
GREEN = 550e-9


def through(picture: np.ndarray, wave_px: float) -> np.ndarray:
    """A picture as a lens with nothing but diffraction shows it: the kernel's part, then the rings."""
    return ringed(spread_as(picture.astype(np.float32), gaussian_kernel(AIRY_SIGMA * wave_px)), wave_px)


def test_the_contrast_left_is_a_round_pupils():
    """The transfer of light is the autocorrelation of the pupil (Goodman, section 6.3), here by SciPy."""
    x = np.arange(-400, 401) / 400.0
    pupil = (np.hypot(x[:, None], x) <= 1.0).astype(float)
    overlap = fftconvolve(pupil, pupil, mode="full")
    middle = len(overlap) // 2
    # shifted by its own diameter a pupil overlaps itself no more
    along = overlap[middle, middle:] / overlap[middle, middle]
    assert transfer(np.arange(len(along)) / 800.0) == pytest.approx(along, abs=2e-3)
    assert transfer(np.array([0.0, 0.5, 1.0, 1.7])) == pytest.approx([1.0, 0.391, 0.0, 0.0], abs=5e-4)


@pytest.mark.parametrize("wave_px", [0.12, 0.3, 0.8, 2.5])
def test_patterns_lose_what_the_pupil_takes(wave_px):
    """Gratings in two directions, one of them aslant, keep the contrast that the pupil leaves them."""
    y, x = np.mgrid[:192, :240] + 0.5
    inner = np.s_[60:-60, 60:-60]
    for across, down in ((1 / 12, 0.0), (0.0, 1 / 6), (1 / 6, 1 / 8)):
        wave = np.cos(2.0 * np.pi * (across * x + down * y))
        got = through(0.5 + 0.4 * wave, wave_px)[inner] - 0.5
        kept = float((got * wave[inner]).sum() / (0.4 * wave[inner] ** 2).sum())
        assert kept == pytest.approx(float(transfer(wave_px * np.hypot(across, down))), abs=2e-3)


def test_the_gaussian_alone_keeps_too_much():
    """At f/16 a pattern of six pixels loses five hundredths; the Gaussian of the Airy pattern's peak takes one at most,
    so that a frame blurred by it alone is sharper than a lens can be."""
    wave_px = GREEN * 16.0 / PITCH
    x = np.arange(240) + 0.5
    picture = np.tile(0.5 + 0.4 * np.cos(2.0 * np.pi * x / 6.0), (96, 1))
    inner = np.s_[:, 60:-60]
    spread = spread_as(picture.astype(np.float32), gaussian_kernel(AIRY_SIGMA * wave_px))
    assert np.ptp(spread[inner]) > 0.99 * np.ptp(picture[inner])
    assert np.ptp(through(picture, wave_px)[inner]) == pytest.approx(0.95 * np.ptp(picture[inner]), rel=0.005)


def test_light_within_a_circle_is_rayleighs():
    """1 - J0^2 - J1^2 of a point's light (Born and Wolf, 8.5.2 (18)), a pixel's width of the circle's edge allowed."""
    wave_px, side = 6.0, 241
    point = np.zeros((side, side))
    point[side // 2, side // 2] = 1.0
    got = through(point, wave_px)
    at = np.arange(side) - side // 2
    radius = np.hypot(at[:, None], at)
    for waves in (0.5, 1.22, 2.233, 5.0):
        v = np.pi * waves
        assert got[radius <= waves * wave_px].sum() == pytest.approx(1.0 - j0(v) ** 2 - j1(v) ** 2, abs=0.015)


def test_light_is_kept_and_the_map_is_its_own_transpose():
    rng = np.random.default_rng(5)
    one, other = rng.random((2, 45, 62, 3), dtype=np.float32)
    got = ringed(one, 0.4)
    assert got.dtype == np.float32
    assert got.shape == one.shape
    assert got.mean() == pytest.approx(float(one.mean()), rel=1e-5)
    assert float((got * other).sum()) == pytest.approx(float((one * ringed(other, 0.4)).sum()), rel=1e-5)
    # a plane is a picture of one channel
    assert ringed(one[..., 1], 0.4) == pytest.approx(got[..., 1], abs=1e-6)
    flat = np.full((20, 31, 3), 0.3, dtype=np.float32)
    assert ringed(flat, 1.5) == pytest.approx(flat, abs=1e-6)
    assert ringed(one, 0.0) is one


def test_a_part_by_itself_has_the_rings_of_the_whole():
    """Of a picture that is dark elsewhere only its surroundings need be transformed."""
    picture = np.zeros((270, 480, 3), dtype=np.float32)
    left, top, right, bottom = box = (210, 100, 250, 260)
    picture[top:bottom, left:right] = np.random.default_rng(3).random((160, 40, 3))
    got = ringed_part(picture, box, 0.4)
    assert got == pytest.approx(ringed(picture, 0.4), abs=1e-4)
    assert np.abs(got - picture).max() > 0.01
    assert ringed_part(picture[..., 0], box, 0.4) == pytest.approx(got[..., 0], abs=1e-6)
    # at a corner of the frame, and wider than what is looked at
    corner = np.roll(picture, (-100, -210), axis=(0, 1))
    assert ringed_part(corner, (0, 0, 40, 160), 0.4) == pytest.approx(ringed(corner, 0.4), abs=1e-4)
    assert ringed_part(picture, (0, 0, 480, 270), 0.4) == pytest.approx(ringed(picture, 0.4), abs=1e-6)
