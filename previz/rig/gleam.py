"""What gleams in a frame: places on painted surfaces, what the lens sees of them, and what a lamp's highlight adds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.geometry import Array
from previz.look.sampling import bilinear
from previz.look.sight import SightLines
from previz.rig.sighted import seen_places, share_seen
from previz.scene.layout import PictureBox
from previz.scene.model import Card, Gloss, Lamp, Scene
from previz.scene.move import Move
from previz.workshop.light.bake import Lighting
from previz.workshop.light.lamps import Emitter, emitter_of
from previz.workshop.light.rays import CLEARANCE
from previz.workshop.light.shine import ambient_sheen, mirrored
from previz.workshop.relief import GridSurface
from previz.workshop.surface import LitSurface
from previz.workshop.texels import texel_owners, texel_points

# light (share of white) below which a highlight is not looked into
_FAINT = 2e-4


@dataclass(frozen=True, eq=False)
class SurfacePlaces:
    """Places on a surface: points, normals (N, 3), ``sent`` (N, 3) what they send without shine, ``area`` m2 each."""

    name: str
    gloss: Gloss
    points: Array
    normals: Array
    sent: Array
    area: float

    def every(self, step: int) -> SurfacePlaces:
        """One place in ``step``."""
        pick = slice(None, None, step)
        return SurfacePlaces(
            self.name, self.gloss, self.points[pick], self.normals[pick], self.sent[pick], self.area * step
        )


@dataclass(frozen=True, eq=False)
class Look:
    """What one frame sees of a surface's places: their numbers, pixels, ``size_px`` each, and colour without lamps'
    highlights (n, 3). ``sheen`` (n, 3) is the part of it that is mirrored from the wall and the ambient light."""

    frame: int
    eye: Array
    at: NDArray[np.intp]
    px: Array
    size_px: Array
    base: Array
    sheen: Array


def places_of(lit: LitSurface, name: str, kind: Gloss, count: int) -> SurfacePlaces:
    surface = lit.surface
    height, width = lit.code.shape[:2]
    rough = texel_points(surface, max(width // 8, 1), max(height // 8, 1))
    filled = max(float(rough.valid.mean()), 1e-3)
    k = min(1.0, math.sqrt(count / (filled * width * height)))
    w, h = max(round(width * k), 1), max(round(height * k), 1)
    texels = texel_points(surface, w, h)
    # without the margin around charts, whose places hang in the air
    on_it = texels.valid if isinstance(surface, GridSurface) else texel_owners(surface, w, h, margin=False) >= 0
    rows, columns = np.nonzero(on_it)
    uv = np.stack([(columns + 0.5) / w, (rows + 0.5) / h], axis=1)
    code = bilinear(lit.code, uv)
    corners = surface.vertices[surface.faces]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = 0.5 * float(np.linalg.norm(across, axis=1).sum())
    return SurfacePlaces(
        name,
        kind,
        texels.points[on_it].astype(np.float64),
        texels.normals[on_it].astype(np.float64),
        np.asarray(colour.decoded(code / 255.0), dtype=np.float64),
        area / max(len(rows), 1),
    )


@dataclass(frozen=True, eq=False)
class HighlightScene:
    """Everything that stands still while lamps are moved."""

    scene: Scene
    move: Move
    sight: SightLines
    names: tuple[str, ...]
    wall: LitSurface
    lighting: Lighting
    box: PictureBox

    def look(self, places: SurfacePlaces, frame: int) -> Look:
        """One frame's look at a surface."""
        camera = self.move.camera(frame)
        at = seen_places(camera, places.points, places.normals, self.sight, self.names, self.box)
        points, normals = places.points[at], places.normals[at]
        way = camera.position - points
        distance = np.linalg.norm(way, axis=1)
        cosine = np.einsum("ij,ij->i", way, normals) / distance
        size = places.area * cosine * camera.focal_px**2 / np.maximum(distance, 1e-9) ** 2
        sheen = ambient_sheen(points, normals, places.gloss, camera.position)[:, None]
        mirrored_set = sheen * self._around(points, normals, way / distance[:, None])
        base = places.sent[at] + mirrored_set
        return Look(frame, camera.position, at, camera.project(points), size, base, mirrored_set)

    def _around(self, points: Array, normals: Array, way: Array) -> Array:
        """What lies in the mirror's direction (n, 3), lamps left out: the wall, or the light from everywhere."""
        towards = 2.0 * np.einsum("ij,ij->i", way, normals)[:, None] * normals - way
        hits = self.sight.first_hits(points + CLEARANCE * normals, towards, [self.names[0]])
        met = hits.surface >= 0
        out = np.full(points.shape, self.lighting.light.ambient / self.lighting.reference)
        out[met] = colour.decoded(bilinear(self.wall.code, hits.uv[met]) / 255.0)
        return out

    def emitter(self, lamp: Lamp) -> Emitter:
        """The lamp as what it sends, in shares of white."""
        return emitter_of(lamp, self.lighting.light, self.lighting.reference)

    def gleam(self, places: SurfacePlaces, look: Look, emitter: Emitter, cards: Sequence[Card]) -> Array:
        """What a lamp's highlight adds (n, 3) at the places of a look."""
        points, normals = places.points[look.at], places.normals[look.at]
        added = mirrored(points, normals, emitter, places.gloss, look.eye).astype(np.float64)
        # a tenth of a just noticeable step from black: no need to ask what stands in the way
        strong = np.flatnonzero(added.max(axis=1) > _FAINT)
        out = np.zeros_like(added)
        seen = share_seen(points[strong], normals[strong], emitter, self.sight, self.names, cards)
        out[strong] = added[strong] * seen[:, None]
        return out

    def worst(self, places: SurfacePlaces, looks: Sequence[Look], lamp: Lamp, cards: Sequence[Card]) -> float:
        """The largest difference dE*ab that the lamp's highlight makes in several frames."""
        emitter, worst = self.emitter(lamp), 0.0
        for look in looks:
            added = self.gleam(places, look, emitter, cards)
            worst = max(worst, float(difference(look.base, added).max(initial=0.0)))
        return worst


def shown_lab(light: Array) -> Array:
    return np.asarray(colour.lab(np.clip(light, 0.0, 1.0)))


def difference(base: Array, added: Array) -> Array:
    """dE*ab (n,) that ``added`` light makes, what is beyond white cut off."""
    out = np.zeros(len(base))
    some = np.flatnonzero(added.max(axis=1, initial=0.0) > 0.0)
    out[some] = colour.de76(shown_lab(base[some]), shown_lab(base[some] + added[some]))
    return out
