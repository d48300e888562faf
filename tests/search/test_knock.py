"""Knocks: drifts found against known limits, intervals against SciPy, and what geometry says of a turned camera."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest, kstest

from previz.judge.interval import wilson
from previz.scene.model import Knock
from previz.scene.move import move_of
from previz.search.knock import (
    SLACKS,
    Drift,
    costliest,
    counted,
    eased,
    knocked,
    largest_drift,
    limit_of,
    misbuilt,
    misprint,
    only,
    sample,
    slacks_of,
    smaller,
)
from tests.search.example import small_scene

BY_NAME = {slack.name: slack for slack in SLACKS}


@pytest.mark.parametrize("limit", [0.0123, 0.4, 0.8049, 7.77, 19.99])
def test_the_largest_drift_is_found_to_the_resolution_and_on_the_safe_side(limit: float) -> None:
    asked: list[float] = []

    def holds(drift: float) -> bool:
        asked.append(drift)
        return drift <= limit

    found = largest_drift(holds, 20.0, 0.01)
    assert found is not None
    assert limit - 0.02 < found <= limit
    assert found / 0.01 == pytest.approx(round(found / 0.01), abs=1e-6)
    assert len(asked) < 40


def test_drifts_that_never_break_and_drifts_that_always_do() -> None:
    assert largest_drift(lambda drift: True, 20.0, 0.01) is None
    assert largest_drift(lambda drift: drift <= 0.0, 20.0, 0.01) == 0.0
    assert largest_drift(lambda drift: False, 20.0, 0.01) == 0.0


@pytest.mark.parametrize(("successes", "trials"), [(0, 10), (10, 10), (3, 40), (246, 400), (399, 400), (1, 1)])
def test_the_interval_is_wilsons(successes: int, trials: int) -> None:
    wanted = binomtest(successes, trials).proportion_ci(confidence_level=0.95, method="wilson")
    assert wilson(successes, trials) == pytest.approx((wanted.low, wanted.high), abs=1e-12)


def test_without_trials_nothing_is_known() -> None:
    assert wilson(0, 0) == (0.0, 1.0)


def test_builds_lie_evenly_within_what_is_stated() -> None:
    """Kolmogorov and Smirnov's test against the even distribution, each of them by itself; a brush is a brush."""
    knock = Knock(shift=0.002, turn=math.radians(0.3), focal=0.01, paint=0.0004, brush=0.003, colour=1.5, seed=3)
    builds = np.array([sample(knock, number) for number in range(2000)])
    assert np.array_equal(builds[7], sample(knock, 7))
    assert not np.array_equal(builds[7], sample(knock.model_copy(update={"seed": 4}), 7))
    hand = [slack.index for slack in SLACKS if slack.part == "hand"]
    assert (builds[:, hand] == [1.5, 0.003]).all()
    even = [slack for slack in SLACKS if slack.part != "hand"]
    for slack in even:
        stated = slack.stated(knock)
        assert np.abs(builds[:, slack.index]).max() <= stated
        assert kstest(builds[:, slack.index], "uniform", args=(-stated, 2.0 * stated)).pvalue > 1e-3
    correlation = np.corrcoef(np.delete(builds, hand, axis=1).T) - np.eye(len(even))
    assert np.abs(correlation).max() < 0.1


def test_every_lamp_errs_by_itself_and_the_rest_of_a_build_stays() -> None:
    knock = Knock(lamp=0.03, lamp_level=0.1)
    one, three = sample(knock, 5), sample(knock, 5, 3)
    assert three[: len(one)] == pytest.approx(one)
    others = three[len(one) :].reshape(2, 4)
    assert (np.abs(others) <= [0.03, 0.03, 0.03, 0.1]).all()
    assert np.abs(others[0] - others[1]).min() > 1e-4
    built = misbuilt(three, (1, 5))
    assert built is not None
    assert built.lamps == pytest.approx(three[18:].reshape(3, 4))


def test_only_what_can_err_is_counted_and_what_is_halved_is_halved(tmp_path: Path) -> None:
    scene = small_scene(tmp_path)
    assert {slack.part for slack in slacks_of(scene)} == {"camera", "paint", "bridge", "hand"}, "no lamps"
    bare = slacks_of(scene.edited(bridge__paint="bare"))
    assert {slack.part for slack in bare} == {"camera", "bridge"}
    build = sample(Knock(), 2, 2)
    kept = counted(build, bare)
    assert kept[:7] == pytest.approx(build[:7])
    assert kept[10:16] == pytest.approx(build[10:16])
    assert not kept[7:10].any()
    assert not kept[16:].any()
    less = eased(build, (BY_NAME["bridge pitch"], BY_NAME["lamp height"]), 0.5)
    changed = np.flatnonzero(less != build)
    assert changed.tolist() == [14, 19, 23], "both lamps'"
    assert less[changed] == pytest.approx(0.5 * build[changed])


def test_a_picture_no_finer_than_the_brush_loses_nothing_to_it(tmp_path: Path) -> None:
    scene = small_scene(tmp_path)
    image = scene.edited(bridge__image=Path("paint.png"))

    def with_finest(brush: float) -> set[str]:
        return {slack.name for slack in slacks_of(image.edited(paint__brush=brush, knock__brush=0.003))}

    assert "brush" not in with_finest(0.003)
    assert "brush" in with_finest(0.002)
    assert "colour" in with_finest(0.003)


