"""The card of the day, beside the settings: where the rail lies, focus by tape, marks on the floor, order of work."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from previz.command.rig.rigfacts import RigFacts, mark_rows, solid
from previz.deliver.rig.rigdata import CardTable, Measure
from previz.geometry import Array
from previz.scene.model import Card, Lamp
from previz.scene.rig.railplace import MEASURE_PUPIL, floor_of, pupil_from_sensor, rail_place
from previz.scene.shape import bridge_shape
from previz.scene.timetable import stretches
from previz.stage.prepare import continues_wall
from previz.units import deg_text, inches_text, mm_text

_BOX: Final = "measured"
_DONE: Final = "done"


def _length(name: str, metres: float) -> Measure:
    return Measure(name, solid(mm_text(metres)), solid(inches_text(metres)))


def rail_rows(facts: RigFacts) -> tuple[Measure, ...]:
    """How the rail lies: bearing, rise, and the lens over the floor at both ends and at the station point."""
    place, floor = rail_place(facts.move), floor_of(facts.scene).height
    if place.length == 0.0:
        return (_length("lens over floor", float(place.station[1]) - floor),)
    rows = [Measure("runs", place.bearing_words), _length("travel", place.length)]
    if abs(place.climb) < 5e-5:
        rows.append(Measure("rise", "level", "0 deg"))
    else:
        way = "climbs" if place.climb > 0.0 else "falls"
        rows.append(Measure("rise", way, solid(deg_text(abs(place.rise)))))
        rows.append(_length(f"{way}, end to end", abs(place.climb)))
    if facts.scene.rail.radius:
        rows.append(_length("on an arc of radius", abs(facts.scene.rail.radius)))
    for name, at in (("start", place.start), ("station", place.station), ("end", place.end)):
        rows.append(_length(f"lens over floor, {name}", float(at[1]) - floor))
    return tuple(rows)


def rail_values(facts: RigFacts) -> dict[str, Any]:
    """The same as values."""
    place, floor = rail_place(facts.move), floor_of(facts.scene)
    over = {f"{name}_over_floor_mm": 1e3 * (float(at[1]) - floor.height)
            for name, at in (("start", place.start), ("station", place.station), ("end", place.end))}  # fmt: skip
    return {
        "runs": place.bearing_words,
        "bearing_deg": math.degrees(place.bearing),
        "to_camera_right": place.to_right,
        "to_wall": place.to_wall,
        "rise_deg": math.degrees(place.rise),
        "rise_mm": 1e3 * place.climb,
        "travel_mm": 1e3 * place.length,
        "start_mm": [1e3 * float(v) for v in place.start],
        "end_mm": [1e3 * float(v) for v in place.end],
        "floor_mm": 1e3 * floor.height,
        "floor_given": floor.given,
        **over,
    }


def focus_rows(facts: RigFacts) -> tuple[Measure, ...]:
    """Focus by tape: from the entrance pupil and, where it is known how far that lies ahead, from the sensor mark."""
    body, plan = facts.scene.camera, facts.plan
    ahead = pupil_from_sensor(body)
    places = [("focus", plan.focus), ("nearest bridge", plan.move.near), ("farthest wall", plan.move.far)]
    rows = [_length(f"{name}, from the pupil", far) for name, far in places[:1]]
    if ahead is None:
        rows.append(Measure("focus, sensor mark", f"{mm_text(plan.focus, 0)} + P", "P: see focus, below"))
    else:
        rows.append(_length("pupil ahead of sensor mark", ahead))
        rows += [_length(f"{name}, sensor mark", far + ahead) for name, far in places]
    return tuple(rows)


def focus_notes(facts: RigFacts) -> tuple[str, ...]:
    """What tape and floor are measured from."""
    ahead = pupil_from_sensor(facts.scene.camera)
    return (*((MEASURE_PUPIL,) if ahead is None else ()), f"Heights over the floor: {floor_of(facts.scene).words}.")


def measure_table(title: str, rows: Sequence[Measure]) -> CardTable:
    """Measures as a table with boxes to write in."""
    return CardTable(
        title, ("", "set to", "", _BOX), tuple((m.name, m.metric, m.imperial, "") for m in rows),
        (0.30, 0.25, 0.29, 0.16),
    )  # fmt: skip


def stop_table(facts: RigFacts) -> CardTable:
    """Every stand, slide and stop of the shot: frames, seconds while shooting, and where the slide is."""
    rate, move = facts.exposure.rate, facts.move
    rows = []
    for what, first, last in stretches(move.timing, len(move.frames) - 1):
        begin, end = move.rail_at(first), move.rail_at(last)
        where = f"at {mm_text(begin)}" if what != "slides" else f"{mm_text(begin)} to {mm_text(end)}"
        inches = inches_text(begin) if what != "slides" else f"{inches_text(begin)} to {inches_text(end)}"
        rows.append((what, f"{first} to {last}", f"{(last - first) / rate:.2f} s", where, inches))
    return CardTable("the shot", ("", "frames", "lasts", "on the rail", ""), tuple(rows), (0.14, 0.2, 0.14, 0.27, 0.25))


def floor_table(facts: RigFacts) -> CardTable:
    """Marks on the floor: plumb under each place, and how high over the floor it is."""
    floor, place = floor_of(facts.scene).height, rail_place(facts.move)
    points: list[tuple[str, Array]] = [("lens at the station", place.station)]
    if place.length:
        points = [("lens at the start", place.start), *points, ("lens at the end", place.end)]
    shape = bridge_shape(facts.scene)
    points.append(("bridge, near end", np.asarray(shape.near_corners[1])))
    things: list[Lamp | Card] = [*facts.scene.lamps, *facts.scene.cards]
    points += [(thing.name, np.asarray(thing.position)) for thing in things]
    rows = []
    for name, at in points:
        right, up, out = (float(v) for v in at)
        rows.append((name, _aside(right), *(_two(v) for v in (out, up - floor, up)), ""))
    heads = ("plumb under", "from the middle", "out of the wall", "over floor", "over bridge top", _BOX)
    return CardTable("marks on the floor", heads, tuple(rows), (0.22, 0.165, 0.165, 0.165, 0.165, 0.12))


def _aside(right: float) -> str:
    if abs(right) < 5e-4:
        return "on the middle"
    return f"{'right' if right > 0.0 else 'left'}{chr(160)}{_two(abs(right))}"


def _two(metres: float) -> str:
    return f"{solid(mm_text(metres, 0))}\n{solid(inches_text(metres))}"


def order_table(facts: RigFacts, knock: Sequence[str]) -> CardTable:
    """What is done in which order on the day, and when each is right."""
    scene, found = facts.scene, facts.exposure
    place, floor = rail_place(facts.move), floor_of(scene).height
    top = f"bridge's top {mm_text(-floor, 0)} ({inches_text(-floor)}) over the floor, level; sill under the doorway"
    within = knock[0].rstrip(".") if knock and "previz knock" not in knock[0] else "previz knock says how true"
    marks = mark_rows(facts)
    station = next(row for row in marks if row["mark"] == "station point")
    at = f"{station['rail_mm']:.1f} mm ({inches_text(station['rail_mm'] / 1e3)})"
    paint = "paint by guide.pdf, wall and bridge under the set's own lamps" if continues_wall(scene) else "paint"
    steps = [
        ("print", "rig.pdf, markers.pdf and guide.pdf at 100 %", "bars 100 mm and 4 in by a ruler"),
        ("hang", top, within),
        ("rail", f"{place.bearing_words}; lens over floor {mm_text(float(place.start[1]) - floor, 0)} at the start, "
         f"{mm_text(float(place.end[1]) - floor, 0)} at the end", "measured boxes filled; slide runs free"),
        ("line-up", f"slide to the station mark, {at}; photograph with the markers; previz lineup",
         "it says that the camera stands; clamp"),
        ("paint", paint, "nothing of the bridge is found through the lens at the station mark"),
        ("lamp", f"lamps to their marks; grey card at the wall {found.light.wall:.0f} lux, on the bridge "
         f"{found.light.bridge:.0f} lux" if scene.lamps else f"{found.needed:.0f} lux at the wall",
         "meter within 1/3 stop; no edge of a shadow on the wall"),
        ("focus", f"{facts.plan.focus * 1e3:.0f} mm ({inches_text(facts.plan.focus)}) from the pupil, "
         f"f/{scene.camera.stop:g}; see camera for the sensor mark", "near end and wall alike at full size"),
        ("rehearse", f"slide {mm_text(place.length)} in {marks[-1]['time_s']:.2f} s, every mark on its time",
         "hold, reveal and end within a frame"),
        ("take", "marker sheets away, lamps warm, then roll",
         "photograph again after the take: previz lineup --against"),
    ]  # fmt: skip
    rows = tuple((f"{k} {name}", what, right, "") for k, (name, what, right) in enumerate(steps, 1))
    return CardTable("order of work", ("", "what", "right when", _DONE), rows, (0.15, 0.46, 0.31, 0.08))
