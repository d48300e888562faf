"""Which foot bears the weight in every delivered frame: the contacts that a walk is planted by.

A walker has both feet down for a moment between two steps. One contact then hands over to the next: the first bears the
weight until shortly before its foot leaves, the next from there on, and the figure goes over from the one to the other
within the frames between. Contacts do not overlap.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from previz.geometry import Array
from previz.plate.walk.soles import downs, runs
from previz.scene.element import FootStep

LEFT, RIGHT = 0, 1
FEET = ("left", "right")

# time (s) that a walk takes at most and at least to go over from one foot to the other; both feet are down for a tenth
# to an eighth of a second at a walk's usual pace (textbook range, from memory)
_MOST_S, _LEAST_S = 0.16, 0.08


@dataclass(frozen=True)
class Contact:
    """A foot (``LEFT`` or ``RIGHT`` in the picture) that is planted from index ``first`` to ``last`` of the delivered
    frames, both included, ``at`` m from the sill. ``middle`` is the index at which the body is over it: perhaps between
    two frames, and outside of them where the film begins or ends within a step."""

    first: int
    last: int
    foot: int
    at: float
    middle: float


def found_contacts(places: Array, height: float, rate: float, marks: Array) -> list[Contact]:
    """Contacts of feet at ``places`` (N, 2, 2) px in the figure's pictures (see :func:`previz.plate.walk.soles.downs`).

    ``marks`` (N,) m from the sill is where the performer is: each foot is planted where they are in the middle of its
    contact, as a walker's body passes over the foot then.
    """
    down = downs(places, height, rate)
    spans = [(first, last, foot) for foot in (LEFT, RIGHT) for first, last in runs(down[:, foot])]
    whole = [last - first for first, last, _ in spans if first > 0 and last < len(marks) - 1]
    half = 0.5 * float(np.median(whole)) if whole else math.inf
    chain: list[Contact] = []
    for first, last, foot in _chain(spans):
        middle = 0.5 * (first + last)
        # a step that the film's beginning or end cuts short was as long as the others
        if first == 0:
            middle = min(middle, last - half) if whole else middle
        elif last == len(marks) - 1:
            middle = max(middle, first + half) if whole else middle
        contact = Contact(first, last, foot, 0.0, middle)
        if chain:
            chain[-1], contact = _handed_over(chain[-1], contact, rate)
        chain.append(contact)
    kept = [each for each in chain if each.last >= each.first]
    index = np.arange(len(marks))
    return [replace(each, at=float(np.interp(each.middle, index, marks))) for each in kept]


def _chain(spans: Sequence[tuple[int, int, int]]) -> list[tuple[int, int, int]]:
    """The fewest spans that cover what all of them cover, in order."""
    out: list[tuple[int, int, int]] = []
    end = -1
    while later := [span for span in spans if span[1] > end]:
        touching = [span for span in later if span[0] <= end + 1]
        # of those that follow on the one that bears the weight longest; else whatever comes next
        chosen = max(touching, key=lambda span: (span[1], -span[0])) if touching and out else min(
            later, key=lambda span: (span[0], -span[1])
        )
        out.append(chosen)
        end = chosen[1]
    return out


def _handed_over(one: Contact, other: Contact, rate: float) -> tuple[Contact, Contact]:
    most, least = max(round(_MOST_S * rate), 1), max(round(_LEAST_S * rate), 1)
    begin, end = other.first, one.last
    if begin - end > least:
        return one, other
    if end - begin >= least:
        # both are down: as late as may be, while the one still is
        return replace(one, last=end - min(most, end - begin)), replace(other, first=end)
    middle = (begin + end) // 2
    early, late = middle - least // 2, middle - least // 2 + least
    return replace(one, last=min(early, end)), replace(other, first=max(late, begin))


def told_contacts(steps: Sequence[FootStep], frames: Sequence[int], places: Array) -> list[Contact]:
    """Contacts as the scene tells them; a foot that is not named is the one that stays in place best.

    ``places`` (N, 2, 2) px are those of the feet. Steps outside ``frames`` are left out.
    """
    out = []
    for step in steps:
        first, last = max(step.frames[0], frames[0]) - frames[0], min(step.frames[1], frames[-1]) - frames[0]
        if last < first:
            continue
        foot = _steadiest(places[first : last + 1]) if step.foot is None else FEET.index(step.foot)
        out.append(Contact(first, last, foot, step.at, 0.5 * sum(step.frames) - frames[0]))
    return out


def _steadiest(places: Array) -> int:
    """The foot that is seen most often; of two seen alike the one that moves least."""
    known: NDArray[np.bool_] = np.asarray(np.isfinite(places).all(axis=2))
    seen = known.sum(axis=0)
    if seen[LEFT] != seen[RIGHT]:
        return int(seen.argmax())
    steps = np.linalg.norm(np.diff(places, axis=0), axis=2)
    moved = [float(column[np.isfinite(column)].sum()) for column in steps.T]
    return int(np.argmin(moved))
