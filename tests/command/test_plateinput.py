"""What a scene gives of its plate: marks, figures, moves and takes, and every way in which they can be wrong."""

import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from previz.command.plate.bothsides import Both
from previz.command.plate.plateinput import Course, course_of, figure_in, still_of, told_plate
from previz.errors import PrevizError
from previz.look.blur import camera_during
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from tests.command.scenes import figure, laid
from tests.plate.cameras import FullSize

CAMERA = 'camera = { lens = "35 mm", height = "3.2 m", distance = "17 m", tilt = "-8 deg", travel = "1.2 m" }'


def scene_of(folder: Path, *lines: str, frames: int = 12, camera: str = CAMERA) -> Scene:
    plate = "\n".join(("[plate]", camera, *lines))
    changes = [("[plate]", plate), ("frames = 4", f"frames = {frames}")]
    if any(line.startswith("figure") for line in lines):
        changes.append(('figure = "figure.png"\n', ""))
    return read_scene(laid(folder, *changes))


def course(scene: Scene) -> Course:
    return course_of(scene, move_of(scene))


def sequence(folder: Path, numbers: list[int], mode: str = "RGBA") -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for number in numbers:
        figure(folder / f"walk.{number:04d}.png", mode)


def test_the_move_is_the_scenes_own_with_the_shutter_open_about_each_frame(tmp_path: Path) -> None:
    """The blur of the shoot, ``look.blur.camera_during``, has its shutter open and closed at the same places."""
    scene = scene_of(tmp_path)
    move, found = move_of(scene), course(scene)
    assert found.frames == move.frames
    np.testing.assert_array_equal(found.rail[:, 1], move.rail)
    for k, share in enumerate((0.0, 0.5, 1.0)):
        wanted = [camera_during(move, frame, share).position for frame in move.frames]
        got = [move.camera_at(float(at)).position for at in found.rail[:, k]]
        np.testing.assert_allclose(got, wanted, atol=1e-12)


def test_out_and_back_is_mirrored_and_its_shutter_too(tmp_path: Path) -> None:
    found = course(scene_of(tmp_path, "back = true"))
    assert len(found.frames) == 23
    np.testing.assert_allclose(found.rail[:, 1], found.rail[::-1, 1], atol=0.0)
    np.testing.assert_allclose(found.rail[:, 0], found.rail[::-1, 2], atol=1e-15)
    assert [found.twin(k) for k in (0, 10, 11, 12)] == [22, 12, None, None]


def test_a_wanted_move_comes_from_its_table(tmp_path: Path) -> None:
    rows = "".join(f"{1001 + k},{5.0 * k}\n" for k in range(6))
    (tmp_path / "wanted.csv").write_text("frame,rail_mm\n" + rows, encoding="utf-8")
    found = course(scene_of(tmp_path, 'wanted = "wanted.csv"'))
    np.testing.assert_allclose(found.wanted, 0.005 * np.arange(6))
    # 5 mm a frame, the shutter open for half of one
    np.testing.assert_allclose(found.rail[2], [0.00875, 0.010, 0.01125], atol=1e-9)


def test_a_take_puts_the_camera_where_it_has_it_for_as_long_as_it_was_exposed(tmp_path: Path) -> None:
    """An even push of 0.5 mm a shot frame at 50 a second, 1/100 s: 0.25 mm while the shutter is open."""
    rows = "".join(f"{k},{0.5 * k - 2.0}\n" for k in range(1, 151))
    (tmp_path / "take.csv").write_text("frame,rail_mm\n" + rows, encoding="utf-8")
    scene = scene_of(tmp_path, 'take = "take.csv"').edited(camera__rate=Fraction(50), camera__shutter=0.01)
    found = course(scene)
    assert found.retime is not None
    np.testing.assert_allclose(found.rail[:, 1], move_of(scene).rail, atol=5e-5)
    np.testing.assert_allclose(np.diff(found.rail[1:-1], axis=1), 0.125e-3, atol=2e-6)


def test_a_take_that_never_reaches_the_reveal_is_refused_with_what_it_lacks(tmp_path: Path) -> None:
    rows = "".join(f"{k},{0.4 * k}\n" for k in range(101))
    (tmp_path / "short.csv").write_text("frame,rail_mm\n" + rows, encoding="utf-8")
    with pytest.raises(PrevizError, match=r"reveal at 46\.67 mm .*: 6\.67 mm short"):
        course(scene_of(tmp_path, 'take = "short.csv"', frames=5))


