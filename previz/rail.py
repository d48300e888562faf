"""The track that the camera rides, and how far along it the camera is at a frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from previz.geometry import Array, unit


def eased(progress: ArrayLike, ease: float) -> Array:
    """Share of the travel done when ``progress`` (...), 0 to 1, of the frames has gone by.

    The speed rises evenly from rest over the first ``ease`` (0 to 0.5) of the frames, stays constant, and
    falls evenly to rest over the last ``ease``: a trapezium of speed, integrated.
    """
    t = np.clip(np.asarray(progress, dtype=np.float64), 0.0, 1.0)
    if not 0.0 <= ease <= 0.5:
        raise ValueError(f"ease must lie between 0 and 0.5, not {ease}")
    if ease == 0.0:
        return t
    top_speed = 1.0 / (1.0 - ease)
    start = 0.5 * top_speed / ease * t**2
    middle = top_speed * (t - 0.5 * ease)
    end = 1.0 - 0.5 * top_speed / ease * (1.0 - t) ** 2
    return np.where(t < ease, start, np.where(t > 1.0 - ease, end, middle))


@dataclass(frozen=True, eq=False)
class Track:
    """A straight or curved track through ``through`` (3,) m, where the lens stands at the station frame.

    ``along`` (3,) is the unit direction of travel there. ``radius`` in metres bends a level track about a
    vertical axis: positive turns about a point on the side of the wall (ahead of the lens), negative about
    one behind the camera; 0 is straight.
    """

    through: Array
    along: Array
    radius: float = 0.0

    def _level_ahead(self) -> Array:
        # to the left of the direction of travel: with travel to camera right this points at the wall
        return unit(np.cross([0.0, 1.0, 0.0], self.along))

    def position(self, distance: ArrayLike) -> Array:
        """Places of the lens (..., 3) m at ``distance`` (...) m of travel from the station point."""
        s = np.asarray(distance, dtype=np.float64)
        if self.radius == 0.0:
            return np.asarray(self.through + s[..., None] * self.along)
        a = s / self.radius
        return np.asarray(
            self.through
            + self.radius * np.sin(a)[..., None] * self.along
            + self.radius * (1.0 - np.cos(a))[..., None] * self._level_ahead()
        )

    def heading(self, distance: ArrayLike) -> Array:
        """Pan (...) rad, to camera right, by which the track itself has turned since the station point."""
        s = np.asarray(distance, dtype=np.float64)
        return -s / self.radius if self.radius else np.zeros_like(s)
