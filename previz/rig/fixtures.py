"""Lamps to be placed, as they are at hand: how bright each can be at its aim, and how bright it has to be.

What a lamp gives at full is its intensity, from its data sheet or its watts. Where the scene names none at hand, its
own lamps are, each as bright at most as it is now.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from previz.geometry import Array
from previz.scene.model import Lamp, Light, Scene
from previz.scene.rig.athand import LampAtHand
from previz.scene.rig.lampplaces import Direction, LampRoom, LampStand
from previz.workshop.light.lamps import emitter_of

# where lamps' own part of the exposure is less than this share of it, they are as bright as would be this share: the
# light from all over does without them, and what they add is told as too much
LEAST_PART: Final = 0.1


@dataclass(frozen=True)
class Fixture:
    """A kind of lamp to be placed: ``count`` of ``model`` (its face, beam and colour), each of ``candela`` at full on
    its axis. ``hot`` ones keep farther off the set; ``watts`` None are not known."""

    name: str
    model: Lamp
    candela: float
    watts: float | None
    hot: bool
    dims: bool
    count: int

    def at(self, room: LampRoom, direction: Direction, away: float) -> Lamp:
        """The lamp ``away`` m from the room's aim in a direction, one lux at its aim."""
        place = np.round(room.aim + away * direction.way, 3)
        return self.model.model_copy(
            update={"position": _place(place), "aim": _place(np.round(room.aim, 3)), "lux": 1.0}
        )

    def full_lux(self, lamp: Lamp) -> float:
        """What it gives at full at the aim of ``lamp``, lux."""
        return self.candela / candela_a_lux(lamp)

    def larger(self, times: float, stops: float) -> Fixture:
        """The same with a face so many times as wide and high, through a diffuser that takes ``stops``."""
        size = self.model.size
        wider = size * times if isinstance(size, float) else (size[0] * times, size[1] * times)
        model = self.model.model_copy(update={"size": wider, "cone": None})
        return Fixture(self.name, model, self.candela * 0.5**stops, self.watts, self.hot, self.dims, self.count)


def _place(place: Array) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in place)
    return x, y, z


def candela_a_lux(lamp: Lamp) -> float:
    """The intensity (cd) on its axis of a lamp that gives one lux at its aim."""
    emitter = emitter_of(lamp.model_copy(update={"lux": 1.0}), Light(), 1.0)
    return emitter.strength * (1.0 if emitter.is_point else emitter.area)


def fixtures_of(scene: Scene) -> tuple[Fixture, ...]:
    """The lamps at hand, or the scene's own where it names none at hand."""
    if scene.at_hand:
        return tuple(_fixture(lamp) for lamp in scene.at_hand)
    out = []
    for lamp in scene.lamps:
        # what its kind is nobody says: it is taken to burn hot
        out.append(Fixture(lamp.name, lamp, lamp.lux * candela_a_lux(lamp), lamp.watts, True, True, 1))
    return tuple(out)


def _fixture(hand: LampAtHand) -> Fixture:
    model = Lamp(
        name=hand.name, position=(0.0, 0.0, 1.0), size=hand.size, lux=1.0, kelvin=hand.colour_temperature,
        cone=hand.beam, edge=hand.edge, watts=hand.watts,
    )  # fmt: skip
    # the data sheet's lux at 1 m says what the intensity is, the face as large as it is
    candela = hand.candela if hand.lux is None else hand.lux * candela_a_lux(model)
    # what burns hot changes colour when it is dimmed, or goes out: nets take its light
    return Fixture(hand.name, model, candela, hand.watts, hand.is_hot, hand.dims and not hand.is_hot, hand.count)


@dataclass(frozen=True, eq=False)
class Spot:
    """A lamp in a place that it can be in: ``lamp`` of one lux at its aim, ``full`` lux there at most."""

    fixture: Fixture
    direction: Direction
    away: float
    lamp: Lamp
    stand: LampStand
    full: float


def spot_at(room: LampRoom, fixture: Fixture, direction: Direction, away: float) -> Spot | None:
    """A lamp in a place; None where it cannot be there."""
    lamp = fixture.at(room, direction, away)
    stand = room.stands(lamp, fixture.hot)
    return None if stand is None else Spot(fixture, direction, away, lamp, stand, fixture.full_lux(lamp))


def nearest_spot(room: LampRoom, fixture: Fixture, direction: Direction) -> Spot | None:
    """A lamp in a direction, as near as it may stand; None where it can stand nowhere there."""
    spots = (spot_at(room, fixture, direction, away) for away in room.distances())
    return next((spot for spot in spots if spot is not None), None)


def fits_count(spots: Sequence[Spot]) -> bool:
    """Whether there are as many lamps as the spots take."""
    used: dict[str, int] = {}
    for spot in spots:
        used[spot.fixture.name] = used.get(spot.fixture.name, 0) + 1
    return all(used[spot.fixture.name] <= spot.fixture.count for spot in spots)


@dataclass(frozen=True)
class Dimmed:
    """How bright lamps are for the exposure: ``lux`` at each one's aim, ``wall`` lux at the wall in all, and ``spare``
    stops that they could give beyond what is needed, negative where they cannot give it."""

    lux: tuple[float, ...]
    wall: float
    spare: float


def dimmed(
    spots: Sequence[Spot], parts: Sequence[float], gains: Sequence[float], ambient: float, needed: float
) -> Dimmed:
    """Lamps dimmed so that the wall gets what is ``needed``, ``parts`` of it from each (any scale).

    ``gains`` are lux at the wall by one lux at each one's aim, ``ambient`` lux at the wall without lamps.
    """
    wanted = max(needed - ambient, LEAST_PART * needed)
    whole = sum(parts)
    lux = [
        min(wanted * part / whole / max(gain, 1e-9), spot.full)
        for spot, part, gain in zip(spots, parts, gains, strict=True)
    ]
    given = sum(one * gain for one, gain in zip(lux, gains, strict=True))
    # the parts kept, the first lamp that is at full sets how much there can be
    room = min(
        spot.full * gain * whole / max(wanted * part, 1e-12)
        for spot, part, gain in zip(spots, parts, gains, strict=True)
    )
    most = ambient + max(room * wanted, given)
    return Dimmed(tuple(lux), ambient + given, math.log2(max(most, 1e-9) / needed))


def bright(spots: Sequence[Spot], lux: Sequence[float]) -> tuple[Lamp, ...]:
    """The lamps of spots, as bright as that, each with a name of its own."""
    counts: dict[str, int] = {}
    for spot in spots:
        counts[spot.fixture.name] = counts.get(spot.fixture.name, 0) + 1
    seen: dict[str, int] = {}
    out = []
    for spot, level in zip(spots, lux, strict=True):
        name = spot.fixture.name
        seen[name] = seen.get(name, 0) + 1
        own = name if counts[name] == 1 else f"{name} {seen[name]}"
        # three figures are as fine as a meter reads
        level = float(f"{max(level, 1e-3):.3g}")
        out.append(spot.lamp.model_copy(update={"name": own, "lux": level, "watts": spot.fixture.watts}))
    return tuple(out)
