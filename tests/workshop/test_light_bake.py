"""Light baked into maps: furnaces, shadows, flags, cards and what surfaces throw on each other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from previz.look.sight import SightLines
from previz.scene.model import Card, Lamp, Light
from previz.workshop import compiled as threading
from previz.workshop.light.bake import Lighting, bake_bridge, bake_wall, reference_light
from previz.workshop.light.resample import averaged_to, enlarged
from previz.workshop.texels import texel_owners
from tests.workshop.lit_sets import (
    box_room,
    disc_factor,
    edge_under_a_disc,
    plate,
    quad,
    rectangle_factor,
    segment_share,
    two_plates,
)

FAR = 60.0


def lighting(*lamps, cards=(), **light):
    given = Light(**light)
    return Lighting(tuple(lamps), given, reference_light(lamps, given), tuple(cards))


def lamp(**given):
    return Lamp(**({"name": "key", "position": (0.0, 0.0, 2.0), "aim": (0.0, 0.0, 0.0), "lux": 1000.0} | given))


def baked(wall, lit, bridge=None):
    """All light on a wall and on something before it, far off unless given."""
    other = replace(plate(0.01, z=-FAR) if bridge is None else bridge, name="bridge")
    sight = SightLines([replace(wall, name="wall"), other])
    return bake_bridge(bake_wall(wall, lit, sight), other, sight)


def middle(picture, reach=0):
    h, w = picture.shape[0] // 2, picture.shape[1] // 2
    return float(picture[h - reach : h + reach + 1, w - reach : w + reach + 1, 1].mean())


def test_open_plane_under_the_sky_gets_all_of_it():
    """Furnace: E = pi L everywhere where surroundings that send L are all there is."""
    light = baked(plate(1.0), lighting(ambient=500.0, bounce=False))
    assert np.abs(light.clean - 1.0).max() < 0.01


def test_a_face_as_bright_as_the_sky_behind_it_is_not_there():
    """Furnace: a lamp's face of the sky's own radiance takes from the sky what it gives itself, everywhere."""
    ambient = 500.0
    # the sky's radiance E / pi over a face with the view factor F gives E F
    alike = lamp(size=1.2, lux=ambient * disc_factor(0.6, 2.0, 0.0), kelvin=6504.0)
    lit = lighting(alike, ambient=ambient, bounce=False, white_balance=6504.0)
    light = baked(plate(2.0), lit)
    assert np.abs(light.clean * lit.reference / ambient - 1.0).max() < 0.012


@pytest.mark.parametrize("cone", [None, np.radians(10.0)])
def test_a_dark_face_keeps_the_sky_off(cone):
    """1 - F of the sky is left, by the view factor F of the face; a spot's face does so outside its beam as well."""
    dark = lamp(size=(1.6, 1.0), lux=1e-6, cone=cone)
    lit = lighting(dark, ambient=500.0, bounce=False)
    light = baked(plate(2.0), lit).clean
    assert middle(light) == pytest.approx(1.0 - rectangle_factor(1.6, 1.0, 2.0, 0.0), abs=0.01)
    # a lamp without a face stands before nothing
    assert middle(baked(plate(2.0), lighting(lamp(lux=1e-6), ambient=500.0, bounce=False)).clean) == pytest.approx(
        1.0, abs=0.01
    )
    # what stands between hides the face, and keeps off more of the sky itself
    shaded = baked(plate(2.0), lit, plate(1.5, z=1.0)).wall
    assert middle(shaded) <= middle(light)


def test_nothing_gets_into_a_closed_room():
    room = box_room(1.0)
    light = baked(room, lighting(ambient=500.0), plate(0.05)).clean
    inside = texel_owners(room, light.shape[1], light.shape[0], margin=False) >= 0
    assert light[inside].max() < 0.01


