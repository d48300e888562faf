"""Specular reflection, shine, on a ready set: the pictures of its glossy surfaces as one lens position sees them."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from previz import colour, gloss
from previz.geometry import Array, unit
from previz.look.sight import Hits, SightLines
from previz.look.softened import Softened
from previz.look.view import Engine
from previz.scene.model import Gloss
from previz.stage.prepare import BRIDGE, WALL, ReadySet
from previz.workshop.carry import carried
from previz.workshop.light.bake import BakedLight, Share8, lit_emitters
from previz.workshop.light.lamps import Emitter
from previz.workshop.light.resample import averaged_around, enlarged_on
from previz.workshop.light.roughmirror import TAPS, TILE, mirrored_ways
from previz.workshop.light.shine import let_in, shine, under_coat
from previz.workshop.surface import WALL as WALL_LAYER
from previz.workshop.surface import LitSurface, Picture
from previz.workshop.texels import TexelMap, texel_points, texel_side

# texels, at most, on which a surface's shine is worked out for a frame
_TEXELS = 300_000

# Nearly all of a wall mirrors the open before it. Where it mirrors more is looked for on texels so many times as coarse
# along either side, and asked again texel by texel there and so many of the coarse ones beside. What differs by less
# than this share from light from all over is open.
_COARSER = 3
_BESIDE = 2
_OPEN = 0.002

# distance (m) off the surface at which a mirrored ray starts
_CLEARANCE = 3e-4


@dataclass(frozen=True, eq=False)
class _Glossy:
    """A glossy surface as it is drawn, the share (h, w) of every emitter that the texels of a map of it see, and how
    much of all light there (h, w) gets through the coat to the paint. ``mirrors`` are the surfaces that it may mirror,
    as they look in matt paint; ``coarse`` are fewer texels that say where it mirrors any of them, None where all are
    asked."""

    lit: LitSurface
    gloss: Gloss
    texels: TexelMap
    seen: tuple[NDArray[np.float32], ...]
    let_in: NDArray[np.float32]
    mirrors: tuple[LitSurface, ...]
    coarse: TexelMap | None


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
        # what is mirrored, looked up by name: as matt paint shows it
        self._shown: dict[str, tuple[Softened, float]] = {}
        self._gloss: dict[str, Gloss] = {WALL: scene.wall.gloss, BRIDGE: scene.bridge.gloss}
        self._ambient = scene.light.ambient / lighting.reference
        self._emitters = lit_emitters(lighting, sight)
        if scene.wall.gloss != "matt":
            for lit, seen, level, mirrors in (
                (ready.wall.shadowed, light.seen_wall, light.wall, (ready.wall.shadowed, ready.bridge)),
                (ready.wall.clean, light.seen_clean, light.clean, (ready.wall.clean,)),
            ):
                self._surfaces.append(_glossy_wall(lit, scene.wall.gloss, seen, level, self._emitters, mirrors))
        if scene.bridge.gloss != "matt":
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

    def _mirrored(self, surface: _Glossy, eye: Array) -> Picture:
        """What lies in the mirror's direction of every texel (h, w, 3) besides lamps: wall, bridge, or light from all
        over. A wall mirrors the sides of its doorway and its own ledges, which keep the light from all over off."""
        texels, coarse = surface.texels, surface.coarse
        if coarse is None:
            return self._mirrored_at(surface, texels, texels.valid, eye, None)
        found = self._mirrored_at(surface, coarse, coarse.valid, eye, _tile(coarse.valid.shape))
        shut = (np.abs(found - self._ambient) > _OPEN * self._ambient).any(axis=2)
        shut = maximum_filter(shut, size=2 * _BESIDE + 1)
        rows, columns = (
            np.arange(count) * have // count for count, have in zip(texels.valid.shape, shut.shape, strict=True)
        )
        asked = texels.valid & shut[np.ix_(rows, columns)]
        shown = self._mirrored_at(surface, texels, asked, eye, _tile(texels.valid.shape))
        if TAPS[surface.gloss] == 1:
            return shown
        texel = texel_side(surface.lit.surface) * surface.lit.code.shape[1] / texels.valid.shape[1]
        return averaged_around(shown, texels, texel, asked, TILE // 2)

    def _mirrored_at(
        self, surface: _Glossy, texels: TexelMap, asked: NDArray[np.bool_], eye: Array,
        tile: tuple[NDArray[np.intp], NDArray[np.intp]] | None,
    ) -> Picture:  # fmt: skip
        """The same at the texels (h, w) that are ``asked``, each as its place in the ``tile`` says; at all others light
        from all over."""
        points, normals = (a[asked].astype(np.float64) for a in (texels.points, texels.normals))
        eyeward = unit(eye - points)
        seen = np.flatnonzero(np.einsum("ij,ij->i", eyeward, normals) > 0.0)
        place = None if tile is None else (tile[0][asked][seen], tile[1][asked][seen])
        ways, weights, spread = mirrored_ways(normals[seen], eyeward[seen], surface.gloss, place)
        shown = np.full((len(points), 3), self._ambient, dtype=np.float32)
        shown[seen] = 0.0
        # the clean wall is where the wall is
        names = [WALL if lit.surface.layer == WALL_LAYER else BRIDGE for lit in surface.mirrors]
        for way, weight in zip(ways, weights, strict=True):
            hits = self._sight.first_hits(points[seen] + _CLEARANCE * normals[seen], way, names=names)
            there = np.full((len(seen), 3), self._ambient, dtype=np.float32)
            self._add_met(surface, names, hits, way, spread, there)
            shown[seen] += there * weight[:, None].astype(np.float32)
        # where no texel is nothing is mirrored
        out = np.where(texels.valid[..., None], np.float32(self._ambient), np.float32(0.0)).repeat(3, axis=2)
        out[asked] = shown
        return out

    def _add_met(
        self, surface: _Glossy, names: Sequence[str], hits: Hits, way: Array, spread: Array, there: Picture
    ) -> None:
        """Put in its place ``there`` (N, 3) what ways (N, 3) meet: paint through its coat, and what that mirrors in
        turn, of which a dark doorway's light is the greater part."""
        for name, lit in zip(names, surface.mirrors, strict=True):
            met = np.flatnonzero(hits.surface == self._sight.number(name))
            picture, texel = self._as_matt(lit)
            there[met] = picture.at(hits.uv[met], hits.distance[met] * spread[met] / texel)
            kind = self._gloss[name]
            if kind == "matt" or len(met) == 0:
                continue
            normals = self._sight.normals(hits)[met]
            cosine = np.einsum("ij,ij->i", way[met], normals)
            # both sides of a face stop a ray, and either is painted
            normals, cosine = -np.sign(cosine)[:, None] * normals, np.abs(cosine)
            on = way[met] + 2.0 * cosine[:, None] * normals
            again = self._sight.first_hits(hits.point[met] + _CLEARANCE * normals, on, names=names)
            beyond = np.full((len(met), 3), self._ambient, dtype=np.float32)
            for other, of in zip(names, surface.mirrors, strict=True):
                rows = np.flatnonzero(again.surface == self._sight.number(other))
                picture, texel = self._as_matt(of)
                beyond[rows] = picture.at(again.uv[rows], again.distance[rows] * spread[met][rows] / texel)
            share = gloss.sheen(np.append(cosine, 1.0), gloss.ROUGHNESS[kind]).astype(np.float32)
            there[met] *= np.minimum((1.0 - share[:-1]) / (1.0 - share[-1]), 1.0)[:, None]
            there[met] += share[:-1, None] * beyond

    def _as_matt(self, lit: LitSurface) -> tuple[Softened, float]:
        """A surface's picture in matt paint, ever coarser, and the side (m) of its texels."""
        if lit.name not in self._shown:
            self._shown[lit.name] = Softened(colour.decoded8(lit.code)), texel_side(lit.surface)
        return self._shown[lit.name]

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


