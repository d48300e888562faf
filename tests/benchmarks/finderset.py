"""Pairs for the finder (``tests.benchmarks.finder``): a set's delivered frames with the bridge and without it.

Both of a pair are the same camera, lens, shutter, lamps and encoding; they differ in the bridge and in what it does to
the light, and in nothing else. What the judge says of each pair stands beside it.
"""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.command.paint.solving import BeginSolving, GoOnSolving, SolvedCodes, paint_bench
from previz.errors import JudgeError
from previz.judge.film.found import film_of
from previz.judge.frame import judge_frame
from previz.judge.hold import FrameScore
from previz.look.view import Engine
from previz.search.filmhold import between, with_drift_of
from previz.stage.delivering import JUDGED_WIDTH_PX
from previz.stage.looking import Looker
from previz.stage.prepare import BRIDGE, prepare
from previz.workshop.surface import Pixels8
from tests.benchmarks.finderscenes import CLIP, CLIPS, PAINTS, RATE, SOLVED, UNSEEN, finder_scene, unseen
from tests.engine import open_engine

# what the judge says of a pair, in this order: of the middle frame of its clip, and of the film up to the clip's end
JUDGED: Final = ("break", "trace", "drift", "found")

# paints of a set that is learned from, and clips of it; a set of the report has all of them
LEARNED_PAINTS: Final = 4
LEARNED_CLIPS: Final = 2

# sets with solved paint to learn from have numbers from here on
WITH_SOLVED: Final = 500_000

# steps of solving
STEPS: Final = 24

# paints of the report, and steps of solving, where all has to be quick
QUICK_PAINTS: Final = ("mean", SOLVED)
QUICK_STEPS: Final = 2


@dataclass(frozen=True, eq=False)
class Pairs:
    """One set's pairs. ``clean`` (C, T, H, W, 3) uint8 are C clips of T frames without the bridge, ``seen``
    (P, C, T, H, W, 3) uint8 the same with it in each of P ``paints``; ``judged`` (P, C, 4) float32 what ``JUDGED``
    names, percent and deg/s, NaN where nothing was judged; ``lamps`` how many light the set, none where it is flat."""

    number: int
    title: str
    lamps: int
    paints: tuple[str, ...]
    clean: Pixels8
    seen: Pixels8
    judged: NDArray[np.float32]

    def written(self, folder: Path) -> Path:
        """Write it, whole or not at all; returns the file."""
        path = folder / f"{self.number}.npz"
        unfinished = folder / f"{self.number}.part"
        with unfinished.open("wb") as file:
            np.savez(
                file, number=self.number, title=self.title, lamps=self.lamps, paints=np.array(self.paints),
                clean=self.clean, seen=self.seen, judged=self.judged,
            )  # fmt: skip
        return unfinished.replace(path)

    @classmethod
    def read(cls, path: Path) -> Pairs:
        """Read what :meth:`written` wrote."""
        with np.load(path) as kept:
            return cls(
                int(kept["number"]), str(kept["title"]), int(kept["lamps"]), tuple(map(str, kept["paints"])),
                kept["clean"], kept["seen"], kept["judged"],
            )  # fmt: skip


@dataclass(frozen=True)
class Order:
    """A set to be made in these ``paints``, pictures ``width_px`` wide; solved paint is solved in so many ``steps``."""

    number: int
    paints: tuple[str, ...]
    width_px: int
    steps: int = STEPS

    @property
    def clips(self) -> tuple[int, ...]:
        """First frames of its clips."""
        if unseen(self.number):
            return CLIPS
        rng = np.random.default_rng([2032, self.number])
        return tuple(sorted(int(f) for f in rng.choice(CLIPS, LEARNED_CLIPS, replace=False)))


def size_of(width_px: int) -> tuple[int, int]:
    """(width, height) px of frames so wide, both a multiple of two."""
    return width_px, 2 * round(width_px * 9 / 32)


def orders(learned: int, solved: int, kept: int, width_px: int, quick: bool = False) -> list[Order]:
    """Sets to make: ``kept`` ones for the report, in every paint, first; then, in turn, ``learned`` ones in some paints
    and ``solved`` ones in solved paint among others."""
    paints, steps = (QUICK_PAINTS, QUICK_STEPS) if quick else ((*PAINTS, SOLVED), STEPS)
    report = [Order(UNSEEN + k, paints, width_px, steps) for k in range(kept)]
    plain = [Order(k, _some(k, 1 if quick else LEARNED_PAINTS), width_px) for k in range(learned)]
    with_solved = [Order(WITH_SOLVED + k, (SOLVED, *_some(k, 1)), width_px, steps) for k in range(solved)]
    # evenly spread, so that whatever time allows holds both
    keyed = [(k / max(len(row), 1), order) for row in (plain, with_solved) for k, order in enumerate(row)]
    return [*report, *(order for _, order in sorted(keyed, key=lambda pair: (pair[0], pair[1].number)))]


