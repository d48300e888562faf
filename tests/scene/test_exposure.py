"""Exposure, flicker and the ways to mend it: published values, closed forms and numbers integrated here."""

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from previz.scene.model import Lamp, Scene
from previz.scene.move import move_of
from previz.scene.rig.exposure import Exposure, LightLevel, exposure, exposure_time, lamp_lux, load, plain_light, state
from previz.scene.rig.flicker import flicker, flicker_text, time_text, uneven
from previz.scene.rig.focusing import focus_plan
from previz.scene.rig.lightways import ways
from tests.scene.example import scene_of

FOOT_CANDLE = 10.764  # lx (check values, Optics)
UP, OUT = [[0.0, 1.0, 0.0]], [[0.0, 0.0, 1.0]]


@pytest.fixture
def example(tmp_path: Path) -> Scene:
    """The scene that the design prints, focused so far away that the stop works as engraved."""
    scene = scene_of(tmp_path, ("bars  = 2.39 ", ""))
    return scene.edited(camera__focus=100.0)


def found(scene: Scene, wall: float, bridge: float = 100.0) -> Exposure:
    """The exposure of a scene whose wall and bridge get so many lux."""
    move = move_of(scene)
    return exposure(scene, move, focus_plan(scene, move), LightLevel(wall, bridge))


def test_t4_at_iso_800_asks_for_the_posted_light(example: Scene) -> None:
    # T4, ISO 800, 1/48 s: exact 22.3 foot-candles with C 250 (check values, Optics)
    scene = example.edited(camera__stop=4.0, camera__shutter=1.0 / 48.0, delivery__rate=24)
    result = found(scene, 22.3 * FOOT_CANDLE)
    assert result.needed / FOOT_CANDLE == pytest.approx(22.3, abs=0.05)
    assert result.wall == pytest.approx(0.0, abs=0.005)
    assert result.right


def test_ev_15_is_81_920_lux(example: Scene) -> None:
    # EV 15 at ISO 100, C 250: 81 920 lx, f/16 at 1/128 (check values, Optics)
    scene = example.edited(camera__stop=16.0, camera__shutter=1.0 / 128.0, camera__iso=100.0)
    assert found(scene, 81_920.0).wall == pytest.approx(0.0, abs=0.002)
    # one stop is a factor of two, and doubling the rate at the same shutter angle costs one
    assert found(scene, 40_960.0).wall == pytest.approx(-1.0, abs=0.002)
    half = scene.edited(camera__shutter=1.0 / 256.0)
    assert found(half, 81_920.0).wall == pytest.approx(-1.0, abs=0.002)


def test_f8_to_f22_costs_three_stops(example: Scene) -> None:
    # 2.92 by engraved numbers (check values, Optics)
    at = [found(example.edited(camera__stop=stop), 1000.0).wall for stop in (8.0, 22.0)]
    assert at[0] - at[1] == pytest.approx(2.92, abs=0.005)


def test_close_focus_costs_light(example: Scene) -> None:
    # m 0.1 costs x 1.21 (check values, Optics): log2 1.21 = 0.275 stops
    near = example.edited(camera__focus=0.385)
    assert found(example, 500.0).wall - found(near, 500.0).wall == pytest.approx(0.275, abs=0.002)


def test_the_shutter_is_half_a_frame_at_the_shooting_rate(example: Scene) -> None:
    # 180 degrees at 25 -> 1/50, at 50 -> 1/100 (check values, Optics)
    assert exposure_time(example) == pytest.approx(1.0 / 50.0)
    assert exposure_time(example.edited(camera__rate=50)) == pytest.approx(1.0 / 100.0)
    assert exposure_time(example.edited(camera__rate=50, camera__shutter=0.004)) == 0.004


def test_paint_shifts_the_tone_and_not_the_card(example: Scene) -> None:
    move = move_of(example)
    plan = focus_plan(example, move)
    result = exposure(example, move, plan, LightLevel(1000.0, 500.0), 0.36, 0.09)
    assert result.wall_tone - result.wall == pytest.approx(1.0)
    assert result.bridge_tone - result.bridge == pytest.approx(-1.0)
    assert result.wall - result.bridge == pytest.approx(1.0)


def test_a_point_lamp_follows_inverse_square_and_cosine() -> None:
    # E = I cos(i) / d^2: 900 lux at 1 m face on; at 1 m aside of the axis d^2 is 2, the cosine 1 / sqrt 2
    lamp = Lamp(name="a", position=(0.0, 0.0, 1.0), aim=(0.0, 0.0, 0.0), lux=900.0)
    assert lamp_lux(lamp, [[0.0, 0.0, 0.0]], OUT) == pytest.approx(900.0)
    assert lamp_lux(lamp, [[1.0, 0.0, 0.0]], OUT) == pytest.approx(900.0 / 2.0**1.5)
    assert lamp_lux(lamp, [[0.0, 0.0, -1.0]], OUT) == pytest.approx(900.0 / 4.0)
    assert lamp_lux(lamp, [[0.0, 0.0, 2.0]], OUT) == pytest.approx(0.0)


