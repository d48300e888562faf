"""Bounds of a search that cannot be searched within, and why not."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from previz.scene.faults import Reason
from previz.scene.model import Scene
from previz.scene.move import FIRST_FRAME
from previz.units import deg_text, mm_text

# bounds in the order of the file, and how their values are written
BOUNDS: dict[str, Callable[[Any], str]] = {
    "height": mm_text,
    "distance": mm_text,
    "lateral": mm_text,
    "tilt": deg_text,
    "pan": deg_text,
    "lens": mm_text,
    "rail_angle": deg_text,
    "rail_length": mm_text,
    "station": str,
    "bridge_length": mm_text,
    "bridge_width": mm_text,
    "bridge_taper": str,
    "bridge_height": mm_text,
}


def bound_reasons(scene: Scene) -> Iterator[Reason]:
    """Reasons why the scene's ``[search]`` cannot be used, in the order of its keys."""
    search = scene.search
    if search is None:
        return
    for name, text in BOUNDS.items():
        pair = getattr(search, name)
        if pair is not None and not pair[0] < pair[1]:
            found = f"[{text(pair[0])}, {text(pair[1])}]"
            hint = "swap the two" if pair[0] > pair[1] else "what does not change needs no bounds"
            yield Reason(("search", name), "a lowest value below the highest", found, hint)
    if search.lens is not None and search.lenses is not None:
        yield Reason(("search", "lenses"), "one of lens and lenses: a zoom, or the lenses at hand", "both")
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
