"""Depth of field over a move: what is nearest and farthest, what is sharp, what a smaller stop would still give.

Depths are distances along the optical axis, from the entrance pupil. Blur is the thin lens's circle of confusion on
the sensor (``previz.optics``), in metres.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from previz import optics
from previz.camera import Camera
from previz.geometry import Array
from previz.scene.given.measured import relief_of
from previz.scene.layout import behind, delivered_box_px, judged_frames, wall_box
from previz.scene.model import Scene
from previz.scene.move import Move
from previz.scene.shape import bridge_shape

# places across and down the picture that are looked at
_ACROSS = 17


@dataclass(frozen=True)
class Reach:
    """Nearest part of the bridge and farthest part of the wall in the picture, m along the axis, and their frames."""

    near: float
    far: float
    near_frame: int
    far_frame: int


@dataclass(frozen=True)
class Blur:
    """Circles of confusion (m on the sensor) of the nearest bridge and the farthest wall."""

    near: float
    wall: float

    @property
    def worst(self) -> float:
        """The larger of the two."""
        return max(self.near, self.wall)

    @property
    def where(self) -> str:
        """Where it falls."""
        if abs(self.near - self.wall) <= 0.02 * self.worst:
            return "the near end and the wall alike"
        return "the near end" if self.near > self.wall else "the wall"


@dataclass(frozen=True)
class StopChoice:
    """A stop at the focus that blurs near end and wall alike: ``defocus`` and ``airy`` (m), ``total`` in quadrature."""

    stop: float
    defocus: float
    airy: float

    @property
    def total(self) -> float:
        """Defocus and diffraction together: the root of the sum of squares."""
        return math.hypot(self.defocus, self.airy)


@dataclass(frozen=True)
class FocusPlan:
    """What is sharp at the scene's focus and stop, and what focus and stop would do.

    ``best_focus`` (m) blurs the near end and the wall alike over the whole move; ``least_stop`` is the widest stop that
    keeps both within the blur limit there; ``chosen`` the widest engraved stop that does so with the Airy disc within
    the limit too, or, where ``fits`` is false, the engraved stop of least total blur. ``now`` is blur over the move at
    the scene's own focus and stop, ``now_hold`` over the hold; both are zero where the scene has no focus.
    """

    hold: Reach
    move: Reach
    focus: float
    stop: float
    blur_limit: float
    pixel: float
    now: Blur
    now_hold: Blur
    magnification: float
    working_stop: float
    exposure_factor: float
    airy: float
    best_focus: float
    least_stop: float
    sharpest_stop: float
    chosen: StopChoice
    at_stop: StopChoice
    fits: bool

    @property
    def sharp(self) -> bool:
        """Whether near end and wall stay within the blur limit over the move, as the scene is set."""
        return self.now.worst <= self.blur_limit * (1.0 + 1e-9)


def reach(scene: Scene, move: Move, frames: Sequence[int]) -> Reach:
    """The depths that have to be sharp over some frames.

    Where no part of the bridge is in the picture the wall's nearest part stands in for it.
    """
    bridge = bridge_shape(scene).edge_points
    nears, fars = [], []
    for frame in frames:
        camera = move.camera(frame)
        wall = _wall_depths(scene, camera)
        seen = _seen(scene, camera, bridge)
        depths = camera.depth(bridge)[seen]
        nears.append(float(depths.min()) if len(depths) else float(wall.min()))
        fars.append(max(float(wall.max()), nears[-1]))
    near, far = int(np.argmin(nears)), int(np.argmax(fars))
    return Reach(nears[near], fars[far], frames[near], frames[far])


def _seen(scene: Scene, camera: Camera, points: Array) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    left, top, right, bottom = delivered_box_px(scene)
    with np.errstate(invalid="ignore"):
        px = camera.project(points)
        inside = (px[:, 0] >= left) & (px[:, 0] <= right) & (px[:, 1] >= top) & (px[:, 1] <= bottom)
    return np.asarray(inside & (camera.depth(points) > scene.camera.lens))


def _wall_depths(scene: Scene, camera: Camera) -> Array:
    """Depths (N,) m of the wall's datum plane in the picture, to half its relief; never empty."""
    left, top, right, bottom = delivered_box_px(scene)
    x, y = np.meshgrid(np.linspace(left, right, _ACROSS), np.linspace(top, bottom, _ACROSS))
    origins, rays = camera.rays(np.column_stack([x.ravel(), y.ravel()]))
    hits = behind(camera.position, origins + rays)
    found = np.isfinite(hits).all(axis=1)
    if scene.wall.mesh is None:
        low_x, low_y, high_x, high_y = wall_box(scene)
        with np.errstate(invalid="ignore"):
            found &= (hits[:, 0] >= low_x) & (hits[:, 0] <= high_x) & (hits[:, 1] >= low_y) & (hits[:, 1] <= high_y)
    points = hits[found] if found.any() else np.zeros((1, 3))
    return np.maximum(camera.depth(points) + 0.5 * relief_of(scene), scene.camera.lens * 1.01)


