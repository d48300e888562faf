"""The camera from points of known place and their pictures: place, angles, focal length, distortion, and how sure.

A first guess by SQPnP (Terzakis and Lourakis, "A Consistently Fast and Globally Optimal Solution to the
Perspective-n-Point Problem", ECCV 2020, as OpenCV carries it), then least squares of the picture's own errors over all
unknowns. The covariance is (J^T W J)^-1 (Hartley and Zisserman, *Multiple View Geometry*, 2nd edition, result 5.10),
W the inverse covariance of the residuals: of markers by :mod:`previz.lineup.scatter`, of plain points by their scatter.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from previz.camera import Camera
from previz.errors import PlateError
from previz.geometry import Array, inverse_rigid, rigid, transform_points, turned
from previz.lineup.scatter import LEAST_SCATTER_PX, Linear, Scatter
from previz.workshop.photographs.family import outwards

# unknowns of the lens, in this order; then how much the black of every sheet has grown; then where every sheet is
PLACE: Final = slice(0, 3)
K1: Final = 7
_LENS: Final = 8

# one step of each unknown in the solver: mm, mrad, thousandths
_UNIT: Final = 1e-3

# Standard deviations of what is known beforehand: k1 of a photographic lens; px of a 3000 px wide picture by which the
# black of a sheet grows. Each sheet has its own growth: ink runs by so many millimetres, blur and JPEG by pixels, and a
# sheet that has grown more than another would seem nearer.
_K1_SPREAD: Final = 0.1
_GROWTH_SPREAD: Final = 0.5

# a fit ends where the next step changes its cost, or its unknowns, by a smaller share: under a hundredth of the spread
_ENOUGH: Final = 1e-6

# half of a sheet (m): a corner of it is off by its place's error where the sheet is turned by error / half
HALF_SHEET: Final = 0.1

# A marker's corners are where straight lines through its edges cross. A line through samples spread evenly over the
# middle 80 % of an edge is this much less sure at a corner, by its slope, than by its mean: 0.5 / (0.8 / sqrt(12)).
_END_TO_MIDDLE: Final = 0.5 * math.sqrt(12.0) / 0.8


@dataclass(frozen=True, eq=False)
class Points:
    """Points to solve from: ``world`` (N, 3) m and ``px`` (N, 2); ``sheet`` (N,) is the sheet each is fixed to, -1 for
    none; ``outward`` (N, 2) how far px a corner moves where all black grows by one pixel, 0 for plain points; ``group``
    (N,) what is doubted together; ``names`` say them."""

    world: Array
    px: Array
    sheet: NDArray[np.int64]
    outward: Array
    group: NDArray[np.int64]
    names: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.world)

    def only(self, kept: NDArray[np.bool_]) -> Points:
        """Some of them."""
        names = tuple(name for name, keep in zip(self.names, kept, strict=True) if keep)
        return Points(
            self.world[kept], self.px[kept], self.sheet[kept], self.outward[kept], self.group[kept], names
        )


@dataclass(frozen=True)
class Priors:
    """What is known beforehand: ``placed`` (m) the standard deviation of a sheet's place, 0 for exact; ``k1`` the
    lens's distortion, None to fit it; ``focal_px`` (value, standard deviation) where the focal length is known."""

    placed: float = 0.0
    k1: float | None = None
    focal_px: tuple[float, float] | None = None


@dataclass(frozen=True, eq=False)
class CameraFit:
    """A camera found. ``covariance`` (8, 8) is of place (m), own turns pan, tilt, roll (rad), ln focal length and k1;
    ``rms_px`` of the points used; ``used`` (N,) which were; ``freedom`` degrees of freedom; ``sheet_off`` (S, 3) m how
    far each sheet seems to stand off its place, right, up and out of its paper, ``sheet_frames`` where that is;
    ``scatter`` how the markers' edges scatter, None without markers."""

    camera: Camera
    k1: float
    covariance: Array
    rms_px: float
    used: NDArray[np.bool_]
    freedom: int
    sheet_off: Array
    sheet_frames: tuple[Array, ...] = ()
    scatter: Scatter | None = None

    @property
    def spread(self) -> Array:
        """Standard deviations (8,) of the covariance's unknowns."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    def project(self, points: Array) -> Array:
        """Pixels (..., 2) of points (..., 3) m, distortion included."""
        return distorted(self.camera, self.camera.project(points), self.k1)


def distorted(camera: Camera, px: Array, k1: float) -> Array:
    """Where a lens with distortion shows what a pinhole shows at ``px`` (..., 2): r' = r (1 + k1 r^2)."""
    centre = np.array([camera.centre_x_px, camera.centre_y_px])
    off = (np.asarray(px, dtype=np.float64) - centre) / camera.focal_px
    return np.asarray(centre + camera.focal_px * off * (1.0 + k1 * np.sum(off**2, axis=-1, keepdims=True)))


