"""A small set and its move to be written to open files, and readers made from the files' published layouts."""

import json
import os
import shutil
import struct
import subprocess
import zlib
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from previz.camera import Camera, camera_for
from previz.deliver.export.interchange import PointLight, TexturedSurface, Travel
from previz.workshop.surface import BRIDGE, WALL, Surface

SENSOR = 0.0359


def square(name: str, layer: int, z: float, size: float) -> Surface:
    """A square of ``size`` m that faces the camera at ``z`` m, its texture upright, a different colour each texel."""
    half = 0.5 * size
    corners = np.array([[-half, -half, z], [half, -half, z], [half, half, z], [-half, half, z]])
    faces = np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32)
    uv = np.array([[0, 1], [1, 1], [1, 0], [0, 0]], dtype=np.float32)
    return Surface(name, layer, corners, faces, uv, np.zeros((4, 8, 3), dtype=np.float32))


def painted(lit: bool = True) -> list[TexturedSurface]:
    """A wall and a bridge."""
    rng = np.random.default_rng(3)
    out = []
    for name, layer, z, size in (("wall", WALL, 0.0, 1.8), ("bridge", BRIDGE, 0.5, 0.1)):
        code = rng.integers(0, 256, (4, 8, 3), dtype=np.uint8)
        out.append(TexturedSurface(name, square(name, layer, z, size), code, lit))
    return out


def travel(shift: tuple[float, float] = (0.0, 0.0), frames: int = 7) -> Travel:
    """A move to the right that pans, tilts and rolls on the way; ``shift`` m of the lens, right and up."""
    cameras = tuple(
        camera_for(
            [-0.1 + 0.03 * k, 0.16 + 0.002 * k, 1.25], 0.05 * k - 0.1, -0.14 + 0.01 * k, 0.02 * k - 0.05, 0.035, SENSOR,
            1920, 1080, *shift,
        )
        for k in range(frames)
    )  # fmt: skip
    return Travel(
        tuple(range(1001, 1001 + frames)), cameras, np.arange(frames) * 0.03, Fraction(24000, 1001), SENSOR, 0.035,
        22.0, 0.7, 20.0,
    )  # fmt: skip


def lamps() -> list[PointLight]:
    """A spot and a lamp that shines all round."""
    key = np.array([-0.8, 1.0, 1.5])
    tint = np.array([1.2, 0.98, 0.6])
    return [
        PointLight("key", key, np.zeros(3), 900.0 * float(key @ key), tint, (0.2, 0.3)),
        PointLight("fill", np.array([1.0, 0.5, 1.0]), np.array([0.0, 0.0, 2.0]), 50.0, np.ones(3), None),
    ]


POINTS = np.array(
    [[0.0, 0.0, 0.0], [0.4, 0.3, 0.01], [-0.5, -0.2, 0.0], [0.03, 0.0, 0.7], [-0.03, -0.012, 0.85], [0.1, 0.2, 0.3]]
)


