"""Light, focus and support on the day, at the numbers where the advice turns: closed forms and stated limits.

Limits that are common practice without a source, as the code says beside them, are held from both sides.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from previz import optics
from previz.scene.checks import impossible
from previz.scene.derived import largest_slip_px
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.rig.exposure import (
    CLEAN_ISO,
    LEAST_ISO,
    MID_GREY,
    SMEAR_FREE,
    Exposure,
    LightLevel,
    Smear,
    exposure,
    plain_light,
    run_px,
)
from previz.scene.rig.flicker import flicker, uneven
from previz.scene.rig.focusing import Blur, FocusPlan, StopChoice, focus_plan
from previz.scene.rig.lightways import ways
from previz.scene.rig.support import support
from tests.scene.example import scene_of

MM = 1e-3


@pytest.fixture
def example(tmp_path: Path) -> Scene:
    """The scene that the design prints, focused so far away that the stop works as engraved."""
    return scene_of(tmp_path, ("bars  = 2.39 ", "")).edited(camera__focus=100.0, wall__relief=0.0)


def planned(scene: Scene) -> FocusPlan:
    return focus_plan(scene, move_of(scene))


def found(scene: Scene, missing: float = 0.0, smear: float = 0.1) -> Exposure:
    """The exposure of a scene whose wall lacks so many stops, with so much smear in the hold."""
    move, plan = move_of(scene), planned(scene)
    needed = exposure(scene, move, plan, LightLevel(1.0, 1.0)).needed
    light = LightLevel(needed / 2.0**missing, 100.0)
    return replace(exposure(scene, move, plan, light), hold_smear=Smear(smear, smear))


def told(scene: Scene, missing: float, smear: float = 0.1) -> dict[str, str]:
    """What each way says, with its cost."""
    listed = ways(scene, found(scene, missing, smear), planned(scene))
    return {way.name: f"{way.what} / {way.cost}" for way in listed}


def test_a_grey_card_reflects_eighteen_percent(example: Scene) -> None:
    # the card of the trade (common practice, no source): white paint of 90 % is log2(90 / 18) stops above it
    assert MID_GREY == 0.18
    move = move_of(example)
    bright = exposure(example, move, planned(example), LightLevel(100.0, 100.0), 0.9, 0.18)
    assert bright.wall_tone - bright.wall == pytest.approx(math.log2(5.0))
    assert bright.bridge_tone == pytest.approx(bright.bridge)


def test_an_exposure_is_right_to_a_third_of_a_stop(example: Scene) -> None:
    # the step of meters and dials
    assert [found(example, missing).right for missing in (0.32, 0.35, -0.32, -0.35)] == [True, False, True, False]


def test_close_focus_takes_more_light(example: Scene) -> None:
    # (1 + m)^2 with m = 35 / (140 - 35) = 1/3: 16 / 9 of the light (check values, Optics: exposure factor)
    near = example.edited(camera__focus=0.14)
    assert found(near).needed / found(example).needed == pytest.approx(16.0 / 9.0, rel=0.002)


def test_light_in_the_middle_of_a_bent_bridge(example: Scene) -> None:
    # a parabola is at a quarter of its bend half way: a lamp straight above that place gives its lux there
    lamp = {"name": "a", "position": (0.1, 2.0, 0.425), "aim": (0.1, 0.0, 0.425), "lux": 500.0}
    bent = example.edited(bridge__bend=0.4, lamps=(lamp,))
    assert plain_light(bent, move_of(bent)).bridge == pytest.approx(500.0, rel=1e-6)


def test_the_worse_smear_counts_and_the_fastest_frame(example: Scene) -> None:
    assert Smear(2.0, 5.0).worst == Smear(5.0, 2.0).worst == 5.0
    # eased over half of the frames the middle runs at twice the mean speed: 2 x 120 mm / 100 a frame, at 1.25 m
    level = example.edited(camera__tilt=0.0, rail__ease=0.5, rail__frames=101)
    run = run_px(level, move_of(level), (1001, 1101)).wall
    assert run == pytest.approx(2.0 * 1.2 / 1250.0 * 35.0 / 35.9 * 1920.0, rel=0.02)
    # the first frames of it hardly move
    assert run_px(level, move_of(level), (1001, 1003)).wall < 0.1 * run


def test_frames_that_differ_by_a_fiftieth_of_a_stop_are_steady() -> None:
    # 1/50 s a little long: the unevenness passes 0.02 stops between the two (closed form in ``uneven``, which
    # tests/scene/test_exposure.py integrates)
    for part, steady in ((0.01, True), (0.03, False)):
        time = (2.0 + part) / 100.0
        assert (uneven(time, 50) < 0.02) is steady
        assert flicker(time, 24.0, 50).held is steady


def test_the_nearest_safe_shutter_is_the_nearer_one() -> None:
    # 1/60 s holds 1.67 half periods of 50 Hz: two, 1/50 s, are nearer than one; 1/70 s holds 1.43
    assert flicker(1.0 / 60.0, 24.0, 50).near_shutter == pytest.approx(1.0 / 50.0)
    assert flicker(1.0 / 70.0, 24.0, 50).near_shutter == pytest.approx(1.0 / 100.0)


def test_two_stops_of_light_are_two_stops_of_the_ring(example: Scene) -> None:
    # f/22 wider by two stops is f/11, closed by two f/44; by one, f/15.6 and f/31.1: the root of two a stop
    assert "f/11.0 instead of f/22" in told(example, 2.0)["wider stop"]
    assert "f/44.0 instead of f/22" in told(example, -2.0)["smaller stop"]
    # half of the rate a stop: 100 frames at 25 a second take 4 s, at a quarter of it 16
    assert "the slide has to take 16 s" in told(example, 2.0)["slower rate"]
    assert "6.25 frames/s instead of 25" in told(example, 2.0)["slower rate"]


def test_a_lamp_brought_nearer_than_half_a_metre_is_too_hot(example: Scene) -> None:
    # two stops: to half of the distance (inverse square); 1.1 m before the wall becomes 0.55 m, 0.9 m becomes 0.45 m
    def lit(z: float) -> Scene:
        lamp = {"name": "key", "position": (0.0, 0.6, z), "aim": (0.0, 0.6, 0.0), "size": 0.1}
        return example.edited(lamps=(lamp,), bridge__length=0.1)

    assert "too hot" not in told(lit(1.1), 2.0)["lamps nearer"]
    assert "key would be 450 mm from the set: too hot" in told(lit(0.9), 2.0)["lamps nearer"]


def test_more_lamps_are_weighed_against_the_circuit(example: Scene) -> None:
    # 1500 W at 230 V are 6.5 A, twice that 13.0 A of 16, four times 26.1
    lit = example.edited(lamps=({"name": "key", "size": 0.1, "watts": 1500.0},))
    assert "3000 W instead of 1500, 13.0 A of 16; more heat" in told(lit, 1.0)["lamps"]
    assert "26.1 A of 16 - more than one circuit" in told(lit, 2.0)["lamps"]


def test_the_mixture_takes_shutter_then_sensitivity_then_lamps(example: Scene) -> None:
    assert (SMEAR_FREE, CLEAN_ISO, LEAST_ISO) == (1.0, 3200.0, 100.0)  # common practice, no source
    scene = example.edited(camera__iso=1600.0)
    # 0.1 px of smear: the shutter gives its one stop, ISO one, lamps the other two
    mixed = told(scene, 4.0)["together, least of each"]
    assert mixed.startswith("shutter 1/25 s, ISO 3200, 4.0 times the lamps")
    # 0.8 px of smear: a quarter more of it is free, log2 1.25 = 0.32 stops of shutter
    assert told(scene, 4.0, 0.8)["together, least of each"].startswith("shutter 1/40 s, ISO 3200, 6.4 times the lamps")
    # 2 px: none
    assert told(scene, 4.0, 2.0)["together, least of each"].startswith("ISO 3200, 8.0 times the lamps")


def test_sensitivity_goes_down_to_a_hundred(example: Scene) -> None:
    scene = example.edited(camera__iso=400.0)
    assert told(scene, -3.0)["sensitivity"].startswith("ISO 100 instead of 400")
    assert told(example.edited(camera__iso=100.0), -3.0)["sensitivity"].startswith("none below ISO 100")


def test_the_wall_is_as_far_as_half_its_relief(tmp_path: Path) -> None:
    # carved as deep behind its datum plane as it stands out: 40 mm of relief, 20 mm more
    scene = scene_of(tmp_path, ("bars  = 2.39 ", "")).edited(camera__tilt=0.0)
    assert planned(scene).move.far == pytest.approx(1.250 + 0.020, abs=0.01 * MM)
    assert planned(scene.edited(wall__relief=0.0)).move.far == pytest.approx(1.250, abs=0.01 * MM)


def test_defocus_and_diffraction_add_in_quadrature_and_where_it_falls() -> None:
    assert StopChoice(8.0, 0.03 * MM, 0.04 * MM).total == pytest.approx(0.05 * MM)
    assert Blur(1.0, 1.01).where == "the near end and the wall alike"
    assert Blur(1.0, 1.05).where == "the wall"
    assert Blur(1.0, 0.95).where == "the near end"


def test_the_advised_stop_is_the_widest_that_serves(example: Scene) -> None:
    # a generous limit: several engraved stops serve, the widest lets in most light
    scene = example.edited(camera__focus=None, camera__blur_limit="0.2 mm")
    plan = planned(scene)
    serving = [
        stop
        for stop in optics.ENGRAVED_STOPS
        if stop >= plan.least_stop and 2.44 * 550e-9 * stop * (1.0 + 0.035 / (plan.best_focus - 0.035)) <= 0.2 * MM
    ]
    assert len(serving) > 1
    assert plan.fits
    assert plan.chosen.stop == min(serving)


def test_the_sharpest_stop_has_as_much_of_both(example: Scene) -> None:
    # K / N and A N are least together where they are equal: N = sqrt(K / A), by hand from the two ends
    plan = planned(example.edited(camera__focus=None))
    f, s = 0.035, plan.best_focus
    defocus = f * abs(plan.move.near - s) / plan.move.near * f / (s - f)
    airy = 2.44 * 550e-9 * (1.0 + f / (s - f))
    assert plan.sharpest_stop == pytest.approx(math.sqrt(defocus / airy), rel=1e-6)


def test_the_airy_disc_is_that_of_the_working_stop(example: Scene) -> None:
    # focused at 105 mm the 35 mm lens works at N (1 + 1/2) = f/33: 2.44 x 550 nm x 33 (check values, Optics)
    plan = planned(example.edited(camera__focus=0.105))
    assert plan.airy == pytest.approx(2.44 * 550e-9 * 33.0, rel=1e-6)


def still(scene: Scene) -> Scene:
    return scene.edited(rail={"frames": 1, "hold": (1001, 1001), "travel": 0.0}, wall__relief=0.0, wall__height=5.0)


def test_an_arm_is_twenty_millimetres_or_a_third_of_the_bridge(example: Scene) -> None:
    # 20 mm (common practice, no source)
    for width, arm in ((0.09, 0.020), (0.06, 0.020), (0.03, 0.010)):
        scene = still(example).edited(bridge__width=width)
        plan = support(scene, move_of(scene))
        assert plan is not None
        assert plan.arm == pytest.approx(arm)


def test_an_arm_is_hidden_where_both_of_its_sides_are(example: Scene) -> None:
    # from the right the lens sees under the slab past its lower right corner: the arm's left side stays hidden longer
    scene = still(example).edited(camera__position=(0.2, 0.16, 1.25))
    plan = support(scene, move_of(scene))
    assert plan is not None
    # by similar triangles in the section at z: the sight line over the lower corner at 25 mm, 12 down, from 200, 160 up
    # drops (160 + 12) / (200 - 25) for a millimetre; the arm's near side stands a sixth of 50 mm from the middle
    assert plan.depth_at(0.3)[0] == pytest.approx(172.0 / 175.0 * (25.0 - 50.0 / 6.0) * MM, rel=0.001)


def test_an_arm_begins_where_the_rock_ends(example: Scene) -> None:
    scene = still(example).edited(wall__relief=0.04)
    plan = support(scene, move_of(scene))
    assert plan is not None
    # half of the relief stands out of the wall's plane
    assert plan.hold.z[0] == pytest.approx(0.020)


def test_a_frame_may_be_a_hundredth_taller_than_the_sensor(tmp_path: Path) -> None:
    # printed sides are rounded: 35.9 mm over 1000 px, 24 mm are 668.5 lines and a hundredth more 675.2
    for lines, reasons in ((675, 0), (680, 1)):
        scene = scene_of(tmp_path).edited(delivery__frame=(1000, lines))
        assert sum(reason.key == "delivery.frame" for reason in impossible(scene)) == reasons


def test_a_lens_passes_beside_the_bridge_with_half_its_barrel(tmp_path: Path) -> None:
    # 25 mm of bridge and 35 mm of barrel: at 70 mm aside the lens may pass the near end, at 50 mm it may not
    for aside, refused in ((0.070, False), (0.050, True)):
        scene = scene_of(tmp_path).edited(
            camera__position=(aside, 0.16, 0.9), rail__along=(0.0, 0.0, -1.0), rail__travel=0.2, rail__station=1001
        )
        keys = {reason.key for reason in impossible(scene)}
        assert ("bridge.length" in keys) is refused


def test_the_largest_slip_is_that_of_the_corners(tmp_path: Path) -> None:
    """On a level lens that comes nearer by s, a point (x, -h) at depth a hides one k = D / a times as far out: they
    part by f sqrt(x^2 + h^2) (1 / (a - s) - k / (D - s))."""
    scene = scene_of(tmp_path).edited(
        camera__tilt=0.0, rail__along=(0.0, 0.0, -1.0), rail__station=1001, bridge__width=0.4, rail__ease=0.0
    )
    move = move_of(scene)
    gone = float(move.rail[39])
    far, near = 1.25, 0.40
    parted = 1920.0 * 35.0 / 35.9 * (1.0 / (near - gone) - far / near / (far - gone))
    assert largest_slip_px(scene, move)[0] == pytest.approx(parted * math.hypot(0.2, 0.16), rel=1e-9)
