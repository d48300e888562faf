"""The plot of hold against reveal: dots, front and marks lie where the numbers say."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from previz.deliver.search.tradeplot import TradePlot, trade_plot
from previz.draw.style import CHALK, SIGNAL
from tests.deliver.made_up import TITLE, near, noise

# the plot's window, from its module's layout: x of no hold and of the longest, y of 0 % and of 104 %
X0, X1, Y0, TALL = 164.0, 1076.0, 850.0, 720.0


def plot(**changes: Any) -> TradePlot:
    given: dict[str, Any] = {
        "title": TITLE,
        "dots": [(10.0, 90.0), (50.0, 30.0), (100.0, 62.0)],
        "front": [(100.0, 62.0), (10.0, 90.0)],
        "least_reveal_pct": 60.0,
        "tried": 600,
        "own": (50.0, 30.0),
        "best": (100.0, 62.0),
    }
    return TradePlot(**(given | changes))


def place(hold: float, reveal: float) -> tuple[int, int]:
    return round(X0 + hold / 108.0 * (X1 - X0)), round(Y0 - reveal / 104.0 * TALL)


def test_the_best_is_ringed_and_the_scene_is_crossed_where_they_are() -> None:
    got = trade_plot(plot())
    x, y = place(100.0, 62.0)
    ring = near(got, CHALK)[y - 20 : y + 21, x - 20 : x + 21]
    rows, columns = np.nonzero(ring)
    assert rows.mean() == pytest.approx(20.0, abs=2.5)
    assert columns.mean() == pytest.approx(20.0, abs=2.5)
    assert not ring[18:23, 18:23].all(), "a ring, not a disc"
    x, y = place(50.0, 30.0)
    assert near(got, SIGNAL)[y - 3 : y + 4, x - 3 : x + 4].any()
    assert near(got, SIGNAL)[y - 60 : y + 60, x - 60 : x + 60].sum() > 60


def test_the_front_is_a_stair_that_nothing_is_above() -> None:
    """Straight down from the longest hold, level to the left from the clearest reveal."""
    got = trade_plot(plot(own=None, best=None)).astype(int).sum(axis=2)
    x, y = place(100.0, 40.0)
    assert got[y, x - 2 : x + 3].min() < 200
    x, y = place(60.0, 62.0)
    assert got[y - 2 : y + 3, x].min() < 200
    x, y = place(60.0, 80.0)
    assert got[y - 2 : y + 3, x].min() > 500


def test_words_follow_what_was_found() -> None:
    """The headline is blue where enough is revealed, red where it is not, ink where nothing could be judged."""
    head = np.s_[36:74, 700:1580]
    assert near(trade_plot(plot())[head], CHALK).any()
    assert near(trade_plot(plot(best=(100.0, 40.0)))[head], SIGNAL).any()
    nothing = trade_plot(plot(dots=[], front=[], own=None, best=None))[head]
    assert not near(nothing, CHALK).any()
    assert not near(nothing, SIGNAL).any()
    assert (nothing.sum(axis=2) < 300).any()


def test_pictures_and_notes_stand_beside_it_and_clear_of_the_title() -> None:
    notes = [f"value {n}  123.4 mm / 4 7/8\"" for n in range(30)]
    pictures = [("best, frame 1006, station", noise(270, 480)), ("best, frame 1022, reveal", noise(480, 270))]
    got = trade_plot(plot(pictures=pictures, notes=notes))
    bare = trade_plot(plot())
    changed = np.any(got != bare, axis=2)
    rows, columns = np.nonzero(changed)
    assert columns.min() >= 1139
    assert columns.max() <= 1566
    assert rows.min() >= 129
    assert rows.max() < 870, "the title block begins"


def test_the_same_plot_is_the_same_bytes() -> None:
    assert np.array_equal(trade_plot(plot()), trade_plot(plot()))
