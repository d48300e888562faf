"""A scene's walking performer brought together: marks, feet found in the figure's pictures, contacts, places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from previz.camera import Camera
from previz.command.plate.plateinput import Course, FigureIn
from previz.geometry import Array
from previz.plate.figure import rgba_of
from previz.plate.top import Stance
from previz.plate.walk.contacts import Contact, found_contacts, told_contacts
from previz.plate.walk.soles import followed, soles_of
from previz.plate.walk.walk import Walk, body_feet, floor_stances, planted_places, shown_by_body, walked
from previz.scene.model import Scene
from previz.scene.shape import bridge_shape
from previz.workshop.surface import Pixels8


@dataclass(frozen=True, eq=False)
class Walking:
    """Where the performer walks, the stance on the plate's floor in every frame, and what is told of it."""

    walk: Walk
    floors: list[Stance]
    sentences: tuple[str, ...]


def walking_of(
    scene: Scene,
    course: Course,
    figure: FigureIn | None,
    plate_cameras: Sequence[Camera],
    cameras: Sequence[Camera],
    stand: tuple[Stance, Stance],
) -> Walking:
    """The walk of a scene whose foot mark is a table or that has steps.

    ``plate_cameras`` and ``cameras`` are those of every delivered frame, ``stand`` the stances on the plate's floor and
    on the bridge at the station frame. Raises as :func:`previz.plate.figure.rgba_of` does.
    """
    plate = scene.plate
    assert plate is not None
    on_floor, on_bridge = stand
    shape, count = bridge_shape(scene), len(course.frames)
    marks = np.array([plate.mark_at(frame) for frame in course.frames])
    soles, contacts = np.full((count, 2, 2), np.nan), list[Contact]()
    words = [f"walks from {_mm(marks[0])} to {_mm(marks[-1])} from the sill"]
    if figure is None or figure.is_still or plate.steps == ():
        if figure is not None:
            why = "a still has no steps" if figure.is_still else "steps = [] asks for none"
            words.append(f"{why}: the figure glides along, and no foot is planted")
    else:
        shown = sorted(set(figure.shown))
        seen = [_looked_at(rgba_of(figure.files[index])) for index in shown]
        height = float(np.median([tall for _, tall in seen if tall > 0.0] or [1.0]))
        places = followed([feet for feet, _ in seen], height)
        soles = places[np.searchsorted(shown, figure.shown)]
        if plate.steps is None:
            contacts = found_contacts(soles, height, float(scene.delivery.rate), marks)
            words.append(f"{len(contacts)} steps found in its pictures" if contacts else
                         "no step is found in its pictures, where both feet must be seen apart: it glides; "
                         "give plate.steps")  # fmt: skip
        else:
            contacts = told_contacts(plate.steps, course.frames, soles)
            words.append(f"{len(contacts)} steps as plate.steps has them")
            unseen = [c for c in contacts if not np.isfinite(soles[c.first : c.last + 1, c.foot]).all(axis=1).any()]
            if unseen:
                frame = course.frames[unseen[0].first]
                words.append(f"of {len(unseen)} of them no foot is seen in the pictures (the first begins at frame "
                             f"{frame}): those are not planted")  # fmt: skip
                contacts = [c for c in contacts if c not in unseen]
    body = walked(shape, marks, contacts)
    layer = None if figure is None else figure.layer
    moves = figure is not None and layer is None
    floors = floor_stances(on_floor, on_bridge, body, scene.scale, moves)
    foot_px = body_feet(layer, soles, contacts) if layer is not None and plate.feet is None and contacts else None
    walk = Walk(marks, body, soles, tuple(contacts), np.zeros((len(contacts), 3)), foot_px)
    if contacts:
        by_body = shown_by_body(plate_cameras, cameras, floors, walk, on_bridge.height, layer)
        walk = replace(walk, places=planted_places(shape, contacts, scene.scale, by_body, cameras))
    return Walking(walk, floors, tuple(words))


def _looked_at(picture: Pixels8) -> tuple[Array, float]:
    """Soles (K, 2) px and height px of a cut-out; none and 0 of one that the performer has left."""
    rows = np.flatnonzero((picture[..., 3] >= 128).any(axis=1))
    if len(rows) == 0:
        return np.zeros((0, 2)), 0.0
    return soles_of(picture), float(rows[-1] + 1 - rows[0])


def _mm(length: float) -> str:
    return f"{1e3 * length:.1f} mm"