def test_without_a_take_the_shooting_rate_is_told(tmp_path: Path) -> None:
    (said,) = course(scene_of(tmp_path)).sentences
    assert "frames a second or more" in said
    assert course(scene_of(tmp_path)).retime is None


def test_a_move_of_one_frame(tmp_path: Path) -> None:
    plain = (("frames = 4", "frames = 1"), ("hold = [1001, 1002]", "hold = [1001, 1001]"), ("reveal = 1004\n", ""))
    (tmp_path / "take.csv").write_text("frame,rail_mm\n1,-1\n2,0\n3,1\n", encoding="utf-8")
    for more in ("", 'take = "take.csv"\n'):
        scene = read_scene(laid(tmp_path, *plain, ("[plate]\n", f"[plate]\n{CAMERA}\nback = true\n{more}")))
        found = course(scene)
        assert found.frames == (1001,)
        np.testing.assert_allclose(found.rail[0, 1], 0.0, atol=1e-12)
        if more:
            assert any("One delivered frame" in line for line in found.sentences)


@pytest.mark.parametrize(
    ("numbers", "words"),
    [
        ([1, 2, 4, 5, 6], "frames 1 to 6 these are missing: 3;"),
        ([1001, 1003, 1007], "missing: 1002, 1004 to 1006;"),
    ],
)
def test_missing_frames_are_named(tmp_path: Path, numbers: list[int], words: str) -> None:
    sequence(tmp_path / "walk", numbers)
    scene = scene_of(tmp_path, 'figure = "walk"')
    with pytest.raises(PrevizError, match=words) as raised:
        figure_in(scene, course(scene))
    assert "\n" not in str(raised.value)


def read_figure(folder: Path, name: str) -> None:
    scene = scene_of(folder, f'figure = "{name}"')
    figure_in(scene, course(scene))


def test_frames_that_cannot_be_used_are_refused_in_one_line(tmp_path: Path) -> None:
    def refused(name: str) -> str:
        with pytest.raises(PrevizError) as raised:
            read_figure(tmp_path, name)
        assert "\n" not in str(raised.value)
        return str(raised.value)

    sequence(tmp_path / "plain", [1, 2])
    figure(tmp_path / "plain" / "walk.0002.png", "RGB")
    assert "walk.0002.png: the figure has no alpha channel" in refused("plain")
    figure(tmp_path / "still.png", "RGB")
    assert "alpha" in refused("still.png")
    for name in ("walk.mov", "walk.MP4", "walk.mxf"):
        (tmp_path / name).write_bytes(b"film")
        assert f"ffmpeg -i {name} -pix_fmt rgba walk/%04d.png" in refused(name)
    (tmp_path / "walk.exr").write_bytes(b"exr")
    assert "ffmpeg -i walk.exr" in refused("walk.exr")
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "walk.0001.exr").write_bytes(b"exr")
    assert "ffmpeg -i walk.%04d.exr" in refused("deep")
    sequence(tmp_path / "sizes", [1, 2])
    Image.new("RGBA", (50, 50)).save(tmp_path / "sizes" / "walk.0003.png")
    assert "50 x 50 pixels, where the first frame has 40 x 80" in refused("sizes")
    sequence(tmp_path / "twice", [1, 2])
    figure(tmp_path / "twice" / "run.0002.png")
    assert "frame 2 is there twice" in refused("twice")
    (tmp_path / "empty").mkdir()
    assert "a folder without numbered pictures" in refused("empty")
    sequence(tmp_path / "unnumbered", [1])
    figure(tmp_path / "unnumbered" / "walk.png")
    assert "walk.png: no frame number at the end of its name" in refused("unnumbered")
    # a scene made in Python has not been read
    for name, words in (("walk.mov", "ffmpeg -i walk.mov"), ("deep", "ffmpeg -i walk.%04d.exr"), ("empty", "no PNG")):
        scene = scene_of(tmp_path).edited(plate__figure=Path(name))
        with pytest.raises(PrevizError, match=words):
            figure_in(scene, course(scene))
    sequence(tmp_path / "broken", [1, 2])
    (tmp_path / "broken" / "walk.0002.png").write_bytes(b"no picture")
    assert "walk.0002.png: this frame of the figure cannot be read" in refused("broken")


