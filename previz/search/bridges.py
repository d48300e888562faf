"""The loaded set with other bridges and in other light: built, lit and a fast judge made when first asked for.

The wall stays as it was built for the scene's own bridge, and is built anew where its pattern is turned. A wider or
thicker bridge would press the rock back a little farther around its root; that is left out until the scene is built
anew. Where lamps move or cards do, only they cast rays again; where lamps are dimmed none do: light adds up. A free
wall is in bands along each move's own slide.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from previz import colour
from previz.scene.model import CameraBody, Card, Lamp, Light, Rail, Scene
from previz.scene.move import move_of
from previz.scene.shape import BridgeShape, bridge_shape
from previz.search.studio import Surroundings, edge_points
from previz.stage.fastlooking import FastLooker
from previz.stage.freewall import wall_in_bands
from previz.stage.looking import Looker
from previz.stage.prepare import (
    BRIDGE,
    CLEAN_WALL,
    WALL,
    Painter,
    ReadySet,
    bridge_as_lit,
    bridge_texel,
    lighting_of,
    lit_for,
    prepare,
    relit,
)
from previz.workshop.light.bake import BridgeCast, WallBake, bake_wall, cast_bridge
from previz.workshop.set import BuiltSet, build_bridge
from previz.workshop.surface import LitSurface

# places kept at once: a move passes a handful
_PLACES = 5


def fast_looker(looker: Looker, own_paint: bool = False) -> FastLooker:
    """The fast judge of the set that is loaded, kept with it; with ``own_paint`` its paint is looked at as it is."""
    name = "own paint" if own_paint else ""
    return looker.kept(FastLooker, name) or looker.keep(
        FastLooker(looker.loaded, looker.engine, looker.sight, looker.ordinary, own_paint=own_paint), name
    )


# how a free wall is painted over: how far, and for which move; none where it is kept
_Bands = tuple[float, CameraBody, Rail] | None

# what a set that is made for a candidate differs by: bridge, lamps, cards, light, and the bands on its wall
_Key = tuple[BridgeShape, tuple[Lamp, ...], tuple[Card, ...], Light, _Bands]


def _key(scene: Scene) -> _Key:
    free = scene.paint.wall == "free"
    bands = (scene.paint.wall_change, scene.camera, scene.rail) if free else None
    return bridge_shape(scene), scene.lamps, scene.cards, scene.light, bands


@dataclass(frozen=True, eq=False)
class BridgeSet:
    """The set with one bridge in it, in one light."""

    ready: ReadySet
    fast: FastLooker
    around: Surroundings


def sets_before_wall(looker: Looker, scene: Scene, width_px: int) -> BridgeSets:
    """The bridges of the set that is loaded, with its wall as the scene's is: another is built, lit and loaded."""
    own = looker.loaded.scene
    if scene.wall != own.wall:
        looker.load(prepare(own.model_copy(update={"wall": scene.wall}), width_px))
    return bridge_sets(looker)


def bridge_sets(looker: Looker) -> BridgeSets:
    """The bridges of the set that is loaded, kept with it."""
    return looker.kept(BridgeSets) or looker.keep(BridgeSets(looker))


