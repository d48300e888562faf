"""What a line-up says of the illusion, against ``score``'s own judge and closed forms of how paint drifts."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from previz.camera import Camera
from previz.command.lineup.illusion import advice, drift_values
from previz.command.lineup.lineupjob import Drifted, IllusionJob, IllusionNow, delivered_view
from previz.run.workers import WorkerPool
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.stage.looking import FrameJob
from previz.stage.prepare import prepare
from tests.lineup.photographs import Truth

# a set built anew, or whole runs, for nearly every test
pytestmark = pytest.mark.slow

SCENES = Path(__file__).parent.parent.parent / "scenes"
SIZE = 960, 540
DISTANCE = 1.75


@pytest.fixture(scope="module")
def quarry() -> Scene:
    """The quarry with plain light and nothing out of focus: quick, and its shadows do not tell."""
    scene = read_scene(SCENES / "quarry.toml").edited(camera__focus=None)
    return scene.model_copy(update={"lamps": ()})


@pytest.fixture(scope="module")
def pool(quarry: Scene):
    with WorkerPool(1, None) as pool:
        pool.load(prepare(quarry))
        yield pool


def camera_at(scene: Scene, shift: tuple[float, float, float]) -> Camera:
    move = move_of(scene)
    camera = move.camera(move.station_frame, *SIZE)
    pose = camera.world_from_cam.copy()
    pose[:3, 3] += shift
    return replace(camera, world_from_cam=pose)


def judged(pool: WorkerPool, scene: Scene, shift: tuple[float, float, float]) -> IllusionNow:
    move = move_of(scene)
    wanted = move.camera(move.station_frame, *SIZE)
    (now,) = pool.run([IllusionJob(move.station_frame, camera_at(scene, shift), wanted)])
    return now


def test_the_wanted_place_scores_as_the_frame_itself(pool: WorkerPool, quarry: Scene) -> None:
    (frame,) = pool.run([FrameJob(move_of(quarry).station_frame, *SIZE, pictures=False)])
    now = judged(pool, quarry, (0.0, 0.0, 0.0))
    assert now.wanted.break_pct == pytest.approx(frame.judged.score.break_pct, abs=1e-6)
    assert now.real.break_pct == pytest.approx(frame.judged.score.break_pct, abs=1e-6)
    assert now.drifted is not None
    assert now.drifted.holding == 1.0
    assert now.drifted.worst_px < 1e-3


@pytest.mark.slow
def test_other_frames_than_the_station_score_as_themselves(pool: WorkerPool, quarry: Scene) -> None:
    move = move_of(quarry)
    frame = 1060
    (wanted,) = pool.run([FrameJob(frame, *SIZE, pictures=False)])
    there = move.camera(frame, *SIZE)
    (now,) = pool.run([IllusionJob(frame, there, there)])
    assert now.wanted.break_pct == pytest.approx(wanted.judged.score.break_pct, abs=1e-6)
    assert now.wanted.slip_px == pytest.approx(wanted.judged.score.slip_px, abs=1e-6)


@pytest.mark.sweep
def test_a_growing_knock_breaks_more_and_more(pool: WorkerPool, quarry: Scene) -> None:
    found = [judged(pool, quarry, (0.0, up * 1e-3, 0.0)).real.break_pct for up in (0.0, 3.0, 6.0, 10.0, 20.0, 40.0)]
    assert all(value is not None for value in found)
    # a clean wall itself scores up to 2 % (DEVELOPERS.md, "What the score says")
    assert all(later > earlier - 4.0 for earlier, later in pairwise(found)), found
    assert found[0] < 2.5
    # 20 mm is more than the hold has anywhere: it is found
    assert found[4] > 8.0
    assert found[5] > found[4] + 5.0


def test_the_paint_is_not_laid_anew_for_the_knocked_camera(pool: WorkerPool, quarry: Scene) -> None:
    # paint for the station point, looked at from 12 mm beside it, drifts as sec. 6 has it: f d (1/z_b - 1/z_w)
    shift = 12e-3
    now = judged(pool, quarry, (shift, 0.0, 0.0))
    camera = camera_at(quarry, (shift, 0.0, 0.0))
    near, length = 0.0, quarry.bridge.length
    assert now.drifted is not None
    focal = camera.focal_px * 1920 / SIZE[0]
    # the near end's wall point by hand: the sight line from the station on to the wall's plane, relief left aside
    station = np.array([-0.03, 0.43, DISTANCE])
    point = np.array([near, 0.0, length])
    wall = station + (point - station) * DISTANCE / (DISTANCE - length)
    depths = camera.depth(np.stack([point, wall]))
    by_hand = focal * shift * (1.0 / depths[0] - 1.0 / depths[1])
    assert abs(now.drifted.worst_px / by_hand - 1.0) < 0.12
    assert now.drifted.holding < 0.5


def test_how_far_from_the_sill_the_paint_lines_up(pool: WorkerPool, quarry: Scene) -> None:
    shift = 3e-3
    now = judged(pool, quarry, (shift, 0.0, 0.0))
    camera = camera_at(quarry, (shift, 0.0, 0.0))
    focal = camera.focal_px * 1920 / SIZE[0]
    station = np.array([-0.03, 0.43, DISTANCE])
    z = np.linspace(0.0, quarry.bridge.length, 500)
    point = np.column_stack([0.0 * z, 0.0 * z, z])
    wall = station + (point - station) * (DISTANCE / (DISTANCE - z))[:, None]
    drift = focal * shift * (1.0 / camera.depth(point) - 1.0 / camera.depth(wall))
    assert now.drifted is not None
    # the rock's relief, 22 mm each way, and the 20 mm in which it is told
    assert abs(now.drifted.holds_to - z[np.argmax(drift > 1.0)]) < 0.045


def test_the_photograph_becomes_the_delivered_frame(quarry: Scene) -> None:
    move = move_of(quarry)
    wanted = move.camera(move.station_frame, *SIZE)
    focal = quarry.camera.lens / quarry.camera.sensor[0] * 3000
    photo = move.camera(move.station_frame, 3000, 2000)
    photo = replace(photo, focal_px=focal, centre_x_px=1500.0, centre_y_px=1000.0, width_px=3000, height_px=2000)
    view = delivered_view(photo, wanted)
    truth = Truth(tuple(wanted.position), (0.0, quarry.camera.tilt, 0.0), focal * SIZE[0] / 3000, SIZE)
    points = np.array([(0.0, 0.0, 0.0), (0.3, 0.1, 0.4), (-0.2, 0.2, 0.8)])
    assert np.abs(view.project(points) - truth.px(points)).max() < 1e-6
    assert np.abs(wanted.project(points) - truth.px(points)).max() < 1e-6


def scores(here: float | None, there: float | None, drifted: Drifted | None) -> IllusionNow:
    from previz.judge.hold import FrameScore

    real = FrameScore(1015, 0.0, here, None, 0.0, (), "the bridge's outline is not in the frame")
    return IllusionNow(real, replace(real, break_pct=there), drifted)


@pytest.mark.parametrize(
    ("here", "there", "words"),
    [
        (1.0, 2.0, "the illusion holds from here: no repaint"),
        (19.0, 1.7, "bring the camera back and the paint holds as it is; from here all of it beyond 60 mm from the"),
        (30.0, 20.0, "the paint itself has to be mended"),
        (None, 1.0, "cannot be judged from here: the bridge's outline"),
    ],
)
def test_repaint_advice(quarry: Scene, here: float | None, there: float, words: str) -> None:
    drifted = Drifted(0.05, 11.6, 19.1, 0.06)
    text = advice(quarry, scores(here, there, drifted))
    assert words in text
    assert ("5 % of the visible paint" in text) == (here is not None)


def test_paint_that_continues_no_wall_has_nothing_to_drift(quarry: Scene) -> None:
    bare = quarry.edited(bridge__paint="bare")
    assert "does not continue the wall" in advice(bare, scores(95.0, 94.0, None))
    assert set(drift_values(None).values()) == {None}
