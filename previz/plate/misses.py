"""What a scene misses of the move that matches its plate, and what that does to the delivered picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from previz.camera import Camera
from previz.geometry import Array
from previz.optics import angle_of_view
from previz.plate.scaling import (
    PlateNumbers,
    cameras_of,
    fastest,
    figure_height,
    foot_point,
    horizon_row,
    own_numbers,
    scaled_scene,
)
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.units import deg_text, mm_text

_MM = 1e-3

# below this a length or an angle is the same: a hundredth of a millimetre, a thousandth of a degree
_SAME_LENGTH = 1e-5
_SAME_ANGLE = math.radians(1e-3)


@dataclass(frozen=True, eq=False)
class Effect:
    """What a difference does in the delivered picture, frame by frame: got less wanted, px.

    ``horizon_px`` (N,) of the horizon's row in the middle column (positive: too low), ``size_px`` (N,) of the
    figure's height, ``foot_px`` (N, 2) of the foot mark, right and down; NaN where that is behind the lens. ``turn``
    (N,) rad is how much farther to its right side the figure is seen from: no layer can be laid right for that.
    """

    frames: tuple[int, ...]
    station_frame: int
    horizon_px: Array
    size_px: Array
    foot_px: Array
    turn: Array

    @property
    def slip_px(self) -> Array:
        """How far (N,) px the feet slide against the plate since the frame before; 0 in the first."""
        step = np.diff(self.foot_px, axis=0, prepend=self.foot_px[:1])
        return np.asarray(np.hypot(step[:, 0], step[:, 1]))

    @property
    def worst_slip_px(self) -> float:
        """The largest slip in a frame."""
        return _largest(self.slip_px)

    @property
    def worst_horizon_px(self) -> float:
        """The horizon's largest error."""
        return _largest(self.horizon_px)

    @property
    def worst_size_px(self) -> float:
        """The figure's largest error of height."""
        return _largest(self.size_px)

    @property
    def worst_foot_px(self) -> float:
        """The foot mark's largest distance from where the plate has it."""
        return _largest(np.hypot(self.foot_px[:, 0], self.foot_px[:, 1]))

    @property
    def drift_px(self) -> float:
        """How far the feet stray, at most, once laid right at the station frame: slip added up."""
        away = self.foot_px - self.foot_px[self.frames.index(self.station_frame)]
        return _largest(np.hypot(away[:, 0], away[:, 1]))

    @property
    def worst_turn(self) -> float:
        """The largest error (rad) of the side from which the figure is seen."""
        return _largest(self.turn)

    @property
    def worst_px(self) -> float:
        """The largest of all errors; NaN where the figure is never in front of both lenses."""
        return _largest(np.array([self.worst_horizon_px, self.worst_size_px, self.worst_foot_px]))


def _largest(values: Array) -> float:
    found = np.abs(values[np.isfinite(values)])
    return float(found.max()) if len(found) else math.nan


def _seen(cameras: Sequence[Camera], foot: Array, tall: float) -> tuple[Array, Array, Array]:
    points = np.stack([foot, foot + [0.0, tall, 0.0]])
    px = np.array([camera.project(points) for camera in cameras])
    size = np.hypot(px[:, 1, 0] - px[:, 0, 0], px[:, 1, 1] - px[:, 0, 1])
    return np.array([horizon_row(camera) for camera in cameras]), size, px[:, 0]


def effect(move: Move, wanted: Sequence[Camera], got: Sequence[Camera], foot: Array, tall: float) -> Effect:
    """What cameras ``got`` do to a picture that should be seen by ``wanted``, both one a frame of ``move``.

    ``foot`` (3,) m is the foot mark, ``tall`` m the figure's height, both at miniature size.
    """
    horizons, sizes, feet = zip(_seen(wanted, foot, tall), _seen(got, foot, tall), strict=True)
    away = np.array([[camera.position - foot for camera in cameras] for cameras in (wanted, got)])
    round_feet = np.arctan2(away[..., 0], away[..., 2])
    return Effect(
        frames=move.frames,
        station_frame=move.station_frame,
        horizon_px=horizons[1] - horizons[0],
        size_px=sizes[1] - sizes[0],
        foot_px=feet[1] - feet[0],
        turn=np.asarray((round_feet[1] - round_feet[0] + np.pi) % (2.0 * np.pi) - np.pi),
    )


