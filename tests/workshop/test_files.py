"""Meshes and pictures made elsewhere: written by trimesh, Pillow and scikit-image, whole and broken."""

import numpy as np
import pytest
import skimage.data
import skimage.transform
import trimesh
from PIL import Image

from previz.errors import BuildError
from previz.scene.foreign import read_mesh, read_picture
from previz.workshop.set import build_set, build_wall
from previz.workshop.texels import texel_points
from tests.workshop.sets import MM, depth_along_z, merged, scene

KINDS = ("obj", "stl", "ply", "glb")


def slab_mesh() -> trimesh.Trimesh:
    return trimesh.creation.box(bounds=[[-0.03, -0.012, -0.05], [0.03, 0.0, 0.45]])


def hill() -> trimesh.Trimesh:
    """A closed wall whose front bulges: a half ball of 150 mm on a plate."""
    ball = trimesh.creation.icosphere(subdivisions=4, radius=0.4)
    ball.apply_scale([1.0, 0.8, 0.3])
    return ball


def with_colours(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    """Left half red, right half blue."""
    codes = np.where(mesh.vertices[:, :1] < 0.0, [[200, 20, 20, 255]], [[20, 20, 200, 255]]).astype(np.uint8)
    return trimesh.Trimesh(mesh.vertices, mesh.faces, vertex_colors=codes, process=False)


@pytest.mark.parametrize("kind", KINDS)
def test_bridge_from_a_mesh_file(tmp_path, kind: str) -> None:
    slab_mesh().export(tmp_path / f"b.{kind}")
    made = build_set(scene({"kind": "board"}, {"mesh": f"b.{kind}"}, tmp_path), 1 * MM)
    mesh = merged(made.bridge.surface)
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(0.06 * 0.012 * 0.5, rel=1e-5)
    sizes = {c.name: np.array(c.size) / MM for c in made.bridge.charts}
    assert set(sizes) == {"top", "underside", "left side", "right side", "front", "back"}
    assert sizes["top"] == pytest.approx([60.0, 500.0], abs=0.01)
    assert sizes["front"] == pytest.approx([60.0, 12.0], abs=0.01)
    assert made.cautions == ()
    texels = texel_points(made.bridge.surface, *made.bridge.size_px)
    for chart in made.bridge.charts:
        rows = slice(chart.top_px, chart.top_px + chart.height_px)
        part = texels.points[rows, chart.left_px : chart.left_px + chart.width_px]
        step = np.linalg.norm(np.diff(part.astype(float), axis=0), axis=-1)
        np.testing.assert_allclose(step, 1 * MM, atol=0.002 * MM)


@pytest.mark.parametrize("kind", KINDS)
def test_wall_from_a_mesh_file(tmp_path, kind: str) -> None:
    mesh = hill()
    mesh.export(tmp_path / f"w.{kind}")
    door = {"width": 0.05, "height": 0.1}
    wall, cautions = build_wall(scene({"mesh": f"w.{kind}", "doorway": door}, folder=tmp_path))
    assert merged(wall).volume == pytest.approx(mesh.volume, rel=1e-4)
    assert merged(wall).is_watertight
    assert len(cautions) == 1
    assert "doorway" in cautions[0]
    # the map shows the front: every texel's point is what is seen straight on
    texels = texel_points(wall, 128, 102)
    rows, columns = np.nonzero(texels.valid & (texels.points[..., 2] > 0.02))
    pick = np.random.default_rng(1).permutation(len(rows))[:200]
    points = texels.points[rows[pick], columns[pick]].astype(float)
    np.testing.assert_allclose(points[:, 2], depth_along_z(wall, points[:, 0], points[:, 1]), atol=0.05 * MM)


@pytest.mark.parametrize("kind", ["ply", "glb"])
def test_colours_of_corners_are_laid_over(tmp_path, kind: str) -> None:
    with_colours(hill()).export(tmp_path / f"w.{kind}")
    wall, _ = build_wall(scene({"mesh": f"w.{kind}"}, folder=tmp_path))
    h, w = wall.reflectance.shape[:2]
    left, right = wall.reflectance[h // 2, w // 4], wall.reflectance[h // 2, 3 * w // 4]
    assert left[0] > 10 * left[2]
    assert right[2] > 10 * right[0]


def textured(repeats: float) -> trimesh.Trimesh:
    plate = trimesh.creation.box(bounds=[[-0.5, -0.4, -0.02], [0.5, 0.4, 0.0]])
    front = trimesh.Trimesh(plate.vertices, plate.faces, process=False)
    uv = np.column_stack([front.vertices[:, 0] + 0.5, front.vertices[:, 1] / 0.8 + 0.5]) * repeats
    picture = np.zeros((40, 50, 3), np.uint8)
    picture[:, :25] = (220, 40, 40)
    picture[:, 25:] = (40, 40, 220)
    material = trimesh.visual.material.PBRMaterial(baseColorTexture=Image.fromarray(picture))
    front.visual = trimesh.visual.TextureVisuals(uv=uv, material=material)
    return front


@pytest.mark.parametrize(("repeats", "bands"), [(1.0, 1), (2.0, 3)])
def test_picture_of_a_mesh_is_laid_over_even_where_it_repeats(tmp_path, repeats: float, bands: int) -> None:
    textured(repeats).export(tmp_path / "w.glb")
    wall, _ = build_wall(scene({"mesh": "w.glb"}, folder=tmp_path))
    row = wall.reflectance[wall.reflectance.shape[0] // 2]
    red = row[:, 0] > row[:, 2]
    assert int((np.diff(red.astype(int)) != 0).sum()) == bands


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9])
def test_a_mesh_cut_short_is_named(tmp_path, kind: str, share: float) -> None:
    path = tmp_path / f"cut.{kind}"
    with_colours(hill()).export(path)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * share)])
    # OBJ is a list of lines and has no end to miss: half of one is a mesh with holes
    if kind == "obj" and share == 0.9:
        assert len(read_mesh(path).faces) < len(hill().faces)
        with pytest.raises(BuildError, match=r"cut\.obj.*not closed"):
            build_set(scene({"kind": "board"}, {"mesh": path.name}, tmp_path))
        return
    with pytest.raises(BuildError, match=rf"cut\.{kind}"):
        read_mesh(path)


