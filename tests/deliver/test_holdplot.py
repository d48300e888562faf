"""The plot of break along the move: where its curve, its marks and its axes lie."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from previz.deliver.shoot.holdplot import HoldPlot, hold_plot, one_way
from previz.draw.paper import Paper
from previz.draw.style import CHALK, SIGNAL, text_width
from previz.rail import eased
from tests.deliver.made_up import TITLE, near, noise

FRAMES = np.arange(1001, 1101)
RAIL = 120.0 * eased(np.linspace(0.0, 1.0, 100), 0.1)
BREAK = np.clip((RAIL - 30.0) * 1.1, 0.0, 95.0)

# the plot's window in the picture, from its module's layout
WINDOW = (slice(396, 818), slice(156, 1545))


def plot(**changes: object) -> HoldPlot:
    given: dict[str, object] = {
        "title": TITLE,
        "frames": FRAMES,
        "rail_mm": RAIL,
        "break_pct": BREAK,
        "hold": (1001, 1040),
        "station": 1020,
        "reveal": 1090,
        "held": (1001, 1034),
        "hold_mm": 31.0,
    }
    return HoldPlot(**(given | changes))  # type: ignore[arg-type]


def test_when_the_picture_is_true_to_the_rail() -> None:
    assert one_way(RAIL)
    assert one_way(-RAIL)
    assert one_way(np.linspace(0.0, 5.0, 7))
    assert not one_way(np.zeros(9)), "standing still"
    assert not one_way(np.zeros(1))
    assert not one_way(np.concatenate([RAIL, RAIL[::-1]])), "out and back"
    assert not one_way(np.concatenate([np.zeros(12), RAIL])), "a pause"


def test_curve_is_red_above_the_limit_and_blue_below() -> None:
    got = hold_plot(plot(hold=(1001, 1002), station=1001, reveal=None))[WINDOW]
    red, blue = near(got, SIGNAL), near(got, CHALK)
    limit_row = 426 - 0.05 / 1.04 * 430
    lowest_red = np.flatnonzero(red.any(axis=1))[-1]
    assert lowest_red <= limit_row + 6
    # the blue curve lies in the lowest rows, left of where the break passes 5 %
    columns = np.flatnonzero(blue[int(limit_row) + 3 :].any(axis=0))
    passes = np.interp(5.0, BREAK[BREAK > 0.0], RAIL[BREAK > 0.0])
    assert columns[0] < 20
    assert columns[-1] == pytest.approx(6.0 + passes / 120.0 * 1376.0, abs=8.0)


def test_the_height_of_the_curve_is_the_break() -> None:
    """At every millimetre asked the red curve is where the axis puts its percentage."""
    got = hold_plot(plot(station=1001, reveal=None, hold=(1001, 1002)))
    red = near(got, SIGNAL)
    for mm in (50.0, 60.0, 70.0, 80.0, 90.0):
        x = 162.0 + mm / 120.0 * 1376.0
        y = 822.0 - (mm - 30.0) * 1.1 / 104.0 * 430.0
        window = red[round(y) - 9 : round(y) + 9, round(x) - 14 : round(x) + 14]
        assert window.sum() > 60, mm
        assert red[round(y) - 60 : round(y) - 20, round(x) - 3 : round(x) + 3].sum() == 0, mm


def test_frames_that_stand_still_do_not_fall_on_one_another() -> None:
    rail = np.concatenate([np.zeros(40), np.linspace(0.0, 60.0, 20), np.full(40, 60.0)])
    flat = np.where(np.arange(100) < 40, 20.0, 80.0)
    got = near(hold_plot(plot(rail_mm=rail, break_pct=flat, held=None, hold=(1001, 1002), reveal=None)), SIGNAL)
    # both stretches of standing still are drawn as long level lines: 40 of 100 frames each
    row = 822 - 20.0 / 104.0 * 430
    level = got[round(row) - 4 : round(row) + 4, 156:1545].any(axis=0)
    assert level[: int(0.38 * 1389)].mean() > 0.5
    top = 822 - 80.0 / 104.0 * 430
    assert got[round(top) - 4 : round(top) + 4, 156 + int(0.62 * 1389) : 1545].any(axis=0).mean() > 0.5


def test_what_was_not_judged_is_no_part_of_the_curve() -> None:
    gap = BREAK.copy()
    gap[60:80] = np.nan
    got = near(hold_plot(plot(break_pct=gap, reveal=None)), SIGNAL)
    whole = near(hold_plot(plot(reveal=None)), SIGNAL)
    left, right = (round(162.0 + RAIL[i] / 120.0 * 1376.0) for i in (62, 77))
    rows = slice(480, 790)
    assert got[rows, left:right].sum() < 0.1 * whole[rows, left:right].sum()
    nothing = hold_plot(plot(break_pct=np.full(100, np.nan), held=None))
    assert nothing.shape == (1000, 1600, 3)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_short_moves(count: int) -> None:
    got = hold_plot(
        plot(
            frames=FRAMES[:count],
            rail_mm=RAIL[:count],
            break_pct=np.full(count, 60.0),
            hold=(1001, 1001),
            station=1001,
            reveal=None,
            held=None,
        )
    )
    assert near(got[WINDOW], SIGNAL).sum() > 30


def test_pictures_stand_above_and_the_bytes_are_the_same() -> None:
    thumbnails = {frame: noise(90, 160, frame) for frame in (1001, 1020, 1040, 1090, 1100)}
    one = hold_plot(plot(thumbnails=thumbnails))
    np.testing.assert_array_equal(one, hold_plot(plot(thumbnails=dict(reversed(thumbnails.items())))))
    plain = hold_plot(plot())
    assert (one[96:244] != plain[96:244]).any(axis=2).mean() > 0.7
    np.testing.assert_array_equal(one[400:], plain[400:])
    # standing pictures are cut, not squeezed off the row
    assert hold_plot(plot(thumbnails={1001: noise(300, 100)})).shape == one.shape


@pytest.mark.parametrize(
    ("hold_mm", "wanted"),
    [(31.0, 'holds for 1.36 s, 31.0 mm / 1 1/4" of rail, frames 1001 to 1034'),
     (0.0, "holds for 1.36 s, frames 1001 to 1034")],
)  # fmt: skip
def test_the_headline_says_how_long_the_film_holds(
    monkeypatch: pytest.MonkeyPatch, hold_mm: float, wanted: str
) -> None:
    """34 frames at 25 a second; a shot that stands has no rail to tell. However long the title, neither is covered."""
    written: list[tuple[str, float]] = []
    draw = Paper.text

    def noted(paper: Paper, at: tuple[float, float], words: str, size: float, *more: object, **named: object) -> None:
        if at[1] == 62.0:
            written.append((words, text_width(words, size, True)))
        draw(paper, at, words, size, *more, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(Paper, "text", noted)
    title = replace(TITLE, scene="A very long walk over the old quarry's second face")
    hold_plot(plot(title=title, hold_mm=hold_mm, hold_s=34 / 25.0))
    (scene, left), (words, right) = written
    assert words == wanted
    assert scene.startswith("A very long")
    assert left + right < 1600.0 - 2 * 40.0


def test_lengths_must_agree() -> None:
    with pytest.raises(ValueError, match="as many places"):
        hold_plot(plot(rail_mm=RAIL[:50]))