def test_a_face_shines_by_the_cosine_and_comes_near_its_closed_form() -> None:
    # on its axis a Lambert disc of radius r gives E ~ 1 / (r^2 + d^2) (Walsh, Photometry: from memory)
    lamp = Lamp(name="a", position=(0.0, 0.0, 2.0), aim=(0.0, 0.0, 0.0), size=0.4, lux=1000.0)
    exact = 1000.0 * (0.04 + 4.0) / (0.04 + 1.0)
    assert lamp_lux(lamp, [[0.0, 0.0, 1.0]], OUT)[0] == pytest.approx(exact, rel=0.04)
    # off the axis, the cosine counts at both ends: E = E0 cos^4
    off = math.atan2(1.0, 2.0)
    assert lamp_lux(lamp, [[1.0, 0.0, 0.0]], OUT) == pytest.approx(1000.0 * math.cos(off) ** 4)


def test_a_spot_has_half_its_light_at_its_edge_and_none_beyond() -> None:
    lamp = Lamp(name="a", position=(0.0, 0.0, 1.0), aim=(0.0, 0.0, 0.0), lux=100.0, cone=math.radians(40.0))
    whole = Lamp(name="b", position=(0.0, 0.0, 1.0), aim=(0.0, 0.0, 0.0), lux=100.0)
    places = [[math.tan(math.radians(a)), 0.0, 0.0] for a in (0.0, 15.9, 20.0, 24.1)]
    share = lamp_lux(lamp, places, OUT * 4) / lamp_lux(whole, places, OUT * 4)
    np.testing.assert_allclose(share, [1.0, 1.0, 0.5, 0.0], atol=1e-9)


def test_light_at_the_wall_behind_the_bridge(example: Scene) -> None:
    lamp = {"name": "key", "position": (0.0, 0.0, 2.0), "aim": (0.0, 0.0, 0.0), "lux": 400.0}
    scene = example.edited(lamps=(lamp,), light__ambient=30.0)
    level = plain_light(scene, move_of(scene))
    # the sight line from (0, 160, 1250) over the middle (0, 0, 425) meets the wall at y = 160 - 160 * 1250 / 825
    y = (160.0 - 160.0 * 1250.0 / 825.0) / 1e3
    square = 4.0 + y * y
    assert level.wall == pytest.approx(30.0 + 400.0 * 4.0 / square * 2.0 / math.sqrt(square))
    # a lamp level with the bridge's top grazes it
    assert level.bridge == pytest.approx(30.0)


def test_nothing_is_listed_where_the_exposure_is_right(example: Scene) -> None:
    move = move_of(example)
    needed = found(example, 1000.0).needed
    plan = focus_plan(example, move)
    assert ways(example, found(example, needed), plan) == []
    assert "right" in state(found(example, needed * 1.2))
    assert ways(example, found(example, needed * 1.3), plan) != []
    assert ways(example, found(example, 0.0), plan) == []
    assert state(found(example, 0.0)) == "no light reaches the wall"


def test_every_way_finds_what_is_missing(example: Scene) -> None:
    scene = example.edited(lamps=({"name": "key", "size": 0.3, "watts": 300.0},), camera__iso=400.0)
    result = found(scene, found(scene, 1.0).needed / 8.0)  # three stops short
    told = {way.name: way for way in ways(scene, result, focus_plan(scene, move_of(scene)))}
    assert result.missing == pytest.approx(3.0)
    assert "ISO 3200 instead of 400" in told["sensitivity"].what
    assert "2.8 times" in told["sensitivity"].cost  # root of 8
    assert "8.0 times" in told["lamps"].what
    assert "2400 W instead of 300, 10.4 A of 16" in told["lamps"].cost  # 2400 / 230
    assert "0.35" in told["lamps nearer"].what  # 1 / root of 8
    assert "3.12 frames/s" in told["slower rate"].what
    assert "nothing falls, flows or smokes" in told["slower rate"].cost
    # the shutter can only open from half the frame to all of it
    assert told["longer shutter"].stops == pytest.approx(1.0)
    assert not told["longer shutter"].whole
    assert "f/7.8" in told["wider stop"].what  # 22 / 2^1.5
    assert told["together, least of each"].stops == pytest.approx(3.0)


def test_the_mixture_gives_exactly_what_is_missing(example: Scene) -> None:
    # steady and slow: no smear, so the shutter gives its whole stop, then ISO up to 3200, then lamps
    scene = example.edited(rail__travel=0.001, camera__iso=800.0)
    result = found(scene, found(scene, 1.0).needed / 16.0)
    what = ways(scene, result, focus_plan(scene, move_of(scene)))[-1].what
    assert what == "shutter 1/25 s, ISO 3200, 2.0 times the lamps"  # 1 + 2 + 1 stops


