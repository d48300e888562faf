"""Solving the paint of a set for its whole hold, in a worker that keeps what it has found between its jobs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.errors import JudgeError
from previz.geometry import Array
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.look.blur import blur_of
from previz.paint.baselines import BASELINES, WallViews, random, seen_by, wall_views
from previz.paint.freewall import FreeWall, LayingBoth, WallPart, in_one_row
from previz.paint.holdframes import HeldSurfaces, HeldView, held_frames
from previz.paint.laying import Laying, wall_mixing
from previz.paint.solver import STEPS, Descent, HeldFrame, worst_of
from previz.run.progress import Progress
from previz.run.workers import WorkerPool
from previz.scene.model import Scene
from previz.scene.move import Move
from previz.search.knock import knocked, misbuilt, sample
from previz.stage.freewall import bands_along, change_of, painted_over, shade_of
from previz.stage.looking import Looker
from previz.stage.prepare import BRIDGE, CLEAN_WALL, WALL, Painter, ReadySet
from previz.stage.projected import hidden_wall, painted
from previz.workshop.pigment import BRIGHTEST_PAINT, DARKEST_PAINT
from previz.workshop.surface import LitSurface, Picture, Pixels8
from previz.workshop.texels import texel_side

# frames of the hold that are solved for, at most; as many as half of these are seen from knocked places too
_FRAMES = 20

# views that paints made from many views are made from
VIEWS = 6

# builds that are solved for are numbered from here: `knock` never counts them
_OTHER_BUILDS = 1_000_000

# frames of the whole move, at most, that are looked through for what of the bridge is ever seen
_LOOKED_AT = 24

# frames are solved for at this width: windows are in degrees, and a finer picture shows them little more
SOLVED_WIDTH_PX = 960

# diameter (m) of the brush that changes are laid on with where the scene states none
USUAL_BRUSH = 0.003

# steps between two words to the user
_AT_ONCE = 4

# frames of the hold that paints are compared on, at most
_COMPARED = 12

# paints worth beginning with: projected from the station point and from three places of the hold, and two of others'
STARTS = ("station", "quarter", "middle", "three quarters", "single", "mean")

# and, where the wall is free, from the station point onto a wall in bands along the slide
BANDS = "bands along the slide"

# how far solving may take a wall's codes, 0 to 1, off its bands
_OFF_BANDS = np.float32(0.02)

Answer = TypeVar("Answer")


@dataclass(frozen=True)
class SolveReport:
    """Where solving stands: frames solved for, steps taken, and the worst frame's softened share found, 0 to 1, with
    the paint begun with and the best so far. ``start`` is the paint that was begun with; ``more`` whether to go on."""

    frames: int
    taken: int
    worst_before: float
    worst: float
    start: str
    more: bool


@dataclass(frozen=True, eq=False)
class FramesJob:
    """Makes the frames of the hold ready up to some ``number`` of their cameras; those that are, stay so."""

    scene: Scene
    size_px: tuple[int, int]
    number: int

    def done_by(self, looker: Looker) -> None:
        """Make them ready."""
        ready = looker.loaded
        found = looker.kept(ReadyFrames) or looker.keep(ReadyFrames(0, (), _free_wall(ready, self.scene)))
        width_px, height_px = self.size_px
        views = solved_views(self.scene, ready.move, width_px, height_px)[found.number : self.number]
        if not views:
            return
        frames = held_frames(
            views, looker.engine, looker.sight, lambda blur: looker.ordinary(height_px, blur), held_surfaces(ready),
            found.free_wall,
        )  # fmt: skip
        looker.engine.repaint(BRIDGE, ready.bridge.code)
        looker.keep(ReadyFrames(found.number + len(views), (*found.frames, *frames), found.free_wall))


@dataclass(frozen=True, eq=False)
class ReadyFrames:
    """Frames of the hold that are ready to be solved for, of the first ``number`` of its cameras, and the wall where it
    may be painted over."""

    number: int
    frames: tuple[HeldFrame, ...]
    free_wall: FreeWall | None


@dataclass(frozen=True)
class StartJob:
    """Lays a paint that one could begin with, as it is lit, (H, W, 3) uint8."""

    name: str

    def done_by(self, looker: Looker) -> Pixels8:
        """Lay it."""
        found = looker.kept(StartPaint, self.name)
        if found is None:
            ready = looker.loaded
            lit = paint_bench(looker).lit(self.name, ready.move, *solved_size_px(ready.scene))
            found = looker.keep(StartPaint(lit), self.name)
        return found.code


@dataclass(frozen=True, eq=False)
class StartPaint:
    """A paint that one could begin with, as it is lit: ``code`` (H, W, 3) uint8."""

    code: Pixels8


@dataclass(frozen=True, eq=False)
class BeginSolving:
    """Chooses the paint to begin with; makes the frames of the hold ready where :class:`FramesJob` has not."""

    scene: Scene
    size_px: tuple[int, int]
    steps: int = STEPS

    def done_by(self, looker: Looker) -> SolveReport:
        """Begin. Raises :class:`JudgeError` where no frame of the hold shows the bridge."""
        ready = looker.loaded
        move = ready.move
        width_px, height_px = self.size_px
        texture_px = ready.built.bridge.size_px
        FramesJob(self.scene, self.size_px, len(solved_views(self.scene, move, *self.size_px))).done_by(looker)
        found = looker.kept(ReadyFrames)
        frames = [] if found is None else list(found.frames)
        free_wall = None if found is None else found.free_wall
        if not frames:
            first, last = self.scene.rail.hold
            raise JudgeError(
                f"rail.hold: in none of the frames {first} to {last} can the bridge's outline be seen before the wall; "
                "there is nothing to solve paint for: move the camera or change the hold"
            )
        bench = paint_bench(looker)
        starts = {name: codes_of(StartJob(name).done_by(looker)) for name in STARTS}
        part = None
        if free_wall is not None:
            frames, part = in_one_row(frames, free_wall, texture_px[0] * texture_px[1])
            wall = part.codes(free_wall.code)
            starts = {name: np.concatenate([codes, wall]) for name, codes in starts.items()}
            bands = _in_bands(ready, move, part, free_wall)
            if bands is not None:
                bridge = codes_of(bench.lit("station", move, width_px, height_px, part.put(free_wall.code, bands)))
                starts[BANDS] = np.concatenate([bridge, bands])
        worst = {name: worst_of(frames, codes) for name, codes in starts.items()}
        start = min(worst, key=lambda name: worst[name])
        # bands hide what slides, which no frame shows: they are begun with unless they cost the still frames
        if BANDS in worst and worst[BANDS][0] <= max(HOLDS_BELOW_PCT, worst[start][0]):
            start = BANDS
        brush = self.scene.paint.brush or USUAL_BRUSH
        laying = Laying(
            texture_px[1], texture_px[0], ready.built.bridge.charts, brush / ready.built.bridge.texel,
            wall_mixing(ready.wall.clean.code),
        )  # fmt: skip
        lowest, highest = (
            colour.encoded(reflectance * bench.light).reshape(-1, 3).astype(np.float32)
            for reflectance in (DARKEST_PAINT, BRIGHTEST_PAINT)
        )
        if free_wall is None or part is None:
            descent = Descent(frames, starts[start], lowest, highest, laying, self.steps)
        else:
            low, high = (np.clip(wall + way * free_wall.change, 0.0, 1.0) for way in (-1.0, 1.0))
            if start == BANDS:
                kept = starts[BANDS][-len(wall) :]
                low, high = np.maximum(low, kept - _OFF_BANDS), np.minimum(high, kept + _OFF_BANDS)
            lowest, highest = np.concatenate([lowest, low]), np.concatenate([highest, high])
            # the wall's texels are of another size than the bridge's
            both = LayingBoth(laying, part, brush / texel_side(ready.built.wall))
            descent = Descent(frames, starts[start], lowest, highest, both, self.steps)
        return _report(looker.keep(Solving(descent, start, part)), True)


@dataclass(frozen=True)
class GoOnSolving:
    """Takes some more steps."""

    steps: int

    def done_by(self, looker: Looker) -> SolveReport:
        """Take them."""
        solving = solving_of(looker)
        return _report(solving, solving.descent.go(self.steps))


@dataclass(frozen=True)
class SolvedCodes:
    """Hands over the best paint so far."""

    def done_by(self, looker: Looker) -> SolvedPaint:
        """Hand it over."""
        solving = solving_of(looker)
        codes, ready = solving.descent.solution.codes, looker.loaded
        width, height = ready.built.bridge.size_px
        bridge = np.rint(codes[: width * height] * 255.0).astype(np.uint8).reshape(height, width, 3)
        if solving.part is None:
            return SolvedPaint(bridge, None)
        return SolvedPaint(bridge, solving.part.put(ready.wall.clean.code, codes[width * height :]))


@dataclass(frozen=True, eq=False)
class SolvedPaint:
    """Solved paint as it is lit: the ``bridge``'s map (H, W, 3) uint8, and the clean ``wall``'s picture, None where the
    wall stays as it is."""

    bridge: Pixels8
    wall: Pixels8 | None


@dataclass(frozen=True, eq=False)
class Solving:
    """What a worker keeps between jobs: the descent, the paint it began with, the part of the wall in question."""

    descent: Descent
    start: str
    part: WallPart | None


def solving_of(looker: Looker) -> Solving:
    """What :class:`BeginSolving` has begun on the looker's set."""
    found = looker.kept(Solving)
    if found is None:
        raise RuntimeError("no paint is being solved on the set that is loaded")
    return found


