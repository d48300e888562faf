"""Shots that stand, slide, pause and turn, against positions and angles worked out by hand."""

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from previz.camera import camera_for
from previz.errors import Fault, SceneError
from previz.geometry import turned, unit
from previz.look.blur import blur_of, camera_during
from previz.rail import timing
from previz.scene.cautions import SLOWEST_PAN, cautions
from previz.scene.checks import impossible
from previz.scene.derived import derived
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.scene.timetable import stretches, turning_marks
from tests.scene.example import EXAMPLE, changed, plain_scene, written

PIXEL = 1.0
DEG = math.radians(1.0)


def a_scene(rail: dict[str, object], **camera: object) -> Scene:
    """A plain set with this rail and camera, values in inside units."""
    return plain_scene({"hold": (1001, 1004), **rail}, **camera)


def fault_of(folder: Path, text: str) -> Fault:
    """The only fault of a scene file."""
    with pytest.raises(SceneError) as caught:
        read_scene(written(folder, text))
    (fault,) = caught.value.faults
    return fault


# 3 frames stood, half the way in 4, 2 frames stood, half the way in 4, 5 frames stood: the first frame and 18 more
BY_HAND = {
    "frames": 19, "travel": 0.08, "ease": 0.25, "stand": 3, "stand_after": 5, "pauses": [{"at": 0.04, "frames": 2}],
}  # fmt: skip
# a trapezium of speed over 4 frames, eased by a quarter: 1/6, 1/2, 5/6 and all of 40 mm
PIECE = [40.0 / 6.0, 20.0, 40.0 * 5.0 / 6.0, 40.0]
PLACES = [0.0] * 4 + PIECE + [40.0] * 2 + [40.0 + p for p in PIECE] + [80.0] * 5


def test_every_frame_of_a_shot_that_stands_slides_pauses_slides_and_stands() -> None:
    move = move_of(a_scene(BY_HAND))
    assert len(PLACES) == 19
    np.testing.assert_allclose(1e3 * move.rail, PLACES, atol=1e-9)
    np.testing.assert_allclose(1e3 * move.rail_during(np.arange(19.0)), PLACES, atol=1e-9)
    places = np.array([move.camera(frame).position for frame in move.frames])
    steps = np.linalg.norm(np.diff(places, axis=0), axis=1)
    assert steps.sum() == pytest.approx(0.08, abs=1e-12)
    # at the station the lens stands where [camera] has it, as ever
    assert move.camera(move.station_frame).position == pytest.approx([0.0, 0.16, 1.25], abs=1e-15)
    # half a frame after the slide's beginning: half of the ramp's share, squared
    assert 1e3 * move.rail_during(3.5) == pytest.approx(0.25 * 40.0 / 6.0, abs=1e-9)
    assert 1e3 * move.rail_during([7.0, 8.9]) == pytest.approx([40.0, 40.0], abs=1e-12)


def test_a_shot_that_travels_to_the_left_pauses_at_the_same_places() -> None:
    right, left = (move_of(a_scene({**BY_HAND, "travel": way * 0.08})) for way in (1.0, -1.0))
    np.testing.assert_allclose(left.rail, -right.rail, atol=1e-15)


def test_stretches_and_marks_are_those_of_the_shot() -> None:
    course = move_of(a_scene(BY_HAND)).timing
    assert stretches(course, 18) == [
        ("stands", 1001, 1004), ("slides", 1004, 1008), ("stands", 1008, 1010), ("slides", 1010, 1014),
        ("stands", 1014, 1019),
    ]  # fmt: skip
    assert turning_marks(course, 18) == [("slides", 1004), ("pause", 1008), ("pause ends", 1010), ("stands", 1014)]
    plain = move_of(a_scene({})).timing
    assert turning_marks(plain, 99) == []
    assert stretches(plain, 99) == [("slides", 1001, 1100)]


def test_pieces_share_the_frames_by_their_lengths_and_none_is_without() -> None:
    # 100 mm in 20 frames: 5 mm a frame
    course = timing(21 + 6, 0.1, 0.1, pauses=[(0.02, 4), (0.05, 2)])
    assert [(p.begins, p.ends) for p in course.pieces] == [(0, 4), (8, 14), (16, 26)]
    # a millimetre has no frame of its own by its share, and gets one
    tight = timing(8, 0.1, 0.1, pauses=[(0.001, 1), (0.002, 1), (0.099, 1)])
    assert [p.ends - p.begins for p in tight.pieces] == [1, 1, 1, 1]
    for faulty in ([(0.1, 1)], [(0.05, 1), (0.05, 1)], [(0.06, 1), (0.05, 1)]):
        with pytest.raises(ValueError, match="pauses must lie"):
            timing(100, 0.1, 0.1, pauses=faulty)
    with pytest.raises(ValueError, match="fewer than the 2 pieces"):
        timing(12, 0.1, 0.1, stand=4, stand_after=5, pauses=[(0.05, 1)])