def _tile(shape: tuple[int, ...]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Each texel's share along and across (h, w) in its tile of ways: three in line have all of either, as at an edge,
    where there are no others."""
    row, column = np.indices(shape)
    return (row + column) % TILE, (row + 2 * column) % TILE


def _map_size(width: int, height: int) -> tuple[int, int]:
    k = min(1.0, float(np.sqrt(_TEXELS / (width * height))))
    return max(round(width * k), 1), max(round(height * k), 1)


def _glossy_wall(
    lit: LitSurface,
    kind: Gloss,
    seen: tuple[Share8, ...],
    light: Picture,
    emitters: tuple[Emitter, ...],
    mirrors: tuple[LitSurface, ...],
) -> _Glossy:
    height, width = lit.code.shape[:2]
    width, height = _map_size(width, height)
    shares = tuple(
        enlarged_on(lit.surface, share.astype(np.float32) / np.float32(255.0), height, width) for share in seen
    )
    level = enlarged_on(lit.surface, light.mean(axis=2), height, width)
    texels = texel_points(lit.surface, width, height)
    coarse = texel_points(lit.surface, max(width // _COARSER, 1), max(height // _COARSER, 1))
    return _glossy(lit, kind, texels, shares, level, emitters, mirrors, coarse)


def _glossy_bridge(ready: ReadySet, kind: Gloss, light: BakedLight, emitters: tuple[Emitter, ...]) -> _Glossy:
    lit, own_map = ready.bridge, ready.wall.bridge_map
    height, width = lit.code.shape[:2]
    width, height = _map_size(width, height)

    def brought(picture: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(carried(picture[..., None], own_map, lit.surface, width, height)[..., 0])

    shares = tuple(brought(share.astype(np.float32) / np.float32(255.0)) for share in light.seen_bridge)
    level = brought(np.ascontiguousarray(light.bridge.mean(axis=2)))
    # the bridge alone mirrors the wall, which is so much larger than itself
    texels = texel_points(lit.surface, width, height)
    return _glossy(lit, kind, texels, shares, level, emitters, (ready.wall.shadowed,), None)


def _glossy(
    lit: LitSurface, kind: Gloss, texels: TexelMap, shares: tuple[NDArray[np.float32], ...],
    level: NDArray[np.float32], emitters: tuple[Emitter, ...], mirrors: tuple[LitSurface, ...],
    coarse: TexelMap | None,
) -> _Glossy:  # fmt: skip
    return _Glossy(lit, kind, texels, shares, let_in(texels, kind, emitters, shares, level), mirrors, coarse)
