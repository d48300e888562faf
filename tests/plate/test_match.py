"""The colour match: known changes found back, no change where none is due, and a published way as a rival."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import skimage.data
from scipy.optimize import minimize
from skimage.color import deltaE_ciede2000, rgb2lab

from previz import colour
from previz.errors import PlateError
from previz.plate.cdl import NO_CHANGE, Cdl
from previz.plate.match import ColourMatch, colour_match
from previz.plate.matchfit import COUNT, cdl_of, moved, quantile_fit
from previz.plate.space import AP1_FROM_RGB, SPACE_WORDS, Space, graded
from previz.plate.tones import bins, clipped, same_view, shared, tones_of
from tests.plate.stills import Picture, by_statistics, rock_face

# moderate changes, as between two cameras under two lamps
LOOKS: dict[Space, Cdl] = {
    "linear": Cdl((1.25, 1.0, 0.85), (0.008, -0.004, 0.010), (1.10, 1.15, 0.95), 0.80),
    "log": Cdl((1.10, 1.05, 0.95), (-0.030, 0.0, 0.020), (1.05, 1.10, 0.97), 0.85),
}


def apart(a: Picture, b: Picture) -> float:
    """Mean CIEDE2000 pixel by pixel, by scikit-image."""
    labs = [rgb2lab(colour.encoded(np.clip(v, 0.0, 1.0)).astype(np.float64)) for v in (a, b)]
    return float(deltaE_ciede2000(labs[0], labs[1]).mean())


def changed(picture: Picture, space: Space) -> Picture:
    return np.asarray(np.clip(graded(picture, LOOKS[space], space), 0.0, 1.0), dtype=np.float64)


@cache
def found_back(space: Space) -> ColourMatch:
    rock = rock_face(1)
    return colour_match(rock, changed(rock, space), space)


@pytest.mark.parametrize("space", ["linear", "log"])
def test_a_known_change_is_found_back(space: Space) -> None:
    match, look = found_back(space), LOOKS[space]
    assert match.asked
    np.testing.assert_allclose(match.cdl.slope, look.slope, rtol=0.02)
    np.testing.assert_allclose(match.cdl.offset, look.offset, atol=0.015)
    np.testing.assert_allclose(match.cdl.power, look.power, rtol=0.04)
    assert match.cdl.saturation == pytest.approx(look.saturation, rel=0.02)
    rock = rock_face(1)
    assert apart(graded(rock, match.cdl, space), changed(rock, space)) < 0.1
    assert match.after.mean_de00 < 0.1 < 5.0 < match.before.mean_de00
    assert (match.found, match.found_after) == (match.cdl, match.after)
    # both show the same view: there is nothing to be in doubt about
    assert (match.paired, match.change_de, match.doubt_de) == ("place", None, None)
    assert space in SPACE_WORDS


def test_a_known_change_is_found_without_places() -> None:
    """Mirrored, so that no place shows the same in both stills: the tones alone tell."""
    rock = rock_face(1)
    match = colour_match(rock, changed(rock, "log")[:, ::-1], "log")
    assert match.asked
    assert match.paired == "tones"
    assert apart(graded(rock, match.cdl, "log"), changed(rock, "log")) < 0.3
    assert match.change_de is not None
    assert match.doubt_de is not None
    assert match.change_de > match.doubt_de


def photographs() -> list[Picture]:
    """Three of scikit-image's own photographs, linear light, every third pixel."""
    files = (skimage.data.astronaut(), skimage.data.coffee(), skimage.data.chelsea())
    return [colour.decoded8(np.ascontiguousarray(photo[::3, ::3])) for photo in files]


# slopes of 0.5 to 2, with offset, power and saturation; the first is a portrait's that was declined once
GRADES = (
    Cdl((0.62, 0.70, 0.85), (0.0, 0.0, 0.0), (1.1, 1.1, 1.1), 0.7),
    Cdl((1.9, 1.1, 0.6), (0.01, 0.0, -0.01), (1.2, 0.9, 1.0), 1.3),
    Cdl((0.5, 0.8, 1.4), (0.0, 0.02, 0.01), (0.85, 1.0, 1.1), 0.8),
)


