"""A rule's pattern turned about the wall's normal: beds that dip otherwise, columns that lean.

The rule draws a larger rectangle along its own axes, as finely as is asked for; what is asked for is looked up in it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from previz.geometry import Array
from previz.workshop.noise import Field
from previz.workshop.surface import Picture
from previz.workshop.walls.sheet import Ground

Rule = tuple[Callable[[Ground, Array, Array], Field], Callable[[Ground, Array, Array], Picture]]

# lines drawn beyond what is looked up, for the splines
_RIM = 4


def turned(rule: Rule, angle: float) -> Rule:
    """A rule whose pattern is turned by ``angle`` (rad) about x = y = 0, clockwise as the lens sees it.

    Lines asked of it have to be evenly spaced. Heights are straight between samples, paint is cubic, so that what is
    painted finely stays so. What a rule does by height (tiers, washes from below) turns with the rest.
    """
    if angle == 0.0:
        return rule
    carve, painted = rule

    def carved(ground: Ground, x: Array, y: Array) -> Field:
        return _looked_up(carve, ground, x, y, angle, 1)

    def coloured(ground: Ground, x: Array, y: Array) -> Picture:
        return _looked_up(painted, ground, x, y, angle, 3)

    return carved, coloured


def _looked_up(
    draw: Callable[[Ground, Array, Array], Any], ground: Ground, x: Array, y: Array, angle: float, order: int
) -> NDArray[np.float32]:
    """What a rule draws (h, w, ...) at lines ``x`` (w,) and ``y`` (h,) m of a wall on which it is turned."""
    cos, sin = math.cos(angle), math.sin(angle)
    steps = _step(x), _step(y)
    corner_x, corner_y = np.meshgrid(x[[0, -1]], y[[0, -1]])
    along = cos * corner_x - sin * corner_y, sin * corner_x + cos * corner_y
    lines = []
    for places, step in zip(along, steps, strict=True):
        first = (places.min() if step > 0.0 else places.max()) - _RIM * step
        lines.append(first + step * np.arange(math.ceil(float(np.ptp(places)) / abs(step)) + 2 * _RIM + 1))
    drawn = np.asarray(draw(ground, *lines), dtype=np.float32)
    # row and column in what was drawn, of row and column that are asked for
    (u, v), (dx, dy) = (line[0] for line in lines), steps
    matrix = np.array([[cos, sin * dx / dy], [-sin * dy / dx, cos]])
    offset = np.array([(sin * x[0] + cos * y[0] - v) / dy, (cos * x[0] - sin * y[0] - u) / dx])
    planes = drawn[..., None] if drawn.ndim == 2 else drawn
    out = np.empty((len(y), len(x), planes.shape[2]), dtype=np.float32)
    for k in range(planes.shape[2]):
        ndimage.affine_transform(
            planes[..., k], matrix, offset, (len(y), len(x)), out[..., k], order=order, mode="nearest"
        )
    return out[..., 0] if drawn.ndim == 2 else out


def _step(line: Array) -> float:
    return float(line[-1] - line[0]) / (len(line) - 1) if len(line) > 1 else 1.0
