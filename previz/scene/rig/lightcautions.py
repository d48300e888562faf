"""Cautions about lamps, cards, power, focus and exposure."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from previz.geometry import Array, unit
from previz.scene.caution import Caution, Cautions
from previz.scene.layout import delivered_box_px, distance_to_wall, judged_frames, wall_box
from previz.scene.model import Card, Lamp, Scene
from previz.scene.move import Move
from previz.scene.rig.exposure import exposure, load, state
from previz.scene.rig.focusing import FocusPlan, blur_text, focus_plan
from previz.scene.shape import bridge_shape
from previz.units import mm_text

HOT_DISTANCE = 0.5  # m between a lamp and foam, card or paint; common practice, no source
BRIGHT = 10_000.0  # lux; common practice, no source

# share of a circuit that may be loaded for hours: common practice, no source; local codes say what counts
LASTING_LOAD = 0.8

# points across and down a lamp's or card's face that are looked for in the picture
_FACE = 5

_ELECTRICIAN = "follow local electrical codes and ask a licensed electrician"


def face_points(thing: Lamp | Card, count: int = _FACE) -> Array:
    """Points (N, 3) m spread over the face of a lamp or card, its rim included; one for a point.

    They stand in ``count`` rows and columns, row by row. Its width lies level; a face that looks straight up or down
    has its width along the wall.
    """
    width, height = thing.size if isinstance(thing, Card) else thing.face
    middle = np.asarray(thing.position, dtype=np.float64)
    if width == 0.0:
        return middle[None, :]
    out = unit(np.asarray(thing.aim) - middle)
    level = np.cross([0.0, 1.0, 0.0], out)
    across = unit(level) if np.linalg.norm(level) > 1e-6 else np.array([1.0, 0.0, 0.0])
    up = np.cross(out, across)
    u, v = (0.5 * grid.ravel() for grid in np.meshgrid(*2 * [np.linspace(-1.0, 1.0, count)]))
    if isinstance(thing, Lamp) and thing.is_disc:
        # the square's rings become the disc's
        ring, turn = np.maximum(np.abs(u), np.abs(v)), np.arctan2(v, u)
        u, v = ring * np.cos(turn), ring * np.sin(turn)
    return np.asarray(middle + u[:, None] * width * across + v[:, None] * height * up)


def _no_light(scene: Scene, _move: Move) -> Cautions:
    if not scene.lamps and scene.light.ambient == 0.0:
        yield Caution(
            "lamp",
            "No lamp and no ambient light: the set is shown flat, as it is painted; shadow, shine and exposure cannot "
            "be told. Add a [[lamp]], or ambient under [light].",
        )


def _hot(scene: Scene, _move: Move) -> Cautions:
    if not scene.lamps:
        return
    places = np.array([lamp.position for lamp in scene.lamps])
    gaps = np.minimum(distance_to_wall(scene, places), bridge_shape(scene).distance(places))
    close = [(lamp.name, float(gap)) for lamp, gap in zip(scene.lamps, gaps, strict=True) if gap < HOT_DISTANCE]
    if close:
        which = ", ".join(f"{name} {mm_text(gap, 0)}" for name, gap in close)
        yield Caution(
            "lamp",
            f"Close to foam, card and paint: {which}. A hot lamp can set them alight: keep {mm_text(HOT_DISTANCE, 0)} "
            "away or use cool lamps, and never leave them unattended.",
        )
    bright = [lamp for lamp in scene.lamps if lamp.lux > BRIGHT]
    if bright:
        which = ", ".join(f"{lamp.name} {lamp.lux:g} lux" for lamp in bright)
        yield Caution(
            "lamp",
            f"Strong light: {which}. Expect heat, and add up the amperes of all lamps against the circuit; "
            f"{_ELECTRICIAN}.",
        )
    high = [lamp.name for lamp in scene.lamps if lamp.position[1] > scene.wall.top]
    if high:
        yield Caution(
            "lamp",
            f"Above the set: {', '.join(high)}. Use rated fixings and a safety cable on every load above heads and on "
            "clamped arms.",
        )
    rear = [lamp.name for lamp in scene.lamps if lamp.position[2] <= 0.0]
    if rear:
        yield Caution("lamp", f"Behind the wall: {', '.join(rear)}. The wall's face gets no light from there.")


def _faces(scene: Scene, move: Move) -> Cautions:
    """Lamps without a face, faces that reach into the set, and what stands in the picture."""
    points = [lamp.name for lamp in scene.lamps if lamp.is_point]
    if points:
        yield Caution(
            "lamp.size",
            f"Without a size: {', '.join(points)}. A point of light draws the bridge's shadow with a hard edge, the "
            "kind that is found soonest (whether it is, score and rig say); give it the size of its real face.",
        )
    for key, things in (("lamp", scene.lamps), ("card", scene.cards)):
        reached = [thing.name for thing in things if _reaches_in(scene, thing)]
        if reached:
            yield Caution(
                f"{key}.size",
                f"Reaching into the wall or the bridge: {', '.join(reached)}. Move it out or make it smaller.",
            )
        for thing in things:
            frame = _first_seen(scene, move, thing)
            if frame is not None:
                yield Caution(
                    f"{key}.position",
                    f"The {key} {thing.name} stands in the picture, between lens and set, at frame {frame}: the "
                    "real lens would see it, and these pictures do not. Move it out of the view.",
                )


def _reaches_in(scene: Scene, thing: Lamp | Card) -> bool:
    face = face_points(thing)
    if len(face) == 1:
        return False
    left, bottom, right, top = wall_box(scene)
    x, y, z = face.T
    # a lamp behind the wall has a caution of its own
    front = thing.position[2] > 0.0
    into_wall = front and bool(((z <= 0.0) & (x > left) & (x < right) & (y > bottom) & (y < top)).any())
    return into_wall or bool((bridge_shape(scene).distance(face) <= 0.0).any())


def _first_seen(scene: Scene, move: Move, thing: Lamp | Card) -> int | None:
    """The first judged frame that shows a part of it before the wall; None where none does."""
    face = face_points(thing)
    face = face[face[:, 2] > 0.0]
    if not len(face):
        return None
    left, top, right, bottom = delivered_box_px(scene)
    for frame in judged_frames(move, most=33):
        camera = move.camera(frame)
        with np.errstate(invalid="ignore"):
            x, y = camera.project(face).T
            if bool(((x > left) & (x < right) & (y > top) & (y < bottom)).any()):
                return frame
    return None


def _power(scene: Scene, _move: Move) -> Cautions:
    amperes, light = load(scene), scene.light
    if amperes is None or amperes <= LASTING_LOAD * light.circuit:
        return
    watts = amperes * light.volts
    over = "more than" if amperes > light.circuit else "close to all that"
    yield Caution(
        "light.circuit",
        f"The lamps take {watts:.0f} W, {amperes:.1f} A at {light.volts:g} V: {over} a circuit of {light.circuit:g} A "
        f"bears. Spread them over several circuits; {_ELECTRICIAN}.",
    )


def _lens(scene: Scene, move: Move) -> Cautions:
    """Blur and exposure, which share the plan of focus."""
    plan = focus_plan(scene, move)
    if not plan.sharp:
        yield _soft(plan)
    if not scene.lamps:
        return
    found = exposure(scene, move, plan)
    if not found.right and np.isfinite(found.wall):
        yield Caution(
            "camera.iso",
            f"The exposure is {state(found)} at f/{scene.camera.stop:g} ({found.working_stop:.1f} racked out), "
            f'{found.shutter:.4g} s and ISO {found.iso:g}. "previz rig" lists the ways to mend it.',
        )


def _soft(plan: FocusPlan) -> Caution:
    over = plan.now
    frame = plan.move.near_frame if over.near >= over.wall else plan.move.far_frame
    if plan.at_stop.defocus <= plan.blur_limit:
        help_ = f"Focus at {mm_text(plan.best_focus, 0)} blurs both by {plan.at_stop.defocus * 1e3:.3f} mm only."
    elif plan.chosen.defocus <= plan.blur_limit:
        help_ = f"Focus at {mm_text(plan.best_focus, 0)} and f/{plan.chosen.stop:g} keep both within it."
    else:
        help_ = (
            f"Focus at {mm_text(plan.best_focus, 0)} blurs both by {plan.at_stop.defocus * 1e3:.3f} mm; "
            f"f/{plan.least_stop:.0f} would bring both within it, but closing further trades defocus for diffraction. "
            "A shorter lens, more distance or a shorter bridge helps."
        )
    return Caution(
        "camera.stop",
        f"At frame {frame} {over.where} is blurred by {blur_text(over.worst, plan.pixel)}, beyond the limit of "
        f"{plan.blur_limit * 1e3:.3f} mm: a soft edge against a sharp one tells where the bridge is. {help_}",
    )


LIGHT_CAUTIONS: tuple[Callable[[Scene, Move], Cautions], ...] = (
    _no_light,
    _hot,
    _faces,
    _power,
    _lens,
)
