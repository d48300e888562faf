"""Irradiance baked into maps: the light that reaches every texel of the wall and of the bridge, and from where.

Lamps, spots and bounce cards with soft shadows, light from everywhere past what stands around, and what wall and bridge
throw on each other and on themselves, to and fro until it settles. The wall is baked twice, without the bridge and with
it, so that the bridge's shadow is a picture of its own. All light is a share of what a white card needs to come out as
white. The caller brings the ray caster.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.scene.model import Card, Gloss, Lamp, Light
from previz.workshop.light.coat import let_into
from previz.workshop.light.gather import (
    Gathered,
    Lattice,
    Target,
    also_met,
    coated,
    from_around,
    gathered,
    lattice_of,
    open_at,
)
from previz.workshop.light.lamps import (
    Emitter,
    before_the_sky,
    card_emitter,
    emitter_of,
    facing_frame,
    unshadowed,
)
from previz.workshop.light.rays import Caster, Single, card_frames
from previz.workshop.light.resample import averaged_to, enlarged, enlarged_on
from previz.workshop.light.shadows import Box, SeenPoints, also_past, box_of, seen_points, share_seen
from previz.workshop.surface import Picture, Surface
from previz.workshop.texels import TexelMap, texel_points

# names by which the caster knows the surfaces
WALL, BRIDGE = "wall", "bridge"

# longest side of the wall's map on which light is worked out: as fine as the relief's triangles
_SHADING_PX = 896

# texels, at most, of the map on which the sharp shadow of a lamp without a face is drawn
_SHARP_TEXELS = 3_000_000

# texels between two points that gather light, across and down: on the wall's map, and on the bridge's finer one
_WALL_STEP, _BRIDGE_STEP = 2, 3

# what surfaces throw on is thrown on again until it changes by less than this share of the reference on the mean, so
# often at most. In the open most of it goes away, and each round changes a tenth to a thirtieth of what the one before
# it did: two or three do. Inside a closed white box eight leave an eighth out.
_SETTLED, _MOST_ROUNDS = 0.002, 8

# parts of a bounce card's face, across and down
_PARTS = 8

# texels, about, of the bridge's own light map, and their least size (m)
_BRIDGE_TEXELS = 350_000
_LEAST_TEXEL = 0.0008

Share8 = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Lighting:
    """Everything that lights the set. ``reference`` lux is what a white card needs to come out as white. How the wall
    and the bridge are painted decides what they mirror on to one another."""

    lamps: tuple[Lamp, ...]
    light: Light
    reference: float
    cards: tuple[Card, ...] = ()
    wall_gloss: Gloss = "matt"
    bridge_gloss: Gloss = "matt"

    @property
    def flat(self) -> bool:
        """True where nothing is lit and every surface is shown in its own colour."""
        return not self.lamps and self.light.ambient == 0.0

    @property
    def bounce_cards(self) -> tuple[Card, ...]:
        """The cards that send light back."""
        return tuple(card for card in self.cards if card.kind == "bounce")

    @property
    def emitters(self) -> tuple[str, ...]:
        """Names of all that sends light: the lamps, then the bounce cards."""
        return tuple(lamp.name for lamp in self.lamps) + tuple(card.name for card in self.bounce_cards)


@dataclass(frozen=True, eq=False)
class BakedLight:
    """The set's light, shares of ``Lighting.reference``, tinted by lamps and white balance, (h, w, 3) float32 each.

    ``clean`` is the wall's without the bridge, ``wall`` the wall's with it, ``bridge`` the bridge's, over the bridge's
    own light map (:func:`light_texel`). ``seen_*`` hold for each of ``Lighting.emitters`` the share of its light, 0 to
    255 for 0 to 1, that arrives past all that stands in the way, (h, w) uint8 over the same maps; those of a lamp
    without a face are finer.
    """

    clean: Picture
    wall: Picture
    bridge: Picture
    seen_clean: tuple[Share8, ...]
    seen_wall: tuple[Share8, ...]
    seen_bridge: tuple[Share8, ...]

    @property
    def shadow(self) -> Picture:
        """What the bridge leaves of the wall's light (h, w, 3): 1 where it takes nothing, less in its shadow."""
        return np.asarray(self.wall / np.maximum(self.clean, 1e-6), dtype=np.float32)