@pytest.mark.parametrize(
    ("name", "content", "expected"),
    [
        ("w.glb", b"not a mesh at all", "broken"),
        ("w.fbx", b"x", "GLB, OBJ, PLY, STL or OFF"),
        ("w.obj", b"v 0 0 0\nv 1 0 0\n", "no triangles|broken"),
        ("w.obj", b"v 0 0 0\nv 1e9 0 0\nv 0 1 0\nf 1 2 3\n", "no miniature"),
        ("w.obj", b"v 0 0 0\nv nan 0 0\nv 0 1 0\nf 1 2 3\n", "broken|not a number"),
        ("w.stl", b"solid x\nendsolid x\n", "broken|no triangles"),
    ],
)
def test_a_mesh_that_is_none_is_refused(tmp_path, name: str, content: bytes, expected: str) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(BuildError, match=expected) as caught:
        read_mesh(tmp_path / name)
    assert name in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_bridge_with_a_hole_or_inside_out_is_refused(tmp_path) -> None:
    mesh = slab_mesh()
    trimesh.Trimesh(mesh.vertices, mesh.faces[1:], process=False).export(tmp_path / "hole.ply")
    trimesh.Trimesh(mesh.vertices, mesh.faces[:, ::-1], process=False).export(tmp_path / "turned.ply")
    for name, expected in (("hole.ply", "3 open edges"), ("turned.ply", "inside out")):
        with pytest.raises(BuildError, match=expected):
            build_set(scene({"kind": "board"}, {"mesh": name}, tmp_path))


def test_a_bridge_short_of_the_wall_is_told(tmp_path) -> None:
    mesh = slab_mesh()
    mesh.apply_translation([0.0, 0.0, 0.06])
    mesh.export(tmp_path / "b.ply")
    made = build_set(scene({"kind": "board"}, {"mesh": "b.ply"}, tmp_path))
    assert "10.0 mm in front of the wall" in made.cautions[0]


def test_missing_files_are_named(tmp_path) -> None:
    for read, name in ((read_mesh, "none.glb"), (read_picture, "none.png")):
        with pytest.raises(BuildError, match=f"{name}: there is no such file"):
            read(tmp_path / name)