def test_too_much_light_is_led_away(example: Scene) -> None:
    scene = example.edited(camera__iso=200.0)
    result = found(scene, found(scene, 1.0).needed * 8.0)
    told = {way.name: way for way in ways(scene, result, focus_plan(scene, move_of(scene)))}
    assert told["sensitivity"].stops == pytest.approx(1.0)
    assert not told["sensitivity"].whole
    assert "density 0.9" in told["grey filter"].what  # 3 stops of log10 2
    assert "12 %" in told["lamps"].what
    assert "1/400 s" in told["shorter shutter"].what


def test_smear_is_the_way_of_a_point_while_the_shutter_is_open(example: Scene) -> None:
    level = example.edited(camera__tilt=0.0, rail__ease=0.0, rail__frames=101)
    result = found(level, 100.0)
    # 1.2 mm a frame across; at depth z it moves 1.2 / z * 35 / 35.9 * 1920 px; open for half of it
    px = [0.5 * 1.2 / z * 35.0 / 35.9 * 1920.0 for z in (1250.0, 400.0)]
    assert (result.move_smear.wall, result.move_smear.near) == pytest.approx(tuple(px), rel=1e-6)
    assert result.hold_smear.near == pytest.approx(px[1], rel=1e-6)


def test_amperes(example: Scene) -> None:
    lamps = ({"name": "a", "watts": 1000.0}, {"name": "b", "watts": 840.0}, {"name": "c"})
    assert load(example.edited(lamps=lamps)) == pytest.approx(8.0)
    assert load(example.edited(lamps=lamps, light__volts=115.0)) == pytest.approx(16.0)
    assert load(example) is None


@pytest.mark.parametrize(
    ("degrees", "rate", "mains", "safe"),
    [  # 172.8 degrees at 24 is 1/50 s: whole half periods of 50 Hz (check values, Optics)
        (172.8, 24.0, 50, True),
        (180.0, 25.0, 50, True),
        (144.0, 24.0, 60, True),  # 1/60 s
        (180.0, 24.0, 50, False),  # 1/48 s at a rate that does not divide 100
        (180.0, 25.0, 60, False),
    ],
)
def test_shutters_known_to_be_safe(degrees: float, rate: float, mains: int, safe: bool) -> None:
    result = flicker(degrees / 360.0 / rate, rate, mains)
    assert result.held is safe
    assert ("not safe" not in flicker_text(result)) is (safe or result.locked)


def test_a_rate_that_divides_the_flicker_is_steady() -> None:
    locked = flicker(1.0 / 48.0, 24.0, 60)  # 120 / 24 = 5
    assert not locked.held
    assert locked.locked
    assert locked.safe
    assert not flicker(1.0 / 47.95, 24000.0 / 1001.0, 60).locked


@pytest.mark.parametrize("mains", [50, 60])
@pytest.mark.parametrize("exposure_s", [1 / 50, 1 / 48, 1 / 60, 1 / 100, 1 / 250, 1 / 33, 1 / 24])
def test_the_unevenness_is_that_of_a_rectified_sine(mains: int, exposure_s: float) -> None:
    def light(start: float) -> float:
        dark = [k / (2 * mains) for k in range(12) if start < k / (2 * mains) < start + exposure_s]

        def shine(t: float) -> float:
            return abs(math.sin(2 * math.pi * mains * t))

        return float(quad(shine, start, start + exposure_s, points=dark or None, epsabs=1e-12)[0])

    # by crest and gap, and anywhere between, integrated numerically
    found_light = [light(k / (2 * mains) / 200) for k in range(200)]
    measured = math.log2(max(found_light) / min(found_light))
    assert uneven(exposure_s, mains) == pytest.approx(measured, abs=2e-3)


def test_what_is_near_and_safe_is_safe() -> None:
    for exposure_s, rate, mains in ((1 / 48, 24.0, 50), (1 / 50, 25.0, 60), (1 / 200, 50.0, 60), (1 / 30, 24.0, 50)):
        result = flicker(exposure_s, rate, mains)
        assert result.near_shutter is not None
        assert result.near_shutter <= 1.0 / rate + 1e-12
        assert uneven(result.near_shutter, mains) == pytest.approx(0.0, abs=1e-6)
        assert flicker(exposure_s, result.near_rate, mains).locked
    # a frame shorter than a half period holds none
    assert flicker(1 / 400, 200.0, 50).near_shutter is None


def test_times_as_they_are_set() -> None:
    assert [time_text(t) for t in (0.02, 1 / 48, 1 / 172.8, 2.5)] == ["1/50 s", "1/48 s", "1/173 s", "2.5 s"]