def stop_choice(scene: Scene, stop: float, near: float, far: float) -> StopChoice:
    """What a stop gives at the focus between ``near`` and ``far`` m."""
    body = scene.camera
    focus = float(optics.focus_between(near, far))
    working = optics.working_stop(stop, optics.magnification(body.lens, focus), body.pupil_ratio)
    defocus = float(optics.blur_diameter(body.lens, stop, focus, near))
    return StopChoice(stop, defocus, float(optics.airy_diameter(working)))


def sharpest_stop(scene: Scene, near: float, far: float) -> float:
    """The stop (not rounded) of least total blur: defocus K / N and diffraction A N meet at N = sqrt(K / A)."""
    one = stop_choice(scene, 1.0, near, far)
    return math.sqrt(one.defocus / one.airy)


def focus_plan(scene: Scene, move: Move) -> FocusPlan:
    """The plan of focus of a scene's move."""
    body = scene.camera
    over_move = reach(scene, move, judged_frames(move, most=33))
    first, last = scene.rail.hold
    held = sorted({*np.linspace(first, last, min(last - first + 1, 17)).round().astype(int).tolist()})
    over_hold = reach(scene, move, [int(frame) for frame in held])
    near, far = over_move.near, over_move.far
    best = float(optics.focus_between(near, far))
    focus = body.focus if body.focus is not None else best
    size = float(optics.magnification(body.lens, focus))
    working = float(optics.working_stop(body.stop, size, body.pupil_ratio))
    choices = [stop_choice(scene, stop, near, far) for stop in optics.ENGRAVED_STOPS]
    limit = body.blur_limit * (1.0 + 1e-9)
    fitting = [choice for choice in choices if choice.defocus <= limit and choice.airy <= limit]
    return FocusPlan(
        hold=over_hold,
        move=over_move,
        focus=focus,
        stop=body.stop,
        blur_limit=body.blur_limit,
        pixel=body.sensor[0] / scene.delivery.frame[0],
        now=_blur(scene, over_move),
        now_hold=_blur(scene, over_hold),
        magnification=size,
        working_stop=working,
        exposure_factor=float(optics.exposure_factor(size, body.pupil_ratio)),
        airy=float(optics.airy_diameter(working)),
        best_focus=best,
        least_stop=float(optics.stop_for_depth(body.lens, body.blur_limit, near, far)),
        sharpest_stop=sharpest_stop(scene, near, far),
        chosen=fitting[0] if fitting else min(choices, key=lambda choice: choice.total),
        at_stop=stop_choice(scene, body.stop, near, far),
        fits=bool(fitting),
    )


def _blur(scene: Scene, over: Reach) -> Blur:
    body = scene.camera
    if body.focus is None:
        return Blur(0.0, 0.0)
    near, wall = optics.blur_diameter(body.lens, body.stop, body.focus, [over.near, over.far])
    return Blur(float(near), float(wall))


def blur_text(blur: float, pixel: float) -> str:
    """A blur on the sensor and in delivered pixels: ``0.018 mm (0.9 px)``."""
    return f"{blur * 1e3:.3f} mm ({blur / pixel:.1f} px)"


def advice(plan: FocusPlan) -> list[str]:
    """What to do about focus and stop, in plain sentences, what matters most first."""
    out = []
    limit = f"{plan.blur_limit * 1e3:.3f} mm"
    if plan.sharp:
        out.append(f"As set, the near end and the wall stay within {limit} over the whole move.")
    else:
        over = f"{plan.now.where} is blurred by {blur_text(plan.now.worst, plan.pixel)}, beyond {limit}"
        held = "within the hold it stays below" if plan.now_hold.worst <= plan.blur_limit else "within the hold too"
        out.append(f"As set, {over}; {held}.")
    both = plan.at_stop
    out.append(
        f"Focus at {plan.best_focus * 1e3:.0f} mm blurs near end and wall alike over the move: "
        f"{blur_text(both.defocus, plan.pixel)} at f/{plan.stop:g}. Widest stop that keeps both "
        f"within {limit}: f/{plan.least_stop:.1f}."
    )
    chosen = plan.chosen
    if plan.fits:
        out.append(
            f"Use f/{chosen.stop:g}: defocus {blur_text(chosen.defocus, plan.pixel)}, Airy disc "
            f"{chosen.airy * 1e3:.3f} mm. Closing further only adds diffraction."
        )
    else:
        out.append(
            f"No engraved stop keeps defocus and diffraction both within {limit}. Least blur is at "
            f"f/{plan.sharpest_stop:.0f}, engraved f/{chosen.stop:g}: {blur_text(chosen.total, plan.pixel)} in all, on "
            f"the near end and the wall alike (defocus {chosen.defocus * 1e3:.3f}, Airy disc {chosen.airy * 1e3:.3f} "
            "mm)."
        )
    return out
