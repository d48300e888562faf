"""The judged outline over a frame: what breaks is dashed, thicker and red; what holds is thin and blue."""

from __future__ import annotations

import numpy as np
import pytest

from previz.deliver.shoot.overlay import (
    LineBeside,
    OutlinePieces,
    lines_beside,
    outline_pieces,
    outline_runs,
    sliding_pieces,
    tell_key,
    with_outline,
)
from previz.draw.style import CHALK, PAPER, SIGNAL
from previz.judge.breaks import Break
from previz.judge.outline import Outline
from previz.judge.telltable import TELL_TABLE
from tests.deliver.made_up import near, noise
from tests.examples import lens_strip


def across(broken: bool, ground: int, width: int = 960) -> np.ndarray:
    frame = np.full((120, width, 3), ground, dtype=np.uint8)
    points = np.stack([np.arange(20.0, width - 20.0), np.full(width - 40, 60.5)], axis=-1)
    return with_outline(frame, [OutlinePieces(points, np.full(len(points), broken))])


@pytest.mark.parametrize("ground", [0, 90, 255])
def test_broken_is_thicker_and_dashed(ground: int) -> None:
    holds, breaks = near(across(False, ground), CHALK, 40), near(across(True, ground), SIGNAL, 40)
    assert holds[:, 30:-30].any(axis=0).mean() > 0.99, "what holds is an unbroken line"
    assert 0.5 < breaks[:, 30:-30].any(axis=0).mean() < 0.8, "what breaks is dashed"
    assert breaks.sum(axis=0).max() >= 3 * holds.sum(axis=0).max()
    assert not near(across(False, ground), SIGNAL, 40).any()
    assert not near(across(True, ground), CHALK, 40).any()


@pytest.mark.parametrize("ground", [SIGNAL, PAPER, (0, 0, 0)])
def test_what_breaks_can_be_seen_on_a_wall_of_any_colour(ground: tuple[int, int, int]) -> None:
    frame = np.broadcast_to(np.array(ground, dtype=np.uint8), (120, 480, 3)).copy()
    points = np.stack([np.arange(20.0, 460.0), np.full(440, 60.0)], axis=-1)
    got = with_outline(frame, [OutlinePieces(points, np.ones(440, dtype=bool))])
    assert np.abs(got.astype(int) - frame).max(axis=2).max() > 120


def test_the_rest_of_the_frame_is_left_alone() -> None:
    frame = noise(90, 160)
    points = np.array([[40.0, 20.0], [60.0, 20.0], [60.0, 40.0]])
    got = with_outline(frame, [OutlinePieces(points, np.array([True, False, False]), closed=True)])
    far = np.ones((90, 160), dtype=bool)
    far[10:50, 30:70] = False
    np.testing.assert_array_equal(got[far], frame[far])
    assert (got != frame).any()
    np.testing.assert_array_equal(with_outline(frame, []), frame)


def test_a_closed_outline_is_closed_and_unseen_points_are_left_out() -> None:
    frame = np.zeros((100, 100, 3), dtype=np.uint8)
    square = np.array([[20.0, 20.0], [80.0, 20.0], [80.0, 80.0], [20.0, 80.0]])
    holds = np.zeros(4, dtype=bool)
    closed = with_outline(frame, [OutlinePieces(square, holds, closed=True)])
    opened = with_outline(frame, [OutlinePieces(square, holds)])
    assert closed[50, 18:23].max() > 0
    assert opened[50, 18:23].max() == 0
    square[1] = np.nan
    hidden = with_outline(frame, [OutlinePieces(square, holds)])
    assert hidden[20].max() == 0
    assert hidden[80, 50].max() > 0


def test_one_broken_piece_can_be_seen() -> None:
    frame = np.zeros((60, 200, 3), dtype=np.uint8)
    points = np.stack([np.arange(20.0, 180.0), np.full(160, 30.0)], axis=-1)
    broken = np.zeros(160, dtype=bool)
    broken[80:86] = True
    assert near(with_outline(frame, [OutlinePieces(points, broken)]), SIGNAL, 40).sum() >= 6


PARALLAX = next(tell for tell in TELL_TABLE if tell.word == "parallax")


