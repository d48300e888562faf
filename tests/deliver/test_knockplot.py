"""The plot of drifts: bars as long as what is allowed, and what matters most marked by more than its colour."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from previz.deliver.search.knockplot import KnockBar, KnockPlot, knock_plot
from previz.draw.style import CHALK, SIGNAL
from tests.deliver.made_up import TITLE, near

MIDDLE, HALF, TOP, ROW = 910.0, 410.0, 150.0, 68.0


def bar(name: str = "height", **changes: Any) -> KnockBar:
    given: dict[str, Any] = {
        "name": name,
        "unit": "mm",
        "station": (4.0, None),
        "hold": (1.0, 2.0),
        "limit": 20.0,
        "stated": 1.0,
        "words": ("lower 1.0 mm", "2.0 mm higher"),
    }
    return KnockBar(**(given | changes))


def plot(*bars: KnockBar, **changes: Any) -> KnockPlot:
    given: dict[str, Any] = {
        "title": TITLE,
        "headline": "lock the sideways position: 0.8 mm is all you have",
        "bars": bars,
        "probability": 0.6,
        "interval": (0.5, 0.7),
        "builds": 400,
    }
    return KnockPlot(**(given | changes))


def extent(picture: Any, colour: tuple[int, int, int], row: int) -> tuple[int, int]:
    """First and last column of a colour at the level of a row's bars."""
    level = round(TOP + ROW * (row + 0.5))
    columns = np.flatnonzero(near(picture[level - 12 : level + 13, 500:1320], colour).any(axis=0))
    return int(columns[0]) + 500, int(columns[-1]) + 500


def test_bars_are_as_long_as_what_the_hold_allows() -> None:
    """Three times what is stated fills a side: 1 mm is a third of it, 2 mm two thirds."""
    got = knock_plot(plot(bar(), bar("distance", hold=(None, 0.3))))
    left, right = extent(got, CHALK, 0)
    # the mark of what is stated lies on its end
    assert left == pytest.approx(MIDDLE - HALF / 3.0, abs=5.0)
    assert right == pytest.approx(MIDDLE + HALF * 2.0 / 3.0, abs=3.0)
    left, right = extent(got, CHALK, 1)
    assert left <= 501, "farther than shown: to the edge"
    assert right == pytest.approx(MIDDLE + HALF * 0.1, abs=3.0)


def test_rows_of_one_unit_share_a_scale_and_others_do_not() -> None:
    turn = bar("pan", unit="deg", hold=(0.2, 0.2), station=(0.3, 0.3), stated=0.2)
    got = knock_plot(plot(bar(stated=1.0, hold=(1.0, 1.0)), turn))
    assert extent(got, CHALK, 0) == extent(got, CHALK, 1)


def test_what_matters_most_is_red_and_hatched() -> None:
    got = knock_plot(plot(bar(), bar("sideways", hold=(0.9, 0.9), worst=True)))
    left, right = extent(got, SIGNAL, 1)
    assert left == pytest.approx(MIDDLE - HALF * 0.3, abs=3.0)
    level = round(TOP + ROW * 1.5)
    inside = near(got[level - 10 : level + 11, left + 20 : right - 20], SIGNAL)
    assert 0.3 < inside.mean() < 0.95, "hatched"
    assert not near(got[round(TOP) : round(TOP + ROW)], SIGNAL).any()


def test_the_odds_are_a_line_in_their_interval() -> None:
    """Over the width of the bar, 40 to 1060 px."""
    got = knock_plot(plot(bar()))
    line = near(got[903:934, 40:1061], CHALK)
    columns = np.flatnonzero(line.sum(axis=0) > 25)
    assert columns.mean() == pytest.approx(0.6 * 1020.0, abs=2.5)
    none = knock_plot(plot(bar(), probability=None))
    assert not near(none[880:934, 40:1061], CHALK).any()
    assert near(none[900:934, 40:1061], SIGNAL).any()


def test_nothing_allowed_and_nothing_stated_can_be_drawn() -> None:
    got = knock_plot(plot(bar(hold=(0.0, 0.0), station=(0.0, 0.0), stated=0.0)))
    assert got.shape == (1000, 1600, 3)


def test_a_plot_of_a_whole_build_is_as_high_as_its_rows_and_keeps_within_its_margins() -> None:
    """22 rows of the longest words that there are: nothing reaches the last 20 px at either side."""
    rows = [
        bar("bridge sideways", part="bridge", worst=k < 3, words=("inwards > 200 mm", "> 200 mm outwards"),
            hold=(None, 0.2)) for k in range(21)
    ]  # fmt: skip
    one = bar("brush", one_way=True, part="hand", hold=(None, 0.5), station=(None, 0.5), words=("", "0.50 mm wide"))
    long = "what costs most: " + "; ".join(["hang the bridge within 0.31 deg in yaw"] * 3)
    got = knock_plot(plot(*rows, one, more=(long,)))
    paper = got[2, 2].astype(int)
    assert got.shape[0] > 1000
    assert np.abs(got[:, :20].astype(int) - paper).max() < 8
    assert np.abs(got[:, -12:].astype(int) - paper).max() < 8
    # what goes one way has no bar to the other: the last row lies above the key
    last = got.shape[0] - 240 - 22
    level = near(got[last - 6 : last + 7, 500:1320], CHALK).any(axis=0)
    columns = np.flatnonzero(level) + 500
    assert columns[0] >= MIDDLE - 3.0
    assert columns[-1] == pytest.approx(MIDDLE + HALF * 0.5 / 3.0, abs=4.0)


def test_parts_of_a_build_have_scales_of_their_own() -> None:
    """Of two rows of one unit and the same numbers, the one of a part where much is stated is drawn shorter."""
    lamp = bar("lamp height", part="lamp", stated=20.0, hold=(10.0, 10.0), station=(10.0, 10.0))
    got = knock_plot(plot(bar(part="camera", hold=(1.0, 1.0)), lamp))
    assert extent(got, CHALK, 0)[1] == pytest.approx(MIDDLE + HALF / 3.0, abs=5.0)
    assert extent(got, CHALK, 1)[1] == pytest.approx(MIDDLE + HALF * 10.0 / 60.0, abs=5.0)
