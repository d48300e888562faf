"""The bridge's two ends: short contours that a viewer looks at first, and that a long outline would drown.

A bridge is given away by a square end, or by the line where it meets the sill, while all the rest of it is hidden.
Either is a small share of the outline; so each end has a weight of its own.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.judge.outline import Outline
from previz.look.sight import SightLines

Array = NDArray[np.float64]

# what a piece of the outline belongs to: a long edge, the joint with the wall, the end away from it
EDGE, JOINT, FREE_END = 0, 1, 2

# An end found whole counts at least as much as a quarter of the outline: an outline has four contours, two long edges
# and two ends, and each is as good a place to find the bridge by as another (our choice, no source).
END_WEIGHT: Final = 0.25

# an end reaches so far along the bridge, as a share of what is seen of its length
_REACH: Final = 0.05


def ends_of(outline: Outline, camera: Camera, on_bridge: Array) -> NDArray[np.int8]:
    """What each piece (N,) of an outline belongs to: ``EDGE``, ``JOINT`` or ``FREE_END``.

    ``on_bridge`` (N, 3) m are the places of the bridge just inside the pieces, NaN where there is none. The bridge
    comes out of the wall along +Z: an end lies where it begins or stops and crosses that direction in the picture.
    What is cut off by the frame's edge has no end there, as nothing crosses.
    """
    out = np.full(len(outline), EDGE, dtype=np.int8)
    known = np.asarray(np.isfinite(on_bridge).all(axis=1))
    if not known.any():
        return out
    z = on_bridge[:, 2]
    low, high = float(z[known].min()), float(z[known].max())
    reach = high - low
    if reach <= 0.0:
        return out
    points = np.where(known[:, None], on_bridge, on_bridge[known][0])
    along = camera.project(points + [0.0, 0.0, 0.01 * reach]) - camera.project(points)
    length = np.linalg.norm(along, axis=1)
    # the outline runs along the bridge where its normal is square to it: across it beyond 45 degrees
    lengthwise = np.abs(np.einsum("ij,ij->i", along, outline.normal))
    crosses = known & (lengthwise > np.sqrt(0.5) * length)
    out[crosses & (z <= low + _REACH * reach)] = JOINT
    out[crosses & (z >= high - _REACH * reach)] = FREE_END
    return out


def just_inside(outline: Outline, camera: Camera, sight: SightLines, bridge: str = "bridge") -> Array:
    """Places (N, 3) m of the bridge just inside the pieces of its outline, NaN where there is none."""
    origins, directions = camera.rays(outline.inside_px)
    return sight.first_hits(origins, directions, names=[bridge]).point


def share_found(found: NDArray[np.floating[Any]], ends: NDArray[np.int8] | None) -> float:
    """How much of an outline is found, 0 to 1: of all of it, or of either end with its own weight if that is more.

    ``found`` (N,) is how much each piece is; ``ends`` (N,) what it belongs to, None where there are no ends.
    """
    share = float(found.mean())
    if ends is not None:
        for end in (JOINT, FREE_END):
            here = ends == end
            if here.any():
                share = max(share, END_WEIGHT * float(found[here].mean()))
    return share
