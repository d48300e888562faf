"""Labels that a line goes through, found from outside: PDF pages read by pdfminer.six, sheets by what Pillow is told.

A line counts where it passes through the box of a label's letters, unless something opaque was laid over it between the
line and the letters, as one who rubs out the line before writing does. What is clipped away does not count.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from unittest.mock import patch

import numpy as np
import shapely
from pdfminer.converter import PDFLayoutAnalyzer
from pdfminer.layout import LTChar
from pdfminer.pdfinterp import PDFPageInterpreter, PDFResourceManager
from pdfminer.pdfpage import PDFPage

from previz.draw import paper as sheets

MM = 25.4 / 72.0

# DejaVu Sans Mono: how far letters reach over and under the line that they stand on, against their size (its own
# metrics: capitals 0.729, descenders -0.236); a hair less, for a line may touch what it underlines
OVER, UNDER = 0.66, 0.02
DEEP, DEEPER = frozenset("gjpqy,;()/|[]"), 0.16
# a line through a corner, or along an edge, by less than this part of a letter's size is no crossing
LEAST = 0.12


@dataclass(frozen=True)
class Laid:
    """Something laid on a sheet, in order: a ``line``, an opaque ``fill``, or ``words`` with their box."""

    kind: str
    shape: Any
    words: str = ""
    size: float = 0.0
    group: int = 0


@dataclass(frozen=True)
class Struck:
    """A label with a line through it, or with another label over it."""

    where: str
    words: str
    by: str

    def __str__(self) -> str:
        return f"{self.where}: {self.words!r} {self.by}"


def struck(laid: Sequence[Laid], where: str) -> list[Struck]:
    """The labels of a sheet that are crossed."""
    words = [(k, each) for k, each in enumerate(laid) if each.kind == "words"]
    lines = [(k, each) for k, each in enumerate(laid) if each.kind == "line"]
    fills = [(k, each) for k, each in enumerate(laid) if each.kind == "fill"]
    if not words:
        return []
    line_tree = shapely.STRtree([each.shape for _, each in lines])
    fill_tree = shapely.STRtree([each.shape for _, each in fills])
    word_tree = shapely.STRtree([each.shape for _, each in words])
    out = []
    for number, (at, label) in enumerate(words):
        box = label.shape
        for hit in sorted(line_tree.query(box, predicate="intersects").tolist()):
            when, line = lines[hit]
            through = line.shape.intersection(box)
            over = [fills[k] for k in fill_tree.query(box, predicate="intersects").tolist()]
            for laid_at, fill in over:
                if when < laid_at < at:
                    through = through.difference(fill.shape.buffer(1e-3 * label.size))
            if through.length > LEAST * label.size:
                out.append(Struck(where, label.words, "struck through"))
                break
        for other in sorted(word_tree.query(box, predicate="intersects").tolist()):
            if other > number and words[other][1].shape.intersection(box).area > 0.05 * box.area:
                out.append(Struck(where, label.words, f"under {words[other][1].words!r}"))
    return out


# ---- PDF


@dataclass
class _Device(PDFLayoutAnalyzer):
    """Notes what is drawn, in order, in points."""

    rsrcmgr: Any
    laid: list[Laid] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(self.rsrcmgr, laparams=None)
        self.clip: Any = None
        self.strings = 0

    def render_string(self, *given: Any, **named: Any) -> None:
        self.strings += 1
        super().render_string(*given, **named)

    def paint_path(self, gstate: Any, stroke: bool, fill: bool, evenodd: bool, path: Sequence[Any]) -> None:
        rings = [np.array(ring) for ring in _flat(path, self.ctm)]
        if fill:
            area: Any = shapely.Polygon()
            for ring in rings:
                if len(ring) > 2:
                    area = shapely.symmetric_difference(area, shapely.make_valid(shapely.Polygon(ring)))
            self._add("fill", area)
        if stroke:
            for ring in rings:
                if len(ring) > 1 and np.ptp(ring, axis=0).max() > 0.0:
                    self._add("line", shapely.LineString(ring))

    def _add(self, kind: str, shape: Any) -> None:
        if self.clip is not None:
            shape = shape.intersection(self.clip)
        if not shape.is_empty:
            self.laid.append(Laid(kind, shape))

    def render_char(self, matrix: Any, font: Any, fontsize: float, *rest: Any) -> float:
        width = super().render_char(matrix, font, fontsize, *rest)
        item = self.cur_item._objs[-1]
        if isinstance(item, LTChar) and item.get_text().strip():
            a, b, c, d, e, f = item.matrix
            text = item.get_text()
            low = -(DEEPER if text in DEEP else UNDER) * fontsize
            flat = [(0.0, low), (item.adv, low), (item.adv, OVER * fontsize), (0.0, OVER * fontsize)]
            quad = shapely.Polygon([(a * x + c * y + e, b * x + d * y + f) for x, y in flat])
            shown = quad if self.clip is None else quad.intersection(self.clip)
            if shown.area > 0.0:
                self.laid.append(Laid("words", shown, text, fontsize, self.strings))
        return float(width)


class _Interpreter(PDFPageInterpreter):
    """Keeps the clip that pdfminer does not."""

    def do_q(self) -> None:
        super().do_q()
        self.__dict__.setdefault("clips", []).append(self.device.clip)

    def do_Q(self) -> None:  # noqa: N802
        super().do_Q()
        self.device.clip = self.clips.pop()

    def do_W_a(self) -> None:  # noqa: N802
        area: Any = shapely.Polygon()
        for ring in _flat(self.curpath, self.device.ctm):
            if len(ring) > 2:
                area = shapely.symmetric_difference(area, shapely.make_valid(shapely.Polygon(ring)))
        clip = self.device.clip
        self.device.clip = area if clip is None else area.intersection(clip)

    def do_W(self) -> None:  # noqa: N802
        self.do_W_a()


def _flat(path: Sequence[Any], matrix: Sequence[float]) -> Iterator[list[tuple[float, float]]]:
    """The polylines of a path, its curves as eight pieces each (Bezier's formula)."""
    a, b, c, d, e, f = matrix
    ring: list[tuple[float, float]] = []

    def put(x: float, y: float) -> None:
        ring.append((a * x + c * y + e, b * x + d * y + f))

    last = (0.0, 0.0)
    for op, *values in path:
        points = [(float(values[k]), float(values[k + 1])) for k in range(0, len(values), 2)]
        if op == "m" and ring:
            yield ring
            ring = []
        if op == "h":
            if ring:
                ring.append(ring[0])
            continue
        if op == "c":
            for t in np.linspace(0.125, 1.0, 8).tolist():
                weights = ((1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3)
                every = [last, *points]
                put(*(sum(w * p[k] for w, p in zip(weights, every, strict=True)) for k in (0, 1)))
        else:
            put(*points[-1])
        last = points[-1]
    if ring:
        yield ring


def struck_in_pdf(data: bytes, name: str) -> list[Struck]:
    """The crossed labels of a PDF, page by page."""
    out = []
    manager = PDFResourceManager()
    for number, page in enumerate(PDFPage.get_pages(io.BytesIO(data)), 1):
        device = _Device(manager)
        _Interpreter(manager, device).process_page(page)
        out += struck(_joined(device.laid), f"{name}, page {number}")
    return out


def _joined(laid: Sequence[Laid]) -> list[Laid]:
    """The letters that are written in one go as one label."""
    out: list[Laid] = []
    for each in laid:
        last = out[-1] if out else None
        if each.kind == "words" and last is not None and last.kind == "words" and last.group == each.group:
            whole = shapely.union(last.shape, each.shape).convex_hull
            out[-1] = Laid("words", whole, last.words + each.words, each.size, each.group)
        else:
            out.append(each)
    return out


# ---- sheets drawn by Paper


@contextmanager
def watched() -> Iterator[list[tuple[list[Laid], sheets.Paper]]]:
    """Notes what is laid on every :class:`Paper` that gives its picture, in order, px of the sheet."""
    done: list[tuple[list[Laid], sheets.Paper]] = []
    of: dict[int, list[Laid]] = {}
    keep: list[Any] = []
    real = {name: getattr(sheets.Paper, name) for name in ("line", "polygon", "circle", "hatch", "_letters", "paste",
                                                          "picture", "copy", "__init__")}  # fmt: skip

    def laid(paper: Any) -> list[Laid]:
        keep.append(paper)
        return of.setdefault(id(paper), [])

    def line(self: Any, points: Any, *rest: Any, **named: Any) -> None:
        p = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        if len(p) > 1 and np.ptp(p, axis=0).max() > 0.0:
            laid(self).append(Laid("line", shapely.LineString(p)))
        real["line"](self, points, *rest, **named)

    def polygon(self: Any, points: Any, fill: Any, *rest: Any, **named: Any) -> None:
        p = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        if fill is not None and len(p) > 2:
            laid(self).append(Laid("fill", shapely.make_valid(shapely.Polygon(p))))
        real["polygon"](self, points, fill, *rest, **named)

    def circle(self: Any, at: Any, radius: float, fill: Any, outline: Any = None, *rest: Any, **named: Any) -> None:
        disc = shapely.Point(at).buffer(radius)
        if fill is not None:
            laid(self).append(Laid("fill", disc))
        if outline is not None:
            laid(self).append(Laid("line", disc.exterior))
        real["circle"](self, at, radius, fill, outline, *rest, **named)

    def hatch(self: Any, rings: Any, *rest: Any, **named: Any) -> None:
        spacing = named.get("spacing", rest[1] if len(rest) > 1 else 7.0)
        area: Any = shapely.Polygon()
        for ring in rings:
            area = shapely.symmetric_difference(area, shapely.make_valid(shapely.Polygon(np.asarray(ring))))
        if not area.is_empty:
            low_x, low_y, high_x, high_y = area.bounds
            step = spacing * math.sqrt(2.0)
            rows = np.arange(low_x + low_y, high_x + high_y, step)
            lines = [[(s - low_y, low_y), (s - high_y, high_y)] for s in rows.tolist()]
            cut = shapely.intersection(shapely.MultiLineString(lines), area)
            if not cut.is_empty:
                laid(self).append(Laid("line", cut))
        real["hatch"](self, rings, *rest, **named)

    def letters(self: Any, at: Any, text: str, size: float, colour: Any, anchor: str, bold: bool, halo: float) -> Any:
        box = real["_letters"](self, at, text, size, colour, anchor, bold, halo)
        if text.strip():
            left, top, right, bottom = box
            grow = halo
            inner = shapely.box(left + grow, top + grow, right - grow, bottom - grow)
            laid(self).append(Laid("words", inner, text, size))
        return box

    def paste(self: Any, picture: Any, at: tuple[int, int]) -> None:
        h, w = np.asarray(picture).shape[:2]
        laid(self).append(Laid("fill", shapely.box(at[0], at[1], at[0] + w, at[1] + h)))
        real["paste"](self, picture, at)

    def copy(self: Any) -> Any:
        twin = real["copy"](self)
        laid(twin).extend(laid(self))
        return twin

    def picture(self: Any) -> Any:
        # the labels on plates are laid on a copy, which is asked for its picture in turn
        if not self._plated:
            done.append((list(laid(self)), self))
        return real["picture"](self)

    made = {"line": line, "polygon": polygon, "circle": circle, "hatch": hatch, "_letters": letters, "paste": paste,
            "copy": copy, "picture": picture}  # fmt: skip
    with patch.multiple(sheets.Paper, **made):
        yield done
