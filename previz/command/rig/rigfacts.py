"""What stands on the rig card, gathered from a scene: settings, marks, lamps, light, focus, cautions, in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from previz.deliver.rig.rigdata import CardTable, Measure, Notes, Setting
from previz.optics import rate_for_scale
from previz.scene.model import Card, Lamp, Scene
from previz.scene.move import FIRST_FRAME, Move, move_of
from previz.scene.rig.exposure import Exposure, LightLevel, Way, exposure, load, state
from previz.scene.rig.flicker import MAINS, Flicker, flicker, flicker_text, time_text
from previz.scene.rig.focusing import FocusPlan, advice, blur_text, focus_plan
from previz.scene.rig.lightcautions import HOT_DISTANCE
from previz.scene.rig.lightways import ways
from previz.scene.rig.support import Support, support, support_sentences
from previz.scene.shape import bridge_shape
from previz.scene.timetable import is_plain, stretches, top_turn, turning_marks
from previz.units import deg_text, inches_text, mm_text

# a reveal that follows the hold within this (s) comes as a flash: common practice, no source
_SUDDEN = 0.5

# a blank at which no line is broken
_SOLID = "\u00a0"


@dataclass(frozen=True, eq=False)
class RigFacts:
    """Everything that the card is written from."""

    scene: Scene
    move: Move
    plan: FocusPlan
    exposure: Exposure
    ways: tuple[Way, ...]
    flicker: tuple[Flicker, ...]
    support: Support | None
    marks: tuple[tuple[str, int], ...]


def rig_facts(
    scene: Scene, light: LightLevel | None = None, reflectance: tuple[float, float] | None = None
) -> RigFacts:
    """Work them out. ``light`` is baked light, ``reflectance`` the mean of wall and of bridge, where they are known."""
    move = move_of(scene)
    plan = focus_plan(scene, move)
    found = exposure(scene, move, plan, light, *(reflectance or ()))
    return RigFacts(
        scene=scene,
        move=move,
        plan=plan,
        exposure=found,
        ways=tuple(ways(scene, found, plan)),
        flicker=tuple(flicker(found.shutter, found.rate, mains) for mains in MAINS),
        support=support(scene, move),
        marks=_marks(scene, move),
    )


def _marks(scene: Scene, move: Move) -> tuple[tuple[str, int], ...]:
    first, last = scene.rail.hold
    rows = [("start", FIRST_FRAME), ("hold begins", first), ("station point", move.station_frame), ("hold ends", last)]
    if scene.rail.reveal is not None:
        rows.append(("reveal", scene.rail.reveal))
    rows += turning_marks(move.timing, len(move.frames) - 1)
    rows.append(("end", move.frames[-1]))
    return tuple(sorted(rows, key=lambda row: row[1]))


def settings(facts: RigFacts) -> tuple[Setting, ...]:
    """The large boxes."""
    body, found = facts.scene.camera, facts.exposure
    delivered = float(facts.scene.delivery.rate)
    focus = "not given" if body.focus is None else f"{body.focus * 1e3:.0f} mm"
    angle = 360.0 * found.shutter * found.rate
    return (
        Setting("lens", f"{body.lens * 1e3:g} mm", f"on {body.sensor[0] * 1e3:g} x {body.sensor[1] * 1e3:g} mm"),
        Setting("stop", f"f/{body.stop:g}", f"works as f/{facts.plan.working_stop:.1f}"),
        Setting("focus", focus, "all is sharp" if body.focus is None else inches_text(body.focus)),
        Setting("shutter", time_text(found.shutter), f"{angle:.1f} deg"),
        Setting("ISO", f"{body.iso:g}", f"balance {facts.scene.light.white_balance:g} K"),
        Setting("rate", f"{found.rate:.6g}", f"frames/s, delivered {delivered:.6g}"),
    )


def places(facts: RigFacts) -> tuple[Measure, ...]:
    """Where the camera stands at the station point."""
    body = facts.scene.camera
    right, up, out = body.position

    def length(name: str, metres: float) -> Measure:
        return Measure(name, solid(mm_text(metres)), solid(inches_text(metres)))

    rows = [
        length("height over bridge top", up),
        length("distance to wall plane", out),
        length(f"to camera {'right' if right >= 0.0 else 'left'} of middle", abs(right)),
        Measure("tilt", solid(deg_text(body.tilt)), _way(body.tilt, "up", "down", "level")),
        Measure("pan", solid(deg_text(body.pan)), _way(body.pan, "right", "left", "straight")),
        Measure("roll", solid(deg_text(body.roll)), _way(body.roll, "clockwise", "the other way", "level")),
    ]
    gap = float(np.linalg.norm(facts.move.track.through - bridge_shape(facts.scene).near_corners[1]))
    rows.append(length("lens to near end", gap))
    if body.pupil_from_mount != 0.0:
        rows.append(length("pupil ahead of mount", body.pupil_from_mount))
    return tuple(rows)


def _way(angle: float, positive: str, negative: str, zero: str) -> str:
    return zero if angle == 0.0 else positive if angle > 0.0 else negative


def mark_rows(facts: RigFacts) -> list[dict[str, Any]]:
    """The marks of the rail: name, frame, travel (mm) from the start, time (s) at the shooting rate."""
    return [
        {
            "mark": name,
            "frame": frame,
            "rail_mm": 1e3 * facts.move.rail_at(frame),
            "time_s": (frame - FIRST_FRAME) / facts.exposure.rate,
        }
        for name, frame in facts.marks
    ]


def marks_table(facts: RigFacts) -> CardTable:
    """The same for the card."""
    rows = tuple(
        (row["mark"], f"{row['frame']}", solid(mm_text(row["rail_mm"] / 1e3)),
         solid(inches_text(row["rail_mm"] / 1e3)),
         solid(f"{row['time_s']:.2f} s"), "")
        for row in mark_rows(facts)
    )  # fmt: skip
    return CardTable(
        "rail marks", ("", "frame", "travel", "", "time", "measured"), rows, (0.25, 0.12, 0.19, 0.16, 0.12, 0.16)
    )


def solid(text: str) -> str:
    """Text at whose blanks no line is broken."""
    return text.replace(" ", _SOLID)


def _place_text(place: Sequence[float]) -> str:
    return " / ".join(f"{1e3 * v:.0f}" for v in place)


def _inches(place: Sequence[float]) -> str:
    return " / ".join(solid(inches_text(v)) for v in place)


def _tape(length: float) -> str:
    return f"{mm_text(length, 0)}\n{solid(inches_text(length))}"


def _size_text(thing: Lamp | Card) -> str:
    if isinstance(thing, Lamp):
        if thing.is_point:
            return "point"
        if thing.is_disc:
            return f"Ø {thing.face[0] * 1e3:.0f}"
        return f"{thing.face[0] * 1e3:.0f} x {thing.face[1] * 1e3:.0f}"
    return f"{thing.size[0] * 1e3:.0f} x {thing.size[1] * 1e3:.0f}"


def tables(facts: RigFacts) -> tuple[CardTable, ...]:
    """Lamps and cards."""
    scene, out = facts.scene, []
    rows: tuple[tuple[str, ...], ...]
    if scene.lamps:
        rows = tuple(
            (
                lamp.name,
                f"{_place_text(lamp.position)}\n{_inches(lamp.position)}",
                f"{_place_text(lamp.aim)}\n{_inches(lamp.aim)}",
                _size_text(lamp),
                f"{lamp.lux:g}",
                f"{lamp.kelvin:g}",
                "-" if lamp.watts is None else f"{lamp.watts:g}",
                _tape(math.dist(lamp.position, lamp.aim)),
                "",
            )
            for lamp in scene.lamps
        )
        heads = ("lamp", "right / up / out, mm", "aim, mm", "size, mm", "lux at aim", "kelvin", "watts",
                 "tape to aim", "measured")  # fmt: skip
        out.append(CardTable("lamps", heads, rows, (0.11, 0.27, 0.13, 0.10, 0.08, 0.07, 0.06, 0.11, 0.09)))
    if scene.cards:
        rows = tuple(
            (card.name, card.kind, f"{_place_text(card.position)}\n{_inches(card.position)}", _place_text(card.aim),
             _size_text(card), _tape(math.dist(card.position, card.aim)), "")
            for card in scene.cards
        )  # fmt: skip
        names = ("card", "kind", "right / up / out, mm", "aim, mm", "size, mm", "tape to aim", "measured")
        out.append(CardTable("cards", names, rows, (0.16, 0.09, 0.26, 0.15, 0.11, 0.13, 0.10)))
    return tuple(out)


def light_lines(facts: RigFacts) -> tuple[str, ...]:
    """Exposure and the ways to mend it."""
    found, scene = facts.exposure, facts.scene
    if not scene.lamps and scene.light.ambient == 0.0:
        return (f"No lamps in the scene. f/{scene.camera.stop:g} needs {found.needed:.0f} lux at the wall.",)
    tone = ""
    if found.wall_tone != found.wall or found.bridge_tone != found.bridge:
        tone = f" Their own paint: wall {found.wall_tone:+.1f}, bridge {found.bridge_tone:+.1f}."
    lines = [
        f"Exposure {state(found)}.",
        f"Grey card at the wall behind the bridge {found.light.wall:.0f} lux, {found.wall:+.1f} stops; on the bridge "
        f"{found.light.bridge:.0f} lux, {found.bridge:+.1f} stops; mid grey asks {found.needed:.0f} lux.{tone}",
    ]
    lines += [way_text(way) for way in facts.ways]
    return tuple(lines)


def way_text(way: Way) -> str:
    """One way in a sentence."""
    part = "" if way.whole else f" (gives {way.stops:.1f} stops only)"
    cost = "" if way.cost == "-" else f"; cost: {way.cost}"
    return f"{way.name.capitalize()}: {way.what}{part}{cost}."


def motion_lines(facts: RigFacts) -> tuple[str, ...]:
    """Rail speed, smear, flicker and scale-time."""
    found, scene = facts.exposure, facts.scene
    steps = np.abs(np.diff(facts.move.rail))
    fastest = float(steps.max()) if len(steps) else 0.0
    lines = []
    if fastest:
        lines.append(
            f"Rail at its fastest {fastest * 1e3:.2f} mm a frame, {fastest * 1e3 * found.rate:.0f} mm/s while shooting."
        )
        lines.append(
            f"Smear of one exposure: near end {found.hold_smear.near:.1f} px, wall {found.hold_smear.wall:.1f} px at "
            f"the fastest frame of the hold, {found.move_smear.near:.1f} and {found.move_smear.wall:.1f} of the move."
        )
    lines += turn_lines(facts)
    for each in facts.flicker:
        here = ", the mains of this scene" if each.mains == scene.light.mains else ""
        lines.append(f"Lamps that flicker at {2 * each.mains} Hz ({each.mains} Hz mains{here}): {flicker_text(each)}.")
    if scene.scale > 1.0:
        delivered = float(scene.delivery.rate)
        rate = float(rate_for_scale(delivered, scene.scale))
        lines.append(
            f"Anything that falls, flows or smokes in shot: {rate:.0f} frames/s "
            f"for {delivered:.6g} delivered (root of the scale); where nothing does, any rate will do."
        )
    return tuple(lines)


def turn_lines(facts: RigFacts) -> list[str]:
    """What the head does over the move, and when the slide stands; nothing of a plain slide."""
    move, rail, rate = facts.move, facts.scene.rail, facts.exposure.rate
    if is_plain(rail):
        return []
    found = stretches(move.timing, len(move.frames) - 1)
    stood = [f"{first} to {last}" for what, first, last in found if what == "stands"]
    lines = [f"The slide stands in frames {', '.join(stood)}."] if stood and move.timing.pieces else []
    first, last = FIRST_FRAME + move.timing.begins, FIRST_FRAME + move.timing.ends
    begin, end = move.turns([move.timing.begins, move.timing.ends])
    for axis, (name, top) in enumerate(zip(("Pan", "Tilt"), top_turn(rail), strict=True)):
        if top:
            angles = [(rail.pan, rail.tilt)[axis], *(ends[axis] for ends in (begin, end))]
            turn, low, high = (solid(f"{math.degrees(angle):+.2f} deg") for angle in angles)
            lines.append(
                f"{name} by {turn} about the entrance pupil, frames {first} to {last}: {low} to {high} from the "
                f"station's angle, {math.degrees(top) * rate:.2f} deg/s at most while shooting."
            )
    return lines


def focus_lines(facts: RigFacts) -> tuple[str, ...]:
    """Focus, stop and diffraction."""
    plan = facts.plan
    return (
        *advice(plan),
        f"At f/{plan.stop:g} the lens works as f/{plan.working_stop:.1f} ({plan.exposure_factor:.2f} times the light); "
        f"Airy disc {blur_text(plan.airy, plan.pixel)}.",
    )


def support_lines(facts: RigFacts) -> tuple[str, ...]:
    """Where an arm stays unseen."""
    if facts.support is None:
        return ("The bridge is open along its middle: there is no place for an arm.",)
    return tuple(support_sentences(facts.support))


def safety_lines(facts: RigFacts, said: Sequence[str]) -> tuple[str, ...]:
    """Usual practice for the day, where it applies and has not been said; local rules come first."""
    scene, lines = facts.scene, []
    amperes, light = load(scene), scene.light
    if scene.lamps:
        unknown = [lamp.name for lamp in scene.lamps if lamp.watts is None]
        power = "" if amperes is None else f"{amperes * light.volts:.0f} W, {amperes:.1f} A of {light.circuit:g} A"
        counted = f" Not counted: {', '.join(unknown)}." if unknown else ""
        lines.append(
            f"Electrical load: {power or 'add up the watts of all lamps'}.{counted} Follow local electrical codes; "
            "ask a licensed electrician."
        )
        if not any("alight" in text for text in said):
            lines.append(
                f"Hot lamps: {HOT_DISTANCE * 1e3:.0f} mm and more from foam, card and paint; never leave them "
                "unattended."
            )
        if not any("safety cable" in text for text in said):
            lines.append("Clamped arms and loads above heads: rated fixings and a safety cable.")
    lines.append("Sprays, dust, foam cutting: ventilation, respirator, cutter's gloves.")
    rail = scene.rail
    if rail.reveal is not None and (rail.reveal - rail.hold[1]) / float(scene.delivery.rate) < _SUDDEN:
        lines.append("A sudden, high-contrast reveal: warn photosensitive viewers.")
    if scene.plate is not None:
        lines.append("Performers near edges or on rostra: guard rails, a competent person.")
    return tuple(lines)


def notes(
    facts: RigFacts, knock: Sequence[str], advice_: Sequence[str], cautions: Sequence[str], day: Sequence[str] = ()
) -> tuple[Notes, ...]:
    """All notes of the card in their order; ``day`` is what tape and floor are measured from."""
    return (
        Notes("focus", (*focus_lines(facts), *day)),
        Notes("light", light_lines(facts)),
        Notes("motion and flicker", motion_lines(facts)),
        Notes("knock limits", tuple(knock)),
        Notes("shine and shadow", tuple(advice_)),
        Notes("support", support_lines(facts)),
        Notes("cautions", (*cautions, *safety_lines(facts, cautions)), warn=True),
    )
