"""What light goes where, rule by rule, on the smallest sets whose answer is known in closed form."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from previz import colour, gloss
from previz.look.sight import SightLines
from previz.scene.model import Card, Lamp, Light
from previz.workshop.light.bake import BakedLight, Lighting, bake_bridge, bake_wall, lit_emitters, reference_light
from previz.workshop.light.lamps import Emitter, emitter_of
from previz.workshop.light.shadows import box_of
from previz.workshop.light.shine import ambient_sheen
from previz.workshop.surface import Surface
from tests.workshop.lit_sets import plate, quad, rectangle_factor

FAR = 60.0
GAP = 0.3

# a matt square of 0.4 m that faces the middle of the wall from GAP, of reflectance 0.6
FACING = quad(
    np.array([[0.2, -0.2, GAP], [-0.2, -0.2, GAP], [-0.2, 0.2, GAP], [0.2, 0.2, GAP]]), "bridge", 0.6, size=32
)
SHARE = rectangle_factor(0.4, 0.4, GAP, 0.0)


def speck(level: float = 0.0) -> Surface:
    """A wall so small that it takes no light from what stands before it."""
    return quad(np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * 0.001, level=level, size=16)


def lighting(*lamps: Lamp, cards: tuple[Card, ...] = (), **light) -> Lighting:
    given = Light(**light)
    return Lighting(tuple(lamps), given, reference_light(lamps, given), tuple(cards))


def behind(z: float = 0.0) -> Lamp:
    """A lamp far behind the wall, that lights what faces the wall evenly."""
    return Lamp(name="key", position=(0.0, 0.0, -FAR), aim=(0.0, 0.0, z), lux=1000.0)


def baked(wall: Surface, lit: Lighting, bridge: Surface | None = None) -> BakedLight:
    other = replace(plate(0.01, z=-2.0 * FAR, size=8) if bridge is None else bridge, name="bridge")
    sight = SightLines([replace(wall, name="wall"), other])
    return bake_bridge(bake_wall(wall, lit, sight), other, sight)


def middle(picture: np.ndarray) -> float:
    h, w = picture.shape[0] // 2, picture.shape[1] // 2
    return float(picture[h, w, 1])


def test_ambient_light_is_kept_off_and_thrown_back() -> None:
    """Of the light from everywhere the square keeps its view factor F off, and throws 0.6 F of it back."""
    light = baked(speck(), lighting(ambient=400.0), FACING)
    assert middle(light.clean) == pytest.approx(1.0, abs=0.01)
    assert middle(light.wall) == pytest.approx(1.0 - SHARE + 0.6 * SHARE, abs=0.02)
    none = baked(speck(), lighting(ambient=400.0, bounce=False), FACING)
    assert middle(none.wall) == pytest.approx(1.0 - SHARE, abs=0.02)


def test_a_lamps_light_is_thrown_back_too_and_exposure_is_for_all_light() -> None:
    """Lamp 1000 lux and 500 from everywhere: shares of 1500. The lamp lights the square alone."""
    light = baked(speck(), lighting(behind(GAP), ambient=500.0), FACING)
    thrown = 0.6 * SHARE * (1000.0 + 500.0) / 1500.0
    assert middle(light.wall) == pytest.approx((1.0 - SHARE) * 500.0 / 1500.0 + thrown, abs=0.02)


def white(colour_hex: str = "#ffffff", kind: str = "bounce") -> Card:
    """A card of 0.4 m that faces the wall from GAP."""
    return Card(name="card", kind=kind, position=(0.0, 0.0, GAP), size=(0.4, 0.4), colour=colour_hex)


@pytest.mark.parametrize("grey", ["#ffffff", "#808080", "#000000"])
def test_a_bounce_card_throws_back_the_light_from_everywhere(grey: str) -> None:
    light = baked(speck(), lighting(ambient=400.0, cards=(white(grey),)))
    sent = float(colour.decoded(int(grey[1:3], 16) / 255.0))
    assert middle(light.clean) == pytest.approx(1.0 - SHARE + sent * SHARE, abs=0.02)


def test_a_flag_throws_nothing_back() -> None:
    light = baked(speck(), lighting(ambient=400.0, cards=(white(kind="flag"),)))
    assert middle(light.clean) == pytest.approx(1.0 - SHARE, abs=0.02)


def test_a_bridge_in_its_light_dims_a_card() -> None:
    """The bridge stands between lamp and card, not between card and wall: the card's light on the wall goes."""
    between = plate(2.0, z=-1.0, size=16)
    lit = lighting(behind(GAP), cards=(white(),), bounce=False)
    light = baked(speck(), lit, between)
    assert middle(light.clean) == pytest.approx(SHARE, rel=0.03)
    assert middle(light.wall) == pytest.approx(0.0, abs=1e-6)
    # and what shines on the finished set is the dimmed card
    sight = SightLines([replace(speck(), name="wall"), replace(between, name="bridge")])
    card = lit_emitters(lit, sight)[1]
    assert card.level is not None
    assert float(card.level.max()) == 0.0


