"""What glossy walls throw on beside their paint: a floor at a wall's foot, by Fresnel's equations over the wall."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from previz.look.sight import SightLines
from previz.scene.model import Gloss, Light
from previz.workshop.light.bake import BakedLight, Lighting, bake_bridge, bake_wall
from previz.workshop.surface import Surface
from tests.workshop.lit_sets import quad

SIDE = 12.0


def fresnel(cosine: np.ndarray) -> np.ndarray:
    """What is mirrored of unpolarised light, refractive index 1.5 (Fresnel's equations, any textbook of optics)."""
    inside = np.sqrt(1.0 - (1.0 - cosine**2) / 1.5**2)
    s = ((cosine - 1.5 * inside) / (cosine + 1.5 * inside)) ** 2
    p = ((inside - 1.5 * cosine) / (inside + 1.5 * cosine)) ** 2
    return np.asarray(0.5 * (s + p))


def corner(level: float) -> tuple[Surface, Surface]:
    """A wall that faces +Z and a black floor at its foot."""
    a = 0.5 * SIDE
    wall = quad(np.array([[-a, 0.0, 0.0], [a, 0.0, 0.0], [a, SIDE, 0.0], [-a, SIDE, 0.0]]), "wall", level, 128)
    floor = quad(np.array([[-a, 0.0, SIDE], [a, 0.0, SIDE], [a, 0.0, 0.0], [-a, 0.0, 0.0]]), "bridge", 0.0, 128)
    return wall, floor


def lit(surfaces: tuple[Surface, Surface], wall: Gloss, floor: Gloss = "matt") -> BakedLight:
    """All light on them under an even sky of 1."""
    lighting = Lighting((), Light(ambient=500.0), 500.0, (), wall, floor)
    sight = SightLines(list(surfaces))
    return bake_bridge(bake_wall(surfaces[0], lighting, sight), surfaces[1], sight)


# the row of either map's texels that is looked at, and how far (m) it is from the corner
ROW = 2
AWAY = (ROW + 0.5) / 128 * SIDE


def on_floor(light: BakedLight) -> float:
    """The floor's light beside the middle of the wall's foot; the first row of its map is at the wall."""
    assert light.bridge.shape[:2] == (128, 128)
    return float(light.bridge[ROW, 56:72].mean())


def thrown(white: float, coat: bool = True) -> float:
    """What a wall that sends ``white`` throws on the floor, the open sky mirrored in its coat: over the part of the
    sphere that it fills, each way by the floor's cosine."""
    up, turn = (np.arange(2000) + 0.5) / 2000 * np.pi / 2.0, ((np.arange(2000) + 0.5) / 2000 - 0.5) * np.pi
    e, a = np.meshgrid(up, turn, indexing="ij")
    height = AWAY * np.tan(e) / np.cos(a)
    # a white wall above a floor that ends is lit the more the higher up: a strip's view factor
    white = white * (1.0 + height / np.hypot(height, SIDE))
    there = (height < SIDE) & (AWAY * np.abs(np.tan(a)) < 0.5 * SIDE)
    share = fresnel(np.cos(e) * np.cos(a)) if coat else np.zeros_like(e)
    each = share + white * (np.minimum((1.0 - share) / 0.96, 1.0) if coat else 1.0)
    return float((each * np.sin(e) * np.cos(e) / np.pi)[there].sum() * (np.pi / 2.0 / 2000) * (np.pi / 2000))


def test_a_floor_is_lit_by_the_sky_that_a_gloss_wall_mirrors() -> None:
    surfaces = corner(0.0)
    dull = on_floor(lit(surfaces, "matt"))
    # half of the sky, and what comes over the wall's top (any table of view factors)
    assert dull == pytest.approx(0.5 * (1.0 + AWAY / np.hypot(AWAY, SIDE)), abs=0.01)
    assert on_floor(lit(surfaces, "gloss")) - dull == pytest.approx(thrown(0.0), rel=0.04)


def test_what_a_coat_mirrors_is_taken_from_the_paint_under_it() -> None:
    """Of light from all sides 0.908 gets through the coat (Judd 1942, from memory), where paint is told by light from
    45 degrees, 0.950; and the less comes out the flatter the wall is looked at from the floor."""
    black, half = corner(0.0), corner(0.5)
    under = [on_floor(lit(half, kind)) - on_floor(lit(black, kind)) for kind in ("gloss", "matt")]
    wanted = 0.908 / 0.950 * (thrown(1.0) - thrown(0.0)) / thrown(1.0, coat=False)
    assert wanted < 0.9
    assert under[0] / under[1] == pytest.approx(wanted, abs=0.02)


def test_a_gloss_floor_lights_the_wall_above_it() -> None:
    """The same corner turned over: what the bridge's coat mirrors comes to the wall."""
    glossy, dull = (lit(corner(0.0), "matt", kind).wall for kind in ("gloss", "matt"))
    assert (glossy - dull)[-1 - ROW, 56:72].mean() == pytest.approx(thrown(0.0), rel=0.04)


def test_a_mirrored_ceiling_is_no_sky() -> None:
    """Under a black lid close above nothing comes in that a wall could mirror."""
    wall, floor = corner(0.0)
    a = 0.5 * SIDE
    lid = np.array([[-a, 0.1, 0.0], [a, 0.1, 0.0], [a, 0.1, SIDE], [-a, 0.1, SIDE]])
    both = replace(
        wall,
        vertices=np.concatenate([wall.vertices, lid]),
        faces=np.concatenate([wall.faces, wall.faces + 4]),
        uv=np.concatenate([wall.uv * [0.5, 1.0], wall.uv * [0.5, 1.0] + [0.5, 0.0]]).astype(np.float32),
    )
    assert on_floor(lit((both, floor), "gloss")) < 0.02
