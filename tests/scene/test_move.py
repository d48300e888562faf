"""The move: where the lens stands and looks in every frame, against closed forms."""

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from previz.errors import SceneError
from previz.geometry import turned, unit
from previz.scene.model import Scene
from previz.scene.move import aimed, move_of
from tests.scene.example import plain_scene, scene_of

PIXEL = 1.0
UM = 1e-6


def a_scene(rail: dict[str, object], **camera: object) -> Scene:
    """A plain set with this rail and camera, values in inside units."""
    return plain_scene({"hold": (1001, 1040), **rail}, **camera)


def test_the_lens_is_at_its_place_in_the_station_frame(tmp_path: Path) -> None:
    move = move_of(scene_of(tmp_path))
    assert move.station_frame == 1020  # middle of 1001 to 1040, rounded down
    assert move.camera(1020).position == pytest.approx([0.0, 0.16, 1.25], abs=1e-15)
    assert move.positions[19] == pytest.approx([0.0, 0.16, 1.25], abs=1e-15)
    given_frame = move_of(a_scene({"station": 1077, "along": (1.0, 2.0, -3.0), "travel": -0.3}))
    assert given_frame.camera(1077).position == pytest.approx([0.0, 0.16, 1.25], abs=1e-15)


def test_the_steps_add_up_to_the_travel() -> None:
    for ease in (0.0, 0.1, 0.5):
        move = move_of(a_scene({"travel": 0.12, "ease": ease, "along": (2.0, 0.0, 0.0)}))
        places = np.array([move.camera(frame).position for frame in move.frames])
        steps = np.linalg.norm(np.diff(places, axis=0), axis=1)
        assert steps.sum() == pytest.approx(0.12, abs=1e-12)
        assert places == pytest.approx(move.positions, abs=1e-15)
        assert move.rail[-1] - move.rail[0] == pytest.approx(0.12, abs=1e-15)


def test_a_parallel_camera_keeps_its_angles() -> None:
    move = move_of(a_scene({"along": (1.0, 0.3, 0.2)}, pan=0.1, tilt=-0.2, roll=0.05))
    for frame in (1001, 1050, 1100):
        assert move.camera(frame).world_from_cam[:3, :3] == pytest.approx(turned(0.1, -0.2, 0.05), abs=1e-15)


@pytest.mark.parametrize("pan", [0.0, 0.4, -1.0])
def test_on_an_arc_the_lens_keeps_its_distance_from_the_middle_and_looks_at_it(pan: float) -> None:
    move = move_of(a_scene({"along": "arc", "radius": 0.9, "travel": 1.4, "aim": "track"}, pan=pan))
    ahead = np.array([math.sin(pan), 0.0, -math.cos(pan)])
    middle = np.array([0.0, 0.16, 1.25]) + 0.9 * ahead
    for frame in (1001, 1020, 1063, 1100):
        camera = move.camera(frame)
        assert np.linalg.norm(camera.position - middle) == pytest.approx(0.9, abs=1e-12)
        assert camera.project(middle) == pytest.approx([960.0, 540.0], abs=1e-9 * PIXEL)
    # an arc is as long as its travel: the angle between both ends is travel / radius
    a, b = unit(move.positions[0] - middle), unit(move.positions[-1] - middle)
    assert math.acos(float(a @ b)) == pytest.approx(1.4 / 0.9, abs=1e-9)


def test_a_negative_radius_turns_about_a_point_behind_the_camera() -> None:
    move = move_of(a_scene({"along": "arc", "radius": -0.9, "travel": 0.8, "aim": "track"}))
    middle = np.array([0.0, 0.16, 2.15])
    for frame in (1001, 1100):
        camera = move.camera(frame)
        assert np.linalg.norm(camera.position - middle) == pytest.approx(0.9, abs=1e-12)
        # it looks straight away from the middle
        assert float(camera.forward @ unit(camera.position - middle)) == pytest.approx(1.0, abs=1e-12)


