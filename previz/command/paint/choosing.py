"""Which paint is kept: solved paint and every paint that it could have begun with, each as it is laid, judged on frames
that were not solved for. A solver follows its own frames; what counts is what the film shows between them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np

from previz.command.paint.laidpaint import LaidPaint, LaidStrokes, LayingHand
from previz.command.paint.repaint import repainted
from previz.command.paint.solving import SolvedPaint, compared_frames, solved_size_px, with_paint
from previz.judge.hold import FrameScore
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.run.progress import Progress
from previz.run.workers import WorkerPool
from previz.scene.model import Scene
from previz.stage.looking import FrameJob, Looker
from previz.stage.prepare import BRIDGE, ReadySet
from previz.units import mm_text
from previz.workshop.surface import LitSurface

# what paints are called in tables and sentences
PAINT_NAMES = {
    "faces": "one view a face", "single": "best single view", "station": "projected", "quarter": "projected, quarter",
    "middle": "projected, middle", "three quarters": "projected, three quarters",
}  # fmt: skip

# percents that differ by less are the same
_SAME = 0.1

# what a painter could do about a paint that shows: a brush so much finer, so many times as many paints
_FINER, _MORE = 0.5, 2
_MOST_PAINTS, _FINEST_BRUSH = 64, 0.0005


@dataclass(frozen=True)
class PaintVerdict:
    """What the judge says of a paint on frames between those solved for. ``whole`` is false where judging stopped at a
    frame that showed more than the best paint so far does at worst."""

    name: str
    scores: tuple[FrameScore, ...]
    whole: bool

    @property
    def worst(self) -> float:
        """Break or trace, whichever is more, of the worst frame, percent."""
        return max((s.shown_pct for s in self.scores if s.shown_pct is not None), default=0.0)

    @property
    def mean(self) -> float:
        """The same on the mean over the frames."""
        found = [s.shown_pct for s in self.scores if s.shown_pct is not None]
        return float(np.mean(found)) if found else 0.0

    @property
    def rank(self) -> tuple[float, float, float]:
        """The less, the better. Where traces, which no paint changes, are the most that is seen, break decides."""
        breaks = max((s.break_pct for s in self.scores if s.break_pct is not None), default=0.0)
        return round(self.worst / _SAME) * _SAME, round(breaks / _SAME) * _SAME, self.mean

    @property
    def title(self) -> str:
        """What the paint is called in tables."""
        return PAINT_NAMES.get(self.name, self.name)


@dataclass(frozen=True, eq=False)
class PaintChoice:
    """The paint that is kept, as it is laid, with all verdicts, the solved paint's first, and what is said of it."""

    art: LaidPaint
    kept: str
    verdicts: tuple[PaintVerdict, ...]
    sentence: str

    def verdict(self, name: str) -> PaintVerdict:
        """The verdict of a paint."""
        return next(v for v in self.verdicts if v.name == name)


@dataclass(frozen=True, eq=False)
class BetweenJob:
    """Judges frames of the loaded set in another paint, one after the other, until one shows more than ``enough``
    percent."""

    paint: SolvedPaint
    frames: tuple[int, ...]
    size_px: tuple[int, int]
    enough: float

    def done_by(self, looker: Looker) -> tuple[FrameScore, ...]:
        """Judge them."""
        found = []
        with in_paint(looker, self.paint):
            for frame in self.frames:
                found.append(looker.look(FrameJob(frame, *self.size_px, pictures=False)).judged.score)
                if (found[-1].shown_pct or 0.0) > self.enough:
                    break
        return tuple(found)


@contextmanager
def in_paint(looker: Looker, paint: SolvedPaint) -> Iterator[None]:
    """The loaded set in another paint, for as long as the block lasts."""
    own = looker.loaded
    if paint.wall is None:
        # the wall stays, and with it what is ordinary on it
        looker.repaint(own.scene, LitSurface(BRIDGE, own.built.bridge.surface, paint.bridge), own.station_point)
        yield
        looker.repaint(own.scene, own.bridge, own.station_point)
    else:
        looker.load(with_paint(own, paint))
        yield
        looker.load(own)


