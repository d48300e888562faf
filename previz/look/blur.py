"""Depth of field, diffraction and motion blur: how far lens and shutter spread a point of the set, by its depth.

Focus: the thin lens's circle of confusion (``previz.optics``), an evenly lit disc. Diffraction: a Gaussian at the
working stop; the rings around it are laid over whole pictures (:mod:`previz.look.rings`). Movement: the path of the
point's picture while the shutter is open, the exposure centred on the frame's own time, so that a frame's mean place is
the place it is judged at. Pixels are those of the frame, whatever its size.

A lens without a focus distance is sharp all over, and diffraction is left out with it; movement stays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from previz import optics
from previz.camera import Camera
from previz.geometry import Array, inverse_rigid
from previz.look.kernels import (
    AIRY_SIGMA,
    airy_sigma,
    disc_kernel,
    gaussian_kernel,
    joined,
    path_kernel,
    without_negatives,
)
from previz.scene.move import FIRST_FRAME, Move

# a blur smaller than this everywhere, px, is none
SHARP_PX = 0.05

# kernels of neighbouring depths differ by this much, px, or by this share of their size, whichever is more
_STEP_PX = 0.6
_STEP_SHARE = 0.15

# depths whose blurs differ by less than this, px, share one kernel
_ALIKE_PX = 0.15

# places of the frame whose paths differ by about this, px, at an end have kernels of their own; steps from the middle
_PATH_STEP_PX = 0.25
_MOST_STEPS = 3

# an exposure whose longest path is beyond these, px, is worked out in two and in four parts
_PART_PX = (1.5, 4.0)

# no depth is taken to be nearer to the lens than this, m, nor so near that its disc or path is wider than the frame's
# diagonal: a point spread over the whole frame is a veil there, and more of it changes next to nothing
_NEAREST = 0.01


@dataclass(frozen=True, eq=False)
class Nodes:
    """Where kernels are worked out; between them they are mixed.

    ``disparity`` (K,) 1/m are reciprocals of depths, ``x_px`` (X,) and ``y_px`` (Y,) places of the frame; all rise.
    """

    disparity: Array
    x_px: Array
    y_px: Array


@dataclass(frozen=True, eq=False)
class LensBlur:
    """The blur of one frame. Depths are distances along the axis, m, from the entrance pupil.

    ``camera`` is the frame's, ``moments`` cameras at even times from the opening to the closing of the shutter (none:
    nothing moves), ``px_pitch`` the size (m) of a pixel of this frame on the sensor, ``focal`` and ``focus`` in m,
    ``stop`` the plain number, ``pupil_ratio`` exit pupil / entrance pupil. Where the focus does not lie beyond the
    focal length every question about the blur raises ``ValueError``. ``opened`` is the part of the
    exposure that counts. ``whole_px`` is the diagonal of the whole frame where this is a part of it.
    """

    camera: Camera
    px_pitch: float
    focal: float
    stop: float
    focus: float | None = None
    pupil_ratio: float = 1.0
    moments: tuple[Camera, ...] = ()
    opened: tuple[float, float] = (0.0, 1.0)
    whole_px: float | None = None

    @property
    def diagonal_px(self) -> float:
        """Diagonal (px) of the whole frame."""
        return float(np.hypot(self.camera.width_px, self.camera.height_px)) if self.whole_px is None else self.whole_px

    def resized(self, width_px: int, height_px: int) -> LensBlur:
        """The blur of the same frame on another number of pixels."""
        return replace(
            self,
            camera=self.camera.resized(width_px, height_px),
            px_pitch=self.px_pitch * self.camera.width_px / width_px,
            moments=tuple(moment.resized(width_px, height_px) for moment in self.moments),
            whole_px=None if self.whole_px is None else self.whole_px * width_px / self.camera.width_px,
        )

    def disc_px(self, depth: float) -> float:
        """Diameter (px) of the circle of confusion of a point at ``depth``."""
        if self.focus is None:
            return 0.0
        depth = max(depth, self._nearest)
        return float(optics.blur_diameter(self.focal, self.stop, self.focus, depth)) / self.px_pitch

    @cached_property
    def _nearest(self) -> float:
        """The depth (m) nearer than which nothing is taken to be."""
        widest = self.diagonal_px
        nearest = _NEAREST
        if self.focus is not None:
            # the disc is a straight line in the reciprocal of depth, nought at the focus
            slope = float(optics.blur_diameter(self.focal, self.stop, self.focus, np.inf)) / self.px_pitch * self.focus
            nearest = max(nearest, 1.0 / (1.0 / self.focus + widest / slope))
        if len(self.moments) > 1:
            # so is the path of what a lens passes, turns apart
            moved = float(np.linalg.norm(self.moments[-1].position - self.moments[0].position))
            nearest = max(nearest, moved * self.camera.focal_px / widest)
        return nearest

    def diffraction_px(self) -> float:
        """Standard deviation (px) per axis of diffraction."""
        if self.focus is None:
            return 0.0
        magnification = optics.magnification(self.focal, self.focus)
        working = float(optics.working_stop(self.stop, magnification, self.pupil_ratio))
        return airy_sigma(working, optics.GREEN) / self.px_pitch

    def wave_px(self) -> float:
        """Wavelength times working stop (px): what diffraction's rings go by; 0 without diffraction."""
        return float(self.diffraction_px() / AIRY_SIGMA)

    def path_px(self, depth: float, at_px: Sequence[float] | None = None) -> Array:
        """Where (N, 2) px a point is seen while the shutter is open, from where the frame's own camera sees it.

        The point is the one at ``depth`` seen at ``at_px`` (x, y), the middle of the frame unless given.
        """
        if not self.moments:
            return np.zeros((1, 2))
        camera = self.camera
        x, y = (0.5 * camera.width_px, 0.5 * camera.height_px) if at_px is None else at_px
        asked = float(depth), float(x), float(y)
        if asked not in self._paths:
            # the same few places are asked about again and again
            self._paths[asked] = self._path(*asked)
        return self._paths[asked]

    @cached_property
    def _paths(self) -> dict[tuple[float, float, float], Array]:
        return {}

    @cached_property
    def _cam_from_world(self) -> Array:
        """Where the camera is at each moment (N, 4, 4)."""
        return np.stack([inverse_rigid(moment.world_from_cam) for moment in self.moments])

    def _path(self, depth: float, x: float, y: float) -> Array:
        """The path (N, 2) px of :meth:`path_px`, not to be written to."""
        camera = self.camera
        at = np.array([x, y])
        origin, direction = camera.rays(at)
        point = origin + direction * (max(depth, self._nearest) / (direction @ camera.forward))
        # all moments at once, as ``Camera.project`` does one
        there = self._cam_from_world[:, :3, :3] @ point + self._cam_from_world[:, :3, 3]
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = np.where(there[:, 2] < 0.0, [m.focal_px for m in self.moments] / -there[:, 2], np.nan)
        across = [m.centre_x_px for m in self.moments] + scale * there[:, 0]
        down = [m.centre_y_px for m in self.moments] - scale * there[:, 1]
        # a point that passes behind the lens meanwhile has no picture there
        path = np.nan_to_num(np.stack([across, down], axis=-1) - at)
        path.flags.writeable = False
        if self.opened == (0.0, 1.0):
            return np.asarray(path)
        times = np.linspace(0.0, 1.0, len(path))
        begin, end = self.opened
        kept = np.array([begin, *times[(times > begin) & (times < end)], end])
        return np.stack([np.interp(kept, times, path[:, axis]) for axis in (0, 1)], axis=-1)

    def kernel(self, depth: float, at_px: Sequence[float] | None = None) -> Array:
        """Picture (2k + 1, 2k + 1) of a point at ``depth``, sum 1, the point's own place in the middle.

        ``at_px`` (x, y) is its place in the frame, the middle unless given.
        """
        still = _still_kernel(self.disc_px(depth), self.diffraction_px())
        if not self.moments:
            return without_negatives(still)
        return _moving_kernel(still, self.path_px(depth, at_px))

    def spread_px(self, depth: float, at_px: Sequence[float] | None = None) -> tuple[float, float]:
        """Standard deviation (px) of the blur of a point at ``depth``, across and down the frame; closed form."""
        path = self.path_px(depth, at_px)
        variance = np.full(2, self.disc_px(depth) ** 2 / 16.0 + self.diffraction_px() ** 2)
        if len(path) > 1:
            a, b = path[:-1], path[1:]
            # mean of x^2 on a straight piece is (a^2 + a b + b^2) / 3
            variance += np.mean((a * a + a * b + b * b) / 3.0, axis=0) - np.mean(0.5 * (a + b), axis=0) ** 2
        across, down = np.sqrt(variance)
        return float(across), float(down)

    def size_px(self, depth: float) -> float:
        """Largest extent (px) of the blur of a point at ``depth``: of its disc, its path or diffraction's 2 sigma."""
        length = max(_length(self.path_px(depth, at)) for at in self._corners())
        return max(self.disc_px(depth), length, 2.0 * self.diffraction_px())

    def is_sharp(self, near: float, far: float) -> bool:
        """Whether everything from ``near`` to ``far`` m is blurred by less than 0.05 px: then nothing need be done."""
        # disc and path are straight lines in the reciprocal of depth: they are largest at an end
        return max(self.size_px(near), self.size_px(far)) < SHARP_PX

    def reach_px(self, near: float, far: float) -> int:
        """How far (whole px) light from outside the frame comes into it, of anything from ``near`` to ``far`` m."""
        ends = []
        for depth in (near, far):
            path = max(float(np.abs(self.path_px(depth, at)).max()) for at in self._corners())
            ends.append(0.5 * self.disc_px(depth) + path + 4.0 * self.diffraction_px())
        return int(np.ceil(max(ends))) + 3

    def parts(self, near: float) -> tuple[LensBlur, ...]:
        """The blurs of one, two or four even parts of the exposure, as the path of a point at ``near`` m asks for."""
        length = max(_length(self.path_px(near, at)) for at in self._corners())
        count = 2 ** sum(length > limit for limit in _PART_PX)
        return tuple(replace(self, opened=(k / count, (k + 1) / count)) for k in range(count))

    def cut(self, left: int, top: int, width: int, height: int) -> LensBlur:
        """The same blur of a part of the frame; its places are counted from that part's first pixel."""
        return replace(
            self,
            camera=cut(self.camera, left, top, width, height),
            moments=tuple(cut(moment, left, top, width, height) for moment in self.moments),
            whole_px=self.diagonal_px,
        )

    def nodes(self, near: float, far: float) -> Nodes:
        """Depths and places at which kernels are worked out, for everything from ``near`` to ``far`` m."""
        return Nodes(self._disparities(near, far), *self._places(near))

    def _corners(self) -> list[Sequence[float]]:
        w, h = float(self.camera.width_px), float(self.camera.height_px)
        return [(0.5 * w, 0.5 * h), (0.0, 0.0), (w, 0.0), (0.0, h), (w, h)]

    def _disparities(self, near: float, far: float) -> Array:
        low, high = 1.0 / max(far, self._nearest), 1.0 / max(near, self._nearest)
        if high <= low:
            return np.array([low])
        disc = abs(self.disc_px(far) - self.disc_px(near)) / (high - low)
        if self.focus is not None:
            # the disc's slope, also where it passes through nothing
            disc = float(optics.blur_diameter(self.focal, self.stop, self.focus, np.inf)) / self.px_pitch * self.focus
        slope = disc + abs(_length(self.path_px(near)) - _length(self.path_px(far))) / (high - low)
        if slope * (high - low) < _ALIKE_PX:
            return np.array([0.5 * (low + high)])
        sharp = None if self.focus is None else 1.0 / self.focus
        start = low if sharp is None else min(max(sharp, low), high)
        up, down = [start], [start]
        while up[-1] < high:
            up.append(up[-1] + self._step(up[-1], slope))
        while down[-1] > low:
            down.append(down[-1] - self._step(down[-1], slope))
        # the last step of each side is shortened to end where the depths end
        inside = [u for u in (*down[:0:-1], *up) if low < u < high]
        return np.array([low, *inside, high])

    def _step(self, disparity: float, slope: float) -> float:
        size = self.disc_px(1.0 / disparity) + _length(self.path_px(1.0 / disparity))
        return max(_STEP_PX, _STEP_SHARE * size) / slope

    def _places(self, near: float) -> tuple[Array, Array]:
        """Places across and down the frame, as many as the path's change over the frame asks for."""
        w, h = float(self.camera.width_px), float(self.camera.height_px)
        out = []
        for axis, side in enumerate((w, h)):
            paths = []
            for place in (0.0, 0.5 * side, side):
                at = [0.5 * w, 0.5 * h]
                at[axis] = place
                paths.append(self.path_px(near, at))
            # a turning camera's path is shortest in the middle: each half of the frame by itself
            change = max(float(np.abs(paths[k + 1] - paths[k]).max()) for k in (0, 1))
            count = 1 + 2 * min(int(change / _PATH_STEP_PX + 0.5), _MOST_STEPS)
            out.append(np.linspace(0.0, side, count) if count > 1 else np.array([0.5 * side]))
        return out[0], out[1]


