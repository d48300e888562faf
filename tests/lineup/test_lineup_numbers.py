"""What a line-up says it knows, and how well, at the numbers where the answer turns; NumPy, SciPy and closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import t as student

from previz.errors import PlateError
from previz.lineup.asbuilt import offset_of
from previz.lineup.correction import changes, correction
from previz.lineup.lenscheck import Lens, agree, lens_of
from previz.lineup.locate import Located
from previz.lineup.scatter import Linear
from previz.lineup.solve import CameraFit, Priors, solved_camera
from previz.workshop.photographs.find import Photograph
from tests.lineup.test_scatter import SQUARE, drawn
from tests.lineup.test_solve import FOCAL as FOCAL_PX
from tests.lineup.test_solve import TRUTH, plain, spread_points
from tests.lineup.trials import SIZE, expected

ALONG = np.array([1.0, 0.0, 0.0])

# place of ln focal length among a covariance's unknowns
FOCAL = 6


def seen(
    noise: float = 0.1, count: int = 40, seed: int = 3, k1: float = -0.05, priors: Priors | None = None
) -> CameraFit:
    """The camera from points whose places in the picture scatter by ``noise`` px."""
    rng = np.random.default_rng(seed)
    world = spread_points(rng, count)
    px = replace(TRUTH, k1=k1).px(world) + rng.normal(0.0, noise, (count, 2))
    return solved_camera(plain(world, px), [expected(*SIZE)], Priors() if priors is None else priors)


def test_a_strong_distortion_is_found() -> None:
    # a photographic lens's k1 is known to within 0.1 beforehand, no better (common practice, no source)
    assert seen(k1=-0.2).k1 == pytest.approx(-0.2, abs=0.01)


def test_the_misfit_is_the_length_of_what_is_left_over() -> None:
    # each way 0.1 px, so 0.1 sqrt 2 in length, less what 8 unknowns of 80 measurements take up: sqrt(72 / 80)
    rms = np.mean([seen(seed=seed).rms_px for seed in range(4)])
    assert rms == pytest.approx(0.1 * math.sqrt(2.0 * 72.0 / 80.0), rel=0.08)


def test_points_five_times_as_far_off_as_the_middle_one_are_left_out() -> None:
    # of 0.1 px each way the median length is 0.118 px, so that 1.4826 x 5 of it are 0.87 px
    rng = np.random.default_rng(2)
    world = spread_points(rng, 40)
    for off, kept in ((0.35, True), (2.5, False)):
        px = TRUTH.px(world) + np.random.default_rng(5).normal(0.0, 0.1, (40, 2))
        px[7] = TRUTH.px(world)[7] + [off, 0.0]
        assert bool(solved_camera(plain(world, px), [expected(*SIZE)], Priors()).used[7]) is kept


def test_a_focal_length_known_beforehand_weighs_by_its_own_deviation() -> None:
    # far better known than the points tell: the answer is the known one, and as sure as that
    known = 1.002 * FOCAL_PX
    tight = seen(priors=Priors(focal_px=(known, 0.05)))
    assert tight.camera.focal_px == pytest.approx(known, abs=0.15)
    assert tight.spread[FOCAL] * FOCAL_PX == pytest.approx(0.05, rel=0.1)
    # known no better than to a twentieth it is the points' own
    loose = seen(priors=Priors(focal_px=(known, 0.05 * FOCAL_PX)))
    assert loose.camera.focal_px == pytest.approx(seen().camera.focal_px, rel=1e-5)


def shifted(count: int, seed: int) -> Linear:
    return drawn(count, 0.01, 0.3, 0.01, np.random.default_rng(seed))


def test_few_shifted_markers_are_known_as_their_mean_is() -> None:
    """Variance of a mean of n shifts: 0.09 / n, whatever was thought beforehand; eight trials."""
    found = [line.variances(line.likeliest(), 1)[0] for line in (shifted(12, seed) for seed in range(8))]
    assert np.mean(found) == pytest.approx(0.3**2 / 12.0, rel=0.3)


def test_the_freedom_of_shifts_is_students() -> None:
    # 12 shifts each way, one unknown of one way: 11 to the right and 12 down tell one variance: 23
    values = [line.freedom(line.likeliest(), 1) for line in (shifted(12, seed) for seed in range(8))]
    assert np.mean(values) == pytest.approx(23.0, rel=0.2)
    assert np.abs(SQUARE).sum() == 4.0


def test_the_interval_of_every_step_is_students_of_ninety_five_in_a_hundred() -> None:
    solved = seen()
    factor = float(student.ppf(0.975, solved.freedom))
    steps = {step.name: step for step in correction(solved, expected(*SIZE), ALONG)}
    # place straight from the covariance: along the rail is x, across both is z
    assert steps["slide"].give == pytest.approx(factor * solved.spread[0], rel=1e-4)
    assert steps["height"].give == pytest.approx(factor * solved.spread[1], rel=1e-4)
    assert steps["focal length"].give == pytest.approx(
        factor * solved.spread[FOCAL] * expected(*SIZE).focal_px / solved.camera.focal_px, rel=1e-3
    )


def test_a_step_within_its_interval_is_left_alone() -> None:
    # a camera where it is wanted: all that is off is noise, beyond the interval in one of twenty
    words = [
        step.words
        for seed in range(5)
        for step in correction(seen(1.0, 24, seed), expected(*SIZE), ALONG)[:6]
    ]
    assert sum("leave it" in word for word in words) >= 0.8 * len(words)


def test_the_zoom_is_turned_by_a_share_of_where_it_is() -> None:
    real, wanted = expected(*SIZE), replace(expected(*SIZE), focal_px=1.25 * expected(*SIZE).focal_px)
    assert changes(real, wanted, ALONG)[6] == pytest.approx(0.25)
    assert changes(wanted, real, ALONG)[6] == pytest.approx(-0.2)


def test_turns_go_the_short_way_round() -> None:
    real, wanted = (expected(*SIZE).moved(pan=pan) for pan in (math.radians(178.0), math.radians(-178.0)))
    assert math.degrees(changes(real, wanted, ALONG)[3]) == pytest.approx(4.0, abs=0.05)


BRIDGE = np.array([(x, y, z) for x in (-0.025, 0.025) for y in (0.0, -0.012) for z in (0.05, 0.3, 0.7)])


def test_a_bridge_may_be_off_by_centimetres() -> None:
    solved = seen(0.01)
    # 30 mm each way (judgement, no source); out of the wall, where a picture tells least, it counts
    px = TRUTH.px(BRIDGE + [0.02, -0.015, 0.03])
    found = offset_of("bridge", plain(BRIDGE, px), solved)
    assert found.shift == pytest.approx([0.02, -0.015, 0.03], abs=1e-3)


def test_a_bridges_doubt_has_the_cameras_in_it() -> None:
    # the same bridge seen by a camera of known place, and by one that is unsure by 5 mm sideways
    solved = seen(0.01)
    px = TRUTH.px(BRIDGE) + np.random.default_rng(1).normal(0.0, 0.2, (len(BRIDGE), 2))
    nothing = np.zeros((8, 8))
    unsure = nothing.copy()
    unsure[0, 0] = 0.005**2
    alone, both = (
        offset_of("bridge", plain(BRIDGE, px), replace(solved, covariance=c)).spread[0] for c in (nothing, unsure)
    )
    # whatever the camera is off sideways the bridge is too
    assert both == pytest.approx(math.hypot(alone, 0.005), rel=0.02)
    assert alone < 0.002


def test_a_bridges_doubt_is_that_of_its_points() -> None:
    """Against the linearised fit: sqrt of the residuals' sum over what is left of freedom, not better than 0.2 px."""
    solved = replace(seen(0.01), covariance=np.zeros((8, 8)))
    for noise, least in ((1.0, False), (0.02, True)):
        spreads, missed = [], []
        for seed in range(6):
            px = TRUTH.px(BRIDGE) + np.random.default_rng(seed).normal(0.0, noise, (len(BRIDGE), 2))
            found = offset_of("bridge", plain(BRIDGE, px), solved)
            # the doubt sideways is the scatter of a mark over the size of a metre and the root of the marks
            spreads.append(float(found.spread[0]))
            missed.append(found.rms_px / math.sqrt(2.0) * math.sqrt(24.0 / 18.0))
        scatter = 0.2 if least else float(np.mean(missed))
        one = offset_of("bridge", plain(BRIDGE, TRUTH.px(BRIDGE)), solved).spread[0] / 0.2
        assert np.mean(spreads) == pytest.approx(scatter * one, rel=0.03)
        assert scatter == pytest.approx(max(noise, 0.2), rel=0.2)


