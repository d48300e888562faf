"""Valid random sets for the attack (``tests.benchmarks.attack``), by number, taken all the way through ``shoot``."""

from __future__ import annotations

import csv
import json
import math
import time
import warnings
from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, Final, TypeVar
from unittest.mock import patch

import numpy as np
import trimesh
from PIL import Image

from previz.command.paint.solving import solve
from previz.command.shoot.shoot import shoot
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.paint.solver import STEPS as DEFAULT_STEPS
from previz.run.progress import Progress
from previz.scene.model import WALL_KINDS

Item = TypeVar("Item")

WIDTH_PX: Final = 320
FRAMES: Final = 3
SLOWEST_S: Final = 20.0

# of solving paint, where the tool takes 80: how well it is solved is the paint benchmark's matter, and takes minutes
STEPS: Final = 3

# walls and bridges in turn, paints and lamps by lot; what solves takes longest and comes less often
WALLS: Final = (*WALL_KINDS, "mesh", "photo")
BRIDGES: Final = ("slab", "bent", "box", "hung", "beam with a ball", "image", "slab")
PAINTS: Final = ("projected", "bare", "wash", "projected", "bare", "wash", "projected", "bare", "solved")
LAMPS: Final = ("none", "point", "disc", "panel", "spot", "cards", "many", "ambient")

_SLAB: Final = ("slab", "bent", "image")


def _mm(value: float) -> str:
    return f'"{1e3 * value:.3f} mm"'


def _place(values: Iterable[float]) -> str:
    return f"[{', '.join(map(_mm, values))}]"


def _wall(rng: np.random.Generator, kind: str, folder: Path) -> list[str]:
    lines = ["[wall]"]
    if kind == "mesh":
        x, y = np.meshgrid(np.linspace(-1.2, 1.2, 24), np.linspace(-1.0, 0.8, 18))
        z = -0.02 - 0.04 * rng.uniform(size=x.shape)
        count = x.shape[1]
        first = (np.arange(x.shape[0] - 1)[:, None] * count + np.arange(count - 1)).ravel()
        faces = np.concatenate([
            np.column_stack([first, first + 1, first + count]),
            np.column_stack([first + 1, first + count + 1, first + count]),
        ])
        mesh = trimesh.Trimesh(np.column_stack([x.ravel(), y.ravel(), z.ravel()]), faces, process=False)
        name = f"wall.{rng.choice(['glb', 'ply', 'stl', 'obj'])}"
        mesh.export(folder / name)
        return [*lines, f'mesh = "{name}"']
    if kind == "photo":
        codes = np.clip(rng.normal(110.0, 30.0, (90, 120, 3)), 0, 255).astype(np.uint8)
        name = f"wall.{rng.choice(['png', 'jpg', 'webp', 'bmp', 'tif'])}"
        Image.fromarray(codes).save(folder / name)
        lines += [f'photo = "{name}"']
    else:
        lines += [f'kind = "{kind}"', f"relief = {_mm(rng.uniform(0.0, 0.08))}", f"seed = {int(rng.integers(2**32))}"]
    lines += [
        f"width = {_mm(rng.uniform(1.2, 3.0))}", f"height = {_mm(rng.uniform(1.2, 2.4))}",
        f"top = {_mm(rng.uniform(0.4, 0.8))}",
        f"triangles = {int(rng.integers(200, 20_000))}", f"texture_px = {int(rng.choice([64, 256, 512, 1024]))}",
        f'gloss = "{rng.choice(["matt", "satin", "gloss"])}"',
    ]  # fmt: skip
    if kind != "photo" and rng.uniform() < 0.5:
        lines += [f"doorway = {{ width = {_mm(rng.uniform(0.1, 0.16))}, height = {_mm(rng.uniform(0.05, 0.3))} }}"]
    return lines


def _bridge(rng: np.random.Generator, shape: str, paint: str, length: float, folder: Path) -> list[str]:
    lines = ["", "[bridge]", f'paint = "{paint}"', f'colour = "#{int(rng.integers(2**24)):06x}"']
    lines += [f'gloss = "{rng.choice(["matt", "satin", "gloss"])}"']
    width, thick = rng.uniform(0.01, 0.09), rng.uniform(0.002, 0.03)
    if shape in _SLAB:
        lines += [f"length = {_mm(length)}", f"width = {_mm(width)}", f"thickness = {_mm(thick)}"]
        if shape == "bent":
            lines += [f"taper = {rng.uniform(0.5, 1.6):.2f}", f"bend = {_mm(rng.uniform(-0.1, 0.1))}",
                      f"camber = {_mm(rng.uniform(-0.03, 0.03))}"]  # fmt: skip
        if shape == "image":
            codes = rng.integers(0, 255, (40, 60, 3), dtype=np.uint8)
            Image.fromarray(codes).save(folder / "bridge.png")
            lines += ['image = "bridge.png"']
        return lines
    # a box that begins at the wall, before it or a little inside it; one that hangs free; two parts in one mesh
    start = 0.1 * length if shape == "hung" else float(rng.choice([0.0, 0.0, -0.001, 0.002, -0.02]))
    beam = trimesh.creation.box((width, thick, length - start))
    beam.apply_translation((rng.uniform(-0.03, 0.03) if shape == "hung" else 0.0, -0.5 * thick, 0.5 * (length + start)))
    parts = [beam]
    if shape == "beam with a ball":
        ball = trimesh.creation.icosphere(subdivisions=2, radius=0.5 * width)
        ball.apply_translation((0.0, -thick - 0.5 * width - 0.001, rng.uniform(0.3, 0.8) * length))
        parts.append(ball)
    name = f"bridge.{rng.choice(['glb', 'ply', 'stl', 'obj'])}"
    trimesh.util.concatenate(parts).export(folder / name)
    return [*lines, f'mesh = "{name}"']


