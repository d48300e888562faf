"""The wall's plane in a photograph: a homography from measured points, and the lens's distortion where it is given."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from previz.errors import BuildError
from previz.geometry import Array
from previz.scene.given.photochecks import design, normalised

# px: how true a point marked by hand is, and a corner found in a printed marker (tests/lineup: 0.05 px)
HAND_PX: Final = 1.0
FOUND_PX: Final = 0.05

_ITERATIONS: Final = 30


@dataclass(frozen=True, eq=False)
class RadialLens:
    """Radial distortion of a picture: ``k1`` with r in focal lengths, r' = r (1 + k1 r^2), about ``centre`` (2,) px."""

    focal_px: float
    centre: tuple[float, float]
    k1: float

    def seen(self, px: ArrayLike) -> Array:
        """Where places (..., 2) px of an ideal picture lie in the real one."""
        r = (np.asarray(px, dtype=np.float64) - self.centre) / self.focal_px
        return np.asarray(self.centre + self.focal_px * r * (1.0 + self.k1 * (r * r).sum(axis=-1, keepdims=True)))

    def ideal(self, px: ArrayLike) -> Array:
        """Where places (..., 2) px of the real picture lie in an ideal one, to 1e-9 px. Raises :class:`BuildError`."""
        r = (np.asarray(px, dtype=np.float64) - self.centre) / self.focal_px
        far = np.linalg.norm(r, axis=-1, keepdims=True)
        out = far.copy()
        # Newton on out (1 + k1 out^2) = far, which rises with out unless a barrel lens folds the picture over
        for _ in range(_ITERATIONS):
            slope = 1.0 + 3.0 * self.k1 * out * out
            if np.any(slope <= 0.05):
                raise BuildError(f"a distortion of {self.k1:g} folds the photograph over; measure it again")
            out = out - (out * (1.0 + self.k1 * out * out) - far) / slope
        return np.asarray(self.centre + self.focal_px * r * np.where(far > 0.0, out / np.maximum(far, 1e-300), 1.0))


@dataclass(frozen=True, eq=False)
class SeenPlane:
    """How a photograph shows the wall's plane: ``px_from_wall`` (3, 3) takes (x, y, 1), m, to the ideal picture, its
    third number above nought where the wall lies ahead of the lens; ``lens`` is its distortion, None for none.

    ``fitted`` (3, 3) is the same from ``fit_from_wall`` (3, 3), the points' own middle and size, to their like in the
    picture; ``spread`` (8, 8) is the covariance of its first eight numbers, the ninth held.
    """

    px_from_wall: Array
    lens: RadialLens | None
    fitted: Array
    fit_from_wall: Array
    spread: Array

    def px(self, at: ArrayLike) -> Array:
        """Where places (..., 2) m of the wall are seen (..., 2) px; NaN where they lie behind the lens."""
        ideal = _through(self.px_from_wall, np.asarray(at, dtype=np.float64))
        return ideal if self.lens is None else self.lens.seen(ideal)

    def at(self, px: ArrayLike) -> Array:
        """Which places (..., 2) m of the wall are seen at (..., 2) px; NaN above the wall's horizon."""
        seen: Array = np.array(px, dtype=np.float64)
        ideal = seen if self.lens is None else self.lens.ideal(seen)
        return _through(np.asarray(np.linalg.inv(self.px_from_wall), dtype=np.float64), ideal)

    def sure(self, at: ArrayLike) -> Array:
        """Standard deviation (N,) m of where the points of the photograph put a place (N, 2) m of the wall."""
        places = _through(self.fit_from_wall, np.asarray(at, dtype=np.float64).reshape(-1, 2))
        step = 1e-6
        sides = [np.array([step, 0.0]), np.array([0.0, step])]
        steps = [_through(self.fitted, places + side) - _through(self.fitted, places - side) for side in sides]
        moves = np.linalg.solve(np.stack(steps, axis=-1) / (2.0 * step), _jacobian(self.fitted, places))
        spread = moves @ self.spread @ moves.transpose(0, 2, 1)
        far = np.sqrt(np.maximum(np.trace(spread, axis1=1, axis2=2), 0.0))
        return np.asarray(far / self.fit_from_wall[0, 0])


def _through(matrix: Array, points: Array) -> Array:
    """Points (..., 2) through a homography (3, 3); NaN where the third number is not above nought."""
    out = points @ matrix[:, :2].T + matrix[:, 2]
    scale = out[..., 2:]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(scale > 0.0, out[..., :2] / scale, np.nan))


def _jacobian(h: Array, at: Array) -> Array:
    """How places in the picture (N, 2) change with the first eight numbers of a homography (3, 3): (N, 2, 8)."""
    x = np.concatenate([at, np.ones((len(at), 1))], axis=1)
    u, v, w = (x @ h.T).T
    out = np.zeros((len(at), 2, 8))
    out[:, 0, 0:3] = x / w[:, None]
    out[:, 1, 3:6] = x / w[:, None]
    out[:, 0, 6:8] = -x[:, :2] * (u / w**2)[:, None]
    out[:, 1, 6:8] = -x[:, :2] * (v / w**2)[:, None]
    return out


def seen_plane(px: Array, at: Array, sigma_px: Array, lens: RadialLens | None) -> SeenPlane:
    """The plane from points (N, 2) px and (N, 2) m, at least four, each known to ``sigma_px`` (N,).

    The direct linear transformation with normalised points, then the least squares of what is left over in the picture
    (Hartley and Zisserman, *Multiple View Geometry*, 2nd edition, algorithms 4.2 and 4.3). Raises
    :class:`BuildError` for points that only a mirrored picture shows so, or only with the plane behind the lens.
    """
    from scipy.optimize import least_squares

    ideal = px if lens is None else lens.ideal(px)
    (p, to_p), (a, to_a) = normalised(ideal), normalised(at)
    h = np.linalg.svd(design(p, a))[2][-1].reshape(3, 3)
    # kept normalised for the refinement: all its numbers are of one size there
    third = np.concatenate([a, np.ones((len(a), 1))], axis=1) @ h[2]
    if np.any(third * np.sign(third.sum()) <= 0.0):
        raise BuildError("its points cannot all lie on one wall ahead of the lens; look for two that are exchanged")
    h = h * np.sign(third.sum())
    weight = (1.0 / (sigma_px * to_p[0, 0]))[:, None]
    scale = float(h[2, 2])

    def left(eight: Array) -> Array:
        m = np.append(eight, 1.0).reshape(3, 3) * scale
        out = a @ m[:, :2].T + m[:, 2]
        return np.asarray(((out[:, :2] / out[:, 2:] - p) * weight).ravel())

    found = least_squares(left, h.reshape(9)[:8] / scale, method="lm", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    h = np.append(found.x, 1.0).reshape(3, 3) * scale
    whole = np.linalg.inv(to_p) @ h @ to_a
    # x right and y up on the wall, x right and y down in the picture: an unmirrored view turns the sense about
    if np.linalg.det(whole) > 0.0:
        raise BuildError(
            "its points run the other way round than on the wall: the photograph is mirrored, or two are exchanged"
        )
    rows = (_jacobian(h, a) * weight[:, :, None]).reshape(-1, 8)
    more = len(px) - 4
    # what is left over may say that the points are less true than was thought, not that they are truer
    off = float(np.sum(left(found.x) ** 2))
    worse = max(1.0, off / (2.0 * more)) if more > 0 else 1.0
    spread = np.linalg.pinv(rows.T @ rows) * worse
    return SeenPlane(whole, lens, h, to_a, spread)
