"""What the lamps give away on a ready set, and what would mend it: shine, the bridge's shadow, a fill lamp."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from previz import colour
from previz.geometry import Array
from previz.judge.frame import JudgedFrame
from previz.judge.viewer import JND_COLOUR
from previz.look.sampling import bilinear
from previz.look.sight import SightLines
from previz.rig.fill import fill_words, find_fill
from previz.rig.highlight import highlights
from previz.rig.shadow import SHOWS, ShadowTell, shadow_of, shadow_tell, worst_of
from previz.rig.shadowstep import ShadowLight
from previz.scene.model import Lamp
from previz.scene.rig.exposure import LightLevel
from previz.scene.shape import bridge_shape
from previz.stage.prepare import BRIDGE, WALL, LightKeeper, Painter, ReadySet, lit_wall
from previz.workshop.light.bake import BakedLight, Lighting, levels_of, lit_emitters
from previz.workshop.light.resample import averaged_to, enlarged_on
from previz.workshop.relief import GridSurface, straight_on
from previz.workshop.surface import Picture, Pixels8, Surface
from previz.workshop.texels import texel_points

# what the bridge keeps off the wall besides lamps: light from all over, and what comes back from the set
_ALL_OVER = "the light from all over"


# a fill is asked for a step this much smaller than the one that the judge would let pass
_SAFE = 0.9

# judges frames, by their numbers, of a set as ``score`` does
JudgeSet = Callable[[ReadySet, Sequence[int]], Sequence[JudgedFrame]]


@dataclass(frozen=True, eq=False)
class LightFound:
    """``advice`` are plain sentences, ``tell`` what the judge finds of the bridge's shadow; ``level`` and
    ``reflectance`` (wall, bridge; 0 to 1) are what the exposure needs; ``shadow`` (h, w) uint8 shows what the bridge
    leaves of the wall's light: 255 for all of it."""

    advice: tuple[str, ...]
    tell: ShadowTell
    level: LightLevel
    reflectance: tuple[float, float]
    shadow: Pixels8 | None


def light_found(
    ready: ReadySet,
    sight: SightLines,
    judge: JudgeSet,
    say: Callable[[str], None],
    cache: LightKeeper | None = None,
) -> LightFound | None:
    """Look through a set's light; None where nothing lights it. ``sight`` casts against its wall and bridge.

    Whether the shadow shows, and whether a fill mends it, is what ``judge`` finds. ``cache`` keeps the light baked with
    a fill.
    """
    lighting = ready.wall.lighting
    if lighting.flat:
        return None
    scene, move = ready.scene, ready.move
    say("looking for highlights")
    surfaces = (ready.wall.shadowed, ready.bridge)
    advice = list(highlights(scene, move, surfaces, sight, lighting).sentences)
    say("judging the bridge's shadow")
    light = shadow_parts(ready.built.wall, ready.wall.light, lighting, sight)
    tell = shadow_tell(
        scene, move, ready.built.wall, light, sight, lambda frames: judge(ready, frames), (WALL, BRIDGE)
    )
    advice.append(tell.sentence)
    if tell.hold is not None and tell.hold.verdict == SHOWS:
        say("looking for a fill lamp")
        fill = find_fill(
            scene, move, ready.built.wall, light, lighting, sight, names=(WALL, BRIDGE), below=_passing(tell)
        )
        after = None
        if fill.lamp is not None:
            say("judging the set with the fill")
            held = [each.frame for each in tell.frames if scene.rail.hold[0] <= each.frame <= scene.rail.hold[1]]
            after = worst_of(shadow_of(each) for each in judge(with_lamp(ready, fill.lamp, sight, cache), held))
        advice.append(fill_words(fill, tell.hold, after))
    return LightFound(tuple(advice), tell, level_of(ready, sight), _reflectance(ready, sight), _shadow_picture(ready))


def _passing(tell: ShadowTell) -> float:
    """The step (dE*ab) that a fill has to bring a shadow's edge down to: what the judge would let pass where it found
    most, and never more than one just noticeable difference."""
    if tell.edge is None or tell.hold is None or tell.hold.stretch is None:
        return JND_COLOUR
    return min(JND_COLOUR, _SAFE * tell.edge.step / max(tell.hold.stretch.times_limit, 1.0))


