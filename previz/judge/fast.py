"""The same break without a picture: only what the windows along the outline see is ever worked out.

The outline comes from the bridge's few triangles (:mod:`previz.judge.silhouette`). What a window outside it sees is a
field of the wall (:mod:`previz.judge.layerfields`); what a window inside sees is a field of the paint. Where a window
reaches across the outline it sees some of the other side: the share of a Gaussian beyond a straight edge.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from previz.camera import Camera
from previz.errors import JudgeError
from previz.geometry import unit
from previz.judge.breaks import Break, Sides, decided
from previz.judge.fields import window_px
from previz.judge.layerfields import LayerFields, Places
from previz.judge.ordinary import OrdinaryWall
from previz.judge.outline import Outline, outline_of
from previz.judge.silhouette import silhouette
from previz.judge.viewer import GRAIN_FLOOR, GRAIN_WINDOW, WINDOW_OFFSET, Viewer
from previz.look.sight import SightLines

Array = NDArray[np.float64]
Field = NDArray[np.float32]
Floats = NDArray[np.floating[Any]]

# share of a window that lies on its own side of a straight outline; a grain window is as far away for its size
_OWN_SIDE = float(ndtr(WINDOW_OFFSET))

# how far beyond the outline, in window widths, the middle of that other share lies: E(x | x > a) - a of a Gaussian
_BEYOND = math.exp(-0.5 * WINDOW_OFFSET**2) / math.sqrt(2.0 * math.pi) / (1.0 - _OWN_SIDE) - WINDOW_OFFSET


def _edge_energy() -> float:
    """What a straight edge of height one adds to the grain energy seen one grain window away.

    The residue of an edge after a Gaussian of width one is H(x) - Phi(x); its square is averaged by the grain window.
    """
    x = np.linspace(-12.0, 12.0, 48_001)
    residue = (x > 0.0) - ndtr(x)
    window = np.exp(-0.5 * (x / GRAIN_WINDOW - WINDOW_OFFSET) ** 2) / (GRAIN_WINDOW * math.sqrt(2.0 * math.pi))
    return float((residue**2 * window).sum() * (x[1] - x[0]))


_EDGE_ENERGY = _edge_energy()


@dataclass(frozen=True, eq=False)
class Near:
    """Everything that is seen from near one lens position: the wall clean and with the bridge's shadow, the bridge.

    Fields are drawn when they are first looked at: projected paint never asks for the bridge's own.
    """

    clean: LayerFields
    shadowed: LayerFields
    bridge: LayerFields


class Paint(Protocol):
    """What the bridge shows."""

    def at(self, points: Array, camera: Camera, depth: Array, near: Near) -> Places:
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
    the wall.
    """

    near: Callable[[Array], Near]
    sight: SightLines
    ordinary: OrdinaryWall
    vertices: Array
    faces: NDArray[np.int32]
    wall_reaches: float
    wall: str = "wall"
    bridge: str = "bridge"

    def outline(self, camera: Camera) -> Outline:
        """The bridge's outline in the camera's frame."""
        cover, (left, top) = silhouette(
            camera, self.vertices, self.faces, self.sight, self.wall, self.wall_reaches
        )
        if cover.size == 0 or min(cover.shape) < 2:
            raise JudgeError("the bridge's outline is not in the frame")
        outline = outline_of(cover, Viewer(camera.height_px))
        if len(outline) == 0:
            raise JudgeError("the bridge's outline is not in the frame")
        return replace(outline, xy=outline.xy + [left, top])

    def judge(self, camera: Camera, paint: Paint) -> Break:
        """Break of one camera. Raises ``JudgeError`` where it cannot be judged."""
        viewer = Viewer(camera.height_px)
        outline = self.outline(camera)
        sigma = np.array(window_px(viewer))[:, None, None] * outline.normal
        out_px, in_px = outline.xy + WINDOW_OFFSET * sigma, outline.xy - WINDOW_OFFSET * sigma
        out_point, in_point, size = self._wall_at(camera, np.stack([out_px, in_px]))
        near = self.near(camera.position)
        clean_out, clean_in = near.clean.at(*out_point), near.clean.at(*in_point)
        wall_out, wall_in = clean_out, clean_in
        if near.shadowed is not near.clean:
            wall_out, wall_in = near.shadowed.at(*out_point), near.shadowed.at(*in_point)
        pattern = paint.at(*self._bridge_at(camera, outline, in_px), near)
        seen_out, seen_in = _across_the_edge(wall_out, wall_in, pattern, sigma)
        sides = Sides(seen_out, seen_in, _as_seen(clean_out, sigma), _as_seen(clean_in, -sigma))
        return decided(sides, outline, self.ordinary.at(size), viewer)

    def _wall_at(self, camera: Camera, px: Array) -> tuple[tuple[Array, Array], tuple[Array, Array], float]:
        """Wall points (S, N, 3) m and their magnification (S, N) at two sets of pixels (2, S, N, 2), and its median."""
        origins, directions = camera.rays(px.reshape(-1, 2))
        hits = self.sight.first_hits(origins, directions, names=[self.wall])
        met = np.isfinite(hits.distance)
        if not met.any():
            raise JudgeError("there is no wall behind the bridge")
        point = np.where(met[:, None], hits.point, hits.point[np.flatnonzero(met)[0]])
        px_per_m = camera.focal_px / camera.depth(point)
        points, sizes = point.reshape(*px.shape[:3], 3), px_per_m.reshape(px.shape[:3])
        return (points[0], sizes[0]), (points[1], sizes[1]), float(np.median(px_per_m[met]))

    def _bridge_at(self, camera: Camera, outline: Outline, px: Array) -> tuple[Array, Camera, Array]:
        """Points (S, N, 3) m of the bridge at pixels (S, N, 2), the camera, and their depth (S, N).

        A window that reaches across a narrow bridge is taken to see its edge.
        """
        edge = outline.xy - 0.75 * outline.spacing_px * outline.normal
        origins, directions = camera.rays(np.concatenate([px.reshape(-1, 2), edge]))
        hits = self.sight.first_hits(origins, directions, names=[self.bridge])
        scales, count = px.shape[:2]
        points = hits.point[: scales * count].reshape(scales, count, 3)
        at_edge = hits.point[scales * count :]
        points = np.where(np.isnan(points), at_edge, points)
        known = np.asarray(np.isfinite(points).all(axis=2))
        if not known.any():
            raise JudgeError("the bridge is too thin to be judged")
        points = np.where(known[..., None], points, points[known][0])
        return points, camera, camera.depth(points)


