"""Figures of focus and movement: the layered frame against looking from many places on the pupil at many moments.

``figures`` is what ``python -m tests.benchmarks.light`` prints of them. Diffraction is left out of both sides: looking
from many places does not have it.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from previz import colour
from previz.camera import Camera
from previz.look.blur import LensBlur, blur_of, camera_during
from previz.look.soft import SoftFrame, soft_frame
from previz.look.view import Engine, View
from previz.scene.move import Move, move_of
from previz.scene.reader import read_scene
from previz.stage.prepare import BRIDGE, CLEAN_WALL, WALL, ReadySet, prepare
from tests.benchmarks.figures import Figure, at_least, at_most
from tests.engine import open_engine
from tests.look.lensaverage import averaged_frame, pupil_diameter

SCENES = Path(__file__).resolve().parents[2] / "scenes"
DEMONSTRATION = ("quarry", "seastack", "crevasse")
WIDE_OPEN = (5.6, 2.8)
NAMES = (WALL, CLEAN_WALL, BRIDGE)
ALIKE_DE = 2.0


class WithoutDiffraction(LensBlur):
    """What looking from many places has: no diffraction."""

    def diffraction_px(self) -> float:
        return 0.0


@dataclass(frozen=True)
class Found:
    """Shares, percent, of pixels alike: of the whole frame, of the bridge's blurred edge, and were nothing blurred."""

    whole: float
    edge: float
    sharp: float


def frames_of(move: Move) -> tuple[int, ...]:
    """The station frame and the one at which the camera is fastest."""
    fastest = int(np.argmax(np.gradient(move.rail)))
    return move.station_frame, move.frames[fastest]


def compared(engine: Engine, ready: ReadySet, move: Move, frame: int, size_px: tuple[int, int], looks: int) -> Found:
    """One frame both ways."""
    layer = ready.bridge.surface.layer
    body = move.scene.camera
    blur = _blur(move, frame, size_px, WithoutDiffraction)
    sharp = engine.draw(blur.camera, [WALL, BRIDGE])
    soft = _soft(engine, blur, ready)
    got, cover = (sharp.colour, sharp.cover(layer)) if soft is None else (soft.with_bridge().colour, soft.cover)

    def camera_at(share: float) -> Camera:
        return camera_during(move, frame, share, *size_px)

    pupil = 0.0 if body.focus is None else pupil_diameter(body.lens, body.stop, body.focus)
    wanted = averaged_frame(engine, camera_at, [WALL, BRIDGE], pupil, body.focus or 1.0, looks)
    alike, unblurred = (_difference(picture, wanted) < ALIKE_DE for picture in (got, sharp.colour))
    edge = (cover > 0.02) & (cover < 0.98)
    return Found(
        whole=100.0 * float(alike.mean()),
        edge=100.0 * float(alike[edge].mean()) if edge.any() else 100.0,
        sharp=100.0 * float(unblurred.mean()),
    )


def _difference(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    a, b = (colour.lab(np.clip(picture, 0.0, 1.0).astype(np.float64)) for picture in (one, other))
    return colour.de00(a, b)


def _blur(move: Move, frame: int, size_px: tuple[int, int], kind: type[LensBlur] = LensBlur) -> LensBlur:
    blur = blur_of(move, frame, *size_px)
    if blur is None:
        raise ValueError("nothing is blurred in this scene")
    return kind(**{key: getattr(blur, key) for key in LensBlur.__dataclass_fields__})


def _soft(engine: Any, blur: LensBlur, ready: ReadySet) -> SoftFrame | None:
    walls, bridge = (s.corners for s in (ready.built.wall, ready.built.bridge.surface))
    return soft_frame(engine, blur, NAMES, walls, bridge)


class Stopwatch:
    """An engine that keeps count of the processor seconds it draws."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self.spent = 0.0

    def draw(self, *what: Any, **how: Any) -> View:
        begun = time.process_time()
        view = self._engine.draw(*what, **how)
        self.spent += time.process_time() - begun
        return view


def costs(engine: Engine, ready: ReadySet, move: Move, frame: int, size_px: tuple[int, int]) -> tuple[float, float]:
    """Milliseconds of blurring a frame with and without the bridge, and that over drawing the two sharp.

    Processor time, the least of six runs: other work on the machine does not count.
    """
    blur = _blur(move, frame, size_px)
    blurred, drawn = [], []
    for _ in range(6):
        watch, begun = Stopwatch(engine), time.process_time()
        soft = _soft(watch, blur, ready)
        if soft is None:
            raise ValueError("nothing is blurred in this scene")
        soft.with_bridge()
        blurred.append(time.process_time() - begun - watch.spent)
        watch = Stopwatch(engine)
        watch.draw(blur.camera, [WALL, BRIDGE])
        watch.draw(blur.camera, [CLEAN_WALL])
        drawn.append(watch.spent)
    return 1000.0 * min(blurred), min(blurred) / min(drawn)


def figures(quick: bool) -> list[Figure]:
    """Agreement on the demonstration sets, at their own stop and wide open; cost. Quick: one set, fewer looks."""
    size_px, looks = (960, 540), 32 if quick else 100
    engine = open_engine()
    out: list[Figure] = []
    for name in DEMONSTRATION[:1] if quick else DEMONSTRATION:
        scene = read_scene(SCENES / f"{name}.toml")
        ready = prepare(scene, size_px[0])
        engine.load(ready.lit)
        own = scene.camera.stop
        for stop in (own, *WIDE_OPEN[: 1 if quick else None]):
            move = move_of(scene.edited(camera__stop=stop))
            found = [compared(engine, ready, move, frame, size_px, looks) for frame in frames_of(move)]
            label = f"blur, {name} at f/{stop:g}{' (its own)' if stop == own else ''}"
            whole = min(each.whole for each in found)
            if stop < 5.6:
                out.append(Figure(f"{label}: pixels within 2 dE00", whole, "%"))
            else:
                out.append(at_least(f"{label}: pixels within 2 dE00", whole, "%", 99.0))
            out.append(Figure(f"{label}: the same on the bridge's edge", min(each.edge for each in found), "%"))
            out.append(Figure(f"{label}: the same of the sharp frame", min(each.sharp for each in found), "%"))
        if name == DEMONSTRATION[0]:
            for stop in (own, WIDE_OPEN[0]):
                move = move_of(scene.edited(camera__stop=stop))
                spent, ratio = costs(engine, ready, move, frames_of(move)[1], size_px)
                out.append(at_most(f"blur, {name} at f/{stop:g}: both frames, 960 x 540, one core", spent, "ms", 80.0))
                out.append(Figure(f"blur, {name} at f/{stop:g}: the same over drawing both sharp", ratio, "x"))
    return out


def left_out(quick: bool) -> list[str]:
    """What a run does not measure."""
    return [f"blur of {', '.join(DEMONSTRATION[1:])}", "blur at f/2.8"] if quick else []
