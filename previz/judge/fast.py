"""The same break without a picture: only what the windows along the outline see is ever worked out.

The outline comes from the bridge's few triangles (:mod:`previz.judge.silhouette`). What a window outside it sees is a
field of the wall (:mod:`previz.judge.layerfields`); what a window inside sees is a field of the paint. Where a window
reaches across the outline it sees some of the other side: the share of a Gaussian beyond a straight edge.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import correlate1d, gaussian_filter

from previz.camera import Camera
from previz.errors import JudgeError
from previz.geometry import unit
from previz.judge.breaks import Break, Sides, decided
from previz.judge.ends import ends_of
from previz.judge.fields import window_px
from previz.judge.layerfields import LayerFields, Places, Shown
from previz.judge.ordinary import Ordinary, OrdinaryWall
from previz.judge.outline import Outline, outline_of
from previz.judge.shares import grain_shares, middle_of, shares
from previz.judge.silhouette import silhouette
from previz.judge.trace.fasttraces import WallTraces
from previz.judge.trace.traces import with_patches
from previz.judge.viewer import GRAIN_FLOOR, GRAIN_OFFSET, GRAIN_WINDOW, WINDOW_DEG, WINDOW_OFFSET, Viewer
from previz.look.rings import ringed
from previz.look.sight import SightLines

Array = NDArray[np.float64]
Field = NDArray[np.float32]

# how far beyond the middles of the colour windows those of the grain windows lie, in window widths
_TO_GRAIN = GRAIN_OFFSET * GRAIN_WINDOW - WINDOW_OFFSET

# Windows are looked at through those of the next finer scale, half as wide; there is none finer than the finest. What
# the window on the outline sees of the bridge is looked at in four places, to either side of its middle: so many of its
# distances from the outline nearer and deeper, and so many widths along the outline, where they have the variance that
# the finer windows leave out of a Gaussian's half, 1 - 2 / pi across it and 1 along it.
_FINER = np.array([1.0, *(np.array(WINDOW_DEG[:-1]) / WINDOW_DEG[1:])])
_APART = np.sqrt(np.maximum(1.0 - 2.0 / math.pi - _FINER**2, 0.0) * math.pi / 2.0)
_ALONG = np.sqrt(1.0 - _FINER**2)

# a blur of the silhouette smaller than this, px, changes no window's share by a hundredth
_SHARP_PX = 0.1

# sides of the pictures over which rings are laid are multiples of this, px
_EVEN_PX = 48

# up to this, px, three weights make a blur
_NARROW_PX = 0.6


def _in_place(camera: Camera) -> Camera:
    """The bridge is where it was meant to be."""
    return camera


def _no_traces() -> None:
    """Nothing but the bridge itself is looked at."""


@dataclass(frozen=True, eq=False)
class Near:
    """Everything that is seen from near one lens position: the wall clean and with the bridge's shadow, the bridge, and
    the contours of what the bridge does to the wall.

    Fields are drawn and contours found when they are first looked at: projected paint never asks for the bridge's own.
    """

    clean: LayerFields
    shadowed: LayerFields
    bridge: LayerFields
    traces: Callable[[], WallTraces | None] = _no_traces


class Paint(Protocol):
    """What the bridge shows."""

    def at(self, points: Array, camera: Camera, depth: Array, near: Near) -> Shown:
        """The pattern at points (S, N, 3) m of the bridge, ``depth`` (S, N) m from ``camera`` along its axis."""


@dataclass(frozen=True, eq=False)
class OwnPaint:
    """Whatever the bridge is painted with, as it was drawn."""

    def at(self, points: Array, camera: Camera, depth: Array, near: Near) -> Places:
        """The bridge's own fields."""
        return near.bridge.at(points, camera.focal_px / depth)


