"""Tells: what gives each broken piece of the outline away, found by taking one cause away at a time.

The frame is judged again with the shadow of the bridge gone, with no shine on the paint, with everything in focus and
at rest, with paint that lines up, with the right mean colour, with the right grain; the first of these that mends a
piece is its tell. Where no single one does, the kind of step that stands out most is named. And where the right paint
would mend a piece, but the nearest that paint can be made does not, no paint is bright or dark enough there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz.judge.breaks import Break, Floats, Sides, decided, sides_of
from previz.judge.ordinary import Ordinary
from previz.judge.steps import KINDS
from previz.judge.telltable import TELLS
from previz.judge.trace.traces import Trace
from previz.judge.viewer import Viewer
from previz.workshop.surface import Picture

# what tells where no single cause does: all but grain is of another colour than what lies beside it
_KIND_TELLS = {"grain": "grain", "sharpness": "grain"}
TELL_OF_KIND: Final = np.array([TELLS.index(_KIND_TELLS.get(kind, "colour")) for kind in KINDS], dtype=np.int8)

# paint that has drifted by less than this many delivered pixels has not slipped
_SLIPPED_PX = 1.0

# tells that right paint would mend
_OF_PAINT = tuple(TELLS.index(word) for word in ("slip", "colour", "grain"))

# a tell of fewer broken pieces than this share is not named for a frame
_WORTH_NAMING = 0.1


@dataclass(frozen=True, eq=False)
class Mended:
    """What the windows would see with one cause taken away: ``right_paint`` shows exactly what it hides, ``without``
    holds those other tells of the table that there are to take away, by word. ``best_paint`` looks at the bridge
    painted as nearly right as there is paint for it; it is None, or gives None, where there is paint for everything."""

    right_paint: Sides
    without: Mapping[str, Sides]
    best_paint: Callable[[], Sides | None] | None = None


def _channels(sides: Sides, other: Sides, channels: slice) -> Sides:
    """The sides with some channels of the fields as the other sides have them."""
    seen = np.array(sides.seen)
    seen[..., channels] = other.seen[..., channels]
    return replace(sides, seen=seen)


def tells_of(
    found: Break, sides: Sides, mended: Mended, ordinary: Ordinary, viewer: Viewer, continues_wall: bool, slip_px: float
) -> NDArray[np.int8]:
    """Index into ``TELLS`` (N,) of each broken piece's tell, -1 where a piece is not broken.

    ``continues_wall`` says whether the paint was made to line up with the wall from somewhere, ``slip_px`` how far it
    has drifted: only such paint can slip.
    """
    slipped = continues_wall and slip_px >= _SLIPPED_PX
    taken_away = {
        **mended.without,
        "slip": mended.right_paint if slipped else None,
        "colour": _channels(sides, mended.right_paint, slice(0, 3)),
        "grain": _channels(sides, mended.right_paint, slice(3, 4)),
    }
    tell = np.full(len(found.broken), -1, dtype=np.int8)
    # shine before all others: where matt paint would mend a piece it is the coat, whatever else would mend it too
    for name in sorted(TELLS, key=lambda word: word != "shine"):
        index = TELLS.index(name)
        without, left = taken_away.get(name), found.broken & (tell < 0)
        if without is None or not left.any():
            continue
        tell[left & ~decided(without, found.outline, ordinary, viewer, only=found.seat).broken] = index
    left = found.broken & (tell < 0)
    tell[left] = TELL_OF_KIND[found.kind[left]]

    def broken(other: Sides) -> NDArray[np.bool_]:
        return decided(other, found.outline, ordinary, viewer, only=found.seat).broken

    # what right paint would mend, if only there were such paint
    painted = np.isin(tell, _OF_PAINT)
    best = mended.best_paint() if mended.best_paint is not None and painted.any() else None
    if best is not None:
        tell[painted & broken(best) & ~broken(mended.right_paint)] = TELLS.index("range")
    return tell


def trace_tells(
    trace: Trace, matt: tuple[Picture, Picture] | None, ordinary: Ordinary, viewer: Viewer
) -> NDArray[np.int8]:
    """Index into ``TELLS`` (N,) of each found piece of a trace, -1 elsewhere.

    What goes away with the gloss (``matt`` is the frame without it) is a mirror image, what is darker than the clean
    frame is shadow, what is brighter is bounce.
    """
    found = trace.found
    tell = np.full(len(found.broken), -1, dtype=np.int8)
    left = found.broken.copy()
    larger = _larger_change(trace.sides)
    if matt is not None and left.any():
        sides = sides_of(*matt, found.outline, viewer)
        gone = ~decided(sides, found.outline, ordinary, viewer, True, found.seat).broken
        # a patch is no step: it is gone where most of its change is
        gone = np.where(trace.patch, np.abs(_larger_change(sides)) < 0.5 * np.abs(larger), gone)
        tell[left & gone] = TELLS.index("mirror")
        left &= ~gone
    tell[left] = np.where(larger[left] < 0.0, TELLS.index("shadow"), TELLS.index("bounce"))
    return tell


def _larger_change(sides: Sides) -> Floats:
    """How much lighter (N,), L*, the picture has become on that side of each piece on which it has changed more: the
    mean beside it, all widths alike."""
    change = (sides.seen[:2, ..., 0] - sides.clean[:2, ..., 0]).mean(axis=1)
    return np.asarray(np.take_along_axis(change, np.abs(change).argmax(axis=0)[None], axis=0)[0])


def named(*told: tuple[Break, NDArray[np.int8]]) -> tuple[str, ...]:
    """The tells of a frame's outline and traces, the one of most pieces first; none where nothing is found."""
    counts = np.zeros(len(TELLS), dtype=np.int64)
    for found, tell in told:
        if found.percent > 0.0:
            counts += np.bincount(tell[found.broken], minlength=len(TELLS))
    order = sorted(range(len(TELLS)), key=lambda k: (-counts[k], k))
    return tuple(TELLS[k] for k in order if counts[k] >= _WORTH_NAMING * max(int(counts.sum()), 1) and counts[k] > 0)
