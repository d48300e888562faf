"""Where a camera of known lens is, from points and their pictures: the perspective-n-point problem.

G. Terzakis and M. Lourakis, "A Consistently Fast and Globally Optimal Solution to the Perspective-n-Point Problem",
ECCV 2020: the sum of squares is a quadratic form of the rotation's nine elements, whose minima are reached from the
form's eigenvectors. Here all eigenvectors are begun with, and Gauss and Newton's steps are taken in the rotations.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from previz.geometry import Array

_STEPS: Final = 30
_SMALL: Final = 1e-12


def cv_from_world(world: Array, rays: Array) -> tuple[Array, Array] | None:
    """Rotation (3, 3) and shift (3,) m that take points ``world`` (N, 3) m into a camera, x right, y down, z ahead.

    ``rays`` (N, 2) are where it sees them on its plane z = 1; N is at least 3. None where points and rays tell
    nothing, or all that agrees with them is behind the camera. Exact rays of points that do not lie on a line give
    the place to rounding; of three points alone one of up to four places is given.
    """
    if len(world) < 3 or not (np.isfinite(world).all() and np.isfinite(rays).all()):
        return None
    middle = world.mean(axis=0)
    size = float(np.abs(world - middle).max())
    if size <= 0.0:
        return None
    local = (world - middle) / size
    count = len(local)
    # what a point's picture and its ray differ by, in the plane z = 1 times the depth: P (R X + t)
    p = np.zeros((count, 2, 3))
    p[:, 0, 0] = p[:, 1, 1] = 1.0
    p[:, :, 2] = -rays
    q = p.transpose(0, 2, 1) @ p
    a = np.einsum("ij,nk->nijk", np.eye(3), local).reshape(count, 3, 9)
    try:
        # the best shift follows from the rotation (eq. 8)
        shift_from_r = -np.linalg.solve(q.sum(axis=0), (q @ a).sum(axis=0))
    except np.linalg.LinAlgError:
        return None
    moved = a + shift_from_r
    form = (moved.transpose(0, 2, 1) @ q @ moved).sum(axis=0)
    if not np.isfinite(form).all():
        return None
    vectors = np.linalg.eigh(form)[1].T.reshape(9, 3, 3)
    turns = _descended(form, _nearest(np.concatenate([vectors, -vectors])))
    costs = _costs(form, turns)
    shifts = turns.reshape(-1, 9) @ shift_from_r.T
    depths = np.einsum("sj,nj->sn", turns[:, 2], local) + shifts[:, None, 2]
    ahead = np.median(depths, axis=1) > 0.0
    if not ahead.any():
        return None
    best = int(np.argmin(np.where(ahead, costs, np.inf)))
    turn = turns[best]
    return turn, shifts[best] * size - turn @ middle


def _costs(form: Array, turns: Array) -> Array:
    r = turns.reshape(-1, 9)
    return np.asarray(((r @ form) * r).sum(axis=1))


def _nearest(matrices: Array) -> Array:
    """Rotations (S, 3, 3) nearest to matrices (S, 3, 3)."""
    u, _, vt = np.linalg.svd(matrices)
    u[:, :, 2] *= np.sign(np.linalg.det(u @ vt))[:, None]
    return np.asarray(u @ vt)


def _descended(form: Array, turns: Array) -> Array:
    """Rotations (S, 3, 3) taken downhill in r^T ``form`` r, steps damped where they do not help."""
    count = len(turns)
    damping = np.full(count, 1e-3)
    cost = _costs(form, turns)
    scale = float(np.trace(form)) / 9.0
    for _ in range(_STEPS):
        # d(exp(w) R)/dw, row i of the (3, 3) of each axis
        slope = (_AXES @ turns[:, None]).reshape(count, 3, 9)
        pulled = slope @ form
        down = (pulled @ turns.reshape(-1, 9, 1))[..., 0]
        bend = pulled @ slope.transpose(0, 2, 1)
        bend = bend + (damping * scale + _SMALL * scale)[:, None, None] * np.eye(3)
        step = -np.asarray(np.linalg.solve(bend, down[..., None])[..., 0], dtype=np.float64)
        tried = _exp(step) @ turns
        now = _costs(form, tried)
        better = now <= cost
        turns = np.where(better[:, None, None], tried, turns)
        cost = np.where(better, now, cost)
        damping = np.where(better, damping * 0.1, damping * 10.0)
        if float(np.abs(step[better]).max(initial=0.0)) < 1e-10:
            break
    return turns


# generators of rotations about x, y, z
_AXES: Final = np.array(
    [
        [[0.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]],
        [[0.0, 0.0, 1.0], [0.0, 0.0, 0.0], [-1.0, 0.0, 0.0]],
        [[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 0.0]],
    ]
)


def _exp(w: Array) -> Array:
    """Rotations (S, 3, 3) by vectors (S, 3) rad: Rodrigues' formula."""
    angle = np.linalg.norm(w, axis=1)[:, None, None]
    k = (w @ _AXES.reshape(3, 9)).reshape(-1, 3, 3)
    return np.asarray(np.eye(3) + np.sinc(angle / np.pi) * k + 0.5 * np.sinc(angle / (2.0 * np.pi)) ** 2 * (k @ k))
