"""The shadow's way out, where no place for the lamps hides it: steps that a person can take, each tried, with numbers.

A larger face, the key further round, closer to the lens axis, and a fill from below, one after the other and each by
itself. Every step is judged as the places were, its lamps dimmed for the same exposure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from previz.geometry import unit
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.rig.fixtures import Fixture, Spot, nearest_spot, spot_at
from previz.rig.placing import Judged, LampPlacer, Setup
from previz.scene.rig.lampplaces import Direction

# what a frame of diffusion in front of a lamp takes of its light, stops: common practice for a full white, no source
DIFFUSED_STOPS: Final = 1.5

# faces so many times as large, turns (degrees), how far towards the lens, and parts of the light of a fill
_LARGER: Final = (1.5, 2.0, 3.0)
_ROUND_DEG: Final = (20.0, 40.0)
_TOWARDS: Final = (0.5, 0.8)
_FILL_UP_DEG: Final = (-25.0, -12.0)
_FILL_PARTS: Final = (0.15, 0.4)


@dataclass(frozen=True)
class WayOut:
    """A step away from how the lamps stand: its ``kind`` and ``what`` to do, the worst trace and break (percent) of the
    frames looked at, ``spare`` stops that the lamps have in hand with it (negative: missing), and the ``watts`` of all
    lamps where they are known. ``what`` alone, with a ``reason``, where it cannot be done."""

    kind: str
    what: str
    trace_pct: float | None = None
    break_pct: float | None = None
    spare: float = 0.0
    watts: float | None = None
    reason: str = ""


def ways_out(placer: LampPlacer, best: Judged) -> list[WayOut]:
    """The best that each kind of step does, the one that leaves least trace first; then what cannot be done."""
    found: list[WayOut] = []
    for kind, steps in (
        ("larger face", _larger(placer, best.setup)),
        ("further round", _further_round(placer, best.setup)),
        ("closer to the lens axis", _closer(placer, best.setup)),
        ("fill from below", _from_below(placer, best.setup)),
    ):
        tried = [_judged(placer, kind, what, setup) for what, setup in steps]
        judged = [way for way in tried if way.trace_pct is not None]
        if judged:
            found.append(min(judged, key=lambda way: (_over(way), way.spare < 0.0, way.break_pct)))
        else:
            found.append(WayOut(kind, kind, reason="no room for it out of the picture and off the set"))
    return sorted(found, key=lambda way: (bool(way.reason), _over(way)))


def _over(way: WayOut) -> float:
    return 1e3 if way.trace_pct is None else way.trace_pct


def _judged(placer: LampPlacer, kind: str, what: str, setup: Setup) -> WayOut:
    found = placer.judged(setup)
    watts = [lamp.watts for lamp in found.lamps]
    known = sum(w for w in watts if w is not None) if all(w is not None for w in watts) else None
    return WayOut(kind, what, found.look.trace_pct, found.look.break_pct, found.spare, known)


def _key(setup: Setup) -> int:
    return max(range(len(setup.spots)), key=lambda k: (setup.parts[k], -k))


def _instead(setup: Setup, k: int, spot: Spot) -> Setup:
    return replace(setup, spots=(*setup.spots[:k], spot, *setup.spots[k + 1 :]))


def _larger(placer: LampPlacer, setup: Setup) -> Iterator[tuple[str, Setup]]:
    k = _key(setup)
    spot = setup.spots[k]
    for times in _LARGER:
        # a point has no face to enlarge: a frame as large as a hand before it is the least
        base = spot.fixture if not spot.lamp.is_point else _with_face(spot.fixture)
        fixture = base.larger(times, DIFFUSED_STOPS)
        wider = spot_at(placer.room, fixture, spot.direction, spot.away) or nearest_spot(
            placer.room, fixture, spot.direction
        )
        if wider is not None:
            wide, high = (round(1e3 * side) for side in wider.lamp.face)
            face = f"{wide} mm across" if wider.lamp.is_disc else f"{wide} x {high} mm"
            yield f"a frame of diffusion {face} before {spot.fixture.name}", _instead(setup, k, wider)


def _with_face(fixture: Fixture) -> Fixture:
    return replace(fixture, model=fixture.model.model_copy(update={"size": 0.1}))


def _further_round(placer: LampPlacer, setup: Setup) -> Iterator[tuple[str, Setup]]:
    k = _key(setup)
    spot, lens = setup.spots[k], placer.room.lens_way
    side = 1.0 if spot.direction.round_deg >= lens.round_deg else -1.0
    for turn in _ROUND_DEG:
        moved = nearest_spot(
            placer.room, spot.fixture, Direction(spot.direction.round_deg + side * turn, spot.direction.up_deg)
        )
        if moved is not None:
            way = "right" if side > 0.0 else "left"
            yield f"{spot.fixture.name} {turn:.0f} degrees further round to camera {way}", _instead(setup, k, moved)


def _closer(placer: LampPlacer, setup: Setup) -> Iterator[tuple[str, Setup]]:
    k = _key(setup)
    spot, lens = setup.spots[k], placer.room.lens_way
    ways = [
        Direction.of(unit((1.0 - part) * spot.direction.way + part * lens.way))
        for part in _TOWARDS
        if np.linalg.norm((1.0 - part) * spot.direction.way + part * lens.way) > 1e-3
    ]
    for direction in [*ways, Direction(lens.round_deg, lens.up_deg + 7.0), Direction(lens.round_deg, lens.up_deg + 12)]:
        moved = nearest_spot(placer.room, spot.fixture, direction)
        if moved is not None:
            off = np.degrees(direction.away_from(lens))
            yield f"{spot.fixture.name} {off:.0f} degrees from the lens axis", _instead(setup, k, moved)


def _from_below(placer: LampPlacer, setup: Setup) -> Iterator[tuple[str, Setup]]:
    """One lamp more, of any kind at hand, below the level of the bridge, opposite to the key first."""
    turn = setup.spots[_key(setup)].direction.round_deg
    spots = []
    for up in _FILL_UP_DEG:
        for sideways in (-0.5 * turn, 0.0, 28.0, -28.0, 55.0, -55.0):
            for fixture in placer.fixtures:
                spot = nearest_spot(placer.room, fixture, Direction(sideways, up))
                if spot is not None:
                    spots.append(spot)
    setups = [
        Setup((*setup.spots, spot), (*setup.parts, part * sum(setup.parts))) for spot in spots for part in _FILL_PARTS
    ]
    clear = [one for one in setups if placer.clear(setup.spots, one.spots[-1])]
    for one in sorted(clear, key=placer.rough)[:3]:
        spot = one.spots[-1]
        down = abs(round(1e3 * (spot.lamp.position[1])))
        share = 100.0 * one.parts[-1] / sum(one.parts)
        yield f"one more {spot.fixture.name} {down} mm below the bridge's top, {share:.0f} % of the light", one


def way_out_text(way: WayOut, volts: float) -> str:
    """A step in words, with its numbers."""
    if way.reason:
        return f"{way.kind.capitalize()}: {way.reason}."
    hand = f"{abs(way.spare):.1f} stops {'in hand' if way.spare >= 0.0 else 'short'}"
    power = "" if way.watts is None else f", {way.watts / volts:.1f} A"
    return (
        f"{way.kind.capitalize()}: {way.what}; traces {way.trace_pct:.1f} %, outline {way.break_pct:.1f} %, "
        f"{hand}{power}."
    )


def first_change(ways: list[WayOut], now_pct: float) -> str:
    """What to change first, in a sentence; ``now_pct`` is the trace without any step."""
    best = next((way for way in ways if not way.reason), None)
    if best is None or best.trace_pct is None or best.trace_pct >= now_pct:
        return (
            f"None of the steps that were tried leaves less than {now_pct:.1f} %: more light from all over, which "
            "throws no shadow, or a narrower bridge is next."
        )
    does = "does it" if best.trace_pct <= HOLDS_BELOW_PCT else "comes nearest"
    return f"Change first: {best.what}; that {does}, {best.trace_pct:.1f} % instead of {now_pct:.1f} %."