@pytest.mark.parametrize(("number", "space"), [(0, "linear"), (1, "log"), (2, "linear")])
def test_graded_photographs_are_matched_as_well_as_can_be(number: int, space: Space) -> None:
    photo, grade = photographs()[number], GRADES[number]
    plate = colour.decoded8(colour.encoded8(graded(photo, grade, "linear")))
    match = colour_match(photo, plate, space)
    assert apart(photo, plate) > 2.0
    assert match.asked
    # the best there is: SciPy's own optimiser on the true pairs of pixels, CIEDE2000 by scikit-image
    some, wanted = photo.reshape(-1, 3)[::9].astype(np.float64), plate.reshape(-1, 3)[::9]
    start = np.array([*np.log(match.found.slope), *match.found.offset, *np.log(match.found.power), 0.0])
    start[9] = np.log(match.found.saturation)

    def left(numbers: Picture) -> float:
        return apart(graded(some, cdl_of(numbers), space)[None], wanted[None])

    best = minimize(left, start, method="Powell", options={"maxiter": 2, "ftol": 1e-3})
    assert apart(graded(photo, match.cdl, space), plate) < best.fun + 0.3


def test_stills_that_differ_are_never_declined() -> None:
    """Two dE00 and above: asked for in any case, with a word where other parts would answer differently."""
    a, b = rock_face(22), rock_face(23)
    match = colour_match(a, b)
    assert match.before.mean_de00 > 2.0
    assert match.asked
    assert match.after.mean_de00 < 1.0
    assert any("other parts of the same pictures would answer differently" in words for words in match.cautions)


def test_two_pictures_of_one_view_are_told_from_others() -> None:
    rock = rock_face(1)
    peopled = changed(rock, "log").copy()
    peopled[30:170, 100:140] = (0.5, 0.08, 0.05)
    assert same_view(rock, peopled)
    assert not same_view(rock, rock[:, ::-1])
    assert not same_view(rock, rock_face(2))
    assert not same_view(rock, rock[:, :200])
    assert not same_view(rock, np.full_like(rock, 0.2))


def test_other_parts_of_the_same_wall() -> None:
    wall = rock_face(5, 520, 180)
    match = colour_match(wall[:, :320], changed(wall[:, 200:], "linear"))
    # what the parts themselves differ by stays
    assert apart(graded(wall, match.cdl, "linear"), changed(wall, "linear")) < 1.5
    assert apart(wall, changed(wall, "linear")) > 10.0


def test_a_figure_in_one_picture_does_not_pull() -> None:
    rock = rock_face(1)
    plate = changed(rock, "linear").copy()
    plate[30:170, 100:140] = (0.5, 0.08, 0.05)  # a red coat on a tenth of the picture
    coat = 140 * 40 / (300 * 180)
    match = colour_match(rock, plate)
    assert apart(graded(rock, match.cdl, "linear"), changed(rock, "linear")) < 0.1
    # of one view the same places are left out in both
    assert match.shared_share == pytest.approx((1.0 - coat, 1.0 - coat), abs=0.02)
    match = colour_match(rock, plate[:, ::-1])
    assert apart(graded(rock, match.cdl, "linear"), changed(rock, "linear")) < 0.4
    assert match.shared_share[0] > 0.98
    assert match.shared_share[1] == pytest.approx(1.0 - coat, abs=0.02)


def test_identical_pictures_and_noise_ask_for_nothing() -> None:
    rock = rock_face(2)
    noisy = np.clip(rock + np.random.default_rng(4).normal(0.0, 0.01, rock.shape), 0.0, 1.0)
    red_coat = rock.copy()
    red_coat[30:170, 100:140] = (0.5, 0.08, 0.05)
    for plate in (rock, noisy, red_coat):
        match = colour_match(rock, plate)
        assert not match.asked
        assert match.cdl == NO_CHANGE
        assert match.after == match.before
        # what it would have done is said all the same
        assert "the match found (slope" in match.reason
        assert f"would leave {match.found_after.mean_de00:.2f} dE00" in match.reason
        # noise alone is a difference from place to place that no match mends
        why = "no match brings them nearer" if plate is noisy else "below the 2.3 that can just be seen"
        assert why in match.reason


