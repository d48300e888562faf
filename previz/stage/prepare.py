"""From a scene to a set that is lit, painted and ready to be looked at."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.camera import OrthoCamera
from previz.geometry import Array, rigid
from previz.look.sight import SightLines
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.scene.shape import bridge_shape
from previz.stage.projected import facing, hidden_wall, painted, wash_colour
from previz.workshop.carry import carried
from previz.workshop.compiled import in_parts
from previz.workshop.light.bake import (
    BakedLight,
    BridgeCast,
    Lighting,
    WallBake,
    bake_bridge,
    bake_wall,
    flat_light,
    light_texel,
    reference_light,
)
from previz.workshop.light.resample import enlarged_on
from previz.workshop.set import BuiltSet, PictureKeeper, build_bridge, build_set
from previz.workshop.surface import LitSurface, Picture, Pixels8, Surface
from previz.workshop.texels import texel_points

# names under which surfaces are drawn
WALL = "wall"
CLEAN_WALL = "clean wall"
BRIDGE = "bridge"

# what the lens sees with the bridge in place, and without it and its shadow
WITH_BRIDGE = (WALL, BRIDGE)
CLEAN = (CLEAN_WALL,)

# the bridge as it would be seen if it threw no shadow on the wall
WITHOUT_SHADOW = (CLEAN_WALL, BRIDGE)

# a bridge that comes out of the wall by less (m) is looked at from no nearer than one of this length
_LEAST_REACH = 0.1

# rows of a wall's picture that are lit at once
_ROWS = 64

# pixels of the wall looked at to learn what is ordinary on it: a delivered frame's worth and a half
_LARGEST_WALL_PICTURE = 3_000_000


class LightKeeper(PictureKeeper, Protocol):
    """Keeps baked light and walls' pictures from one run to the next, by what they were made from."""

    def find(self, wall: Surface, bridge: Surface, lighting: Lighting, continues: bool) -> BakedLight | None:
        """The light of a wall and a bridge kept earlier, None where there is none.

        ``continues`` says whether the bridge's paint continues the wall, and so depends on the light.
        """

    def keep(self, wall: Surface, bridge: Surface, lighting: Lighting, continues: bool, light: BakedLight) -> None:
        """Keep it."""


@dataclass(frozen=True)
class Rectangle:
    """A part of the wall's datum plane, m."""

    left: float
    bottom: float
    right: float
    top: float


@dataclass(frozen=True, eq=False)
class LitWall:
    """The wall in its light, before any bridge is painted: what candidates of one set have in common.

    ``light`` is all of the set's light. The bridge's lies over the map of ``bridge_map``, the bridge as it is lit.
    """

    lighting: Lighting
    clean: LitSurface
    shadowed: LitSurface
    light: BakedLight
    bridge_map: Surface

    @property
    def shadows(self) -> bool:
        """Whether the bridge throws a shadow on the wall at all."""
        return self.shadowed.code is not self.clean.code


@dataclass(frozen=True, eq=False)
class ReadySet:
    """A set ready to be looked at. ``station_point`` (3,) m is where the paint lines up.

    ``out_of_range`` is the share of the paint that the light asks to be darker or brighter than paint can be.
    """

    scene: Scene
    built: BuiltSet
    wall: LitWall
    bridge: LitSurface
    station_point: Array
    wall_in_view: Rectangle
    out_of_range: float

    @property
    def lit(self) -> tuple[LitSurface, ...]:
        """Everything that can be drawn."""
        return (self.wall.shadowed, self.wall.clean, self.bridge)

    @property
    def move(self) -> Move:
        """The camera's move."""
        return move_of(self.scene)


def sight_of(built: BuiltSet) -> SightLines:
    """Sight lines against the built wall and bridge."""
    return SightLines([replace(built.wall, name=WALL), replace(built.bridge.surface, name=BRIDGE)])


def lighting_of(scene: Scene) -> Lighting:
    """Everything that lights a scene's set."""
    return Lighting(
        scene.lamps, scene.light, reference_light(scene.lamps, scene.light), scene.cards, scene.wall.gloss,
        scene.bridge.gloss,
    )  # fmt: skip