@dataclass(frozen=True, eq=False)
class ContinuedWall:
    """Projected paint: a point shows the clean wall that it hides from the station point (``station``'s lens).

    ``fields`` are the clean wall's as seen from there.
    """

    station: Camera
    sight: SightLines
    wall: str
    fields: LayerFields

    def at(self, points: Array, camera: Camera, depth: Array, near: Near) -> Places:
        """The wall's places hidden from the station, as large as the paint appears now."""
        flat = points.reshape(-1, 3)
        eye = self.station.position
        directions = unit(flat - eye)
        hits = self.sight.first_hits(np.broadcast_to(eye, flat.shape), directions, names=[self.wall])
        # where no wall is hidden, the plane of the wall is
        reach = np.where(directions[:, 2] < -1e-6, -eye[2] / np.minimum(directions[:, 2], -1e-6), 1.0)
        missed = ~np.isfinite(hits.distance)
        behind = np.where(missed[:, None], eye + reach[:, None] * directions, hits.point)
        # the pattern on the bridge is the wall's, shrunk by how much nearer the bridge is to the station point
        shrunk = self.station.depth(behind) / self.station.depth(flat)
        shape = points.shape[:2]
        return self.fields.at(behind.reshape(*shape, 3), camera.focal_px / depth / shrunk.reshape(shape))