def _between(wanted: Scene, got: Scene) -> Effect:
    one, other = move_of(wanted), move_of(got)
    return effect(one, cameras_of(one), cameras_of(other), foot_point(wanted), figure_height(wanted))


@dataclass(frozen=True, eq=False)
class Miss:
    """One quantity of the miniature camera: what the plate asks for, what the scene has, what that does by itself.

    ``wanted`` and ``has`` are in ``unit`` ("mm", "deg", "mm/s"), miniature size. ``effect`` is that of this quantity
    alone, all others right.
    """

    name: str
    unit: str
    wanted: float
    has: float
    matches: bool
    effect: Effect

    @property
    def difference(self) -> float:
        """What the scene has more than is wanted, in ``unit``."""
        return self.has - self.wanted

    @property
    def difference_pct(self) -> float | None:
        """The difference in percent of what is wanted; None for an angle, or where nothing is wanted."""
        return None if self.unit == "deg" or self.wanted == 0.0 else 100.0 * self.difference / self.wanted

    @property
    def text(self) -> str:
        """A plain sentence."""
        decimals = 2 if self.unit == "deg" else 1
        values = f"{self.name}: wanted {self.wanted:.{decimals}f} {self.unit}"
        if self.matches:
            return f"{values}, as the scene has it"
        share = self.difference_pct
        percent = f" ({share:+.1f} %)" if share is not None else ""
        done = self.effect
        return (
            f"{values}, the scene has {self.has:.{decimals}f} {self.unit}{percent}: horizon off by "
            f"{_px(done.worst_horizon_px)}, figure's height by {_px(done.worst_size_px)}, feet by "
            f"{_px(done.worst_foot_px)}; they slip {_px(done.worst_slip_px, 2)} a frame at most, "
            f"{_px(done.drift_px)} in all"
        )


def _px(value: float, decimals: int = 1) -> str:
    return f"{value:.{decimals}f} px" if math.isfinite(value) else "(not in view)"


def misses(scene: Scene, plate: PlateNumbers) -> tuple[Miss, ...]:
    """Every quantity of the match, those that the scene has right too, in a fixed order.

    Effects are in pixels of the delivered frame. Raises :class:`PlateError` as :func:`scaled_scene` does.
    """
    own = own_numbers(scene)
    matched = scaled_scene(scene, plate)
    at_scale = 1.0 / scene.scale / _MM

    def alone(**changes: Any) -> Effect:
        return _between(matched, scaled_scene(scene, replace(plate, **changes)))

    def length(name: str, wanted: float, has: float, done: Effect) -> Miss:
        same = abs(has - wanted) / scene.scale < _SAME_LENGTH
        return Miss(name, "mm", wanted * at_scale, has * at_scale, same, done)

    def turn(name: str, wanted: float, has: float, done: Effect) -> Miss:
        return Miss(name, "deg", math.degrees(wanted), math.degrees(has), abs(has - wanted) < _SAME_ANGLE, done)

    body, right = scene.camera, matched.camera
    view = alone(lens=own.lens, sensor_width=own.sensor_width, crop=1.0)
    angles = [float(angle_of_view(lens, body.sensor[0])) for lens in (right.lens, body.lens)]
    # a hundredth of a millimetre is finer than any lens is engraved
    lens = Miss("lens", "mm", right.lens / _MM, body.lens / _MM, abs(right.lens - body.lens) < _SAME_LENGTH, view)
    travel = alone(travel=own.travel)
    speeds = [fastest(s) for s in (matched, scene)]
    same_travel = abs(own.travel - plate.travel) / scene.scale < _SAME_LENGTH
    # the plate's shift is worth another length on the scene's sensor
    shifted = tuple(s * plate.used_width / body.sensor[0] for s in body.shift)
    shift = alone(shift=shifted)
    return (
        length("height", plate.height, own.height, alone(height=own.height)),
        length("distance", plate.distance, own.distance, alone(distance=own.distance)),
        length("lateral", plate.lateral, own.lateral, alone(lateral=own.lateral)),
        turn("tilt", plate.tilt, own.tilt, alone(tilt=own.tilt)),
        turn("roll", plate.roll, own.roll, alone(roll=own.roll)),
        lens,
        turn("angle of view", angles[0], angles[1], view),
        *(
            Miss(name, "mm", want / _MM, has / _MM, abs(has - want) < _SAME_LENGTH, shift)
            for name, want, has in zip(("lens shift right", "lens shift up"), right.shift, body.shift, strict=True)
        ),
        length("travel", plate.travel, own.travel, travel),
        Miss("top speed", "mm/s", speeds[0] / _MM, speeds[1] / _MM, same_travel, travel),
    )


