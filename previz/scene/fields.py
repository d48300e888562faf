"""Field types of the scene model: text with a unit in a file, inside units in Python.

A scene file is validated with ``context={"file": True}``: there a bare number for a length is an error that
says how to write it. Without that context (a set built in Python) a number is taken in the inside unit.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction
from typing import Annotated, Any

from pydantic import BeforeValidator, ValidationInfo, WithJsonSchema
from pydantic_core import PydanticCustomError

from previz import units
from previz.errors import UnitError


def _quantity(parse: Callable[[str], float], what: str, example: str) -> BeforeValidator:
    def read(value: Any, info: ValidationInfo) -> float:
        from_file = bool(info.context and info.context.get("file"))
        if isinstance(value, str):
            try:
                number = parse(value)
            except UnitError as error:
                raise PydanticCustomError(
                    "quantity", "{expected}", {"expected": f'{what} like "{example}"', "cause": str(error)}
                ) from None
        elif isinstance(value, (int, float)) and not isinstance(value, bool) and not from_file:
            number = float(value)
        else:
            raise PydanticCustomError("quantity", "{expected}", {"expected": f'{what} like "{example}"'})
        if not math.isfinite(number):
            raise PydanticCustomError("quantity", "{expected}", {"expected": f"a finite {what}"})
        return number

    return BeforeValidator(read)


def _text_schema(pattern: str, example: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "pattern": pattern, "examples": [example]})


_NUM = r"[0-9]*\.?[0-9]+"

Length = Annotated[
    float,
    _quantity(units.length, "a length with its unit", "62 mm"),
    _text_schema(r"^\s*[+-]?[0-9./ ]+\s*(mm|cm|m|in|ft|\"|').*$", "62 mm"),
]
Angle = Annotated[
    float,
    _quantity(units.angle, "an angle with its unit", "-8 deg"),
    _text_schema(rf"^\s*[+-]?{_NUM}\s*(deg|°|rad)\s*$", "-8 deg"),
]
Stop = Annotated[
    float, _quantity(units.stop, "a stop", "f/22"), _text_schema(rf"^\s*([fF]/|[tT])\s*{_NUM}\s*$", "f/22")
]
Time = Annotated[
    float,
    _quantity(units.time, "a time with its unit", "1/50 s"),
    _text_schema(r"^\s*[0-9./ ]+\s*(s|ms)\s*$", "1/50 s"),
]
Share = Annotated[
    float, _quantity(units.share, "a percentage", "10%"), _text_schema(rf"^\s*{_NUM}\s*%\s*$", "10%")
]
Scale = Annotated[
    float, _quantity(units.scale, "a scale", "1:20"), _text_schema(rf"^\s*1\s*:\s*{_NUM}\s*$", "1:20")
]


def _read_size(value: Any) -> Any:
    if isinstance(value, str):
        part = value.lower().replace("×", "x").split("x")
        if len(part) == 2:
            unit_text = "".join(c for c in part[1] if c.isalpha())
            first = part[0].strip()
            if unit_text and not any(c.isalpha() for c in first):
                first += f" {unit_text}"
            try:
                return (units.length(first), units.length(part[1]))
            except UnitError:
                pass
        raise PydanticCustomError("quantity", "{expected}", {"expected": 'a size like "35.9 x 24.0 mm"'})
    if isinstance(value, tuple):
        return value
    raise PydanticCustomError("quantity", "{expected}", {"expected": 'a size like "35.9 x 24.0 mm"'})


Size = Annotated[
    tuple[float, float],
    BeforeValidator(_read_size),
    WithJsonSchema({"type": "string", "examples": ["35.9 x 24.0 mm"]}),
]


def _read_rate(value: Any) -> Any:
    expected = 'frames per second like 25 or "24000/1001"'
    try:
        if isinstance(value, bool):
            raise ValueError
        rate = Fraction(value) if isinstance(value, (str, int, Fraction)) else Fraction(str(value))
    except (ValueError, TypeError, ZeroDivisionError):
        raise PydanticCustomError("quantity", "{expected}", {"expected": expected}) from None
    # 23.976 and its kin are written short for n * 1000/1001
    for whole in (24, 30, 48, 60, 120):
        exact = Fraction(whole * 1000, 1001)
        if rate != exact and abs(float(rate) - float(exact)) < 0.006:
            return exact
    return rate


Rate = Annotated[
    Fraction,
    BeforeValidator(_read_rate),
    WithJsonSchema({"anyOf": [{"type": "number"}, {"type": "string", "examples": ["24000/1001"]}]}),
]
