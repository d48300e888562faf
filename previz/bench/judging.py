"""Who judges on the bench: the fast judge of the set as it is built, or one made in a hurry for what the hand turns.

At rest the judge is the one that ``search`` and ``sheet`` have. Under a moving hand three things may be taken from what
is known already: what is ordinary on the wall, at the nearest magnification; the built bridge's light and shadow
for one of another size; and the blur of the layers while the focal length changes. What is told then is called rough.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from previz.bench.order import Order
from previz.bench.standin import StandIn
from previz.geometry import Array
from previz.judge.breaks import Break
from previz.judge.hold import FrameScore, summarised
from previz.judge.ordinary import Ordinary, OrdinaryWall
from previz.look.sight import SightLines
from previz.look.view import Engine
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.search.candidates import looked_over, painter_of
from previz.search.filmhold import FilmHold, told_as_film, with_drift_of
from previz.stage.fastlooking import FastLooker
from previz.stage.looking import Looker
from previz.stage.prepare import ReadySet, wall_in_view

# places whose views are kept: those of a hold that is being found, and those that the hand passes meanwhile
_PLACES = 16


@dataclass(frozen=True, eq=False)
class Judge:
    """A fast judge, the sight lines that know its bridge, and whether what it says is rough at rest, too."""

    fast: FastLooker
    sight: SightLines
    rough: bool


class _AtHand(OrdinaryWall):
    """What is ordinary on a wall; in a ``hurry`` at the nearest magnification that is known already."""

    def __init__(self, wall: OrdinaryWall) -> None:
        self._wall = wall
        self.hurry = False

    def at(self, px_per_m: float) -> Ordinary:
        return self._wall.known_near(px_per_m) if self.hurry else self._wall.at(px_per_m)


class Judges:
    """The judges of one built set, which ``looker`` has loaded; ``stand_in`` is the bridge at hand."""

    def __init__(self, looker: Looker, base: ReadySet, stand_in: StandIn) -> None:
        self._looker = looker
        self._base = base
        self._stand_in = stand_in
        self._kept: dict[Any, Judge] = {}
        self._ordinary: _AtHand | None = None
        self._optics: tuple[Any, ...] = ()
        # for what scene and where the paint of the built bridge was laid
        self._laid: tuple[Any, ...] = ()

    @property
    def optics(self) -> tuple[Any, ...]:
        """The optics that the set is judged with at rest; empty before the first time."""
        return self._optics

    def settle(self, scene: Scene) -> None:
        """Judge with the scene's lens from now on. The bridge stays the built one."""
        wanted = optics_of(scene)
        if wanted == self._optics:
            return
        move = move_of(scene)
        own = scene.model_copy(update={"bridge": self._base.scene.bridge})
        self._looker.relook(replace(self._base, scene=own, wall_in_view=wall_in_view(move, self._base.built.wall)))
        self._kept, self._ordinary = {}, None
        self._optics, self._laid = wanted, ()

    def key(self, order: Order, scene: Scene) -> tuple[Any, ...]:
        """A name for the judge that an order needs; while it stays the same no other has to be made."""
        place = None if order.follows else order.laid_at
        bridge = None if self._stand_in.fits(scene) else scene.bridge.model_dump_json()
        # a longer lens sees the same places of the set larger, which needs no other judge
        sharp = _sharpness(scene)
        return bridge, place, None if sharp == self._optics[2:] else sharp

    def judge(self, order: Order, scene: Scene) -> Judge:
        """The judge for an order; made where there is none."""
        key = self.key(order, scene)
        if key not in self._kept:
            built = key[0] is None and key[2] is None
            # one that is at rest, and the newest in a hurry
            self._kept = {k: v for k, v in self._kept.items() if not built and k[0] is None and k[2] is None}
            self._kept[key] = self._made(order, scene)
        return self._kept[key]

    def hurry(self, on: bool) -> None:
        """Whether what is ordinary on the wall may be taken from the nearest magnification."""
        if self._ordinary is not None:
            self._ordinary.hurry = on

    def scored(
        self, order: Order, scene: Scene, move: Move, frame: int, size_px: tuple[int, int]
    ) -> tuple[FrameScore, Break | None]:
        """A frame's score, and the break; None where it cannot be judged."""
        laid_at = None if order.follows else np.asarray(order.laid_at)
        return self.judge(order, scene).fast.scored(scene, move, frame, *size_px, laid_at)

    def drifting(
        self, order: Order, scene: Scene, move: Move, score: FrameScore, size_px: tuple[int, int]
    ) -> FrameScore:
        """A frame's score with its drift."""
        laid_at = None if order.follows else np.asarray(order.laid_at)
        return self.judge(order, scene).fast.drifting(scene, move, score, *size_px, laid_at)

    def lay(self, scene: Scene, place: Array) -> None:
        """Let the engine show the built bridge painted for ``place`` (3,) m."""
        wanted = (tuple(float(v) for v in place), scene.bridge.paint)
        if wanted == self._laid and self._looker.ready.scene == scene:
            return
        bridge, _ = painter_of(self._looker).painted(scene, place)
        self._looker.repaint(scene, bridge, place)
        self._laid = wanted

    def _made(self, order: Order, scene: Scene) -> Judge:
        looker, own = self._looker, not order.follows
        place = np.asarray(order.laid_at) if own else move_of(scene).track.through
        if not self._stand_in.fits(scene):
            return self._judge_of(*self._stand_in.ready(scene, place), own, rough=True)
        ready = looker.loaded
        if own:
            # as it was laid: painted once for that place, and looked at from wherever the camera goes
            self.lay(ready.scene, place)
            ready = looker.ready
        sharp = _sharpness(scene) == self._optics[2:]
        if not sharp:
            ready = replace(ready, scene=scene)
        return self._judge_of(ready, looker.engine, looker.sight, own, rough=not sharp)

    def _judge_of(self, ready: ReadySet, engine: Engine, sight: SightLines, own: bool, rough: bool) -> Judge:
        return Judge(FastLooker(ready, engine, sight, self._known, _PLACES, own), sight, rough)

    def _known(self, height_px: int) -> OrdinaryWall:
        if self._ordinary is None:
            self._ordinary = _AtHand(self._looker.ordinary(height_px))
        return self._ordinary


