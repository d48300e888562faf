"""What a page may ask of the bench, and how it is read: known words alone, each value of its kind, or a refusal."""

from __future__ import annotations

import json
import math
import struct
import unicodedata
from dataclasses import dataclass, field
from typing import Any, Final

from previz.bench.knobs import KNOBS, LONGEST
from previz.errors import PrevizError

# letters of a message at most; the longest that the page sends has a few hundred
LARGEST: Final = 4096

# numbers beyond this (m, rad, frames) are no request of a hand
_FARTHEST = 1e7

# letters of a name at most, and what it may have besides letters and digits of any language
_LONGEST_NAME = 60
_SIGNS = "._ -"

# names that a system keeps for devices, whatever ending they have (Microsoft, "Naming Files, Paths, and Namespaces")
_DIGITS = "0123456789\u00b9\u00b2\u00b3"
_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{digit}" for port in ("com", "lpt") for digit in _DIGITS)}


class RequestError(PrevizError):
    """A request that is not done; the text says why, ``knobs`` which values it is about."""

    def __init__(self, text: str, knobs: tuple[str, ...] = ()) -> None:
        super().__init__(text)
        self.knobs = knobs


@dataclass(frozen=True)
class Request:
    """A request. ``do`` is its word; ``values`` are knobs turned, ``number`` a frame or a candidate, ``name`` a file's
    or a candidate's, ``knob`` a knob's, ``on`` the state of a switch; ``still`` is False while a hand is moving.
    ``serial`` is the page's own number of it, 0 where it wants no answer."""

    do: str
    values: dict[str, float | int | str] = field(default_factory=dict)
    number: int = 0
    name: str = ""
    knob: str = ""
    on: bool = False
    still: bool = True
    serial: int = 0


# what each word comes with
_NEEDS: Final[dict[str, tuple[str, ...]]] = {
    "turn": ("values", "still"),
    "frame": ("number", "still"),
    "paint follows": ("on",),
    "undo": (),
    "redo": (),
    "keep": ("name",),
    "drop": ("number",),
    "take": ("number",),
    "write": (),
    "write as": ("name",),
    "leave": (),
    # of two values of one knob: the hand's where "on" is true, else the file's
    "choose": ("knob", "on"),
    # whether the bench is there at all
    "here": (),
}


def read_request(text: str | bytes) -> Request:
    """The request in a message. Raises :class:`RequestError` for anything else than a request."""
    if isinstance(text, bytes):
        raise RequestError("messages are text")
    if len(text) > LARGEST:
        raise RequestError(f"a message of {len(text)} letters is too long; {LARGEST} are taken")
    try:
        data = json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise RequestError("the message is not JSON") from None
    if not isinstance(data, dict):
        raise RequestError("the message is not an object")
    do = data.pop("do", None)
    if not isinstance(do, str) or do not in _NEEDS:
        raise RequestError(f"there is no such request; known are {', '.join(_NEEDS)}")
    serial = _whole(data.pop("serial", 0))
    unknown = sorted(set(data) - set(_NEEDS[do]))
    if unknown:
        raise RequestError(f'"{do}" takes no "{unknown[0][:40]}"')
    taken: dict[str, Any] = {}
    for key, value in data.items():
        taken[key] = _READERS[key](value)
    missing = [key for key in _NEEDS[do] if key not in taken and key != "still"]
    if missing:
        raise RequestError(f'"{do}" needs "{missing[0]}"')
    return Request(do, serial=serial, **taken)


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number")


def _values(value: Any) -> dict[str, float | int | str]:
    if not isinstance(value, dict) or not value:
        raise RequestError('"values" is an object of values by their names')
    for name, one in value.items():
        if name not in KNOBS:
            raise RequestError(f'nothing is called "{name[:40]}"; there are {", ".join(KNOBS)}')
        text = isinstance(one, str) and len(one) <= LONGEST and one.isprintable()
        if not text and not _is_number(one):
            raise RequestError(f'"{name}" is a number or a text of at most {LONGEST} letters')
    return value


def _is_number(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(value) and abs(value) < _FARTHEST
    except OverflowError:
        return False


def _whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or abs(value) > _FARTHEST:
        raise RequestError('"number" is a whole number')
    return value


def _switch(value: Any) -> bool:
    if not isinstance(value, bool):
        raise RequestError("a switch is true or false")
    return value


def _name(value: Any) -> str:
    # letters with marks may come in two pieces
    text = unicodedata.normalize("NFC", value).strip() if isinstance(value, str) else ""
    fine = all(letter.isalnum() or letter in _SIGNS for letter in text)
    if not text or not fine or text[0] == "." or len(text) > _LONGEST_NAME:
        raise RequestError(
            'a name has letters, digits, blanks, ".", "_" and "-", 60 at most, and does not begin with "."'
        )
    return text


def file_stem(name: str) -> str:
    """The name of a scene file without its ending, as every system takes it. Raises :class:`RequestError`."""
    stem = name[: -len(".toml")] if name.lower().endswith(".toml") else name
    # some systems drop blanks and dots at the end
    stem = stem.rstrip(" .")
    if not stem:
        raise RequestError("a file needs a name of at least one letter or digit")
    if stem.partition(".")[0].rstrip().lower() in _RESERVED:
        raise RequestError(f'"{stem}" is a name that some systems keep for a device; choose another one')
    return stem


def _knob(value: Any) -> str:
    if not isinstance(value, str) or value not in KNOBS:
        raise RequestError(f"there is no such value; there are {', '.join(KNOBS)}")
    return value


_READERS = {"values": _values, "number": _whole, "on": _switch, "still": _switch, "name": _name, "knob": _knob}


def picture_message(header: dict[str, Any], picture: bytes) -> bytes:
    """A picture for the page: the length of the header (4 bytes, big end first), the header as JSON, the picture."""
    head = json.dumps(header, allow_nan=False).encode()
    return struct.pack(">I", len(head)) + head + picture
