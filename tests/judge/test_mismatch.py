"""Mismatch against references from outside the project."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from previz import colour
from previz.judge.mismatch import mismatch_of, seen_lab
from previz.judge.viewer import Viewer

VIEWER = Viewer(540)


def test_a_large_flat_patch_reads_its_plain_colour_difference() -> None:
    # an eye's filter leaves flat areas alone: in the middle of a wide patch only CIEDE2000 is left, which
    # scikit-image works out on its own (its sRGB matrix has more digits: 0.02 dE00)
    code_a, code_b = np.array([0.50, 0.45, 0.40]), np.array([0.55, 0.45, 0.40])
    clean = np.broadcast_to(colour.decoded(code_a), (540, 960, 3)).astype(np.float32)
    changed = np.broadcast_to(colour.decoded(code_b), (540, 960, 3)).astype(np.float32)
    wanted = float(deltaE_ciede2000(rgb2lab(code_a), rgb2lab(code_b)))
    cover = np.ones((540, 960), dtype=np.float32)
    assert mismatch_of(changed, clean, cover, VIEWER) == pytest.approx(wanted, abs=0.05)


def test_nothing_is_seen_outside_the_silhouette_or_between_equal_frames() -> None:
    clean = np.full((120, 160, 3), 0.3, dtype=np.float32)
    cover = np.zeros((120, 160), dtype=np.float32)
    assert mismatch_of(clean * 2, clean, cover, VIEWER) == 0.0
    cover[40:80, 40:80] = 1.0
    assert mismatch_of(clean, clean, cover, VIEWER) == 0.0


def test_fine_grain_fades_as_the_eye_loses_it() -> None:
    # contrast sensitivity falls from 8 to 15 cycles a degree (Mannos and Sakrison 1974: 0.98 to 0.74): a finer grating
    # of the same contrast must be seen less
    x = np.arange(960)
    amplitude = []
    for period_px in (30.0, 8.0, 4.0, 2.0):
        grating = 0.3 + 0.1 * np.sign(np.sin(2.0 * np.pi * (x + 0.5) / period_px))
        picture = np.broadcast_to(grating[None, :, None], (200, 960, 3)).astype(np.float32)
        amplitude.append(float(np.ptp(seen_lab(picture, VIEWER)[100, 100:-100, 0])))
    assert all(a > b for a, b in itertools.pairwise(amplitude)), amplitude
    assert amplitude[-1] < 0.5 * amplitude[0]


def test_filter_keeps_the_mean() -> None:
    rng = np.random.default_rng(4)
    picture = rng.uniform(0.2, 0.3, size=(128, 128, 3)).astype(np.float32)
    # a degree narrower than a pixel: nothing is averaged; a degree of hundreds of pixels: one grey is left
    assert np.abs(seen_lab(picture, Viewer(1)) - colour.lab(picture)).mean() < 0.05
    far = seen_lab(picture, Viewer(8000))
    assert np.ptp(far[..., 0]) < 0.1 * np.ptp(colour.lab(picture)[..., 0])
    assert far[..., 0].mean() == pytest.approx(float(colour.lab(picture.mean(axis=(0, 1)))[0]), abs=0.1)


def test_it_orders_differences_as_flip_does() -> None:
    # check_values: 128 x 128 grey 0.5 with a 64 x 64 patch brighter by so much gives these means with the package
    # flip-evaluator at 67.02 pixels a degree; FLIP compresses differences, so that only order and zero must agree
    from flip_evaluator import evaluate

    lines = 67.02 / np.tan(np.radians(1.0)) / 3.2
    mine, theirs = [], []
    for step in (0.01, 0.02, 0.05, 0.10):
        clean = np.full((128, 128, 3), 0.5, dtype=np.float32)
        changed = clean.copy()
        changed[32:96, 32:96] += np.float32(step)
        theirs.append(float(evaluate(clean, changed, "LDR", True, False)[1]))
        cover = np.ones((128, 128), dtype=np.float32)
        linear = [colour.decoded(p).astype(np.float32) for p in (changed, clean)]
        mine.append(mismatch_of(linear[0], linear[1], cover, Viewer(round(lines))))
    assert theirs == pytest.approx([0.015916, 0.026284, 0.050984, 0.083740], abs=2e-4)
    # and the largest difference is that of the plain patch (check_values: 0.962, 1.906, 4.633, 8.862)
    assert mine == pytest.approx([0.962, 1.906, 4.633, 8.862], rel=0.03)
