"""A set's light by parts: what one lamp in one place gives, baked once; dimming and joining lamps then cast no ray.

Light adds up. What the wall and the bridge throw on each other adds up too, as far as the bridge's paint stays as it
is: here the wall's mean colour stands for it, so that what is chosen by parts is baked anew before it is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from previz.look.sight import SightLines
from previz.scene.model import Lamp
from previz.stage.prepare import LitWall, ReadySet, lighting_of, wall_in_light
from previz.stage.projected import wash_colour
from previz.workshop.light.bake import (
    BakedLight,
    BridgeCast,
    Lighting,
    WallBake,
    bake_bridge,
    bake_wall,
    cast_bridge,
    light_texel,
    reference_light,
)
from previz.workshop.light.resample import enlarged_on
from previz.workshop.set import build_bridge
from previz.workshop.surface import Picture, Surface

# the bridge's light map is so many times coarser than where its light is told
_COARSER: Final = 2.5

# parts kept at once: about 10 MB each on a set of usual size
_KEPT: Final = 48

# a lamp's light does not change with these
_ASIDE: Final = {"name": "part", "lux": 1.0, "watts": None}


def _coarse_bridge(ready: ReadySet) -> Surface:
    """The bridge as it is lit, on a map so many times coarser than light is otherwise worked out on."""
    scene, built = ready.scene, ready.built
    surface = build_bridge(scene, built.wall, _COARSER * light_texel(built.bridge.surface)).surface
    if scene.bridge.image is not None or scene.bridge.paint == "bare":
        return surface
    wash = wash_colour(built.wall.reflectance)
    return replace(surface, reflectance=np.broadcast_to(wash, surface.reflectance.shape).copy())


@dataclass(frozen=True, eq=False)
class LightPart:
    """What one lux at its aim of a lamp gives: to the wall without the bridge, to the wall with it, to the bridge; each
    (h, w, 3), over the maps of :class:`BakedLight`."""

    clean: Picture
    wall: Picture
    bridge: Picture


class LightParts:
    """The light of one set's wall and bridge by parts, each baked when it is first asked for."""

    def __init__(self, ready: ReadySet, sight: SightLines) -> None:
        self._ready, self._sight = ready, sight
        self._light = ready.scene.light
        self._bridge = _coarse_bridge(ready)
        self._parts: dict[Lamp | None, LightPart] = {}
        # by whether a lamp without a face is among the lamps: its sharp shadow wants finer maps
        self._bases: dict[bool, WallBake] = {}
        self._casts: dict[bool, BridgeCast] = {}

    def part(self, lamp: Lamp) -> LightPart:
        """The part of a lamp, whatever it is called and however bright it is."""
        return self._part(lamp.model_copy(update=_ASIDE))

    @property
    def ambient(self) -> LightPart:
        """The part of the light from all over."""
        return self._part(None)

    def _part(self, lamp: Lamp | None) -> LightPart:
        if lamp not in self._parts:
            if len(self._parts) >= _KEPT:
                self._parts.pop(next(key for key in self._parts if key is not None))
            self._parts[lamp] = self._baked(lamp)
        return self._parts[lamp]

    def _baked(self, lamp: Lamp | None) -> LightPart:
        ambient = 0.0 if lamp is not None else 1.0
        light = self._light.model_copy(update={"ambient": ambient})
        scene = self._ready.scene
        lamps = () if lamp is None else (lamp,)
        lighting = Lighting(lamps, light, 1.0, scene.cards, scene.wall.gloss, scene.bridge.gloss)
        point = lamp is not None and lamp.is_point
        wall = bake_wall(self._ready.built.wall, lighting, self._sight, self._bases.get(point))
        if point not in self._bases:
            self._bases[point], self._casts[point] = wall, cast_bridge(wall, self._bridge, self._sight)
        baked = bake_bridge(wall, self._bridge, self._sight, None, self._casts[point])
        return LightPart(baked.clean, baked.wall, baked.bridge)

    def lit(self, lamps: Sequence[Lamp]) -> LitWall:
        """The wall in the light of lamps and of the scene's own ambient light, with the bridge's light."""
        scene = self._ready.scene.model_copy(update={"lamps": tuple(lamps)})
        lighting = lighting_of(scene)
        reference = reference_light(lamps, self._light)
        weighed = [(self.part(lamp), lamp.lux / reference) for lamp in lamps]
        if self._light.ambient > 0.0:
            weighed.append((self.ambient, self._light.ambient / reference))
        wall, bridge = self._ready.built.wall, self._bridge
        light = BakedLight(
            _sum(wall, [(part.clean, weight) for part, weight in weighed]),
            _sum(wall, [(part.wall, weight) for part, weight in weighed]),
            _sum(bridge, [(part.bridge, weight) for part, weight in weighed]),
            (),
            (),
            (),
        )
        return wall_in_light(lighting, wall, light, bridge)

    def ready(self, lamps: Sequence[Lamp]) -> ReadySet:
        """The set in the light of lamps, its bridge as it was painted."""
        scene = self._ready.scene.model_copy(update={"lamps": tuple(lamps)})
        return replace(self._ready, scene=scene, wall=self.lit(lamps))


def _sum(surface: Surface, weighed: Sequence[tuple[Picture, float]]) -> Picture:
    """Pictures over one surface's map, times their weights, as fine as the finest of them."""
    height = max(picture.shape[0] for picture, _ in weighed)
    width = max(picture.shape[1] for picture, _ in weighed)
    out = np.zeros((height, width, 3), dtype=np.float32)
    for picture, weight in weighed:
        fine = picture if picture.shape[:2] == (height, width) else enlarged_on(surface, picture, height, width)
        out += np.float32(weight) * fine
    return out
