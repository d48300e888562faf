"""A frame as a linear function of paint by bilinear sampling: which texels each ray sees, and what else is in it.

Looks are taken where an engine takes them (``samples`` each way in a pixel) and filtered as engines filter: codes are
interpolated between four texels, then decoded, then averaged (:mod:`previz.look.sampling`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.camera import Camera
from previz.look.layerblur import LayerBlur
from previz.look.sight import SightLines
from previz.workshop.compiled import compiled
from previz.workshop.surface import Picture

Array = NDArray[np.float64]
Codes = NDArray[np.float32]

# steps of the table that decodes codes: linear in between, to 1e-7
_STEPS = 4096
_UNSHADED = np.ones((1, 3), dtype=np.float32)
_AS_MEANT = np.zeros((1, 3), dtype=np.float32)
_LINEAR = colour.decoded(np.linspace(0.0, 1.0, _STEPS + 1)).astype(np.float32)


@dataclass(frozen=True, eq=False)
class BilinearSamples:
    """Looks at one texture: ``pixel`` (M,) int32 rows of the crop's pixels, ``texel`` (M, 4) int32 rows of the
    texture's (upper left, upper right, lower left, lower right) and ``part`` (M, 2) float32 right and down between
    them. Each look is ``share`` of its pixel, and ``light`` (M, 3) or (1, 3) times as bright as its texels say: what a
    shadow leaves. ``off`` (M, 3) or (1, 3) is added to the codes: how wrong they are mixed."""

    pixel: NDArray[np.int32]
    texel: NDArray[np.int32]
    part: NDArray[np.float32]
    share: float
    light: NDArray[np.float32]
    off: NDArray[np.float32] = field(default_factory=lambda: _AS_MEANT)

    def add_to(self, picture: Picture, codes: Codes) -> None:
        """Add what the looks see of ``codes`` (T, 3), 0 to 1, to a crop's pixels (P, 3), linear light."""
        _add(self.pixel, self.texel, self.part, self.light, self.off, np.float32(self.share), codes, _LINEAR, picture)

    def slope_to(self, slope: Picture, codes: Codes, out: Codes) -> None:
        """Add to ``out`` (T, 3) the slope for the codes of a slope (P, 3) for the crop's pixels."""
        _add_back(
            self.pixel, self.texel, self.part, self.light, self.off, np.float32(self.share), slope, codes, _LINEAR, out
        )


@dataclass(frozen=True, eq=False)
class LensLooks:
    """Looks through a lens and a shutter: the ``samples`` are of the crop with the blur's margin around it.

    ``share`` (H, W) is how much of the layer's light in each pixel counts, None for all of it: a wall's where nothing
    covers it, a bridge's where its parts, each spread by its own depth, come to more than a whole. Without a ``blur``
    the samples are the crop's own.
    """

    samples: BilinearSamples
    blur: LayerBlur | None = None
    share: NDArray[np.float32] | None = None

    def add_to(self, picture: Picture, codes: Codes) -> None:
        """Add what the looks see of ``codes`` (T, 3), 0 to 1, to a crop (H, W, 3), linear light."""
        if self.blur is None:
            self.samples.add_to(picture.reshape(-1, 3), codes)
            return
        width, height = self.blur.wide_px
        wide = np.zeros((height, width, 3), dtype=np.float32)
        self.samples.add_to(wide.reshape(-1, 3), codes)
        soft = self.blur.ahead(wide)
        picture += soft if self.share is None else soft * self.share[..., None]

    def slope_to(self, slope: Picture, codes: Codes, out: Codes) -> None:
        """Add to ``out`` (T, 3) the slope for the codes of a slope (H, W, 3) for the crop."""
        if self.blur is not None:
            slope = self.blur.back(slope if self.share is None else slope * self.share[..., None])
        self.samples.slope_to(np.ascontiguousarray(slope).reshape(-1, 3), codes, out)


@dataclass(frozen=True, eq=False)
class FrameModel:
    """A frame, cropped, with its first pixel at ``origin`` (x, y) px of the whole.

    ``fixed`` (H, W, 3) float32 linear light is what is there without the paint in question, ``looks`` are those at it.
    ``clean_looks`` are all that the clean frame shows, where the wall's paint is in question too.
    """

    origin: tuple[int, int]
    fixed: Picture
    looks: tuple[LensLooks, ...]
    clean_looks: LensLooks | None = None

    @property
    def size_px(self) -> tuple[int, int]:
        """(width, height) of the crop."""
        return self.fixed.shape[1], self.fixed.shape[0]

    def picture(self, codes: Codes) -> Picture:
        """The crop (H, W, 3), linear light, with a texture of ``codes`` (T, 3)."""
        out = self.fixed.copy()
        for looks in self.looks:
            looks.add_to(out, codes)
        return out

    def clean(self, codes: Codes) -> Picture | None:
        """The clean frame's crop, None where the wall is not in question."""
        if self.clean_looks is None:
            return None
        out = np.zeros_like(self.fixed)
        self.clean_looks.add_to(out, codes)
        return out

    def slope(self, slope: Picture, slope_clean: Picture | None, codes: Codes, out: Codes) -> None:
        """Add to ``out`` (T, 3) the slope for the codes of slopes (H, W, 3) for the crop and for the clean crop."""
        for looks in self.looks:
            looks.slope_to(slope, codes, out)
        if self.clean_looks is not None and slope_clean is not None:
            self.clean_looks.slope_to(slope_clean, codes, out)


