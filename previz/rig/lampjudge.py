"""The fast judge on lamps in other places: what of the bridge's shadow shows, over the hold, in the set relit by parts.

The bridge is painted anew for every light, within what paint can do there. What is ordinary on the wall is looked at
again where the key comes from another side, and kept for lights that come from about the same.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from previz.judge.hold import FrameScore
from previz.judge.ordinary import OrdinaryWall
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.look.sight import SightLines
from previz.rig.lightadvice import level_of
from previz.scene.model import Lamp
from previz.scene.rig.lampplaces import Direction
from previz.stage.fastlooking import FastLooker
from previz.stage.lightparts import LightParts
from previz.stage.looking import Looker
from previz.stage.prepare import BRIDGE, CLEAN_WALL, WALL, Painter, continues_wall

# keys that come from within this angle (rad) of each other, or of each other's mirror image, show carving about alike
_ALIKE: Final = math.radians(30.0)

# places kept by one look: a light is looked at from a handful of frames
_PLACES: Final = 4


@dataclass(frozen=True)
class LampLook:
    """What the fast judge finds with lamps in their places: the worst ``trace_pct`` and ``break_pct`` of the frames
    looked at, None where none could be judged, ``out_of_range`` of the paint (0 to 1) and ``wall_lux``."""

    trace_pct: float | None
    break_pct: float | None
    out_of_range: float
    wall_lux: float

    def cost(self, outline: bool) -> float:
        """What lights are ranked by: trace as far as it shows, then the outline where it can be hidden at all."""
        if self.trace_pct is None or self.break_pct is None:
            return 1000.0
        shown = max(self.trace_pct - 0.6 * HOLDS_BELOW_PCT, 0.0)
        return 3.0 * shown + 0.02 * self.trace_pct + (self.break_pct if outline else 0.0)


class LampJudge:
    """Looks at one set in the light of lamps, in frames of ``size_px`` (width, height)."""

    def __init__(
        self, looker: Looker, parts: LightParts, sight: SightLines, frames: Sequence[int], size_px: tuple[int, int]
    ) -> None:
        self._looker, self._parts, self._sight = looker, parts, sight
        self._frames, self._size_px = tuple(frames), size_px
        self._ordinary: list[tuple[Direction, OrdinaryWall]] = []
        self._known: dict[tuple[Lamp, ...], LampLook] = {}
        self.outline = continues_wall(looker.loaded.scene)

    def look(self, lamps: Sequence[Lamp], key: Direction) -> LampLook:
        """What is found with lamps as bright as they are; ``key`` is where most light comes from."""
        known = tuple(lamps)
        if known not in self._known:
            self._known[known] = self._looked(known, key)
        return self._known[known]

    def _looked(self, lamps: tuple[Lamp, ...], key: Direction) -> LampLook:
        ready = self._parts.ready(lamps)
        bridge, out_of_range = Painter(ready.built, ready.wall, self._sight).painted(ready.scene, ready.station_point)
        ready = replace(ready, bridge=bridge, out_of_range=out_of_range)
        engine = self._looker.engine
        engine.repaint(WALL, ready.wall.shadowed.code)
        engine.repaint(CLEAN_WALL, ready.wall.clean.code)
        engine.repaint(BRIDGE, bridge.code)
        ordinary = self._ordinary_for(key)
        fast = FastLooker(ready, engine, self._sight, lambda _: ordinary, _PLACES, own_paint=True)
        move = ready.move
        scores: list[FrameScore] = [fast.score(ready.scene, move, frame, *self._size_px) for frame in self._frames]
        fast.forget()
        judged = [score for score in scores if score.break_pct is not None]
        level = level_of(ready, self._sight).wall
        if not judged:
            return LampLook(None, None, out_of_range, level)
        return LampLook(
            max(score.trace_pct or 0.0 for score in judged),
            max(score.break_pct or 0.0 for score in judged),
            out_of_range,
            level,
        )

    def _ordinary_for(self, key: Direction) -> OrdinaryWall:
        key = Direction(abs(key.round_deg), key.up_deg)
        for way, known in self._ordinary:
            if way.away_from(key) <= _ALIKE:
                return known
        made = self._looker.ordinary_as_drawn(self._size_px[1])
        self._ordinary.append((key, made))
        return made
