"""The bridge throws light on the wall in the paint that it carries."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import ndimage

from previz import colour
from previz.look.sight import SightLines
from previz.scene.model import Scene
from previz.stage.prepare import (
    bridge_as_lit,
    bridge_baked,
    continuing_paint,
    lighting_of,
    lit_wall,
    sight_of,
    typical_station_point,
    wall_in_light,
)
from previz.workshop.light.bake import bake_bridge, bake_wall
from previz.workshop.pigment import BRIGHTEST_PAINT, DARKEST_PAINT
from previz.workshop.set import build_set
from previz.workshop.texels import texel_points
from tests.workshop.sets import scene

LAMP = {"name": "key", "position": (0.0, 1.6, 1.2), "aim": (0.0, 0.0, 0.2), "size": 0.4, "lux": 900.0}


def lit_set(paint: str, **light) -> SimpleNamespace:
    made: Scene = scene(
        {"kind": "slate", "triangles": 4000}, {"paint": paint}, lamps=[LAMP], light={"ambient": 200.0} | light
    )
    built = build_set(made, 0.002)
    bridge, sight = bridge_as_lit(made, built), sight_of(built)
    base = bake_wall(built.wall, lighting_of(made), sight)
    mean = bake_bridge(base, bridge, sight)
    clean = wall_in_light(base.lighting, built.wall, mean, bridge).clean
    own = bridge_baked(made, base, clean, bridge, sight)
    return SimpleNamespace(
        scene=made, built=built, bridge=bridge, sight=sight, base=base, mean=mean, clean=clean, own=own
    )


@pytest.fixture(scope="module")
def projected() -> SimpleNamespace:
    return lit_set("projected")


def faces(s: SimpleNamespace) -> dict[str, np.ndarray]:
    texels = texel_points(s.bridge, *s.bridge.reflectance.shape[1::-1])
    out = texels.valid & (texels.points[..., 2] > 0.05)
    return {"top": out & (texels.normals[..., 1] > 0.9), "underside": out & (texels.normals[..., 1] < -0.9)}


def own_paint(s: SimpleNamespace) -> np.ndarray:
    make = continuing_paint(s.built.wall, s.clean.code, s.bridge, s.sight, typical_station_point(s.bridge))
    return make(s.own.bridge)


def test_paint_that_continues_the_wall_sends_what_the_wall_sends(projected: SimpleNamespace) -> None:
    """Lambert: reflectance times irradiance is what a matt face sends; the dim underside carries brighter paint.

    SciPy reads the wall between its texels.
    """
    paint, on = own_paint(projected), faces(projected)
    assert paint[on["underside"]].mean() > 1.5 * paint[on["top"]].mean()
    texels = texel_points(projected.bridge, *projected.bridge.reflectance.shape[1::-1])
    eye = typical_station_point(projected.bridge)
    wall = SightLines([projected.sight.surfaces[0]])
    possible = ((paint > 1.01 * DARKEST_PAINT) & (paint < 0.99 * BRIGHTEST_PAINT)).all(axis=-1)
    rows = np.flatnonzero((on["top"] | on["underside"]) & possible)[::50]
    points = texels.points.reshape(-1, 3)[rows].astype(np.float64)
    hits = wall.first_hits(np.broadcast_to(eye, points.shape).copy(), points - eye)
    height, width = projected.clean.code.shape[:2]
    at = [hits.uv[:, 1] * height - 0.5, hits.uv[:, 0] * width - 0.5]
    code = [ndimage.map_coordinates(projected.clean.code[..., k].astype(float), at, order=1) for k in range(3)]
    sends = colour.decoded(np.stack(code, axis=-1) / 255.0)
    sent = (paint * projected.own.bridge).reshape(-1, 3)[rows]
    assert len(rows) > 100
    assert np.abs(sent - sends).max() < 1e-3


def test_the_wall_gets_what_that_paint_throws(projected: SimpleNamespace) -> None:
    """The same as a bridge whose reflectance is that paint from the start, to a quarter of a code on the wall and, in
    the corner under it, a code and a half on the bridge: the light that the paint was made of had been to the wall and
    back in the wall's mean colour."""
    own = own_paint(projected)
    there = bake_bridge(projected.base, replace(projected.bridge, reflectance=own), projected.sight)
    assert np.abs(projected.own.wall - there.wall).max() < 0.25 / 255
    assert np.quantile(np.abs(projected.own.bridge - there.bridge), 0.99) < 0.25 / 255
    assert np.abs(projected.own.bridge - there.bridge).max() < 1.5 / 255
    # brighter below the slab than the wall's mean colour in its place makes it
    gain = projected.own.wall - projected.mean.wall
    assert gain.max() > 0.01
    assert np.array_equal(projected.own.clean, projected.mean.clean)


@pytest.mark.parametrize("paint", ["wash", "bare"])
def test_paint_of_its_own_is_thrown_as_it_is(paint: str) -> None:
    s = lit_set(paint)
    assert np.array_equal(s.own.wall, s.mean.wall)


def test_without_bounce_no_paint_matters() -> None:
    s = lit_set("projected", bounce=False)
    assert np.array_equal(s.own.wall, s.mean.wall)


def test_a_moved_camera_leaves_the_light_as_it_is(projected: SimpleNamespace) -> None:
    """What the light's cache rests on: the camera is no part of what light is baked from."""
    moved = projected.scene.edited(camera__position=(0.2, 0.4, 1.0))
    light = lit_wall(moved, projected.built, projected.sight).light
    assert np.array_equal(light.wall, projected.own.wall)


def test_a_lens_stands_twice_as_far_off_as_the_bridge_is_long(projected: SimpleNamespace) -> None:
    x, y, z = typical_station_point(projected.bridge)
    assert (x, y, z) == pytest.approx((0.0, 0.2, 0.8), abs=1e-6)
    assert np.degrees(np.arctan2(y, z)) == pytest.approx(14.0, abs=0.1)
