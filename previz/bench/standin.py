"""The bridge as the hand has it just now, laid quickly: of coarse texels, in the light that the built one stands in.

A bridge of another size is lit anew by the builder once the hand rests, and throws the old one's shadow until then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from previz.bench.around import EngineAround
from previz.camera import AnyCamera
from previz.geometry import Array
from previz.look.blur import LensBlur
from previz.look.sight import SightLines
from previz.look.soft import soft_frame
from previz.look.view import Engine, View
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.stage.delivering import seen_in
from previz.stage.prepare import BRIDGE, WALL, LitWall, Painter, ReadySet, wall_in_view
from previz.stage.projected import wash_colour
from previz.workshop.set import BuiltSet, build_bridge
from previz.workshop.surface import LitSurface, Picture, Pixels8

# the name under which it is drawn, beside the built bridge
STAND_IN = "bridge at hand"
SEEN = (WALL, STAND_IN)

# texels so many times coarser than the built bridge's
_COARSER = 3.0


class StandIn:
    """The stand-in for the bridge of ``base``, drawn by ``engine``, which must have the set loaded.

    ``sight`` is that of the set as it is built.
    """

    def __init__(self, base: ReadySet, engine: Engine, sight: SightLines) -> None:
        self._base = base
        self._engine = engine
        self._sight = sight
        self._fallback = wash_colour(base.built.wall.reflectance)
        self._shape = ""
        # what it was painted for last, and what the engine has of it
        self._laid: tuple[Any, ...] = ()
        self._shown: LitSurface | None = None
        # the wall's Embree scene has to be there to be shared
        sight.first_hits(np.zeros((0, 3)), np.zeros((0, 3)), names=[WALL])

    def fits(self, scene: Scene) -> bool:
        """Whether the scene's bridge is the one that is built."""
        return scene.bridge == self._base.scene.bridge

    def show(self, scene: Scene, place: Array) -> None:
        """Let the engine show the scene's bridge, painted for ``place`` (3,) m."""
        self._build(scene)
        wanted = (self._shape, scene.bridge.paint, tuple(float(v) for v in place))
        if wanted != self._laid:
            self._lit, _ = self._painter.painted(scene, place)
            self._laid = wanted
        self.put(self._lit)

    def put(self, lit: LitSurface) -> None:
        """Let the engine have this as the stand-in."""
        if lit is not self._shown:
            self._engine.add(replace(lit, name=STAND_IN))
            self._shown = lit

    def blurred(self, blur: LensBlur) -> Picture | None:
        """The shown set, (H, W, 3) linear light, as ``blur`` has it; None where it is sharp all over."""
        wall = self._base.built.wall.corners
        soft = soft_frame(self._engine, blur, (WALL, WALL, STAND_IN), wall, self._surface.corners, 1)
        return None if soft is None else seen_in(soft)

    def ready(self, scene: Scene, place: Array) -> tuple[ReadySet, Engine, SightLines]:
        """The set with the scene's bridge for the judge, with the engine and the sight lines that know it."""
        self.show(scene, place)
        base = self._base
        ready = ReadySet(
            scene, self._built, base.wall, self._lit, place, wall_in_view(move_of(scene), base.built.wall), 0.0
        )
        return ready, _AsBridge(self._engine, self, self._lit), self._seen

    def _build(self, scene: Scene) -> None:
        """Build the shape of the scene's bridge, if it is another one."""
        shape = repr(scene.bridge.model_dump(exclude={"paint"}))
        if shape == self._shape:
            return
        base = self._base
        build = build_bridge(scene, base.built.wall, _COARSER * base.built.bridge.texel)
        self._built = BuiltSet(base.built.wall, build)
        self._surface = build.surface
        self._seen = self._sight.replaced(replace(build.surface, name=BRIDGE))
        self._painter = Painter(self._built, self._in_old_light(), self._seen, self._fallback)
        self._shape, self._laid = shape, ()

    def _in_old_light(self) -> LitWall:
        """The wall, and the light of the built bridge for this one."""
        wall = self._base.wall
        if len(self._surface.faces) == len(wall.bridge_map.faces):
            return wall
        # another number of pieces: they cannot be told apart, and all stand in the mean light
        own = wall.light.bridge
        mean = own[own.max(axis=2) > 0.0].mean(axis=0, dtype=np.float64).astype(np.float32)
        light = replace(wall.light, bridge=np.broadcast_to(mean, (2, 2, 3)).copy())
        return replace(wall, light=light, bridge_map=self._surface)


class _AsBridge(EngineAround):
    """An engine that draws one stand-in where the bridge is asked for, whatever has been shown since."""

    def __init__(self, engine: Engine, stand_in: StandIn, lit: LitSurface) -> None:
        super().__init__(engine)
        self._stand_in = stand_in
        self._lit = lit

    def repaint(self, name: str, code: Pixels8) -> None:
        """Give a surface another picture; the stand-in keeps its own."""
        if name != BRIDGE:
            super().repaint(name, code)
        elif code is not self._lit.code:
            raise ValueError("a stand-in is not painted by another")

    def draw(self, camera: AnyCamera, names: Sequence[str], *how: Any, **more: Any) -> View:
        """Look through ``camera`` at the named surfaces, the stand-in in the bridge's place."""
        if BRIDGE in names:
            self._stand_in.put(self._lit)
        return super().draw(camera, [STAND_IN if name == BRIDGE else name for name in names], *how, **more)
