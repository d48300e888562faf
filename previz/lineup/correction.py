"""What to do to bring the camera back, in the rig's own terms, each with how sure it is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.stats import t as student

from previz.camera import Camera
from previz.geometry import Array, unit
from previz.lineup.solve import CameraFit, nudged
from previz.units import deg_text, mm_text

# sine of the climb from which a rail is not level: a tenth of a degree, as a bubble shows it
_LEVEL: Final = 0.00175

# differentiation steps: m, rad, ln focal
_STEPS: Final = np.array([1e-6] * 3 + [1e-6] * 3 + [1e-6])


@dataclass(frozen=True)
class Step:
    """One thing to set: ``change`` and ``give`` (half of its 95 % interval) in m, rad or share of the focal length.

    ``sure`` is whether the change is beyond what may be chance; ``words`` say what to do.
    """

    name: str
    unit: str
    change: float
    give: float
    words: str

    @property
    def sure(self) -> bool:
        """Whether the change is larger than its interval."""
        return abs(self.change) > self.give


def head_angles(world_from_cam: Array) -> Array:
    """Pan, tilt and roll (3,) rad that a pan head reads: the inverse of :func:`previz.geometry.turned`."""
    m = world_from_cam[:3, :3]
    tilt = math.asin(float(np.clip(-m[1, 2], -1.0, 1.0)))
    pan = math.atan2(-m[0, 2], m[2, 2])
    roll = math.atan2(-m[1, 0], m[1, 1])
    return np.array([pan, tilt, roll])


def rig_axes(along: Array) -> Array:
    """The ways (3, 3) a rig moves: along the rail, upwards, and across both; rows are unit vectors."""
    first = unit(along)
    lift = np.array([0.0, 1.0, 0.0]) if abs(first[1]) < 0.9 else np.array([0.0, 0.0, 1.0])
    second = unit(lift - (lift @ first) * first)
    third = np.cross(first, second)
    # away from the wall; for a rail that leads there, to camera right
    way = third[int(np.argmax(np.abs(third)))]
    return np.stack([first, second, third if way > 0.0 else -third])


def changes(real: Camera, wanted: Camera, along: Array) -> Array:
    """From the real camera to the wanted one (7,): along the rail, up, across both (m), pan, tilt,
    roll (rad) as a head reads them, focal length (share). Both cameras have one frame size."""
    shift = rig_axes(along) @ (wanted.position - real.position)
    turn = head_angles(wanted.world_from_cam) - head_angles(real.world_from_cam)
    turn = (turn + math.pi) % (2.0 * math.pi) - math.pi
    return np.array([*shift, *turn, wanted.focal_px / real.focal_px - 1.0])


def correction(found: CameraFit, wanted: Camera, along: Array) -> tuple[Step, ...]:
    """The seven steps from a found camera to the wanted one."""
    change = changes(found.camera, wanted, along)
    slope = np.empty((7, 7))
    for k, step in enumerate(_STEPS):
        small = np.zeros(7)
        small[k] = step
        slope[:, k] = (changes(nudged(found.camera, small), wanted, along) - change) / step
    spread = np.sqrt(np.maximum(np.diag(slope @ found.covariance[:7, :7] @ slope.T), 0.0))
    give = spread * float(student.ppf(0.975, found.freedom))
    axis = rig_axes(along)
    leans = abs(float(axis[0][1])) > _LEVEL
    names = ("slide", "height", "distance", "pan", "tilt", "roll", "focal length")
    units = ("mm", "mm", "mm", "deg", "deg", "deg", "%")
    return tuple(
        Step(name, what, float(value), float(half), _words(name, float(value), float(half), axis[min(k, 2)], leans))
        for k, (name, what, value, half) in enumerate(zip(names, units, change, give, strict=True))
    )


def plumb_words(real: Camera, wanted: Camera, along: Array) -> str:
    """The three shifts once more by plumb line and level, for a rail that climbs or falls; empty for a level one.

    On such a rail "slide" goes along it and "raise" square to it: done plumb they leave the camera aside.
    """
    if abs(float(rig_axes(along)[0][1])) <= _LEVEL:
        return ""
    right, up, out = (float(v) for v in wanted.position - real.position)
    ways = (
        (right, "to the right", "to the left"),
        (up, "up", "down"),
        (out, "away from the wall", "towards the wall"),
    )
    told = ", ".join(f"{mm_text(abs(value))} {more if value > 0.0 else less}" for value, more, less in ways)
    return f"the same by plumb line and level, instead of slide, raise and move: {told}"


def _words(name: str, change: float, give: float, axis: Array, leans: bool) -> str:
    size = abs(change)
    if name in ("slide", "height", "distance"):
        amount, sure = mm_text(size), f"+-{mm_text(max(give, 5e-5))}"
    elif name == "focal length":
        amount, sure = f"{size * 100.0:.2f} %", f"+-{max(give * 100.0, 0.01):.2f} %"
    else:
        amount, sure = deg_text(size, 2), f"+-{deg_text(max(give, math.radians(0.005)), 2)}"
    if size <= give:
        return f"{name}: leave it ({sure})"
    side = change > 0.0
    if name in ("slide", "height", "distance"):
        verb = _shifted(name, amount, axis if side else -axis)
        if leans:
            verb += {"slide": " along the rail", "height": " square to the rail", "distance": ""}[name]
    elif name == "pan":
        verb = f"pan {amount} to the {'right' if side else 'left'}"
    elif name == "tilt":
        verb = f"tilt {amount} {'up' if side else 'down'}"
    elif name == "roll":
        verb = f"roll {amount} {'clockwise' if side else 'counter-clockwise'}"
    else:
        verb = f"make the focal length {amount} {'longer' if side else 'shorter'}"
    return f"{verb} ({sure})"


def _shifted(name: str, amount: str, direction: Array) -> str:
    k = int(np.argmax(np.abs(direction)))
    side = int(direction[k] > 0.0)
    if k == 1 and name != "slide":
        return f"{('lower', 'raise')[side]} {amount}"
    ways = (("to the left", "to the right"), ("down", "up"), ("towards the wall", "away from the wall"))
    return f"{'slide' if name == 'slide' else 'move'} {amount} {ways[k][side]}"
