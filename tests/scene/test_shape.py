"""The bridge's one shape against trimesh and shapely (general libraries) and closed forms."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh

from previz.errors import BuildError
from previz.geometry import Array
from previz.scene.foreign import RawMesh
from previz.scene.model import Bridge, Scene
from previz.scene.modelled import Modelled, modelled_shape
from previz.scene.reader import read_scene
from previz.scene.shape import BridgeShape, Outlines, Slab, bridge_shape, slab_of
from previz.workshop.bridge import slab
from tests.scene.causeway import DEEP, DRAIN, FLIGHTS, MM, NEAR, PARAPET, WIDTH, block, causeway, saved

SCENES = Path(__file__).parent.parent.parent / "scenes"
SETS = ("quarry", "seastack", "crevasse")

# coordinates right and up of an outline, and which outline it is
VIEWS = {"plan": (0, 2), "elevation": (2, 1)}


def area(outlines: Outlines) -> float:
    """Signed areas of all rings together, by the shoelace formula."""
    return float(sum(0.5 * (r[:, 0] * np.roll(r[:, 1], -1) - r[:, 1] * np.roll(r[:, 0], -1)).sum() for r in outlines))


def region(outlines: Outlines) -> shapely.Geometry:
    """What rings outline, as shapely sees it: each one's inside turned over against what is there already."""
    out: shapely.Geometry = shapely.Polygon()
    for ring in outlines:
        out = shapely.symmetric_difference(out, shapely.Polygon(ring))
    return out


def silhouette(mesh: trimesh.Trimesh, view: str) -> shapely.Geometry:
    """All of a mesh's triangles in front of the wall, laid flat and united by shapely."""
    front = mesh.slice_plane([0.0, 0.0, 0.0], [0.0, 0.0, 1.0])
    flat = shapely.polygons(front.triangles[:, :, VIEWS[view]])
    return shapely.union_all(flat[(shapely.area(flat) > 1e-14) & shapely.is_valid(flat)])


def off(outlines: Outlines, wanted: shapely.Geometry) -> float:
    """Area by which outlines are off, as a share of what is wanted."""
    return float(shapely.symmetric_difference(region(outlines), wanted).area / wanted.area)


def shape_of(mesh: trimesh.Trimesh) -> Modelled:
    return Modelled(RawMesh(np.asarray(mesh.vertices), np.asarray(mesh.faces), None, None, None))


def built(bridge: Bridge) -> trimesh.Trimesh:
    surface = slab(bridge, 0.04, 0.001).surface
    return trimesh.Trimesh(surface.vertices, surface.faces)


def demonstration(name: str) -> Bridge:
    return read_scene(SCENES / f"{name}.toml").bridge


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("name", SETS)
def test_outlines_of_the_demonstration_sets_are_the_built_mesh_s_silhouettes(name: str, view: str) -> None:
    bridge = demonstration(name)
    outlines = getattr(slab_of(bridge), view)
    wanted = silhouette(built(bridge), view)
    assert off(outlines, wanted) < 1e-6
    assert area(outlines) == pytest.approx(wanted.area, rel=1e-6)


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize(("shift", "swing"), [(0.0, 0.0), (7.0, 60.0)])
def test_outlines_of_a_causeway_are_its_silhouettes(view: str, shift: float, swing: float) -> None:
    mesh = causeway(shift, swing)
    outlines = getattr(shape_of(mesh), view)
    wanted = silhouette(mesh, view)
    assert off(outlines, wanted) < 0.005
    assert area(outlines) == pytest.approx(wanted.area, rel=1e-4)
    # the drain is seen from above, and only from there
    assert len(outlines) == (2 if view == "plan" else 1)


def test_the_hull_that_was_drawn_once_fails_the_same_comparison() -> None:
    mesh = causeway(7.0, 60.0)
    for view, axes in VIEWS.items():
        hull = shapely.MultiPoint(mesh.vertices[:, axes]).convex_hull
        assert off((np.asarray(hull.exterior.coords)[:-1],), silhouette(mesh, view)) > 0.05


