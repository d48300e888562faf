"""Strokes: never thinner than the brush, and from afar what they were painted after.

Thickness is measured by SciPy's morphology, colour by scikit-image (tests/paint/walls.py).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, label

from previz.colour import JND_DE76
from previz.paint.brush import Windows, brushed, strokes_of
from previz.paint.strokes import charts, disc, opened, regions, thickened, too_thin
from tests.paint.walls import grain_error, mean_error, offsets_disc, opening, rock, thin

BRUSH = 10.0


def everywhere(height: int, width: int) -> NDArray[np.bool_]:
    return np.ones((height, width), dtype=bool)


def blots(height: int, width: int, count: int, seed: int, smooth: float) -> NDArray[np.int32]:
    """Labels in blots of some size."""
    noise = np.random.default_rng(seed).standard_normal((count, height, width))
    return np.argmax([gaussian_filter(n, smooth) for n in noise], axis=0).astype(np.int32)


def lop_sided(height: int, width: int) -> NDArray[np.bool_]:
    """A chart that tapers, with a hole in it."""
    y, x = np.mgrid[:height, :width]
    on = x < 0.6 * width + 0.4 * width * y / height
    on[height // 3 : height // 2, width // 4 : width // 3] = False
    return np.asarray(on)


def identified(picture: NDArray[np.float32]) -> NDArray[np.int64]:
    """A number for each colour."""
    _, number = np.unique(picture.reshape(-1, 3), axis=0, return_inverse=True)
    return number.reshape(picture.shape[:2])


@pytest.mark.parametrize("diameter", [1.0, 2.0, 3.0, 4.7, 10.0, 13.2])
def test_the_disc_is_all_texels_within_half_the_diameter(diameter: float) -> None:
    rows = disc(diameter)
    assert [int((row.sum() - 1) // 2) for row in offsets_disc(diameter)] == rows.tolist()


@pytest.mark.parametrize("diameter", [2.0, 5.0, 8.5])
@pytest.mark.parametrize("smooth", [2.0, 5.0])
def test_openings_are_those_of_scipy(diameter: float, smooth: float) -> None:
    labels, on = blots(60, 70, 4, 3, smooth), lop_sided(60, 70)
    got = opened(labels, on, diameter)
    expected = np.zeros_like(on)
    for value in range(4):
        expected |= opening((labels == value) & on, on, diameter)
    assert np.array_equal(got, expected)
    assert int(too_thin(labels, on, diameter).sum()) == thin(labels, on, diameter)


def test_a_line_thinner_than_the_brush_is_found_and_one_as_wide_is_not() -> None:
    for width, expected in ((4, True), (int(BRUSH) + 1, False)):
        labels = np.zeros((60, 60), dtype=np.int32)
        labels[:, 20 : 20 + width] = 1
        assert bool(too_thin(labels, everywhere(60, 60), BRUSH)[30, 21]) is expected
        assert (thin(labels, everywhere(60, 60), BRUSH) > 0) is expected


def test_regions_are_those_of_scipy() -> None:
    labels, on = blots(50, 40, 3, 5, 2.0), lop_sided(50, 40)
    number, count = regions(labels, on)
    assert count == sum(label((labels == value) & on)[1] for value in range(3))
    assert set(np.unique(number[on])) == set(range(count))
    assert (number[~on] == -1).all()


@pytest.mark.slow
@given(st.integers(0, 10_000), st.sampled_from([3.0, 6.0, 9.0]), st.sampled_from([1.0, 2.5, 4.0]), st.booleans())
@settings(max_examples=25, deadline=None)
def test_whatever_is_thickened_keeps_the_rule(seed: int, brush: float, smooth: float, whole: bool) -> None:
    labels = blots(48, 56, 5, seed, smooth)
    on = everywhere(48, 56) if whole else lop_sided(48, 56)
    lab = np.random.default_rng(seed).uniform(0.0, 90.0, (5, 3))
    got = thickened(labels, on, brush, lab)
    assert thin(got, on, brush) == 0
    assert set(np.unique(got[on])) <= set(np.unique(labels[on]))
    assert (got[~on] == -1).all()


def test_what_is_thick_enough_stays_as_it_is() -> None:
    labels = np.zeros((60, 60), dtype=np.int32)
    labels[:, 30:] = 1
    lab = np.array([[20.0, 0, 0], [80.0, 0, 0]])
    assert np.array_equal(thickened(labels, everywhere(60, 60), BRUSH, lab), labels)


@given(st.integers(0, 1000), st.sampled_from([4.0, 7.5, 12.0]), st.booleans())
@settings(max_examples=10, deadline=None)
def test_no_stroke_is_thinner_than_the_brush(seed: int, brush: float, whole: bool) -> None:
    picture = rock(70, 60, seed)
    on = everywhere(70, 60) if whole else lop_sided(70, 60)
    strokes = strokes_of(picture, on, brush)
    assert thin(strokes.number, on, brush) == 0
    assert thin(identified(brushed(picture, on, brush)), on, brush) == 0


def test_the_local_mean_stays() -> None:
    picture = rock(220, 240, 1)
    error = mean_error(picture, brushed(picture, everywhere(220, 240), BRUSH), BRUSH)
    # the brief's own limit: 1 dE*ab within a window of a brush's width
    assert np.percentile(error, 95) < 1.0
    assert error.mean() < 0.5


def test_grain_is_given_back_between_strokes() -> None:
    picture, on = rock(220, 240, 2), everywhere(220, 240)
    painting = brushed(picture, on, BRUSH)
    strokes = strokes_of(picture, on, BRUSH)
    means = np.stack(
        [np.bincount(strokes.number.ravel(), picture[..., c].ravel()) / np.bincount(strokes.number.ravel())
         for c in range(3)], axis=1,
    )  # fmt: skip
    for brushes in (2, 4):
        sigma = 0.5 * brushes * BRUSH
        kept = grain_error(picture, painting, sigma).mean()
        lost = grain_error(picture, means[strokes.number], sigma).mean()
        assert abs(kept) < 0.1
        assert lost < kept - 0.02


def test_an_edge_stays_where_it_is_within_half_a_brush() -> None:
    picture = np.full((80, 120, 3), 0.1, dtype=np.float32)
    picture[:, 60:] = 0.5
    painting = brushed(picture, everywhere(80, 120), BRUSH)
    crossing = (painting[..., 1] > 0.3).argmax(axis=1)
    assert np.abs(crossing - 60).max() <= 0.5 * BRUSH
    assert np.abs(crossing - 60).mean() <= 0.15 * BRUSH
    assert mean_error(picture, painting, BRUSH).mean() < 1.0


def test_colours_do_not_cross_between_charts() -> None:
    picture = rock(60, 130, 4)
    picture[:, 65:, 0] *= 0.2
    owner = np.full((60, 130), -1)
    owner[:, :65], owner[:, 65:] = 7, 2
    on = everywhere(60, 130)
    both = brushed(picture, on, BRUSH, owner)
    assert np.array_equal(both[:, :65], brushed(picture[:, :65], on[:, :65], BRUSH))
    assert np.array_equal(both[:, 65:], brushed(picture[:, 65:], on[:, 65:], BRUSH))
    assert not np.array_equal(both, brushed(picture, on, BRUSH))
    windows = {tuple((s.start, s.stop) for s in window) for window, _ in charts(on, owner)}
    assert windows == {((0, 60), (0, 65)), ((0, 60), (65, 130))}


def test_what_is_not_wanted_says_nothing_and_gets_nothing() -> None:
    picture, on = rock(70, 60, 5), lop_sided(70, 60)
    spoilt = np.where(on[..., None], picture, np.float32(0.9))
    got = brushed(picture, on, BRUSH)
    assert np.array_equal(got, brushed(spoilt, on, BRUSH))
    assert (got[~on] == 0.0).all()
    assert (brushed(picture, np.zeros_like(on), BRUSH) == 0.0).all()


def test_a_brush_finer_than_two_texels_asks_for_nothing() -> None:
    picture = rock(20, 30, 6)
    assert np.allclose(brushed(picture, everywhere(20, 30), 1.5), picture, atol=1e-7)


@pytest.mark.parametrize("shape", [(1, 1), (1, 40), (12, 9), (30, 200)])
def test_a_brush_wider_than_the_piece(shape: tuple[int, int]) -> None:
    picture, on = rock(*shape, seed=7), everywhere(*shape)
    painting = brushed(picture, on, 60.0)
    assert thin(identified(painting), on, 60.0) == 0
    overall = mean_error(
        np.broadcast_to(picture.mean(axis=(0, 1)), picture.shape),
        np.broadcast_to(painting.mean(axis=(0, 1)), picture.shape),
        1.0,
    )
    assert overall.max() < JND_DE76


def test_no_stroke_leaves_the_range_of_the_picture() -> None:
    picture = rock(90, 90, 8)
    painting = brushed(picture, everywhere(90, 90), BRUSH)
    assert (painting >= picture.min(axis=(0, 1)) - 1e-6).all()
    assert (painting <= picture.max(axis=(0, 1)) + 1e-6).all()


def test_the_same_picture_gives_the_same_painting() -> None:
    picture, on = rock(60, 60, 9), everywhere(60, 60)
    assert brushed(picture, on, BRUSH).tobytes() == brushed(picture.copy(), on, BRUSH).tobytes()


def test_windows_are_gaussian_means_of_the_chart() -> None:
    picture, on = rock(100, 90, 10), lop_sided(100, 90)
    windows = Windows(on, 5.0)
    assert windows.step == 1
    got = windows.mean(windows.pooled(picture), 5.0)
    inside = on.astype(np.float64)
    blur = {"sigma": 5.0, "mode": "constant", "truncate": 3.0}
    expected = gaussian_filter(picture[..., 1] * inside, **blur) / np.maximum(gaussian_filter(inside, **blur), 1e-6)
    assert np.abs(got[..., 1] - expected)[on].max() < 1e-4
