"""The plan of focus against closed forms, published formulas and brute force."""

import math
from pathlib import Path

import numpy as np
import pytest

from previz import optics
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.rig.focusing import advice, focus_plan, sharpest_stop
from tests.scene.example import scene_of

MM = 1e-3
TILT = math.radians(8.0)


@pytest.fixture
def example(tmp_path: Path) -> Scene:
    """The scene that the design prints, its whole frame seen, level with nothing carved out of the wall."""
    scene = scene_of(tmp_path, ("bars  = 2.39 ", ""))
    return scene.edited(wall__relief=0.0)


def test_nearest_and_farthest_along_the_axis(example: Scene) -> None:
    plan = focus_plan(example, move_of(example))
    # the near end's top lies 400 mm out and 160 mm below, on an axis 8 degrees down: 400 cos 8 + 160 sin 8
    near = 400.0 * math.cos(TILT) + 160.0 * math.sin(TILT)
    assert plan.move.near == pytest.approx(near * MM, abs=0.05 * MM)
    # the wall at the foot of the frame: a ray tan(a) = 9/16 * 35.9 / 2 / 35 below the axis meets it at
    # 1250 / (cos 8 - tan(a) sin 8) along the axis
    down = 9.0 / 16.0 * 35.9 / 2.0 / 35.0
    far = 1250.0 / (math.cos(TILT) - down * math.sin(TILT))
    assert plan.move.far == pytest.approx(far * MM, abs=0.05 * MM)


def test_a_push_in_is_nearest_at_its_end_and_the_hold_is_kept_apart(example: Scene) -> None:
    scene = example.edited(rail__along=(0.0, 0.0, -1.0), rail__travel=0.1, rail__station=1001, camera__tilt=0.0)
    scene = scene.edited(camera__position=(0.0, 0.02, 1.25))
    plan = focus_plan(scene, move_of(scene))
    assert plan.move.near_frame == 1100
    assert plan.move.near == pytest.approx(0.300, abs=0.2 * MM)
    # the hold's end, frame 1040: after the ramp of a tenth, travel x (39/99 - 0.05) / 0.9
    gone = 0.1 * (39.0 / 99.0 - 0.05) / 0.9
    assert plan.hold.near == pytest.approx(0.400 - gone, abs=0.2 * MM)


def test_what_is_cut_off_by_the_frame_does_not_count(example: Scene) -> None:
    # from close above, the near end falls out of the frame below: the nearest in view lies farther in
    scene = example.edited(camera__tilt=0.0)
    plan = focus_plan(scene, move_of(scene))
    # level, the frame's foot meets the top (160 mm down) at 160 / tan(a)
    seen = 160.0 / (9.0 / 16.0 * 35.9 / 2.0 / 35.0)
    assert seen > 400.0
    assert plan.move.near == pytest.approx(seen * MM, abs=850.0 / 64.0 * MM)
    assert plan.move.near >= seen * MM - 1e-9


def test_the_plan_agrees_with_the_published_depth_of_field(example: Scene) -> None:
    # s(H-f)/(H+s-2f) and s(H-f)/(H-s) (check values, Optics): at best focus and least stop they are near and far
    plan = focus_plan(example, move_of(example))
    near, far = optics.depth_of_field(example.camera.lens, plan.least_stop, plan.blur_limit, plan.best_focus)
    assert near == pytest.approx(plan.move.near, rel=1e-9)
    assert far == pytest.approx(plan.move.far, rel=1e-9)


def test_inside_and_outside_the_limit(example: Scene) -> None:
    limit = example.edited(camera__focus=0.6, camera__blur_limit="1 mm")
    plan = focus_plan(limit, move_of(limit))
    assert plan.sharp
    just = plan.now.worst
    for factor, sharp in ((1.0001, True), (0.9999, False)):
        scene = limit.edited(camera__blur_limit=just * factor)
        assert focus_plan(scene, move_of(scene)).sharp is sharp
    # thin lens by similar triangles, f/N |z - s|/z f/(s - f), worked out here
    f, n, s = 0.035, 22.0, 0.6
    blur = [f / n * abs(z - s) / z * f / (s - f) for z in (plan.move.near, plan.move.far)]
    assert (plan.now.near, plan.now.wall) == pytest.approx(tuple(blur), rel=1e-9)
    assert plan.now.where == ("the near end" if blur[0] > blur[1] else "the wall")


def test_without_a_focus_all_is_sharp(example: Scene) -> None:
    scene = example.edited(camera__focus=None)
    plan = focus_plan(scene, move_of(scene))
    assert plan.sharp
    assert plan.now.worst == 0.0


def test_the_sharpest_stop_has_the_least_root_of_squares(example: Scene) -> None:
    # brute force over stops, defocus at best focus and the Airy disc 2.44 lambda N (1 + m), both worked out here
    plan = focus_plan(example, move_of(example))
    near, far = plan.move.near, plan.move.far
    focus = 2.0 * near * far / (near + far)
    f = 0.035
    m = f / (focus - f)
    stops = np.exp(np.linspace(math.log(2.0), math.log(90.0), 20_001))
    defocus = f / stops * (focus - near) / near * m
    airy = 2.44 * 550e-9 * stops * (1.0 + m)
    least = float(stops[np.argmin(np.hypot(defocus, airy))])
    assert sharpest_stop(example, near, far) == pytest.approx(least, rel=1e-3)
    assert not plan.fits
    engraved = [abs(math.log(stop / least)) for stop in optics.ENGRAVED_STOPS]
    assert plan.chosen.stop == optics.ENGRAVED_STOPS[int(np.argmin(engraved))]
    assert "No engraved stop" in " ".join(advice(plan))


def test_the_widest_engraved_stop_that_keeps_both_is_chosen(example: Scene) -> None:
    # a wall close behind a short bridge, seen from afar: little depth
    scene = example.edited(bridge__length=0.1, camera__focus=1.2, plate=None)
    plan = focus_plan(scene, move_of(scene))
    assert plan.fits
    limit = scene.camera.blur_limit
    wider = [s for s in optics.ENGRAVED_STOPS if s < plan.chosen.stop]
    assert plan.chosen.defocus <= limit
    assert plan.chosen.airy <= limit
    assert plan.least_stop <= plan.chosen.stop
    assert all(stop < plan.least_stop for stop in wider)
    assert f"Use f/{plan.chosen.stop:g}" in " ".join(advice(plan))


@pytest.mark.parametrize(("pupil_ratio", "factor"), [(1.0, 1.5**2), (2.0, 1.25**2), (0.5, 2.0**2)])
def test_working_stop_with_pupil_ratio(example: Scene, pupil_ratio: float, factor: float) -> None:
    # m 0.5 costs x 2.25 (close-up tables, check values); with the pupil ratio P it is (1 + m/P)^2
    scene = example.edited(camera__focus=3.0 * 0.035, camera__pupil_ratio=pupil_ratio)
    plan = focus_plan(scene, move_of(scene))
    assert plan.magnification == pytest.approx(0.5)
    assert plan.exposure_factor == pytest.approx(factor)
    assert plan.working_stop == pytest.approx(22.0 * math.sqrt(factor))
    assert plan.airy == pytest.approx(29.52e-6 * math.sqrt(factor), rel=2e-4)  # f/22: 29.52 um (check values)
