"""Photographs of marker sheets made without the project's camera: OpenCV's lens model and SciPy's rotations.

Markers come from OpenCV's dictionary, sheets are planes, every pixel is traced back to them through OpenCV's inverse
distortion, several samples a pixel; then uneven light, blur, noise, sRGB codes and JPEG.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from PIL import Image
from scipy.interpolate import RectBivariateSpline
from scipy.ndimage import gaussian_filter
from scipy.spatial.transform import Rotation

TEXEL_MM = 0.25
OVER = 3


@dataclass(frozen=True)
class Truth:
    """A camera: place (3,) m; pan, tilt, roll rad; focal length px; k1; frame px."""

    place: tuple[float, float, float]
    angles: tuple[float, float, float]
    focal_px: float
    size_px: tuple[int, int] = (3000, 2000)
    k1: float = 0.0

    @property
    def world_from_cam(self) -> np.ndarray:
        """(3, 3); SciPy's own Euler angles: pan is a turn about -Y, roll about -Z."""
        pan, tilt, roll = self.angles
        return Rotation.from_euler("YXZ", [-pan, tilt, -roll]).as_matrix()

    @property
    def k(self) -> np.ndarray:
        """OpenCV's camera matrix; its pixels are counted from the middle of the first."""
        w, h = self.size_px
        f = self.focal_px
        return np.array([[f, 0.0, 0.5 * w - 0.5], [0.0, f, 0.5 * h - 0.5], [0.0, 0.0, 1.0]])

    @property
    def cv(self) -> tuple[np.ndarray, np.ndarray]:
        """OpenCV's rotation and shift."""
        r = np.diag([1.0, -1.0, -1.0]) @ self.world_from_cam.T
        return r, -r @ np.array(self.place)

    def px(self, points: np.ndarray) -> np.ndarray:
        """Pictures (N, 2) px of points (N, 3), by cv2.projectPoints; pixel middles at .5."""
        r, t = self.cv
        flat = np.asarray(points, dtype=np.float64).reshape(-1, 1, 3)
        px, _ = cv2.projectPoints(flat, cv2.Rodrigues(r)[0], t, self.k, np.array([self.k1, 0.0, 0.0, 0.0]))
        return px.reshape(*np.shape(points)[:-1], 2) + 0.5

    def knocked(self, shift: tuple[float, float, float], turns: tuple[float, float, float]) -> Truth:
        """Moved in the world, and turned as the head's angles."""
        place = tuple(a + b for a, b in zip(self.place, shift, strict=True))
        angles = tuple(a + b for a, b in zip(self.angles, turns, strict=True))
        return replace(self, place=place, angles=angles)


@dataclass(frozen=True, eq=False)
class Paper:
    """A sheet as it really hangs: numbers, middles (T, 2) m and side of its markers; where it is (4, 4)."""

    numbers: tuple[int, ...]
    at: np.ndarray
    side: float
    world_from_sheet: np.ndarray

    def texture(self) -> tuple[np.ndarray, np.ndarray]:
        """Reflectance (h, w) and its top left corner (x, y) m on the sheet."""
        rim = 0.02 + 0.5 * self.side
        low, high = self.at.min(axis=0) - rim, self.at.max(axis=0) + rim
        per_m = 1e3 / TEXEL_MM
        w, h = np.ceil((high - low) * per_m).astype(int)
        out = np.full((h, w), 0.82, dtype=np.float32)
        family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
        side = round(self.side * per_m)
        for number, (x, y) in zip(self.numbers, self.at, strict=True):
            marker = cv2.aruco.generateImageMarker(family, number, side).astype(np.float32) / 255.0
            left, top = round((x - low[0]) * per_m - 0.5 * side), round((high[1] - y) * per_m - 0.5 * side)
            out[top : top + side, left : left + side] = 0.04 + 0.78 * marker
        return out, np.array([low[0], high[1]])


@dataclass(frozen=True)
class Spoils:
    """What a real photograph adds. ``hidden`` are discs (x, y, radius) px of something dark in front."""

    blur_px: float = 0.7
    noise: float = 0.006
    uneven: float = 0.4
    jpeg: int = 92
    seed: int = 0
    hidden: tuple[tuple[float, float, float], ...] = field(default=())