def _some(number: int, count: int) -> tuple[str, ...]:
    rng = np.random.default_rng([2033, number])
    return tuple(str(name) for name in rng.choice(PAINTS, count, replace=False))


def made(order: Order, engine: Engine) -> Pairs:
    """Build the set, lay each paint, draw and, for the report, judge its clips."""
    size_px = size_of(order.width_px)
    with tempfile.TemporaryDirectory() as folder:
        scene = finder_scene(order.number, Path(folder), size_px)
        looker = Looker(engine)
        looker.load(prepare(scene))
    bench, move = paint_bench(looker), looker.ready.move
    clean: list[Pixels8] = []
    seen, judged = [], []
    for paint in order.paints:
        code = _solved(looker, size_px, order.steps) if paint == SOLVED else bench.lit(paint, move, *size_px)
        engine.repaint(BRIDGE, code)
        drawn = [[looker.delivered(first + k, *size_px)[1][0] for k in range(CLIP)] for first in order.clips]
        seen.append(np.array([[colour.encoded8(looks.seen) for looks in clip] for clip in drawn]))
        if not clean:
            clean = [np.array([colour.encoded8(looks.clean) for looks in clip]) for clip in drawn]
        scores = [_score(looker, first + CLIP // 2) for first in order.clips] if unseen(order.number) else []
        judged.append(_told(looker, order.clips, scores))
    return Pairs(
        order.number, scene.title, len(scene.lamps), order.paints, np.array(clean), np.array(seen),
        np.array(judged, dtype=np.float32),
    )  # fmt: skip


def _solved(looker: Looker, size_px: tuple[int, int], steps: int) -> Pixels8:
    """Paint solved for the hold as ``previz paint`` begins to, in so many steps."""
    more = BeginSolving(looker.ready.scene, size_px, steps).done_by(looker).more
    while more:
        more = GoOnSolving(steps).done_by(looker).more
    return SolvedCodes().done_by(looker).bridge


def _score(looker: Looker, frame: int) -> FrameScore:
    """The judge's score of a frame of the set as it is painted now, at the width at which frames are judged; without
    tells, which decide nothing."""
    width_px = JUDGED_WIDTH_PX
    height_px = round(width_px * 9 / 16)
    blur, (looks, _) = looker.delivered(frame, width_px, height_px)
    ready = looker.ready
    camera = ready.move.camera(frame, width_px, height_px)
    return judge_frame(
        frame, ready.move.rail_at(frame), looks, camera, ready.station_point, looker.sight,
        looker.ordinary(height_px, blur), width_px, continues_wall=True, without={},
        around=looker.around(frame, width_px, height_px),
    ).score  # fmt: skip


def _told(looker: Looker, clips: Sequence[int], scores: Sequence[FrameScore]) -> NDArray[np.float32]:
    """What ``JUDGED`` names, (C, 4): of each clip's middle frame, and of the film up to each clip's end, where what
    lies between the frames judged is taken to change evenly."""
    out = np.full((len(clips), len(JUDGED)), np.nan, dtype=np.float32)
    if not scores:
        return out
    # each frame slides as the nearest that was judged does
    whole = [
        with_drift_of(score, min(scores, key=lambda one: abs(one.frame - score.frame)))
        for score in between(scores, looker.ready.move)
    ]
    film = {one.frame: one.found_pct for one in film_of(whole, RATE)}
    for row, first, score in zip(out, clips, scores, strict=True):
        if score.break_pct is not None:
            row[:] = score.break_pct, score.trace_pct or 0.0, score.drift_deg_s or 0.0, film[first + CLIP - 1]
    return out


@cache
def _engine() -> Engine:
    return open_engine()


def _alone() -> None:
    # the processes already fill the machine
    for name in ("LP_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
        os.environ[name] = "1"


def _job(order: Order, folder: Path, until: float) -> tuple[int, str, float]:
    """Make and write a set unless it is later than ``until``; its number, what went wrong, and seconds taken."""
    started = time.time()
    if started > until:
        return order.number, "no time left", 0.0
    try:
        made(order, _engine()).written(folder)
    except JudgeError as error:
        return order.number, str(error), time.time() - started
    return order.number, "", time.time() - started


def make(wanted: Sequence[Order], folder: Path, workers: int, minutes: float) -> Iterator[tuple[int, str, float]]:
    """Make the sets that ``folder`` lacks, so many at a time and none begun after so many ``minutes``.

    Yields the number of each, why there is none of it (empty where there is), and the seconds it took.
    """
    folder.mkdir(parents=True, exist_ok=True)
    lacking = [order for order in wanted if not (folder / f"{order.number}.npz").exists()]
    until = time.time() + 60.0 * minutes
    with ProcessPoolExecutor(workers, get_context("spawn"), _alone) as pool:
        jobs = [pool.submit(_job, order, folder, until) for order in lacking]
        for job in as_completed(jobs):
            yield job.result()


def kept_in(folder: Path) -> list[Path]:
    """The files of the sets that are there, by their numbers."""
    return sorted(folder.glob("*.npz"), key=lambda path: int(path.stem))
