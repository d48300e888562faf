"""Figures of the paint solver: ``python -m tests.benchmarks.paint [--quick] [--json] [--workers N] [--minutes M]``.

Three demonstration sets, twenty seeded ones and three before photographed walls, one of those with a modelled causeway,
a brush and a palette. Each seeded or photographed set is asked to hold twice as long as paint that lines up at its
station point does. What ``paint`` keeps, and what it could have begun with, is judged as it is laid, by drawn frames
that were neither solved for nor chosen by. The film begins at the station frame.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, replace
from functools import cache, partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from previz.command.paint.guides import WallAroundJob
from previz.command.paint.laidpaint import LayingHand
from previz.command.paint.solvedpaint import Solved, solved_paint
from previz.command.paint.solving import (
    BeginSolving,
    GoOnSolving,
    SolvedPaint,
    codes_of,
    compared_frames,
    frames_between,
    held_surfaces,
    paint_bench,
    solved_size_px,
    with_paint,
)
from previz.look.blur import blur_of
from previz.look.view import Engine
from previz.paint.holdframes import HeldView, held_frames
from previz.paint.solver import STEPS
from previz.run.progress import Progress
from previz.scene.model import WALL_KINDS, Scene
from previz.scene.reader import read_scene
from previz.search.helps import TRIED_PX, FilmLookJob
from previz.search.knock import knocked, misbuilt, sample
from previz.stage.looking import FrameJob, Looker
from previz.stage.prepare import BRIDGE, prepare
from tests.benchmarks.figures import Figure, at_least, at_most, report
from tests.engine import open_engine
from tests.paint.causeway import causeway_set

SCENES = Path(__file__).resolve().parents[2] / "scenes"
DEMONSTRATION = ("quarry", "seastack", "crevasse")
KINDS = WALL_KINDS
SEEDED = 20
PHOTOGRAPHED = ("causeway", "photographed 1", "photographed 2")
QUICK = ("seeded 2",)
NAMES = (*DEMONSTRATION, *PHOTOGRAPHED, *(f"seeded {k}" for k in range(SEEDED)))

# sets whose wall is painted too: all demonstration sets, and seeded ones up to here
FREE_SEEDED = 5
WALL_CHANGE = 16.0

# what others would paint, and paint that lines up at the station point
BASELINES = ("mean", "random", "greedy", "faces", "labelling", "single", "station")

# those that solving may begin with
BEGUN_WITH = ("mean", "single", "station")

# frames that paints are judged on, at most; the longest hold asked for, in frames
JUDGED = 6
LONGEST = 41

# builds, and frames of the hold that each is looked at in
BUILDS, BUILD_FRAMES = 10, 4

# percent: what a still frame may show, and by how much more the kept paint may show than the best start
HOLDS, ALLOWED = 5.0, 0.5


@dataclass(frozen=True)
class Found:
    """What came of one set: ``breaks`` percent of its paints, name to (mean, worst); ``kept`` which was kept, and
    ``said`` whether it says that something shows; ``film_s`` how long (s) each paint's film holds; ``builds`` the share
    of builds by a careful hand whose frames all hold; ``seconds`` and ``peak_mb`` what solving took."""

    name: str
    hold: int
    kept: str
    said: bool
    breaks: dict[str, tuple[float, float]]
    film_s: dict[str, float]
    builds: dict[str, float]
    seconds: float
    peak_mb: float


def seeded_scene(number: int, folder: Path) -> Scene:
    """A walkway before a wall: kinds in turn, everything else drawn by the number; flat light, 1 mm of rail a frame."""
    rng = np.random.default_rng([2026, number])
    return Scene.model_validate(
        {
            "title": f"{KINDS[number % 4]} {number}", "scale": "1:20",
            "wall": {
                "kind": KINDS[number % 4], "width": 2.2, "height": 1.3, "top": 0.6, "seed": 900 + number,
                "relief": float(rng.uniform(0.02, 0.05)), "triangles": 40_000, "texture_px": 2048,
            },
            "bridge": {"length": rng.uniform(0.5, 0.8), "width": rng.uniform(0.04, 0.08), "thickness": 0.012},
            "camera": {
                "position": (rng.uniform(-0.05, 0.05), rng.uniform(0.16, 0.35), rng.uniform(1.3, 1.6)), "lens": 0.035,
                "tilt": float(np.radians(rng.uniform(-14.0, -8.0))),
            },
            "rail": {"travel": 0.3, "frames": 301, "ease": 0.0, "hold": (1001, 1301), "station": 1001},
            "folder": folder,
        }
    )  # fmt: skip


def photographed(name: str, folder: Path) -> Scene:
    """The causeway before its photographed wall, or a walkway by rule before another, without brush and palette."""
    if name == "causeway":
        return read_scene(causeway_set(folder))
    number = int(name.split()[1])
    rule = f'length = "{520 + 60 * number} mm"\nwidth = "{40 + 10 * number} mm"\nthickness = "12 mm"'
    return read_scene(
        causeway_set(
            folder,
            ('mesh = "causeway.glb"', rule),
            ('brush = "4 mm"\npalette = 10\n', ""),
            ('travel = "90 mm"\nframes = 24\nhold = [1001, 1012]\nreveal = 1022', "frames = 101\nhold = [1001, 1101]"),
            ("[rail]\n", '[rail]\ntravel = "100 mm"\nease = "0%"\nstation = 1001\n'),
            seed=10 + number,
        )
    )


def scene_of(name: str, folder: Path) -> Scene:
    """The scene of a name, painted to line up at the station point."""
    if name.startswith("seeded"):
        return seeded_scene(int(name.split()[1]), folder)
    scene = photographed(name, folder) if name in PHOTOGRAPHED else read_scene(SCENES / f"{name}.toml")
    return scene.edited(bridge__paint="projected", bridge__image=None, paint__wall="kept")


@cache
def _engine() -> Engine:
    return open_engine()


class Alone:
    """One looker that does a pool's work."""

    def __init__(self, scene: Scene) -> None:
        self.looker = Looker(_engine())
        self.load(prepare(scene, None))

    def load(self, ready: Any) -> None:
        """Take another set."""
        self.looker.load(ready)

    def run(self, jobs: Iterable[Any]) -> Iterator[Any]:
        """Do jobs, one after the other."""
        return (job.done_by(self.looker) for job in jobs)


