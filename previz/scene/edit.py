"""Values of a scene file changed in its text: comments, order and layout stay as their writer left them."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from previz.scene.source import Loc

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_KEY_PART = re.compile(r"""\s*("(?:\\.|[^"\\])*"|'[^']*'|[A-Za-z0-9_-]+)\s*""")
_STRING = re.compile(r'"""(?:\\.|[^\\])*?"{3,5}' r"|'''.*?'{3,5}" r'|"(?:\\.|[^"\\\n])*"' r"|'[^'\n]*'", re.DOTALL)
_SCALAR = re.compile(r"[^\s,\]\}#]+(?: [0-9][^\s,\]\}#]*)?")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")


def edited_text(text: str, changes: Mapping[Loc, Any]) -> str:
    """Valid TOML ``text`` with other values at key paths; what is not there yet is added to its table.

    A path may end in a number, the place in a list. Values are text, whole and other numbers, truth values, and lists
    of them. A comment behind a value keeps its column where there is room. Raises ``ValueError`` where a path leads
    through something that is neither a table nor a list.
    """
    wanted = tomllib.loads(text)
    for loc, value in changes.items():
        _put(wanted, loc, value)
        text = _edited(text, loc, value)
    if tomllib.loads(text) != wanted:
        raise ValueError("the text holds tables in a way that cannot be edited in place")
    return text


def without_tables(text: str, loc: Loc) -> str:
    """Valid TOML ``text`` without the table, the list of tables or the value at a key path, and all that is in it.

    Comments before what comes next stay there. A path that leads nowhere changes nothing. Raises ``ValueError`` where
    the text holds it in a way that cannot be taken out, such as inside a table on one line.
    """
    wanted = tomllib.loads(text)
    if not _taken(wanted, loc):
        return text
    for start, end in reversed(_sections(text, loc)):
        text = text[:start] + text[end:]
    if _without_empty(tomllib.loads(text)) != _without_empty(wanted):
        raise ValueError("the text holds tables in a way that cannot be edited in place")
    return text


