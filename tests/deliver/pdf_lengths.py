"""A printed sheet measured from outside: lines read back with pdfplumber, pixels with pypdfium2.

Neither library has anything to do with the one that writes the sheets. Places are millimetres from the paper's top
left corner. A point is 1/72 in (ISO 32000-1:2008, 8.3.2.3).
"""

from __future__ import annotations

import ctypes
import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import pdfplumber
import pypdfium2
from pypdfium2 import raw

MM = 25.4 / 72.0
TRUE_WITHIN_MM = 0.05


@contextmanager
def opened(data: bytes) -> Iterator[pdfplumber.PDF]:
    with pdfplumber.open(io.BytesIO(data)) as pdf:
        yield pdf


@dataclass(frozen=True)
class Stroke:
    """A straight line between its ends."""

    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def length(self) -> float:
        return float(np.hypot(self.x1 - self.x0, self.y1 - self.y0))

    @property
    def middle(self) -> tuple[float, float]:
        return (self.x0 + self.x1) / 2.0, (self.y0 + self.y1) / 2.0

    @property
    def level(self) -> bool:
        return abs(self.y1 - self.y0) < 1e-6

    @property
    def upright(self) -> bool:
        return abs(self.x1 - self.x0) < 1e-6


def strokes(page: pdfplumber.page.Page) -> list[Stroke]:
    """Every straight two-point line of a page."""
    out = []
    for line in page.lines:
        (x0, y0), (x1, y1) = line["pts"][0], line["pts"][-1]
        out.append(Stroke(x0 * MM, y0 * MM, x1 * MM, y1 * MM))
    return out


def outlines(page: pdfplumber.page.Page) -> list[np.ndarray]:
    """Every closed outline of a page, rectangles and others, as its corners (K, 2)."""
    found = [np.array(shape["pts"]) * MM for shape in [*page.curves, *page.rects]]
    return [points for points in found if len(points) >= 4]


def bar_faults(data: bytes) -> list[str]:
    """What is wrong with the bars: on every page one of 100 mm and one of 4 in, from end tick to end tick."""
    faults = []
    with opened(data) as pdf:
        for number, page in enumerate(pdf.pages, 1):
            lines = strokes(page)
            for wanted in (100.0, 4 * 25.4):
                if not any(_is_bar(base, lines, wanted) for base in lines):
                    faults.append(f"page {number}: no bar of {wanted} mm")
    return faults


def _is_bar(base: Stroke, lines: list[Stroke], wanted: float) -> bool:
    if not base.level or abs(base.length - wanted) > TRUE_WITHIN_MM:
        return False
    left, right = sorted((base.x0, base.x1))
    ticks = [s.x0 for s in lines if s.upright and abs(max(s.y0, s.y1) - base.y0) < 1e-3 and left - 1 < s.x0 < right + 1]
    return len(ticks) >= 5 and abs(max(ticks) - min(ticks) - wanted) <= TRUE_WITHIN_MM


def outline_faults(data: bytes, size: tuple[float, float], pages: int) -> list[str]:
    """What is wrong with a face that must stand in one piece, ``size`` mm large, on as many ``pages``."""
    with opened(data) as pdf:
        found = 0
        for page in pdf.pages:
            spans = [np.ptp(points, axis=0) for points in outlines(page)]
            found += any(np.abs(span - size).max() <= TRUE_WITHIN_MM for span in spans)
    return [] if found == pages else [f"{size[0]} x {size[1]} mm on {found} pages, not on {pages}"]


def crosses(page: pdfplumber.page.Page, arm: float = 2.5) -> list[tuple[float, float]]:
    """The middles of the register crosses of a page."""
    lines = [s for s in strokes(page) if abs(s.length - 2.0 * arm) < 0.02]
    out = []
    for a in lines:
        for b in lines:
            if a.level and b.upright and np.hypot(*np.subtract(a.middle, b.middle)) < 1e-3:
                out.append(a.middle)
    return sorted({(round(x, 6), round(y, 6)) for x, y in out})


def scaled(data: bytes, factor: float) -> bytes:
    """The same file as a printer driver would spoil it: everything on every page ``factor`` times as large."""
    pdf = pypdfium2.PdfDocument(data)
    for page in pdf:
        width, height = page.get_size()
        matrix = raw.FS_MATRIX(factor, 0.0, 0.0, factor, 0.0, 0.0)
        clip = raw.FS_RECTF(0.0, height * 2.0, width * 2.0, 0.0)
        assert raw.FPDFPage_TransFormWithClip(page, ctypes.byref(matrix), ctypes.byref(clip))
        page.close()
    out = io.BytesIO()
    pdf.save(out)
    pdf.close()
    return out.getvalue()


def rendered(data: bytes, page: int, dpi: float) -> np.ndarray:
    """A page (from 0) as grey pixels (h, w) uint8."""
    pdf = pypdfium2.PdfDocument(data)
    bitmap = pdf[page].render(scale=dpi / 72.0, grayscale=True, no_smoothpath=True)
    picture = np.array(bitmap.to_numpy()).reshape(bitmap.height, bitmap.stride)[:, : bitmap.width]
    pdf.close()
    return picture
