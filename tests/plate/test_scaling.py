"""The scaled move against a full-size plate by OpenCV, Thales, and closed forms."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from previz.camera import camera_for
from previz.errors import PlateError
from previz.optics import angle_of_view
from previz.plate.misses import misses, rail_fit, together
from previz.plate.scaling import (
    PlateNumbers,
    cameras_of,
    figure_height,
    foot_point,
    full_size,
    horizon_row,
    level_axes,
    own_numbers,
    plate_numbers,
    remarks,
    scaled_scene,
    view_crop,
    wanted_text,
)
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from tests.plate.cameras import FullSize

SCENES = Path(__file__).parents[2] / "scenes"
DEMONSTRATIONS = ("quarry", "seastack", "crevasse")
PIXEL = 1.0
MM = 1e-3


def demonstration(name: str) -> Scene:
    """A demonstration set whose shot slides from its first frame to its last: what is worked out here by hand."""
    scene = read_scene(SCENES / f"{name}.toml")
    frames = scene.rail.frames - scene.rail.stand
    reveal = None if scene.rail.reveal is None else scene.rail.reveal - scene.rail.stand
    return scene.edited(
        rail__stand=0, rail__frames=frames, rail__hold=(1001, 1027), rail__reveal=reveal, rail__station=1015
    )


def quarry_plate(**changes: object) -> PlateNumbers:
    plate = PlateNumbers(
        lens=0.04, sensor_width=0.0359, height=8.6, distance=28.0, tilt=math.radians(-15.0), travel=4.8
    )
    return replace(plate, **changes)  # type: ignore[arg-type]


def half_eased(frames: int) -> np.ndarray:
    """Share of the travel at ease 50 %: speed up for half of the time, slow down for the other."""
    t = np.linspace(0.0, 1.0, frames)
    return np.where(t < 0.5, 2.0 * t**2, 1.0 - 2.0 * (1.0 - t) ** 2)


def full_size_points(tall: float) -> np.ndarray:
    """Feet and head, four places on the floor, and two points so far away that they are on the horizon."""
    far = 1e9
    return np.array(
        [[0.0, 0.0, 0.0], [0.0, -tall, 0.0], [-2.0, 0.0, -3.0], [2.0, 0.0, -3.0], [-2.0, 0.0, 6.0], [2.0, 0.0, 6.0],
         [-0.2 * far, 0.0, far], [0.2 * far, 0.0, far]]
    )  # fmt: skip


@pytest.mark.parametrize("name", ["quarry", "seastack"])
def test_plate_and_miniature_show_the_same_at_every_frame(name: str) -> None:
    scene = demonstration(name)
    plate = quarry_plate(
        lens=0.05, sensor_width=0.02489, crop=0.9, lateral=1.3, tilt=math.radians(-11.0), roll=0.02, height=4.1
    )
    move = move_of(scaled_scene(scene, plate))
    shares = half_eased(scene.rail.frames)
    station = move.frames.index(move.station_frame)
    # the rail's direction as the panned camera has it: right of it and ahead
    along = np.asarray(scene.rail.along) / np.linalg.norm(scene.rail.along)  # type: ignore[arg-type]
    pan = scene.camera.pan
    right = along[0] * math.cos(pan) + along[2] * math.sin(pan)
    ahead = along[0] * math.sin(pan) - along[2] * math.cos(pan)
    points = full_size_points(scene.plate.height if scene.plate else 0.0)
    at_scale = points * [1.0, -1.0, -1.0] / scene.scale
    miniature = foot_point(scene) + at_scale @ level_axes(pan)
    worst = 0.0
    for camera, share in zip(cameras_of(move), shares, strict=True):
        gone = plate.travel * (share - shares[station])
        full = FullSize(
            (1.3 + gone * right, -4.1, -28.0 + gone * ahead), plate.tilt, plate.roll, 0.0, 0.05, 0.9 * 0.02489,
            *scene.delivery.frame,
        )  # fmt: skip
        worst = max(worst, float(np.abs(camera.project(miniature) - full.project(points)).max()))
    assert worst < 1e-3 * PIXEL


def test_on_an_arc_too_plate_and_miniature_show_the_same() -> None:
    # the rail bends about a point ahead and the camera turns with it: a closed form of its own
    scene = demonstration("quarry").edited(rail__along="arc", rail__radius=1.7, rail__aim="track", camera__pan=0.1)
    plate = quarry_plate(lateral=-0.8)
    move = move_of(scaled_scene(scene, plate))
    shares = half_eased(scene.rail.frames)
    gone = plate.travel * (shares - shares[move.frames.index(move.station_frame)]) / (1.7 * scene.scale)
    points = full_size_points(1.78)
    miniature = foot_point(scene) + points * [1.0, -1.0, -1.0] / scene.scale @ level_axes(0.1)
    for camera, angle in list(zip(cameras_of(move), gone, strict=True))[::7]:
        radius = 1.7 * scene.scale
        place = (-0.8 + radius * math.sin(angle), -8.6, -28.0 + radius * (1.0 - math.cos(angle)))
        full = FullSize(place, plate.tilt, 0.0, -angle, 0.04, 0.0359, *scene.delivery.frame)
        assert camera.project(miniature) == pytest.approx(full.project(points), abs=1e-3 * PIXEL)


def test_shift_of_the_lens_is_carried_over() -> None:
    scene = demonstration("quarry").edited(camera__sensor=(0.0179, 0.012))
    plate = quarry_plate(shift=(0.001, -0.002))
    move = move_of(scaled_scene(scene, plate))
    camera = move.camera(move.station_frame)
    # OpenCV's own principal point: a lens shifted right moves the picture's middle left on the frame
    per_metre = 1920 / 0.0359
    full = FullSize(
        (0.0, -8.6, -28.0), plate.tilt, 0.0, 0.0, 0.04, 0.0359, 1920, 1080, (-0.001 * per_metre, -0.002 * per_metre)
    )
    foot = foot_point(scene)
    expected = full.project([[0.0, 0.0, 0.0], [0.0, -1.78, 0.0]])
    assert camera.project([foot, foot + [0.0, 0.089, 0.0]]) == pytest.approx(expected, abs=1e-6 * PIXEL)


def test_a_thing_twenty_times_as_far_is_twenty_times_as_large() -> None:
    # Thales (check values, geometry): the full-size camera sees the full-size thing as the small one sees the small
    scene = demonstration("crevasse")
    move, foot = move_of(scene), foot_point(scene)
    points = foot + np.random.default_rng(5).uniform(-0.3, 0.3, (40, 3))
    for frame in (1001, 1060, 1125):
        camera = move.camera(frame)
        large = full_size(camera, foot, scene.scale)
        assert large.project((points - foot) * scene.scale) == pytest.approx(camera.project(points), abs=1e-8 * PIXEL)
        assert np.linalg.norm(large.position) == pytest.approx(
            scene.scale * np.linalg.norm(camera.position - foot), rel=1e-12
        )


@given(tilt=st.floats(-1.2, 1.2), roll=st.floats(-0.4, 0.4), pan=st.floats(-3.0, 3.0), x=st.floats(0.0, 1920.0))
@settings(max_examples=60, deadline=None)
def test_the_horizon_is_where_level_sight_lines_are_seen(tilt: float, roll: float, pan: float, x: float) -> None:
    camera = camera_for([0.0, 0.0, 0.0], pan, tilt, roll, 0.035, 0.0359, 1920, 1080, 0.002, -0.003)
    row = horizon_row(camera, x)
    _, direction = camera.rays([x, row])
    assert direction[1] == pytest.approx(0.0, abs=1e-9)
    if roll == 0.0:
        assert row == pytest.approx(camera.centre_y_px + camera.focal_px * math.tan(tilt), abs=1e-6 * PIXEL)


def test_a_lens_straight_down_has_no_horizon() -> None:
    assert math.isnan(horizon_row(camera_for([0, 0, 0], 0.0, -math.pi / 2, 0.0, 0.035, 0.0359, 1920, 1080)))


@pytest.mark.parametrize("name", DEMONSTRATIONS)
def test_a_scene_that_is_the_match_is_left_as_it_is(name: str) -> None:
    scene = demonstration(name)
    own = own_numbers(scene)
    matched = scaled_scene(scene, own)
    assert matched.camera.position == pytest.approx(scene.camera.position, abs=1e-12)
    assert matched.camera.focus == pytest.approx(scene.camera.focus, abs=1e-9)
    assert matched.rail.travel == pytest.approx(scene.rail.travel, abs=1e-12)
    assert all(miss.matches and miss.effect.worst_px < 1e-6 * PIXEL for miss in misses(scene, own))
    assert together(scene, own).worst_px < 1e-6 * PIXEL


def test_each_miss_is_named_with_what_it_does_by_itself() -> None:
    scene = demonstration("quarry")
    right = own_numbers(scene)
    f = 40.0 / 35.9 * 1920
    frames = {"height": right.height, "tilt": right.tilt}
    plate = replace(right, height=frames["height"] - 0.4, tilt=frames["tilt"] + math.radians(0.5))
    found = {miss.name: miss for miss in misses(scene, plate)}
    assert {name for name, miss in found.items() if not miss.matches} == {"height", "tilt"}
    assert found["height"].difference == pytest.approx(20.0)  # 0.4 m at 1:20, mm
    assert found["height"].difference_pct == pytest.approx(100.0 * 0.4 / (right.height - 0.4))
    assert found["height"].effect.worst_horizon_px == pytest.approx(0.0, abs=1e-9)
    tilted = found["tilt"].effect
    assert found["tilt"].difference == pytest.approx(-0.5)
    wanted = f * (math.tan(right.tilt) - math.tan(plate.tilt))
    assert tilted.horizon_px == pytest.approx(np.full(100, wanted), abs=1e-6)
    assert "height: wanted 410.0 mm, the scene has 430.0 mm (+4.9 %)" in found["height"].text
    assert found["lens"].text.endswith("as the scene has it")


def test_a_level_camera_too_near_slips_as_similar_triangles_say() -> None:
    # level lens: the foot at depth z moves f dx / z for dx of rail
    scene = demonstration("quarry").edited(camera__tilt=0.0)
    right = own_numbers(scene)
    plate = replace(right, distance=right.distance + 2.0)
    (miss,) = [m for m in misses(scene, plate) if m.name == "distance"]
    f = 40.0 / 35.9 * 1920
    near, far = right.distance / 20.0, (right.distance + 2.0) / 20.0
    steps = np.diff(half_eased(100)) * 0.24
    assert miss.effect.slip_px[1:] == pytest.approx(steps * f * (1.0 / near - 1.0 / far), abs=1e-6 * PIXEL)
    assert miss.effect.size_px == pytest.approx(np.full(100, 0.089 * f * (1.0 / near - 1.0 / far)), abs=1e-6 * PIXEL)
    assert miss.effect.drift_px == pytest.approx(float(np.abs(
        half_eased(100) - half_eased(100)[14]).max() * 0.24 * f * (1.0 / near - 1.0 / far)
    ), abs=1e-6 * PIXEL)  # fmt: skip


@pytest.mark.parametrize("name", DEMONSTRATIONS)
def test_the_figure_is_as_large_in_both(name: str) -> None:
    scene = demonstration(name)
    assert scene.plate is not None
    assert figure_height(scene) == pytest.approx(scene.plate.height / scene.scale)
    assert ("figure's height", f"{scene.plate.height / scene.scale * 1e3:.1f} mm") in wanted_text(
        scene, own_numbers(scene)
    )


@given(
    lens=st.floats(0.01, 0.2), sensor=st.floats(0.005, 0.06), crop=st.floats(0.3, 1.0), own=st.floats(0.01, 0.2)
)
@settings(max_examples=50, deadline=None)
def test_a_crop_makes_the_angles_of_view_equal(lens: float, sensor: float, crop: float, own: float) -> None:
    plate = PlateNumbers(lens=lens, sensor_width=sensor, height=1.6, distance=9.0, crop=crop)
    found = view_crop(plate, own, 0.0359)
    assert max(found.plate, found.miniature) == 1.0
    assert float(angle_of_view(lens, sensor * crop * found.plate)) == pytest.approx(
        float(angle_of_view(own, 0.0359 * found.miniature)), rel=1e-12
    )


def test_the_crop_is_said() -> None:
    # 35 mm on Super 35 is 39.15 deg across, on full frame 54.43 (check values, optics): 24.89 / 36 of the width
    plate = PlateNumbers(lens=0.035, sensor_width=0.02489, height=1.6, distance=9.0)
    assert "crop the miniature to the middle 69.1 %" in view_crop(plate, 0.035, 0.036).text
    assert "nothing is cropped" in view_crop(plate, 0.035, 0.02489).text


def test_a_rail_long_enough_takes_the_whole_move() -> None:
    fit = rail_fit(demonstration("quarry"), quarry_plate(), 0.24)
    assert fit.fits
    assert (fit.first, fit.last) == (1001, 1100)
    assert max(fit.held.worst_px, fit.shortened.worst_px) < 1e-9 * PIXEL
    assert fit.fitting_scale == pytest.approx(20.0)


@given(longest=st.floats(0.001, 0.3), travel=st.floats(1.0, 9.0), back=st.booleans(), station=st.integers(1001, 1100))
@settings(max_examples=25, deadline=None)
def test_the_part_that_fits_is_the_longest(longest: float, travel: float, back: bool, station: int) -> None:
    scene = demonstration("quarry").edited(rail__station=station)
    fit = rail_fit(scene, quarry_plate(travel=-travel if back else travel), longest)
    gone = half_eased(100) * travel / 20.0
    # every run of frames with the station frame in it that fits, by trial
    best = max(
        j - i + 1
        for i in range(station - 1000)
        for j in range(station - 1001, 100)
        if gone[j] - gone[i] <= longest + 1e-9
    )
    assert fit.last - fit.first + 1 == best
    assert fit.first <= station <= fit.last
    assert gone[fit.last - 1001] - gone[fit.first - 1001] <= longest + 2e-9
    assert fit.fits == (travel / 20.0 <= longest + 1e-9)
    inside = slice(fit.first - 1001, fit.last - 1000)
    assert np.abs(fit.held.foot_px[inside]).max() < 1e-6 * PIXEL


def test_what_a_short_rail_costs_is_told() -> None:
    fit = rail_fit(demonstration("quarry"), quarry_plate(), 0.12)
    # the whole move is 240 mm: at 1:40 it takes 120
    assert fit.fitting_scale == pytest.approx(40.0)
    assert not fit.fits
    reveal = half_eased(100)[89] * 0.24
    assert fit.reveal_short == pytest.approx(reveal - fit.end)
    assert "the matched move takes 240.0 mm and the rail has 120.0 mm: frames 1001 to 1050 fit" in fit.text
    f, depth = 40.0 / 35.9 * 1920, 0.43 * math.sin(math.radians(15)) + 1.4 * math.cos(math.radians(15))
    # drawn together to half the length, every step is half as long: half the foot's own travel is slip
    steps = np.diff(half_eased(100)) * 0.12 * f / depth
    assert fit.shortened.slip_px[1:] == pytest.approx(steps, abs=1e-6 * PIXEL)


def test_a_plate_that_stands_still_or_goes_the_other_way_is_told() -> None:
    scene = demonstration("quarry")
    assert remarks(scene, quarry_plate()) == []
    assert "does not travel" in remarks(scene, quarry_plate(travel=0.0))[0]
    assert "against the scene's rail" in remarks(scene, quarry_plate(travel=-4.8))[0]


def test_the_focus_stays_on_the_set() -> None:
    scene = demonstration("quarry")
    plate = replace(own_numbers(scene), distance=own_numbers(scene).distance + 2.0, tilt=scene.camera.tilt)
    matched = scaled_scene(scene, plate)
    # 100 mm farther away along the level: the point on the axis is that much deeper, by the tilt's cosine
    assert scene.camera.focus is not None
    assert matched.camera.focus == pytest.approx(scene.camera.focus + 0.1 * math.cos(scene.camera.tilt), abs=0.01 * MM)


def test_a_camera_that_no_scene_can_hold_is_refused_in_one_line() -> None:
    with pytest.raises(PlateError, match=r"camera\.position.*check the numbers under \[plate\]") as told:
        scaled_scene(demonstration("quarry"), quarry_plate(distance=1e5))
    assert "\n" not in str(told.value)


def test_the_plate_is_read_from_the_scene() -> None:
    scene = demonstration("quarry")
    assert plate_numbers(scene) == quarry_plate()
    more = scene.edited(plate__camera__sensor=(0.02489, 0.01866), plate__camera__lateral=-0.6, plate__crop=0.8)
    assert plate_numbers(more) == quarry_plate(sensor_width=0.02489, lateral=-0.6, crop=0.8)
    with pytest.raises(PlateError, match="nothing of the plate's camera"):
        plate_numbers(scene.edited(plate__camera=None))


def test_a_plate_without_a_lens_is_no_plate() -> None:
    with pytest.raises(ValueError, match="lens"):
        quarry_plate(crop=0.0)
