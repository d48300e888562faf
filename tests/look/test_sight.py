"""Sight lines against places and distances known by hand."""

from dataclasses import replace

import numpy as np
import pytest

from previz.geometry import unit
from previz.look.sight import OFFSET, SightLines
from tests.look.sets import MM, ball, box, bumpy_wall, lens

# a micrometre: what a distance may be wrong by
CLOSE = 1e-6


def box_entry(origins, directions, low, high):
    """Distance to a box by slabs: Kay and Kajiya, "Ray Tracing Complex Scenes", SIGGRAPH 1986."""
    with np.errstate(divide="ignore", invalid="ignore"):
        a, b = (np.array(low) - origins) / directions, (np.array(high) - origins) / directions
    near, far = np.minimum(a, b).max(axis=1), np.maximum(a, b).min(axis=1)
    return np.where((near <= far) & (far > 0.0), near, np.inf)


def test_distance_to_a_box_from_all_around():
    low, high = (-0.025, -0.012, 0.0), (0.025, 0.0, 0.85)
    rng = np.random.default_rng(1)
    origins = unit(rng.normal(size=(4000, 3))) * 1.3
    directions = unit(rng.uniform(-0.1, 0.9, (4000, 3)) * (0.1, 0.1, 1.0) - origins)
    hits = SightLines([box(low, high)]).first_hits(origins, directions)
    wanted = box_entry(origins, directions, low, high)
    met = np.isfinite(wanted) & (hits.surface >= 0)
    # rays within a float32 step of the outline may fall on either side
    assert np.mean(np.isfinite(wanted) == (hits.surface >= 0)) > 0.999
    assert met.sum() > 300
    assert np.abs(hits.distance[met] - wanted[met]).max() < CLOSE
    place = origins[met] + wanted[met, None] * directions[met]
    assert np.abs(hits.point[met] - place).max() < CLOSE


def test_place_on_a_texture_and_the_face_it_belongs_to():
    board = box((-0.4, -0.3, -0.1), (0.4, 0.3, 0.0))
    x, y = np.array([-0.39, 0.1, 0.2]), np.array([0.29, 0.05, -0.2])
    origins = np.stack([x, y, np.full(3, 1.0)], axis=-1)
    hits = SightLines([board]).first_hits(origins, np.tile([0.0, 0.0, -1.0], (3, 1)))
    # by hand: u from the left edge, v down from the top edge of the front face
    assert np.allclose(hits.uv, np.stack([(x + 0.4) / 0.8, (0.3 - y) / 0.6], axis=-1), atol=1e-7)
    corners = board.surface.vertices[board.surface.faces[hits.face]]
    assert np.all(corners[..., 2] == 0.0)


def test_where_nothing_is_met():
    ray = np.array([[0.5, 0.5, 2.0]]), np.array([[0.0, 0.0, 1.0]])
    hits = SightLines([box((0, 0, 0), (1, 1, 1))]).first_hits(*ray)
    assert hits.distance[0] == np.inf
    assert hits.surface[0] == hits.face[0] == -1
    assert np.isnan(hits.point).all()
    assert hits.uv.tolist() == [[0.0, 0.0]]


def test_no_ray_slips_through_an_edge_or_a_corner():
    """Aimed at every vertex and at points on every edge, where a caster that works in float32 leaks."""
    wall = bumpy_wall(steps=60)
    surface = wall.surface
    front = surface.faces[: 2 * 60 * 60]
    across = np.linspace(0.1, 0.9, 5)[:, None, None]
    edges = surface.vertices[front[:, 0]] * across + surface.vertices[front[:, 2]] * (1.0 - across)
    targets = np.concatenate([surface.vertices[: 61 * 61], edges.reshape(-1, 3)])
    inside = (np.abs(targets[:, :2]) < (0.88, 1.08)).all(axis=1)
    origin = np.array([0.1, 0.16, 1.25])
    toward = targets[inside] - origin
    length = np.linalg.norm(toward, axis=1)
    hits = SightLines([wall]).first_hits(np.tile(origin, (len(toward), 1)), toward / length[:, None])
    assert np.all(hits.surface == 0)
    # met at the target or, where the wall hides it, before; never behind
    assert np.all(hits.distance < length + 0.05 * MM)
    assert np.mean(np.abs(hits.distance - length) < CLOSE) > 0.8


