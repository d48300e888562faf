"""The blocks that the sheets of the rig card are put together from: tables with boxes to write in, and notes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from previz.deliver.rig.rigdata import CardTable, Notes
from previz.draw.paper import Point
from previz.draw.pdf import LEADING, Pen, fitted, wrapped
from previz.draw.style import INK, SIGNAL, SOFT

# room (mm) beside the words of a cell, and the heads of columns that are boxes to write in
PAD: Final = 0.9
BOX: Final = "measured"
BOXES: Final = (BOX, "done")


@dataclass(frozen=True, eq=False)
class Block:
    """Something that takes a height (mm) on a sheet, and is drawn from its top left corner."""

    height: float
    draw: Callable[[Pen, Point], None]


def _title(pen: Pen, at: Point, text: str, size: float, colour: tuple[int, int, int] = INK) -> None:
    pen.text((at[0], at[1] + size + 0.3), text.upper(), size * 0.95, colour, bold=True)


def _lines(cell: str, size: float, width: float) -> list[str]:
    """A cell's lines: as it is broken itself, each again where it is too wide."""
    return [line for part in cell.split("\n") for line in wrapped(part, size, width)]


def table_block(table: CardTable, width: float, size: float) -> Block:
    """A table with thin rules; words that are wider than their column are broken into lines."""
    columns = [share / sum(table.shares) * width for share in table.shares]
    lines = [
        [_lines(cell, size, wide - 2.0 * PAD) for cell, wide in zip(row, columns, strict=True)] for row in table.rows
    ]
    step = size * LEADING
    heights = [max(len(cell) for cell in row) * step + 1.5 for row in lines]
    head = size * 1.5 + step + 1.4

    def draw(pen: Pen, at: Point) -> None:
        _title(pen, at, table.title, size)
        y = at[1] + size * 1.5
        x = at[0]
        for name, wide in zip(table.heads, columns, strict=True):
            pen.text((x + PAD, y + 0.75 * step + 0.5), fitted(name, size * 0.8, wide - PAD), size * 0.8, SOFT)
            x += wide
        y += step + 0.6
        pen.line([(at[0], y), (at[0] + width, y)], INK, 0.25)
        for row, high in zip(lines, heights, strict=True):
            x = at[0]
            for k, (cell, wide) in enumerate(zip(row, columns, strict=True)):
                if table.heads[k] in BOXES:
                    pen.rectangle((x + PAD, y + 0.5, x + wide - PAD, y + high - 0.4), None, SOFT, 0.15)
                for i, text in enumerate(cell):
                    pen.text((x + PAD, y + 0.45 + size * 0.95 + i * step), text, size, bold=k == 0)
                x += wide
            y += high
            pen.line([(at[0], y), (at[0] + width, y)], SOFT, 0.1)

    return Block(head + sum(heights) + 2.6, draw)


def notes_block(notes: Notes, width: float, size: float) -> Block:
    """Sentences under a title, in text of a size (mm) over a width (mm)."""
    small = size * 0.94
    lines = [wrapped(text, small, width - 3.0) for text in notes.lines]
    step = small * LEADING
    heights = [len(text) * step + 0.5 for text in lines]
    head = size * 1.7 if notes.title else 0.0

    def draw(pen: Pen, at: Point) -> None:
        colour = SIGNAL if notes.warn else INK
        if notes.title:
            _title(pen, at, notes.title, size, colour)
        y = at[1] + head
        for text, high in zip(lines, heights, strict=True):
            pen.text((at[0], y + small), "!" if notes.warn else "·", small, colour, bold=True)
            for i, line in enumerate(text):
                pen.text((at[0] + 3.0, y + small + i * step), line, small)
            y += high

    return Block(head + sum(heights) + (2.2 if notes.title else 0.0), draw)
