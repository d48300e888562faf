"""A walking performer, invented and drawn: numbered cut-outs, and where the soles are in them by the drawing.

The performer walks at full size on a level floor towards a full-size camera by OpenCV (:class:`tests.plate.cameras`);
the left shoe in the picture is green, the right one magenta, so that they are found again in finished frames. A foot is
down for 0.6 of its cycle of two steps, its body over it half way through.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tests.plate.cameras import Array, FullSize

TALL = 1.75
# half a shoe's width, its height, from its middle to its heel and to its toe; how far beside the middle feet are set; m
HALF, HIGH, HEEL, TOE, ASIDE = 0.05, 0.09, 0.10, 0.16, 0.09
_LIFT = 0.14
_SHARE = 0.6
_FINER, _SHIFT = 3, 5

GREEN, MAGENTA = (40, 190, 50), (200, 40, 190)
_COAT, _LEGS, _SKIN = (96, 92, 88), (60, 62, 70), (186, 150, 126)


@dataclass(frozen=True)
class Gait:
    """A walk of ``step`` m in ``frames`` frames each; ``stays``: the picture keeps the performer in one place."""

    step: float
    frames: int
    stays: bool = True

    def body(self, t: float) -> float:
        """How far (m) towards the camera the body is, frame ``t`` from the first."""
        return 0.0 if self.stays else self.step * t / self.frames

    def foot(self, side: int, t: float) -> tuple[float, float]:
        """How far towards the camera and how high (m) the foot's middle is; ``side`` 0 is left in the picture."""
        phase = t / self.frames
        # contacts of this foot are centred on whole numbers of steps, even ones for the left
        centre = 2.0 * math.floor((phase - side + _SHARE) / 2.0) + side
        away = phase - centre
        z, high = centre, 0.0
        if away > _SHARE:
            share = (away - _SHARE) / (2.0 - 2.0 * _SHARE)
            z, high = centre + 2.0 * share * share * (3.0 - 2.0 * share), _LIFT * math.sin(math.pi * share)
        return self.step * z - (self.step * phase if self.stays else 0.0), high

    def down(self, side: int, t: float) -> bool:
        """Whether the foot is on the ground."""
        return self.foot(side, t)[1] == 0.0

    def contacts(self, count: int) -> list[tuple[int, int, int]]:
        """First and last frame (from 0) and side of every contact within ``count`` frames, in their order."""
        out = []
        for side in (0, 1):
            flags = np.array([False, *(self.down(side, t) for t in range(count)), False])
            edges = np.flatnonzero(np.diff(flags.astype(int))).reshape(-1, 2)
            out += [(int(a), int(b) - 1, side) for a, b in edges]
        return sorted(out)


def camera(width_px: int = 420, height_px: int = 640, distance: float = 20.0, high: float = 3.2) -> FullSize:
    """A long lens that has the performer in the middle of an upright picture."""
    tilt = -math.atan2(high - 0.48 * TALL, distance)
    lens = 0.8 * height_px / TALL * distance / width_px * 0.0359
    return FullSize((0.0, -high, -distance), tilt, 0.0, 0.0, lens, 0.0359, width_px, height_px)


def sole(gait: Gait, lens: FullSize, side: int, t: float) -> Array:
    """The middle (2,) px of a shoe's lower edge as the lens sees it: that of its toe."""
    z, high = gait.foot(side, t)
    return lens.project(np.array([[_x(side), -high, -(z + TOE)]]))[0]


def _x(side: int) -> float:
    return -ASIDE if side == 0 else ASIDE


