"""Focal length and radial distortion of a lens, from several photographs of one marker board.

All photographs share focal length, k1 and the sensor's middle; each has its own place and turn. Least squares over all
of them at once (bundle adjustment; Hartley and Zisserman, *Multiple View Geometry*, 2nd edition, chapter 18).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.optimize import least_squares

from previz.camera import Camera
from previz.errors import PlateError
from previz.geometry import Array, inverse_rigid, rigid, transform_points, turned
from previz.lineup.locate import Located, bent
from previz.lineup.solve import HALF_SHEET, CameraFit, Points, distorted, nudged

LEAST: Final = 3
_UNIT: Final = 1e-3
_SHARED: Final = 4

# the sensor's middle lies so close to the optical axis, share of the picture's width (common practice, no source)
_MIDDLE: Final = 0.01


@dataclass(frozen=True, eq=False)
class Lens:
    """``focal_px``, ``k1`` and the optical axis's place ``centre_px`` (2,), with standard deviations ``spread`` (4,) of
    the four in that order; ``rms_px`` over ``photographs``."""

    focal_px: float
    k1: float
    centre_px: Array
    spread: Array
    rms_px: float
    photographs: int


def lens_of(taken: Sequence[Located], sheet_frames: Sequence[Array] = (), placed: float = 0.0) -> Lens:
    """The lens behind several photographs of sheets at ``sheet_frames`` (4, 4), known to within ``placed`` m.

    Raises :class:`PlateError` where they cannot tell."""
    if len(taken) < LEAST:
        wanted = f"at least {LEAST} photographs, better 8, from all round"
        raise PlateError(f"a lens check needs {wanted}; usable: {len(taken)}")
    sizes = {one.photograph.size_px for one in taken}
    if len(sizes) > 1:
        words = " and ".join(f"{w} x {h}" for w, h in sorted(sizes))
        raise PlateError(f"the photographs are not of one size: {words} px; give those of one camera and one setting")
    ((width, height),) = sizes
    used = [one.points.only(one.solved.used) for one in taken]
    cameras = [one.solved.camera for one in taken]
    lengths = [camera.focal_px for camera in cameras]
    if max(lengths) > 1.1 * min(lengths):
        raise PlateError("the photographs were taken with different focal lengths; leave the zoom alone")
    focal = float(np.exp(np.mean(np.log(lengths))))
    k1 = float(np.mean([one.solved.k1 for one in taken]))
    px = [points.px for points in used]
    lens = Lens(focal, k1, np.array([0.5 * width, 0.5 * height]), np.zeros(4), 0.0, len(taken))
    marked = bool(any(np.any(points.outward) for points in used))
    for _ in range(2):
        if marked:
            px = [p.px - bent(p, _with(c, lens), lens.k1) for p, c in zip(used, cameras, strict=True)]
        lens, cameras = _adjusted(lens, cameras, used, px, tuple(sheet_frames) if placed > 0.0 else (), placed)
    return lens


def _with(camera: Camera, lens: Lens) -> Camera:
    x, y = lens.centre_px.tolist()
    return replace(camera, focal_px=lens.focal_px, centre_x_px=x, centre_y_px=y)


def _adjusted(
    lens: Lens,
    cameras: Sequence[Camera],
    used: Sequence[Points],
    px: Sequence[Array],
    frames: Sequence[Array],
    placed: float,
) -> tuple[Lens, list[Camera]]:
    first = _SHARED + 6 * len(frames)
    width = cameras[0].width_px
    scatter = 0.3

    def lens_at(u: Array) -> Lens:
        focal = lens.focal_px * float(np.exp(u[0] * _UNIT))
        return replace(lens, focal_px=focal, k1=lens.k1 + float(u[1] * _UNIT), centre_px=lens.centre_px + u[2:4])

    def camera_at(u: Array, number: int, now: Lens) -> Camera:
        own = np.zeros(7)
        own[:6] = u[first + 7 * number : first + 7 * number + 6] * _UNIT
        return nudged(_with(cameras[number], now), own)

    def world_at(u: Array, points: Points) -> Array:
        out = points.world.copy()
        for index, frame in enumerate(frames):
            on = points.sheet == index
            v = u[_SHARED + 6 * index : _SHARED + 6 * index + 6] * _UNIT
            own = transform_points(inverse_rigid(frame), out[on])
            out[on] = transform_points(frame @ rigid(turned(v[3], v[4], v[5]), v[:3]), own)
        return out

    def misses(u: Array) -> list[Array]:
        now = lens_at(u)
        out = []
        for number, points in enumerate(used):
            camera = camera_at(u, number, now)
            seen = distorted(camera, camera.project(world_at(u, points)), now.k1)
            grown = u[first + 7 * number + 6] * points.outward
            out.append(np.nan_to_num(seen + grown - px[number], nan=1e4))
        return out

    def residuals(u: Array) -> Array:
        middle = (lens_at(u).centre_px - 0.5 * np.array([width, cameras[0].height_px])) / (_MIDDLE * width)
        grown = u[first + 6 :: 7] / 0.5
        known = [middle, grown]
        if frames:
            v = u[_SHARED:first].reshape(-1, 6) * _UNIT / placed
            known += [v[:, :3].ravel(), v[:, 3:].ravel() * HALF_SHEET]
        return np.concatenate([*(off.ravel() / scatter for off in misses(u)), *known])

    start = np.zeros(first + 7 * len(used))
    found = least_squares(residuals, start, x_scale="jac", loss="soft_l1", f_scale=3.0)
    for _ in range(2):
        off = np.concatenate([one.ravel() for one in misses(found.x)])
        scatter = max(float(np.sqrt(np.sum(off**2) / max(off.size - len(start), 1))), 0.01)
        found = least_squares(residuals, found.x, x_scale="jac")
    covariance = np.linalg.pinv(found.jac.T @ found.jac)
    spread = np.sqrt(np.diag(covariance)[:4]) * np.array([_UNIT, _UNIT, 1.0, 1.0])
    now = lens_at(found.x)
    off = np.concatenate([one.ravel() for one in misses(found.x)]).reshape(-1, 2)
    rms = float(np.sqrt(np.mean(np.sum(off**2, axis=1))))
    spread[0] *= now.focal_px
    moved = [camera_at(found.x, number, now) for number in range(len(used))]
    return replace(now, spread=np.asarray(spread), rms_px=rms), moved


def agree(lens: Lens, solved: CameraFit) -> bool:
    """Whether one photograph's own focal length agrees with the lens's, to three standard deviations of both."""
    spread = float(np.hypot(lens.spread[0] / lens.focal_px, solved.spread[6]))
    return bool(abs(np.log(solved.camera.focal_px / lens.focal_px)) < 3.0 * spread)
