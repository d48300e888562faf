"""Figures of the judge: ``python -m tests.benchmarks.judge [--quick] [--json]``.

What must be found and what must not (:mod:`tests.benchmarks.judgesweeps`). Of the fast judge, how well it agrees with
drawn and judged frames, how many cameras it scores a second, how much memory that takes, and how long the same work
takes in other ways (:mod:`tests.benchmarks.others`), all on one machine in one run.
"""

from __future__ import annotations

import json
import os
import pickle
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from previz.camera import Camera
from previz.scene.model import Scene
from previz.scene.reader import read_scene
from previz.stage.prepare import ReadySet, prepare
from tests.benchmarks import crew as crews
from tests.benchmarks.agreeing import BOUNDS, agreement_as_searched, bounded_scene, random_candidates
from tests.benchmarks.crew import FRAME_PX, FRAMES_OF_CANDIDATE, SEED, Crew, crew, knocked_cameras
from tests.benchmarks.figures import Figure, at_least, at_most, options, report
from tests.benchmarks.judgesweeps import sweeps

QUARRY = Path(__file__).resolve().parents[2] / "scenes" / "quarry.toml"
TRIANGLES = (20_000, 200_000, 1_000_000)
WIDTHS = (480, 960, 1920)
USUAL = (200_000, 960)

AS_LIT = "as lit"

# seconds that one way may take with everything that it has to load
PATIENCE_S = 180

# what others.py can do: who does it, and what it is called here
OTHERS = {
    "pyrender-naive": "pyrender as documented (new renderer, lit, ids, second pass)",
    "pyrender-kept": "pyrender kept, FLAT, three passes",
    "pictures": "this project's pictures, break of the frame",
    "sight-lines": "this project's sight lines, break of the frame",
    "vtk": "VTK off screen, three passes",
    "path-tracer": "path tracer (mitsuba, scalar), 2 samples a pixel, ids",
}


def _shared(team: Crew, task: Callable[..., Any], cameras: list[Camera]) -> np.ndarray:
    """What two workers say of the cameras, in their order."""
    halves = team.ask(task, *[(cameras[k::2],) for k in range(2)])
    rows = np.empty((len(cameras), *np.shape(halves[0])[1:]))
    for k in range(2):
        rows[k::2] = halves[k]
    return rows


