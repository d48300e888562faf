"""Highlights: where the lens sees the lamps in the paint, where they burn out, and what clears them over the hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from previz import colour
from previz.judge.viewer import JND_COLOUR
from previz.look.sight import SightLines
from previz.rig.clearing import LARGE_MOVE, Flag, LampMove, clearing_flag, clearing_move
from previz.rig.gleam import HighlightScene, Look, SurfacePlaces, difference, places_of, shown_lab
from previz.scene.layout import delivered_box_px, judged_frames
from previz.scene.model import Card, Gloss, Lamp, Scene
from previz.scene.move import Move
from previz.units import mm_text
from previz.workshop.light.bake import Lighting
from previz.workshop.surface import LitSurface

# places looked at on a surface, and frames of the move
_PLACES, _FRAMES = 30_000, 17


@dataclass(frozen=True)
class Highlight:
    """A lamp's highlight on a surface, where it is strongest over the move.

    ``share`` is what it adds, in shares of white, ``de`` the difference dE*ab that it makes there and ``de00`` the same
    as CIEDE2000. ``place`` (m) and ``px`` (delivered frame) say where, ``frame`` when. ``frames`` are those of the
    looked-at frames in which it is above one just noticeable difference, ``hold_frames`` those of them in the hold,
    ``burnt_frames`` those in which it brings what was below white to white; ``area_px`` and ``burnt_px`` how large both
    are in their largest frame.
    """

    lamp: str
    surface: str
    frame: int
    share: float
    de: float
    de00: float
    place: tuple[float, float, float]
    px: tuple[float, float]
    frames: tuple[int, ...]
    hold_frames: tuple[int, ...]
    burnt_frames: tuple[int, ...]
    area_px: float
    burnt_px: float


@dataclass(frozen=True)
class Sheen:
    """What a surface mirrors of the wall and of light from everywhere, where it shows most in the hold.

    ``share`` (of white), ``de`` (dE*ab), ``frame`` and ``place`` (m) as of a :class:`Highlight`. No lamp's move clears
    it: it is the paint's own.
    """

    surface: str
    frame: int
    share: float
    de: float
    place: tuple[float, float, float]


@dataclass(frozen=True)
class ShineReport:
    """Highlights and sheen above one just noticeable difference, what clears those of the hold, and plain sentences."""

    highlights: tuple[Highlight, ...]
    sheens: tuple[Sheen, ...]
    moves: tuple[LampMove, ...]
    flags: tuple[Flag, ...]
    sentences: tuple[str, ...]


def highlights(
    scene: Scene,
    move: Move,
    surfaces: Sequence[LitSurface],
    sight: SightLines,
    lighting: Lighting,
    cards: Sequence[Card] | None = None,
) -> ShineReport:
    """The highlights that the lens sees along the move on the wall and the bridge, and what clears them.

    ``surfaces`` are the lit wall and the lit bridge, in this order and named as in ``sight``; their codes are what they
    send without shine. Highlights are those of lamps, not of cards. ``cards`` are the scene's unless others are given.
    """
    wall, bridge = surfaces
    kinds: tuple[Gloss, Gloss] = (scene.wall.gloss, scene.bridge.gloss)
    if kinds == ("matt", "matt"):
        return ShineReport((), (), (), (), ("Wall and bridge are matt: there is no highlight to clear.",))
    if not lighting.lamps:
        return ShineReport((), (), (), (), ("There is no lamp, so there is no highlight to clear.",))
    stage = HighlightScene(scene, move, sight, (wall.name, bridge.name), wall, lighting, delivered_box_px(scene))
    standing = scene.cards if cards is None else tuple(cards)
    first, last = scene.rail.hold
    frames = judged_frames(move, _FRAMES)
    found: list[Highlight] = []
    sheens: list[Sheen] = []
    moves: list[LampMove] = []
    flags: list[Flag] = []
    sentences: list[str] = []
    for lit, kind in zip((bridge, wall), (kinds[1], kinds[0]), strict=True):
        if kind == "matt":
            continue
        places = places_of(lit, lit.name, kind, _PLACES)
        looks = [stage.look(places, frame) for frame in frames]
        held = [look for look in looks if first <= look.frame <= last]
        sheen = _sheen(places, held)
        if sheen is not None:
            sheens.append(sheen)
            sentences.append(_sheen_sentence(sheen, kind))
        for lamp in lighting.lamps:
            highlight = _highlight(stage, places, looks, lamp, standing)
            if highlight is None:
                continue
            found.append(highlight)
            sentences.append(_sentence(highlight))
            if not highlight.hold_frames:
                continue
            moved = clearing_move(stage, places, held, lamp, standing)
            if moved is not None:
                moves.append(moved)
                sentences.append(moved.words)
            if moved is None or moved.way > LARGE_MOVE:
                flag = clearing_flag(stage, places, held, lamp, standing)
                if flag is not None:
                    flags.append(flag)
                    sentences.append(flag.words)
                elif moved is None:
                    sentences.append(f"Nothing clears {lamp.name} from the {lit.name}: paint it matt.")
    if not found:
        sentences.append("The lens sees no highlight along the move.")
    return ShineReport(tuple(found), tuple(sheens), tuple(moves), tuple(flags), tuple(sentences))


def _sheen(places: SurfacePlaces, looks: Sequence[Look]) -> Sheen | None:
    """The strongest sheen in several frames; None where it is below one just noticeable difference."""
    best: Sheen | None = None
    for look in looks:
        if len(look.at) == 0:
            continue
        size = difference(places.sent[look.at], look.sheen)
        k = int(np.argmax(size))
        if size[k] >= JND_COLOUR and (best is None or size[k] > best.de):
            x, y, z = (float(v) for v in places.points[look.at[k]])
            share = float(colour.luminance(look.sheen[k]))
            best = Sheen(places.name, look.frame, share, float(size[k]), (x, y, z))
    return best


def _highlight(
    stage: HighlightScene, places: SurfacePlaces, looks: Sequence[Look], lamp: Lamp, cards: Sequence[Card]
) -> Highlight | None:
    """One lamp's highlight over all frames; None where it is below one just noticeable difference in all."""
    emitter = stage.emitter(lamp)
    first, last = stage.scene.rail.hold
    best: tuple[float, Look, int, float, float] | None = None
    frames, burnt = [], []
    area = burnt_area = 0.0
    for look in looks:
        added = stage.gleam(places, look, emitter, cards)
        size = difference(look.base, added)
        visible = size >= JND_COLOUR
        if not visible.any():
            continue
        frames.append(look.frame)
        area = max(area, float(look.size_px[visible].sum()))
        burns = visible & ((look.base + added).max(axis=1) >= 1.0) & (look.base.max(axis=1) < 1.0)
        if burns.any():
            burnt.append(look.frame)
            burnt_area = max(burnt_area, float(look.size_px[burns].sum()))
        k = int(np.argmax(size))
        if best is None or size[k] > best[0]:
            pair = shown_lab(look.base[k]), shown_lab(look.base[k] + added[k])
            best = (float(size[k]), look, k, float(colour.luminance(added[k])), float(colour.de00(*pair)))
    if best is None:
        return None
    de, look, k, share, de00 = best
    x, y, z = (float(v) for v in places.points[look.at[k]])
    return Highlight(
        lamp=lamp.name,
        surface=places.name,
        frame=look.frame,
        share=share,
        de=de,
        de00=de00,
        place=(x, y, z),
        px=(float(look.px[k, 0]), float(look.px[k, 1])),
        frames=tuple(frames),
        hold_frames=tuple(f for f in frames if first <= f <= last),
        burnt_frames=tuple(burnt),
        area_px=area,
        burnt_px=burnt_area,
    )


def _sentence(h: Highlight) -> str:
    """One highlight in words."""
    x, y, z = (mm_text(v, 0) for v in h.place)
    when = f"frames {h.frames[0]} to {h.frames[-1]}" if len(h.frames) > 1 else f"frame {h.frames[0]}"
    burnt = ""
    if h.burnt_frames:
        burnt = f"; it burns out, on up to {h.burnt_px:.0f} px"
    where = "in the hold" if h.hold_frames else "only after the hold"
    return (
        f"The lens sees {h.lamp} in the {h.surface}, {when}, {where}: at most {100.0 * h.share:.1f} % of white"
        f" ({h.de:.1f} dE) at frame {h.frame}, {x} right, {y} up, {z} out of the wall{burnt}."
    )


def _sheen_sentence(s: Sheen, kind: Gloss) -> str:
    x, y, z = (mm_text(v, 0) for v in s.place)
    what = "itself" if s.surface == "wall" else "the wall"
    return (
        f"In {kind} paint the {s.surface} mirrors {what} and the light around it: at most {100.0 * s.share:.1f} % of"
        f" white ({s.de:.1f} dE) at frame {s.frame}, {x} right, {y} up, {z} out of the wall; only matter paint takes it"
        " away."
    )
