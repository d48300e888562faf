"""Traces: every other contour that the bridge puts into the picture, and how much of it a viewer can find.

The bridge throws a shadow, sends light on, and is mirrored. All of it is the difference of two frames, with the bridge
and without, outside the bridge itself. Wherever that difference steps from one level to another within half a degree,
the middle of the step is a contour. Each is then weighed against lines laid on the clean wall, edges that run on
included (:mod:`previz.judge.steps`). A wide penumbra has no contour, and what lies in it is found as a patch
(:mod:`previz.judge.trace.patches`).

A trace has no length of its own to be a share of (a faint one may be as long as the wall), so that what is found of all
of them is told as a share of the outline's length: a trace as long as a twentieth of the outline is as bad as a
twentieth of the outline.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, maximum_filter, minimum_filter
from scipy.spatial import cKDTree

from previz.judge.breaks import Break, Sides, added_step, decided, sides_of
from previz.judge.ordinary import Ordinary
from previz.judge.outline import Outline, contours_of
from previz.judge.steps import KINDS
from previz.judge.trace.patches import BRIDGE_SHARE, Patches, log_change, patches_of
from previz.judge.viewer import (
    JND_LIGHT,
    MIDDLE_SEAT,
    PIECE_SPACING_DEG,
    SEATS,
    WINDOW_DEG,
    WINDOW_OFFSET,
    Viewer,
    chance_found,
)
from previz.workshop.surface import Picture

# a difference that takes longer than this to step from one level to the next is no contour, degrees
STEP_WITHIN_DEG: Final = 0.5

# so near to the bridge its own outline is judged: as far as the widest window's middle lies from a contour, degrees
FROM_BRIDGE_DEG: Final = WINDOW_OFFSET * WINDOW_DEG[-1]

# the kind of step that a patch is
_LIGHT: Final = KINDS.index("light")


def trace_lines(
    seen: Picture, clean: Picture, cover: NDArray[np.float32], viewer: Viewer, change: NDArray[np.float32] | None = None
) -> Outline:
    """Contours (:class:`Outline`) of what the bridge does to the rest of the picture; normals point to its darker side.

    ``seen`` and ``clean`` (H, W, 3) float32, linear light 0 to 1, are the frame with and without the bridge, ``cover``
    (H, W) the share of bridge in each pixel. ``change`` is :func:`log_change` of the two, where it is known.
    """
    around = max(round(STEP_WITHIN_DEG * viewer.px_per_deg), 1)
    apart = max(round(FROM_BRIDGE_DEG * viewer.px_per_deg), 1)
    bridge = near_bridge(cover, apart)
    change = log_change(seen, clean) if change is None else change
    rows, columns = np.nonzero((np.abs(change) >= 0.5 * JND_LIGHT) & ~bridge)
    if len(rows) == 0:
        return _no_lines(viewer)
    # only where something is changed
    part = tuple(
        slice(max(int(at.min()) - 2 * around, 0), int(at.max()) + 2 * around + 1) for at in (rows, columns)
    )
    off = bridge[part]
    soft = gaussian_filter(np.where(off, 0.0, change[part]), 0.5 * PIECE_SPACING_DEG * viewer.px_per_deg)
    most = maximum_filter(np.where(off, -9.0, soft), size=2 * around + 1, mode="nearest")
    least = minimum_filter(np.where(off, 9.0, soft), size=2 * around + 1, mode="nearest")
    known = ~off & (most - least >= JND_LIGHT)
    level = np.where(known, soft - 0.5 * (most + least), np.nan).astype(np.float32)
    if min(level.shape) < 2:
        return _no_lines(viewer)
    lines = contours_of(level, 0.0, viewer)
    corner = np.array([part[1].start, part[0].start])
    return Outline(lines.xy + corner, lines.normal, lines.line, lines.closed, lines.spacing_px)


def near_bridge(cover: NDArray[np.float32], apart: int) -> NDArray[np.bool_]:
    """Pixels (H, W) from which a pixel of the bridge is no more than ``apart`` away, across and down."""
    out = np.zeros(cover.shape, dtype=np.bool_)
    there = cover > BRIDGE_SHARE
    rows, columns = np.flatnonzero(there.any(axis=1)), np.flatnonzero(there.any(axis=0))
    if len(rows):
        # only round the bridge
        box = tuple(slice(max(int(at[0]) - apart, 0), int(at[-1]) + apart + 1) for at in (rows, columns))
        out[box] = maximum_filter(there[box], size=2 * apart + 1)
    return out


@dataclass(frozen=True, eq=False)
class Trace:
    """The traces of a frame: what is found of their lines, and what the windows see beside them. ``patch`` (N,) says
    which pieces go round a patch that has no contour of its own."""

    found: Break
    sides: Sides
    patch: NDArray[np.bool_]


def trace_of(
    seen: Picture, clean: Picture, cover: NDArray[np.float32], ordinary: Ordinary, viewer: Viewer
) -> Trace | None:
    """How much of a frame's traces is found; None where there are none. ``ordinary`` is what the clean wall shows."""
    change = log_change(seen, clean)
    lines = trace_lines(seen, clean, cover, viewer, change)
    patches = patches_of(seen, clean, cover, [seat.shade for seat in ordinary.seats], viewer, change)
    found, beside = None, []
    if len(lines) > 0:
        beside.append(sides_of(seen, clean, lines, viewer))
        found = decided(beside[0], lines, ordinary, viewer, between_walls=True)
    if patches is not None:
        beside.append(sides_of(seen, clean, patches.lines, viewer))
    found = with_patches(found, patches, viewer)
    if found is None:
        return None
    sides = Sides(
        np.concatenate([one.seen for one in beside], axis=2), np.concatenate([one.clean for one in beside], axis=2)
    )
    patch = np.arange(len(found.outline)) >= len(lines)
    return Trace(replace(found, step_de=added_step(sides, found.outline, viewer)), sides, patch)


