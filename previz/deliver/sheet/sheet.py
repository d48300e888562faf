"""The contact sheet: candidates as labelled pictures, best first, and a last page that shows where they stand."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from PIL import Image

from previz.draw.drawing import draw_wall, sheet_cameras
from previz.draw.drawnset import DrawnSet
from previz.draw.labels import LabelRoom
from previz.draw.panel import Panel
from previz.draw.paper import Paper, TitleBlock
from previz.draw.style import (
    CHALK,
    CHALK_WASH,
    INK,
    PAPER,
    SIGNAL,
    SOFT,
    both_text,
    break_text,
    fitted,
    mixed,
    on_paper,
    text_width,
    wrapped,
)
from previz.draw.symbols import draw_camera
from previz.geometry import Array
from previz.run.frames import write_png
from previz.run.output import OutputFolder
from previz.run.table import csv_text
from previz.workshop.surface import Pixels8

# A sheet of the A series lying on its long side: sides as 1 to the square root of 2 (ISO 216)
WIDTH_PX = 2400
HEIGHT_PX = 1697
_SIDE, _TOP, _FOOT, _GAP = 44, 116, 176, 28
_ON_A_PAGE = 12

# The best so many are shown and numbered; the table has them all
MOST_SHOWN = 120
_MOST_NUMBERED = 60


@dataclass(frozen=True)
class Fact:
    """A number that sets a candidate apart: its word and text on the sheet, its header and value in the table."""

    name: str
    text: str
    header: str
    value: float


@dataclass(frozen=True, eq=False)
class ContactCell:
    """A candidate. ``picture`` (H, W, 3) uint8 is its lens view with the figure standing in it, or None.

    ``reason`` says why it could not be judged; its numbers are then None. ``hold`` is in metres of rail and ``hold_s``
    in seconds, both of the film, ``hold_still`` m that of single frames, breaks in percent, ``found_hold_pct`` percent
    of the viewers, by the end of the hold asked for.
    """

    rank: int
    facts: tuple[Fact, ...]
    picture: Pixels8 | None
    hold: float | None = None
    hold_s: float | None = None
    hold_still: float | None = None
    found_hold_pct: float | None = None
    break_mean_pct: float | None = None
    break_worst_pct: float | None = None
    break_reveal_pct: float | None = None
    reason: str = ""


@dataclass(frozen=True, eq=False)
class CandidateView:
    """Where a candidate's lens stands: ``position`` (3,) m, ``forward`` (3,), its ``rail`` (N, 3) m."""

    rank: int
    position: Array
    forward: Array
    rail: Array


@dataclass(frozen=True, eq=False)
class CandidatePlan:
    """The last page: where the candidates stand in the set."""

    views: tuple[CandidateView, ...]
    drawn: DrawnSet


@dataclass(frozen=True, eq=False)
class ContactSheet:
    """All candidates, best first. The title block's sheet numbers are put in here.

    The pages show the best 120 and number the best 60 on the plan; the table has them all.
    """

    title: TitleBlock
    cells: tuple[ContactCell, ...]
    plan: CandidatePlan | None = None


def page_name(page: int) -> str:
    """File name of a page counted from 1: ``sheet.png``, ``sheet-2.png`` ..."""
    return "sheet.png" if page == 1 else f"sheet-{page}.png"


def page_count(sheet: ContactSheet) -> int:
    """How many pages the sheet takes."""
    shown = min(len(sheet.cells), MOST_SHOWN)
    return max(1, math.ceil(shown / _ON_A_PAGE)) + (sheet.plan is not None)


def contact_pages(sheet: ContactSheet) -> Iterator[Pixels8]:
    """The pages one by one, (1697, 2400, 3) uint8 sRGB: cells, then the plan."""
    pages = page_count(sheet)
    cell_pages = pages - (sheet.plan is not None)
    for page in range(cell_pages):
        cells = sheet.cells[:MOST_SHOWN][page * _ON_A_PAGE : (page + 1) * _ON_A_PAGE]
        yield _cells_page(replace(sheet.title, sheet=page + 1, sheets=pages), cells, len(sheet.cells))
    if sheet.plan is not None:
        yield _plan_page(replace(sheet.title, sheet=pages, sheets=pages), sheet.plan)