def break_of(alone: Alone, frame: int) -> float:
    """Break of a frame as it is painted, percent; 100 where it cannot be judged."""
    size_px = solved_size_px(alone.looker.loaded.scene)
    found = alone.looker.look(FrameJob(frame, *size_px, pictures=False)).judged.score.break_pct
    return 100.0 if found is None else found


def held_to(alone: Alone) -> int:
    """The last frame from the station frame on up to which the set's paint holds: by doubling and halving."""
    move = alone.looker.loaded.move
    good, bad, step = move.station_frame, move.frames[-1] + 1, 1
    while bad - good > 1:
        frame = min(good + step, bad - 1)
        if break_of(alone, frame) <= HOLDS:
            good, step = frame, step * 2
        else:
            bad, step = frame, max(1, (frame - good) // 2)
    return good


def film_of(alone: Alone, paint: SolvedPaint) -> float:
    """How long (s) the film of the set in a paint holds from its first frame."""
    own = alone.looker.loaded
    alone.load(with_paint(own, paint))
    width, height = own.scene.delivery.frame
    look = FilmLookJob(TRIED_PX, round(height * TRIED_PX / width)).done_by(alone.looker)
    alone.load(own)
    if look is None:
        return 0.0
    whole = len(own.move.frames) / float(own.scene.delivery.rate)
    return whole if look.found_s is None else look.found_s


def builds_of(alone: Alone, paints: dict[str, SolvedPaint]) -> dict[str, float]:
    """Share of builds, 0 to 1, all of whose frames hold, by paint: each build's errors drawn and blurred as the hand,
    the rig and the hanging of the scene's ``[knock]`` leave them; lamps are true."""
    looker, scene = alone.looker, alone.looker.loaded.scene
    ready, size_px = looker.loaded, solved_size_px(scene)
    frames = sorted({int(f) for f in np.linspace(*scene.rail.hold, BUILD_FRAMES).round()})
    held = dict.fromkeys(paints, 0)
    for number in range(BUILDS):
        errors = sample(scene.knock, number)
        built = misbuilt(errors, (scene.knock.seed, number))
        views = [
            replace(
                HeldView(f, ready.move.camera(f, *size_px), blur_of(ready.move, f, *size_px)).seen_from(
                    partial(knocked, knock=errors)
                ),
                built=built,
            )
            for f in frames
        ]
        made = held_frames(
            views, looker.engine, looker.sight, lambda blur: looker.ordinary(size_px[1], blur), held_surfaces(ready)
        )
        looker.engine.repaint(BRIDGE, ready.bridge.code)
        for name, paint in paints.items():
            codes = codes_of(paint.bridge)
            held[name] += all(frame.at(codes).percent <= HOLDS for frame in made)
    return {name: count / BUILDS for name, count in held.items()}


def solved_on(alone: Alone, steps: int) -> Solved:
    """What ``previz paint`` comes to."""
    return solved_paint(alone.looker.loaded, alone, Progress(quiet=True), steps)  # type: ignore[arg-type]


def one_set(name: str, steps: int) -> Found:
    """Ask for the hold, solve, lay the others' paints and judge them all."""
    with tempfile.TemporaryDirectory() as folder:
        scene = scene_of(name, Path(folder))
        alone = Alone(scene)
        if name not in (*DEMONSTRATION, "causeway"):
            first = scene.rail.hold[0]
            asked = min(2 * max(held_to(alone) - first, 4), LONGEST - 1, scene.rail.frames - 2)
            scene = scene.edited(rail__hold=(first, first + asked), rail__reveal=None)
            alone = Alone(scene)
        looker, ready = alone.looker, alone.looker.loaded
        started = time.perf_counter()
        solved = solved_on(alone, steps)
        seconds = time.perf_counter() - started
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024e-6
        bench, size_px = paint_bench(looker), solved_size_px(scene)
        paints = {other: SolvedPaint(bench.lit(other, ready.move, *size_px), None) for other in BASELINES}
        hand = LayingHand(ready, WallAroundJob().done_by(looker).seen)
        if hand.changes:
            paints = {other: hand.lit(hand.strokes(paint)) for other, paint in paints.items()}
        paints["kept"] = solved.art.lit
        others = [f for f in frames_between(scene) if f not in compared_frames(scene)] or list(compared_frames(scene))
        frames = sorted({others[int(k)] for k in np.linspace(0, len(others) - 1, JUDGED).round()})
        breaks = {}
        for paint, art in paints.items():
            looker.engine.repaint(BRIDGE, art.bridge)
            found = [break_of(alone, frame) for frame in frames]
            breaks[paint] = float(np.mean(found)), float(np.max(found))
        looker.engine.repaint(BRIDGE, ready.bridge.code)
        builds = builds_of(alone, {"projected": paints["station"], "kept": paints["kept"]})
        film_s = {paint: film_of(alone, art) for paint, art in paints.items()}
        if name in DEMONSTRATION or (name.startswith("seeded") and int(name.split()[1]) < FREE_SEEDED):
            free = Alone(scene.edited(paint__wall="free", paint__wall_change=WALL_CHANGE))
            film_s["free"] = film_of(free, solved_on(free, steps).art.lit)
    choice = solved.choice
    said = "what would help" in choice.sentence or "may help" in choice.sentence
    hold = scene.rail.hold[1] - scene.rail.hold[0] + 1
    return Found(name, hold, choice.kept, said, breaks, film_s, builds, seconds, peak)


@dataclass(frozen=True)
class Large:
    """Solving one large map with nothing beside it: ``texels``, ``frames`` of the hold, ``seconds``, ``peak_mb``."""

    texels: int
    frames: int
    seconds: float
    peak_mb: float


def large(steps: int) -> Large:
    """The quarry, 40 frames to hold, on a map of a million texels."""
    scene = scene_of("quarry", Path()).edited(rail__hold=(1001, 1040))
    looker = Looker(_engine())
    looker.load(prepare(scene, 1300))
    started = time.perf_counter()
    more = BeginSolving(scene, solved_size_px(scene), steps).done_by(looker).more
    while more:
        more = GoOnSolving(20).done_by(looker).more
    seconds = time.perf_counter() - started
    width, height = looker.loaded.built.bridge.size_px
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024e-6
    return Large(width * height, 40, seconds, peak)


def _one_thread() -> None:
    os.environ["LP_NUM_THREADS"] = "1"


def measured(names: Sequence[str], steps: int, workers: int, minutes: float) -> list[Found]:
    """Every set that is done in time, ``workers`` at a time."""
    rows: list[Found] = []
    until = time.monotonic() + 60.0 * minutes
    # a process for each set: what it holds at most is then that set's
    with ProcessPoolExecutor(workers, get_context("spawn"), _one_thread, max_tasks_per_child=1) as pool:
        jobs = [pool.submit(one_set, name, steps) for name in names]
        try:
            for job in as_completed(jobs, timeout=max(until - time.monotonic(), 1.0)):
                rows.append(job.result())
                row = json.dumps(asdict(rows[-1]))
                print(f"{len(rows)} of {len(names)} sets: {row}", file=sys.stderr, flush=True)
        except TimeoutError:
            print(f"{len(names) - len(rows)} sets were not done in {minutes:g} minutes", file=sys.stderr, flush=True)
            for process in list(pool._processes.values()):
                process.kill()
            pool.shutdown(wait=False, cancel_futures=True)
    return sorted(rows, key=lambda row: names.index(row.name))


def interval(values: Sequence[float]) -> str:
    """Median and its 95 % interval, by resampling (the bootstrap: Efron, Annals of Statistics 7, 1979)."""
    rng = np.random.default_rng(1)
    drawn = np.median(rng.choice(np.array(values), (2000, len(values))), axis=1)
    low, high = np.quantile(drawn, [0.025, 0.975])
    return f"{np.median(values):.2f} ({low:.2f} to {high:.2f})"


def figures_of(rows: Sequence[Found], alone: Large | None) -> list[Figure]:
    """What was found, and what was wanted."""
    figures: list[Figure] = []
    best = {row.name: min(row.breaks[name][1] for name in BASELINES) for row in rows}
    film = {row.name: max(max(row.film_s[name] for name in BASELINES), 0.04) for row in rows}
    for row in rows:
        shown = ", ".join(f"{name} {mean:.1f}/{worst:.1f}" for name, (mean, worst) in row.breaks.items())
        figures.append(Figure(f"{row.name}, {row.hold} frames, {row.kept} kept: break mean/worst", shown, "%"))
        told = ", ".join(f"{name} {seconds:.2f}" for name, seconds in row.film_s.items())
        figures.append(Figure(f"{row.name}: the film holds", told, "s"))
        told = ", ".join(f"{name} {100.0 * share:.0f}" for name, share in row.builds.items())
        figures.append(Figure(f"{row.name}: builds that hold", told, "%"))
    start = {row.name: min(row.breaks[name][1] for name in BEGUN_WITH) for row in rows}
    above = [row for row in rows if row.breaks["kept"][1] > start[row.name] + ALLOWED]
    passed = [row.name for row in rows if row.breaks["kept"][1] > best[row.name] + ALLOWED]
    kept = np.array([row.breaks["kept"][1] for row in rows])
    longer = [row.film_s["kept"] / film[row.name] for row in rows]
    free = [row.film_s["free"] / film[row.name] for row in rows if "free" in row.film_s]
    figures += [
        at_most(f"sets of {len(rows)} whose worst frame shows more than the best start's and {ALLOWED} points, unsaid",
                sum(not row.said for row in above), "sets", 0),
        Figure("sets where it does at all", ", ".join(row.name for row in above) or "none", ""),
        Figure("sets where it is above any baseline by as much", ", ".join(passed) or "none", ""),
        Figure("worst frame, mean of sets: kept", float(kept.mean()), "%"),
        Figure("worst frame, mean of sets: best baseline of each", float(np.mean(list(best.values()))), "%"),
        Figure("worst frame, mean of sets: projected", float(np.mean([r.breaks["station"][1] for r in rows])), "%"),
        Figure("sets that hold as asked for, still frames: kept", int((kept <= HOLDS).sum()), "sets"),
        at_least("the film against the best baseline's, median of sets, wall kept", float(np.median(longer)), "times",
                 1.3),
        Figure("with its 95 % interval", interval(longer), "times"),
    ]  # fmt: skip
    if free:
        figures += [
            at_least(f"the same, wall free, {len(free)} sets", float(np.median(free)), "times", 3.0),
            Figure("with its 95 % interval", interval(free), "times"),
        ]
    figures += [
        at_least("builds that hold, mean of sets: kept", 100.0 * float(np.mean([r.builds["kept"] for r in rows])), "%",
                 80.0),
        Figure("builds that hold, mean of sets: projected",
               100.0 * float(np.mean([r.builds["projected"] for r in rows])), "%"),
        Figure("longest solving", max(row.seconds for row in rows), "s"),
        Figure("peak memory of a process", max(row.peak_mb for row in rows), "MB"),
    ]  # fmt: skip
    if alone is not None:
        what = f"{alone.frames} hold frames, {alone.texels / 1e6:.2f} million texels, alone on two cores"
        figures += [
            at_most(f"solving, {what}", alone.seconds, "s", 60.0),
            at_most(f"peak memory, {what}", alone.peak_mb, "MB", 1200.0),
        ]
    return figures


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Figures of the paint solver.")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--minutes", type=float, default=600.0)
    parser.add_argument("--alone", action="store_true", help="only the quarry by itself")
    asked = parser.parse_args(sys.argv[1:])
    if asked.quick:
        left_out = [f"{len(NAMES) - len(QUICK)} of {len(NAMES)} sets", "three quarters of the steps", "a large map"]
        report("paint", figures_of(measured(QUICK, STEPS // 4, 1, asked.minutes), None), asked.json, left_out)
        return
    by_itself = None
    if asked.workers <= 2 or asked.alone:
        with ProcessPoolExecutor(1, get_context("spawn")) as pool:
            by_itself = pool.submit(large, STEPS).result()
        print(by_itself, file=sys.stderr, flush=True)
    if asked.alone:
        return
    report("paint", figures_of(measured(NAMES, STEPS, asked.workers, asked.minutes), by_itself), asked.json, [])


if __name__ == "__main__":
    main()
