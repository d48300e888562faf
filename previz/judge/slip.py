"""Slip: registration error of the paint, how far it has drifted from the wall it continues. Geometry alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.geometry import unit
from previz.judge.outline import Outline
from previz.look.sight import SightLines

Array = NDArray[np.float64]


def slip_of(
    outline: Outline,
    camera: Camera,
    station_point: Array,
    sight: SightLines,
    delivered_width_px: int,
    bridge: str = "bridge",
    wall: str = "wall",
) -> float:
    """Largest slip along the visible outline, in pixels of the delivered frame; 0 where none can be measured.

    ``outline`` is in ``camera``'s pixels, ``station_point`` (3,) m. For a point X of the bridge just inside the
    outline and the wall point W that X hides from the station point: the distance of their pictures now.
    """
    if len(outline) == 0:
        return 0.0
    origins, directions = camera.rays(outline.inside_px)
    seen = sight.first_hits(origins, directions, names=[bridge])
    found = np.isfinite(seen.distance)
    if not found.any():
        return 0.0
    x = seen.point[found]
    behind = sight.first_hits(np.broadcast_to(station_point, x.shape).copy(), unit(x - station_point), names=[wall])
    ends = np.isfinite(behind.distance)
    if not ends.any():
        return 0.0
    drift = np.linalg.norm(camera.project(x[ends]) - camera.project(behind.point[ends]), axis=1)
    drift = drift[np.isfinite(drift)]
    return float(drift.max(initial=0.0)) * delivered_width_px / camera.width_px
