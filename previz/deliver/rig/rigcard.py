"""``rig.pdf``: the shot card, and the plan, elevation and details that go with it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

from previz.deliver.rig.cardblocks import BOX, PAD, Block, notes_block, table_block
from previz.deliver.rig.lampsheet import lamp_sheet
from previz.deliver.rig.rigdata import CardTable, Measure, RigCard, Setting
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

__all__ = ["rig_pdf"]

_GAP: Final = 4.0
# text sizes (mm) tried in turn until the card fits one page; where none does it goes on on another, at the last but one
_SIZES: Final = (2.7, 2.55, 2.4, 2.25, 2.1, 1.95)
_FLOWING: Final = 2.1
_ROWS: Final = 10  # of a long table that stay together


def rig_pdf(card: RigCard, paper: PaperName) -> bytes:
    """The card and its drawings as PDF on A4 or US Letter. Same input, same bytes.

    The card is one page where its words fit at a size that can be read, else it goes on on another.
    """
    upright, lying = page_sizes(paper)
    sheets = _card_sheets(card, upright)
    if card.lamps is not None:
        sheets.append(lamp_sheet(card.lamps, upright))
    room = best_room(card.drawing, (lying, upright))
    sheets += [plan_sheet(card, room), elevation_sheet(card, room), detail_sheet(card, lying)]
    return pdf_bytes(sheets, card.title_block, f"{card.title_block.scene}: rig")


def _card_sheets(card: RigCard, room: PageSize) -> list[PdfPage]:
    free = room.free_height_mm - 1.0
    for size in _SIZES:
        blocks = _blocks(card, room.free_width_mm, size)
        if sum(block.height for block in blocks) <= free and not _cut_off(card, room.free_width_mm, size):
            break
    else:
        blocks = _flowing(card, room.free_width_mm)
    pages: list[list[tuple[Block, float]]] = [[]]
    y = 0.0
    for block in blocks:
        if pages[-1] and y + block.height > free:
            pages.append([])
            y = 0.0
        pages[-1].append((block, y))
        y += block.height

    def drawn(page: list[tuple[Block, float]], more: str) -> Callable[[Pen], None]:
        def on_paper(pen: Pen) -> None:
            pen.head("Shot card", more)
            for block, top in page:
                block.draw(pen, (room.left, room.top + top))

        return on_paper

    words = "lengths from the entrance pupil, not the sensor; write what was measured into the boxes"
    return [
        PdfPage(room, "shot card", drawn(page, words if number == 0 else "continued"), "-")
        for number, page in enumerate(pages)
    ]


def _blocks(card: RigCard, width: float, size: float) -> list[Block]:
    half = 0.5 * (width - _GAP)
    places = table_block(_place_table(card.places), half, size)
    marks = table_block(card.marks, half, size)
    blocks = [_settings(card.settings, width), _beside(places, marks, half + _GAP)]
    for table in card.tables:
        blocks.append(table_block(table, width, size))
    plain = [notes_block(notes, half, size) for notes in card.notes if notes.lines and not notes.warn]
    blocks += _in_columns(plain, half)
    blocks += [notes_block(notes, width, size) for notes in card.notes if notes.lines and notes.warn]
    return blocks


def _flowing(card: RigCard, width: float) -> list[Block]:
    """The same for more than one page: tables by tens of rows, notes sentence by sentence."""
    half, size = 0.5 * (width - _GAP), _FLOWING
    places, marks = table_block(_place_table(card.places), half, size), table_block(card.marks, half, size)
    blocks = [_settings(card.settings, width), _beside(places, marks, half + _GAP)]
    for table in card.tables:
        for first in range(0, len(table.rows), _ROWS):
            blocks.append(table_block(replace(table, rows=table.rows[first : first + _ROWS]), width, size))
    for notes in card.notes:
        for k, line in enumerate(notes.lines):
            blocks.append(notes_block(replace(notes, title=notes.title if k == 0 else "", lines=(line,)), width, size))
    return blocks


def _cut_off(card: RigCard, width: float, size: float) -> bool:
    """Whether some word of a table is wider than its column."""
    half = 0.5 * (width - _GAP)
    for table, wide in ((_place_table(card.places), half), (card.marks, half), *((t, width) for t in card.tables)):
        for row in table.rows:
            for cell, share in zip(row, table.shares, strict=True):
                room = share / sum(table.shares) * wide - 2.0 * PAD
                if any(text_width(word, size, True) > room for word in cell.replace("\n", " ").split(" ")):
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


def _beside(left: Block, right: Block, step: float) -> Block:
    def draw(pen: Pen, at: Point) -> None:
        left.draw(pen, at)
        right.draw(pen, (at[0] + step, at[1]))

    return Block(max(left.height, right.height), draw)


def _settings(settings: Sequence[Setting], width: float) -> Block:
    """The row of large boxes; each as wide as its words ask, what is left shared out."""
    high, value_size = 16.5, 5.2
    needs = [
        max(text_width(s.value, value_size, True), text_width(s.more, 1.9), text_width(s.name.upper(), 1.7)) + 3.6
        for s in settings
    ]
    factor = min(1.0, width / sum(needs))
    spare = max(width - sum(needs), 0.0) / len(settings)

    def draw(pen: Pen, at: Point) -> None:
        x = at[0]
        for s, need in zip(settings, needs, strict=True):
            wide = need * factor + spare
            pen.rectangle((x, at[1], x + wide, at[1] + high - 2.5), None, INK, 0.3)
            pen.text((x + 1.5, at[1] + 2.9), s.name.upper(), 1.7, SOFT)
            size = value_size * factor
            pen.text((x + 1.5, at[1] + 8.6), s.value, size, bold=True)
            pen.text((x + 1.5, at[1] + 12.2), fitted(s.more, 1.9, wide - 2.5), 1.9, SOFT)
            x += wide

    return Block(high, draw)


def _place_table(places: Sequence[Measure]) -> CardTable:
    rows = tuple((m.name, m.metric, m.imperial, "") for m in places)
    heads, shares = ("", "set to", "", BOX), (0.35, 0.20, 0.22, 0.23)
    return CardTable("camera at the station point", heads, rows, shares)


