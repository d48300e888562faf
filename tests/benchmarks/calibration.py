"""Does break order paints as people did? ``python -m tests.benchmarks.calibration [--quick] [--json] [--markdown]``.

The published paints (``previz/paint/baselines.py``) are laid on seeded sets under flat light, each made from several
places of the lens, and judged from other places between them. What people found stands in ``finderfit.py``.

``--fit`` prints the constants of ``previz/judge/finders.py`` to paste there, ``--record`` writes what was measured to
``recorded/calibration.json``, which the tests hold those constants by, and ``--recorded`` measures nothing and takes
it from there. ``--sets N`` measures N sets, every kind of wall and shape in turn, ``--workers N`` in N processes.
"""

from __future__ import annotations

import argparse
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
from previz.judge.breaks import break_of
from previz.judge.finders import REFERENCE_PCT, share_found
from previz.judge.frame import wall_px_per_m
from previz.judge.ordinary import OrdinaryWall
from previz.judge.outline import Outline, outline_of
from previz.judge.viewer import Viewer
from previz.look.view import Engine
from previz.paint.baselines import BASELINES, random, wall_views
from previz.paint.holdframes import HeldSurfaces, HeldView, held_frames
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
from tests.benchmarks.figures import Figure, at_least, at_most, report
from tests.benchmarks.finderfit import LEFT_OUT, PEOPLE, RECORD, Calibration, Fit, fitted
from tests.engine import open_engine

FRAME_PX = (960, 540)
SENSOR = 0.0359
KINDS = WALL_KINDS
SHAPES = ("box", "hung box", "walkway")

SETS = 36
# a box before columns and a walkway before boards, one for each process
QUICK_NUMBERS = (1, 11)

# what else is judged, for what must be true of any score: the wall behind exactly as seen from where it is judged,
# the wall of another place, and a bare bridge of a colour found nowhere on the walls
BARE = "#e8c020"
OTHERS = ("exact", "elsewhere", "bare")
_ELSEWHERE = np.array([0.23, 0.0, 0.0], dtype=np.float32)

# steps of solving our own paint
SOLVING_STEPS = 60

