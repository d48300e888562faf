"""Worker processes that score cameras on one set, fast and in full, for the benchmark of the fast judge."""

from __future__ import annotations

import multiprocessing
import os
import pickle
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.errors import JudgeError
from previz.judge.breaks import break_of
from previz.judge.ends import ends_of, just_inside
from previz.judge.frame import wall_px_per_m
from previz.judge.outline import outline_of
from previz.judge.viewer import Viewer
from previz.look.blur import blur_of
from previz.look.soft import soft_frame
from previz.scene.move import Move
from previz.stage.delivering import at_rest, looks_across, seen_in
from previz.stage.fastlooking import FastLooker
from previz.stage.looking import Looker
from previz.stage.prepare import BRIDGE, CLEAN, CLEAN_WALL, WALL, WITH_BRIDGE, ReadySet
from previz.workshop.surface import BRIDGE as BRIDGE_LAYER
from previz.workshop.surface import Picture
from tests.engine import open_engine

Cover = NDArray[np.float32]

FRAME_PX = (960, 540)
SEED = 20

# Cameras of one candidate: one knock, seen at so many frames spread over the move. Candidates are ranked by the mean
# of their frames, as a search does: single frames near the station point tie at exactly 0.
FRAMES_OF_CANDIDATE = 5


def knocked_cameras(move: Move, candidates: int, size_px: tuple[int, int], seed: int) -> list[Camera]:
    """Random cameras, ``FRAMES_OF_CANDIDATE`` for each candidate: a random frame of each fifth of the move, knocked.

    Knocks go up to 30 mm each way, 1.7 degrees of pan and tilt, 1.1 of roll, 5 % of focal length.
    """
    rng = np.random.default_rng(seed)
    parts = np.array_split(np.array(move.frames), FRAMES_OF_CANDIDATE)
    cameras = []
    for _ in range(candidates):
        shift = rng.uniform(-0.030, 0.030, 3)
        pan, tilt, roll = np.radians(rng.uniform([-1.7, -1.7, -1.1], [1.7, 1.7, 1.1]))
        factor = rng.uniform(0.95, 1.05)
        for part in parts:
            camera = move.camera(int(rng.choice(part)), *size_px)
            cameras.append(camera.moved(shift, pan, tilt, roll, factor))
    return cameras


class Scorer:
    """Scores cameras on one set, fast and in full, in the process that it is made in."""

    def __init__(self, ready: ReadySet, size_px: tuple[int, int]) -> None:
        self.ready = ready
        self.looker = Looker(open_engine())
        self.looker.load(ready)
        self.fast = FastLooker(
            ready, self.looker.engine, self.looker.sight, self.looker.ordinary, own_paint=True
        )
        # the paint stays where the scene has it
        self.station = ready.move.camera(ready.move.station_frame, *size_px)
        # paint for another place is not on the bridge: it is worked out from the wall, here from a hair aside
        self.aside = self.station.moved(shift=(1e-7, 0.0, 0.0))

    def fast_break(self, camera: Camera, as_painted: bool = True) -> float:
        """Break by the fast judge, percent; NaN where it cannot be judged.

        The paint is looked at as it is on the bridge or worked out from the wall.
        """
        try:
            return self.fast.judged(self.ready.scene, camera, self.station if as_painted else self.aside).percent
        except JudgeError:
            return float("nan")

    def full_break(self, camera: Camera, samples: int | None = None) -> float:
        """Break of the frame drawn with and without the bridge, percent; NaN where it cannot be judged.

        ``samples`` looks a pixel each way, as many as frames are delivered with unless given.
        """
        samples = looks_across(camera.width_px) if samples is None else samples
        viewer = Viewer(camera.height_px)
        seen, clean, cover = self._delivered(camera, samples)
        outline = outline_of(cover, viewer)
        try:
            size = wall_px_per_m(outline, camera, self.looker.sight)
            ordinary = self.looker.ordinary(camera.height_px).at(size)
            ends = ends_of(outline, camera, just_inside(outline, camera, self.looker.sight))
            return break_of(seen, clean, outline, ordinary, viewer, ends).percent
        except JudgeError:
            return float("nan")

    def _delivered(self, camera: Camera, samples: int) -> tuple[Picture, Picture, Cover]:
        """The frame with and without the bridge, and its cover, as the lens blurs it with the camera at rest."""
        engine, built = self.looker.engine, self.ready.built
        move = self.ready.move
        blur = at_rest(blur_of(move, move.station_frame, camera.width_px, camera.height_px))
        soft = None
        if blur is not None:
            corners = (built.wall.corners, built.bridge.surface.corners)
            # a lens of another focal length, moved as the cameras are
            own = replace(blur, camera=camera)
            soft = soft_frame(engine, own, (WALL, CLEAN_WALL, BRIDGE), *corners, samples)
        if soft is not None:
            return seen_in(soft), np.clip(soft.clean, 0.0, 1.0), soft.cover
        with_bridge, clean = engine.draw(camera, WITH_BRIDGE, samples), engine.draw(camera, CLEAN, samples)
        seen, wanted = np.clip(with_bridge.colour, 0.0, 1.0), np.clip(clean.colour, 0.0, 1.0)
        return seen, wanted, with_bridge.cover(BRIDGE_LAYER)


