"""Which candidate is better, and by how much: checked against what a film-maker would say."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from previz.camera import camera_for
from previz.judge.hold import FrameScore, summarised
from previz.search.objective import Outcome, cost_of, fine_frames, out_of_frame, rank_of


def judged(hold: float, reveal: float, station: float = 0.0, mean: float = 1.0, found: float = 1.0) -> Outcome:
    return Outcome(
        hold=hold,
        fine_frames=100.0 * hold,
        hold_frames=round(100.0 * hold),
        break_station_pct=station,
        break_mean_pct=mean,
        break_worst_pct=mean,
        break_reveal_pct=reveal,
        found_hold_pct=None if station > 5.0 else found,
    )


# the best first
ORDER = [
    judged(0.06, 61.0),
    judged(0.05, 61.0),
    judged(0.0, 61.0, found=30.0),
    judged(0.0, 61.0, found=50.0),
    judged(0.0, 61.0, station=9.0),
    judged(0.3, 40.0),
    judged(0.3, 20.0),
    Outcome(reason="the bridge's outline is not in the frame", by=0.1),
    Outcome(reason="the bridge's outline is not in the frame", by=0.4),
    Outcome(reason="does not fit: rail", fits=False, by=0.01),
    Outcome(reason="does not fit: rail", fits=False, by=0.3),
]


def test_costs_and_ranks_put_candidates_in_the_same_order() -> None:
    costs = [cost_of(outcome, 0.6, 50.0) for outcome in ORDER]
    assert np.isfinite(costs).all()
    assert costs == sorted(costs)
    ranks = [rank_of(outcome, 0.6) for outcome in ORDER]
    assert ranks == sorted(ranks)
    assert all(a < b for a, b in itertools.pairwise(ranks))


def test_the_cost_has_no_steps_where_the_reveal_becomes_enough() -> None:
    below, above = cost_of(judged(0.1, 59.999), 0.6, 50.0), cost_of(judged(0.1, 60.001), 0.6, 50.0)
    assert abs(below - above) < 1e-4


def test_least_reveal_is_met_to_the_point() -> None:
    assert judged(0.1, 60.0).enough(0.6)
    assert not judged(0.1, 59.9).enough(0.6)
    assert not Outcome(reason="x", break_reveal_pct=90.0).enough(0.6)


def score(frame: int, rail: float, percent: float | None) -> FrameScore:
    return FrameScore(frame, rail, percent, None, 0.0)


def test_a_fine_hold_ends_where_the_break_passes_the_limit() -> None:
    """By hand: 5 % lies a quarter of the way from 4 % to 8 %, and a half from 3 % to 7 %."""
    scores = [score(1001, 0.0, 8.0), score(1002, 0.01, 4.0), score(1003, 0.03, 3.0), score(1004, 0.05, 7.0)]
    summary = summarised(scores, (1001, 1003), 1002, None)
    assert fine_frames(scores, summary) == pytest.approx(1003.5 - (1002.0 - 0.25))
    # found at an earlier time ends it there, at a later one changes nothing
    assert fine_frames(scores, summary, 1002.5) == pytest.approx(1002.5 - 1001.75)
    assert fine_frames(scores, summary, 1020.0) == pytest.approx(1.75)
    assert summary.hold == pytest.approx(0.02)


def test_a_fine_hold_at_the_ends_of_the_move_and_beside_what_cannot_be_judged() -> None:
    scores = [score(1001, 0.0, 1.0), score(1002, 0.01, 1.0), score(1003, 0.03, None)]
    assert fine_frames(scores, summarised(scores, (1001, 1002), 1001, None)) == pytest.approx(1.0)
    lost = [score(1001, 0.0, 9.0)]
    assert fine_frames(lost, summarised(lost, (1001, 1001), 1001, None)) == 0.0


def test_how_far_out_of_the_frame() -> None:
    camera = camera_for([0, 0, 1], 0, 0, 0, focal=0.04, sensor_width=0.04, width_px=100, height_px=100)
    assert out_of_frame(camera, np.array([[0.0, 0.0, 0.0], [3.0, 0.0, 0.0]])) == 0.0
    # at 1 m the picture is 1 m wide: 0.75 m aside is a quarter of it beyond its edge
    assert out_of_frame(camera, np.array([[0.75, 0.0, 0.0]])) == pytest.approx(0.25)
    assert out_of_frame(camera, np.array([[0.0, 0.0, 2.0]])) == 1.0
