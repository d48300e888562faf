"""Rigid transforms and the homography of a plane, against SciPy, OpenCV and Hartley and Zisserman."""

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from previz.camera import Camera, camera_for
from previz.geometry import (
    Array,
    cv_from_world,
    inverse_rigid,
    rigid,
    transform_points,
    turned,
    unit,
)
from tests.homography import plane_homography


def calibration(camera: Camera) -> Array:
    """The book's K, (3, 3), of a camera of this package."""
    f = camera.focal_px
    return np.array([[f, 0, camera.centre_x_px], [0, f, camera.centre_y_px], [0, 0, 1.0]])


def test_turned_is_scipys_roll_then_tilt_then_pan() -> None:
    rng = np.random.default_rng(1)
    for pan, tilt, roll in rng.uniform(-3.0, 3.0, (50, 3)):
        # pan to the right and clockwise roll are negative turns about Y up and Z towards the operator
        wanted = Rotation.from_euler("YXZ", [-pan, tilt, -roll]).as_matrix()
        np.testing.assert_allclose(turned(pan, tilt, roll), wanted, atol=1e-12)


def test_each_turn_goes_the_way_its_name_says() -> None:
    ahead = np.array([0.0, 0.0, -1.0])
    assert (turned(0.1, 0, 0) @ ahead)[0] > 0, "pan is to camera right"
    assert (turned(0, 0.1, 0) @ ahead)[1] > 0, "tilt is up"
    assert (turned(0, 0, 0.1) @ [0.0, 1.0, 0.0])[0] > 0, "roll is clockwise: the camera's top leans right"


def test_transforms_undo_and_chain() -> None:
    rng = np.random.default_rng(2)
    points = rng.normal(size=(7, 5, 3))
    b_from_a = rigid(turned(0.3, -0.2, 0.1), [1.0, 2.0, -3.0])
    c_from_b = rigid(turned(-1.0, 0.4, 2.0), [0.1, -0.4, 0.2])
    back = transform_points(inverse_rigid(b_from_a), transform_points(b_from_a, points))
    np.testing.assert_allclose(back, points, atol=1e-12)
    chained = transform_points(c_from_b, transform_points(b_from_a, points))
    np.testing.assert_allclose(transform_points(c_from_b @ b_from_a, points), chained, atol=1e-12)
    np.testing.assert_allclose(inverse_rigid(b_from_a), np.linalg.inv(b_from_a), atol=1e-12)


def test_unit_vectors() -> None:
    np.testing.assert_allclose(unit([[3.0, 4.0, 0.0], [0.0, 0.0, -2.0]]), [[0.6, 0.8, 0], [0, 0, -1]])
    with pytest.raises(ValueError, match="no direction"):
        unit([[1.0, 0.0, 0.0], [0.0, 0.0, 0.0]])


def test_homography_of_the_worked_example() -> None:
    # f 1000 px, centre (500, 500), camera shifted +0.1 along x, plane z = 2 (n.X + d = 0 with d = -2):
    # H = [[1, 0, -50], [0, 1, 0], [0, 0, 1]], by hand from eq. 13.2
    k = np.array([[1000.0, 0, 500], [0, 1000, 500], [0, 0, 1]])
    h = plane_homography(k, k, np.eye(3), [-0.1, 0, 0], [0, 0, 1.0], -2.0)
    np.testing.assert_allclose(h, [[1, 0, -50], [0, 1, 0], [0, 0, 1]], atol=1e-10)


def test_homography_of_a_plane_through_the_lens_is_refused() -> None:
    with pytest.raises(ValueError, match="edge on"):
        plane_homography(np.eye(3), np.eye(3), np.eye(3), [0, 0, 1.0], [0, 0, 1.0], 0.0)


def test_homography_moves_pixels_as_two_cameras_do() -> None:
    rng = np.random.default_rng(3)
    place_b = np.array([0.0, 0.2, 1.2])
    for _ in range(40):
        pan, tilt, roll = rng.uniform(-0.25, 0.25, 3)
        a = camera_for([0.0, 0.16, 1.25], 0.05, -0.14, 0.02, 0.035, 0.0359, 1920, 1080, 0.002, -0.001)
        b = camera_for(rng.uniform(-0.2, 0.2, 3) + place_b, pan, tilt, roll, 0.05, 0.0359, 1920, 1080)
        normal = unit(rng.normal(size=3) * 0.3 + [0.0, 0.0, 1.0])
        foot = rng.uniform(-0.05, 0.05, 3)
        # four corners of a patch of the plane normal . X = normal . foot, in the world
        across = unit(np.cross(normal, [0.0, 1.0, 0.0]))
        up = np.cross(across, normal)
        corners = foot + 0.2 * np.array([across + up, across - up, -across - up, -across + up])

        a_from_world, b_from_world = cv_from_world(a.world_from_cam), cv_from_world(b.world_from_cam)
        b_from_a = b_from_world @ np.linalg.inv(a_from_world)
        normal_a = a_from_world[:3, :3] @ normal
        offset = -float(normal_a @ transform_points(a_from_world, foot))
        h = plane_homography(
            calibration(b), calibration(a), b_from_a[:3, :3], b_from_a[:3, 3], normal_a, offset
        )

        px_a, px_b = a.project(corners), b.project(corners)
        moved = np.c_[px_a, np.ones(4)] @ h.T
        np.testing.assert_allclose(moved[:, :2] / moved[:, 2:], px_b, atol=1e-6)
        # and OpenCV, from the four pixels alone, finds the same homography
        found, _ = cv2.findHomography(px_a, px_b)
        centre = np.array([960.0, 540.0, 1.0])
        by_us, by_cv = h @ centre, found @ centre
        np.testing.assert_allclose(by_us[:2] / by_us[2], by_cv[:2] / by_cv[2], atol=0.01)
