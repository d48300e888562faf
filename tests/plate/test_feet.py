"""The figure's layer, its residual and its corners, against OpenCV, parallax by hand and Thales."""

import cv2
import numpy as np
import pytest

from previz.camera import Camera, camera_for
from previz.errors import JudgeError
from previz.geometry import cv_from_world
from previz.plate.cutout import place_cutout
from previz.plate.feet import (
    FootTrack,
    Layer,
    card_homography,
    facing_camera,
    foot_track,
    similarity,
    through,
)
from previz.plate.top import Stance, Top, stances
from previz.scene.foreign import RawMesh
from previz.scene.modelled import Modelled
from previz.scene.shape import Slab
from tests.scene.causeway import NEAR, causeway

SCALE = 20.0
FRAME = (1280, 720)
TOP = Top(Slab(0.85, 0.062, 0.012, 1.0, 0.0, 0.0))
FOOT_MARK, HEIGHT = 0.38, 1.78
FRAMES = tuple(range(1001, 1011))


def camera(x: float, y: float, z: float, tilt: float, pan: float = 0.0, focal: float = 0.035) -> Camera:
    return camera_for([x, y, z], pan, tilt, 0.0, focal, 0.0359, *FRAME)


def stand(top: Top = TOP) -> tuple[Stance, Stance]:
    return stances(top, FOOT_MARK, HEIGHT, SCALE)


def plate_cameras(travel: float = 2.4) -> list[Camera]:
    """A full-size move of ``travel`` m, 8.6 m above the floor and 28 m before the performer."""
    return [camera(x, 8.6, 28.0, -0.26) for x in np.linspace(-0.5 * travel, 0.5 * travel, len(FRAMES))]


def matched(cameras: list[Camera], foot: np.ndarray) -> list[Camera]:
    """The plate's cameras at 1:20 about the foot mark."""
    return [camera(*(foot + c.position / SCALE), -0.26) for c in cameras]


def missed(cameras: list[Camera], foot: np.ndarray) -> list[Camera]:
    """Miniature cameras that are too low, too near, turned, and too quick."""
    return [
        camera(*(foot + c.position / SCALE * [4.0, 0.5, 0.5]), -0.24, 0.02 * i, 0.032) for i, c in enumerate(cameras)
    ]


def track(cameras: list[Camera], plates: list[Camera], layer: Layer | None = None) -> FootTrack:
    on_floor, on_bridge = stand()
    facing = facing_camera(on_bridge.foot, cameras[3])
    return foot_track(FRAMES, plates, cameras, on_floor, on_bridge, facing, layer)


def opencv_px(view: Camera, points: np.ndarray) -> np.ndarray:
    """What OpenCV's ``projectPoints`` makes of world points (N, 3)."""
    world = cv_from_world(view.world_from_cam)
    turn, _ = cv2.Rodrigues(world[:3, :3])
    inner = np.array([[view.focal_px, 0, view.centre_x_px], [0, view.focal_px, view.centre_y_px], [0, 0, 1.0]])
    px, _ = cv2.projectPoints(points.astype(np.float64), turn, world[:3, 3], inner, None)
    return px.reshape(-1, 2)


def test_residual_and_slide_as_opencv_has_them() -> None:
    """OpenCV projects both stances and fits the similarity; residuals and slide agree within 0.005 px."""
    on_floor, on_bridge = stand()
    plates = plate_cameras()
    cameras = missed(plates, on_bridge.foot)
    got = track(cameras, plates)
    wanted = []
    for plate, lens in zip(plates, cameras, strict=True):
        before = opencv_px(plate, np.stack([on_floor.foot, on_floor.head, *on_floor.feet]))
        after = opencv_px(lens, np.stack([on_bridge.foot, on_bridge.head, *on_bridge.feet]))
        fit, _ = cv2.estimateAffinePartial2D(before[:2], after[:2], refineIters=0)
        wanted.append(before[2:] @ fit[:, :2].T + fit[:, 2] - after[2:])
    np.testing.assert_allclose(got.residual_px, wanted, atol=0.005)
    slide = np.linalg.norm(np.diff(wanted, axis=0), axis=2).max(axis=1)
    np.testing.assert_allclose(got.slide_px[1:], slide, atol=0.005)
    assert np.isnan(got.slide_px[0])
    assert got.worst == (FRAMES[1 + int(slide.argmax())], pytest.approx(slide.max(), abs=0.005))
    # the two pictures do not fit, so this could fail
    assert np.abs(wanted).max() > 0.5