@dataclass(frozen=True, eq=False)
class FastJudge:
    """Judges cameras that look at one set.

    ``near`` gives what is seen from near a lens position (3,) m; ``sight`` casts against the surfaces named ``wall``
    and ``bridge``; ``vertices`` (V, 3) m and ``faces`` (F, 3) are the bridge's, ``wall_reaches`` the largest z (m) of
    the wall. ``spread_px`` is the standard deviation (px) of the lens's blur at depths (m); none without it.
    ``bridge_camera`` is the camera that sees the bridge in its own place as a camera sees it off that place.
    """

    near: Callable[[Array], Near]
    sight: SightLines
    ordinary: OrdinaryWall
    vertices: Array
    faces: NDArray[np.int32]
    wall_reaches: float
    wall: str = "wall"
    bridge: str = "bridge"
    spread_px: Callable[[Array], Array] | None = None
    wave_px: float = 0.0
    bridge_camera: Callable[[Camera], Camera] = _in_place

    def outline(self, camera: Camera) -> tuple[Outline, Field, tuple[int, int]]:
        """The bridge's outline in the camera's frame, its cover (h, w) in a part of it and that part's corner."""
        cover, corner = silhouette(
            self.bridge_camera(camera), self.vertices, self.faces, self.sight, self.wall, self.wall_reaches
        )
        if cover.size == 0 or min(cover.shape) < 2:
            raise JudgeError("the bridge's outline is not in the frame")
        outline = outline_of(cover, Viewer(camera.height_px))
        if len(outline) == 0:
            raise JudgeError("the bridge's outline is not in the frame")
        return replace(outline, xy=outline.xy + corner), cover, corner

    def judge(self, camera: Camera, paint: Paint) -> Break:
        """Break of one camera. Raises ``JudgeError`` where it cannot be judged."""
        return self._found(camera, paint, *self.outline(camera))[0]

    def look(self, camera: Camera, paint: Paint) -> tuple[Break, Break | None]:
        """Break of one camera, and what is found of its traces; None where there are none.

        Raises ``JudgeError`` where it cannot be judged.
        """
        outline, cover, corner = self.outline(camera)
        found, ordinary = self._found(camera, paint, outline, cover, corner)
        traces = self.near(camera.position).traces()
        return found, None if traces is None else self._traces(camera, traces, cover, corner, ordinary)

    def _found(
        self, camera: Camera, paint: Paint, outline: Outline, cover: Field, corner: tuple[int, int]
    ) -> tuple[Break, Ordinary]:
        """Break along the outline, and what is ordinary on the wall there."""
        viewer = Viewer(camera.height_px)
        sigma = np.array(window_px(viewer))[:, None, None] * outline.normal
        out_px, in_px = outline.xy + WINDOW_OFFSET * sigma, outline.xy - WINDOW_OFFSET * sigma
        out_point, in_point, size = self._wall_at(camera, np.stack([out_px, in_px]))
        near = self.near(camera.position)
        clean_out, clean_in = near.clean.at(*out_point), near.clean.at(*in_point)
        wall_out, wall_in = clean_out, clean_in
        clean = wall = _of_wall(clean_out, clean_in, sigma)
        if near.shadowed is not near.clean:
            wall_out, wall_in = near.shadowed.at(*out_point), near.shadowed.at(*in_point)
            wall = _of_wall(wall_out, wall_in, sigma)
        towards = self.bridge_camera(camera)
        points, _, depth = self._bridge_at(towards, outline, in_px)
        pattern = paint.at(points, camera, depth, near)
        on_px = np.broadcast_to(outline.xy, out_px.shape)
        soft = self._softened(cover, depth)
        sigmas = window_px(viewer)
        over = _Over(
            *shares(soft, np.stack([out_px, in_px, on_px]) - corner, sigmas),
            np.array(sigmas)[:, None],
            float((soft * (1.0 - soft)).sum()) / (len(outline) * outline.spacing_px),
        )
        inside, growth = grain_shares(soft, in_px - _TO_GRAIN * sigma - corner, sigmas)
        beyond = middle_of(1.0 - inside, -growth, GRAIN_WINDOW * np.array(sigmas)[:, None])
        seen = _across_the_edge(wall, wall_in, pattern, sigma, over, inside, beyond)
        ordinary = self.ordinary.at(size)
        ends = ends_of(outline, towards, points[0])
        return decided(Sides(seen, clean), outline, ordinary, viewer, ends=ends), ordinary

    def _traces(
        self, camera: Camera, traces: WallTraces, cover: Field, corner: tuple[int, int], ordinary: Ordinary
    ) -> Break | None:
        """What is found of the contours and patches on the wall."""
        viewer = Viewer(camera.height_px)
        lines = traces.contours_seen_by(camera, cover, corner)
        found = None if lines is None else self._along(camera, traces, lines, ordinary)
        return with_patches(found, traces.patches_seen_by(camera, cover, corner), viewer)

    def _along(self, camera: Camera, traces: WallTraces, lines: Outline, ordinary: Ordinary) -> Break:
        """What is found of contours on the wall."""
        viewer = Viewer(camera.height_px)
        sigma = np.array(window_px(viewer))[:, None, None] * lines.normal
        sides = np.stack([lines.xy + WINDOW_OFFSET * sigma, lines.xy - WINDOW_OFFSET * sigma])
        out, within, _ = self._wall_at(camera, sides)
        seen, clean = (
            _of_wall(fields.at(*out), fields.at(*within), sigma) for fields in (traces.shadowed, traces.clean)
        )
        return decided(Sides(seen, clean), lines, ordinary, viewer, between_walls=True)

    def _softened(self, cover: Field, depth: Array) -> Field:
        """The cover as the lens blurs it: everywhere alike, by the mean variance of the outline's blur."""
        if self.spread_px is None:
            return cover
        sigma = float(np.sqrt(np.mean(self.spread_px(depth[0]) ** 2)))
        h, w = cover.shape
        # one of few sizes, whose rings are known and whose cosines are quick; what the frame cuts off goes on
        more = [(0, -side % _EVEN_PX) for side in (h, w)]
        return ringed(np.pad(_blurred_evenly(cover, sigma), more, mode="edge"), self.wave_px)[:h, :w]

    def _wall_at(self, camera: Camera, px: Array) -> tuple[tuple[Array, Array], tuple[Array, Array], float]:
        """Wall points (S, N, 3) m and their magnification (S, N) at two sets of pixels (2, S, N, 2), and its median."""
        ends = px[:, [0, -1]]
        origins, directions = camera.rays(ends.reshape(-1, 2))
        hits = self.sight.first_hits(origins, directions, names=[self.wall])
        met = np.isfinite(hits.distance)
        if not met.any():
            raise JudgeError("there is no wall behind the bridge")
        point = np.where(met[:, None], hits.point, hits.point[np.flatnonzero(met)[0]])
        px_per_m = camera.focal_px / camera.depth(point)
        points = _between(point.reshape(*ends.shape[:3], 3))
        sizes = camera.focal_px / camera.depth(points)
        return (points[0], sizes[0]), (points[1], sizes[1]), float(np.median(px_per_m[met]))

    def _bridge_at(self, camera: Camera, outline: Outline, px: Array) -> tuple[Array, Camera, Array]:
        """Points (S, N, 3) m of the bridge at pixels (S, N, 2), the camera, and their depth (S, N).

        A window that reaches across a narrow bridge is taken to see its edge.
        """
        nearest, farthest = self._met_on_bridge(camera, np.concatenate([px[0], px[-1]])).reshape(2, -1, 3)
        missed = np.isnan(nearest[:, 0])
        if missed.any():
            nearest[missed] = self._met_on_bridge(camera, outline.inside_px[missed])
        points = _between(np.stack([nearest, np.where(np.isnan(farthest), nearest, farthest)])[None])[0]
        known = np.asarray(np.isfinite(points).all(axis=2))
        if not known.any():
            raise JudgeError("the bridge is too thin to be judged")
        points = np.where(known[..., None], points, points[known][0])
        return points, camera, camera.depth(points)

    def _met_on_bridge(self, camera: Camera, px: Array) -> Array:
        """Points (N, 3) m of the bridge at pixels (N, 2), NaN where there is none."""
        origins, directions = camera.rays(px)
        return self.sight.first_hits(origins, directions, names=[self.bridge]).point