class _Judge:
    """Judges paints as they are laid; each no longer than it may still be the best."""

    def __init__(self, ready: ReadySet, pool: WorkerPool) -> None:
        self._pool = pool
        self._size_px = solved_size_px(ready.scene)
        self.frames = compared_frames(ready.scene)
        self.best: PaintVerdict | None = None

    def __call__(self, name: str, lit: SolvedPaint) -> PaintVerdict:
        frames, enough = self.frames, float("inf")
        if self.best is not None:
            # frames that are hard for the best one first: they are likely to be hard for this one
            shown = {s.frame: s.shown_pct or 0.0 for s in self.best.scores}
            frames = tuple(sorted(frames, key=lambda frame: -shown[frame]))
            enough = self.best.worst + _SAME
        (scores,) = self._pool.run([BetweenJob(lit, frames, self._size_px, enough)])
        verdict = PaintVerdict(name, tuple(sorted(scores, key=lambda s: s.frame)), len(scores) == len(frames))
        if verdict.whole and (self.best is None or verdict.rank < self.best.rank):
            self.best = verdict
        return verdict


def chosen(
    ready: ReadySet,
    pool: WorkerPool,
    hand: LayingHand,
    solved: SolvedPaint,
    starts: Mapping[str, SolvedPaint],
    progress: Progress,
) -> PaintChoice:
    """The best of the solved paint and its ``starts`` in a pool of one worker that has the set loaded.

    A start that comes out better than the solved paint on frames between is kept in its place.
    """
    judge = _Judge(ready, pool)
    paints: dict[str, SolvedPaint] = {"solved": solved, **starts}
    strokes: dict[str, LaidStrokes] = {}
    lit = paints
    if hand.changes:
        tally = progress.tally(len(paints), "paints laid in strokes")
        for name, paint in paints.items():
            strokes[name] = hand.strokes(paint)
            tally.at(len(strokes), PAINT_NAMES.get(name, name))
        lit = {name: hand.lit(each) for name, each in strokes.items()}
        strokes["solved"] = repainted(pool, strokes, lit, progress)
        lit["solved"] = hand.lit(strokes["solved"])
    tally = progress.tally(len(paints), "paints judged on frames between")
    verdicts = []
    for name, paint in lit.items():
        verdicts.append(judge(name, paint))
        tally.at(len(verdicts), f"{verdicts[-1].title} {verdicts[-1].worst:.0f} % at worst")
    best = judge.best or verdicts[0]
    if solved.wall is not None and verdicts[0].worst <= HOLDS_BELOW_PCT:
        # a wall in bands hides what slides, which no single frame shows: where it holds as well, it is the better film
        best = verdicts[0]
    helps: list[str] = []
    if best.worst > HOLDS_BELOW_PCT:
        helps = _helps(ready, pool, hand, judge, best, paints, progress)
    progress.say("numbering the paint that is kept")
    said = _sentence(ready.scene, best, verdicts, helps)
    return PaintChoice(hand.laid(strokes.get(best.name, paints[best.name])), best.name, tuple(verdicts), said)


