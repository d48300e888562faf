"""Texels against barycentric coordinates from trimesh, and their size in the world."""

from dataclasses import fields

import numpy as np
import pytest
import trimesh

from previz.look.sampling import bilinear
from previz.workshop.bridge import slab
from previz.workshop.set import build_wall
from previz.workshop.surface import Surface
from previz.workshop.texels import texel_points
from tests.workshop.sets import MM, scene


def plain(surface: Surface) -> Surface:
    """The same surface without its height field."""
    return Surface(**{field.name: getattr(surface, field.name) for field in fields(Surface)})


def recomputed(surface: Surface, face: np.ndarray, uv: np.ndarray) -> np.ndarray:
    """World points of places uv (N, 2) on faces (N,), by trimesh's barycentric coordinates."""
    flat = np.pad(surface.uv.astype(np.float64), ((0, 0), (0, 1)))[surface.faces[face]]
    share = trimesh.triangles.points_to_barycentric(flat, np.pad(uv, ((0, 0), (0, 1))))
    return np.einsum("ik,ikj->ij", share, surface.vertices[surface.faces[face]])


def across(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Cross product (N,) of ways in the plane (N, 2)."""
    return a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]


def face_at(surface: Surface, uv: np.ndarray) -> np.ndarray:
    """Number (N,) of the face whose map holds each place, tried one after the other; -1 for none."""
    corner = surface.uv.astype(np.float64)[surface.faces]
    a, b, c = corner[:, 0], corner[:, 1], corner[:, 2]
    out = np.full(len(uv), -1)
    for i, p in enumerate(uv):
        s = [across(q - o, p - o) for o, q in ((a, b), (b, c), (c, a))]
        size = np.abs(across(b - a, c - a))
        inside = (np.minimum.reduce(s) >= -1e-9) | (np.maximum.reduce(s) <= 1e-9)
        found = np.flatnonzero(inside & (size > 1e-12))
        out[i] = found[0] if len(found) else -1
    return out


@pytest.mark.filterwarnings("ignore:Arrays of 2-dimensional vectors:DeprecationWarning")
@pytest.mark.parametrize("which", ["wall", "wall as a mesh", "bridge"])
def test_texels_lie_where_the_map_says(which: str) -> None:
    made = scene({"kind": "ice", "triangles": 2000}, {"camber": 0.02, "bend": 0.03, "taper": 1.4})
    if which == "bridge":
        surface, size = slab(made.bridge, 0.03, 1 * MM).surface, None
    else:
        wall, _ = build_wall(made)
        surface, size = wall if which == "wall" else plain(wall), (320, 250)
    w, h = size or surface.reflectance.shape[1::-1]
    texels = texel_points(surface, w, h)
    rng = np.random.default_rng(4)
    rows, columns = rng.integers(0, h, 150), rng.integers(0, w, 150)
    uv = np.column_stack([(columns + 0.5) / w, (rows + 0.5) / h])
    face = face_at(surface, uv)
    on = face >= 0
    assert on.sum() > 50
    assert texels.valid[rows, columns][on].all()
    np.testing.assert_allclose(texels.points[rows, columns][on], recomputed(surface, face[on], uv[on]), atol=0.01 * MM)
    length = np.linalg.norm(texels.normals[texels.valid], axis=1)
    np.testing.assert_allclose(length, 1.0, atol=1e-5)


def test_grid_and_mesh_agree() -> None:
    wall, _ = build_wall(scene({"kind": "slate", "doorway": {"width": 0.06, "height": 0.1}}))
    one, other = texel_points(wall, 300, 233), texel_points(plain(wall), 300, 233)
    assert other.valid.all()
    np.testing.assert_allclose(one.points, other.points, atol=0.01 * MM)
    # smooth normals turn at most half a facet away from the facets' own
    assert np.median(np.einsum("...i,...i->...", one.normals, other.normals)) > 0.98


def test_a_texel_has_its_true_size() -> None:
    build = slab(scene().bridge, 0.03, 0.7 * MM)
    texels = texel_points(build.surface, *build.size_px)
    assert build.texel == 0.7 * MM
    for chart in build.charts:
        part = texels.points[
            chart.top_px : chart.top_px + chart.height_px, chart.left_px : chart.left_px + chart.width_px
        ].astype(np.float64)
        for axis in (0, 1):
            step = np.linalg.norm(np.diff(part, axis=axis), axis=-1)
            np.testing.assert_allclose(step, 0.7 * MM, atol=0.001 * MM, err_msg=chart.name)


def test_an_arched_and_bent_slab_is_hardly_stretched() -> None:
    build = slab(scene(bridge={"camber": 0.03, "bend": 0.04}).bridge, 0.03, 0.7 * MM)
    texels = texel_points(build.surface, *build.size_px)
    top = build.charts[0]
    part = texels.points[top.top_px : top.top_px + top.height_px, top.left_px : top.left_px + top.width_px]
    inside = texels.valid[top.top_px : top.top_px + top.height_px, top.left_px : top.left_px + top.width_px]
    step = np.linalg.norm(np.diff(part.astype(np.float64), axis=0), axis=-1)[inside[1:] & inside[:-1]]
    assert np.percentile(step, [1, 99]) == pytest.approx([0.7 * MM, 0.7 * MM], rel=0.02)


def test_a_bilinear_look_at_a_chart_border_is_safe() -> None:
    build = slab(scene(bridge={"taper": 1.5}).bridge, 0.03, 1 * MM)
    surface = build.surface
    w, h = build.size_px
    texels = texel_points(surface, w, h)
    for face in range(len(surface.faces)):
        corners = surface.faces[face]
        for a, b in ((0, 1), (1, 2), (2, 0)):
            share = np.linspace(0.001, 0.999, 40)[:, None]
            uv = surface.uv[corners[a]] * (1 - share) + surface.uv[corners[b]] * share
            wanted = surface.vertices[corners[a]] * (1 - share) + surface.vertices[corners[b]] * share
            np.testing.assert_allclose(bilinear(texels.points, uv.astype(np.float64)), wanted, atol=0.02 * MM)


def test_what_lies_in_front_counts() -> None:
    # two squares, one behind the other, on the same map
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=float)
    vertices = np.concatenate([np.column_stack([square, np.full(4, z)]) for z in (0.2, -0.3)])
    faces = np.array([[0, 1, 2], [0, 2, 3], [4, 5, 6], [4, 6, 7]], dtype=np.int32)
    uv = np.tile(np.column_stack([square[:, 0], 1 - square[:, 1]]), (2, 1)).astype(np.float32)
    for order in (faces, faces[::-1].copy()):
        surface = Surface("wall", 1, vertices, order, uv, np.zeros((4, 4, 3), np.float32))
        texels = texel_points(surface, 16, 16)
        assert texels.valid.all()
        np.testing.assert_allclose(texels.points[..., 2], 0.2, atol=1e-6)