def _between(ends: Array) -> Array:
    """Points (K, S, N, 3) m for all scales from those (K, 2, N, 3) of the narrowest and the widest windows.

    The windows' middles lie on a line across the outline, and relief within a few pixels is flat enough.
    """
    widths = np.array(WINDOW_DEG)
    part = ((widths - widths[0]) / (widths[-1] - widths[0]))[None, :, None, None]
    return np.asarray((1.0 - part) * ends[:, :1] + part * ends[:, 1:])


def _blurred_evenly(cover: Field, sigma: float) -> Field:
    """A cover (H, W) blurred by a Gaussian of standard deviation ``sigma`` px."""
    if sigma < _SHARP_PX:
        return cover
    if sigma > _NARROW_PX:
        return np.asarray(gaussian_filter(cover, sigma, mode="nearest"))
    # a Gaussian narrower than a pixel, sampled, is no blur at all: three weights that have its variance
    rest = 0.5 * sigma * sigma
    across = correlate1d(cover, (rest, 1.0 - 2.0 * rest, rest), axis=1, mode="nearest")
    return np.asarray(correlate1d(across, (rest, 1.0 - 2.0 * rest, rest), axis=0, mode="nearest"))


def _mixed_grain(share: Field, own: Field, own_beyond: Field, beyond: Field) -> Field:
    """Log grain (S, N) in windows of which a ``share`` (S, N) sees a layer of ``own`` grain, the rest another: the
    squares of what a window averages away add up. ``own_beyond`` and ``beyond`` are either layer's about where the rest
    of the window is."""
    two = np.float32(2.0)
    less = (np.float32(1.0) - share) * (np.exp(two * own_beyond) - np.exp(two * beyond))
    floor = np.float32(2.0 * math.log(GRAIN_FLOOR))
    return np.asarray(np.maximum(np.log(np.maximum(np.exp(two * own) - less, 1e-6)), floor) / two)


def _of_wall(out: Places, within: Places, sigma: Array) -> Field:
    """What windows (3, S, N, 4) outside, inside and on the outline see where there is nothing but wall."""
    return np.stack(
        [
            _joined(out.colour(), out.grain(_TO_GRAIN * sigma)),
            _joined(within.colour(), within.grain(-_TO_GRAIN * sigma)),
            _joined(out.colour(-WINDOW_OFFSET * sigma), np.zeros(sigma.shape[:2], dtype=np.float32)),
        ]
    )


