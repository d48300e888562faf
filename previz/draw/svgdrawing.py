"""A drawing as SVG at true size: one user unit is one millimetre (W3C, *SVG 1.1*, 7.10 units, 7.7 viewBox)."""

from __future__ import annotations

from xml.sax.saxutils import escape, quoteattr

import numpy as np

from previz.draw.flatdrawing import INKS, FlatDrawing, Line, Words
from previz.draw.style import Colour
from previz.geometry import Array

_MARGIN = 10.0


def svg_text(drawing: FlatDrawing) -> str:
    """The drawing as SVG; every layer is a group whose ``id`` is its name. Coordinates to 0.0001 mm."""
    left, low, right, high = drawing.bounds_mm
    left, low, right, high = left - _MARGIN, low - _MARGIN, right + _MARGIN, high + _MARGIN
    width, height = _n(right - left), _n(high - low)
    out = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{width}mm" height="{height}mm" '
        f'viewBox="0 0 {width} {height}">',
        f"<title>{escape(drawing.title)}</title>",
        "<desc>True size: one unit is one millimetre.</desc>",
    ]
    origin = np.array([left, high])
    for layer, ink in INKS.items():
        lines = [each for each in drawing.lines if each.layer == layer]
        words = [each for each in drawing.words if each.layer == layer]
        if not lines and not words:
            continue
        wide = _n(drawing.weight * ink.width_mm)
        dashes = " ".join(_n(drawing.weight * dash) for dash in ink.dashes_mm)
        out.append(
            f'<g id={quoteattr(layer)} fill="none" stroke="{_hex(ink.colour)}" stroke-width="{wide}" '
            + (f'stroke-dasharray="{dashes}" ' if dashes else "")
            + 'stroke-linejoin="round">'
        )
        out += [_path(each, origin) for each in lines]
        out += [_words(each, origin, ink.colour) for each in words]
        out.append("</g>")
    return "\n".join([*out, "</svg>"]) + "\n"


def _path(line: Line, origin: Array) -> str:
    down = (line.points - origin) * (1.0, -1.0)
    places = " L ".join(f"{_n(x)} {_n(y)}" for x, y in down)
    return f'<path d="M {places}{" Z" if line.closed else ""}"/>'


def _words(words: Words, origin: Array, colour: Colour) -> str:
    x, y = words.at[0] - origin[0], origin[1] - words.at[1]
    turn = f' transform="rotate({_n(-words.turn_deg)} {_n(x)} {_n(y)})"' if words.turn_deg else ""
    # a letter's middle lies about a third of its size above the line it stands on
    return (
        f'<text x="{_n(x)}" y="{_n(y + 0.36 * words.high_mm)}" font-family="sans-serif" '
        f'font-size="{_n(words.high_mm * 1.35)}" text-anchor="middle" fill="{_hex(colour)}" stroke="none"{turn}>'
        f"{escape(words.text)}</text>"
    )


def _hex(colour: Colour) -> str:
    return "#{:02x}{:02x}{:02x}".format(*colour)


def _n(value: float) -> str:
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
