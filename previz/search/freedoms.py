"""What a search may change: every value on a ladder of written quantities, so that what is judged is what is written.

A candidate is a handful of texts such as ``"432.5 mm"``. The scene that is judged and the scene file that is written
read the same texts, so both hold the same numbers to the last bit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np

from previz import units
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.source import Loc

# text of a value by the name of its bounds
Values = Mapping[str, str]

# bounds, in the order of the scene file: unit and step of what is written. Steps are as fine as a rig is set up or
# a bridge is cut (common practice, no source).
_STEPS: dict[str, tuple[str, str]] = {
    "height": ("mm", "0.1"),
    "distance": ("mm", "0.1"),
    "lateral": ("mm", "0.1"),
    "tilt": ("deg", "0.01"),
    "pan": ("deg", "0.01"),
    "lens": ("mm", "0.1"),
    "rail_angle": ("deg", "0.1"),
    "rail_length": ("mm", "0.1"),
    "station": ("", "1"),
    "bridge_length": ("mm", "1"),
    "bridge_width": ("mm", "0.5"),
    "bridge_taper": ("", "0.01"),
    "bridge_height": ("mm", "0.5"),
}
NAMES = tuple(_STEPS)

# narrow bounds still have this many steps
_FEWEST_STEPS = 20

_PLAIN_PATHS: dict[str, Loc] = {
    "height": ("camera", "position", 1),
    "distance": ("camera", "position", 2),
    "lateral": ("camera", "position", 0),
    "tilt": ("camera", "tilt"),
    "pan": ("camera", "pan"),
    "lens": ("camera", "lens"),
    "bridge_length": ("bridge", "length"),
    "bridge_width": ("bridge", "width"),
    "bridge_height": ("bridge", "thickness"),
}


@dataclass(frozen=True)
class Freedom:
    """One thing that may change: whole numbers of ``step`` from ``lowest`` to ``highest``, or one of ``choices``."""

    name: str
    unit: str
    step: Decimal
    lowest: int
    highest: int
    choices: tuple[str, ...] = ()

    def text(self, share: float) -> str:
        """The value at ``share``, 0 to 1, of the way from lowest to highest, as it is written."""
        share = min(max(share, 0.0), 1.0)
        if self.choices:
            return self.choices[min(int(share * len(self.choices)), len(self.choices) - 1)]
        number = self.lowest + round(share * (self.highest - self.lowest))
        return with_unit(number * self.step, self.unit)

    def share(self, value: float) -> float:
        """Where a value (inside unit) lies between lowest, 0, and highest, 1; held at the ends."""
        if self.choices:
            near = min(range(len(self.choices)), key=lambda i: abs(number_of(self.choices[i]) - value))
            return (near + 0.5) / len(self.choices)
        steps = value / (_size(self.unit) * float(self.step))
        return min(max((steps - self.lowest) / max(self.highest - self.lowest, 1), 0.0), 1.0)


def with_unit(number: Decimal, unit: str) -> str:
    """A number and its unit as a scene file has them, without idle noughts: ``432.5 mm``."""
    text = f"{number.normalize():f}"
    text = "0" if text == "-0" else text
    return f"{text} {unit}" if unit else text


def number_of(text: str) -> float:
    """The value of a written quantity in the inside unit."""
    if text.endswith("mm"):
        return units.length(text)
    return units.angle(text) if text.endswith("deg") else float(text)


def _size(unit: str) -> float:
    return {"mm": 1e-3, "deg": math.pi / 180.0, "": 1.0}[unit]


def freedoms_of(scene: Scene) -> list[Freedom]:
    """What the scene's ``[search]`` sets bounds to, in its order; none where there are none."""
    search = scene.search
    if search is None:
        return []
    out = []
    for name, (unit, text) in _STEPS.items():
        if name == "lens" and search.lenses is not None:
            choices = tuple(_written(lens, "mm") for lens in dict.fromkeys(search.lenses))
            out.append(Freedom("lens", "mm", Decimal("0.1"), 0, len(choices) - 1, choices))
            continue
        bounds = getattr(search, name)
        if bounds is None:
            continue
        low, high = (float(bound) / _size(unit) for bound in bounds)
        step = Decimal(text)
        while name != "station" and (high - low) / float(step) < _FEWEST_STEPS:
            step /= 10
        # a bound that is written as whole steps is one of the values
        lowest, highest = math.ceil(low / float(step) - 1e-6), math.floor(high / float(step) + 1e-6)
        out.append(Freedom(name, unit, step, lowest, max(highest, lowest)))
    return out