def toml_value(value: Any) -> str:
    """A value as TOML writes it, on one line. Raises ``TypeError`` for what has no place in a scene file."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, str):
        # a TOML basic string takes JSON's escapes
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list | tuple):
        return f"[{', '.join(toml_value(part) for part in value)}]"
    raise TypeError(f"{type(value).__name__} cannot be written in a scene file")


def _put(data: Any, loc: Loc, value: Any) -> None:
    for step in loc[:-1]:
        if isinstance(data, dict) and isinstance(step, str):
            data = data.setdefault(step, {})
        elif isinstance(data, list) and isinstance(step, int) and step < len(data):
            data = data[step]
        else:
            raise ValueError(f"{loc} does not lead to a value")
    last = loc[-1]
    fits = isinstance(data, dict) if isinstance(last, str) else isinstance(data, list) and last < len(data)
    if not fits:
        raise ValueError(f"{loc} does not lead to a value")
    data[last] = list(value) if isinstance(value, tuple) else value


def _taken(data: Any, loc: Loc) -> bool:
    """Take what a key path leads to out of plain data; whether there was anything."""
    for step in loc[:-1]:
        try:
            data = data[step]
        except (KeyError, IndexError, TypeError):
            return False
    last = loc[-1]
    there = last in data if isinstance(data, dict) else isinstance(last, int) and last < len(data)
    if there:
        del data[last]
    return there


def _without_empty(data: Any) -> Any:
    """Plain data without tables and lists in which nothing is."""
    if not isinstance(data, dict):
        return data
    kept = {key: _without_empty(value) for key, value in data.items()}
    return {key: value for key, value in kept.items() if value not in ({}, [])}


def _sections(text: str, loc: Loc) -> list[tuple[int, int]]:
    """The parts (start, end) of a text that a key path and all below it take, whole lines, in their order."""
    out = []
    counts: dict[Loc, int] = {}
    section: Loc = ()
    found = _Map()
    at = _past_blank(text, 0)
    while at < len(text):
        start = at
        if text[at] == "[":
            repeated = text.startswith("[[", at)
            keys, at = _keys(text, at + 1 + repeated)
            at += 1 + repeated
            section = path = _resolved(keys, repeated, counts)
        else:
            keys, at = _keys(text, at)
            path = section + keys
            at = _value(text, _past_blank(text, at + 1), path, found)
        line = text.find("\n", at)
        if path[: len(loc)] == loc:
            out.append((text.rfind("\n", 0, start) + 1, len(text) if line < 0 else line + 1))
        at = _past_blank(text, at)
    return out


@dataclass
class _Map:
    """Where things stand in a text: values (start, end) by key path, inline tables' closing braces, and for every
    table with a header the end of its last statement, or of the header itself."""

    values: dict[Loc, tuple[int, int]] = field(default_factory=dict)
    braces: dict[Loc, tuple[int, bool]] = field(default_factory=dict)
    ends: dict[Loc, int] = field(default_factory=dict)
    # (path of the table whose section it stands in, keys as written, end of the statement)
    statements: list[tuple[Loc, Loc, int]] = field(default_factory=list)


def _edited(text: str, loc: Loc, value: Any) -> str:
    found = _mapped(text)
    written = toml_value(value)
    if loc in found.values:
        start, end = found.values[loc]
        longer = 0 if "\n" in text[start:end] else len(written) - (end - start)
        return text[:start] + written + _kept_column(text[end:], longer)
    parent, key = loc[:-1], _key(loc[-1])
    if parent in found.braces:
        at, empty = found.braces[parent]
        return f"{text[:at].rstrip()}{' ' if empty else ', '}{key} = {written} {text[at:]}"
    dotted = [s for s in found.statements if (s[0] + s[1])[: len(parent)] == parent and len(s[0]) < len(parent)]
    if parent in found.ends:
        return _line_added(text, found.ends[parent], f"{key} = {written}")
    if dotted:
        section, _, end = dotted[-1]
        keys = ".".join(_key(part) for part in loc[len(section) :])
        return _line_added(text, end, f"{keys} = {written}")
    line_end = "\r\n" if "\r\n" in text else "\n"
    gap = "" if text.endswith("\n") or not text else line_end
    header = ".".join(_key(part) for part in parent)
    return f"{text}{gap}{line_end}[{header}]{line_end}{key} = {written}{line_end}"


def _key(part: str | int) -> str:
    if isinstance(part, int):
        raise ValueError("a list has no such place")
    return part if _BARE_KEY.fullmatch(part) else json.dumps(part, ensure_ascii=False)


def _kept_column(rest: str, longer: int) -> str:
    """``rest`` of a line behind a value that grew by ``longer`` letters, its comment in the column where it was."""
    blanks = len(rest) - len(rest.lstrip(" "))
    if not rest[blanks:].startswith("#") or blanks == 0:
        return rest
    return " " * max(1, blanks - longer) + rest[blanks:]


def _line_added(text: str, end: int, line: str) -> str:
    """``line`` put on a line of its own after the one in which ``end`` lies."""
    stop = text.find("\n", end)
    line_end = "\r\n" if "\r\n" in text else "\n"
    if stop < 0:
        return f"{text}{line_end}{line}{line_end}"
    return f"{text[: stop + 1]}{line}{line_end}{text[stop + 1 :]}"


def _mapped(text: str) -> _Map:
    found = _Map(ends={(): 0})
    counts: dict[Loc, int] = {}
    section: Loc = ()
    at = _past_blank(text, 0)
    first = True
    while at < len(text):
        if text[at] == "[":
            repeated = text.startswith("[[", at)
            keys, at = _keys(text, at + 1 + repeated)
            at += 1 + repeated
            section = _resolved(keys, repeated, counts)
            found.ends[section] = at
        else:
            keys, at = _keys(text, at)
            at = _value(text, _past_blank(text, at + 1), section + keys, found)
            found.statements.append((section, keys, at))
            found.ends[section] = at
        first = False
        at = _past_blank(text, at)
    if first or not any(s[0] == () for s in found.statements):
        # nothing stands before the first table: a key of the top would have to be put there
        del found.ends[()]
    return found


def _resolved(keys: Loc, repeated: bool, counts: dict[Loc, int]) -> Loc:
    path: Loc = ()
    for i, key in enumerate(keys):
        path = (*path, key)
        if repeated and i == len(keys) - 1:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def _past_blank(text: str, at: int) -> int:
    match = _BLANK.match(text, at)
    return match.end() if match else at


def _keys(text: str, at: int) -> tuple[Loc, int]:
    """Key path written at a place with dots, and where it ends."""
    parts: list[str] = []
    while True:
        match = _KEY_PART.match(text, at)
        if match is None:
            raise ValueError(f"no key at {at}")
        parts.append(next(iter(tomllib.loads(f"{match.group(1)} = 0"))))
        at = match.end()
        if not text.startswith(".", at):
            return tuple(parts), at
        at += 1


def _value(text: str, at: int, loc: Loc, found: _Map) -> int:
    """Note where the value at a place stands, and all in it; gives its end."""
    start = at
    if text[at] == "[":
        at = _past_blank(text, at + 1)
        number = 0
        while text[at] != "]":
            at = _past_blank(text, _value(text, at, (*loc, number), found))
            number += 1
            if text[at] == ",":
                at = _past_blank(text, at + 1)
        at += 1
    elif text[at] == "{":
        at = _past_blank(text, at + 1)
        empty = text[at] == "}"
        while text[at] != "}":
            keys, at = _keys(text, at)
            at = _past_blank(text, _value(text, _past_blank(text, at + 1), loc + keys, found))
            if text[at] == ",":
                at = _past_blank(text, at + 1)
        found.braces[loc] = (at, empty)
        at += 1
    else:
        match = _STRING.match(text, at) or _SCALAR.match(text, at)
        if match is None:
            raise ValueError(f"no value at {at}")
        at = match.end()
    found.values[loc] = (start, at)
    return at