@lru_cache(maxsize=32)
def _still_kernel(disc_px: float, diffraction_px: float) -> Array:
    """The kernel of a lens at rest, not to be written to: all places of a frame share it at one depth."""
    kernel = joined([disc_kernel(disc_px), gaussian_kernel(diffraction_px)])
    kernel.flags.writeable = False
    return kernel


def _moving_kernel(still: Array, path: Array) -> Array:
    return without_negatives(joined([still, path_kernel(path)]))


def cut(camera: Camera, left: int, top: int, width: int, height: int) -> Camera:
    """A camera that sees a part of the frame, px, as the whole one does."""
    return replace(
        camera,
        centre_x_px=camera.centre_x_px - left,
        centre_y_px=camera.centre_y_px - top,
        width_px=width,
        height_px=height,
    )


def _length(path: Array) -> float:
    return float(np.hypot(*np.diff(path, axis=0).T).sum()) if len(path) > 1 else 0.0


def exposure_frames(move: Move) -> float:
    """How long the shutter is open, in frames of the move: exposure time times the rate shot; half unless given."""
    body = move.scene.camera
    if body.shutter is None:
        return 0.5
    rate = move.scene.delivery.rate if body.rate is None else body.rate
    return float(body.shutter * rate)


def camera_during(
    move: Move, frame: int, share: float, width_px: int | None = None, height_px: int | None = None
) -> Camera:
    """The camera when ``share`` of a frame's exposure, 0 at the shutter's opening to 1, has gone by.

    One half is the frame's own time. Before the move begins and after it has ended the camera stands still, in a move
    of one frame too.
    """
    return move.camera_during(_time(move, frame, share), width_px, height_px)


