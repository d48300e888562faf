"""Light on a map averaged over neighbours of one surface alone: NumPy's own sums over a folded plate."""

from __future__ import annotations

import numpy as np

from previz.workshop.light.resample import averaged_around
from previz.workshop.texels import TexelMap

SIDE = 0.01


def folded(size: int = 12) -> TexelMap:
    """A plate of ``size`` x ``size`` texels, folded up by a right angle in its middle row."""
    row, column = np.indices((size, size)) + 0.5
    half = 0.5 * size
    upright = row < half
    points = np.stack([column, np.where(upright, half - row, 0.0), np.where(upright, 0.0, row - half)], axis=-1) * SIDE
    normals = np.where(upright[..., None], [0.0, 0.0, 1.0], [0.0, 1.0, 0.0])
    return TexelMap(points.astype(np.float32), normals.astype(np.float32), np.ones((size, size), dtype=bool))


def test_nine_in_a_tile_come_out_as_their_mean_and_what_is_not_asked_stays() -> None:
    texels = folded()
    row, column = np.indices(texels.valid.shape)
    tile = ((row + column) % 3 + 3 * ((row + 2 * column) % 3)).astype(np.float32)[..., None]
    asked = np.zeros(texels.valid.shape, dtype=bool)
    asked[7:, :8] = True
    got = averaged_around(tile, texels, SIDE, asked, 1)[..., 0]
    assert np.allclose(got[7:-1, 1:8], 4.0, atol=1e-5)
    assert np.array_equal(got[~asked], tile[~asked, 0])


def test_nothing_runs_across_a_fold_and_a_slope_stays_as_it_is() -> None:
    texels = folded()
    row, column = np.indices(texels.valid.shape)
    # dark above the fold; below it a slope either way, which the mean of pairs across a place leaves alone
    picture = np.where(row < 6, 0.0, 10.0 + row + 0.5 * column).astype(np.float32)[..., None]
    got = averaged_around(picture, texels, SIDE, texels.valid, 1)
    assert np.allclose(got, picture, atol=1e-4)
    # of those in line along the fold the mean is still taken
    stripes = np.where(row < 6, 0.0, column % 3).astype(np.float32)[..., None]
    assert np.allclose(averaged_around(stripes, texels, SIDE, texels.valid, 1)[6:, 1:-1], 1.0, atol=1e-5)
