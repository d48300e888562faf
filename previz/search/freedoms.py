"""What a search may change: every value on a ladder of written quantities, so that what is judged is what is written.

A candidate is a handful of texts such as ``"432.5 mm"``. The scene that is judged and the scene file that is written
read the same texts, so both hold the same numbers to the last bit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import numpy as np

from previz import units
from previz.scene.faults import SEVERAL
from previz.scene.model import Rail, Scene
from previz.scene.move import move_of
from previz.scene.shape import bridge_shape
from previz.scene.source import Loc
from previz.search.ladders import Freedom, bounded, with_unit, written
from previz.search.lights import light_changes, light_freedoms, own_light_values

# text of a value by the name of its bounds
Values = Mapping[str, str]

# tables that may come several times: what the file calls them, and what the model does
_TABLES = {name: several for several, name in SEVERAL.items()}

# bounds, in the order of the scene file: unit and step of what is written. Steps are as fine as a rig is set up or
# a bridge is cut (common practice, no source).
_STEPS: dict[str, tuple[str, str]] = {
    "height": ("mm", "0.1"),
    "distance": ("mm", "0.1"),
    "lateral": ("mm", "0.1"),
    "distance_with_lens": ("mm", "0.1"),
    "tilt": ("deg", "0.01"),
    "pan": ("deg", "0.01"),
    "lens": ("mm", "0.1"),
    "rail_angle": ("deg", "0.1"),
    "rail_length": ("mm", "0.1"),
    "rail_pan": ("deg", "0.01"),
    "stand": ("", "1"),
    "slide": ("", "1"),
    "station": ("", "1"),
    "bridge_length": ("mm", "1"),
    "bridge_width": ("mm", "0.5"),
    "bridge_taper": ("", "0.01"),
    "bridge_height": ("mm", "0.5"),
    "wall": ("", "1"),
    "wall_turn": ("deg", "1"),
}
NAMES = tuple(_STEPS)

_PLAIN_PATHS: dict[str, Loc] = {
    "height": ("camera", "position", 1),
    "distance": ("camera", "position", 2),
    "lateral": ("camera", "position", 0),
    "tilt": ("camera", "tilt"),
    "pan": ("camera", "pan"),
    "lens": ("camera", "lens"),
    "rail_pan": ("rail", "pan"),
    "bridge_length": ("bridge", "length"),
    "bridge_width": ("bridge", "width"),
    "bridge_height": ("bridge", "thickness"),
    "wall": ("paint", "wall"),
    "wall_turn": ("wall", "turn"),
}


def freedoms_of(scene: Scene) -> list[Freedom]:
    """What the scene's ``[search]`` sets bounds to, in its order; none where there are none."""
    search = scene.search
    if search is None:
        return []
    out = []
    for name, (unit, text) in _STEPS.items():
        if name == "lens" and search.lenses is not None:
            choices = tuple(written(lens, "mm") for lens in dict.fromkeys(search.lenses))
            out.append(Freedom("lens", "mm", Decimal("0.1"), 0, len(choices) - 1, choices))
            continue
        bounds = getattr(search, name)
        if bounds is None:
            continue
        if name == "wall":
            out.append(Freedom("wall", "", Decimal(1), 0, 1, bounds))
            continue
        out.append(bounded(name, bounds, unit, text))
    return out + light_freedoms(scene)


def values_of(freedoms: list[Freedom], shares: np.ndarray[Any, Any]) -> dict[str, str]:
    """Texts of a candidate, ``shares`` (N,) from 0 to 1."""
    return {freedom.name: freedom.text(float(share)) for freedom, share in zip(freedoms, shares, strict=True)}


def own_values(scene: Scene) -> dict[str, str]:
    """Texts of the scene's own values, for tables; shortest to a millionth of a millimetre or degree."""
    body, rail, bridge = scene.camera, scene.rail, scene.bridge
    across, _, out = (0.0, 0.0, 0.0) if rail.along == "arc" else rail.along
    return {
        "height": written(body.position[1], "mm"),
        "distance": written(body.position[2], "mm"),
        "lateral": written(body.position[0], "mm"),
        "distance_with_lens": written(body.position[2], "mm"),
        "tilt": written(body.tilt, "deg"),
        "pan": written(body.pan, "deg"),
        "lens": written(body.lens, "mm"),
        "rail_angle": written(math.atan2(out, across), "deg") if rail.along != "arc" else "",
        "rail_length": written(abs(rail.travel), "mm"),
        "rail_pan": written(rail.pan, "deg"),
        "stand": str(rail.stand),
        "slide": str(rail.frames - rail.stand - rail.stand_after - _paused(rail)),
        "station": str(move_of(scene).station_frame),
        "bridge_length": written(bridge.length, "mm"),
        "bridge_width": written(bridge.width, "mm"),
        "bridge_taper": f"{bridge.taper:g}",
        "bridge_height": written(bridge.thickness, "mm"),
        "wall": scene.paint.wall,
        "wall_turn": written(scene.wall.turn, "deg"),
        **own_light_values(scene),
    }


