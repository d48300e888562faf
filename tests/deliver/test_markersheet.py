"""Marker sheets measured and read from outside: pdfplumber's lengths, pypdfium2's pixels, OpenCV's own detector."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from previz.deliver.markersheet import marker_pdf
from previz.deliver.paper import TitleBlock
from previz.lineup.markers import Board, MarkerSheet, grid
from tests.deliver.pdf_lengths import bar_faults, opened, outlines, rendered

BLOCK = TitleBlock("Quarry walk", "1:20", "2025-03-14", "marker sheets")


def board(paper: str, tag: float) -> Board:
    at = grid(tag, paper)
    frame = np.eye(4)
    frame[:3, 3] = (-0.35, 0.01, 0.02)
    left = MarkerSheet("left", tuple(range(24, 24 + len(at))), at, tag, frame)
    return Board((left, replace(left, name="card", numbers=tuple(range(60, 60 + len(at))))), False)


def pdf(paper: str, tag: float) -> bytes:
    return marker_pdf(board(paper, tag).sheets, {"left": "outside"}, paper, BLOCK, "x")


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("tag", [0.06, 0.05, 0.04, 0.015])
def test_markers_are_true_to_size_and_place(paper: str, tag: float) -> None:
    data = pdf(paper, tag)
    assert bar_faults(data) == []
    sheet = board(paper, tag).sheets[0]
    with opened(data) as document:
        squares = [o for o in outlines(document.pages[1]) if np.abs(np.ptp(o, axis=0) - tag * 1e3).max() < 0.01]
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
    for page, sheet in enumerate(sheets, 1):
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
        page = document.pages[1]
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
        assert len(document.pages) == 3
    assert "-350.0 mm" in text
    assert "Sheet left" in text
    assert "outside" in text


def test_same_bytes() -> None:
    assert pdf("a4", 0.06) == pdf("a4", 0.06)
