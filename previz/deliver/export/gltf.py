"""``set.glb``: the set and the moving camera as glTF 2.0 in one binary file.

Khronos, *glTF 2.0 Specification*: metres, Y up, cameras look along their own -Z, texture coordinates run down from the
picture's first row, angles in radians, times in seconds: all as inside this package, so nothing is turned or scaled.
Surfaces with light baked in are KHR_materials_unlit; lamps are KHR_lights_punctual (candela). The camera's node has a
key a frame. glTF has no lens shift: the camera of a shifted lens looks without it, and its ``extras`` tell it. A second
one on the same node sees as much more as it takes for the picture to be a part of its own; its ``extras`` say which.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.deliver.export.interchange import CLIP, PointLight, TexturedSurface, Travel, quaternions, vertex_normals
from previz.geometry import Array, unit
from previz.run.frames import png_bytes

_MAGIC: Final = 0x46546C67
_JSON: Final = 0x4E4F534A
_BIN: Final = 0x004E4942
_FLOAT: Final = 5126
_UINT: Final = 5125
_VERTICES: Final = 34962
_INDICES: Final = 34963
_LINEAR: Final = 9729
_MIPMAPS: Final = 9987
_CLAMP: Final = 33071

# the name of the second camera of a shifted lens
WIDER: Final = "camera, more than the picture"


class _Bin:
    """The binary chunk as it grows, with its views and accessors."""

    def __init__(self) -> None:
        self.data = bytearray()
        self.views: list[dict[str, Any]] = []
        self.accessors: list[dict[str, Any]] = []

    def view(self, data: bytes, target: int | None = None) -> int:
        self.data += bytes(-len(self.data) % 4)
        entry: dict[str, Any] = {"buffer": 0, "byteOffset": len(self.data), "byteLength": len(data)}
        if target is not None:
            entry["target"] = target
        self.data += data
        self.views.append(entry)
        return len(self.views) - 1

    def accessor(self, values: NDArray[Any], kind: str, target: int | None = None, bounds: bool = False) -> int:
        """``values`` (N,) or (N, K), written as float32 or, integers, as unsigned 32 bit."""
        whole = np.issubdtype(values.dtype, np.integer)
        stored = np.ascontiguousarray(values, dtype="<u4" if whole else "<f4")
        entry: dict[str, Any] = {
            "bufferView": self.view(stored.tobytes(), target),
            "componentType": _UINT if whole else _FLOAT,
            "count": len(stored),
            "type": kind,
        }
        if bounds:
            flat = stored.reshape(len(stored), -1)
            # a float64 that holds a float32 is written so that it reads back as the same
            entry["min"] = [float(v) for v in flat.min(axis=0)]
            entry["max"] = [float(v) for v in flat.max(axis=0)]
        self.accessors.append(entry)
        return len(self.accessors) - 1


def glb_bytes(
    title: str, surfaces: Sequence[TexturedSurface], travel: Travel, lamps: Sequence[PointLight], version: str
) -> bytes:
    """A GLB file of the surfaces, the camera with its move and the lamps. Same input, same bytes.

    Projection of a point by the camera's node and ``yfov`` is that of :meth:`previz.camera.Camera.project` to float32;
    for a shifted lens, that by the second camera is.
    """
    store = _Bin()
    used: list[str] = []
    root: dict[str, Any] = {
        "asset": {"version": "2.0", "generator": f"stationpoint {version}"},
        "scene": 0,
        "scenes": [],
        "nodes": [],
        "meshes": [],
        "materials": [],
        "textures": [],
        "images": [],
        "samplers": [{"magFilter": _LINEAR, "minFilter": _MIPMAPS, "wrapS": _CLAMP, "wrapT": _CLAMP}],
    }
    for number, painted in enumerate(surfaces):
        _add_surface(root, store, number, painted)
    if any(painted.lit for painted in surfaces):
        used.append("KHR_materials_unlit")
    _add_camera(root, store, travel)
    if lamps:
        used.append("KHR_lights_punctual")
        root["extensions"] = {"KHR_lights_punctual": {"lights": [_light(lamp) for lamp in lamps]}}
        root["nodes"] += [_lamp_node(number, lamp) for number, lamp in enumerate(lamps)]
    if used:
        root["extensionsUsed"] = used
    root["scenes"] = [{"name": title, "nodes": _roots(root["nodes"])}]
    root["accessors"], root["bufferViews"] = store.accessors, store.views
    store.data += bytes(-len(store.data) % 4)
    root["buffers"] = [{"byteLength": len(store.data)}]
    text = json.dumps(root, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode("utf-8")
    text += b" " * (-len(text) % 4)
    size = 12 + 8 + len(text) + 8 + len(store.data)
    return b"".join(
        [struct.pack("<III", _MAGIC, 2, size), struct.pack("<II", len(text), _JSON), text,
         struct.pack("<II", len(store.data), _BIN), bytes(store.data)]
    )  # fmt: skip


def _roots(nodes: Sequence[dict[str, Any]]) -> list[int]:
    """Numbers of the nodes that hang on no other."""
    hung = {child for node in nodes for child in node.get("children", ())}
    return [number for number in range(len(nodes)) if number not in hung]


def _add_surface(root: dict[str, Any], store: _Bin, number: int, painted: TexturedSurface) -> None:
    surface = painted.surface
    attributes = {
        "POSITION": store.accessor(surface.vertices, "VEC3", _VERTICES, bounds=True),
        "NORMAL": store.accessor(vertex_normals(surface), "VEC3", _VERTICES),
        "TEXCOORD_0": store.accessor(surface.uv, "VEC2", _VERTICES),
    }
    indices = store.accessor(surface.faces.reshape(-1), "SCALAR", _INDICES)
    picture = store.view(png_bytes(painted.code))
    root["images"].append({"name": painted.name, "bufferView": picture, "mimeType": "image/png"})
    root["textures"].append({"sampler": 0, "source": number})
    material: dict[str, Any] = {
        "name": f"{painted.name}, light baked in" if painted.lit else f"{painted.name}, reflectance",
        "pbrMetallicRoughness": {
            "baseColorTexture": {"index": number},
            "metallicFactor": 0.0,
            "roughnessFactor": 1.0,
        },
    }
    if painted.lit:
        material["extensions"] = {"KHR_materials_unlit": {}}
    root["materials"].append(material)
    primitive = {"attributes": attributes, "indices": indices, "material": number}
    root["meshes"].append({"name": painted.name, "primitives": [primitive]})
    root["nodes"].append({"name": painted.name, "mesh": number})


def _add_camera(root: dict[str, Any], store: _Bin, travel: Travel) -> None:
    camera = travel.cameras[0]
    node = len(root["nodes"])
    places = np.stack([each.position for each in travel.cameras])
    facing = quaternions(travel.cameras)
    root["cameras"] = [
        {
            "name": "camera",
            "type": "perspective",
            "perspective": {
                "yfov": 2.0 * float(np.arctan2(0.5 * camera.height_px, camera.focal_px)),
                "aspectRatio": camera.width_px / camera.height_px,
                "znear": CLIP[0],
                "zfar": CLIP[1],
            },
            "extras": {
                "focal_mm": 1e3 * travel.focal,
                "sensor_width_mm": 1e3 * travel.sensor_width,
                "stop": travel.stop,
                "focus_mm": None if travel.focus is None else 1e3 * travel.focus,
                "lens_shift_mm": [1e3 * value for value in travel.shift],
                "scale": f"1:{travel.scale:g}",
            },
        }
    ]
    root["nodes"].append(
        {
            "name": "camera",
            "camera": 0,
            "translation": [float(v) for v in places[0]],
            "rotation": [float(v) for v in facing[0]],
        }
    )
    if travel.shifted:
        root["cameras"].append(_wider(camera))
        root["nodes"][node]["children"] = [len(root["nodes"])]
        root["nodes"].append({"name": WIDER, "camera": 1})
    times = np.array([travel.seconds(frame) for frame in travel.frames])
    clock = store.accessor(times, "SCALAR", bounds=True)
    samplers = [
        {"input": clock, "output": store.accessor(values, kind), "interpolation": "LINEAR"}
        for values, kind in ((places, "VEC3"), (facing, "VEC4"))
    ]
    root["animations"] = [
        {
            "name": "move",
            "samplers": samplers,
            "channels": [
                {"sampler": number, "target": {"node": node, "path": path}}
                for number, path in enumerate(("translation", "rotation"))
            ],
            "extras": {"first_frame": travel.frames[0], "rate": str(travel.rate)},
        }
    ]


def _wider(camera: Camera) -> dict[str, Any]:
    """A camera with the principal point in its middle that sees all of a shifted lens's picture, and where in it."""
    half_width = max(camera.centre_x_px, camera.width_px - camera.centre_x_px)
    half_height = max(camera.centre_y_px, camera.height_px - camera.centre_y_px)
    return {
        "name": WIDER,
        "type": "perspective",
        "perspective": {
            "yfov": 2.0 * float(np.arctan2(half_height, camera.focal_px)),
            "aspectRatio": half_width / half_height,
            "znear": CLIP[0],
            "zfar": CLIP[1],
        },
        "extras": {
            "picture_in_this": {
                "left": 0.5 * (1.0 - camera.centre_x_px / half_width),
                "top": 0.5 * (1.0 - camera.centre_y_px / half_height),
                "width": 0.5 * camera.width_px / half_width,
                "height": 0.5 * camera.height_px / half_height,
            }
        },
    }


