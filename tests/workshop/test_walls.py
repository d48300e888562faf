"""Walls made by rule: their mesh by trimesh, their openings by its ray caster."""

import numpy as np
import pytest

from previz.scene.model import WALL_KINDS
from previz.workshop.relief import JAMB, GridSurface, Opening, straight_on
from previz.workshop.set import RULES, build_set, build_wall
from previz.workshop.texels import texel_points
from previz.workshop.walls.photo import doorway_darkened
from tests.workshop.sets import MM, depth_along_z, merged, scene

KINDS = tuple(RULES)
# all but the one that is flat
CARVED = tuple(kind for kind in KINDS if kind != "board")
DOOR = {"width": 0.06, "height": 0.11, "depth": 0.05}


def wall_of(**wall) -> GridSurface:
    surface, cautions = build_wall(scene(wall))
    assert isinstance(surface, GridSurface)
    assert cautions == ()
    return surface


def test_every_kind_of_a_scene_file_has_a_rule() -> None:
    assert KINDS == WALL_KINDS


@pytest.mark.parametrize("kind", KINDS)
def test_wall_is_closed_and_faces_outwards(kind: str) -> None:
    mesh = merged(wall_of(kind=kind, doorway=DOOR))
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume > 0.0


@pytest.mark.parametrize("triangles", [200, 3000, 200_000])
@pytest.mark.parametrize("door", [None, DOOR])
@pytest.mark.parametrize("shape", [(0.9, 0.7), (0.3, 1.2)])
def test_as_many_triangles_as_asked_for(triangles: int, door: dict | None, shape: tuple[float, float]) -> None:
    width, height = shape
    surface = wall_of(kind="slate", triangles=triangles, doorway=door, texture_px=64, width=width, height=height)
    # of 200 triangles a doorway alone takes most
    limit = 0.1 if triangles >= 3000 or door is None else 0.4
    assert abs(len(surface.faces) / triangles - 1.0) <= limit


def test_a_million_triangles() -> None:
    surface = wall_of(kind="basalt", triangles=1_000_000, texture_px=64)
    assert abs(len(surface.faces) / 1e6 - 1.0) <= 0.1


@pytest.mark.parametrize("kind", KINDS)
def test_relief_stays_within_its_depth(kind: str) -> None:
    z = wall_of(kind=kind, relief=0.04).field.z
    assert z.min() >= -20 * MM - 1e-12
    assert z.max() <= 20 * MM + 1e-12
    if kind != "board":
        # and uses most of it
        assert np.percentile(z, 98) - np.percentile(z, 2) > 12 * MM


@pytest.mark.parametrize("kind", KINDS)
def test_paint_is_paint_and_lies_light_beside_dark(kind: str) -> None:
    paint = wall_of(kind=kind, texture_px=512).reflectance
    assert paint.dtype == np.float32
    assert paint.shape == (398, 512, 3)
    assert paint.min() >= 0.02
    assert paint.max() <= 0.90
    level = paint.mean(axis=2)
    # within 40 mm of most places there is something twice as light
    tile = level[: 398 // 22 * 22, : 512 // 22 * 22].reshape(18, 22, 23, 22).swapaxes(1, 2).reshape(-1, 22 * 22)
    ratio = np.percentile(tile, 95, axis=1) / np.percentile(tile, 5, axis=1)
    assert np.median(ratio) > 2.0


@pytest.mark.parametrize("kind", KINDS)
def test_same_seed_same_bytes_other_seed_other_wall(kind: str) -> None:
    one, again, other = (wall_of(kind=kind, seed=seed) for seed in (7, 7, 8))
    assert one.vertices.tobytes() == again.vertices.tobytes()
    assert one.reflectance.tobytes() == again.reflectance.tobytes()
    assert np.abs(one.reflectance - other.reflectance).mean() > 0.02
    if kind != "board":
        assert np.abs(one.field.z - other.field.z).mean() > 1 * MM


def test_a_map_seen_straight_on_is_the_front_alone() -> None:
    """What is painted on a map by where its texels lie is found at even places of the front again."""
    wall = wall_of(kind="board", texture_px=900, doorway=DOOR, relief=0.0)
    height, width = wall.reflectance.shape[:2]
    front = straight_on(texel_points(wall, width, height).points, wall.field)
    assert front.shape == (700, 900, 3)
    x, y = ((np.arange(900) + 0.5) / 900 - 0.5) * 0.9, 0.4 - (np.arange(700) + 0.5) / 700 * 0.7
    # a texel is 1 mm
    assert np.abs(front[..., 0] - x).max() < 0.6 * MM
    assert np.abs(front[..., 1] - y[:, None]).max() < 0.6 * MM


@pytest.mark.parametrize("kind", CARVED)
def test_finer_wall_is_the_same_wall(kind: str) -> None:
    coarse, fine = (wall_of(kind=kind, triangles=n, texture_px=64).field for n in (12_000, 60_000))
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(-0.4, 0.4, 60), np.linspace(-0.25, 0.35, 50)))
    assert np.corrcoef(coarse.at(x, y), fine.at(x, y))[0, 1] > 0.9


