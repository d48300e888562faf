"""The solver against OpenCV's lens model and SciPy's rotations."""

import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from previz.camera import Camera, camera_for
from previz.errors import PlateError
from previz.lineup.asbuilt import offset_of
from previz.lineup.correction import changes, correction, head_angles, plumb_words, rig_axes
from previz.lineup.lenscheck import lens_of
from previz.lineup.locate import Located, located_by_points, read_points
from previz.lineup.solve import Points, Priors, distorted, solved_camera
from previz.workshop.photographs.find import Photograph
from tests.lineup.photographs import Truth
from tests.lineup.trials import ANGLES, LENS, PLACE, SENSOR, SIZE, against, errors_of, expected, misplaced

FOCAL = LENS / SENSOR * SIZE[0]
TRUTH = Truth(PLACE, ANGLES, FOCAL, SIZE, -0.05)


def plain(world: np.ndarray, px: np.ndarray, names: tuple[str, ...] | None = None) -> Points:
    """Points measured by hand."""
    n = len(world)
    words = names or tuple(f"p{k}" for k in range(n))
    return Points(world, px, np.full(n, -1), np.zeros((n, 2)), np.arange(n), words)


def spread_points(rng: np.random.Generator, count: int) -> np.ndarray:
    """Places in view, spread in depth."""
    return np.column_stack([rng.uniform(-0.3, 0.3, count), rng.uniform(-0.15, 0.15, count), rng.uniform(0, 0.5, count)])


def undistorted(camera: Camera, px: np.ndarray, k1: float) -> np.ndarray:
    """The inverse of :func:`distorted`, by iteration; to 1e-9 px for lenses that can be photographed with."""
    centre = np.array([camera.centre_x_px, camera.centre_y_px])
    seen = (np.asarray(px, dtype=np.float64) - centre) / camera.focal_px
    off = seen
    for _ in range(40):
        off = seen / (1.0 + k1 * np.sum(off**2, axis=-1, keepdims=True))
    return np.asarray(centre + camera.focal_px * off)


def test_distortion_is_opencvs_and_its_inverse() -> None:
    camera = replace(expected(*SIZE), world_from_cam=np.eye(4))
    points = np.column_stack([np.linspace(-0.4, 0.4, 9), np.linspace(0.3, -0.2, 9), np.full(9, -1.0)])
    ours = distorted(camera, camera.project(points), -0.08)
    k = np.array([[camera.focal_px, 0, camera.centre_x_px], [0, camera.focal_px, camera.centre_y_px], [0, 0, 1.0]])
    flipped = points * (1.0, -1.0, -1.0)
    theirs, _ = cv2.projectPoints(flipped, np.zeros(3), np.zeros(3), k, np.array([-0.08, 0.0, 0.0, 0.0]))
    assert np.abs(ours - theirs.reshape(-1, 2)).max() < 1e-8
    assert np.abs(undistorted(camera, ours, -0.08) - camera.project(points)).max() < 1e-6


def test_exact_points_give_the_exact_camera() -> None:
    world = spread_points(np.random.default_rng(1), 24)
    solved = solved_camera(plain(world, TRUTH.px(world)), [expected(*SIZE)], Priors())
    assert np.abs(errors_of(solved, TRUTH)).max() < 1e-6


def test_a_focal_length_far_from_the_guess_is_found() -> None:
    world = spread_points(np.random.default_rng(1), 24)
    guess = replace(expected(*SIZE), focal_px=0.7 * FOCAL)
    solved = solved_camera(plain(world, TRUTH.px(world)), [guess], Priors())
    assert np.abs(errors_of(solved, TRUTH)).max() < 1e-5


def test_wrong_points_are_left_out() -> None:
    rng = np.random.default_rng(2)
    world = spread_points(rng, 30)
    px = TRUTH.px(world) + rng.normal(0.0, 0.1, (30, 2))
    px[[3, 11, 20]] += [(40.0, 5.0), (-8.0, 9.0), (300.0, -200.0)]
    solved = solved_camera(plain(world, px), [expected(*SIZE)], Priors())
    assert not solved.used[[3, 11, 20]].any()
    assert solved.used.sum() >= 25
    assert np.abs(errors_of(solved, TRUTH)[:3]).max() < 1e-3


def test_points_that_belong_to_nothing_are_refused() -> None:
    rng = np.random.default_rng(3)
    with pytest.raises(PlateError):
        solved_camera(plain(spread_points(rng, 12), rng.uniform(0, 1500, (12, 2))), [expected(*SIZE)], Priors())


