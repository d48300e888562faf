"""Figures of the line-up and of the export: ``python -m tests.benchmarks.lineup`` (``--quick`` for a few trials).

Photographs come from tests/lineup/photographs.py, which shares no camera, rotation or projection with the project
(OpenCV's lens model, SciPy's rotations): two planes, twelve markers, 2400 x 1600 px, 1.2 m; noise, blur, JPEG,
distortion, uneven light, up to three half-hidden markers. Every camera is knocked by 3 mm and 0.4 deg on every axis.
The same before a lens view of the quarry. Then corners without a picture, of sheets that hang beside their places,
whose markers lie beside theirs on the paper, or whose ink has run; and knocks told against an earlier photograph.
"""

from __future__ import annotations

import multiprocessing
import os
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial
from typing import Any

import numpy as np

from tests.benchmarks import lineupexport, lineupwalls
from tests.benchmarks.figures import Figure, at_least, at_most, options, report
from tests.lineup.behind import quarry_behind
from tests.lineup.trials import Return, Trial, against, misplaced, photographed

TRIALS, BEHIND, DRAWN = 200, 60, 20
QUICK, QUICK_DRAWN = 10, 2
HUNG, MISPRINT, INK = 0.5e-3, 0.05e-3, 0.05e-3

Run = Callable[[Callable[[int], Any], int], list[Any]]


@contextmanager
def runners() -> Iterator[Run]:
    """Trials are run by as many processes as there are cores, eight at most; the answers come in order."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(cores, 8), context) as pool:
        yield lambda trial, count: list(pool.map(trial, range(count)))


def covered(name: str, trials: Sequence[Trial | Return]) -> list[Figure]:
    """Coverage of the stated 95 % intervals over place, turns and focal length: mean, least and most covered axis."""
    share = np.array([trial.covered[:7] for trial in trials]).mean(axis=0) * 100.0
    mean = float(share.mean())
    ok = bool(np.all((share >= 90.0) & (share <= 99.0)))
    return [
        Figure(f"{name}: truth within the stated 95 %, all axes", mean, "%", "90-99", bool(90.0 <= mean <= 99.0)),
        Figure(f"{name}: least and most covered axis", f"{share.min():.1f} to {share.max():.1f}", "%", "90-99", ok),
    ]


def accuracy(name: str, trials: Sequence[Trial | Return], hold: bool) -> list[Figure]:
    """95 % of the errors."""
    errors = np.array([trial.errors[:7] for trial in trials])
    place = float(np.quantile(np.linalg.norm(errors[:, :3], axis=1), 0.95)) * 1e3
    turns = float(np.degrees(np.quantile(np.linalg.norm(errors[:, 3:6], axis=1), 0.95)))
    focal = float(np.quantile(np.abs(np.expm1(errors[:, 6])), 0.95)) * 100.0
    rows = (
        (f"{name}: place, 95 %", place, "mm", 0.5),
        (f"{name}: angles, 95 %", turns, "deg", 0.05),
        (f"{name}: focal length, 95 %", focal, "%", 0.3),
    )
    return [at_most(*row) if hold else Figure(*row[:3]) for row in rows]


def signs(name: str, trials: Sequence[Trial | Return], hold: bool) -> Figure:
    """Share of trials with the right sign on all six axes."""
    share = 100.0 * float(np.mean([trial.right.all() for trial in trials]))
    name = f"{name}: 3 mm / 0.4 deg knock, right sign on every axis"
    return at_least(name, share, "%", 100.0) if hold else Figure(name, share, "%")


def sure_signs(name: str, trials: Sequence[Trial]) -> list[Figure]:
    """How many steps are told at all, the others being called "leave it"; and how many of those have the right sign."""
    sure = np.array([[step.sure for step in trial.steps[:6]] for trial in trials])
    right = np.array([trial.right for trial in trials])
    # an interval of 95 % leaves 2.5 % on the wrong side at most
    return [
        Figure(f"{name}: steps beyond their interval", 100.0 * float(sure.mean()), "%"),
        at_least(f"{name}: those with the right sign", 100.0 * float(right[sure].mean()), "%", 97.5),
    ]


def photograph_figures(run: Run, quick: bool) -> list[Figure]:
    """Whole photographs, before a plain busy ground and before the quarry."""
    started = time.perf_counter()
    seen = run(photographed, QUICK if quick else TRIALS)
    each = (time.perf_counter() - started) / len(seen)
    name = "photographs"
    out = [*accuracy(name, seen, True), signs(name, seen, True)]
    out += [Figure(f"{name}: markers used, least", min(trial.markers for trial in seen), "of 12")]
    out += [Figure(f"{name}: time a trial, drawing included", each, "s")]
    if quick:
        return out
    out += covered(name, seen)
    before = run(partial(photographed, behind=quarry_behind()), BEHIND)
    name = f"{BEHIND} before the quarry"
    out += [*accuracy(name, before, True), signs(name, before, True)]
    return [*out, Figure(f"{name}: markers used, least", min(trial.markers for trial in before), "of 12")]


def paper_figures(run: Run, quick: bool) -> list[Figure]:
    """Corners without a picture, of sheets that are not as they should be."""
    count = QUICK if quick else TRIALS
    out = []
    wrongs = (
        ("sheets hung 0.5 mm off", partial(misplaced, placed=HUNG), False),
        ("markers 0.05 mm off on the paper", partial(misplaced, placed=0.0, misprint=MISPRINT), True),
        ("ink run by 0.05 mm", partial(misplaced, placed=0.0, ink=INK), True),
    )
    for name, trial, all_signs in wrongs:
        done = run(trial, count)
        out += [*accuracy(name, done, False), signs(name, done, all_signs), *sure_signs(name, done)]
        out += covered(name, done) if not quick else []
    return out


def against_figures(run: Run, quick: bool) -> list[Figure]:
    """Knocks told against an earlier photograph, of sheets hung 0.5 mm off their places."""
    corners = run(partial(against, placed=HUNG), QUICK if quick else TRIALS)
    drawn = run(partial(against, placed=HUNG, drawn=True), QUICK_DRAWN if quick else DRAWN)
    name = "hung 0.5 mm off, --against"
    out = [*accuracy(name, corners, True), signs(name, corners, True)]
    out += covered(name, corners) if not quick else []
    name = f"hung 0.5 mm off, --against, {len(drawn)} pairs of photographs"
    return [*out, *accuracy(name, drawn, True), signs(name, drawn, True)]


def figures(quick: bool) -> list[Figure]:
    """Measure."""
    with runners() as run:
        own = [*photograph_figures(run, quick), *paper_figures(run, quick), *against_figures(run, quick)]
    return [*own, *lineupwalls.figures(quick), *lineupexport.figures(quick)]


def main() -> None:
    """Run it."""
    asked = options("the camera from a photograph, and the files for other software")
    left_out = [f"coverage (needs {TRIALS} trials)", "photographs before the quarry"] if asked.quick else []
    report("lineup", figures(asked.quick), asked.json, left_out)


if __name__ == "__main__":
    main()
