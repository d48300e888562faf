"""A place for words, turned any way, where no line goes through them and no other words lie: the nearest one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
import shapely
from numpy.typing import ArrayLike

from previz.geometry import Array

# places are tried at so many steps each way along and across, nearest first
_STEPS: Final = 24
_BATCH: Final = 200


class ClearPlaces:
    """Lines (N, 2) that words keep off, and boxes that are taken already; one unit of length for all."""

    def __init__(self, lines: Iterable[ArrayLike]) -> None:
        flat = [np.asarray(line, dtype=np.float64) for line in lines]
        self._lines = shapely.STRtree([shapely.LineString(line) for line in flat if len(line) > 1])
        self._taken: list[shapely.Polygon] = []

    def take(self, corners: ArrayLike) -> None:
        """Keep words off a box with these ``corners`` (4, 2), or off any other outline (N, 2)."""
        self._taken.append(shapely.convex_hull(shapely.MultiPoint(np.asarray(corners, dtype=np.float64))))

    def crosses(self, start: ArrayLike, end: ArrayLike) -> bool:
        """Whether a line between two places (2,) goes through a box that is taken."""
        line = shapely.LineString([np.asarray(start, dtype=np.float64), np.asarray(end, dtype=np.float64)])
        return any(line.intersects(taken) for taken in self._taken)

    def free(self, corners: ArrayLike) -> bool:
        """Whether a box with these ``corners`` (4, 2) lies on no line and no other box."""
        return bool(self._free(np.asarray(corners, dtype=np.float64)[None])[0])

    def _free(self, boxes: Array) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        shapes = shapely.polygons(boxes)
        out = np.ones(len(boxes), dtype=np.bool_)
        out[self._lines.query(shapes, predicate="intersects")[0]] = False
        if self._taken:
            out[shapely.STRtree(self._taken).query(shapes, predicate="intersects")[0]] = False
        return out

    def shift(
        self, corners: ArrayLike, along: ArrayLike, step: float, within: Sequence[ArrayLike] = ()
    ) -> Array | None:
        """How far (2,) a box with ``corners`` (4, 2) has to move to be free, as little as can be; None where it cannot.

        ``along`` (2,) is a unit vector along the words. Where ``within`` holds outlines the box stays in one of them.
        """
        box = np.asarray(corners, dtype=np.float64)
        a = np.asarray(along, dtype=np.float64)
        across = np.array([-a[1], a[0]])
        k = np.arange(-_STEPS, _STEPS + 1)
        u, v = (each.ravel() for each in np.meshgrid(k, k))
        order = np.lexsort([u, v, u * u + v * v])
        moves = step * (u[order, None] * a + v[order, None] * across)
        area = shapely.union_all([shapely.make_valid(shapely.Polygon(np.asarray(one))) for one in within])
        for first in range(0, len(moves), _BATCH):
            some = moves[first : first + _BATCH]
            good = self._free(box + some[:, None, :])
            if within:
                good &= shapely.contains(area, shapely.polygons(box + some[:, None, :]))
            if good.any():
                return np.asarray(some[int(np.argmax(good))])
        return None


def turned_box(middle: ArrayLike, size: tuple[float, float], turn: float) -> Array:
    """The corners (4, 2) of a box of ``size`` (long, high) about its ``middle`` (2,), turned by ``turn`` rad from x to
    y."""
    along, up = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    half = 0.5 * size[0] * along, 0.5 * size[1] * up
    return np.array([np.asarray(middle) + i * half[0] + j * half[1] for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))])