def test_height_field_is_the_surface() -> None:
    surface = wall_of(kind="ice")
    rng = np.random.default_rng(2)
    x, y = rng.uniform(-0.44, 0.44, 500), rng.uniform(-0.29, 0.39, 500)
    seen = depth_along_z(surface, x, y)
    np.testing.assert_allclose(surface.field.at(x, y), seen, atol=0.01 * MM)


def test_map_lies_straight_on() -> None:
    surface = wall_of(kind="slate")
    front = surface.vertices[: surface.field.z.size]
    uv = surface.uv[: surface.field.z.size]
    np.testing.assert_allclose(uv[:, 0], front[:, 0] / 0.9 + 0.5, atol=1e-6)
    np.testing.assert_allclose(uv[:, 1], (0.4 - front[:, 1]) / 0.7, atol=1e-6)


@pytest.mark.parametrize("kind", KINDS)
def test_doorway_is_where_it_should_be(kind: str) -> None:
    surface = wall_of(kind=kind, doorway=DOOR, relief=0.04)
    inside_x, inside_y = np.meshgrid([-29.9 * MM, 0.0, 29.9 * MM], [0.1 * MM, 50 * MM, 109.9 * MM])
    np.testing.assert_allclose(depth_along_z(surface, inside_x.ravel(), inside_y.ravel()), -50 * MM, atol=0.01 * MM)
    off = JAMB + 0.1 * MM
    around_x = np.array([-30 * MM - off, 30 * MM + off, 0.0, 0.0])
    around_y = np.array([50 * MM, 50 * MM, 110 * MM + off, -off])
    assert (depth_along_z(surface, around_x, around_y) >= -20 * MM - 0.01 * MM).all()


@pytest.mark.parametrize("sill", [4 * MM, -3 * MM])
def test_a_sill_that_is_not_level_with_the_bridge_lies_where_it_is(sill: float) -> None:
    wall = wall_of(kind="board", texture_px=900, relief=0.0, doorway=DOOR | {"sill": sill})
    just = JAMB + 0.1 * MM
    y = np.array([sill - just, sill + 0.1 * MM, sill + 109.9 * MM, sill + 110 * MM + just])
    depth = depth_along_z(wall, np.zeros(4), y)
    np.testing.assert_allclose(depth, [0.0, -50 * MM, -50 * MM, 0.0], atol=0.01 * MM)
    # the dark inside goes along: 1 mm a texel, rows from the top
    x, y = (np.arange(100) - 49.5) * MM, (149.5 - np.arange(200)) * MM
    grey = np.full((200, 100, 3), 0.5, np.float32)
    level, moved = (doorway_darkened(grey, Opening(0.06, 0.11, 0.05, at), x, y) for at in (0.0, sill))
    assert np.array_equal(np.roll(level, round(-sill / MM), axis=0), moved)
    assert (moved[145 - round(sill / MM), 50] < 0.2).all()


