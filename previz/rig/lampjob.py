"""Placing lamps as a job for a worker that has the set loaded."""

from __future__ import annotations

from dataclasses import dataclass

from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.rig.placing import Judged, LampPlacer
from previz.rig.wayout import WayOut, ways_out
from previz.stage.looking import Looker

# how many of the best are handed back, for drawn frames to choose from
_HANDED = 3


@dataclass(frozen=True, eq=False)
class LampsFound:
    """The best setups as the fast judge found them, the best first; ``frames`` are those that it looked at, ``needed``
    the lux that the exposure asks for at the wall. ``ways`` are steps beyond what is at hand, where none is good."""

    best: tuple[Judged, ...]
    frames: tuple[int, ...]
    needed: float
    ways: tuple[WayOut, ...]


@dataclass(frozen=True)
class PlaceLampsJob:
    """Places the lamps at hand on the loaded set, judged in frames of ``width_px`` x ``height_px``; a pool's last job,
    or alone. ``ways`` asks for steps beyond what is at hand where no trace-free place is found."""

    width_px: int
    height_px: int
    ways: bool = True

    def done_by(self, looker: Looker) -> LampsFound:
        """Place them."""
        move = looker.loaded.move
        first, last = move.scene.rail.hold
        station = min(max(move.station_frame, first), last)
        frames = tuple(sorted({first, station, last}))
        placer = LampPlacer(looker, frames, (self.width_px, self.height_px))
        ranked = placer.placed()
        ways: list[WayOut] = []
        if ranked and self.ways and (ranked[0].look.trace_pct or 0.0) > HOLDS_BELOW_PCT:
            ways = ways_out(placer, ranked[0])
        return LampsFound(tuple(ranked[:_HANDED]), frames, placer.needed, tuple(ways))
