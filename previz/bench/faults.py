"""Faults of a scene in words for the page: placed in the file, or in one line beside the field that was set."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from previz.bench.knobs import KNOBS, Written
from previz.errors import Fault, SceneError, quoted

# letters of a faulty line that are shown
_LINE = 160


def placed_faults(error: SceneError, text: str, file: str) -> list[dict[str, Any]]:
    """Faults for the page: a text, line and column from 1 (0: nowhere), and the line itself with the caret's place."""
    lines = text.replace("\r\n", "\n").split("\n")
    return [_placed_fault(fault, lines, file) for fault in error.faults]


def refusal(values: dict[str, Written], error: SceneError) -> str:
    """One line on why values that were set cannot be, what was wanted quoted with it."""
    own = [fault for fault in error.faults if any(_is_about(fault, name) for name in values)]
    fault = (own or list(error.faults))[0]
    hint = f" ({fault.hint})" if fault.hint else ""
    wanted = " and ".join(quoted(str(value)) for value in values.values())
    is_not = "is not set" if len(values) == 1 else "are not set"
    key = "" if own and len(values) == 1 else f"{fault.key}: "
    found = "" if fault.found.strip("\"'") in {str(value) for value in values.values()} else f", found {fault.found}"
    return f"{wanted} {is_not}: {key}expected {fault.expected}{found}{hint}"


def about(error: SceneError, names: Collection[str]) -> tuple[str, ...]:
    """Those of the knobs named that faults are about; all of them where no fault says."""
    return tuple(n for n in names if any(_is_about(fault, n) for fault in error.faults)) or tuple(names)


def _is_about(fault: Fault, name: str) -> bool:
    place = ".".join(str(part) for part in KNOBS[name].loc if isinstance(part, str))
    return fault.key == place or fault.key.startswith((f"{place}.", f"{place}["))


def _placed_fault(fault: Fault, lines: list[str], file: str) -> dict[str, Any]:
    source, caret = "", 0
    if 1 <= fault.line <= len(lines):
        source, caret = lines[fault.line - 1].replace("\t", " "), max(fault.column - 1, 0)
        cut = max(0, caret - _LINE // 2)
        source, caret = source[cut : cut + _LINE], caret - cut
    place = f"{file}, line {fault.line}, column {fault.column}" if fault.line else file
    key = f"{fault.key}: " if fault.key else ""
    hint = f" ({fault.hint})" if fault.hint else ""
    return {
        "text": f"{place}: {key}expected {fault.expected}, found {fault.found}{hint}",
        "line": fault.line,
        "column": fault.column,
        "source": source,
        "caret": caret,
    }