def test_a_lamp_that_a_bridge_covers_by_half_gives_half() -> None:
    """A square face, half of it behind a half plane that ends on the axis."""
    lamp = Lamp(name="key", position=(0.0, 0.0, 2.0), aim=(0.0, 0.0, 0.0), size=(0.4, 0.4), lux=1000.0)
    half = quad(np.array([[0, -3, 1], [3, -3, 1], [3, 3, 1], [0, 3, 1]], dtype=float), "bridge", size=8)
    light = baked(speck(), lighting(lamp, bounce=False), half)
    assert middle(light.clean) == pytest.approx(1.0, abs=0.01)
    assert middle(light.wall) == pytest.approx(0.5, abs=0.03)
    assert middle(light.shadow) == pytest.approx(0.5, abs=0.03)
    assert int(light.seen_wall[0][8, 8]) == pytest.approx(127.5, abs=8)


def test_of_a_face_covered_by_a_quarter_three_are_seen() -> None:
    """A half plane that ends half way between the axis and the face's rim."""
    lamp = Lamp(name="key", position=(0.0, 0.0, 2.0), aim=(0.0, 0.0, 0.0), size=(0.4, 0.4), lux=1000.0)
    edge = quad(np.array([[0.05, -3, 1], [3, -3, 1], [3, 3, 1], [0.05, 3, 1]], dtype=float), "bridge", size=8)
    assert middle(baked(speck(), lighting(lamp, bounce=False), edge).wall) == pytest.approx(0.75, abs=0.03)


@pytest.mark.parametrize("up", [0.002, 0.02, 1.7])
def test_shadow_falls_from_right_above_the_wall_as_from_near_the_lamp(up: float) -> None:
    lamp = Lamp(name="key", position=(0.0, 0.0, 2.0), aim=(0.0, 0.0, 0.0), lux=1000.0)
    light = baked(speck(), lighting(lamp, bounce=False), plate(0.1, z=up, size=16))
    assert middle(light.clean) == pytest.approx(1.0, abs=0.01)
    assert middle(light.wall) == 0.0


def test_two_lamps_add_up_each_in_its_own_colour() -> None:
    """A 3200 K lamp under a balance of 5600 K beside a balanced one; tints by previz.colour, tested elsewhere."""
    place = {"position": (0.0, 0.0, 2.0), "aim": (0.0, 0.0, 0.0)}
    warm = Lamp(name="warm", lux=250.0, kelvin=3200.0, **place)
    even = Lamp(name="even", lux=750.0, kelvin=5600.0, **place)
    light = baked(speck(), lighting(warm, even, bounce=False, white_balance=5600.0)).clean[8, 8]
    wanted = 0.25 * np.asarray(colour.lamp_tint(3200.0, 5600.0)) + 0.75
    assert light == pytest.approx(wanted, rel=0.01)


def test_the_box_of_a_bridge_holds_it() -> None:
    corners = np.array([[-1.0, 0.0, 2.0], [3.0, 0.5, 2.5]])
    box = box_of(corners)
    assert np.all(box.low < corners.min(axis=0))
    assert np.all(box.high > corners.max(axis=0))
    assert np.abs(box.high - corners.max(axis=0)).max() < 1e-3


def test_light_of_the_brightest_share_comes_from_the_whole_face() -> None:
    """Radiance times area is the strength: pi / 4 of a square's for a disc as wide."""
    square, disc = (
        Emitter("lamp", emitter_of(behind(), Light(), 1.0).frame, (0.4, 0.4), is_disc, 2.0, np.ones(3))
        for is_disc in (False, True)
    )
    places = square.places(64)
    assert square.weights(places).sum() / 3.0 == pytest.approx(2.0 * 0.16, rel=1e-5)
    assert disc.weights(disc.places(64)).sum() / 3.0 == pytest.approx(2.0 * 0.16 * math.pi / 4.0, rel=1e-5)


def test_sheen_is_the_paints_share_of_its_surroundings() -> None:
    """The tables' own integral (previz.gloss, tested against a plain sum): more at a flat angle, none from behind."""
    here, up = np.zeros((1, 3)), np.array([[0.0, 1.0, 0.0]])
    eyes = [np.array([0.0, math.sin(a), math.cos(a)]) for a in (0.2, 0.8)]
    got = [float(ambient_sheen(here, up, "satin", eye)[0]) for eye in eyes]
    wanted = [float(gloss.albedo(float(eye[1]), gloss.ROUGHNESS["satin"])) for eye in eyes]
    assert got == pytest.approx(wanted, rel=0.03)
    assert got[0] > 2.0 * got[1]
    assert ambient_sheen(here, -up, "satin", eyes[0])[0] == 0.0
