"""Small files that ask for much are refused in a line, before much is done."""

from __future__ import annotations

import io
import json
import struct
import zlib
from pathlib import Path
from typing import Any

import pytest
import trimesh
from PIL import Image

from previz.command.check.start import check_scene
from previz.errors import BuildError, PlateError, SceneError
from previz.lineup.locate import read_points
from previz.plate.columns import read_columns
from previz.plate.figure import rgba_of
from previz.scene.foreign import read_mesh, read_picture
from previz.scene.limits import CARDS, LAMPS, MESH_FACES, MESH_NODES, PICTURE_PIXELS, TABLE_ROWS
from previz.scene.reader import read_scene
from previz.scene.schema import scene_schema
from previz.scene.shape import bridge_shape
from tests.command.scenes import laid


def png_header(width: int, height: int) -> bytes:
    """A PNG (ISO/IEC 15948) that says how large it is, and holds next to nothing."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 99)) + chunk(b"IEND", b"")


def glb(told: dict[str, Any], binary: bytes = b"") -> bytes:
    """A GLB file (Khronos, glTF 2.0, section 4)."""
    text = json.dumps(told).encode()
    text += b" " * (-len(text) % 4)
    binary += b"\0" * (-len(binary) % 4)
    body = struct.pack("<I4s", len(text), b"JSON") + text + struct.pack("<I4s", len(binary), b"BIN\0") + binary
    return struct.pack("<4sII", b"glTF", 2, 12 + len(body)) + body


def parts_of(path: Path) -> tuple[dict[str, Any], bytes]:
    """The description and binary part of a GLB written by trimesh."""
    data = path.read_bytes()
    length = struct.unpack("<I", data[12:16])[0]
    return json.loads(data[20 : 20 + length]), data[28 + length :]


def box(path: Path) -> tuple[dict[str, Any], bytes]:
    trimesh.creation.box((0.1, 0.1, 0.1)).export(path)
    return parts_of(path)


def test_a_picture_of_too_many_pixels(tmp_path: Path) -> None:
    side = int(PICTURE_PIXELS**0.5) + 1
    (tmp_path / "a.png").write_bytes(png_header(side, side))
    with pytest.raises(BuildError, match=rf"{side} x {side} pixels; at most 40 million"):
        read_picture(tmp_path / "a.png")


def test_a_mesh_of_too_many_parts(tmp_path: Path) -> None:
    told, binary = box(tmp_path / "a.glb")
    nodes = len(told["nodes"])
    told["nodes"] += [{"mesh": 0} for _ in range(MESH_NODES)]
    (tmp_path / "a.glb").write_bytes(glb(told, binary))
    with pytest.raises(BuildError, match=rf"{nodes + MESH_NODES} parts; at most {MESH_NODES}"):
        read_mesh(tmp_path / "a.glb")


@pytest.mark.parametrize("often", ["meshes", "primitives", "materials", "bufferViews"])
def test_a_mesh_of_too_many_pieces(tmp_path: Path, often: str) -> None:
    told, binary = box(tmp_path / "a.glb")
    if often != "primitives":
        told[often] = (told.get(often) or [{}]) * (8 * (MESH_NODES + 1))
    else:
        told["meshes"][0]["primitives"] *= MESH_NODES + 1
    (tmp_path / "a.glb").write_bytes(glb(told, binary))
    with pytest.raises(BuildError, match=rf"\d+ parts; at most {MESH_NODES}"):
        read_mesh(tmp_path / "a.glb")


def test_a_figure_without_its_palette(tmp_path: Path) -> None:
    # PNG, third edition, 11.2.3: colour type 3 must have a PLTE chunk
    whole = io.BytesIO()
    Image.new("P", (4, 4)).save(whole, "PNG")
    data = whole.getvalue()
    start = data.index(b"PLTE") - 4
    (tmp_path / "a.png").write_bytes(data[:start] + data[start + 12 + int.from_bytes(data[start : start + 4], "big") :])
    with pytest.raises(BuildError, match=r"a\.png: the figure is broken or cut short"):
        rgba_of(tmp_path / "a.png")


def test_a_mesh_that_is_placed_too_often(tmp_path: Path) -> None:
    ball = trimesh.creation.icosphere(subdivisions=5, radius=0.05)
    ball.export(tmp_path / "a.glb")
    told, binary = parts_of(tmp_path / "a.glb")
    copies = MESH_FACES // len(ball.faces) + 1
    told["nodes"] += [{"mesh": 0} for _ in range(copies)]
    (tmp_path / "a.glb").write_bytes(glb(told, binary))
    with pytest.raises(BuildError, match="triangles are too many"):
        read_mesh(tmp_path / "a.glb")


def test_a_list_that_is_longer_than_its_file(tmp_path: Path) -> None:
    told, binary = box(tmp_path / "a.glb")
    # without a buffer view an accessor is nothing but zeros, as many as it says (glTF 2.0, 3.6.2.1)
    told["accessors"].append({"componentType": 5126, "count": 10**9, "type": "VEC3"})
    (tmp_path / "a.glb").write_bytes(glb(told, binary))
    with pytest.raises(BuildError, match="lists of more than"):
        read_mesh(tmp_path / "a.glb")


@pytest.mark.parametrize(
    ("data", "word"),
    [(png_header(30000, 30000), "pictures have"), (b"no picture at all", "picture 1 of the mesh cannot be read"),
     (png_header(64, 64), "picture 1 of the mesh cannot be read")],
    ids=["too large", "none", "cut short"],
)  # fmt: skip
def test_a_picture_in_a_mesh_is_not_dropped_in_silence(tmp_path: Path, data: bytes, word: str) -> None:
    told, binary = box(tmp_path / "a.glb")
    told["images"] = [{"bufferView": len(told["bufferViews"]), "mimeType": "image/png"}]
    told["bufferViews"].append({"buffer": 0, "byteOffset": len(binary), "byteLength": len(data)})
    told["textures"] = [{"source": 0}]
    told["materials"] = [{"pbrMetallicRoughness": {"baseColorTexture": {"index": 0}}}]
    (tmp_path / "a.glb").write_bytes(glb(told, binary + data))
    with pytest.raises(BuildError, match=word):
        read_mesh(tmp_path / "a.glb")


def test_a_picture_in_a_mesh_that_can_be_read_is_no_matter(tmp_path: Path) -> None:
    square = trimesh.creation.box((0.1, 0.1, 0.1))
    uv = square.vertices[:, :2] * 5.0 + 0.5
    square.visual = trimesh.visual.TextureVisuals(uv=uv, image=Image.new("RGB", (8, 8), (200, 20, 20)))
    (tmp_path / "a.glb").write_bytes(square.export(file_type="glb"))
    raw = read_mesh(tmp_path / "a.glb")
    assert raw.picture is not None
    assert raw.picture.shape == (8, 8, 3)


def test_a_table_of_too_many_rows(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("frame,rail_mm\n" + "1,2\n" * (TABLE_ROWS + 5))
    with pytest.raises(PlateError, match=f"more than {TABLE_ROWS} rows"):
        read_columns(tmp_path / "a.csv", ("frame", "rail_mm"))


@pytest.mark.parametrize("line", ["root:x:0:0:root:/root:/bin/sh", "token, s3cr3t", "hunter2"])
def test_a_line_of_any_other_file_is_not_said(tmp_path: Path, line: str) -> None:
    (tmp_path / "a.csv").write_text(f"{line}\n")
    with pytest.raises(PlateError, match=r"line 1: the first line must name the columns") as refused:
        read_columns(tmp_path / "a.csv", ("frame", "rail_mm"))
    assert not any(word in str(refused.value) for word in ("root", "s3cr3t", "hunter2", "token"))


@pytest.mark.parametrize(("table", "limit"), [("lamp", LAMPS), ("card", CARDS)])
def test_lamps_and_cards_are_limited_in_file_and_schema(tmp_path: Path, table: str, limit: int) -> None:
    lamp = '\n[[lamp]]\nname = "{}"\nposition = ["0 mm", "900 mm", "1 m"]\nlux = 10\n'
    card = '\n[[card]]\nname = "{}"\nposition = ["0 mm", "900 mm", "1 m"]\nkind = "flag"\nsize = "1 x 1 m"\n'
    one = {"lamp": lamp, "card": card}[table]
    path = laid(tmp_path)
    path.write_text(path.read_text() + "".join(one.format(f"{table} {k}") for k in range(limit + 1)))
    with pytest.raises(SceneError, match=f"expected at most {limit} of them, found {limit + 1}") as refused:
        read_scene(path)
    assert all(fault.line for fault in refused.value.faults)
    assert scene_schema()["properties"][table]["maxItems"] == limit


def test_faults_of_the_whole_text_have_a_line(tmp_path: Path) -> None:
    for text, line in (
        ('title = "a"\nseed = ' + "9" * 5000, 2),
        ('title = "a"\n\nx = ' + "[" * 40 + "]" * 40, 3),
        ('title = "a"\n' + ".".join("a" * 200) + " = 1", 2),
        ('title = "a"\n[' + ".".join("b" * 20) + "]", 2),
        ('title = "a"\nx = ' + "[" * 3000 + "]" * 3000, 2),
    ):
        (tmp_path / "a.toml").write_text(text)
        with pytest.raises(SceneError) as refused:
            read_scene(tmp_path / "a.toml")
        assert [fault.line for fault in refused.value.faults] == [line], text[:40]


def test_an_escape_in_a_key_is_not_printed(tmp_path: Path) -> None:
    path = laid(tmp_path)
    path.write_text('"\\u001b[2J\\u202e" = 3\n' + path.read_text())
    with pytest.raises(SceneError) as refused:
        read_scene(path)
    assert str(refused.value).isprintable()
    assert io.StringIO(str(refused.value)).read().count("[2J") == 2


@pytest.mark.parametrize(
    ("place", "value"),
    [("nodes", 1.5), ("accessors", 7), ("bufferViews", 3), ("meshes", [5]), ("images", {"a": 1}), ("images", [3])],
)
def test_a_description_that_is_none_is_told(tmp_path: Path, place: str, value: object) -> None:
    told, binary = box(tmp_path / "a.glb")
    told[place] = value
    (tmp_path / "a.glb").write_bytes(glb(told, binary))
    with pytest.raises(BuildError, match=r"broken|cannot be read"):
        read_mesh(tmp_path / "a.glb")


@pytest.mark.parametrize("value", [3, [None], [{"attributes": "POSITION"}], [{"attributes": 4, "indices": "x"}]])
def test_parts_that_are_none_are_told(tmp_path: Path, value: object) -> None:
    told, binary = box(tmp_path / "a.glb")
    told["meshes"][0]["primitives"] = value
    (tmp_path / "a.glb").write_bytes(glb(told, binary))
    with pytest.raises(BuildError):
        read_mesh(tmp_path / "a.glb")


def test_a_field_of_a_table_of_points_that_is_too_long(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("name,x,y,z,px,py\n" + "n" * 200_000 + ",1,2,3,4,5\n")
    with pytest.raises(PlateError, match=r"a\.csv:\d+: not a table"):
        read_points(tmp_path / "a.csv")


def test_a_bridge_that_comes_to_a_point_at_the_wall(tmp_path: Path) -> None:
    """A cone with its tip at the wall: there it is neither wide nor deep."""
    cone = trimesh.creation.cone(radius=0.03, height=0.5, sections=8)
    # the tip at z = 0, the foot towards the camera
    cone.apply_transform(trimesh.transformations.rotation_matrix(3.141592653589793, (1.0, 0.0, 0.0)))
    cone.apply_translation((0.0, -0.03, 0.5))
    cone.export(tmp_path / "cone.ply")
    path = laid(tmp_path, ('length = "700 mm"\nwidth = "50 mm"\n', 'mesh = "cone.ply"\n'))
    wide, deep = bridge_shape(read_scene(path)).root
    assert 0.0 <= wide < 1e-4
    assert deep < 0.0301
    check_scene(path)
