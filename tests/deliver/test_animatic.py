"""Frames of the animatic laid out: what lies where, what is kept pixel for pixel, and that nothing covers it."""

import numpy as np
import pytest

from previz.deliver.plate.animatic import burnt_in, side_by_side, wiped, words_size
from previz.draw.style import CHALK, INK, PAPER
from previz.plate.framing import bars_of
from tests.deliver.made_up import near

BARRED = bars_of(960, 540, 2.39)
BARE = bars_of(960, 540, None)


def flat(code: int, width: int = 960, height: int = 540) -> np.ndarray:
    return np.full((height, width, 3), code, dtype=np.uint8)


def test_words_lie_in_the_lower_bar_and_leave_the_picture_alone() -> None:
    frame = flat(90)
    out = burnt_in(frame, BARRED, ("frame 1015", "rail  45.3 mm", "hold"))
    np.testing.assert_array_equal(out[: BARRED.bottom], frame[: BARRED.bottom])
    bar = near(out[BARRED.bottom :], PAPER, 40)
    assert bar.sum() > 100
    assert (out[BARRED.bottom :].reshape(-1, 3) == 0).all(axis=1).mean() > 0.9, "the bar stays black around the words"
    assert frame.min() == 90, "the frame that came is not drawn on"
    # three columns: each word starts its own third
    starts = [int(np.flatnonzero(bar.any(axis=0) & (np.arange(960) >= k * 320 - 10))[0]) for k in range(3)]
    assert starts[1] - starts[0] == pytest.approx(320, abs=20)
    assert starts[2] - starts[1] == pytest.approx(320, abs=20)


def test_words_do_not_jump_when_another_one_grows() -> None:
    short, long = (burnt_in(flat(90), BARRED, (word, "hold")) for word in ("frame 1", "frame 1001"))
    right = np.s_[BARRED.bottom :, 480:]
    np.testing.assert_array_equal(short[right], long[right])


@pytest.mark.parametrize("width", [160, 480, 960, 3840])
def test_words_can_be_read_at_every_size(width: int) -> None:
    """Letters of 7 px or 1/62 of the width; too narrow a column cuts a word, never the next one."""
    height = round(width * 9 / 16)
    bars = bars_of(width, height, 2.39)
    assert words_size(width, height - bars.bottom) >= 7.0
    out = burnt_in(flat(90, width, height), bars, ("frame 1015", "rail  45.3 mm", "120.6 mm/s", "shot 231.4", "hold"))
    bar = near(out[bars.bottom :], PAPER, 60).any(axis=0)
    size = words_size(width, height - bars.bottom)
    for k in range(1, 5):
        start = size + k * (width - 2.0 * size) / 5
        gap = bar[int(start - 0.8 * size) : int(start)]
        assert not gap.any(), "columns do not run into one another"


def test_without_a_bar_the_words_have_a_strip_of_their_own() -> None:
    out = burnt_in(flat(200), BARE, ("frame 1015",))
    changed = np.flatnonzero((out != 200).any(axis=(1, 2)))
    assert changed[-1] == 539
    assert len(changed) < 0.08 * 540
    assert near(out[changed[0] :], PAPER, 40).any()


@pytest.mark.parametrize("bars", [BARRED, BARE])
def test_the_wipe_shows_both_sides_of_its_line(bars: object) -> None:
    assert isinstance(bars, type(BARRED))
    with_bridge, without = flat(60), flat(160)
    # black bars, as the frames that come have them
    for frame in (with_bridge, without):
        frame[: bars.top] = frame[bars.bottom :] = 0
    out = wiped(with_bridge, without, 0.25, bars)
    middle = out[200:400]
    np.testing.assert_array_equal(middle[:, :236], 60)
    np.testing.assert_array_equal(middle[:, 244:], 160)
    line = near(middle, CHALK, 3).any(axis=0)
    assert line[239:241].all()
    assert line.sum() <= 4
    np.testing.assert_array_equal(out[bars.bottom :], with_bridge[bars.bottom :])
    words = near(out[:60], PAPER if bars is BARRED else INK, 40)
    assert words[:, :232].any(), "the left side is named"
    assert words[:, 248:].any(), "the right side is named"


def test_a_wipe_at_either_end_is_one_picture() -> None:
    with_bridge, without = flat(60), flat(160)
    np.testing.assert_array_equal(wiped(with_bridge, without, 0.0, BARRED)[200:400, 4:], 160)
    np.testing.assert_array_equal(wiped(with_bridge, without, 1.0, BARRED)[200:400, :-4], 60)


def test_side_by_side_keeps_both_pictures() -> None:
    left, right = flat(60, 321, 135), flat(160, 321, 135)
    out = side_by_side(left, right, ("as it is", "scaled from the plate"), ("1001  0.0 mm", "0.0 mm"))
    assert out.shape[0] % 2 == 0
    assert out.shape[1] == 642
    np.testing.assert_array_equal(out[:135, :319], 60)
    np.testing.assert_array_equal(out[:135, 323:], 160)
    strip = near(out[135:], INK, 60)
    assert strip[:, :160].any(), "the left label"
    assert strip[:, 321:560].any(), "the right label"
    assert near(out[135:], PAPER, 2).mean() > 0.7
    with pytest.raises(ValueError, match="one size"):
        side_by_side(left, right[:-1], ("a", "b"), ("", ""))
