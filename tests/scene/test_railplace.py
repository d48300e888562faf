"""How the rail lies, by hand: boxes of whole sides (1-2-2-3, 3-4-5), and tapes that add up."""

from __future__ import annotations

import math

import numpy as np
import pytest

from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.rig.railplace import floor_of, pupil_from_sensor, rail_place
from previz.scene.search.asked import Search
from tests.scene.example import plain_scene

MM = 1e-3
_RAIL: dict[str, object] = {"hold": (1001, 1010), "frames": 20}


def riding(**rail: object) -> Scene:
    """A plain set with this rail, in metres."""
    return plain_scene({**_RAIL, **rail})


@pytest.mark.parametrize(
    ("along", "bearing", "words"),
    [
        ((1, 0, 0), 0.0, "to camera right, along the wall"),
        ((-1, 0, 0), 0.0, "to camera left, along the wall"),
        ((0, 0, -1), 90.0, "straight towards the wall"),
        ((0, 0, 1), 90.0, "straight away from the wall"),
        ((1, 0, -1), 45.0, "to camera right, 45.0 deg towards the wall"),
        ((-4, 0, 3), math.degrees(math.atan2(3, 4)), "to camera left, 36.9 deg away from the wall"),
    ],
)
def test_a_bearing_is_told_against_the_wall_with_its_side(
    along: tuple[float, float, float], bearing: float, words: str
) -> None:
    place = rail_place(move_of(riding(along=along, travel=0.1)))
    assert math.degrees(place.bearing) == pytest.approx(bearing, abs=1e-9)
    assert place.bearing_words == words
    assert abs(place.rise) < 1e-12


def test_a_rail_that_climbs_tells_its_rise_and_its_ends() -> None:
    # 150 mm along (2, 2, -1): 100 mm aside, 100 mm up, 50 mm in
    move = move_of(riding(along=(2, 2, -1), travel=0.15))
    place = rail_place(move)
    assert place.end - place.start == pytest.approx(np.array([100.0, 100.0, -50.0]) * MM, abs=1e-9)
    assert math.sin(place.rise) == pytest.approx(2.0 / 3.0, abs=1e-12)
    assert place.climb == pytest.approx(100.0 * MM, abs=1e-12)
    # run the other way it falls to camera left, away from the wall
    back = rail_place(move_of(riding(along=(2, 2, -1), travel=-0.15)))
    assert back.bearing_words == "to camera left, 26.6 deg away from the wall"
    assert back.climb == pytest.approx(-100.0 * MM, abs=1e-12)


def test_straight_up_and_standing() -> None:
    assert rail_place(move_of(riding(along=(0, 1, 0), travel=0.05))).bearing_words == "straight up"
    standing = rail_place(move_of(riding(travel=0.0)))
    assert standing.bearing_words == "does not travel"


def test_the_floor_is_the_studios_or_the_walls_foot() -> None:
    scene = riding()
    floor = floor_of(scene)
    assert not floor.given
    assert floor.height == pytest.approx(scene.wall.top - scene.wall.height, abs=1e-12)
    assert "[search]" in floor.words
    given = floor_of(scene.edited(search=Search(floor=-1.2)))
    assert given.given
    assert given.height == pytest.approx(-1.2, abs=1e-12)


def test_the_pupil_lies_ahead_of_the_sensor_mark_by_mount_and_lens() -> None:
    assert pupil_from_sensor(riding().camera) is None
    body = plain_scene(_RAIL, mount_from_sensor=0.044, pupil_from_mount=0.031).camera
    assert pupil_from_sensor(body) == pytest.approx(75.0 * MM, abs=1e-12)
