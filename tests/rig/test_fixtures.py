"""How bright lamps at hand can be and have to be, against the inverse square and closed forms."""

from __future__ import annotations

import math

import pytest

from previz.rig.fixtures import Fixture, Spot, bright, candela_a_lux, dimmed, fits_count, fixtures_of
from previz.scene.model import Lamp
from previz.scene.rig.athand import LampAtHand
from previz.scene.rig.lampplaces import Direction, LampStand
from tests.search.flatset import flat_set


def placed(away: float, size: float = 0.0) -> Lamp:
    return Lamp(name="a", position=(0.0, 0.0, away), aim=(0.0, 0.0, 0.0), size=size, lux=1.0)


def fixture(candela: float = 900.0, count: int = 2, name: str = "head") -> Fixture:
    return Fixture(name, placed(1.0), candela, 100.0, False, True, count)


def spot(away: float, of: Fixture | None = None) -> Spot:
    used = of or fixture()
    lamp = placed(away)
    return Spot(used, Direction(0.0, 0.0), away, lamp, LampStand(0.0, 0.0, 1.0, 0.0), used.full_lux(lamp))


def test_a_point_goes_by_the_inverse_square() -> None:
    assert candela_a_lux(placed(2.0)) == pytest.approx(4.0, rel=1e-6)
    assert fixture(900.0).full_lux(placed(3.0)) == pytest.approx(100.0, rel=1e-6)


@pytest.mark.parametrize("away", [0.5, 1.0, 3.0])
def test_a_disc_gives_less_near_by(away: float) -> None:
    """A Lambert disc of radius r and intensity I gives I / (d^2 + r^2) on its axis (textbook photometry)."""
    assert candela_a_lux(placed(away, 0.8)) == pytest.approx(away**2 + 0.4**2, rel=0.01)


def test_a_data_sheet_is_believed() -> None:
    scene = flat_set([]).scene.model_copy(
        update={"at_hand": (LampAtHand(name="head", size=0.6, lux=500.0, watts=40.0),)}
    )
    (made,) = fixtures_of(scene)
    assert made.full_lux(placed(1.0, 0.6)) == pytest.approx(500.0, rel=1e-6)


def test_the_scenes_own_lamps_are_at_hand_where_none_is_named() -> None:
    scene = flat_set([{"name": "key", "position": (0.0, 1.0, 2.0), "aim": (0.0, 0.0, 0.0), "lux": 200.0}]).scene
    (made,) = fixtures_of(scene)
    assert made.candela == pytest.approx(200.0 * 5.0, rel=1e-6)
    assert made.count == 1


def test_the_exposure_is_shared_out() -> None:
    """Two lamps, one giving twice the other's part: at the wall together what is needed."""
    found = dimmed([spot(1.0), spot(2.0)], [2.0, 1.0], [0.5, 0.8], 40.0, 340.0)
    assert found.wall == pytest.approx(340.0)
    assert [lux * gain for lux, gain in zip(found.lux, (0.5, 0.8), strict=True)] == pytest.approx([200.0, 100.0])
    # the second is at full first: 225 lux at its aim, 180 at the wall where 100 are asked for
    assert found.spare == pytest.approx(math.log2((40.0 + 1.8 * 300.0) / 340.0))


def test_lamps_that_cannot_give_it() -> None:
    found = dimmed([spot(3.0)], [1.0], [0.5], 0.0, 400.0)
    assert found.lux == pytest.approx((100.0,))
    assert found.wall == pytest.approx(50.0)
    assert found.spare == pytest.approx(math.log2(50.0 / 400.0))


def test_names_and_numbers() -> None:
    two = [spot(1.0), spot(2.0), spot(2.0, fixture(name="panel", count=1))]
    lamps = bright(two, [10.0, 20.0, 30.126])
    assert [lamp.name for lamp in lamps] == ["head 1", "head 2", "panel"]
    assert [lamp.lux for lamp in lamps] == [10.0, 20.0, 30.1]
    assert fits_count(two)
    assert not fits_count([*two, two[2]])


def test_a_larger_face_costs_what_the_diffuser_takes() -> None:
    larger = Fixture("a", placed(1.0, 0.3), 800.0, None, False, True, 1).larger(2.0, 1.0)
    assert larger.model.size == pytest.approx(0.6)
    assert larger.candela == pytest.approx(400.0)
