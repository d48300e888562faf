"""Quantities as people write them, turned into metres, radians, seconds and plain numbers, and back.

Inside the package a quantity has no unit in its name because it is always in the inside unit (design
section 3). Text enters and leaves here only.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction

from previz.errors import UnitError

METRES_PER_INCH = 0.0254

# exact by definition: the international inch is 25.4 mm
_LENGTHS = {
    "mm": 1e-3,
    "cm": 1e-2,
    "m": 1.0,
    "in": METRES_PER_INCH,
    '"': METRES_PER_INCH,
    "ft": 12 * METRES_PER_INCH,
    "'": 12 * METRES_PER_INCH,
}

_NUMBER = r"[0-9]+\s+[0-9]+/[0-9]+|[0-9]+/[0-9]+|[0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?|[0-9]+\."
_PART = re.compile(rf"\s*({_NUMBER})\s*(mm|cm|m|in|ft|\"|')(?![a-zA-Z])")


def _number(text: str) -> float:
    total = Fraction(0)
    for piece in text.split():
        if "/" in piece:
            top, bottom = piece.split("/")
            if int(bottom) == 0:
                raise UnitError(f'"{text}" divides by zero')
            total += Fraction(int(top), int(bottom))
        else:
            total += Fraction(piece)
    return float(total)


def length(text: str) -> float:
    """Metres of a length such as ``"62 mm"``, ``"1.8 m"``, ``"2 ft 3 1/2 in"``, ``"-40 mm"``."""
    rest = text.strip()
    sign = -1.0 if rest.startswith("-") else 1.0
    rest = rest.lstrip("+-").strip()
    total = 0.0
    found = False
    while rest:
        part = _PART.match(rest)
        if part is None:
            raise UnitError(f'"{text}" is not a length; write it like "62 mm", "1.8 m" or "2 ft 3 in"')
        total += _number(part.group(1)) * _LENGTHS[part.group(2)]
        found = True
        rest = rest[part.end() :].strip()
    if not found:
        raise UnitError(f'"{text}" is not a length; write it like "62 mm", "1.8 m" or "2 ft 3 in"')
    return sign * total


def angle(text: str) -> float:
    """Radians of an angle such as ``"-8 deg"`` or ``"0.1 rad"``."""
    part = re.fullmatch(r"\s*([+-]?[0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?)\s*(deg|°|rad)\s*", text)
    if part is None:
        raise UnitError(f'"{text}" is not an angle; write it like "-8 deg"')
    value = float(part.group(1))
    return value if part.group(2) == "rad" else math.radians(value)


def stop(text: str) -> float:
    """The number of a stop such as ``"f/22"`` or ``"T4"``."""
    part = re.fullmatch(r"\s*(?:f/|F/|[tT])\s*([0-9]*\.?[0-9]+)\s*", text)
    if part is None:
        raise UnitError(f'"{text}" is not a stop; write it like "f/22"')
    return float(part.group(1))


def time(text: str) -> float:
    """Seconds of a time such as ``"1/50 s"``, ``"0.02 s"`` or ``"20 ms"``."""
    part = re.fullmatch(rf"\s*({_NUMBER})\s*(s|ms)\s*", text)
    if part is None:
        raise UnitError(f'"{text}" is not a time; write it like "1/50 s"')
    return _number(part.group(1)) * (1e-3 if part.group(2) == "ms" else 1.0)


def share(text: str) -> float:
    """Share, 1 for the whole, of a percentage such as ``"10%"``."""
    part = re.fullmatch(r"\s*([0-9]*\.?[0-9]+)\s*%\s*", text)
    if part is None:
        raise UnitError(f'"{text}" is not a percentage; write it like "10%"')
    return float(part.group(1)) / 100.0


def scale(text: str) -> float:
    """How many times smaller than life the set is: 20 for ``"1:20"``."""
    part = re.fullmatch(r"\s*1\s*:\s*([0-9]*\.?[0-9]+)\s*", text)
    if part is None or float(part.group(1)) <= 0.0:
        raise UnitError(f'"{text}" is not a scale; write it like "1:20"')
    return float(part.group(1))


def mm_text(metres: float, decimals: int = 1) -> str:
    """Millimetres for people: ``"62.0 mm"``."""
    return f"{metres * 1e3:.{decimals}f} mm"


def inches_text(metres: float) -> str:
    """Feet and inches to the nearest sixteenth, as a workshop writes them: ``1'-6 3/16"``."""
    sixteenths = round(abs(metres) / METRES_PER_INCH * 16)
    feet, rest = divmod(sixteenths, 12 * 16)
    inches, part = divmod(rest, 16)
    fraction = Fraction(part, 16)
    tail = f"{inches}" if part == 0 else (f"{inches} {fraction}" if inches else f"{fraction}")
    sign = "-" if metres < 0 and sixteenths else ""
    return f"{sign}{feet}'-{tail}\"" if feet else f'{sign}{tail}"'
