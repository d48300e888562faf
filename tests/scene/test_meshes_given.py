"""Meshes in other programs' units and axes, written by trimesh: understood as they were meant, or told with a word."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh
from PIL import Image

from previz.errors import BuildError, SceneError
from previz.scene.cautions import cautions
from previz.scene.derived import derived
from previz.scene.foreign import read_mesh, require_closed
from previz.scene.given.mesh import MeshFile
from previz.scene.model import Scene
from previz.workshop.set import build_set
from tests.scene.causeway import MM, block
from tests.scene.example import changed, modelled, scene_of
from tests.scene.test_limits import png_header
from tests.workshop.sets import scene

KINDS = ("glb", "obj", "stl", "ply", "off")

# metres of each unit: the international inch and foot of 1959, 25.4 and 304.8 mm
METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001, "in": 0.0254, "ft": 0.3048}

# the axes of programs that have another axis up, as right-handed turns of the set's own: columns are where the set's
# right, up and out point in the program. With z up a front view looks along y, so that out of the wall is -y
PROGRAMS = {
    "y": np.eye(3),
    "z": np.column_stack([(1, 0, 0), (0, 0, 1), (0, -1, 0)]),
    "-z": np.column_stack([(1, 0, 0), (0, 0, -1), (0, 1, 0)]),
    "x": np.column_stack([(0, -1, 0), (1, 0, 0), (0, 0, 1)]),
    "-x": np.column_stack([(0, 1, 0), (-1, 0, 0), (0, 0, 1)]),
    "-y": np.column_stack([(-1, 0, 0), (0, -1, 0), (0, 0, 1)]),
}  # fmt: skip


def walkway() -> trimesh.Trimesh:
    """A deck with a parapet on its right side only and a step at its near end: no two of its sides are alike."""
    parts = [block(-30, 30, -14, 0, -20, 560), block(22, 30, -5, 18, -20, 560), block(-30, 30, -22, -6, 560, 640)]
    return trimesh.util.concatenate(parts)


def exported(path: Path, mesh: trimesh.Trimesh, unit: str, up: str = "y", mirrored: bool = False) -> None:
    """The mesh as a program with that unit and axis would save it, and a left-handed one where ``mirrored``."""
    axes = PROGRAMS[up] @ np.diag([-1.0 if mirrored else 1.0, 1.0, 1.0])
    assert np.linalg.det(PROGRAMS[up]) == pytest.approx(1.0)
    vertices = mesh.vertices @ axes.T / METRES[unit]
    trimesh.Trimesh(vertices, mesh.faces, process=False).export(path)


def corners(vertices: np.ndarray) -> np.ndarray:
    """Places in an order of their own, whatever the format's; to a tenth of a micrometre."""
    return np.unique(np.round(vertices * 1e7).astype(int), axis=0) * 1e-7


@pytest.mark.parametrize("kind", KINDS)
def test_units_axes_and_mirrors_are_understood(tmp_path: Path, kind: str) -> None:
    mesh = walkway()
    wanted = corners(mesh.vertices)
    path = tmp_path / f"b.{kind}"
    # every unit, every axis and both hands; all of them together are tests.benchmarks.lineup's
    ways = [*((unit, "z", False) for unit in METRES), *(("mm", up, True) for up in PROGRAMS)]
    for unit, up, mirrored in ways:
        exported(path, mesh, unit, up, mirrored)
        raw = read_mesh(path, MeshFile(file=path, units=unit, up=up, mirror=mirrored))
        # single precision in STL and GLB: a few millionths of the size
        np.testing.assert_allclose(corners(raw.vertices), wanted, atol=2e-3 * MM)
        require_closed(raw, kind)


def test_a_mirrored_mesh_keeps_its_outside_whichever_way_its_faces_ran(tmp_path: Path) -> None:
    mesh = walkway()
    for faces in (mesh.faces, mesh.faces[:, ::-1]):
        trimesh.Trimesh(mesh.vertices * (-1.0, 1.0, 1.0), faces, process=False).export(tmp_path / "b.ply")
        raw = read_mesh(tmp_path / "b.ply", MeshFile(file="b.ply", mirror=True))
        assert trimesh.Trimesh(raw.vertices, raw.faces, process=False).volume > 0.0
        np.testing.assert_allclose(corners(raw.vertices), corners(mesh.vertices), atol=1e-3 * MM)


@pytest.mark.parametrize(("turn", "towards"), [(90.0, (1.0, 0.0)), (-90.0, (-1.0, 0.0)), (180.0, (0.0, -1.0))])
def test_turned_and_moved(tmp_path: Path, turn: float, towards: tuple[float, float]) -> None:
    walkway().export(tmp_path / "b.ply")
    given = MeshFile(file="b.ply", turn=np.radians(turn), move=(0.1, 0.2, 0.3))
    raw = read_mesh(tmp_path / "b.ply", given)
    # the near end lay straight out of the wall; a positive turn takes it to camera right
    near = raw.vertices[:, [0, 2]] - (0.1, 0.3)
    assert near @ np.array(towards) == pytest.approx(walkway().vertices[:, 2], abs=1e-3 * MM)
    assert raw.vertices[:, 1].max() == pytest.approx(0.218, abs=1e-6)