# places at which a view's outline is laid on the clean frame
LAID = 6


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
            [HeldView(*each) for each in enumerate(self.made.paint_from)], self.engine, self.sight,
            lambda _: self.ordinary,
            HeldSurfaces(
                WALL, self.clean_wall.name, BRIDGE, self.clean_wall.surface.vertices, self.surface.vertices,
                (width_px, height_px),
            ),
        )  # fmt: skip
        starts = [
            colour.encoded(np.clip(self.radiance(name, self.made.paint_from[0]), 0.0, 1.0)).reshape(-1, 3)
            for name in ("greedy", "random", "labelling", "faces", "single", "mean")
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
        """Break of every paint from one held-out place, and break of the outline laid elsewhere on the clean frame.

        ``fixed`` holds the paints that are the same from everywhere; paints that lack there and need solving are left
        out.
        """
        clean = np.clip(self.engine.draw(camera, CLEAN).colour, 0.0, 1.0)
        outline = outline_of(self.engine.draw(camera, WITH_BRIDGE).cover(BRIDGE_LAYER), self.viewer)
        ordinary = self.ordinary.at(wall_px_per_m(outline, camera, self.sight))

        def judge(seen: Picture, without: Picture, where: Outline) -> float:
            # all that is asked of the judge
            return break_of(seen, without, where, ordinary, self.viewer).percent

        found = {"no bridge": judge(clean, clean, outline)}
        for paint in (*fixed, *(p for p in OTHERS if p not in fixed)):
            lit = fixed[paint] if paint in fixed else self.encoded(self.radiance(paint, camera))
            self.engine.repaint(BRIDGE, lit.code)
            found[paint] = judge(np.clip(self.engine.draw(camera, WITH_BRIDGE).colour, 0.0, 1.0), clean, outline)
        # as if everything that is seen were the bridge's doing: against a frame of a colour found nowhere on the walls
        strange = np.broadcast_to(colour.hex_linear(BARE).astype(np.float32), clean.shape)
        return found, [judge(clean, strange, where) for where in self.laid(outline)]

    def laid(self, outline: Outline) -> list[Outline]:
        """The outline laid anywhere in the frame: what is found of it on a clean wall is chance alone."""
        rng = np.random.default_rng([self.made.number, len(outline)])
        room = np.array(FRAME_PX) - 16.0 - (outline.xy.max(axis=0) - outline.xy.min(axis=0))
        laid = []
        for _ in range(LAID):
            # an outline as high as the frame moves sideways only
            corner = 8.0 + rng.uniform(0.0, 1.0, 2) * np.maximum(room, 0.0)
            laid.append(
                replace(outline, xy=outline.xy + np.where(room > 0.0, corner - outline.xy.min(axis=0), 0.0))
            )
        return laid


@cache
def _engine() -> Engine:
    return open_engine()


def _one_thread() -> None:
    # the processes already fill the machine
    os.environ["LP_NUM_THREADS"] = "1"


def _one_set(number: int, whole: bool) -> tuple[str, dict[str, float], float]:
    """Name of a set, break of every paint and the mean break of laid outlines.

    Not ``whole``: without solved paint, and judged from one place.
    """
    names = (*BASELINES, *(["solved"] if whole else []), "bare")
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(calibration_set(number, Path(folder)), _engine())
        fixed = {name: bench.encoded(bench.radiance(name, bench.made.judge_from[0])) for name in names}
        places = bench.made.judge_from if whole else bench.made.judge_from[:1]
        views = [bench.judged(camera, fixed) for camera in places]
    found = {paint: float(np.mean([breaks[paint] for breaks, _ in views])) for paint in views[0][0]}
    return bench.made.name, found, float(np.mean([laid for _, laid in views]))


def measured(numbers: Sequence[int], whole: bool = True, workers: int = 2) -> Calibration:
    """Build the sets of these numbers, lay every paint on each and judge it, so many at a time (:func:`_one_set`)."""
    rows = []
    with ProcessPoolExecutor(workers, get_context("spawn"), _one_thread) as pool:
        for row in pool.map(_one_set, numbers, [whole] * len(numbers)):
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


def figures_of(result: Calibration, fit: Fit | None) -> list[Figure]:
    """What the calibration found, and what was wanted of it; nothing of finders without ``fit``."""
    found = result.found
    count = len(result.names)
    figures = []
    for paint, values in found.items():
        people = f", people {PEOPLE[paint][0]:g} +- {PEOPLE[paint][1]:g} % did not find it" if paint in PEOPLE else ""
        figures.append(Figure(f"{paint}: break, mean of {count} sets{people}", float(values.mean()), "%"))
        figures.append(Figure(f"{paint}: its standard error", standard_error(values), "%"))
    figures.append(Figure("shown to people and left out", LEFT_OUT, ""))
    shares = np.array([share for share, _ in PEOPLE.values()])
    means = np.array([100.0 - found[paint].mean() for paint in PEOPLE])
    worse = found["mean"] > found["greedy"]
    pairs = told_apart()
    kept = [found[a].mean() > found[b].mean() for a, b in pairs]
    swapped = ", ".join(f"{a} and {b}" for (a, b), right in zip(pairs, kept, strict=True) if not right) or "none"
    exceptions = ", ".join(name for name, w in zip(result.names, worse, strict=True) if not w) or "none"
    figures += [
        at_least(f"rank correlation with people over {len(PEOPLE)} paints, on means",
                 round(float(spearmanr(means, shares).statistic), 9), "", 0.9),
        at_least(f"{len(pairs)} pairs that people tell apart, ordered as by them", 100.0 * float(np.mean(kept)), "%",
                 100.0),
        Figure("pairs that are not", swapped, ""),
        at_least("mean paint worse than greedy, on the mean, in standard errors",
                 paired(found["mean"], found["greedy"]), "", 3.0),
        at_least("sets on which mean paint is worse than greedy", 100.0 * float(worse.mean()), "%", 95.0),
        Figure("sets on which it is not", exceptions, ""),
        at_least("uniform paint less greedy paint", float((found["uniform"] - found["greedy"]).mean()), "%", 0.0),
        at_most("no bridge, worst set", float(found["no bridge"].max()), "%", 2.0),
        at_most("exact paint, worst set", float(found["exact"].max()), "%", 2.0),
        at_most("outline laid anywhere on clean frames, mean", float(result.laid.mean()), "%", 2.0),
        at_least("bare contrasting bridge, worst set", float(found["bare"].min()), "%", 90.0),
    ]  # fmt: skip
    if "solved" in found:
        below = found["solved"] < found["greedy"]
        figures += [
            at_least("solved paint below greedy, paired differences, mean in standard errors",
                     paired(found["greedy"], found["solved"]), "", 3.0),
            Figure("sets on which solved paint is below greedy", 100.0 * float(below.mean()), "%"),
        ]  # fmt: skip
    return figures + ([] if fit is None else finder_figures(result, fit))


def finder_figures(result: Calibration, fit: Fit) -> list[Figure]:
    """How the fitted map from break to people stands to the study, and what the product's constants say."""
    figures = [
        at_most("finders: share in 60 s fitted against the study's, worst paint, in the study's errors",
                max(abs(v) for v in fit.residual.values()), "", 2.0),
        Figure(f"finders: chance a second at break {REFERENCE_PCT:g} %", fit.hazard, "1/s"),
        Figure("finders: its relative standard error", 100.0 * fit.log_hazard_sd, "%"),
        Figure("finders: rises with break to the power", fit.exponent, ""),
        Figure("finders: standard error of the power", fit.exponent_sd, ""),
        Figure("finders: logistic curve instead, found in 60 s at break 0",
               100.0 / (1.0 + float(np.exp(-fit.logit_at_0))), "%"),
        Figure("finders: least mean break of a paint that people were shown", fit.least_shown_pct, "%"),
    ]  # fmt: skip
    for percent in (5.0, float(result.found["greedy"].mean()), float(result.found["mean"].mean())):
        said = share_found(percent)
        figures.append(
            Figure(f"finders: the product says of break {percent:.1f} %: found in 60 s",
                   f"{100.0 * said.value:.0f} ({100.0 * said.low:.0f} to {100.0 * said.high:.0f})", "%")
        )  # fmt: skip
    return figures


def paired(a: Array, b: Array) -> float:
    """Mean of the differences a - b (N,) in its standard errors."""
    return float((a - b).mean() / standard_error(a - b))


def table(result: Calibration) -> str:
    """The calibration in Markdown, as the README shows it."""
    lines = [
        "| paint | people who did not find it | not broken | break |",
        "|---|---|---|---|",
    ]
    for paint in sorted(result.found, key=lambda p: -float(result.found[p].mean())):
        row = result.found[paint]
        people = f"{PEOPLE[paint][0]:.1f} % +- {PEOPLE[paint][1]:.1f}" if paint in PEOPLE else "-"
        broken = f"{row.mean():.1f} % +- {standard_error(row):.1f}"
        lines.append(f"| {paint} | {people} | {100.0 - row.mean():.1f} % | {broken} |")
    return "\n".join(lines)


def numbers_of(count: int) -> list[int]:
    """The numbers of ``count`` sets; of a dozen, one of every wall and shape."""
    # 5 shares no factor with the 12 pairs of wall and shape, nor with 36
    return [5 * k % SETS for k in range(count)] if count < SETS else list(range(SETS))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Does break order paints as people did?")
    parser.add_argument("--quick", action="store_true", help="less than 45 s; says which figures it left out")
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")
    parser.add_argument("--markdown", action="store_true", help="print the table of the README")
    parser.add_argument("--fit", action="store_true", help="print the constants of previz/judge/finders.py")
    parser.add_argument("--record", action="store_true", help="keep what was measured for the tests")
    parser.add_argument("--recorded", action="store_true", help="take what was kept, measure nothing")
    parser.add_argument("--sets", type=int, default=SETS, help=f"measure so many sets, {SETS} at most")
    parser.add_argument("--workers", type=int, default=2, help="sets at a time")
    asked = parser.parse_args()
    if asked.quick and (asked.fit or asked.record):
        parser.error("--quick measures too few sets to fit or keep anything")
    if asked.recorded:
        result = Calibration.read(RECORD)
    else:
        numbers = QUICK_NUMBERS if asked.quick else numbers_of(min(max(asked.sets, 2), SETS))
        result = measured(numbers, not asked.quick, asked.workers)
    if asked.record:
        result.written(RECORD)
    if asked.markdown:
        print(table(result))
        return
    # two sets are too few to fit anything to
    fit = fitted(result.found) if not asked.quick else None
    if fit is not None and asked.fit:
        print(fit.constants())
        return
    left_out = [
        f"{SETS - len(QUICK_NUMBERS)} of {SETS} sets", "two of three places to judge from", "solved paint", "finders",
    ]  # fmt: skip
    report("calibration", figures_of(result, fit), asked.json, left_out if asked.quick else [])


if __name__ == "__main__":
    main()
