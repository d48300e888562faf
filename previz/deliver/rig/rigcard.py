"""``rig.pdf``: the shot card, and the plan, elevation and details that go with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Final

from previz.deliver.rig.cardblocks import PAD, Block, notes_block, table_block
from previz.deliver.rig.lampsheet import lamp_sheet
from previz.deliver.rig.railruler import ruler_sheets
from previz.deliver.rig.rigdata import CardTable, Notes, RigCard, Setting
from previz.deliver.rig.rigdetail import detail_sheet
from previz.deliver.rig.rigdrawing import best_room, elevation_sheet, plan_sheet
from previz.draw.paper import Point
from previz.draw.pdf import (
    PageSize,
    PaperName,
    PdfPage,
    Pen,
    fitted,
    page_sizes,
    pdf_bytes,
    text_width,
)
from previz.draw.style import INK, SOFT

__all__ = ["SET_MM", "rig_pdf"]

_GAP: Final = 4.0
# text sizes, mm: of what is set and checked on set, 9 pt and read at arm's length, and of notes. A table whose words
# are wider than its columns takes the next smaller one; a point is 1/72 in
SET_MM: Final = 9.0 * 25.4 / 72.0
_SMALLER: Final = (SET_MM, 2.9, 2.6, 2.3, 2.1, 1.95)
_NOTES_MM: Final = 2.6
_ROWS: Final = 10  # of a long table that stay together


def rig_pdf(card: RigCard, paper: PaperName) -> bytes:
    """The card and its drawings as PDF on A4 or US Letter. Same input, same bytes.

    First what is set on the day and in what order, in letters to be read at arm's length; then notes, the drawings, the
    support and the rail as a ruler at true size.
    """
    upright, lying = page_sizes(paper)
    sheets = _card_sheets(card, upright)
    if card.lamps is not None:
        sheets.append(lamp_sheet(card.lamps, upright))
    room = best_room(card.drawing, (lying, upright))
    sheets += [plan_sheet(card, room), elevation_sheet(card, room), detail_sheet(card, lying)]
    sheets += ruler_sheets(card, lying)
    return pdf_bytes(sheets, card.title_block, f"{card.title_block.scene}: rig")


def _card_sheets(card: RigCard, room: PageSize) -> list[PdfPage]:
    free, width = room.free_height_mm - 1.0, room.free_width_mm
    pages: list[list[tuple[Block, float]]] = []
    y = free

    def put(blocks: Sequence[Block], together: bool = False) -> None:
        nonlocal y
        needed = sum(block.height for block in blocks) if together else 0.0
        for k, block in enumerate(blocks):
            if not pages or y + (needed if k == 0 and together and needed <= free else block.height) > free:
                pages.append([])
                y = 0.0
            pages[-1].append((block, y))
            y += block.height

    put([_settings(card.settings, width)])
    for table in card.day:
        put(_table_blocks(table, width), True)
    if card.order is not None:
        put(_table_blocks(card.order, width), True)
    for table in card.tables:
        put(_table_blocks(table, width), True)
    half = 0.5 * (width - _GAP)
    plain = [notes for notes in card.notes if notes.lines and not notes.warn]
    columns = _in_columns([notes_block(notes, half, _NOTES_MM) for notes in plain], half)
    if sum(block.height for block in columns) <= free:
        put(columns)
    else:
        for notes in plain:
            put(_note_blocks(notes, width))
    for notes in card.notes:
        if notes.warn:
            put(_note_blocks(notes, width))
    words = "lengths from the entrance pupil unless they say sensor mark; write what was measured into the boxes"
    return [
        PdfPage(room, "shot card", partial(_card_page, page, room, words if number == 0 else "continued"), "-")
        for number, page in enumerate(pages)
    ]


def _card_page(page: Sequence[tuple[Block, float]], room: PageSize, more: str, pen: Pen) -> None:
    pen.head("Shot card", more)
    for block, top in page:
        block.draw(pen, (room.left, room.top + top))


def _table_blocks(table: CardTable, width: float) -> list[Block]:
    """A table by tens of rows, at the largest size at which no word is cut off."""
    size = next((size for size in _SMALLER if not _cut_off(table, width, size)), _SMALLER[-1])
    return [
        table_block(replace(table, rows=table.rows[first : first + _ROWS]), width, size)
        for first in range(0, max(len(table.rows), 1), _ROWS)
    ]


def _note_blocks(notes: Notes, width: float) -> list[Block]:
    return [
        notes_block(replace(notes, title=notes.title if k == 0 else "", lines=(line,)), width, _NOTES_MM)
        for k, line in enumerate(notes.lines)
    ]


def _cut_off(table: CardTable, width: float, size: float) -> bool:
    """Whether some word of a table is wider than its column."""
    for row in table.rows:
        for k, (cell, share) in enumerate(zip(row, table.shares, strict=True)):
            room = share / sum(table.shares) * width - 2.0 * PAD
            if any(text_width(word, size, k == 0) > room for word in cell.replace("\n", " ").split(" ")):
                return True
    return False


def _in_columns(notes: Sequence[Block], half: float) -> list[Block]:
    """Notes in two columns, in order, broken where the columns come out most alike."""
    if not notes:
        return []
    heights = [block.height for block in notes]
    cut = min(range(len(notes) + 1), key=lambda k: (max(sum(heights[:k]), sum(heights[k:])), k))

    def draw(pen: Pen, at: Point) -> None:
        for column, blocks in enumerate((notes[:cut], notes[cut:])):
            y = at[1]
            for block in blocks:
                block.draw(pen, (at[0] + column * (half + _GAP), y))
                y += block.height

    return [Block(max(sum(heights[:cut]), sum(heights[cut:])), draw)]


def _settings(settings: Sequence[Setting], width: float) -> Block:
    """The row of large boxes; each as wide as its words ask, what is left shared out."""
    high, value_size = 16.5, 5.2
    needs = [
        max(text_width(s.value, value_size, True), text_width(s.more, 2.3), text_width(s.name.upper(), 2.0)) + 3.6
        for s in settings
    ]
    factor = min(1.0, width / sum(needs))
    spare = max(width - sum(needs), 0.0) / len(settings)

    def draw(pen: Pen, at: Point) -> None:
        x = at[0]
        for s, need in zip(settings, needs, strict=True):
            wide = need * factor + spare
            pen.rectangle((x, at[1], x + wide, at[1] + high - 2.5), None, INK, 0.3)
            pen.text((x + 1.5, at[1] + 2.9), s.name.upper(), 2.0, SOFT)
            size = value_size * factor
            pen.text((x + 1.5, at[1] + 8.6), s.value, size, bold=True)
            pen.text((x + 1.5, at[1] + 12.2), fitted(s.more, 2.3, wide - 2.5), 2.3, SOFT)
            x += wide

    return Block(high, draw)