def test_errors_go_where_they_belong() -> None:
    wanted = {"paint turned": "print_turn", "colour": "colour", "brush": "brush"}
    for name, field in wanted.items():
        built = misbuilt(only(BY_NAME[name], 0.01), (1,))
        assert built is not None
        assert getattr(built, field) == 0.01
        assert not built.hung.any()
        assert not built.print_off.any()
    for number, name in enumerate(("sideways", "height", "distance", "yaw", "pitch", "roll")):
        built = misbuilt(only(BY_NAME[f"bridge {name}"], 0.01), (1,))
        assert built is not None
        assert np.flatnonzero(built.hung).tolist() == [number]
    assert misbuilt(only(BY_NAME["tilt"], 0.01), (1,)) is None


def test_the_costliest_errors_are_those_of_least_room_then_of_most_break() -> None:
    knock = Knock(shift=0.001, turn=0.01)
    free, tight, tighter = (
        Drift(BY_NAME[name], (None, None), (None, allowed), added)
        for name, allowed, added in (("pan", None, 3.0), ("height", 0.002, 0.1), ("sideways", 0.0005, 0.0))
    )
    nothing = Drift(BY_NAME["tilt"], (None, None), (None, None), 0.4)
    assert costliest([free, nothing, tight, tighter], knock) == [tighter, tight, free]
    assert costliest([free, nothing, tight, tighter], knock, 1) == [tighter]


def test_what_is_stated_of_each() -> None:
    knock = Knock(
        shift=0.002, turn=0.01, focal=0.03, paint=0.0004, paint_turn=0.005, hung=0.006, hung_turn=0.007, colour=1.5,
        brush=0.008, lamp=0.09, lamp_level=0.1,
    )  # fmt: skip
    wanted = [0.002] * 3 + [0.01] * 3 + [0.03] + [0.0004] * 2 + [0.005] + [0.006] * 3 + [0.007] * 3
    assert [slack.stated(knock) for slack in SLACKS] == [*wanted, 1.5, 0.008, 0.09, 0.09, 0.09, 0.1]


def test_a_careful_hand_unless_given() -> None:
    # dE 2, pattern 0.5 mm, bridge 0.1 deg and 0.5 mm, brush 2 mm, lamp 20 mm and 5 % (common practice, no source)
    knock = Knock()
    assert (knock.colour, knock.paint, knock.hung, knock.brush) == (2.0, 0.0005, 0.0005, 0.002)
    assert math.degrees(knock.hung_turn) == pytest.approx(0.1)
    assert math.degrees(knock.paint_turn) == pytest.approx(0.1)
    assert (knock.lamp, knock.lamp_level) == (0.02, 0.05)


def test_a_turned_camera_sees_no_parallax_and_a_shifted_one_does(tmp_path: Path) -> None:
    """A turn about the entrance pupil, and a change of focal length, leave points that hid one another doing so."""
    move = move_of(small_scene(tmp_path))
    camera = move.camera(move.station_frame)
    bridge = np.array([[0.02, 0.0, 0.6], [-0.02, 0.0, 0.3], [0.0, -0.012, 0.7]])
    hidden = bridge + (bridge - camera.position) * 0.8
    for name, drift in (("pan", 0.05), ("tilt", -0.05), ("roll", 0.08), ("focal length", 0.04)):
        turned = knocked(camera, only(BY_NAME[name], drift))
        assert np.abs(turned.project(bridge) - camera.project(bridge)).max() > 5.0, "it moves in the picture"
        assert np.abs(turned.project(bridge) - turned.project(hidden)).max() < 1e-6
    shifted = knocked(camera, only(BY_NAME["sideways"], 0.001))
    apart = np.linalg.norm(shifted.project(bridge) - shifted.project(hidden), axis=1)
    # f b (1 / z_bridge - 1 / z_wall) of check_values.md, Geometry
    depths = camera.depth(bridge), camera.depth(hidden)
    assert apart == pytest.approx(camera.focal_px * 0.001 * (1.0 / depths[0] - 1.0 / depths[1]), rel=1e-9)


def test_directions_are_what_their_words_say(tmp_path: Path) -> None:
    move = move_of(small_scene(tmp_path).edited(camera__tilt=0.0))
    camera = move.camera(move.station_frame)
    for name, axis, way in (("sideways", 0, "right"), ("height", 1, "higher"), ("distance", 2, "farther")):
        shifted = knocked(camera, only(BY_NAME[name], 0.01))
        assert shifted.position[axis] - camera.position[axis] == pytest.approx(0.01)
        assert BY_NAME[name].plus == way
    ahead = camera.position + np.array([0.0, 0.0, -1.0])
    # a view turned to the right shows what was in the middle farther left
    assert knocked(camera, only(BY_NAME["pan"], 0.01)).project(ahead)[0] < camera.project(ahead)[0]
    assert knocked(camera, only(BY_NAME["tilt"], 0.01)).project(ahead)[1] > camera.project(ahead)[1]
    assert knocked(camera, only(BY_NAME["focal length"], 0.01)).focal_px == pytest.approx(1.01 * camera.focal_px)
    assert misprint(only(BY_NAME["paint across"], 0.001)).tolist() == [0.001, 0.0, 0.0]
    assert misprint(only(BY_NAME["paint along"], 0.001)).tolist() == [0.0, 0.0, 0.001]


def test_a_frame_close_to_the_limit_is_not_lost_to_what_the_judge_cannot_tell() -> None:
    assert limit_of(0.0) == 5.0
    assert limit_of(3.9) == 5.0
    assert limit_of(4.8) == pytest.approx(5.8)


def test_strain_compares_what_is_stated_with_the_worse_side() -> None:
    drift = Drift(BY_NAME["sideways"], (None, None), (0.002, 0.0008))
    assert drift.strain(0.001) == pytest.approx(1.25)
    assert Drift(BY_NAME["pan"], (None, None), (None, None)).strain(0.01) == 0.0
    assert Drift(BY_NAME["pan"], (0.0, 0.0), (0.0, 0.1)).strain(0.01) == math.inf
    assert smaller((None, 0.3)) == 0.3
