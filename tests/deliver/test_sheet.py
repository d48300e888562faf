"""The contact sheet: pages, order, cells that could not be judged, and the table beside it."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from previz.deliver.sheet.sheet import (
    CandidatePlan,
    CandidateView,
    ContactCell,
    ContactSheet,
    Fact,
    contact_pages,
    page_count,
    sheet_csv,
    write_contact_sheet,
)
from previz.draw.style import CHALK, INK, PAPER
from previz.run.output import OutputFolder
from tests.deliver.made_up import TITLE, made_up_set, near


def cell(rank: int, picture: np.ndarray | None = None, reason: str = "") -> ContactCell:
    facts = (Fact("height", f"{100 + rank} mm", "height_mm", 100.0 + rank), Fact("lens", "35 mm", "lens_mm", 35.0))
    if reason:
        return ContactCell(rank, facts, picture, reason=reason)
    return ContactCell(rank, facts, picture, 0.05 / rank, 1.5 / rank, 0.06, 3.0 * rank, 1.0 * rank, 2.0 * rank, 80.0)


def flat(colour: tuple[int, int, int], shape: tuple[int, int] = (90, 160)) -> np.ndarray:
    return np.broadcast_to(np.array(colour, dtype=np.uint8), (*shape, 3)).copy()


def plan(count: int) -> CandidatePlan:
    views = tuple(
        CandidateView(
            rank + 1,
            np.array([0.02 * (rank % 3), 0.1 + 0.02 * rank, 1.2]),
            np.array([0.0, -0.1, -0.995]),
            np.array([[-0.05, 0.1, 1.2], [0.05, 0.1, 1.2]]),
        )
        for rank in range(count)
    )
    return CandidatePlan(views, made_up_set())


@pytest.mark.parametrize(
    ("count", "with_plan", "pages"), [(1, False, 1), (12, False, 1), (13, True, 3), (500, True, 11)]
)
def test_number_of_pages(count: int, with_plan: bool, pages: int) -> None:
    cells = tuple(cell(i + 1) for i in range(count))
    assert page_count(ContactSheet(TITLE, cells, plan(2) if with_plan else None)) == pages


def test_pages_are_files_of_the_a_series_and_repeat_byte_for_byte(tmp_path: Path) -> None:
    cells = tuple(cell(i + 1, flat((90, 90, 90))) for i in range(13))
    sheet = ContactSheet(TITLE, cells, plan(3))
    places = write_contact_sheet(OutputFolder(tmp_path), sheet)
    assert [place.name for place in places] == ["sheet.png", "sheet-2.png", "sheet-3.png", "sheet.csv"]
    with Image.open(places[0]) as image:
        # ISO 216: the sides of an A sheet are as 1 to the square root of 2
        assert image.width / image.height == pytest.approx(math.sqrt(2.0), abs=0.001)
        assert image.width == 2400
    first = [place.read_bytes() for place in places]
    assert [place.read_bytes() for place in write_contact_sheet(OutputFolder(tmp_path), sheet)] == first


def test_best_comes_first_in_reading_order() -> None:
    colours = [(200, 60, 160), (60, 200, 60), (60, 160, 200), (220, 220, 20)]
    cells = tuple(cell(i + 1, flat(colour)) for i, colour in enumerate(colours))
    (page,) = contact_pages(ContactSheet(TITLE, cells))
    middles = [np.argwhere(near(page, colour, 6)).mean(axis=0) for colour in colours]
    assert middles[0][1] < middles[1][1] < middles[2][1]
    assert middles[0][0] == pytest.approx(middles[2][0], abs=3.0)
    assert middles[3][0] > middles[0][0] + 300.0
    assert middles[3][1] == pytest.approx(middles[0][1], abs=8.0)


@pytest.mark.parametrize("shape", [(90, 160), (100, 100), (160, 90), (40, 400)])
def test_pictures_keep_their_shape(shape: tuple[int, int]) -> None:
    (page,) = contact_pages(ContactSheet(TITLE, (cell(2, flat((200, 60, 160), shape)),)))
    where = np.argwhere(near(page, (200, 60, 160), 6))
    high, wide = where.max(axis=0) - where.min(axis=0) + 1
    assert wide / high == pytest.approx(shape[1] / shape[0], rel=0.03)


def test_a_cell_that_could_not_be_judged_shows_why() -> None:
    grey = flat((90, 90, 90))
    reason = "the bridge is out of the frame at the station point"
    judged, unjudged = (
        next(contact_pages(ContactSheet(TITLE, (cell(1, grey, reason=words),)))) for words in ("", reason)
    )
    box = (slice(250, 420), slice(200, 660))
    assert near(judged[box], INK).sum() == 0
    assert near(unjudged[box], INK).sum() > 800
    # the words stand in a box of paper
    assert near(unjudged[box], PAPER, 2).sum() > 10_000
    assert near(judged[100:560, 30:60], CHALK).any(), "the best is framed in blue"
    assert not near(unjudged[100:560, 30:60], CHALK).any()
    blank = next(contact_pages(ContactSheet(TITLE, (cell(1, None, reason=reason),))))
    assert near(blank[box], INK).sum() > 800


def test_the_plan_shows_where_they_stand() -> None:
    *_, page = contact_pages(ContactSheet(TITLE, (cell(1),), plan(5)))
    assert page.shape == (1697, 2400, 3)
    # the best one's camera and number, the bridge: at the left and right of both windows
    for rows in (slice(116, 760), slice(900, 1500)):
        for columns in (slice(60, 800), slice(800, 2340)):
            assert near(page[rows, columns], CHALK).sum() > 100
    # nothing past the windows' sides
    assert np.all(page[110:1500, :40] == PAPER)
    assert np.all(page[110:1500, 2362:] == PAPER)
    many = list(contact_pages(ContactSheet(TITLE, (cell(1),), plan(80))))[-1]
    assert many.shape == page.shape


def test_table() -> None:
    cells = [cell(1), cell(2), cell(3, reason='no wall behind, "sky"')]
    rows = list(csv.DictReader(io.StringIO(sheet_csv(cells)), strict=True))
    assert list(rows[0]) == [
        "rank",
        "height_mm",
        "lens_mm",
        "hold_mm",
        "hold_s",
        "hold_still_mm",
        "found_hold_pct",
        "break_mean_pct",
        "break_worst_pct",
        "break_reveal_pct",
        "reason",
    ]
    assert float(rows[1]["hold_mm"]) == pytest.approx(25.0)
    assert [float(rows[1][key]) for key in ("hold_s", "hold_still_mm", "found_hold_pct")] == [0.75, 60.0, 6.0]
    assert rows[2]["hold_mm"] == rows[2]["found_hold_pct"] == ""
    assert rows[2]["reason"] == 'no wall behind, "sky"'
    assert sheet_csv([]).startswith("rank,hold_mm")
    odd = ContactCell(4, (), None)
    with pytest.raises(ValueError, match="same facts"):
        sheet_csv([*cells, odd])
