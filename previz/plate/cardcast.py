"""A performer's cut-out as a thing that keeps a lamp's light back from places anywhere in the set.

The figure is its cut-out, standing upright on the foot mark as a card turned to the lens at the station frame, and
rounded: everywhere as deep, before and behind the card, as it is far to the outline, up to half a body's depth. (A
card has no thickness: a lamp from its side would find nothing to block.) A ray from a place to a point of the lamp's
face is kept back by the greatest alpha that it meets inside; over the whole face that is the share of the lamp's light
that is missing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import ndimage

from previz.geometry import Array
from previz.workshop.compiled import compiled, in_parts
from previz.workshop.light.lamps import Emitter
from previz.workshop.surface import Picture

# points on a lamp's face, and places on a ray inside the box, at which the cut-out is looked up
FACE_POINTS = 144
_PLACES = 16


@dataclass(frozen=True, eq=False)
class StandingCard:
    """The cut-out's ``alpha`` (h, w) float32, 0 to 1, standing in the set.

    ``foot_px`` (x, y) is its foot in that picture and ``height_px`` the figure's height there, which is ``height`` m;
    ``foot`` (3,) m the foot mark; ``facing`` (3,) the level unit direction that it is turned to; ``depth`` (m) how
    deep the body is at most, half of it before the card and half behind; 0 for a flat card. ``lean`` is how far it
    stands forward of its foot, towards ``facing``, for each metre of height: a walker's body is not over the foot.
    """

    alpha: Picture
    foot_px: tuple[float, float]
    height_px: float
    foot: Array
    height: float
    facing: Array
    depth: float = 0.0
    lean: float = 0.0

    @property
    def corners(self) -> Array:
        """Corners (8, 3) m of a box about all of it that is not transparent."""
        across, up, deep = self.box[:2], self.box[2:], (-0.5 * self.depth, 0.5 * self.depth)
        return np.array([
            self.foot + a * self.right + [0.0, b, 0.0] + (c + self.lean * b) * self.facing
            for a in across for b in up for c in deep
        ])  # fmt: skip

    @property
    def right(self) -> Array:
        """Unit direction (3,) to the card's right as the lens sees it."""
        return np.asarray(np.cross([0.0, 1.0, 0.0], self.facing))

    @property
    def texel(self) -> float:
        """Size (m) of one of its pixels."""
        return self.height / self.height_px

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, right, bottom, top (m) of all that is not transparent, from the foot."""
        rows, columns = np.flatnonzero(self.alpha.any(axis=1)), np.flatnonzero(self.alpha.any(axis=0))
        if len(rows) == 0:
            return 0.0, 0.0, 0.0, 0.0
        x, y = self.foot_px
        return (
            float(columns[0] - x) * self.texel,
            float(columns[-1] + 1 - x) * self.texel,
            float(y - rows[-1] - 1) * self.texel,
            float(y - rows[0]) * self.texel,
        )


def _shrunk(alpha: Picture, factor: int) -> tuple[Picture, int]:
    """``alpha`` by means over ``factor`` x ``factor`` pixels; what is missing at the right and below is transparent."""
    if factor == 1:
        return np.ascontiguousarray(alpha, dtype=np.float32), 1
    h, w = alpha.shape
    padded = np.pad(alpha, ((0, -h % factor), (0, -w % factor)))
    blocks = padded.reshape(padded.shape[0] // factor, factor, padded.shape[1] // factor, factor)
    return np.asarray(blocks.mean(axis=(1, 3), dtype=np.float64), dtype=np.float32), factor


def _bilinear(picture: Any, x: float, y: float) -> float:
    # nothing outside; a pixel's middle is at its index + .5
    x -= 0.5
    y -= 0.5
    i, j = math.floor(x), math.floor(y)
    fx, fy = x - i, y - j
    h, w = picture.shape
    total = 0.0
    for dj in range(2):
        for di in range(2):
            if 0 <= i + di < w and 0 <= j + dj < h:
                share = (fx if di else 1.0 - fx) * (fy if dj else 1.0 - fy)
                total += share * picture[j + dj, i + di]
    return total


bilinear_at = compiled(_bilinear)


def _kept_back(
    x: float, y: float, z: float, nx: float, ny: float, nz: float, sources: Any, ahead: Any, lambert: bool,
    foot: Any, right: Any, facing: Any, box: Any, alpha: Any, half: Any, foot_px: Any, pixel: float,
) -> float:  # fmt: skip
    # the share of a face's light on a place with a normal (of any length) that the card keeps back
    given, kept = 0.0, 0.0
    dx, dy, dz = x - foot[0], y - foot[1], z - foot[2]
    # in the card's axes: right, up, towards the lens
    origin = (dx * right[0] + dz * right[2], dy, dx * facing[0] + dz * facing[2] + dy * facing[1])
    for k in range(sources.shape[0]):
        vx, vy, vz = sources[k, 0] - x, sources[k, 1] - y, sources[k, 2] - z
        # the face's light there, up to what is alike for all its points
        square = vx * vx + vy * vy + vz * vz
        weight = (vx * nx + vy * ny + vz * nz) / (square * math.sqrt(square))
        if lambert:
            weight *= -(vx * ahead[0] + vy * ahead[1] + vz * ahead[2]) / math.sqrt(square)
            if vx * ahead[0] + vy * ahead[1] + vz * ahead[2] >= 0.0:
                continue
        if weight <= 0.0:
            continue
        given += weight
        step = (vx * right[0] + vz * right[2], vy, vx * facing[0] + vz * facing[2] + vy * facing[1])
        near, far = 0.0, 1.0
        for axis in range(3):
            low, high = box[2 * axis] - origin[axis], box[2 * axis + 1] - origin[axis]
            if axis == 2 and box[5] == 0.0:
                # a flat card is met where it stands, not between two sides that rounding may swap
                low, high = low - 1e-9, high + 1e-9
            if step[axis] == 0.0:
                if low > 0.0 or high < 0.0:
                    near = 2.0
                continue
            a, b = low / step[axis], high / step[axis]
            near, far = max(near, min(a, b)), min(far, max(a, b))
        if near > far:
            continue
        most = 0.0
        # the card itself, then what is before and behind it
        cross = -origin[2] / step[2] if step[2] != 0.0 else -1.0
        for n in range(-1, _PLACES if box[5] > 0.0 else 0):
            t = cross if n < 0 else near + (far - near) * (n + 0.5) / _PLACES
            if t < near or t > far:
                continue
            column = foot_px[0] + (origin[0] + t * step[0]) / pixel
            row = foot_px[1] - (origin[1] + t * step[1]) / pixel
            if n < 0 or abs(origin[2] + t * step[2]) <= bilinear_at(half, column, row):
                most = max(most, bilinear_at(alpha, column, row))
            if most > 0.998:
                break
        kept += weight * most
    return min(kept / given, 1.0) if given > 0.0 else 0.0


_kept_back_compiled = compiled(_kept_back)


def _cast(
    xs: Any, ys: Any, zs: Any, slopes: Any, sources: Any, ahead: Any, lambert: bool,
    foot: Any, right: Any, facing: Any, box: Any, alpha: Any, half: Any, foot_px: Any, pixel: float, out: Any,
) -> None:  # fmt: skip
    for i in range(zs.shape[0]):
        for j in range(xs.shape[0]):
            if not math.isnan(ys[i, j]):
                out[i, j] = _kept_back_compiled(
                    xs[j], ys[i, j], zs[i], 0.0, 1.0, -slopes[i], sources, ahead, lambert,
                    foot, right, facing, box, alpha, half, foot_px, pixel,
                )  # fmt: skip


cast_on_grid = compiled(_cast)


def _cast_at(
    points: Any, normals: Any, sources: Any, ahead: Any, lambert: bool,
    foot: Any, right: Any, facing: Any, box: Any, alpha: Any, half: Any, foot_px: Any, pixel: float, out: Any,
) -> None:  # fmt: skip
    for i in range(points.shape[0]):
        out[i] = _kept_back_compiled(
            points[i, 0], points[i, 1], points[i, 2], normals[i, 0], normals[i, 1], normals[i, 2], sources, ahead,
            lambert, foot, right, facing, box, alpha, half, foot_px, pixel,
        )  # fmt: skip


_cast_at_compiled = compiled(_cast_at)


@dataclass(frozen=True, eq=False)
class ReadyCard:
    """A card and a lamp's face as the compiled loops take them.

    ``sources`` (K, 3) m are points of the face, ``alpha`` the shrunk cut-out, ``told`` all that a loop is told.
    """

    sources: Array
    alpha: Picture
    told: tuple[Any, ...]

    @classmethod
    def of(cls, card: StandingCard, face: Emitter, texel: float, points: int) -> ReadyCard:
        small, factor = _shrunk(card.alpha, max(int(0.5 * texel / card.texel), 1))
        pixel = card.texel * factor
        half = np.minimum(ndimage.distance_transform_edt(small >= 0.5) * pixel, 0.5 * card.depth).astype(np.float32)
        # half a pixel more all around, for what looking up between pixels spreads
        edge = 0.5 * pixel * np.array([-1.0, 1.0, -1.0, 1.0])
        box = np.array([*(card.box + edge), -0.5 * card.depth, 0.5 * card.depth])
        sources = face.points(face.places(points))
        # a leaning card is an upright one to loops that take its lean off every height
        facing = card.facing - [0.0, card.lean, 0.0]
        told = (
            sources, face.frame[3], not face.is_point, card.foot, card.right, facing, box, small, half,
            np.array(card.foot_px) / factor, pixel,
        )  # fmt: skip
        return cls(sources, small, told)


def kept_back(
    card: StandingCard, face: Emitter, places: Array, normals: Array, texel: float, points: int = FACE_POINTS
) -> Picture:
    """The share (N,) float32, 0 to 1, of a lamp's light on ``places`` (N, 3) m with unit ``normals`` (N, 3) that the
    card keeps back; ``texel`` (m) is how fine it has to be. As exact as :func:`cast_shadow`."""
    ready = ReadyCard.of(card, face, texel, points)
    out = np.zeros(len(places), dtype=np.float32)
    if ready.alpha.any():
        in_parts(lambda part: _cast_at_compiled(places[part], normals[part], *ready.told, out[part]), len(out), 4096)
    return out
