"""Repainting strokes that lie, in the worker that has the frames of the hold ready (``paint/repainting.py``)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from previz.command.paint.laidpaint import LaidStrokes
from previz.command.paint.solving import SolvedPaint, codes_of, paint_bench, solving_of
from previz.geometry import Array
from previz.paint.repainting import LOOKS, Repainting, StrokeMap
from previz.paint.solver import worst_of
from previz.run.progress import Progress
from previz.run.workers import WorkerPool
from previz.stage.looking import Looker

# looks between two words to the user
_AT_ONCE = 4

Codes = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class WorstJob:
    """How a paint does on the frames that are solved for: the judge's break, percent, and the softened share, 0 to 1,
    each of its worst frame."""

    paint: SolvedPaint

    def done_by(self, looker: Looker) -> tuple[float, float]:
        """Look at them."""
        return worst_of(solving_of(looker).descent.frames, _in_one_row(looker, self.paint))


@dataclass(frozen=True)
class RepaintReport:
    """Where repainting stands: ``looks`` taken, the judge's worst frame, percent, with what was ``begun`` with and with
    the best so far, and whether it goes on."""

    looks: int
    begun_pct: float
    worst_pct: float
    more: bool


@dataclass(frozen=True, eq=False)
class BeginRepainting:
    """Begins with strokes that lie; ``paint`` is how they are lit."""

    strokes: LaidStrokes
    paint: SolvedPaint

    def done_by(self, looker: Looker) -> RepaintReport:
        """Begin."""
        rest = _in_one_row(looker, self.paint)
        light = np.asarray(paint_bench(looker).light, dtype=np.float32).reshape(-1, 3)
        texels = self.strokes.number.size
        # what follows the bridge's texels is the wall's, which no stroke covers
        number = np.full(len(rest), -1, dtype=np.int32)
        number[:texels] = self.strokes.number.reshape(-1)
        falls = np.ones_like(rest)
        falls[:texels] = light
        strokes = StrokeMap(
            number, self.strokes.paints, np.asarray(self.strokes.reflectance), falls, rest, self.strokes.own
        )
        frames = solving_of(looker).descent.frames
        return _report(looker.keep(Repainting(frames, strokes)), True)


@dataclass(frozen=True)
class GoOnRepainting:
    """Takes some more looks."""

    looks: int

    def done_by(self, looker: Looker) -> RepaintReport:
        """Take them."""
        repainting = _repainting_of(looker)
        return _report(repainting, repainting.go(self.looks))


@dataclass(frozen=True)
class RepaintedStrokes:
    """Hands over the best so far: the paint (N,) of each stroke, and what paints reflect (K, 3)."""

    def done_by(self, looker: Looker) -> tuple[NDArray[np.int32], Array]:
        """Hand it over."""
        repainting = _repainting_of(looker)
        return repainting.paints, repainting.reflectance


def repainted(
    pool: WorkerPool, candidates: Mapping[str, LaidStrokes], lit: Mapping[str, SolvedPaint], progress: Progress
) -> LaidStrokes:
    """The best of some paints as they lie and are ``lit``, repainted, in a pool of one worker that has solved for the
    set."""
    worst = dict(zip(lit, pool.run(WorstJob(paint) for paint in lit.values()), strict=True))
    best = min(worst, key=lambda name: worst[name])
    (report,) = pool.run([BeginRepainting(candidates[best], lit[best])])
    tally = progress.tally(LOOKS, "looks at strokes repainted")
    while report.more:
        (report,) = pool.run([GoOnRepainting(_AT_ONCE)])
        tally.at(min(report.looks, LOOKS), f"worst frame {report.worst_pct:.0f} % of {report.begun_pct:.0f} %")
    ((paints, reflectance),) = pool.run([RepaintedStrokes()])
    return replace(candidates[best], paints=paints, reflectance=reflectance)


def _repainting_of(looker: Looker) -> Repainting:
    found = looker.kept(Repainting)
    if found is None:
        raise RuntimeError("no strokes are being repainted on the set that is loaded")
    return found


def _report(repainting: Repainting, more: bool) -> RepaintReport:
    return RepaintReport(repainting.looks, repainting.begun_pct, repainting.worst_pct, more)


def _in_one_row(looker: Looker, paint: SolvedPaint) -> Codes:
    """A paint's codes (T, 3) as the frames that are solved for count them."""
    codes, part = codes_of(paint.bridge), solving_of(looker).part
    if part is None:
        return codes
    wall = looker.loaded.wall.clean.code if paint.wall is None else paint.wall
    return np.concatenate([codes, part.codes(wall)])
