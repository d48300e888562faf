"""What clears a highlight over the hold: the smallest turn of its lamp, or a flag between lamp and paint."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz.geometry import Array
from previz.judge.viewer import JND_COLOUR
from previz.rig.gleam import HighlightScene, Look, SurfacePlaces, difference
from previz.rig.sighted import card_corners, in_picture, lamp_light
from previz.scene.given.measured import relief_of
from previz.scene.layout import judged_frames, wall_box
from previz.scene.model import Card, Lamp
from previz.units import mm_text
from previz.workshop.light.lamps import facing_frame

# places and frames looked at while a lamp's new place is looked for
_FEW_PLACES, _FEW_FRAMES = 5_000, 3

# a lamp is turned about its aim by these angles until it is clear, then halved back to within _FINE_DEG
_TURNS_DEG = (1.0, 2.0, 3.0, 4.5, 6.0, 8.0, 11.0, 15.0, 20.0, 27.0, 35.0, 45.0, 60.0, 75.0)
_FINE_DEG = 0.5

# a lamp that has to go farther than this (m) makes another light of it: then a flag is looked for as well
LARGE_MOVE: Final = 0.5

# shares of the way from the lamp to the highlight at which a flag may stand
_FLAG_PLACES = (0.25, 0.4, 0.55, 0.7)

# a flag is larger than what it has to cover by this (m) on each side
_FLAG_MARGIN = 0.01

# no flag is wider or higher than this (m)
_LARGEST_FLAG = 1.0

# points of a lamp's face by which the cost of a flag is told
_COST_POINTS = 36


@dataclass(frozen=True)
class LampMove:
    """A lamp turned about its aim so that nothing of it gleams in the hold: its new ``position`` (m), how far that is
    (m), what is left (dE*ab) and the words for it."""

    lamp: str
    position: tuple[float, float, float]
    way: float
    left_de: float
    words: str


@dataclass(frozen=True)
class Flag:
    """A card that keeps a lamp off what gleams. ``cost`` is the share (0 to 1) of the light of what is seen of the
    surface that is lost, ``left_de`` what is left. Its own shadow on the wall is not looked at."""

    lamp: str
    card: Card
    cost: float
    left_de: float
    words: str


def turned_lamp(lamp: Lamp, azimuth: float, height: float) -> Lamp:
    """The lamp turned about its aim, distance kept: to camera right by ``azimuth`` and up by ``height`` rad."""
    aim = np.asarray(lamp.aim)
    x, y, z = np.asarray(lamp.position) - aim
    distance = math.sqrt(x * x + y * y + z * z)
    side = math.atan2(x, z) + azimuth
    up = min(max(math.asin(y / distance) + height, -0.5 * math.pi), 0.5 * math.pi)
    way = np.array([math.cos(up) * math.sin(side), math.sin(up), math.cos(up) * math.cos(side)])
    position = aim + distance * way
    return lamp.model_copy(update={"position": tuple(float(v) for v in position)})


def _allowed(stage: HighlightScene, lamp: Lamp) -> bool:
    """Whether a lamp can stand there: before the wall, above its foot, not in the picture, the aim in its sight."""
    emitter = stage.emitter(lamp)
    body = emitter.points(emitter.places(9))
    left, bottom, right, top = wall_box(stage.scene)
    before = relief_of(stage.scene) + 0.05
    inside = (body[:, 0] > left - 0.1) & (body[:, 0] < right + 0.1) & (body[:, 1] < top + 0.1)
    if np.any(inside & (body[:, 2] < before)) or body[:, 1].min() < bottom:
        return False
    frames = judged_frames(stage.move, 5)
    cameras = [stage.move.camera(frame) for frame in frames]
    return not bool(in_picture(cameras, body, stage.sight, stage.names, stage.box).any())


def clearing_move(
    stage: HighlightScene, places: SurfacePlaces, looks: Sequence[Look], lamp: Lamp, cards: Sequence[Card]
) -> LampMove | None:
    """The smallest turn of a lamp about its aim after which its highlight shows in none of the frames.

    Eight ways are tried (left, right, up, down and between), outwards in steps and then halved back to half a degree;
    None where none clears it.
    """
    step = max(1, len(places.points) // _FEW_PLACES)
    few = places.every(step)
    pick = sorted({0, len(looks) // 2, len(looks) - 1})[:_FEW_FRAMES]
    rough = [stage.look(few, looks[i].frame) for i in pick]
    best: tuple[float, Lamp] | None = None
    for k in range(8):
        across, up = math.cos(math.radians(45.0 * k)), math.sin(math.radians(45.0 * k))

        def at(turn_deg: float, across: float = across, up: float = up) -> Lamp:
            turn = math.radians(turn_deg)
            return turned_lamp(lamp, turn * across, turn * up)

        held = 0.0
        for turn_deg in _TURNS_DEG:
            tried = at(turn_deg)
            if best is not None and _way(lamp, tried) >= best[0]:
                break
            if stage.worst(few, rough, tried, cards) >= JND_COLOUR:
                held = turn_deg
                continue
            cleared = turn_deg
            while cleared - held > _FINE_DEG:
                middle = 0.5 * (held + cleared)
                if stage.worst(few, rough, at(middle), cards) < JND_COLOUR:
                    cleared = middle
                else:
                    held = middle
            proved = _proved(stage, places, looks, at, cleared, cards)
            if proved is not None and _allowed(stage, proved) and (best is None or _way(lamp, proved) < best[0]):
                best = (_way(lamp, proved), proved)
            break
    if best is None:
        return None
    way, moved = best
    left = stage.worst(places, looks, moved, cards)
    x, y, z = moved.position
    words = f"To clear {lamp.name} from the {places.name} over the hold, {_move_words(lamp, moved)}."
    return LampMove(lamp.name, (x, y, z), way, left, words)


def _proved(
    stage: HighlightScene,
    places: SurfacePlaces,
    looks: Sequence[Look],
    at: Callable[[float], Lamp],
    turn_deg: float,
    cards: Sequence[Card],
) -> Lamp | None:
    """The lamp turned by little more than ``turn_deg``, clear in all frames at all places; None where it is not."""
    for more in range(6):
        tried = at(turn_deg + more * _FINE_DEG)
        if stage.worst(places, looks, tried, cards) < JND_COLOUR:
            return tried
    return None


def _way(lamp: Lamp, moved: Lamp) -> float:
    return float(np.linalg.norm(np.asarray(moved.position) - np.asarray(lamp.position)))


def _move_words(lamp: Lamp, moved: Lamp) -> str:
    """The way from a lamp's place to another, in words of the set."""
    right, up, out = np.asarray(moved.position) - np.asarray(lamp.position)
    parts = []
    if abs(up) >= 0.005:
        parts.append(f"{'raise' if up > 0 else 'lower'} {lamp.name} by {mm_text(abs(up), 0)}")
    shifts = []
    if abs(right) >= 0.005:
        shifts.append(f"{mm_text(abs(right), 0)} to the {'right' if right > 0 else 'left'}")
    if abs(out) >= 0.005:
        shifts.append(f"{mm_text(abs(out), 0)} {'away from' if out > 0 else 'towards'} the wall")
    if shifts:
        parts.append(f"move {'it' if parts else lamp.name} {' and '.join(shifts)}")
    return " and ".join(parts) + ", turned to the same point"


