"""Where paint is out of range: which face and which stretch, of places given by hand."""

from __future__ import annotations

import numpy as np
import pytest

from previz.stage.rangewhere import out_of_range_words, stretches_out


def test_faces_and_stretches() -> None:
    """Two hundred places along a bridge of 1 m: the left side is too dim from 400 mm on, the top nowhere."""
    z = np.tile(np.linspace(0.0, 1.0, 101), 2)
    points = np.column_stack([np.zeros_like(z), np.zeros_like(z), z])
    normals = np.repeat([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]], 101, axis=0)
    dim = (np.arange(202) >= 101) & (z >= 0.4)
    (found,) = stretches_out(points, normals, (dim, np.zeros(202, dtype=bool)), 202, 0.0)
    assert (found.face, found.needs) == ("left side", "bright")
    assert found.share == pytest.approx(61 / 202)
    assert (found.start, found.end) == pytest.approx((0.4, 1.0), abs=0.015)
    words = out_of_range_words(found.share, [found])
    assert "On 30 % of the bridge no paint is bright enough" in words
    assert "left side from 41" in words


def test_the_sill_counts_as_nought_and_small_faces_are_left_out() -> None:
    z = np.linspace(0.1, 0.5, 100)
    points = np.column_stack([np.zeros_like(z), np.zeros_like(z), z])
    normals = np.repeat([[0.0, 1.0, 0.0]], 100, axis=0)
    normals[:3] = [0.0, 0.0, 1.0]
    off = np.ones(100, dtype=bool)
    found = stretches_out(points, normals, (off, np.zeros(100, dtype=bool)), 100, 0.1)
    assert [one.face for one in found] == ["top", "near end"]
    assert found[0].end == pytest.approx(0.4, abs=0.02)
    assert "near end" not in out_of_range_words(1.0, found)
    dark = stretches_out(points, normals, (np.zeros(100, dtype=bool), off), 100, 0.1)
    assert "dark enough" in out_of_range_words(1.0, dark)
