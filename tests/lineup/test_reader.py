"""Which markers there are and where a camera is, against OpenCV, which shares no line with what is tested here."""

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from previz.lineup.family import MODULES, WHITE, black_modules
from previz.lineup.pnp import cv_from_world
from previz.lineup.reader import px_from_square, read_markers

FAMILY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


def paper(number: int, side: int) -> np.ndarray:
    """A marker on white paper, drawn by OpenCV."""
    marker = cv2.aruco.generateImageMarker(FAMILY, number, side)
    return np.pad(marker, side // 3, constant_values=255)


def test_all_members_are_as_opencv_prints_them() -> None:
    assert len(WHITE) == len(FAMILY.bytesList)
    for number in range(len(WHITE)):
        printed = cv2.aruco.generateImageMarker(FAMILY, number, MODULES) < 128
        np.testing.assert_array_equal(black_modules(number), printed)


def test_a_stranger_is_no_member() -> None:
    with pytest.raises(IndexError, match="0 to 586, not 587"):
        black_modules(len(WHITE))


@pytest.mark.parametrize("side", [24, 90, 400, 1500])
@pytest.mark.parametrize("turn", [0, 1, 2, 3])
def test_corners_begin_at_the_printed_top_left_however_it_is_turned(side: int, turn: int) -> None:
    picture = paper(231, side)
    rim, end = side // 3 - 0.5, side // 3 - 0.5 + side
    printed = np.array([(rim, rim), (end, rim), (end, end), (rim, end)])
    found = read_markers(np.ascontiguousarray(np.rot90(picture, turn)))
    assert list(found) == [231]
    # a quarter counter-clockwise takes (x, y) to (y, width - 1 - x)
    size = picture.shape[0] - 1
    for _ in range(turn):
        printed = np.column_stack([printed[:, 1], size - printed[:, 0]])
    assert np.abs(found[231] - printed).max() < max(1.0, 0.02 * side)


@pytest.mark.parametrize("seed", range(6))
def test_a_marker_seen_askew_is_read_as_opencv_reads_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    picture = paper(17 * seed, 240)
    square = np.array([(0, 0), (399, 0), (399, 399), (0, 399)], dtype=np.float32)
    askew = (square * 0.8 + 200.0 + rng.uniform(-70.0, 70.0, (4, 2))).astype(np.float32)
    warp = cv2.getPerspectiveTransform(square, askew)
    light = cv2.warpPerspective(picture, warp, (800, 800), borderValue=255)
    grey = np.clip(cv2.GaussianBlur(light, (0, 0), 1.0) * 0.6 + rng.normal(40.0, 6.0, light.shape), 0, 255)
    grey = grey.astype(np.uint8)
    corners, numbers, _ = cv2.aruco.ArucoDetector(FAMILY).detectMarkers(grey)
    found = read_markers(grey)
    assert list(found) == numbers.ravel().tolist() == [17 * seed]
    assert np.abs(found[17 * seed] - corners[0][0]).max() < 2.5


def test_a_number_at_two_places_says_nothing_and_a_mirrored_marker_is_none() -> None:
    one = paper(5, 120)
    assert list(read_markers(np.hstack([one, paper(6, 120), one]))) == [6]
    assert read_markers(np.ascontiguousarray(one[:, ::-1])) == {}


def test_noise_has_no_markers() -> None:
    rng = np.random.default_rng(1)
    noise = rng.integers(0, 256, (600, 900)).astype(np.uint8)
    assert read_markers(noise) == {}
    blobs = cv2.GaussianBlur(noise.astype(np.float32), (0, 0), 3.0)
    assert read_markers(np.where(blobs > blobs.mean(), 255, 0).astype(np.uint8)) == {}


def test_a_homography_is_opencvs() -> None:
    corners = np.array([(10.0, 20.0), (95.0, 12.0), (120.0, 130.0), (4.0, 99.0)])
    side = float(MODULES)
    square = np.array([(0.0, 0.0), (side, 0.0), (side, side), (0.0, side)], dtype=np.float32)
    wanted = cv2.getPerspectiveTransform(square, corners.astype(np.float32))
    np.testing.assert_allclose(px_from_square(corners), wanted, rtol=1e-5, atol=1e-6)


@pytest.mark.parametrize("flat", [True, False])
def test_exact_rays_give_the_place(flat: bool) -> None:
    for seed in range(40):
        rng = np.random.default_rng(seed)
        world = rng.normal(size=(int(rng.integers(4, 12)), 3)) * (0.4, 0.3, 0.0 if flat else 0.3) + (3.0, -2.0, 1.0)
        turn = Rotation.random(random_state=seed).as_matrix()
        shift = np.array([*rng.normal(size=2) * 0.3, 2.5]) - turn @ (3.0, -2.0, 1.0)
        seen = world @ turn.T + shift
        found = cv_from_world(world, seen[:, :2] / seen[:, 2:])
        assert found is not None
        # the millionth part of a radian and a hundredth of a millimetre
        assert np.abs(found[0] - turn).max() < 1e-6
        assert np.abs(found[1] - shift).max() < 1e-5


def test_rays_that_are_off_give_what_opencvs_sqpnp_gives() -> None:
    for seed in range(20):
        rng = np.random.default_rng(seed)
        world = rng.normal(size=(8, 3)) * 0.3
        turn = Rotation.random(random_state=seed).as_matrix()
        seen = world @ turn.T + (0.1, -0.1, 2.0)
        rays = seen[:, :2] / seen[:, 2:] + rng.normal(size=(8, 2)) * 1e-3
        found = cv_from_world(world, rays)
        good, rodrigues, shift = cv2.solvePnP(world, rays, np.eye(3), None, flags=cv2.SOLVEPNP_SQPNP)
        assert good
        assert found is not None
        assert np.abs(found[0] - cv2.Rodrigues(rodrigues)[0]).max() < 1e-4
        assert np.abs(found[1] - shift.ravel()).max() < 1e-4


def test_points_that_tell_nothing_give_no_place() -> None:
    assert cv_from_world(np.zeros((5, 3)), np.zeros((5, 2))) is None
    assert cv_from_world(np.eye(3)[:2], np.zeros((2, 2))) is None