def test_other_rocks_of_the_same_kind_ask_for_nothing() -> None:
    match = colour_match(rock_face(28), rock_face(29))
    assert 2.0 > match.before.mean_de00 > colour.JND_DE00
    assert not match.asked
    assert match.cdl == NO_CHANGE
    assert match.found != NO_CHANGE
    assert "other parts of the same pictures" in match.reason or "can just be seen" in match.reason


def test_not_worse_than_the_transfer_of_statistics() -> None:
    rock = rock_face(1)
    plate = changed(rock, "linear")
    ours = apart(graded(rock, found_back("linear").cdl, "linear"), plate)
    assert ours < apart(by_statistics(rock, plate), plate)


def test_the_plate_can_be_moved_instead() -> None:
    rock = rock_face(1)
    match = colour_match(changed(rock, "linear"), rock, onto="miniature")
    assert match.onto == "miniature"
    assert apart(graded(rock, match.cdl, "linear"), changed(rock, "linear")) < 0.1


def test_clipping_is_told() -> None:
    rock = rock_face(1)
    bright = np.clip(rock * 4.0, 0.0, 1.0)
    match = colour_match(rock, bright)
    assert match.clipping.miniature == 0.0
    assert match.clipping.plate == pytest.approx(float((rock * 4.0 >= 1.0).any(axis=-1).mean()), abs=0.01)
    assert match.clipping.by_match > 0.1
    assert any("plate's still is clipped" in words for words in match.cautions)
    assert any("match the plate to it instead" in words for words in match.cautions)
    # quantiles at the clip are not believed: the gain is found although half the plate is white
    assert apart(graded(rock, match.cdl, "linear"), bright) < 1.0


def chart(colours: Picture) -> Picture:
    """Patches of 20 x 20 px in a row on grey."""
    picture = np.full((40, 20 * len(colours), 3), 0.2)
    for n, value in enumerate(colours):
        picture[10:30, 20 * n : 20 * n + 20] = value
    return picture


def boxes(count: int) -> list[tuple[tuple[int, int, int, int], tuple[int, int, int, int]]]:
    return [((20 * n + 2, 12, 20 * n + 18, 28),) * 2 for n in range(count)]


@pytest.mark.parametrize("space", ["linear", "log"])
def test_patches(space: Space) -> None:
    greys = [[level] * 3 for level in (0.03, 0.09, 0.19, 0.36, 0.6)]
    colours = np.array([*greys, [0.3, 0.06, 0.05], [0.06, 0.2, 0.08], [0.05, 0.06, 0.3]])
    miniature, plate = chart(colours), chart(changed(colours[None], space)[0])
    match = colour_match(miniature, plate, space, patches=boxes(8))
    look = LOOKS[space]
    np.testing.assert_allclose(match.cdl.slope, look.slope, rtol=0.02)
    np.testing.assert_allclose(match.cdl.offset, look.offset, atol=0.02)
    np.testing.assert_allclose(match.cdl.power, look.power, rtol=0.05)
    assert match.cdl.saturation == pytest.approx(look.saturation, rel=0.01)
    assert match.after.worst_de00 < 0.2


def test_one_grey_card_gives_a_gain() -> None:
    miniature, plate = chart(np.full((1, 3), 0.18)), chart(np.array([[0.24, 0.18, 0.12]]))
    linear = colour_match(miniature, plate, "linear", patches=boxes(1)).cdl
    np.testing.assert_allclose(linear.slope, (24 / 18, 1.0, 12 / 18), rtol=0.005)
    assert (linear.offset, linear.power, linear.saturation) == (NO_CHANGE.offset, NO_CHANGE.power, 1.0)
    # a gain is an offset of the logarithm, in AP1: log2 of it over 17.52 stops (S-2016-001)
    log = colour_match(miniature, plate, "log", patches=boxes(1)).cdl
    gain = AP1_FROM_RGB @ [0.24, 0.18, 0.12] / 0.18
    np.testing.assert_allclose(log.offset, np.log2(gain) / 17.52, atol=0.0005)
    same = colour_match(miniature, miniature, patches=boxes(1))
    assert not same.asked
    assert "patch differ" in same.reason


