"""What a message quotes of foreign text can be printed, whatever it is."""

from __future__ import annotations

import pickle
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from previz.errors import Fault, OutputError, PlateError, SceneError, printable, quoted

# ECMA-48 escapes that clear a screen and set a window's title; Unicode TR 36's override of the direction of writing
EVIL = "\x1b[2J\x1b]0;owned\x07 \x9b31m \u202egpj.exe\u2066 \u2028 \ud800 \x7f \r"


@given(st.text(st.characters(codec=None), max_size=80))
def test_nothing_is_left_that_a_terminal_obeys(text: str) -> None:
    shown = printable(text)
    kinds = {unicodedata.category(c) for c in shown if c != "\n"}
    assert not kinds & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    assert len(shown) == len(text)
    assert "\n" not in quoted(text)


def test_what_can_be_read_stays() -> None:
    assert printable("Steinbruch Söhne, 岩 № 3: 40 µm\nnext") == "Steinbruch Söhne, 岩 № 3: 40 µm\nnext"
    assert quoted("a" * 60) == '"' + "a" * 50 + '..."'


@pytest.mark.parametrize("kind", [PlateError, OutputError])
def test_every_error_is_printable(kind: type[Exception]) -> None:
    error = kind(f"take{EVIL}.csv: no such file")
    assert str(error).isprintable()
    assert str(pickle.loads(pickle.dumps(error))) == str(error)


def test_a_fault_is_printable() -> None:
    error = SceneError([Fault("a.toml", 3, 1, f"wall.{EVIL}", "a key", EVIL)])
    assert str(error).replace("\n", "").isprintable()
    assert len(str(pickle.loads(pickle.dumps(error)))) == len(str(error))
