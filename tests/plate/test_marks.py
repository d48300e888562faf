"""The plate's camera found again from marks, against a camera by OpenCV; noise, and marks that cannot tell."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from previz.errors import PlateError
from previz.plate.marks import Marks, SolvedCamera, Upright, numbers_from, solve_camera
from tests.plate.cameras import NEAR, QUARRY, TALL, FullSize, marks_of, picture_of, shown

PIXEL = 1.0


def check(found: SolvedCamera, camera: FullSize, relative: float = 1e-7) -> None:
    x, y, z = camera.place
    assert found.height.value == pytest.approx(-y, rel=relative)
    assert found.distance.value == pytest.approx(-z, rel=relative)
    assert found.lateral.value == pytest.approx(x, abs=1e-6)
    assert found.tilt.value == pytest.approx(camera.tilt, abs=1e-6)
    assert found.roll.value == pytest.approx(camera.roll, abs=1e-6)
    assert found.misfit_px < 1e-3 * PIXEL


@pytest.mark.parametrize("what", ["h", "he", "hp", "p", "hep"])
@pytest.mark.parametrize("camera", [QUARRY, NEAR], ids=["quarry", "near"])
def test_exact_marks_give_the_camera_exactly(camera: FullSize, what: str) -> None:
    found = solve_camera(picture_of(camera), marks_of(camera, what))
    check(found, camera)
    assert (found.pan is None) == ("e" not in what)


def test_edges_alone_do_for_a_level_camera_and_tell_the_pan() -> None:
    camera = replace(NEAR, roll=0.0)
    found = solve_camera(picture_of(camera), marks_of(camera, "e", edges_turn=0.12))
    check(found, camera)
    assert found.pan is not None
    assert found.pan.value == pytest.approx(-0.12, abs=1e-6)
    assert found.roll.sigma == 0.0
    assert "roll taken as level" in found.text[0]


@given(
    distance=st.floats(4.0, 40.0), down=st.floats(2.0, 30.0), aside=st.floats(-0.2, 0.2),
    off=st.floats(-10.0, 10.0), roll=st.floats(-6.0, 6.0),
)  # fmt: skip
@settings(max_examples=40, deadline=None)
def test_any_camera_that_sees_the_performer_is_found(
    distance: float, down: float, aside: float, off: float, roll: float
) -> None:
    # the feet ``down`` degrees below the horizon, the lens turned to within 10 degrees of them
    height = distance * math.tan(math.radians(down))
    place = (aside * distance, -height, -distance)
    camera = FullSize(place, math.radians(off - down), math.radians(roll), 0.0, 0.02, 0.036, 4096, 3072)
    ends = shown(camera, (0.0, 0.0, 0.0), (0.0, -TALL, 0.0))
    assume(((ends > 0) & (ends < [4096, 3072])).all())
    check(solve_camera(picture_of(camera), marks_of(camera, "h")), camera, 1e-6)


def test_the_pose_agrees_with_opencv_on_the_same_marks() -> None:
    # solvePnP on performer and pole, four points in the plane between them
    camera = replace(NEAR, roll=0.02)
    marks = marks_of(camera, "hp")
    x, y, z = camera.place
    at = np.array([[0, 0, 0], [0, -TALL, 0], [0.08 * z, 0, 0.3 * z], [0.08 * z, -2.0, 0.3 * z]])
    px = np.array([end for upright in marks.uprights for end in (upright.foot, upright.head)]) - 0.5
    f = 35.0 / 35.9 * 1920
    matrix = np.array([[f, 0, 959.5], [0, f, 539.5], [0, 0, 1.0]])
    done, turn, shift = cv2.solvePnP(at, px, matrix, None, flags=cv2.SOLVEPNP_ITERATIVE)
    assert done
    place = -cv2.Rodrigues(turn)[0].T @ shift.ravel()
    found = solve_camera(picture_of(camera), marks)
    assert [found.lateral.value, -found.height.value, -found.distance.value] == pytest.approx(list(place), abs=1e-3)
    assert list(place) == pytest.approx([x, y, z], abs=1e-3)


@pytest.mark.parametrize("what", ["h", "e", "he"])
def test_one_pixel_of_noise_leaves_height_within_2_percent_and_tilt_within_0_3_deg(what: str) -> None:
    rng = np.random.default_rng(7)
    trials = 120
    z_scores, heights, tilts, doubts = [], [], [], []
    for _ in range(trials):
        found = solve_camera(picture_of(QUARRY), marks_of(QUARRY, what, rng))
        heights.append(found.height.value / 8.6 - 1.0)
        tilts.append(math.degrees(found.tilt.value - QUARRY.tilt))
        errors = (found.height, 8.6), (found.distance, 28.0), (found.tilt, QUARRY.tilt)
        z_scores.append([(solved.value - true) / solved.sigma for solved, true in errors])
        doubts.append(found.doubt)
    # measured: height 0.50 to 0.55 %, tilt 0.008 to 0.044 deg (standard deviations)
    assert np.abs(heights).max() < 0.02
    assert np.abs(tilts).max() < 0.3
    # the stated deviation covers: of a normal error 95.4 % lie within two; binomial spread of 120 trials 1.9 %
    covered = (np.abs(z_scores) < 2.0).mean(axis=0)
    assert (covered > 0.89).all()
    assert np.std(z_scores, axis=0) == pytest.approx(np.ones(3), abs=0.2)
    assert np.mean(np.array(doubts) < 0.01) < 0.05


def test_a_small_figure_is_said_to_leave_the_height_loose_and_a_pole_mends_it() -> None:
    # the quarry's plate at 1920 wide: 126 px tall, a pixel at either end is 1.1 % of it
    small = replace(QUARRY, width_px=1920, height_px=1080)
    alone = solve_camera(picture_of(small), marks_of(small, "h"))
    assert any("pole of known length" in line for line in alone.text)
    # sqrt(2) px of 126 is 1.12 %: the horizon adds next to nothing
    assert alone.height.sigma / alone.height.value == pytest.approx(math.sqrt(2.0) / 126.4, rel=0.1)
    with_pole = solve_camera(picture_of(small), marks_of(small, "hp"))
    assert with_pole.height.sigma < 0.6 * alone.height.sigma
    assert not any("pole" in line for line in with_pole.text)


def test_a_solved_camera_is_a_plate_to_scale() -> None:
    picture = picture_of(NEAR)
    plate = numbers_from(solve_camera(picture, marks_of(NEAR, "h")), picture, 1.5)
    assert (plate.lens, plate.used_width, plate.travel) == (0.035, 0.0359, 1.5)
    assert [plate.lateral, plate.height, plate.distance] == pytest.approx([0.4, 1.6, 9.0], abs=1e-6)
    assert [plate.tilt, plate.roll] == pytest.approx([NEAR.tilt, NEAR.roll], abs=1e-7)


def test_half_the_noise_is_half_the_doubt_about_every_number() -> None:
    marks = marks_of(NEAR, "he")
    coarse, fine = (solve_camera(picture_of(NEAR), replace(marks, noise_px=noise)) for noise in (1.0, 0.5))
    for name in ("height", "distance", "lateral", "tilt", "roll", "pan"):
        assert getattr(fine, name).sigma == pytest.approx(0.5 * getattr(coarse, name).sigma, rel=1e-3)


def test_marks_that_contradict_one_another_are_told() -> None:
    camera = replace(NEAR, roll=0.0)
    marks = marks_of(camera, "he")
    assert not any("contradict" in line for line in solve_camera(picture_of(camera), marks).text)
    assert marks.horizon is not None
    (x0, y0), (x1, y1) = marks.horizon
    moved = replace(marks, horizon=((x0, y0 + 40.0), (x1, y1 + 40.0)))
    assert any("contradict" in line for line in solve_camera(picture_of(camera), moved).text)


LEVEL = replace(NEAR, roll=0.0)
EXACT = marks_of(LEVEL, "he")


def changed(**changes: object) -> Marks:
    return replace(EXACT, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("marks", "words"),
    [
        (changed(uprights=(Upright((900.0, 700.0), (901.0, 699.0), TALL),)), "head lies on the feet"),
        (changed(uprights=(Upright((900.0, 1200.0), (900.0, 400.0), TALL),)), "outside the picture"),
        (changed(horizon=((500.0, 300.0), (501.0, 300.0))), "horizon's two points are 1.0 px apart"),
        (changed(horizon=((500.0, 300.0), (500.0, 1e9))), "too far outside"),
        (changed(horizon=None, edges=None), "do not tell the tilt; mark the horizon"),
        (changed(edges=(((100.0, 1000.0), (600.0, 500.0)), ((500.0, 1000.0), (1000.0, 500.0)))), "do not meet"),
        (changed(edges=(((100.0, 900.0), (1000.0, 900.0)), ((100.0, 800.0), (1000.0, 801.0)))), "do not meet"),
        (changed(edges=(((100.0, 900.0), (101.0, 900.0)), ((100.0, 800.0), (1000.0, 801.0)))), "1.0 px apart"),
        (changed(edges=(((100.0, 900.0), (1000.0, 400.0)), ((100.0, 400.0), (1000.0, 900.0)))), "cross where"),
        (changed(horizon=((0.0, 700.0), (1900.0, 700.0)), uprights=(Upright((900.0, 701.0), (900.0, 400.0), TALL),)),
         "horizon goes through the feet"),
    ],
)  # fmt: skip
def test_marks_that_cannot_tell_are_refused_in_one_line(marks: Marks, words: str) -> None:
    with pytest.raises(PlateError) as told:
        solve_camera(picture_of(LEVEL), marks)
    assert words in str(told.value)
    assert "\n" not in str(told.value)


def test_feet_and_head_swapped_are_told() -> None:
    (performer,) = EXACT.uprights
    swapped = changed(uprights=(Upright(performer.head, performer.foot, TALL),), edges=None)
    with pytest.raises(PlateError, match="swapped"):
        solve_camera(picture_of(LEVEL), swapped)


def test_two_uprights_at_one_distance_do_not_tell_the_tilt() -> None:
    (performer,) = EXACT.uprights
    foot, head = ((x + 200.0, y) for x, y in (performer.foot, performer.head))
    beside = Upright(foot, head, TALL)
    with pytest.raises(PlateError, match="tilt"):
        solve_camera(picture_of(LEVEL), Marks((performer, beside)))