# every format, and every unit
KINDS_AND_UNITS = [*((kind, "mm") for kind in KINDS), *(("stl", unit) for unit in ("cm", "in"))]


@pytest.mark.parametrize(("kind", "unit"), [*KINDS_AND_UNITS, ("stl", "ft")])
def test_a_bridge_in_another_unit_is_never_taken_in_silence(tmp_path: Path, kind: str, unit: str) -> None:
    exported(tmp_path / f"b.{kind}", walkway(), unit)
    try:
        said = [c.text for c in cautions(scene_of(tmp_path, *modelled(f"b.{kind}"), *NO_FIGURE)) if "mesh" in c.key]
    except SceneError as error:
        said = [str(error)]
    assert any(f'units = "{unit}"' in text for text in said), said


NO_FIGURE = (('foot_mark = "400 mm"', 'foot_mark = "1 mm"'),)
WALL = ('kind   = "slate" ', 'relief = "40 mm"', "seed   = 7")


def wall_scene(folder: Path, mesh: str) -> Scene:
    return scene_of(folder, (WALL[0], f"mesh = {mesh} "), (WALL[1], ""), (WALL[2], ""))


@pytest.mark.parametrize(
    ("kind", "unit"),
    [("off", "in"), ("ply", "m"), *(pytest.param(*one, marks=pytest.mark.slow) for one in KINDS_AND_UNITS)],
)
def test_a_wall_in_another_unit_is_never_taken_in_silence(tmp_path: Path, kind: str, unit: str) -> None:
    exported(tmp_path / f"w.{kind}", block(-900, 900, -1400, 700, -60, 0), unit)
    try:
        said = [c.text for c in cautions(wall_scene(tmp_path, f'"w.{kind}"')) if c.key == "wall.mesh"]
    except SceneError as error:
        said = [str(error)]
    assert said == [] if unit == "m" else any(f'units = "{unit}"' in text for text in said), said
    # with the unit that was told it is the wall that it was
    told = wall_scene(tmp_path, f'{{ file = "w.{kind}", units = "{unit}" }}')
    assert [c for c in cautions(told) if c.key == "wall.mesh"] == []
    rows = dict(derived(told))
    assert rows["wall mesh, wide x high x deep"] == "1800.0 x 2100.0 x 60.0 mm (5'-10 7/8\" x 6'-10 11/16\" x 2 3/8\")"
    assert "12 faces" in rows["wall mesh, read"]


def test_the_preview_says_what_was_assumed(tmp_path: Path) -> None:
    wall = block(-900, 900, -1400, 700, -60, 0)
    exported(tmp_path / "w.stl", wall, "mm", "z")
    keys = 'units = "mm", up = "z", turn = "180 deg", mirror = true, move = ["0 mm", "0 mm", "-60 mm"]'
    rows = dict(derived(wall_scene(tmp_path, f'{{ file = "w.stl", {keys} }}')))
    assert rows["wall mesh, read"].startswith(
        "in millimetres (as the scene says), its z is up, turned by 180.0 deg, left and right swapped, moved by "
        "0.0 mm, 0.0 mm, -60.0 mm; 12 faces"
    )
    # turned about, it reached 60 mm out of the plane; moved back, as far behind
    assert rows["wall mesh, lies"] == (
        "900.0 mm left to 900.0 mm right, 1400.0 mm below to 700.0 mm above the bridge's top, 60.0 mm behind to "
        "0.0 mm out of the wall's plane"
    )
    for kind, word in (("ply", "PLY states no unit: assumed"), ("glb", "as GLB states")):
        exported(tmp_path / f"w.{kind}", wall, "m")
        assert word in dict(derived(wall_scene(tmp_path, f'"w.{kind}"')))["wall mesh, read"]
    exported(tmp_path / "w.glb", wall, "mm")
    read = dict(derived(wall_scene(tmp_path, '{ file = "w.glb", units = "mm" }')))["wall mesh, read"]
    assert "as the scene says, although GLB states metres" in read


def test_a_mesh_that_lies_down_or_is_turned_away_is_told(tmp_path: Path) -> None:
    exported(tmp_path / "w.stl", block(-900, 900, -1400, 700, -60, 0), "m", "z")
    exported(tmp_path / "b.stl", walkway(), "m", "z")
    said = [c.text for c in cautions(wall_scene(tmp_path, '"w.stl"')) if c.key == "wall.mesh"]
    assert len(said) == 1
    assert 'The wall lies down: 1800.0 mm wide, 60.0 mm high, 2100.0 mm deep' in said[0]
    assert 'mesh = { file = "w.stl", up = "z" }' in said[0]
    with_bridge = scene_of(tmp_path, *modelled("b.stl"), *NO_FIGURE)
    said = [c.text for c in cautions(with_bridge) if c.key == "bridge.mesh"]
    assert any('The bridge stands on end' in text and 'up = "z"' in text for text in said), said
    turned = walkway()
    turned.apply_transform(np.diag([-1.0, 1.0, -1.0, 1.0]))
    turned.export(tmp_path / "b.stl")
    said = [c.text for c in cautions(scene_of(tmp_path, *modelled("b.stl"), *NO_FIGURE)) if c.key == "bridge.mesh"]
    assert any('write mesh = { file = "b.stl", turn = "180 deg" }' in text for text in said), said