def nudged(camera: Camera, by: Array) -> Camera:
    """A camera moved by (7,): place (m), own turns pan, tilt, roll (rad), ln focal length."""
    pan, tilt, roll, longer = by[3:7].tolist()
    return camera.moved(by[PLACE], pan, tilt, roll, float(np.exp(longer)))


@dataclass(frozen=True, eq=False)
class _Fit:
    """The unknowns of one fit, counted from a first guess."""

    points: Points
    start: Camera
    k1: float
    priors: Priors
    frames: tuple[Array, ...]
    growths: int
    scatter_px: float
    scatter: Scatter | None = None

    @property
    def marked(self) -> bool:
        """Whether the points are corners of markers."""
        return bool(self.points.outward.any())

    @cached_property
    def normals(self) -> Array:
        """Outward unit normals (T, 4, 2) of the markers' edges in the picture."""
        return outwards(self.points.px.reshape(-1, 4, 2))

    @property
    def lens_end(self) -> int:
        """Where the unknowns of the sheets' places begin."""
        return _LENS + self.growths

    @property
    def sheets(self) -> int:
        return len(self.frames) if self.priors.placed > 0.0 else 0

    def lens(self, u: Array) -> tuple[Camera, float]:
        v = u * _UNIT
        camera = nudged(self.start, v[:7])
        return camera, self.k1 + (float(v[K1]) if self.priors.k1 is None else 0.0)

    def world(self, u: Array) -> Array:
        world = self.points.world
        if not self.sheets:
            return world
        out = world.copy()
        for index, frame in enumerate(self.frames):
            on = self.points.sheet == index
            if on.any():
                own = transform_points(inverse_rigid(frame), world[on])
                out[on] = transform_points(self.frame(u, index), own)
        return out

    def frame(self, u: Array, index: int) -> Array:
        """Where a sheet is (4, 4)."""
        if not self.sheets:
            return self.frames[index]
        first = self.lens_end + 6 * index
        v = u[first : first + 6] * _UNIT
        return np.asarray(self.frames[index] @ rigid(turned(v[3], v[4], v[5]), v[:3]))

    def misses(self, u: Array) -> Array:
        """Picture errors (N, 2) px."""
        camera, k1 = self.lens(u)
        grown = u[_LENS : self.lens_end][self.points.sheet, None] * _UNIT * self.points.outward
        seen = distorted(camera, camera.project(self.world(u)), k1) + grown
        return np.asarray(np.nan_to_num(seen - self.points.px, nan=1e4))

    def white(self, u: Array) -> Array:
        """Picture errors (2 N,) that are alike in size; of markers those of :class:`previz.lineup.scatter.Linear`."""
        misses = self.misses(u)
        if not self.marked:
            return np.asarray(misses.ravel())
        off, out = misses.reshape(-1, 4, 2), self.normals
        first = np.einsum("tei,tei->te", off, out)
        last = np.einsum("tei,tei->te", np.roll(off, -1, axis=1), out)
        return np.concatenate([0.5 * (first + last), 0.5 * (last - first) / _END_TO_MIDDLE], axis=1).ravel()

    def residuals(self, u: Array) -> Array:
        grown = _GROWTH_SPREAD * max(self.start.width_px / 3000.0, 1.0)
        known = [*(u[_LENS : self.lens_end] * _UNIT / grown)]
        known.append((self.k1 + u[K1] * _UNIT) / _K1_SPREAD if self.priors.k1 is None else u[K1])
        if self.priors.focal_px is not None:
            value, spread = self.priors.focal_px
            known.append((self.lens(u)[0].focal_px - value) / spread)
        if self.sheets:
            v = u[self.lens_end :].reshape(-1, 6) * _UNIT / self.priors.placed
            known.extend([*v[:, :3].ravel(), *(v[:, 3:] * HALF_SHEET).ravel()])
        white = self.white(u)
        white = white / self.scatter_px if self.scatter is None else self.scatter.whitened(white)
        return np.concatenate([white, np.array(known, dtype=np.float64)])

    def solved(self, loss: str, start: Array | None = None) -> tuple[Array, Array]:
        u = np.zeros(self.lens_end + 6 * self.sheets) if start is None else start
        found = least_squares(
            self.residuals, u, loss=loss, f_scale=2.0, x_scale="jac", max_nfev=200, ftol=_ENOUGH, xtol=_ENOUGH
        )
        return np.asarray(found.x), np.asarray(found.jac)

    def linear(self, u: Array, jac: Array) -> Linear:
        """The fit about its answer; markers only."""
        count = 2 * len(self.points)
        slope = jac[:count] * self.scatter_px if self.scatter is None else self.scatter.raw(jac[:count])
        return Linear(self.normals, self.white(u), slope, self.residuals(u)[count:], jac[count:])


