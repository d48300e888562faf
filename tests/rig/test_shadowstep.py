"""The step at a shadow's edge against shadows that can be worked out by hand: a slab before a flat grey wall."""

from __future__ import annotations

import math

import numpy as np
import pytest

from previz import colour
from previz.judge.viewer import WINDOW_DEG, WINDOW_OFFSET
from previz.rig.shadowstep import ShadowEdge, ShadowLight, WallView, strongest_edge, wall_view
from previz.scene.layout import delivered_box_px
from tests.rig.castlight import shadow_light
from tests.search.flatset import AMBIENT, GREY, HALF, NEAR, FlatSet, flat_set

KEY = {"name": "key", "position": (-0.6, 1.4, 2.0), "aim": (0.0, -0.2, 0.0), "lux": 700.0}


def lightness(y: float) -> float:
    """CIE L* of a grey of luminance ``y`` (CIE 15:2004, 8.2.1)."""
    return 116.0 * y ** (1.0 / 3.0) - 16.0


def in_hold(s: FlatSet, longest_px: int = 512, near_px: tuple[float, float] | None = None) -> ShadowEdge:
    """The strongest step of the hold's ends and middle."""
    light = shadow_light(s.wall, s.lighting, s.sight, longest_px=longest_px)
    first, last = s.scene.rail.hold
    box = delivered_box_px(s.scene)
    edges = []
    for frame in sorted({first, (first + last) // 2, last}):
        edge = strongest_edge(wall_view(s.move, frame, s.wall, s.sight, ("wall", "bridge"), box), light, near_px)
        assert edge is not None
        edges.append(edge)
    return max(edges, key=lambda edge: edge.step)


def lux_at(lamp, point) -> float:
    """Inverse square and cosine of a point lamp on the wall (Lambert)."""
    way, reach = np.array(lamp["position"]) - point, np.array(lamp["position"]) - np.array(lamp["aim"])
    return lamp["lux"] * float(reach @ reach) * way[2] / float(np.linalg.norm(way)) ** 3


def in_shadow(lamp, place) -> float:
    """How far (m) a place on the wall lies from the outline of the slab's shadow, by projecting the slab from the
    lamp: the hull of its eight corners' shadows."""
    from shapely import MultiPoint, Point

    centre = np.array(lamp["position"])
    corners = [(x, y, z) for x in (-HALF, HALF) for y in (-0.02, 0.0) for z in (0.2, NEAR)]
    shadows = [centre + (c - centre) * centre[2] / (centre[2] - c[2]) for c in map(np.array, corners)]
    return float(MultiPoint([s[:2] for s in shadows]).convex_hull.exterior.distance(Point(*place[:2])))


def test_a_hard_shadows_edge() -> None:
    """Strength by CIE's formula for L* on grey; place on the projected slab's outline, within two pixels."""
    s = flat_set([KEY])
    edge = in_hold(s)
    reference = s.lighting.reference
    key = lux_at(KEY, np.array(edge.place))
    wanted = lightness(GREY * (AMBIENT + key) / reference) - lightness(GREY * AMBIENT / reference)
    assert edge.step == pytest.approx(wanted, rel=0.03)
    assert edge.lamp == "key"
    assert edge.left == pytest.approx(0.0, abs=0.1)
    camera = s.move.camera(edge.frame)
    px = camera.project(np.array(edge.place))
    assert np.linalg.norm(px - edge.px) < 3.0
    assert in_shadow(KEY, edge.place) < 12.0 * 1.6 / camera.focal_px


def test_the_lamp_whose_shadow_it_is() -> None:
    """A second lamp on the other side, half as strong: its shadow lies elsewhere."""
    weak = KEY | {"name": "weak", "position": (1.2, 1.0, 2.0), "lux": 150.0}
    s = flat_set([weak, KEY])
    edge = in_hold(s)
    assert edge.lamp == "key"
    assert edge.left < 0.5 * edge.step
    # near a place it is the shadow that lies there: the weak lamp's falls to the left, by projecting the near end
    corner, centre = np.array([-HALF, -0.02, NEAR]), np.array(weak["position"])
    place = centre + (corner - centre) * centre[2] / (centre[2] - NEAR)
    x, y = s.move.camera(s.scene.rail.hold[0]).project(place)
    there = in_hold(s, near_px=(float(x), float(y)))
    assert there.lamp == "weak"
    assert 1.0 < there.step < edge.step
    assert np.linalg.norm(np.array(there.px) - [x, y]) < 25.0


def test_a_soft_lamp_makes_a_weaker_edge() -> None:
    hard, soft, softer = (in_hold(flat_set([KEY | {"size": size}]), 224) for size in (0.0, 0.4, 1.0))
    assert hard.step > 1.2 * soft.step > 1.5 * softer.step


def test_no_lamp_and_no_shadow() -> None:
    edge = in_hold(flat_set([]))
    assert (edge.step, edge.lamp) == (0.0, "")


def test_no_wall_and_no_edge() -> None:
    s = flat_set([KEY], camera={"position": (0.0, 0.35, 1.5), "lens": 0.035, "tilt": 1.4})
    view = wall_view(s.move, 1001, s.wall, s.sight, ("wall", "bridge"), delivered_box_px(s.scene))
    assert strongest_edge(view, shadow_light(s.wall, s.lighting, s.sight, longest_px=64)) is None


def test_a_shadow_that_the_slab_hides() -> None:
    """A lamp at the station point: whatever it cannot see the lens cannot either."""
    at_lens = KEY | {"position": (0.0, 0.35, 1.5)}
    s = flat_set([at_lens], texture_px=1200, rail={"travel": 0.0, "frames": 1, "hold": (1001, 1001)})
    edge, beside = in_hold(s, 1200), in_hold(flat_set([KEY]))
    # light is cast on a map of texels as large as a pixel: half a texel of shadow lies beside the slab
    assert edge.step < 0.3 * beside.step


@pytest.fixture(scope="module")
def view() -> WallView:
    """A view of nothing but wall."""
    s = flat_set([KEY])
    return wall_view(s.move, 1005, s.wall, s.sight, ("wall",), delivered_box_px(s.scene), 540)


@pytest.mark.parametrize("way", [(1.0, 0.0), (0.0, 1.0), (0.70710678, 0.70710678), (0.70710678, -0.70710678)])
def test_a_straight_edge_reads_its_height(view: WallView, way: tuple[float, float]) -> None:
    x, y = view.px[..., 0] - 480.0, view.px[..., 1] - 270.0
    laid = np.where(x * way[0] + y * way[1] > 0.0, 3.0, 0.0)
    change = np.zeros((int(view.on_wall.sum()), 3), dtype=np.float32)
    change[:, 1] = laid[view.on_wall]
    assert float(view.steps(change).max()) == pytest.approx(3.0, rel=0.04)


def test_a_blurred_edge_reads_less(view: WallView) -> None:
    """An edge blurred by a Gaussian of s px through windows of w px reads erf(1.5 w / sqrt(2 (w^2 + s^2))) of
    erf(1.5 / sqrt 2); the largest window reads most."""
    from scipy.special import erf

    blur = 12.0
    laid = 2.5 * (1.0 + erf((view.px[..., 0] - 480.0) / blur / math.sqrt(2.0)))
    change = np.zeros((int(view.on_wall.sum()), 3), dtype=np.float32)
    change[:, 0] = laid[view.on_wall]
    w = max(WINDOW_DEG) * view.viewer.px_per_deg
    wanted = 5.0 * erf(WINDOW_OFFSET * w / math.sqrt(2.0 * (w**2 + blur**2))) / erf(WINDOW_OFFSET / math.sqrt(2.0))
    assert float(view.steps(change).max()) == pytest.approx(float(wanted), rel=0.04)


def test_changes_of_colour_are_cielabs(view: WallView) -> None:
    """Against the package's CIELAB, which is held against colour-science."""
    rng = np.random.default_rng(5)
    light, other = (rng.uniform(0.0, 3.0, (len(view.uv), 3)).astype(np.float32) for _ in range(2))
    light[:50] *= 0.01
    bright, dark = (colour.lab(np.clip(GREY * a.astype(np.float64), 0.0, 1.0)) for a in (light, other))
    np.testing.assert_allclose(view.change(light, other), bright - dark, atol=2e-3)


def test_light_without_one_lamps_shadow() -> None:
    clean = np.ones((2, 3, 3), dtype=np.float32)
    light = ShadowLight(clean, (0.25 * clean, 0.5 * clean), ("a", "b"))
    np.testing.assert_allclose(light.shadowed, 0.25 * clean)
    np.testing.assert_allclose(light.without(1).shadowed, 0.75 * clean)