def test_closed_surroundings_that_send_all_alike_light_all_alike():
    """Furnace: a lamp on every wall's texels is the same as walls that send r E each; the bounce is r E, everywhere.

    The room's six walls are lit to E by hand (a map of ones), and what they throw on each other must be r.
    """
    from previz.workshop.light.gather import Target, from_around, gathered, lattice_of
    from previz.workshop.texels import texel_points

    room = box_room(1.0, size=32)
    height, width = room.reflectance.shape[:2]
    sight = SightLines([room])
    lattice = lattice_of(room, width // 2, height // 2)
    target = Target("wall", room, texel_points(room, width, height))
    found = gathered(lattice, sight, target, 0, np.zeros((0, 3, 3), np.float32))
    sent = np.full((height, width, 3), 0.4, dtype=np.float32)
    got = from_around(found, 5.0, (sent, sent), texel_points(room, width, height))
    inside = texel_owners(room, width, height, margin=False) >= 0
    assert np.abs(got[inside] - 0.4).max() < 0.004


@pytest.mark.parametrize("reflectance", [0.2, 0.5])
@pytest.mark.parametrize("face", [{}, {"size": 0.1}])
def test_a_closed_room_keeps_its_light_until_the_walls_have_taken_it(reflectance, face):
    """Integrating sphere: of a lamp's light E the walls of a closed room get E / (1 - r) in all, whatever its shape and
    wherever the lamp (Goebel, Applied Optics 6(1), 125-128, 1967; from memory, and by the sum of a geometric row)."""
    room = box_room(1.0)
    room = replace(room, reflectance=np.full_like(room.reflectance, reflectance))
    inside = texel_owners(room, *room.reflectance.shape[1::-1], margin=False) >= 0
    key = lamp(position=(0.1, 0.3, 0.0), aim=(0, 0, -0.5), **face)
    lit = {bounce: lighting(key, bounce=bounce) for bounce in (True, False)}
    mean = {b: baked(room, given).clean[inside].mean() for b, given in lit.items()}
    assert mean[True] / mean[False] == pytest.approx(1.0 / (1.0 - reflectance), rel=0.008)


def test_two_plates_throw_light_to_and_fro():
    """Two squares face to face under an even sky, their light by radiosity between small parts, solved whole."""
    side, gap, r = 0.4, 0.2, (0.5, 0.7)
    wall = replace(plate(side, level=r[0], size=64), name="wall")
    turned = quad(np.array([[1, -1, 0], [-1, -1, 0], [-1, 1, 0], [1, 1, 0]]) * side / 2 + [0, 0, gap], level=r[1])
    light = baked(wall, lighting(ambient=100.0), turned)
    got = middle(light.wall, 3), middle(light.bridge, 3)
    assert got == pytest.approx(two_plates(side, gap, r), abs=0.012)
    once = two_plates(side, gap, r, rounds=1)
    assert min(abs(a - b) for a, b in zip(got, once, strict=True)) > 0.03


def test_half_the_sky_over_the_foot_of_a_wall():
    """The view factor of the other half of a right corner, at its foot, is one half (school geometry)."""
    ground = quad(np.array([[-2, -2, 0], [2, -2, 0], [2, 0, 0], [-2, 0, 0]]), size=256)
    wall = quad(np.array([[-FAR, 0, 0], [FAR, 0, 0], [FAR, 0, FAR], [-FAR, 0, FAR]]), name="bridge")
    light = baked(ground, lighting(ambient=100.0, bounce=False), wall)
    assert light.wall[1, 128, 1] == pytest.approx(0.5, abs=0.02)
    assert light.clean[1, 128, 1] == pytest.approx(1.0, abs=0.01)


def test_edge_of_a_soft_shadow_is_a_segment_of_the_disc():
    at, got = edge_under_a_disc()
    error = np.abs(got - segment_share(at))
    assert error.mean() < 0.005
    assert error.max() < 0.02
    assert got[at > 1.1].min() == 1.0
    assert got[at < -1.1].max() == 0.0


def test_edge_of_a_points_shadow_is_as_sharp_as_the_texels():
    """A half plane half way up: its shadow's edge lies at twice its distance from the axis, one texel wide."""
    ground = plate(0.4, size=200, name="wall")
    edge = quad(np.array([[0.05, -3, 1.0], [3, -3, 1.0], [3, 3, 1.0], [0.05, 3, 1.0]]), name="bridge")
    light = baked(ground, lighting(lamp()), edge)
    share = light.seen_wall[0][100].astype(float) / 255.0
    assert ((share > 0.0) & (share < 1.0)).sum() <= 2
    # the lit length of the row, m
    assert share.sum() * 0.002 - 0.2 == pytest.approx(0.1, abs=0.0005)


def test_a_shadow_is_a_picture_of_its_own():
    """Under a plate of half the lamp's distance: nothing of a point's light, all of it beyond twice its side."""
    light = baked(plate(1.0, size=128, name="wall"), lighting(lamp(), bounce=False), plate(0.2, z=1.0))
    assert middle(light.clean) == pytest.approx(1.0, abs=0.01)
    assert middle(light.wall, 5) == 0.0
    assert middle(light.shadow, 5) == 0.0
    assert light.shadow[64, 4, 1] == pytest.approx(1.0, abs=1e-6)
    assert np.array_equal(light.seen_clean[0].shape, light.seen_wall[0].shape)


def test_the_lit_top_of_the_bridge_throws_light_on_the_wall():
    """One bounce: a lit matt square gives the place in front of it r times its view factor (Lambert's polygon)."""
    # the "bridge" faces the wall from 0.3 m, lit by a lamp far behind the wall, which is a speck in its light
    wall = quad(np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * 0.001, level=0.0, size=32)
    facing = quad(
        np.array([[0.2, -0.2, 0.3], [-0.2, -0.2, 0.3], [-0.2, 0.2, 0.3], [0.2, 0.2, 0.3]]), name="bridge", level=0.6
    )
    behind = lamp(position=(0.0, 0.0, -FAR), aim=(0.0, 0.0, 0.3))
    light = baked(wall, lighting(behind), facing)
    assert light.bridge[4:-4, 4:-4].min() > 0.99
    assert middle(light.wall) == pytest.approx(0.6 * rectangle_factor(0.4, 0.4, 0.3, 0.0), rel=0.03)
    assert middle(baked(wall, lighting(behind, bounce=False), facing).wall) == 0.0


def test_a_flag_keeps_a_lamp_off_and_only_where_it_stands():
    flag = Card(name="flag", kind="flag", position=(0.0, 0.0, 1.0), aim=(0.0, 0.0, 2.0), size=(0.2, 0.2))
    light = baked(plate(1.0, size=128, name="wall"), lighting(lamp(), cards=[flag], bounce=False))
    assert middle(light.clean, 5) == 0.0
    assert light.clean[64, 4, 1] == pytest.approx((2.0 / np.hypot(2.0, 0.465)) ** 3, rel=0.01)


def test_a_bounce_card_lights_as_its_closed_form_says():
    """A card in a lamp's full light, seen from the side turned away from the lamp's wall: r times its view factor."""
    card = Card(name="white", kind="bounce", position=(0.0, 0.0, 0.5), size=(0.3, 0.3), colour="#ffffff")
    # from behind the plane, so far off that the card is evenly lit and the plane is not lit at all
    behind = lamp(position=(0.0, 0.0, -FAR), aim=(0.0, 0.0, 0.5))
    small = plate(0.01, size=16, name="wall")
    lit = lighting(behind, cards=[card], bounce=False)
    light = baked(small, lit)
    assert middle(light.clean) == pytest.approx(rectangle_factor(0.3, 0.3, 0.5, 0.0), rel=0.02)
    assert lit.emitters == ("key", "white")
    assert light.seen_clean[1].min() == 255


def test_a_card_throws_a_shadow_too():
    card = Card(name="black", kind="bounce", position=(0.0, 0.0, 1.0), size=(0.2, 0.2), colour="#000000")
    light = baked(plate(1.0, size=64, name="wall"), lighting(lamp(), cards=[card], bounce=False))
    assert middle(light.clean, 3) == 0.0


def test_soft_shadow_of_a_disc_lamp_dims_by_what_is_covered():
    """On the axis under a plate that hides a disc's inner part: what is left is the ring, disc minus disc."""
    inner, outer, lamp_up = 0.2, 0.5, 2.0
    # a square that hides a square of the lamp's face twice its side
    side = inner * np.sqrt(np.pi) / 2.0
    light = baked(
        plate(0.02, size=16, name="wall"), lighting(lamp(size=2 * outer), bounce=False), plate(side, z=1.0)
    )
    whole = disc_factor(outer, lamp_up, 0.0)
    assert middle(light.wall) == pytest.approx(1.0 - disc_factor(inner, lamp_up, 0.0) / whole, abs=0.03)


def test_the_same_for_any_number_of_threads(monkeypatch):
    wall = plate(1.0, size=128, name="wall")
    lit = lighting(lamp(size=0.4), ambient=300.0)
    one_way = baked(wall, lit, plate(0.2, z=0.3))
    monkeypatch.setattr(threading, "threads", lambda: 1)
    other = baked(wall, lit, plate(0.2, z=0.3))
    for name in ("clean", "wall", "bridge"):
        assert np.array_equal(getattr(one_way, name), getattr(other, name))
    for name in ("seen_clean", "seen_wall", "seen_bridge"):
        assert all(np.array_equal(a, b) for a, b in zip(getattr(one_way, name), getattr(other, name), strict=True))


def test_pictures_are_averaged_by_area():
    picture = np.arange(24, dtype=np.float32).reshape(4, 6, 1)
    assert averaged_to(picture, 2, 3)[0, 0, 0] == picture[:2, :2].mean()
    assert averaged_to(picture, 3, 4).mean() == pytest.approx(picture.mean(), rel=1e-6)
    assert np.array_equal(averaged_to(picture, 8, 12), enlarged(picture, 8, 12))
