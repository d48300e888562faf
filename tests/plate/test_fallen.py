"""The figure's shadow on what is not the bridge's top: where straight lines say that it falls, and how dark."""

from __future__ import annotations

import numpy as np
import pytest

from previz.camera import camera_for
from previz.geometry import Array
from previz.look.sight import SightLines
from previz.plate.cardcast import StandingCard, kept_back
from previz.plate.fallen import cast_elsewhere, fallen_matte
from previz.plate.shadow import face_of, key_share_at
from previz.scene.model import Lamp, Light
from previz.scene.shape import Slab
from previz.workshop.surface import Surface

FOOT = np.array([0.0, 0.0, 0.4])
HEIGHT = 0.09
# a low lamp far in front: what stands on the bridge throws its shadow upon the wall behind it, at z = 0
LAMP = Lamp(name="key", position=(0.6, 0.35, 2.4), aim=(0.0, 0.0, 0.0), lux=500.0)
LIGHT = Light(ambient=100.0)
SMALL = Slab(0.5, 0.05, 0.012, 1.0, 0.0, 0.0)
LENS = camera_for([0.0, 0.25, 1.6], 0.0, -0.15, 0.0, 0.035, 0.0359, 960, 540)


def sheet(name: str, corners: list[list[float]]) -> Surface:
    """A flat sheet of four corners (3,) m."""
    faces = np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32)
    return Surface(name, 1, np.array(corners, dtype=np.float64), faces, np.zeros((4, 2), np.float32),
                   np.ones((1, 1, 3), np.float32))  # fmt: skip


WALL = sheet("wall", [[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]])
# the bridge is a sheet of its top, clear of the figure's shadow on the wall
TOP = sheet("bridge", [[-0.025, 0, 0], [-0.025, 0, 0.5], [0.025, 0, 0.5], [0.025, 0, 0]])
SIGHT = SightLines((WALL, TOP))
NAMES = ("wall", "bridge")


def bar() -> StandingCard:
    """A bar 40 of 400 px wide, turned to the camera, flat."""
    alpha = np.zeros((440, 80), dtype=np.float32)
    alpha[20:420, 20:60] = 1.0
    return StandingCard(alpha, (40.0, 420.0), 400.0, FOOT, HEIGHT, np.array([0.0, 0.0, 1.0]))


def on_wall(point: Array) -> Array:
    """Where the straight line from the lamp through a point (3,) m meets z = 0."""
    lamp = np.asarray(LAMP.position)
    return lamp + (point - lamp) * lamp[2] / (lamp[2] - point[2])


def test_a_bar_falls_on_the_wall_where_straight_lines_say() -> None:
    found = cast_elsewhere(bar(), face_of(LAMP), (LAMP, [LAMP], LIGHT), SIGHT, NAMES, 0.0005)
    matte = fallen_matte(found, SMALL, LENS, SIGHT, NAMES).matte
    half = 0.5 * HEIGHT * 40 / 400
    outline = [on_wall(FOOT + [x, y, 0.0]) for x, y in ((-half, 0), (half, 0), (half, HEIGHT), (-half, HEIGHT))]
    px = LENS.project(np.array(outline))
    rows, columns = np.nonzero(matte > 0.5 * matte.max())
    assert columns.min() == pytest.approx(px[:, 0].min(), abs=1.0)
    assert columns.max() + 1 == pytest.approx(px[:, 0].max(), abs=1.0)
    assert rows.min() == pytest.approx(px[:, 1].min(), abs=1.5)
    # its lower end lies behind the bridge's top as the lens sees it or below: never under the line of the foot
    assert rows.max() <= px[:, 1].max() + 1.0


def test_the_matte_takes_as_much_light_as_the_lamp_gave_there() -> None:
    """The share at the foot mark times the matte is the wall's own share of the lamp."""
    found = cast_elsewhere(bar(), face_of(LAMP), (LAMP, [LAMP], LIGHT), SIGHT, NAMES, 0.0005)
    matte = fallen_matte(found, SMALL, LENS, SIGHT, NAMES).matte
    place = on_wall(FOOT + [0.0, 0.5 * HEIGHT, 0.0])
    x, y = LENS.project(place[None])[0]
    dark = float(matte[int(y), int(x)])
    up, out = np.array([[0.0, 1.0, 0.0]]), np.array([[0.0, 0.0, 1.0]])
    at_foot = float(key_share_at(LAMP, [LAMP], LIGHT, FOOT[None], up).mean())
    there = float(key_share_at(LAMP, [LAMP], LIGHT, place[None], out).mean())
    # a low lamp gives the wall more of its light than the top: the matte says so
    assert dark > 1.0
    assert dark * at_foot == pytest.approx(there, rel=0.02)


def test_the_top_is_left_to_the_map_of_the_top() -> None:
    high = Lamp(name="key", position=(0.0, 2.0, 0.8), aim=(0.0, 0.0, 0.4), lux=500.0)
    found = cast_elsewhere(bar(), face_of(high), (high, [high], LIGHT), SIGHT, NAMES, 0.0005)
    told = fallen_matte(found, SMALL, LENS, SIGHT, NAMES)
    on_bridge = next(each for each in found if each.name == "bridge")
    assert on_bridge.share.max() > 0.9
    # what falls on the top is met, and drawn once: by the other map
    assert told.by_surface.get(SIGHT.number("bridge"), 0.0) == pytest.approx(0.0, abs=1e-6)


def test_what_hides_the_lamp_leaves_no_shadow() -> None:
    """A board between lamp and wall, below the figure's head: where no light was, none is taken."""
    board = sheet("board", [[-0.2, -0.5, 0.2], [0.4, -0.5, 0.2], [0.4, 0.5, 0.2], [-0.2, 0.5, 0.2]])
    hidden = SightLines((WALL, TOP, board))
    found = cast_elsewhere(bar(), face_of(LAMP), (LAMP, [LAMP], LIGHT), hidden, (*NAMES, "board"), 0.0005)
    by_name = {each.name: each for each in found}
    assert by_name["wall"].share.max() == 0.0
    assert by_name["board"].share.max() > 0.3


@pytest.mark.parametrize("normal", [(0.0, 0.0, 1.0), (0.6, 0.0, 0.8), (0.0, 1.0, 0.0)])
def test_a_point_lamp_is_kept_back_whole_whatever_the_normal(normal: tuple[float, float, float]) -> None:
    places = np.array([on_wall(FOOT + [0.0, 0.5 * HEIGHT, 0.0]), [0.3, 0.3, 0.0]])
    share = kept_back(bar(), face_of(LAMP), places, np.tile(normal, (2, 1)), 0.0005)
    assert share == pytest.approx([1.0, 0.0], abs=1e-6)
