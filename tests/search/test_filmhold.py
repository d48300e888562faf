"""The film of a move from a few of its frames, against every frame told one after the other; and drift without a
picture against the drift that the delivered frames show."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from previz.judge.film.found import film_of, summary_of_film, with_parallax
from previz.judge.hold import FrameScore, summarised
from previz.run.workers import WorkerPool
from previz.scene.move import Move, move_of
from previz.search.bridges import fast_looker
from previz.search.filmhold import between, told_as_film
from previz.stage.looking import FrameJob, Looker
from previz.stage.prepare import prepare
from tests.search.example import small_scene

WANTED = (1001, 1008)


@pytest.fixture
def move(tmp_path: Path) -> Move:
    return move_of(small_scene(tmp_path))


def still(frame: int, move: Move, percent: float) -> FrameScore:
    return FrameScore(frame, move.rail_at(frame), percent, None, 0.0, trace_pct=0.0)


def sliding(score: FrameScore) -> FrameScore:
    """Faster from frame to frame, along two lengths of the bridge."""
    times = 0.1 * (score.frame - 1001)
    return replace(score, drift_deg_s=0.02 * times, drift=((3, times, 0.5), (27, 0.8 * times, 0.5)))


def test_few_frames_tell_what_all_do(move: Move) -> None:
    every = [sliding(still(f, move, 0.5 * (f - 1001))) for f in move.frames]
    film = film_of(every, float(move.scene.delivery.rate))
    told = with_parallax(every, film)
    wanted = summary_of_film(summarised(told, WANTED, move.station_frame, None), told, film, WANTED)
    looked = [replace(s, drift=(), drift_deg_s=None) for s in every if s.frame in (1001, 1008, 1012, 1024)]
    asked: list[int] = []

    def drifting(score: FrameScore) -> FrameScore:
        asked.append(score.frame)
        return sliding(score)

    got = told_as_film(looked, drifting, summarised(looked, WANTED, move.station_frame, None), move, WANTED)
    assert got.summary.hold_frames == wanted.hold_frames
    assert got.summary.hold == pytest.approx(wanted.hold)
    assert got.summary.film is not None
    assert wanted.film is not None
    assert got.summary.film.found_pct == pytest.approx(wanted.film.found_pct, rel=1e-6)
    assert got.summary.film.drift_deg_s == pytest.approx(wanted.film.drift_deg_s)
    # it ends between the last frame at most 5 % found and the next
    passed = next(k for k, one in enumerate(film) if one.found_pct > 5.0)
    assert got.end is not None
    assert every[passed - 1].frame <= got.end <= every[passed].frame
    # drift is asked for every second frame, and no further than it matters
    assert 0 < len(asked) <= 2 + (max(passed, 8) + 1) // 2
    assert max(asked) <= max(every[passed].frame, WANTED[1]) + 1


def test_what_is_never_found_has_no_end_and_holds_to_the_last_frame(move: Move) -> None:
    looked = [still(f, move, 0.0) for f in (1001, 1024)]
    got = told_as_film(looked, lambda s: s, summarised(looked, WANTED, move.station_frame, None), move, WANTED)
    assert got.end is None
    assert (got.summary.hold_first, got.summary.hold_last, got.summary.hidden) == (1001, 1024, True)


def test_between_two_frames_change_is_even_and_what_lies_beside_the_unjudged_is_not_judged(move: Move) -> None:
    bad = FrameScore(1024, move.rail_at(1024), None, None, 0.0, reason="out of the picture")
    scores = between([still(1001, move, 2.0), still(1011, move, 12.0), bad], move)
    assert [s.break_pct for s in scores[:11]] == pytest.approx(list(np.linspace(2.0, 12.0, 11)))
    assert all(s.break_pct is None and s.reason == "out of the picture" for s in scores[11:])
    assert [s.rail for s in scores] == [move.rail_at(f) for f in move.frames]


class _Self:
    def done_by(self, looker: Looker) -> Looker:
        return looker


@pytest.mark.slow
def test_drift_without_a_picture_is_that_of_the_picture(tmp_path: Path) -> None:
    """Within a tenth in the median, and the film found within 2 points (the same judge, two ways)."""
    scene = small_scene(tmp_path)
    width, height = 960, 540
    with WorkerPool(1) as pool:
        pool.load(prepare(scene, width))
        looker = next(iter(pool.run([_Self()])))
        fast, move = fast_looker(looker), looker.ready.move
        drawn, quick = [], []
        for frame in range(1001, 1009):
            drawn.append(looker.look(FrameJob(frame, width, height, pictures=False)).judged.score)
            quick.append(fast.drifting(scene, move, fast.score(scene, move, frame, width, height), width, height))
        ratio = [b.drift_deg_s / a.drift_deg_s for a, b in zip(drawn, quick, strict=True) if a.drift_deg_s]
        assert len(ratio) > 4
        assert np.median(ratio) == pytest.approx(1.0, abs=0.1)
        rate = float(scene.delivery.rate)
        ends = [film_of(scores, rate)[-1].found_pct for scores in (drawn, quick)]
        assert ends[1] == pytest.approx(ends[0], abs=2.0)
        # and none where the camera stands
        rest = replace(quick[0], drift=())
        stood = scene.edited(rail__stand=10)
        assert fast.drifting(stood, move_of(stood), rest, width, height).drift_deg_s == 0.0
