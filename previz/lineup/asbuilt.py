"""Where the built bridge and wall really are, from points measured in a photograph whose camera is known."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.optimize import least_squares

from previz.errors import PlateError
from previz.geometry import Array, rigid, turned
from previz.lineup.solve import CameraFit, Points, nudged

# what a built piece is taken to be within before anything is measured: standard deviations, m and rad
_SHIFT: Final = 0.03
_TURN: Final = math.radians(3.0)
_LEAST_PX: Final = 0.2

# standard deviations that chance goes beyond once in twenty and once in a hundred (normal distribution, both sides)
_CHANCE, _CONTRADICTS = 1.96, 2.576
_UNIT: Final = 1e-3


@dataclass(frozen=True, eq=False)
class Offset:
    """How far a built piece is off its drawing: ``shift`` (3,) m right, up, out of the wall, of the piece's middle
    ``about`` (3,); ``turn`` (3,) rad as a camera's pan, tilt and roll; ``spread`` (6,) their standard deviations, the
    camera's own doubt included; ``rms_px`` and ``count`` of the points. ``seen`` (6, 6) is the covariance against that
    camera, whatever it is in doubt of."""

    piece: str
    about: Array
    shift: Array
    turn: Array
    spread: Array
    rms_px: float
    count: int
    seen: Array

    def moved(self, points: Array) -> Array:
        """Where points (..., 3) m of the drawing really are."""
        return np.asarray((points - self.about) @ turned(*self.turn.tolist()).T + self.about + self.shift)


def pieces_of(points: Points) -> dict[str, Points]:
    """Points by the piece that the first word of their names says, such as ``bridge near left``."""
    words = [name.split()[0].lower().rstrip(":,.") for name in points.names]
    found = sorted({word for word in words if word in ("bridge", "wall")})
    return {word: points.only(np.array([w == word for w in words])) for word in found}


def offset_of(piece: str, points: Points, camera: CameraFit, least_px: float = _LEAST_PX) -> Offset:
    """How far a piece is off, by least squares of its points' picture errors.

    With fewer than four points the turn is mostly taken from what pieces usually are within (3 deg), and said to be no
    better known than that. ``least_px`` is what the points scatter by at least. Raises
    :class:`PlateError` for fewer than two points.
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
        scatter = max(float(np.sqrt(np.sum(off**2) / freedom)), least_px)
        found = least_squares(residuals, found.x, x_scale="jac")
    spread = np.sqrt(np.diag(_with_camera(found, seen, camera, scatter))) * _UNIT
    own = np.linalg.pinv(found.jac.T @ found.jac) * _UNIT**2
    off = seen(found.x, camera) - points.px
    rms = float(np.sqrt(np.mean(np.sum(off**2, axis=1))))
    return Offset(piece, about, found.x[:3] * _UNIT, found.x[3:] * _UNIT, np.asarray(spread), rms, len(points), own)


def places_of(points: Points, camera: CameraFit, shift: float, turn: float) -> dict[str, Array]:
    """Where the built bridge and wall are, (4, 4) from the drawing, as far as points of them were measured.

    ``shift`` m and ``turn`` rad are how true the bridge hangs. It is taken to be where this camera's picture shows it,
    and the wall to be where it is against the bridge, both by :func:`believed`: four corners of a doorway hardly tell
    how far off it is, and a narrow bridge how it is rolled.
    """
    pieces = {piece: own for piece, own in pieces_of(points).items() if len(own) >= 2}
    out: dict[str, Array] = {}
    scatter = _LEAST_PX
    if "bridge" in pieces:
        found = offset_of("bridge", pieces["bridge"], camera)
        out["bridge"] = _from_drawing(believed(found, shift, turn))
        # few points fit by chance: whoever measured them did so as well as those of the bridge
        scatter = max(scatter, found.rms_px * float(np.sqrt(found.count / max(2 * found.count - 6, 1))))
    if "wall" in pieces:
        own, near = pieces["wall"], out.get("bridge", np.eye(4))
        beside = replace(own, world=own.world @ near[:3, :3].T + near[:3, 3])
        out["wall"] = _from_drawing(believed(offset_of("wall", beside, camera, scatter), shift, turn)) @ near
    return out


def _from_drawing(offset: Offset) -> Array:
    return rigid(turned(*offset.turn.tolist()), offset.moved(np.zeros(3)))


def believed(offset: Offset, shift: float, turn: float) -> Offset:
    """The offset of a piece that was said to be true within ``shift`` m and ``turn`` rad before it was measured.

    Along each principal axis of its covariance what may be chance is left out, else the two are weighed by their
    variances; where they contradict each other by more than chance does once in a hundred, the picture is right.
    """
    known = np.maximum([shift] * 3 + [turn] * 3, 1e-9)
    # in units of what is known, in which that is 1 along all axes
    size, axes = np.linalg.eigh(offset.seen / np.outer(known, known))
    size, along = np.maximum(size, 0.0), axes.T @ (np.concatenate([offset.shift, offset.turn]) / known)
    contradicted = np.abs(along) > _CONTRADICTS * np.sqrt(size + 1.0)
    along = np.where(np.abs(along) > _CHANCE * np.sqrt(size), along, 0.0)
    found = known * (axes @ np.where(contradicted, along, along / (1.0 + size)))
    return replace(offset, shift=found[:3], turn=found[3:])


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
