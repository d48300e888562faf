"""The fast judge at work on a ready set: what it needs drawn, drawn when it is first needed and kept."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from previz import optics
from previz.camera import Camera
from previz.errors import JudgeError
from previz.geometry import Array, rigid
from previz.judge.breaks import Break, decided, sides_of
from previz.judge.fast import ContinuedWall, FastJudge, Near, OwnPaint, Paint
from previz.judge.film.fastdrift import fast_drift
from previz.judge.frame import kinds_named, wall_px_per_m
from previz.judge.hold import FrameScore
from previz.judge.layerfields import LayerFields
from previz.judge.ordinary import OrdinaryWall
from previz.judge.outline import Outline, outline_of
from previz.judge.slip import slip_of
from previz.judge.trace.fasttraces import LEAST_PATCH, LEAST_SIZE, WallLines, WallTraces
from previz.judge.trace.patches import patches_of
from previz.judge.trace.traces import trace_lines, trace_percents
from previz.judge.viewer import HOLDS_BELOW_PCT, SEATS, Viewer
from previz.look.blur import LensBlur, blur_of
from previz.look.sight import SightLines
from previz.look.spreading import blurred_wall
from previz.look.view import Engine, View
from previz.scene.model import Scene
from previz.scene.move import Move
from previz.stage.delivering import at_rest
from previz.stage.misbuilt import AsBuilt, Misbuilt
from previz.stage.prepare import BRIDGE, CLEAN_WALL, WALL, ReadySet, continues_wall
from previz.workshop.surface import BRIDGE as BRIDGE_LAYER
from previz.workshop.surface import Picture

# Lens positions this share of the distance to the wall apart are looked at from one place
_CELL = 0.06

# The place for which projected paint lines up matters more: its cells are this many times smaller
_FINER = 4

# places kept at once: about 25 MB each
_KEPT = 8

# looks a pixel, each way
_SAMPLES = 2

# how far to the darker side of a contour its normal is taken to point, px
_BESIDE_PX = 2.0

# pixels around the bridge's own picture that windows may need
_MARGIN_PX = 64


class FastLooker:
    """Judges cameras on one ready set in frames of one height. ``engine`` must have the set loaded.

    What is seen from ``kept`` places is kept at once. Paint that lines up from some station point is taken to be the
    wall's continuation there: that compares candidates, each with a paint of its own. With ``own_paint`` the set's own
    paint is looked at as it was painted and lit instead, wherever it lines up from the set's own station point.
    """

    def __init__(
        self,
        ready: ReadySet,
        engine: Engine,
        sight: SightLines,
        ordinary: Callable[[int], OrdinaryWall],
        kept: int = _KEPT,
        own_paint: bool = False,
    ) -> None:
        self._own_paint = own_paint
        self._kept = kept
        self._ready = ready
        self._engine = engine
        self._sight = sight
        self._as_built = AsBuilt(ready, sight)
        self._flat = ready.wall.shadowed.code is ready.wall.clean.code
        self._near: OrderedDict[tuple[int, ...], Near] = OrderedDict()
        bridge = ready.built.bridge.surface
        self._vertices = bridge.vertices
        self._height_px = 0
        self._width_px = 0
        self._ordinary = ordinary
        self._judge: FastJudge | None = None
        self._blur: LensBlur | None = None
        reference = ready.move.camera(ready.move.station_frame)
        self._cell = _CELL * max(float(reference.position[2]), 0.1)
        # the scene's own station point is the middle of a cell: its paint is looked at from the very place, and small
        # knocks of it stay in that cell
        self._middle = np.asarray(reference.position)

    def score(self, scene: Scene, move: Move, frame: int, width_px: int, height_px: int) -> FrameScore:
        """A frame's score; mismatch is left out, as it needs the whole picture."""
        return self.scored(scene, move, frame, width_px, height_px)[0]

    def scored(
        self, scene: Scene, move: Move, frame: int, width_px: int, height_px: int, laid_at: Array | None = None
    ) -> tuple[FrameScore, Break | None]:
        """A frame's score and its break, None where it cannot be judged.

        ``laid_at`` (3,) m is where the paint lines up, the move's station point unless given.
        """
        camera, rail = move.camera(frame, width_px, height_px), move.rail_at(frame)
        station = _station(move, width_px, height_px, laid_at)
        try:
            found, trace = self.looked(scene, camera, station)
        except JudgeError as error:
            return FrameScore(frame, rail, None, None, 0.0, (), str(error)), None
        slip = slip_of(found.outline, camera, np.asarray(station.position), self._sight, scene.delivery.frame[0])
        by_trace = trace_percents(trace, found.outline)
        tells = kinds_named(found)
        if max(by_trace) > max(HOLDS_BELOW_PCT, found.percent):
            tells = ("shadow", *tells)
        score = FrameScore(
            frame, rail, found.percent, None, slip, tells, "", max(by_trace), found.by_seat, by_trace
        )
        return score, found

    def drifting(
        self,
        scene: Scene,
        move: Move,
        score: FrameScore,
        width_px: int,
        height_px: int,
        laid_at: Array | None = None,
    ) -> FrameScore:
        """A frame's score with its drift, none where it cannot be judged; ``laid_at`` as for :meth:`scored`."""
        frame = score.frame
        before, after = move.beside(frame)
        if after == before or score.break_pct is None:
            return score
        one, own, other = (move.camera(at, width_px, height_px) for at in (before, frame, after))
        if np.array_equal(one.world_from_cam, other.world_from_cam):
            return replace(score, drift_deg_s=0.0)
        station = _station(move, width_px, height_px, laid_at)
        seconds = (after - before) / float(move.scene.delivery.rate)
        reach = float(self._vertices[:, 2].max())
        try:
            judge = self._judge_of(own)
            slide = fast_drift(judge, (one, own, other), seconds, reach, self._paint(scene, station))
        except JudgeError:
            return score
        return replace(score, drift_deg_s=slide.median_deg_s, drift=slide.by_length())

    def judged(self, scene: Scene, camera: Camera, station: Camera, built: Misbuilt | None = None) -> Break:
        """Break of a camera alone, its traces not looked at; as for :meth:`looked`."""
        return self._judge_of(camera, built).judge(camera, self._paint(scene, station, built))

    def looked(
        self, scene: Scene, camera: Camera, station: Camera, built: Misbuilt | None = None
    ) -> tuple[Break, Break | None]:
        """Break of a camera, and what is found of its traces; ``station`` is the camera for which the paint lines up.

        ``built`` is what is wrong with the build, the camera's own errors apart.
        """
        return self._judge_of(camera, built).look(camera, self._paint(scene, station, built))

    def _judge_of(self, camera: Camera, built: Misbuilt | None = None) -> FastJudge:
        """The judge of frames as large as the camera's, and of a build."""
        if self._judge is None or (self._width_px, self._height_px) != (camera.width_px, camera.height_px):
            self._width_px, self._height_px = camera.width_px, camera.height_px
            self._near.clear()
            own = self._ready.move
            self._blur = at_rest(blur_of(own, own.station_frame, camera.width_px, camera.height_px))
            self._judge = FastJudge(
                near=self._near_to,
                sight=self._sight,
                ordinary=self._ordinary(camera.height_px),
                vertices=self._vertices,
                faces=self._ready.built.bridge.surface.faces,
                wall_reaches=float(self._ready.built.wall.vertices[:, 2].max()) + 1e-3,
                wall=WALL,
                bridge=BRIDGE,
                spread_px=None if self._blur is None else self._spread_px,
            )
        return self._judge if built is None else self._as_built.judge(self._judge, built)

    def forget(self) -> None:
        """Let go of all that was drawn; what is looked at again is drawn again.

        The pictures hold on to their looker: without this their memory would wait for the garbage collector.
        """
        self._near.clear()
        self._judge = None

    def _paint(self, scene: Scene, station: Camera, built: Misbuilt | None = None) -> Paint:
        paint = self._laid_paint(scene, station)
        return paint if built is None else self._as_built.paint(paint, built)

    def _laid_paint(self, scene: Scene, station: Camera) -> Paint:
        own = self._own_paint and np.allclose(station.position, self._ready.station_point, rtol=0.0, atol=1e-9)
        if continues_wall(scene) and not own:
            return ContinuedWall(station, self._sight, WALL, self._near_to(np.asarray(station.position), _FINER).clean)
        return OwnPaint()

    def _near_to(self, position: Array, finer: int = 1) -> Near:
        """What is seen from the middle of a lens position's cell, which is ``finer`` times smaller than usual."""
        size = self._cell / finer
        cell = (finer, *(int(n) for n in np.rint((position - self._middle) / size)))
        if cell not in self._near:
            if len(self._near) >= self._kept:
                self._near.popitem(last=False)
            self._near[cell] = self._looked_at(self._middle + np.array(cell[1:]) * size)
        self._near.move_to_end(cell)
        return self._near[cell]

    def _looked_at(self, position: Array) -> Near:
        viewer = Viewer(self._height_px)
        camera = self._around_bridge(position)
        clean = LayerFields(camera, lambda c: self._wall(c, CLEAN_WALL), viewer)
        shadowed = clean if self._flat else LayerFields(camera, lambda c: self._wall(c, WALL), viewer)
        bridge = LayerFields(camera, self._bridge, viewer)
        if self._flat:
            return Near(clean, shadowed, bridge)
        return Near(clean, shadowed, bridge, cache(lambda: self._traces(position, viewer)))

    def _traces(self, position: Array, viewer: Viewer) -> WallTraces | None:
        """Contours and patches on the wall that might be found from near a lens position; None where there are none."""
        move = self._ready.move
        base = move.camera(move.station_frame, self._width_px, self._height_px)
        camera = replace(base, world_from_cam=rigid(base.world_from_cam[:3, :3], position))
        seen, clean = self._wall(camera, WALL), self._wall(camera, CLEAN_WALL)
        cover = self._engine.draw(camera, (WALL, BRIDGE)).cover(BRIDGE_LAYER)
        try:
            size = wall_px_per_m(outline_of(cover, viewer), camera, self._sight, WALL)
        except JudgeError:
            return None
        ordinary = self._ordinary(self._height_px).at(size)
        lines = trace_lines(seen, clean, cover, viewer)
        most = np.zeros(len(lines.closed))
        if len(lines) > 0:
            found = decided(sides_of(seen, clean, lines, viewer), lines, ordinary, viewer, between_walls=True)
            np.maximum.at(most, lines.line, found.size)
        contours, kept = self._on_wall(camera, lines, (most >= LEAST_SIZE)[lines.line])
        patches = patches_of(seen, clean, cover, [seat.shade for seat in ordinary.seats], viewer)
        sizes, shades = np.zeros((len(SEATS), 0)), None
        if patches is not None:
            shades, rows = self._on_wall(camera, patches.lines, patches.size.max(axis=0) >= LEAST_PATCH)
            sizes = patches.size[:, rows]
        if contours is None and shades is None:
            return None
        around = camera if contours is None else _around(camera, lines.xy[kept])
        clean_fields = LayerFields(around, lambda c: self._wall(c, CLEAN_WALL), viewer)
        shadowed = LayerFields(around, lambda c: self._wall(c, WALL), viewer)
        return WallTraces(contours, clean_fields, shadowed, shades, sizes)

    def _on_wall(
        self, camera: Camera, lines: Outline, wanted: NDArray[np.bool_]
    ) -> tuple[WallLines | None, NDArray[np.int64]]:
        """Those pieces of lines in a camera's frame that are ``wanted`` (N,) as places on the wall, and which they are;
        None where none lies on it."""
        origins, directions = camera.rays(np.stack([lines.xy, lines.xy + _BESIDE_PX * lines.normal]).reshape(-1, 2))
        hits = self._sight.first_hits(origins, directions, names=[WALL])
        points, beside = hits.point.reshape(2, -1, 3)
        kept = np.flatnonzero(wanted & np.isfinite(points).all(axis=1) & np.isfinite(beside).all(axis=1))
        return (WallLines(points[kept], beside[kept], lines.line[kept]) if len(kept) else None), kept

    def _around_bridge(self, position: Array) -> Camera:
        """A camera at a lens position, turned as the scene's is, that shows the bridge and a window's reach around."""
        move = self._ready.move
        base = move.camera(move.station_frame, self._width_px, self._height_px)
        pose = rigid(base.world_from_cam[:3, :3], position)
        camera = replace(base, world_from_cam=pose, centre_x_px=0.0, centre_y_px=0.0)
        depth = camera.depth(self._vertices)
        # what lies right under the lens would make the picture boundless, and is out of frame
        return _around(camera, camera.project(self._vertices[depth > 0.25 * float(np.median(depth))]))

    def _spread_px(self, depth: Array) -> Array:
        """Standard deviation (px) of the blur at depths (m): of a disc, and of diffraction."""
        blur = self._blur
        if blur is None or blur.focus is None:
            return np.zeros_like(depth)
        disc = optics.blur_diameter(blur.focal, blur.stop, blur.focus, depth) / blur.px_pitch
        return np.asarray(np.hypot(0.25 * disc, blur.diffraction_px()))

    def _wall(self, camera: Camera, name: str) -> Picture:
        view = self._engine.draw(camera, (name,), depth=self._blur is not None)
        return self._blurred(camera, view)

    def _bridge(self, camera: Camera) -> Picture:
        """The bridge alone; beyond its edges its nearest colour goes on."""
        # another may have been painted since
        self._engine.repaint(BRIDGE, self._ready.bridge.code)
        view = self._engine.draw(camera, (BRIDGE,), samples=_SAMPLES, depth=True)
        whole = view.cover(BRIDGE_LAYER) > 0.999
        if not whole.any():
            return np.asarray(np.clip(view.colour, 0.0, 1.0))
        _, (rows, columns) = distance_transform_edt(~whole, return_indices=True)
        depth = None if view.depth is None else view.depth[_SAMPLES * rows, _SAMPLES * columns]
        return self._blurred(camera, View(view.colour[rows, columns], view.layer[::_SAMPLES, ::_SAMPLES], depth, 1))

    def _blurred(self, camera: Camera, view: View) -> Picture:
        """A picture of a layer as the lens blurs it; drawn larger, the layer is as much nearer to the lens."""
        picture = np.asarray(np.clip(view.colour, 0.0, 1.0))
        if self._blur is None or view.depth is None:
            return picture
        nearer = view.depth * np.float32(self._blur.camera.focal_px / camera.focal_px)
        return blurred_wall(replace(self._blur, camera=camera), replace(view, depth=nearer), [picture])[0]


def _station(move: Move, width_px: int, height_px: int, laid_at: Array | None) -> Camera:
    """The camera for which the paint lines up: at ``laid_at`` (3,) m, the move's station point unless given."""
    station = move.camera(move.station_frame, width_px, height_px)
    if laid_at is None:
        return station
    return replace(station, world_from_cam=rigid(station.world_from_cam[:3, :3], laid_at))


def _around(camera: Camera, px: Array) -> Camera:
    """The part of a camera's picture, its frame or more, that shows pixels (N, 2) and a window's reach around them."""
    low, high = np.floor(px.min(axis=0) - _MARGIN_PX), np.ceil(px.max(axis=0) + _MARGIN_PX)
    return replace(
        camera,
        centre_x_px=camera.centre_x_px - float(low[0]),
        centre_y_px=camera.centre_y_px - float(low[1]),
        width_px=int(high[0] - low[0]),
        height_px=int(high[1] - low[1]),
    )