def linear_picture(
    truth: Truth, papers: list[Paper], spoils: Spoils, behind: np.ndarray | None = None
) -> np.ndarray:
    """Linear light (h, w); ``behind`` (h, w) is what the sheets hang before, a busy wall unless given."""
    w, h = truth.size_px
    rng = np.random.default_rng(spoils.seed)
    # a busy wall behind
    ground = cv2.resize(rng.random((h // 40, w // 40)).astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC)
    out = (0.08 + 0.18 * np.clip(ground, 0.0, 1.0)).astype(np.float32) if behind is None else behind.copy()
    for paper in papers:
        _lay(out, truth, paper)
    x, y = np.meshgrid(np.linspace(-1.0, 1.0, w, dtype=np.float32), np.linspace(-1.0, 1.0, h, dtype=np.float32))
    out *= 1.0 - spoils.uneven * (0.6 * x + 0.3 * y * y + 0.1).clip(0.0, 1.0)
    for cx, cy, radius in spoils.hidden:
        cv2.circle(out, (round(cx), round(cy)), round(radius), 0.05, -1, cv2.LINE_AA)
    out = gaussian_filter(out, spoils.blur_px) if spoils.blur_px else out
    shot = spoils.noise * np.sqrt(np.maximum(out, 0.02) / 0.5)
    return out + shot * rng.standard_normal(out.shape, dtype=np.float32)


def _lay(out: np.ndarray, truth: Truth, paper: Paper) -> None:
    texture, corner = paper.texture()
    h, w = texture.shape
    step = TEXEL_MM * 1e-3
    ends = np.array([(corner[0] + a * w * step, corner[1] - b * h * step, 0.0) for a in (0, 1) for b in (0, 1)])
    px = truth.px(ends @ paper.world_from_sheet[:3, :3].T + paper.world_from_sheet[:3, 3])
    x0, y0 = np.maximum(np.floor(px.min(axis=0)).astype(int) - 8, 0)
    x1, y1 = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 8, truth.size_px)
    gx = x0 - 0.5 + (np.arange((x1 - x0) * OVER) + 0.5) / OVER
    gy = y0 - 0.5 + (np.arange((y1 - y0) * OVER) + 0.5) / OVER
    # lens and plane are smooth: every tenth pixel is traced, a bicubic spline gives those between
    nx, ny = np.linspace(gx[0], gx[-1], (x1 - x0) // 10 + 5), np.linspace(gy[0], gy[-1], (y1 - y0) // 10 + 5)
    grid = np.stack(np.meshgrid(nx, ny), axis=-1).reshape(-1, 1, 2)
    rays = cv2.undistortPoints(grid, truth.k, np.array([truth.k1, 0.0, 0.0, 0.0])).reshape(-1, 2)
    rays = np.column_stack([rays, np.ones(len(rays))])
    r, t = truth.cv
    m = paper.world_from_sheet
    # the plane's own points from the sight lines: (r m) (u, v, 0) + ... = depth * ray
    plane = np.column_stack([r @ m[:3, 0], r @ m[:3, 1], r @ m[:3, 3] + t])
    uvw = rays @ np.linalg.inv(plane).T
    u, v = uvw[:, 0] / uvw[:, 2], uvw[:, 1] / uvw[:, 2]
    shape = (len(ny), len(nx))
    tx, ty = (
        RectBivariateSpline(ny, nx, value.reshape(shape))(gy, gx).astype(np.float32)
        for value in ((u - corner[0]) / step - 0.5, (corner[1] - v) / step - 0.5)
    )
    seen = cv2.remap(texture, tx, ty, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=-1.0)
    cover = (seen >= 0.0).astype(np.float32)
    size = (y1 - y0, OVER, x1 - x0, OVER)
    share = cover.reshape(size).mean(axis=(1, 3))
    value = (seen * cover).reshape(size).mean(axis=(1, 3))
    part = out[y0:y1, x0:x1]
    part[:] = value + (1.0 - share) * part


def coded(linear: np.ndarray) -> np.ndarray:
    """sRGB codes 0..1 (IEC 61966-2-1)."""
    x = np.clip(linear, 0.0, 1.0)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)


def codes8(linear: np.ndarray) -> np.ndarray:
    """(h, w, 3) uint8, a little warm."""
    tint = np.array([1.0, 0.97, 0.92], dtype=np.float32)
    return np.rint(coded(linear[..., None] * tint) * 255.0).astype(np.uint8)


def jpeg(codes: np.ndarray, quality: int, exif: Image.Exif | None = None) -> bytes:
    """A JPEG file of codes (h, w, 3)."""
    out = io.BytesIO()
    more = {} if exif is None else {"exif": exif}
    Image.fromarray(codes).save(out, "JPEG", quality=quality, **more)
    return out.getvalue()


def photograph(
    truth: Truth, papers: list[Paper], spoils: Spoils = Spoils(), behind: np.ndarray | None = None
) -> bytes:
    """A JPEG file."""
    return jpeg(codes8(linear_picture(truth, papers, spoils, behind)), spoils.jpeg)
