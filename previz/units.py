"""Quantities as people write them, turned into metres, radians, seconds and plain numbers, and back.

Inside the package a quantity has no unit in its name because it is always in the inside unit (design
section 3). Text enters and leaves here only. Whatever text comes, a reader returns a finite float or raises
:class:`~previz.errors.UnitError`, at once.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from typing import NoReturn

from previz.errors import UnitError

METRES_PER_INCH = 0.0254  # exact by definition: the international inch is 25.4 mm

_LENGTHS = {
    "mm": Fraction(1, 1000),
    "cm": Fraction(1, 100),
    "m": Fraction(1),
    "in": Fraction(254, 10_000),
    '"': Fraction(254, 10_000),
    "ft": Fraction(3048, 10_000),
    "'": Fraction(3048, 10_000),
}
_FEET = ("ft", "'")

# No quantity needs more; the limits keep an exponent or an endless row of digits from stalling the reader.
_LONGEST = 60
_DECIMAL = r"(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?"
_NUMBER = rf"(?:[0-9]+\s+[0-9]+/[0-9]+|[0-9]+/[0-9]+|{_DECIMAL})"
_LENGTH = re.compile(
    rf"([+-]?)\s*({_NUMBER})\s*(mm|cm|m|in|ft|\"|')(?:\s*-?\s*({_NUMBER})\s*(in|\"))?", re.ASCII
)
_ANGLE = re.compile(rf"([+-]?)\s*({_NUMBER})\s*(deg|°|rad)", re.ASCII)
_STOP = re.compile(rf"(?:[fF]/|[tT])\s*({_DECIMAL})", re.ASCII)
_TIME = re.compile(rf"({_NUMBER})\s*(s|ms)", re.ASCII)
_SHARE = re.compile(rf"({_DECIMAL})\s*%", re.ASCII)
_SCALE = re.compile(rf"1\s*:\s*({_DECIMAL})", re.ASCII)
_COMMA = re.compile(r"[0-9],[0-9]", re.ASCII)

# typographic marks that a word processor puts in place of the plain ones
_PLAIN = str.maketrans({"′": "'", "’": "'", "″": '"', "”": '"', "−": "-"})


def _refuse(text: str, what: str, example: str, hint: str = "") -> NoReturn:
    shown = text if len(text) <= _LONGEST else text[:_LONGEST] + "..."
    if not hint and _COMMA.search(text):
        hint = "; write a decimal point, not a comma"
    raise UnitError(f'"{shown}" is not {what}; write it like {example}{hint}')


def _match(pattern: re.Pattern[str], text: str, what: str, example: str) -> re.Match[str]:
    found = pattern.fullmatch(text.strip().translate(_PLAIN)) if len(text) <= _LONGEST else None
    if found is None:
        _refuse(text, what, example)
    return found


def _number(text: str) -> Fraction:
    total = Fraction(0)
    for piece in text.split():
        if "/" in piece:
            top, bottom = piece.split("/")
            if int(bottom) == 0:
                raise UnitError(f'"{text}" divides by zero')
            total += Fraction(int(top), int(bottom))
        else:
            total += Fraction(piece)
    return total


def length(text: str) -> float:
    """Metres of a length such as ``"62 mm"``, ``"1.8 m"``, ``"2 ft 3 1/2 in"``, ``"1'-6 3/16\\""``, ``"-40 mm"``.

    A sign counts for the whole length. Only feet may be followed by another part, and that in inches.
    Exact to the nearest float64. Raises :class:`UnitError`.
    """
    what, example = "a length", '"62 mm", "1.8 m" or "2 ft 3 in"'
    sign, first, unit, second, _ = _match(_LENGTH, text, what, example).groups()
    total = _number(first) * _LENGTHS[unit]
    if second is not None:
        if unit not in _FEET:
            _refuse(text, what, example)
        total += _number(second) * _LENGTHS["in"]
    return -float(total) if sign == "-" else float(total)


def angle(text: str) -> float:
    """Radians of an angle such as ``"-8 deg"``, ``"7 1/2°"`` or ``"0.1 rad"``. Raises :class:`UnitError`."""
    sign, number, unit = _match(_ANGLE, text, "an angle", '"-8 deg"').groups()
    value = float(_number(number))
    value = value if unit == "rad" else math.radians(value)
    return -value if sign == "-" else value


def stop(text: str) -> float:
    """The number of a stop such as ``"f/22"`` or ``"T4"``. Raises :class:`UnitError`."""
    return float(_match(_STOP, text, "a stop", '"f/22"').group(1))


def time(text: str) -> float:
    """Seconds of a time such as ``"1/50 s"``, ``"0.02 s"`` or ``"20 ms"``. Raises :class:`UnitError`."""
    number, unit = _match(_TIME, text, "a time", '"1/50 s"').groups()
    return float(_number(number) / (1000 if unit == "ms" else 1))


def share(text: str) -> float:
    """Share, 1 for the whole, of a percentage such as ``"10%"``. Raises :class:`UnitError`."""
    return float(_number(_match(_SHARE, text, "a percentage", '"10%"').group(1)) / 100)


def scale(text: str) -> float:
    """How many times smaller than life the set is: 20 for ``"1:20"``. Raises :class:`UnitError`."""
    value = float(_match(_SCALE, text, "a scale", '"1:20"').group(1))
    if value <= 0.0:
        _refuse(text, "a scale", '"1:20"')
    return value


def mm_text(metres: float, decimals: int = 1) -> str:
    """Millimetres for people: ``"62.0 mm"``."""
    text = f"{metres * 1e3:.{decimals}f}"
    return f"{text.lstrip('-') if float(text) == 0.0 else text} mm"


def deg_text(radians: float, decimals: int = 1) -> str:
    """Degrees for people: ``"-8.0 deg"``."""
    text = f"{math.degrees(radians):.{decimals}f}"
    return f"{text.lstrip('-') if float(text) == 0.0 else text} deg"


def inches_text(metres: float) -> str:
    """Feet and inches to the nearest sixteenth, as a workshop writes them: ``1'-6 3/16"``; :func:`length` reads it.

    Off by at most 1/32 in.
    """
    sixteenths = round(abs(metres) / METRES_PER_INCH * 16)
    feet, rest = divmod(sixteenths, 12 * 16)
    inches, part = divmod(rest, 16)
    fraction = Fraction(part, 16)
    tail = f"{inches}" if part == 0 else (f"{inches} {fraction}" if inches or feet else f"{fraction}")
    sign = "-" if metres < 0 and sixteenths else ""
    return f"{sign}{feet}'-{tail}\"" if feet else f'{sign}{tail}"'
