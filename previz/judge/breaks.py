"""Break: the share of the bridge's visible outline that a viewer can find.

The viewer looks for a line where there should be none. Across every piece of the outline two steps are taken at
every scale, in mean colour and in grain; a third is that of the outline itself against both its sides, where paint
draws a rim. They are added up along the outline as the eye adds up what lies in line. A piece is broken where a step

1. can be seen: it is at least one just noticeable difference;
2. stands out: it is beyond what 95 of 100 pieces of a line laid elsewhere on the clean wall show, all scales and
   both kinds of step counted together (:mod:`previz.judge.ordinary`); and
3. is the bridge's doing: on one side or the other the picture differs from the clean frame by at least one
   just noticeable difference at that scale. A step that the wall itself has at that very place is no break.

How many times a step is as large as the least of these limits asks is its size. Eyes have no hard limit: a piece counts
by the chance of being found that its largest step has, one half at the limit (``chance_found`` of
:mod:`previz.judge.viewer`). Runs too short to see do not count. By (2) a clean wall, too, has pieces that count; their
share c, measured on the laid lines by the same rules, is taken out by Abbott's formula (b - c) / (1 - c), the usual
correction for guessing (Abbott, Journal of Economic Entomology 18, 265, 1925).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from previz.errors import JudgeError
from previz.judge.fields import Fields, fields_of, reach_px, window_px
from previz.judge.ordinary import JND, Ordinary, across, added_up, in_direction, steps_across
from previz.judge.outline import Outline, smoothed_along, without_short_runs
from previz.judge.viewer import SHORTEST_RUN_DEG, Viewer, chance_found
from previz.workshop.surface import Picture

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, eq=False)
class Sides:
    """What the windows see with the bridge, ``seen``, and without it, ``clean``.

    (3, S, N, 4) each: outside, inside and on the outline, at every scale, L*, a*, b* and log grain (0 on the outline).
    """

    seen: Floats
    clean: Floats


@dataclass(frozen=True, eq=False)
class Break:
    """The break of one frame.

    ``percent`` 0 to 100; ``outline`` and, piece by piece, ``size`` (N,) how many times its largest step is as large as
    the limit, ``broken`` (N,) bool where that is 1 or more, and ``kind`` (N,) int8 (index into ``ordinary.KINDS`` of
    that step, -1 where unbroken). ``counted`` is the share of the outline that counts, 0 to 1, ``chance`` what of a
    clean wall does.
    """

    percent: float
    outline: Outline
    size: Array
    broken: NDArray[np.bool_]
    kind: NDArray[np.int8]
    counted: float
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
        sides.append(looked_across(fields, outline, viewer))
    return Sides(*sides)


def looked_across(fields: Fields, outline: Outline, viewer: Viewer) -> Floats:
    """What the windows (3, S, N, 4) see of the fields outside, inside and on an outline."""
    scales = enumerate(window_px(viewer))
    return np.stack([across(fields, k, outline.xy, outline.normal, sigma) for k, sigma in scales], axis=1)


def break_of(
    with_bridge: Picture, clean: Picture, outline: Outline, ordinary: Ordinary, viewer: Viewer
) -> Break:
    """Break of a frame from its two pictures (:func:`sides_of`); ``ordinary`` is what the clean wall shows."""
    return decided(sides_of(with_bridge, clean, outline, viewer), outline, ordinary, viewer)


def decided(sides: Sides, outline: Outline, ordinary: Ordinary, viewer: Viewer) -> Break:
    """Break from what the windows see on either side of the outline."""
    steps, changes = _steps_and_changes(sides, outline, viewer)
    a = len(ordinary.chance)
    table = np.concatenate([ordinary.limit.reshape(a, -1), ordinary.chance[:, None]], axis=1)
    along = in_direction(table, outline.normal)
    limit = np.maximum(along[:, :-1].reshape(-1, *ordinary.limit.shape[1:]), JND)
    sizes = np.minimum(steps / limit, changes / JND).max(axis=1)
    size = without_short_runs(sizes.max(axis=1), outline, SHORTEST_RUN_DEG * viewer.px_per_deg)
    broken = np.asarray(size >= 1.0)
    kind = np.where(broken, sizes.argmax(axis=1), -1).astype(np.int8)
    counted = float(chance_found(size).mean())
    chance = float(along[:, -1].mean())
    share = max(0.0, (counted - chance) / (1.0 - chance))
    return Break(100.0 * share, outline, size, broken, kind, counted, chance)


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
    """Steps across the outline and the larger change on either side against the clean frame, both (N, S, K)."""

    def averaged(values: Floats, sigma_deg: float) -> Floats:
        return smoothed_along(values, outline, sigma_deg * viewer.px_per_deg)

    changed = sides.seen - sides.clean
    # on either side, and on the outline for a rim
    changes = [np.concatenate([changed[side], changed[2, ..., :3]], axis=-1) for side in (0, 1)]
    # the step and the two changes go through the windows together
    found = added_up(np.stack([steps_across(sides.seen), *changes], axis=2), averaged).astype(np.float64)
    return found[:, 0], np.maximum(found[:, 1], found[:, 2])
