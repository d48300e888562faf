"""Values to try, as asked for on the command line: ``"120..240 mm x 4"``, ``"28, 35, 50 mm"``, ``"-8 deg"``."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np

from previz.errors import UnitError

_NUMBER = re.compile(r"^\s*[+-]?[0-9./ ]+$")
_UNIT = re.compile(r"[a-zA-Z°\"']+\s*$")
_MOST = 1000

# of a wrong text, so much is shown again
_SHOWN = 60


def values_of(text: str, parse: Callable[[str], float], name: str) -> tuple[float, ...]:
    """The values that ``text`` asks for, in the inside unit, in order.

    ``parse`` reads one value with its unit; a value without a unit takes that of the last. Raises ``UnitError``,
    naming ``name``, where the text cannot be read.
    """
    span = re.fullmatch(r"(.+?)\.\.(.+?)\s+x\s*([0-9]{1,9})\s*", text)
    try:
        if span is not None:
            first, last, count = span.group(1), span.group(2), int(span.group(3))
            if not 1 <= count <= _MOST:
                raise UnitError(f"{count} values are not between 1 and {_MOST}")
            ends = parse(_with_unit(first, last)), parse(last)
            return tuple(float(v) for v in np.linspace(*ends, count))
        parts = text.split(",")
        return tuple(parse(_with_unit(part, parts[-1])) for part in parts)
    except UnitError as error:
        text = text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."
        hint = 'write a span like "120..240 mm x 4" or values like "28, 35 mm"'
        raise UnitError(f'--{name} "{text}": {error}; {hint}') from None


def _with_unit(text: str, last: str) -> str:
    unit = _UNIT.search(last)
    return f"{text.strip()} {unit.group(0)}" if unit and _NUMBER.match(text) else text