def optics_of(scene: Scene) -> tuple[Any, ...]:
    """What the judge of a built set depends on of a camera that may stand anywhere."""
    body = scene.camera
    return (body.lens, body.sensor, *_sharpness(scene))


def _sharpness(scene: Scene) -> tuple[Any, ...]:
    body = scene.camera
    return body.stop, body.focus, body.shutter, body.rate, body.pupil_ratio, scene.delivery


class _LaterError(Exception):
    """This much is enough for now."""


@dataclass(eq=False)
class Probe:
    """An order whose hold is being found frame by frame, while the hand goes on."""

    order: Order
    scene: Scene
    move: Move
    key: tuple[Any, ...]
    scores: dict[int, FrameScore] = field(default_factory=dict)
    slid: dict[int, FrameScore] = field(default_factory=dict)

    def step(self, judges: Judges, size_px: tuple[int, int]) -> FilmHold | None:
        """Judge one frame more, or follow the film one frame on; the hold, where that was all."""
        left = 1

        def once(kept: dict[int, FrameScore], frame: int, judged: Callable[[], FrameScore]) -> FrameScore:
            nonlocal left
            if frame not in kept:
                if left == 0:
                    raise _LaterError
                left -= 1
                kept[frame] = judged()
            return kept[frame]

        def look(frame: int) -> FrameScore:
            return once(
                self.scores, frame, lambda: judges.scored(self.order, self.scene, self.move, frame, size_px)[0]
            )

        def drifting(score: FrameScore) -> FrameScore:
            slid = once(
                self.slid, score.frame, lambda: judges.drifting(self.order, self.scene, self.move, score, size_px)
            )
            return with_drift_of(score, slid)

        try:
            looked_over(look, self.scene, self.move)
            return held_film(self.scores, drifting, self.move)
        except _LaterError:
            return None


def held_film(scores: dict[int, FrameScore], drifting: Callable[[FrameScore], FrameScore], move: Move) -> FilmHold:
    """The hold of a move from the frames that were looked at; of the station frame alone there is no film."""
    rows, rail = [scores[frame] for frame in sorted(scores)], move.scene.rail
    still = summarised(rows, rail.hold, move.station_frame, rail.reveal)
    if len(rows) == 1:
        return FilmHold(still, tuple(rows), (), None)
    return told_as_film(rows, drifting, still, move, rail.hold)
