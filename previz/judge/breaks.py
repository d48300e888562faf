"""Break: the share of the bridge's visible outline that a viewer can find.

The viewer looks for a line where there should be none. Across every piece of the outline two steps are taken at
every scale, in mean colour and in grain; a third is that of the outline itself against both its sides, where paint
draws a rim. They are added up along the outline as the eye adds up what lies in line. A piece is broken where a step

1. can be seen: it is at least one just noticeable difference;
2. stands out: it is beyond what 95 of 100 pieces of a line laid elsewhere on the clean wall show, all scales and
   kinds of step counted together (:mod:`previz.judge.ordinary`); and
3. is the bridge's doing: on one side or the other the picture differs from the clean frame by at least one
   just noticeable difference at that scale. A step that the wall itself has at that very place is no break.

Sharpness and edges that run on (:mod:`previz.judge.steps`) are steps of their own kinds; they are the bridge's doing as
far as the clean frame has no such step there.

How many times a step is as large as the least of these limits asks is its size. Eyes have no hard limit: a piece counts
by the chance of being found that its largest step has, one half at the limit (``chance_found`` of
:mod:`previz.judge.viewer`). Runs too short to see do not count. By (2) a clean wall, too, has pieces that count,
scattered; :mod:`previz.judge.runs` leaves of each run what chance does not explain. The bridge's ends are short, and
count with a weight of their own (:mod:`previz.judge.ends`). All this is asked for three viewers, near, middle and far,
and the one counts who finds most.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from previz.errors import JudgeError
from previz.judge.ends import share_found
from previz.judge.fields import Fields, fields_of, reach_px, window_px
from previz.judge.ordinary import DIRECTIONS, Ordinary, SeatLimits, in_direction
from previz.judge.outline import Outline, smoothed_along, without_short_runs
from previz.judge.runs import ChanceRuns, not_by_chance, runs_of
from previz.judge.steps import (
    JND,
    OWN_KINDS,
    across,
    changes_beside,
    joined,
    own_steps,
    running_steps,
    steps_across,
    stretch_sigma,
)
from previz.judge.viewer import (
    JND_LIGHT,
    MIDDLE_SEAT,
    PIECE_SPACING_DEG,
    SEATS,
    SHORTEST_RUN_DEG,
    STRETCH_DEG,
    WINDOW_GAIN,
    Seat,
    Viewer,
    chance_found,
)
from previz.workshop.compiled import compiled
from previz.workshop.surface import Picture

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]


# How steeply the chance of finding a whole edge rises with its largest step: steeper than a piece's, as the limit
# already speaks of whole lines.
_WHOLE_SLOPE = 12.0

# An edge that is lost among larger steps is followed from this many just noticeable ones on. With one, frames in which
# nobody finds the bridge at first sight score as those do in which everybody does (36 blind looks, by a model).
_FOLLOWED = 2.5

# where sizes of what runs on hold the ratios of light, from the end
_LIGHTS = slice(-2 * len(STRETCH_DEG), -len(STRETCH_DEG))


@dataclass(frozen=True, eq=False)
class Sides:
    """What the windows see with the bridge, ``seen``, and without it, ``clean``.

    (3, S, N, 4) each: outside, inside and on the outline, at every scale, L*, a*, b* and log grain (0 on the outline).
    """

    seen: Floats
    clean: Floats


@dataclass(frozen=True, eq=False)
class Break:
    """How much of the lines of one frame is found.

    ``percent`` 0 to 100 is the share that counts, that of the viewer at ``seat``, who finds most; ``by_seat`` are those
    of all, in the order of ``SEATS``. ``outline`` holds the lines and, piece by piece, as that viewer sees them,
    ``size`` (N,) how many times the largest step is as large as the limit, ``found`` (N,), 0 to 1, how much each piece
    counts, ``broken`` (N,) bool where that is at least one half, and ``kind`` (N,) int8, the index into ``steps.KINDS``
    of the largest step, -1 where unbroken. ``step_de`` (N,) dE*ab is how large a step of colour the bridge adds there,
    over one degree.
    """

    percent: float
    outline: Outline
    size: Array
    broken: NDArray[np.bool_]
    kind: NDArray[np.int8]
    found: Array
    seat: Seat = MIDDLE_SEAT
    by_seat: tuple[float, ...] = ()
    step_de: Array | None = None


def sides_of(
    with_bridge: Picture, clean: Picture, outline: Outline, viewer: Viewer, clean_side: Floats | None = None
) -> Sides:
    """What the windows see on either side of the outline, with the bridge and without.

    ``with_bridge`` and ``clean`` (H, W, 3) float32 linear are the same camera's frames as delivered, ``outline`` the
    bridge's in them. ``clean_side`` is the ``clean`` of sides of the same outline and the same clean frame, where there
    are any. Raises ``JudgeError`` where no outline is in the frame.
    """
    if len(outline) == 0:
        raise JudgeError("the bridge's outline is not in the frame")
    part, origin = _seen_from_outline(with_bridge, outline, viewer)

    def side(picture: Picture) -> Floats:
        return looked_across(fields_of(picture[part], viewer, origin), outline, viewer)

    return Sides(side(with_bridge), side(clean) if clean_side is None else clean_side)


def looked_across(fields: Fields, outline: Outline, viewer: Viewer) -> Floats:
    """What the windows (3, S, N, 4) see of the fields outside, inside and on an outline."""
    scales = enumerate(window_px(viewer))
    return np.stack([across(fields, k, outline.xy, outline.normal, sigma) for k, sigma in scales], axis=1)


def break_of(
    with_bridge: Picture,
    clean: Picture,
    outline: Outline,
    ordinary: Ordinary,
    viewer: Viewer,
    ends: NDArray[np.int8] | None = None,
) -> Break:
    """Break of a frame from its two pictures (:func:`sides_of`); ``ordinary`` is what the clean wall shows."""
    return decided(sides_of(with_bridge, clean, outline, viewer), outline, ordinary, viewer, ends=ends)


def decided(
    sides: Sides,
    outline: Outline,
    ordinary: Ordinary,
    viewer: Viewer,
    between_walls: bool = False,
    only: Seat | None = None,
    ends: NDArray[np.int8] | None = None,
) -> Break:
    """What is found of an outline, from what the windows see on either side of it.

    With ``between_walls`` the lines lie between wall and wall, as a shadow's edge does: an edge that runs on then
    counts as far as the bridge has changed the ratio of light across the line, and only that. A shadow that lies on
    both sides of an edge of the rock moves no edge. ``only`` asks one viewer alone. ``ends`` (N,) says which pieces are
    the bridge's ends (:mod:`previz.judge.ends`), which have a weight of their own.
    """

    def averaged(values: Floats, sigma_deg: float) -> Floats:
        return smoothed_along(values, outline, sigma_deg * viewer.px_per_deg)

    step = steps_across(sides.seen)
    # what runs on: the step, and what of it is the bridge's doing, both against the step's own scatter
    along_it = np.stack([step, step - steps_across(sides.clean)], axis=2)
    if not between_walls:
        # a piece's own: the step and the changes on either side go through the windows together
        changes = [changes_beside(side, sides.seen, sides.clean) for side in (0, 1)]
        across_it = np.stack([step[..., :7], *changes], axis=2)
        squares = joined(across_it, averaged)
    by_direction = np.asarray(in_direction(np.eye(DIRECTIONS), outline.normal).mean(axis=0))
    found = []
    for seat in SEATS if only is None else (only,):
        runs_on = running_steps(along_it, averaged, seat, along_it[:, :, :1]).astype(np.float64)
        own = None if between_walls else own_steps(squares, across_it, averaged, seat).astype(np.float64)
        found.append(_weighed(own, runs_on, outline, ordinary.of(seat), by_direction, viewer, seat, ends))
    worst = max(found, key=lambda each: (each.percent, each.seat == MIDDLE_SEAT))
    return replace(worst, by_seat=tuple(each.percent for each in found))


def added_step(sides: Sides, outline: Outline, viewer: Viewer) -> Array:
    """How large a step of colour (N,), dE*ab, the bridge adds to each piece of an outline, over one degree."""
    added = steps_across(sides.seen)[0, :, :3] - steps_across(sides.clean)[0, :, :3]
    sigma_px = stretch_sigma(STRETCH_DEG[0]) * viewer.px_per_deg
    return np.asarray(np.linalg.norm(smoothed_along(added, outline, sigma_px) / WINDOW_GAIN, axis=-1), dtype=np.float64)


def _weighed(
    own: Array | None,
    runs_on: Array,
    outline: Outline,
    limits: SeatLimits,
    by_direction: Array,
    viewer: Viewer,
    seat: Seat,
    ends: NDArray[np.int8] | None,
) -> Break:
    """What one viewer finds of pieces with steps of their ``own`` (N, 3, S, kinds), the step itself and the changes on
    either side, and with what ``runs_on`` (N, 2, S, kinds), the step and what of it is the bridge's.

    What is the bridge's has to be just noticeable. Between walls there is no ``own``, and the ratio of light that is
    the bridge's has to stand out as well, over the same stretch. ``by_direction`` (A,) are the shares of the outline
    that lie in each direction.
    """
    count, stretches = len(OWN_KINDS), len(STRETCH_DEG)
    length_deg = len(outline) * PIECE_SPACING_DEG
    shortest = seat.degree * SHORTEST_RUN_DEG * viewer.px_per_deg

    def largest(sizes: Array) -> tuple[Array, NDArray[np.int64]]:
        """The largest (N,) of sizes (N, S, kinds), and its kind."""
        size, kind = np.empty(len(sizes)), np.empty(len(sizes), dtype=np.int64)
        _largest(sizes, size, kind)
        return without_short_runs(size, outline, shortest), kind

    def none_of_chance(size: Array, chance_runs: ChanceRuns) -> Array:
        """Chance (N,) of each piece to be found, less what a clean wall has in such runs."""
        chance = chance_found(size)
        runs = runs_of(chance, outline.line, outline.closed, PIECE_SPACING_DEG)
        expected = chance_runs.expected(by_direction, length_deg, runs.weight)
        return np.asarray(chance * np.append(not_by_chance(runs.weight, expected), 0.0)[runs.number])

    limit = np.maximum(in_direction(limits.limit, outline.normal), JND)
    running_limit = limit[..., count:]
    step, doing = runs_on[:, 0], runs_on[:, 1]
    # what can be noticed of a change of light is told by the light alone, whatever it scatters
    light = doing[..., _LIGHTS] / JND_LIGHT
    if own is not None:
        changed = np.maximum(own[:, 1], own[:, 2]) / JND[:count]
        own_size, own_kind = largest(np.minimum(own[:, 0] / limit[..., :count], changed))
        found = none_of_chance(own_size, limits.runs)
        noticed = np.concatenate([doing[..., :-stretches] / JND[count:-stretches], light], axis=-1)
        seen = np.minimum(step / running_limit, noticed)
    else:
        own_size, own_kind = np.zeros(len(outline)), np.zeros(len(outline), dtype=np.int64)
        found = own_size
        noticed = np.concatenate([np.zeros((*light.shape[:2], 1)), light, light, light], axis=-1)
        out = doing / running_limit
        out[..., 1 : 1 + stretches] = out[..., 1 + stretches : 1 + 2 * stretches]
        seen = np.minimum(step / running_limit, np.minimum(out, noticed))
    # an edge is found where it is as large as one such line in twenty on the clean wall is somewhere ...
    large, large_kind = largest(np.minimum(seen / max(limits.most_on(length_deg), 1.0), noticed))
    chance = chance_found(large)
    found = np.maximum(found, chance * _whole_edge(large, chance, outline))
    # ... or where it is well above what can just be noticed, and goes on as no such line on the clean wall does
    long, long_kind = largest(np.minimum(seen, noticed / _FOLLOWED))
    found = np.maximum(found, none_of_chance(long, limits.running_runs))
    sizes = np.stack([own_size, large, long])
    kinds = np.stack([own_kind, count + large_kind, count + long_kind])
    best = sizes.argmax(axis=0)[None]
    size, kind = np.take_along_axis(sizes, best, 0)[0], np.take_along_axis(kinds, best, 0)[0]
    broken = np.asarray(found >= 0.5)
    kind = np.where(broken, kind, -1).astype(np.int8)
    return Break(100.0 * share_found(found, ends), outline, size, broken, kind, found, seat)


@compiled
def _largest(sizes, size, kind):  # type: ignore[no-untyped-def]
    """The largest (N,) of sizes (N, S, kinds) and the first kind of which it is."""
    for n in range(sizes.shape[0]):
        size[n], kind[n] = sizes[n, 0, 0], 0
        for k in range(sizes.shape[2]):
            for s in range(sizes.shape[1]):
                if sizes[n, s, k] > size[n]:
                    size[n], kind[n] = sizes[n, s, k], k


def _whole_edge(size: Array, chance: Array, outline: Outline) -> Array:
    """How far the edge that each piece (N,) is part of is found as a whole: by the largest step on it.

    An edge is followed from where it is seen best; where it is nowhere as large as its limit, next to nothing of it is.
    """
    number = runs_of(chance, outline.line, outline.closed, PIECE_SPACING_DEG).number
    most = np.zeros(number.max(initial=-1) + 2)
    np.maximum.at(most, number, size)
    return (1.0 - np.exp2(-(most**_WHOLE_SLOPE)))[number]


def _seen_from_outline(
    picture: Picture, outline: Outline, viewer: Viewer
) -> tuple[tuple[slice, slice], tuple[int, int]]:
    """The part of a picture that the outline's windows can see, and its first pixel (x, y)."""
    h, w = picture.shape[:2]
    reach = reach_px(viewer)
    x0, y0 = np.maximum(np.floor(outline.xy.min(axis=0)).astype(int) - reach, 0)
    x1, y1 = np.minimum(np.ceil(outline.xy.max(axis=0)).astype(int) + reach, [w, h])
    return (slice(int(y0), int(y1)), slice(int(x0), int(x1))), (int(x0), int(y0))