def taken(focal_factors: tuple[float, ...] = (1.0,) * 3, centre: tuple[float, float] = (0.0, 0.0)) -> list[Located]:
    """Photographs of one set of points by one lens, its axis ``centre`` px off the picture's middle."""
    rng = np.random.default_rng(6)
    world = spread_points(rng, 20)
    out = []
    for factor in focal_factors:
        turns, place = tuple(rng.normal(0.0, 0.05, 3)), tuple(rng.normal(0.0, 0.08, 3))
        truth = replace(TRUTH, focal_px=factor * TRUTH.focal_px, k1=-0.06).knocked(place, turns)
        px = truth.px(world) + centre + rng.normal(0.0, 0.05, (20, 2))
        points = plain(world, px)
        guess = replace(expected(*SIZE), focal_px=factor * FOCAL_PX)
        blank = Photograph("x", np.zeros((SIZE[1], SIZE[0], 3), np.uint8), np.zeros((SIZE[1], SIZE[0]), np.uint8))
        out.append(Located(blank, points, solved_camera(points, [guess], Priors()), (), (), ()))
    return out


def test_a_lens_axis_off_the_middle_is_found_and_its_doubt_is_in_pixels() -> None:
    lens = lens_of(taken(centre=(12.0, -8.0)))
    # of 2400 px a hundredth, 24 px, is usual (common practice, no source)
    assert lens.centre_px == pytest.approx([SIZE[0] / 2 + 12.0, SIZE[1] / 2 - 8.0], abs=4.0)
    # the focal length is off by no more than a few of its own deviations, and these are px
    assert abs(lens.focal_px - FOCAL_PX) < 4.0 * lens.spread[0]
    assert 0.05 < lens.spread[0] < 10.0


def test_a_zoom_that_was_moved_is_told() -> None:
    with pytest.raises(PlateError, match="leave the zoom alone"):
        lens_of(taken((1.0, 1.0, 1.2)))


def test_a_photograph_agrees_with_the_lens_to_three_deviations() -> None:
    # 0.3 % each of both: 0.42 % together, three times that 1.27 %
    lens = Lens(FOCAL_PX, 0.0, np.zeros(2), np.array([0.003 * FOCAL_PX, 0, 0, 0]), 0.1, 4)
    covariance = np.zeros((8, 8))
    covariance[FOCAL, FOCAL] = 0.003**2
    solved = replace(seen(), covariance=covariance)
    for off, same in ((0.011, True), (0.015, False)):
        camera = replace(solved.camera, focal_px=FOCAL_PX * math.exp(off))
        assert agree(lens, replace(solved, camera=camera)) is same