def test_a_wall_is_cleared_about_a_sill_below_the_bridge_too() -> None:
    field = wall_of(kind="slate", relief=0.06, triangles=60_000, doorway=DOOR | {"sill": -25 * MM}).field
    x, y = np.meshgrid(np.linspace(-30 * MM, 30 * MM, 61), np.linspace(-30 * MM, 5 * MM, 45))
    assert field.at(x.ravel(), y.ravel()).max() < 0.0


def test_doorway_is_dark_inside() -> None:
    """On its own map, with each of its sides folded out as far as it is deep; the wall around is what it is without."""
    opened, closed = (wall_of(kind="board", texture_px=900, doorway=door).reflectance for door in (DOOR, None))
    # 1 mm a texel; the sill lies 400 mm below the top, the doorway's top 110 mm above it; 50 texels a side
    assert opened.shape == (closed.shape[0] + 100, closed.shape[1] + 100, 3)
    assert opened[342:450, 472:528].mean() < 0.4 * closed[292:400, 422:478].mean()
    # the sides go on in what is painted just inside
    assert (opened[342:448, 420:470] == opened[342:448, 470:471]).all()
    assert (opened[342:448, 530:580] == opened[342:448, 529:530]).all()
    assert (opened[450:500, 472:528] == opened[449:450, 472:528]).all()
    assert (opened[290:340, 472:528] == opened[340:341, 472:528]).all()
    for rows, into in ((np.s_[:289], np.s_[:289]), (np.s_[402:], np.s_[502:])):
        assert np.array_equal(opened[into][:, :418], closed[rows][:, :418])
        assert np.array_equal(opened[into][:, 582:], closed[rows][:, 482:])


@pytest.mark.parametrize("kind", CARVED)
def test_nothing_of_the_wall_stands_before_the_sill(kind: str) -> None:
    field = wall_of(kind=kind, relief=0.06, triangles=60_000).field
    x, y = np.meshgrid(np.linspace(-30 * MM, 30 * MM, 61), np.linspace(-17 * MM, 5 * MM, 45))
    near = field.at(x.ravel(), y.ravel())
    assert near.max() < 0.0
    # farther off the relief is free again
    x, y = np.meshgrid(np.linspace(-0.4, 0.4, 80), np.linspace(0.06, 0.35, 60))
    assert field.at(x.ravel(), y.ravel()).max() > 5 * MM


def test_a_wall_moved_sideways_takes_its_doorway_along_and_clears_the_bridge():
    wall = {"kind": "slate", "doorway": {"width": 0.08, "height": 0.11, "depth": 0.05}, "triangles": 40000}
    still, moved = (build_set(scene(wall=wall | {"sideways": by}, bridge={"width": 0.06})) for by in (0.0, 0.02))
    assert np.allclose(moved.wall.vertices[:, 0].min(), still.wall.vertices[:, 0].min() + 0.02)
    assert np.array_equal(moved.bridge.surface.vertices, still.bridge.surface.vertices)
    assert np.array_equal(moved.wall.reflectance, still.wall.reflectance)
    # by trimesh's rays: the doorway is where it was put, and no rock stands in front of the bridge's own place
    x = np.array([-0.035, -0.015, 0.015, 0.055, 0.065])
    depth = depth_along_z(moved.wall, x, np.full(5, 0.05))
    assert np.array_equal(depth < -0.045, [False, True, True, True, False])
    under = depth_along_z(moved.wall, np.linspace(-0.029, 0.029, 9), np.full(9, -0.006))
    assert np.all(under < 0.0)
    # carving far from bridge and doorway is the same carving, moved
    far = np.linspace(0.2, 0.35, 12)
    before = depth_along_z(still.wall, far, np.full(12, 0.2))
    assert np.abs(depth_along_z(moved.wall, far + 0.02, np.full(12, 0.2)) - before).max() < 1e-5
