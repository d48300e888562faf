"""Specular reflection, shine, on a ready set: the pictures of its glossy surfaces as one lens position sees them."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.geometry import Array, unit
from previz.look.sight import SightLines
from previz.look.softened import Softened
from previz.look.view import Engine
from previz.scene.model import Gloss
from previz.stage.prepare import WALL, ReadySet
from previz.workshop.carry import carried
from previz.workshop.light.bake import BakedLight, Share8, lit_emitters
from previz.workshop.light.lamps import Emitter
from previz.workshop.light.resample import enlarged_on
from previz.workshop.light.roughmirror import mirrored_ways
from previz.workshop.light.shine import let_in, shine, under_coat
from previz.workshop.surface import BRIDGE as BRIDGE_LAYER
from previz.workshop.surface import LitSurface, Picture
from previz.workshop.texels import TexelMap, texel_points, texel_side

# texels, at most, on which a surface's shine is worked out for a frame
_TEXELS = 300_000

# distance (m) off the surface at which a mirrored ray starts
_CLEARANCE = 3e-4


@dataclass(frozen=True, eq=False)
class _Glossy:
    """A glossy surface as it is drawn, the share (h, w) of every emitter that the texels of a map of it see, and how
    much of all light there (h, w) gets through the coat to the paint."""

    lit: LitSurface
    gloss: Gloss
    texels: TexelMap
    seen: tuple[NDArray[np.float32], ...]
    let_in: NDArray[np.float32]


class Shining:
    """Lays shine on what an engine draws. A set of matt paint has none, and it costs nothing.

    ``sight`` casts against the set's wall and bridge.
    """

    def __init__(self, ready: ReadySet, sight: SightLines) -> None:
        scene, light, lighting = ready.scene, ready.wall.light, ready.wall.lighting
        self._surfaces: list[_Glossy] = []
        self._emitters: tuple[Emitter, ...] = ()
        self._ambient = 0.0
        # the place that the shine which lies on the surfaces now is seen from
        self._eye: Array | None = None
        if lighting.flat or (scene.wall.gloss == "matt" and scene.bridge.gloss == "matt"):
            return
        self._sight = sight
        self._ambient = scene.light.ambient / lighting.reference
        self._emitters = lit_emitters(lighting, sight)
        if scene.wall.gloss != "matt":
            for lit, seen, level in (
                (ready.wall.shadowed, light.seen_wall, light.wall), (ready.wall.clean, light.seen_clean, light.clean),
            ):  # fmt: skip
                self._surfaces.append(_glossy_wall(lit, scene.wall.gloss, seen, level, self._emitters))
        if scene.bridge.gloss != "matt":
            # the bridge alone mirrors the wall
            self._wall = Softened(colour.decoded8(ready.wall.shadowed.code))
            self._texel = texel_side(ready.built.wall)
            self._surfaces.append(_glossy_bridge(ready, scene.bridge.gloss, light, self._emitters))

    @property
    def any(self) -> bool:
        """Whether anything shines."""
        return bool(self._surfaces)

    def lay(self, engine: Engine, eye: Array) -> None:
        """Paint the engine's glossy surfaces as they are seen from ``eye`` (3,) m."""
        self._eye = eye
        for surface in self._surfaces:
            around = self._mirrored(surface, eye)
            extra = shine(surface.texels, surface.gloss, self._emitters, surface.seen, eye, around)
            through = surface.let_in * under_coat(surface.texels, surface.gloss, eye)
            engine.repaint(surface.lit.name, _added(surface.lit, through, extra))

    def _mirrored(self, surface: _Glossy, eye: Array) -> Picture | float:
        """What lies in the mirror's direction of every texel (h, w, 3) besides lamps: the wall, or light from all over.

        The wall mirrors next to nothing of the set: most of what is before it is open.
        """
        if surface.lit.surface.layer != BRIDGE_LAYER:
            return self._ambient
        valid = surface.texels.valid
        points, normals = (a[valid].astype(np.float64) for a in (surface.texels.points, surface.texels.normals))
        eyeward = unit(eye - points)
        seen = np.flatnonzero(np.einsum("ij,ij->i", eyeward, normals) > 0.0)
        ways, weights, spread = mirrored_ways(normals[seen], eyeward[seen], surface.gloss)
        shown = np.full((len(points), 3), self._ambient, dtype=np.float32)
        shown[seen] = 0.0
        for way, weight in zip(ways, weights, strict=True):
            hits = self._sight.first_hits(points[seen] + _CLEARANCE * normals[seen], way, names=[WALL])
            met = np.isfinite(hits.distance)
            there = np.full((len(seen), 3), self._ambient, dtype=np.float32)
            there[met] = self._wall.at(hits.uv[met], hits.distance[met] * spread[met] / self._texel)
            shown[seen] += there * weight[:, None].astype(np.float32)
        out = np.zeros((*valid.shape, 3), dtype=np.float32)
        out[valid] = shown
        return out

    def take_off(self, engine: Engine) -> None:
        """Paint the engine's glossy surfaces matt again."""
        if self._eye is not None:
            self._eye = None
            for surface in self._surfaces:
                engine.repaint(surface.lit.name, surface.lit.code)

    @contextlib.contextmanager
    def matt(self, engine: Engine) -> Iterator[None]:
        """Draw with the engine meanwhile as if all paint were matt; what was laid before is there again afterwards."""
        laid = self._eye
        if laid is None:
            yield
            return
        self.take_off(engine)
        try:
            yield
        finally:
            self.lay(engine, laid)