@settings(max_examples=60, deadline=None)
@given(
    st.tuples(st.floats(-0.6, 0.6), st.floats(-0.6, 0.6), st.floats(-0.5, 0.9)),
    st.tuples(st.floats(-1.0, 1.0), st.floats(-0.3, 0.3), st.floats(-0.3, 0.3)),
    st.floats(-0.3, 0.3),
    st.floats(-0.5, 0.5),
    st.floats(-3.1, 3.1),
)
def test_an_aimed_point_stays_in_place_in_the_picture(
    point: tuple[float, float, float], along: tuple[float, float, float], pan: float, tilt: float, roll: float
) -> None:
    direction = along if np.linalg.norm(along) > 0.1 else (1.0, 0.0, 0.0)
    scene = a_scene({"aim": point, "along": direction, "travel": 0.2}, pan=pan, tilt=tilt, roll=roll)
    move = move_of(scene)
    wanted = move.camera(1020).project(point)
    for frame in (1001, 1060, 1100):
        assert move.camera(frame).project(point) == pytest.approx(wanted, abs=1e-6 * PIXEL)


def test_aim_is_continuous_and_does_nothing_where_nothing_has_moved() -> None:
    here = np.array([0.0, 0.16, 1.25])
    for pan, tilt, roll in ((0.2, -0.3, 0.1), (3.0, 0.2, 0.0), (-0.5, 1.2, 2.0)):
        assert aimed(np.array([0.1, 0.0, 0.3]), here, here, pan, tilt, roll) == pytest.approx((pan, tilt), abs=1e-9)
        near = aimed(np.array([0.1, 0.0, 0.3]), here, here + [1.0 * UM, 0.0, 0.0], pan, tilt, roll)
        assert near == pytest.approx((pan, tilt), abs=1e-4)


def test_where_a_pan_head_cannot_follow_it_stays_finite() -> None:
    # a point at the frame's edge passes straight overhead: no tilt brings it back there
    start, below = np.array([0.0, 0.0, 1.0]), np.array([0.0, 0.0, 0.0])
    pan, tilt = aimed(np.array([0.0, 1.0, 0.0]), start, below, 0.4, 0.7, 0.0)
    assert math.isfinite(pan)
    assert math.isfinite(tilt)


def test_a_smaller_picture_shows_the_same() -> None:
    move = move_of(a_scene({}, tilt=-0.14))
    full, half = move.camera(1030), move.camera(1030, 960)
    assert (half.width_px, half.height_px) == (960, 540)
    point = [0.1, -0.05, 0.4]
    assert half.project(point) == pytest.approx(full.project(point) / 2.0, abs=1e-9 * PIXEL)


def test_lines_of_a_smaller_picture_are_rounded(tmp_path: Path) -> None:
    # 1080 lines of 1920, 641 wide: 360.56
    assert move_of(scene_of(tmp_path)).camera(1001, 641).height_px == 361


def test_a_shifted_lens_sees_higher() -> None:
    plain, shifted = (move_of(a_scene({}, shift=shift)).camera(1020) for shift in ((0.0, 0.0), (0.0, 0.005)))
    # 5 mm of a 35.9 mm sensor that is 1920 px wide
    moved = shifted.project([0.0, 0.16, 0.0]) - plain.project([0.0, 0.16, 0.0])
    assert moved == pytest.approx([0.0, 5.0 / 35.9 * 1920], abs=1e-9)


def test_frames_outside_the_move_are_refused() -> None:
    move = move_of(a_scene({}))
    for frame in (1000, 1101):
        with pytest.raises(ValueError, match="1001 to 1100"):
            move.camera(frame)


def test_moves_that_cannot_be_made_are_refused() -> None:
    with pytest.raises(SceneError, match=r"rail\.station: expected a station frame of the move, 1001 to 1100, found 1"):
        move_of(a_scene({"station": 1}))
    with pytest.raises(SceneError, match=r"rail\.radius: expected a radius"):
        move_of(a_scene({"along": "arc"}))


def test_a_still() -> None:
    move = move_of(a_scene({"frames": 1, "travel": 0.0, "hold": (1001, 1001)}))
    assert move.frames == (1001,)
    assert move.camera(1001).position == pytest.approx([0.0, 0.16, 1.25])
