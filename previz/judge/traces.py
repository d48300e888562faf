"""Traces: every other contour that the bridge puts into the picture, and how much of it a viewer can find.

The bridge throws a shadow, sends light on, and is mirrored. All of it is the difference of two frames, with the bridge
and without, outside the bridge itself. Wherever that difference steps from one level to another within half a degree,
the middle of the step is a contour; a wide penumbra has none. Each contour is then weighed against lines laid on the
clean wall, edges that run on included (:mod:`previz.judge.steps`).

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

from previz.colour import XYZ_FROM_RGB
from previz.judge.breaks import Break, Sides, added_step, decided, sides_of
from previz.judge.ordinary import Ordinary
from previz.judge.outline import Outline, contours_of
from previz.judge.viewer import JND_LIGHT, PIECE_SPACING_DEG, SEATS, WINDOW_DEG, WINDOW_OFFSET, Viewer
from previz.workshop.surface import Picture

# a difference that takes longer than this to step from one level to the next is no contour, degrees
STEP_WITHIN_DEG: Final = 0.5

# so near to the bridge its own outline is judged: as far as the widest window's middle lies from a contour, degrees
_FROM_BRIDGE_DEG: Final = WINDOW_OFFSET * WINDOW_DEG[-1]

_BLACK: Final = 0.003
_LUMINANCE: Final = XYZ_FROM_RGB[1].astype(np.float32)

# a pixel counts as bridge from this share on
_BRIDGE_SHARE: Final = 0.01


def trace_lines(seen: Picture, clean: Picture, cover: NDArray[np.float32], viewer: Viewer) -> Outline:
    """Contours (:class:`Outline`) of what the bridge does to the rest of the picture; normals point to its darker side.

    ``seen`` and ``clean`` (H, W, 3) float32, linear light 0 to 1, are the frame with and without the bridge, ``cover``
    (H, W) the share of bridge in each pixel.
    """
    around = max(round(STEP_WITHIN_DEG * viewer.px_per_deg), 1)
    apart = max(round(_FROM_BRIDGE_DEG * viewer.px_per_deg), 1)
    bridge = maximum_filter(cover, size=2 * apart + 1) > _BRIDGE_SHARE
    # a ratio of light stays the same whatever colours it falls on
    change = np.log(_luminance(seen) / _luminance(clean))
    rows, columns = np.nonzero((np.abs(change) >= 0.5 * JND_LIGHT) & ~bridge)
    if len(rows) == 0:
        return contours_of(np.full((2, 2), np.nan, dtype=np.float32), 0.0, viewer)
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
        return contours_of(np.full((2, 2), np.nan, dtype=np.float32), 0.0, viewer)
    lines = contours_of(level, 0.0, viewer)
    corner = np.array([part[1].start, part[0].start])
    return Outline(lines.xy + corner, lines.normal, lines.line, lines.closed, lines.spacing_px)


@dataclass(frozen=True, eq=False)
class Trace:
    """The traces of a frame: what is found of their lines, and what the windows see beside them."""

    found: Break
    sides: Sides


def trace_of(
    seen: Picture, clean: Picture, cover: NDArray[np.float32], ordinary: Ordinary, viewer: Viewer
) -> Trace | None:
    """How much of a frame's traces is found; None where there are none. ``ordinary`` is what the clean wall shows."""
    lines = trace_lines(seen, clean, cover, viewer)
    if len(lines) == 0:
        return None
    sides = sides_of(seen, clean, lines, viewer)
    found = decided(sides, lines, ordinary, viewer, between_walls=True)
    return Trace(replace(found, step_de=added_step(sides, lines, viewer)), sides)


def trace_percents(trace: Break | None, outline: Outline) -> tuple[float, ...]:
    """What each viewer finds of the traces, percent of the outline's length, 100 at most; in the order of ``SEATS``."""
    if trace is None:
        return (0.0,) * len(SEATS)
    longer = len(trace.outline) * trace.outline.spacing_px / max(len(outline) * outline.spacing_px, 1e-9)
    return tuple(min(100.0, longer * percent) for percent in trace.by_seat)


def _luminance(linear: Picture) -> NDArray[np.float32]:
    """Relative luminance (H, W), with what no eye tells from black in it added to all (0.3 %, about 3 L*)."""
    return np.asarray(linear @ _LUMINANCE + np.float32(_BLACK), dtype=np.float32)
