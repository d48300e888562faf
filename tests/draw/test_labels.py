"""Labels find room: the least-squares answer, and no label on another."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import LinearConstraint, minimize

from previz.draw.labels import LabelRoom, spread


@settings(max_examples=15, deadline=None)
@given(st.lists(st.floats(0.0, 300.0), min_size=2, max_size=6))
def test_spread_is_the_least_squares_answer(wanted: list[float]) -> None:
    """Against SciPy's constrained minimiser."""
    got = np.array(spread(wanted, 18.0, -1e4, 1e4))
    order = np.argsort(wanted, kind="stable")
    target = np.array(wanted)[order]
    differences = np.diff(np.eye(len(wanted)), axis=0)
    found = minimize(
        lambda p: ((p - target) ** 2).sum(),
        target + 18.0 * np.arange(len(wanted)),
        jac=lambda p: 2.0 * (p - target),
        constraints=LinearConstraint(differences, 18.0, np.inf),
        method="SLSQP",
    )
    assert np.diff(got[order]).min() >= 18.0 - 1e-9
    assert ((got[order] - target) ** 2).sum() <= found.fun + 1e-3


def test_spread_stays_between_its_ends() -> None:
    got = spread([5.0, 5.0, 5.0, 100.0], 20.0, 0.0, 100.0)
    assert got == sorted(got)
    assert min(got) >= 0.0
    assert max(got) <= 100.0
    assert min(b - a for a, b in itertools.pairwise(got)) >= 20.0 - 1e-9
    # more labels than there is room: the gap gives way, not the ends
    tight = spread([50.0] * 11, 20.0, 0.0, 100.0)
    assert tight == pytest.approx(list(range(0, 101, 10)))
    assert spread([], 10.0, 0.0, 1.0) == []
    assert spread([7.0], 10.0, 0.0, 100.0) == [7.0]


def test_no_label_lies_on_another() -> None:
    room = LabelRoom((0.0, 0.0, 400.0, 300.0))
    room.block((180.0, 130.0, 220.0, 170.0))
    size = (60.0, 14.0)
    boxes = [(180.0, 130.0, 220.0, 170.0)]
    for _ in range(12):
        x, y = room.find((200.0, 150.0), size)
        boxes.append((x, y, x + size[0], y + size[1]))
    for a, b in itertools.combinations(boxes, 2):
        assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1], (a, b)
    assert min(box[0] for box in boxes) >= 0.0
    assert max(box[3] for box in boxes) <= 300.0


def test_labels_keep_off_lines_where_they_can() -> None:
    free = LabelRoom((0.0, 0.0, 400.0, 300.0)).find((200.0, 150.0), (60.0, 14.0))
    room = LabelRoom((0.0, 0.0, 400.0, 300.0))
    room.block_line((free[0], free[1] + 7.0), (free[0] + 60.0, free[1] + 7.0), 5.0)
    x, y = room.find((200.0, 150.0), (60.0, 14.0))
    assert (x, y) != free
    crossing = [b for b in room.crossed if min(b[2], x + 60) > max(b[0], x) and min(b[3], y + 14) > max(b[1], y)]
    assert crossing == []
