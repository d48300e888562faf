"""The text of a scene file, read as TOML 1.0, and where in it every key and value stands.

The standard library's reader decides what the text says. ``toml-rs``, where it is installed, then adds the place
of every value; without it, keys are found by a scan of the text, and a value inside a list or an inline table
takes the place of the whole.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from previz.errors import Fault, SceneError, quoted

try:
    from toml_rs import load_with_metadata
except ImportError:  # no wheel for this machine
    load_with_metadata = None

Loc = tuple[str | int, ...]
Place = tuple[int, int]  # line and column, both from 1

_DEEPEST = 12  # a scene needs four levels
_MOST_DOTS = 100  # in a line: a key of thousands of parts costs the reader their square

_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}'
    r"|'''.*?'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|\#[^\n]*"
    r"|[\[\]{}=\n]"
    r"|[^\S\n]+"
    r"|[^\s\[\]{}=\"'#]+",
    re.DOTALL,
)


@dataclass(frozen=True)
class Source:
    """The values of a scene file, and where each of them stands.

    ``data`` is the file as plain dicts and lists. Lines and columns count characters from 1.
    """

    data: dict[str, Any]
    _lines: list[str]
    _keys: Mapping[Loc, tuple[Place, Place]] = field(default_factory=dict)
    _nodes: Mapping[str, Any] = field(default_factory=dict)

    def value_place(self, loc: Loc) -> Place:
        """Where the value of a key path stands, or of the nearest table around it; (1, 1) for the whole file."""
        return self._place(loc, "value")

    def key_place(self, loc: Loc) -> Place:
        """Where the last key of a path is written; as :meth:`value_place` where it is not."""
        return self._place(loc, "key")

    def _place(self, loc: Loc, part: str) -> Place:
        for depth in range(len(loc), 0, -1):
            exact = depth == len(loc)
            place = self._node_place(loc[:depth], part if exact else "value")
            if place is None and loc[:depth] in self._keys:
                key, value = self._keys[loc[:depth]]
                place = key if exact and part == "key" else value
            if place is not None:
                return place
        return (1, 1)

    def _node_place(self, loc: Loc, part: str) -> Place | None:
        node: Any = self._nodes
        for step in loc:
            if _is_leaf(node):
                node = node.get("value")
            if isinstance(node, dict) and isinstance(step, str):
                node = node.get(step)
            elif isinstance(node, list) and isinstance(step, int) and 0 <= step < len(node):
                node = node[step]
            else:
                return None
        if not _is_leaf(node):
            return None  # a table with a header of its own, or one made by dotted keys
        line, column = node.get(f"{part}_line"), node.get(f"{part}_col")
        line = line[0] if isinstance(line, tuple) else line
        column = column[0] if isinstance(column, tuple) else column
        if not isinstance(line, int) or not isinstance(column, int) or not 1 <= line <= len(self._lines):
            return None
        # toml-rs counts bytes
        before = self._lines[line - 1].encode()[: column - 1]
        return (line, len(before.decode(errors="ignore")) + 1)


def _is_leaf(node: Any) -> bool:
    # the keys of a table lead to dicts, never to text: one that is called "key_raw" cannot be mistaken
    return isinstance(node, dict) and any(isinstance(node.get(raw), str) for raw in ("key_raw", "value_raw"))


def read_source(text: str, file: str) -> Source:
    """Read TOML text; ``file`` is how faults name it. Raises :class:`SceneError` with the one fault of syntax."""
    text = text.replace("\r\n", "\n")
    lines = text.split("\n")
    for number, line in enumerate(lines, 1):
        if line.count(".") > _MOST_DOTS and not line.lstrip().startswith("#"):
            raise SceneError([_too_deep(file, (number, 1))])
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SceneError([_syntax_fault(str(error), lines, file)]) from None
    except RecursionError:
        raise SceneError([_too_deep(file, _deepest(lines))]) from None
    except ValueError:  # a whole number with thousands of digits
        place = _longest_number(lines)
        raise SceneError([Fault(file, *place, "", "numbers of sensible size", "one of thousands of digits")]) from None
    if _deeper_than(data, _DEEPEST):
        raise SceneError([_too_deep(file, _deepest(lines))])
    keys = {loc: (key, value) for loc, key, value in _scan(text)}
    return Source(data, lines, keys, _nodes_of(text))


def _nodes_of(text: str) -> Mapping[str, Any]:
    # only ever given valid TOML of small depth: it ends the process on very deep nesting
    if load_with_metadata is None:
        return {}
    try:
        return dict(load_with_metadata(text, toml_version="1.0.0").meta["nodes"])
    except ValueError:
        return {}  # the two readers differ about a corner of the format: places come from the scan


def _too_deep(file: str, place: Place) -> Fault:
    return Fault(file, *place, "", "tables and lists nested a few levels deep", "far deeper nesting")


def _deepest(lines: list[str]) -> Place:
    """Where brackets or a key's dots are nested deepest, strings and all: near enough to look there."""
    depth, found, deepest = 0, (1, 1), -1
    for number, line in enumerate(lines, 1):
        for column, sign in enumerate(line, 1):
            depth += (sign in "[{") - (sign in "]}")
            if depth + line.count(".", 0, column) > deepest:
                found, deepest = (number, column), depth + line.count(".", 0, column)
    return found


def _longest_number(lines: list[str]) -> Place:
    runs = [(m.end() - m.start(), n, m.start() + 1) for n, text in enumerate(lines, 1)
            for m in re.finditer(r"[0-9a-fA-Fxob_]+", text)]  # fmt: skip
    _, line, column = max(runs, default=(0, 1, 1))
    return line, column