def test_rates_that_do_not_divide_take_the_nearest_plate_frame(tmp_path: Path) -> None:
    """23.976 against 25: delivered frame k takes the plate frame nearest to k x 960/1001, by hand."""
    sequence(tmp_path / "walk", list(range(101, 140)))
    scene = scene_of(tmp_path, 'figure = "walk"', "rate = 23.976", frames=40)
    found = figure_in(scene, course(scene))
    assert found is not None
    assert list(found.shown) == [math.floor(k * 960 / 1001 + 0.5) for k in range(40)]
    np.testing.assert_allclose(found.moment, np.array(found.shown) * 1001 / 960)
    assert any("23.976 (24000/1001)" in line and "do not divide" in line for line in found.sentences)


def test_a_sequence_that_ends_early_is_held_and_that_is_told(tmp_path: Path) -> None:
    sequence(tmp_path / "walk", [1, 2, 3, 4, 5])
    scene = scene_of(tmp_path, 'figure = "walk"', frames=8)
    found = figure_in(scene, course(scene))
    assert found is not None
    assert list(found.shown) == [0, 1, 2, 3, 4, 4, 4, 4]
    assert any("end at frame 1005: the last is held" in line for line in found.sentences)


@pytest.mark.parametrize(("have", "back"), [(4, [0, 1, 2, 3, 2, 1, 0]), (7, [0, 1, 2, 3, 4, 5, 6])])
def test_on_the_way_back_the_plate_goes_on_where_it_can(tmp_path: Path, have: int, back: list[int]) -> None:
    sequence(tmp_path / "walk", list(range(have)))
    scene = scene_of(tmp_path, 'figure = "walk"', "back = true", frames=4)
    found = figure_in(scene, course(scene))
    assert found is not None
    assert list(found.shown) == back


def test_the_feet_are_where_the_scene_says_or_at_the_lowest_middle(tmp_path: Path) -> None:
    """The red performer takes columns 10 to 30 and rows 10 to 70."""
    scene = scene_of(tmp_path)
    found = figure_in(scene, course(scene))
    assert found is not None
    assert found.layer is not None
    assert (found.layer.foot_px, found.layer.head_px) == ((20.0, 70.0), (20.0, 10.0))
    scene = scene_of(tmp_path, "feet = [14, 66]")
    found = figure_in(scene, course(scene))
    assert found is not None
    assert found.layer is not None
    assert (found.layer.foot_px, found.layer.head_px) == ((14.0, 66.0), (14.0, 10.0))
    scene = scene_of(tmp_path, "feet = [14, 5]")
    with pytest.raises(PrevizError, match=r"plate\.feet: \(14, 5\) is no place for feet"):
        figure_in(scene, course(scene))


def test_whole_plate_pictures_are_told_by_their_shape_and_laid_by_the_plates_own_camera(tmp_path: Path) -> None:
    """A performer drawn into 640 x 360 plate frames by OpenCV from the plate's definition: the layer's anchor is the
    drawn foot in every frame, and the figure comes to lie on the foot mark."""
    (tmp_path / "shot").mkdir()
    figure(tmp_path / "shot" / "plate.1001.png")
    scene = scene_of(tmp_path, 'figure = "shot"', 'height = "1.8 m"', frames=10)
    rail = move_of(scene).rail
    feet = []
    for k, at in enumerate(rail):
        lens = FullSize((1.2 * at / rail[-1], -3.2, -17.0), math.radians(-8.0), 0.0, 0.0, 0.035, 0.0359, 640, 360)
        foot, head = lens.project([[0.0, 0.0, 0.0], [0.0, -1.8, 0.0]])
        feet.append(foot)
        picture = np.zeros((360, 640, 4), dtype=np.uint8)
        rows, columns = slice(round(head[1]), round(foot[1])), slice(round(foot[0]) - 5, round(foot[0]) + 5)
        picture[rows, columns] = (230, 230, 230, 255)
        Image.fromarray(picture).save(tmp_path / "shot" / f"plate.{1001 + k}.png")
    both = Both.of(scene)
    assert both.figure is not None
    assert both.figure.layer is None
    track = both.track(both.move, both.course.rail[:, 1])
    np.testing.assert_allclose(track.layer_foot_px, feet, atol=0.01)
    wanted = [both.move.camera(frame).project(both.on_bridge.foot) for frame in both.move.frames]
    np.testing.assert_allclose(track.foot_px, wanted, atol=1e-9)


