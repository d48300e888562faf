"""Projection against OpenCV, by hand, and against itself both ways."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from previz.camera import Camera, OrthoCamera, camera_for
from previz.geometry import Array, cv_from_world, inverse_rigid, rigid, transform_points, turned
from tests.pixels import pixel_centres

PIXEL = 1.0
MM = 1e-3


def some_camera(rng: np.random.Generator) -> Camera:
    """A camera with roll and a shifted lens, somewhere in front of the wall."""
    pan, tilt, roll = rng.uniform([-0.6, -0.5, -np.pi], [0.6, 0.5, np.pi])
    return camera_for(
        rng.uniform([-0.5, -0.3, 0.3], [0.5, 0.6, 2.0]),
        pan,
        tilt,
        roll,
        focal=rng.uniform(0.018, 0.085),
        sensor_width=rng.choice([0.0359, 0.02489, 0.0132]),
        width_px=1920,
        height_px=1080,
        shift_right=rng.uniform(-0.006, 0.006),
        shift_up=rng.uniform(-0.006, 0.006),
    )


def seen_points(camera: Camera, rng: np.random.Generator, count: int) -> Array:
    """World points (count, 3) that the camera sees, 0.2 to 5 m away."""
    px = rng.uniform([0, 0], [camera.width_px, camera.height_px], (count, 2))
    origins, directions = camera.rays(px)
    return origins + rng.uniform(0.2, 5.0, (count, 1)) * directions


def opencv_px(camera: Camera, points: Array) -> Array:
    """The same points by OpenCV's projectPoints.

    OpenCV's pixel centres lie at whole numbers, this package's at .5, so its principal point is half a pixel
    less and half a pixel is added to what it answers.
    """
    cv_from_w = cv_from_world(camera.world_from_cam)
    turn, _ = cv2.Rodrigues(cv_from_w[:3, :3])
    k = np.array(
        [
            [camera.focal_px, 0, camera.centre_x_px - 0.5],
            [0, camera.focal_px, camera.centre_y_px - 0.5],
            [0, 0, 1.0],
        ]
    )
    px, _ = cv2.projectPoints(points.reshape(-1, 1, 3), turn, cv_from_w[:3, 3], k, None)
    return np.asarray(px.reshape(-1, 2) + 0.5)


def test_project_is_opencvs() -> None:
    rng = np.random.default_rng(1)
    worst = 0.0
    for _ in range(200):
        camera = some_camera(rng)
        points = seen_points(camera, rng, 50)
        worst = max(worst, float(np.abs(camera.project(points) - opencv_px(camera, points)).max()))
    assert worst < 0.01 * PIXEL


def test_a_camera_turned_by_a_hair_is_not_opencvs() -> None:
    # the comparison above can fail: 0.002 degrees of roll shows
    rng = np.random.default_rng(2)
    camera = some_camera(rng)
    points = seen_points(camera, rng, 50)
    off = camera.moved(roll=np.radians(0.002)).project(points) - opencv_px(camera, points)
    assert np.abs(off).max() > 0.01 * PIXEL


@pytest.mark.parametrize("seed", range(20))
def test_rays_undo_project(seed: int) -> None:
    rng = np.random.default_rng(seed)
    camera = some_camera(rng)
    px = rng.uniform([-500, -500], [2500, 1600], (20, 2))
    origins, directions = camera.rays(px)
    np.testing.assert_allclose(np.linalg.norm(directions, axis=-1), 1.0, rtol=1e-12)
    np.testing.assert_allclose(origins, np.broadcast_to(camera.position, origins.shape))
    points = origins + rng.uniform(0.1, 8.0, (20, 1)) * directions
    np.testing.assert_allclose(camera.project(points), px, atol=1e-6 * PIXEL)
    # depth is along the axis: the ray's length times the cosine to the axis
    along = np.linalg.norm(points - origins, axis=-1) * (directions @ camera.forward)
    np.testing.assert_allclose(camera.depth(points), along, rtol=1e-9)


def test_the_axes_of_the_picture_by_hand() -> None:
    # 35 mm lens, 35 mm wide sensor, 1000 px: 1 m away, 100 mm are 100 px
    camera = camera_for([0.0, 0.0, 1.0], 0, 0, 0, 0.035, 0.035, 1000, 500)
    np.testing.assert_allclose(
        camera.project([[0, 0, 0], [0.1, 0, 0], [0, 0.1, 0], [-0.5, 0.25, 0]]),
        [[500, 250], [600, 250], [500, 150], [0, 0]],
        atol=1e-9,
    )
    np.testing.assert_allclose(camera.forward, [0, 0, -1])
    np.testing.assert_allclose(camera.depth([[0.3, 0.2, 0.0], [0, 0, 1.5]]), [1.0, -0.5])


def test_the_camera_operator_sees_pan_tilt_and_roll_go_the_right_way() -> None:
    still = camera_for([0.0, 0.0, 1.0], 0, 0, 0, 0.035, 0.035, 1000, 500)
    centre = np.array([0.0, 0.0, 0.0])
    above = np.array([0.0, 0.1, 0.0])
    assert still.moved(pan=0.1).project(centre)[0] < 500, "panning right moves the picture left"
    assert still.moved(tilt=0.1).project(centre)[1] > 250, "tilting up moves the picture down"
    assert still.moved(roll=0.1).project(above)[0] < 500, "rolling clockwise turns the picture the other way"


def test_a_lens_shifted_up_sees_higher_and_to_the_right_farther_right() -> None:
    # a view camera's rising front: the horizon drops in the picture by the shift, 5 mm of 35 mm = 1/7 frame
    camera = camera_for([0, 0, 1.0], 0, 0, 0, 0.035, 0.035, 700, 700, shift_right=0.005, shift_up=0.005)
    np.testing.assert_allclose(camera.project([0.0, 0.0, 0.0]), [350 - 100, 350 + 100], atol=1e-9)


def test_points_behind_the_lens_have_no_picture() -> None:
    camera = camera_for([0.0, 0.0, 1.0], 0, 0, 0, 0.035, 0.035, 1000, 500)
    assert np.all(np.isnan(camera.project([[0.0, 0.0, 1.5], [0.2, 0.1, 1.0]])))


def test_thales() -> None:
    # a thing k times as far and k times as large, on the same rays, has the same picture
    rng = np.random.default_rng(4)
    camera = some_camera(rng)
    points = seen_points(camera, rng, 30)
    for k in (0.25, 2.0, 20.0):
        scaled = camera.position + k * (points - camera.position)
        np.testing.assert_allclose(camera.project(scaled), camera.project(points), atol=1e-7 * PIXEL)


def test_a_set_at_scale_with_its_camera_at_scale_has_the_same_picture() -> None:
    full = camera_for([1.0, 3.2, 25.0], 0.1, -0.14, 0.01, 0.035, 0.0359, 1920, 1080)
    small = camera_for(np.array([1.0, 3.2, 25.0]) / 20, 0.1, -0.14, 0.01, 0.035, 0.0359, 1920, 1080)
    points = np.random.default_rng(5).uniform([-10, -10, -1], [10, 10, 15], (50, 3))
    np.testing.assert_allclose(small.project(points / 20), full.project(points), atol=1e-7 * PIXEL)


@pytest.mark.parametrize(("width_px", "height_px"), [(960, 540), (480, 270), (3840, 2160), (960, 400), (101, 77)])
def test_resized_keeps_what_each_direction_shows(width_px: int, height_px: int) -> None:
    rng = np.random.default_rng(6)
    camera = some_camera(rng)
    points = seen_points(camera, rng, 40)
    small = camera.resized(width_px, height_px)
    k = width_px / camera.width_px
    px = camera.project(points)
    # the horizontal field is kept; what the new shape cuts or adds is shared by top and bottom
    np.testing.assert_allclose(small.project(points)[:, 0] / width_px, px[:, 0] / 1920, atol=1e-9)
    np.testing.assert_allclose(small.project(points)[:, 1] - height_px / 2, k * (px[:, 1] - 540), atol=1e-6)
    assert (small.width_px, small.height_px) == (width_px, height_px)


def test_the_field_is_that_of_the_lens() -> None:
    # Super 35, 24.89 mm wide, 35 mm lens: 39.15 degrees (camera makers' table)
    camera = camera_for([0, 0, 1.0], 0, 0, 0, 0.035, 0.02489, 4096, 2160)
    _, (left, right) = camera.rays([[0.0, 1080.0], [4096.0, 1080.0]])
    assert np.degrees(np.arccos(left @ right)) == pytest.approx(39.15, abs=0.005)


def test_a_knock_turns_about_the_lens_and_shifts_in_the_world() -> None:
    rng = np.random.default_rng(7)
    camera = some_camera(rng)
    knocked = camera.moved(shift=[0.001, -0.002, 0.003], focal_factor=1.02)
    np.testing.assert_allclose(knocked.position - camera.position, [0.001, -0.002, 0.003], atol=1e-12)
    np.testing.assert_allclose(knocked.forward, camera.forward)
    assert knocked.focal_px == pytest.approx(1.02 * camera.focal_px)
    turned_camera = camera.moved(pan=0.02, tilt=-0.01, roll=0.03)
    np.testing.assert_allclose(turned_camera.position, camera.position, atol=1e-12)
    # a pure turn moves all points of one ray alike: no parallax about the entrance pupil (Littlefield 2006)
    origin, direction = camera.rays([700.0, 500.0])
    px = turned_camera.project(origin + np.array([[0.3], [1.0], [4.0]]) * direction)
    np.testing.assert_allclose(px, np.broadcast_to(px[0], px.shape), atol=1e-6 * PIXEL)


def test_ortho_is_true_to_scale_and_undoes_itself() -> None:
    # a side view from camera left: Z runs left in the picture, Y up
    side = OrthoCamera(rigid(turned(np.pi / 2, 0, 0), [-3.0, 0.0, 0.5]), px_per_m=400.0, width_px=800, height_px=600)
    px = side.project([[0.0, 0.0, 0.5], [0.7, 0.25, 0.0], [0.0, 0.0, 1.0]])
    np.testing.assert_allclose(px, [[400, 300], [200, 200], [600, 300]], atol=1e-9)
    rng = np.random.default_rng(8)
    px = rng.uniform([0, 0], [800, 600], (20, 2))
    origins, directions = side.rays(px)
    np.testing.assert_allclose(directions, np.broadcast_to([1.0, 0.0, 0.0], (20, 3)), atol=1e-12)
    points = origins + rng.uniform(0.1, 5.0, (20, 1)) * directions
    np.testing.assert_allclose(side.project(points), px, atol=1e-9)
    np.testing.assert_allclose(side.depth(points), points[:, 0] + 3.0, atol=1e-12)


def test_pixel_centres_lie_at_a_half() -> None:
    centres = pixel_centres(4, 3)
    assert centres.shape == (3, 4, 2)
    np.testing.assert_array_equal(centres[0, 0], [0.5, 0.5])
    np.testing.assert_array_equal(centres[2, 3], [3.5, 2.5])


def test_a_ray_of_a_pixel_centre_falls_in_that_pixel() -> None:
    camera = replace(some_camera(np.random.default_rng(9)), width_px=64, height_px=36)
    origins, directions = camera.rays(pixel_centres(64, 36))
    cam = transform_points(inverse_rigid(camera.world_from_cam), origins + directions)
    assert np.all(cam[..., 2] < 0)
    px = camera.project(origins + directions)
    np.testing.assert_array_equal(np.floor(px[..., 0]), np.broadcast_to(np.arange(64), (36, 64)))
    np.testing.assert_array_equal(np.floor(px[..., 1]), np.broadcast_to(np.arange(36)[:, None], (36, 64)))
