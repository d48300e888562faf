"""Field types of the scene model: text with a unit in a file, inside units in Python.

A scene file is validated with ``context={"file": True}``: there a bare number for a length is an error that
says how to write it. Without that context (a set built in Python) a number is taken in the inside unit.

Every fault raised here is a ``PydanticCustomError`` of type ``"quantity"`` whose message is what was expected
and whose context holds a ``hint`` and what was ``found`` (both may be empty); ``previz.scene.faults`` turns it
into a line for people.
"""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Callable
from fractions import Fraction
from numbers import Real
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, Strict, ValidationInfo, WithJsonSchema
from pydantic_core import PydanticCustomError

from previz import units
from previz.errors import UnitError

SMALLEST = 1e-4  # m; nothing of a set is built or cut finer
LARGEST = 100.0  # m


def wrong(expected: str, hint: str = "", found: str = "") -> PydanticCustomError:
    """The fault of a value that is not what was ``expected``; ``found`` where quoting the value says too little."""
    return PydanticCustomError("quantity", "{expected}", {"expected": expected, "hint": hint, "found": found})


def from_file(info: ValidationInfo) -> bool:
    """Whether the value comes from a scene file, where quantities are text with their unit."""
    return bool(info.context and info.context.get("file"))


def _finite(value: Any) -> float | None:
    """A finite float, or None for anything else: a truth value, text, NaN, a number too large to hold."""
    if isinstance(value, bool) or not isinstance(value, Real):
        return None
    try:
        number = float(value)
    except (OverflowError, ValueError):
        return None
    return number if math.isfinite(number) else None


def _fits(parse: Callable[[str], float], text: str, low: float, high: float) -> bool:
    try:
        return low <= parse(text) <= high
    except UnitError:
        return False


def _read(
    value: Any,
    info: ValidationInfo,
    parse: Callable[[str], float],
    expected: str,
    unit: str,
    low: float,
    high: float,
    limits: str,
) -> float:
    number, hint = None, ""
    if isinstance(value, str):
        try:
            number = parse(value)
        except UnitError as error:
            hint = str(error).rpartition("; ")[2] if "comma" in str(error) else ""
            bare = float(value) if re.fullmatch(r"\s*[+-]?[0-9]{1,9}(\.[0-9]{0,9})?\s*", value) else None
    else:
        bare = _finite(value)
        number = None if from_file(info) else bare
    if number is None:
        if bare is not None and unit and abs(bare) < 1e9:
            text = f"{bare:.9f}".rstrip("0").rstrip(".") + (unit if unit == "%" else f" {unit}")
            hint = f'write "{text}"' if _fits(parse, text, low, high) else ""
        raise wrong(expected, hint)
    if not low <= number <= high:
        raise wrong(f"{expected.partition(' like')[0]} {limits}")
    return number


def _quantity(
    parse: Callable[[str], float], what: str, example: str, unit: str, low: float, high: float, limits: str
) -> BeforeValidator:
    expected = f'{what} like "{example}"'

    def read(value: Any, info: ValidationInfo) -> float:
        return _read(value, info, parse, expected, unit, low, high, limits)

    return BeforeValidator(read)


def _text_schema(pattern: str, example: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "pattern": pattern, "examples": [example]})


# ECMA-262; an editor's help, looser than the reader
_NUM = r"([0-9]+\s+[0-9]+/[0-9]+|[0-9]+/[0-9]+|([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?)"
_LENGTH_PATTERN = rf"""^\s*[+\-−]?\s*{_NUM}\s*(mm|cm|m|in|ft|"|'|′|’|″|”)(\s*-?\s*{_NUM}\s*(in|"|″|”))?\s*$"""
_SIZE_SCHEMA = _text_schema(_LENGTH_PATTERN.replace(r"[+\-−]?", r"\+?"), "62 mm")
_LENGTH_SCHEMA = _text_schema(_LENGTH_PATTERN, "62 mm")
_LENGTH = "a length with its unit"


def _length(low: float, high: float, limits: str) -> BeforeValidator:
    return _quantity(units.length, _LENGTH, "62 mm", "mm", low, high, limits)


_COORDINATE = (-LARGEST, LARGEST, "from -100 m to 100 m")

# a size of a thing; one on a sensor; a size or a distance that may be nothing; a place along an axis
Length = Annotated[float, _length(SMALLEST, LARGEST, "from 0.1 mm to 100 m"), _SIZE_SCHEMA]
FineLength = Annotated[float, _length(1e-6, 1e-3, "from 0.001 mm to 1 mm"), _SIZE_SCHEMA]
LengthOrZero = Annotated[float, _length(0.0, LARGEST, "from 0 mm to 100 m"), _SIZE_SCHEMA]
Coordinate = Annotated[float, _length(*_COORDINATE), _LENGTH_SCHEMA]


def _angle(limit_deg: int) -> BeforeValidator:
    limit = math.radians(limit_deg)
    limits = f"from -{limit_deg} to {limit_deg} deg"
    return _quantity(units.angle, "an angle with its unit", "-8 deg", "deg", -limit, limit, limits)