def with_lamp(ready: ReadySet, lamp: Lamp, sight: SightLines, cache: LightKeeper | None = None) -> ReadySet:
    """The set with one lamp more, exposed for it; paint that continues the wall does so in the new light."""
    scene = ready.scene.model_copy(update={"lamps": (*ready.scene.lamps, lamp)})
    wall = lit_wall(scene, ready.built, sight, cache)
    bridge, out_of_range = Painter(ready.built, wall, sight).painted(scene, ready.station_point)
    return replace(ready, scene=scene, wall=wall, bridge=bridge, out_of_range=out_of_range)


def shadow_parts(wall: Surface, light: BakedLight, lighting: Lighting, sight: SightLines) -> ShadowLight:
    """What the bridge keeps off the wall, lamp by lamp, from the baked light; what no lamp's loss is comes last."""
    h, w = light.clean.shape[:2]
    texels = texel_points(wall, w, h)
    lost = []
    for emitter, free, past in zip(
        lit_emitters(lighting, sight), light.seen_clean, light.seen_wall, strict=True
    ):
        gone = (free.astype(np.float32) - past.astype(np.float32)) / np.float32(255.0)
        gone = averaged_to(gone, h, w) if gone.shape[0] > h else enlarged_on(wall, gone, h, w)
        lost.append(np.asarray(levels_of(texels, emitter) * gone[..., None], dtype=np.float32))
    rest = light.clean - light.wall - np.sum(lost, axis=0) if lost else light.clean - light.wall
    return ShadowLight(
        light.clean, (*lost, np.asarray(rest, dtype=np.float32)), (*lighting.emitters, _ALL_OVER)
    )


def level_of(ready: ReadySet, sight: SightLines) -> LightLevel:
    """Lux that arrive at the wall behind the bridge's middle and on the bridge's top there, from the baked light."""
    light, reference = ready.wall.light, ready.wall.lighting.reference
    at_wall, at_bridge = looked_at(ready, sight)
    return LightLevel(
        wall=reference * mean_around(light.clean, at_wall), bridge=reference * mean_around(light.bridge, at_bridge)
    )


def _reflectance(ready: ReadySet, sight: SightLines) -> tuple[float, float]:
    """Mean reflectance of the wall and the bridge as seen: what they send, by the light that they get."""
    light = ready.wall.light
    at_wall, at_bridge = looked_at(ready, sight)
    wall = mean_around(ready.built.wall.reflectance, at_wall)
    sent = mean_around(colour.decoded8(ready.bridge.code), _bridge_uv(ready, sight))
    return wall, sent / max(mean_around(light.bridge, at_bridge), 1e-6)


def looked_at(ready: ReadySet, sight: SightLines) -> tuple[Array, Array]:
    """Places (u, v) on the wall's map and on the bridge's light map: the bridge's middle and what lies behind it."""
    eye, middle = ready.station_point, bridge_shape(ready.scene).centre
    way = middle - eye
    behind = sight.first_hits(eye[None], way[None], names=[WALL])
    wall = behind.uv[0] if np.isfinite(behind.distance[0]) else np.array([0.5, 0.5])
    own = SightLines([ready.wall.bridge_map]).first_hits(eye[None], way[None])
    return wall, own.uv[0]


def _bridge_uv(ready: ReadySet, sight: SightLines) -> Array:
    eye = ready.station_point
    return np.asarray(sight.first_hits(eye[None], (bridge_shape(ready.scene).centre - eye)[None], names=[BRIDGE]).uv[0])


def _shadow_picture(ready: ReadySet) -> Pixels8 | None:
    if not ready.wall.shadows:
        return None
    share = np.clip(ready.wall.light.shadow @ colour.XYZ_FROM_RGB[1], 0.0, 1.0)
    if isinstance(ready.built.wall, GridSurface):
        share = straight_on(share, ready.built.wall.field)
    return np.asarray(np.rint(255.0 * share), dtype=np.uint8)


# share of a map's width around a place over which it is averaged
_NEAR = 0.02


def mean_around(picture: Picture, uv: Array) -> float:
    """Mean luminance of a picture (h, w, 3) around a place (u, v)."""
    step = np.linspace(-_NEAR, _NEAR, 9)
    places = np.clip(uv + np.stack(np.meshgrid(step, step), axis=-1).reshape(-1, 2), 0.0, 1.0)
    values = bilinear(np.ascontiguousarray(picture), places)
    return float((values @ colour.XYZ_FROM_RGB[1]).mean())
