"""Mesh files looked at before they are read: what unfolds to too much, and pictures left out in silence."""

from __future__ import annotations

import base64
import io
import json
import math
import warnings
from pathlib import Path
from typing import Any, Final, TypeGuard
from urllib.parse import unquote

from PIL import Image

from previz.errors import BuildError, quoted
from previz.scene.limits import MESH_FACES, MESH_NODES, MESH_VALUES, PICTURE_KINDS, PICTURE_PIXELS, millions

# lists of a GLB's description that are looked at before it is read
_GLB_LISTS: Final = ("nodes", "meshes", "accessors", "images", "bufferViews", "materials", "textures", "samplers")

# a part has a handful of lists of numbers, and of everything else one at most
_GLB_A_PART: Final = {"accessors": 8, "bufferViews": 8}


def require_modest(path: Path) -> None:
    """Refuse a GLB that unfolds to more than is taken in, or whose pictures cannot be read, by its own description.

    The reader would place every copy, fill every list and leave out a picture that it cannot read without a word.
    Khronos, glTF 2.0, sections 3.5 to 3.8 and 4.4. Raises :class:`BuildError`.
    """
    told, binary = _glb_chunks(path)
    counted = {name: _tables(told.get(name)) for name in _GLB_LISTS}
    nodes, accessors = counted["nodes"], counted["accessors"]
    pieces = [len(_tables(mesh.get("primitives"))) for mesh in counted["meshes"]]
    copies = sum(pieces[node["mesh"]] for node in nodes if _among(node.get("mesh"), pieces))
    longest = max(len(counted[name]) // _GLB_A_PART.get(name, 1) for name in _GLB_LISTS)
    if (most := max(longest, sum(pieces), copies)) > MESH_NODES:
        raise BuildError(f"{path}: the mesh has {most} parts; at most {MESH_NODES} are read, so join them")
    if any(_whole(accessor.get("count")) > MESH_VALUES for accessor in accessors):
        raise BuildError(f"{path}: the mesh has lists of more than {MESH_VALUES} values; save a coarser one")
    corners = []
    for mesh in counted["meshes"]:
        lists = [_corners_of(part) for part in _tables(mesh.get("primitives"))]
        corners.append(sum(_whole(accessors[k].get("count")) for k in lists if _among(k, accessors)))
    placed = sum(corners[node["mesh"]] for node in nodes if _among(node.get("mesh"), corners)) // 3
    if placed > MESH_FACES:
        raise BuildError(f"{path}: {placed} triangles are too many; at most {MESH_FACES} are read")
    pixels = 0
    for number, image in enumerate(counted["images"], 1):
        pixels += _pixels(path, f"picture {number}", _image_bytes(path, image, counted["bufferViews"], binary))
    if pixels > PICTURE_PIXELS:
        raise BuildError(
            f"{path}: the mesh's pictures have {pixels} pixels; at most {millions(PICTURE_PIXELS)} are read, so save "
            "them smaller"
        )


def require_pictures(path: Path) -> None:
    """Refuse an OBJ whose materials name a picture that is not there or cannot be read: the reader would leave it out
    without a word. Raises :class:`BuildError`."""
    pixels = 0
    for name in _named_in(path, "mtllib"):
        materials = _beside(path, name)
        # an OBJ without its materials is a plain one, and said to be by "previz check"
        if materials is None:
            continue
        for picture in _named_in(materials, "map_kd"):
            file = _beside(materials, picture)
            what = f"the picture {quoted(picture)}, named in {quoted(name)},"
            if picture.startswith("-"):
                raise BuildError(f"{path}: {what} has options before its name, which are not read; take them out")
            if file is None:
                way = "write / instead of \\" if "\\" in picture else "lay it there, or take its line out"
                raise BuildError(f"{path}: {what} is not in the mesh's folder; {way}")
            pixels += _pixels(path, what, file.read_bytes())
    if pixels > PICTURE_PIXELS:
        raise BuildError(
            f"{path}: the mesh's pictures have {pixels} pixels; at most {millions(PICTURE_PIXELS)} are read, so save "
            "them smaller"
        )


def _named_in(path: Path, word: str) -> list[str]:
    """The files that the lines of an OBJ or MTL file beginning with ``word`` name, each once.

    Alias|Wavefront, "Object Files (.obj)" and "MTL material format", 1995.
    """
    with path.open(encoding="utf-8", errors="replace") as lines:
        parts = (line.strip().split(maxsplit=1) for line in lines)
        return list(dict.fromkeys(two[1] for two in parts if len(two) == 2 and two[0].lower() == word))


def _beside(path: Path, name: str) -> Path | None:
    """The file of that name in the folder of ``path`` or below it; None where there is none."""
    file = path.parent / name
    try:
        inside = file.resolve().is_relative_to(path.parent.resolve())
        return file if inside and file.is_file() else None
    except (OSError, ValueError):
        return None


def _tables(value: object) -> list[dict[str, Any]]:
    # one that is none keeps its place, for others name it by its number
    return [each if isinstance(each, dict) else {} for each in value] if isinstance(value, list) else []


def _corners_of(part: dict[str, Any]) -> object:
    """The number of the list that tells how many corners a part of a mesh has."""
    places = part.get("attributes")
    return part.get("indices", places.get("POSITION") if isinstance(places, dict) else None)


def _whole(value: object) -> int:
    return value if isinstance(value, int) else 0


def _among(index: object, things: list[Any]) -> TypeGuard[int]:
    return isinstance(index, int) and 0 <= index < len(things)


def _glb_chunks(path: Path) -> tuple[dict[str, Any], bytes]:
    """The description and the binary part of a GLB file; both empty where it is none, which the reader will say."""
    data = path.read_bytes()
    if data[:4] != b"glTF" or len(data) < 20:
        return {}, b""
    length = int.from_bytes(data[12:16], "little")
    try:
        told = json.loads(data[20 : 20 + length])
    except (ValueError, RecursionError):
        raise BuildError(f"{path}: the mesh is broken or cut short (its description); save it again") from None
    return (told if isinstance(told, dict) else {}), data[28 + length :]


def _image_bytes(path: Path, image: dict[str, Any], views: list[Any], binary: bytes) -> bytes:
    """The file of a picture of a GLB: in its binary part, written out in the description, or beside it."""
    view, uri = image.get("bufferView"), image.get("uri")
    if _among(view, views):
        start, length = _whole(views[view].get("byteOffset")), _whole(views[view].get("byteLength"))
        return binary[start : start + length]
    if isinstance(uri, str) and uri.startswith("data:"):
        try:
            return base64.b64decode(uri.partition(",")[2])
        except ValueError:
            return b""
    if isinstance(uri, str):
        beside = _beside(path, unquote(uri))
        return b"" if beside is None else beside.read_bytes()
    return b""


def _pixels(path: Path, what: str, data: bytes) -> int:
    """Pixels of a picture in a mesh, which must be one that can be read. Raises :class:`BuildError`."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data), formats=PICTURE_KINDS) as image:
                count = math.prod(image.size)
                if count <= PICTURE_PIXELS:
                    image.load()
                return count
    except Image.DecompressionBombError:
        return PICTURE_PIXELS + 1
    except (
        OSError, ValueError, SyntaxError, EOFError, TypeError, MemoryError, IndexError, OverflowError, AssertionError,
    ) as error:  # fmt: skip
        reason = (str(error).splitlines() or [""])[0].partition("<")[0].strip() or type(error).__name__
        raise BuildError(
            f"{path}: {what} of the mesh cannot be read ({reason[:60]}); save the mesh again with it as PNG or JPEG"
        ) from error