def _written(value: float, unit: str) -> str:
    """Shortest text of a value (inside unit) to a millionth of its written unit."""
    return with_unit(Decimal(f"{value / _size(unit):.6f}"), unit)


def values_of(freedoms: list[Freedom], shares: np.ndarray[Any, Any]) -> dict[str, str]:
    """Texts of a candidate, ``shares`` (N,) from 0 to 1."""
    return {freedom.name: freedom.text(float(share)) for freedom, share in zip(freedoms, shares, strict=True)}


def own_values(scene: Scene) -> dict[str, str]:
    """Texts of the scene's own values, for tables; shortest to a millionth of a millimetre or degree."""
    body, rail, bridge = scene.camera, scene.rail, scene.bridge
    across, _, out = (0.0, 0.0, 0.0) if rail.along == "arc" else rail.along
    return {
        "height": _written(body.position[1], "mm"),
        "distance": _written(body.position[2], "mm"),
        "lateral": _written(body.position[0], "mm"),
        "tilt": _written(body.tilt, "deg"),
        "pan": _written(body.pan, "deg"),
        "lens": _written(body.lens, "mm"),
        "rail_angle": _written(math.atan2(out, across), "deg") if rail.along != "arc" else "",
        "rail_length": _written(abs(rail.travel), "mm"),
        "station": str(move_of(scene).station_frame),
        "bridge_length": _written(bridge.length, "mm"),
        "bridge_width": _written(bridge.width, "mm"),
        "bridge_taper": f"{bridge.taper:g}",
        "bridge_height": _written(bridge.thickness, "mm"),
    }


def own_shares(scene: Scene, freedoms: list[Freedom]) -> np.ndarray[Any, Any]:
    """Where the scene's own values lie between the bounds, (N,) from 0 to 1."""
    own = own_values(scene)
    return np.array([freedom.share(number_of(own[freedom.name] or "0 deg")) for freedom in freedoms])


def changes_of(base: Scene, values: Values) -> dict[Loc, Any]:
    """What a candidate changes in the scene file: values as TOML has them, by key path.

    The plane in focus stays where it is in the set: where the camera moves, its focus distance follows.
    """
    out: dict[Loc, Any] = {path: values[name] for name, path in _PLAIN_PATHS.items() if name in values}
    if "bridge_taper" in values:
        out["bridge", "taper"] = float(values["bridge_taper"])
    if "rail_length" in values:
        out["rail", "travel"] = f"-{values['rail_length']}" if base.rail.travel < 0.0 else values["rail_length"]
    if "rail_angle" in values:
        angle = units.angle(values["rail_angle"])
        out["rail", "along"] = [round(math.cos(angle), 9) + 0.0, 0.0, round(math.sin(angle), 9) + 0.0]
    if "station" in values:
        out["rail", "station"] = int(values["station"])
    focus = _focus(base, out)
    if focus is not None:
        out["camera", "focus"] = focus
    return out


def _focus(base: Scene, changes: Mapping[Loc, Any]) -> str | None:
    """The focus distance that keeps the point in focus on the axis in focus; None where nothing is to be changed."""
    moved = any(loc[0] == "camera" and loc[1] in ("position", "tilt", "pan") for loc in changes)
    if base.camera.focus is None or not moved:
        return None
    before = _camera(base)
    point = before.position + base.camera.focus * before.forward
    distance = float(_camera(_with(base, changes)).depth(point))
    return with_unit(Decimal(f"{1e3 * distance:.1f}"), "mm")


def _camera(scene: Scene) -> Any:
    move = move_of(scene)
    return move.camera(move.station_frame)


def _with(base: Scene, changes: Mapping[Loc, Any]) -> Scene:
    data = base.model_dump()
    for loc, value in changes.items():
        table: Any = data
        for depth, step in enumerate(loc[:-1]):
            if isinstance(table[step], tuple):
                table[step] = list(table[step])
            table = table[step]
            if table is None:
                raise ValueError(f"the scene has no {loc[: depth + 1]}")
        table[loc[-1]] = value
    return Scene.model_validate({**data, "folder": base.folder})


def placed(base: Scene, values: Values) -> Scene:
    """The scene with a candidate's values. Raises ``pydantic.ValidationError`` for values that no scene can have."""
    return _with(base, changes_of(base, values)) if values else base