def reference_light(lamps: Sequence[Lamp], light: Light) -> float:
    """Lux that the wall gets, face on, where the lamps are aimed: what the exposure is set for."""
    return float(sum(lamp.lux for lamp in lamps) + light.ambient)


def light_texel(surface: Surface) -> float:
    """Texel size (m) of the map on which a bridge's light is worked out; it depends on the bridge alone."""
    corners = surface.vertices[surface.faces]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = 0.5 * float(np.linalg.norm(across, axis=1).sum())
    return max(_LEAST_TEXEL, float(np.sqrt(area / _BRIDGE_TEXELS)))


@dataclass(frozen=True, eq=False)
class _Map:
    """One surface as it is lit: where its texels are, and where they are on the finer map that sharp shadows need."""

    surface: Surface
    texels: TexelMap
    sharp: TexelMap | None
    colour: Picture

    @property
    def size_px(self) -> tuple[int, int]:
        height, width = self.texels.valid.shape
        return width, height


@dataclass(frozen=True, eq=False)
class WallBake:
    """All about a wall's light that no bridge changes, kept so that bridge after bridge can be put before it."""

    lighting: Lighting
    map: _Map
    emitters: tuple[Emitter, ...]
    seen: tuple[SeenPoints, ...]
    shares: tuple[Single, ...]
    levels: tuple[Picture, ...]
    found: Gathered | None
    sent: Picture | None
    clean: Picture


def bake_wall(wall: Surface, lighting: Lighting, caster: Caster, before: WallBake | None = None) -> WallBake:
    """The wall's light without a bridge. The lighting must not be flat.

    ``before`` is the same wall in other light: what has not moved casts no rays again, and the answer is the same.
    """
    height, width = wall.reflectance.shape[:2]
    if before is not None and not _same_set(lighting, before.lighting):
        before = None
    if before is not None and _has_points(lighting) == _has_points(before.lighting):
        made = before.map
    else:
        made = _map_of(wall, *_at_most(width, height, _SHADING_PX), lighting)
    cards = card_frames(lighting.cards)
    emitters = _emitters(lighting, caster, (WALL,), None)
    known = () if before is None or made is not before.map else before.seen[: len(before.lighting.lamps)]
    seen = tuple(
        _seen_before(known, e) or seen_points(_texels_for(e, made), e, caster, (WALL,), cards) for e in emitters
    )
    shares = tuple(share_seen(s) for s in seen)
    levels = tuple(levels_of(made.texels, e) for e in emitters)
    direct = _direct(made, levels, shares)
    found = None
    if before is not None and before.found is not None and _gathers(lighting):
        found = before.found
    elif _gathers(lighting):
        target = Target(WALL, wall, made.texels, lighting.wall_gloss)
        found = coated(gathered(_lattice(made, _WALL_STEP), caster, target, 0, cards), caster, [target], cards)
    clean, sent = direct, None
    if found is not None:
        (sent,) = _all_sent(lighting, [(direct, found, made)])
        clean = _sum(made, direct, from_around(found, _ambient(lighting), (sent, sent), made.texels))
    return WallBake(lighting, made, emitters, seen, shares, levels, found, sent, clean)


def _same_set(one: Lighting, other: Lighting) -> bool:
    """Whether cards stand alike, so that they keep off the same light, and coats are the same."""
    if (one.wall_gloss, one.bridge_gloss) != (other.wall_gloss, other.bridge_gloss):
        return False
    return [(c.kind, c.position, c.aim, c.size) for c in one.cards] == [
        (c.kind, c.position, c.aim, c.size) for c in other.cards
    ]


def _has_points(lighting: Lighting) -> bool:
    return any(lamp.is_point for lamp in lighting.lamps)


