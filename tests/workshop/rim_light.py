"""The light of a wall around its doorway's brink, worked out place by place, without maps: what a bake must come to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from previz.geometry import unit
from previz.look.sight import SightLines
from previz.scene.model import Scene
from previz.workshop.light.bake import WallBake, _all_sent
from previz.workshop.relief import JAMB, GridSurface
from previz.workshop.surface import Picture
from previz.workshop.texels import grid_points

# the rim, m to both sides of the doorway's outline, and the part of it at the steep sides themselves
RIM, _AT_SIDES = 0.012, 2.0 * JAMB

# places on a lamp's face, and directions over a hemisphere
_PLACES, _DIRECTIONS = 256, 1024

# rays at once
_POINTS = 256


@dataclass(frozen=True, eq=False)
class Rim:
    """Texels of a wall's picture at ``row`` and ``column`` (N,), and which lie on its face, not in the doorway."""

    row: np.ndarray
    column: np.ndarray
    face: np.ndarray


def rim_of(scene: Scene, wall: GridSurface, every: int = 1) -> Rim:
    """Every so-many-th texel of the rim around a doorway whose sill lies at y = 0, its steep sides left out."""
    door, height, width = scene.wall.doorway, *wall.reflectance.shape[:2]
    assert door is not None
    field, (wide, high) = wall.field, wall.field.map_size
    at_x = np.interp((np.arange(width) + 0.5) / width * wide, field.along, field.x) - scene.wall.sideways
    at_y = np.interp(high - (np.arange(height) + 0.5) / height * high, field.up, field.y)
    from_x = np.abs(at_x) - 0.5 * door.width
    from_y = np.maximum(-at_y, at_y - door.height)
    outside = np.hypot(np.maximum(from_x[None], 0.0), np.maximum(from_y[:, None], 0.0))
    inside = -np.maximum(from_x[None], from_y[:, None])
    face = (outside > _AT_SIDES) & (outside < RIM)
    floor = (inside > _AT_SIDES) & (inside < RIM)
    row, column = (a[::every] for a in np.nonzero(face | floor))
    return Rim(row, column, face[row, column])


def light_at(rim: Rim, base: WallBake, sight: SightLines, scene: Scene) -> Picture:
    """Light (N, 3) on the texels of a rim, no bridge before the wall: every lamp's face and every direction looked at.

    What the wall throws on itself is what ``base`` says that its texels send: that varies slowly. Without cards.
    """
    wall = base.map.surface
    assert isinstance(wall, GridSurface)
    assert not base.lighting.cards
    height, width = wall.reflectance.shape[:2]
    points, normals = grid_points(wall, width, height, rim.row, rim.column)
    out = np.empty((len(points), 3), dtype=np.float32)
    sent = None
    if base.found is not None:
        (sent,) = _all_sent(base.lighting, [(_straight(base), base.found, base.map)])
    ambient = base.lighting.light.ambient / base.lighting.reference
    for start in range(0, len(points), _POINTS):
        part = slice(start, start + _POINTS)
        p, n = points[part].astype(np.float64), normals[part].astype(np.float64)
        light = sum((_of_lamp(p, n, emitter, sight) for emitter in base.emitters), np.zeros((len(p), 3)))
        out[part] = light + (_of_around(p, n, sent, wall, sight, ambient) if sent is not None else 0.0)
    return out


def _straight(base: WallBake) -> Picture:
    height, width = base.map.texels.valid.shape
    out = np.zeros((height, width, 3), dtype=np.float32)
    for level, share in zip(base.levels, base.shares, strict=True):
        out += level * share[..., None]
    return out


def _of_lamp(p, n, emitter, sight):
    places = emitter.places(_PLACES)
    sources, weights = emitter.points(places), emitter.weights(places).astype(np.float64)
    way = sources[None] - p[:, None]
    distance = np.linalg.norm(way, axis=-1)
    way /= distance[..., None]
    cosine = np.maximum(np.einsum("ijk,ik->ij", way, n), 0.0)
    leaving = np.maximum(-(way @ emitter.frame[3]), 0.0)
    start = np.repeat(p + 3e-4 * n, len(sources), axis=0)
    hit = sight.first_hits(start, way.reshape(-1, 3), names=["wall"]).distance.reshape(distance.shape)
    value = cosine * leaving / distance**2 * (hit >= distance * 0.999)
    return value @ weights


def _of_around(p, n, sent, wall, sight, ambient):
    # a sunflower of equal shares of the cosine
    k = np.arange(_DIRECTIONS) + 0.5
    r, turn = np.sqrt(k / _DIRECTIONS), k * np.pi * (3.0 - np.sqrt(5.0))
    side = unit(np.cross(n, np.where(np.abs(n[:, 1:2]) < 0.9, [[0.0, 1.0, 0.0]], [[1.0, 0.0, 0.0]])))
    up = np.cross(n, side)
    away = (
        (r * np.cos(turn))[None, :, None] * side[:, None]
        + (r * np.sin(turn))[None, :, None] * up[:, None]
        + np.sqrt(1.0 - r**2)[None, :, None] * n[:, None]
    ).reshape(-1, 3)
    hits = sight.first_hits(np.repeat(p + 3e-4 * n, _DIRECTIONS, axis=0), away, names=["wall"])
    met = np.isfinite(hits.distance)
    out = np.full((len(away), 3), ambient)
    rows, columns = sent.shape[:2]
    u, v = hits.uv[met, 0], hits.uv[met, 1]
    row, column = (np.clip((a * b).astype(int), 0, b - 1) for a, b in ((v, rows), (u, columns)))
    out[met] = sent[row, column]
    return out.reshape(len(p), _DIRECTIONS, 3).mean(axis=1)


def lightness(reflectance: Picture, light: Picture) -> np.ndarray:
    """CIE L* (N,) of what places of ``reflectance`` (N, 3) send in ``light`` (N, 3), white at 1 (CIE 15)."""
    y = np.clip((reflectance * light) @ np.array([0.2126, 0.7152, 0.0722]), 0.0, 1.0)
    return np.where(y > (6.0 / 29.0) ** 3, 116.0 * np.cbrt(y) - 16.0, y * (29.0 / 3.0) ** 3)