def _in_bands(ready: ReadySet, move: Move, part: WallPart, wall: FreeWall) -> NDArray[np.float32] | None:
    """The part's codes (T, 3) in bands along the slide, as far as the wall may change; None where nothing slides along
    the wall, or its map has no one direction for it."""
    design = part.codes(wall.code).reshape(part.height, part.width, 3)
    bands = bands_along(move, ready.built.wall, design, wall.change)
    return None if bands is None else bands.reshape(-1, 3)


def _free_wall(ready: ReadySet, scene: Scene) -> FreeWall | None:
    """The wall, where the scene lets it be painted over."""
    if scene.paint.wall != "free":
        return None
    clean = ready.wall.clean.code
    shade = shade_of(ready.wall) if ready.wall.shadows else None
    return FreeWall(clean, shade, change_of(scene))


def _report(solving: Solving, more: bool) -> SolveReport:
    solution = solving.descent.solution
    before, after = float(solution.before.max()), float(solution.after.max())
    return SolveReport(len(solution.after), solution.steps, before, after, solving.start, more)


def solved_frames(scene: Scene) -> list[int]:
    """Frames of the hold that paint is solved for, spread over it, its ends among them."""
    first, last = scene.rail.hold
    return sorted({int(f) for f in np.linspace(first, last, min(_FRAMES, (last - first) // 2 + 2)).round()})


def frames_between(scene: Scene) -> list[int]:
    """Frames of the hold that paint is not solved for; those that it is where there are no others."""
    taken = solved_frames(scene)
    first, last = scene.rail.hold
    return [f for f in range(first, last + 1) if f not in taken] or taken


def compared_frames(scene: Scene) -> tuple[int, ...]:
    """Frames between those solved for on which paints are compared."""
    between = frames_between(scene)
    return tuple(sorted({between[int(k)] for k in np.linspace(0, len(between) - 1, _COMPARED).round()}))


def solved_views(scene: Scene, move: Move, width_px: int, height_px: int) -> list[HeldView]:
    """What paint is solved for: frames, and every other one again of a build and with a camera that are off as far as
    hand and rig are not true."""
    views = []
    for at, frame in enumerate(solved_frames(scene)):
        view = HeldView(
            frame, move.camera(frame, width_px, height_px), blur_of(move, frame, width_px, height_px)
        )
        views.append(view)
        if at % 2 == 1:
            errors = sample(scene.knock, _OTHER_BUILDS + at)
            off = view.seen_from(partial(knocked, knock=errors))
            views.append(replace(off, built=misbuilt(errors, (scene.knock.seed, _OTHER_BUILDS + at))))
    return views


def held_surfaces(ready: ReadySet) -> HeldSurfaces:
    """The surfaces of a ready set, as the solver asks for them."""
    bridge = ready.built.bridge
    return HeldSurfaces(
        WALL, CLEAN_WALL, BRIDGE, ready.built.wall.vertices, bridge.surface.vertices, bridge.size_px
    )


class PaintBench:
    """Lays paints that others have thought of, and those begun with, on the looker's set."""

    def __init__(self, looker: Looker) -> None:
        ready = looker.loaded
        if looker.painter is None:
            looker.painter = Painter(ready.built, ready.wall, looker.sight)
        self._looker, self._painter = looker, looker.painter
        self._views: WallViews | None = None

    @property
    def light(self) -> Picture:
        """Light (H, W, 3) on the bridge's map."""
        return self._painter.light

    def lit(
        self, paint: str, move: Move, width_px: int, height_px: int, wall: Pixels8 | None = None
    ) -> Pixels8:
        """A paint by its name as it is lit, (H, W, 3) uint8; paint projected from a place continues another ``wall``'s
        picture where one is given."""
        ready, painter = self._looker.loaded, self._painter
        if paint in ("bare", "wash"):
            scene = ready.scene.edited(bridge__paint=paint, bridge__image=None)
            return painter.painted(scene, ready.station_point)[0].code
        parts = {"quarter": 0.25, "middle": 0.5, "three quarters": 0.75}
        if paint == "station" or paint in parts:
            point = ready.station_point
            if paint in parts:
                first, last = ready.scene.rail.hold
                point = np.asarray(move.camera(round(first + parts[paint] * (last - first))).position)
            code = ready.wall.clean.code if wall is None else wall
            target, wanted = hidden_wall(painter.texels, point, self._looker.sight, WALL, code)
        else:
            views = self._wall_views(move, width_px, height_px)
            made = random(views, ready.scene.wall.seed) if paint == "random" else BASELINES[paint](views)
            target, wanted = made.target, made.wanted
        return colour.encoded8(painted(target, wanted, painter.light, painter.fallback).radiance)

    def seen(self, move: Move, width_px: int, height_px: int) -> NDArray[np.bool_]:
        """Texels (H, W) of the bridge's map that some view of the hold sees."""
        return np.asarray(self._wall_views(move, width_px, height_px).seen.any(axis=0))

    def ever_seen(self, move: Move, width_px: int, height_px: int) -> NDArray[np.bool_]:
        """Texels (H, W) of the bridge's map that any frame of the move sees; of a long move, frames spread over it."""
        frames = sorted({int(f) for f in np.linspace(move.frames[0], move.frames[-1], _LOOKED_AT).round()})
        cameras = [move.camera(frame, width_px, height_px) for frame in frames]
        seen = seen_by(self._painter.texels, cameras, self._looker.sight, WALL, BRIDGE)
        return np.asarray(seen | self.seen(move, width_px, height_px))

    def _wall_views(self, move: Move, width_px: int, height_px: int) -> WallViews:
        if self._views is None:
            ready = self._looker.loaded
            first, last = ready.scene.rail.hold
            frames = sorted({int(f) for f in np.linspace(first, last, VIEWS).round()})
            cameras = [move.camera(f, width_px, height_px) for f in frames]
            self._views = wall_views(
                self._painter.texels, cameras, self._looker.sight, WALL, BRIDGE, ready.wall.clean.code
            )
        return self._views


def paint_bench(looker: Looker) -> PaintBench:
    """The bench of the set that is loaded, kept with it: what the views see of the wall is worked out once."""
    return looker.kept(PaintBench) or looker.keep(PaintBench(looker))


def codes_of(code: Pixels8) -> NDArray[np.float32]:
    """Codes (T, 3) float32, 0 to 1, of a texture (H, W, 3)."""
    return np.asarray(code.reshape(-1, 3) / np.float32(255.0), dtype=np.float32)


def solved_size_px(scene: Scene) -> tuple[int, int]:
    """(width, height) px of the frames that paint is solved for."""
    width, height = scene.delivery.frame
    wide = min(SOLVED_WIDTH_PX, width)
    return wide, max(round(height * wide / width), 1)


def solve(
    ready: ReadySet, pool: WorkerPool, progress: Progress, steps: int = STEPS
) -> tuple[SolvedPaint, SolveReport]:
    """Solve the paint of a ready set in a pool of one worker that has it loaded.

    The paint, and how it went.
    """
    size_px = solved_size_px(ready.scene)
    cameras = len(solved_views(ready.scene, ready.move, *size_px))
    jobs = [FramesJob(ready.scene, size_px, number + 1) for number in range(cameras)]
    tally = progress.tally(cameras, "views of the hold made ready")
    for number, _ in enumerate(pool.run(jobs), 1):
        tally.at(number, f"{cameras - number} to go")
    tally = progress.tally(len(STARTS), "paints to begin with laid")
    for number, (name, _) in enumerate(zip(STARTS, pool.run(StartJob(name) for name in STARTS), strict=True), 1):
        tally.at(number, name)
    report = _only(pool.run([BeginSolving(ready.scene, size_px, steps)]))
    tally = progress.tally(steps, "steps of solving")
    more = steps > 0
    while more:
        report = _only(pool.run([GoOnSolving(_AT_ONCE)]))
        tally.at(report.taken, f"worst frame {100.0 * report.worst:.0f} of {100.0 * report.worst_before:.0f}")
        more = report.more
    return _only(pool.run([SolvedCodes()])), report


def _only(answers: Iterator[Answer]) -> Answer:
    (answer,) = answers
    return answer


def with_paint(ready: ReadySet, paint: SolvedPaint) -> ReadySet:
    """The ready set in another paint."""
    bridge = LitSurface(BRIDGE, ready.built.bridge.surface, paint.bridge)
    if paint.wall is None:
        return replace(ready, bridge=bridge)
    return replace(ready, wall=painted_over(ready.wall, paint.wall), bridge=bridge)


def reflectance_of(code: Pixels8, light: Array | Picture) -> Picture:
    """The paint (H, W, 3) that sends lit codes (H, W, 3) under ``light`` (H, W, 3), within what paint can do."""
    with np.errstate(divide="ignore", invalid="ignore"):
        paint = np.where(light > 1e-4, colour.decoded8(code) / light, BRIGHTEST_PAINT)
    return np.asarray(np.clip(paint, DARKEST_PAINT, BRIGHTEST_PAINT), dtype=np.float32)
