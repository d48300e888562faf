"""Lamps with nothing in the way, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from previz import colour
from previz.scene.model import Card, Lamp, Light
from previz.workshop.light.lamps import card_emitter, emitter_of, unshadowed
from tests.workshop.lit_sets import disc_factor, rectangle_factor

UP = np.array([[0.0, 0.0, 1.0]], dtype=np.float32)
PER_CENT = 0.01


def over(distance, **given):
    """A lamp ``distance`` m over the origin that looks down on it and gives 1 lux there."""
    return Lamp(**({"name": "key", "position": (0.0, 0.0, distance), "aim": (0.0, 0.0, 0.0), "lux": 1.0} | given))


def light_at(lamp, x, y=0.0, normal=UP):
    """Green light, a share of one lux, at a place on the plane z = 0."""
    at = np.array([[x, y, 0.0]], dtype=np.float32)
    return float(unshadowed(emitter_of(lamp, Light(), 1.0), at, normal)[0, 1])


@pytest.mark.parametrize("aside", [0.0, 0.2, 1.0, 4.0])
def test_point_falls_off_with_the_square_and_the_cosine(aside):
    """E = I cos / d^2: the inverse square and the cosine law of the textbooks."""
    distance = np.hypot(1.5, aside)
    assert light_at(over(1.5), aside) == pytest.approx(1.5**2 * (1.5 / distance) / distance**2, rel=1e-4)


@pytest.mark.parametrize("distance", [0.15, 0.3, 1.0, 5.0])
def test_disc_on_its_axis(distance):
    """E = pi L r^2 / (r^2 + d^2) (Walsh, *Photometry*, 1958; from memory): how it rises as the disc comes nearer."""
    radius = 0.15
    lamp = emitter_of(over(distance, size=2 * radius), Light(), 1.0)
    assert lamp.strength * np.pi * radius**2 / (radius**2 + distance**2) == pytest.approx(1.0, rel=PER_CENT)
    assert light_at(over(distance, size=2 * radius), 0.0) == pytest.approx(1.0, rel=PER_CENT)
    # nearer than where it is aimed at
    near = np.array([[0.0, 0.0, 0.5 * distance]], dtype=np.float32)
    got = float(unshadowed(lamp, near, UP)[0, 1])
    wanted = (radius**2 + distance**2) / (radius**2 + 0.25 * distance**2)
    assert got == pytest.approx(wanted, rel=PER_CENT)


@pytest.mark.parametrize("distance", [0.15, 0.3, 1.0])
@pytest.mark.parametrize("aside", [0.05, 0.2, 0.7])
def test_disc_off_its_axis(distance, aside):
    wanted = disc_factor(0.15, distance, aside) / disc_factor(0.15, distance, 0.0)
    assert light_at(over(distance, size=0.3), aside) == pytest.approx(wanted, rel=PER_CENT)


@pytest.mark.parametrize("distance", [0.2, 0.5, 2.0])
@pytest.mark.parametrize("aside", [0.0, 0.2, 0.7])
def test_rectangle_anywhere(distance, aside):
    wanted = rectangle_factor(0.4, 0.2, distance, aside) / rectangle_factor(0.4, 0.2, distance, 0.0)
    assert light_at(over(distance, size=(0.4, 0.2)), aside) == pytest.approx(wanted, rel=PER_CENT)


def test_a_wide_face_is_wide_along_its_own_right():
    """Right of a lamp that looks at the wall from in front is along X: the light reaches farther that way."""
    lamp = over(0.2, size=(0.6, 0.1))
    assert light_at(lamp, 0.3) > 1.5 * light_at(lamp, 0.0, 0.3)


def test_a_small_face_far_away_is_a_point_times_the_cosine_at_the_lamp():
    cosine = 2.0 / np.hypot(2.0, 1.0)
    assert light_at(over(2.0, size=0.01), 1.0) == pytest.approx(light_at(over(2.0), 1.0) * cosine, rel=1e-3)


def test_nothing_behind_a_face():
    behind = np.array([[0.3, 0.0, 2.0]], dtype=np.float32)
    down = -UP
    soft = emitter_of(over(1.0, size=0.2), Light(), 1.0)
    bare = emitter_of(over(1.0), Light(), 1.0)
    assert unshadowed(soft, behind, down)[0, 1] == 0.0
    assert unshadowed(bare, behind, down)[0, 1] > 0.0


def test_nothing_on_the_far_side_of_a_surface():
    assert light_at(over(1.0), 0.0, normal=-UP) == 0.0


@pytest.mark.parametrize(("angle_deg", "share"), [(0.0, 1.0), (11.9, 1.0), (15.0, 0.5), (18.1, 0.0), (13.5, 0.84375)])
def test_a_spot_fades_over_its_edge(angle_deg, share):
    """Cone 30 degrees, edge 20 %: from 12 to 18 degrees, smoothstep 3 s^2 - 2 s^3 (27 / 32 a quarter of the way in)."""
    spot = over(2.0, cone=np.radians(30.0), edge=0.2)
    aside = 2.0 * np.tan(np.radians(angle_deg))
    assert light_at(spot, aside) == pytest.approx(share * light_at(over(2.0), aside), abs=1e-3)


def test_lux_is_face_on_at_the_aim_beam_and_all():
    """A face so near that its rim is outside the beam gives its lux at the aim all the same."""
    lamp = over(0.3, size=0.3, cone=np.radians(20.0), edge=0.5, lux=750.0)
    assert light_at(lamp, 0.0) == pytest.approx(750.0, rel=PER_CENT)


def test_tint_is_that_of_the_lamp_seen_by_the_balanced_camera():
    """Neutral where lamp and balance are the same; otherwise that of previz.colour, tested against colour-science."""
    at = np.zeros((1, 3), dtype=np.float32)
    same = unshadowed(emitter_of(over(1.0, kelvin=3200.0), Light(white_balance=3200.0), 1.0), at, UP)[0]
    assert same == pytest.approx(np.ones(3), rel=1e-3)
    warm = unshadowed(emitter_of(over(1.0, kelvin=3200.0), Light(white_balance=5600.0), 1.0), at, UP)[0]
    assert warm == pytest.approx(colour.lamp_tint(3200.0, 5600.0), rel=1e-3)
    assert warm[0] > 1.2 > 0.8 > warm[2]
    assert colour.luminance(warm) == pytest.approx(1.0, rel=1e-3)


def test_a_card_is_a_face_as_bright_as_its_light():
    """A matt card lit by E sends E r / pi: a rectangle lamp of that radiance (Lambert's polygon formula)."""
    card = Card(name="white", kind="bounce", position=(0.0, 0.0, 0.5), size=(0.4, 0.2))
    level = np.full((8, 8, 3), 0.9, dtype=np.float32)
    for aside in (0.0, 0.3):
        at = np.array([[aside, 0.0, 0.0]], dtype=np.float32)
        got = unshadowed(card_emitter(card, level), at, UP)[0, 1]
        assert got == pytest.approx(0.9 * rectangle_factor(0.4, 0.2, 0.5, aside), rel=PER_CENT)


def test_a_card_lit_on_one_side_is_bright_on_that_side():
    """The level's first column is at the card's own left, the aim's right for one who looks at the card."""
    card = Card(name="white", kind="bounce", position=(0.0, 0.0, 0.3), size=(0.8, 0.2))
    level = np.zeros((8, 8, 3), dtype=np.float32)
    level[:, :4] = 1.0
    left = card_emitter(card, level).frame[1] * -0.3
    at = np.array([[left[0], left[1], 0.0], [-left[0], -left[1], 0.0]], dtype=np.float32)
    bright, dark = unshadowed(card_emitter(card, level), at, np.repeat(UP, 2, axis=0))[:, 1]
    assert bright > 2.0 * dark