def _added(lit: LitSurface, through: NDArray[np.float32], extra: Picture) -> NDArray[np.uint8]:
    """The picture of a surface whose coat lets a share ``through`` (h, w) out and adds ``extra`` (h, w, 3)."""
    h, w = lit.code.shape[:2]
    code = np.empty_like(lit.code)
    share = enlarged_on(lit.surface, through, h, w)
    # one channel after the other keeps the memory low
    for k in range(3):
        added = enlarged_on(lit.surface, extra[..., k], h, w)
        code[..., k] = colour.encoded8(colour.decoded8(lit.code[..., k]) * share + added)
    return code


def _map_size(width: int, height: int) -> tuple[int, int]:
    k = min(1.0, float(np.sqrt(_TEXELS / (width * height))))
    return max(round(width * k), 1), max(round(height * k), 1)


def _glossy_wall(
    lit: LitSurface, kind: Gloss, seen: tuple[Share8, ...], light: Picture, emitters: tuple[Emitter, ...]
) -> _Glossy:
    height, width = lit.code.shape[:2]
    width, height = _map_size(width, height)
    shares = tuple(
        enlarged_on(lit.surface, share.astype(np.float32) / np.float32(255.0), height, width) for share in seen
    )
    level = enlarged_on(lit.surface, light.mean(axis=2), height, width)
    return _glossy(lit, kind, texel_points(lit.surface, width, height), shares, level, emitters)


def _glossy_bridge(ready: ReadySet, kind: Gloss, light: BakedLight, emitters: tuple[Emitter, ...]) -> _Glossy:
    lit, own_map = ready.bridge, ready.wall.bridge_map
    height, width = lit.code.shape[:2]
    width, height = _map_size(width, height)

    def brought(picture: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(carried(picture[..., None], own_map, lit.surface, width, height)[..., 0])

    shares = tuple(brought(share.astype(np.float32) / np.float32(255.0)) for share in light.seen_bridge)
    level = brought(np.ascontiguousarray(light.bridge.mean(axis=2)))
    return _glossy(lit, kind, texel_points(lit.surface, width, height), shares, level, emitters)


def _glossy(
    lit: LitSurface, kind: Gloss, texels: TexelMap, shares: tuple[NDArray[np.float32], ...],
    level: NDArray[np.float32], emitters: tuple[Emitter, ...],
) -> _Glossy:  # fmt: skip
    return _Glossy(lit, kind, texels, shares, let_in(texels, kind, emitters, shares, level))