def test_scale_and_turn_as_opencv_has_them() -> None:
    """The matrix of ``estimateAffinePartial2D`` is scale (cos, -sin; sin, cos): the same scale and turn."""
    on_floor, on_bridge = stand()
    plates = plate_cameras()
    cameras = missed(plates, on_bridge.foot)
    got = track(cameras, plates)
    for i, (plate, lens) in enumerate(zip(plates, cameras, strict=True)):
        before = opencv_px(plate, np.stack([on_floor.foot, on_floor.head]))
        after = opencv_px(lens, np.stack([on_bridge.foot, on_bridge.head]))
        fit, _ = cv2.estimateAffinePartial2D(before, after, refineIters=0)
        assert got.scale[i] == pytest.approx(np.hypot(fit[0, 0], fit[1, 0]), rel=1e-4)
        assert got.turn[i] == pytest.approx(np.arctan2(fit[1, 0], fit[0, 0]), abs=1e-4)


def test_a_matched_move_needs_nothing() -> None:
    """Thales: the miniature seen from a twentieth of the way gives the same picture, so nothing is left to do."""
    plates = plate_cameras()
    got = track(matched(plates, stand()[1].foot), plates)
    np.testing.assert_allclose(got.residual_px, 0.0, atol=1e-6)
    np.testing.assert_allclose(got.scale, 1.0, atol=1e-9)
    np.testing.assert_allclose(got.turn, 0.0, atol=1e-9)
    np.testing.assert_allclose(got.foot_px, got.layer_foot_px, atol=1e-6)
    w, h = FRAME
    np.testing.assert_allclose(got.corners_px, np.broadcast_to([[0, 0], [w, 0], [w, h], [0, h]], (10, 4, 2)), atol=1e-5)
    assert got.stands()


def test_slide_of_a_still_plate_is_parallax() -> None:
    """Two feet at depths z1, z2 drift apart by f b (1/z1 - 1/z2) a frame when the lens goes b to the side."""
    on_floor, on_bridge = stand()
    step = 0.012
    plates = [camera(0.0, 8.6, 28.0, 0.0)] * len(FRAMES)
    cameras = [camera(step * i, 0.43, 1.75, 0.0) for i in range(len(FRAMES))]
    got = track(cameras, plates)
    near, far = 1.75 - on_bridge.feet[:, 2]
    middle = 1.75 - on_bridge.foot[2]
    focal_px = cameras[0].focal_px
    drift = np.array([step * focal_px * (1.0 / z - 1.0 / middle) for z in (near, far)])
    np.testing.assert_allclose(np.diff(got.residual_px[:, :, 0], axis=0), np.broadcast_to(drift, (9, 2)), atol=1e-6)
    assert got.worst[1] == pytest.approx(np.abs(drift).max(), abs=1e-6)
    # nine steps of the same size the same way
    assert got.drift_px == pytest.approx(9.0 * np.abs(drift).max(), abs=1e-5)
    assert got.stands(np.abs(drift).max() + 1e-6)
    assert not got.stands(np.abs(drift).max() - 1e-6)
    assert on_floor.feet[0, 2] > on_floor.feet[1, 2]