_ANGLE_SCHEMA = _text_schema(rf"^\s*[+\-−]?\s*{_NUM}\s*(deg|°|rad)\s*$", "-8 deg")
Angle = Annotated[float, _angle(360), _ANGLE_SCHEMA]
Tilt = Annotated[float, _angle(90), _ANGLE_SCHEMA]
Turn = Annotated[float, _angle(180), _ANGLE_SCHEMA]
Stop = Annotated[
    float,
    _quantity(units.stop, "a stop", "f/22", "", 0.5, 1000.0, "from f/0.5 to f/1000"),
    _text_schema(r"^\s*([fF]/|[tT])\s*[0-9]*\.?[0-9]+\s*$", "f/22"),
]
Time = Annotated[
    float,
    _quantity(units.time, "a time with its unit", "1/50 s", "s", 1e-6, 3600.0, "from 0.001 ms to 3600 s"),
    _text_schema(rf"^\s*{_NUM}\s*(s|ms)\s*$", "1/50 s"),
]
Ease = Annotated[
    float,
    _quantity(units.share, "a percentage", "10%", "%", 0.0, 0.5, "from 0% to 50%"),
    _text_schema(r"^\s*[0-9]*\.?[0-9]+\s*%\s*$", "10%"),
]
Share = Annotated[
    float,
    _quantity(units.share, "a percentage", "10%", "%", 0.0, 1.0, "from 0% to 100%"),
    _text_schema(r"^\s*[0-9]*\.?[0-9]+\s*%\s*$", "10%"),
]
Scale = Annotated[
    float,
    _quantity(units.scale, "a scale", "1:20", "", 1.0, 1000.0, "from 1:1 to 1:1000"),
    _text_schema(r"^\s*1\s*:\s*[0-9]*\.?[0-9]+\s*$", "1:20"),
]


# strict: a truth value or text is not a number
Whole = Annotated[int, Strict()]
Number = Annotated[float, Strict()]
FrameNumber = Annotated[Whole, Field(ge=-1_000_000, le=1_000_000)]
Taper = Annotated[Number, Field(gt=0.05, le=20.0)]


def several(count: int, what: str, example: str) -> BeforeValidator:
    """A row of exactly ``count`` values, each of which is then read on its own."""
    expected = f"{what} like {example}"

    def read(value: Any) -> Any:
        if not isinstance(value, (list, tuple)) or len(value) != count:
            raise wrong(expected)
        return tuple(value)

    return BeforeValidator(read)


Place = Annotated[
    tuple[Coordinate, Coordinate, Coordinate],
    several(3, "three lengths [right, up, out of the wall]", '["0 mm", "160 mm", "1250 mm"]'),
]


def _read_along(value: Any) -> Any:
    if isinstance(value, str) and value == "arc":
        return value
    hint = 'a curved rail is "arc" with a radius' if isinstance(value, str) else ""
    if isinstance(value, (list, tuple)) and len(value) == 3:
        numbers = [_finite(part) for part in value]
        if all(n is not None and abs(n) <= 1e6 for n in numbers):
            if math.hypot(*(n or 0.0 for n in numbers)) >= 1e-6:
                return tuple(numbers)
            hint = "a direction cannot be zero"
    raise wrong('a direction [right, up, out of the wall] like [1, 0, 0], or "arc"', hint)


_DIRECTION_SCHEMA = {"type": "array", "items": {"type": "number"}, "minItems": 3, "maxItems": 3}
Along = Annotated[
    tuple[float, float, float] | Literal["arc"],
    BeforeValidator(_read_along),
    WithJsonSchema({"anyOf": [_DIRECTION_SCHEMA, {"const": "arc"}]}),
]


def _read_aim(value: Any, info: ValidationInfo) -> Any:
    if isinstance(value, str) and value in ("parallel", "track"):
        return value
    hint = ""
    if isinstance(value, (list, tuple)) and len(value) == 3:
        limits = (*_COORDINATE,)
        try:
            return tuple(_read(part, info, units.length, _LENGTH, "mm", *limits) for part in value)
        except PydanticCustomError as error:
            hint = (error.context or {}).get("hint", "") or f"each of the three is {error.message()}"
    raise wrong('"parallel", "track", or a point like ["0 mm", "0 mm", "0 mm"]', hint)


Aim = Annotated[
    Literal["parallel", "track"] | tuple[float, float, float],
    BeforeValidator(_read_aim),
    WithJsonSchema(
        {
            "anyOf": [
                {"enum": ["parallel", "track"]},
                {
                    "type": "array",
                    "items": {"type": "string", "pattern": _LENGTH_PATTERN},
                    "minItems": 3,
                    "maxItems": 3,
                },
            ]
        }
    ),
]