@pytest.mark.parametrize("name", ["gravel", "brick"])
def test_wall_from_a_photograph(tmp_path, name: str) -> None:
    # grey photographs of scikit-image, 512 x 512
    photo = getattr(skimage.data, name)()
    Image.fromarray(photo).save(tmp_path / f"{name}.png")
    wall, _ = build_wall(scene({"photo": f"{name}.png", "relief": 0.0}, folder=tmp_path))
    assert wall.reflectance.shape == (199, 256, 3)
    assert np.ptp(wall.field.z) == 0.0
    # cropped to 0.9 : 0.7, then averaged down in linear light: scikit-image does the same
    linear = ((photo / 255 + 0.055) / 1.055) ** 2.4
    part = linear[57:455]
    wanted = np.clip(skimage.transform.resize_local_mean(part, (199, 256)), 0.02, 0.9)
    got = wall.reflectance[..., 0]
    assert np.abs(got - wanted).mean() < 0.01
    assert np.corrcoef(got.ravel(), wanted.ravel())[0, 1] > 0.99


def test_pictures_of_other_depths_are_the_same_picture(tmp_path) -> None:
    grey = np.tile(np.linspace(0, 255, 64).astype(np.uint8), (48, 1))
    Image.fromarray(grey).save(tmp_path / "8.png")
    Image.fromarray(grey.astype(np.uint16) * 257).save(tmp_path / "16.png")
    Image.fromarray(np.dstack([grey, grey, grey, np.full_like(grey, 90)])).save(tmp_path / "alpha.png")
    Image.fromarray(np.dstack([grey] * 3)).save(tmp_path / "rgb.tif")
    wanted = read_picture(tmp_path / "8.png")
    assert wanted.shape == (48, 64, 3)
    for name in ("16.png", "alpha.png", "rgb.tif"):
        np.testing.assert_allclose(read_picture(tmp_path / name), wanted, atol=1e-5)


def test_a_picture_taken_sideways_is_turned(tmp_path) -> None:
    picture = np.zeros((20, 30, 3), np.uint8)
    picture[:, :15] = 250
    exif = Image.Exif()
    exif[0x0112] = 6  # EXIF 2.3, orientation: the camera's right is up; turn a quarter clockwise
    Image.fromarray(picture).save(tmp_path / "t.png", exif=exif)
    upright = read_picture(tmp_path / "t.png")
    assert upright.shape == (30, 20, 3)
    assert upright[:10].min() > 0.9
    assert upright[20:].max() < 0.1


@pytest.mark.parametrize("kind", ["png", "jpg", "tif"])
def test_a_picture_cut_short_is_named(tmp_path, kind: str) -> None:
    path = tmp_path / f"p.{kind}"
    Image.fromarray(skimage.data.brick()).save(path)
    whole = path.read_bytes()
    for share in (0.0, 0.01, 0.5):
        path.write_bytes(whole[: int(len(whole) * share)])
        with pytest.raises(BuildError, match=rf"p\.{kind}"):
            read_picture(path)


def test_a_picture_far_too_large_is_refused_before_it_is_read(tmp_path) -> None:
    for size in ((20_000, 10_000), (60_000, 60_000)):
        path = tmp_path / "bomb.png"
        Image.new("1", (16, 16)).save(path)
        data = bytearray(path.read_bytes())
        # width and height stand in the header chunk; its check sum follows 13 bytes later
        import zlib

        data[16:24] = size[0].to_bytes(4, "big") + size[1].to_bytes(4, "big")
        data[29:33] = zlib.crc32(bytes(data[12:29])).to_bytes(4, "big")
        path.write_bytes(bytes(data))
        with pytest.raises(BuildError, match=r"bomb\.png.*(million|too large)"):
            read_picture(path)


def test_an_image_is_laid_over_the_map(tmp_path) -> None:
    picture = np.zeros((10, 20, 3), np.uint8)
    picture[:, 10:] = 255
    Image.fromarray(picture).save(tmp_path / "i.png")
    made = build_set(scene({"kind": "board"}, {"image": "i.png"}, tmp_path), 1 * MM)
    w, h = made.bridge.size_px
    assert made.bridge.surface.reflectance.shape == (h, w, 3)
    assert made.bridge.surface.reflectance[:, : w // 2 - 1].max() == 0.0
    assert made.bridge.surface.reflectance[:, w // 2 + 1 :].min() == 1.0
