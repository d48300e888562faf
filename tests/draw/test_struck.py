"""No label is struck through, on any drawing of seeded sets; and what is struck through is noticed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from previz.draw.clearplace import ClearPlaces, turned_box
from previz.draw.flatdrawing import Words, cleared, line
from previz.draw.labels import LabelRoom, inside
from previz.draw.paper import Paper, TitleBlock
from previz.draw.pdf import PdfPage, Pen, page_sizes, pdf_bytes
from tests.draw.seeded import struck_of_set
from tests.draw.struck import struck, struck_in_pdf, watched

BLOCK = TitleBlock("A walk", "1:20", "2025-03-14", "labels")


@pytest.mark.parametrize("number", [5])
def test_no_label_of_a_seeded_set_is_struck_through(number: int, tmp_path: Path) -> None:
    """All twenty are measured by ``python -m tests.benchmarks.labels``."""
    found = struck_of_set(number, tmp_path)
    assert len(found) > 10
    assert [str(each) for kind in found.values() for each in kind] == []


def pdf(plate: bool, later: bool) -> bytes:
    """A word with a line through it, drawn before the word or after."""

    def draw(pen: Pen) -> None:
        for turn in (later, not later):
            if turn:
                pen.text((60.0, 100.0), "struck", 3.0, plate=plate)
            else:
                pen.line([(40.0, 98.9), (120.0, 98.9)])

    return pdf_bytes([PdfPage(page_sizes("a4")[0], "labels", draw)], BLOCK, "labels")


@pytest.mark.parametrize("later", [True, False])
def test_a_line_through_a_word_of_a_pdf_is_noticed_unless_it_is_rubbed_out(later: bool) -> None:
    assert [each.words for each in struck_in_pdf(pdf(False, later), "x")] == ["struck"]
    assert struck_in_pdf(pdf(True, later), "x") == []


def test_a_line_through_a_word_of_a_sheet_is_noticed_unless_it_is_rubbed_out() -> None:
    def said(plate: float) -> list[str]:
        with watched() as papers:
            paper = Paper(200, 100)
            paper.text((20.0, 40.0), "struck", 13.0, plate=plate)
            paper.line([(0.0, 47.0), (200.0, 47.0)])
            got = paper.picture()
        # what was noted is what is seen: ink left of the word and, on a plate, paper before its first letter
        assert got[46:48, 5].min() < 200
        assert (got[46:48, 19].min() > 200) == (plate > 0.0)
        return [each.words for laid, _ in papers for each in struck(laid, "x")]

    assert said(0.0) == ["struck"]
    assert said(2.0) == []


def test_two_words_over_one_another_are_noticed() -> None:
    with watched() as papers:
        paper = Paper(200, 100)
        paper.text((20.0, 40.0), "one", 13.0)
        paper.text((30.0, 42.0), "two", 13.0)
        paper.picture()
    assert [each.by for laid, _ in papers for each in struck(laid, "x")] == ["under 'two'"]


def test_length_of_lines_inside_boxes() -> None:
    """By hand: a diagonal of the 3-4-5 triangle, a level line, one that misses, one inside."""
    lines = np.array([(0.0, 0.0, 6.0, 8.0), (-5.0, 1.0, 50.0, 1.0), (0.0, 9.0, 9.0, 9.0), (1.0, 1.0, 1.0, 2.0)])
    box = np.array([(0.0, 0.0, 3.0, 4.0)])
    assert inside(lines, box)[0] == pytest.approx([5.0, 3.0, 0.0, 1.0])


def test_a_label_keeps_off_a_line_and_its_leader_out_of_another_label() -> None:
    room = LabelRoom((0.0, 0.0, 400.0, 300.0))
    room.draw([(0.0, 150.0), (400.0, 150.0)])
    x, y = room.find((200.0, 150.0), (60.0, 14.0))
    assert y >= 150.0 or y + 14.0 <= 150.0
    assert room.costs(np.array([(x, 143.0, x + 60.0, 157.0)]))[0] > 0.0
    for _ in range(3):
        room.find((200.0, 150.0), (60.0, 14.0), leader=True)
    boxes, leaders = np.array(room.taken), room.lines[1:]
    assert len(leaders) == 3
    # a leader ends at its own label and goes through no other
    through = inside(leaders, boxes)
    assert through.max() < 1e-6


def test_words_of_a_flat_drawing_are_moved_and_no_line_is_cut() -> None:
    wall = line("cut", [(0.0, 0.0), (100.0, 0.0)])
    words = [Words("words", "on the cut", (50.0, 0.0), 4.0), Words("words", "free", (50.0, 30.0), 4.0)]
    made = cleared("x", [wall], words)
    assert made.lines[0] is wall
    assert made.words[1] == words[1]
    moved = np.subtract(made.words[0].at, words[0].at)
    assert 2.0 < np.hypot(*moved) < 5.0
    places = ClearPlaces([wall.points])
    assert places.free(turned_box(made.words[0].at, (made.words[0].long_mm, 4.0), 0.0))
    assert places.shift(turned_box((0.0, 0.0), (1e5, 1e5), 0.0), (1.0, 0.0), 1.0) is None
