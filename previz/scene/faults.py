"""The model's refusals, turned into faults for people: where, what was expected, what came, what to do."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, time
from functools import cache
from typing import Any, Final, get_args

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from previz.errors import Fault, printable, quoted
from previz.scene.model import Scene
from previz.scene.source import Loc, Source


@dataclass(frozen=True)
class Reason:
    """Why a scene cannot be used, before its place in the file is looked up."""

    loc: Loc
    expected: str
    found: str
    hint: str = ""
    at_key: bool = False  # the place is the key itself, not its value

    @property
    def key(self) -> str:
        """The key path, such as ``bridge.length`` or ``lamp[2].name``."""
        return key_text(self.loc)


# how a key that must be there is written
_WRITE = {
    "title": 'title = "Quarry walk"',
    "scale": 'scale = "1:20"',
    "wall": "a [wall] table",
    "camera": "a [camera] table",
    "rail": "a [rail] table",
    "camera.position": 'position = ["0 mm", "160 mm", "1250 mm"], the place of the lens',
    "rail.hold": "hold = [1001, 1040], the frames on which the bridge must not be seen",
    "lamp.name": 'name = "key"',
    "wall.doorway.width": 'width = "60 mm"',
    "wall.doorway.height": 'height = "110 mm"',
    "plate.camera.lens": 'lens = "35 mm"',
    "plate.camera.height": 'height = "1.6 m"',
    "plate.camera.distance": 'distance = "9 m"',
    "plate.marks.poles.foot": "foot = [300, 700], where the pole stands in the still",
    "plate.marks.poles.top": "top = [301, 420], the pole's upper end in the still",
    "plate.marks.poles.height": 'height = "2 m"',
}
_PLAIN = {
    "string_type": "text in quotes",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "finite_number": "a finite number",
    "string_pattern_mismatch": 'a colour like "#c8b08a"',
}
_BOUNDS = {
    "greater_than": ("above", "gt"),
    "greater_than_equal": ("of at least", "ge"),
    "less_than": ("below", "lt"),
    "less_than_equal": ("of at most", "le"),
}


def key_text(loc: Loc) -> str:
    """A key path as people read it; repeated tables and list values are counted from 1: ``lamp[2].position[3]``."""
    text = ""
    for step in loc:
        if isinstance(step, int):
            text += f"[{step + 1}]"
        else:
            text += f".{step}" if text else step
    return printable(text.replace("\n", "\0"), 100)


def shown(value: Any) -> str:
    """A value of a scene file as a fault quotes it: short, on one line."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        digits = math.floor(max(value.bit_length() - 1, 0) * math.log10(2)) + 1
        return str(value) if digits <= 20 else f"a number of about {digits} digits"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, (date, time)):
        return "a date or time"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        plain = all(not isinstance(part, (list, dict)) for part in value)
        if plain and len(value) <= 4:
            return f"[{', '.join(shown(part) for part in value)}]"
        return f"a list of {len(value)} value{'s' * (len(value) != 1)}"
    return f"a {type(value).__name__}"


# tables that may come several times: what the model calls them, and what the file does
SEVERAL: Final = {"lamps": "lamp", "cards": "card"}


@cache
def tables() -> dict[str, tuple[str, ...]]:
    """The keys of every table of a scene file, by the table's name; ``""`` is the top of the file."""
    out: dict[str, tuple[str, ...]] = {}

    def walk(model: type[BaseModel], name: str) -> None:
        keys = []
        for field_name, info in model.model_fields.items():
            if info.exclude:
                continue
            key = SEVERAL.get(field_name, field_name)
            keys.append(key)
            for part in _parts(info.annotation):
                if isinstance(part, type) and issubclass(part, BaseModel):
                    walk(part, f"{name}.{key}" if name else key)
        out[name] = tuple(keys)

    walk(Scene, "")
    return out


def _parts(annotation: Any) -> Iterator[Any]:
    """A type and all that it is put together from: what may be there, and in lists."""
    yield annotation
    for part in get_args(annotation):
        yield from _parts(part)


def nearest(name: str, choices: tuple[str, ...] | list[str]) -> str:
    """The choice most like ``name``, or an empty text where none is like it."""
    folded = {choice.lower(): choice for choice in reversed(choices)}
    close = difflib.get_close_matches(name[:60].lower(), list(folded), n=1, cutoff=0.6)
    return folded[close[0]] if close else ""


def _title(table: str) -> str:
    if table in SEVERAL.values():
        return f"[[{table}]]"
    return f"[{table}]" if table else "the top of the file, before the first table"


def unknown_key(loc: Loc) -> Reason:
    """The reason for a key that no table of a scene has, with the key that was probably meant."""
    table = ".".join(step for step in loc[:-1] if isinstance(step, str))
    name = str(loc[-1])
    known = tables().get(table, ())
    expected = f"a key of {_title(table)}" if table else "a key or table of a scene"
    meant = nearest(name, known)
    homes = [_title(home) for home, keys in tables().items() if name in keys and home != table]
    if name in tables() and table:
        hint = f"it is a table of its own, {_title(name)}"
    elif homes:
        hint = f"it belongs to {' or '.join(homes)}"
    elif meant:
        hint = f'did you mean "{meant}"?'
    else:
        hint = f"known are {', '.join(known)}"
    return Reason(loc, expected, f"unknown key {quoted(name)}", hint, at_key=True)


def reason_of(error: ErrorDetails, data: dict[str, Any]) -> Reason:
    """The reason behind one of pydantic's errors about the values ``data`` of a file."""
    loc, kind = tuple(error["loc"]), error["type"]
    context = error.get("ctx", {})
    value: Any = data
    for step in loc:
        try:
            value = value[step]
        except (KeyError, IndexError, TypeError):
            value = None
            break
    found = shown(value)
    last = loc[-1] if loc else ""
    if kind == "extra_forbidden":
        return unknown_key(loc)
    if kind == "missing":
        path = ".".join(step for step in loc if isinstance(step, str))
        return Reason(loc, _WRITE.get(path, f'the key "{last}"'), "nothing")
    if kind == "quantity":
        return Reason(loc, context["expected"], context["found"] or found, context["hint"])
    if kind == "literal_error":
        expected = context["expected"].replace("'", '"')
        meant = nearest(value, context["expected"].replace("'", "").replace(" or ", ", ").split(", ")) if (
            isinstance(value, str)
        ) else ""
        return Reason(loc, expected, found, f'did you mean "{meant}"?' if meant else "")
    if kind == "too_long":
        return Reason(loc, f"at most {context['max_length']} of them", f"{context['actual_length']}")
    if kind in _BOUNDS:
        words, name = _BOUNDS[kind]
        return Reason(loc, f"a number {words} {context[name]:g}", found)
    if kind in ("tuple_type", "model_type") and loc[:1] and loc[0] in SEVERAL.values():
        return Reason(loc, f"{loc[0]}s as [[{loc[0]}]] with double brackets, as there may be several", found)
    if kind in ("model_type", "model_attributes_type"):
        return Reason(loc, f"a table like [{key_text(loc)}]", found)
    return Reason(loc, _PLAIN.get(kind, error["msg"][:1].lower() + error["msg"][1:]), found)


def placed(reason: Reason, source: Source, file: str) -> Fault:
    """The fault of a reason: with its line and column."""
    place = source.key_place if reason.at_key else source.value_place
    line, column = place(reason.loc)
    return Fault(file, line, column, reason.key, reason.expected, reason.found, reason.hint)