def _sides(value: Any, info: ValidationInfo) -> list[float | None]:
    """Width and height (m) of a size like "35.9 x 24.0 mm"; an empty list where it is none."""
    sides: list[float | None] = []
    if isinstance(value, str) and len(value) <= 100:
        parts = value.replace("×", "x").replace("X", "x").split("x")
        if len(parts) == 2:
            unit = "".join(c for c in parts[1] if c.isalpha())
            # one unit at the end serves both sides
            first = parts[0] if any(c.isalpha() or c in "\"'" for c in parts[0]) else f"{parts[0]} {unit}"
            try:
                sides = [units.length(first), units.length(parts[1])]
            except UnitError:
                sides = []
    elif isinstance(value, (list, tuple)) and len(value) == 2 and not from_file(info):
        sides = [_finite(side) for side in value]
    return sides


def _read_sensor(value: Any, info: ValidationInfo) -> Any:
    sides = _sides(value, info)
    if not sides or None in sides:
        raise wrong('a size, width x height, like "35.9 x 24.0 mm"')
    if not all(side is not None and 1e-3 <= side <= 1.0 for side in sides):
        raise wrong("a size, width x height, with sides from 1 mm to 1000 mm")
    return tuple(sides)


Sensor = Annotated[
    tuple[float, float],
    BeforeValidator(_read_sensor),
    WithJsonSchema({"type": "string", "pattern": r"^.+[xX×].+$", "examples": ["35.9 x 24.0 mm"]}),
]


def _read_face(value: Any, info: ValidationInfo) -> Any:
    expected = 'a diameter like "400 mm", or a width x height like "600 x 900 mm",'
    if isinstance(value, (list, tuple)) or (isinstance(value, str) and any(c in value for c in "xX×")):
        sides = _sides(value, info)
        if not sides or None in sides:
            raise wrong(expected[:-1])
        if not all(side is not None and SMALLEST <= side <= LARGEST for side in sides):
            raise wrong(f"{expected} with sides from 0.1 mm to 100 m")
        return tuple(sides)
    return _read(value, info, units.length, expected[:-1], "mm", 0.0, LARGEST, "from 0 mm to 100 m")


# the face of a lamp: a disc's diameter, a point's 0, or a rectangle
Face = Annotated[
    float | tuple[float, float],
    BeforeValidator(_read_face),
    WithJsonSchema({"type": "string", "pattern": r"^.*[0-9].*$", "examples": ["400 mm", "600 x 900 mm"]}),
]


def face_sides(face: float | tuple[float, float]) -> tuple[float, float]:
    """Width and height (m) of a face; a disc's diameter twice, 0 for a point."""
    return (face, face) if isinstance(face, float) else face


def _read_rate(value: Any) -> Any:
    rate: Fraction | None = None
    if isinstance(value, Fraction):
        rate = value
    elif isinstance(value, str):
        if re.fullmatch(r"[0-9]{1,9}(/[0-9]{1,9}|\.[0-9]{1,9})?", value.strip()) and "/0" not in value:
            rate = Fraction(value.strip())
    else:
        number = _finite(value)
        rate = None if number is None else Fraction(str(number))
    if rate is None:
        raise wrong('frames per second like 25, 23.976 or "24000/1001"')
    # 23.976 and its kin are written short for n * 1000/1001
    for whole in (24, 30, 48, 60, 120):
        exact = Fraction(whole * 1000, 1001)
        if rate != exact and abs(float(rate) - float(exact)) < 0.006:
            return exact
    if not 1 <= rate <= 1000:
        raise wrong("frames per second from 1 to 1000")
    return rate


Rate = Annotated[
    Fraction,
    BeforeValidator(_read_rate),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "number", "minimum": 1, "maximum": 1000},
                {"type": "string", "pattern": r"^[0-9]+(/[0-9]+|\.[0-9]+)?$", "examples": ["24000/1001"]},
            ]
        }
    ),
]


def _clean_text(value: str) -> str:
    if not value.strip() or len(value) > 120 or not value.isprintable():
        raise wrong("a line of text of 1 to 120 characters")
    return value


Text = Annotated[
    str,
    AfterValidator(_clean_text),
    WithJsonSchema({"type": "string", "minLength": 1, "maxLength": 120}),
]


def _read_day(value: Any) -> Any:
    day: datetime.date | None = None
    if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        day = value
    elif isinstance(value, str) and re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value):
        try:
            day = datetime.date.fromisoformat(value)
        except ValueError:
            day = None
    if day is None:
        raise wrong("a date like 2025-03-14")
    return day


Day = Annotated[
    datetime.date, BeforeValidator(_read_day), WithJsonSchema({"type": "string", "format": "date"})
]


def read_file_name(value: Any, example: str = '"wall.glb"') -> Path:
    """The name of a file, from text or a path; raises the fault of a value that is none, which shows ``example``."""
    if isinstance(value, str):
        if not value.strip() or not value.isprintable() or len(value) > 500:
            raise wrong("the name of a file")
        return Path(value)
    if not isinstance(value, Path):
        raise wrong(f"the name of a file in quotes, like {example}")
    return value


def _read_file_name(value: Any) -> Any:
    return read_file_name(value)


FileName = Annotated[
    Path, BeforeValidator(_read_file_name), WithJsonSchema({"type": "string", "minLength": 1, "maxLength": 500})
]