def test_the_card_homography_is_opencvs_for_the_four_corners_of_a_card() -> None:
    on_floor, on_bridge = stand()
    plate = plate_cameras()[2]
    lens = missed([plate], on_bridge.foot)[0]
    facing = facing_camera(on_bridge.foot, lens)
    right = np.cross([0.0, 1.0, 0.0], facing)
    flat = np.array([[-1.0, 0.0], [1.0, 0.0], [1.0, 2.0], [-1.0, 2.0]])
    quads = [
        opencv_px(view, s.foot + s.height * (flat[:, :1] * right + flat[:, 1:] * [0.0, 1.0, 0.0]))
        for view, s in ((plate, on_floor), (lens, on_bridge))
    ]
    wanted = cv2.getPerspectiveTransform(quads[0].astype(np.float32), quads[1].astype(np.float32))
    card = card_homography(plate, lens, on_floor, on_bridge, facing)
    assert card is not None
    inside = quads[0].mean(axis=0) + [[0.0, 0.0], [30.0, -40.0], [-25.0, 60.0]]
    np.testing.assert_allclose(
        through(card, inside), cv2.perspectiveTransform(inside[None], wanted)[0], atol=0.02
    )
    np.testing.assert_allclose(through(card, plate.project(on_floor.head)), lens.project(on_bridge.head), atol=1e-6)


def test_a_cut_out_goes_where_its_pixels_went_in_the_plate() -> None:
    """A cut-out cropped and shrunk from the plate is laid exactly where the plate's own picture is laid."""
    plates = [plate_cameras()[0]] * len(FRAMES)
    cameras = missed(plate_cameras(), stand()[1].foot)
    whole = track(cameras, plates)
    on_floor, _ = stand()
    shift, shrink = np.array([400.0, 150.0]), 0.5
    foot, head = (plates[0].project(np.stack([on_floor.foot, on_floor.head])) - shift) * shrink
    got = track(cameras, plates, Layer(200.0, 180.0, tuple(foot), tuple(head)))
    np.testing.assert_allclose(got.foot_px, whole.foot_px, atol=1e-9)
    np.testing.assert_allclose(got.scale, whole.scale / shrink, rtol=1e-9)
    np.testing.assert_allclose(got.turn, whole.turn, atol=1e-9)
    np.testing.assert_allclose(got.residual_px, whole.residual_px, atol=1e-6)
    np.testing.assert_allclose(got.layer_foot_px, np.broadcast_to(foot, (10, 2)), atol=1e-9)
    on_floor, on_bridge = stand()
    card = card_homography(plates[3], cameras[3], on_floor, on_bridge, facing_camera(on_bridge.foot, cameras[3]))
    corners = np.array([[0, 0], [200, 0], [200, 180], [0, 180]]) / shrink + shift
    np.testing.assert_allclose(got.corners_px[3], through(card, corners), atol=1e-6)


def test_the_numbers_stand_a_cut_out_on_its_mark() -> None:
    """The row's foot, scale and turn, given to the laying of cut-outs, put a pole's ends where the lens has them."""
    _, on_bridge = stand()
    pole = np.zeros((200, 20, 4), dtype=np.uint8)
    pole[20:180, 8:12] = 255
    cameras = missed(plate_cameras(), on_bridge.foot)
    got = track(cameras, plate_cameras(), Layer(20.0, 200.0, (10.0, 180.0), (10.0, 20.0)))
    frame = np.zeros((FRAME[1], FRAME[0], 3), dtype=np.float32)
    laid = place_cutout(frame, pole, tuple(got.foot_px[8]), float(got.scale[8]) * 160.0, float(got.turn[8]))
    rows, columns = np.nonzero(laid[..., 0] > 0.02)
    light = laid[rows, columns, 0]
    middle = np.array([np.average(columns + 0.5, weights=light), np.average(rows + 0.5, weights=light)])
    ends = cameras[8].project(np.stack([on_bridge.foot, on_bridge.head]))
    np.testing.assert_allclose(middle, ends.mean(axis=0), atol=0.1)


def test_a_similarity_turns_clockwise() -> None:
    ratio = similarity([[5.0, 5.0], [5.0, 0.0]], [[9.0, 9.0], [19.0, 9.0]])
    assert abs(ratio) == pytest.approx(2.0)
    assert np.angle(ratio) == pytest.approx(np.pi / 2)  # from up to right


