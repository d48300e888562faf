"""Marker sheets at true size: a page of words and a page of drawings that say where they go, then a page a sheet."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from shapely import box as rectangle
from shapely.ops import unary_union

from previz.deliver.lineup.markerplan import plan_page
from previz.draw.drawnset import DrawnSet
from previz.draw.paper import TitleBlock
from previz.draw.pdf import PageSize, PdfPage, Pen, both_mm, page_sizes, pdf_bytes, text_width, wrapped
from previz.draw.style import CHALK, INK, SOFT
from previz.lineup.markers import MarkerSheet
from previz.units import deg_text
from previz.workshop.photographs.family import MODULES, modules

_WHITE: Final = (255, 255, 255)
_BLACK: Final = (0, 0, 0)

_FACES: Final = {
    "left": "flat on the wall",
    "right": "flat on the wall",
    "floor": "lying level, upper edge to the wall",
    "card": "on an upright card",
}

_STEPS: Final = (
    "Print at 100 % on matt white paper and check both bars on every sheet with a ruler. Glue each sheet flat on stiff "
    "card: a sheet that bows tells a wrong place.",
    "Fix each sheet so that its middle cross lies where the table and the drawing on the next sheet say. Places count "
    "from the middle of the bridge's top at the wall: to camera right, up, and out of the wall. Measure to the cross, "
    "not to the paper's edge.",
    "Keep the sheets off the bridge and its outline. Show two or more of them, one much nearer to the lens than the "
    "other: only depth tells distance from focal length.",
    "Light them evenly, without shine, sharp and not burnt out; nothing may lie over a marker or its white rim.",
    "Photograph them with the lens, focus and zoom of the shot, at the full size that the camera gives. Then previz "
    "lineup says where the camera is.",
    "Take the sheets that stand in the picture away before the take; fix them on pins or magnets so that they go back "
    "to the same place. Those outside the delivered picture may stay, so that a knock is noticed at once.",
)


def marker_pdf(
    sheets: Sequence[MarkerSheet],
    in_picture: dict[str, str],
    plan: DrawnSet,
    paper: str,
    block: TitleBlock,
    title: str,
) -> bytes:
    """The PDF of marker sheets: what to do, where they go, then the sheets themselves.

    ``in_picture`` says of every sheet by name whether the shot's picture shows it.
    """
    upright, _ = page_sizes("letter" if paper == "letter" else "a4")
    pages = [PdfPage(upright, "where the marker sheets go", _placing(sheets, in_picture, upright), "-")]
    pages.append(plan_page(plan, sheets, upright))
    pages += [PdfPage(upright, f"marker sheet {sheet.name}", _page(sheet, upright)) for sheet in sheets]
    return pdf_bytes(pages, block, title)


def _placing(sheets: Sequence[MarkerSheet], in_picture: dict[str, str], room: PageSize):  # type: ignore[no-untyped-def]
    def draw(pen: Pen) -> None:
        pen.head("Where the marker sheets go", "places of the middle crosses")
        y = room.top + 4.0
        for sheet in sheets:
            pen.text((room.left, y + 4.0), f"Sheet {sheet.name}", 4.0, CHALK, bold=True)
            numbers = f"markers {sheet.numbers[0]} to {sheet.numbers[-1]}, {both_mm(sheet.side * 1e3)} a side"
            pen.text((room.left + 40.0, y + 4.0), numbers, 2.6, SOFT)
            y += 9.0
            for value, way in ways(sheet.middle):
                pen.text((room.left + 4.0, y), way, 3.0)
                pen.text((room.left + 44.0, y), both_mm(value * 1e3), 3.0, bold=True)
                y += 4.6
            way = _FACES[sheet.name]
            turn = _turn(sheet)
            if abs(turn) > 1e-6:
                way += f", turned {deg_text(abs(turn))} to camera {'right' if turn > 0 else 'left'}"
            for line in (way, in_picture.get(sheet.name, "")):
                if line:
                    pen.text((room.left + 4.0, y), line, 2.6)
                    y += 4.0
            y += 4.0
        for number, step in enumerate(_STEPS, 1):
            pen.text((room.left, y + 2.8), f"{number}", 2.8, bold=True)
            y += pen.block_of_text((room.left + 6.0, y), wrapped(step, 2.8, room.free_width_mm - 6.0), 2.8) + 2.0

    return draw


def ways(place: ArrayLike) -> list[tuple[float, str]]:
    """A place (3,) m as three lengths without a sign, each with the way it is measured."""
    names = (("to camera right", "to camera left"), ("up", "down"), ("out of the wall", "into the wall"))
    return [(abs(v), name[v < 0.0]) for v, name in zip(np.asarray(place).tolist(), names, strict=True)]


def _turn(sheet: MarkerSheet) -> float:
    right = sheet.world_from_sheet[:3, 0]
    return float(np.arctan2(-right[2], right[0]))


def _page(sheet: MarkerSheet, room: PageSize):  # type: ignore[no-untyped-def]
    def draw(pen: Pen) -> None:
        where = ", ".join(f"{value * 1e3:.1f} mm {way}" for value, way in ways(sheet.middle))
        words = f"cross {where}; {_FACES[sheet.name]}"
        pen.head(f"Marker sheet {sheet.name}", words)
        middle = (room.left + 0.5 * room.free_width_mm, room.top + 0.5 * room.free_height_mm)
        side = sheet.side * 1e3
        for number, (right, up) in zip(sheet.numbers, sheet.at * 1e3, strict=True):
            left, top = middle[0] + right - 0.5 * side, middle[1] - up - 0.5 * side
            _marker(pen, number, left, top, side)
            size = min(2.2, 0.07 * side)
            label = (left + 0.5 * side, top + side * (1.0 + 1.0 / MODULES) + size)
            pen.text(label, f"{number}", size, SOFT, anchor="m")
        arm = 0.035 * side
        pen.circle(middle, 0.6 * arm, INK, 0.12)
        pen.cross(middle, arm)
        name = f"up, sheet {sheet.name}"
        pen.text((middle[0] - 0.5 * text_width(name, 2.6), room.top + 2.6), name, 2.6, INK, bold=True)

    return draw


def _marker(pen: Pen, number: int, left: float, top: float, side: float) -> None:
    """A marker as a black square with white areas in it, each in one piece: no seams between modules."""
    m = side / MODULES
    black = modules(number)
    pen.rectangle((left, top, left + side, top + side), _BLACK)
    cells = [
        rectangle(left + c * m, top + r * m, left + (c + 1) * m, top + (r + 1) * m)
        for r, c in np.argwhere(~black).tolist()
    ]
    white = unary_union(cells)
    for area in getattr(white, "geoms", [white]):
        pen.polygon(np.asarray(area.exterior.coords)[:-1], _WHITE)
        for hole in area.interiors:
            pen.polygon(np.asarray(hole.coords)[:-1], _BLACK)
