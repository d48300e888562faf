"""Sweeps of the judge: what must be found, and what must not, on walls of every kind and on photographs.

Shadows beside the outline are laid on clean frames by hand, so that their step, length and edge are known; shadows
across the wall are thrown by hard lamps from ten places. Photographs are those that scikit-image carries: brick, gravel
and grass, which share nothing with this project's walls.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, zoom
from skimage import data

from previz import colour
from previz.judge.breaks import Break, decided, sides_of
from previz.judge.frame import wall_px_per_m
from previz.judge.ordinary import Ordinary, ordinary_of
from previz.judge.outline import Outline, outline_of
from previz.judge.trace.traces import trace_of
from previz.judge.viewer import SEATS, Viewer
from previz.scene.model import WALL_KINDS, Scene
from previz.scene.reader import read_scene
from previz.stage.looking import FrameJob, Looker
from previz.stage.prepare import prepare
from previz.workshop.surface import Picture
from tests.benchmarks.figures import Figure, at_least, at_most, within
from tests.engine import open_engine

SCENES = Path(__file__).resolve().parents[2] / "scenes"
WIDTH, HEIGHT = 960, 540
VIEWER = Viewer(HEIGHT)
PX_PER_DEG = VIEWER.px_per_deg
PHOTOGRAPHS = {"brick": data.brick, "gravel": data.gravel, "grass": data.grass}

# hard lamps (m): left and right, high and low, near and far
LAMPS = tuple((side * x, y, z) for side in (-1.0, 1.0) for x, y, z in (
    (0.9, 0.4, 1.4), (1.2, 0.5, 1.2), (1.4, 0.9, 1.0), (0.7, 1.2, 1.3), (1.6, 0.3, 1.6)))  # fmt: skip

# a face so large that the bridge's shadow melts away, m
LARGE = 2.0


def photograph(name: str) -> Picture:
    """A photograph as a wall: linear light (H, W, 3), mirrored over to fill the frame."""
    grey = PHOTOGRAPHS[name]().astype(np.float64) / 255.0
    large = zoom(np.pad(grey, ((0, 0), (0, grey.shape[1])), mode="symmetric"), 1.06, order=1)[:HEIGHT, :WIDTH]
    return np.repeat(colour.decoded(large)[..., None], 3, axis=2).astype(np.float32) * np.float32(0.8)


def bar(rng: np.random.Generator, half_px: float = 25.0) -> tuple[Outline, NDArray[np.float32], Picture, Picture]:
    """A straight bridge anywhere in the frame: outline, cover, and for each pixel how far along and across it lies."""
    y, x = np.mgrid[:HEIGHT, :WIDTH] + 0.5
    angle = rng.uniform(0.0, np.pi)
    middle = np.array([rng.uniform(0.28, 0.72) * WIDTH, rng.uniform(0.36, 0.64) * HEIGHT])
    t = np.array([np.cos(angle), np.sin(angle)])
    along = (x - middle[0]) * t[0] + (y - middle[1]) * t[1]
    across = -(x - middle[0]) * t[1] + (y - middle[1]) * t[0]
    cover = gaussian_filter(((np.abs(along) < 150.0) & (np.abs(across) < half_px)).astype(np.float32), 0.7)
    return outline_of(cover, VIEWER), cover, along, across


@dataclass(frozen=True, eq=False)
class Shadow:
    """A shadow laid beside a bar: how large a step, dE*ab, how long, deg, and the frame with it."""

    step_de: float
    length_deg: float
    seen: Picture
    inside: NDArray[np.bool_]


def beside(
    clean: Picture, rng: np.random.Generator, outline: Outline, along: Picture, across: Picture, edge: bool = True
) -> Shadow:
    """A shadow beside one long side: darkest at the outline and gone within half to one and a half degrees; without an
    ``edge`` it lies on both sides alike, a wide penumbra that the bridge happens to stand in."""
    length, step = rng.uniform(1.0, 6.0), rng.uniform(5.0, 15.0)
    half = 0.5 * length * PX_PER_DEG
    start = rng.uniform(-150.0 + half, 150.0 - half) if half < 150.0 else 0.0
    wide = rng.uniform(0.5, 1.5) * PX_PER_DEG
    if edge:
        fall = np.where(across > 25.0, np.exp(-(((across - 25.0) / wide) ** 2)), 0.0)
        fall = fall * np.clip((half - np.abs(along - start)) / 8.0 + 0.5, 0.0, 1.0)
    else:
        fall = np.exp(-0.5 * (across / (4.0 * PX_PER_DEG)) ** 2 - 0.5 * ((along - start) / (6.0 * PX_PER_DEG)) ** 2)
    near = (across > 25.0) & (across < 31.0) & (np.abs(along - start) < max(half - 4.0, 2.0))
    before = colour.lab(clean[near])
    low, high = 0.0, 0.95
    for _ in range(20):
        share = 0.5 * (low + high)
        found = np.linalg.norm(colour.lab(clean[near] * (1.0 - share * fall[near][:, None])) - before, axis=-1).mean()
        low, high = (share, high) if found < step else (low, share)
    seen = np.clip(clean * (1.0 - low * fall[..., None]), 0.0, 1.0).astype(np.float32)
    # the outline's own pieces in that stretch of that side
    column = np.clip(outline.xy.astype(int), 0, [WIDTH - 1, HEIGHT - 1])
    at = along[column[:, 1], column[:, 0]], across[column[:, 1], column[:, 0]]
    return Shadow(step, length, seen, (np.abs(at[0] - start) < half) & (at[1] > 15.0))


def flat_frames(kinds: tuple[str, ...]) -> Iterator[tuple[str, Picture, Ordinary]]:
    """Clean frames of the quarry's set with walls of each kind under flat light, and what is ordinary on them."""
    engine = open_engine()
    scene = read_scene(SCENES / "quarry.toml")
    for kind in kinds:
        looker = Looker(engine)
        looker.load(prepare(_with_wall(scene, kind).edited(lamps=(), light__ambient=0.0)))
        frame = looker.ready.move.station_frame
        blur, (looks, _) = looker.delivered(frame, WIDTH, HEIGHT)
        camera = looker.ready.move.camera(frame, WIDTH, HEIGHT)
        wall = looker.ordinary(HEIGHT, blur).at(wall_px_per_m(outline_of(looks.cover, VIEWER), camera, looker.sight))
        yield kind, np.clip(looks.clean, 0.0, 1.0), wall