def test_stances_follow_bend_and_camber() -> None:
    top = Top(Slab(1.0, 0.06, 0.012, 1.0, 0.05, 0.2))
    on_floor, on_bridge = stances(top, 0.25, 1.8, 20.0, along=0.4, across=0.2)
    np.testing.assert_allclose(on_bridge.foot, [0.2 / 16, 4 * 0.05 * 0.25 * 0.75, 0.25])
    assert on_bridge.height == pytest.approx(0.09)
    np.testing.assert_allclose(on_floor.feet.mean(axis=0), 0.0, atol=1e-12)
    assert np.linalg.norm(on_floor.feet[0] - on_floor.feet[1]) == pytest.approx(np.hypot(0.4, 0.2))
    level = [0, 2]
    np.testing.assert_allclose((on_bridge.feet - on_bridge.foot)[:, level] * 20.0, on_floor.feet[:, level], atol=1e-12)
    # the bend's direction there is 2 x 0.2 x 0.25 to the right for 1 towards the camera
    apart = on_floor.feet[0] - on_floor.feet[1]
    ahead = np.array([0.1, 0.0, 1.0]) / np.hypot(0.1, 1.0)
    assert apart @ ahead == pytest.approx(0.4)
    assert on_bridge.feet[0, 1] > on_bridge.foot[1] > on_bridge.feet[1, 1]


@pytest.mark.parametrize("mark_mm", [60.0, 206.0, 212.0, 300.0, 424.0, 500.0, 560.0, 632.0])
def test_feet_stand_on_the_tread_of_a_modelled_causeway(mark_mm: float) -> None:
    """Where trimesh's rays from above land under each foot, in the picture within a pixel."""
    mesh = causeway(4.0, 25.0)
    top = Top(Modelled(RawMesh(np.asarray(mesh.vertices), np.asarray(mesh.faces), None, None, None)))
    _, on_bridge = stances(top, 1e-3 * mark_mm, 1.75, 20.0)
    under = np.stack([on_bridge.foot, *on_bridge.feet])
    # past the near end nothing is under a foot
    under = under[under[:, 2] < NEAR]
    above = under + [0.0, 1.0, 0.0]
    places, rays, _ = mesh.ray.intersects_location(above, np.tile([0.0, -1.0, 0.0], (len(above), 1)))
    landed = np.array([places[rays == k][places[rays == k][:, 1].argmax()] for k in range(len(above))])
    view = camera_for([-0.03, 0.43, 1.75], 0.0, np.radians(-15.0), 0.0, 0.04, 0.0359, 1920, 1080)
    assert np.linalg.norm(view.project(under) - view.project(landed), axis=1).max() < 0.1
    # at the plane through the sill they would float from the second tread on
    floating = np.linalg.norm(view.project(under * (1.0, 0.0, 1.0)) - view.project(landed), axis=1)
    assert floating.max() > 10.0 if mark_mm > 206.0 else floating[0] < 0.1


def test_what_is_behind_the_lens_is_left_empty() -> None:
    plates = plate_cameras()
    cameras = matched(plates, stand()[1].foot)
    cameras[4] = camera(0.0, 0.4, 0.0, 0.0)
    got = track(cameras, plates)
    assert np.isnan(got.foot_px[4]).all()
    assert np.isnan(got.corners_px[4]).all()
    assert np.isfinite(np.delete(got.scale, 4)).all()
    assert got.worst[1] < 1e-6
    with pytest.raises(JudgeError, match="behind the lens in every frame"):
        track([cameras[4]] * 10, plates)
    with pytest.raises(ValueError, match="10 frames need as many cameras"):
        track(cameras[:4], plates)


def test_one_frame_does_not_slide() -> None:
    on_floor, on_bridge = stand()
    plate = plate_cameras()[0]
    lens = matched([plate], on_bridge.foot)[0]
    one = foot_track([1001], [plate], [lens], on_floor, on_bridge, facing_camera(on_bridge.foot, lens))
    assert one.worst == (1001, 0.0)
