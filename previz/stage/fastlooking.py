"""The fast judge at work on a ready set: what it needs drawn, drawn when it is first needed and kept."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, partial

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
from previz.judge.trace.fasttraces import LEAST_SIZE, WallLines, WallTraces
from previz.judge.trace.patches import NEVER_FOUND, patches_of
from previz.judge.trace.traces import trace_lines, trace_percents
from previz.judge.viewer import HOLDS_BELOW_PCT, SEATS, Viewer
from previz.look.blur import LensBlur, blur_of
from previz.look.rings import ringed
from previz.look.sight import SightLines
from previz.look.spreading import blurred_wall
from previz.look.texelblur import between_texels
from previz.look.view import Engine, View
from previz.scene.model import Scene
from previz.scene.move import Move
from previz.scene.shape import bridge_shape
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
_SAMPLES = 3

# how far to the darker side of a contour its normal is taken to point, px
_BESIDE_PX = 2.0

# pixels around the bridge's own picture that windows may need
_MARGIN_PX = 64

# lenses show the same whose blur of bridge and wall differs by less than this, px, and focal lengths by this share
_ALIKE_PX = 0.1
_ALIKE_SHARE = 0.01

# what is ordinary on the wall is looked at anew, which takes long, where its blur differs by more than this, px
_ORDINARY_PX = 0.25


@dataclass(frozen=True, eq=False)
class _Lens:
    """A lens as it is set, and the judge that looks through it: ``camera`` is the set's own, turned as that is."""

    name: tuple[float, ...]
    camera: Camera
    blur: LensBlur | None
    judge: FastJudge