def _across_the_edge(wall_out: Places, wall_in: Places, paint: Places, sigma: Array) -> tuple[Field, Field]:
    """Fields (S, N, 4) as the windows on either side of a straight outline see them.

    A window reaches across the outline with a share ``1 - _OWN_SIDE`` of its weight. There it sees the other layer
    instead of the continuation of its own: the difference of the two, where that part of the window lies, is added.
    ``sigma`` (S, N, 2) px points out of the bridge and is as long as a window is wide.
    """
    far, near = WINDOW_OFFSET + _BEYOND, WINDOW_OFFSET - _BEYOND
    other = np.float32(1.0 - _OWN_SIDE)
    # paint and wall just inside the outline, and just outside it
    within = paint.colour(near * sigma, True) - wall_in.colour(near * sigma, True)
    without = wall_out.colour(-near * sigma, True) - paint.colour(far * sigma, True)
    # grain is looked at farther away: wall and paint there, on either side
    farther = WINDOW_OFFSET * (GRAIN_WINDOW - 1.0) * sigma
    e_wall_out, e_wall_in = _energy(wall_out.grain(farther)), _energy(wall_in.grain(-farther))
    outside = farther + 2.0 * WINDOW_OFFSET * sigma
    e_paint_in, e_paint_out = _energy(paint.grain(-farther)), _energy(paint.grain(outside))
    edge = _EDGE_ENERGY * (0.5 * (within - without)[..., 0]) ** 2
    grain_out = _grain(e_wall_out + other * (e_paint_in - e_wall_in) + edge)
    grain_in = _grain(e_paint_in + other * (e_wall_out - e_paint_out) + edge)
    return (
        _joined(wall_out.colour() + other * within, grain_out),
        _joined(paint.colour() + other * without, grain_in),
    )


def _as_seen(wall: Places, away: Array) -> Field:
    """The clean wall's fields, grain taken farther ``away`` (S, N, 2) px from the outline than colour."""
    return _joined(wall.colour(), wall.grain(WINDOW_OFFSET * (GRAIN_WINDOW - 1.0) * away))


def _joined(colour: Field, grain: Field) -> Field:
    return np.concatenate([colour, grain[..., None]], axis=2)


def _energy(grain: Field) -> Field:
    return np.asarray(np.exp(2.0 * grain) - GRAIN_FLOOR**2)


def _grain(energy: Floats) -> Field:
    return np.asarray(0.5 * np.log(np.maximum(energy, 0.0) + GRAIN_FLOOR**2), dtype=np.float32)