def _deeper_than(data: Any, limit: int) -> bool:
    level = [data]
    for _ in range(limit):
        level = [
            child
            for value in level
            if isinstance(value, (dict, list))
            for child in (value.values() if isinstance(value, dict) else value)
        ]
    return bool(level)


def _scan(text: str) -> Iterator[tuple[Loc, Place, Place]]:
    """Key path, place of the key, place of the value, for every statement and table header of valid TOML."""
    counts: dict[Loc, int] = {}
    table: Loc = ()
    line, line_start = 1, 0
    depth = 0
    statement: list[str] = []
    key_at = (1, 1)
    in_value, wants_value = False, False
    for match in _TOKEN.finditer(text):
        token = match.group()
        at = (line, match.start() - line_start + 1)
        header = bool(statement) and statement[0] == "["
        if token == "\n" and depth == 0:
            if header:
                table = _resolved("".join(statement), counts)
                yield table, key_at, key_at
                if table[-1] == 0:
                    yield table[:-1], key_at, key_at
            statement, in_value, wants_value = [], False, False
        elif token[0] == "#" or token.isspace():
            pass
        elif in_value:
            if wants_value:
                yield (*table, *_key_parts("".join(statement))), key_at, at
                wants_value = False
            depth += (token in "[{") - (token in "]}") if len(token) == 1 else 0
        elif token == "=" and not header:
            in_value = wants_value = True
        else:
            if not statement:
                key_at = at
            statement.append(token)
        newlines = token.count("\n")
        if newlines:
            line += newlines
            line_start = match.start() + token.rindex("\n") + 1
    if statement and statement[0] == "[":
        yield _resolved("".join(statement), counts), key_at, key_at


def _key_parts(text: str) -> Loc:
    node: Any = tomllib.loads(f"{text} = 0")
    parts: list[str] = []
    while isinstance(node, dict):
        part, node = next(iter(node.items()))
        parts.append(part)
    return tuple(parts)


def _resolved(header: str, counts: dict[Loc, int]) -> Loc:
    """The key path of a header, with the running number of every repeated table in it."""
    repeated = header.startswith("[[")
    names = _key_parts(header.strip("[]"))
    path: Loc = ()
    for i, name in enumerate(names):
        path = (*path, name)
        if repeated and i == len(names) - 1:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


# what the standard library's reader says, and what that is in plain words
_FOUND = (
    ("expected newline", "more text after the value"),
    ("expected '=' after a key", 'no "=" after a key'),
    ("invalid statement", 'a line that is neither "key = value" nor a [table]'),
    ("invalid value", "a value that cannot be read"),
    ("unclosed array", 'a list without a comma or its closing "]"'),
    ("unclosed inline table", 'an inline table without a comma or its closing "}"'),
    ("unterminated string", "a text without its closing quote"),
    ("expected ']", "a table name without its closing bracket"),
    ("expected \"", "a text without its closing quote"),
    ("expected '", "a text without its closing quote"),
    ("invalid initial character for a key", "a key that cannot be read"),
    ("unescaped '\\' in a string", "a single \\ in a text"),
    ("illegal character", "a character that may not stand there"),
)
_HINTS = (
    (r"=\s*[-+]?[0-9./]+\s*(mm|cm|m|in|ft|s|ms)\b|=\s*[0-9.]+\s*[\"']", 'put a quantity in quotes: "850 mm"'),
    (r"=\s*[-+]?[0-9.]+\s*(deg|rad|°)", 'put an angle in quotes: "-8 deg"'),
    (r"=\s*([fF]/|[tT])\s*[0-9]", 'put a stop in quotes: "f/22"'),
    (r"=\s*1\s*:\s*[0-9]", 'put a scale in quotes: "1:20"'),
    (r"=\s*[0-9.]+\s*%", 'put a percentage in quotes: "10%"'),
    (r"[“”„‘]", 'use plain straight quotes: "'),
    (r"=\s*(True|False)\b", "write true or false in small letters"),
    (r"=\s*[0-9]+,[0-9]", "write a decimal point, not a comma"),
    (r"\\", "in a file name write / instead of \\"),
    (r"=\s*(#.*)?$", "write a value after ="),
    (r"=\s*\{[^}]*(,\s*\})?$", "an inline table { } stays on one line, with no comma at its end"),
    (r"=\s*[A-Za-z]", "put text in quotes"),
)


def _syntax_fault(message: str, lines: list[str], file: str) -> Fault:
    where = re.search(r" \(at (?:line ([0-9]+), column ([0-9]+)|end of document)\)$", message)
    last = max((i for i, text in enumerate(lines, 1) if text.strip()), default=1)
    line, column = last, len(lines[last - 1]) + 1
    if where is not None:
        message = message[: where.start()]
        if where.group(1):
            line, column = int(where.group(1)), int(where.group(2))
    text = lines[line - 1] if line <= len(lines) else ""
    small = message.lower()
    if "overwrite a value" in small or "twice" in small:
        key = text.split("=")[0].strip().strip("[]").strip()
        hint = "keep one of the two"
        if text.strip().startswith("["):
            hint += "; a table that may come several times has double brackets, [[lamp]]"
        column = len(text) - len(text.lstrip()) + 1
        return Fault(file, line, column, "", "every key and table once", f"a second {quoted(key)}", hint)
    found = next((plain for start, plain in _FOUND if small.startswith(start)), small)
    if text.strip():
        found += f" in {quoted(text.strip())}"
    hint = next((hint for pattern, hint in _HINTS if re.search(pattern, text)), "")
    if not hint and "closing" in found:
        hint = "perhaps it is on a line above"
    return Fault(file, line, column, "", "text in the TOML format", found, hint)
