"""Where nothing holds: what is nearest, and what to change first."""

from dataclasses import replace
from pathlib import Path

import pytest

from previz.judge.hold import FrameScore
from previz.judge.telltable import TELLS
from previz.stage.mends import first_steps, mends_of, nearest_words
from tests.search.example import small_scene


def score(frame: int, break_pct: float | None, trace_pct: float = 0.0, *tells: str) -> FrameScore:
    return FrameScore(frame, 0.0, break_pct, None, 0.0, tells, trace_pct=trace_pct)


def test_the_nearest_frame_is_told_by_what_shows_most_of_it() -> None:
    """Break 4 % with a trace of 30 % is no nearer than a break of 12 % alone."""
    scores = [score(1001, 4.0, 30.0), score(1002, 12.0), score(1003, None), score(1004, 40.0)]
    assert nearest_words(scores) == "nearest is frame 1002: 12.0 % shows, at most 5 % may"
    # one that holds is more than near
    assert nearest_words([*scores, score(1005, 5.0, 5.0)]) is None
    assert nearest_words([score(1003, None)]) is None


def test_the_worst_frame_of_the_hold_says_what_to_change_first(tmp_path: Path) -> None:
    scene = small_scene(tmp_path)
    first, last = scene.rail.hold
    beyond = score(last + 1, 99.0, 0.0, "focus")
    scores = [score(first, 20.0, 0.0, "grain"), score(last, 6.0, 60.0, "shadow", "slip"), beyond]
    nearest, change = first_steps(scene, scores)
    assert nearest.startswith(f"nearest is frame {first}")
    assert change.startswith("change first: more light from all over, or a fill lamp on the shadow")
    # what holds asks for nothing, and neither does what lies outside the hold asked for
    assert first_steps(scene, [score(first, 5.0), beyond]) == []


def test_a_bare_bridge_is_painted_before_anything_else(tmp_path: Path) -> None:
    scene = small_scene(tmp_path)
    bare = scene.model_copy(update={"bridge": scene.bridge.model_copy(update={"paint": "bare"})})
    assert mends_of(bare, score(1004, 80.0, 0.0, "colour")) == [
        "paint that continues the wall (bridge.paint, projected or solved)"
    ]
    assert mends_of(bare, replace(score(1004, 80.0), tells=("shine",)))[1:] == ["a matter paint, or the lamp elsewhere"]


@pytest.mark.parametrize("tell", TELLS)
def test_every_tell_has_something_that_mends_it(tell: str, tmp_path: Path) -> None:
    assert len(mends_of(small_scene(tmp_path), score(1004, 50.0, 0.0, tell))) == 1
