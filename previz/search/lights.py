"""Lamps and cards as a search may move them: place, size and brightness of those that the scene names."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from previz import units
from previz.scene.model import Card, Lamp, Scene
from previz.scene.search.asked import MovableCard
from previz.scene.source import Loc
from previz.search.ladders import Freedom, bounded, with_unit, written

# unit and step of what is written; steps are as fine as a stand is set up and a dimmer turned (common practice, no
# source)
_STEPS = {"x": ("mm", "1"), "y": ("mm", "1"), "z": ("mm", "1"), "size": ("mm", "1"), "lux": ("", "1")}

_AXES = ("x", "y", "z")


def movable(scene: Scene) -> Iterator[tuple[str, int, Lamp | Card, MovableCard]]:
    """The lamps and cards that may change: "lamp" or "card", its number in the scene, the thing and its bounds."""
    if scene.search is None:
        return
    lamps: tuple[str, Sequence[Lamp | Card], Sequence[MovableCard]] = ("lamp", scene.lamps, scene.search.lamp)
    cards: tuple[str, Sequence[Lamp | Card], Sequence[MovableCard]] = ("card", scene.cards, scene.search.card)
    for kind, things, asked in (lamps, cards):
        numbers = {thing.name: k for k, thing in enumerate(things)}
        for one in asked:
            number = numbers[one.name]
            yield kind, number, things[number], one


def light_name(kind: str, thing: Lamp | Card, key: str) -> str:
    """What a lamp's or a card's freedom is called: ``lamp key x``."""
    return f"{kind} {thing.name} {key}"


def light_freedoms(scene: Scene) -> list[Freedom]:
    """What the scene's ``[[search.lamp]]`` and ``[[search.card]]`` set bounds to, in their order."""
    out = []
    for kind, _, thing, one in movable(scene):
        for key, (unit, step) in _STEPS.items():
            bounds = getattr(one, key, None)
            if bounds is not None:
                out.append(bounded(light_name(kind, thing, key), bounds, unit, step))
    return out


def own_light_values(scene: Scene) -> dict[str, str]:
    """Texts of the scene's own lamps and cards, for what may change of them."""
    out = {}
    for kind, _, thing, one in movable(scene):
        for key in _STEPS:
            if getattr(one, key, None) is None:
                continue
            if key in _AXES:
                text = written(thing.position[_AXES.index(key)], "mm")
            elif key == "size":
                text = written(max(_sides(thing)), "mm")
            else:
                text = written(getattr(thing, key), "")
            out[light_name(kind, thing, key)] = text
    return out


def light_changes(base: Scene, values: Mapping[str, str]) -> dict[Loc, Any]:
    """What values of lamps and cards change in the scene file."""
    out: dict[Loc, Any] = {}
    for kind, number, thing, _ in movable(base):
        given = {key: values[name] for key in _STEPS if (name := light_name(kind, thing, key)) in values}
        if "position" in thing.model_fields_set:
            for axis, key in enumerate(_AXES):
                if key in given:
                    out[kind, number, "position", axis] = given[key]
        elif any(key in given for key in _AXES):
            places = [written(place, "mm") for place in thing.position]
            out[kind, number, "position"] = [given.get(key, places[axis]) for axis, key in enumerate(_AXES)]
        if "size" in given:
            out[kind, number, "size"] = _size_text(thing, given["size"])
        if "lux" in given:
            lux = float(given["lux"])
            out[kind, number, "lux"] = int(lux) if lux.is_integer() else lux
    return out


def _sides(thing: Lamp | Card) -> tuple[float, float]:
    return thing.face if isinstance(thing, Lamp) else thing.size


def _size_text(thing: Lamp | Card, longer: str) -> str:
    """A face whose longer side is ``longer``, in the proportions of the thing's own; a disc's diameter."""
    if isinstance(thing, Lamp) and (thing.is_disc or thing.is_point):
        return longer
    sides = _sides(thing)
    times = units.length(longer) / max(sides)
    width, height = (with_unit(Decimal(f"{1e3 * times * side:.1f}"), "").strip() for side in sides)
    return f"{width} x {height} mm"
