"""Where in the text every key and value stands: two ways of finding out, which must agree."""

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest

from previz.errors import SceneError
from previz.scene import source
from previz.scene.source import Loc, read_source
from previz.scene.starter import starter_text
from tests.scene.example import EXAMPLE

ODD = '''\
# é é
title = "é" # ü
"quo ted" = 1
a . b = "x"   # dotted
text = """
[not.a.table]
key = "no"
"""
raw = \'\'\'
[[nor.this]]\'\'\'
list = [
  "one", # ]
  ["two", [3]], { x = 4 },
]
[ camera ]
position = ["ü", "160 mm", "1250 mm"]
door = { width = "60 mm", height = "110 mm" }
[[lamp]]
name = "a"
[[lamp]]
name = "b"
[lamp.inner]
deep = 1
[x."y.z"]
w = 2'''


def leaves(value: Any, loc: Loc = ()) -> Iterator[tuple[Loc, Any]]:
    """Every key path of plain data with its value, tables and lists included."""
    if loc:
        yield loc, value
    if isinstance(value, dict):
        for key, child in value.items():
            yield from leaves(child, (*loc, key))
    if isinstance(value, list):
        for i, child in enumerate(value):
            yield from leaves(child, (*loc, i))


def value_at(text: str, line: int, column: int) -> Any:
    """What stands at a place of TOML text, read by the standard library."""
    rest = "\n".join([text.split("\n")[line - 1][column - 1 :], *text.split("\n")[line:]])
    for end in range(1, len(rest) + 1):
        # the shortest piece that is a value and is followed by what may follow a value
        if end == len(rest) or rest[end] in " \t\n,]}#":
            try:
                return tomllib.loads(f"v = {rest[:end]}\n")["v"]
            except tomllib.TOMLDecodeError:
                continue
    raise AssertionError(f"no value at {line}:{column}")


@pytest.mark.parametrize("text", [EXAMPLE, ODD, starter_text("x"), EXAMPLE.replace("\n", "\r\n")])
def test_places_point_at_the_values(text: str) -> None:
    pytest.importorskip("toml_rs")
    read = read_source(text, "f")
    text = text.replace("\r\n", "\n")
    seen = 0
    for loc, value in leaves(read.data):
        line, column = read.value_place(loc)
        start = text.split("\n")[line - 1][column - 1 :]
        if not start.startswith("[") or isinstance(value, list):
            if isinstance(value, dict) and not start.startswith("{"):
                continue  # a table made by dotted keys stands where its first key does
            if isinstance(value, list) and value and isinstance(value[0], dict):
                continue  # repeated tables
            assert value_at(text, line, column) == value, loc
            seen += 1
        else:
            header = start.split("#")[0].strip(" []").replace(" ", "")
            assert header.replace('"', "") == ".".join(p for p in loc if isinstance(p, str)), loc
    assert seen > 15


@pytest.mark.parametrize("text", [EXAMPLE, ODD, starter_text("x")])
def test_the_scan_finds_the_places_that_the_other_reader_finds(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("toml_rs")
    both = read_source(text, "f")
    monkeypatch.setattr(source, "load_with_metadata", None)
    scan = read_source(text, "f")
    for loc in scan._keys:
        assert scan.value_place(loc) == both.value_place(loc), loc
        # of a dotted key one gives the first part, one the last; of a repeated table one the bracket, one the name
        if not isinstance(loc[-1], int) and loc[-1] not in ("b", "lamp"):
            assert scan.key_place(loc) == both.key_place(loc), loc
    assert len(scan._keys) >= 12


def test_what_is_not_there_takes_the_place_of_the_table_around_it() -> None:
    read = read_source(EXAMPLE, "f")
    lines = EXAMPLE.split("\n")
    assert read.value_place(("camera", "roll")) == (lines.index("[camera]") + 1, 1)
    assert read.value_place(("lamp", 0, "position")) == (lines.index("[[lamp]]") + 1, 1)
    assert read.value_place(("light", "ambient")) == (1, 1)


SYNTAX = [
    ("[bridge]\nlength = 850 mm\n", 2, "quotes"),
    ("tilt = -8 deg\n", 1, '"-8 deg"'),
    ("stop = f/22\n", 1, '"f/22"'),
    ("scale = 1:20\n", 1, '"1:20"'),
    ("ease = 10%\n", 1, '"10%"'),
    ("a = True\n", 1, "small letters"),
    ("a = “x”\n", 1, "straight quotes"),
    ("a = 1,8\n", 1, "decimal point"),
    ('p = "a\\new"\n[b]\nq = "a\\q"\n', 3, "/ instead of"),
    ("a =\n", 1, "a value after ="),
    ("a = 1\nb\n", 2, 'no "="'),
    ("a = [1, 2\nb = 3\n", 2, "line above"),
    ("a = 'x\n", 1, "closing quote"),
    ("[a\nb = 1\n", 1, "closing bracket"),
    ("a = 1\na = 2\nb = 3\n", 2, 'a second "a"'),
    ("[a]\nx = 1\n[a]\n", 3, "double brackets"),
    ("d = { a = 1,\nb = 2 }\n", 1, "one line"),
    ("a = \x01\n", 1, "cannot be read"),
]


@pytest.mark.parametrize(("text", "line", "says"), SYNTAX)
def test_a_fault_of_syntax_names_its_line_and_what_to_do(text: str, line: int, says: str) -> None:
    with pytest.raises(SceneError) as caught:
        read_source(text, "walk.toml")
    (fault,) = caught.value.faults
    assert fault.line == line
    assert says in str(fault)
    assert "\n" not in str(fault)


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 50_000 + "]" * 50_000,
        "a = " + "{b=" * 20_000 + "1" + "}" * 20_000,
        "a" + ".a" * 50_000 + " = 1",
        "[a" + ".a" * 50_000 + "]",
        "a = " + "[" * 20 + "]" * 20,
        "a = " + "9" * 5000,
        "[" * 100_000,
        "a = '\"\"\"\n" + "[" * 50_000 + "\n\"\"\"",
    ],
)  # fmt: skip
def test_deep_or_endless_text_is_refused(text: str) -> None:
    with pytest.raises(SceneError) as caught:
        read_source(text, "walk.toml")
    assert len(caught.value.faults) == 1
    assert len(str(caught.value)) < 300
