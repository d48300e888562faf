"""The slab's one shape at single places, against the formulas written out here; SciPy for area and slope.

The middle runs along parabolas: to the right by ``bend`` at the near end, ``bend p^2``; up by ``camber`` half way,
``4 camber p (1 - p)``; the width goes evenly from ``width`` to ``taper`` times it.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import approx_fprime

from previz.scene.model import Bridge
from previz.scene.shape import Slab, slab_of
from previz.workshop.bridge import slab

MM = 1e-3
# 600 mm long, 80 mm wide at the wall and 40 mm at the end, 10 mm thick; risen by 30 mm, swung by 120 mm
ARCH = Slab(0.6, 0.08, 0.010, 0.5, 0.030, 0.120)


def test_the_slab_half_way_along() -> None:
    assert float(ARCH.half_width(0.3)) == pytest.approx(30.0 * MM)  # 80 x 0.75 / 2
    assert float(ARCH.middle(0.3)) == pytest.approx(30.0 * MM)  # 120 / 4
    assert float(ARCH.level(0.3)) == pytest.approx(30.0 * MM)
    assert float(ARCH.top(0.03, 0.3)) == pytest.approx(30.0 * MM)
    assert float(ARCH.underside(0.03, 0.3)) == pytest.approx(20.0 * MM)
    assert ARCH.on_middle(0.3) == pytest.approx([0.030, 0.030, 0.3])
    left, _, right, _ = ARCH.section(0.3)[0]
    assert left == pytest.approx([0.0, 0.020])
    assert right == pytest.approx([0.060, 0.030])


def test_a_quarter_of_the_way_along() -> None:
    # p = 1/4: 120 / 16, 4 x 30 x 3/16, 80 x 0.875 / 2
    assert ARCH.on_middle(0.15) == pytest.approx([7.5 * MM, 22.5 * MM, 0.15])
    assert float(ARCH.half_width(0.15)) == pytest.approx(35.0 * MM)


def test_nothing_is_beside_the_slab() -> None:
    # half way its edges lie at 0 and 60 mm
    assert np.isfinite(ARCH.top([0.001, 0.059], 0.3)).all()
    assert np.isnan(ARCH.top([-0.001, 0.061], 0.3)).all()
    assert np.isnan(ARCH.underside(0.12, 0.601))


def test_corners_of_the_near_end() -> None:
    # 40 mm wide there, swung by 120, level with the sill
    assert ARCH.near_corners == pytest.approx(np.array([[0.10, 0.0, 0.6], [0.12, 0.0, 0.6], [0.14, 0.0, 0.6]]))
    assert ARCH.near == 0.6
    assert ARCH.bounds[0][1] == pytest.approx(-0.010)
    assert ARCH.bounds[1] == pytest.approx([0.14, 0.030, 0.6], abs=1e-4)


@pytest.mark.parametrize("z", [0.1, 0.3, 0.55])
def test_slope_and_way_ahead_are_derivatives(z: float) -> None:
    rise = approx_fprime(np.array([z]), lambda at: float(ARCH.level(at[0])), 1e-7)[0]
    swing = approx_fprime(np.array([z]), lambda at: float(ARCH.middle(at[0])), 1e-7)[0]
    assert float(ARCH.slope(z)) == pytest.approx(rise, abs=1e-6)
    assert ARCH.ahead(z) == pytest.approx(np.array([swing, 0.0, 1.0]) / math.hypot(swing, 1.0), abs=1e-6)


def test_volume_and_area_are_integrals() -> None:
    whole = quad(lambda z: 2.0 * float(ARCH.half_width(z)), 0.0, 0.6)[0]
    assert ARCH.volume == pytest.approx(whole * 0.010)
    ring = ARCH.plan[0]
    x, z = ring.T
    # the shoelace formula; 64 straight pieces stand for the parabola
    area = 0.5 * abs(float(x @ np.roll(z, 1) - z @ np.roll(x, 1)))
    assert area == pytest.approx(whole, rel=1e-3)
    z, y = ARCH.elevation[0].T
    assert 0.5 * abs(float(y @ np.roll(z, 1) - z @ np.roll(y, 1))) == pytest.approx(0.6 * 0.010, rel=1e-9)


def test_boxes_of_an_arch_lie_inside_it() -> None:
    low, high = ARCH.boxes
    wide = np.ptp(np.stack([low, high]), axis=0)
    assert (wide > 0.0).all()
    for z in (low[:, 2] + 1e-6, high[:, 2] - 1e-6):
        assert (low[:, 0] >= ARCH.middle(z) - ARCH.half_width(z) - 1e-6).all()
        assert (high[:, 0] <= ARCH.middle(z) + ARCH.half_width(z) + 1e-6).all()
        assert (low[:, 1] >= ARCH.level(z) - 0.010 - 1e-6).all()
        assert (high[:, 1] <= ARCH.level(z) + 1e-6).all()


def test_clearance_from_a_level_slab() -> None:
    level = Slab(0.6, 0.08, 0.010, 1.0, 0.0, 0.0)
    beside, above, below, ahead, corner, inside = level.distance(
        [[0.1, -0.005, 0.3], [0.0, 0.05, 0.3], [0.0, -0.06, 0.3], [0.0, 0.0, 0.7], [0.07, 0.04, 0.3],
         [0.0, -0.002, 0.3]]
    )  # fmt: skip
    assert [beside, above, below, ahead, corner] == pytest.approx([0.06, 0.05, 0.05, 0.1, 0.05])
    assert inside == 0.0
    # between two stations too
    assert level.distance([[0.0, 0.05, 0.6 * 10.5 / 64.0]])[0] == pytest.approx(0.05)


def test_the_workshop_cuts_the_same_shape() -> None:
    bridge = Bridge(length=0.6, width=0.08, thickness=0.010, taper=0.5, camber=0.030, bend=0.120)
    assert slab_of(bridge) == ARCH
    built = slab(bridge, 0.04, 0.001)
    corners = built.surface.vertices
    assert corners.min(axis=0) == pytest.approx([-0.04, -0.010, -0.04], abs=1e-6)
    assert corners.max(axis=0) == pytest.approx([0.14, 0.030, 0.6], abs=1e-4)
    # what is cut: the top as long as its middle's arch, the sides as long as their own edges (lengths by SciPy)
    sizes = {chart.name: chart.size for chart in built.charts}

    def long(change: float) -> float:
        # along an edge that swings by ``change`` more or less than the middle does
        return float(quad(lambda z: math.hypot(1.0, 2.0 * 0.120 * z / 0.36 + change), 0.0, 0.6)[0])

    arch = float(quad(lambda z: math.hypot(1.0, 4.0 * 0.030 * (1.0 - 2.0 * z / 0.6) / 0.6), 0.0, 0.6)[0])
    assert sizes["top"][1] == pytest.approx(0.04 + arch, rel=1e-4)
    # the half width falls from 40 to 20 mm over 600
    assert sizes["left side"][1] == pytest.approx(0.04 + long(20.0 / 600.0), rel=1e-4)
    assert sizes["right side"][1] == pytest.approx(0.04 + long(-20.0 / 600.0), rel=1e-4)
    assert sizes["front end"] == pytest.approx((0.04, 0.010))
