"""A drawing as DXF at true size, in the format's release 12 (AC1009), which everything that cuts can read.

Group codes as the published DXF reference has them: POLYLINE with VERTEX and SEQEND, TEXT, tables of line types and
layers. One unit is one millimetre: ``$INSUNITS`` 4 and ``$MEASUREMENT`` 1, which are younger than that release and are
read in it all the same (common practice, no source). ezdxf, which judges these files in the tests, leaves both out of
this release, so it does not write them. Letters beyond ASCII are written ``\\U+XXXX``.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from previz.draw.flatdrawing import INKS, FlatDrawing, Line, Words

_CENTRED: Final = 1
_MIDDLE: Final = 2

Pair = tuple[int, str | int]


def dxf_text(drawing: FlatDrawing) -> str:
    """The drawing as DXF text, coordinates to 0.0001 mm; layers have the names of :data:`INKS`, in capitals."""
    pairs: list[Pair] = [*_header(drawing), *_tables(drawing), (0, "SECTION"), (2, "ENTITIES")]
    for line in drawing.lines:
        pairs += _polyline(line)
    for words in drawing.words:
        pairs += _text(words)
    pairs += [(0, "ENDSEC"), (0, "EOF")]
    return "".join(f"{code:3d}\n{value}\n" for code, value in pairs)


def _header(drawing: FlatDrawing) -> Iterator[Pair]:
    left, low, right, high = drawing.bounds_mm
    yield from _pairs((999, _ascii(f"{drawing.title}; true size, 1 unit = 1 mm")), (0, "SECTION"), (2, "HEADER"))
    yield from _pairs((9, "$ACADVER"), (1, "AC1009"))
    yield from _pairs((9, "$INSUNITS"), (70, 4), (9, "$MEASUREMENT"), (70, 1))
    yield from _pairs((9, "$EXTMIN"), (10, _n(left)), (20, _n(low)), (30, "0.0"))
    yield from _pairs((9, "$EXTMAX"), (10, _n(right)), (20, _n(high)), (30, "0.0"))
    yield (0, "ENDSEC")


def _tables(drawing: FlatDrawing) -> Iterator[Pair]:
    used = {line.layer for line in drawing.lines} | {words.layer for words in drawing.words}
    inks = {name: ink for name, ink in INKS.items() if name in used}
    dashed = {name: ink for name, ink in inks.items() if ink.dashes_mm}
    yield from _pairs((0, "SECTION"), (2, "TABLES"), (0, "TABLE"), (2, "LTYPE"), (70, len(dashed) + 1))
    yield from _pairs((0, "LTYPE"), (2, "CONTINUOUS"), (70, 0), (3, "Solid line"), (72, 65), (73, 0), (40, "0.0"))
    for name, ink in dashed.items():
        yield from _pairs((0, "LTYPE"), (2, name.upper()), (70, 0), (3, f"Dashes of {name}"), (72, 65))
        yield from _pairs((73, len(ink.dashes_mm)), (40, _n(drawing.weight * sum(ink.dashes_mm))))
        for number, dash in enumerate(ink.dashes_mm):
            yield (49, _n(drawing.weight * (-dash if number % 2 else dash)))
    yield from _pairs((0, "ENDTAB"), (0, "TABLE"), (2, "LAYER"), (70, len(inks) + 1))
    yield from _pairs((0, "LAYER"), (2, "0"), (70, 0), (62, 7), (6, "CONTINUOUS"))
    for name, ink in inks.items():
        yield from _pairs((0, "LAYER"), (2, name.upper()), (70, 0), (62, ink.index))
        yield (6, name.upper() if ink.dashes_mm else "CONTINUOUS")
    yield from _pairs((0, "ENDTAB"), (0, "TABLE"), (2, "STYLE"), (70, 1))
    yield from _pairs((0, "STYLE"), (2, "STANDARD"), (70, 0), (40, "0.0"), (41, "1.0"), (50, "0.0"))
    yield from _pairs((71, 0), (42, "2.5"), (3, "txt"), (4, ""), (0, "ENDTAB"), (0, "ENDSEC"))


def _pairs(*pairs: Pair) -> Iterator[Pair]:
    yield from pairs


def _polyline(line: Line) -> Iterator[Pair]:
    layer = line.layer.upper()
    yield from _pairs((0, "POLYLINE"), (8, layer), (66, 1), (10, "0.0"), (20, "0.0"), (30, "0.0"))
    yield (70, int(line.closed))
    for x, y in line.points:
        yield from _pairs((0, "VERTEX"), (8, layer), (10, _n(x)), (20, _n(y)), (30, "0.0"))
    yield from _pairs((0, "SEQEND"), (8, layer))


def _text(words: Words) -> Iterator[Pair]:
    x, y = _n(words.at[0]), _n(words.at[1])
    yield from _pairs((0, "TEXT"), (8, words.layer.upper()), (10, x), (20, y), (30, "0.0"), (40, _n(words.high_mm)))
    yield from _pairs((1, _ascii(words.text)), (50, _n(words.turn_deg)))
    yield from _pairs((72, _CENTRED), (11, x), (21, y), (31, "0.0"), (73, _MIDDLE))


def _ascii(text: str) -> str:
    plain = " ".join(text.split())
    return "".join(c if c.isascii() else f"\\U+{ord(c):04X}" for c in plain)


def _n(value: float) -> str:
    return f"{value:.4f}" if round(value, 4) else "0.0"
