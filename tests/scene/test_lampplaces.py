"""Where lamps may stand, against places that can be judged by hand."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from previz.scene.model import Lamp
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.scene.rig.lampplaces import TALLEST, Direction, LampRoom, LampStand
from tests.command.scenes import laid


@pytest.fixture
def room(tmp_path: Path) -> LampRoom:
    scene = read_scene(laid(tmp_path))
    return LampRoom(scene, move_of(scene))


def lamp(place: tuple[float, float, float], size: float = 0.3) -> Lamp:
    return Lamp(name="key", position=place, aim=(0.0, 0.0, 0.3), size=size, lux=1.0)


def test_directions() -> None:
    """Spherical coordinates: straight out, straight up, and back again."""
    assert Direction(0.0, 0.0).way == pytest.approx([0.0, 0.0, 1.0])
    assert Direction(90.0, 0.0).way == pytest.approx([1.0, 0.0, 0.0])
    assert Direction(0.0, 90.0).way == pytest.approx([0.0, 1.0, 0.0], abs=1e-12)
    back = Direction.of(Direction(-37.0, 21.0).way)
    assert (back.round_deg, back.up_deg) == pytest.approx((-37.0, 21.0))
    assert Direction(10.0, 0.0).away_from(Direction(40.0, 0.0)) == pytest.approx(math.radians(30.0))


def test_a_lamp_beside_the_set_stands_on_the_floor(room: LampRoom) -> None:
    stand = room.stands(lamp((-1.4, 0.4, 1.2)), False)
    assert stand is not None
    assert stand.arm == 0.0
    # the wall's foot is the floor: its height is 1.4 m and its top 0.7 m over the bridge
    assert stand.height == pytest.approx(0.4 + 0.7)


def test_where_no_lamp_may_be(room: LampRoom) -> None:
    camera = room.move.camera(room.move.station_frame)
    before_lens = np.asarray(camera.position) + 0.5 * np.asarray(camera.forward)
    assert room.stands(lamp(tuple(before_lens.tolist()), 0.1), False) is None
    assert room.stands(lamp(tuple((np.asarray(camera.position) + [0.1, 0.0, 0.0]).tolist()), 0.1), False) is None
    assert room.stands(lamp((-1.4, TALLEST, 1.2)), False) is None
    assert room.stands(lamp((-1.4, -0.75, 1.2)), False) is None


def test_hot_lamps_keep_farther_off(room: LampRoom) -> None:
    """0.4 m off the wall's edge: near enough for a cool lamp, too near for a hot one."""
    place = (-0.9 - 0.4, 0.2, 0.35)
    assert room.gap(np.array([place])) == pytest.approx(math.hypot(0.4, 0.35) - 0.02, abs=1e-6)
    near = lamp(place, 0.06)
    assert room.stands(near, False) is not None
    assert room.stands(lamp((-0.9 - 0.2, 0.2, 0.35), 0.06), True) is None


def test_a_lamp_over_the_lens_hangs_on_an_arm(room: LampRoom) -> None:
    """A pole straight down from over the bridge would stand in the picture."""
    stand = room.stands(lamp((0.0, 1.3, 0.8), 0.2), False)
    assert stand is not None
    assert stand.arm > 0.0
    pole = np.array([[stand.right, y, stand.out] for y in np.linspace(room.floor, 1.3, 40)])
    assert not room.in_picture(pole)


def test_one_lamp_in_the_light_of_another(room: LampRoom) -> None:
    key = lamp((-1.6, 0.6, 1.6))
    between = lamp((-0.8, 0.3, 0.95), 0.2)
    beside = lamp((1.4, 0.6, 1.2), 0.2)
    assert room.in_light(key, between, LampStand(-0.8, 0.95, 1.0, 0.0))
    assert not room.in_light(key, beside, LampStand(1.4, 1.2, 1.3, 0.0))
