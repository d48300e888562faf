"""Cautions: each appears when it should, with numbers worked out by hand here, and stays away otherwise."""

import math
import re
from pathlib import Path

import pytest

from previz.scene.checks import cautions
from previz.scene.model import Scene
from tests.scene.example import changed, scene_of

LAMP = 'name = "key"'
# large enough to draw no hard shadow, and bright enough for the stop: 35 mm, f/22 and focus 700 mm make f/23.16 (a
# magnification of 35 / 665), which asks 250 x 23.16^2 / (800 x 1/50) = 8379 lux where the bridge hides the wall
QUIET_LAMP = (LAMP, LAMP + '\nposition = ["0 mm", "0 mm", "1.6 m"]\nsize = "600 mm"\nlux = 8379')
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
    return scene_of(tmp_path, NO_BARS, QUIET_LAMP).edited(camera__blur_limit="0.07 mm")


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
    # 60 mm of doorway leave 5 mm on each side of a bridge in its middle
    assert texts(calm.edited(bridge__width=0.05, wall__sideways=0.0049), "bridge.width") == []
    (text,) = texts(calm.edited(bridge__width=0.05, wall__sideways=-0.0052), "bridge.width")
    assert "5.2 mm off its middle" in text
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


def lit(scene: Scene, **lamp: object) -> Scene:
    """The scene with one lamp, harmless but for what is given."""
    return scene.edited(lamps=({"name": "key", "position": (0.0, 0.0, 1.6), "size": 0.6, "lux": 8379.0, **lamp},))


def test_a_lamp_without_a_size_draws_a_hard_edge(calm: Scene) -> None:
    (text,) = texts(lit(calm, size=0.0), "lamp.size")
    assert "hard edge" in text
    assert texts(calm, "lamp.size") == []


def test_no_light_at_all_is_said(calm: Scene) -> None:
    (text,) = texts(calm.edited(lamps=()), "lamp")
    assert "shown flat" in text
    assert texts(calm.edited(lamps=(), light__ambient=1.0), "lamp") == []


def test_a_face_that_reaches_into_the_set(calm: Scene) -> None:
    # a disc 2.2 m across, square to the wall and 1 m from it, reaches through it; one of 1.9 m does not
    aside = {"position": (0.0, -0.3, 1.0), "aim": (0.0, -1.0, 1.0)}
    assert len(texts(lit(calm, size=2.2, **aside), "lamp.size")) == 1
    assert texts(lit(calm, size=1.9, **aside), "lamp.size") == []


@pytest.mark.parametrize("kind", ["lamp", "card"])
def test_what_stands_between_lens_and_set_is_said(calm: Scene, kind: str) -> None:
    # level with the axis, 300 mm before the lens and 0.2 m aside: the frame is 35.9 / 35 x 300 mm wide there, half of
    # which, 154 mm, is less than 200 - 50; at 100 mm to the side the thing is in the picture
    def put(right: float) -> Scene:
        place = {"position": (right, 0.11, 0.95), "aim": (right, 0.11, 0.0)}
        if kind == "lamp":
            return lit(calm, size=0.04, **place)
        return calm.edited(cards=({"name": "white", "kind": "bounce", "size": (0.04, 0.04), **place},))

    (text,) = texts(put(0.1), f"{kind}.position")
    assert "in the picture" in text
    assert texts(put(-0.25), f"{kind}.position") == []


def test_amperes_beyond_the_circuit(calm: Scene) -> None:
    # 80 % of 16 A at 230 V are 2944 W, all of them 3680 W
    assert texts(lit(calm, watts=2940.0), "light.circuit") == []
    (close,) = texts(lit(calm, watts=2950.0), "light.circuit")
    assert "12.8 A" in close
    assert "electrician" in close
    (over,) = texts(lit(calm, watts=3690.0), "light.circuit")
    assert "more than a circuit of 16 A" in over


def test_exposure_off_by_more_than_a_third_of_a_stop(calm: Scene) -> None:
    # the calm scene is right at ISO 800; 2^(1/3) = 1.26
    for iso, dark in ((800.0 / 1.24, False), (800.0 / 1.35, True), (800.0 * 1.2, False), (800.0 * 1.35, True)):
        assert bool(texts(calm.edited(camera__iso=iso), "camera.iso")) is dark
    (text,) = texts(calm.edited(camera__iso=200.0), "camera.iso")
    assert number(text, "stops too dark") == pytest.approx(2.0, abs=0.15)


def test_blur_beyond_the_limit(calm: Scene) -> None:
    (text,) = texts(calm.edited(camera__blur_limit="0.025 mm"), "camera.stop")
    # near end 418.4 mm along the axis, focus 700: 35/22 x 281.6/418.4 x 35/665 (thin lens)
    near = 400.0 * math.cos(math.radians(8.0)) + 160.0 * math.sin(math.radians(8.0))
    assert number(text, "mm") == pytest.approx(35.0 / 22.0 * (700.0 - near) / near * 35.0 / 665.0, abs=0.0006)
    assert "near end" in text


def test_the_shutter_is_held_against_the_shooting_rate(calm: Scene) -> None:
    fast = calm.edited(camera__rate=50, camera__shutter="1/40 s")
    (text,) = texts(fast, "camera.shutter")
    assert "50 frames a second" in text
    assert texts(fast.edited(camera__shutter="1/50 s"), "camera.shutter") == []


def test_every_caution_is_a_plain_sentence_about_a_key(tmp_path: Path) -> None:
    scene = scene_of(tmp_path).edited(
        camera__tilt="0 deg", camera__focus=1.6, camera__shutter=0.5, wall__width=1.0, bridge__width=0.07,
        rail__travel=3.0
    )  # fmt: skip
    found = cautions(scene)
    assert len(found) >= 8
    for caution in found:
        assert caution.key.split(".")[0] in ("camera", "wall", "bridge", "rail", "lamp", "plate", "light", "card")
        assert caution.text[0].isupper()
        assert caution.text.endswith(".")
        assert "\n" not in caution.text
        assert "nan" not in caution.text


def test_the_same_scene_gives_the_same_words(tmp_path: Path) -> None:
    scene = scene_of(tmp_path)
    assert cautions(scene) == cautions(scene_of(tmp_path))
    assert changed() in (tmp_path / "walk.toml").read_text()