class BridgeSets:
    """Puts bridges into the looker's set, one after the other."""

    def __init__(self, looker: Looker) -> None:
        self._looker = looker
        # every bridge's sight lines share the wall's Embree scene, once there is one
        looker.sight.first_hits(np.zeros((0, 3)), np.zeros((0, 3)), names=[WALL])
        # one at a time: hardly two candidates of a search have the same bridge, and memory is short
        self._chosen: BridgeSet | None = None
        # as it is loaded, no wall is in bands
        shape, lamps, cards, light, _ = _key(looker.loaded.scene)
        self._own: _Key = (shape, lamps, cards, light, None)
        self._in_place: _Key = self._own
        self._wall_shown = looker.loaded.wall
        self._bake: WallBake | None = None
        self._cast: BridgeCast | None = None

    def with_bridge(self, scene: Scene) -> BridgeSet:
        """The set with the scene's bridge in it, in the scene's light, in the engine too."""
        key = _key(scene)
        if self._chosen is None or key != self._in_place:
            if self._chosen is not None:
                self._chosen.fast.forget()
                self._chosen = None
            chosen = self._made(scene, key)
            if key != self._in_place:
                self._put_in_place(chosen.ready)
            self._chosen, self._in_place = chosen, key
        return self._chosen

    def _made(self, scene: Scene, key: _Key) -> BridgeSet:
        looker, ready, sight, ordinary = self._looker, self._looker.loaded, self._looker.sight, self._looker.ordinary
        if key[:-1] != self._own[:-1]:
            ready = self._rebuilt(scene, key)
            sight = looker.sight.replaced(ready.bridge)
        if key[-1] is not None:
            ready = replace(ready, wall=wall_in_bands(replace(ready, scene=scene), sight))
        if key[1:] != self._own[1:]:
            # another light, another wall: what is ordinary on it is looked at anew
            ordinary = cache(looker.ordinary_as_drawn)
        surface = ready.built.bridge.surface
        wall = ready.built.wall.vertices
        low, high = wall[:, :2].min(axis=0), wall[:, :2].max(axis=0)
        around = Surroundings(
            sight,
            (WALL, BRIDGE),
            edge_points(surface.vertices, surface.faces) if len(surface.faces) < 2000 else surface.vertices,
            (float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        )
        fast = FastLooker(ready, looker.engine, sight, ordinary, _PLACES, through=looker.ordinary_as_drawn)
        return BridgeSet(ready, fast, around)

    def _rebuilt(self, scene: Scene, key: _Key) -> ReadySet:
        """The set with another bridge or in another light: built, lit and, where its paint is its own, painted."""
        base = self._looker.loaded
        other = {"bridge": scene.bridge, "lamps": scene.lamps, "cards": scene.cards, "light": scene.light}
        changed = base.scene.model_copy(update=other)
        wall = base.built.wall
        # as fine as it would be built in
        finer = bridge_texel(changed, move_of(changed)) / bridge_texel(base.scene, base.move)
        built = BuiltSet(wall, build_bridge(changed, wall, finer * base.built.bridge.texel))
        surface = built.bridge.surface
        sight = self._looker.sight.replaced(replace(surface, name=BRIDGE))
        if key[1:-1] == self._own[1:-1]:
            lit = lit_for(base.wall, changed, built, sight, self._wall_bake)
        else:
            bake = bake_wall(wall, lighting_of(changed), sight, self._wall_bake())
            lit = relit(changed, built, sight, bake, self._own_cast() if key[0] == self._own[0] else None)
        own = changed.bridge
        if own.image is not None or own.paint in ("bare", "wash"):
            bridge, _ = Painter(built, lit, sight).painted(changed, base.station_point)
        else:
            # what continues the wall is never drawn
            bridge = LitSurface(BRIDGE, surface, colour.encoded8(surface.reflectance))
        return replace(base, scene=changed, built=built, wall=lit, bridge=bridge)

    def _wall_bake(self) -> WallBake:
        """What no bridge changes of the wall's light, baked once."""
        if self._bake is None:
            base = self._looker.loaded
            self._bake = bake_wall(base.built.wall, base.wall.lighting, self._looker.sight)
        return self._bake

    def _own_cast(self) -> BridgeCast:
        """What rays found of the scene's own bridge in its own light, cast once."""
        if self._cast is None:
            base = self._looker.loaded
            self._cast = cast_bridge(self._wall_bake(), bridge_as_lit(base.scene, base.built), self._looker.sight)
        return self._cast

    def _put_in_place(self, ready: ReadySet) -> None:
        """Let the engine draw this bridge and its shadow."""
        own = ready.scene.bridge
        if own.image is not None or own.paint in ("bare", "wash"):
            self._looker.engine.load(ready.lit)
            self._wall_shown = ready.wall
            return
        if not ready.wall.lighting.flat:
            # its silhouette hides a part of its shadow, whatever its paint
            self._looker.engine.add(ready.bridge)
        shown, self._wall_shown = self._wall_shown, ready.wall
        if ready.wall.shadowed.code is not shown.shadowed.code:
            self._looker.engine.repaint(WALL, ready.wall.shadowed.code)
        if ready.wall.clean.code is not shown.clean.code:
            self._looker.engine.repaint(CLEAN_WALL, ready.wall.clean.code)