def _helps(
    ready: ReadySet,
    pool: WorkerPool,
    hand: LayingHand,
    judge: _Judge,
    best: PaintVerdict,
    paints: Mapping[str, SolvedPaint],
    progress: Progress,
) -> list[str]:
    """What would make the best paint show less, in words: each tried and judged on the same frames."""
    tries: list[tuple[str, float | None, int | None]] = []
    if hand.brush is not None and hand.brush * _FINER >= _FINEST_BRUSH:
        finer = hand.brush * _FINER
        tries.append((f"a brush of {mm_text(finer)}", finer, None))
    if hand.palette is not None and hand.palette * _MORE <= _MOST_PAINTS:
        more = hand.palette * _MORE
        tries.append((f"{more} paints", None, more))
    if len(tries) == 2:
        tries.append((f"{tries[0][0]} and {tries[1][0]}", tries[0][1], tries[1][2]))
    told: list[str] = []
    least = best.worst
    tally = progress.tally(len(tries), "tried what would help")
    for number, (words, brush, palette) in enumerate(tries, 1):
        judge.best = best
        others = {name: hand.strokes(paints[name], brush, palette) for name in ("solved", "station")}
        lit = {name: hand.lit(each) for name, each in others.items()}
        if paints["solved"].wall is None:
            # a painted wall is loaded anew to be judged, and with it goes what strokes are repainted by
            lit = {"solved": hand.lit(repainted(pool, others, lit, progress))}
        for name, each in lit.items():
            judge(name, each)
        # the last, both together, is worth a word where it does more than either
        if judge.best.worst < (least if number == 3 else best.worst) - _SAME:
            least = min(least, judge.best.worst)
            told.append(f"{words} ({judge.best.worst:.1f} % at worst)")
        tally.at(number, f"{words}: {judge.best.worst:.0f} % at worst")
    traced = max((s.trace_pct or 0.0 for s in best.scores), default=0.0)
    if traced > HOLDS_BELOW_PCT and not ready.wall.lighting.flat:
        told.append(
            f"flatter light, previz rig --lamps (the bridge's own traces alone show {traced:.1f} %, and no paint hides "
            "them)"
        )
    held = _held_around(best, ready.move.station_frame)
    if held is not None:
        told.append(f"a shorter hold (rail.hold = [{held[0]}, {held[1]}] is what holds around the station frame)")
    return told


def _held_around(verdict: PaintVerdict, station: int) -> tuple[int, int] | None:
    """The first and the last of the judged frames around the station frame that hold; None where the nearest does
    not."""
    frames = [s.frame for s in verdict.scores]
    if not frames:
        return None
    near = int(np.abs(np.array(frames) - station).argmin())
    if not verdict.scores[near].holds:
        return None
    first = last = near
    while first > 0 and verdict.scores[first - 1].holds:
        first -= 1
    while last + 1 < len(frames) and verdict.scores[last + 1].holds:
        last += 1
    return (frames[first], frames[last]) if frames[last] > frames[first] else None


def _sentence(scene: Scene, best: PaintVerdict, verdicts: Sequence[PaintVerdict], helps: Sequence[str]) -> str:
    """What came of solving, in one sentence with its numbers."""
    solved = verdicts[0]
    others = [v for v in verdicts[1:] if v.whole] or list(verdicts[1:])
    start = min(others, key=lambda v: v.rank, default=None)
    by = []
    if scene.paint.brush is not None:
        by.append(f"a brush of {mm_text(scene.paint.brush)}")
    if scene.paint.palette is not None:
        by.append("one paint" if scene.paint.palette == 1 else f"{scene.paint.palette} paints")
    laid = f", laid with {' and '.join(by)}," if by else ""
    if best.name != "solved":
        said = (
            f"Solving made nothing better{laid} on frames between those solved for: at worst {solved.worst:.1f} % "
            f"shows of the solved paint and {best.worst:.1f} % of {best.title} paint, which is kept"
        )
    elif start is None:
        said = f"Solved paint{laid} shows {best.worst:.1f} % at worst on frames between those solved for"
    else:
        least = "" if start.whole else "at least "
        said = (
            f"Solved paint{laid} shows {best.worst:.1f} % at worst on frames between those solved for; the best that "
            f"it could begin with, {start.title}, {least}{start.worst:.1f} %"
        )
    if best.worst <= HOLDS_BELOW_PCT:
        return f"{said}."
    if not helps:
        vain = "neither a finer brush nor more paints would help: " if by else ""
        return f"{said}; {vain}a shorter hold, a narrower bridge or flatter light may help."
    return f"{said}; what would help: {'; '.join(helps)}."