def _seen_before(known: Sequence[SeenPoints], emitter: Emitter) -> SeenPoints | None:
    """What was cast for a lamp that stands there and is as large, as this ``emitter`` sends its light; None if none."""
    if emitter.level is not None:
        return None
    for seen in known:
        other = seen.emitter
        same = other.size == emitter.size and other.is_disc == emitter.is_disc and other.beam == emitter.beam
        if same and np.array_equal(other.frame, emitter.frame):
            return replace(seen, emitter=emitter)
    return None


@dataclass(frozen=True, eq=False)
class BridgeCast:
    """What rays found of a bridge before a baked wall, kept so that other light can fall on the same bridge."""

    lighting: Lighting
    map: _Map
    emitters: tuple[Emitter, ...]
    seen_wall: tuple[SeenPoints, ...]
    seen_bridge: tuple[SeenPoints, ...]
    from_wall: Gathered | None
    from_bridge: Gathered | None


def cast_bridge(base: WallBake, bridge: Surface, caster: Caster, before: BridgeCast | None = None) -> BridgeCast:
    """Cast the rays of a bridge's light. ``before`` is the same bridge before the same wall in other light."""
    lighting, wall = base.lighting, base.map
    height, width = bridge.reflectance.shape[:2]
    if before is not None and not (
        _same_set(lighting, before.lighting) and _has_points(lighting) == _has_points(before.lighting)
    ):
        before = None
    made = _map_of(bridge, width, height, lighting) if before is None else before.map
    box = box_of(bridge.vertices)
    cards = card_frames(lighting.cards)
    emitters = _emitters(lighting, caster, (WALL, BRIDGE), box)
    lamps = 0 if before is None else len(before.lighting.lamps)
    known_wall = () if before is None else before.seen_wall[:lamps]
    known_bridge = () if before is None else before.seen_bridge[:lamps]
    seen_wall = tuple(_seen_before(known_wall, s.emitter) or also_past(s, caster, BRIDGE, box) for s in base.seen)
    seen_bridge = tuple(
        _seen_before(known_bridge, e) or seen_points(_texels_for(e, made), e, caster, (WALL, BRIDGE), cards, box)
        for e in emitters
    )
    from_wall = from_bridge = None
    if base.found is not None and before is not None and before.from_wall is not None:
        from_wall, from_bridge = before.from_wall, before.from_bridge
    elif base.found is not None:
        targets = (
            Target(WALL, wall.surface, wall.texels, lighting.wall_gloss),
            Target(BRIDGE, bridge, made.texels, lighting.bridge_gloss),
        )
        from_wall = coated(also_met(base.found, caster, targets[1], 1, box), caster, targets, cards)
        from_bridge = gathered(_lattice(made, _BRIDGE_STEP), caster, targets[0], 0, cards)
        from_bridge = coated(also_met(from_bridge, caster, targets[1], 1, box), caster, targets, cards)
    return BridgeCast(lighting, made, emitters, seen_wall, seen_bridge, from_wall, from_bridge)


def bake_bridge(
    base: WallBake,
    bridge: Surface,
    caster: Caster,
    paint: Callable[[Picture], Picture] | None = None,
    before: BridgeCast | None = None,
) -> BakedLight:
    """The light on a baked wall and on a bridge before it. ``bridge.reflectance`` is what it throws on the wall.

    Where that depends on the light itself, ``paint`` makes it, (h, w, 3), of the light (h, w, 3) on the bridge's map.
    It is asked once, with what the bridge throws on itself still in ``bridge.reflectance``. ``before`` is as for
    :func:`cast_bridge`.
    """
    lighting, wall = base.lighting, base.map
    height, width = bridge.reflectance.shape[:2]
    cast = cast_bridge(base, bridge, caster, before)
    made, emitters = cast.map, cast.emitters
    shares_wall = tuple(share_seen(s) for s in cast.seen_wall)
    shares_bridge = tuple(share_seen(s) for s in cast.seen_bridge)
    # what lamps give does not change; what a card gives does, since the bridge may stand in its light
    lamps = len(lighting.lamps)
    levels = base.levels[:lamps] + tuple(levels_of(wall.texels, e) for e in emitters[lamps:])
    on_wall = _direct(wall, levels, shares_wall)
    on_bridge = _direct(made, [levels_of(made.texels, e) for e in emitters], shares_bridge)
    from_wall, from_bridge = cast.from_wall, cast.from_bridge
    if from_wall is not None and from_bridge is not None and base.sent is not None:
        lit = [(on_wall, from_wall, wall), (on_bridge, from_bridge, made)]
        # the wall sends about what it did before the bridge came
        first, second = _all_sent(lighting, lit, (base.sent, np.zeros(made.texels.points.shape, np.float32)))
        around = from_around(from_bridge, _ambient(lighting), (first, second), made.texels)
        if paint is not None and lighting.light.bounce:
            own = replace(made, colour=paint(averaged_to(_sum(made, on_bridge, around), height, width)))
            lit = [(on_wall, from_wall, wall), (on_bridge, from_bridge, own)]
            first, second = _all_sent(lighting, lit, (first, second))
            around = from_around(from_bridge, _ambient(lighting), (first, second), made.texels)
        on_wall = _sum(wall, on_wall, from_around(from_wall, _ambient(lighting), (first, second), wall.texels))
        on_bridge = _sum(made, on_bridge, around)
    return BakedLight(
        base.clean, on_wall, on_bridge, _share8(base.shares), _share8(shares_wall), _share8(shares_bridge)
    )