def beside(count: int = 480) -> tuple[Break, list[LineBeside]]:
    """The upper edge of a bridge from x 240 to 720, the lengths 0 to 3 of it a quarter each; it is not found still."""
    xy = np.stack([np.linspace(240.0, 720.0, count), np.full(count, 100.0)], axis=1)
    outline = Outline(xy, np.tile([0.0, -1.0], (count, 1)), np.zeros(count, dtype=np.int64), (False,), 1.0)
    zeros = np.zeros(count)
    found = Break(0.0, outline, zeros, np.zeros(count, dtype=bool), np.full(count, -1, dtype=np.int8), zeros)
    return found, lines_beside(found, np.arange(count) * 4 // count, 960)


def test_what_slides_has_its_own_line_beside_the_outline() -> None:
    found, lines = beside()
    runs = [run for piece in sliding_pieces(lines, (1, 2)) for run in outline_runs(piece)]
    # two lengths that follow one another are one line, so that its dashes run on
    ((points, line),) = runs
    assert line is PARALLAX
    assert points[[0, -1], 0] == pytest.approx([360.0, 600.0], abs=2.0)
    # off the bridge, and clear of the thickest line on the outline, rim and all: 4 + 3.4 px each
    assert points[:, 1] == pytest.approx(np.full(len(points), 89.0))
    assert 100.0 - points[0, 1] > 4.0 + 3.4
    frame = np.full((200, 960, 3), 128, dtype=np.uint8)
    drawn = with_outline(frame, [*outline_pieces(found, None), *sliding_pieces(lines, (1, 2))])
    plain = with_outline(frame, outline_pieces(found, None))
    rows, columns = np.nonzero((drawn != plain).any(axis=2))
    assert columns.min() > 350
    assert columns.max() < 612
    assert rows.max() < 95, "the outline's own line is left as it was"
    # dashes of 42 px: of 240 px four fifths and a little
    inked = near(drawn, PARALLAX.colour, 12)[84:95].any(axis=0)
    assert 0.7 < inked[360:600].mean() < 0.95


def test_what_does_not_slide_has_no_line_beside_it() -> None:
    found, lines = beside()
    assert sliding_pieces(lines, ()) == []
    assert sliding_pieces(lines, (9,)) == []
    assert lines_beside(None, None, 960) == []
    assert lines_beside(found, None, 960) == [], "a frame by itself, of which no film is known"


def test_the_key_shows_dash_and_gap_of_every_tell() -> None:
    for width in (320, 640, 960):
        for tell in TELL_TABLE:
            strip = tell_key(np.zeros((90, width, 3), np.uint8), [tell.word])[90:]
            inked = near(strip, tell.colour, 8).any(axis=0)
            starts = np.flatnonzero(np.diff(inked.astype(int)) == 1)
            assert len(starts) >= 2, f"{tell.word} at {width}"


def test_the_key_has_room_for_every_tell() -> None:
    words = [tell.word for tell in TELL_TABLE]
    for width in (160, 320, 640, 960, 1921):
        got = tell_key(np.zeros((90, width, 3), np.uint8), words)
        assert got.shape[0] % 2 == 0
        strip = got[90:]
        for tell in TELL_TABLE:
            columns = np.flatnonzero(near(strip, tell.colour, 8).any(axis=0))
            assert len(columns) > 2, f"{tell.word} at {width}"
        # nothing is cut by the right edge
        assert near(strip[:, -2:], PAPER, 2).all()
    one = tell_key(np.zeros((90, 960, 3), np.uint8), words[:2])
    assert one.shape[0] < tell_key(np.zeros((90, 960, 3), np.uint8), words).shape[0]


def test_flags_must_match_points() -> None:
    with pytest.raises(ValueError, match="an outline is"):
        with_outline(noise(20, 20), [OutlinePieces(np.zeros((3, 2)), np.zeros(2, dtype=bool))])


@pytest.mark.parametrize("height", [270, 271])
def test_strip(height: int) -> None:
    picture = noise(height, 480)
    got = lens_strip(picture, "1037  rail 44.2 mm", "breaks", SIGNAL)
    np.testing.assert_array_equal(got[:height], picture)
    assert got.shape[0] % 2 == 0
    assert near(got[height:], SIGNAL)[:, 240:].any()
    assert not near(got[height:], SIGNAL)[:, :240].any()
    np.testing.assert_array_equal(got, lens_strip(picture, "1037  rail 44.2 mm", "breaks", SIGNAL))