def _with_wall(scene: Scene, kind: str) -> Scene:
    return scene.edited(wall__kind=kind)


def shadows_beside(kinds: tuple[str, ...], count: int) -> list[Figure]:
    """Shadows beside the outline, and the same light without an edge."""
    figures = []
    for kind, clean, wall in flat_frames(kinds):
        rng = np.random.default_rng(3)
        found, strong, plain, not_found = [], [], [], 0
        for _ in range(count):
            outline, _, along, across = bar(rng)
            one = beside(clean, rng, outline, along, across)
            seen = decided(sides_of(one.seen, clean, outline, VIEWER), outline, wall, VIEWER)
            hit = bool(one.inside.any() and seen.found[one.inside].max() >= 0.5)
            found.append(hit)
            if one.step_de >= 10.0 and one.length_deg >= 3.0:
                strong.append(hit)
            wide = beside(clean, rng, outline, along, across, edge=False)
            seen = decided(sides_of(wide.seen, clean, outline, VIEWER), outline, wall, VIEWER)
            plain.append(seen.percent)
            not_found += seen.percent <= 2.0
        figures += [
            at_least(f"{kind}: shadow edge beside the outline, 5 to 15 dE, 1 to 6 deg, found", _pct(found), "%", 95.0),
            Figure(f"{kind}: of those of 10 dE and 3 deg or more", _pct(strong), "%"),
            at_least(f"{kind}: that light without an edge, break at most 2 %", 100.0 * not_found / count, "%", 95.0),
        ]
    return figures


def _pct(flags: list[bool]) -> float:
    return 100.0 * float(np.mean(flags)) if flags else float("nan")


def nothing_there(count: int) -> list[Figure]:
    """Break and trace of lines laid on clean photographs, with everything called the bridge's doing, and of an exact
    copy."""
    figures = []
    for name in PHOTOGRAPHS:
        clean = photograph(name)
        wall = ordinary_of(clean, VIEWER)
        rng = np.random.default_rng(5)
        rows = []
        for _ in range(count):
            outline, cover, _, _ = bar(rng)
            sides = sides_of(clean, clean, outline, VIEWER)
            # as if all that is seen were the bridge's doing: what is left is chance alone
            seen = decided(replace(sides, clean=np.zeros_like(sides.clean)), outline, wall, VIEWER)
            rows.append(seen.by_seat)
            exact = decided(sides, outline, wall, VIEWER)
            if exact.percent != 0.0 or trace_of(clean, clean, cover, wall, VIEWER) is not None:
                raise RuntimeError(f"{name}: an exact copy is found")
        mean = np.array(rows).mean(axis=0)
        for seat, value in zip(SEATS, mean, strict=True):
            what = f"{name}: clean, mean break of {count} lines, {seat.name} viewer"
            figures.append(within(what, float(value), "%", 0.0, 2.0))
        figures.append(at_most(f"{name}: exact copy, break and trace", 0.0, "%", 0.0))
    return figures


