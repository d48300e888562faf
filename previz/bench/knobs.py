"""What can be set by hand on the bench: where each value stands in a scene, and how a scene file writes it."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.source import Loc

# a value as a scene file holds it
Written = str | int | float

# the longest text that is taken for a value
LONGEST = 60

# a number without a unit; the minus may be a typographic one
_BARE = re.compile(r"[+\-\u2212]?\s*(?:[0-9]+\.?[0-9]*|\.[0-9]+)")

# what a number without a unit is taken to be: the unit in which the page shows values of its kind
_SHOWN_UNIT = {"length": "{} mm", "angle": "{} deg", "stop": "f/{}"}


@dataclass(frozen=True)
class Knob:
    """One value. ``kind`` says how it is written: length, angle, stop, frame, number or choice.

    ``of`` gives the value that a scene has, in inside units, None where it has none. ``low`` and ``high`` bound what a
    slider reaches (inside units); what is typed may lie outside, as far as the scene allows. ``sets`` is whether the
    set itself is another one with another value.
    """

    name: str
    label: str
    loc: Loc
    kind: str
    of: Callable[[Scene], float | int | str | None]
    low: float = 0.0
    high: float = 1.0
    sets: bool = False
    choices: tuple[str, ...] = ()


def _by_rule(name: str) -> Callable[[Scene], float | None]:
    """A measure of the bridge; none of a modelled one, whose mesh says it."""
    return lambda scene: getattr(scene.bridge, name) if scene.bridge.mesh is None else None


def _position(axis: int) -> Callable[[Scene], float]:
    return lambda scene: scene.camera.position[axis]


KNOBS: dict[str, Knob] = {
    knob.name: knob
    for knob in (
        Knob("right", "to the right", ("camera", "position", 0), "length", _position(0), -0.6, 0.6),
        Knob("up", "height", ("camera", "position", 1), "length", _position(1), -0.2, 1.0),
        Knob("out", "distance", ("camera", "position", 2), "length", _position(2), 0.4, 4.0),
        Knob("tilt", "tilt", ("camera", "tilt"), "angle", lambda s: s.camera.tilt, -0.7, 0.35),
        Knob("pan", "pan", ("camera", "pan"), "angle", lambda s: s.camera.pan, -0.5, 0.5),
        Knob("lens", "lens", ("camera", "lens"), "length", lambda s: s.camera.lens, 0.012, 0.135),
        Knob("stop", "stop", ("camera", "stop"), "stop", lambda s: s.camera.stop, 2.0, 45.0),
        Knob("focus", "focus", ("camera", "focus"), "length", lambda s: s.camera.focus, 0.3, 4.0),
        Knob("travel", "travel", ("rail", "travel"), "length", lambda s: s.rail.travel, 0.0, 0.6),
        Knob("hold_first", "hold from", ("rail", "hold", 0), "frame", lambda s: s.rail.hold[0]),
        Knob("station", "station", ("rail", "station"), "frame", lambda s: move_of(s).station_frame),
        Knob("hold_last", "hold to", ("rail", "hold", 1), "frame", lambda s: s.rail.hold[1]),
        Knob("reveal", "reveal by", ("rail", "reveal"), "frame", lambda s: s.rail.reveal),
        Knob("length", "length", ("bridge", "length"), "length", _by_rule("length"), 0.2, 1.6, sets=True),
        Knob("width", "width", ("bridge", "width"), "length", _by_rule("width"), 0.01, 0.25, sets=True),
        Knob(
            "thickness", "thickness", ("bridge", "thickness"), "length", _by_rule("thickness"), 0.002, 0.06,
            sets=True,
        ),
        Knob("taper", "taper", ("bridge", "taper"), "number", _by_rule("taper"), 0.4, 1.6, sets=True),
        Knob(
            "paint", "paint", ("bridge", "paint"), "choice", lambda s: s.bridge.paint, sets=True,
            choices=("bare", "wash", "projected", "solved"),
        ),
    )
}  # fmt: skip


def written(knob: Knob, value: float | int | str) -> Written:
    """A value as the scene file writes it: a number in inside units becomes text with its unit.

    Lengths go to a tenth of a millimetre, angles to a hundredth of a degree, stops to a tenth. Text is taken as it is,
    a bare number in the unit that the page shows: the scene's own reader judges it.
    """
    if isinstance(value, str):
        text = value.strip()
        if knob.kind in ("frame", "number"):
            return _plain_number(text)
        if knob.kind in _SHOWN_UNIT and _BARE.fullmatch(text):
            return _SHOWN_UNIT[knob.kind].format(text.replace("\u2212", "-"))
        return text
    if knob.kind == "length":
        return f"{_trimmed(value * 1e3, 1)} mm"
    if knob.kind == "angle":
        return f"{_trimmed(math.degrees(value), 2)} deg"
    if knob.kind == "stop":
        return f"f/{_trimmed(value, 1)}"
    if knob.kind == "frame":
        return round(value)
    if knob.kind == "number":
        return round(float(value), 3)
    return str(value)


def shown(knob: Knob, scene: Scene) -> str:
    """The value that a scene has, as the page shows it; empty where it has none.

    Lengths are shown to a micrometre, angles to a thousandth of a degree: finer than a hand sets them, so that what a
    file says is not rounded away.
    """
    value = knob.of(scene)
    if value is None:
        return ""
    if knob.kind == "angle":
        return f"{_trimmed(math.degrees(float(value)), 3)} deg"
    if knob.kind == "length":
        return f"{_trimmed(1e3 * float(value), 3)} mm"
    return str(written(knob, value))


def in_data(knob: Knob, data: dict[str, Any]) -> Any:
    """What the data of a scene file hold at a knob's place, None where there is nothing."""
    value: Any = data
    for step in knob.loc:
        try:
            value = value[step]
        except (KeyError, IndexError, TypeError):
            return None
    return value


def _trimmed(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "") else text


def _plain_number(text: str) -> Written:
    try:
        return int(text)
    except ValueError:
        pass
    try:
        number = float(text)
    except ValueError:
        return text
    return number if math.isfinite(number) else text