def with_patches(lines: Break | None, patches: Patches | None, viewer: Viewer) -> Break | None:
    """What is found of a frame's contours and of its patches, whose pieces come last; None where there is neither.

    A patch is found as a whole, and then as long as the line round it; what of that runs beside a contour that is found
    counts once.
    """
    if patches is None:
        return lines
    by_seat = chance_found(patches.size)
    if lines is not None:
        near, nearest = cKDTree(lines.outline.xy).query(patches.lines.xy)
        beside = near <= STEP_WITHIN_DEG * viewer.px_per_deg
        by_seat = by_seat * np.where(beside, 1.0 - lines.found[nearest], 1.0)
    own = lines or _nothing_found(viewer)
    count, more = len(own.outline), len(patches.lines)
    percents = (count * np.array(own.by_seat) + 100.0 * by_seat.sum(axis=1)) / (count + more)
    worst = max(range(len(SEATS)), key=lambda k: (percents[k], SEATS[k] == MIDDLE_SEAT))
    found = by_seat[worst]
    kind = np.where(found >= 0.5, _LIGHT, -1).astype(np.int8)
    return Break(
        float(percents[worst]),
        _joined(own.outline, patches.lines),
        np.append(own.size, patches.size[worst]),
        np.append(own.broken, found >= 0.5),
        np.append(own.kind, kind),
        np.append(own.found, found),
        SEATS[worst],
        tuple(float(percent) for percent in percents),
    )


def _joined(one: Outline, other: Outline) -> Outline:
    """The lines of both."""
    return Outline(
        np.concatenate([one.xy, other.xy]),
        np.concatenate([one.normal, other.normal]),
        np.concatenate([one.line, other.line + len(one.closed)]),
        (*one.closed, *other.closed),
        one.spacing_px,
    )


def _nothing_found(viewer: Viewer) -> Break:
    none = np.zeros(0)
    nowhere = (0.0,) * len(SEATS)
    return Break(0.0, _no_lines(viewer), none, none > 0.0, none.astype(np.int8), none, by_seat=nowhere)


def _no_lines(viewer: Viewer) -> Outline:
    return contours_of(np.full((2, 2), np.nan, dtype=np.float32), 0.0, viewer)


def trace_percents(trace: Break | None, outline: Outline) -> tuple[float, ...]:
    """What each viewer finds of the traces, percent of the outline's length, 100 at most; in the order of ``SEATS``."""
    if trace is None:
        return (0.0,) * len(SEATS)
    longer = len(trace.outline) * trace.outline.spacing_px / max(len(outline) * outline.spacing_px, 1e-9)
    return tuple(min(100.0, longer * percent) for percent in trace.by_seat)
