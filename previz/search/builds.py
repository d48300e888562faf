"""Jobs of a knock: the shot as it is, how far each error may go alone, and whole builds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from previz.errors import JudgeError
from previz.geometry import Array
from previz.judge.film.found import FilmFrame, film_of
from previz.judge.hold import FrameScore, summarised
from previz.judge.trace.traces import trace_percents
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.scene.model import Scene
from previz.scene.move import Move
from previz.search.bridges import fast_looker
from previz.search.filmhold import between, told_as_film, with_drift_of
from previz.search.knock import (
    Slack,
    counted,
    eased,
    knocked,
    largest_drift,
    limit_of,
    misbuilt,
    only,
    sample,
    slacks_of,
)
from previz.stage.looking import Looker

# frames of the hold that are looked at, with both ends and the station among them; and before it, where the film begins
_FRAMES: Final = 9
_BEFORE: Final = 3

# how many ways to mix colours wrong, and for strokes to fall, an error of the hand alone is tried with
_WAYS: Final = 2

# a drift is found to within this share of itself
_CLOSELY: Final = 0.02

# drift is worked out every few frames: so long (s) past the hold's end the last of them may lie
_PAST_S: Final = 0.1

# break (percent) of a frame that cannot be judged with an error, and can without
_LOST: Final = 100.0


@dataclass(frozen=True)
class AsItIs:
    """The shot without any error: ``scores`` of the frames looked at, by frame; ``film`` the score of every frame up to
    the end of the hold asked for, with its drift; and what has been ``found`` by then."""

    scores: dict[int, FrameScore]
    film: tuple[FrameScore, ...]
    found: FilmFrame

    def worst(self, frames: Sequence[int]) -> FrameScore:
        """The score of that of ``frames`` in which most shows; one that cannot be judged before all."""
        return max((self.scores[f] for f in frames), key=lambda s: _LOST + 1.0 if s.shown_pct is None else s.shown_pct)

    def holds(self, frames: Sequence[int]) -> bool:
        """Whether the film holds over ``frames``: nothing shows in any, and it is not found by the end."""
        return self.found.found_pct <= HOLDS_BELOW_PCT and all(self.scores[f].holds for f in frames)


@dataclass(frozen=True)
class AsItIsJob:
    """Looks at ``frames``, each ``width_px`` x ``height_px``, without any error."""

    width_px: int
    height_px: int
    frames: tuple[int, ...]

    def done_by(self, looker: Looker) -> AsItIs:
        """Look."""
        scene, move, size = looker.loaded.scene, looker.loaded.move, (self.width_px, self.height_px)
        fast = fast_looker(looker, own_paint=True)
        looked = [fast.score(scene, move, frame, *size) for frame in sorted(self.frames)]
        still = summarised(looked, scene.rail.hold, move.station_frame, None)
        last = scene.rail.hold[1]
        past = last + _PAST_S * float(scene.delivery.rate)

        def drifting(score: FrameScore) -> FrameScore:
            return fast.drifting(scene, move, score, *size) if score.frame <= past else score

        told = told_as_film(looked, drifting, still, move, scene.rail.hold)
        film = tuple(score for score in told.scores if score.frame <= last)
        return AsItIs({score.frame: score for score in looked}, film, told.film[len(film) - 1])


@dataclass(frozen=True)
class _Probe:
    """Frames to look at, each ``width_px`` x ``height_px``; ``frames`` with the break in percent that each may show."""

    width_px: int
    height_px: int
    frames: tuple[tuple[int, float], ...]

    def broken(self, looker: Looker, frame: int, knock: Array, seed: tuple[int, ...]) -> float | None:
        """Break of a frame in percent after a knock; None where it cannot be judged."""
        scene, move = looker.loaded.scene, looker.loaded.move
        station = move.camera(move.station_frame, self.width_px, self.height_px)
        camera = knocked(move.camera(frame, self.width_px, self.height_px), knock)
        try:
            found = fast_looker(looker, own_paint=True).judged(scene, camera, station, misbuilt(knock, seed))
        except JudgeError:
            return None
        return found.percent

    def holds(self, looker: Looker, knock: Array, seed: tuple[int, ...]) -> bool:
        """Whether all frames hold after a knock."""
        for frame, limit in self.frames:
            percent = self.broken(looker, frame, knock, seed)
            if percent is None or percent > limit:
                return False
        return True


def _ways(slack: Slack, scene: Scene) -> list[tuple[int, ...]]:
    """Seeds of the hand to try an error alone with."""
    return [(scene.knock.seed, way) for way in range(_WAYS if slack.part == "hand" else 1)]


@dataclass(frozen=True)
class DriftJob(_Probe):
    """How far one freedom may drift to one side with every frame holding."""

    slack: Slack
    side: float

    def done_by(self, looker: Looker) -> float | None:
        """Find it."""
        ways = _ways(self.slack, looker.loaded.scene)

        def holds(drift: float) -> bool:
            knock = only(self.slack, self.side * drift)
            return all(self.holds(looker, knock, way) for way in ways)

        return largest_drift(holds, self.slack.limit, self.slack.resolution, _CLOSELY)


@dataclass(frozen=True)
class AddedJob(_Probe):
    """How many points of break one error of the size that is stated adds; ``frames`` with their break without it."""

    slack: Slack

    def done_by(self, looker: Looker) -> float:
        """The most that it adds, to either side, in any frame."""
        scene = looker.loaded.scene
        stated = self.slack.stated(scene.knock)
        most = 0.0
        for side in self.slack.sides if stated > 0.0 else ():
            for way in _ways(self.slack, scene):
                for frame, without in self.frames:
                    found = self.broken(looker, frame, only(self.slack, side * stated), way)
                    most = max(most, (_LOST if found is None else found) - without)
        return most


@dataclass(frozen=True)
class BuildResult:
    """What came of one build: whether its ``station`` frame, all frames of the ``hold`` and the ``film`` hold; the most
    that shows in any frame of the hold, percent, and what is found by its end, percent."""

    station: bool
    hold: bool
    film: bool
    shown_pct: float
    found_pct: float


@dataclass(frozen=True)
class BuildsJob:
    """Builds number ``first`` up to ``last``, not included, each with the film of the hold.

    ``frames`` are looked at, the station frame first, all of the hold but what lies before it: for each the break and
    the trace, percent, that it may show. What slides is taken as it is without errors, ``as_is``: it is the move's and
    the set's, and an error of a millimetre changes it by as much as that is of the bridge's distance from the wall. Of
    the errors among ``halved`` only half is made.
    """

    width_px: int
    height_px: int
    frames: tuple[tuple[int, float, float], ...]
    as_is: tuple[FrameScore, ...]
    first: int
    last: int
    halved: tuple[Slack, ...] = ()

    def done_by(self, looker: Looker) -> list[BuildResult]:
        """Try them."""
        scene = looker.loaded.scene
        slacks, lamps = slacks_of(scene), len(scene.lamps)
        out = []
        for number in range(self.first, self.last):
            knock = counted(sample(scene.knock, number, max(lamps, 1)), slacks)
            out.append(self._built(looker, eased(knock, self.halved, 0.5), (scene.knock.seed, number)))
        return out

    def _built(self, looker: Looker, knock: Array, seed: tuple[int, ...]) -> BuildResult:
        scene, move = looker.loaded.scene, looker.loaded.move
        scores = [self._score(looker, frame, knock, seed) for frame, _, _ in self.frames]
        in_limits = [
            score.break_pct is not None and score.break_pct <= most and (score.trace_pct or 0.0) <= most_trace
            for score, (_, most, most_trace) in zip(scores, self.frames, strict=True)
        ]
        within = [scene.rail.hold[0] <= frame <= scene.rail.hold[1] for frame, _, _ in self.frames]
        asked = [s for s, inside in zip(scores, within, strict=True) if inside]
        found = self.found_of(scores, move, float(scene.delivery.rate)).found_pct
        return BuildResult(
            in_limits[0],
            in_limits[0] and all(fine for fine, inside in zip(in_limits, within, strict=True) if inside),
            found <= HOLDS_BELOW_PCT and all(score.holds for score in asked),
            max(_LOST if score.shown_pct is None else score.shown_pct for score in asked),
            found,
        )

    def found_of(self, scores: Sequence[FrameScore], move: Move, rate: float) -> FilmFrame:
        """What has been found by the end of the hold, from scores of the frames looked at."""
        every = between(sorted(scores, key=lambda s: s.frame), move)[: len(self.as_is)]
        return film_of([with_drift_of(s, before) for s, before in zip(every, self.as_is, strict=True)], rate)[-1]

    def _score(self, looker: Looker, frame: int, knock: Array, seed: tuple[int, ...]) -> FrameScore:
        scene, move = looker.loaded.scene, looker.loaded.move
        station = move.camera(move.station_frame, self.width_px, self.height_px)
        camera = knocked(move.camera(frame, self.width_px, self.height_px), knock)
        plain = FrameScore(frame, move.rail_at(frame), None, None, 0.0)
        try:
            found, trace = fast_looker(looker, own_paint=True).looked(scene, camera, station, misbuilt(knock, seed))
        except JudgeError as error:
            return replace(plain, reason=str(error))
        return replace(plain, break_pct=found.percent, trace_pct=max(trace_percents(trace, found.outline)))


def frames_of_hold(scene: Scene, move: Move) -> tuple[int, ...]:
    """Frames spread over the hold that the scene asks for, with its ends and the station frame, which comes first."""
    first, last = scene.rail.hold
    spread = {int(f) for f in np.linspace(first, last, min(_FRAMES, last - first + 1)).round()}
    return (move.station_frame, *sorted(spread - {move.station_frame}))


def frames_before(scene: Scene, move: Move) -> tuple[int, ...]:
    """Frames spread over what a viewer sees before the hold asked for begins."""
    start, first = move.frames[0], scene.rail.hold[0]
    spread = np.linspace(start, first, min(_BEFORE, first - start) + 1).round()[:-1]
    return tuple(sorted({int(f) for f in spread} - {move.station_frame}))


def limits_of(scores: dict[int, FrameScore], frames: Sequence[int]) -> tuple[tuple[int, float, float], ...]:
    """Frames with the break and the trace, percent, from which each counts as lost to an error."""
    return tuple((f, limit_of(scores[f].break_pct or 0.0), limit_of(scores[f].trace_pct or 0.0)) for f in frames)