@pytest.mark.parametrize(
    ("box", "words"),
    [
        ((0, 0, 30, 41), "patch 1 of the plate's still is 0, 0 to 30, 41"),
        ((5, 5, 8, 30), "is 3 x 25 pixels; at least 4 x 4"),
        ((2, 12, 18, 28), "is clipped"),
    ],
)
def test_bad_patches(box: tuple[int, int, int, int], words: str) -> None:
    grey, white = chart(np.full((2, 3), 0.18)), chart(np.array([[1.0] * 3, [0.2] * 3]))
    with pytest.raises(PlateError, match=words):
        colour_match(grey, white, patches=[((2, 12, 18, 28), box)])


@pytest.mark.parametrize(
    ("plate", "words"),
    [
        (np.zeros((40, 40)), r"the plate's still measures \(40, 40\)"),
        (np.full((40, 40, 3), np.nan), "not numbers"),
        (np.full((40, 40, 3), 0.3), "one flat colour"),
        (np.zeros((4, 400, 3)), "at least 16 x 16"),
    ],
)
def test_bad_stills(plate: Picture, words: str) -> None:
    with pytest.raises(PlateError, match=words):
        colour_match(rock_face(1), plate)


def test_pictures_with_nothing_in_common_are_told() -> None:
    blue = np.clip(rock_face(3, 120, 80) * (0.05, 0.1, 1.5), 0.0, 1.0)
    blue[:, 60:] = rock_face(4, 120, 80)[:, 60:] * (1.8, 0.2, 0.02)
    match = colour_match(rock_face(1, 120, 80), blue)
    assert any("few colours in common" in words for words in match.cautions)


@pytest.mark.parametrize("space", ["linear", "log"])
def test_slopes_of_the_fit_against_differences(space: Space) -> None:
    random = np.random.default_rng(7)
    values = random.uniform(0.1, 0.6, (50, 3))
    numbers = np.array([0.1, -0.1, 0.05, 0.01, 0.02, -0.01, 0.1, -0.2, 0.05, 0.2])
    light, jacobian = moved(values, numbers, space)
    step = 1e-6
    for n in range(COUNT):
        up = moved(values, numbers + step * np.eye(COUNT)[n], space)[0]
        down = moved(values, numbers - step * np.eye(COUNT)[n], space)[0]
        np.testing.assert_allclose(jacobian[..., n], (up - down) / (2 * step), rtol=1e-5, atol=1e-5)
    assert light.shape == (50, 3)


def test_slopes_of_the_quantiles_against_differences() -> None:
    a, b = tones_of(rock_face(1)), tones_of(rock_face(2))
    fit, start = quantile_fit(a.linear, b.linear, np.ones(a.count), np.ones(b.count), "linear")
    jacobian = fit(start)[1]
    step = 1e-5
    for n in range(COUNT):
        change = step * np.eye(COUNT)[n]
        by_steps = (fit(start + change)[0] - fit(start - change)[0]) / (2 * step)
        np.testing.assert_allclose(jacobian[:, n], by_steps, rtol=1e-3, atol=1e-2 * float(np.abs(by_steps).max()))


def test_bins_are_means_between_ranks() -> None:
    values = np.random.default_rng(3).permutation(np.arange(10_000.0))
    means, _ = bins(values, np.ones(10_000))
    # 2 to 98 % of 10 000 even steps in 48 parts of 200
    np.testing.assert_allclose(means, 200.0 + 200.0 * np.arange(48) + 99.5)
    # a weight of two is the same as being there twice
    few = np.random.default_rng(4).uniform(size=300)
    twice, _ = bins(np.concatenate([few, few[:100]]), np.ones(400))
    weighted, _ = bins(few, np.concatenate([np.full(100, 2.0), np.ones(200)]))
    np.testing.assert_allclose(weighted, twice)


def test_shared_and_clipped() -> None:
    rock = rock_face(1).reshape(-1, 3)[::9]
    strange = np.tile([0.05, 0.7, 0.1], (500, 1))
    weights, others = shared(np.concatenate([rock, strange]), rock)
    assert weights[: len(rock)].mean() > 0.98
    assert weights[len(rock) :].max() < 0.05
    assert others.mean() > 0.98
    codes = np.array([[0, 9, 9], [254, 9, 9], [9, 255, 9]]) / 255.0
    assert clipped(colour.decoded(codes)).tolist() == [True, False, True]


def test_same_pictures_same_numbers() -> None:
    rock = rock_face(1)
    assert colour_match(rock, changed(rock, "log"), "log") == found_back("log")