def own_shares(scene: Scene, freedoms: list[Freedom]) -> np.ndarray[Any, Any]:
    """Where the scene's own values lie between the bounds, (N,) from 0 to 1."""
    own = own_values(scene)
    return np.array([freedom.share_of(own[freedom.name] or "0 deg") for freedom in freedoms])


def changes_of(base: Scene, values: Values) -> dict[Loc, Any]:
    """What a candidate changes in the scene file: values as TOML has them, by key path.

    The plane in focus stays where it is in the set: where the camera moves, its focus distance follows.
    """
    values = {**paired(base, values), **values}
    out: dict[Loc, Any] = {path: values[name] for name, path in _PLAIN_PATHS.items() if name in values}
    if "bridge_taper" in values:
        out["bridge", "taper"] = float(values["bridge_taper"])
    if "rail_length" in values:
        out["rail", "travel"] = f"-{values['rail_length']}" if base.rail.travel < 0.0 else values["rail_length"]
    if "rail_angle" in values:
        angle = units.angle(values["rail_angle"])
        out["rail", "along"] = [round(math.cos(angle), 9) + 0.0, 0.0, round(math.sin(angle), 9) + 0.0]
    if "stand" in values:
        out["rail", "stand"] = int(values["stand"])
    if "slide" in values:
        stood = int(values.get("stand", base.rail.stand)) + _paused(base.rail)
        out["rail", "stand_after"] = base.rail.frames - stood - int(values["slide"])
    if "station" in values:
        out["rail", "station"] = int(values["station"])
    out.update(light_changes(base, values))
    focus = _focus(base, out)
    if focus is not None:
        out["camera", "focus"] = focus
    return out


def shown_values(base: Scene, own: Values, values: Values) -> dict[str, str]:
    """Texts of all that a table says of a candidate: the scene's ``own`` values where it leaves them."""
    out = {**own, **paired(base, values), **values}
    if "stand" in values and "slide" not in values:
        out["slide"] = str(int(own["slide"]) + int(own["stand"]) - int(values["stand"]))
    if base.search is None or base.search.distance_with_lens is None:
        del out["distance_with_lens"]
    return out


def _paused(rail: Rail) -> int:
    """Frames that the slide stands on its way."""
    return sum(pause.frames for pause in rail.pauses)


def paired(base: Scene, values: Values) -> dict[str, str]:
    """Where the lens stands and how long it is for a ``distance_with_lens`` among the values, none without one.

    The lens moves along its own axis, and its focal length grows as its depth to the middle of the bridge does.
    """
    if "distance_with_lens" not in values:
        return {}
    camera = _camera(base)
    depth = float(camera.depth(bridge_shape(base).centre))
    away = units.length(values["distance_with_lens"]) - float(camera.position[2])
    back = away / max(-float(camera.forward[2]), 1e-3)
    lateral, high, _ = camera.position - back * camera.forward
    times = max(1.0 + back / max(depth, 1e-6), 1e-3)
    return {
        "lateral": with_unit(Decimal(f"{1e3 * lateral:.1f}"), "mm"),
        "height": with_unit(Decimal(f"{1e3 * high:.1f}"), "mm"),
        "distance": values["distance_with_lens"],
        "lens": with_unit(Decimal(f"{1e3 * times * base.camera.lens:.2f}"), "mm"),
    }


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
    # a modelled bridge's shape is left out of the file, and stays out
    data["bridge"] = base.bridge.model_dump(exclude_unset=True)
    for loc, value in changes.items():
        table: Any = data
        for depth, step in enumerate(loc[:-1]):
            if isinstance(step, str):
                step = _TABLES.get(step, step)
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