@pytest.mark.slow
def test_stated_uncertainty_covers_the_truth() -> None:
    # corners with noise, no picture drawn: of 24 trials of 7 unknowns a share of 0.87 is nearly five standard
    # deviations of the binomial, sqrt(0.95 * 0.05 / 168), below 0.95
    covered = np.array([misplaced(number, 0.0).covered[:7] for number in range(24)])
    assert 0.87 <= covered.mean() <= 0.995


@pytest.mark.slow
@pytest.mark.parametrize(("misprint", "ink"), [(5e-5, 0.0), (0.0, 5e-5)])
def test_stated_uncertainty_covers_what_paper_and_ink_do(misprint: float, ink: float) -> None:
    # twelve trials of 7 unknowns, several of which err together; independent edges of one growth covered 0.7 of each
    # with markers 0.05 mm beside their places, and 0.13 of the distances with ink that has run by 0.05 mm
    trials = [misplaced(number, 0.0, misprint, ink) for number in range(12)]
    covered = np.array([trial.covered[:7] for trial in trials])
    assert covered.mean() >= 0.85
    assert covered[:, [2, 6]].mean() >= 0.75
    assert all(trial.right.all() for trial in trials)


@pytest.mark.slow
def test_a_photograph_taken_before_cancels_how_the_sheets_hang() -> None:
    knocks = [against(number, 5e-4) for number in range(6)]
    assert all(knock.right.all() for knock in knocks)
    assert max(float(np.linalg.norm(knock.errors[:3])) for knock in knocks) < 1e-3
    assert np.mean([knock.covered for knock in knocks]) >= 0.8


def test_head_angles_undo_scipys_rotations() -> None:
    for pan, tilt, roll in np.random.default_rng(1).uniform(-1.2, 1.2, (20, 3)):
        m = np.eye(4)
        m[:3, :3] = Rotation.from_euler("YXZ", [-pan, tilt, -roll]).as_matrix()
        assert np.abs(head_angles(m) - (pan, tilt, roll)).max() < 1e-9


@pytest.mark.parametrize(
    ("knock", "words"),
    [
        ((0.003, 0, 0, 0, 0, 0), "slide 3.0 mm to the left"),
        ((-0.003, 0, 0, 0, 0, 0), "slide 3.0 mm to the right"),
        ((0, 0.003, 0, 0, 0, 0), "lower 3.0 mm"),
        ((0, -0.003, 0, 0, 0, 0), "raise 3.0 mm"),
        ((0, 0, 0.003, 0, 0, 0), "move 3.0 mm towards the wall"),
        ((0, 0, 0, 0.4, 0, 0), "pan 0.40 deg to the left"),
        ((0, 0, 0, 0, 0.4, 0), "tilt 0.40 deg down"),
        ((0, 0, 0, 0, 0, 0.4), "roll 0.40 deg counter-clockwise"),
    ],
)
def test_words_bring_the_camera_back(knock: tuple[float, ...], words: str) -> None:
    # what the crew would do is the opposite of what was done (common practice, no source)
    world = spread_points(np.random.default_rng(1), 24)
    truth = TRUTH.knocked(knock[:3], tuple(np.radians(knock[3:])))
    solved = solved_camera(plain(world, truth.px(world)), [expected(*SIZE)], Priors())
    steps = correction(solved, expected(*SIZE), np.array([1.0, 0.0, 0.0]))
    told = [step.words for step in steps if step.sure and abs(step.change) > 1e-4]
    assert len(told) == 1
    assert told[0].startswith(words)


def test_doing_the_steps_leads_to_the_wanted_camera() -> None:
    real, wanted = camera_for((0.02, 0.2, 1.1), 0.1, -0.2, 0.03, 0.035, 0.036, 1800, 1200), expected(1800, 1200)
    along = np.array([0.8, 0.0, 0.6])
    change = changes(real, wanted, along)
    assert np.allclose(real.position + change[:3] @ rig_axes(along), wanted.position)
    assert np.allclose(head_angles(real.world_from_cam) + change[3:6], head_angles(wanted.world_from_cam))
    assert math.isclose(real.focal_px * (1.0 + change[6]), wanted.focal_px)
    assert np.allclose(rig_axes(along) @ rig_axes(along).T, np.eye(3))


def test_the_offset_of_a_bridge_is_found() -> None:
    rng = np.random.default_rng(4)
    world = spread_points(rng, 40)
    solved = solved_camera(plain(world, TRUTH.px(world)), [expected(*SIZE)], Priors())
    bridge = np.array([(x, y, z) for x in (-0.025, 0.025) for y in (0.0, -0.012) for z in (0.05, 0.3, 0.7)])
    shift, turn = np.array([0.004, -0.002, 0.003]), Rotation.from_euler("Y", 0.01)
    about = bridge.mean(axis=0)
    real = turn.apply(bridge - about) + about + shift
    px = TRUTH.px(real) + rng.normal(0.0, 0.2, (len(bridge), 2))
    offset = offset_of("bridge", plain(bridge, px), solved)
    assert np.all(np.abs(offset.shift - shift) < 3.0 * offset.spread[:3])
    assert np.abs(offset.shift - shift).max() < 2e-3
    assert np.abs(offset.moved(bridge) - real).max() < 3e-3