def clearing_flag(
    stage: HighlightScene, places: SurfacePlaces, looks: Sequence[Look], lamp: Lamp, cards: Sequence[Card]
) -> Flag | None:
    """The flag that keeps a lamp off all that gleams in the given frames and costs least light; None if none does.

    It stands square to the way from the lamp to the highlight, out of the picture, and covers the lamp's whole face as
    seen from every place that gleams.
    """
    emitter = stage.emitter(lamp)
    gleaming = np.zeros(len(places.points), dtype=bool)
    seen = np.zeros(len(places.points), dtype=bool)
    for look in looks:
        seen[look.at] = True
        added = stage.gleam(places, look, emitter, cards)
        gleaming[look.at[difference(look.base, added) >= JND_COLOUR]] = True
    if not gleaming.any():
        return None
    targets = places.points[gleaming]
    middle, source = targets.mean(axis=0), emitter.frame[0]
    rim = emitter.points(_rim(emitter.is_point))
    cameras = [stage.move.camera(frame) for frame in judged_frames(stage.move, 9)]
    step = max(1, int(seen.sum()) // _FEW_PLACES)
    lit = np.flatnonzero(seen)[::step]
    total, of_lamp = _light_of(stage, places, lit, lamp, cards)
    best: tuple[float, Card, float] | None = None
    for share in _FLAG_PLACES:
        card = _covering(lamp, source + share * (middle - source), middle, rim, targets)
        if card is None or in_picture(cameras, card_corners(card)[None], stage.sight, stage.names, stage.box).any():
            continue
        flagged = [*cards, card]
        (left,) = lamp_light(
            places.points[lit], places.normals[lit], emitter, stage.sight, [stage.names], flagged, _COST_POINTS
        )
        cost = float((of_lamp - left.sum()) / max(total, 1e-12))
        if best is not None and cost >= best[0]:
            continue
        left_de = stage.worst(places, looks, lamp, flagged)
        if left_de < JND_COLOUR:
            best = (cost, card, left_de)
    if best is None:
        return None
    cost, card, left_de = best
    x, y, z = (mm_text(v, 0) for v in card.position)
    wide, high = (mm_text(side, 0) for side in card.size)
    words = (
        f"A flag {wide} wide and {high} high at {x} right, {y} up, {z} out of the wall keeps {lamp.name} off the"
        f" {places.name} and costs {100.0 * cost:.0f} % of its light."
    )
    return Flag(lamp.name, card, cost, left_de, words)


def _rim(is_point: bool) -> Array:
    """Places (K, 2) around a face and on its corners, -0.5 to 0.5."""
    if is_point:
        return np.zeros((1, 2))
    edge = np.linspace(-0.5, 0.5, 5)
    ends = np.full(5, 0.5)
    sides = [(edge, ends), (edge, -ends), (ends, edge), (-ends, edge)]
    return np.concatenate([np.stack(side, axis=1) for side in sides])


def _light_of(
    stage: HighlightScene, places: SurfacePlaces, lit: NDArray[np.intp], lamp: Lamp, cards: Sequence[Card]
) -> tuple[float, float]:
    """Light, summed over places, of all lamps and ambient together, and of one lamp."""
    total = 3.0 * len(lit) * stage.lighting.light.ambient / stage.lighting.reference
    own = 0.0
    points, normals = places.points[lit], places.normals[lit]
    for other in stage.lighting.lamps:
        (light,) = lamp_light(
            points, normals, stage.emitter(other), stage.sight, [stage.names], cards, _COST_POINTS
        )
        total += float(light.sum())
        if other.name == lamp.name:
            own = float(light.sum())
    return total, own


def _covering(lamp: Lamp, centre: Array, aim: Array, rim: Array, targets: Array) -> Card | None:
    """The card about ``centre`` turned to ``aim`` that stands in all ways from ``rim`` (K, 3) to ``targets`` (N, 3)."""
    _, side, up, ahead = facing_frame(list(centre), list(aim))
    ways = targets[None] - rim[:, None]
    along = ways @ ahead
    part = ((centre - rim) @ ahead)[:, None] / np.where(np.abs(along) < 1e-9, np.nan, along)
    if not np.all((part > 0.0) & (part < 1.0)):
        return None
    met = rim[:, None] + part[..., None] * ways - centre
    a, b = met @ side, met @ up
    middle = centre + 0.5 * (a.min() + a.max()) * side + 0.5 * (b.min() + b.max()) * up
    size = (float(np.ptp(a)) + 2.0 * _FLAG_MARGIN, float(np.ptp(b)) + 2.0 * _FLAG_MARGIN)
    if max(size) > _LARGEST_FLAG:
        return None
    turned_to = middle + ahead * float((aim - centre) @ ahead)
    return Card(
        name=f"flag for {lamp.name}",
        kind="flag",
        position=tuple(float(v) for v in middle),
        aim=tuple(float(v) for v in turned_to),
        size=size,
    )