def together(scene: Scene, plate: PlateNumbers) -> Effect:
    """What the scene as it is does to the match, all misses together."""
    return _between(scaled_scene(scene, plate), scene)


@dataclass(frozen=True, eq=False)
class RailFit:
    """How a matched move fits a rail.

    ``wanted`` and ``longest`` (m) are the matched travel and the rail's. ``first`` and ``last`` are the frames of the
    longest part (most frames, the station frame among them) that fits, ``start`` and ``end`` (m from the move's start)
    the stretch that the rail covers then. ``held``: the effect of a camera that waits at the rail's ends for the rest
    of the move; ``shortened``: of the whole move drawn together to the rail's length instead. ``reveal_short`` (m) is
    how far short of the reveal frame the rail then ends, 0 where it does not. ``fitting_scale`` is the scale at which
    the whole move would fit.
    """

    wanted: float
    longest: float
    first: int
    last: int
    start: float
    end: float
    held: Effect
    shortened: Effect
    reveal_short: float
    fitting_scale: float

    @property
    def fits(self) -> bool:
        """Whether the whole move fits."""
        return self.wanted <= self.longest + 1e-9

    @property
    def text(self) -> str:
        """Plain sentences."""
        if self.fits:
            return f"the matched move takes {mm_text(self.wanted)} of rail, which fits {mm_text(self.longest)}"
        short = f", {mm_text(self.reveal_short)} short of the reveal" if self.reveal_short > 0.0 else ""
        return (
            f"the matched move takes {mm_text(self.wanted)} and the rail has {mm_text(self.longest)}: frames "
            f"{self.first} to {self.last} fit ({mm_text(self.start)} to {mm_text(self.end)} of the move){short}. "
            f"Waiting at the rail's ends, {_lost(self.held)}; the whole move drawn together, "
            f"{_lost(self.shortened)}. At 1:{math.ceil(self.fitting_scale * 10.0) / 10.0:g} all of it fits."
        )


def _lost(done: Effect) -> str:
    return (
        f"the feet slip {_px(done.worst_slip_px, 2)} a frame at most and stray {_px(done.drift_px)}, and the figure is "
        f"seen up to {deg_text(done.worst_turn)} from the wrong side"
    )


def rail_fit(scene: Scene, plate: PlateNumbers, longest: float) -> RailFit:
    """The longest part of the matched move that fits a rail of ``longest`` m, and what is lost of the match.

    Raises :class:`PlateError` as :func:`scaled_scene` does.
    """
    if not longest > 0.0:
        raise ValueError(f"a rail has a length above 0 m, not {longest}")
    matched = scaled_scene(scene, plate)
    move = move_of(matched)
    gone = np.abs(move.rail)  # from the start of the move, never falling
    station = move.frames.index(move.station_frame)
    reach = longest + 1e-9
    starts = [i for i in range(station + 1) if gone[i] + reach >= gone[station]]
    counts = [int(np.searchsorted(gone, gone[i] + reach, side="right")) - i for i in starts]
    begin = starts[int(np.argmax(counts))]
    last = begin + max(counts) - 1
    start = float(gone[begin])
    end = min(start + longest, float(gone[-1]))
    wanted = cameras_of(move)
    sign = -1.0 if plate.travel < 0.0 else 1.0
    turns = move.turns(np.arange(len(move.frames)))
    held = [
        move.camera_at(sign * float(rail), turn=turn)
        for rail, turn in zip(np.clip(gone, start, end), turns, strict=True)
    ]
    travel = min(abs(plate.travel), longest * scene.scale)
    drawn = cameras_of(move_of(scaled_scene(scene, replace(plate, travel=sign * travel))))
    foot, tall = foot_point(scene), figure_height(scene)
    reveal = scene.rail.reveal
    return RailFit(
        wanted=float(gone[-1]),
        longest=longest,
        first=move.frames[begin],
        last=move.frames[last],
        start=start,
        end=end,
        held=effect(move, wanted, held, foot, tall),
        shortened=effect(move, wanted, drawn, foot, tall),
        reveal_short=0.0 if reveal is None else max(0.0, float(gone[move.frames.index(reveal)]) - end),
        fitting_scale=max(scene.scale, scene.scale * float(gone[-1]) / longest),
    )