def bridge_as_lit(scene: Scene, built: BuiltSet) -> Surface:
    """The built bridge on the map that its light is worked out on, in the colour in which it lights the wall.

    Paint that continues the wall depends on the light itself: the wall's mean colour stands for it until
    :func:`bridge_baked` knows that light.
    """
    surface = build_bridge(scene, built.wall, light_texel(built.bridge.surface)).surface
    if scene.bridge.image is not None or scene.bridge.paint == "bare":
        return surface
    wash = wash_colour(built.wall.reflectance)
    return replace(surface, reflectance=np.broadcast_to(wash, surface.reflectance.shape).copy())


def bridge_baked(
    scene: Scene,
    base: WallBake,
    clean: LitSurface,
    bridge: Surface,
    sight: SightLines,
    before: BridgeCast | None = None,
) -> BakedLight:
    """The light on a baked wall and on a scene's bridge before it, which throws it on in the paint that it carries.

    ``clean`` is the wall without the bridge, ``bridge`` the bridge as it is lit. Paint that continues the wall does so
    here as seen from :func:`typical_station_point`: from where the scene's own camera stands the light on the wall is
    at most 0.6 L* another on the demonstration sets, and a moved camera does not ask for light baked anew.
    ``before`` is what rays found of the same bridge in other light.
    """
    if not continues_wall(scene) or not base.lighting.light.bounce:
        return bake_bridge(base, bridge, sight, None, before)
    paint = continuing_paint(base.map.surface, clean.code, bridge, sight, typical_station_point(bridge))
    return bake_bridge(base, bridge, sight, paint, before)


def continuing_paint(
    wall: Surface, code: Pixels8, bridge: Surface, sight: SightLines, station_point: Array
) -> Callable[[Picture], Picture]:
    """What makes the paint (h, w, 3) of a bridge, as it is lit, of the light (h, w, 3) that it gets: paint that
    continues a wall, seen in its light as ``code``, from a station point (3,) m."""
    height, width = bridge.reflectance.shape[:2]
    target, wanted = hidden_wall(texel_points(bridge, width, height), station_point, sight, WALL, code)
    fallback = wash_colour(wall.reflectance)
    return lambda light: painted(target, wanted, light, fallback).reflectance


def typical_station_point(bridge: Surface) -> Array:
    """Where a lens stands (3,) m before a bridge, whatever camera a scene has: twice as far from the wall as the bridge
    is long, 14 degrees above its top at the wall."""
    low, high = bridge.vertices.min(axis=0), bridge.vertices.max(axis=0)
    away = 2.0 * max(float(high[2]), _LEAST_REACH)
    return np.array([0.5 * (low[0] + high[0]), high[1] + 0.25 * away, away])


def lit_wall(
    scene: Scene,
    built: BuiltSet,
    sight: SightLines,
    cache: LightKeeper | None = None,
    say: Callable[[str], None] | None = None,
) -> LitWall:
    """The wall lit with and without the bridge, and the bridge's light.

    Light baked before is taken from ``cache`` and kept there. ``say`` is told what takes long.
    """
    lighting, bridge = lighting_of(scene), bridge_as_lit(scene, built)
    if lighting.flat:
        light = flat_light(lighting)
        code = _code(built.wall, light.clean)
        return LitWall(
            lighting, LitSurface(CLEAN_WALL, built.wall, code), LitSurface(WALL, built.wall, code), light, bridge
        )
    continues = continues_wall(scene)
    found = None if cache is None else cache.find(built.wall, bridge, lighting, continues)
    clean = None
    if found is None:
        if say is not None:
            say("baking the light")
        base = bake_wall(built.wall, lighting, sight)
        clean = LitSurface(CLEAN_WALL, built.wall, _code(built.wall, base.clean))
        found = bridge_baked(scene, base, clean, bridge, sight)
        if cache is not None:
            cache.keep(built.wall, bridge, lighting, continues, found)
    return wall_in_light(lighting, built.wall, found, bridge, clean)


