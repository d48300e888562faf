"""Where the rail lies: its bearing against the wall's plane, its rise, and heights over the floor.

All of it is of the lens, whose entrance pupil rides the rail: the rail itself lies as far under these places as the
lens stands over it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from previz.geometry import Array
from previz.scene.layout import wall_box
from previz.scene.model import CameraBody, Scene
from previz.scene.move import Move

# rad, m: less than what a level or a tape shows
_STRAIGHT: Final = math.radians(0.05)
_FLAT: Final = 5e-5


@dataclass(frozen=True)
class Floor:
    """The height (m, from the bridge's top) of the floor, and whether ``[search] floor`` says so or it is the wall's
    foot."""

    height: float
    given: bool

    @property
    def words(self) -> str:
        """Where it comes from."""
        if self.given:
            return "the floor is what [search] floor says"
        return "the floor is taken to be the wall's foot: if the set stands on trestles, write floor under [search]"


def floor_of(scene: Scene) -> Floor:
    """The floor of the studio, or else the wall's foot."""
    if scene.search is not None and scene.search.floor is not None:
        return Floor(scene.search.floor, True)
    return Floor(wall_box(scene)[1], False)


@dataclass(frozen=True, eq=False)
class RailPlace:
    """The lens at the ``start`` of the travel, at the ``station`` and at its ``end`` (3,) m, and the ``length`` (m)
    that it travels between start and end, along an arc where there is one.

    ``bearing`` (rad, 0 to pi/2) is the angle between the way from start to end, seen from above, and the wall's plane;
    ``to_right`` and ``to_wall`` say which way it goes. ``rise`` (rad) is the climb from level, ``climb`` (m) how much.
    """

    start: Array
    station: Array
    end: Array
    length: float
    bearing: float
    to_right: bool
    to_wall: bool
    rise: float
    climb: float

    @property
    def bearing_words(self) -> str:
        """The way in words: ``to camera right, 21.3 deg towards the wall``."""
        if self.length < _FLAT:
            return "does not travel"
        if math.hypot(*(self.end - self.start)[[0, 2]]) < _FLAT:
            return "straight up" if self.climb > 0.0 else "straight down"
        side = "to camera right" if self.to_right else "to camera left"
        way = "towards the wall" if self.to_wall else "away from the wall"
        if self.bearing < _STRAIGHT:
            return f"{side}, along the wall"
        if self.bearing > 0.5 * math.pi - _STRAIGHT:
            return f"straight {way}"
        return f"{side}, {math.degrees(self.bearing):.1f} deg {way}"


def rail_place(move: Move) -> RailPlace:
    """Where the rail of a move lies."""
    start, end = (
        np.asarray(move.track.position(rail - move.station_rail)) for rail in (0.0, float(move.rail[-1]))
    )
    right, up, out = (end - start).tolist()
    level = math.hypot(right, out)
    return RailPlace(
        start=start,
        station=np.asarray(move.track.through),
        end=end,
        length=abs(float(move.rail[-1])),
        bearing=math.atan2(abs(out), abs(right)),
        to_right=right > 0.0,
        to_wall=out < 0.0,
        rise=math.atan2(up, level),
        climb=up,
    )


def pupil_from_sensor(body: CameraBody) -> float | None:
    """How far (m) the entrance pupil lies ahead of the body's sensor mark; None where the scene does not say."""
    if body.mount_from_sensor is None:
        return None
    return body.mount_from_sensor + body.pupil_from_mount


# the common way to find an entrance pupil: no parallax about it (usual practice, no source)
MEASURE_PUPIL: Final = (
    "To focus by tape from the sensor mark, find the entrance pupil once: turn the camera on a head with a slide until "
    "a near and a far upright stay in line as it pans; the axis is then under the pupil. Tape from it to the sensor "
    "mark, add that to the focus above, and write it as mount_from_sensor under [camera] (with pupil_from_mount 0)."
)