class Hand(Protocol):
    """How a painter's hand errs, at points (M, 3) m of the bridge."""

    def meant(self, points: Array) -> Array:
        """Points (M, 3) m whose paint lies there instead."""

    def mixed(self, points: Array) -> NDArray[np.float32]:
        """By how much the codes (M, 3), 0 to 1, of the paint there are off as they are lit."""


def texel_looks(
    camera: Camera,
    seen: NDArray[np.bool_],
    sight: SightLines,
    surface: str,
    size_px: tuple[int, int],
    hand: Hand | None = None,
) -> BilinearSamples:
    """The looks of ``camera`` marked in ``seen`` (H * k, W * k) at the texture, (width, height), of a ``surface``.

    ``k`` looks a pixel each way are taken. What is marked is known to show the surface: looks that pass it by a hair
    are left out. The texture lies as a ``hand`` laid it; where that leads past the surface's edge, as it was meant to.
    """
    samples = seen.shape[0] // camera.height_px
    rows, columns = np.nonzero(seen)
    px = np.stack([columns + 0.5, rows + 0.5], axis=1) / samples
    origins, directions = camera.rays(px)
    hits = sight.first_hits(origins, directions, names=[surface])
    met = np.isfinite(hits.distance)
    width, height = size_px
    uv, off = hits.uv[met], _AS_MEANT
    if hand is not None:
        points = origins[met] + directions[met] * hits.distance[met, None]
        moved = sight.first_hits(origins[met] + hand.meant(points) - points, directions[met], names=[surface])
        uv = np.where(np.isfinite(moved.distance)[:, None], moved.uv, uv)
        off = hand.mixed(points)
    x, y = uv[:, 0] * width - 0.5, uv[:, 1] * height - 0.5
    left, top = np.floor(x), np.floor(y)
    part = np.stack([x - left, y - top], axis=1).astype(np.float32)
    c0, c1 = (np.clip(left + k, 0, width - 1).astype(np.int64) for k in (0, 1))
    r0, r1 = (np.clip(top + k, 0, height - 1).astype(np.int64) for k in (0, 1))
    texel = np.stack([r0 * width + c0, r0 * width + c1, r1 * width + c0, r1 * width + c1], axis=1)
    pixel = (rows[met] // samples) * camera.width_px + columns[met] // samples
    return BilinearSamples(pixel.astype(np.int32), texel.astype(np.int32), part, 1.0 / samples**2, _UNSHADED, off)


@compiled
def _decoded(value, table):  # type: ignore[no-untyped-def]
    """Linear light of a code 0 to 1, and its slope."""
    steps = len(table) - 1
    place = min(max(value, np.float32(0.0)), np.float32(1.0)) * np.float32(steps)
    low = min(int(place), steps - 1)
    rise = table[low + 1] - table[low]
    return table[low] + (place - low) * rise, rise * steps


@compiled
def _add(pixel, texel, part, light, off, share, codes, table, picture):  # type: ignore[no-untyped-def]
    last, last_off = len(light) - 1, len(off) - 1
    for i in range(len(pixel)):
        a, b = part[i, 0], part[i, 1]
        p, q, r, s = texel[i, 0], texel[i, 1], texel[i, 2], texel[i, 3]
        for k in range(3):
            upper = codes[p, k] + a * (codes[q, k] - codes[p, k])
            lower = codes[r, k] + a * (codes[s, k] - codes[r, k])
            linear, _ = _decoded(upper + b * (lower - upper) + off[min(i, last_off), k], table)
            picture[pixel[i], k] += share * light[min(i, last), k] * linear


@compiled
def _add_back(pixel, texel, part, light, off, share, slope, codes, table, out):  # type: ignore[no-untyped-def]
    last, last_off = len(light) - 1, len(off) - 1
    for i in range(len(pixel)):
        a, b = part[i, 0], part[i, 1]
        p, q, r, s = texel[i, 0], texel[i, 1], texel[i, 2], texel[i, 3]
        for k in range(3):
            down = slope[pixel[i], k]
            if down == 0.0:
                continue
            upper = codes[p, k] + a * (codes[q, k] - codes[p, k])
            lower = codes[r, k] + a * (codes[s, k] - codes[r, k])
            _, rise = _decoded(upper + b * (lower - upper) + off[min(i, last_off), k], table)
            down *= share * light[min(i, last), k] * rise
            out[p, k] += (1.0 - a) * (1.0 - b) * down
            out[q, k] += a * (1.0 - b) * down
            out[r, k] += (1.0 - a) * b * down
            out[s, k] += a * b * down
