"""What the bench says at rest: the scene judged as ``score`` judges the scene written, by the same code.

The set is made ready as for ``score``, at the width that a report has, and every frame is drawn and judged, the one
in hand first, then from the station frame outwards. Whatever is wanted meanwhile ends it at the next drawing; what has
been judged is kept, so that it goes on from there, and so that a state to which the hand comes back is told at once.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from previz.bench.around import EngineAround
from previz.bench.order import Answer, Order
from previz.bench.told import jpeg, score_row
from previz.camera import AnyCamera
from previz.command.paint.solvedpaint import SOLVED_RECORD, kept, kept_for_another
from previz.command.paint.solving import with_paint
from previz.command.shoot.shoot import judged_pieces, scaled_height
from previz.command.shoot.verdict import USUAL_WIDTH, judged_move, move_cautions, summary_values
from previz.deliver.shoot.pagedata import outline_lines, sight_data
from previz.draw.sideview import sight_lines
from previz.judge.hold import FrameScore
from previz.look.choose import choose_engine
from previz.look.view import Engine, View
from previz.run.lightcache import LightCache
from previz.run.output import OutputFolder
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.stage.freewall import with_free_wall
from previz.stage.looking import FrameJob, FrameResult, Looker
from previz.stage.mends import first_steps
from previz.stage.prepare import Painter, ReadySet, prepare, same_set
from previz.stage.standing import alike, for_all

# states of the bench whose numbers are kept, the newest
_KEPT = 24

# s at least between two words on how far it is
_TELL_EVERY = 0.25

_QUALITY = 90

# which paint the numbers are of, where the scene asks for solved paint
SOLVED, STALE, UNSOLVED = "solved", "stale", "projected"


class NewerOrderError(Exception):
    """Something else is wanted now."""


@dataclass(eq=False)
class _Told:
    """What has been judged of one state: its scores by frame; what is drawn ``about`` the one looked at last; which
    ``paint`` they are of, "" for the scene's own; what to look out for."""

    scores: dict[int, FrameScore] = field(default_factory=dict)
    about: dict[int, dict[str, Any]] = field(default_factory=dict)
    paint: str = ""
    cautions: list[str] = field(default_factory=list)