@dataclass(frozen=True)
class Glb:
    """A binary glTF file taken apart as its specification says (glTF 2.0, 4.4)."""

    root: dict[str, Any]
    data: bytes

    @classmethod
    def of(cls, file: bytes) -> "Glb":
        magic, version, length = struct.unpack_from("<III", file)
        assert (magic, version, length) == (0x46546C67, 2, len(file))
        size, kind = struct.unpack_from("<I4s", file, 12)
        assert kind == b"JSON"
        more, kind = struct.unpack_from("<I4s", file, 20 + size)
        assert kind == b"BIN\0"
        assert 28 + size + more == len(file)
        return cls(json.loads(file[20 : 20 + size]), file[28 + size :])

    def bytes_of(self, view: int) -> bytes:
        entry = self.root["bufferViews"][view]
        return self.data[entry["byteOffset"] :][: entry["byteLength"]]

    def values(self, accessor: int) -> np.ndarray:
        entry = self.root["accessors"][accessor]
        kind = {5126: "<f4", 5125: "<u4"}[entry["componentType"]]
        width = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4}[entry["type"]]
        return np.frombuffer(self.bytes_of(entry["bufferView"]), kind).reshape(entry["count"], width)

    def keys(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Times (N,), translations (N, 3) and rotations (N, 4) of the camera's animation."""
        (animation,) = self.root["animations"]
        found = {}
        for channel in animation["channels"]:
            assert "camera" in self.root["nodes"][channel["target"]["node"]]
            found[channel["target"]["path"]] = animation["samplers"][channel["sampler"]]
        assert {sampler["interpolation"] for sampler in found.values()} == {"LINEAR"}
        return (
            self.values(found["translation"]["input"])[:, 0],
            self.values(found["translation"]["output"]),
            self.values(found["rotation"]["output"]),
        )

    def pixels(self, key: int, points: np.ndarray, size_px: tuple[float, float], camera: int = 0) -> np.ndarray:
        """Where a camera at an animation key sees ``points`` (N, 3), by node transform and perspective matrix.

        glTF 2.0, 3.10.3: x' = x / (aspect tan(yfov / 2)) / -z, y' = y / tan(yfov / 2) / -z.
        """
        _, places, turns = self.keys()
        lens = self.root["cameras"][camera]["perspective"]
        seen = Rotation.from_quat(turns[key].astype(float)).inv().apply(points - places[key].astype(float))
        reach = np.tan(0.5 * lens["yfov"])
        x, y = seen[:, 0] / (lens["aspectRatio"] * reach) / -seen[:, 2], seen[:, 1] / reach / -seen[:, 2]
        return np.column_stack([0.5 * (1.0 + x) * size_px[0], 0.5 * (1.0 - y) * size_px[1]])


def gltf_issues(path: Path) -> dict[str, Any] | None:
    """What the Khronos validator (npm package gltf-validator) says of a file; None where it is not installed."""
    node = shutil.which("node")
    if node is None:
        return None
    program = (
        "let v; try { v = require('gltf-validator') } catch (e) { process.exit(3) }"
        "v.validateBytes(new Uint8Array(require('fs').readFileSync(process.argv[1])))"
        ".then(r => console.log(JSON.stringify(r.issues)))"
    )
    # where .ci/run puts it
    places = [str(Path(__file__).parents[2] / ".node" / "node_modules"), os.environ.get("NODE_PATH", "")]
    own = os.environ | {"NODE_PATH": os.pathsep.join(filter(None, places))}
    done = subprocess.run([node, "-e", program, str(path)], capture_output=True, text=True, check=False, env=own)
    if done.returncode == 3:
        return None
    assert done.returncode == 0, done.stderr
    issues: dict[str, Any] = json.loads(done.stdout)
    return issues


def exr_channels(file: bytes) -> dict[str, np.ndarray]:
    """Channels (H, W) of a scan line OpenEXR file, ZIP compressed, read as ASWF's *OpenEXR File Layout* has it."""
    magic, version = struct.unpack_from("<II", file)
    assert (magic, version & 0xFF, version & 0xFFFFFF00) == (20000630, 2, 0)
    at, header = 8, {}
    while file[at]:
        name, at = _word(file, at)
        _, at = _word(file, at)
        (size,) = struct.unpack_from("<I", file, at)
        header[name] = file[at + 4 : at + 4 + size]
        at += 4 + size
    at += 1
    left, top, right, bottom = struct.unpack("<4i", header["dataWindow"])
    wide, high = right - left + 1, bottom - top + 1
    assert header["compression"] == b"\x03"
    kinds, place = [], 0
    while header["channels"][place]:
        name, place = _word(header["channels"], place)
        kinds.append((name, ("<u4", "<f2", "<f4")[struct.unpack_from("<I", header["channels"], place)[0]]))
        place += 16
    out = {name: np.zeros((high, wide), dtype=kind) for name, kind in kinds}
    for (offset,) in struct.iter_unpack("<Q", file[at : at + 8 * -(-high // 16)]):
        y, size = struct.unpack_from("<iI", file, offset)
        rows = min(16, bottom - y + 1)
        whole = rows * wide * sum(np.dtype(kind).itemsize for _, kind in kinds)
        block = _unpacked(file[offset + 8 : offset + 8 + size], whole)
        for row in range(rows):
            for name, kind in kinds:
                length = wide * np.dtype(kind).itemsize
                out[name][y - top + row], block = np.frombuffer(block[:length], kind), block[length:]
    return out


def _word(data: bytes, at: int) -> tuple[str, int]:
    end = data.index(b"\0", at)
    return data[at:end].decode(), end + 1


def _unpacked(block: bytes, whole: int) -> bytes:
    """Undo ZIP compression: deflate, differences, and two halves that lie one after the other."""
    if len(block) == whole:
        return block
    steps = np.frombuffer(zlib.decompress(block), np.uint8).astype(np.int64)
    steps[1:] -= 128
    bytes_ = (np.cumsum(steps) % 256).astype(np.uint8)
    out, half = np.empty(whole, np.uint8), (whole + 1) // 2
    out[0::2], out[1::2] = bytes_[:half], bytes_[half:]
    return out.tobytes()


def still(camera: Camera) -> Travel:
    """A move of one frame."""
    return Travel((1001,), (camera,), np.zeros(1), Fraction(25), SENSOR, 0.035, 22.0, None, 20.0)
