"""What a page may ask of the bench, and how it is read: known words alone, each value of its kind, or a refusal."""

from __future__ import annotations

import json
import math
import re
import struct
from dataclasses import dataclass, field
from typing import Any, Final

from previz.bench.knobs import KNOBS, LONGEST
from previz.errors import PrevizError

# letters of a message at most; the longest that the page sends has a few hundred
LARGEST: Final = 4096

# numbers beyond this (m, rad, frames) are no request of a hand
_FARTHEST = 1e7

_NAME = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._ -]{0,59}")


class RequestError(PrevizError):
    """A request that is not done; the text says why."""


@dataclass(frozen=True)
class Request:
    """A request. ``do`` is its word; ``values`` are knobs turned, ``number`` a frame or a candidate, ``name`` a file's
    or a candidate's, ``on`` the state of a switch; ``still`` is False while a hand is moving."""

    do: str
    values: dict[str, float | int | str] = field(default_factory=dict)
    number: int = 0
    name: str = ""
    on: bool = False
    still: bool = True


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
    unknown = sorted(set(data) - set(_NEEDS[do]))
    if unknown:
        raise RequestError(f'"{do}" takes no "{unknown[0][:40]}"')
    taken: dict[str, Any] = {}
    for key, value in data.items():
        taken[key] = _READERS[key](value)
    missing = [key for key in _NEEDS[do] if key not in taken and key != "still"]
    if missing:
        raise RequestError(f'"{do}" needs "{missing[0]}"')
    return Request(do, **taken)


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
    if not isinstance(value, str) or not _NAME.fullmatch(value):
        raise RequestError('a name has letters, digits, blanks, ".", "_" and "-", 60 at most')
    return value.strip()


_READERS = {"values": _values, "number": _whole, "on": _switch, "still": _switch, "name": _name}


def picture_message(header: dict[str, Any], picture: bytes) -> bytes:
    """A picture for the page: the length of the header (4 bytes, big end first), the header as JSON, the picture."""
    head = json.dumps(header, allow_nan=False).encode()
    return struct.pack(">I", len(head)) + head + picture