# What a worker can be asked to do. Each takes the worker's scorer first.


def both(scorer: Scorer, cameras: list[Camera]) -> list[tuple[float, float, float]]:
    return [
        (scorer.fast_break(c), scorer.fast_break(c, as_painted=False), scorer.full_break(c)) for c in cameras
    ]


def finer(scorer: Scorer, cameras: list[Camera]) -> list[float]:
    """Frames drawn with twice as many looks each way."""
    return [scorer.full_break(camera, 2 * looks_across(camera.width_px)) for camera in cameras]


def fast(scorer: Scorer, cameras: list[Camera]) -> float:
    """Seconds of processor time that it took."""
    started = time.process_time()
    for camera in cameras:
        scorer.fast_break(camera)
    return time.process_time() - started


def stream(scorer: Scorer, count: int, seed: int) -> list[float]:
    """Judge ``count`` random cameras that are forgotten at once; MB resident after each quarter, and the peak."""
    marks = []
    for quarter in range(4):
        for part in range(count // 4 // 50):
            number = 1000 * (4 * seed + quarter) + part
            fast(scorer, knocked_cameras(scorer.ready.move, 50 // FRAMES_OF_CANDIDATE, FRAME_PX, number))
        marks.append(_resident("VmRSS"))
    return [*marks, _resident("VmHWM")]


def _resident(key: str) -> float:
    """MB of this process from the Linux kernel's own books, NaN elsewhere."""
    status = Path("/proc/self/status")
    if not status.exists():
        return float("nan")
    lines = status.read_text(encoding="ascii", errors="replace").splitlines()
    return next(float(line.split()[1]) for line in lines if line.startswith(key + ":")) * 1024e-6


def _work(line: Connection, path: str) -> None:
    try:
        with Path(path).open("rb") as file:
            scorer = Scorer(pickle.load(file), FRAME_PX)
        line.send(None)
        while True:
            task, arguments = line.recv()
            line.send(task(scorer, *arguments))
    except EOFError:
        return
    except Exception as error:
        line.send(error)


@dataclass(frozen=True)
class Crew:
    """Worker processes that hold one set each."""

    lines: tuple[Connection, ...]

    def ask(self, task: Callable[..., Any], *shares: tuple[Any, ...]) -> list[Any]:
        """Give the first workers a share each, all at once, and wait for every answer."""
        for line, share in zip(self.lines, shares, strict=False):
            line.send((task, share))
        return [_answer(line) for line in self.lines[: len(shares)]]


def _answer(line: Connection) -> Any:
    answer = line.recv()
    if isinstance(answer, Exception):
        raise answer
    return answer


@contextmanager
def crew(path: Path, workers: int = 2) -> Iterator[Crew]:
    """Spawned workers with the set pickled at ``path``; one thread of the software renderer each."""
    context = multiprocessing.get_context("spawn")
    for name in ("LP_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    pipes = [context.Pipe() for _ in range(workers)]
    processes = [context.Process(target=_work, args=(there, str(path)), daemon=True) for _, there in pipes]
    for process in processes:
        process.start()
    for _, there in pipes:
        there.close()
    lines = tuple(here for here, _ in pipes)
    try:
        for line in lines:
            _answer(line)
        yield Crew(lines)
    finally:
        for line in lines:
            line.close()
        for process in processes:
            process.join(timeout=10.0)
            if process.is_alive():
                process.kill()
