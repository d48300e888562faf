"""Cautions: each appears when it should, with numbers worked out by hand here, and stays away otherwise."""

import math
import re
from pathlib import Path

import pytest

from previz.scene.checks import cautions
from previz.scene.model import Scene
from tests.scene.example import changed, scene_of

LAMP = 'name = "key"'
QUIET_LAMP = (LAMP, LAMP + '\nposition = ["0 mm", "0 mm", "1.6 m"]')
NO_BARS = ("bars  = 2.39 ", "")
STILL = [('travel = "120 mm"', 'travel = "0 mm"'), ("frames = 100", "frames = 1"), ("[1001, 1040]", "[1001, 1001]"),
         ("reveal = 1090", "")]  # fmt: skip
LEVEL = ('tilt     = "-8 deg"', "")
SENSOR, LENS = 35.9, 35.0
FOCAL_PX = 1920 * LENS / SENSOR


def texts(scene: Scene, key: str) -> list[str]:
    """The cautions about a key."""
    return [caution.text for caution in cautions(scene) if caution.key == key]


def number(text: str, unit: str) -> float:
    """The first number of a text with this unit."""
    found = re.search(rf"([0-9.]+) {unit}", text)
    assert found is not None, text
    return float(found.group(1))


@pytest.fixture
def calm(tmp_path: Path) -> Scene:
    """The example without its bars and with a harmless lamp: nothing to warn of."""
    return scene_of(tmp_path, NO_BARS, QUIET_LAMP)


def test_a_calm_scene_has_none(calm: Scene) -> None:
    assert cautions(calm) == []


def test_bars_that_cut_off_the_near_end(tmp_path: Path) -> None:
    (text,) = texts(scene_of(tmp_path, QUIET_LAMP), "camera.tilt")
    # the near end lies atan(160/400) below the horizon, the camera looks 8 degrees down
    below = FOCAL_PX * math.tan(math.atan2(160.0, 400.0) - math.radians(8.0)) - 0.5 * 1920 / 2.39
    assert number(text, "px below the delivered picture") == pytest.approx(below, abs=0.51)
    assert "near end" in text
    assert "frame 1020" in text


@pytest.mark.parametrize(
    ("tilt", "pan", "key", "names"),
    [
        ("0 deg", "0 deg", "camera.tilt", ["near end"]),
        ("-30 deg", "0 deg", "camera.tilt", ["sill"]),
        ("-8 deg", "40 deg", "camera.pan", ["sill", "near end"]),
        ("-8 deg", "-40 deg", "camera.pan", ["sill", "near end"]),
    ],
)
def test_an_angle_that_loses_the_bridge(calm: Scene, tilt: str, pan: str, key: str, names: list[str]) -> None:
    scene = calm.edited(camera__tilt=tilt, camera__pan=pan)
    found = texts(scene, key)
    assert [name for name in ("sill", "near end") if any(name in text for text in found)] == names
    # the advice helps: turned by as much as it says, the camera sees what it had lost
    if key == "camera.pan":
        turn = -1 if pan == "40 deg" else 1
        worst = max(number(text, "deg") for text in found)
        assert ("left" if turn < 0 else "right") in found[0].split(": ")[1]
        assert not texts(scene.edited(camera__pan=scene.camera.pan + turn * math.radians(worst + 1.0)), key)


def test_a_wall_smaller_than_the_view(tmp_path: Path) -> None:
    # level and still, the view at the wall is 1250 * 35.9 / 35 wide and 9/16 of that high
    scene = scene_of(tmp_path, NO_BARS, QUIET_LAMP, LEVEL, *STILL)
    half = 0.5 * 1250.0 * SENSOR / LENS
    assert texts(scene, "wall.width") == []
    left, right = texts(scene.edited(wall__width=1.2), "wall.width")
    assert number(left, "mm inside the view at the left") == pytest.approx(half - 600.0, abs=0.51)
    assert number(right, "mm inside the view at the right") == pytest.approx(half - 600.0, abs=0.51)
    (top,) = texts(scene.edited(wall__top=0.5), "wall.top")
    assert number(top, "mm inside the view at the top") == pytest.approx(160.0 + half * 9 / 16 - 500.0, abs=0.51)
    (foot,) = texts(scene.edited(wall__height=0.8), "wall.height")
    assert number(foot, "mm inside the view at the bottom") == pytest.approx(half * 9 / 16 - 160.0 - 100.0, abs=0.51)


def test_the_worst_frame_of_the_move_counts(calm: Scene) -> None:
    (right,) = texts(calm.edited(wall__width=1.45), "wall.width")
    assert "right" in right
    assert "(frame 1100)" in right


def test_a_view_into_the_open(calm: Scene) -> None:
    found = texts(calm.edited(camera__pan="75 deg"), "camera.tilt")
    assert any("into the open at frame 1001" in text for text in found)


def test_a_lens_that_would_touch_the_bridge(calm: Scene) -> None:
    near = calm.edited(camera__position=(0.0, 0.0, 0.88))
    (text,) = texts(near, "camera.position")
    assert number(text, "mm of the bridge at frame 10") == pytest.approx(30.0)
    assert "needs 45.0 mm" in text
    assert texts(calm.edited(camera__position=(0.0, 0.0, 0.896)), "camera.position") == []
    above = calm.edited(camera__position=(0.0, 0.02, 0.88), camera__lens_diameter=0.02)
    assert texts(above, "camera.position") == []