def wall_in_light(
    lighting: Lighting, wall: Surface, light: BakedLight, bridge: Surface, clean: LitSurface | None = None
) -> LitWall:
    """The wall as baked light shows it; ``clean`` is the wall without the bridge where it is known already."""
    if clean is None:
        clean = LitSurface(CLEAN_WALL, wall, _code(wall, light.clean))
    return LitWall(lighting, clean, LitSurface(WALL, wall, _code(wall, light.wall)), light, bridge)


def lit_for(wall: LitWall, scene: Scene, built: BuiltSet, sight: SightLines, bake: Callable[[], WallBake]) -> LitWall:
    """A lit wall with the bridge of ``built`` instead of its own; ``bake`` gives its light where it is needed."""
    bridge = bridge_as_lit(scene, built)
    if wall.lighting.flat:
        return replace(wall, bridge_map=bridge)
    light = bridge_baked(scene, bake(), wall.clean, bridge, sight)
    return wall_in_light(wall.lighting, built.wall, light, bridge, wall.clean)


def relit(scene: Scene, built: BuiltSet, sight: SightLines, base: WallBake, before: BridgeCast | None) -> LitWall:
    """A built set in the light that its wall was baked in; ``before`` is what rays found of the same bridge in other
    light."""
    bridge = bridge_as_lit(scene, built)
    clean = LitSurface(CLEAN_WALL, built.wall, _code(built.wall, base.clean))
    light = bridge_baked(scene, base, clean, bridge, sight, before)
    return wall_in_light(base.lighting, built.wall, light, bridge, clean)


def _code(surface: Surface, light: Picture) -> NDArray[np.uint8]:
    reflectance = surface.reflectance
    h, w = reflectance.shape[:2]
    code = np.empty((h, w, 3), dtype=np.uint8)
    bright = enlarged_on(surface, light, h, w)

    def part(rows: slice) -> None:
        code[rows] = colour.encoded8(reflectance[rows] * bright[rows])

    in_parts(part, h, _ROWS)
    return code


def continues_wall(scene: Scene) -> bool:
    """Whether the bridge's paint is made to continue the wall behind it, and so can slip."""
    return scene.bridge.image is None and scene.bridge.paint in ("projected", "solved")


class Painter:
    """Paints and lights the bridge of one built set for any station point.

    What does not depend on the station point (where the texels lie, the light on them) is worked out once.
    ``fallback`` (3,) is the wall's mean colour where that is known already.
    """

    def __init__(
        self, built: BuiltSet, wall: LitWall, sight: SightLines | None = None, fallback: Picture | None = None
    ) -> None:
        surface = built.bridge.surface
        h, w = surface.reflectance.shape[:2]
        self._surface = surface
        self._wall = wall
        self.fallback = wash_colour(built.wall.reflectance) if fallback is None else fallback
        self.texels = texel_points(surface, w, h)
        self._sight = sight_of(built) if sight is None else sight
        if wall.lighting.flat:
            self.light: Picture = np.ones((h, w, 3), dtype=np.float32)
        else:
            self.light = carried(wall.light.bridge, wall.bridge_map, surface, w, h)

    def painted(self, scene: Scene, station_point: Array) -> tuple[LitSurface, float]:
        """The bridge painted as the scene says, and the share of its paint that is out of paint's range."""
        paint = scene.bridge.paint
        if scene.bridge.image is not None or paint == "bare":
            return self._lit(self._surface.reflectance * self.light), 0.0
        if paint == "wash":
            return self._lit(self.fallback * self.light), 0.0
        target, wanted = hidden_wall(self.texels, station_point, self._sight, WALL, self._wall.clean.code)
        result = painted(target, wanted, self.light, self.fallback, facing(self.texels, station_point))
        return self._lit(result.radiance), result.out_of_range

    def _lit(self, radiance: Picture) -> LitSurface:
        return LitSurface(BRIDGE, self._surface, colour.encoded8(radiance))