def agreement(team: Crew, cameras: list[Camera], light: str, quick: bool) -> list[Figure]:
    """The fast judge against drawn and judged frames, and those against themselves."""
    rows = _shared(team, crews.both, cameras)
    if light == AS_LIT and np.array_equal(rows[:, 0], rows[:, 1], equal_nan=True):
        raise RuntimeError("paint on the bridge was judged like paint worked out from the wall")
    what = f"{light}, {len(cameras)} random cameras"
    figures = []
    for column, name in enumerate((what, f"{what}, paint worked out from the wall")):
        figures += _agreement(rows[:, column], rows[:, 2], name)
    if quick:
        return figures
    # Frames are drawn with 3 looks a pixel each way, and coarse edges are a little noise of their own: how far the same
    # frames, drawn finer, are from them and from the fast judge.
    every = max(1, len(cameras) // 100)
    fine = _shared(team, crews.finer, cameras[::every])
    for column, name in ((2, "the drawn frame"), (0, "the fast judge")):
        off = np.abs(fine - rows[::every, column])
        within = 100.0 * float((off <= 1.0).mean())
        what = f"{light}: {name} within 1 point of {len(fine)} frames drawn with 6 x 6 looks"
        figures.append(Figure(what, within, "%"))
        figures.append(Figure(f"{light}: {name}, largest difference from those", float(np.nanmax(off)), "points"))
    return figures


def _agreement(fast: np.ndarray, full: np.ndarray, what: str) -> list[Figure]:
    judged = np.isfinite(fast), np.isfinite(full)
    both = judged[0] & judged[1]
    difference = (fast - full)[both]
    off = np.abs(difference)
    # a candidate counts where all its frames are judged
    means = np.stack([fast, full], axis=1).reshape(-1, FRAMES_OF_CANDIDATE, 2).mean(axis=1)
    means = means[np.isfinite(means).all(axis=1)]
    few = max(1, len(means) // 10)
    best_fast, best_full = (np.argsort(means[:, k], kind="stable") for k in range(2))
    allowed = few + max(1, few // 5)
    inside = len(set(best_fast[:few]) & set(best_full[:allowed]))
    return [
        at_least(f"{what}: within 1 point of the drawn frame", 100.0 * float((off <= 1.0).mean()), "%", 95.0),
        at_most(f"{what}: largest difference", float(off.max()), "points", 3.0),
        Figure(f"{what}: mean difference", float(difference.mean()), "points"),
        Figure(f"{what}: correlation", float(np.corrcoef(fast[both], full[both])[0, 1]), ""),
        at_most(f"{what}: judged in one way only", int((judged[0] != judged[1]).sum()), "cameras", 0),
        at_least(
            f"{what}: best {few} of {len(means)} candidates inside the drawn frames' best {allowed}", inside, "", few
        ),
    ]


def rate(team: Crew, cameras: list[Camera]) -> list[Figure]:
    """Scored cameras a second, everything included, once what is seen from the places has been drawn."""
    started = time.perf_counter()
    team.ask(crews.fast, (cameras,), (cameras,))
    first = time.perf_counter() - started
    halves = [(cameras[k::2],) for k in range(2)]
    took: dict[int, list[float]] = {1: [], 2: []}
    busy: dict[int, list[float]] = {1: [], 2: []}
    for _ in range(5):
        for workers, shares in ((2, halves), (1, [(cameras,)])):
            started = time.perf_counter()
            worked = sum(team.ask(crews.fast, *shares))
            took[workers].append(time.perf_counter() - started)
            busy[workers].append(worked)
    two, one = (len(cameras) / float(np.median(took[workers])) for workers in (2, 1))
    return [
        at_least("two processes, 960 x 540", two, "cameras a second", 300.0),
        Figure("one process, 960 x 540", one, "cameras a second"),
        # below 100 % other programs were in the way, and the rates above are too low by as much
        *(
            Figure(
                f"processor time that {words} got",
                100.0 * float(np.median(np.array(busy[workers]) / np.array(took[workers]))) / workers,
                "%",
            )
            for workers, words in ((2, "two processes"), (1, "one process"))
        ),
        Figure("processor time of a camera, two processes", 1e3 * float(np.median(busy[2])) / len(cameras), "ms"),
        Figure("the first time, drawing what is seen from each place, two processes", 2 * len(cameras) / first,
               "cameras a second"),
    ]


def memory(team: Crew, count: int) -> list[Figure]:
    """Memory of one worker while random cameras stream by."""
    (marks,) = team.ask(crews.stream, (count, SEED + 1))
    *quarters, peak = marks
    growth = quarters[3] - quarters[1]
    return [
        at_most(f"peak memory of a worker, {count} random cameras", peak, "MB", 600.0),
        *(Figure(f"memory after {25 * (k + 1)} % of them", mark, "MB") for k, mark in enumerate(quarters)),
        Figure("growth over the second half, for a million cameras", growth * 1e6 / (count / 2), "MB"),
    ]


def _with(scene: Scene, triangles: int) -> Scene:
    return scene.edited(wall__triangles=triangles)


def _kept(ready: ReadySet, path: Path) -> Path:
    with path.open("wb") as file:
        pickle.dump(ready, file, protocol=pickle.HIGHEST_PROTOCOL)
    return path


def one_way(way: str, path: Path, width_px: int) -> dict[str, Any]:
    """What others.py says of one way of doing it, in its own process: one OpenGL renderer each."""
    command = [sys.executable, "-m", "tests.benchmarks.others", way, str(path), str(width_px)]
    # every way uses the threads it wants
    threads = ("LP_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
    plain = {key: value for key, value in os.environ.items() if key not in threads}
    try:
        done = subprocess.run(command, capture_output=True, text=True, env=plain, check=False, timeout=PATIENCE_S)
    except subprocess.TimeoutExpired:
        return {"missing": f"no answer in {PATIENCE_S} s"}
    if done.returncode != 0:
        last = (done.stderr.strip().splitlines() or ["it says nothing"])[-1]
        return {"missing": f"it failed: {last}"}
    return dict(json.loads(done.stdout.splitlines()[-1]))


def other_ways(scene: Scene, folder: Path, usual: Path) -> tuple[list[Figure], list[str]]:
    """Milliseconds a scored camera in one process, and how many times that of the fast judge; what was left out."""
    figures, left_out = [], []
    found = one_way("fast", usual, USUAL[1])
    if "ms" not in found:
        raise RuntimeError(f"the fast judge could not be timed: {found['missing']}")
    fast = found["ms"]
    size = f"{USUAL[0] // 1000}k triangles, {USUAL[1]} px"
    figures.append(Figure(f"fast judge, {size}", fast, "ms"))
    for way, name in OTHERS.items():
        found = one_way(way, usual, USUAL[1])
        if "ms" not in found:
            left_out.append(f"{name}: {found['missing']}")
            continue
        figures.append(Figure(f"{name}, {size}", found["ms"], "ms"))
        figures.append(Figure(f"{name}: times the fast judge", found["ms"] / fast, ""))
    for triangles in TRIANGLES:
        path = usual if triangles == USUAL[0] else _kept(prepare(_with(scene, triangles)), folder / f"{triangles}")
        for width_px in WIDTHS:
            if (triangles, width_px) == USUAL:
                continue
            where = f"{triangles // 1000}k triangles, {width_px} px"
            pair = {way: one_way(way, path, width_px) for way in ("fast", "pictures")}
            if any("ms" not in one for one in pair.values()):
                left_out += [f"{way}, {where}: {one['missing']}" for way, one in pair.items() if "ms" not in one]
                continue
            ms = {way: one["ms"] for way, one in pair.items()}
            figures.append(Figure(f"fast judge, {where}", ms["fast"], "ms"))
            figures.append(Figure(f"{OTHERS['pictures']}, {where}", ms["pictures"], "ms"))
            figures.append(Figure(f"pictures: times the fast judge, {where}", ms["pictures"] / ms["fast"], ""))
    left_out.append(f"all but the fast judge and pictures at anything but {size}")
    return figures, left_out


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure and print."""
    asked = options("Figures of the judge.", arguments)
    candidates = 8 if asked.quick else 100
    scene = _with(read_scene(QUARRY), USUAL[0])
    flat = scene.edited(lamps=(), light__ambient=0.0)
    figures: list[Figure] = sweeps(asked.quick)
    left_out = ["shadows beside the outline and across the wall", "mirrored pictures", "widths"]
    left_out += ["memory", "frames drawn with 6 x 6 looks", "the same work in other ways"]
    left_out += ["cameras as search draws them, on the three demonstration sets", "other triangle and pixel counts"]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        # both sets at once: most of it is compiled code
        with ThreadPoolExecutor(2) as pool:
            lit, plain = pool.map(prepare, (scene, flat))
        usual = _kept(lit, folder / "usual")
        cameras = knocked_cameras(lit.move, candidates, FRAME_PX, SEED)
        with crew(_kept(plain, folder / "flat")) as team:
            figures += agreement(team, cameras, "flat light", asked.quick)
        with crew(usual) as team:
            figures += agreement(team, cameras, AS_LIT, asked.quick)
        # fresh workers: the drawing of whole frames is no part of the fast judge's memory
        with crew(usual) as team:
            figures += rate(team, cameras)
            if not asked.quick:
                figures += memory(team, 20_000)
        if not asked.quick:
            for name in BOUNDS:
                base = bounded_scene(name, folder)
                with crew(_kept(prepare(base, FRAME_PX[0]), folder / f"{name}.pickle")) as team:
                    figures += agreement_as_searched(team, name, random_candidates(base, 8, SEED))
            found, left_out = other_ways(scene, folder, usual)
            figures += found
    report("judge", figures, asked.json, left_out)


if __name__ == "__main__":
    main()