class FullJudge:
    """Judges orders at rest. ``folder`` is the output folder, None where nothing is kept; ``give_way`` raises
    :class:`NewerOrderError` as soon as something else is wanted, ``answer`` takes what is told."""

    def __init__(
        self,
        engine: str | None,
        folder: Path | None,
        give_way: Callable[[], None],
        answer: Callable[[Answer], None],
    ) -> None:
        self._engine = engine
        self._folder = folder
        self._give_way = give_way
        self._answer = answer
        self._looker: Looker | None = None
        self._told: dict[str, _Told] = {}
        # the set as it was made ready last, for whatever camera; and the state that the looker has loaded
        self._ready: ReadySet | None = None
        self._loaded = ""
        self._last_told = 0.0

    def judge(self, order: Order, built: ReadySet | None = None) -> None:
        """Judge a state at rest to its end. ``built`` is the newest set that was made ready as for ``score``."""
        scene, move = order.scene, move_of(order.scene)
        key = _key(order, self._folder)
        told = self._told[key] = self._told.pop(key, _Told())
        while len(self._told) > _KEPT:
            del self._told[next(iter(self._told))]
        frame = min(max(order.frame, move.frames[0]), move.frames[-1])
        if told.scores:
            self._progress(order, told, move, frame)
        looker = self._loaded_for(order, key, told, built)
        size = USUAL_WIDTH, scaled_height(scene, USUAL_WIDTH)
        found = looker.look(FrameJob(frame, *size))
        # while the shot stands one frame speaks for all of them
        groups = {each: group for group in alike(move, move.frames) for each in group}
        _take(told, found, groups[frame])
        self._pictures(order, frame, found)
        told.about = {frame: self._about(found, looker, move, size)}
        self._progress(order, told, move, frame)
        for other in outwards(move, scene.rail.hold):
            if other not in told.scores:
                self._give_way()
                _take(told, looker.look(FrameJob(other, *size, pictures=False)), groups[other])
                if time.monotonic() - self._last_told > _TELL_EVERY:
                    self._progress(order, told, move, frame)
        self._finished(order, told, move, frame, looker, size)

    # ---- the set -------------------------------------------------------------------------------------------------

    def _loaded_for(self, order: Order, key: str, told: _Told, built: ReadySet | None) -> Looker:
        """The looker with the set of an order, in its paint."""
        if self._looker is None:
            engine = choose_engine(self._engine).engine
            self._looker = Looker(_Interruptible(engine, self._give_way))
        if self._loaded != key:
            self._give_way()
            ready, told.paint = self._made_ready(order, built)
            told.cautions = move_cautions(order.scene, ready, ())
            self._give_way()
            self._loaded = ""
            self._looker.load(ready)
            self._loaded = key
        return self._looker

    def _made_ready(self, order: Order, built: ReadySet | None) -> tuple[ReadySet, str]:
        """The set as ``score`` makes it ready, and which paint it is in where none is solved for it yet."""
        scene = order.scene
        cache = None if self._folder is None else LightCache(self._folder)
        before = next((one for one in (self._ready, built) if one is not None and same_set(one.scene, scene)), None)
        ready = prepare(scene, None, cache, None, before)
        self._ready = ready
        if not order.follows:
            place = np.asarray(order.laid_at, dtype=np.float64)
            bridge, out_of_range = Painter(ready.built, ready.wall).painted(scene, place)
            return with_free_wall(replace(ready, bridge=bridge, station_point=place, out_of_range=out_of_range)), ""
        if not scene.wants_solving:
            return with_free_wall(ready), ""
        if self._folder is not None and self._folder.is_dir():
            folder = OutputFolder(self._folder)
            paint = kept(folder, ready)
            if paint is not None:
                return with_paint(ready, paint), SOLVED
            other = kept_for_another(folder, scene, ready)
            if other is not None:
                return other, STALE
        return ready, UNSOLVED

    # ---- what is told --------------------------------------------------------------------------------------------

    def _about(self, found: FrameResult, looker: Looker, move: Move, size: tuple[int, int]) -> dict[str, Any]:
        """Outline and sight lines of the frame in hand."""
        judged = found.judged
        camera = move.camera(judged.score.frame, *size)
        return {
            "outline": outline_lines(judged_pieces(judged)),
            "sight": sight_data(*sight_lines(judged.found, camera, looker.sight)),
        }

    def _progress(self, order: Order, told: _Told, move: Move, frame: int, **more: Any) -> None:
        """Say how far it is, the frame in hand, and the rows so far."""
        self._last_told = time.monotonic()
        own = told.scores.get(frame)
        scores = [told.scores[number] for number in sorted(told.scores)]
        values = {
            "frame": frame,
            "done": len(scores),
            "of": len(move.frames),
            "wide": USUAL_WIDTH,
            "high": scaled_height(order.scene, USUAL_WIDTH),
            "paint": told.paint,
            "own": None if own is None else score_row(own),
            "about": told.about.get(frame),
            "rows": [score_row(score) for score in scores],
            "cautions": told.cautions,
            "summary": None,
        }
        self._answer(Answer(order.number, "full", values | more))

    def _finished(
        self, order: Order, told: _Told, move: Move, frame: int, looker: Looker, size: tuple[int, int]
    ) -> None:
        """Tell all that ``score`` leaves of it."""
        scene, whole = order.scene, judged_move(order.scene, move, told.scores)
        run = {"scene": "", "engine": looker.engine.name, "driver": looker.engine.driver}
        steps = first_steps(scene, whole.order)
        summary = summary_values(scene, whole, run, size, looker.ready, steps)
        told.cautions = summary["cautions"]
        pairs = zip(whole.order, whole.film, strict=True)
        by_frame = {score.frame: score_row(score, one.found_pct) for score, one in pairs}
        self._progress(order, told, move, frame, own=by_frame[frame], rows=list(by_frame.values()), summary=summary)

    def _pictures(self, order: Order, frame: int, found: FrameResult) -> None:
        for what, code in (("exact", found.code), ("exact clean", found.clean_code)):
            if code is not None:
                values = {"frame": frame, "wide": code.shape[1], "high": code.shape[0]}
                self._answer(Answer(order.number, what, values, jpeg(code, _QUALITY)))


def _take(told: _Told, found: FrameResult, group: tuple[int, ...]) -> None:
    """Keep a frame's score as that of every frame of its group."""
    for one in for_all([found], [group]):
        told.scores[one.judged.score.frame] = one.judged.score


def outwards(move: Move, hold: tuple[int, int]) -> Iterator[int]:
    """The frames of a move from its station frame outwards, those of the hold asked for first."""
    frames = sorted(move.frames, key=lambda frame: abs(frame - move.station_frame))
    first, last = hold
    yield from (frame for frame in frames if first <= frame <= last)
    yield from (frame for frame in frames if not first <= frame <= last)


def _key(order: Order, folder: Path | None) -> str:
    """A name for all that the numbers of an order follow from; pictures and meshes are taken not to change."""
    scene: Scene = order.scene
    solved = None
    if folder is not None and scene.wants_solving:
        with suppress(OSError):
            found = (folder / SOLVED_RECORD).stat()
            solved = found.st_mtime_ns, found.st_size
    return repr((scene.model_dump_json(), str(scene.folder), None if order.follows else order.laid_at, solved))


class _Interruptible(EngineAround):
    """An engine that draws nothing any more once something else is wanted."""

    def __init__(self, engine: Engine, give_way: Callable[[], None]) -> None:
        super().__init__(engine)
        self._give_way = give_way

    def draw(self, camera: AnyCamera, names: Sequence[str], *how: Any, **more: Any) -> View:
        """Look through ``camera`` at the named surfaces, where nothing else is wanted by now."""
        self._give_way()
        return super().draw(camera, names, *how, **more)
