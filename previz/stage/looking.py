"""Frames rendered and judged: one engine and one ready set, and the jobs that are done with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera, OrthoCamera
from previz.geometry import Array
from previz.judge.frame import Around, JudgedFrame, judge_frame
from previz.judge.ordinary import LEVEL_FACTOR, Ordinary, OrdinaryWall
from previz.judge.viewer import Viewer
from previz.look.blur import LensBlur, blur_of
from previz.look.sampling import coded
from previz.look.sight import SightLines
from previz.look.view import Engine
from previz.scene.model import Scene
from previz.stage.delivering import (
    JUDGED_WIDTH_PX,
    Delivered,
    as_moving,
    at_rest,
    averaged,
    blurred_square_on,
    delivered,
    drawn_size,
    judged_size,
    looks_across,
)
from previz.stage.paintrange import PaintRange
from previz.stage.prepare import (
    BRIDGE,
    CLEAN,
    WALL,
    Painter,
    ReadySet,
    continues_wall,
    square_on,
)
from previz.stage.shining import Shining
from previz.workshop.surface import WALL as WALL_LAYER
from previz.workshop.surface import LitSurface, Picture, Pixels8

Result = TypeVar("Result", covariant=True)
Kept = TypeVar("Kept")


class Job(Protocol[Result]):
    """Something to be done with a looker; it travels to the worker that does it."""

    def done_by(self, looker: Looker) -> Result:
        """Do it."""


@dataclass(frozen=True, eq=False)
class FrameJob:
    """A frame to render and judge, ``width_px`` x ``height_px``. Pictures are returned only where they are wanted."""

    frame: int
    width_px: int
    height_px: int
    pictures: bool = True

    def done_by(self, looker: Looker) -> FrameResult:
        """Draw and judge the frame."""
        return looker.look(self)


@dataclass(frozen=True, eq=False)
class FrameResult:
    """A judged frame. ``code`` and ``clean_code`` (H, W, 3) uint8 are the delivered frame with and without bridge."""

    judged: JudgedFrame
    code: Pixels8 | None
    clean_code: Pixels8 | None
    engine: str
    driver: str


@dataclass(frozen=True, eq=False)
class OrdinaryJob:
    """What is ordinary on the wall of a ``frame`` at the magnification of a ``level``'s number."""

    frame: int
    width_px: int
    height_px: int
    level: int

    def done_by(self, looker: Looker) -> Known:
        """Look at the wall."""
        return Known(self, looker.ordinary_of(self.frame, self.width_px, self.height_px).level(self.level))


@dataclass(frozen=True, eq=False)
class Known:
    """What came out of an :class:`OrdinaryJob`: every looker that has the set would find the same."""

    job: OrdinaryJob
    ordinary: Ordinary