def plain_places(frames: int, travel: float, ease: float) -> NDArray[np.float64]:
    """A slide from the first frame to the last as it was worked out before a shot could stand."""
    t = np.linspace(0.0, 1.0, frames) if frames > 1 else np.zeros(1)
    if ease == 0.0:
        return np.asarray(travel * t)
    top = 1.0 / (1.0 - ease)
    start, end = 0.5 * top / ease * t**2, 1.0 - 0.5 * top / ease * (1.0 - t) ** 2
    return np.asarray(travel * np.where(t < ease, start, np.where(t > 1.0 - ease, end, top * (t - 0.5 * ease))))


@settings(max_examples=60, deadline=None)
@given(
    frames=st.integers(4, 400), travel=st.floats(-0.5, 0.5).filter(lambda v: abs(v) > 1e-3),
    ease=st.just(0.0) | st.floats(1e-3, 0.5),
    pan=st.floats(-1.0, 1.0), tilt=st.floats(-0.5, 0.5), along=st.sampled_from([(1.0, 0.0, 0.0), (1.0, 0.2, -0.4)]),
)  # fmt: skip
def test_a_scene_without_the_new_keys_gives_the_same_cameras_to_the_last_digit(
    frames: int, travel: float, ease: float, pan: float, tilt: float, along: tuple[float, float, float]
) -> None:
    keys = {"frames": frames, "travel": travel, "ease": ease, "along": along}
    move = move_of(a_scene(keys, pan=pan, tilt=tilt))
    places = plain_places(frames, travel, ease)
    np.testing.assert_array_equal(move.rail, places)
    through = np.array([0.0, 0.16, 1.25])
    for frame in (1001, 1001 + frames // 3, 1000 + frames):
        at = through + (float(places[frame - 1001]) - float(places[move.station_frame - 1001])) * unit(along)
        wanted = camera_for(at, pan, tilt, 0.0, 0.035, 0.0359, 1920, 1080)
        np.testing.assert_array_equal(move.camera(frame).world_from_cam, wanted.world_from_cam)


@settings(max_examples=60, deadline=None)
@given(
    stand=st.integers(0, 30), after=st.integers(0, 30), slide=st.integers(3, 80), stood=st.integers(1, 20),
    share=st.floats(0.05, 0.95), travel=st.floats(0.01, 0.5), ease=st.just(0.0) | st.floats(1e-3, 0.5),
)  # fmt: skip
def test_a_shot_never_turns_back_and_stands_as_long_as_it_is_told(
    stand: int, after: int, slide: int, stood: int, share: float, travel: float, ease: float
) -> None:
    frames = 1 + stand + after + stood + slide
    rail = timing(frames, travel, ease, stand, after, [(share * travel, stood)]).at_frames(frames)
    steps = np.diff(rail)
    assert (steps >= 0.0).all()
    assert rail[-1] == pytest.approx(travel, abs=1e-12)
    # every step but those of standing moves
    assert int((steps == 0.0).sum()) == stand + after + stood
    assert not steps[:stand].any()
    assert not steps[len(steps) - after :].any()
    assert np.isclose(rail, share * travel, rtol=0.0, atol=1e-12).sum() >= stood + 1


def test_a_pan_turns_about_the_entrance_pupil() -> None:
    # no travel: the head alone turns, 12 deg to the right over 100 frames
    move = move_of(a_scene({"frames": 101, "travel": 0.0, "pan": 12.0 * DEG, "ease": 0.0, "station": 1051}))
    at_station = move.camera(1051)
    np.testing.assert_array_equal(at_station.world_from_cam[:3, :3], turned(0.0, 0.0, 0.0))
    ahead = at_station.position + [0.0, 0.0, -1.1]
    for frame in (1001, 1026, 1051, 1101):
        camera = move.camera(frame)
        np.testing.assert_array_equal(camera.position, at_station.position)
        # f tan of the angle, away from the turn; near and far alike, for there is no parallax
        angle = 12.0 * DEG * (frame - 1051) / 100.0
        wanted = [960.0 - camera.focal_px * math.tan(angle), 540.0]
        assert camera.project(ahead) == pytest.approx(wanted, abs=1e-8 * PIXEL)
        assert camera.project(at_station.position + [0.0, 0.0, -0.3]) == pytest.approx(wanted, abs=1e-8 * PIXEL)


def test_a_tilt_is_positive_up_and_at_the_station_the_angles_are_the_cameras() -> None:
    scene = a_scene(
        {"frames": 41, "tilt": -4.0 * DEG, "pan": 2.0 * DEG, "stand": 10, "stand_after": 10, "station": 1031},
        pan=0.1, tilt=-0.14, roll=0.02,
    )  # fmt: skip
    move = move_of(scene)
    rotation = move.camera(1031).world_from_cam[:3, :3]
    np.testing.assert_array_equal(rotation, turned(0.1, -0.14, 0.02))
    # the turn is done by then; before, all of it is ahead
    np.testing.assert_allclose(move.turns([0.0, 10.0, 30.0, 40.0]), [[-2.0 * DEG, 4.0 * DEG]] * 2 + [[0.0, 0.0]] * 2)
    first = move.camera(1001).world_from_cam[:3, :3]
    np.testing.assert_allclose(first, turned(0.1 - 2.0 * DEG, -0.14 + 4.0 * DEG, 0.02), atol=1e-15)


def test_the_pan_has_an_easing_of_its_own_and_goes_on_through_a_pause() -> None:
    rail = {**BY_HAND, "pan": 6.0 * DEG, "tilt": 3.0 * DEG, "pan_ease": 0.0, "station": 1004}
    move = move_of(a_scene(rail))
    # from frame 3 to frame 13 evenly, the slide's pause at 7 to 9 or not
    pan, tilt = move.turns(np.arange(19.0)).T / DEG
    np.testing.assert_allclose(pan, [0.0] * 4 + [0.6 * k for k in range(1, 11)] + [6.0] * 5, atol=1e-9)
    # the tilt is eased as the slide is, a quarter: in 10 frames 2.5 for each ramp, by the trapezium
    assert tilt[5] == pytest.approx(3.0 * (0.5 / 0.75 / 0.25 * 0.2**2), abs=1e-9)
    assert tilt[8] == pytest.approx(1.5, abs=1e-9)
    np.testing.assert_allclose(1e3 * move.rail, PLACES, atol=1e-9)


def test_what_stands_has_no_motion_blur() -> None:
    scene = a_scene(BY_HAND)
    move = move_of(scene)
    # the shutter is open for half a frame about its time: at the edges of a stretch it still sees the slide
    standing = {1001, 1002, 1003, 1009, 1015, 1016, 1017, 1018, 1019}
    for frame in move.frames:
        blur = blur_of(move, frame)
        assert (blur is None) == (frame in standing)
        if blur is not None:
            assert np.abs(blur.path_px(1.0)).max() > 1e-3 * PIXEL
    focused = move_of(scene.edited(camera__focus=0.8))
    held, slid = blur_of(focused, 1009), blur_of(focused, 1006)
    assert held is not None
    assert slid is not None
    assert held.moments == ()
    np.testing.assert_array_equal(held.path_px(1.0), np.zeros((1, 2)))
    assert len(slid.moments) == 3
    # a pause in which the head turns on is blurred by the turn alone: f tan of half a frame's angle
    panned = move_of(scene.edited(rail__pan=6.0 * DEG, rail__pan_ease=0.0, rail__station=1009))
    blur = blur_of(panned, 1009)
    assert blur is not None
    ends = blur.path_px(1.0)[[0, -1], 0]
    focal_px = panned.camera(1009).focal_px
    assert ends == pytest.approx([focal_px * math.tan(way * 0.25 * 0.6 * DEG) for way in (1.0, -1.0)], abs=1e-6 * PIXEL)
    np.testing.assert_array_equal(camera_during(panned, 1009, 0.0).position, camera_during(panned, 1009, 1.0).position)


def test_check_says_when_the_shot_stands_slides_and_turns(tmp_path: Path) -> None:
    pauses = 'pauses = [{ at = "40 mm", frames = 10 }]'
    lines = f'stand = 25\nstand_after = 14\n{pauses}\npan = "3 deg"\npan_ease = "0%"\nhold ='
    path = tmp_path / "walk.toml"
    (tmp_path / "figure.png").write_bytes(b"x")
    path.write_text(changed(("hold   =", lines)))
    rows = derived(read_scene(path))
    # 50 frames are left to slide in: 17 for the third of the way, 33 for the rest
    assert [row for row in rows if row[0] in ("stands", "slides", "pan over the move")] == [
        ("stands", "1001 to 1026, 1.00 s"),
        ("slides", "1026 to 1043, 0.68 s, 0.0 mm to 40.0 mm"),
        ("stands", "1043 to 1053, 0.40 s"),
        ("slides", "1053 to 1086, 1.32 s, 40.0 mm to 120.0 mm"),
        ("stands", "1086 to 1100, 0.56 s"),
        # 3 deg evenly in 60 frames at 25 a second
        ("pan over the move", "3.00 deg, 1026 to 1086, 1.25 deg/s at most"),
    ]
    # the plain shot says nothing of the kind
    path.write_text(EXAMPLE)
    assert not {"stands", "slides", "pan over the move"} & {name for name, _ in derived(read_scene(path))}


@pytest.mark.parametrize("key", ["pan", "tilt"])
def test_a_turn_faster_than_a_frame_width_in_seven_seconds_is_told(key: str) -> None:
    # even turn over 100 frames at 25 a second, 35 mm on 35.9 mm: a frame width is 35.9 mm of f tan, here a small angle
    span = 100 / 25.0
    fast, slow = (math.atan(35.9 / 35.0 / (seconds * 25.0)) * 25.0 * span for seconds in (0.9 * SLOWEST_PAN, 7.05))
    for turn, told in ((fast, True), (-fast, True), (slow, False)):
        rail: dict[str, object] = {"frames": 101, "travel": 0.0, key: turn, "ease": 0.0, "station": 1051}
        scene = a_scene(rail).edited(delivery__rate=25)
        said = [c.text for c in cautions(scene) if c.key == f"rail.{key}"]
        assert bool(said) == told
        if told:
            assert "a frame width in 6.3 s; faster than one in 7 s" in said[0]
            assert not [c for c in cautions(scene) if c.key == "rail.travel"]


WRONG = [
    ("stand = -1", "rail.stand", "a number of at least 0, found -1"),
    ("stand_after = 1.5", "rail.stand_after", "a whole number"),
    ("stand = 60\nstand_after = 39", "rail.frames", "expected at least 101 frames: 99 are stood"),
    ('pauses = [{ at = "40 mm", frames = 98 }]', "rail.frames", "expected at least 101 frames: 98 are"),
    ('pauses = [{ at = "120 mm", frames = 9 }]', "rail.pauses[1].at", "before the end of the travel, 120"),
    ('pauses = [{ at = "40 mm", frames = 0 }]', "rail.pauses[1].frames", "a number of at least 1"),
    ('pauses = [{ at = "-4 mm", frames = 9 }]', "rail.pauses[1].at", "from 0.1 mm to 100 m"),
    ("pauses = [9]", "rail.pauses[1]", "a table like"),
    ("pauses = 9", "rail.pauses", 'a list of pauses like [{ at = "40 mm", frames = 10 }]'),
    ('pauses = [{ at = "40 mm", frame = 9, frames = 3 }]', "rail.pauses[1].frame", "unknown key"),
    (
        'pauses = [{ at = "60 mm", frames = 2 }, { at = "50 mm", frames = 2 }]', "rail.pauses[2].at",
        "a pause after the one before it, at 60.0 mm, found 50.0 mm",
    ),
    ('pan = "181 deg"', "rail.pan", "from -180 to 180 deg"),
    ('tilt = "-120 deg"', "rail.tilt", "between straight down and straight up"),
    ('pan = "3 deg"\naim = ["0 mm", "0 mm", "0 mm"]', "rail.pan", "no pan where aim is a point"),
    ('tilt_ease = "60%"', "rail.tilt_ease", "from 0% to 50%"),
]  # fmt: skip


@pytest.mark.parametrize(("keys", "key", "says"), WRONG)
def test_a_move_that_cannot_be_made_is_told_in_one_line_at_its_place(
    tmp_path: Path, keys: str, key: str, says: str
) -> None:
    text = changed(("hold   =", f"{keys}\nhold ="))
    fault = fault_of(tmp_path, text)
    assert fault.key == key
    assert says in str(fault)
    assert "\n" not in str(fault)
    line = text.split("\n")[fault.line - 1]
    assert key.split(".")[1].split("[")[0] in line


def test_a_move_built_in_python_is_refused_alike() -> None:
    with pytest.raises(SceneError, match=r"rail\.frames: expected at least 101 frames"):
        move_of(a_scene({"stand": 99}))
    # what turns need not travel; what does neither is still refused
    assert [r.key for r in impossible(a_scene({"travel": 0.0}))] == ["rail.travel"]
    assert impossible(a_scene({"travel": 0.0, "pan": 0.1})) == []


def test_a_search_may_not_cut_the_rail_before_its_last_pause(tmp_path: Path) -> None:
    pause = 'pauses = [{ at = "80 mm", frames = 9 }]\nhold ='
    search = '\n[search]\nrail_length = ["60 mm", "200 mm"]\n'
    fault = fault_of(tmp_path, changed(("hold   =", pause)) + search)
    assert fault.key == "search.rail_length"
    assert "longer than the last pause, 80.0 mm" in str(fault)