def test_marks_give_the_plates_camera_and_contradict_wrong_numbers(tmp_path: Path) -> None:
    """Marks of a camera made by OpenCV: 3.2 m up, 17 m away; the scene says 4 m."""
    lens = FullSize((0.3, -3.2, -17.0), math.radians(-8.0), 0.0, 0.0, 0.035, 0.0359, 1920, 1080)
    far = 1e8
    foot, head, one, other = lens.project(
        [[0, 0, 0], [0, -1.75, 0], [0.3 - 0.2 * far, -3.2, far], [0.3 + 0.2 * far, -3.2, far]]
    ).tolist()
    Image.new("RGB", (1920, 1080)).save(tmp_path / "plate.png")
    marks = (
        f'marks = {{ picture = "plate.png", feet = {foot}, head = {head}, horizon = [{one}, {other}], noise_px = 0.1 }}'
    )
    told = told_plate(scene_of(tmp_path, marks, camera=CAMERA.replace("3.2 m", "4 m")))
    assert told.solved is not None
    found = told.numbers
    np.testing.assert_allclose([found.height, found.distance, found.lateral], [3.2, 17.0, 0.3], atol=1e-6)
    assert math.degrees(found.tilt) == pytest.approx(-8.0, abs=1e-6)
    assert found.travel == 1.2
    assert any(line.startswith("plate.camera.height says 4.00 m, the marks say 3.20") for line in told.sentences)
    assert not any("distance says" in line or "lateral says" in line for line in told.sentences)
    alone = told_plate(scene_of(tmp_path, marks, camera=""))
    assert alone.numbers.height == pytest.approx(3.2, abs=1e-6)
    assert any("no plate.camera is given" in line for line in alone.sentences)
    with pytest.raises(PrevizError, match="feet and head are needed"):
        told_plate(scene_of(tmp_path, marks.replace(f"head = {head}, ", "")))


def test_a_pole_tells_the_tilt_where_no_horizon_is_seen(tmp_path: Path) -> None:
    """Marks of a camera made by OpenCV: a pole of 2 m stands 6 m nearer than the performer, one of 3 m farther away."""
    lens = FullSize((0.3, -3.2, -17.0), math.radians(-8.0), 0.0, 0.0, 0.035, 0.0359, 1920, 1080)
    foot, head, near, near_top, far, far_top = lens.project(
        [[0, 0, 0], [0, -1.75, 0], [-1, 0, -6], [-1, -2, -6], [4, 0, 9], [4, -3, 9]]
    ).tolist()
    Image.new("RGB", (1920, 1080)).save(tmp_path / "plate.png")
    poles = (
        f'[{{ foot = {near}, top = {near_top}, height = "2 m" }}, {{ foot = {far}, top = {far_top}, height = "3 m" }}]'
    )
    marks = f'marks = {{ picture = "plate.png", feet = {foot}, head = {head}, poles = @, noise_px = 0.1 }}'
    found = told_plate(scene_of(tmp_path, marks.replace("@", poles), camera="")).numbers
    np.testing.assert_allclose([found.height, found.distance, found.lateral], [3.2, 17.0, 0.3], atol=1e-5)
    assert math.degrees(found.tilt) == pytest.approx(-8.0, abs=1e-5)
    with pytest.raises(PrevizError, match="or a pole of known height"):
        told_plate(scene_of(tmp_path, marks.replace("@", "[]"), camera=""))
    outside = poles.replace(str(near_top), "[3000, 100]")
    with pytest.raises(PrevizError, match=r"pole 1's top at .* lies outside the picture"):
        told_plate(scene_of(tmp_path, marks.replace("@", outside), camera=""))
    for wrong, words in (
        (poles.replace('height = "2 m"', "height = 2"), r"poles\[1\]\.height"),
        (poles.replace("height", "tall"), "unknown key"),
        (poles.replace(', height = "3 m"', ""), r'poles\[2\]\.height.*height = "2 m"'),
        (poles[1:-1].split("}, ")[0] + "}", "expected a list of poles"),
    ):
        with pytest.raises(PrevizError, match=words):
            scene_of(tmp_path, marks.replace("@", wrong), camera="")


def test_a_plate_without_numbers_or_marks_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PrevizError, match=r"write camera = .* under \[plate\]"):
        told_plate(read_scene(laid(tmp_path)))
    bare = read_scene(laid(tmp_path)).edited(plate=None)
    with pytest.raises(PrevizError, match=r"write \[plate\]"):
        told_plate(bare)


def test_stills_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(PrevizError, match=r"no such file; plate\.still names it"):
        still_of(tmp_path / "none.png", "plate.still")
    (tmp_path / "bad.png").write_bytes(b"bad")
    with pytest.raises(PrevizError, match=r"plate\.still is no picture that can be read"):
        still_of(tmp_path / "bad.png", "plate.still")
