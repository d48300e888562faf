"""How sheets look: warm white paper, one dark ink, chalk-line blue for the bridge, signal red for what breaks.

Colour never speaks alone: what breaks is also dashed and thicker. Colours are 8-bit sRGB; sizes are in pixels of the
finished sheet.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import ImageFont

from previz.colour import LINEAR_OF_CODE
from previz.judge.telltable import HIDDEN, SHOWS
from previz.units import inches_text, mm_text

Colour = tuple[int, int, int]

PAPER: Final[Colour] = (250, 246, 237)
INK: Final[Colour] = (38, 36, 42)
# the colours of the outline where it is hidden and where it shows, for everything else that is said of it
CHALK: Final[Colour] = HIDDEN.colour
SIGNAL: Final[Colour] = SHOWS.colour


def mixed(ink: Colour, share: float, ground: Colour = PAPER) -> Colour:
    """``ink`` thinned: ``share`` (0 to 1) of it on ``ground``."""
    return tuple(round(a * share + b * (1.0 - share)) for a, b in zip(ink, ground, strict=True))  # type: ignore[return-value]


# secondary text and construction lines; grid lines and panels
SOFT: Final[Colour] = mixed(INK, 0.62)
FAINT: Final[Colour] = mixed(INK, 0.16)
CHALK_WASH: Final[Colour] = mixed(CHALK, 0.14)

# linear Rec.709 light of the paper, for pictures that are drawn to lie on it
PAPER_LINEAR: Final[tuple[float, float, float]] = (
    float(LINEAR_OF_CODE[PAPER[0]]),
    float(LINEAR_OF_CODE[PAPER[1]]),
    float(LINEAR_OF_CODE[PAPER[2]]),
)

# the limit below which a frame holds, in percent (DEVELOPERS.md, "What the score says")
HOLDS_BELOW_PCT: Final = 5.0

_FONTS: Final = Path(__file__).parent.parent / "static" / "fonts"


def font_file(bold: bool = False) -> Path:
    """The file of DejaVu Sans Mono that comes with the package, so that no system font is needed."""
    return _FONTS / ("DejaVuSansMono-Bold.ttf" if bold else "DejaVuSansMono.ttf")


@lru_cache(maxsize=64)
def font(size: int, bold: bool = False) -> ImageFont.FreeTypeFont:
    """DejaVu Sans Mono of a size in pixels."""
    # the basic layout engine is everywhere; the other depends on how Pillow was built
    return ImageFont.truetype(str(font_file(bold)), size, layout_engine=ImageFont.Layout.BASIC)


def text_width(text: str, size: float, bold: bool = False) -> float:
    """Width of a line of text in pixels, as :class:`previz.draw.paper.Paper` draws it at twice the size.

    Letters are set at whole pixels of that larger sheet, which makes small text up to 4 % wider than its design.
    """
    return font(max(1, round(size * 2.0)), bold).getlength(text) / 2.0


def fitted(text: str, size: float, width: float, bold: bool = False) -> str:
    """``text``, cut and ended by an ellipsis where it is wider than ``width`` pixels."""
    if text_width(text, size, bold) <= width:
        return text
    room = max(0, int((width + 1e-6) / text_width("0", size, bold)) - 1)
    return text[:room].rstrip() + "…"


def wrapped(text: str, size: float, width: float, lines: int, bold: bool = False) -> list[str]:
    """``text`` broken between words into at most ``lines`` lines of ``width`` pixels; the last is cut to fit."""
    out: list[str] = []
    rest = text.split()
    while rest and len(out) < lines - 1:
        line = rest.pop(0)
        while rest and text_width(f"{line} {rest[0]}", size, bold) <= width:
            line = f"{line} {rest.pop(0)}"
        out.append(fitted(line, size, width, bold))
    if rest:
        out.append(fitted(" ".join(rest), size, width, bold))
    return out


def both_text(length: float, decimals: int = 1) -> str:
    """A length (m) in both measures: ``850.0 mm / 2'-9 7/16"``."""
    return f"{mm_text(length, decimals)} / {inches_text(length)}"


def break_text(break_pct: float | None, decimals: int = 1) -> str:
    """Break for people: ``3.2 %``, or ``not judged``."""
    return "not judged" if break_pct is None else f"{break_pct:.{decimals}f} %"


def verdict(break_pct: float | None) -> str:
    """One plain word for a frame's break: ``holds``, ``breaks`` or ``not judged``."""
    if break_pct is None:
        return "not judged"
    return "holds" if break_pct <= HOLDS_BELOW_PCT else "breaks"


def on_paper(picture: NDArray[np.uint8], strength: float) -> NDArray[np.uint8]:
    """A picture (H, W, 3) thinned onto paper, so that lines over it can be read; ``strength`` 0 to 1."""
    ground = np.asarray(PAPER, dtype=np.float32)
    return np.rint(picture * np.float32(strength) + ground * np.float32(1.0 - strength)).astype(np.uint8)