def _camera(rng: np.random.Generator, length: float, shape: float) -> list[str]:
    # lenses evenly spread by their ratios, 8 to 200 mm; a long one stands farther away, or very close at times
    lens = 8e-3 * 25.0 ** rng.uniform()
    away = rng.uniform(0.06, 0.2) if rng.uniform() < 0.1 else rng.uniform(0.3, 1.2) * max(lens / 0.035, 1.0) ** 0.5
    height, back = rng.uniform(0.08, 0.5), length + away
    tilt = -math.degrees(math.atan2(height, back - 0.5 * length)) * rng.uniform(0.5, 1.1)
    lines = [
        "", "[camera]", f'sensor = "35.9 x {max(24.0, 36.0 * shape):.1f} mm"', f"lens = {_mm(lens)}",
        f'stop = "f/{rng.choice([1.4, 2, 5.6, 11, 22, 64])}"',
        f"position = {_place((rng.uniform(-0.1, 0.1), height, back))}", f'tilt = "{tilt:.2f} deg"',
    ]  # fmt: skip
    if rng.uniform() < 0.6:
        focus = max(back * rng.uniform(0.3, 1.5), 3.0 * lens)
        lines += [f"focus = {_mm(focus)}", f"pupil_ratio = {rng.uniform(0.6, 1.6):.2f}"]
    if rng.uniform() < 0.4:
        lines += [f'roll = "{rng.uniform(-20, 20):.1f} deg"', f'pan = "{rng.uniform(-8, 8):.1f} deg"']
    if rng.uniform() < 0.3:
        lines += [f"shift = [{_mm(rng.uniform(-0.005, 0.005))}, {_mm(rng.uniform(-0.005, 0.005))}]"]
    if rng.uniform() < 0.5:
        lines += [f'shutter = "1/{rng.choice([50, 100, 2000])} s"']
    return lines


def _rail(rng: np.random.Generator, tiny: bool) -> list[str]:
    travel = rng.uniform(0.0005, 0.003 if tiny else 0.15) * rng.choice([-1.0, 1.0])
    lines = ["", "[rail]", f"travel = {_mm(travel)}", f"frames = {FRAMES}", "hold = [1001, 1002]", "reveal = 1003"]
    way = int(rng.integers(5))
    if way == 1:
        lines += ["along = [1, 0.2, 0.1]"]
    elif way == 2:
        lines += ['along = "arc"', f"radius = {_mm(rng.uniform(0.5, 2.0))}", 'aim = "track"']
    elif way == 3:
        lines += [f"aim = {_place((0.0, 0.0, 0.2))}"]
    elif way == 4:
        lines += [f'pan = "{rng.uniform(-3, 3):.1f} deg"', f'tilt = "{rng.uniform(-2, 2):.1f} deg"']
    return lines


def _lights(rng: np.random.Generator, kind: str) -> list[str]:
    if kind == "none":
        return []
    ambient = rng.uniform(20, 800) if kind in ("ambient", "cards") or rng.uniform() < 0.5 else 0.0
    lines = ["", "[light]", f"ambient = {ambient:.0f}", f"bounce = {'true' if rng.uniform() < 0.5 else 'false'}"]
    sizes: dict[str, tuple[str, ...]] = {
        "point": ("",), "disc": ('size = "300 mm"',), "panel": ('size = "600 x 300 mm"',), "ambient": (),
        "spot": ('cone = "30 deg"',), "cards": ('size = "200 mm"',),
        "many": ("", 'size = "100 mm"', 'size = "1 x 1 m"', 'cone = "20 deg"'),
    }  # fmt: skip
    for number, size in enumerate(sizes[kind]):
        at = (rng.uniform(-1.5, 1.5), rng.uniform(0.3, 1.6), rng.uniform(0.8, 2.4))
        lines += ["", "[[lamp]]", f'name = "lamp {number}"', f"position = {_place(at)}", *([size] if size else [])]
        lines += [f"lux = {10 ** rng.uniform(1, 4):.0f}", f"kelvin = {rng.uniform(2500, 9000):.0f}"]
    if kind == "cards":
        for number, what in enumerate(("bounce", "flag")):
            at = (rng.choice([-0.9, 0.9]), rng.uniform(0.2, 0.9), rng.uniform(0.4, 1.0))
            lines += ["", "[[card]]", f'name = "card {number}"', f'kind = "{what}"', f"position = {_place(at)}"]
            lines += ['size = "300 x 200 mm"']
    return lines