def solved_camera(
    points: Points, guesses: Sequence[Camera], priors: Priors, sheet_frames: Sequence[Array] = ()
) -> CameraFit:
    """The camera that sees ``points`` where they are; ``guesses`` give frame, principal point and focal lengths to try.

    ``sheet_frames`` are the sheets' ``world_from_sheet``. Points that do not agree with the others are left out.
    Raises :class:`PlateError` where the points cannot tell.
    """
    if len(points) < 5:
        raise PlateError(f"{len(points)} points tell no camera: at least 5 are needed, better 12, spread in depth")
    start, close = _first(points, guesses)
    frames = tuple(sheet_frames)
    scatter = max(1e-4 * start.width_px, 0.1)
    k1 = priors.k1 or 0.0
    growths = max(int(points.sheet.max(initial=0)) + 1, len(frames))
    fit = _Fit(points.only(close), start, k1, priors, frames, growths, scatter)
    for _ in range(2):
        u, _ = fit.solved("soft_l1")
        camera, k1 = fit.lens(u)
        fit = replace(fit, start=camera, k1=k1)
    return _answer(*_agreeing(fit, points, close))


def _agreeing(fit: _Fit, points: Points, close: NDArray[np.bool_]) -> tuple[_Fit, NDArray[np.bool_]]:
    """The fit to the groups that agree with one another, and which points (N,) those are.

    The worst group is left out, one at a time: a bad one drags the camera with it, and good ones seem to be off until
    it is gone. One that agrees after all is taken back.
    """
    used = close
    seen: set[bytes] = set()
    while True:
        seen.add(used.tobytes())
        u, _ = fit.solved("linear")
        camera, k1 = fit.lens(u)
        every = replace(fit, points=points, start=camera, k1=k1)
        # sheets stay where the fit put them
        at = u.copy()
        at[:_LENS] = 0.0
        off = np.linalg.norm(every.misses(at), axis=1)
        limit = max(5.0 * max(1.4826 * float(np.median(off[used])), 0.03), 0.15)
        # a marker with two bad corners has no good ones: the second worst of four speaks for it
        groups = {int(g): off[points.group == g] for g in np.unique(points.group)}
        worst = {g: float(np.quantile(each, 0.75, method="lower")) for g, each in groups.items()}
        in_use = {int(g) for g in points.group[used]}
        bad = [g for g in in_use if worst[g] > limit]
        now = in_use - {max(bad, key=lambda g: worst[g])} if bad else {g for g in worst if worst[g] <= limit}
        used = np.isin(points.group, sorted(now))
        if used.sum() < 5:
            raise PlateError("the points contradict one another: no camera sees most of them where they are")
        fit = replace(fit, points=points.only(used), start=camera, k1=k1, scatter_px=_scatter(fit, u))
        if used.tobytes() in seen:
            return fit, used


def _scatter(fit: _Fit, u: Array) -> float:
    white = fit.white(u)
    freedom = max(len(white) - _unknowns(fit), 1)
    return max(float(np.sqrt(np.sum(white**2) / freedom)), LEAST_SCATTER_PX)


def _unknowns(fit: _Fit) -> int:
    """Unknowns that the picture has to tell."""
    return 7 + (fit.priors.k1 is None) + (len(np.unique(fit.points.sheet)) if fit.marked else 0)


def _sound(group: NDArray[np.int64], good: NDArray[np.bool_]) -> list[int]:
    """Groups of which at least three quarters agree: a marker with two bad corners has no good ones."""
    return [int(g) for g in np.unique(group) if good[group == g].mean() >= 0.75]