class FastLooker:
    """Judges cameras on one ready set in frames of one height. ``engine`` must have the set loaded.

    What is seen from ``kept`` places is kept at once. Paint that lines up from some station point is taken to be the
    wall's continuation there: that compares candidates, each with a paint of its own. With ``own_paint`` the set's own
    paint is looked at as it was painted and lit instead, wherever it lines up from the set's own station point.

    With ``through``, which says what is ordinary on the wall as a blur shows it, a move is looked at through its own
    lens, stop and focus; without it through the set's.
    """

    def __init__(
        self,
        ready: ReadySet,
        engine: Engine,
        sight: SightLines,
        ordinary: Callable[[int], OrdinaryWall],
        kept: int = _KEPT,
        own_paint: bool = False,
        through: Callable[[int, LensBlur | None], OrdinaryWall] | None = None,
    ) -> None:
        self._own_paint = own_paint
        self._through = through
        self._kept = kept
        self._ready = ready
        self._engine = engine
        self._sight = sight
        self._as_built = AsBuilt(ready, sight)
        self._flat = ready.wall.shadowed.code is ready.wall.clean.code
        self._near: OrderedDict[tuple[tuple[float, ...], tuple[int, ...]], Near] = OrderedDict()
        bridge = ready.built.bridge.surface
        self._vertices = bridge.vertices
        self._height_px = 0
        self._width_px = 0
        self._ordinary = ordinary
        self._continued: OrderedDict[tuple[tuple[float, ...], tuple[int, ...]], LayerFields] = OrderedDict()
        # the set's own lens, and the one that is looked through
        self._own_lens: _Lens | None = None
        self._lens: _Lens | None = None
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
            judge = self._judge_of(camera, move=move)
            found, trace = judge.look(camera, self._paint(scene, station))
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
            judge = self._judge_of(own, move=move)
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

    def _judge_of(self, camera: Camera, built: Misbuilt | None = None, move: Move | None = None) -> FastJudge:
        """The judge of frames as large as the camera's and of a build, through a move's lens where one is given."""
        if self._own_lens is None or (self._width_px, self._height_px) != (camera.width_px, camera.height_px):
            self._width_px, self._height_px = camera.width_px, camera.height_px
            self._near.clear()
            self._continued.clear()
            own = self._ready.move
            blur = at_rest(blur_of(own, own.station_frame, camera.width_px, camera.height_px))
            station = own.camera(own.station_frame, camera.width_px, camera.height_px)
            self._own_lens = self._lens = self._lens_with((), station, blur, self._ordinary(camera.height_px))
        self._lens = self._own_lens if move is None else self._lens_of(move, self._own_lens)
        return self._lens.judge if built is None else self._as_built.judge(self._lens.judge, built)

    def _lens_of(self, move: Move, own: _Lens) -> _Lens:
        """The lens of a move: the set's ``own`` where it shows the same."""
        if self._through is None:
            return own
        station = move.camera(move.station_frame, self._width_px, self._height_px)
        blur = at_rest(blur_of(move, move.station_frame, self._width_px, self._height_px))
        longer = station.focal_px / own.camera.focal_px
        depth = station.depth(np.concatenate([self._vertices, np.zeros((1, 3))]))
        depth = np.maximum(depth, 0.25 * float(np.median(depth)))
        off = np.abs(_spread_px(blur, depth) - longer * _spread_px(own.blur, depth))
        if abs(longer - 1.0) < _ALIKE_SHARE and off.max() < _ALIKE_PX:
            return own
        name = (station.focal_px, *(() if blur is None else (blur.focal, blur.stop, blur.focus or 0.0)))
        if self._lens is not None and self._lens.name == name:
            return self._lens
        camera = replace(own.camera, focal_px=station.focal_px)
        # the wall's plane is the last of the depths
        ordinary = own.judge.ordinary if off[-1] < _ORDINARY_PX else self._through(self._height_px, blur)
        return self._lens_with(name, camera, blur, ordinary)

    def _lens_with(
        self, name: tuple[float, ...], camera: Camera, blur: LensBlur | None, ordinary: OrdinaryWall
    ) -> _Lens:
        judge = FastJudge(
            near=self._near_to,
            sight=self._sight,
            ordinary=ordinary,
            vertices=self._vertices,
            faces=self._ready.built.bridge.surface.faces,
            wall_reaches=float(self._ready.built.wall.vertices[:, 2].max()) + 1e-3,
            wall=WALL,
            bridge=BRIDGE,
            spread_px=None if blur is None else partial(_spread_px, blur),
            wave_px=0.0 if blur is None else blur.wave_px(),
        )
        return _Lens(name, camera, blur, judge)

    @property
    def _looking(self) -> _Lens:
        if self._lens is None:
            raise RuntimeError("nothing has been looked at yet")
        return self._lens

    def forget(self) -> None:
        """Let go of all that was drawn; what is looked at again is drawn again.

        The pictures hold on to their looker: without this their memory would wait for the garbage collector.
        """
        self._near.clear()
        self._continued.clear()
        self._own_lens = self._lens = None

    def _paint(self, scene: Scene, station: Camera, built: Misbuilt | None = None) -> Paint:
        paint = self._laid_paint(scene, station)
        return paint if built is None else self._as_built.paint(paint, built)

    def _laid_paint(self, scene: Scene, station: Camera) -> Paint:
        own = self._own_paint and np.allclose(station.position, self._ready.station_point, rtol=0.0, atol=1e-9)
        if continues_wall(scene) and not own:
            return ContinuedWall(station, self._sight, WALL, self._continued_at(np.asarray(station.position)))
        return OwnPaint()

    def _continued_at(self, position: Array) -> LayerFields:
        """The clean wall from near a station point as the bridge shows it: as sharp as the bridge is there."""
        lens = self._looking
        if lens.blur is None:
            return self._near_to(position, _FINER).clean
        key, middle = self._cell_of(position, _FINER)
        if key not in self._continued:
            if len(self._continued) >= self._kept:
                self._continued.popitem(last=False)
            camera, blur = self._around_bridge(middle, lens), lens.blur
            viewer = Viewer(self._height_px)
            self._continued[key] = LayerFields(camera, lambda c: self._wall_on_bridge(c, blur), viewer)
        self._continued.move_to_end(key)
        return self._continued[key]

    def _cell_of(self, position: Array, finer: int) -> tuple[tuple[tuple[float, ...], tuple[int, ...]], Array]:
        """The name of a lens position's cell, ``finer`` times smaller than usual, for the lens; and its middle."""
        size = self._cell / finer
        cell = (finer, *(int(n) for n in np.rint((position - self._middle) / size)))
        return (self._looking.name, cell), self._middle + np.array(cell[1:]) * size

    def _near_to(self, position: Array, finer: int = 1) -> Near:
        """What is seen from the middle of a lens position's cell, which is ``finer`` times smaller than usual."""
        key, middle = self._cell_of(position, finer)
        if key not in self._near:
            if len(self._near) >= self._kept:
                self._near.popitem(last=False)
            self._near[key] = self._looked_at(middle, self._looking)
        self._near.move_to_end(key)
        return self._near[key]

    def _looked_at(self, position: Array, lens: _Lens) -> Near:
        viewer = Viewer(self._height_px)
        camera = self._around_bridge(position, lens)
        clean = LayerFields(camera, lambda c: self._wall(c, CLEAN_WALL, lens.blur), viewer)
        shadowed = clean if self._flat else LayerFields(camera, lambda c: self._wall(c, WALL, lens.blur), viewer)
        bridge = LayerFields(camera, lambda c: self._bridge(c, lens.blur), viewer)
        if self._flat:
            return Near(clean, shadowed, bridge)
        return Near(clean, shadowed, bridge, cache(lambda: self._traces(position, viewer, lens)))

    def _traces(self, position: Array, viewer: Viewer, lens: _Lens) -> WallTraces | None:
        """Contours and patches on the wall that might be found from near a lens position; None where there are none."""
        camera = replace(lens.camera, world_from_cam=rigid(lens.camera.world_from_cam[:3, :3], position))
        seen, clean = self._wall(camera, WALL, lens.blur), self._wall(camera, CLEAN_WALL, lens.blur)
        cover = self._engine.draw(camera, (WALL, BRIDGE)).cover(BRIDGE_LAYER)
        try:
            size = wall_px_per_m(outline_of(cover, viewer), camera, self._sight, WALL)
        except JudgeError:
            return None
        ordinary = lens.judge.ordinary.at(size)
        lines = trace_lines(seen, clean, cover, viewer)
        most = np.zeros(len(lines.closed))
        if len(lines) > 0:
            found = decided(sides_of(seen, clean, lines, viewer), lines, ordinary, viewer, between_walls=True)
            np.maximum.at(most, lines.line, found.size)
        contours, kept = self._on_wall(camera, lines, (most >= LEAST_SIZE)[lines.line])
        patches = patches_of(seen, clean, cover, [seat.shade for seat in ordinary.seats], viewer)
        sizes, shades = np.zeros((len(SEATS), 0)), None
        if patches is not None:
            shades, rows = self._on_wall(camera, patches.lines, patches.size.max(axis=0) >= NEVER_FOUND)
            sizes = patches.size[:, rows]
        if contours is None and shades is None:
            return None
        around = camera if contours is None else _around(camera, lines.xy[kept])
        clean_fields = LayerFields(around, lambda c: self._wall(c, CLEAN_WALL, lens.blur), viewer)
        shadowed = LayerFields(around, lambda c: self._wall(c, WALL, lens.blur), viewer)
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

    def _around_bridge(self, position: Array, lens: _Lens) -> Camera:
        """A camera at a lens position, turned as the scene's is, that shows the bridge and a window's reach around."""
        pose = rigid(lens.camera.world_from_cam[:3, :3], position)
        camera = replace(lens.camera, world_from_cam=pose, centre_x_px=0.0, centre_y_px=0.0)
        depth = camera.depth(self._vertices)
        # what lies right under the lens would make the picture boundless, and is out of frame
        return _around(camera, camera.project(self._vertices[depth > 0.25 * float(np.median(depth))]))

    def _wall(self, camera: Camera, name: str, blur: LensBlur | None) -> Picture:
        return _blurred(camera, self._engine.draw(camera, (name,), _SAMPLES, depth=blur is not None), blur)

    def _wall_on_bridge(self, camera: Camera, blur: LensBlur) -> Picture:
        """The clean wall, each of its places as far off focus as the bridge is that hides it; around it as its edge."""
        view = self._engine.draw(camera, (CLEAN_WALL,), samples=_SAMPLES)
        y, x = np.mgrid[: camera.height_px, : camera.width_px] + 0.5
        origins, directions = camera.rays(np.column_stack([x.ravel(), y.ravel()]))
        hits = self._sight.first_hits(origins, directions, names=[BRIDGE])
        depth = camera.depth(hits.point).reshape(y.shape)
        met = np.isfinite(depth)
        if not met.any():
            return self._wall(camera, CLEAN_WALL, blur)
        rows, columns = distance_transform_edt(~met, return_distances=False, return_indices=True)
        depth = depth[rows, columns]
        layer = view.layer[::_SAMPLES, ::_SAMPLES]
        normal = self._sight.normals(hits).reshape(*y.shape, 3)[rows, columns] @ camera.world_from_cam[:3, :2]
        texel_px = self._texel(camera) * camera.focal_px / depth
        colour = between_texels(view.colour, texel_px[..., None] * np.sqrt(np.maximum(1.0 - normal**2, 0.0)))
        return _blurred(camera, View(colour, layer, depth.astype(np.float32), 1), blur)

    def _texel(self, camera: Camera) -> float:
        """Side (m) of the texels of paint that is laid for a camera: as fine in its picture as the set's own is."""
        own = self._ready.move.camera(self._ready.move.station_frame)
        near_end = bridge_shape(self._ready.scene).near_corners[1:2]
        depth, own_depth = (max(float(one.depth(near_end)[0]), 0.02) for one in (camera, own))
        return self._ready.built.bridge.texel * depth / own_depth

    def _bridge(self, camera: Camera, blur: LensBlur | None) -> Picture:
        """The bridge alone; beyond its edges its nearest colour goes on."""
        # another may have been painted since
        self._engine.repaint(BRIDGE, self._ready.bridge.code)
        view = self._engine.draw(camera, (BRIDGE,), samples=_SAMPLES, depth=True)
        whole = view.cover(BRIDGE_LAYER) > 0.999
        if not whole.any():
            return np.asarray(np.clip(view.colour, 0.0, 1.0))
        _, (rows, columns) = distance_transform_edt(~whole, return_indices=True)
        depth = None if view.depth is None else view.depth[_SAMPLES * rows, _SAMPLES * columns]
        layer = view.layer[::_SAMPLES, ::_SAMPLES]
        return _blurred(camera, View(view.colour[rows, columns], layer, depth, 1), blur)


def _blurred(camera: Camera, view: View, blur: LensBlur | None) -> Picture:
    """A picture of a layer as the lens blurs it; drawn larger, the layer is as much nearer to the lens."""
    picture = np.asarray(np.clip(view.colour, 0.0, 1.0))
    if blur is None or view.depth is None:
        return picture
    nearer = view.depth * np.float32(blur.camera.focal_px / camera.focal_px)
    return ringed(blurred_wall(replace(blur, camera=camera), replace(view, depth=nearer), [picture])[0], blur.wave_px())


def _spread_px(blur: LensBlur | None, depth: Array) -> Array:
    """Standard deviation (px) of a lens's blur at depths (m): of a disc, and of diffraction."""
    if blur is None or blur.focus is None:
        return np.zeros_like(depth)
    disc = optics.blur_diameter(blur.focal, blur.stop, blur.focus, depth) / blur.px_pitch
    return np.asarray(np.hypot(0.25 * disc, blur.diffraction_px()))


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
