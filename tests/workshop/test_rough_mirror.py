"""What satin paint mirrors: streaks, held against the reflectance function summed over all ways out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from previz import gloss
from previz.look.softened import Softened
from previz.workshop.light.roughmirror import TAPS, TILE, mirrored_ways

UP = np.array([[0.0, 0.0, 1.0]])


def eyeward(degrees: float) -> np.ndarray:
    """A way to the lens so many degrees above a level surface, +Z up."""
    angle = np.radians(degrees)
    return np.array([[np.cos(angle), 0.0, np.sin(angle)]])


def all_ways(way_out: np.ndarray, roughness: float, count: int = 1500) -> tuple[np.ndarray, np.ndarray]:
    """Unit ways in (N, 3) about the mirror's and how much each counts (N,), 1 in all: the reflectance function of
    Walter et al. 2007 times the cosine, by the midpoint rule in elevation and azimuth."""
    elevation = (np.arange(count) + 0.5) / count * np.pi / 2.0
    azimuth = np.pi + np.linspace(-1.0, 1.0, count + 1)[:-1] * np.pi / 3.0
    e, a = np.meshgrid(elevation, azimuth, indexing="ij")
    ways = np.stack([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)], axis=-1).reshape(-1, 3)
    weights = gloss.reflectance(ways, np.broadcast_to(way_out, ways.shape), roughness) * ways[:, 2] * np.cos(e).ravel()
    return ways, weights / weights.sum()


@pytest.mark.parametrize("degrees", [10.0, 25.0, 60.0])
def test_a_streak_is_as_long_and_as_wide_as_the_reflectance_function_says(degrees: float) -> None:
    out = eyeward(degrees)
    ways, weights, spread = mirrored_ways(UP, out, "satin")
    assert ways.shape == (TAPS["satin"], 1, 3)
    assert weights.sum() == pytest.approx(1.0)
    there, share = all_ways(out[0], gloss.ROUGHNESS["satin"])
    # along: of surroundings that are white below a height and black above, as much is mirrored, to a way's share
    height, own = there[:, 2], ways[:, 0, 2]
    for level in np.sin(np.radians(np.arange(2.0, 85.0, 1.0))):
        below = float(weights[own < level].sum())
        on = float(weights[:, 0].max())
        assert below == pytest.approx(float(share[height < level].sum()), abs=0.9 * on)
    assert float((weights[:, 0] * own).sum()) == pytest.approx(float((share * height).sum()), abs=0.02)
    # across: half of it within 0.67 standard deviations, of the way's own turn about the mirror's plane
    across = np.abs(there[:, 1])
    order = np.argsort(across)
    half = across[order][np.searchsorted(np.cumsum(share[order]), 0.5)]
    assert half == pytest.approx(0.674 * spread[0], rel=0.35)


def test_a_tile_of_patches_mirrors_as_the_reflectance_function_says() -> None:
    """Nine places in a tile, each by a few ways, together mirror what all ways do: of surroundings that are white on
    one side of a line, level or upright, and black on the other; to a way's share across."""
    out = eyeward(25.0)
    row, column = (a.ravel() for a in np.indices((TILE, TILE)))
    ways, weights, _ = mirrored_ways(UP.repeat(9, axis=0), out.repeat(9, axis=0), "satin", (row, column))
    own, counts = ways.reshape(-1, 3), weights.ravel() / 9.0
    there, share = all_ways(out[0], gloss.ROUGHNESS["satin"])
    for axis in (1, 2):
        middle = float((share * there[:, axis]).sum())
        for aside in np.radians(np.arange(-12.0, 12.5, 1.5)):
            below = float(counts[own[:, axis] < middle + aside].sum())
            assert below == pytest.approx(float(share[there[:, axis] < middle + aside].sum()), abs=1.0 / 9.0)


def test_gloss_paint_mirrors_one_way() -> None:
    out = eyeward(30.0)
    ways, weights, _ = mirrored_ways(UP, out, "gloss")
    assert np.allclose(ways[0], out * [-1.0, 1.0, 1.0])
    assert weights.tolist() == [[1.0]]


def test_a_picture_through_a_window_of_any_width() -> None:
    """SciPy's Gaussian filter on an edge; what is as wide as a texel or less is the picture itself."""
    picture = np.zeros((256, 256, 3), dtype=np.float32)
    picture[:, 128:] = 1.0
    soft = Softened(picture)
    x = (np.arange(20, 236) + 0.5) / 256
    uv = np.stack([x, np.full_like(x, 0.5)], axis=1)
    assert np.abs(soft.at(uv, np.full(len(x), 0.2)) - picture[128, 20:236]).max() < 1e-6
    for sigma in (2.0, 5.0, 12.0):
        wanted = gaussian_filter(picture[..., 0], sigma)[128, 20:236]
        got = soft.at(uv, np.full(len(x), sigma))[:, 0]
        assert np.abs(got - wanted).max() < 0.13
        assert np.abs(got - wanted).mean() < 0.02