def sheet_csv(cells: Sequence[ContactCell]) -> str:
    """The text of ``sheet.csv``: a row a candidate, best first. All candidates have the same facts."""
    facts = [fact.header for fact in cells[0].facts] if cells else []
    numbers = [
        *("hold_mm", "hold_s", "hold_still_mm", "found_hold_pct"),
        *("break_mean_pct", "break_worst_pct", "break_reveal_pct", "reason"),
    ]
    rows = []
    for cell in cells:
        if [fact.header for fact in cell.facts] != facts:
            raise ValueError("all candidates of a table have the same facts")
        held, still = (None if metres is None else metres * 1e3 for metres in (cell.hold, cell.hold_still))
        film = (held, cell.hold_s, still, cell.found_hold_pct)
        breaks = (cell.break_mean_pct, cell.break_worst_pct, cell.break_reveal_pct)
        rows.append([cell.rank, *(float(fact.value) for fact in cell.facts), *film, *breaks, cell.reason])
    return csv_text(["rank", *facts, *numbers], rows)


def write_contact_sheet(folder: OutputFolder, sheet: ContactSheet) -> list[Path]:
    """Write ``sheet.png``, ``sheet-2.png`` ... and ``sheet.csv``; gives their places."""
    places = [write_png(folder, page_name(i), page) for i, page in enumerate(contact_pages(sheet), start=1)]
    return [*places, folder.write_text("sheet.csv", sheet_csv(sheet.cells))]


def _furnish(paper: Paper, title: TitleBlock, words: str) -> None:
    paper.text((_SIDE, 76.0), fitted(title.scene, 46.0, 1100.0, True), 46.0, INK, "ls", bold=True)
    paper.text((WIDTH_PX - _SIDE, 76.0), words, 30.0, INK, "rs")
    paper.line([(_SIDE, 96.0), (WIDTH_PX - _SIDE, 96.0)], INK, 2.0)
    paper.title_block(title, WIDTH_PX - _SIDE, HEIGHT_PX - 32.0, 640.0, 17.5)


def _cells_page(title: TitleBlock, cells: Sequence[ContactCell], total: int) -> Pixels8:
    paper = Paper(WIDTH_PX, HEIGHT_PX)
    words = f"{total} candidate{'s' if total != 1 else ''}, best first"
    _furnish(paper, title, words if total <= MOST_SHOWN else f"the best {MOST_SHOWN} of {total} candidates")
    for i, cell in enumerate(cells):
        _cell(paper, cell, *_place(i, total))
    notes = (
        "hold: how long the film hides the bridge, and over what rail; found: by viewers who look for it, until the "
        "hold asked for ends",
        "break: share of the bridge's visible outline that shows in a still frame; worst over the hold asked for",
    )
    paper.lines_of_text((_SIDE, HEIGHT_PX - 96.0), notes, 20.0, SOFT)
    return paper.picture()


