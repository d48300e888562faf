"""What is found, in words: stretches, their lengths, where they lie, what they are called."""

from __future__ import annotations

import numpy as np
import pytest

from previz.judge.breaks import Break
from previz.judge.findings import findings_of
from previz.judge.frame import JudgedFrame
from previz.judge.hold import FrameScore
from previz.judge.outline import Outline
from previz.judge.telltable import TELLS

SCORE = FrameScore(1001, 0.0, 20.0, 1.0, 0.0)


def square(broken: slice) -> tuple[Break, np.ndarray]:
    """The outline of a square of 100 px at (200, 200), a piece a pixel, from its upper left corner round; ``broken``
    pieces are found."""
    along = np.arange(100) + 0.5
    ones, none = np.full(100, 100.0), np.zeros(100)
    sides = [(along, none, (0, -1)), (ones, along, (1, 0)), (ones - along, ones, (0, 1)), (none, ones - along, (-1, 0))]
    xy = np.concatenate([np.column_stack([x, y]) for x, y, _ in sides]) + 200.0
    normal = np.concatenate([np.tile(np.array(n, dtype=float), (100, 1)) for _, _, n in sides])
    flags = np.zeros(400, dtype=bool)
    flags[broken] = True
    found = Break(
        20.0, Outline(xy, normal, np.zeros(400, np.int64), (True,), 1.0), np.where(flags, 1.7, 0.2), flags,
        np.where(flags, 0, -1).astype(np.int8), flags.astype(float), step_de=np.full(400, 9.04),
    )  # fmt: skip
    return found, np.where(flags, TELLS.index("shadow"), -1).astype(np.int8)


def judged(*lines: tuple[Break, np.ndarray]) -> JudgedFrame:
    (found, tell), *rest = lines
    trace, trace_tell = rest[0] if rest else (None, None)
    return JudgedFrame(SCORE, found, tell, 960, 540, trace, trace_tell)


@pytest.mark.parametrize(
    ("part", "where"),
    [(slice(110, 190), "right edge"), (slice(310, 390), "left edge"), (slice(10, 90), "upper edge")],
)
def test_a_stretch_of_the_outline_is_said_with_its_length_and_side(part: slice, where: str) -> None:
    (one,) = findings_of(judged(square(part)))
    assert one.sentence == f"a straight edge of shadow, 80 px long, 9.0 dE, along the bridge's {where}"
    assert (one.tell, one.trace, one.times_limit) == ("shadow", False, 1.7)
    # 540 lines seen from 3.2 heights: arctangent by hand, 30.2 px a degree
    assert one.length_deg == pytest.approx(80.0 / (540 * 3.2 * np.tan(np.radians(1.0))))


def test_a_stretch_round_a_corner_is_bent_and_one_over_the_joint_is_one() -> None:
    found, tell = square(slice(0, 0))
    for rows in (slice(0, 50), slice(350, 400)):
        found.broken[rows], tell[rows] = True, TELLS.index("slip")
    (one,) = findings_of(judged((found, tell)))
    assert one.length_px == 100.0
    assert not one.straight
    assert "bent edge where the paint has drifted" in one.sentence


def test_nothing_found_is_nothing_said() -> None:
    assert findings_of(judged(square(slice(0, 0)))) == []


def test_a_trace_is_said_to_lie_beside_the_bridge() -> None:
    xy = np.column_stack([np.linspace(60.0, 120.0, 61), np.full(61, 260.0)])
    flags = np.ones(61, dtype=bool)
    line = Outline(xy, np.tile([0.0, 1.0], (61, 1)), np.zeros(61, np.int64), (False,), 1.0)
    sizes, kinds = np.full(61, 1.2), np.full(61, 7, np.int8)
    trace = Break(100.0, line, sizes, flags, kinds, flags.astype(float), step_de=np.ones(61))
    told = findings_of(judged(square(slice(0, 0)), (trace, np.full(61, TELLS.index("bounce"), np.int8))))
    assert [each.sentence for each in told] == [
        "a straight edge of light that the bridge throws, 61 px long, 1.0 dE, left of the bridge"
    ]