@pytest.mark.parametrize("view", VIEWS)
def test_outlines_of_a_rough_mesh(view: str) -> None:
    """A lumpy stone: nearly every edge between its faces is a border somewhere."""
    rng = np.random.default_rng(3)
    stone = trimesh.creation.icosphere(subdivisions=4, radius=0.1)
    stone.vertices *= rng.uniform(0.9, 1.0, (len(stone.vertices), 1)) * (0.5, 0.3, 3.0)
    wanted = silhouette(stone, view)
    assert off(getattr(shape_of(stone), view), wanted) < 1e-4


@pytest.mark.parametrize("z", [0.05, 0.21, 0.3, 0.43, 0.53, 0.6, NEAR])
def test_sections_of_a_causeway_are_trimesh_s(z: float) -> None:
    mesh = causeway(0.0, 30.0)
    found = shape_of(mesh).section(z)
    # parts that overlap are cut one by one; the cut goes a hair beside what runs along it
    nudged = min(z, NEAR - 1e-6) - 1e-7
    cuts = [part.section([0.0, 0.0, 1.0], [0.0, 0.0, nudged]) for part in mesh.split()]
    rings = [shapely.Polygon(line[:, :2]) for cut in cuts if cut is not None for line in cut.discrete]
    wanted = shapely.union_all(rings)
    if z in (0.21, 0.43):  # at a riser either side's cut will do
        after = [part.section([0.0, 0.0, 1.0], [0.0, 0.0, nudged + 2e-7]) for part in mesh.split()]
        other = shapely.union_all([shapely.Polygon(line[:, :2]) for cut in after if cut for line in cut.discrete])
        assert min(off(found, wanted), off(found, other)) < 1e-3
    else:
        assert off(found, wanted) < 1e-3


@pytest.mark.parametrize("name", SETS)
def test_sections_of_a_slab_are_trimesh_s(name: str) -> None:
    bridge = demonstration(name)
    shape, mesh = slab_of(bridge), built(bridge)
    for share in (0.2, 0.5, 0.77):
        z = share * bridge.length
        cut = mesh.section([0.0, 0.0, 1.0], [0.0, 0.0, z])
        wanted = shapely.Polygon(cut.discrete[0][:, :2])
        # chords of 1/64 of the length lie within an eighth of the parabola's second difference of it
        assert off(shape.section(z), wanted) < 0.005
        half, middle = float(shape.half_width(z)), float(shape.middle(z))
        left, low, right, top = wanted.bounds
        sagitta = max(abs(bridge.bend), 4.0 * abs(bridge.camber)) / 64**2
        assert [middle - half, middle + half] == pytest.approx([left, right], abs=sagitta + 1e-9)
        assert [float(shape.underside(middle, z)), float(shape.top(middle, z))] == pytest.approx(
            [low, top], abs=sagitta + 1e-9
        )
    assert shape.section(-0.01) == () == shape.section(bridge.length + 0.01)


def test_ends_and_widths_of_a_causeway() -> None:
    shape = shape_of(causeway(7.0, 60.0))
    assert [shape.far, shape.near] == pytest.approx([0.0, NEAR], abs=1e-6)
    z = np.array([0.0, 0.5 * NEAR, NEAR])
    assert shape.half_width(z) == pytest.approx(3 * [0.5 * WIDTH], abs=1e-6)
    assert shape.middle(z) == pytest.approx([0.007, 0.037, 0.067], abs=1e-6)
    assert np.isnan(shape.middle([-0.1, NEAR + 0.01])).all()
    left, middle, right = shape.near_corners
    level, rise = FLIGHTS[-1][2] * MM, PARAPET[1] * MM
    assert left == pytest.approx([0.067 - 0.5 * WIDTH, level + rise, NEAR], abs=1e-5)
    assert middle == pytest.approx([0.067, level, NEAR], abs=1e-5)
    assert right == pytest.approx([0.067 + 0.5 * WIDTH, level + rise, NEAR], abs=1e-5)