@dataclass(frozen=True, eq=False)
class _Over:
    """How far windows (3, S, N) outside, inside and on the outline reach over the bridge: its ``share``, its ``growth``
    (3, S, N, 2) a pixel, and the windows' standard deviations ``sigma`` (S, 1) px. ``mixed`` px is the integral of
    c (1 - c) across the outline, c the bridge's cover of a pixel."""

    share: Field
    growth: Array
    sigma: Array
    mixed: float

    def bridge_px(self, side: int) -> Array:
        """How far (S, N, 2) px from the middle of one side's windows what they see of the bridge lies."""
        return middle_of(self.share[side], self.growth[side], self.sigma)

    def wall_px(self, side: int) -> Array:
        """How far (S, N, 2) px from the middle of one side's windows what they see beside the bridge lies."""
        return middle_of(1.0 - self.share[side], -self.growth[side], self.sigma)

    def lighter(self, offset: float) -> Field:
        """How much lighter (S, 1) than the mean of two layers' L* windows ``offset`` of their widths from the outline
        see their edge, times the square of the layers' difference over L* + 16.

        Pixels on the edge mix light, and L* is its cube root: to second order a pixel is c (1 - c) times that lighter.
        """
        width = np.hypot(self.sigma, self.mixed)
        beside = np.exp(-0.5 * (offset * self.sigma / width) ** 2) / (math.sqrt(2.0 * math.pi) * width)
        return np.asarray(self.mixed * beside, dtype=np.float32)


def _across_the_edge(
    wall: Field,
    wall_in: Places,
    paint: Shown,
    sigma: Array,
    over: _Over,
    inside: Field,
    beyond: Array,
) -> Field:
    """Fields (3, S, N, 4) as the windows outside, inside and on the outline see them.

    ``wall`` (3, S, N, 4) is what they see of the wall alone, ``bridge_share`` (3, S, N, 1) how much of each window's
    weight lies on the bridge. Where a window reaches across the outline it sees the other layer instead of the
    continuation of its own: the difference of the two, about where that part of the window lies, is added. ``sigma``
    (S, N, 2) px points out of the bridge and is as long as a window is wide. Grain is looked at so far from the outline
    that its windows do not reach across it, but over a narrow bridge and round corners they do: ``inside`` (S, N) is
    their share of bridge, and ``beyond`` (S, N, 2) px how far from their middles the rest of them lies.
    """
    share = over.share[..., None]
    # from the places inside, at which paint and wall are known: what the outer window sees of the bridge ...
    there = over.bridge_px(0) + 2.0 * WINDOW_OFFSET * sigma
    within = paint.colour(there, True) - wall_in.colour(there, True)
    # ... what the inner one sees beside it, on whichever side ...
    there = over.wall_px(1)
    without = wall_in.colour(there, True) - paint.colour(there, True)
    # ... and what that on the outline sees of the bridge, in two places that have the middle of it between them
    middle = over.bridge_px(2) + WINDOW_OFFSET * sigma
    apart = _APART[:, None, None] * over.bridge_px(2)
    near, deeper = middle - apart, middle + apart
    along = _ALONG[:, None, None] * sigma[..., ::-1] * [-1.0, 1.0]
    places = (near - along, near + along, deeper - along, deeper + along)
    half_inside = np.mean([paint.colour(place, True) - wall_in.colour(place, True) for place in places], axis=0)
    other = beyond - _TO_GRAIN * sigma
    grain_in = _mixed_grain(inside, paint.grain(-_TO_GRAIN * sigma), paint.grain(other), wall_in.grain(other))
    seen = wall.copy()
    seen[0, ..., :3] += share[0] * within
    seen[1] = _joined(paint.colour() + (np.float32(1.0) - share[1]) * without, grain_in)
    seen[2, ..., :3] += share[2] * half_inside
    square = half_inside[..., 0] ** 2 / (np.maximum(wall[2, ..., 0], 0.0) + np.float32(16.0))
    for side, offset in enumerate((WINDOW_OFFSET, WINDOW_OFFSET, 0.0)):
        seen[side, ..., 0] += over.lighter(offset) * square
    return seen


def _joined(colour: Field, grain: Field) -> Field:
    return np.concatenate([colour, grain[..., None]], axis=2)