def bridge_texel(scene: Scene, move: Move, width_px: int | None = None) -> float:
    """Texel size (m) for the bridge: finer than a pixel of a frame ``width_px`` wide at its near end."""
    camera = move.camera(move.station_frame, width_px)
    near_end = bridge_shape(scene).near_corners[1]
    return max(float(camera.depth(near_end)), 0.02) / camera.focal_px / 1.5


def prepare(
    scene: Scene,
    width_px: int | None = None,
    cache: LightKeeper | None = None,
    say: Callable[[str], None] | None = None,
    before: ReadySet | None = None,
    texel: float | None = None,
) -> ReadySet:
    """Build, light and paint a scene's set, fine enough for frames ``width_px`` wide (delivered ones unless given).

    ``cache`` keeps the wall's picture and baked light and finds them again; ``say`` is told what takes long. ``before``
    is a set made ready in this way: where it is the same one seen by another camera, its wall and its light are taken
    over. ``texel`` (m) is the bridge's where the camera is not to say it.
    """
    move = move_of(scene)
    texel = bridge_texel(scene, move, width_px) if texel is None else texel
    station_point = np.asarray(move.camera(move.station_frame).position)
    if before is not None and same_set(before.scene, scene):
        old = before.built
        build = build_bridge(scene, old.wall, texel)
        said = old.cautions[: len(old.cautions) - len(old.bridge.cautions)]
        built = BuiltSet(old.wall, build, (*said, *build.cautions))
        sight, wall = sight_of(built), before.wall
    else:
        built = build_set(scene, texel, cache)
        sight = sight_of(built)
        wall = lit_wall(scene, built, sight, cache, say)
    bridge, out_of_range = Painter(built, wall, sight).painted(scene, station_point)
    return ReadySet(scene, built, wall, bridge, station_point, wall_in_view(move, built.wall), out_of_range)


def same_set(one: Scene, other: Scene) -> bool:
    """Whether two scenes have the same set in the same light, whatever their cameras see of it."""
    return all(
        getattr(one, name) == getattr(other, name)
        for name in ("wall", "bridge", "lamps", "cards", "light", "scale", "folder")
    )


def wall_in_view(move: Move, wall: Surface) -> Rectangle:
    """The part of the wall's datum plane that the lens sees during the move: what a viewer compares with."""
    lowest, highest = wall.vertices[:, :2].min(axis=0), wall.vertices[:, :2].max(axis=0)
    corners = []
    for frame in {move.frames[0], move.station_frame, move.frames[-1]}:
        camera = move.camera(frame)
        w, h = camera.width_px, camera.height_px
        origins, directions = camera.rays(np.array([[0, 0], [w, 0], [0, h], [w, h]], dtype=np.float64))
        # a sight line that never meets the plane leaves the whole wall in view on its side
        reach = np.where(directions[:, 2] < -1e-3, -origins[:, 2] / np.minimum(directions[:, 2], -1e-3), 1e3)
        corners.append((origins + reach[:, None] * directions)[:, :2])
    seen = np.concatenate(corners)
    # keep off the wall's own edges, where a look square on would pass by them
    inset = 0.02 * (highest - lowest)
    low = np.clip(seen.min(axis=0), lowest + inset, highest - inset)
    high = np.clip(seen.max(axis=0), lowest + inset, highest - inset)
    return Rectangle(float(low[0]), float(low[1]), float(high[0]), float(high[1]))


def square_on(part: Rectangle, px_per_m: float) -> OrthoCamera:
    """A parallel view of a part of the wall, along -Z, at a number of pixels to the metre.

    Where that would be more than ``_LARGEST_WALL_PICTURE`` pixels it shows as much around the part's middle.
    """
    centre = [0.5 * (part.left + part.right), 0.5 * (part.bottom + part.top), 10.0]
    wide, high = (part.right - part.left) * px_per_m, (part.top - part.bottom) * px_per_m
    keep = min(1.0, float(np.sqrt(_LARGEST_WALL_PICTURE / (wide * high))))
    return OrthoCamera(
        world_from_cam=rigid(np.eye(3), centre),
        px_per_m=px_per_m,
        width_px=max(round(wide * keep), 1),
        height_px=max(round(high * keep), 1),
    )
