"""Where the lamps at hand go so that no trace of the bridge shows: roughly over all places, then by the fast judge.

A grid of directions and distances is tried roughly (:mod:`previz.rig.lampview`), one lamp at a time, then what a second
and a third add. The best of each are looked at by the fast judge, which ranks them. Nothing is random. Lamps are dimmed
so that the exposure is right at the wall behind the bridge, as far as they can give it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from previz import colour
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.rig.fixtures import Spot, bright, dimmed, fits_count, fixtures_of, nearest_spot, spot_at
from previz.rig.lampjudge import LampJudge, LampLook
from previz.rig.lampview import CastLight, LampView
from previz.rig.lightadvice import looked_at, mean_around
from previz.scene.model import Lamp, Scene
from previz.scene.rig.exposure import TOLERANCE, exposure
from previz.scene.rig.focusing import focus_plan
from previz.scene.rig.lampplaces import Direction, LampRoom
from previz.stage.lightparts import LightParts
from previz.stage.looking import Looker

# looked at by the judge: so many lamps alone, so many pairs, so many of three; then so many places beside the best
_ALONE: Final = 3
_PAIRS: Final = 3
_THREES: Final = 2
_BESIDE: Final = 3

# parts of the light that lamps after the first give, against it
_PARTS: Final = (1.0, 0.4)

# lamps that are tried as a second or a third: the best so many alone, apart from each other
_PARTNERS: Final = 20

# directions in which smaller faces are tried
_DIRECTIONS: Final = 20

# directions (rad) nearer than this are one for the judge's sake, and the turns (degrees) tried beside what is good
_APART: Final = 0.25
_TURN_DEG: Final = 8.0

# good enough to look no further: well within what holds
GOOD_PCT: Final = 0.5 * HOLDS_BELOW_PCT

# what a stop that is missing, and one that the light falls off by across the picture beyond two, count for, percent
_STOP_COST, _MANY_STOPS, _FURTHER_COST = 40.0, 1.0, 4.0
_UNEVEN_FROM, _UNEVEN_COST = 2.0, 8.0

# and what a degree counts for that the key is moved round from where it is: of two that do alike the nearer is taken
_MOVED_COST: Final = 0.02

# share of the seen wall that lies about the place that the exposure is for
_ABOUT: Final = 0.02


@dataclass(frozen=True, eq=False)
class Setup:
    """Lamps in places, each giving its part of the light, the first most of it."""

    spots: tuple[Spot, ...]
    parts: tuple[float, ...]

    @property
    def key(self) -> Direction:
        """Where most of the light comes from."""
        return self.spots[max(range(len(self.spots)), key=lambda k: (self.parts[k], -k))].direction


@dataclass(frozen=True, eq=False)
class Judged:
    """A setup as the fast judge finds it: its ``lamps`` as bright as they have to be, ``spare`` stops beyond that."""

    setup: Setup
    lamps: tuple[Lamp, ...]
    look: LampLook
    spare: float
    uneven: float
    cost: float


class LampPlacer:
    """Places lamps on the set that a looker has loaded, judged in frames of ``size_px`` (width, height)."""

    def __init__(self, looker: Looker, frames: Sequence[int], size_px: tuple[int, int]) -> None:
        ready = looker.loaded
        self.scene: Scene = ready.scene
        self.move = ready.move
        self.room = LampRoom(self.scene, self.move)
        self.parts = LightParts(ready, looker.sight)
        self.judge = LampJudge(looker, self.parts, looker.sight, frames, size_px)
        self.needed = exposure(self.scene, self.move, focus_plan(self.scene, self.move)).needed
        self.fixtures = fixtures_of(self.scene)
        self._at_wall = looked_at(ready, looker.sight)[0]
        self._view = LampView(ready, self.move, self.move.station_frame, looker.sight)
        self._casts: dict[Lamp, CastLight] = {}
        self._gains: dict[Lamp, float] = {}
        self._judged: dict[tuple[Lamp, ...], Judged] = {}
        self._ranks: dict[tuple[tuple[Lamp, float], ...], float] = {}
        self._now = self._key_now()
        self._ambient = 0.0
        if self.scene.light.ambient > 0.0:
            part = self.parts.ambient
            self._ambient = self.scene.light.ambient * mean_around(part.clean, self._at_wall)
            level = float((part.bridge.reshape(-1, 3) @ colour.XYZ_FROM_RGB[1]).mean())
            self._all_over = self._view.laid(part.clean, part.wall, level)

    def _key_now(self) -> Direction | None:
        if not self.scene.lamps:
            return None
        key = max(self.scene.lamps, key=lambda lamp: lamp.lux)
        return Direction.of(np.asarray(key.position) - self.room.aim)

    def placed(self, say: Callable[[str], None] = lambda _: None) -> list[Judged]:
        """All that was judged, the best first; empty where no lamp can stand anywhere."""
        say("looking where lamps can stand")
        alone = self._alone()
        if not alone:
            return []
        alone = sorted([*alone, *self._beside(alone[:6])], key=self.rough)
        say("judging the best of them")
        chosen = self._distinct(alone, _ALONE)
        self._look(chosen)
        partners = [
            setup.spots[0]
            for fixture in self.fixtures
            for setup in self._distinct(
                [one for one in alone if one.spots[0].fixture is fixture], _PARTNERS // len(self.fixtures)
            )
        ]
        if not self._good_enough():
            say("trying a second lamp")
            firsts = self._distinct([one.setup for one in self.ranked()], 3)
            self._look(self._distinct(sorted(self._joined(firsts, partners), key=self.rough), _PAIRS))
        if not self._good_enough():
            say("trying a third")
            firsts = [one.setup for one in self.ranked() if len(one.setup.spots) == 2][:1]
            self._look(self._distinct(sorted(self._joined(firsts, partners), key=self.rough), _THREES))
        if not self._good_enough():
            say("moving the best a little")
            self._look(self._distinct(sorted(self._beside([self.ranked()[0].setup]), key=self.rough), _BESIDE, 0.0))
        return self.ranked()

    def ranked(self) -> list[Judged]:
        """What was judged, the best first."""
        return sorted(self._judged.values(), key=lambda one: one.cost)

    def _good_enough(self) -> bool:
        best = self.ranked()[0]
        trace, shown = best.look.trace_pct, best.look.break_pct
        hidden = shown is not None and (not self.judge.outline or shown <= GOOD_PCT)
        return trace is not None and trace <= GOOD_PCT and hidden and best.spare >= -0.5 * TOLERANCE

    def _alone(self) -> list[Setup]:
        """One lamp at a time, the best places first: the largest face in every direction, others where that does
        best."""
        out: list[Setup] = []
        directions = list(self.room.directions())
        for fixture in sorted(self.fixtures, key=lambda one: -max(one.model.face)):
            spots = (nearest_spot(self.room, fixture, direction) for direction in directions)
            found = sorted((Setup((spot,), (1.0,)) for spot in spots if spot is not None), key=self.rough)
            if found and not out:
                directions = [setup.key for setup in found[:_DIRECTIONS]]
            out += found
        return sorted(out, key=self.rough)

    def _beside(self, setups: Sequence[Setup]) -> Iterator[Setup]:
        """The same with one lamp turned a little about the aim, or at another distance."""
        for setup in setups:
            for k, spot in enumerate(setup.spots):
                way = spot.direction
                for turn, up in ((_TURN_DEG, 0.0), (-_TURN_DEG, 0.0), (0.0, _TURN_DEG), (0.0, -_TURN_DEG)):
                    moved = nearest_spot(
                        self.room, spot.fixture, Direction(way.round_deg + turn, way.up_deg + up)
                    )
                    if moved is not None and self.clear(_without(setup, k), moved):
                        yield _with(setup, k, moved)
                for away in (0.85 * spot.away, 1.25 * spot.away, 1.6 * spot.away):
                    moved = spot_at(self.room, spot.fixture, way, away)
                    if moved is not None and self.clear(_without(setup, k), moved):
                        yield _with(setup, k, moved)

    def clear(self, others: Sequence[Spot], spot: Spot) -> bool:
        """Whether no lamp stands in another's light where ``spot`` joins ``others``."""
        return not any(
            self.room.in_light(one.lamp, two.lamp, two.stand)
            for other in others
            for one, two in ((spot, other), (other, spot))
        )

    def _joined(self, firsts: Sequence[Setup], spots: Sequence[Spot]) -> Iterator[Setup]:
        """Setups with one lamp more, as far as there is one left."""
        for first in firsts:
            for spot in spots:
                if not fits_count((*first.spots, spot)):
                    continue
                if min(spot.direction.away_from(other.direction) for other in first.spots) < _APART:
                    continue
                if not self.clear(first.spots, spot):
                    continue
                for part in _PARTS:
                    yield Setup((*first.spots, spot), (*first.parts, part))

    def _distinct(self, setups: Sequence[Setup], count: int, apart: float = _APART) -> list[Setup]:
        """The first so many that differ by more than a little."""
        out: list[Setup] = []
        for setup in setups:
            if len(out) == count:
                break
            if not any(_alike(setup, other, apart) for other in out):
                out.append(setup)
        return out

    def cast(self, spot: Spot) -> CastLight:
        """A spot's light on the rough view, cast once."""
        if spot.lamp not in self._casts:
            self._casts[spot.lamp] = self._view.cast(spot.lamp)
        return self._casts[spot.lamp]

    def rough(self, setup: Setup) -> float:
        """What setups are ranked by before the judge looks at them: the less the better."""
        name = tuple((spot.lamp, part) for spot, part in zip(setup.spots, setup.parts, strict=True))
        if name not in self._ranks:
            self._ranks[name] = self._ranked_roughly(setup)
        return self._ranks[name]

    def _ranked_roughly(self, setup: Setup) -> float:
        casts = [self.cast(spot) for spot in setup.spots]
        gains = [self._rough_gain(cast) for cast in casts]
        found = dimmed(setup.spots, setup.parts, gains, self._ambient, self.needed)
        reference = sum(found.lux) + self.scene.light.ambient
        weighed = [(cast, lux / reference) for cast, lux in zip(casts, found.lux, strict=True)]
        if self.scene.light.ambient > 0.0:
            weighed.append((self._all_over, self.scene.light.ambient / reference))
        look = self._view.look(weighed)
        return look.cost + self._aside(setup, found.spare, self._fall_off(weighed))

    def _aside(self, setup: Setup, spare: float, uneven: float) -> float:
        """What counts besides what shows: missing light, light that falls off, a key moved far round."""
        missing = max(-spare - 0.5 * TOLERANCE, 0.0)
        # what no lamp at hand can give is not to outweigh all that shows
        cost = _STOP_COST * min(missing, _MANY_STOPS) + _FURTHER_COST * missing
        cost += _UNEVEN_COST * max(uneven - _UNEVEN_FROM, 0.0)
        if self._now is not None:
            cost += _MOVED_COST * float(np.degrees(setup.key.away_from(self._now)))
        # one lamp less is one lamp less to set up
        return cost + 0.3 * (len(setup.spots) - 1)

    def _rough_gain(self, cast: CastLight) -> float:
        view = self._view.view
        if not len(view.uv):
            return 0.0
        off = np.linalg.norm(view.uv - self._at_wall, axis=1)
        near = np.argsort(off, kind="stable")[: max(8, round(_ABOUT * len(off)))]
        return float((cast.free[near] @ colour.XYZ_FROM_RGB[1].astype(np.float32)).mean())

    def _fall_off(self, weighed: Sequence[tuple[CastLight, float]]) -> float:
        """Stops between the darkest and the brightest parts of the seen wall, a twentieth of it at either end left."""
        light = sum((cast.free * np.float32(weight) for cast, weight in weighed), np.zeros_like(weighed[0][0].free))
        level = light @ colour.XYZ_FROM_RGB[1].astype(np.float32)
        if not len(level):
            return 0.0
        low, high = np.quantile(level, [0.05, 0.95])
        return float(np.log2(max(high, 1e-6) / max(low, 1e-6)))

    def gain(self, lamp: Lamp) -> float:
        """Lux at the wall behind the bridge by one lux at a lamp's aim, all that comes back from the set in it."""
        plain = lamp.model_copy(update={"name": "part", "lux": 1.0, "watts": None})
        if plain not in self._gains:
            self._gains[plain] = mean_around(self.parts.part(plain).clean, self._at_wall)
        return self._gains[plain]

    def _look(self, setups: Sequence[Setup]) -> None:
        for setup in setups:
            self.judged(setup)

    def judged(self, setup: Setup) -> Judged:
        """A setup looked at by the fast judge, its lamps as bright as the exposure asks."""
        gains = [self.gain(spot.lamp) for spot in setup.spots]
        found = dimmed(setup.spots, setup.parts, gains, self._ambient, self.needed)
        lamps = bright(setup.spots, found.lux)
        if lamps not in self._judged:
            look = self.judge.look(lamps, setup.key)
            reference = sum(found.lux) + self.scene.light.ambient
            weighed = [(self.cast(s), lux / reference) for s, lux in zip(setup.spots, found.lux, strict=True)]
            if self.scene.light.ambient > 0.0:
                weighed.append((self._all_over, self.scene.light.ambient / reference))
            uneven = self._fall_off(weighed)
            cost = look.cost(self.judge.outline) + self._aside(setup, found.spare, uneven)
            self._judged[lamps] = Judged(setup, lamps, look, found.spare, uneven, cost)
        return self._judged[lamps]


def _without(setup: Setup, k: int) -> tuple[Spot, ...]:
    return (*setup.spots[:k], *setup.spots[k + 1 :])


def _with(setup: Setup, k: int, spot: Spot) -> Setup:
    return replace(setup, spots=(*setup.spots[:k], spot, *setup.spots[k + 1 :]))


def _alike(one: Setup, other: Setup, apart: float) -> bool:
    """Whether two setups have lamps of the same kinds in about the same places, with about the same parts."""
    if len(one.spots) != len(other.spots):
        return False
    return all(
        a.fixture.name == b.fixture.name
        and a.direction.away_from(b.direction) <= apart
        and (apart > 0.0 or a.away == b.away)
        for a, b in zip(one.spots, other.spots, strict=True)
    )
