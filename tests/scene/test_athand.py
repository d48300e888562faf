"""Lamps at hand: the light of a beam against closed forms, and what cannot be."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from previz.errors import SceneError
from previz.scene.reader import read_scene
from previz.scene.rig.athand import HOT_KINDS, LUMENS_A_WATT, LampAtHand, solid_angle
from previz.scene.schema import scene_schema
from tests.command.scenes import laid


def test_all_of_a_point_and_of_a_face_without_a_beam() -> None:
    """A point sends into 4 pi, a Lambert face as if into pi (photometry's textbook values)."""
    assert solid_angle(True, None, 0.2) == pytest.approx(4.0 * math.pi)
    assert solid_angle(False, None, 0.2) == pytest.approx(math.pi)


@pytest.mark.parametrize("beam_deg", [20.0, 50.0, 90.0])
def test_a_sharp_beam(beam_deg: float) -> None:
    """A cone of half angle a has 2 pi (1 - cos a); with a Lambert face in it, pi sin^2 a."""
    half = math.radians(0.5 * beam_deg)
    assert solid_angle(True, 2.0 * half, 0.0) == pytest.approx(2.0 * math.pi * (1.0 - math.cos(half)), rel=0.01)
    assert solid_angle(False, 2.0 * half, 0.0) == pytest.approx(math.pi * math.sin(half) ** 2, rel=0.01)


def test_intensity_by_watts() -> None:
    """A face of Phi lumens has Phi / pi candela on its axis."""
    lamp = LampAtHand(name="panel", kind="led", size=0.6, watts=100.0)
    assert lamp.candela == pytest.approx(LUMENS_A_WATT["led"] * 100.0 / math.pi)
    beam = LampAtHand(name="head", kind="tungsten", size=0.1, watts=300.0, beam=math.radians(50.0))
    plain = LampAtHand(name="head", kind="tungsten", size=0.1, watts=300.0)
    # gathered into a beam the axis gets more, although optics keep some of it
    assert beam.candela > 2.0 * plain.candela
    assert beam.is_hot
    assert not lamp.is_hot
    assert set(HOT_KINDS) == {"tungsten", "discharge"}
    assert (beam.colour_temperature, lamp.colour_temperature) == (3200.0, 5600.0)


HAND = '\n[[at_hand]]\nname = "panel"\nsize = "600 x 600 mm"\nwatts = 100\ncount = 2\n'


def test_in_a_file(tmp_path: Path) -> None:
    path = laid(tmp_path)
    text = path.read_text(encoding="utf-8")
    path.write_text(text + HAND, encoding="utf-8")
    (lamp,) = read_scene(path).at_hand
    assert (lamp.face, lamp.count, lamp.dims) == ((0.6, 0.6), 2, True)
    path.write_text(text + HAND + HAND.replace("watts = 100", "kind = 'gas'"), encoding="utf-8")
    with pytest.raises(SceneError) as caught:
        read_scene(path)
    told = str(caught.value)
    assert "at_hand[2].kind" in told
    path.write_text(text + HAND + HAND.replace("watts = 100\n", ""), encoding="utf-8")
    with pytest.raises(SceneError, match="watts or lux"):
        read_scene(path)
    path.write_text(text + HAND + HAND.replace("panel", "Panel"), encoding="utf-8")
    with pytest.raises(SceneError, match="a name of its own for every lamp at hand"):
        read_scene(path)


def test_limits_stand_in_the_schema() -> None:
    assert scene_schema()["properties"]["at_hand"]["maxItems"] == 8
