"""Drawing on paper: places, widths, hatching, dimensions and the scale bar's length."""

from __future__ import annotations

import math

import numpy as np
import pytest

from previz.colour import encoded8
from previz.draw.paper import Paper, round_length
from previz.draw.style import (
    CHALK,
    HOLDS_BELOW_PCT,
    INK,
    PAPER,
    PAPER_LINEAR,
    SIGNAL,
    fitted,
    font,
    mixed,
    on_paper,
    text_width,
    verdict,
    wrapped,
)
from previz.units import inches_text, length
from tests.deliver.made_up import TITLE, near, noise


def contrast(a: tuple[int, int, int], b: tuple[int, int, int]) -> float:
    """Contrast ratio of two sRGB colours, WCAG 2.2, "contrast ratio" and "relative luminance"."""

    def luminance(colour: tuple[int, int, int]) -> float:
        v = [c / 255 for c in colour]
        lin = [x / 12.92 if x <= 0.04045 else ((x + 0.055) / 1.055) ** 2.4 for x in v]
        return 0.2126 * lin[0] + 0.7152 * lin[1] + 0.0722 * lin[2]

    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_inks_can_be_read_on_the_paper() -> None:
    # WCAG 2.2, success criterion 1.4.6 asks 7 for ink, 1.4.3 asks 4.5 for the two accents
    assert contrast(INK, PAPER) >= 7.0
    assert contrast(CHALK, PAPER) >= 4.5
    assert contrast(SIGNAL, PAPER) >= 4.5


def test_paper_in_light_and_in_codes_is_one_colour() -> None:
    np.testing.assert_array_equal(encoded8(np.array(PAPER_LINEAR)), PAPER)
    np.testing.assert_array_equal(on_paper(np.zeros((2, 2, 3), np.uint8), 0.0), np.full((2, 2, 3), PAPER))
    picture = noise(3, 4)
    np.testing.assert_array_equal(on_paper(picture, 1.0), picture)
    assert mixed(INK, 1.0) == INK
    assert mixed(INK, 0.0) == PAPER


def test_text_keeps_to_its_width() -> None:
    assert font(20) is font(20)
    for text, size in (("holds 52.3 mm", 20.0), ("1'-9 7/16\" of rail, frames 1001 to 1040", 13.0)):
        paper = Paper(700, 60)
        box = paper.text((10.0, 20.0), text, size)
        marked = np.flatnonzero((paper.picture() != PAPER).any(axis=(0, 2)))
        assert marked[0] >= 9
        assert marked[-1] <= 10.0 + text_width(text, size) + 1.0
        assert box[2] - box[0] <= text_width(text, size) + 1.0
    assert fitted("a long name of a set", 20.0, 100.0).endswith("…")
    assert text_width(fitted("a long name of a set", 20.0, 100.0), 20.0) <= 100.0
    assert fitted("short", 20.0, 100.0) == "short"


def test_wrapped_text_loses_no_word_where_there_is_room() -> None:
    words = "the bridge is out of the frame at the station point; tilt down"
    lines = wrapped(words, 20.0, 260.0, 6)
    assert " ".join(lines) == words
    assert max(text_width(line, 20.0) for line in lines) <= 260.0
    assert len(wrapped(words, 20.0, 260.0, 2)) == 2
    assert wrapped(words, 20.0, 260.0, 2)[-1].endswith("…")


def test_verdict_is_one_plain_word() -> None:
    assert [verdict(p) for p in (0.0, HOLDS_BELOW_PCT, HOLDS_BELOW_PCT + 0.01, None)] == [
        "holds",
        "holds",
        "breaks",
        "not judged",
    ]


def test_a_pasted_picture_is_kept_pixel_for_pixel() -> None:
    paper = Paper(60, 40)
    picture = noise(20, 30)
    paper.paste(picture, (7, 11))
    np.testing.assert_array_equal(paper.picture()[11:31, 7:37], picture)


