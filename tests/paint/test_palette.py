"""Palettes and which paint goes where.

Colour by scikit-image, thickness by SciPy's morphology (tests/paint/walls.py), clustering against SciPy's k-means.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.cluster.vq import kmeans2
from scipy.ndimage import uniform_filter

from previz import colour
from previz.colour import JND_DE76
from previz.paint.palette import Palette, labelled, palette, palette_of
from tests.paint.walls import grain_error, lab, mean_error, rock, thin

BRUSH = 8.0
HALF_CODE = 0.5 / 255.0


def even(height: int, width: int) -> NDArray[np.float32]:
    return np.ones((height, width), dtype=np.float32)


def greys(*levels: float) -> Palette:
    return palette(np.repeat(np.array(levels)[:, None], 3, axis=1))


def painting(labels: NDArray[np.int16], paints: Palette) -> NDArray[np.float64]:
    return paints.reflectance[labels.astype(int) - 1]


def test_one_paint_is_the_weighted_mean_in_linear_light() -> None:
    picture = rock(40, 50, 1)
    weight = np.random.default_rng(1).random((40, 50)).astype(np.float32)
    one = palette_of(picture, weight, 1)
    expected = np.average(picture.reshape(-1, 3).astype(np.float64), axis=0, weights=weight.ravel())
    assert len(one) == 1
    assert np.abs(colour.encoded(one.reflectance[0]) - colour.encoded(expected)).max() <= HALF_CODE + 1e-4


@given(st.lists(st.tuples(*[st.integers(0, 255)] * 3), min_size=1, max_size=6, unique=True), st.integers(0, 9))
@settings(max_examples=25, deadline=None)
def test_few_colours_are_all_found_whatever_the_count(colours: list[tuple[int, int, int]], seed: int) -> None:
    codes = np.array(colours, dtype=np.uint8)
    apart = np.linalg.norm(lab(colour.decoded(codes / 255.0))[:, None] - lab(colour.decoded(codes / 255.0)), axis=-1)
    assume((apart[np.triu_indices(len(codes), 1)] >= 4.0).all())
    picture = colour.decoded8(codes[np.arange(60) % len(codes)]).reshape(6, 10, 3)
    found = palette_of(picture, even(6, 10), 20, seed)
    assert {tuple(c) for c in found.codes.tolist()} == set(colours)


def test_paints_run_from_dark_to_light_and_their_values_are_those_of_their_codes() -> None:
    paints = palette_of(rock(60, 60, 2), even(60, 60), 12)
    assert len(paints) == 12
    assert (np.diff(paints.lab[:, 0]) >= 0.0).all()
    assert np.abs(lab(colour.decoded(paints.codes / 255.0)) - paints.lab).max() < 0.05
    assert np.allclose(colour.decoded(paints.codes / 255.0), paints.reflectance)


def test_clusters_are_about_as_tight_as_those_of_scipy() -> None:
    picture = rock(80, 80, 3)
    values = lab(picture).reshape(-1, 3)

    def spread(centres: NDArray[np.float64]) -> float:
        return float(np.sqrt((((values[:, None] - centres) ** 2).sum(axis=2)).min(axis=1).mean()))

    centres, _ = kmeans2(values, 12, seed=5, minit="++", iter=40)
    # clusters that heed rare colours a little more, rounded to codes, are not quite the tightest
    assert spread(palette_of(picture, even(80, 80), 12).lab) < 1.2 * spread(centres)


def test_what_weighs_nothing_is_not_painted_for() -> None:
    picture = rock(40, 40, 4)
    picture[:, 20:] = (0.8, 0.05, 0.05)
    weight = even(40, 40)
    weight[:, 20:] = 0.0
    assert palette_of(picture, weight, 8).lab[:, 1].max() < 30.0
    assert palette_of(picture, even(40, 40), 8).lab[:, 1].max() > 50.0


@pytest.mark.parametrize(
    ("count", "weight"), [(0, 1.0), (3, 0.0), (3, -1.0)], ids=["no colour", "no weight", "negative"]
)
def test_an_impossible_palette_is_refused(count: int, weight: float) -> None:
    with pytest.raises(ValueError, match=r"palette needs|weights must"):
        palette_of(rock(8, 8), weight * even(8, 8), count)


def test_the_same_picture_gives_the_same_palette() -> None:
    picture = rock(50, 50, 5)
    once, again = (palette_of(picture.copy(), even(50, 50), 9, 3) for _ in range(2))
    assert once.codes.tobytes() == again.codes.tobytes()


@given(st.integers(0, 1000), st.sampled_from([3.0, 6.0, 9.5]), st.sampled_from([2, 5, 12]))
@settings(max_examples=10, deadline=None)
def test_no_region_is_thinner_than_the_brush(seed: int, brush: float, count: int) -> None:
    picture = rock(60, 70, seed)
    on = np.ones((60, 70), dtype=bool)
    on[:, 50:] = np.arange(60)[:, None] > 20
    labels = labelled(picture, on, palette_of(picture, on.astype(np.float32), count), brush)
    assert thin(labels, on, brush) == 0
    assert (labels[~on] == 0).all()
    assert labels[on].min() >= 1
    assert labels.max() <= count


def test_local_mean_and_grain_come_out_right_where_the_palette_allows() -> None:
    # all greys, so that the paints' hull is a line and holds every local mean
    picture = np.repeat(rock(200, 220, 6)[..., 1:2], 3, axis=2)
    on = np.ones((200, 220), dtype=bool)
    paints = palette_of(picture, on.astype(np.float32), 12)
    made = painting(labelled(picture, on, paints, BRUSH), paints)
    boxes = [uniform_filter(np.asarray(v, np.float64), int(3 * BRUSH), axes=(0, 1)) for v in (picture, made)]
    error = np.linalg.norm(lab(boxes[0]) - lab(boxes[1]), axis=-1)
    assert np.percentile(error, 95) < JND_DE76
    for brushes in (1, 2, 4):
        assert abs(grain_error(picture, made, 0.5 * brushes * BRUSH).mean()) < 0.15


def test_strokes_take_up_each_others_error() -> None:
    # an even ground between two paints can only be mixed: without that it is all one paint
    picture = np.full((160, 160, 3), 0.20, dtype=np.float32)
    picture += np.random.default_rng(7).normal(0.0, 0.004, (160, 160, 1)).astype(np.float32)
    paints = greys(0.13, 0.25)
    on = np.ones((160, 160), dtype=bool)
    made = painting(labelled(picture, on, paints, BRUSH), paints)
    nearest = np.broadcast_to(paints.reflectance[1], made.shape)
    assert mean_error(picture, nearest, 2.0 * BRUSH).mean() > JND_DE76
    assert mean_error(picture, made, 2.0 * BRUSH).mean() < JND_DE76


def test_charts_are_painted_each_for_itself() -> None:
    picture = rock(60, 100, 8)
    on = np.ones((60, 100), dtype=bool)
    owner = np.repeat([[3, 9]], 50, axis=1) * np.ones((60, 1), dtype=int)
    paints = palette_of(picture, even(60, 100), 6)
    both = labelled(picture, on, paints, BRUSH, owner)
    assert np.array_equal(both[:, :50], labelled(picture[:, :50], on[:, :50], paints, BRUSH))
    assert np.array_equal(both[:, 50:], labelled(picture[:, 50:], on[:, 50:], paints, BRUSH))


@pytest.mark.parametrize("shape", [(1, 1), (2, 50), (25, 30)])
def test_a_brush_wider_than_the_piece_and_a_palette_of_one(shape: tuple[int, int]) -> None:
    picture, on = rock(*shape, seed=9), np.ones(shape, dtype=bool)
    assert thin(labelled(picture, on, palette_of(picture, even(*shape), 4), 50.0), on, 50.0) == 0
    assert (labelled(picture, on, palette_of(picture, even(*shape), 1), BRUSH) == 1).all()
    assert (labelled(picture, ~on, greys(0.1, 0.5), BRUSH) == 0).all()


def test_a_brush_as_fine_as_a_texel_mixes_texel_by_texel() -> None:
    picture = np.full((40, 40, 3), 0.20, dtype=np.float32)
    paints = greys(0.13, 0.25)
    labels = labelled(picture, np.ones((40, 40), dtype=bool), paints, 1.0)
    assert set(np.unique(labels)) == {1, 2}
    # a window of one texel's width sees single texels: mixing mends a part of the error of one paint
    alone = mean_error(picture, np.broadcast_to(paints.reflectance[1], picture.shape), 2.0).mean()
    assert mean_error(picture, painting(labels, paints), 2.0).mean() < 0.75 * alone