def flat_light(lighting: Lighting) -> BakedLight:
    """The light of a set that nothing lights: one, everywhere."""
    if not lighting.flat:
        raise ValueError("the set is lit")
    one = np.ones((1, 1, 3), dtype=np.float32)
    return BakedLight(one, one, one, (), (), ())


def _gathers(lighting: Lighting) -> bool:
    return lighting.light.ambient > 0.0 or lighting.light.bounce


def _map_of(surface: Surface, width: int, height: int, lighting: Lighting) -> _Map:
    sharp = None
    if any(lamp.is_point for lamp in lighting.lamps):
        full_height, full_width = surface.reflectance.shape[:2]
        k = min(1.0, float(np.sqrt(_SHARP_TEXELS / (full_width * full_height))))
        size = max(round(full_width * k), 1), max(round(full_height * k), 1)
        if size != (width, height):
            sharp = texel_points(surface, *size)
    return _Map(surface, texel_points(surface, width, height), sharp, averaged_to(surface.reflectance, height, width))


def _texels_for(emitter: Emitter, made: _Map) -> TexelMap:
    return made.sharp if emitter.is_point and made.sharp is not None else made.texels


def _lattice(made: _Map, step: int) -> Lattice:
    width, height = made.size_px
    return lattice_of(made.surface, max(width // step, 1), max(height // step, 1))


def lit_emitters(lighting: Lighting, caster: Caster) -> tuple[Emitter, ...]:
    """All that sends light onto the finished set, in the order of ``Lighting.emitters``."""
    return _emitters(lighting, caster, (WALL, BRIDGE), None)


def _emitters(lighting: Lighting, caster: Caster, names: tuple[str, ...], box: Box | None) -> tuple[Emitter, ...]:
    """Lamps, and bounce cards lit by the lamps and from everywhere past the named surfaces and the other cards."""
    lamps = tuple(
        before_the_sky(emitter_of(lamp, lighting.light, lighting.reference), _ambient(lighting))
        for lamp in lighting.lamps
    )
    cards = card_frames(lighting.cards)
    return lamps + tuple(_lit_card(c, lighting, lamps, cards, caster, names, box) for c in lighting.bounce_cards)


def _lit_card(
    card: Card, lighting: Lighting, lamps: tuple[Emitter, ...], cards: Picture, caster: Caster, names: tuple[str, ...],
    box: Box | None,
) -> Emitter:  # fmt: skip
    centre, side, up, ahead = facing_frame(card.position, card.aim)
    part = (np.arange(_PARTS) + 0.5) / _PARTS - 0.5
    points = (
        centre + (part * card.size[0])[None, :, None] * side - (part * card.size[1])[:, None, None] * up
    ).astype(np.float32)
    normals = np.broadcast_to(ahead.astype(np.float32), points.shape).copy()
    texels = TexelMap(points, normals, np.ones(points.shape[:2], dtype=bool))
    light = np.zeros(points.shape, dtype=np.float32)
    for lamp in lamps:
        share = share_seen(seen_points(texels, lamp, caster, names, cards, box if len(names) > 1 else None))
        light += levels_of(texels, lamp) * share[..., None]
    if lighting.light.ambient > 0.0:
        open_sky = open_at(points.reshape(-1, 3), normals.reshape(-1, 3), caster, names, cards)
        light += open_sky.reshape(_PARTS, _PARTS, 1) * np.float32(lighting.light.ambient / lighting.reference)
    return card_emitter(card, (light * colour.hex_linear(card.colour)).astype(np.float32))


def _direct(made: _Map, levels: Sequence[Picture], shares: Sequence[Single]) -> Picture:
    """What arrives straight from lamps and cards: their unshadowed levels times the shares that are seen of them."""
    height = max((share.shape[0] for share in shares), default=made.size_px[1])
    width = max((share.shape[1] for share in shares), default=made.size_px[0])
    out = np.zeros((height, width, 3), dtype=np.float32)
    for level, share in zip(levels, shares, strict=True):
        if level.shape[:2] == share.shape:
            out += enlarged_on(made.surface, level * share[..., None], height, width)
        else:
            out += enlarged_on(made.surface, level, height, width) * share[..., None]
    return out


def levels_of(texels: TexelMap, emitter: Emitter) -> Picture:
    """What arrives of an emitter at the texels of a map, (h, w, 3), nothing in the way."""
    out = np.zeros(texels.points.shape, dtype=np.float32)
    out[texels.valid] = unshadowed(emitter, texels.points[texels.valid], texels.normals[texels.valid])
    return out


def _ambient(lighting: Lighting) -> float:
    """Light from everywhere in the open, as a share of the reference."""
    return lighting.light.ambient / lighting.reference


def _all_sent(
    lighting: Lighting, lit: Sequence[tuple[Picture, Gathered, _Map]], known: Sequence[Picture] | None = None
) -> list[Picture]:
    """What the texels of each surface's map send back of all light that reaches them: straight, from everywhere, and
    what they throw on one another, round after round (radiosity by Jacobi's iteration: Goral et al., SIGGRAPH 1984).

    The surfaces stand in the order of their numbers; ``known`` is where to begin, nothing sent if not given.
    """
    if not lighting.light.bounce:
        return [np.zeros((1, 1, 3), dtype=np.float32) for _ in lit]
    straight = [averaged_to(direct, *made.size_px[::-1]) for direct, _, made in lit]
    nothing = [np.zeros((1, 1, 3), dtype=np.float32) for _ in lit]
    sent = nothing if known is None else list(known)
    coats = [let_into(kind) for kind in (lighting.wall_gloss, lighting.bridge_gloss)[: len(lit)]]
    for turn in range(_MOST_ROUNDS):
        after = []
        for light, (_, found, made), coat in zip(straight, lit, coats, strict=True):
            if turn > 0 or known is not None or lighting.light.ambient > 0.0:
                # as fine as the rays' own lattice: what is sent on is looked at from afar
                around = from_around(found, _ambient(lighting), (sent[0], sent[-1]), found.lattice.texels)
                light = np.maximum(light + coat * enlarged(around, *made.size_px[::-1]), np.float32(0.0))
            after.append(light * made.colour)
        change = max(float(np.abs(new - old).mean()) for new, old in zip(after, sent, strict=True))
        sent = after
        if change < _SETTLED:
            break
    return sent


def _sum(made: _Map, fine: Picture, coarse: Picture) -> Picture:
    # a dim face keeps off more than it sends; what is left of the light is never less than none
    return np.asarray(np.maximum(fine + enlarged_on(made.surface, coarse, *fine.shape[:2]), np.float32(0.0)))


def _share8(shares: Sequence[Single]) -> tuple[Share8, ...]:
    return tuple(np.rint(share * np.float32(255.0)).astype(np.uint8) for share in shares)


def _at_most(width: int, height: int, longest: int) -> tuple[int, int]:
    k = min(1.0, longest / max(width, height))
    return max(round(width * k), 1), max(round(height * k), 1)
