"""The guide's key: where each face lies on the bridge, in what order it is painted, and on which sheet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from previz.deliver.paint.guidedata import GuideFace
from previz.draw.pdf import PageSize, PdfPage, Pen, fitted, text_width
from previz.draw.style import CHALK, INK, SOFT, Colour
from previz.geometry import Array

_VIEW_MM: Final = 78.0  # height of each of the two drawings
_HEAD_MM: Final = 5.0
_MARGIN_MM: Final = 9.0  # at either side of a drawing, for numbers that find no room on their face
_NUMBER: Final = 1.9
_STEP: Final = 2.5  # from number to number in the margin
_ROW: Final = 3.0
_COLUMN_MM: Final = 62.0
_ROLL_PAGE_MM: Final = 297.0
_FILL: Final[Colour] = (246, 245, 241)
# seen from above at this angle, and from so far to the right or left of the front (rad)
_UP: Final = np.radians(40.0)
_ASIDE: Final = np.radians(60.0)


@dataclass(frozen=True, eq=False)
class KeyFace:
    """A face of the key: its ``number`` in the order to paint, its name, and the ``sheets`` that show it."""

    number: int
    face: GuideFace
    sheets: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class _Seen:
    """A face as it is drawn: polygon (K, 2) mm, how far towards the viewer its middle lies, whether it gets its number
    here."""

    number: int
    polygon: Array
    near: float
    named: bool


def key_sheets(faces: Sequence[KeyFace], room: PageSize, roll: bool) -> list[PdfPage]:
    """The key on as few sheets as its table needs; none where no face's place is known."""
    placed = [key for key in faces if key.face.place is not None]
    if not placed:
        return []
    if roll:
        room = replace(room, height_mm=_ROLL_PAGE_MM, grows="")
    first = int((room.free_height_mm - 2.0 * (_VIEW_MM + _HEAD_MM)) // _ROW) - 1
    later = int(room.free_height_mm // _ROW) - 1
    rows = list(faces)
    # few faces get wide rows: a long one has many sheets
    columns = max(1, min(int(room.free_width_mm // _COLUMN_MM), -(-len(rows) // first)))
    wide = min(room.free_width_mm, 190.0) / columns
    pages: list[list[KeyFace]] = [rows[: first * columns]]
    for at in range(first * columns, len(rows), later * columns):
        pages.append(rows[at : at + later * columns])

    def drawn(number: int, listed: Sequence[KeyFace]) -> Callable[[Pen], None]:
        def on_paper(pen: Pen) -> None:
            pen.head("Where each face lies", "numbers are the order to paint them in: from the wall towards the camera")
            top = pen.room.top
            if number == 0:
                for aside, words in ((_ASIDE, "From the right"), (-_ASIDE, "From the left")):
                    pen.text((pen.room.left, top + 3.0), words, 2.4, bold=True)
                    _view(pen, placed, aside, top + _HEAD_MM)
                    top += _VIEW_MM + _HEAD_MM
            _table(pen, listed, top, first if number == 0 else later, wide)

        return on_paper

    return [PdfPage(room, "Key", drawn(number, listed)) for number, listed in enumerate(pages)]


def _axes(aside: float) -> Array:
    """Right, down and towards the viewer (3, 3), in the set's axes, of an orthographic view from above."""
    c, s, cu, su = np.cos(aside), np.sin(aside), np.cos(_UP), np.sin(_UP)
    return np.array([[c, 0.0, -s], [su * s, -cu, su * c], [cu * s, su, cu * c]])


def _seen(faces: Sequence[KeyFace], aside: float) -> list[_Seen]:
    """The faces that look towards the viewer, farthest first; each gets its number in the view that it looks to."""
    axes, other = _axes(aside), _axes(-aside)
    out = []
    for key in faces:
        facing = np.asarray(key.face.facing)
        towards, there = float(axes[2] @ facing), float(other[2] @ facing)
        if towards <= 0.05:
            continue
        flat = np.asarray(key.face.place) @ axes.T
        named = towards > there + 1e-6 or (abs(towards - there) <= 1e-6 and aside > 0.0)
        out.append(_Seen(key.number, flat[:, :2] * 1e3, float(flat[:, 2].mean()), named))
    return sorted(out, key=lambda seen: (seen.near, seen.number))


def _view(pen: Pen, faces: Sequence[KeyFace], aside: float, top: float) -> None:
    seen = _seen(faces, aside)
    if not seen:
        return
    every = np.concatenate([one.polygon for one in seen])
    low, high = every.min(axis=0), every.max(axis=0)
    wide = min(pen.room.free_width_mm, 190.0)
    scale = min((wide - 2.0 * _MARGIN_MM) / (high[0] - low[0]), (_VIEW_MM - 4.0) / (high[1] - low[1]))
    left = pen.room.left + (wide - scale * (high[0] - low[0])) / 2.0
    drawn = [(one, (one.polygon - low) * scale + (left, top)) for one in seen]
    for _, polygon in drawn:
        pen.polygon(polygon, _FILL, CHALK, 0.12)
    outside = []
    for one, polygon in drawn:
        if not one.named:
            continue
        middle = (polygon.min(axis=0) + polygon.max(axis=0)) / 2.0
        room = np.ptp(polygon, axis=0)
        if _area(polygon) > 1.6 * text_width(str(one.number), _NUMBER) * _NUMBER and min(room) > 1.3 * _NUMBER:
            pen.text((middle[0], middle[1] + 0.36 * _NUMBER), str(one.number), _NUMBER, INK, "m", bold=True)
        else:
            outside.append((one.number, middle))
    _beside(pen, outside, left, left + scale * (high[0] - low[0]), top)


def _area(polygon: Array) -> float:
    x, y = polygon.T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def _beside(pen: Pen, outside: Sequence[tuple[int, Array]], left: float, right: float, top: float) -> None:
    """Numbers in the margins, each with a line to its face, none over another."""
    half = (left + right) / 2.0
    for at_left in (True, False):
        mine = sorted(((n, m) for n, m in outside if (m[0] < half) == at_left), key=lambda item: (item[1][1], item[0]))
        y = top
        # as near to its face as those above it leave room, and never below the drawing
        for k, (number, middle) in enumerate(mine):
            y = max(y, min(float(middle[1]), top + _VIEW_MM - _STEP * (len(mine) - k)))
            x = left - 5.0 if at_left else right + 5.0
            pen.line(np.array([middle, (x + (0.6 if at_left else -0.6), y)]), SOFT, 0.08)
            pen.circle((float(middle[0]), float(middle[1])), 0.22, INK, 0.05, fill=True)
            pen.text((x, y + 0.36 * _NUMBER), str(number), _NUMBER, INK, "r" if at_left else "l", bold=True)
            y += _STEP


def _table(pen: Pen, faces: Sequence[KeyFace], top: float, deep: int, wide: float) -> None:
    """Number, name, size and sheets of each face, in columns ``deep`` rows deep and ``wide`` mm wide."""
    for k, key in enumerate(faces):
        x = pen.room.left + (k // deep) * wide
        y = top + (k % deep + 1) * _ROW
        size = f"{key.face.size[0] * 1e3:.1f} × {key.face.size[1] * 1e3:.1f} mm"
        pen.text((x + 5.0, y), str(key.number), 2.0, INK, "r", bold=True)
        pen.text((x + 6.5, y), fitted(key.face.name, 2.0, 19.0), 2.0)
        pen.text((x + 26.0, y), fitted(size, 2.0, 22.0), 2.0, SOFT)
        sheets = "sheet " + ", ".join(str(number) for number in key.sheets) if key.sheets else "-"
        pen.text((x + 48.5, y), fitted(sheets, 2.0, wide - 49.0), 2.0)

