"""The fast judge through a move's own lens, stop and focus, against frames drawn and judged."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from previz.run.workers import WorkerPool
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.stage.delivering import JUDGED_WIDTH_PX
from previz.stage.fastlooking import FastLooker
from previz.stage.looking import FrameJob, Looker
from previz.stage.prepare import prepare
from tests.search.example import small_scene

WIDTH, HEIGHT = 480, 270


class _Self:
    def done_by(self, looker: Looker) -> Looker:
        return looker


@pytest.fixture(scope="module")
def pool() -> Iterator[WorkerPool]:
    with WorkerPool(1) as one:
        yield one


def loaded(pool: WorkerPool, scene: Scene) -> Looker:
    pool.load(prepare(scene, WIDTH))
    (looker,) = pool.run([_Self()])
    return looker


def test_a_bridge_off_focus_before_a_sharp_wall_shows_to_the_fast_judge_too(pool: WorkerPool, tmp_path: Path) -> None:
    """The set is focused all over; a candidate opens the lens and focuses on the bridge's near end. Its paint goes on
    with the wall, and only what is sharp differs: drawn frames find that, the set's own lens does not."""
    base = small_scene(tmp_path).edited(camera__focus=1.2, camera__stop=22.0)
    wide = base.edited(camera__focus=0.9, camera__stop=4.0)
    move = move_of(wide)
    drawn = loaded(pool, wide).look(FrameJob(move.station_frame, WIDTH, HEIGHT, pictures=False)).judged.score
    looker = loaded(pool, base)
    args = (looker.loaded, looker.engine, looker.sight, looker.ordinary)
    own = FastLooker(*args).score(wide, move, move.station_frame, WIDTH, HEIGHT)
    fast = FastLooker(*args, through=looker.ordinary_as_drawn)
    through = fast.score(wide, move, move.station_frame, WIDTH, HEIGHT)
    assert drawn.break_pct is not None
    assert drawn.break_pct > 20.0
    assert own.break_pct is not None
    assert own.break_pct < 2.0
    assert through.break_pct is not None
    # only grain breaks it, and near its limit: contrast off by 0.04 of its logarithm had been eight points
    assert through.break_pct == pytest.approx(drawn.break_pct, abs=5.0)
    # a move through the set's own lens is looked at as without one
    assert fast.score(base, move_of(base), move.station_frame, WIDTH, HEIGHT) == FastLooker(*args).score(
        base, move_of(base), move.station_frame, WIDTH, HEIGHT
    )


def test_the_fast_judge_says_what_drawn_frames_do(pool: WorkerPool, tmp_path: Path) -> None:
    """At f/22 diffraction softens every edge: with a Gaussian's share of that alone these frames read 1.6 to 6.8 points
    too much."""
    scene = small_scene(tmp_path).edited(camera__focus=1.2, camera__stop=22.0)
    pool.load(prepare(scene, JUDGED_WIDTH_PX))
    (looker,) = pool.run([_Self()])
    move = move_of(scene)
    fast = FastLooker(looker.loaded, looker.engine, looker.sight, looker.ordinary, own_paint=True)
    for frame in (1007, 1010, 1016, 1024):
        drawn = looker.look(FrameJob(frame, 960, 540, pictures=False)).judged.score.break_pct
        assert fast.score(scene, move, frame, 960, 540).break_pct == pytest.approx(drawn, abs=1.0)