def _answer(fit: _Fit, used: NDArray[np.bool_]) -> CameraFit:
    likeliest = np.zeros(3)
    u: Array | None = None
    for _ in range(2):
        u, jac = fit.solved("linear", u)
        if fit.marked:
            line = fit.linear(u, jac)
            likeliest = line.likeliest()
            fit = replace(fit, scatter=line.scatter(likeliest))
        else:
            fit = replace(fit, scatter_px=_scatter(fit, u))
    u, jac = fit.solved("linear", u)
    camera, k1 = fit.lens(u)
    misses = fit.misses(u)
    covariance = np.linalg.pinv(jac.T @ jac) * _UNIT**2
    if fit.priors.k1 is not None:
        covariance[K1, :] = covariance[:, K1] = 0.0
    freedom = max(2 * len(fit.points) - _unknowns(fit), 1)
    if fit.marked:
        freedom = int(fit.linear(u, jac).freedom(likeliest, K1))
    off = u[fit.lens_end :].reshape(-1, 6)[:, :3] * _UNIT if fit.sheets else np.zeros((len(fit.frames), 3))
    found = tuple(fit.frame(u, index) for index in range(len(fit.frames)))
    rms = float(np.sqrt(np.mean(np.sum(misses**2, axis=1))))
    return CameraFit(
        camera, k1, np.asarray(covariance[:8, :8]), rms, used, freedom, np.asarray(off), found, fit.scatter
    )


def _first(points: Points, guesses: Sequence[Camera]) -> tuple[Camera, NDArray[np.bool_]]:
    """A first camera, and which points (N,) it sees about where they are."""
    best: tuple[float, Camera, Array] | None = None
    for guess in guesses:
        for chosen in _choices(points):
            camera = _by_sqpnp(points.world[chosen], points.px[chosen], guess)
            if camera is None:
                continue
            off = np.nan_to_num(np.linalg.norm(camera.project(points.world) - points.px, axis=1), nan=1e6)
            middle = float(np.sort(off)[int(0.6 * (len(off) - 1))])
            if best is None or middle < best[0]:
                best = (middle, camera, off)
        if best is not None and best[0] < 2e-3 * guess.width_px:
            break
    if best is None or best[0] > 0.03 * best[1].width_px:
        raise PlateError("no camera sees these points where they are: check their places and the order of x and y")
    close = best[2] < max(6.0 * best[0], 0.02 * best[1].width_px)
    return best[1], np.isin(points.group, _sound(points.group, np.asarray(close)))


def _choices(points: Points) -> list[NDArray[np.intp]]:
    """All points, then few of them at a time, in case some are wrong."""
    out = [np.arange(len(points))]
    groups = np.unique(points.group)
    size = 2 if len(groups) < len(points) else min(5, len(groups))
    sets = list(itertools.combinations(groups.tolist(), size))
    rng = np.random.default_rng(1)
    order = rng.permutation(len(sets))[:40]
    return out + [np.flatnonzero(np.isin(points.group, sets[k])) for k in order]


def _by_sqpnp(world: Array, px: Array, guess: Camera) -> Camera | None:
    k = np.array(
        [[guess.focal_px, 0.0, guess.centre_x_px], [0.0, guess.focal_px, guess.centre_y_px], [0.0, 0.0, 1.0]]
    )
    try:
        good, turn, shift = cv2.solvePnP(world, px, k, None, flags=cv2.SOLVEPNP_SQPNP)
    except cv2.error:
        return None
    if not good or not np.all(np.isfinite(turn)) or not np.all(np.isfinite(shift)):
        return None
    cv_from_world = rigid(cv2.Rodrigues(turn)[0], np.asarray(shift).ravel())
    world_from_cam = inverse_rigid(cv_from_world) @ np.diag([1.0, -1.0, -1.0, 1.0])
    camera = replace(guess, world_from_cam=np.asarray(world_from_cam))
    return camera if float(np.median(camera.depth(world))) > 0.0 else None


def outward_of(corners: Array) -> Array:
    """How far (T, 4, 2) px corners (T, 4, 2) move where every edge moves outwards by one pixel."""
    out = outwards(corners)
    before = np.roll(out, 1, axis=1)
    return np.asarray((out + before) / (1.0 + np.sum(out * before, axis=2, keepdims=True)))