@pytest.mark.slow
def test_lens_check_agrees_with_opencvs_own_calibration() -> None:
    rng = np.random.default_rng(6)
    world = spread_points(rng, 40)
    taken, ours, theirs = [], [], []
    for _ in range(5):
        turns = tuple(rng.normal(0.0, 0.05, 3))
        truth = replace(TRUTH, k1=-0.06).knocked(tuple(rng.normal(0.0, 0.08, 3)), turns)
        px = truth.px(world) + rng.normal(0.0, 0.1, (40, 2))
        points = plain(world, px)
        solved = solved_camera(points, [expected(*SIZE)], Priors())
        blank = Photograph("x", np.zeros((SIZE[1], SIZE[0], 3), np.uint8), np.zeros((SIZE[1], SIZE[0]), np.uint8))
        taken.append(Located(blank, points, solved, (), (), ()))
        ours.append(world.astype(np.float32))
        theirs.append((px - 0.5).astype(np.float32))
    lens = lens_of(taken)
    flags = cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_ZERO_TANGENT_DIST
    flags |= cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3
    _, k, d, _, _ = cv2.calibrateCamera(ours, theirs, SIZE, TRUTH.k.copy(), np.zeros(5), flags=flags)
    assert abs(lens.focal_px / k[0, 0] - 1.0) < 5e-4
    assert abs(lens.k1 - d.ravel()[0]) < 2e-3
    assert abs(lens.focal_px - FOCAL) < 4.0 * lens.spread[0]
    assert abs(lens.k1 + 0.06) < 4.0 * lens.spread[1]


def test_named_points_without_markers(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    world = spread_points(rng, 9)
    px = TRUTH.px(world) + rng.normal(0.0, 0.3, (9, 2))
    rows = ["name,x,y,z,px,py"]
    rows += [
        f"point {n},{x * 1e3:.2f},{y * 1e3:.2f},{z * 1e3:.2f},{u:.2f},{v:.2f}"
        for n, ((x, y, z), (u, v)) in enumerate(zip(world, px, strict=True))
    ]
    path = tmp_path / "points.csv"
    path.write_text("\n".join(rows), encoding="utf-8")
    blank = Photograph("x", np.zeros((SIZE[1], SIZE[0], 3), np.uint8), np.zeros((SIZE[1], SIZE[0]), np.uint8))
    found = located_by_points(blank, read_points(path), expected, Priors(k1=-0.05))
    errors = errors_of(found.solved, TRUTH)[:7]
    assert np.all(np.abs(errors) < 4.0 * found.solved.spread[:7])
    assert np.abs(errors[:3]).max() < 0.01


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name,x,y\n", "expected the columns"),
        ("name,x,y,z,px,py\na,1,2,3,4,no\n", "points.csv:2"),
        ("name,x,y,z,px,py\na,1,2,3,4,5\na,1,2,3,4,5\n", "there twice"),
        ("name,x,y,z,px,py\na,1,2,nan,4,5\n", "not finite"),
    ],
)
def test_a_wrong_table_of_points_is_refused(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "points.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PlateError, match=said):
        read_points(path)


def test_a_climbing_rail_tells_its_shifts_along_it_and_by_plumb_line() -> None:
    # a rail that climbs 3 in 4 (the 3-4-5 triangle): 5 mm along it are 4 mm aside and 3 mm up
    along = np.array([0.8, 0.6, 0.0])
    world = spread_points(np.random.default_rng(1), 24)
    truth = TRUTH.knocked((0.0, -0.005, 0.0), (0.0, 0.0, 0.0))
    solved = solved_camera(plain(world, truth.px(world)), [expected(*SIZE)], Priors())
    told = [step.words for step in correction(solved, expected(*SIZE), along) if step.sure and abs(step.change) > 1e-4]
    # 5 mm plumb up are 3 mm up along the rail, and 4 mm square to it
    assert told[0].startswith("slide 3.0 mm to the right along the rail")
    assert told[1].startswith("raise 4.0 mm square to the rail")
    assert len(told) == 2
    words = plumb_words(solved.camera, expected(*SIZE), along)
    assert "5.0 mm up" in words
    assert "0.0 mm to the" in words
    assert plumb_words(solved.camera, expected(*SIZE), np.array([1.0, 0.0, -0.3])) == ""