class Looker:
    """Renderer with a judge: draws and scores frames of one ready set through one engine."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.painter: Painter | None = None
        # what jobs make of the set and keep with it
        self._kept: dict[tuple[type, str], object] = {}
        self._ready: ReadySet | None = None
        self._loaded: ReadySet | None = None
        self._sight = SightLines(())
        self._shining: Shining | None = None
        self._paint_range: PaintRange | None = None
        self._ordinary: dict[tuple[int, tuple[int, int]], OrdinaryWall] = {}

    @property
    def ready(self) -> ReadySet:
        """The set that is loaded."""
        if self._ready is None:
            raise RuntimeError("no set is loaded")
        return self._ready

    @property
    def loaded(self) -> ReadySet:
        """The set as it was loaded, whatever has been painted since."""
        if self._loaded is None:
            raise RuntimeError("no set is loaded")
        return self._loaded

    @property
    def sight(self) -> SightLines:
        """Sight lines against the wall and the bridge as they were loaded."""
        return self._sight

    def keep(self, what: Kept, name: str = "") -> Kept:
        """Keep what a job made of the loaded set until another is loaded: one of each type and ``name``."""
        self._kept[type(what), name] = what
        return what

    def kept(self, kind: type[Kept], name: str = "") -> Kept | None:
        """What was kept of a type under a name; None where nothing was since the set was loaded."""
        found = self._kept.get((kind, name))
        return found if isinstance(found, kind) else None

    def load(self, ready: ReadySet) -> None:
        """Take over a set."""
        self.engine.load(ready.lit)
        self._sight = SightLines([s for s in ready.lit if s.name in (WALL, BRIDGE)])
        self._ready = self._loaded = ready
        self._kept = {}
        self.painter = None
        self._ordinary = {}
        self._shining = self._paint_range = None

    def relook(self, ready: ReadySet) -> None:
        """Go on with the loaded set, its surfaces as they were loaded, seen by another camera."""
        self.engine.repaint(BRIDGE, ready.bridge.code)
        self._ready = self._loaded = ready
        self._kept = {}
        self.painter = None
        self._ordinary = {}
        self._shining = self._paint_range = None

    @property
    def shining(self) -> Shining:
        """The shine of the set as it is painted now."""
        if self._shining is None:
            self._shining = Shining(self.ready, self._sight)
        return self._shining

    @property
    def paint_range(self) -> PaintRange:
        """How bright and how dark paint can look on the bridge that is there now."""
        if self._paint_range is None:
            self._paint_range = PaintRange(self.ready)
        return self._paint_range

    def wall_square_on(
        self, px_per_m: float, blur: LensBlur | None = None
    ) -> tuple[Picture, NDArray[np.float32]]:
        """The clean wall in view during the move, square on, and the share of wall in each pixel, none in a doorway.

        With a ``blur`` it is as blurred as it would be at that size in a frame.
        """
        camera = square_on(self.ready.wall_in_view, px_per_m)
        with self.shining.matt(self.engine):
            # as the frames are drawn that are compared with it
            view = self.engine.draw(camera, CLEAN, looks_across(JUDGED_WIDTH_PX))
        picture = np.clip(view.colour, 0.0, 1.0)
        if blur is not None:
            picture = blurred_square_on(picture, blur, px_per_m)
        return picture, beside_doorway(view.cover(WALL_LAYER), camera, self.ready.scene.wall.opening)

    def ordinary(self, height_px: int, blur: LensBlur | None = None) -> OrdinaryWall:
        """What is ordinary on the clean wall, in frames of so many lines, as a frame's ``blur`` shows it.

        Without one the camera is at rest, and as well focused as the set's own. Frames whose wall moves alike are
        compared with the same wall: that of the first of them in the move, whichever of them is asked for first.
        """
        move = self.loaded.move
        depth = float(move.camera(move.station_frame).depth(np.zeros(3)))
        moving = as_moving(blur, depth)
        if (height_px, moving) not in self._ordinary:
            width_px = round(move.scene.delivery.frame[0] * height_px / move.scene.delivery.frame[1])
            own = at_rest(blur_of(move, move.station_frame, width_px, height_px))
            if any(moving):
                # whichever frame asks first: that of the first frame of the move whose wall moves alike
                blurs = (blur_of(move, frame, width_px, height_px) for frame in move.frames)
                own = next((b for b in blurs if as_moving(b, depth) == moving), blur)
            self._ordinary[height_px, moving] = OrdinaryWall(
                lambda px_per_m: self.wall_square_on(px_per_m, own), Viewer(height_px)
            )
        return self._ordinary[height_px, moving]

    def ordinary_of(self, frame: int, width_px: int, height_px: int) -> OrdinaryWall:
        """What a frame of the move is compared with, by its delivered size."""
        size_px = judged_size(width_px, height_px)
        blur = blur_of(self.ready.move, frame, *drawn_size(width_px, height_px))
        return self.ordinary(size_px[1], None if blur is None else blur.resized(*size_px))

    def know(self, found: Sequence[Known]) -> None:
        """Take over what others with the same set found out."""
        for each in found:
            job = each.job
            self.ordinary_of(job.frame, job.width_px, job.height_px).learn(job.level, each.ordinary)

    def ordinary_as_drawn(self, height_px: int, blur: LensBlur | None = None) -> OrdinaryWall:
        """The same of the wall as the engine has it now, which may be in another light, as a ``blur`` shows it.

        Without one the camera is at rest, and as well focused as the set's own.
        """
        if blur is None:
            move = self.loaded.move
            width_px = round(move.scene.delivery.frame[0] * height_px / move.scene.delivery.frame[1])
            blur = at_rest(blur_of(move, move.station_frame, width_px, height_px))
        return OrdinaryWall(lambda px_per_m: self.wall_square_on(px_per_m, blur), Viewer(height_px))

    def repaint(self, scene: Scene, bridge: LitSurface, station_point: Array) -> None:
        """Go on with another camera and another paint on the same set."""
        self.engine.repaint(BRIDGE, bridge.code)
        self._ready = replace(self.ready, scene=scene, bridge=bridge, station_point=station_point)
        self._shining = self._paint_range = None

    def delivered(self, frame: int, width_px: int, height_px: int) -> tuple[LensBlur | None, Delivered]:
        """A frame of the move as it is delivered, and the blur that it has."""
        move = self.ready.move
        camera = move.camera(frame, width_px, height_px)
        blur = blur_of(move, frame, width_px, height_px)
        return blur, delivered(self.engine, self.ready, camera, blur, self.shining, self.paint_range)

    def judged(
        self,
        frame: int,
        shown: Delivered,
        camera: Camera,
        blur: LensBlur | None,
        size_px: tuple[int, int],
        around: Around | None = None,
    ) -> JudgedFrame:
        """A frame that ``camera`` shows, judged; its outlines are in a frame of ``size_px`` (width, height)."""
        ready = self.ready
        width_px, height_px = judged_size(*size_px)
        looks, without = averaged(shown, (width_px, height_px))
        camera = camera.resized(width_px, height_px)
        return judge_frame(
            frame,
            ready.move.rail_at(frame),
            looks,
            camera,
            ready.station_point,
            self._sight,
            self.ordinary(height_px, None if blur is None else blur.resized(width_px, height_px)),
            ready.scene.delivery.frame[0],
            continues_wall=continues_wall(ready.scene),
            without=without,
            around=around,
        ).in_frame(*size_px)

    def around(self, frame: int, width_px: int, height_px: int) -> Around | None:
        """Where the camera is a frame before and a frame after one of the move; None where the move has one frame."""
        move = self.ready.move
        before, after = move.beside(frame)
        if after == before:
            return None
        reach = float(self.ready.built.bridge.surface.vertices[:, 2].max())
        cameras = [move.camera(at, width_px, height_px) for at in (before, after)]
        return Around(cameras[0], cameras[1], (after - before) / float(move.scene.delivery.rate), reach)

    def look(self, job: FrameJob) -> FrameResult:
        """Draw and judge one frame."""
        size_px = job.width_px, job.height_px
        drawn_px = drawn_size(*size_px)
        blur, shown = self.delivered(job.frame, *drawn_px)
        around = self.around(job.frame, *judged_size(*size_px))
        judged = self.judged(job.frame, shown, self.ready.move.camera(job.frame, *drawn_px), blur, size_px, around)
        code = clean_code = None
        if job.pictures:
            looks, _ = averaged(shown, size_px)
            code, clean_code = coded(looks.seen), coded(looks.clean)
        return FrameResult(judged, code, clean_code, self.engine.name, self.engine.driver)


def walls_to_know(ready: ReadySet, frames: Sequence[int], width_px: int, height_px: int) -> list[OrdinaryJob]:
    """Jobs that find out what is ordinary for frames of a size, as far as that can be told without looking.

    How large the wall appears is taken from its datum plane, where the frame shows the bridge's middle; a frame that
    needs another magnification has it worked out when it is judged.
    """
    move = ready.move
    size_px = judged_size(width_px, height_px)
    depth = float(move.camera(move.station_frame).depth(np.zeros(3)))
    middle = np.mean(ready.built.bridge.surface.corners, axis=0)
    found: dict[tuple[tuple[int, int], int], OrdinaryJob] = {}
    for frame in frames:
        camera = move.camera(frame, *size_px)
        blur = blur_of(move, frame, *drawn_size(width_px, height_px))
        moving = as_moving(None if blur is None else blur.resized(*size_px), depth)
        away = middle - camera.position
        behind = camera.position - away * (camera.position[2] / away[2]) if away[2] < 0.0 else np.zeros(3)
        px_per_m = camera.focal_px / max(float(camera.depth(behind)), 1e-3)
        low = int(np.floor(np.log(px_per_m) / np.log(LEVEL_FACTOR)))
        for level in (low, low + 1):
            found.setdefault((moving, level), OrdinaryJob(frame, width_px, height_px, level))
    return list(found.values())


def beside_doorway(
    cover: NDArray[np.float32], camera: OrthoCamera, opening: tuple[float, float, float, float] | None
) -> NDArray[np.float32]:
    """A wall's share of each pixel (H, W) seen square on, without that of its ``opening`` (:attr:`Wall.opening`).

    Everybody knows the doorway: its dark says nothing of what else would go unremarked on the wall.
    """
    if opening is None:
        return cover
    left, low, right, high = opening
    (first, top), (last, bottom) = camera.project(np.array([[left, high, 0.0], [right, low, 0.0]]))
    out = np.array(cover)
    out[max(int(top), 0) : max(int(bottom) + 1, 0), max(int(first), 0) : max(int(last) + 1, 0)] = 0.0
    return out
