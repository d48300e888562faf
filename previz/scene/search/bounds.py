"""Bounds of a search that cannot be searched within, and why not."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from difflib import get_close_matches
from typing import Any

from previz.scene.faults import Reason
from previz.scene.model import Card, Lamp, Scene
from previz.scene.move import FIRST_FRAME
from previz.scene.search.asked import MovableCard
from previz.units import deg_text, mm_text

# bounds in the order of the file, and how their values are written
BOUNDS: dict[str, Callable[[Any], str]] = {
    "height": mm_text,
    "distance": mm_text,
    "lateral": mm_text,
    "distance_with_lens": mm_text,
    "tilt": deg_text,
    "pan": deg_text,
    "lens": mm_text,
    "rail_angle": deg_text,
    "rail_length": mm_text,
    "rail_pan": deg_text,
    "stand": str,
    "slide": str,
    "station": str,
    "bridge_length": mm_text,
    "bridge_width": mm_text,
    "bridge_taper": str,
    "bridge_height": mm_text,
    "wall_turn": deg_text,
}

# the same of a lamp or a card that may be moved
LIGHT_BOUNDS: dict[str, Callable[[Any], str]] = {"x": mm_text, "y": mm_text, "z": mm_text, "size": mm_text, "lux": str}


def bound_reasons(scene: Scene) -> Iterator[Reason]:
    """Reasons why the scene's ``[search]`` cannot be used, in the order of its keys."""
    search = scene.search
    if search is None:
        return
    for name, text in BOUNDS.items():
        yield from _pair(("search", name), getattr(search, name), text)
    if search.lens is not None and search.lenses is not None:
        yield Reason(("search", "lenses"), "one of lens and lenses: a zoom, or the lenses at hand", "both")
    if search.wall is not None and search.wall[0] == search.wall[1]:
        yield Reason(("search", "wall"), '["kept", "free"], to choose between', f'"{search.wall[0]}" twice')
    if search.wall_turn is not None and scene.wall.kind is None:
        expected = "a wall made by kind: no other has a pattern that can be turned"
        yield Reason(("search", "wall_turn"), expected, "another", "leave out wall_turn")
    if search.distance_with_lens is not None:
        for name in ("distance", "lens", "lenses"):
            if getattr(search, name) is not None:
                expected = f"one of distance_with_lens and {name}: the one moves both, distance and lens"
                yield Reason(("search", name), expected, "both", "leave out one of them")
    yield from _moves(scene)
    yield from _lights("lamp", search.lamp, scene.lamps)
    yield from _lights("card", search.card, scene.cards)
    rail = scene.rail
    if search.rail_angle is not None and (rail.along == "arc" or rail.radius):
        yield Reason(("search", "rail_angle"), "a straight rail to turn", "a curved one", "leave out rail_angle")
    if search.rail_length is not None and rail.pauses and min(search.rail_length) <= rail.pauses[-1].at:
        expected = f"rails longer than the last pause, {mm_text(rail.pauses[-1].at)} from the start"
        yield Reason(("search", "rail_length"), expected, mm_text(min(search.rail_length)))
    if search.station is not None:
        last = FIRST_FRAME + rail.frames - 1
        if not FIRST_FRAME <= min(search.station) <= max(search.station) <= last:
            expected = f"frames of the move, {FIRST_FRAME} to {last}"
            yield Reason(("search", "station"), expected, str(list(search.station)))
    if scene.bridge.mesh is not None:
        for name in ("bridge_length", "bridge_width", "bridge_taper", "bridge_height"):
            if getattr(search, name) is not None:
                yield Reason(("search", name), "a plain slab whose shape can change", "a modelled bridge")


def _pair(loc: tuple[str | int, ...], pair: tuple[Any, Any] | None, text: Callable[[Any], str]) -> Iterator[Reason]:
    """Bounds between which there is nothing."""
    if pair is not None and not pair[0] < pair[1]:
        found = f"[{text(pair[0])}, {text(pair[1])}]"
        hint = "swap the two" if pair[0] > pair[1] else "what does not change needs no bounds"
        yield Reason(loc, "a lowest value below the highest", found, hint)


def _moves(scene: Scene) -> Iterator[Reason]:
    """Stands and slides that do not go into the shot, and pans that cannot be."""
    search, rail = scene.search, scene.rail
    if search is None:
        return
    paused = sum(pause.frames for pause in rail.pauses)
    stand = rail.stand if search.stand is None else max(search.stand)
    if search.slide is not None:
        room = rail.frames - paused - stand
        if max(search.slide) > room:
            expected = f"at most the {max(room, 0)} of the shot's {rail.frames} frames that standing leaves"
            yield Reason(("search", "slide"), expected, str(list(search.slide)), "or more frames under [rail]")
        elif min(search.slide) < len(rail.pauses) + 2:
            expected = f"slides of at least {len(rail.pauses) + 2} frames"
            yield Reason(("search", "slide"), expected, str(list(search.slide)))
    elif search.stand is not None:
        room = rail.frames - paused - rail.stand_after - len(rail.pauses) - 2
        if stand > room:
            expected = f"at most {max(room, 0)} of the shot's {rail.frames} frames, so that some are left to slide"
            yield Reason(("search", "stand"), expected, str(list(search.stand)), "or more frames under [rail]")
    if search.rail_pan is not None and not isinstance(rail.aim, str):
        expected = "no rail_pan where aim is a point: the camera turns to keep that point in place"
        yield Reason(("search", "rail_pan"), expected, "both", "leave out rail_pan, or aim under [rail]")


def _lights(kind: str, asked: Sequence[MovableCard], there: Sequence[Lamp | Card]) -> Iterator[Reason]:
    """Lamps or cards that are not there, are named twice or have no bounds to move within."""
    names = [thing.name for thing in there]
    for i, one in enumerate(asked):
        loc = ("search", kind, i)
        if one.name not in names:
            expected = f"a {kind} of the scene" + (f": {', '.join(names)}" if names else ", which has none")
            near = get_close_matches(one.name, names, 1, 0.5)
            hint = f'did you mean "{near[0]}"?' if near else "" if names else f"add a [[{kind}]] table first"
            yield Reason((*loc, "name"), expected, f'"{one.name}"', hint)
        if one.name in [other.name for other in asked[:i]]:
            yield Reason((*loc, "name"), f"each {kind} once", f'"{one.name}" again', "put its bounds into one table")
        bounds = {name: getattr(one, name, None) for name in LIGHT_BOUNDS}
        if all(pair is None for pair in bounds.values()):
            keys = "x, y, z, size" + (" and lux" if kind == "lamp" else "")
            yield Reason(loc, f"bounds for at least one of {keys}", "none", 'like x = ["-200 mm", "200 mm"]')
        for name, pair in bounds.items():
            yield from _pair((*loc, name), pair, LIGHT_BOUNDS[name])
