"""Feet, shadow, marks, misses and framing at the numbers where the answer turns: closed forms, SciPy, stated limits.

Limits that are judgement or common practice without a source, as the code says beside them, are held from both sides.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import dblquad

from previz.errors import PlateError
from previz.geometry import Array
from previz.plate.cardcast import StandingCard
from previz.plate.feet import FootTrack, facing_camera
from previz.plate.framing import Bars, ReframeRoom, drift_curve, room_in, spare_lines
from previz.plate.marks import Estimate, Marks, SolvedCamera, Upright, solve_camera
from previz.plate.misses import Effect, misses, rail_fit
from previz.plate.scaling import fastest, own_numbers, remarks, scaled_scene, view_crop
from previz.plate.shadow import BODY_DEPTH, cast_shadow, face_of, key_lamp, key_share
from previz.plate.top import stances
from previz.scene.model import Lamp, Light
from previz.scene.move import move_of
from tests.plate.cameras import QUARRY, marks_of, picture_of
from tests.plate.test_scaling import demonstration, half_eased, quarry_plate
from tests.plate.test_shadow import FOOT, flat, lens

MM = 1e-3


def track_of(left_px: list[tuple[float, float]], right_px: list[tuple[float, float]]) -> FootTrack:
    """A track whose feet miss their places by so much in each frame."""
    residual = np.stack([np.array(left_px), np.array(right_px)], axis=1)
    count, nothing = len(residual), np.zeros((len(residual), 2))
    corners = np.zeros((count, 4, 2))
    frames = tuple(range(1001, 1001 + count))
    return FootTrack(frames, nothing, nothing, np.ones(count), np.zeros(count), residual, corners, residual)


def test_drift_and_slide_are_those_of_the_worse_foot() -> None:
    # one foot stands, the other goes 3 px right and 4 px down in two steps: 5 px in all, 2.5 px a frame
    still, going = [(1.0, 1.0)] * 3, [(0.0, 0.0), (1.5, 2.0), (3.0, 4.0)]
    for track in (track_of(still, going), track_of(going, still)):
        assert track.drift_px == pytest.approx(5.0)
        assert track.slide_px[1:] == pytest.approx([2.5, 2.5])
        assert track.worst[1] == pytest.approx(2.5)
        assert track.corners_worst[1] == pytest.approx(2.5)


def test_half_a_pixel_a_frame_still_stands() -> None:
    for step, stands in ((0.45, True), (0.55, False)):
        assert track_of([(0.0, 0.0), (step, 0.0)], [(0.0, 0.0)] * 2).stands() is stands


def test_a_card_stands_upright() -> None:
    facing = facing_camera([0.0, 0.0, 0.4], lens(0.3, 0.5, 0.8))
    assert facing == pytest.approx([0.6, 0.0, 0.8])


def test_feet_stand_a_quarter_of_a_metre_one_ahead_of_the_other() -> None:
    # an easy stand: 0.25 m along, 0.15 m across, at full size (common practice, no source)
    on_floor, on_bridge = stances(flat(1.0, 0.1), 0.4, 1.75, 20.0)
    left, right = on_floor.feet
    assert np.abs(right - left) == pytest.approx([0.15, 0.0, 0.25])
    assert on_bridge.feet[1] - on_bridge.feet[0] == pytest.approx((right - left) / 20.0)


def test_a_body_is_as_deep_as_a_chest() -> None:
    # 27 cm from back to chest and from heel to toe (common practice, no source; a shoe of size 42 is 27 cm)
    assert pytest.approx(0.27, abs=0.01) == BODY_DEPTH


def test_a_near_face_in_half_cover_gives_what_the_form_factor_says() -> None:
    """A wall across the light hides the left of a wide near face: Lambert at both ends over the square distance."""
    card = StandingCard(
        np.ones((400, 400), dtype=np.float32), (400.0, 400.0), 400.0, FOOT, 0.4, np.array([0.0, 0.0, 1.0])
    )
    lamp = Lamp(name="key", position=(0.0, 0.1, 0.62), aim=(0.0, 0.1, 0.0), size="600 x 100 mm")
    shadow = cast_shadow(card, face_of(lamp), flat(0.52, 0.12), 0.003, points=3600)

    def given(y: float, across: float) -> float:
        square = (across - x) ** 2 + y * y + (0.62 - z) ** 2
        return y * (0.62 - z) / square**2

    for right, out in ((0.02, 0.45), (0.04, 0.45), (-0.02, 0.45), (0.02, 0.46)):
        row, column = int((out - shadow.back) / shadow.texel), int((right - shadow.left) / shadow.texel)
        x, z = shadow.left + (column + 0.5) * shadow.texel, shadow.back + (row + 0.5) * shadow.texel
        # a ray passes the wall's plane, z = 0.5, on its left where its end on the face lies left of this
        edge = float(np.clip(x - x * (0.62 - z) / (0.5 - z), -0.3, 0.3))
        kept, whole = (float(dblquad(given, -0.3, end, 0.05, 0.15)[0]) for end in (edge, 0.3))
        assert shadow.share[row, column] == pytest.approx(kept / whole, abs=0.012)


def test_the_lamp_that_gives_most_throws_the_shadow() -> None:
    weak = Lamp(name="a", position=(0.0, 1.0, 0.5), lux=100.0, aim=(0.0, 0.0, 0.5))
    strong = Lamp(name="b", position=(0.0, 1.0, 0.5), lux=300.0, aim=(0.0, 0.0, 0.5))
    assert key_lamp([weak, strong], Light(), FOOT) is strong
    assert key_lamp([strong, weak], Light(), FOOT) is strong
    assert key_share(strong, [weak, strong], Light(ambient=200.0), FOOT)[1] == pytest.approx(300.0 / 600.0, abs=0.01)


def solved(height_sigma: float = 0.01, doubt: float = 1.0) -> SolvedCamera:
    sure = Estimate(0.1, 0.001)
    return SolvedCamera(Estimate(1.6, height_sigma), Estimate(9.0, 0.01), sure, sure, sure, None, 1.0, 4, doubt)


def test_a_height_is_loose_beyond_two_percent() -> None:
    # two deviations of 0.024 m are 3 % of 1.6 m, of 0.014 m 1.75 %
    assert any("sure to 3.0 % only" in line for line in solved(0.024).text)
    assert len(solved(0.014).text) == 1


def test_marks_contradict_one_another_below_one_in_a_hundred() -> None:
    assert "contradict" in solved(doubt=0.008).text[-1]
    assert len(solved(doubt=0.012).text) == 1


def test_the_doubt_of_honest_marks_is_even() -> None:
    """The chance that chi square passes its value is evenly spread from 0 to 1 where the noise is as stated: mean 1/2.

    Of 40 trials the mean is sure to 1 / sqrt(12 x 40) = 0.046. Half of the cost, one degree spare, would give 0.61 with
    a horizon alone and 0.75 with poles besides.
    """
    rng = np.random.default_rng(11)
    marks = [marks_of(QUARRY, "hep", rng) for _ in range(40)]
    found = [solve_camera(picture_of(QUARRY), each) for each in marks]
    assert found[0].spare >= 3
    assert np.mean([each.doubt for each in found]) == pytest.approx(0.5, abs=3.0 * 0.046)
    # and the misfit is the noise, less what the unknowns take up: sqrt(spare / measurements)
    measured = found[0].spare + 2 + 1 + 2 * 2 + 3
    mean = np.mean([each.misfit_px**2 for each in found])
    assert mean == pytest.approx(found[0].spare / measured, rel=0.35)


def test_marks_nearer_than_three_times_their_noise_are_one() -> None:
    marks = Marks((Upright((900.0, 800.0), (900.0, 798.0), 1.78),), horizon=((0.0, 300.0), (1900.0, 300.0)))
    with pytest.raises(PlateError, match=r"2\.0 px apart, expected more than 3\.0 px"):
        solve_camera(picture_of(QUARRY), marks)


def effect(foot_px: Array, horizon: float = 0.0, size: float = 0.0, station: int = 1003) -> Effect:
    count = len(foot_px)
    frames = tuple(range(1001, 1001 + count))
    return Effect(frames, station, np.full(count, horizon), np.full(count, size), foot_px, np.zeros(count))


def test_drift_counts_from_the_station_frame() -> None:
    # laid right at frame 1003, a foot that runs 2 px a frame strays 4 px before it and 2 px after
    run = np.array([[0.0, 0.0], [2.0, 0.0], [4.0, 0.0], [6.0, 0.0]])
    assert effect(run).drift_px == pytest.approx(4.0)
    assert effect(run, station=1001).drift_px == pytest.approx(6.0)


def test_the_worst_miss_is_the_worst_of_three() -> None:
    away = np.array([[3.0, 4.0]])
    assert effect(away, 1.0, 2.0, 1001).worst_px == pytest.approx(5.0)
    assert effect(away, 7.0, 2.0, 1001).worst_px == pytest.approx(7.0)
    assert effect(away, 1.0, -9.0, 1001).worst_px == pytest.approx(9.0)


def test_lengths_match_to_a_hundredth_of_a_millimetre_and_turns_to_a_thousandth_of_a_degree() -> None:
    scene = demonstration("quarry").edited(rail__frames=3, rail__hold=(1001, 1002), rail__reveal=1003,
                                           rail__station=1001)  # fmt: skip
    own = own_numbers(scene)
    for height, tilt, matches in ((0.008, 0.0008, True), (0.05, 0.05, False)):
        # miniature mm at 1:20, degrees
        plate = replace(own, height=own.height + 20.0 * height * MM, tilt=own.tilt + math.radians(tilt))
        found = {miss.name: miss.matches for miss in misses(scene, plate)}
        assert (found["height"], found["tilt"]) == (matches, matches)
        assert found["distance"]


def test_a_short_rail_is_told_with_what_it_lacks() -> None:
    fit = rail_fit(demonstration("quarry"), quarry_plate(), 0.12)
    # 4.8 m at 1:20 are 240 mm, which 120 mm hold at 1:40; the rail ends where it began and 120 mm more
    assert fit.fitting_scale == pytest.approx(40.0)
    assert fit.reveal_short == pytest.approx(half_eased(100)[89] * 0.24 - (fit.start + 0.12))


def test_top_speed_is_that_of_the_trapezium() -> None:
    scene = scaled_scene(demonstration("quarry"), quarry_plate())
    # half-eased over 100 frames: twice the mean speed in the middle
    steps = np.abs(np.diff(half_eased(100))) * 0.24
    assert fastest(scene) == pytest.approx(float(steps.max()) * float(scene.delivery.rate), rel=1e-9)
    assert len(move_of(scene).frames) == 100


def test_the_wider_picture_is_the_one_that_is_cropped() -> None:
    # the plate's 35.9 mm at 40 mm; a miniature shot with 20 mm on the same sensor sees twice as wide
    crop = view_crop(quarry_plate(), 0.02, 0.0359)
    assert (crop.plate, crop.miniature) == pytest.approx((1.0, 0.5))
    crop = view_crop(quarry_plate(), 0.08, 0.0359)
    assert (crop.plate, crop.miniature) == pytest.approx((0.5, 1.0))


def test_a_plate_that_travels_with_the_rail_needs_no_remark() -> None:
    scene = demonstration("quarry")
    along = math.copysign(4.8, scene.rail.travel)
    assert remarks(scene, quarry_plate(travel=along)) == []
    assert "against the scene's rail" in remarks(scene, quarry_plate(travel=-along))[0]


def test_the_lens_shift_is_worth_as_much_on_a_smaller_sensor() -> None:
    # half the sensor, half the shift: the same share of the picture
    scene = demonstration("quarry").edited(camera__sensor=(0.01795, 0.012))
    matched = scaled_scene(scene, quarry_plate(shift=(0.002, 0.004)))
    assert matched.camera.shift == pytest.approx((0.001, 0.002))


def test_room_above_and_below_is_half_of_what_is_left() -> None:
    # 36 x 24 mm at 1920 wide are 1280 lines; 1080 used leave 100 above and 100 below
    room = spare_lines((0.036, 0.024), 1920, 1080)
    assert (room.up_px, room.down_px) == pytest.approx((100.0, 100.0))
    both = room_in(Bars(1920, 1080, 0, 138, 1920, 942), room.up_px, room.down_px)
    assert (both.up_px, both.down_px) == pytest.approx((238.0, 238.0))


def test_a_drift_keeps_clear_of_both_edges_and_starts_from_rest() -> None:
    room = ReframeRoom(50.0, 50.0)
    for way in (1.0, -1.0):
        drift_curve(25, way * 40.0, room, margin_px=10.0)
        with pytest.raises(PlateError, match="shows the edge"):
            drift_curve(25, way * 41.0, room, margin_px=10.0)
    # eased over the whole of it: 2 t^2 up to the middle
    assert drift_curve(101, 40.0, room)[[0, 25, 50, 100]] == pytest.approx([0.0, 5.0, 20.0, 40.0])
