"""Where the built bridge and wall really are, from points measured in a photograph whose camera is known."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.optimize import least_squares

from previz.errors import PlateError
from previz.geometry import Array, turned
from previz.lineup.solve import CameraFit, Points, nudged

# what a built piece is taken to be within before anything is measured: standard deviations, m and rad
_SHIFT: Final = 0.03
_TURN: Final = math.radians(3.0)
_LEAST_PX: Final = 0.2
_UNIT: Final = 1e-3


@dataclass(frozen=True, eq=False)
class Offset:
    """How far a built piece is off its drawing: ``shift`` (3,) m right, up, out of the wall, of the piece's middle
    ``about`` (3,); ``turn`` (3,) rad as a camera's pan, tilt and roll; ``spread`` (6,) their standard deviations, the
    camera's own doubt included; ``rms_px`` and ``count`` of the points."""

    piece: str
    about: Array
    shift: Array
    turn: Array
    spread: Array
    rms_px: float
    count: int

    def moved(self, points: Array) -> Array:
        """Where points (..., 3) m of the drawing really are."""
        return np.asarray((points - self.about) @ turned(*self.turn.tolist()).T + self.about + self.shift)


def pieces_of(points: Points) -> dict[str, Points]:
    """Points by the piece that the first word of their names says, such as ``bridge near left``."""
    words = [name.split()[0].lower().rstrip(":,.") for name in points.names]
    found = sorted({word for word in words if word in ("bridge", "wall")})
    return {word: points.only(np.array([w == word for w in words])) for word in found}


def offset_of(piece: str, points: Points, camera: CameraFit) -> Offset:
    """How far a piece is off, by least squares of its points' picture errors.

    With fewer than four points the turn is mostly taken from what pieces usually are within (3 deg), and said to be no
    better known than that. Raises :class:`PlateError` for fewer than two points.
    """
    if len(points) < 2:
        raise PlateError(f"{len(points)} point of the {piece} tells no place; measure at least 4, spread along it")
    about = points.world.mean(axis=0)
    scatter = 1.0

    def seen(v: Array, by: CameraFit) -> Array:
        here = (points.world - about) @ turned(*(v[3:] * _UNIT).tolist()).T + about + v[:3] * _UNIT
        return by.project(here)

    def residuals(v: Array) -> Array:
        off = np.nan_to_num(seen(v, camera) - points.px, nan=1e4).ravel() / scatter
        return np.concatenate([off, v[:3] * _UNIT / _SHIFT, v[3:] * _UNIT / _TURN])

    found = least_squares(residuals, np.zeros(6), x_scale="jac")
    for _ in range(2):
        off = seen(found.x, camera) - points.px
        freedom = max(off.size - 6, 1)
        scatter = max(float(np.sqrt(np.sum(off**2) / freedom)), _LEAST_PX)
        found = least_squares(residuals, found.x, x_scale="jac")
    spread = np.sqrt(np.diag(_with_camera(found, seen, camera, scatter))) * _UNIT
    off = seen(found.x, camera) - points.px
    rms = float(np.sqrt(np.mean(np.sum(off**2, axis=1))))
    return Offset(piece, about, found.x[:3] * _UNIT, found.x[3:] * _UNIT, np.asarray(spread), rms, len(points))


def _with_camera(found, seen, camera: CameraFit, scatter: float) -> Array:  # type: ignore[no-untyped-def]
    """Covariance (6, 6) of the offset, with what the camera's own doubt adds."""
    own = np.linalg.pinv(found.jac.T @ found.jac)
    base = seen(found.x, camera)
    slope = np.empty((base.size, 7))
    for k in range(7):
        small = np.zeros(7)
        small[k] = 1e-5
        other = replace(camera, camera=nudged(camera.camera, small))
        slope[:, k] = (seen(found.x, other) - base).ravel() / 1e-5
    taken = own @ found.jac[: base.size].T @ slope / scatter
    return np.asarray(own + taken @ camera.covariance[:7, :7] @ taken.T)