@pytest.mark.parametrize("width", [1.0, 2.0, 5.0])
def test_lines_have_their_width_and_place(width: float) -> None:
    paper = Paper(100, 100)
    paper.line([(10.0, 50.0), (90.0, 50.0)], (0, 0, 0), width)
    ink = 1.0 - paper.picture()[:, 50].astype(float).mean(axis=1) / np.mean(PAPER)
    assert ink.sum() == pytest.approx(width, abs=0.05)
    assert (ink * (np.arange(100) + 0.5)).sum() / ink.sum() == pytest.approx(50.0, abs=0.3)


def test_dashes_have_their_length() -> None:
    paper = Paper(400, 20)
    paper.dashed([(0.0, 10.0), (150.0, 10.0), (400.0, 10.0)], (0, 0, 0), 2.0, (12.0, 8.0))
    ink = paper.picture()[9].mean(axis=1) < 100
    assert ink.mean() == pytest.approx(12.0 / 20.0, abs=0.04)
    assert np.count_nonzero(np.diff(ink.astype(int)) == -1) == 20


def test_hatch_fills_the_shape_only() -> None:
    paper = Paper(200, 200)
    paper.hatch([[(50.0, 50.0), (150.0, 50.0), (150.0, 150.0), (50.0, 150.0)]], (0, 0, 0), 8.0, 2.0)
    picture = paper.picture().astype(float).mean(axis=2)
    assert np.all(picture[:48] == np.mean(PAPER))
    assert np.all(picture[:, 153:] == np.mean(PAPER))
    share = 1.0 - picture[52:148, 52:148].mean() / np.mean(PAPER)
    # a line 2 px wide every 8 px; Pillow's slanted lines run a little wide
    assert share == pytest.approx(2.0 / 8.0, abs=0.07)
    # nothing happens off the sheet
    before = paper.picture()
    paper.hatch([[(500.0, 500.0), (600.0, 500.0), (600.0, 600.0)]])
    np.testing.assert_array_equal(paper.picture(), before)


def test_a_dimension_says_its_length_in_both_measures() -> None:
    paper = Paper(600, 200)
    note = paper.dimension((100.0, 50.0), (500.0, 50.0), 60.0, 0.85)
    assert " ".join(note.lines) == "850.0 mm / 2'-9 7/16\""
    # right of the way from a to b, on a sheet whose y runs down, is below
    assert note.at[1] > 110.0 - 1.0
    assert length("2 ft 9 7/16 in") == pytest.approx(0.85, abs=0.0254 / 32)
    upright = paper.dimension((300.0, 150.0), (300.0, 20.0), -50.0, 0.16)
    assert upright.lines == ("160.0 mm", inches_text(0.16))
    assert upright.box[2] < 250.0
    at_the_edge = paper.dimension((80.0, 150.0), (80.0, 20.0), -50.0, 0.16)
    assert at_the_edge.at[0] > 30.0


def test_the_scale_bar_is_as_long_as_it_says() -> None:
    paper = Paper(500, 60)
    paper.scale_bar((20.0, 40.0), 412.0)
    # 500 mm would be 206 px, 1 m is over 220
    row = paper.picture()[43]
    marked = np.flatnonzero((row.astype(int) != np.array(PAPER)).any(axis=1))
    assert marked[-1] - marked[0] + 1 == pytest.approx(0.5 * 412.0, abs=2.0)


@pytest.mark.parametrize(
    ("longest", "wanted"), [(0.22, 0.2), (0.5, 0.5), (0.499, 0.2), (1.3, 1.0), (0.0102, 0.01), (0.0001, 0.001)]
)
def test_round_lengths(longest: float, wanted: float) -> None:
    assert round_length(longest) == pytest.approx(wanted)


def test_the_title_block_stands_bottom_right() -> None:
    paper = Paper(600, 400)
    box = paper.title_block(TITLE, 590.0, 390.0, 300.0)
    assert box == (290.0, 390.0 - 3 * 2.5 * 13.0, 590.0, 390.0)
    marked = np.argwhere((paper.picture() != PAPER).any(axis=2))
    assert marked.min(axis=0)[0] >= math.floor(box[1]) - 1
    assert marked.min(axis=0)[1] >= 288
    assert near(paper.picture()[295:390, 290:590], INK).sum() > 500