def _place(i: int, total: int) -> tuple[int, int, int, int, float]:
    """Where the i-th cell of a page lies: left, top, width and height, px, and the size of its letters."""
    columns, rows = (3, 2) if total <= 6 else (4, 3)
    wide = (WIDTH_PX - 2 * _SIDE - (columns - 1) * _GAP) / columns
    high = (HEIGHT_PX - _TOP - _FOOT - (rows - 1) * _GAP) / rows
    left = _SIDE + (i % columns) * (wide + _GAP)
    top = _TOP + (i // columns) * (high + _GAP)
    return round(left), round(top), int(wide), int(high), 27.0 if columns == 3 else 20.0


def picture_box(rank: int, total: int, aspect: float) -> tuple[int, tuple[int, int, int, int]]:
    """The page, from 1, on which a candidate's picture lies, and its (left, top, right, bottom) there, px.

    ``aspect`` is the width of the lens view against its height. A few pixels of rim may belong to the cell.
    """
    page, i = divmod(rank - 1, _ON_A_PAGE)
    left, top, wide, high, size = _place(i, total)
    box_high = high - round(size * 4.9)
    share = min(wide / aspect, box_high)
    w, h = round(share * aspect), round(share)
    x = left + (wide - w) // 2
    return page + 1, (x, top, x + w, top + h)


def _cell(paper: Paper, cell: ContactCell, left: int, top: int, wide: int, high: int, size: float) -> None:
    caption = round(size * 4.9)
    box_high = high - caption
    picture = cell.picture
    if picture is not None:
        share = min(wide / picture.shape[1], box_high / picture.shape[0])
        shape = (max(1, round(picture.shape[1] * share)), max(1, round(picture.shape[0] * share)))
        small = np.asarray(Image.fromarray(picture).resize(shape, Image.Resampling.LANCZOS))
    else:
        small = np.full((min(box_high, round(wide * 9 / 16)), wide, 3), PAPER, dtype=np.uint8)
    if cell.reason:
        small = on_paper(small, 0.4)
    x = left + (wide - small.shape[1]) // 2
    paper.paste(small, (x, top))
    right, bottom = x + small.shape[1], top + small.shape[0]
    best = cell.rank == 1 and not cell.reason
    paper.rectangle((x, top, right, bottom), None, CHALK if best else INK, 5.0 if best else 1.6)
    if cell.reason:
        _reason(paper, cell.reason, (x, top, right, bottom), size)
    badge = size * 1.15
    at = (x + badge * 1.25, top + badge * 1.25)
    paper.circle(at, badge, PAPER, CHALK if best else INK, 3.0 if best else 1.8)
    paper.text(at, str(cell.rank), size * 1.15, CHALK if best else INK, "mm", bold=True)
    y = bottom + size * 0.45
    for words, bold in _caption(cell, size, wide):
        broken = bold and cell.hold_s == 0.0
        paper.text((left, y), words, size, SIGNAL if broken else INK, bold=bold)
        y += size * 1.38


def _caption(cell: ContactCell, size: float, wide: float) -> list[tuple[str, bool]]:
    facts = [f"{fact.name} {fact.text}" for fact in cell.facts]
    if cell.reason:
        head = "not judged"
    elif cell.hold is not None and cell.hold_s:
        head = f"holds {cell.hold_s:.1f} s, {both_text(cell.hold)} of rail"
    else:
        head = "does not hold"
    lines = [(fitted(head, size, wide, True), True)]
    # facts share lines as long as they fit, two lines at most
    rows: list[str] = []
    for fact in facts:
        if (rows and text_width(f"{rows[-1]}  {fact}", size) <= wide) or len(rows) == 2:
            rows[-1] = f"{rows[-1]}  {fact}"
        else:
            rows.append(fact)
    lines += [(fitted(row, size, wide), False) for row in rows]
    if not cell.reason:
        found, worst, reveal = (
            break_text(value, 0 if value is not None and value >= 10.0 else 1) if value is not None else "-"
            for value in (cell.found_hold_pct, cell.break_worst_pct, cell.break_reveal_pct)
        )
        words = f"found {found}  break worst {worst}  reveal {reveal}"
        if text_width(words, size) > wide:
            words = f"found {found}  worst {worst}  reveal {reveal}"
        lines.insert(1, (fitted(words, size, wide), False))
    return lines


def _reason(paper: Paper, reason: str, box: tuple[float, float, float, float], size: float) -> None:
    left, top, right, bottom = box
    paper.hatch([[(left, top), (right, top), (right, bottom), (left, bottom)]], mixed(INK, 0.45), 16.0, 1.2)
    lines = wrapped(reason, size, right - left - 6.0 * size, 5)
    width = max((text_width(line, size) for line in lines), default=0.0)
    height = len(lines) * size * 1.32
    x, y = 0.5 * (left + right - width), 0.5 * (top + bottom - height)
    paper.rectangle((x - size, y - size * 0.7, x + width + size, y + height + size * 0.5), PAPER, INK, 1.4)
    paper.lines_of_text((x, y), lines, size)


def _plan_page(title: TitleBlock, plan: CandidatePlan) -> Pixels8:
    paper = Paper(WIDTH_PX, HEIGHT_PX)
    wide = WIDTH_PX - 2 * _SIDE
    drawn = plan.drawn
    shown = [*drawn.elevation.bridge, *drawn.plan.bridge, *(view.rail for view in plan.views)]
    shown += [view.position[None] for view in plan.views]
    side, above = sheet_cameras(np.concatenate(shown), wide, HEIGHT_PX - _TOP - _FOOT - _GAP)
    for name, camera, top in (
        ("SIDE, from camera right", side, _TOP),
        ("PLAN, from above", above, _TOP + side.height_px + _GAP),
    ):
        panel = Panel(name, camera, _SIDE, top)
        view = drawn.view(camera is side)
        draw_wall(paper, panel, view, 2.6, 10.0, 1.2)
        paper.outlines([panel.points(ring) for ring in view.bridge], CHALK_WASH, CHALK, 3.2)
        panel.mask_outside(paper)
        paper.text((panel.inner[0] + 8.0, panel.inner[1] + 6.0), name, 22.0, INK, bold=True, plate=4.0)
        _stand(paper, panel, plan.views)
    title = replace(title, subject="Where the candidates stand")
    _furnish(paper, title, "positions numbered by rank, the best in blue")
    paper.scale_bar((_SIDE, HEIGHT_PX - 64.0), side.px_per_m, 420.0, 22.0)
    return paper.picture()


def _stand(paper: Paper, panel: Panel, views: Sequence[CandidateView]) -> None:
    for view in sorted(views, key=lambda v: v.rank)[_MOST_NUMBERED:]:
        paper.circle(panel.point(view.position), 2.5, mixed(INK, 0.4))
    views = sorted(views, key=lambda v: v.rank)[:_MOST_NUMBERED]
    room = LabelRoom((panel.inner[0], panel.inner[1] + 40.0, panel.inner[2], panel.inner[3]))
    reach = float(panel.camera.width_px + panel.camera.height_px)
    # the best drawn last, on top
    for view in sorted(views, key=lambda v: -v.rank):
        best = view.rank == 1
        at = panel.point(view.position)
        dx, dy = panel.direction(view.forward)
        line = panel.cut(at, (at[0] + dx * reach, at[1] + dy * reach))
        if line is not None:
            paper.dashed(line, CHALK if best else mixed(INK, 0.4), 2.2 if best else 1.1, (18.0, 8.0))
        rail = panel.points(view.rail)
        if len(rail) > 1:
            paper.line(rail, CHALK if best else mixed(INK, 0.4), 5.0 if best else 3.0)
    groups: list[tuple[tuple[float, float], list[int]]] = []
    for view in sorted(views, key=lambda v: v.rank):
        at = panel.point(view.position)
        near = next((g for g in groups if math.dist(g[0], at) < 12.0), None)
        if near is None:
            groups.append((at, [view.rank]))
            room.block((at[0] - 40.0, at[1] - 14.0, at[0] + 10.0, at[1] + 14.0))
        else:
            near[1].append(view.rank)
    for view in sorted(views, key=lambda v: -v.rank):
        draw_camera(paper, panel.point(view.position), panel.direction(view.forward), CHALK if view.rank == 1 else INK)
    for at, ranks in groups:
        words = ", ".join(str(rank) for rank in ranks[:8]) + (" ..." if len(ranks) > 8 else "")
        width = text_width(words, 24.0, True)
        left, top = room.find(at, (width, 30.0), 14.0, 260.0)
        end = (min(max(at[0], left), left + width), min(max(at[1], top), top + 28.0))
        if math.dist(at, end) > 30.0:
            paper.line([at, end], SOFT, 1.2)
        paper.text((left, top), words, 24.0, CHALK if 1 in ranks else INK, bold=True, plate=4.0)
