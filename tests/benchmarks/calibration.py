"""Does break order paints as people did? ``python -m tests.benchmarks.calibration [--quick] [--json] [--markdown]``.

The published paints (``previz/paint/baselines.py``) are laid on seeded sets under flat light, each made from several
places of the lens, and judged from other places between them. What people found is quoted from Guo et al., CVPR 2023,
tables 1 and 2 (the earlier methods are those of Owens et al., CVPR 2014): the share of people who did not find a
painted cube within 60 s.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from itertools import combinations
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import trimesh
from scipy.stats import spearmanr

from previz import colour
from previz.camera import Camera, camera_for
from previz.command.paint.solving import USUAL_BRUSH
from previz.geometry import Array
from previz.judge.breaks import Floats, Sides, decided, looked_across
from previz.judge.fields import Fields, fields_of, reach_px
from previz.judge.frame import wall_px_per_m
from previz.judge.ordinary import Ordinary, OrdinaryWall
from previz.judge.outline import Outline, outline_of
from previz.judge.viewer import Viewer
from previz.look.view import Engine
from previz.paint.baselines import BASELINES, random, wall_views
from previz.paint.holdframes import held_frames
from previz.paint.laying import Laying, wall_mixing
from previz.paint.solver import Descent, worst_of
from previz.scene.model import WALL_KINDS, Scene
from previz.stage.prepare import BRIDGE, CLEAN, WALL, WITH_BRIDGE, Rectangle, lit_wall, sight_of, square_on
from previz.stage.projected import hidden_wall, painted, wash_colour
from previz.workshop.pigment import BRIGHTEST_PAINT, DARKEST_PAINT
from previz.workshop.set import build_set
from previz.workshop.surface import BRIDGE as BRIDGE_LAYER
from previz.workshop.surface import WALL as WALL_LAYER
from previz.workshop.surface import LitSurface, Picture
from previz.workshop.texels import texel_points
from tests.benchmarks.figures import Figure, at_least, at_most, options, report, within
from tests.engine import open_engine

FRAME_PX = (960, 540)
SENSOR = 0.0359
KINDS = WALL_KINDS
SHAPES = ("box", "hung box", "walkway")

SETS = 36
# one of every shape, on three kinds of wall
QUICK_NUMBERS = (1, 4, 11)

# share of people who did not find the cube, percent, and the plus-minus printed beside it
PEOPLE = {"mean": (16.1, 2.3), "random": (39.7, 3.0), "greedy": (40.3, 3.0)}

# what else is judged, for what must be true of any score: the wall behind exactly as seen from where it is judged,
# the wall of another place, and a bare bridge of a colour found nowhere on the walls
BARE = "#e8c020"
OTHERS = ("exact", "elsewhere", "bare")
PAINTS = (*BASELINES, "solved", *OTHERS)
_ELSEWHERE = np.array([0.23, 0.0, 0.0], dtype=np.float32)

# steps of solving our own paint
SOLVING_STEPS = 60

# places at which a view's outline is laid on the clean frame
LAID = 6

# a difference in L*, a*, b* and log grain that nobody overlooks
_FAR = np.array([50.0, 50.0, 50.0, 5.0], dtype=np.float32)


@dataclass(frozen=True, eq=False)
class CalibrationSet:
    """A set, the places it is painted from and the places it is judged from."""

    number: int
    name: str
    scene: Scene
    paint_from: tuple[Camera, ...]
    judge_from: tuple[Camera, ...]


def _looking_at(point: Array, azimuth: float, elevation: float, distance: float, focal: float) -> Camera:
    """A camera ``distance`` m from a point, to the right of it by ``azimuth`` and above by ``elevation`` rad."""
    away = np.array(
        [np.sin(azimuth) * np.cos(elevation), np.sin(elevation), np.cos(azimuth) * np.cos(elevation)]
    )
    return camera_for(point + distance * away, -azimuth, -elevation, 0.0, focal, SENSOR, *FRAME_PX)


def _spread(rng: np.random.Generator, count: int, reach: float) -> Array:
    """``count`` places between -reach and reach, one drawn in each of as many equal parts."""
    return np.asarray(reach * ((np.arange(count) + rng.uniform(0.0, 1.0, count)) / count * 2.0 - 1.0))


def calibration_set(number: int, folder: Path) -> CalibrationSet:
    """The set of a number: wall kinds and shapes in turn, everything else drawn by the number."""
    rng = np.random.default_rng([2014, number])
    kind = KINDS[number % len(KINDS)]
    shape = SHAPES[number // len(KINDS) % len(SHAPES)]
    wall = {
        "kind": kind, "width": 2.2, "height": 1.3, "top": 0.6, "relief": float(rng.uniform(0.02, 0.05)),
        "seed": 500 + number, "triangles": 20_000, "texture_px": 1536,
    }  # fmt: skip
    bridge: dict[str, object]
    if shape == "walkway":
        bridge = {"length": rng.uniform(0.4, 0.7), "width": rng.uniform(0.04, 0.08), "thickness": 0.012}
        height, back, tilt = rng.uniform(0.12, 0.2), rng.uniform(1.15, 1.3), np.radians(-8.0)
        reach = rng.uniform(0.015, 0.04)

        def at(x: float) -> Camera:
            return camera_for([x, height, back], 0.0, tilt, 0.0, 0.035, SENSOR, *FRAME_PX)

        paint_from = tuple(at(float(x)) for x in _spread(rng, 5, reach))
        judge_from = tuple(at(float(x)) for x in _spread(rng, 3, reach))
    else:
        size = float(rng.uniform(0.09, 0.14))
        if shape == "box":
            bridge = {"length": size, "width": size, "thickness": size}
            middle = np.array([0.0, -0.5 * size, 0.5 * size])
        else:
            middle = np.array([rng.uniform(-0.05, 0.05), rng.uniform(-0.1, 0.0), rng.uniform(0.15, 0.3)])
            mesh = trimesh.creation.box(extents=[size] * 3)
            mesh.apply_translation(middle)
            path = folder / f"box{number}.ply"
            mesh.export(path)
            bridge = {"length": size, "width": size, "thickness": size, "mesh": str(path)}
        distance = float(rng.uniform(1.0, 1.2))
        count = int(rng.integers(4, 9))
        # judged from places of the same spread as those that were painted from
        turns = _spread(rng, count, 25.0)
        rises = rng.uniform(-4.0, 14.0, count)
        held_out = zip(_spread(rng, 3, 25.0), rng.uniform(-4.0, 14.0, 3), strict=True)
        paint_from = tuple(
            _looking_at(middle, np.radians(a), np.radians(e), distance, 0.05) for a, e in zip(turns, rises, strict=True)
        )
        judge_from = tuple(_looking_at(middle, np.radians(a), np.radians(e), distance, 0.05) for a, e in held_out)
    scene = Scene.model_validate(
        {
            "title": f"{kind} {shape} {number}", "scale": "1:20", "wall": wall, "bridge": bridge,
            "camera": {"position": tuple(paint_from[0].position), "lens": 0.035},
            "rail": {"hold": (1001, 1002)}, "folder": folder,
        }
    )  # fmt: skip
    return CalibrationSet(number, f"{kind} {shape} {number}", scene, paint_from, judge_from)


class Bench:
    """One calibration set, built once, on which paints are laid and judged."""

    def __init__(self, made: CalibrationSet, engine: Engine) -> None:
        scene = made.scene
        near_end = np.array([0.0, 0.0, scene.bridge.length])
        nearest = min(float(camera.depth(near_end)) for camera in made.paint_from)
        built = build_set(scene, nearest / made.paint_from[0].focal_px / 1.5)
        self.sight = sight_of(built)
        wall = lit_wall(scene, built, self.sight)
        self.made, self.engine, self.viewer = made, engine, Viewer(FRAME_PX[1])
        self.surface, self.charts, self.texel = built.bridge.surface, built.bridge.charts, built.bridge.texel
        width_px, height_px = built.bridge.size_px
        self.texels = texel_points(self.surface, width_px, height_px)
        self.light = np.ones((height_px, width_px, 3), dtype=np.float32)
        self.fallback = wash_colour(built.wall.reflectance)
        self.clean_wall = wall.clean
        bare = self.encoded(np.broadcast_to(colour.hex_linear(BARE).astype(np.float32), self.light.shape))
        engine.load((wall.clean, wall.shadowed, bare))
        self.views = wall_views(self.texels, made.paint_from, self.sight, WALL, BRIDGE, wall.clean.code)
        low, high = built.wall.vertices[:, :2].min(axis=0), built.wall.vertices[:, :2].max(axis=0)
        inset = 0.05 * (high - low)
        self.part = Rectangle(*(float(v) for v in (*(low + inset), *(high - inset))))
        self.ordinary = OrdinaryWall(self.square_on, self.viewer)

    def encoded(self, radiance: Picture) -> LitSurface:
        """The bridge sending ``radiance`` (H, W, 3) to the lens."""
        return LitSurface(BRIDGE, self.surface, colour.encoded8(radiance))

    def square_on(self, px_per_m: float) -> tuple[Picture, Picture]:
        """The clean wall square on, and the share of wall in each pixel."""
        view = self.engine.draw(square_on(self.part, px_per_m), CLEAN)
        return np.clip(view.colour, 0.0, 1.0), view.cover(WALL_LAYER)

    def radiance(self, paint: str, camera: Camera) -> Picture:
        """What the bridge sends to the lens in a paint; ``camera`` is where it is judged from."""
        if paint == "solved":
            return self.solved()
        if paint == "bare":
            return np.broadcast_to(colour.hex_linear(BARE).astype(np.float32), self.light.shape)
        if paint in BASELINES:
            made = random(self.views, self.made.number) if paint == "random" else BASELINES[paint](self.views)
            target, wanted = made.target, made.wanted
        else:
            moved = _ELSEWHERE if paint == "elsewhere" else np.zeros(3, dtype=np.float32)
            texels = replace(self.texels, points=self.texels.points + moved)
            target, wanted = hidden_wall(texels, camera.position, self.sight, WALL, self.clean_wall.code)
        return painted(target, wanted, self.light, self.fallback).radiance

    def solved(self) -> Picture:
        """Our own paint, solved for the places that the others are made from."""
        height_px, width_px = self.light.shape[:2]
        frames = held_frames(
            list(enumerate(self.made.paint_from)), self.engine, self.sight, self.ordinary,
            (WALL, self.clean_wall.name, BRIDGE), (width_px, height_px), self.surface.vertices,
        )  # fmt: skip
        starts = [
            colour.encoded(np.clip(self.radiance(name, self.made.paint_from[0]), 0.0, 1.0)).reshape(-1, 3)
            for name in ("greedy", "random", "labelling", "single", "mean")
        ]
        start = min(starts, key=lambda codes: worst_of(frames, codes.astype(np.float32)))
        lowest, highest = (
            np.full(start.shape, colour.encoded(np.array([paint]))[0], dtype=np.float32)
            for paint in (DARKEST_PAINT, BRIGHTEST_PAINT)
        )
        laying = Laying(height_px, width_px, self.charts, USUAL_BRUSH / self.texel, wall_mixing(self.clean_wall.code))
        descent = Descent(frames, start.astype(np.float32), lowest, highest, laying, SOLVING_STEPS, threads=1)
        descent.go(SOLVING_STEPS)
        return np.asarray(colour.decoded(descent.solution.codes), dtype=np.float32).reshape(height_px, width_px, 3)

    def judged(self, camera: Camera, fixed: dict[str, LitSurface]) -> tuple[dict[str, float], list[float]]:
        """Break of every paint from one held-out place, and the signed break of the outline laid on the clean frame.

        ``fixed`` holds the paints that are the same from everywhere. The clean frame's windows are looked through once.
        """
        clean = np.clip(self.engine.draw(camera, CLEAN).colour, 0.0, 1.0)
        outline = outline_of(self.engine.draw(camera, WITH_BRIDGE).cover(BRIDGE_LAYER), self.viewer)
        ordinary = self.ordinary.at(wall_px_per_m(outline, camera, self.sight))
        clean_fields = fields_of(clean, self.viewer)
        clean_sides = self.sides(clean_fields, outline)
        found = {"no bridge": decided(Sides(clean_sides, clean_sides), outline, ordinary, self.viewer).percent}
        part, origin = _around(outline, reach_px(self.viewer))
        for paint in PAINTS:
            lit = fixed[paint] if paint in fixed else self.encoded(self.radiance(paint, camera))
            self.engine.repaint(BRIDGE, lit.code)
            seen = np.clip(self.engine.draw(camera, WITH_BRIDGE).colour, 0.0, 1.0)
            sides = self.sides(fields_of(seen[part], self.viewer, origin), outline)
            found[paint] = decided(Sides(sides, clean_sides), outline, ordinary, self.viewer).percent
        return found, self.laid(clean_fields, outline, ordinary)

    def sides(self, fields: Fields, outline: Outline) -> Floats:
        """What the windows see outside, inside and on the outline, (3, S, N, 4)."""
        return looked_across(fields, outline, self.viewer)

    def laid(self, clean: Fields, outline: Outline, ordinary: Ordinary) -> list[float]:
        """Signed break, percent, of an outline laid anywhere on a clean frame: chance alone, so 0 on the mean.

        The third rule (that the bridge did it) is set aside by judging against a frame that differs everywhere.
        """
        rng = np.random.default_rng([self.made.number, len(outline)])
        room = np.array(FRAME_PX) - 16.0 - (outline.xy.max(axis=0) - outline.xy.min(axis=0))
        signed = []
        for _ in range(LAID):
            # an outline as high as the frame moves sideways only
            corner = 8.0 + rng.uniform(0.0, 1.0, 2) * np.maximum(room, 0.0)
            moved = replace(outline, xy=outline.xy + np.where(room > 0.0, corner - outline.xy.min(axis=0), 0.0))
            sides = self.sides(clean, moved)
            result = decided(Sides(sides, sides + _FAR), moved, ordinary, self.viewer)
            signed.append(100.0 * (result.counted - result.chance) / (1.0 - result.chance))
        return signed


def _around(outline: Outline, reach: int) -> tuple[tuple[slice, slice], tuple[int, int]]:
    """The part of a frame within ``reach`` pixels of the outline, and its first pixel (x, y)."""
    x0, y0 = (int(v) for v in np.maximum(np.floor(outline.xy.min(axis=0)) - reach, 0))
    x1, y1 = (int(v) for v in np.minimum(np.ceil(outline.xy.max(axis=0)) + reach, FRAME_PX))
    return (slice(y0, y1), slice(x0, x1)), (x0, y0)


@dataclass(frozen=True, eq=False)
class Calibration:
    """Break in percent (N,) of every paint on N sets, each the mean over its held-out places.

    ``laid`` (N,) is the mean signed break of outlines laid on clean frames.
    """

    names: tuple[str, ...]
    found: dict[str, Array]
    laid: Array


@cache
def _engine() -> Engine:
    return open_engine()


def _one_thread() -> None:
    # the processes already fill the machine
    os.environ["LP_NUM_THREADS"] = "1"


def _one_set(number: int) -> tuple[str, dict[str, float], float]:
    """Name of a set, break of every paint and the mean signed break of laid outlines."""
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(calibration_set(number, Path(folder)), _engine())
        fixed = {p: bench.encoded(bench.radiance(p, bench.made.judge_from[0])) for p in (*BASELINES, "solved", "bare")}
        views = [bench.judged(camera, fixed) for camera in bench.made.judge_from]
    found = {paint: float(np.mean([breaks[paint] for breaks, _ in views])) for paint in views[0][0]}
    return bench.made.name, found, float(np.mean([signed for _, signed in views]))


def measured(numbers: Sequence[int]) -> Calibration:
    """Build the sets of these numbers, lay every paint on each and judge it, in two processes."""
    rows = []
    with ProcessPoolExecutor(2, get_context("spawn"), _one_thread) as pool:
        for row in pool.map(_one_set, numbers):
            rows.append(row)
            if sys.stderr.isatty():
                print(f"{len(rows)} of {len(numbers)} sets", end="\r", file=sys.stderr)
    names, found, laid = zip(*rows, strict=True)
    return Calibration(names, {p: np.array([row[p] for row in found]) for p in found[0]}, np.array(laid))


def standard_error(values: Array) -> float:
    """Of the mean of values (N,)."""
    return float(np.std(values, ddof=1) / np.sqrt(len(values)))


def told_apart() -> list[tuple[str, str]]:
    """Pairs of published paints, the one found more often first, whose shares lie farther apart than their errors."""
    worst_first = sorted(PEOPLE, key=lambda paint: PEOPLE[paint][0])
    return [
        (a, b)
        for a, b in combinations(worst_first, 2)
        if PEOPLE[b][0] - PEOPLE[a][0] > np.hypot(PEOPLE[a][1], PEOPLE[b][1])
    ]


def figures_of(result: Calibration) -> list[Figure]:
    """What the calibration found, and what was wanted of it."""
    found = result.found
    count = len(result.names)
    figures = []
    for paint in (*PAINTS, "no bridge"):
        people = f", people {PEOPLE[paint][0]:g} +- {PEOPLE[paint][1]:g} % did not find it" if paint in PEOPLE else ""
        figures.append(Figure(f"{paint}: break, mean of {count} sets{people}", float(found[paint].mean()), "%"))
        figures.append(Figure(f"{paint}: its standard error", standard_error(found[paint]), "%"))
    shares = np.array([share for share, _ in PEOPLE.values()])
    means = np.array([100.0 - found[paint].mean() for paint in PEOPLE])
    worse = found["mean"] > found["greedy"]
    pairs = told_apart()
    kept = float(np.mean([found[a].mean() > found[b].mean() for a, b in pairs]))
    apart = float((found["mean"] - found["greedy"]).mean() / standard_error(found["mean"] - found["greedy"]))
    exceptions = ", ".join(name for name, w in zip(result.names, worse, strict=True) if not w) or "none"
    figures += [
        at_least("rank correlation with people, on means", float(spearmanr(means, shares).statistic), "", 0.9),
        at_least(f"{len(pairs)} pairs that people tell apart, ordered as by them", 100.0 * kept, "%", 100.0),
        at_least("mean paint worse than greedy, on the mean, in standard errors", apart, "", 3.0),
        at_least("sets on which mean paint is worse than greedy", 100.0 * float(worse.mean()), "%", 100.0),
        Figure("sets on which it is not", exceptions, ""),
        at_least("solved paint below greedy, on the mean, in standard errors",
                 float((found["greedy"] - found["solved"]).mean() / standard_error(found["greedy"] - found["solved"])),
                 "", 3.0),
        Figure("sets on which solved paint is below greedy",
               100.0 * float((found["solved"] < found["greedy"]).mean()), "%"),
        at_least("uniform paint less greedy paint", float((found["uniform"] - found["greedy"]).mean()), "%", 0.0),
        at_most("no bridge, worst set", float(found["no bridge"].max()), "%", 2.0),
        at_most("exact paint, worst set", float(found["exact"].max()), "%", 2.0),
        within("outline laid anywhere on clean frames, signed", float(result.laid.mean()), "%", 0.0, 2.0),
        at_least("bare contrasting bridge, worst set", float(found["bare"].min()), "%", 90.0),
    ]  # fmt: skip
    return figures


def table(result: Calibration) -> str:
    """The calibration in Markdown, as the README shows it."""
    lines = [
        "| paint | people who did not find it | not broken | break |",
        "|---|---|---|---|",
    ]
    for paint in sorted((*PAINTS, "no bridge"), key=lambda p: -float(result.found[p].mean())):
        row = result.found[paint]
        people = f"{PEOPLE[paint][0]:.1f} % +- {PEOPLE[paint][1]:.1f}" if paint in PEOPLE else "-"
        broken = f"{row.mean():.1f} % +- {standard_error(row):.1f}"
        lines.append(f"| {paint} | {people} | {100.0 - row.mean():.1f} % | {broken} |")
    return "\n".join(lines)


def main() -> None:
    """Measure and print."""
    arguments = sys.argv[1:]
    markdown = "--markdown" in arguments
    asked = options("Does break order paints as people did?", [a for a in arguments if a != "--markdown"])
    result = measured(QUICK_NUMBERS if asked.quick else range(SETS))
    if markdown:
        print(table(result))
        return
    left_out = [f"{SETS - len(QUICK_NUMBERS)} of {SETS} sets"] if asked.quick else []
    report("calibration", figures_of(result), asked.json, left_out)


if __name__ == "__main__":
    main()