def _light(lamp: PointLight) -> dict[str, Any]:
    # a tint of luminance 1 may exceed 1 in a channel: the colour is brought to 1, the intensity takes the rest
    most = float(lamp.tint.max())
    light: dict[str, Any] = {
        "name": lamp.name,
        "type": "point",
        "color": [float(v) / most for v in lamp.tint],
        "intensity": lamp.candela * most,
    }
    if lamp.beam is not None:
        outer = float(min(lamp.beam[1], 0.5 * np.pi))
        inner = float(min(lamp.beam[0], outer - 1e-4))
        light |= {"type": "spot", "spot": {"innerConeAngle": max(inner, 0.0), "outerConeAngle": outer}}
    return light


def _lamp_node(number: int, lamp: PointLight) -> dict[str, Any]:
    return {
        "name": lamp.name,
        "translation": [float(v) for v in lamp.position],
        "rotation": [float(v) for v in _aimed(lamp.aim - lamp.position)],
        "extensions": {"KHR_lights_punctual": {"light": number}},
    }


def _aimed(way: Array) -> Array:
    """The shortest turn (4,), x y z w, that takes -Z to the direction ``way`` (3,)."""
    ahead = unit(way)
    if ahead[2] > 1.0 - 1e-12:
        return np.array([0.0, 1.0, 0.0, 0.0])
    axis = np.cross([0.0, 0.0, -1.0], ahead)
    turn = np.array([*axis, 1.0 - ahead[2]])
    return np.asarray(turn / np.linalg.norm(turn))
