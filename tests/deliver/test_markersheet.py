"""Marker sheets measured and read from outside: pdfplumber's lengths, pypdfium2's pixels, OpenCV's own detector."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from previz.deliver.lineup.markersheet import marker_pdf, ways
from previz.draw.drawnset import DrawnView, LensMark
from previz.draw.paper import TitleBlock
from previz.lineup.markers import Board, MarkerSheet
from previz.workshop.photographs.family import grid
from tests.deliver.made_up import made_up_set
from tests.deliver.pdf_lengths import bar_faults, opened, outlines, rendered

BLOCK = TitleBlock("Quarry walk", "1:20", "2025-03-14", "marker sheets")


SLAB = np.array([(-0.03, 0.0, 0.0), (0.03, 0.0, 0.0), (0.03, -0.012, 0.0), (-0.03, -0.012, 0.0)])
SIDE = np.array([(0.0, 0.0, 0.0), (0.0, 0.0, 0.8), (0.0, -0.012, 0.8), (0.0, -0.012, 0.0)])
LENS = LensMark(np.array([0.0, 0.4, 1.7]), np.array([0.0, 0.0, -1.0]), np.zeros((4, 3)))
PLAN = replace(
    made_up_set(),
    elevation=DrawnView((), (SIDE,)),
    front=(SLAB,),
    lens=LENS,
    wall_box=(-0.9, -0.8, 0.9, 0.6),
    doorway=(-0.03, 0.0, 0.03, 0.11),
)


def board(paper: str, tag: float) -> Board:
    at = grid(tag, paper)
    frame = np.eye(4)
    frame[:3, 3] = (-0.35, 0.01, 0.02)
    left = MarkerSheet("left", tuple(range(24, 24 + len(at))), at, tag, frame)
    return Board((left, replace(left, name="card", numbers=tuple(range(60, 60 + len(at))))), False)


def pdf(paper: str, tag: float) -> bytes:
    return marker_pdf(board(paper, tag).sheets, {"left": "outside"}, PLAN, paper, BLOCK, "x")


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("tag", [0.06, 0.05, 0.04, 0.015])
def test_markers_are_true_to_size_and_place(paper: str, tag: float) -> None:
    data = pdf(paper, tag)
    assert bar_faults(data) == []
    sheet = board(paper, tag).sheets[0]
    with opened(data) as document:
        squares = [o for o in outlines(document.pages[2]) if np.abs(np.ptp(o, axis=0) - tag * 1e3).max() < 0.01]
    assert len(squares) == len(sheet.numbers)
    middles = np.array(sorted((o[:, 0].min() + tag * 500, -o[:, 1].min() - tag * 500) for o in squares))
    wanted = np.array(sorted(map(tuple, sheet.at * 1e3)))
    # to one another: true to 0.01 mm
    assert np.abs((middles - middles[0]) - (wanted - wanted[0])).max() < 0.01


@pytest.mark.parametrize(("paper", "tag"), [("a4", 0.06), ("letter", 0.05), ("a4", 0.015)])
def test_opencv_reads_every_marker_on_its_place(paper: str, tag: float) -> None:
    sheets = board(paper, tag).sheets
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    detector = cv2.aruco.ArucoDetector(family)
    for page, sheet in enumerate(sheets, 2):
        picture = np.ascontiguousarray(rendered(pdf(paper, tag), page, 150.0))
        corners, numbers, _ = detector.detectMarkers(picture)
        seen = dict(zip(np.ravel(numbers).tolist(), corners, strict=True))
        assert sorted(seen) == sorted(sheet.numbers)
        # the first corner is the top left one of a sheet that hangs upright
        for number in sheet.numbers:
            first = np.asarray(seen[number]).reshape(4, 2)
            assert first[0, 0] < first[1, 0]
            assert first[0, 1] < first[3, 1]
            assert abs(np.linalg.norm(first[1] - first[0]) / 150.0 * 25.4 - tag * 1e3) < 0.5


def test_the_middle_cross_lies_in_the_middle_between_markers() -> None:
    with opened(pdf("a4", 0.05)) as document:
        page = document.pages[2]
        squares = [o for o in outlines(page) if np.abs(np.ptp(o, axis=0) - 50.0).max() < 0.01]
        low = np.min([o.min(axis=0) for o in squares], axis=0)
        high = np.max([o.max(axis=0) for o in squares], axis=0)
        middle = 0.5 * (low + high)
        arms = [
            (0.5 * (line["x0"] + line["x1"]) * 25.4 / 72, 0.5 * (line["top"] + line["bottom"]) * 25.4 / 72)
            for line in page.lines
        ]
    assert sum(np.hypot(*(middle - arm)) < 0.01 for arm in arms) >= 2
    assert not any(np.all((middle > o.min(axis=0)) & (middle < o.max(axis=0))) for o in squares)


def test_the_first_page_says_where_they_go() -> None:
    with opened(pdf("a4", 0.06)) as document:
        text = document.pages[0].extract_text()
        assert len(document.pages) == 4
    assert "to camera left 350.0 mm" in " ".join(text.split())
    assert "Sheet left" in text
    assert "outside" in text


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_drawing_measures_the_crosses_at_its_scale(paper: str) -> None:
    """Lengths on the paper, by pdfplumber, times the drawn scale are the sheets' places."""
    with opened(pdf(paper, 0.06)) as document:
        page = document.pages[1]
        text = page.extract_text()
        # crosses are the only pairs of 3 mm lines
        tall = [o for o in page.lines if abs(abs(o["bottom"] - o["top"]) * 25.4 / 72 - 3.0) < 0.01]
        level = [o for o in page.lines if o["bottom"] == o["top"]]
        wide = [o for o in level if abs(abs(o["x1"] - o["x0"]) * 25.4 / 72 - 3.0) < 0.01]
        width, height = float(page.width), float(page.height)
        # slanting lines are hatching, cut off at the wall
        straight = [o for o in page.lines if o["x0"] == o["x1"] or o["top"] == o["bottom"]]
        inside = all(o["x0"] >= 0 and o["x1"] <= width and o["top"] >= 0 and o["bottom"] <= height for o in straight)
    scale = int(text.split("drawn at 1:")[1].split()[0])
    assert inside
    assert "sheet left" in text
    assert "sheet card" in text
    assert "left 350.0 mm / 1'-1 3/4" in text
    # two sheets in one place in both views: x from the middle, z from the wall
    assert len(tall) == 4
    assert len(wide) == 4
    front, side = sorted({round(o["top"], 1) for o in tall})
    x_front = {round(o["x0"], 2) for o in tall if round(o["top"], 1) == front}
    assert len(x_front) == 1
    # the bridge's level line is met by both views; the wall's outline is as wide as the wall at that scale
    walls = [np.ptp(o, axis=0) for o in outlines(page) if len(o) >= 4]
    assert any(abs(w[1] * scale - 1400.0) < 1.0 * scale for w in walls), (scale, side)


def test_ways_have_no_signs() -> None:
    assert ways((-0.35, 0.01, 0.02)) == [(0.35, "to camera left"), (0.01, "up"), (0.02, "out of the wall")]
    assert [way for _, way in ways((0.1, -0.1, -0.1))] == ["to camera right", "down", "into the wall"]


def test_same_bytes() -> None:
    assert pdf("a4", 0.06) == pdf("a4", 0.06)