def picture(gait: Gait, lens: FullSize, t: float, staff: bool = False) -> NDArray[np.uint8]:
    """The cut-out (h, w, 4) of frame ``t``."""
    size = (lens.height_px * _FINER, lens.width_px * _FINER)
    colour, alpha = np.zeros((*size, 3), dtype=np.float32), np.zeros(size, dtype=np.float32)

    def fill(points: Array, code: tuple[int, int, int]) -> None:
        px = lens.project(points)
        hull = cv2.convexHull(px.astype(np.float32))[:, 0]
        # pixel centres at whole numbers in OpenCV
        at = np.rint((hull * _FINER - 0.5) * 2**_SHIFT).astype(np.int32)
        mask = np.zeros(size, dtype=np.uint8)
        cv2.fillConvexPoly(mask, at, 1, cv2.LINE_8, _SHIFT)
        colour[mask > 0] = code
        alpha[mask > 0] = 1.0

    body = gait.body(t)
    order = sorted((0, 1), key=lambda side: gait.foot(side, t)[0])
    for side in order:
        z, high = gait.foot(side, t)
        x, hip = _x(side), _round((0.6 * _x(side), 0.9, body), 0.09)
        knee = (0.8 * x, 0.48 + 0.6 * high, 0.5 * (body + z) + 0.05)
        fill(np.concatenate([hip, _round(knee, 0.06)]), _LEGS)
        fill(np.concatenate([_round(knee, 0.06), _round((x, HIGH + high, z), 0.045)]), _LEGS)
        corners = [(x + a, -high - b, -(z + c)) for a in (-HALF, HALF) for b in (0.0, HIGH) for c in (-HEEL, TOE)]
        fill(np.array(corners), GREEN if side == 0 else MAGENTA)
    fill(np.concatenate([_round((0.0, 0.9, body), 0.14), _round((-0.17, 1.4, body), 0.06),
                         _round((0.17, 1.4, body), 0.06)]), _COAT)  # fmt: skip
    for side in (0, 1):
        swing = 0.2 * math.sin(math.pi * t / gait.frames + math.pi * side)
        arm = [_round((2.3 * _x(side), 1.38, body), 0.05), _round((2.8 * _x(side), 0.85, body + swing), 0.045)]
        fill(np.concatenate(arm), _COAT)
    fill(np.concatenate([_round((0.0, 1.5, body), 0.06), _round((0.0, 1.64, body), 0.11)]), _SKIN)
    if staff:
        fill(np.array([[0.33 + a, -b, -body - 0.3] for a in (-0.012, 0.012) for b in (0.0, 1.7)]), _LEGS)
    h, w = lens.height_px, lens.width_px
    covered = alpha.reshape(h, _FINER, w, _FINER).mean(axis=(1, 3))
    light = (colour * alpha[..., None]).reshape(h, _FINER, w, _FINER, 3).mean(axis=(1, 3))
    codes = light / np.maximum(covered, 1e-6)[..., None]
    return np.rint(np.concatenate([codes, 255.0 * covered[..., None]], axis=2)).astype(np.uint8)


def _round(middle: tuple[float, float, float], radius: float) -> Array:
    """Points of a round, x right, y up, z towards the camera; given as the camera's world has them."""
    turn = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    x, y, z = middle
    return np.stack([x + radius * np.cos(turn), -(y + radius * np.sin(turn)), np.full(24, -z)], axis=-1)


def written(folder: Path, gait: Gait, lens: FullSize, count: int, staff: bool = False) -> Path:
    """``count`` numbered cut-outs from 1001 in a new folder."""
    folder.mkdir(parents=True)
    for t in range(count):
        Image.fromarray(picture(gait, lens, float(t), staff)).save(folder / f"walker.{1001 + t}.png", compress_level=1)
    return folder


def shoe_place(picture_rgb: NDArray[np.floating], side: int, reach: float = 1e9) -> Array:
    """The middle (2,) px of a shoe's colour in a picture (h, w, 3) of linear light; NaN where there is none of it.

    ``reach`` px is how far from the strongest colour it is looked for, so that coloured stone elsewhere is no shoe.
    """
    red, green, blue = np.moveaxis(np.asarray(picture_rgb, dtype=np.float64), 2, 0)
    much = green - np.maximum(red, blue) if side == 0 else np.minimum(red, blue) - green
    much = np.where(much > 0.04, much, 0.0)
    if much.sum() < 0.1:
        return np.full(2, np.nan)
    y, x = np.indices(much.shape) + 0.5
    row, column = np.unravel_index(int(much.argmax()), much.shape)
    much = np.where(np.hypot(x - column - 0.5, y - row - 0.5) <= reach, much, 0.0)
    return np.array([(much * x).sum(), (much * y).sum()]) / much.sum()
