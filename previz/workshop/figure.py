"""Performers' cut-outs for the demonstration sets: invented people, modelled in cloth and light by rule.

    python -m previz.workshop.figure scenes/figures

draws them again. Each part of a figure is a rounded shape with a bulge of its own; the bulge and a few folds turn
the surface, and a soft light from the upper left falls on it.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from previz import colour
from previz.errors import PrevizError
from previz.geometry import unit
from previz.workshop import noise

Points = Sequence[tuple[float, float]]
Plane = NDArray[np.float32]

# samples a pixel, each way
_FINE = 2
# width of a cut-out as a share of its height
_SHAPE = 0.5

# share of the width that the figures are laid out with
_SLIM = 0.84

_LIGHT = unit([-0.50, 0.62, 0.60]).astype(np.float32)
_RIM = unit([0.85, 0.35, -0.25]).astype(np.float32)


class _Sitter:
    """A figure being made. Places are in figure heights: x to the right of the feet, y up from the ground."""

    def __init__(self, height_px: int, seed: int) -> None:
        self.size = height_px * _FINE
        self.width = round(height_px * _SHAPE) * _FINE
        x = (np.arange(self.width) + 0.5 - 0.5 * self.width) / self.size
        y = 1.0 - (np.arange(self.size) + 0.5) / self.size
        self.x, self.y = x.astype(np.float32), y.astype(np.float32)[:, None]
        self.rgb = np.zeros((self.size, self.width, 3), dtype=np.float32)
        self.alpha = np.zeros((self.size, self.width), dtype=np.float32)
        self.seed = seed
        self._weave = noise.value(x, y, 0.0035, 0.0035, seed + 900)

    def limb(self, points: Points, radii: Sequence[float], cloth: str, folds: float = 0.5) -> None:
        """A rounded limb through ``points`` with a radius at each."""
        self._limb(_posed(points), radii, cloth, folds)

    def pole(self, points: Points, radius: float, cloth: str) -> None:
        """Something stiff, straight through two points."""
        self._limb(np.asarray(points, dtype=np.float64), [radius] * len(points), cloth, 0.0)

    def _limb(self, p: NDArray[np.float64], radii: Sequence[float], cloth: str, folds: float) -> None:
        r = np.asarray(radii) * _SLIM
        low, high = p.min(axis=0) - r.max(), p.max(axis=0) + r.max()
        part = self._window(low[0], high[0], low[1], high[1])
        x, y = self.x[part[1]], self.y[part[0]]
        inside = np.full((len(y), len(x)), -9.0, dtype=np.float32)
        bulge = np.zeros_like(inside)
        for (ax, ay), (bx, by), ra, rb in zip(p[:-1], p[1:], r[:-1], r[1:], strict=True):
            dx, dy = bx - ax, by - ay
            t = np.clip(((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy), 0.0, 1.0)
            away = np.hypot(x - (ax + t * dx), y - (ay + t * dy))
            radius = ra + (rb - ra) * t
            inside = np.maximum(inside, radius - away)
            bulge = np.maximum(bulge, np.sqrt(np.maximum(radius * radius - away * away, 0.0)))
        self._lay(part, inside, bulge, cloth, folds)

    def shape(self, points: Points, cloth: str, round_: float = 0.05, folds: float = 0.5) -> None:
        """A closed shape, smooth through ``points``; its sides are rounded over ``round_``, its top and hem less."""
        outline = _posed(_smooth(points))
        low, high = outline.min(axis=0), outline.max(axis=0)
        part = self._window(low[0], high[0], low[1], high[1])
        x, y = self.x[part[1]], self.y[part[0]]
        px = (outline - (x[0], y[0, 0])) * (self.size, -self.size) + 0.5
        mask = _filled(px, len(x), len(y))
        # ways up and down count three times: cloth hangs straight and ends sharply
        within = ndimage.distance_transform_edt(mask, sampling=(3.0, 1.0)) / self.size
        edge = (ndimage.distance_transform_edt(mask) - ndimage.distance_transform_edt(~mask)) / self.size
        deep = np.clip(within / round_, 0.0, 1.0)
        bulge = (round_ * np.sqrt(1.0 - (1.0 - deep) ** 2)).astype(np.float32)
        self._lay(part, edge.astype(np.float32), bulge, cloth, folds)

    def line(self, points: Points, radius: float, cloth: str) -> None:
        """A cord, strap or pole."""
        smooth = _smooth(points, closed=False) if len(points) > 2 else np.asarray(points)
        self.limb([(float(a), float(b)) for a, b in smooth], [radius] * len(smooth), cloth, 0.0)

    def _window(self, left: float, right: float, low: float, high: float) -> tuple[slice, slice]:
        """Rows and columns of a part, with room for its shade."""
        room = 0.03
        columns = np.clip(np.array([left - room, right + room]) * self.size + 0.5 * self.width, 0, self.width)
        rows = np.clip((1.0 - np.array([high + room, low - room])) * self.size, 0, self.size)
        return slice(int(rows[0]), int(np.ceil(rows[1]))), slice(int(columns[0]), int(np.ceil(columns[1])))

    def _lay(self, part: tuple[slice, slice], inside: Plane, bulge: Plane, cloth: str, folds: float) -> None:
        cover = np.clip(inside * np.float32(self.size / 1.5) + 0.5, 0.0, 1.0)
        self.seed += 17
        if folds > 0.0:
            x, y = self.x[part[1]].astype(np.float64), self.y[part[0], 0].astype(np.float64)
            bulge = bulge + np.float32(0.0085 * folds) * noise.fbm(x + 0.1, y, 0.062, 0.150, self.seed, 2, gain=0.35)
        height = ndimage.gaussian_filter(bulge, 1.6 * self.size / 1000.0)
        along_y, along_x = np.gradient(height * np.float32(self.size))
        normal = np.stack([-along_x, along_y, np.ones_like(height)], axis=-1)
        normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
        lit = 0.30 + 0.20 * normal[..., 1] + 0.88 * np.maximum(normal @ _LIGHT, 0.0)
        lit += 0.22 * np.maximum(normal @ _RIM, 0.0)
        lit *= 1.0 + 0.045 * self._weave[part]
        paint = colour.hex_linear(cloth).astype(np.float32) * lit[..., None]
        # what lies behind gets a soft dark edge
        near = ndimage.gaussian_filter(cover, 0.005 * self.size)
        moved = ndimage.shift(near, (0.005 * self.size, 0.003 * self.size), order=1)
        rgb = self.rgb[part]
        rgb *= (1.0 - 0.5 * moved)[..., None]
        rgb += (paint - rgb) * cover[..., None]
        np.maximum(self.alpha[part], cover, out=self.alpha[part])

    def cut_out(self) -> NDArray[np.uint8]:
        """The finished figure (height, width, 4), feet at the bottom edge, colour not multiplied by alpha."""
        h, w = self.size // _FINE, self.width // _FINE
        weighted = (self.rgb * self.alpha[..., None]).reshape(h, _FINE, w, _FINE, 3).mean(axis=(1, 3))
        alpha = self.alpha.reshape(h, _FINE, w, _FINE).mean(axis=(1, 3))
        rgb = weighted / np.maximum(alpha, 1e-4)[..., None]
        rgb[alpha < 1.0 / 510.0] = 0.0
        code = colour.encoded8(rgb)
        return np.dstack([code, np.rint(alpha * 255.0).astype(np.uint8)])


def _posed(points: Points | NDArray[np.float64]) -> NDArray[np.float64]:
    """Places (N, 2) of a body that is slimmer than it was laid out and rests on one leg."""
    p = np.asarray(points, dtype=np.float64).copy()
    p[:, 0] = p[:, 0] * _SLIM + 0.014 * np.sin(np.pi * np.clip((p[:, 1] - 0.1) / 0.8, 0.0, 1.0)) - 0.004
    return p


def _smooth(points: Points, closed: bool = True) -> NDArray[np.float64]:
    """Points (N, 2) along a Catmull-Rom curve through the given ones (Catmull and Rom, 1974)."""
    p = np.asarray(points, dtype=np.float64)
    if closed:
        ring = np.concatenate([p[-1:], p, p[:2]])
    else:
        ring = np.concatenate([2 * p[:1] - p[1:2], p, 2 * p[-1:] - p[-2:-1]])
    t = np.linspace(0.0, 1.0, 12, endpoint=False)[:, None]
    out = []
    for a, b, c, d in zip(ring[:-3], ring[1:-2], ring[2:-1], ring[3:], strict=True):
        out.append(0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3))
    rows = np.concatenate(out)
    return rows if closed else np.concatenate([rows, p[-1:]])


def _filled(px: NDArray[np.float32], width: int, height: int) -> NDArray[np.bool_]:
    """Pixels whose centre lies in a polygon (N, 2), even-odd."""
    crossings = np.zeros((height, width + 1), dtype=np.int32)
    a, b = px, np.roll(px, -1, axis=0)
    for (ax, ay), (bx, by) in zip(a, b, strict=True):
        low, high = (ay, by) if ay < by else (by, ay)
        rows = np.arange(max(0, int(np.ceil(low - 0.5))), min(height, int(np.ceil(high - 0.5))))
        if len(rows) == 0:
            continue
        at = ax + (rows + 0.5 - ay) * (bx - ax) / (by - ay)
        np.add.at(crossings, (rows, np.clip(np.ceil(at - 0.5).astype(int), 0, width)), 1)
    return np.asarray(np.cumsum(crossings, axis=1)[:, :width] % 2 == 1)


def _legs(s: _Sitter, cloth: str, boot: str, gaiter: str | None = None) -> None:
    # the left leg is free and a little ahead, its foot turned out
    for side, knee, foot, up in ((-1.0, 0.070, 0.084, 0.010), (1.0, 0.050, 0.050, 0.0)):
        toe = side * (foot + (0.034 if side < 0 else 0.014))
        s.limb([(side * foot, 0.028 + up), (toe, 0.017 + up)], [0.025, 0.017], boot, 0.2)
        s.limb([(side * foot, 0.100 + up), (side * foot, 0.026 + up)], [0.028, 0.026], boot, 0.4)
        s.limb(
            [(side * 0.046, 0.50), (side * knee, 0.28), (side * foot, 0.080 + up)], [0.066, 0.046, 0.035], cloth, 1.0
        )
        if gaiter is not None:
            s.limb(
                [(side * (0.7 * foot + 0.3 * knee), 0.19), (side * foot, 0.045 + up)], [0.0400, 0.0365], gaiter, 0.6
            )


def _surveyor(s: _Sitter) -> None:
    """From behind: a long waxed coat, a brimmed hat, a ranging pole in the right hand, a satchel."""
    _legs(s, "#4a443b", "#2b221b")
    s.limb([(-0.112, 0.765), (-0.150, 0.625), (-0.140, 0.500)], [0.050, 0.043, 0.034], "#5f5d3c", 1.0)
    s.limb([(-0.139, 0.480), (-0.137, 0.455)], [0.022, 0.018], "#b98567", 0.2)
    s.shape(
        [(-0.040, 0.835), (-0.135, 0.795), (-0.128, 0.640), (-0.112, 0.560), (-0.150, 0.300), (-0.060, 0.270),
         (0.000, 0.285), (0.070, 0.262), (0.148, 0.295), (0.116, 0.560), (0.130, 0.640),
         (0.135, 0.795), (0.040, 0.835)],
        "#686543", 0.085, 1.5,
    )  # fmt: skip
    s.line([(0.004, 0.560), (0.000, 0.430), (0.006, 0.285)], 0.0022, "#33321f")
    s.line([(-0.118, 0.572), (0.000, 0.560), (0.120, 0.572)], 0.0075, "#40381f")
    s.line([(0.110, 0.800), (0.010, 0.690), (-0.100, 0.560)], 0.0070, "#4a3322")
    s.shape(
        [(-0.165, 0.555), (-0.075, 0.562), (-0.068, 0.470), (-0.082, 0.440), (-0.160, 0.440), (-0.172, 0.470)],
        "#6b4a2d", 0.030, 0.4,
    )  # fmt: skip
    s.shape(
        [(-0.168, 0.556), (-0.072, 0.562), (-0.078, 0.506), (-0.120, 0.492), (-0.164, 0.504)], "#7a5634", 0.018, 0.3
    )
    s.limb([(0.000, 0.865), (0.000, 0.820)], [0.034, 0.040], "#a97658", 0.1)
    s.shape(
        [(-0.075, 0.842), (0.000, 0.862), (0.075, 0.842), (0.082, 0.812), (0.000, 0.800), (-0.082, 0.812)],
        "#57552f", 0.014,
    )  # fmt: skip
    s.limb([(0.000, 0.915), (0.000, 0.890)], [0.050, 0.046], "#4a3322", 0.5)
    s.shape(
        [(-0.098, 0.925), (0.000, 0.947), (0.098, 0.925), (0.088, 0.910), (0.000, 0.918), (-0.088, 0.910)],
        "#6e5a3e", 0.012, 0.2,
    )  # fmt: skip
    s.shape(
        [(-0.054, 0.932), (-0.050, 0.980), (0.000, 0.998), (0.050, 0.980), (0.054, 0.932), (0.000, 0.928)],
        "#7c6748", 0.045, 0.4,
    )  # fmt: skip
    s.line([(-0.054, 0.936), (0.000, 0.932), (0.054, 0.936)], 0.0065, "#3a2c1d")
    for k in range(8):
        low, high = 0.004 + 0.118 * k, 0.004 + 0.118 * (k + 1)
        s.pole([(0.176 - 0.012 * low, low), (0.176 - 0.012 * high, high)], 0.0075, "#b3392c" if k % 2 else "#e3ded0")
    s.limb([(0.112, 0.765), (0.172, 0.655), (0.186, 0.580)], [0.050, 0.042, 0.034], "#686543", 1.0)
    s.limb([(0.188, 0.562), (0.194, 0.540)], [0.021, 0.021], "#b98567", 0.3)


def _climber(s: _Sitter) -> None:
    """Half from behind: a rust-red jacket, a coil of rope over one shoulder, a helmet, gloves."""
    _legs(s, "#39414a", "#4d3a2a")
    s.limb([(-0.118, 0.770), (-0.165, 0.640), (-0.168, 0.525)], [0.047, 0.040, 0.032], "#8f3b27", 1.0)
    s.limb([(-0.168, 0.505), (-0.164, 0.470)], [0.025, 0.020], "#2f2b28", 0.4)
    s.limb([(0.118, 0.770), (0.168, 0.645), (0.158, 0.525)], [0.047, 0.040, 0.032], "#9a4029", 1.0)
    s.limb([(0.157, 0.505), (0.152, 0.470)], [0.025, 0.020], "#2f2b28", 0.4)
    s.shape(
        [(-0.045, 0.830), (-0.132, 0.800), (-0.128, 0.660), (-0.104, 0.560), (-0.112, 0.478), (0.000, 0.462),
         (0.112, 0.478), (0.104, 0.560), (0.128, 0.660), (0.132, 0.800), (0.045, 0.830)],
        "#a8452c", 0.080, 1.4,
    )  # fmt: skip
    s.line([(-0.108, 0.520), (0.000, 0.508), (0.108, 0.520)], 0.0095, "#2b3138")
    for side in (-1.0, 1.0):
        s.line(
            [(side * 0.050, 0.512), (side * 0.092, 0.400), (side * 0.052, 0.335), (side * 0.012, 0.420)],
            0.0060, "#333a42",
        )  # fmt: skip
    for k, (x, y) in enumerate(((0.078, 0.470), (0.094, 0.462), (-0.086, 0.466))):
        s.line(
            [(x, 0.512), (x + 0.010, y), (x - 0.006, y - 0.012), (x - 0.004, 0.500)],
            0.0034, "#b9bcc0" if k != 1 else "#c58a2a",
        )  # fmt: skip
    for k in range(7):
        d = 0.0125 * k
        s.line(
            [(0.104 - 0.3 * d, 0.806 - 0.2 * d), (0.010 - d, 0.735 - d), (-0.096 + 0.15 * d, 0.590 - 0.9 * d),
             (-0.070 + 0.6 * d, 0.548 - 0.55 * d), (0.046 - 0.2 * d, 0.640 - d), (0.122 - 0.2 * d, 0.770 - 0.9 * d)],
            0.0068, "#d8c48a" if k % 3 else "#b98f45",
        )  # fmt: skip
    s.line([(0.070, 0.716), (0.030, 0.700), (-0.012, 0.655)], 0.0105, "#c8ae6c")
    s.limb([(0.000, 0.868), (0.000, 0.822)], [0.033, 0.040], "#a8775a", 0.1)
    s.shape(
        [(-0.062, 0.845), (0.000, 0.858), (0.062, 0.845), (0.070, 0.815), (0.000, 0.802), (-0.070, 0.815)],
        "#8b3a26", 0.014,
    )  # fmt: skip
    s.limb([(0.000, 0.925), (0.000, 0.890)], [0.046, 0.042], "#5b4030", 0.5)
    s.shape(
        [(-0.064, 0.908), (-0.060, 0.960), (-0.028, 0.992), (0.016, 0.996),
         (0.054, 0.968), (0.062, 0.908), (0.000, 0.898)],
        "#d9d4c4", 0.055, 0.1,
    )  # fmt: skip
    s.line([(-0.030, 0.985), (-0.034, 0.945), (-0.036, 0.910)], 0.0040, "#8e8a7e")
    s.line([(0.024, 0.988), (0.030, 0.945), (0.032, 0.910)], 0.0040, "#8e8a7e")
    s.line([(-0.063, 0.914), (0.000, 0.903), (0.062, 0.914)], 0.0050, "#40403e")


def _walker(s: _Sitter) -> None:
    """From behind: a parka with its hood up, a tall pack with a rolled mat, gaiters, an ice axe held low."""
    _legs(s, "#42403f", "#26292c", "#31505e")
    s.pole([(-0.152, 0.455), (-0.164, 0.215)], 0.0055, "#8a6a44")
    s.line([(-0.150, 0.440), (-0.196, 0.464), (-0.250, 0.432)], 0.0075, "#9aa0a6")
    s.limb([(-0.120, 0.760), (-0.178, 0.630), (-0.190, 0.505)], [0.053, 0.047, 0.038], "#b9812c", 1.1)
    s.limb([(-0.191, 0.480), (-0.193, 0.450)], [0.028, 0.025], "#2c3034", 0.4)
    s.limb([(0.120, 0.760), (0.182, 0.640), (0.176, 0.505)], [0.053, 0.047, 0.038], "#c48a30", 1.1)
    s.limb([(0.175, 0.480), (0.170, 0.445)], [0.028, 0.025], "#2c3034", 0.4)
    s.shape(
        [(-0.050, 0.835), (-0.138, 0.800), (-0.136, 0.640), (-0.122, 0.540), (-0.136, 0.410), (0.000, 0.392),
         (0.136, 0.410), (0.122, 0.540), (0.136, 0.640), (0.138, 0.800), (0.050, 0.835)],
        "#c98d33", 0.085, 1.5,
    )  # fmt: skip
    s.shape(
        [(-0.064, 0.905), (-0.058, 0.962), (0.000, 0.998), (0.058, 0.962),
         (0.064, 0.905), (0.050, 0.845), (0.000, 0.830), (-0.050, 0.845)],
        "#bf842e", 0.060, 0.9,
    )  # fmt: skip
    s.line([(0.000, 0.995), (0.003, 0.930), (0.000, 0.850)], 0.0022, "#7a5218")
    s.line([(-0.120, 0.560), (0.000, 0.528), (0.120, 0.560)], 0.0130, "#24333d")
    s.shape(
        [(-0.092, 0.845), (0.000, 0.862), (0.092, 0.845), (0.108, 0.700),
         (0.100, 0.545), (0.000, 0.528), (-0.100, 0.545), (-0.108, 0.700)],
        "#3f5a68", 0.060, 1.0,
    )  # fmt: skip
    s.shape(
        [(-0.094, 0.850), (0.000, 0.872), (0.094, 0.850), (0.098, 0.800), (0.000, 0.784), (-0.098, 0.800)],
        "#4b6a79", 0.032, 0.7,
    )  # fmt: skip
    s.shape([(-0.060, 0.700), (0.060, 0.700), (0.066, 0.590), (0.000, 0.578), (-0.066, 0.590)], "#354d5a", 0.026, 0.6)
    for x in (-0.052, 0.052):
        s.line([(x, 0.850), (x * 1.1, 0.700), (x * 1.05, 0.545)], 0.0055, "#1d2a32")
        s.line([(x - 0.006, 0.752), (x + 0.008, 0.752)], 0.0062, "#c9ccc9")
    s.limb([(-0.112, 0.516), (0.112, 0.516)], [0.036, 0.036], "#8c9a4e", 0.7)
    for x in (-0.066, 0.066):
        s.line([(x, 0.552), (x + 0.003, 0.516), (x, 0.480)], 0.0065, "#1d2a32")
    s.line([(0.104, 0.840), (0.124, 0.700), (0.112, 0.560)], 0.0050, "#b0392b")
    s.line([(0.112, 0.560), (0.096, 0.600), (0.100, 0.700)], 0.0044, "#b0392b")


KINDS: dict[str, Callable[[_Sitter], None]] = {"surveyor": _surveyor, "climber": _climber, "walker": _walker}


def draw_figure(kind: str, height_px: int) -> NDArray[np.uint8]:
    """A performer's cut-out (height_px, width, 4) uint8, sRGB with alpha, not multiplied; the soles on the bottom edge.

    ``kind`` is one of ``KINDS``; the figure is as tall as the picture and half as wide at most. An unknown kind
    raises ``KeyError``, a height below 16 px ``ValueError``.
    """
    if height_px < 16:
        raise ValueError(f"a figure of {height_px} px cannot be made out; 16 px at least")
    sitter = _Sitter(height_px, seed=sum(map(ord, kind)))
    KINDS[kind](sitter)
    return sitter.cut_out()


def main(folder: Path, height_px: int = 760) -> None:
    """Draw every figure into ``folder`` as PNG."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for kind in KINDS:
            Image.fromarray(draw_figure(kind, height_px)).save(folder / f"{kind}.png", optimize=True)
    except OSError as error:
        raise PrevizError(f"{folder}: the figures cannot be written there ({error.strerror})") from error


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "."))
