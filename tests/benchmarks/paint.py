"""Figures of the paint solver: ``python -m tests.benchmarks.paint [--quick] [--json]``.

Each set's move is widened until paint that lines up at the station point no longer holds: the hold asked for is twice
the stretch that such paint holds. Paints are judged by drawn frames between those that were solved for.
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from previz.command.paint.solving import (
    BeginSolving,
    GoOnSolving,
    SolvedCodes,
    frames_between,
    paint_bench,
    solved_size_px,
    solving_of,
)
from previz.look.view import Engine
from previz.paint.bound import least_break
from previz.paint.solver import STEPS
from previz.scene.model import WALL_KINDS, Scene
from previz.scene.reader import read_scene
from previz.stage.looking import FrameJob, Looker
from previz.stage.prepare import BRIDGE, prepare
from tests.benchmarks.figures import Figure, at_least, at_most, options, report
from tests.engine import open_engine

SCENES = Path(__file__).resolve().parents[2] / "scenes"
DEMONSTRATION = ("quarry", "seastack", "crevasse")
KINDS = WALL_KINDS
SEEDED = 20
QUICK = ("seeded 2",)
NAMES = (*DEMONSTRATION, *(f"seeded {k}" for k in range(SEEDED)))

# what others would paint, and paint that lines up at the station point
BASELINES = ("mean", "random", "greedy", "faces", "labelling", "single", "station")

# frames between those solved for that are judged, at most
JUDGED = 9


@dataclass(frozen=True)
class Found:
    """Break, percent, of one set's paints on frames between: name to (mean, worst). ``hold_mm`` is how far each of
    projected and solved paint holds; ``bound_pct`` what no paint gets below on the mean; ``seconds`` and ``peak_mb``
    what solving took."""

    name: str
    hold: int
    breaks: dict[str, tuple[float, float]]
    hold_mm: dict[str, float]
    bound_pct: float
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
            "rail": {"travel": 0.6, "frames": 601, "ease": 0.0, "hold": (1001, 1601), "station": 1301},
            "folder": folder,
        }
    )  # fmt: skip


def scene_of(name: str, folder: Path) -> Scene:
    """The scene of a name, painted to line up at the station point."""
    if name.startswith("seeded"):
        return seeded_scene(int(name.split()[1]), folder)
    return read_scene(SCENES / f"{name}.toml").edited(bridge__paint="projected", bridge__image=None)


@cache
def _engine() -> Engine:
    return open_engine()


class Bench:
    """One set on which paints are judged, frame by frame, each frame once for each paint."""

    def __init__(self, scene: Scene) -> None:
        ready = prepare(scene, solved_size_px(scene)[0])
        self.looker = Looker(_engine())
        self.looker.load(ready)
        self.move, self.size_px = ready.move, solved_size_px(scene)
        self._known: dict[tuple[str, int], float] = {}

    def break_of(self, name: str, code: np.ndarray, frame: int) -> float:
        """Break of a frame with a paint, percent; 100 where it cannot be judged."""
        if (name, frame) not in self._known:
            self.looker.engine.repaint(BRIDGE, code)
            found = self.looker.look(FrameJob(frame, *self.size_px, pictures=False)).judged.score.break_pct
            self._known[name, frame] = 100.0 if found is None else found
        return self._known[name, frame]

    def held(self, name: str, code: np.ndarray) -> tuple[int, int]:
        """First and last frame around the station frame between which the paint holds: by doubling and halving."""
        ends = []
        for way, last in ((-1, self.move.frames[0]), (1, self.move.frames[-1])):
            good, bad, step = self.move.station_frame, last + way, 1
            while (bad - good) * way > 1:
                frame = good + way * min(step, abs(bad - good) - 1)
                if self.break_of(name, code, frame) <= 5.0:
                    good, step = frame, step * 2
                else:
                    bad, step = frame, max(1, abs(bad - good) // 2)
            ends.append(good)
        return ends[0], ends[1]


def one_set(name: str, steps: int) -> Found:
    """Widen the hold, solve, lay the others' paints and judge them all."""
    with tempfile.TemporaryDirectory() as folder:
        scene = scene_of(name, Path(folder))
    bench = Bench(scene)
    looker, move = bench.looker, bench.move
    own = looker.loaded.bridge.code
    low, high = bench.held("station", own)
    # twice the stretch, as evenly as the move allows
    wanted = 2 * max(high - low, 2)
    first = max(low - (wanted - (high - low)) // 2, move.frames[0])
    last = min(first + wanted, move.frames[-1])
    first = max(last - wanted, move.frames[0])
    scene = scene.edited(rail__hold=(first, last), rail__station=move.station_frame, rail__reveal=None)
    bench = Bench(scene)
    looker = bench.looker
    started = time.perf_counter()
    begun = BeginSolving(scene, bench.size_px, steps).done_by(looker)
    while begun.more:
        begun = GoOnSolving(20).done_by(looker)
    solved = SolvedCodes().done_by(looker).bridge
    seconds = time.perf_counter() - started
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024e-6
    bound = 100.0 * least_break(solving_of(looker).descent.frames)
    paints = {name: paint_bench(looker).lit(name, bench.move, *bench.size_px) for name in BASELINES}
    paints["solved"] = solved
    between = frames_between(scene)
    frames = sorted({between[int(k)] for k in np.linspace(0, len(between) - 1, JUDGED).round()})
    breaks = {}
    for paint, code in paints.items():
        found = [bench.break_of(paint, code, frame) for frame in frames]
        breaks[paint] = float(np.mean(found)), float(np.max(found))
    hold_mm = {}
    for paint in ("station", "solved"):
        a, b = bench.held(paint, paints[paint])
        hold_mm[paint] = 1e3 * abs(bench.move.rail_at(b) - bench.move.rail_at(a))
    return Found(name, last - first + 1, breaks, hold_mm, bound, seconds, peak)


@dataclass(frozen=True)
class Alone:
    """Solving one large map with nothing beside it: ``texels``, ``frames`` of the hold, ``seconds``, ``peak_mb``."""

    texels: int
    frames: int
    seconds: float
    peak_mb: float


def alone(steps: int) -> Alone:
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
    return Alone(width * height, 40, seconds, peak)


def _one_thread() -> None:
    os.environ["LP_NUM_THREADS"] = "1"


def measured(names: Sequence[str], steps: int) -> list[Found]:
    """Every set, two at a time."""
    rows = []
    # a process for each set: what it holds at most is then that set's
    with ProcessPoolExecutor(2, get_context("spawn"), _one_thread, max_tasks_per_child=1) as pool:
        for row in pool.map(one_set, names, [steps] * len(names)):
            rows.append(row)
            print(f"{len(rows)} of {len(names)} sets: {row}", file=sys.stderr, flush=True)
    return rows


def figures_of(rows: Sequence[Found], large: Alone | None) -> list[Figure]:
    """What was found, and what was wanted."""
    figures = []
    best = {row.name: min(row.breaks[name][1] for name in BASELINES) for row in rows}
    for row in rows:
        shown = ", ".join(f"{name} {mean:.1f}/{worst:.1f}" for name, (mean, worst) in row.breaks.items())
        figures.append(Figure(f"{row.name}, {row.hold} frames: break mean/worst", shown, "%"))
        figures.append(Figure(f"{row.name}: no paint's mean gets below", row.bound_pct, "%"))
    above = [row.name for row in rows if row.breaks["solved"][1] > best[row.name] + 1e-9]
    solved = np.array([row.breaks["solved"][1] for row in rows])
    others = np.array([best[row.name] for row in rows])
    projected = np.array([row.breaks["station"][1] for row in rows])
    longer = np.array([row.hold_mm["solved"] / max(row.hold_mm["station"], 1e-9) for row in rows])
    figures += [
        at_most(f"sets of {len(rows)} on which solved paint's worst frame is above the best baseline's",
                len(above), "sets", 0),
        Figure("those sets", ", ".join(above) or "none", ""),
        at_least("worst frame below the best baseline's, mean of sets",
                 100.0 * (1.0 - float(solved.mean()) / max(float(others.mean()), 1e-9)), "%", 10.0),
        at_least("worst frame below projected paint's, mean of sets (wall as it is)",
                 100.0 * (1.0 - float(solved.mean()) / max(float(projected.mean()), 1e-9)), "%", 50.0),
        at_least("hold against projected paint's, median of sets (wall as it is)",
                 float(np.median(longer)), "times", 2.0),
        Figure("hold against projected paint's, least", float(longer.min()), "times"),
        Figure("worst frame, mean of sets: solved", float(solved.mean()), "%"),
        Figure("worst frame, mean of sets: best baseline of each", float(others.mean()), "%"),
        Figure("worst frame, mean of sets: projected", float(projected.mean()), "%"),
        Figure("longest solving, two sets at a time on two cores", max(row.seconds for row in rows), "s"),
        at_most("peak memory of a process", max(row.peak_mb for row in rows), "MB", 2000.0),
    ]  # fmt: skip
    if large is not None:
        what = f"{large.frames} hold frames, {large.texels / 1e6:.2f} million texels, alone on two cores"
        figures += [
            at_most(f"solving, {what}", large.seconds, "s", 60.0),
            at_most(f"peak memory, {what}", large.peak_mb, "MB", 2000.0),
        ]
    return figures


def main() -> None:
    """Measure and print."""
    asked = options("Figures of the paint solver.", sys.argv[1:])
    names = QUICK if asked.quick else NAMES
    if asked.quick:
        left_out = [f"{len(NAMES) - len(QUICK)} of {len(NAMES)} sets", "three quarters of the steps", "a large map"]
        report("paint", figures_of(measured(names, STEPS // 4), None), asked.json, left_out)
        return
    with ProcessPoolExecutor(1, get_context("spawn")) as pool:
        large = pool.submit(alone, STEPS).result()
    print(large, file=sys.stderr, flush=True)
    report("paint", figures_of(measured(names, STEPS), large), asked.json, [])


if __name__ == "__main__":
    main()
