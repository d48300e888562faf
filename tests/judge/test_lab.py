"""CIELAB in machine code against colour-science, a general-purpose library (CIE 15:2004, 8.2.1)."""

from __future__ import annotations

import colour as reference
import numpy as np
import pytest

from previz.judge.lab import picture_lab


def picture() -> np.ndarray:
    """Light of every brightness, (H, W, 3), from none to white; more pixels than are worked on at once."""
    rng = np.random.default_rng(5)
    return (rng.random((61, 47, 3)) * np.geomspace(1e-6, 1.0, 61)[:, None, None]).astype(np.float32)


def test_a_picture_is_as_colour_science_has_it() -> None:
    light = picture()
    light[0, 0] = 0.0
    light[-1, -1] = 1.0
    space = reference.RGB_COLOURSPACES["sRGB"]
    xyz = reference.RGB_to_XYZ(light.astype(np.float64), space, apply_cctf_decoding=False)
    wanted = reference.XYZ_to_Lab(xyz, space.whitepoint)
    # its white is rounded to four digits, which moves a* and b* by a few hundredths
    np.testing.assert_allclose(picture_lab(light)[..., 0], wanted[..., 0], atol=0.01)
    np.testing.assert_allclose(picture_lab(light), wanted, atol=0.05)


def test_black_is_black_and_white_is_white() -> None:
    ends = np.array([[[0.0, 0.0, 0.0], [1.0, 1.0, 1.0]]], dtype=np.float32)
    assert picture_lab(ends)[0] == pytest.approx(np.array([[0.0, 0.0, 0.0], [100.0, 0.0, 0.0]]), abs=1e-3)


def test_a_part_of_a_picture_is_that_part() -> None:
    light = picture()
    np.testing.assert_array_equal(picture_lab(light[3:40, 5:30]), picture_lab(light)[3:40, 5:30])
