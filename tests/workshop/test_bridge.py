"""The slab, measured: by trimesh's volume and by hand."""

import numpy as np
import pytest
from scipy.integrate import quad

from previz import colour
from previz.workshop.bridge import slab
from previz.workshop.charts import LONGEST_PX, MOST_TEXELS, laid_out
from previz.workshop.set import build_set
from tests.workshop.sets import MM, merged, scene


def built(texel=1 * MM, buried=0.03, **bridge):
    return slab(scene(bridge=bridge).bridge, buried, texel)


SHAPES = [{}, {"taper": 1.6}, {"camber": 0.03}, {"bend": -0.05}, {"camber": -0.02, "bend": 0.04, "taper": 0.5}]


@pytest.mark.parametrize("bridge", SHAPES)
def test_slab_is_closed_and_as_large_as_its_shape_says(bridge: dict) -> None:
    mesh = merged(built(**bridge).surface)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    taper = bridge.get("taper", 1.0)
    # cross-sections parallel to the wall keep their area however the slab bends: width x thickness
    area, _ = quad(lambda z: 50 * MM * (1.0 + (taper - 1.0) * z / 0.4) * 12 * MM, 0.0, 0.4)
    assert mesh.volume == pytest.approx(area + 30 * MM * 50 * MM * 12 * MM, rel=1e-6)


def test_slab_lies_where_the_scene_says() -> None:
    low, high = merged(built(taper=2.0, bend=0.1, camber=0.02).surface).bounds
    assert high == pytest.approx([100 * MM + 50 * MM, 20 * MM, 400 * MM], abs=0.01 * MM)
    assert low[1:] == pytest.approx([-12 * MM, -30 * MM], abs=0.01 * MM)


def test_charts_have_the_true_size() -> None:
    build = built(taper=1.5)
    sizes = {chart.name: np.array(chart.size) / MM for chart in build.charts}
    # by hand: 430 mm long with the buried end, 50 to 75 mm wide, 12 mm thick; the edges lean out 12.5 in 400 mm
    edge = 30.0 + np.hypot(400.0, 12.5)
    assert sizes["top"] == pytest.approx([75.0, 430.0])
    assert sizes["underside"] == pytest.approx([75.0, 430.0])
    assert sizes["left side"] == pytest.approx([12.0, edge])
    assert sizes["right side"] == pytest.approx([12.0, edge])
    assert sizes["front end"] == pytest.approx([75.0, 12.0])
    assert sizes["buried end"] == pytest.approx([50.0, 12.0])
    for chart in build.charts:
        assert chart.outline.min() >= -1e-12
        assert (chart.outline.max(axis=0) <= np.array(chart.size) + 1e-12).all()


@pytest.mark.parametrize("bridge", [{}, {"bend": 0.08, "camber": 0.05}])
def test_charts_keep_their_distance(bridge: dict) -> None:
    build = built(**bridge)
    w, h = build.size_px
    taken = np.zeros((h, w), dtype=int)
    for chart in build.charts:
        assert chart.left_px >= 2
        assert chart.top_px >= 2
        assert chart.left_px + chart.width_px <= w - 2
        assert chart.top_px + chart.height_px <= h - 2
        # one texel of its own on every side: two charts so grown may touch, not overlap
        taken[
            chart.top_px - 1 : chart.top_px + chart.height_px + 1,
            chart.left_px - 1 : chart.left_px + chart.width_px + 1,
        ] += 1
    assert taken.max() == 1


def test_faces_look_outwards_side_by_side() -> None:
    build = built()
    corners = build.surface.vertices[build.surface.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    wanted = {"top": (0, 1, 0), "underside": (0, -1, 0), "left side": (-1, 0, 0), "right side": (1, 0, 0)}
    wanted |= {"front end": (0, 0, 1), "buried end": (0, 0, -1)}
    uv = build.surface.uv[build.surface.faces].mean(axis=1) * build.size_px
    for chart in build.charts:
        inside = (np.abs(uv - (chart.left_px, chart.top_px)) <= (chart.width_px, chart.height_px)).all(axis=1)
        inside &= (uv >= (chart.left_px, chart.top_px)).all(axis=1)
        turned = normal[inside] / np.linalg.norm(normal[inside], axis=1, keepdims=True)
        assert len(turned) >= 2
        np.testing.assert_allclose(turned, np.tile(wanted[chart.name], (len(turned), 1)), atol=1e-9)


def test_texture_is_not_larger_than_it_may_be() -> None:
    build = built(texel=0.02 * MM)
    w, h = build.size_px
    assert w * h <= MOST_TEXELS
    assert max(w, h) <= LONGEST_PX
    assert w * h > 0.7 * MOST_TEXELS
    assert build.texel > 0.02 * MM
    long = laid_out([(0.01, 9.0)], 0.5 * MM)
    assert max(long.width_px, long.height_px) <= LONGEST_PX


def test_bare_bridge_has_its_colour() -> None:
    build = built(colour="#c8b08a")
    # sRGB 200, 176, 138 by IEC 61966-2-1
    wanted = [((c / 255 + 0.055) / 1.055) ** 2.4 for c in (200, 176, 138)]
    np.testing.assert_allclose(build.surface.reflectance[5, 5], wanted, rtol=1e-5)
    assert build.surface.layer == 2
    assert colour.luminance(build.surface.reflectance).std() < 1e-6


@pytest.mark.parametrize("door", [None, {"width": 0.06, "height": 0.1, "depth": 0.08}])
def test_buried_end_leaves_no_gap(door: dict | None) -> None:
    made = build_set(scene({"kind": "slate", "relief": 0.04, "doorway": door}))
    end = made.bridge.surface.vertices[:, 2].min()
    deepest = made.wall.field.z.min()
    assert end <= deepest - 4 * MM
    assert end > made.wall.vertices[:, 2].min()
