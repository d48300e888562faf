"""Lamps that err: linear light by hand on a flat wall with a slab, and colours scaled in linear light."""

from __future__ import annotations

import numpy as np
import pytest

from previz import colour
from previz.stage.relit import Relit, brightest_first, lamp_errors
from previz.workshop.light.bake import bake_bridge, bake_wall
from tests.search.flatset import GREY, flat_set
from tests.stage.test_hand import Even

LAMP = {"name": "key", "position": (0.0, 2.0, 3.0), "aim": (0.0, 0.0, 0.0), "lux": 300.0}
WEAK = {"name": "fill", "position": (-2.0, 0.5, 2.0), "aim": (0.0, 0.0, 0.0), "lux": 100.0}
PERCENT = 0.01


@pytest.fixture(scope="module")
def lit():
    s = flat_set([WEAK, LAMP], ambient=0.0, texture_px=256, light={"ambient": 0.0, "bounce": False})
    light = bake_bridge(bake_wall(s.wall, s.lighting, s.sight), s.bridge, s.sight)
    wall = s.wall, light.clean, light.seen_clean
    return s, lamp_errors(s.lighting, wall, (s.bridge, light.bridge, light.seen_bridge), s.sight, "wall")


def irradiance(point, normal, lamp) -> float:
    """Of a point lamp, inverse square and cosine; its lux holds face on at its aim."""
    source, aim = np.array(lamp["position"]), np.array(lamp["aim"])
    away = source - point
    distance = np.linalg.norm(away)
    return lamp["lux"] * (np.linalg.norm(source - aim) / distance) ** 2 * float(away @ normal) / distance


def wall_behind(camera, point):
    way = point - camera.position
    return camera.position - way * camera.position[2] / way[2]


POINT = np.array([0.01, 0.0, 0.35])
UP, OUT = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])


def test_the_brightest_lamp_comes_first(lit) -> None:
    assert brightest_first(lit[0].scene.lamps) == [1, 0]


def test_a_dimmer_lamp_takes_its_own_part_of_the_light(lit) -> None:
    """Light adds up: with the key 30 % brighter a place has the fill's and 1.3 times the key's."""
    s, errors = lit
    camera = s.move.camera(1005, 480, 270)
    behind = wall_behind(camera, POINT)
    got = errors.ratio(POINT[None], camera, np.array([[0.0, 0.0, 0.0, 0.3], [0.0] * 4]))[0]

    def brighter(point, normal):
        key, fill = irradiance(point, normal, LAMP), irradiance(point, normal, WEAK)
        return (1.3 * key + fill) / (key + fill)

    assert got == pytest.approx(np.full(3, brighter(POINT, UP) / brighter(behind, OUT)), abs=0.6 * PERCENT)
    assert abs(got[1] - 1.0) > 2.0 * PERCENT


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_lamp_that_stands_off_falls_as_geometry_says(lit, axis: int) -> None:
    s, errors = lit
    camera = s.move.camera(1005, 480, 270)
    behind, by = wall_behind(camera, POINT), 0.05
    error = np.zeros((2, 4))
    error[0, axis] = by
    got = errors.ratio(POINT[None], camera, error)[0]
    moved = np.array(LAMP["position"])
    moved[axis] += by

    def changed(point, normal):
        before, after = irradiance(point, normal, LAMP), 0.0
        # it sends as much as before: not as much to its aim
        away, old = moved - point, np.array(LAMP["position"]) - point
        cosines = float(away @ normal) / float(old @ normal)
        after = before * cosines * (np.linalg.norm(old) / np.linalg.norm(away)) ** 3
        fill = irradiance(point, normal, WEAK)
        return (after + fill) / (before + fill)

    assert got[1] == pytest.approx(changed(POINT, UP) / changed(behind, OUT), abs=0.3 * PERCENT)


def test_a_colour_is_scaled_in_linear_light(lit) -> None:
    s, errors = lit
    camera = s.move.camera(1005, 480, 270)
    points = np.tile(POINT, (3, 1, 1))
    error = np.array([[0.0, 0.0, 0.0, 0.4], [0.0] * 4])
    shown = Relit(Even(), errors, error).at(points, camera, camera.depth(points), None)  # type: ignore[arg-type]
    ratio = errors.ratio(points[0], camera, error)[0, 1]
    # L* 50 is Y = ((50 + 16) / 116)^3 (CIE 15)
    wanted = 116.0 * np.cbrt(((50.0 + 16.0) / 116.0) ** 3 * ratio) - 16.0
    assert shown.colour()[0, 0, 0] == pytest.approx(wanted, abs=1e-3)


def test_lightness_is_undone() -> None:
    rgb = np.array([[0.2, 0.3, 0.1], [0.001, 0.002, 0.0], [1.0, 1.0, 1.0], [GREY] * 3])
    assert colour.xyz_of_lab(colour.lab(rgb)) == pytest.approx(colour.xyz(rgb), abs=1e-9)