def test_keys_of_a_mesh_are_checked_with_their_line(tmp_path: Path) -> None:
    block(-900, 900, -1400, 700, -60, 0).export(tmp_path / "w.glb")
    for given, key, says in (
        ('{ file = "w.glb", units = "km" }', "wall.mesh.units", '"m", "cm", "mm", "in" or "ft"'),
        ('{ file = "w.glb", up = "Y" }', "wall.mesh.up", 'found "Y"'),
        ('{ file = "w.glb", mirror = 1 }', "wall.mesh.mirror", "found 1"),
        ('{ file = "x.glb" }', "wall.mesh.file", "no such file"),
        ('{ units = "mm" }', "wall.mesh.file", "found nothing"),
        ('{ file = "w.glb", unit = "mm" }', "wall.mesh.unit", 'did you mean "units"?'),
        ("3", "wall.mesh", "the name of a file in quotes"),
        ('{ file = "w.glb" }\nturn = "5 deg"', "wall.turn", "a mesh is turned by its own table"),
    ):
        with pytest.raises(SceneError) as caught:
            wall_scene(tmp_path, given)
        assert key in [fault.key for fault in caught.value.faults], given
        assert says in str(caught.value)
        assert all(fault.line for fault in caught.value.faults)


def test_what_has_no_effect_beside_a_mesh_is_told(tmp_path: Path) -> None:
    block(-900, 900, -1400, 700, -60, 0).export(tmp_path / "w.glb")
    made = scene_of(tmp_path, (WALL[0], 'mesh = "w.glb" '))
    assert {c.key for c in cautions(made)} >= {"wall.relief", "wall.seed"}
    assert not {c.key for c in cautions(wall_scene(tmp_path, '"w.glb"'))} & {"wall.relief", "wall.seed"}
    assert changed().count("relief") == 1


def test_the_set_is_built_from_what_was_understood(tmp_path: Path) -> None:
    exported(tmp_path / "b.off", walkway(), "in", "z", True)
    mesh = {"file": "b.off", "units": "in", "up": "z", "mirror": True}
    made = build_set(scene({"kind": "board"}, {"mesh": mesh}, tmp_path), 1 * MM)
    surface = made.bridge.surface
    assert trimesh.Trimesh(surface.vertices, surface.faces, process=False).bounds == pytest.approx(
        walkway().bounds, abs=1e-6
    )


def textured_obj(folder: Path, picture: bytes | None, line: str = "map_Kd stone.png") -> Path:
    (folder / "w.obj").write_text(
        "mtllib w.mtl\nv 0 0 0\nv 1 0 0\nv 0 1 0\nvt 0 0\nvt 1 0\nvt 0 1\nusemtl a\nf 1/1 2/2 3/3\n"
    )
    (folder / "w.mtl").write_text(f"newmtl a\nKd 1 1 1\n{line}\n")
    if picture is not None:
        (folder / "stone.png").write_bytes(picture)
    return folder / "w.obj"


@pytest.mark.parametrize(
    ("picture", "line", "word"),
    [
        (b"no picture at all", "map_Kd stone.png", "cannot be read"),
        (png_header(64, 64), "map_kd  stone.png", "cannot be read"),
        (png_header(30000, 30000), "map_Kd stone.png", "pictures have"),
        (None, "map_Kd stone.png", "is not in the mesh's folder; lay it there"),
        (None, "map_Kd ../stone.png", "is not in the mesh's folder"),
        (None, "map_Kd maps\\stone.png", "write / instead of"),
        (b"x", "map_Kd -s 1 1 1 stone.png", "options before its name"),
    ],
)
def test_a_picture_named_by_a_material_is_not_dropped_in_silence(
    tmp_path: Path, picture: bytes | None, line: str, word: str
) -> None:
    path = textured_obj(tmp_path, picture, line)
    with pytest.raises(BuildError, match=word) as caught:
        read_mesh(path)
    assert "\n" not in str(caught.value)
    assert 'named in "w.mtl"' in str(caught.value) or "pictures have" in str(caught.value)


def test_a_picture_named_by_a_material_is_read(tmp_path: Path) -> None:
    path = textured_obj(tmp_path, None)
    Image.new("RGB", (6, 4), (200, 20, 20)).save(tmp_path / "stone.png")
    raw = read_mesh(path)
    assert raw.picture is not None
    assert raw.picture.shape == (4, 6, 3)
