"""Exposure: from lamps, stop, shutter, rate and sensitivity to stops from mid grey, and ways to find what is missing.

An 18 % grey card square to the light it stands in, exposed as an incident meter with C = 250 asks (``previz.optics``),
is 0 stops. Light here is worked out from the lamps by the inverse square and the cosine, nothing in the way: the baked
light, where it is at hand, takes its place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from previz import optics
from previz.geometry import Array, unit
from previz.scene.layout import behind, judged_frames
from previz.scene.model import Lamp, Scene
from previz.scene.move import FIRST_FRAME, Move
from previz.scene.rig.focusing import FocusPlan
from previz.scene.shape import bridge_shape

MID_GREY = 0.18  # reflectance of the grey card that a meter stands for

# stops by which an exposure may be off before it is worth a word: a third is the step of meters and dials
TOLERANCE = 1.0 / 3.0

# the most and the least sensitivity that is asked for without a word about noise: common practice, no source
CLEAN_ISO, LEAST_ISO = 3200.0, 100.0

# smear (delivered px) during the hold that is not minded: common practice, no source
SMEAR_FREE = 1.0


@dataclass(frozen=True)
class LightLevel:
    """Illuminance (lux) at the wall behind the bridge's middle and on the bridge's top in its middle."""

    wall: float
    bridge: float


@dataclass(frozen=True)
class Smear:
    """How far the picture runs during one exposure at the fastest frame, delivered px: wall and near end."""

    wall: float
    near: float

    @property
    def worst(self) -> float:
        """The larger of the two."""
        return max(self.wall, self.near)


@dataclass(frozen=True)
class Exposure:
    """A scene's exposure. Stops are against mid grey: positive is brighter. ``needed`` is the lux that a mid grey asks
    for at the working stop. ``wall_tone`` and ``bridge_tone`` count what the surfaces themselves reflect."""

    light: LightLevel
    needed: float
    working_stop: float
    shutter: float
    rate: float
    iso: float
    wall: float
    bridge: float
    wall_tone: float
    bridge_tone: float
    hold_smear: Smear
    move_smear: Smear

    @property
    def missing(self) -> float:
        """Stops of light that are missing at the wall; negative where there is too much; inf without light."""
        return -self.wall

    @property
    def right(self) -> bool:
        """Whether it is within a third of a stop."""
        return abs(self.wall) <= TOLERANCE


@dataclass(frozen=True)
class Way:
    """One way to change the exposure by ``stops``: ``what`` to set, and its ``cost``. ``whole``: it does all of it."""

    name: str
    what: str
    cost: str
    stops: float
    whole: bool = True


def lamp_lux(lamp: Lamp, points: ArrayLike, normals: ArrayLike) -> Array:
    """Illuminance (N,) lux that a lamp gives surfaces at points (N, 3) m with unit normals (N, 3), nothing in the way.

    Its ``lux`` at the aim, face on, scaled by the inverse square of the distance, by the cosine at the surface and, for
    a lamp with a face, by the cosine at the face (Lambert). Right to a few percent where the face is smaller than half
    its distance. A spot's light is multiplied by a smoothstep of the angle to its axis, from 1 at half the cone times
    (1 - edge) to 0 at half the cone times (1 + edge).
    """
    p, n = np.asarray(points, dtype=np.float64), np.asarray(normals, dtype=np.float64)
    place, aim = np.asarray(lamp.position), np.asarray(lamp.aim)
    axis = unit(aim - place)
    way = p - place
    distance = np.maximum(np.linalg.norm(way, axis=1), 1e-6)
    along = way @ axis / distance
    falls = np.maximum(-np.sum(way * n, axis=1) / distance, 0.0)
    lux = lamp.lux * float(np.linalg.norm(aim - place)) ** 2 / distance**2 * falls
    if not lamp.is_point:
        lux = lux * np.maximum(along, 0.0)
    if lamp.cone is not None:
        off = np.arccos(np.clip(along, -1.0, 1.0))
        half = 0.5 * lamp.cone
        soft = max(half * lamp.edge, 1e-6)
        share = np.clip((half + soft - off) / (2.0 * soft), 0.0, 1.0)
        lux = lux * share * share * (3.0 - 2.0 * share)
    return np.asarray(lux)


def plain_light(scene: Scene, move: Move) -> LightLevel:
    """Light at the wall point behind the bridge's middle, as the station point sees it, and on the bridge's middle."""
    middle = bridge_shape(scene).centre[None]
    wall = behind(np.asarray(move.camera(move.station_frame).position), middle)
    wall = wall if np.isfinite(wall).all() else np.zeros((1, 3))
    points, normals = np.concatenate([wall, middle]), np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0]])
    lux = scene.light.ambient + sum((lamp_lux(lamp, points, normals) for lamp in scene.lamps), np.zeros(2))
    return LightLevel(float(lux[0]), float(lux[1]))


def shooting_rate(scene: Scene) -> float:
    """Frames per second that are shot."""
    return float(scene.camera.rate or scene.delivery.rate)


def exposure_time(scene: Scene) -> float:
    """Exposure (s) of a frame: the scene's, or half of a frame's time at the shooting rate."""
    return scene.camera.shutter if scene.camera.shutter is not None else 0.5 / shooting_rate(scene)


def run_px(scene: Scene, move: Move, frames: tuple[int, int]) -> Smear:
    """How far wall and near end run in the picture from one frame to the next at the fastest, delivered px a frame."""
    steps = [f for f in judged_frames(move, most=129) if frames[0] <= f < min(frames[1], move.frames[-1])]
    if not steps and frames[0] < move.frames[-1]:
        steps = [frames[0]]
    near = bridge_shape(scene).near_corners[1]
    middle = np.asarray(move.camera(move.station_frame).position)
    wall = behind(middle, near[None, :])[0]
    points = np.stack([wall if np.isfinite(wall).all() else np.zeros(3), near])
    most = np.zeros(2)
    for frame in steps:
        run = np.linalg.norm(move.camera(frame + 1).project(points) - move.camera(frame).project(points), axis=1)
        most = np.fmax(most, run)
    return Smear(float(most[0]), float(most[1]))


def exposure(
    scene: Scene,
    move: Move,
    plan: FocusPlan,
    light: LightLevel | None = None,
    wall_reflectance: float = MID_GREY,
    bridge_reflectance: float = MID_GREY,
) -> Exposure:
    """The exposure of a scene. ``light`` is baked light, where there is some; reflectances are means, 0 to 1."""
    level = plain_light(scene, move) if light is None else light
    rate, time, iso = shooting_rate(scene), exposure_time(scene), scene.camera.iso
    needed = float(optics.light_for_stop(plan.working_stop, iso, time))
    share = time * rate  # of a frame's time
    first, last = scene.rail.hold
    held, moved = run_px(scene, move, (first, last)), run_px(scene, move, (FIRST_FRAME, move.frames[-1]))
    wall, bridge = (_stops(lux, needed) for lux in (level.wall, level.bridge))
    return Exposure(
        light=level,
        needed=needed,
        working_stop=plan.working_stop,
        shutter=time,
        rate=rate,
        iso=iso,
        wall=wall,
        bridge=bridge,
        wall_tone=wall + _stops(wall_reflectance, MID_GREY),
        bridge_tone=bridge + _stops(bridge_reflectance, MID_GREY),
        hold_smear=Smear(held.wall * share, held.near * share),
        move_smear=Smear(moved.wall * share, moved.near * share),
    )


def _stops(has: float, wanted: float) -> float:
    return math.log2(has / wanted) if has > 0.0 else -math.inf


def longer(found: Exposure, factor: float) -> tuple[Smear, Smear]:
    """Smear in the hold and in the move with an exposure ``factor`` times as long."""
    return tuple(replace(s, wall=s.wall * factor, near=s.near * factor) for s in (found.hold_smear, found.move_smear))  # type: ignore[return-value]


def load(scene: Scene) -> float | None:
    """Amperes that the lamps whose watts are known take from the mains; None where none is known."""
    known = [lamp.watts for lamp in scene.lamps if lamp.watts is not None]
    return sum(known) / scene.light.volts if known else None


def stops_text(stops: float) -> str:
    """Stops for people: ``1.0 stop``, ``2.7 stops``."""
    return f"{stops:.1f} stop{'' if abs(stops - 1.0) < 0.05 else 's'}"


def state(found: Exposure) -> str:
    """The exposure in one plain sentence without its stop."""
    if not math.isfinite(found.wall):
        return "no light reaches the wall"
    if found.right:
        return f"right: {found.wall:+.1f} stops from mid grey at the wall"
    word = "too dark" if found.missing > 0.0 else "too bright"
    return f"{stops_text(abs(found.wall))} {word} at the wall: {found.light.wall:.0f} lux, {found.needed:.0f} needed"