def test_a_near_end_too_near_to_focus_on(calm: Scene) -> None:
    scene = calm.edited(camera__position=(0.0, 0.1, 1.0))
    (text,) = texts(scene, "bridge.length")
    assert number(text, "mm of the lens") == pytest.approx(math.hypot(150.0, 100.0), abs=0.06)
    assert texts(calm.edited(camera__position=(0.0, 0.1, 1.08)), "bridge.length") == []


def test_focus(calm: Scene) -> None:
    (text,) = texts(calm.edited(camera__focus=1.4), "camera.focus")
    # along a line 8 degrees down, the wall is 1250 / cos 8 away
    assert number(text.partition("which is")[2], "mm") == pytest.approx(1250.0 / math.cos(math.radians(8.0)), abs=0.06)
    assert len(texts(calm.edited(camera__focus=0.2), "camera.focus")) == 1
    assert texts(calm.edited(camera__focus=1.25), "camera.focus") == []


def test_timing(calm: Scene) -> None:
    short = calm.edited(rail__frames=20, rail__hold=(1001, 1010), rail__reveal=None, rail__travel=0.01)
    (text,) = texts(short, "rail.frames")
    assert "20 frames at 25 a second last 0.80 s" in text
    assert len(texts(calm.edited(rail__frames=1501), "rail.frames")) == 1
    assert texts(calm.edited(rail__frames=1500), "rail.frames") == []
    assert len(texts(calm.edited(camera__shutter="1/24 s"), "camera.shutter")) == 1
    assert texts(calm.edited(camera__shutter="1/25 s"), "camera.shutter") == []
    assert len(texts(calm.edited(rail__station=1041), "rail.station")) == 1


def test_a_move_too_fast_for_the_eye(calm: Scene) -> None:
    # a frame width in no less than 7 s: practice, printed by a camera maker (check values, Optics). At the near end
    # 400 mm ahead and 160 mm below, seen 8 degrees down, the frame is as wide as the depth times 35.9 / 35
    depth = 400.0 * math.cos(math.radians(8.0)) + 160.0 * math.sin(math.radians(8.0))
    limit = depth * SENSOR / LENS / 7.0  # mm/s
    steady = {"rail__ease": 0.0, "rail__frames": 101}
    slow, fast = limit * 4.0 * 0.99e-3, limit * 4.0 * 1.02e-3
    assert texts(calm.edited(rail__travel=slow, **steady), "rail.travel") == []
    (text,) = texts(calm.edited(rail__travel=fast, **steady), "rail.travel")
    assert number(text, "s;") == pytest.approx(7.0 / 1.02, abs=0.06)
    assert "near end" in text


def test_what_does_not_fit_through_the_doorway(calm: Scene) -> None:
    assert len(texts(calm.edited(bridge__width=0.061), "bridge.width")) == 1
    (text,) = texts(calm.edited(plate__height=2.4), "wall.doorway.height")
    assert "120.0 mm tall" in text


def test_lamps(tmp_path: Path) -> None:
    def lamp_texts(lines: str) -> list[str]:
        return texts(scene_of(tmp_path, NO_BARS, (LAMP, f"{LAMP}\n{lines}")), "lamp")

    (close,) = lamp_texts('position = ["0 mm", "600 mm", "300 mm"]')
    assert "key 300 mm" in close
    assert "unattended" in close
    (by_the_bridge,) = lamp_texts('position = ["0 mm", "400 mm", "800 mm"]')
    assert "key 400 mm" in by_the_bridge
    (bright,) = lamp_texts('position = ["0 mm", "600 mm", "2 m"]\nlux = 10001')
    assert "electrician" in bright
    (high,) = lamp_texts('position = ["0 mm", "701 mm", "2 m"]')
    assert "safety cable" in high
    assert len(lamp_texts('position = ["3 m", "0 mm", "-1 m"]')) == 1
    assert lamp_texts('position = ["0 mm", "600 mm", "2 m"]\nlux = 10000') == []


def test_every_caution_is_a_plain_sentence_about_a_key(tmp_path: Path) -> None:
    scene = scene_of(tmp_path).edited(
        camera__tilt="0 deg", camera__focus=1.6, camera__shutter=0.5, wall__width=1.0, bridge__width=0.07,
        rail__travel=3.0
    )  # fmt: skip
    found = cautions(scene)
    assert len(found) >= 8
    for caution in found:
        assert caution.key.split(".")[0] in ("camera", "wall", "bridge", "rail", "lamp", "plate")
        assert caution.text[0].isupper()
        assert caution.text.endswith(".")
        assert "\n" not in caution.text
        assert "nan" not in caution.text


def test_the_same_scene_gives_the_same_words(tmp_path: Path) -> None:
    scene = scene_of(tmp_path)
    assert cautions(scene) == cautions(scene_of(tmp_path))
    assert changed() in (tmp_path / "walk.toml").read_text()
