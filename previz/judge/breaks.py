"""Break: the share of the bridge's visible outline that a viewer can find (design section 6).

The viewer looks for a line where there should be none. Across every piece of the outline two steps are taken at
every scale, in mean colour and in grain. A piece is broken where a step

1. can be seen: it is at least one just noticeable difference;
2. stands out: it is beyond what 95 of 100 pieces show when the same outline is laid elsewhere on the clean wall,
   all scales and both kinds of step counted together; and
3. is the bridge's doing: on one side or the other the picture differs from the clean frame by at least one
   just noticeable difference at that scale. A step that the wall itself has at that very place is no break.

Runs of broken pieces too short to see do not count. By (2) a clean wall shows some pieces broken by chance; their
share c, measured on the laid-elsewhere outlines by the same steps, is taken out by Abbott's formula
(b - c) / (1 - c), the usual correction for guessing (Abbott, Journal of Economic Entomology 18, 265, 1925).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter

from previz.build.surface import Picture
from previz.errors import JudgeError
from previz.judge.fields import Fields, fields_of, reach_px, window_px
from previz.judge.outline import Outline, outline_of, smoothed_along, without_short_runs
from previz.judge.viewer import (
    JND_COLOUR,
    JND_GRAIN,
    SHORTEST_RUN_DEG,
    WINDOW_ASPECT,
    WINDOW_GAIN,
    WINDOW_OFFSET,
    Viewer,
)

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]

# steps are kept as (N, scales, kinds)
KINDS = ("colour", "grain")
_JND = np.array([JND_COLOUR, JND_GRAIN])

# of 100 pieces laid elsewhere, this share may lie below the limit (design section 6)
_ORDINARY = 0.95

# Where the outline is laid on the clean wall: a grid of shifts this many degrees apart, even on both sides so that
# a mirrored scene gets the mirrored places.
_SHIFT_STEP_DEG = (1.25, 1.25)
_SHIFTS_EACH_WAY = (12, 6)

# A place where less than this share of the outline is on the wall is left out
_LEAST_OF_OUTLINE = 0.1

# Fewer pieces than this on the clean wall say nothing about it
_FEWEST_LAID = 200


@dataclass(frozen=True, eq=False)
class Break:
    """The break of one frame.

    ``percent`` 0 to 100; ``outline`` and, piece by piece, ``broken`` (N,) bool, ``kind`` (N,) int8 (index into
    ``KINDS`` of the step that stands out most, -1 where unbroken) and ``excess`` (N,) how many times the
    largest step exceeds what the clean wall shows. ``chance`` is the share broken by chance on the clean wall.
    """

    percent: float
    outline: Outline
    broken: NDArray[np.bool_]
    kind: NDArray[np.int8]
    excess: Array
    chance: float


@dataclass(frozen=True, eq=False)
class Clean:
    """A clean frame made ready: its fields, and where the wall fills a whole window.

    ``wall`` (H, W) bool marks pixels whose surroundings, one window far, are wall and nothing else.
    """

    fields: Fields
    wall: NDArray[np.bool_]


def clean_of(linear: Picture, wall_cover: NDArray[np.float32], viewer: Viewer) -> Clean:
    """Make a clean frame (H, W, 3), linear, ready; ``wall_cover`` (H, W) is the share of wall in each pixel."""
    margin = int(np.ceil(window_px(viewer)[-1]))
    whole = minimum_filter((wall_cover > 0.999).astype(np.uint8), size=2 * margin + 1, mode="nearest") > 0
    return Clean(fields_of(linear, viewer), whole)


def break_of(with_bridge: Picture, bridge_cover: NDArray[np.float32], clean: Clean, viewer: Viewer) -> Break:
    """Break of a frame.

    ``with_bridge`` (H, W, 3) float32 linear as delivered, ``bridge_cover`` (H, W) share of each pixel that shows
    bridge, ``clean`` the same camera's frame without it. Raises ``JudgeError`` where no outline is in the frame
    or too little clean wall is in view to compare with.
    """
    outline = outline_of(bridge_cover, viewer)
    if len(outline) == 0:
        raise JudgeError("the bridge's outline is not in the frame")
    fields = _fields_near(with_bridge, outline, viewer)
    steps, changed = _steps_and_change(fields, clean, outline, viewer)
    laid = _laid_elsewhere(clean, outline, viewer)
    limit = _limits(laid)
    shortest = SHORTEST_RUN_DEG * viewer.px_per_deg

    excess = steps / limit
    counts = (steps >= _JND) & (excess >= 1.0) & changed
    broken = without_short_runs(np.asarray(counts.any(axis=(1, 2))), outline, shortest)
    chance = _chance(laid, limit, outline, shortest)
    share = max(0.0, (float(broken.mean()) - chance) / (1.0 - chance))
    largest = np.where(counts, excess, 0.0).max(axis=1)
    kind = np.where(broken, largest.argmax(axis=1), -1).astype(np.int8)
    return Break(100.0 * share, outline, broken, kind, excess.max(axis=(1, 2)), chance)


def _fields_near(picture: Picture, outline: Outline, viewer: Viewer) -> Fields:
    """Fields of the part of the picture that the outline's windows can see."""
    h, w = picture.shape[:2]
    reach = reach_px(viewer) + int(np.ceil(WINDOW_OFFSET * window_px(viewer)[-1]))
    x0, y0 = np.maximum(np.floor(outline.xy.min(axis=0)).astype(int) - reach, 0)
    x1, y1 = np.minimum(np.ceil(outline.xy.max(axis=0)).astype(int) + reach, [w, h])
    return fields_of(picture[y0:y1, x0:x1], viewer, origin=(int(x0), int(y0)))


