"""What the card says of the bridge's shadow: the judge decides, whatever the step at the shadow's edge."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from previz.judge.breaks import Break
from previz.judge.frame import JudgedFrame
from previz.judge.hold import FrameScore
from previz.judge.outline import Outline
from previz.judge.telltable import TELLS
from previz.rig.shadow import LITTLE, NOTHING, SHOWS, UNJUDGED, ShadowTell, shadow_of, shadow_tell
from tests.rig.castlight import shadow_light
from tests.search.flatset import flat_set

KEY = {"name": "key", "position": (-0.6, 1.4, 2.0), "aim": (0.0, -0.2, 0.0), "lux": 700.0}
SHADOW, SLIP = TELLS.index("shadow"), TELLS.index("slip")


def line(xy: np.ndarray, broken: np.ndarray) -> Break:
    """Pieces (N, 2) of one line, a pixel apart; the ``broken`` (N,) ones are found, the rest not at all."""
    count = len(xy)
    normal = np.tile([1.0, 0.0], (count, 1))
    outline = Outline(xy, normal, np.zeros(count, dtype=np.int64), np.array([False]), 1.0)
    kind = np.where(broken, 0, -1).astype(np.int8)
    return Break(100.0 * broken.mean(), outline, 1.5 * broken, broken, kind, broken.astype(float),
                 step_de=np.full(count, 9.0))  # fmt: skip


def judged(frame: int, trace_pct: float, outline: int = 0, tell: int = SHADOW, named: bool = True) -> JudgedFrame:
    """A frame 960 px wide: an outline of 100 pieces, ``outline`` of them told, and a trace of 190 pieces to its right
    where ``trace_pct`` is more than nothing."""
    down = np.arange(100.0) + 300.0
    own = line(np.stack([np.full(100, 480.0), down], axis=1), np.arange(100) < outline)
    told = np.where(own.broken, tell, -1).astype(np.int8)
    beside = trace_tell = None
    if trace_pct > 0.0:
        beside = line(np.stack([np.full(190, 600.0), np.arange(190.0) + 300.0], axis=1), np.ones(190, dtype=bool))
        trace_tell = np.full(190, SHADOW, dtype=np.int8)
    tells = ("shadow",) if named and (trace_pct > 0.0 or outline) else ()
    score = FrameScore(frame, 0.0, own.percent, None, 0.0, tells, "", trace_pct)
    return JudgedFrame(score, own, told, 960, 540, beside, trace_tell)


def test_what_a_judged_frame_says() -> None:
    plain = shadow_of(judged(1001, 12.0, 3))
    assert (plain.frame, plain.trace_pct, plain.outline_pct, plain.verdict) == (1001, 12.0, 3.0, SHOWS)
    assert plain.stretch is not None
    assert plain.stretch.sentence == "a straight edge of shadow, 190 px long, 9.0 dE, right of the bridge"
    along = shadow_of(judged(1001, 0.0, 12))
    assert (along.share_pct, along.verdict) == (12.0, SHOWS)
    # drifted paint is no shadow, and neither is what the score does not name
    for other in (judged(1001, 0.0, 12, SLIP), judged(1001, 0.0, 12, named=False)):
        assert shadow_of(other).verdict == NOTHING
        assert shadow_of(other).stretch is None
    blind = JudgedFrame(FrameScore(1001, 0.0, None, None, 0.0, (), "no wall"), None, None, 960, 540)
    assert (shadow_of(blind).verdict, shadow_of(blind).reason) == (UNJUDGED, "no wall")


def told_by(lamps: list[dict[str, object]], traces: dict[int, float], usual: float) -> tuple[ShadowTell, list[int]]:
    """The tell of the flat set where the judge finds so much in each frame, and the frames that it was asked for."""
    s = flat_set(lamps, texture_px=128)
    asked: list[int] = []

    def judge(frames: Sequence[int]) -> list[JudgedFrame]:
        asked.extend(frames)
        return [judged(frame, traces.get(frame, usual)) for frame in frames]

    light = shadow_light(s.wall, s.lighting, s.sight, longest_px=224)
    return shadow_tell(s.scene, s.move, s.wall, light, s.sight, judge), asked


def test_a_strong_step_that_the_judge_does_not_find_is_not_said_to_show() -> None:
    tell, asked = told_by([KEY], {}, 0.0)
    # hold 1001 to 1010 with its middle, and the move's end
    assert {1001, 1005, 1010, 1020} <= set(asked)
    assert [each.frame for each in tell.frames] == asked == sorted(set(asked))
    assert tell.edge is not None
    assert tell.edge.step > 10.0
    assert tell.hold is not None
    assert tell.hold.verdict == NOTHING
    assert "not found, in the hold or outside it" in tell.sentence
    assert f"{tell.edge.step:.1f} dE at most" in tell.sentence
    assert "thrown by key" in tell.sentence


def test_what_the_judge_finds_shows_however_weak_the_step() -> None:
    weak, _ = told_by([KEY | {"lux": 10.0}], {}, 20.0)
    assert weak.edge is not None
    assert weak.edge.step < 1.0
    assert weak.hold is not None
    assert weak.hold.verdict == SHOWS
    assert "shadow shows in the hold, at frame 1001: a straight edge of shadow, 190 px long" in weak.sentence


@pytest.mark.parametrize(("held", "after", "verdict"), [(3.0, 40.0, LITTLE), (40.0, 3.0, SHOWS)])
def test_hold_and_move_are_told_apart(held: float, after: float, verdict: str) -> None:
    tell, _ = told_by([KEY], {1005: held, 1020: after}, 0.0)
    assert tell.hold is not None
    assert tell.outside is not None
    assert (tell.hold.frame, tell.outside.frame) == (1005, 1020)
    assert tell.hold.verdict == verdict
    assert "in the hold, at frame 1005" in tell.sentence
    assert ("Outside the hold it comes to 40.0 % at frame 1020" in tell.sentence) is (after > held)


def test_a_shadow_outside_the_hold_alone() -> None:
    tell, _ = told_by([KEY], {1020: 40.0}, 0.0)
    assert "not found in the hold. The bridge's shadow shows outside it, at frame 1020" in tell.sentence
