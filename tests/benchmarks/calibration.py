"""Does break order paints as people did? ``python -m tests.benchmarks.calibration [--quick] [--json] [--markdown]``.

The published paints (``previz/paint/baselines.py``) are laid on seeded sets under flat light, each made from several
places of the lens, and judged from other places between them. What people found is quoted from Guo et al., CVPR 2023,
tables 1 and 2 (the earlier methods are those of Owens et al., CVPR 2014): the share of people who did not find a
painted cube within 60 s.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import trimesh

from previz import colour
from previz.build.light import enlarged, irradiance
from previz.build.set import build_set
from previz.build.surface import BRIDGE as BRIDGE_LAYER
from previz.build.surface import WALL as WALL_LAYER
from previz.build.surface import LitSurface, Picture
from previz.build.texels import texel_points
from previz.camera import Camera, camera_for
from previz.geometry import Array
from previz.judge.breaks import Break, break_of
from previz.judge.frame import wall_px_per_m
from previz.judge.ordinary import OrdinaryWall
from previz.judge.outline import Outline, outline_of
from previz.judge.viewer import Viewer
from previz.look.choose import open_engine
from previz.look.sight import SightLines
from previz.look.view import Engine
from previz.paint.baselines import BASELINES, WallViews, random, wall_views
from previz.paint.projected import hidden_wall, painted, wash_colour
from previz.pipeline.prepare import BRIDGE, CLEAN, CLEAN_WALL, WALL, WITH_BRIDGE, Rectangle, lit_wall, square_on
from previz.scene.model import Scene

FRAME_PX = (960, 540)
SENSOR = 0.0359
KINDS = ("slate", "basalt", "ice", "board")
SHAPES = ("box", "hung box", "walkway")

# share of people who did not find the cube, percent, and its standard error
PEOPLE = {"mean": (16.1, 2.3), "random": (39.7, 3.0), "greedy": (40.3, 3.0)}


# paints that nobody was asked about, for what must be true of any score
BARE = "#e8c020"


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
        wall = lit_wall(scene, built)
        self.made, self.engine, self.viewer = made, engine, Viewer(FRAME_PX[1])
        self.surface = built.bridge.surface
        width_px, height_px = built.bridge.size_px
        self.texels = texel_points(self.surface, width_px, height_px)
        self.light = np.ones((height_px, width_px, 3), dtype=np.float32)
        self.fallback = wash_colour(built.wall.reflectance)
        self.clean_wall = wall.clean
        bare = self.encoded(np.broadcast_to(colour.hex_linear(BARE).astype(np.float32), self.light.shape))
        engine.load((wall.clean, wall.shadowed, bare))
        self.sight = SightLines([wall.clean, wall.shadowed, bare])
        self.views = wall_views(self.texels, made.paint_from, self.sight, CLEAN_WALL, BRIDGE, wall.clean.code)
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
        if paint == "bare":
            return np.broadcast_to(colour.hex_linear(BARE).astype(np.float32), self.light.shape)
        if paint in BASELINES:
            made = random(self.views, self.made.number) if paint == "random" else BASELINES[paint](self.views)
            target, wanted = made.target, made.wanted
        else:
            # the wall behind, seen from where it is judged; or wall from a span away
            moved = np.float32([0.23, 0.0, 0.0]) if paint == "elsewhere" else np.float32(0.0)
            texels = replace(self.texels, points=self.texels.points + moved)
            target, wanted = hidden_wall(texels, camera.position, self.sight, CLEAN_WALL, self.clean_wall.code)
        return painted(target, wanted, self.light, self.fallback).radiance

    def looks(self, camera: Camera, paints: Sequence[str]) -> Look:
        """A held-out view: clean, and in every paint."""
        clean = self.engine.draw(camera, CLEAN)
        pictures = {}
        cover = None
        for paint in paints:
            self.engine.repaint(BRIDGE, self.encoded(self.radiance(paint, camera)).code)
            view = self.engine.draw(camera, WITH_BRIDGE)
            cover = view.cover(BRIDGE_LAYER)
            pictures[paint] = np.clip(view.colour, 0.0, 1.0)
        if cover is None:
            raise ValueError("no paints to look at")
        outline = outline_of(cover, self.viewer)
        size = wall_px_per_m(outline, camera, self.sight)
        return Look(np.clip(clean.colour, 0.0, 1.0), pictures, outline, size)


@dataclass(frozen=True, eq=False)
class Look:
    """A held-out view: the clean frame, the frame in every paint, the outline and how large the wall appears."""

    clean: Picture
    painted: dict[str, Picture]
    outline: Outline
    px_per_m: float

