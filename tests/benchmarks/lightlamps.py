"""Lamps placed on seeded sets with a visible shadow (``tests.benchmarks.light``): trace, exposure, what stands in shot.

Each set has a hard lamp to the side whose shadow of the bridge is found, and one of four kits of lamps at hand. Where
``previz rig --lamps`` puts them is judged by drawn frames of a set baked anew, among them frames that were not looked
at while they were placed; exposure is measured by its baked light, and what is in the picture by projecting lamps and
stands into every frame.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from previz.command.rig.lamps import lamp_answer
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.run.progress import Progress
from previz.scene.layout import delivered_box_px
from previz.scene.model import Lamp, Scene
from previz.scene.move import Move, move_of
from previz.scene.reader import read_scene
from previz.scene.rig.lampplaces import LampStand
from previz.scene.rig.lightcautions import face_points
from tests.benchmarks.figures import Figure, at_least, at_most

SETS: Final = 20
QUICK_SETS: Final = 1
SEED: Final = 1811
# of so many sets traces have to be at most 5 %: the issue asks for 16 of 20
WANTED: Final = 16
TOLERANCE_STOPS: Final = 1.0 / 3.0

# lamps as rental houses list them, made up: name, kind, face, beam, watts, how many
KITS: Final = (
    (("panel", "led", "600 x 600 mm", "", 150, 2), ("small head", "tungsten", "120 mm", "50 deg", 300, 1)),
    (("tube bank", "fluorescent", "900 x 400 mm", "", 220, 2),),
    (("soft box", "led", "900 mm", "", 300, 1), ("panel", "led", "300 x 300 mm", "", 60, 2)),
    (("bare head", "tungsten", "200 mm", "70 deg", 650, 2), ("panel", "led", "450 x 450 mm", "", 100, 1)),
)


def _mm(*metres: float) -> str:
    return ", ".join(f'"{1e3 * value:.0f} mm"' for value in metres)


def set_text(number: int) -> str:
    """The scene file of a set."""
    rng = np.random.default_rng([SEED, number])
    kind = ("slate", "basalt", "ice", "board")[number % 4]
    length = rng.uniform(0.4, 0.8)
    back, up = length + rng.uniform(0.5, 0.9), rng.uniform(0.14, 0.4)
    tilt = -np.degrees(np.arctan2(up, back - 0.3 * length))
    side = rng.choice([-1.0, 1.0])
    key = (side * rng.uniform(0.5, 1.1), rng.uniform(0.5, 1.0), rng.uniform(0.9, 1.5))
    lines = [
        f'title = "set {number}"', 'scale = "1:24"', "date = 2025-03-14",
        "[delivery]", "frame = [1920, 1080]", "rate = 25", f"bars = {rng.choice([1.85, 2.39])}",
        "[wall]", f'kind = "{kind}"', f"width = {_mm(rng.uniform(1.8, 2.4))}", 'height = "1.6 m"',
        f"top = {_mm(rng.uniform(0.6, 0.8))}", f"relief = {_mm(rng.uniform(0.015, 0.05))}",
        f"seed = {int(rng.integers(1000))}", "triangles = 20000", "texture_px = 512",
        "[bridge]", f"length = {_mm(length)}", f"width = {_mm(rng.uniform(0.035, 0.07))}",
        f"thickness = {_mm(rng.uniform(0.006, 0.014))}", 'paint = "projected"',
        "[camera]", f'lens = "{rng.choice([32, 35, 40])} mm"', f'stop = "f/{rng.choice([11, 16])}"',
        f"position = [{_mm(rng.uniform(-0.08, 0.08), up, back)}]", f'tilt = "{tilt:.1f} deg"', 'shutter = "1/50 s"',
        f"iso = {int(rng.choice([1600, 3200]))}",
        "[rail]", f"travel = {_mm(rng.uniform(0.04, 0.1))}", "frames = 48", 'ease = "40%"', "stand = 8",
        "hold = [1001, 1012]", "station = 1005", "reveal = 1046",
        "[light]", f"ambient = {int(rng.choice([100, 200, 400]))}",
        "[[lamp]]", 'name = "key"', f"position = [{_mm(*key)}]", 'size = "60 mm"', "lux = 1500", "watts = 300",
    ]  # fmt: skip
    for name, sort, face, beam, watts, count in KITS[number // 4 % len(KITS)]:
        lines += ["[[at_hand]]", f'name = "{name}"', f'kind = "{sort}"', f'size = "{face}"', f"watts = {watts}"]
        lines += [f"count = {count}", *([f'beam = "{beam}"'] if beam else [])]
    return "\n".join(lines) + "\n"


@dataclass(frozen=True)
class Placed:
    """What became of a set: the worst trace before and after, percent, how far the exposure is off, stops, what of the
    lamps is in the picture, and how long it took."""

    number: int
    before: float
    after: float
    outline: float
    stops: float
    in_picture: int
    lamps: int
    seconds: float


def in_picture(scene: Scene, move: Move, lamp: Lamp, stand: LampStand) -> bool:
    """Whether any frame of the move has a lamp's face, its pole or its arm in the delivered picture.

    Worked out here from the camera alone, every frame and every 20 mm, without what placed them.
    """
    floor = lamp.position[1] - stand.height
    pole = [(stand.right, y, stand.out) for y in np.arange(floor, lamp.position[1] + 0.02, 0.02)]
    arm = np.linspace(lamp.position, (stand.right, lamp.position[1], stand.out), 60)
    points = np.concatenate([face_points(lamp, 9), np.array(pole), arm])
    left, top, right, bottom = delivered_box_px(scene)
    for frame in move.frames:
        camera = move.camera(frame)
        before = points[camera.depth(points) > 0.0]
        x, y = camera.project(before).T
        if ((x > left) & (x < right) & (y > top) & (y < bottom)).any():
            return True
    return False


def one_set(number: int) -> Placed | None:
    """A set with its lamps placed; None where its own shadow does not show."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "set.toml"
        path.write_text(set_text(number), encoding="utf-8")
        scene = read_scene(path)
    begun = time.monotonic()
    with Progress(quiet=True) as progress:
        answer = lamp_answer(scene, None, progress, ways=False)
    seconds = time.monotonic() - begun
    if answer.before.trace_pct is None or answer.before.trace_pct <= HOLDS_BELOW_PCT:
        return None
    move = move_of(answer.scene)
    pairs = zip(answer.scene.lamps, answer.judged.setup.spots, strict=True)
    seen = sum(in_picture(answer.scene, move, lamp, spot.stand) for lamp, spot in pairs)
    after = 100.0 if answer.after.trace_pct is None else answer.after.trace_pct
    outline = 100.0 if answer.after.break_pct is None else answer.after.break_pct
    return Placed(
        number, answer.before.trace_pct, after, outline, answer.stops, seen, len(answer.scene.lamps), seconds
    )