def test_top_and_underside_of_a_causeway() -> None:
    shape = shape_of(causeway())
    for first, last, level in FLIGHTS:
        z = max(0.5 * (first + last), 5.0) * MM
        beside = -0.03
        assert float(shape.top(beside, z)) == pytest.approx(level * MM, abs=1e-8)
        assert float(shape.top(0.5 * WIDTH - 0.002, z)) == pytest.approx((level + PARAPET[1]) * MM, abs=1e-8)
        assert float(shape.underside(beside, z)) == pytest.approx(-DEEP * MM, abs=1e-8)
    left, right, first, last = DRAIN
    assert np.isnan(shape.top(0.5 * (left + right) * MM, 0.5 * (first + last) * MM))
    assert np.isnan(shape.top([0.06, 0.0], [0.1, 0.7])).all()
    # on the border itself is on it
    assert not np.isnan(shape.top([0.0, -0.5 * WIDTH], [NEAR, 0.1])).any()


def test_top_of_a_rough_mesh_is_where_trimesh_s_rays_land() -> None:
    stone = trimesh.creation.icosphere(subdivisions=3, radius=0.1)
    rng = np.random.default_rng(5)
    stone.vertices *= rng.uniform(0.8, 1.0, (len(stone.vertices), 1))
    x, z = rng.uniform(-0.06, 0.06, (2, 400))
    origins = np.column_stack([x, np.full(400, 1.0), z])
    places, rays, _ = stone.ray.intersects_location(origins, np.tile([0.0, -1.0, 0.0], (400, 1)), multiple_hits=False)
    assert len(rays) == 400
    wanted = np.full(400, np.nan)
    wanted[rays] = places[:, 1]
    # the caster counts in single precision
    assert shape_of(stone).top(x, z) == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize("name", SETS)
def test_volume_of_a_slab_is_trimesh_s(name: str) -> None:
    bridge = demonstration(name)
    mesh = built(bridge)
    buried = 0.04 * bridge.width * bridge.thickness
    # the built mesh goes on into the rock as wide as at the sill
    assert slab_of(bridge).volume == pytest.approx(mesh.volume - buried, rel=1e-4)


def test_volume_of_a_mesh_is_trimesh_s() -> None:
    stone = trimesh.creation.icosphere(subdivisions=4, radius=0.1)
    for out in (0.2, 0.05, 0.0, -0.03):
        moved = stone.copy()
        moved.apply_translation([0.0, 0.0, out])
        # a spherical cap of height h: pi h^2 (3 r - h) / 3; the mesh is a polyhedron in the sphere
        h = min(0.1 + out, 0.2)
        cap = np.pi * h**2 * (0.3 - h) / 3.0
        assert shape_of(moved).volume == pytest.approx(cap, rel=0.01)
        if out == 0.2:
            assert shape_of(moved).volume == pytest.approx(stone.volume, rel=1e-9)
    deck = block(-40, 40, -20, 0, -30, 500)
    assert shape_of(deck).volume == pytest.approx(deck.volume * 500 / 530, rel=1e-6)


def test_distance_to_a_mesh_is_trimesh_s() -> None:
    mesh = causeway(0.0, 30.0)
    rng = np.random.default_rng(1)
    points = rng.uniform([-0.15, -0.15, -0.02], [0.15, 0.15, 0.8], (200, 3))
    wanted = np.min([_nearest(part, points) for part in mesh.split()], axis=0)
    assert shape_of(mesh).distance(points) == pytest.approx(wanted, abs=1e-6)
    assert (wanted == 0.0).sum() > 5


def _nearest(part: trimesh.Trimesh, points: Array) -> Array:
    """Distance to a convex part by trimesh: every triangle's closest point; 0 behind all of its planes."""
    triangles = np.repeat(part.triangles[None], len(points), axis=0).reshape(-1, 3, 3)
    spread = np.repeat(points, len(part.faces), axis=0)
    closest = trimesh.triangles.closest_point(triangles, spread)
    gaps = np.linalg.norm(closest - spread, axis=1).reshape(len(points), -1).min(axis=1)
    behind = ((points[:, None] - part.triangles[:, 0]) * part.face_normals).sum(axis=2).max(axis=1) <= 0.0
    return np.where(behind, 0.0, gaps)


def test_distance_to_a_slab() -> None:
    shape = Slab(0.8, 0.05, 0.012, 1.0, 0.0, 0.0)
    points = [[0.0, 0.1, 0.4], [0.125, -0.006, 0.4], [0.0, -0.006, 0.9], [0.025 + 0.03, 0.04, 0.4], [0.0, -0.006, 0.3]]
    assert shape.distance(points) == pytest.approx([0.1, 0.1, 0.1, 0.05, 0.0], abs=1e-9)


