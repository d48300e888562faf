"""Findings: what of a judged frame is found, stretch by stretch, in words a film-maker can act on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from previz.judge.breaks import Break
from previz.judge.frame import JudgedFrame
from previz.judge.telltable import TELLS
from previz.judge.viewer import Viewer

Array = NDArray[np.float64]

# an edge strays from the straight line between its ends by less than this share of their distance, or it is bent
_STRAIGHT: Final = 0.03

# stretches that are shorter than this share of the longest are not worth a sentence
_WORTH_SAYING: Final = 0.1

# what each tell is called in a sentence
_NAMES: Final = {
    "shadow": "edge of shadow",
    "shine": "edge of shine",
    "focus": "edge that is not as sharp as what lies beside it",
    "slip": "edge where the paint has drifted",
    "range": "edge where no paint is bright or dark enough",
    "colour": "edge of another tone or colour",
    "grain": "edge of another grain",
    "bounce": "edge of light that the bridge throws",
    "mirror": "edge of a mirror image",
}


@dataclass(frozen=True)
class FoundStretch:
    """One stretch that is found. ``trace`` says that it lies beside the bridge, not along its outline.

    ``x_px`` and ``y_px`` are its middle in the frame, ``length_px`` its length there, ``length_deg`` that in the middle
    viewer's field; ``step_de`` dE*ab the colour step that the bridge adds, ``times_limit`` how many times its largest
    step is as large as the limit.
    """

    tell: str
    trace: bool
    x_px: float
    y_px: float
    length_px: float
    length_deg: float
    step_de: float
    times_limit: float
    straight: bool
    where: str

    @property
    def sentence(self) -> str:
        """What is found, in words: "a straight edge of shadow, 190 px long, 9 dE, left of the bridge"."""
        bent = "straight" if self.straight else "bent"
        name = _NAMES.get(self.tell, "edge")
        return f"a {bent} {name}, {self.length_px:.0f} px long, {self.step_de:.1f} dE, {self.where}"


def findings_of(judged: JudgedFrame) -> list[FoundStretch]:
    """What is found in a frame, the longest first; stretches are of one line and one tell."""
    found, trace = judged.found, judged.trace
    if found is None:
        return []
    low, high = found.outline.xy.min(axis=0), found.outline.xy.max(axis=0)
    out = _stretches(found, judged.tell, judged.height_px, False, low, high)
    if trace is not None:
        out += _stretches(trace, judged.trace_tell, judged.height_px, True, low, high)
    out.sort(key=lambda each: (-each.length_px, each.x_px, each.y_px))
    return [each for each in out if each.length_px >= _WORTH_SAYING * out[0].length_px]


def _stretches(
    found: Break, tell: NDArray[np.int8] | None, height_px: int, trace: bool, low: Array, high: Array
) -> list[FoundStretch]:
    """Stretches of found pieces of equal tell; ``low`` and ``high`` (2,) px are the corners of the bridge's outline."""
    px_per_deg = Viewer(height_px).px_per_deg
    out = []
    tells = np.full(len(found.broken), -1, dtype=np.int64) if tell is None else tell.astype(np.int64)
    for number, closed in enumerate(found.outline.closed):
        rows = np.flatnonzero(found.outline.line == number)
        broken = found.broken[rows]
        if closed and broken.any() and not broken.all():
            # a stretch that goes over the joint is one
            rows = np.roll(rows, -int(np.flatnonzero(~broken)[0]))
        key = np.where(found.broken[rows], tells[rows] + 1, -1)
        for part in np.split(rows, np.flatnonzero(np.diff(key)) + 1):
            if len(part) < 2 or not found.broken[part[0]]:
                continue
            xy = found.outline.xy[part]
            length = len(part) * found.outline.spacing_px
            middle = xy[len(xy) // 2]
            name = TELLS[tells[part[0]]] if tells[part[0]] >= 0 else ""
            step = 0.0 if found.step_de is None else float(np.median(found.step_de[part]))
            where = _beside(middle, low, high) if trace else _along(found.outline.normal[part].mean(axis=0))
            most = float(found.size[part].max())
            x, y = float(middle[0]), float(middle[1])
            one = FoundStretch(name, trace, x, y, length, length / px_per_deg, step, most, _straight(xy), where)
            out.append(one)
    return out


def _straight(xy: NDArray[np.floating[Any]]) -> bool:
    """Whether points (N, 2) in a row lie on a line."""
    chord = xy[-1] - xy[0]
    reach = float(np.hypot(*chord))
    if reach == 0.0:
        return False
    away = np.abs((xy - xy[0]) @ np.array([-chord[1], chord[0]])) / reach
    return bool(away.max() <= _STRAIGHT * reach)


def _along(normal: Array) -> str:
    """Which side of the bridge has this normal (2,), x right and y down."""
    if abs(normal[0]) >= abs(normal[1]):
        return f"along the bridge's {'right' if normal[0] > 0.0 else 'left'} edge"
    return f"along the bridge's {'lower' if normal[1] > 0.0 else 'upper'} edge"


def _beside(at: Array, low: Array, high: Array) -> str:
    """Where a place (2,) px lies of the bridge, which reaches from ``low`` to ``high`` (2,) px."""
    if at[0] < low[0] or at[0] > high[0]:
        return f"{'left' if at[0] < low[0] else 'right'} of the bridge"
    if at[1] < low[1] or at[1] > high[1]:
        return f"{'above' if at[1] < low[1] else 'below'} the bridge"
    middle = 0.5 * (low[0] + high[0])
    return f"beside the bridge, to its {'left' if at[0] < middle else 'right'}"
