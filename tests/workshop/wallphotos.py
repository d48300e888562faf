"""Photographs of a painted wall made without the project's rectification: OpenCV's lens, SciPy's rotations.

A wall is a picture in a plane; every pixel of a photograph is traced back to it through OpenCV's inverse distortion, at
several samples a pixel. On the wall hang a marker sheet, drawn by OpenCV's own markers, and a grey card.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import skimage.data
import skimage.transform
from PIL import Image
from scipy.ndimage import gaussian_filter
from skimage.color import deltaE_ciede2000, rgb2lab
from skimage.registration import phase_cross_correlation

from previz.scene.model import Scene
from previz.workshop.photographs.family import grid, numbers_of
from tests.lineup.photographs import Paper, Truth

# mm of the wall that a texel of the true picture takes in
TEXEL_MM = 0.5


@dataclass(frozen=True, eq=False)
class TrueWall:
    """A wall of ``width`` x ``height`` m, ``top`` m of it above y = 0: ``picture`` (h, w, 3), linear reflectance."""

    width: float
    height: float
    top: float
    picture: np.ndarray

    def at(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Reflectance (..., 3) at places, by OpenCV's bilinear read; 0.05 beside the wall."""
        h, w = self.picture.shape[:2]
        column = ((x / self.width + 0.5) * w - 0.5).astype(np.float32)
        row = ((self.top - y) / self.height * h - 0.5).astype(np.float32)
        return cv2.remap(
            self.picture, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(0.05, 0.05, 0.05)
        )

    @lru_cache(maxsize=4)  # noqa: B019 - a wall lives as long as its tests
    def averaged(self, width_px: int, height_px: int) -> np.ndarray:
        """The true picture at another size, by scikit-image's area averages."""
        return skimage.transform.resize_local_mean(self.picture, (height_px, width_px), channel_axis=2)