def test_names_choose_what_a_ray_can_meet():
    near, far = box((-1, -1, 0.5), (1, 1, 0.6), "near"), box((-1, -1, -0.1), (1, 1, 0.0), "far")
    lines = SightLines([far, near])
    ray = np.array([[0.1, 0.2, 1.0]]), np.array([[0.0, 0.0, -1.0]])
    assert lines.first_hits(*ray).distance[0] == pytest.approx(0.4, abs=CLOSE)
    assert lines.first_hits(*ray).surface[0] == lines.number("near")
    assert lines.first_hits(*ray, names=["far"]).distance[0] == pytest.approx(1.0, abs=CLOSE)
    assert lines.first_hits(*ray, names=["far"]).surface[0] == lines.number("far")
    assert lines.first_hits(*ray, names=[]).surface[0] == -1
    with pytest.raises(KeyError):
        lines.first_hits(*ray, names=["bridge"])
    with pytest.raises(ValueError, match="same name"):
        SightLines([near, near])


def test_depth_of_a_ball_lies_between_the_ball_and_its_chords():
    radius, segments = 0.1, 256
    origin = np.array([0.3, 0.2, 0.9])
    rng = np.random.default_rng(2)
    directions = unit(rng.uniform(-0.06, 0.06, (2000, 3)) - origin)
    hits = SightLines([ball(radius, segments)]).first_hits(np.tile(origin, (2000, 1)), directions)
    # ray and sphere: |o + t d|^2 = r^2
    b = directions @ origin
    root = b * b - origin @ origin + radius**2
    wanted = -b - np.sqrt(root)
    # a triangle between points of the sphere lies at most this far inside it, and is seen at an angle
    sag = radius * (1.0 - np.cos(np.pi / segments) ** 2)
    slant = radius / np.sqrt(root)
    assert np.all(hits.distance > wanted - CLOSE)
    assert np.all(hits.distance < wanted + 1.1 * sag * slant)


def test_blocked():
    slab = box((-0.2, -0.2, 0.4), (0.2, 0.2, 0.5), "slab")
    wall = box((-1, -1, -0.1), (1, 1, 0.0), "wall")
    lines = SightLines([wall, slab])
    up = np.tile([0.0, 0.0, 1.0], (2, 1))
    start = np.array([[0.0, 0.0, 0.0], [0.5, 0.0, 0.0]])
    # from the wall's face: it must not block itself, the slab shades the first point only
    assert lines.blocked(start, up, 2.0).tolist() == [True, False]
    assert lines.blocked(start, up, np.inf).tolist() == [True, False]
    assert lines.blocked(start, up, 2.0, names=["wall"]).tolist() == [False, False]
    # too short to reach the slab, and just to its face
    assert lines.blocked(start, up, 0.3).tolist() == [False, False]
    assert lines.blocked(start, up, 0.4).tolist() == [False, False]
    assert lines.blocked(start, up, 0.4 + 5.0 * OFFSET).tolist() == [True, False]
    assert lines.blocked(start, -up, 2.0).tolist() == [True, True]
    assert lines.blocked(start, up, 2.0, names=[]).tolist() == [False, False]


def test_grazing_light_does_not_shade_the_face_that_it_grazes():
    # away from the origin, where a float32 step (0.1 um) is more than such a ray rises at its start
    mesh = ball(0.1, 64).surface
    mesh = replace(mesh, vertices=mesh.vertices + np.array([1.3, -0.7, 1.1]))
    lines = SightLines([mesh])
    corners = mesh.vertices[mesh.faces]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    whole = np.linalg.norm(across, axis=1) > 1e-9
    normals = unit(across[whole])
    centres = corners[whole].mean(axis=1)
    aside = unit(np.cross(normals, [0.3, 0.5, 0.8]))
    grazing = unit(aside + 0.001 * normals)
    assert lines.blocked(centres, grazing, 1.0).any()
    assert not lines.blocked(centres, grazing, 1.0, normals=normals).any()
    assert lines.blocked(centres, unit(aside - 0.05 * normals), 1.0, normals=normals).all()


def test_the_same_picture_in_bands(monkeypatch, sight):
    """A picture is cast in bands to spare memory; where they end must not show."""
    sight.load([bumpy_wall(steps=30), box((-0.1, -0.05, 0.0), (0.1, 0.0, 0.8))])
    whole = sight.draw(lens(), ["wall", "bridge"], depth=True)
    monkeypatch.setattr("previz.look.sight.CHUNK", 7000)
    bands = sight.draw(lens(), ["wall", "bridge"], depth=True)
    assert whole.colour.tobytes() == bands.colour.tobytes()
    assert whole.depth.tobytes() == bands.depth.tobytes()