def placed_sets(count: int, minutes: float) -> Iterator[Placed]:
    """The first ``count`` sets whose own shadow shows, as many as are done in time."""
    until = time.monotonic() + 60.0 * minutes
    number = found = 0
    while found < count and time.monotonic() < until:
        placed = one_set(number)
        number += 1
        if placed is not None:
            found += 1
            print(placed, file=sys.stderr, flush=True)
            yield placed


def figures(quick: bool, minutes: float = 60.0) -> list[Figure]:
    """What was found, and what was wanted."""
    wanted = QUICK_SETS if quick else SETS
    rows = list(placed_sets(wanted, minutes))
    if not rows:
        return [Figure("lamps placed", "no set was done in time", "")]
    held = sum(row.after <= HOLDS_BELOW_PCT for row in rows)
    least = WANTED * len(rows) / SETS
    return [
        at_least(f"lamps placed: sets of {len(rows)} without a trace (at most 5 %)", held, "sets", least),
        at_most("lamps placed: largest error of the exposure", max(abs(row.stops) for row in rows), "stops",
                TOLERANCE_STOPS),
        at_most("lamps placed: lamps and stands in the picture", sum(row.in_picture for row in rows), "", 0),
        Figure("lamps placed: trace before, median", float(np.median([row.before for row in rows])), "%"),
        Figure("lamps placed: trace after, median and largest",
               f"{np.median([row.after for row in rows]):.1f}, {max(row.after for row in rows):.1f}", "%"),
        Figure("lamps placed: outline after, median", float(np.median([row.outline for row in rows])), "%"),
        Figure("lamps placed: lamps used, mean", float(np.mean([row.lamps for row in rows])), ""),
        Figure("lamps placed: a set, median", float(np.median([row.seconds for row in rows])), "s"),
    ]  # fmt: skip


def left_out(quick: bool) -> list[str]:
    """What a quick run does not measure."""
    return [f"lamps placed on {SETS - QUICK_SETS} of {SETS} sets"] if quick else []