def _time(move: Move, frame: int, share: float) -> float:
    return frame - FIRST_FRAME + exposure_frames(move) * (share - 0.5)


def moves_during(move: Move, frame: int) -> bool:
    """Whether the camera moves while a frame's shutter is open; not where the shot stands."""
    opened = [_time(move, frame, share) for share in (0.0, 0.5, 1.0)]
    return bool(np.ptp(move.rail_during(opened)) > 0.0 or np.ptp(move.turns(opened), axis=0).any())


def blur_of(move: Move, frame: int, width_px: int | None = None, height_px: int | None = None) -> LensBlur | None:
    """The blur of a frame of a scene's move; None where the lens has no focus distance and the camera does not move.

    A focus not beyond the focal length raises ``ValueError``.
    """
    body = move.scene.camera
    camera = move.camera(frame, width_px, height_px)
    moments: tuple[Camera, ...] = ()
    if moves_during(move, frame):
        moments = tuple(camera_during(move, frame, share, width_px, height_px) for share in (0.0, 0.5, 1.0))
    if body.focus is None and not moments:
        return None
    if body.focus is not None:
        optics.magnification(body.lens, body.focus)
    return LensBlur(
        camera=camera,
        px_pitch=body.lens / camera.focal_px,
        focal=body.lens,
        stop=body.stop,
        focus=body.focus,
        pupil_ratio=body.pupil_ratio,
        moments=moments,
    )
