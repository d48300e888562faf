"""Projective texturing, projected paint: a texel takes the colour of the wall point it hides from the station point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.geometry import Array, unit
from previz.look.sampling import bilinear
from previz.look.sight import SightLines
from previz.workshop.compiled import in_parts
from previz.workshop.pigment import BRIGHTEST_PAINT, DARKEST_PAINT
from previz.workshop.surface import Picture, Pixels8
from previz.workshop.texels import TexelMap

# texels looked at from the station point, and rows of texels painted, at once
_LOOKED_AT, _ROWS = 1 << 17, 128


@dataclass(frozen=True, eq=False)
class Painted:
    """A painted surface. ``reflectance`` (H, W, 3) is the paint, ``radiance`` (H, W, 3) what it sends to the lens.

    ``out_of_range`` is the share of painted texels where the light asks for paint darker or brighter than there is.
    """

    reflectance: Picture
    radiance: Picture
    out_of_range: float


def hidden_wall(
    texels: TexelMap, station_point: Array, sight: SightLines, wall: str, code: Pixels8
) -> tuple[Picture, NDArray[np.bool_]]:
    """What of the wall each texel continues, seen from the station point (3,) m.

    Linear light (H, W, 3) and where there is any (H, W). Texels that the lens cannot see from there get the wall
    behind them all the same: the paint then runs on around the edges without a seam.
    """
    h, w = texels.valid.shape
    target = np.zeros((h * w, 3), dtype=np.float32)
    found = np.zeros(h * w, dtype=bool)
    rows = np.flatnonzero(texels.valid)
    points = texels.points.reshape(-1, 3)[rows].astype(np.float64)

    def look(part: slice) -> None:
        directions = unit(points[part] - station_point)
        hits = sight.first_hits(np.broadcast_to(station_point, directions.shape).copy(), directions, names=[wall])
        met = np.isfinite(hits.distance)
        target[rows[part][met]] = colour.decoded(bilinear(code, hits.uv[met]) / np.float32(255.0))
        found[rows[part][met]] = True

    in_parts(look, len(rows), _LOOKED_AT)
    return target.reshape(h, w, 3), found.reshape(h, w)


def painted(
    target: Picture,
    wanted: NDArray[np.bool_],
    light: Picture,
    fallback: Picture,
    counted: NDArray[np.bool_] | None = None,
) -> Painted:
    """Paint that sends ``target`` (H, W, 3) to the lens under ``light`` (H, W, 3), within what paint can do.

    Where nothing is ``wanted`` (H, W) the paint is ``fallback`` (3,), a reflectance. ``counted`` (H, W) are the texels
    whose range is reported, all unless given.
    """
    paint, sent = (np.empty(target.shape, dtype=np.float32) for _ in range(2))
    counted = wanted if counted is None else wanted & counted

    def mix(rows: slice) -> int:
        with np.errstate(divide="ignore", invalid="ignore"):
            ideal = np.where(light[rows] > 1e-4, target[rows] / light[rows], BRIGHTEST_PAINT)
        paint[rows] = np.clip(ideal, DARKEST_PAINT, BRIGHTEST_PAINT)
        paint[rows][~wanted[rows]] = fallback
        sent[rows] = paint[rows] * light[rows]
        # a difference below half a code value is none
        off = np.abs(colour.encoded8(sent[rows]).astype(np.int16) - colour.encoded8(target[rows])).max(axis=-1) > 1
        return int((off & counted[rows]).sum())

    share = sum(in_parts(mix, len(target), _ROWS)) / max(int(counted.sum()), 1)
    return Painted(paint, sent, share)


def facing(texels: TexelMap, station_point: Array) -> NDArray[np.bool_]:
    """Texels (H, W) of faces turned to the station point (3,) m."""
    towards = np.asarray(station_point, dtype=np.float32) - texels.points
    return np.asarray(texels.valid & (np.einsum("...i,...i->...", towards, texels.normals) > 0.0))


def wash_colour(wall_reflectance: Picture) -> Picture:
    """One mixed colour (3,) for everything: the wall's mean reflectance."""
    return np.asarray(wall_reflectance.reshape(-1, 3).mean(axis=0, dtype=np.float64).astype(np.float32))