@pytest.mark.parametrize("which", [*SETS, "causeway"])
def test_boxes_lie_inside_and_fill_it_nearly(which: str) -> None:
    mesh = causeway() if which == "causeway" else None
    shape: BridgeShape = shape_of(mesh) if mesh is not None else slab_of(demonstration(which))
    low, high = shape.boxes
    assert (high >= low).all()
    for low_corner, high_corner in zip(low[::5], high[::5], strict=True):
        inner = shapely.box(*(low_corner[:2] + 1e-6), *(high_corner[:2] - 1e-6))
        outer = region(shape.section(0.5 * (low_corner[2] + high_corner[2])))
        assert shapely.difference(inner, outer).area < 1e-9
    filled = float(np.prod(high - low, axis=1).sum())
    if mesh is None:
        assert 0.9 < filled / shape.volume <= 1.0
    else:
        # all of its parts are prisms between levels: what boxes fill is the whole of it, each place once
        thick, rise = PARAPET
        left, right, first, last = DRAIN
        wanted = -(right - left) * (last - first) * (DEEP + FLIGHTS[-1][2])
        for z0, z1, level in FLIGHTS:
            wanted += (z1 - max(z0, 0)) * ((DEEP + level) * WIDTH / MM + 2 * thick * rise)
        assert filled == pytest.approx(wanted * MM**3, rel=0.002)


@pytest.mark.parametrize("which", [*SETS, "causeway"])
def test_corners_bound_it_and_edges_leave_no_gap(which: str) -> None:
    if which == "causeway":
        mesh = causeway(7.0, 60.0)
        shape: BridgeShape = shape_of(mesh)
    else:
        mesh = built(demonstration(which))
        shape = slab_of(demonstration(which))
    front = mesh.slice_plane([0.0, 0.0, 0.0], [0.0, 0.0, 1.0]).vertices
    rng = np.random.default_rng(0)
    for way in rng.normal(size=(40, 3)):
        for points in (shape.silhouette_corners, shape.edge_points):
            assert (points @ way).max() == pytest.approx((front @ way).max(), abs=2e-6 * np.abs(way).sum())
    steps = np.diff(np.unique(shape.edge_points[:, 2].round(6)))
    assert steps.max() <= (shape.near - shape.far) / 64 + 1e-6


def scene_with(folder: Path, **bridge: object) -> Scene:
    return Scene.model_validate(
        {
            "title": "t",
            "scale": "1:20",
            "wall": {"kind": "board"},
            "bridge": bridge,
            "camera": {"position": (0.0, 0.3, 1.9)},
            "rail": {"hold": (1001, 1040)},
            "folder": folder,
        }
    )


def test_a_shape_is_worked_out_once_for_a_state_of_its_file(tmp_path: Path) -> None:
    path = saved(tmp_path)
    first = bridge_shape(scene_with(tmp_path, mesh=path.name))
    assert first is bridge_shape(scene_with(tmp_path, mesh=path.name, paint="bare"))
    assert first.modelled
    block(-20, 20, -10, 0, -30, 300).export(path)
    again = bridge_shape(scene_with(tmp_path, mesh=path.name))
    assert again is not first
    assert again.near == pytest.approx(0.3)
    plain = scene_with(tmp_path, length=0.7)
    assert bridge_shape(plain) is bridge_shape(plain.edited(bridge__paint="bare"))
    assert bridge_shape(plain).near == 0.7


def test_a_mesh_that_is_not_closed_has_no_shape(tmp_path: Path) -> None:
    mesh = block(-20, 20, -10, 0, -30, 300)
    trimesh.Trimesh(mesh.vertices, mesh.faces[1:], process=False).export(tmp_path / "hole.ply")
    with pytest.raises(BuildError, match=r"hole\.ply.*not closed"):
        modelled_shape(tmp_path / "hole.ply")
    with pytest.raises(BuildError, match="no such file"):
        modelled_shape(tmp_path / "none.ply")


def test_sizes_in_words() -> None:
    assert shape_of(causeway()).size == "636.0 mm long, 96.0 mm wide, 69.0 mm high"
    assert slab_of(demonstration("quarry")).size == "850.0 mm long, 62.0 mm wide, 12.0 mm high"