def hard_shadows(kinds: tuple[str, ...], lamps: tuple[tuple[float, float, float], ...]) -> list[Figure]:
    """Hard lamps that throw the bridge's shadow across the wall, and the same lamps as large faces."""
    engine = open_engine()
    scene = read_scene(SCENES / "quarry.toml")
    key = scene.lamps[0]
    shown, named, mended, counted, missed = 0, 0, 0, 0, []
    for kind in kinds:
        for position in lamps:
            scores = []
            for size in (0.02, LARGE):
                lamp = key.model_copy(update={
                    "size": (size, size), "position": position, "aim": (0.0, -0.2, 0.2), "lux": 650.0,
                })  # fmt: skip
                looker = Looker(engine)
                looker.load(prepare(_with_wall(scene, kind).edited(lamps=(lamp,), light__ambient=380.0)))
                frame = looker.ready.move.station_frame
                _, (looks, _) = looker.delivered(frame, WIDTH, HEIGHT)
                de = _shadow_px(looks.seen, looks.clean, looks.cover)
                scores.append((looker.look(FrameJob(frame, WIDTH, HEIGHT, pictures=False)).judged.score, de))
            (hard, px), (soft, _) = scores
            if px < 60.0 * 10.0:
                continue
            counted += 1
            shown += not hard.holds
            named += "shadow" in hard.tells
            mended += (soft.trace_pct or 0.0) <= 5.0
            if hard.holds:
                missed.append(f"{kind} {position}: break {hard.break_pct:.1f}, trace {hard.trace_pct:.1f}")
    share = 100.0 / max(counted, 1)
    return [
        Figure("hard shadows of 6 dE and 60 px", counted, "sets"),
        within("of those, not hidden", share * shown, "%", 100.0, 0.0),
        within("of those, shadow named", share * named, "%", 100.0, 0.0),
        within("of those, trace at most 5 % where the lamp is a large face", share * mended, "%", 100.0, 0.0),
        *(Figure("hidden all the same", one, "") for one in missed),
    ]


def _shadow_px(seen: Picture, clean: Picture, cover: NDArray[np.float32]) -> float:
    """How many pixels beside the bridge are darker by 6 dE*ab or more."""
    away = cover <= 0.0
    step = np.linalg.norm(colour.lab(np.clip(seen[away], 0, 1)) - colour.lab(np.clip(clean[away], 0, 1)), axis=-1)
    return float((step >= 6.0).sum())


def widths(names: tuple[str, ...], sizes: tuple[int, ...]) -> list[Figure]:
    """How much break and trace of a frame differ between widths."""
    engine = open_engine()
    worst, where = 0.0, ""
    for name in names:
        looker = Looker(engine)
        looker.load(prepare(read_scene(SCENES / f"{name}.toml")))
        move = looker.ready.move
        for frame in (move.frames[0], move.station_frame, move.scene.rail.hold[1], move.scene.rail.hold[1] + 8):
            rows = []
            for width in sizes:
                score = looker.look(FrameJob(frame, width, round(width * 9 / 16), pictures=False)).judged.score
                rows.append((score.break_pct or 0.0, score.trace_pct or 0.0))
            spread = float(np.ptp(np.array(rows), axis=0).max())
            if spread > worst:
                worst, where = spread, f"{name} {frame}"
    what = f"largest difference of a frame between {', '.join(map(str, sizes))} px ({where})"
    return [at_most(what, worst, "points", 1.5)]


def mirrored(count: int) -> list[Figure]:
    """How much break differs when the picture is mirrored."""
    worst = 0.0
    for name in PHOTOGRAPHS:
        clean = photograph(name)
        walls = ordinary_of(clean, VIEWER), ordinary_of(np.ascontiguousarray(clean[:, ::-1]), VIEWER)
        rng = np.random.default_rng(6)
        for _ in range(count):
            _, cover, along, across = bar(rng)
            outline = outline_of(cover, VIEWER)
            seen = beside(clean, rng, outline, along, across).seen
            pair: list[Break] = []
            for turned, wall in zip((False, True), walls, strict=True):
                pictures = [np.ascontiguousarray(p[:, ::-1]) if turned else p for p in (seen, clean, cover)]
                line = outline_of(pictures[2], VIEWER)
                pair.append(decided(sides_of(pictures[0], pictures[1], line, VIEWER), line, wall, VIEWER))
            worst = max(worst, abs(pair[0].percent - pair[1].percent))
    return [at_most("largest difference of a mirrored picture, photographs", worst, "points", 0.5)]


def sweeps(quick: bool) -> list[Figure]:
    """All of them; when ``quick`` the photographs alone."""
    if quick:
        return nothing_there(12)
    return [
        *nothing_there(60),
        *mirrored(8),
        *shadows_beside(WALL_KINDS, 40),
        *hard_shadows(WALL_KINDS, LAMPS),
        *widths(("quarry", "seastack", "crevasse"), (640, 960, 1920, 3840)),
    ]