def _across(fields: Fields, scale: int, outline: Outline, sigma: float, shifts: Array) -> tuple[Floats, Floats]:
    """Field values (N, K, 4) outside and inside the outline, laid at K shifts (K, 2) px."""
    places = outline.xy[:, None] + shifts
    offset = WINDOW_OFFSET * sigma * outline.normal[:, None]
    return fields.at(scale, places + offset), fields.at(scale, places - offset)


def _sizes(difference: Floats) -> Floats:
    """Size (..., 2) of colour and grain differences (..., 4)."""
    return np.stack([np.linalg.norm(difference[..., :3], axis=-1), np.abs(difference[..., 3])], axis=-1)


def _steps_and_change(
    fields: Fields, clean: Clean, outline: Outline, viewer: Viewer
) -> tuple[Array, NDArray[np.bool_]]:
    """Steps across the outline and whether either side differs from the clean frame, both (N, S, 2)."""
    steps, changed = [], []
    here = np.zeros((1, 2))
    for scale, sigma in enumerate(window_px(viewer)):
        outside, inside = _across(fields, scale, outline, sigma, here)
        clean_outside, clean_inside = _across(clean.fields, scale, outline, sigma, here)
        along = WINDOW_ASPECT * sigma
        step = smoothed_along(outside - inside, outline, along)
        out_change = _sizes(smoothed_along(outside - clean_outside, outline, along))
        in_change = _sizes(smoothed_along(inside - clean_inside, outline, along))
        steps.append(_sizes(step)[:, 0] / WINDOW_GAIN)
        changed.append(np.maximum(out_change, in_change)[:, 0] >= _JND)
    return np.stack(steps, axis=1), np.stack(changed, axis=1)


def _laid_elsewhere(clean: Clean, outline: Outline, viewer: Viewer) -> Array:
    """Steps (N, K, S, 2) of the same outline laid at K places of the clean wall; NaN where it leaves the wall."""
    h, w = clean.wall.shape
    across, down = _SHIFTS_EACH_WAY
    step = np.array(_SHIFT_STEP_DEG) * viewer.px_per_deg
    grid = np.stack(np.meshgrid(np.arange(-across, across + 1), np.arange(-down, down + 1)), axis=-1).reshape(-1, 2)
    shifts = grid[np.any(grid != 0, axis=1)] * step
    place = np.floor(outline.xy[:, None] + shifts).astype(np.int64)
    inside = ((place >= 0) & (place < [w, h])).all(axis=2)
    place = np.clip(place, 0, [w - 1, h - 1])
    on_wall = inside & clean.wall[place[..., 1], place[..., 0]]
    useful = on_wall.mean(axis=0) >= _LEAST_OF_OUTLINE
    on_wall = on_wall[:, useful]
    if on_wall.sum() < _FEWEST_LAID:
        raise JudgeError("too little clean wall is in view to compare the outline with")
    weight = on_wall.astype(np.float32)
    steps = []
    for scale, sigma in enumerate(window_px(viewer)):
        outside, within = _across(clean.fields, scale, outline, sigma, shifts[useful])
        difference = smoothed_along(outside - within, outline, WINDOW_ASPECT * sigma, weight)
        steps.append(_sizes(difference) / WINDOW_GAIN)
    return np.stack(steps, axis=2)


def _limits(laid: Array) -> Array:
    """Limit (S, 2) of each scale and kind, such that 95 of 100 laid pieces are below all of them together."""
    steps = laid[np.isfinite(laid).all(axis=(2, 3))]
    each = np.maximum(np.quantile(steps, _ORDINARY, axis=0), 1e-6)
    together = np.quantile((steps / each).max(axis=(1, 2)), _ORDINARY)
    return np.asarray(each * together)


def _chance(laid: Array, limit: Array, outline: Outline, shortest: float) -> float:
    """Share of the laid pieces that the same rules call broken; rule 3 has no meaning there."""
    known = np.isfinite(laid).all(axis=(2, 3))
    counts = np.asarray(((laid >= _JND) & (laid >= limit)).any(axis=(2, 3)) & known)
    long_enough = sum(
        int(without_short_runs(counts[:, k], outline, shortest).sum()) for k in range(counts.shape[1])
    )
    return long_enough / int(known.sum())
