"""Ladders of written quantities: what a search may change, in steps that are written as people write them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal

from previz import units

# whole numbers, however narrow their bounds
_WHOLE = ("station", "stand", "slide")

# narrow bounds still have this many steps
_FEWEST_STEPS = 20


@dataclass(frozen=True)
class Freedom:
    """One thing that may change: whole numbers of ``step`` from ``lowest`` to ``highest``, or one of ``choices``."""

    name: str
    unit: str
    step: Decimal
    lowest: int
    highest: int
    choices: tuple[str, ...] = ()

    def text(self, share: float) -> str:
        """The value at ``share``, 0 to 1, of the way from lowest to highest, as it is written."""
        share = min(max(share, 0.0), 1.0)
        if self.choices:
            return self.choices[min(int(share * len(self.choices)), len(self.choices) - 1)]
        number = self.lowest + round(share * (self.highest - self.lowest))
        return with_unit(number * self.step, self.unit)

    def share_of(self, text: str) -> float:
        """Where a written value lies between lowest, 0, and highest, 1; held at the ends."""
        if text in self.choices:
            return (self.choices.index(text) + 0.5) / len(self.choices)
        return self.share(number_of(text))

    def share(self, value: float) -> float:
        """Where a value (inside unit) lies between lowest, 0, and highest, 1; held at the ends."""
        if self.choices:
            near = min(range(len(self.choices)), key=lambda i: abs(number_of(self.choices[i]) - value))
            return (near + 0.5) / len(self.choices)
        steps = value / (size_of(self.unit) * float(self.step))
        return min(max((steps - self.lowest) / max(self.highest - self.lowest, 1), 0.0), 1.0)


def with_unit(number: Decimal, unit: str) -> str:
    """A number and its unit as a scene file has them, without idle noughts: ``432.5 mm``."""
    text = f"{number.normalize():f}"
    text = "0" if text == "-0" else text
    return f"{text} {unit}" if unit else text


def number_of(text: str) -> float:
    """The value of a written quantity in the inside unit."""
    if text.endswith("mm"):
        return units.length(text)
    return units.angle(text) if text.endswith("deg") else float(text)


def size_of(unit: str) -> float:
    """A unit of the ladders in the inside unit."""
    return {"mm": 1e-3, "deg": math.pi / 180.0, "": 1.0}[unit]


def bounded(name: str, bounds: tuple[float, float], unit: str, text: str) -> Freedom:
    """A freedom between two values (inside unit), in steps written as ``text`` in a ``unit``; finer where they would
    be few."""
    low, high = (float(bound) / size_of(unit) for bound in bounds)
    step = Decimal(text)
    while name not in _WHOLE and (high - low) / float(step) < _FEWEST_STEPS:
        step /= 10
    # a bound that is written as whole steps is one of the values
    lowest, highest = math.ceil(low / float(step) - 1e-6), math.floor(high / float(step) + 1e-6)
    return Freedom(name, unit, step, lowest, max(highest, lowest))


def written(value: float, unit: str) -> str:
    """Shortest text of a value (inside unit) to a millionth of its written unit."""
    return with_unit(Decimal(f"{value / size_of(unit):.6f}"), unit)
