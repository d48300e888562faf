"""Lamps and bounce cards as faces that send light: their points, their beams, what they give with nothing in the way.

A face shines as white paper does (Lambert): a piece dA of it with radiance L gives L dA / d^2 times the cosines at the
lamp and at the place. A point sends the same intensity to all sides. A spot's light is multiplied by a smoothstep of
the angle to its axis: 1 within half the cone times (1 - edge), 0 beyond half the cone times (1 + edge), half at half
the cone. A face stands before the sky: what comes from there it keeps off, whatever it shines itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from previz import colour
from previz.geometry import Array, unit
from previz.scene.model import Card, Lamp, Light
from previz.workshop.compiled import compiled, in_parts
from previz.workshop.surface import Picture

# points of a face that stand for all of it: farther than so many of its longest sides, and nearer than all of these
_POINTS_BEYOND = ((1.2, 64), (0.5, 256))
_NEAR_POINTS = 1024

# texels worked on at once
_CHUNK = 1 << 15


@dataclass(frozen=True, eq=False)
class Emitter:
    """Something that sends light: a lamp or the lit side of a bounce card.

    ``frame`` (4, 3): its middle (m) and unit vectors to its right, up and ahead. ``size`` (m) is width and height, 0
    for a point. ``strength`` is what it sends on its axis: radiance of a face or intensity of a point (m2), as a
    share of the light that a white card needs to come out as white; ``tint`` (3,) its colour. ``beam`` are the two
    angles between which a spot fades. ``level`` (rows, columns, 3), where given, are the parts of a face (first row at
    the top, first column at its left) that shine differently, as multiples of ``strength``. ``sky`` is the radiance of
    what is behind a face, which it keeps off.
    """

    name: str
    frame: Array
    size: tuple[float, float]
    is_disc: bool
    strength: float
    tint: Array
    beam: tuple[float, float] = (math.pi, math.pi)
    level: Picture | None = None
    sky: float = 0.0

    @property
    def is_point(self) -> bool:
        """Whether it has no face."""
        return self.size == (0.0, 0.0)

    @property
    def area(self) -> float:
        """m2 of its face."""
        return self.size[0] * self.size[1] * (0.25 * math.pi if self.is_disc else 1.0)

    def places(self, count: int) -> Array:
        """Places (K, 2) on the face of equal area each, -0.5 to 0.5 of width and height; about ``count`` of them."""
        if self.is_point:
            return np.zeros((1, 2))
        if self.is_disc:
            # Vogel's sunflower (Vogel, Mathematical Biosciences 44, 179-189, 1979)
            k = np.arange(count)
            radius = 0.5 * np.sqrt((k + 0.5) / count)
            angle = k * math.pi * (3.0 - math.sqrt(5.0))
            return np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)
        # a rank-1 lattice of a Fibonacci number or near it (Roberts, "R2", is its like for any count)
        along = np.arange(count) + 0.5
        return np.stack([along / count - 0.5, (along * 0.6180339887498949) % 1.0 - 0.5], axis=1)

    def points(self, places: Array) -> Array:
        """Points (K, 3) m in space of ``places`` (K, 2)."""
        centre, side, up, _ = self.frame
        return np.asarray(centre + places[:, :1] * self.size[0] * side + places[:, 1:] * self.size[1] * up)

    def weights(self, places: Array) -> Picture:
        """What each of ``places`` (K, 2) sends, (K, 3) float32: intensity of a point, radiance times area of a face."""
        each = self.strength * (1.0 if self.is_point else self.area / len(places))
        out = np.broadcast_to(each * self.tint, (len(places), 3))
        if self.level is not None:
            rows, columns = self.level.shape[:2]
            row = np.clip(((0.5 - places[:, 1]) * rows).astype(int), 0, rows - 1)
            column = np.clip(((places[:, 0] + 0.5) * columns).astype(int), 0, columns - 1)
            out = out * self.level[row, column]
        return np.ascontiguousarray(out, dtype=np.float32)


def facing_frame(position: Sequence[float], aim: Sequence[float]) -> Array:
    """Frame (4, 3) of a face at ``position`` turned to ``aim``: middle, right (as the aim sees it: left), up, ahead."""
    centre = np.asarray(position, dtype=np.float64)
    ahead = unit(np.asarray(aim, dtype=np.float64) - centre)
    side = unit(np.cross(ahead, [0.0, 1.0, 0.0] if abs(ahead[1]) < 0.999 else [0.0, 0.0, -1.0]))
    return np.stack([centre, side, np.cross(side, ahead), ahead])


def before_the_sky(emitter: Emitter, ambient: float) -> Emitter:
    """An emitter with a face that keeps off what comes from behind it, of light from all over that is ``ambient`` on a
    place in the open, a share of the reference."""
    return emitter if emitter.is_point else replace(emitter, sky=ambient / math.pi)


def emitter_of(lamp: Lamp, light: Light, reference: float) -> Emitter:
    """A lamp whose ``lux`` is what it gives, beam and all, face on at the point it is aimed at, nothing in the way."""
    frame = facing_frame(lamp.position, lamp.aim)
    beam = (math.pi, math.pi)
    if lamp.cone is not None:
        half = 0.5 * lamp.cone
        beam = (half * (1.0 - lamp.edge), min(half * (1.0 + lamp.edge), math.pi))
    tint = np.asarray(colour.lamp_tint(lamp.kelvin, light.white_balance), dtype=np.float64)
    plain = Emitter(lamp.name, frame, lamp.face, lamp.is_disc, 1.0, np.ones(3), beam)
    aim = np.asarray(lamp.aim, dtype=np.float64)[None].astype(np.float32)
    at_aim = float(unshadowed(plain, aim, -frame[3][None].astype(np.float32), _NEAR_POINTS * 4)[0, 1])
    strength = lamp.lux / reference / max(at_aim, 1e-12)
    return Emitter(lamp.name, frame, lamp.face, lamp.is_disc, strength, tint, beam)


def card_emitter(card: Card, level: Picture) -> Emitter:
    """The lit side of a bounce card that sends ``level`` (rows, columns, 3): light that reaches it times its colour."""
    frame = facing_frame(card.position, card.aim)
    # radiance of a matt surface: what it sends in all directions together over pi
    return Emitter(card.name, frame, card.size, False, 1.0 / math.pi, np.ones(3), level=level)


def _beam_share(cosine: float, inner: float, outer: float) -> float:
    if inner >= math.pi:
        return 1.0
    angle = math.acos(min(max(cosine, -1.0), 1.0))
    if angle <= inner:
        return 1.0
    if angle >= outer:
        return 0.0
    s = (outer - angle) / (outer - inner)
    return s * s * (3.0 - 2.0 * s)


beam_share = compiled(_beam_share)


def _sum(
    points: Any, normals: Any, sources: Any, weights: Any, sky: Any, ahead: Any, lambert: bool, inner: float,
    outer: float, out: Any,
) -> None:
    spot = inner < math.pi
    for i in range(points.shape[0]):
        px, py, pz = points[i, 0], points[i, 1], points[i, 2]
        nx, ny, nz = normals[i, 0], normals[i, 1], normals[i, 2]
        red, green, blue = np.float32(0.0), np.float32(0.0), np.float32(0.0)
        for k in range(sources.shape[0]):
            x, y, z = sources[k, 0] - px, sources[k, 1] - py, sources[k, 2] - pz
            cosine = x * nx + y * ny + z * nz
            leaving = -(x * ahead[0] + y * ahead[1] + z * ahead[2])
            if cosine <= 0.0 or (lambert and leaving <= 0.0):
                continue
            square = max(x * x + y * y + z * z, np.float32(1e-8))
            distance = math.sqrt(square)
            value = cosine / (square * distance)
            if lambert:
                value *= leaving / distance
            behind = value * sky
            if spot:
                value *= np.float32(beam_share(leaving / distance, inner, outer))
            red += value * weights[k, 0] - behind
            green += value * weights[k, 1] - behind
            blue += value * weights[k, 2] - behind
        out[i, 0], out[i, 1], out[i, 2] = red, green, blue


_sum_compiled = compiled(_sum)


def unshadowed(emitter: Emitter, points: Picture, normals: Picture, count: int | None = None) -> Picture:
    """Light (N, 3) float32 that reaches ``points`` (N, 3) float32 m with unit ``normals`` (N, 3), nothing in the way,
    less what a face keeps off of the sky.

    Within 1 % of the integral over the face from a distance of about half its longest side on.
    """
    out = np.zeros((len(points), 3), dtype=np.float32)
    if len(points) == 0:
        return out
    if count is None:
        nearest = float(np.linalg.norm(points - emitter.frame[0].astype(np.float32), axis=1).min())
        fitting = (k for sides, k in _POINTS_BEYOND if nearest > sides * max(emitter.size))
        count = next(fitting, _NEAR_POINTS)
    places = emitter.places(count)
    sources = emitter.points(places).astype(np.float32)
    weights = emitter.weights(places)
    sky = np.float32(0.0 if emitter.is_point else emitter.sky * emitter.area / len(places))
    ahead = emitter.frame[3].astype(np.float32)

    def part(chosen: slice) -> None:
        _sum_compiled(
            points[chosen], normals[chosen], sources, weights, sky, ahead, not emitter.is_point, *emitter.beam,
            out[chosen],
        )

    in_parts(part, len(points), _CHUNK)
    return out