def set_of(number: int, seed: int, folder: Path) -> Path:
    """The scene file of a set, with all that it names beside it."""
    rng = np.random.default_rng([seed, 7, number])
    wall, shape = WALLS[number % len(WALLS)], BRIDGES[number // len(WALLS) % len(BRIDGES)]
    paint, lamp = str(rng.choice(PAINTS)), str(rng.choice(LAMPS))
    length = rng.uniform(0.15, 0.9)
    frame = _FRAMES[int(rng.integers(len(_FRAMES)))]
    lines = [f'title = "set {number}: {wall}, {shape}, {paint}, {lamp}"', 'scale = "1:20"', "date = 2025-03-14"]
    lines += ["", "[delivery]", f"frame = [{frame[0]}, {frame[1]}]", "rate = 25", ""]
    lines += _wall(rng, wall, folder) + _bridge(rng, shape, paint, length, folder)
    lines += _camera(rng, length, frame[1] / frame[0]) + _rail(rng, bool(rng.uniform() < 0.3)) + _lights(rng, lamp)
    path = folder / "set.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


# wide, square, upright, and a strip
_FRAMES: Final = ((1920, 1080), (1920, 1080), (2048, 858), (1080, 1080), (1080, 1920), (4096, 400))


class _Clock(Progress):
    """Quiet, and notes how long each frame took."""

    def __init__(self) -> None:
        super().__init__(quiet=True)
        self.seconds: list[float] = []

    def over(self, items: Iterable[Item], total: int, what: str) -> Iterator[Item]:
        begun = time.monotonic()
        for item in items:
            if what.startswith("frames"):
                self.seconds.append(time.monotonic() - begun)
            yield item
            begun = time.monotonic()


def _few_steps() -> AbstractContextManager[object]:
    assert solve.__defaults__ == (DEFAULT_STEPS,)
    return patch.object(solve, "__defaults__", (STEPS,))


def shoot_set(path: Path, out: Path) -> tuple[list[str], float]:
    """Shoot a set, and judge what it left: what is wrong in words, and the seconds of its slowest frame."""
    clock = _Clock()
    with warnings.catch_warnings(record=True) as heard, clock, _few_steps():
        warnings.simplefilter("always")
        result = shoot(path, out, WIDTH_PX, False, 1, None, clock)
    told = (f"{Path(w.filename).name}:{w.lineno}: {w.category.__name__}: {w.message}" for w in heard)
    wrong = [f"warning: {text}"[:200] for text in dict.fromkeys(told)]
    with (out / "hold.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    wrong += _out_of_range(rows) + _inconsistent(rows, result.values)
    if "NaN" in (out / "summary.json").read_text(encoding="utf-8"):
        wrong.append("NaN in summary.json")
    wrong += [f"no light in {name}" for name in ("lens/1001.png",) if not _has_light(out / name)]
    slowest = max(clock.seconds, default=0.0)
    if slowest > SLOWEST_S:
        wrong.append(f"slow: a frame took {slowest:.1f} s")
    return wrong, slowest


def _has_light(place: Path) -> bool:
    with Image.open(place) as picture:
        return bool(np.asarray(picture.convert("RGB")).max() > 0)


def _out_of_range(rows: list[dict[str, str]]) -> list[str]:
    """By definition: shares are 0 to 100 %, sizes not negative, and nothing is not a number."""
    out = []
    for row in rows:
        for key, text in row.items():
            if key in ("tells", "frame") or text == "":
                continue
            value = float(text)
            most = 100.0 if key.endswith("_pct") else math.inf
            if not math.isfinite(value) or (key != "rail_mm" and not 0.0 <= value <= most):
                out.append(f"range: {key} is {text} in frame {row['frame']}")
    if len(rows) != FRAMES:
        out.append(f"range: {len(rows)} rows")
    return out


def _inconsistent(rows: list[dict[str, str]], values: dict[str, Any]) -> list[str]:
    """The summary against the table, worked out anew: the stretch about the station frame on which frames hold."""
    station = values["station_frame"] - 1001
    good = [
        bool(row["break_pct"]) and all(float(row[key] or 0.0) <= HOLDS_BELOW_PCT for key in ("break_pct", "trace_pct"))
        for row in rows
    ]
    found = [float(row["found_pct"] or 0.0) <= HOLDS_BELOW_PCT for row in rows]
    out = []
    film = [a and b for a, b in zip(good, found, strict=True)]
    for name, holds in (("hold_still_frames", good), ("hold_frames", film)):
        count = 0
        if holds[station]:
            first = last = station
            while first > 0 and holds[first - 1]:
                first -= 1
            while last + 1 < len(holds) and holds[last + 1]:
                last += 1
            count = last - first + 1
        if values[name] != count:
            told = json.dumps({key: [row[key] for row in rows] for key in ("break_pct", "trace_pct", "found_pct")})
            out.append(f"hold: {name} is {values[name]}, the table says {count}: {told}")
    return out
