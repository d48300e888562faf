"""Files of ``previz/static`` as pages carry them, with the table of tells put into script and style sheet."""

from __future__ import annotations

import json
from collections.abc import Iterable
from importlib.resources import files
from typing import Final

from previz.judge.telltable import HIDDEN, SHOWS, TELL_TABLE, Tell

# each stands once in its file; what is there before is what the file needs to be read alone
SCRIPT_MARK: Final = "/* tells */[]"
STYLE_MARK: Final = "/* tells */"


def static_text(name: str) -> str:
    """A file of ``previz/static`` as text; ``draw.js`` and ``look.css`` know every tell of the table."""
    text = files("previz").joinpath("static", *name.split("/")).read_text(encoding="utf-8")
    if name == "draw.js":
        return _filled(text, SCRIPT_MARK, tell_script((HIDDEN, *TELL_TABLE, SHOWS)))
    if name == "look.css":
        return _filled(text, STYLE_MARK, tell_style((*TELL_TABLE, SHOWS)))
    return text


def tell_script(tells: Iterable[Tell]) -> str:
    """The tells as a list of JavaScript: ``{word, dash, meaning}`` each, in order."""
    return json.dumps([{"word": t.word, "dash": t.dash, "meaning": t.meaning} for t in tells])


def tell_style(tells: Iterable[Tell]) -> str:
    """A rule of CSS for each tell's line, ``.t-WORD``."""
    return "\n".join(f".t-{t.word} {{ stroke: #{bytes(t.colour).hex()}; stroke-width: 3.6px; }}" for t in tells)


def _filled(text: str, mark: str, filling: str) -> str:
    before, found, after = text.partition(mark)
    if not found or mark in after:
        raise RuntimeError(f"{mark!r} has to stand once in the file")
    return before + filling + after
