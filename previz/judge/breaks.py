"""Break: the share of the bridge's visible outline that a viewer can find (design section 6).

The viewer looks for a line where there should be none. Across every piece of the outline two steps are taken at
every scale, in mean colour and in grain, and added up along the outline as the eye adds up what lies in line. A piece
is broken where a step

1. can be seen: it is at least one just noticeable difference;
2. stands out: it is beyond what 95 of 100 pieces of a line laid elsewhere on the clean wall show, all scales and
   both kinds of step counted together (:mod:`previz.judge.ordinary`); and
3. is the bridge's doing: on one side or the other the picture differs from the clean frame by at least one
   just noticeable difference at that scale. A step that the wall itself has at that very place is no break.

Runs of broken pieces too short to see do not count. By (2) a clean wall shows some pieces broken by chance; their
share c, measured on the laid lines by the same rules, is taken out by Abbott's formula (b - c) / (1 - c), the usual
correction for guessing (Abbott, Journal of Economic Entomology 18, 265, 1925).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from previz.build.surface import Picture
from previz.errors import JudgeError
from previz.judge.fields import fields_of, reach_px, window_px
from previz.judge.ordinary import JND, Ordinary, across, added_up, in_direction
from previz.judge.outline import Outline, smoothed_along, without_short_runs
from previz.judge.viewer import SHORTEST_RUN_DEG, Viewer

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, eq=False)
class Sides:
    """What the windows see, (S, N, 4) each: L*, a*, b* and log grain outside and inside the outline at every scale."""

    outside: Floats
    inside: Floats
    clean_outside: Floats
    clean_inside: Floats


@dataclass(frozen=True, eq=False)
class Break:
    """The break of one frame.

    ``percent`` 0 to 100; ``outline`` and, piece by piece, ``broken`` (N,) bool, ``kind`` (N,) int8 (index into
    ``ordinary.KINDS`` of the step that stands out most, -1 where unbroken) and ``excess`` (N,) how many times the
    largest step exceeds what the clean wall shows. ``chance`` is the share broken by chance on the clean wall.
    """

    percent: float
    outline: Outline
    broken: NDArray[np.bool_]
    kind: NDArray[np.int8]
    excess: Array
    chance: float


def sides_of(with_bridge: Picture, clean: Picture, outline: Outline, viewer: Viewer) -> Sides:
    """What the windows see on either side of the outline, with the bridge and without.

    ``with_bridge`` and ``clean`` (H, W, 3) float32 linear are the same camera's frames as delivered, ``outline`` the
    bridge's in them. Raises ``JudgeError`` where no outline is in the frame.
    """
    if len(outline) == 0:
        raise JudgeError("the bridge's outline is not in the frame")
    part, origin = _seen_from_outline(with_bridge, outline, viewer)
    sides = []
    for picture in (with_bridge, clean):
        fields = fields_of(picture[part], viewer, origin)
        pairs = [across(fields, k, outline.xy, outline.normal, s) for k, s in enumerate(window_px(viewer))]
        sides += [np.stack([pair[0] for pair in pairs]), np.stack([pair[1] for pair in pairs])]
    return Sides(*sides)


def break_of(
    with_bridge: Picture, clean: Picture, outline: Outline, ordinary: Ordinary, viewer: Viewer
) -> Break:
    """Break of a frame from its two pictures (:func:`sides_of`); ``ordinary`` is what the clean wall shows."""
    return decided(sides_of(with_bridge, clean, outline, viewer), outline, ordinary, viewer)


def decided(sides: Sides, outline: Outline, ordinary: Ordinary, viewer: Viewer) -> Break:
    """Break from what the windows see on either side of the outline."""
    steps, changes = _steps_and_changes(sides, outline, viewer)
    limit = in_direction(ordinary.limit, outline.normal)
    excess = steps / limit
    counts = (steps >= JND) & (excess >= 1.0) & (changes >= JND)
    shortest = SHORTEST_RUN_DEG * viewer.px_per_deg
    broken = without_short_runs(np.asarray(counts.any(axis=(1, 2))), outline, shortest)
    chance = float(in_direction(ordinary.chance, outline.normal).mean())
    share = max(0.0, (float(broken.mean()) - chance) / (1.0 - chance))
    largest = np.where(counts, excess, 0.0).max(axis=1)
    kind = np.where(broken, largest.argmax(axis=1), -1).astype(np.int8)
    return Break(100.0 * share, outline, broken, kind, excess.max(axis=(1, 2)), chance)


def _seen_from_outline(
    picture: Picture, outline: Outline, viewer: Viewer
) -> tuple[tuple[slice, slice], tuple[int, int]]:
    """The part of a picture that the outline's windows can see, and its first pixel (x, y)."""
    h, w = picture.shape[:2]
    reach = reach_px(viewer)
    x0, y0 = np.maximum(np.floor(outline.xy.min(axis=0)).astype(int) - reach, 0)
    x1, y1 = np.minimum(np.ceil(outline.xy.max(axis=0)).astype(int) + reach, [w, h])
    return (slice(int(y0), int(y1)), slice(int(x0), int(x1))), (int(x0), int(y0))


def _steps_and_changes(sides: Sides, outline: Outline, viewer: Viewer) -> tuple[Array, Array]:
    """Steps across the outline and the larger change on either side against the clean frame, both (N, S, 2)."""

    def averaged(values: Floats, sigma_deg: float) -> Floats:
        return smoothed_along(values, outline, sigma_deg * viewer.px_per_deg)

    steps, changes = [], []
    for scale in range(len(sides.outside)):
        outside, inside = sides.outside[scale], sides.inside[scale]
        # the step and the two changes go through the windows together
        three = [outside - inside, outside - sides.clean_outside[scale], inside - sides.clean_inside[scale]]
        found = added_up(np.stack(three, axis=1), averaged, scale)
        steps.append(found[:, 0])
        changes.append(np.maximum(found[:, 1], found[:, 2]))
    return np.stack(steps, axis=1).astype(np.float64), np.stack(changes, axis=1).astype(np.float64)
