"""Strings against Thales and against rays through every triangle by trimesh."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from previz.errors import BuildError
from previz.look.sight import SightLines
from previz.paint.strings import EdgePoint, strings, top_edge_points
from previz.workshop.bridge import slab
from previz.workshop.set import build_set
from previz.workshop.surface import Surface
from tests.look.sets import box, bumpy_wall
from tests.workshop.sets import MM, scene

LENS = np.array([-0.03, 0.43, 1.75])
FLAT = box((-1.0, -1.5, -0.1), (1.0, 1.0, 0.0), name="wall")


def surface(**bridge) -> Surface:
    return slab(scene(bridge=bridge).bridge, 0.03, 2 * MM).surface


def test_flat_wall_by_similar_triangles() -> None:
    points = top_edge_points(surface())
    found = strings(LENS, points, SightLines([FLAT]), "wall")
    assert [s.name for s in found] == [p.name for p in points]
    for point, string in zip(points, found, strict=True):
        # Thales: the wall z = 0 is Z / (Z - z) times as far from the lens as the edge
        wanted = LENS + (point.point - LENS) * LENS[2] / (LENS[2] - point.point[2])
        assert string.wall is not None
        assert np.abs(string.wall - wanted).max() < 1e-3 * MM
        assert np.array_equal(string.edge, point.point)
        assert np.array_equal(string.lens, LENS)


def places_on_ray(mesh: trimesh.Trimesh, origin: np.ndarray, way: np.ndarray) -> np.ndarray:
    """All places (N, 3) where a ray passes through a mesh: every triangle's plane, then trimesh's barycentric shares.

    trimesh's own caster without Embree needs a further library; this is its method on all triangles, in float64.
    """
    normals = mesh.face_normals
    with np.errstate(divide="ignore", invalid="ignore"):
        along = np.einsum("ij,ij->i", mesh.triangles[:, 0] - origin, normals) / (normals @ way)
    ahead = np.flatnonzero(np.isfinite(along) & (along > 0.0) & (along < 10.0))
    places = origin + along[ahead, None] * way
    shares = trimesh.triangles.points_to_barycentric(mesh.triangles[ahead], places)
    return places[(shares > -1e-9).all(axis=1)]


@pytest.mark.parametrize("kind", ["slate", "basalt", "ice"])
def test_rough_wall_by_another_ray_caster(kind: str) -> None:
    built = build_set(scene(wall={"kind": kind, "relief": 0.04}))
    lens = np.array([0.05, 0.2, 1.25])
    points = top_edge_points(built.bridge.surface)
    found = strings(lens, points, SightLines([built.wall, built.bridge.surface]), built.wall.name)
    mesh = trimesh.Trimesh(built.wall.vertices, built.wall.faces, process=False)
    ways = np.stack([p.point - lens for p in points])
    met = 0
    for i, string in enumerate(found):
        on_ray = places_on_ray(mesh, lens, ways[i])
        if not len(on_ray):
            assert string.wall is None
            continue
        first = on_ray[np.linalg.norm(on_ray - lens, axis=1).argmin()]
        if np.linalg.norm(first - lens) < np.linalg.norm(ways[i]):
            assert string.wall is None
            continue
        met += 1
        assert string.wall is not None
        assert np.linalg.norm(string.wall - first) < 0.2 * MM
    assert met >= len(points) - 2


def test_names_and_places_along_a_straight_slab() -> None:
    points = {p.name: p.point for p in top_edge_points(surface())}
    # by hand: a slab of 400 x 50 mm, its top at y = 0
    assert list(points)[:2] == ["left edge, 50 mm from the sill", "left edge, 100 mm from the sill"]
    assert points["left edge, 200 mm from the sill"] == pytest.approx([-0.025, 0.0, 0.2])
    assert points["right edge, 350 mm from the sill"] == pytest.approx([0.025, 0.0, 0.35])
    assert points["right edge, near corner, 400.0 mm from the sill"] == pytest.approx([0.025, 0.0, 0.4])
    assert len(points) == 2 * 8


def test_distances_lie_along_the_edge_of_a_bent_arch() -> None:
    points = [p for p in top_edge_points(surface(bend=0.06, camber=0.03)) if p.name.startswith("left")]
    # the edge itself by its formula (bridge.py: both parabolas), measured in 1 um steps
    s = np.linspace(0.0, 1.0, 400_001)
    edge = np.stack([0.06 * s**2 - 0.025, 4 * 0.03 * s * (1 - s), 0.4 * s], axis=1)
    gone = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(edge, axis=0), axis=1))])
    for k, point in enumerate(points[:-1], 1):
        wanted = [np.interp(k * 0.05, gone, edge[:, i]) for i in range(3)]
        # the slab is made of 64 straight parts
        assert np.linalg.norm(point.point - wanted) < 0.05 * MM
    assert points[-1].point == pytest.approx([0.06 - 0.025, 0.0, 0.4])


def test_mesh_bridge_has_its_upper_corners() -> None:
    # a beam with a square section turned by 30 degrees about its length
    turned = trimesh.creation.box((0.05, 0.05, 0.43))
    turned.apply_transform(trimesh.transformations.rotation_matrix(np.radians(30), [0, 0, 1]))
    turned.apply_translation([0.0, 0.0, 0.185])
    beam = surface()
    mesh = replace(beam, vertices=np.asarray(turned.vertices), faces=np.asarray(turned.faces))
    points = {p.name: p.point for p in top_edge_points(mesh)}
    corners = turned.vertices[turned.vertices[:, 2] > 0.3][:, :2]
    left = corners[np.argmax(corners @ (-1.0, 1.0))]
    right = corners[np.argmax(corners @ (1.0, 1.0))]
    assert points["left edge, 150 mm from the sill"] == pytest.approx([*left, 0.15])
    assert points["right edge, 150 mm from the sill"] == pytest.approx([*right, 0.15])


def test_a_string_past_the_wall_and_one_behind_it() -> None:
    points = [
        EdgePoint("past", np.array([0.9, 0.0, 0.9])),
        EdgePoint("behind", np.array([0.0, 0.0, -0.05])),
        EdgePoint("on it", np.array([0.1, 0.0, 0.0])),
    ]
    past, behind, on_it = strings(LENS, points, SightLines([FLAT]), "wall")
    assert past.wall is None
    assert behind.wall is None
    assert on_it.wall == pytest.approx([0.1, 0.0, 0.0], abs=1e-3 * MM)


def test_only_the_wall_stops_a_string() -> None:
    blocker = box((-0.5, -0.5, 0.5), (0.5, 0.5, 0.6), name="bridge")
    point = EdgePoint("edge", np.array([0.0, 0.0, 0.55]))
    (string,) = strings(LENS, [point], SightLines([FLAT, blocker]), "wall")
    assert string.wall is not None
    assert string.wall[2] == pytest.approx(0.0, abs=1e-3 * MM)
    assert strings(LENS, [], SightLines([FLAT]), "wall") == []


def test_what_cannot_be_strung_is_said() -> None:
    with pytest.raises(BuildError, match="the lens stands on the bridge"):
        strings(LENS, [EdgePoint("corner", LENS)], SightLines([FLAT]), "wall")
    with pytest.raises(BuildError, match="does not come out of the wall"):
        top_edge_points(bumpy_wall(4, relief=0.0).surface)
