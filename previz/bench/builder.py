"""The process that builds and lights sets, beside the one that draws: the old set stays in use meanwhile.

While nothing is to be built it judges the bench at rest as ``score`` does (:mod:`previz.bench.fulljudge`).
"""

from __future__ import annotations

import os
import signal
import threading
import time
import traceback
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np

from previz.bench.fulljudge import FullJudge, NewerOrderError
from previz.bench.order import Answer, Order
from previz.deliver.shoot.pagedata import set_data
from previz.draw.drawnset import drawn_set
from previz.errors import PrevizError
from previz.run.lightcache import LightCache
from previz.run.workers import end_with_parent
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.stage.freewall import with_free_wall
from previz.stage.prepare import (
    Painter,
    ReadySet,
    bridge_texel,
    lit_for,
    prepare,
    sight_of,
    wall_in_view,
)
from previz.workshop.light.bake import WallBake, bake_wall
from previz.workshop.set import BuiltSet, build_bridge


@dataclass(frozen=True, eq=False)
class BuildOrder:
    """A set to build for pictures ``width_px`` wide; ``key`` is its name."""

    key: str
    scene: Scene
    width_px: int


@dataclass(frozen=True, eq=False)
class Built:
    """A built set, how long it took, and what side view and plan need to know of it."""

    key: str
    ready: ReadySet
    seconds: float
    drawing: dict[str, Any]


@dataclass(frozen=True)
class Halt:
    """A hand has begun to move: nothing is to be judged until it rests."""


class _Wanted:
    """What is wanted on a line: the newest set to build, and the newest state to judge."""

    def __init__(self, line: Connection) -> None:
        self._line = line
        self.set: BuildOrder | None = None
        self.state: Order | None = None

    def listen(self) -> None:
        """Hear what is wanted; wait for it where nothing is."""
        while self._line.poll() or not (self.set or self.state):
            said = self._line.recv()
            if isinstance(said, BuildOrder):
                self.set = said
            else:
                self.state = said if isinstance(said, Order) else None

    def give_way(self) -> None:
        """Raise :class:`NewerOrderError` where something new is wanted."""
        if self._line.poll():
            raise NewerOrderError


def build_until_closed(wants: Connection, sets: Connection, cache: Path | None, engine: str | None) -> None:
    """The process's life: build what is wanted, give it to the drawer, judge what rests, and tell the bench."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=end_with_parent, daemon=True).start()
    if hasattr(os, "nice"):
        # pictures come first
        os.nice(10)
    builder, wanted = _Builder(cache), _Wanted(wants)
    judge = FullJudge(engine, cache, wanted.give_way, wants.send)
    try:
        while True:
            wanted.listen()
            if wanted.set is not None:
                order, wanted.set = wanted.set, None
                _build(order, builder, wants, sets)
            elif wanted.state is not None:
                state = wanted.state
                with suppress(NewerOrderError):
                    try:
                        judge.judge(state, builder.as_scored)
                    except PrevizError as error:
                        wants.send(Answer(state.number, "unseen", {"why": str(error)}))
                    # what was judged to its end is not judged again
                    wanted.state = None
                    wanted.give_way()
                    builder.look_ahead()
    except (EOFError, BrokenPipeError, ConnectionResetError):
        return
    except Exception as error:
        with suppress(OSError):
            wants.send(("ended", "", "".join(traceback.format_exception(error))))


def _build(order: BuildOrder, builder: _Builder, wants: Connection, sets: Connection) -> None:
    wants.send(("building", order.key, ""))
    try:
        built = builder.built(order)
    except PrevizError as error:
        wants.send(("failed", order.key, str(error)))
        return
    sets.send(built)
    wants.send(("built", order.key, ""))


class _Builder:
    def __init__(self, cache: Path | None) -> None:
        self._cache = None if cache is None else LightCache(cache)
        self._ready: ReadySet | None = None
        self._bake: WallBake | None = None
        # the set as score makes it ready, but for its texels; None where its wall is that of another bridge
        self.as_scored: ReadySet | None = None

    def built(self, wanted: BuildOrder) -> Built:
        start = time.monotonic()
        scene = wanted.scene
        if self._ready is not None and _same_but_bridge(self._ready.scene, scene):
            ready = self._other_bridge(self._ready, scene, wanted.width_px)
            self.as_scored = None
        else:
            self._bake = None
            self.as_scored = ready = prepare(scene, wanted.width_px, self._cache)
        self._ready = ready
        drawing = set_data(drawn_set(ready.move, ready.built.wall))
        return Built(wanted.key, with_free_wall(ready), time.monotonic() - start, drawing)

    def look_ahead(self) -> None:
        """Work out what another bridge will need of the wall's light, while nothing else is wanted."""
        ready = self._ready
        if ready is not None and not ready.wall.lighting.flat:
            self._wall_bake(ready)

    def _wall_bake(self, base: ReadySet) -> WallBake:
        if self._bake is None:
            self._bake = bake_wall(base.built.wall, base.wall.lighting, sight_of(base.built))
        return self._bake

    def _other_bridge(self, base: ReadySet, scene: Scene, width_px: int) -> ReadySet:
        """The set with another bridge. The wall stays pressed back around the first one's root."""
        wall = base.built.wall
        move = move_of(scene)
        built = BuiltSet(wall, build_bridge(scene, wall, bridge_texel(scene, move, width_px)))
        sight = sight_of(built)
        lit = lit_for(base.wall, scene, built, sight, lambda: self._wall_bake(base))
        station = np.asarray(move.camera(move.station_frame).position)
        bridge, out_of_range = Painter(built, lit, sight).painted(scene, station)
        return ReadySet(scene, built, lit, bridge, station, wall_in_view(move, wall), out_of_range)


def _same_but_bridge(one: Scene, other: Scene) -> bool:
    return (one.wall, one.lamps, one.cards, one.light) == (other.wall, other.lamps, other.cards, other.light) and (
        one.bridge.mesh is None and other.bridge.mesh is None
    )