def painted_wall(width: float, height: float, top: float, texel_mm: float = TEXEL_MM) -> TrueWall:
    """Bricks and gravel of scikit-image's own photographs, tinted by broad seeded blotches; coarse and fine detail."""
    w, h = round(width * 1e3 / texel_mm), round(height * 1e3 / texel_mm)
    rng = np.random.default_rng(5)
    brick = skimage.data.brick().astype(np.float64) / 255.0
    gravel = skimage.data.gravel().astype(np.float64) / 255.0

    def tiled(picture: np.ndarray) -> np.ndarray:
        both = np.block([[picture, picture[:, ::-1]], [picture[::-1], picture[::-1, ::-1]]])
        return np.tile(both, (-(-h // both.shape[0]), -(-w // both.shape[1])))[:h, :w]

    blotch = np.stack(
        [gaussian_filter(rng.standard_normal((h // 8 + 1, w // 8 + 1)), 12.0) * 12.0 for _ in range(4)], axis=-1
    )
    blotch = cv2.resize(blotch, (w, h), interpolation=cv2.INTER_LINEAR)
    share = np.clip(0.5 + blotch[..., :1], 0.0, 1.0)
    grey = (tiled(brick)[..., None] * share + tiled(gravel)[..., None] * (1.0 - share)) ** 2.2
    tint = np.clip(np.array([0.62, 0.5, 0.4]) * (1.0 + 0.25 * blotch[..., 1:]), 0.1, 0.9)
    return TrueWall(width, height, top, np.clip(0.06 + 0.9 * grey * tint, 0.03, 0.8).astype(np.float32))


@dataclass(frozen=True)
class Hung:
    """What hangs on the wall: a card (left, bottom, width, height) m, and the light's colour on all of it."""

    card: tuple[float, float, float, float] | None = None
    reflectance: float = 0.18
    light: tuple[float, float, float] = (0.62, 0.8, 1.05)


def light_on(
    wall: TrueWall, truth: Truth, papers: list[Paper], hung: Hung, over: int = 2, uneven: float = 0.0
) -> np.ndarray:
    """The photograph's linear light (h, w, 3), ``over`` samples a pixel each way; ``uneven`` light falls off to the
    right."""
    w, h = truth.size_px
    total = np.zeros((h, w, 3), dtype=np.float32)
    back = truth.cv[0].T
    eye = np.array(truth.place)
    textures = [paper.texture() for paper in papers]
    for k in range(over):
        for m in range(over):
            # OpenCV counts from the middle of the first pixel
            grid = np.stack(
                np.meshgrid(np.arange(w) - 0.5 + (m + 0.5) / over, np.arange(h) - 0.5 + (k + 0.5) / over), axis=-1
            )
            # without distortion OpenCV's inverse is this one line, and ten times as slow
            rays = (grid.reshape(-1, 2) - truth.k[:2, 2]) / truth.focal_px
            if truth.k1:
                rays = cv2.undistortPoints(grid.reshape(-1, 1, 2), truth.k, np.array([truth.k1, 0.0, 0.0, 0.0]))
            ways = np.concatenate([rays.reshape(-1, 2), np.ones((h * w, 1))], axis=1) @ back.T
            far = -eye[2] / np.where(ways[:, 2] < -1e-6, ways[:, 2], np.nan)
            x = (eye[0] + far * ways[:, 0]).reshape(h, w)
            y = (eye[1] + far * ways[:, 1]).reshape(h, w)
            seen = wall.at(np.nan_to_num(x, nan=1e3), np.nan_to_num(y, nan=1e3))
            for paper, (texture, corner) in zip(papers, textures, strict=True):
                _lay(seen, x, y, paper, texture, corner)
            if hung.card is not None:
                left, low, wide, high = hung.card
                seen[(x >= left) & (x <= left + wide) & (y >= low) & (y <= low + high)] = hung.reflectance
            if uneven:
                seen *= (1.0 - uneven * (x / wall.width + 0.5))[..., None].clip(0.05, 1.0).astype(np.float32)
            total += seen
    return total / over**2 * np.array(hung.light, dtype=np.float32)


def _lay(seen: np.ndarray, x: np.ndarray, y: np.ndarray, paper: Paper, texture: np.ndarray, corner: np.ndarray) -> None:
    h, w = texture.shape
    step = 0.25e-3
    m = paper.world_from_sheet
    column = ((x - m[0, 3] - corner[0]) / step - 0.5).astype(np.float32)
    row = ((corner[1] - (y - m[1, 3])) / step - 0.5).astype(np.float32)
    inside = (column >= 0) & (column <= w - 1) & (row >= 0) & (row <= h - 1)
    values = cv2.remap(texture, column, row, cv2.INTER_LINEAR)
    seen[inside] = values[inside][:, None]


def saved(light: np.ndarray, path: Path, blur_px: float = 0.6, noise: float = 0.004, quality: int = 92) -> Path:
    """The photograph as a file: the lens's blur, shot noise, sRGB codes (IEC 61966-2-1) and JPEG or PNG."""
    out = gaussian_filter(light, (blur_px, blur_px, 0.0)) if blur_px else light
    rng = np.random.default_rng(3)
    out = out + noise * np.sqrt(np.maximum(out, 0.02) / 0.5) * rng.standard_normal(out.shape, dtype=np.float32)
    Image.fromarray(np.rint(encoded(out) * 255.0).astype(np.uint8)).save(path, quality=quality, subsampling=0)
    return path


@dataclass(frozen=True, eq=False)
class Measured:
    """A rectified wall against the true one: how far (N,) mm patches of it lie off, found by scikit-image, the mean
    CIEDE2000 by scikit-image over what was covered, and the share of the wall that was."""

    off_mm: np.ndarray
    de00: float
    covered: float


def against_truth(picture: np.ndarray, covered: np.ndarray, wall: TrueWall, patch_px: int = 64) -> Measured:
    """Compare a rectified picture (h, w, 3), linear, with the true wall over the same rectangle."""
    h, w = covered.shape
    true = wall.averaged(w, h)
    there = covered > 0
    mm = 1e3 * wall.width / w
    off = []
    grey, wanted = picture.mean(axis=2), true.mean(axis=2)
    for row in range(0, h - patch_px, patch_px):
        for column in range(0, w - patch_px, patch_px):
            part = np.s_[row : row + patch_px, column : column + patch_px]
            if there[part].all():
                shift, _, _ = phase_cross_correlation(
                    np.log(wanted[part]), np.log(np.maximum(grey[part], 1e-3)), upsample_factor=50, normalization=None
                )
                off.append(float(np.hypot(*shift)) * mm)
    lab, wanted_lab = (rgb2lab(np.clip(encoded(p), 0.0, 1.0)) for p in (picture, true))
    return Measured(np.array(off), float(deltaE_ciede2000(wanted_lab, lab)[there].mean()), float(there.mean()))


def encoded(v: np.ndarray) -> np.ndarray:
    """sRGB codes 0..1 (IEC 61966-2-1)."""
    v = np.clip(v, 0.0, 1.0)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1.0 / 2.4) - 0.055)


def at_an_angle(pan_deg: float, away: float, focal_px: float, size_px: tuple[int, int], k1: float = 0.0) -> Truth:
    """A camera ``away`` m from the wall's middle that looks at it ``pan_deg`` off square, a little from above."""
    pan = np.radians(pan_deg)
    tilt = np.radians(-5.0)
    place = (-away * np.sin(pan), 0.1 + away * np.sin(-tilt), away * np.cos(pan))
    return Truth(place, (float(pan), float(tilt), float(np.radians(1.5))), focal_px, size_px, k1)


def box_of(truth: Truth, card: tuple[float, float, float, float], inside: float = 0.2) -> list[float]:
    """[left, top, width, height] px of a box within a card (left, bottom, width, height) m, as one marks it."""
    left, low, wide, high = card
    left, wide, low, high = left + inside * wide, (1 - 2 * inside) * wide, low + inside * high, (1 - 2 * inside) * high
    corners = truth.px(np.array([(x, y, 0.0) for x in (left, left + wide) for y in (low, low + high)]))
    (x0, y0), (x1, y1) = np.sort(corners, axis=0)[1], np.sort(corners, axis=0)[2]
    return [float(x0), float(y0), float(x1 - x0), float(y1 - y0)]


def sheet_at(scene: Scene, slot: str, middle: tuple[float, float]) -> Paper:
    """A scene's printed sheet, stuck flat on the wall."""
    at = grid(scene.markers.tag, scene.markers.paper)
    where = np.eye(4)
    where[:2, 3] = middle
    return Paper(numbers_of(scene, slot, len(at)), at, scene.markers.tag, where)
