"""Reading what a scene names: pictures and meshes made elsewhere, none of them trusted."""

from __future__ import annotations

import base64
import io
import json
import math
import warnings
from pathlib import Path
from typing import Any, Final, TypeGuard
from urllib.parse import unquote

import numpy as np
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError

from previz import colour
from previz.errors import BuildError
from previz.geometry import Array
from previz.scene.limits import MESH_BYTES, MESH_FACES, MESH_NODES, MESH_VALUES, PICTURE_PIXELS, millions

# a picture (H, W, 3), linear light
Picture = NDArray[np.float32]

MESH_KINDS = (".glb", ".obj", ".ply", ".stl")
PICTURE_KINDS = ("PNG", "JPEG", "TIFF", "WEBP", "BMP")

# lists of a GLB's description that are looked at before it is read
_GLB_LISTS: Final = ("nodes", "meshes", "accessors", "images", "bufferViews")

# corners closer than this (m) are one corner when it is asked whether a mesh is closed
_SAME_PLACE = 1e-6


def _there(path: Path, what: str) -> None:
    try:
        found = path.is_file()
        size = path.stat().st_size if found else 0
    except (OSError, ValueError) as error:
        raise BuildError(f"{path}: {what} cannot be opened ({getattr(error, 'strerror', None) or error})") from error
    if not found:
        raise BuildError(f"{path}: there is no such file; {what} is expected there, seen from the scene's folder")
    if size == 0:
        raise BuildError(f"{path}: {what} is expected, but the file is empty")


def read_picture(path: Path) -> Picture:
    """A picture file as linear light (H, W, 3) float32, 0 to 1, turned upright as its camera noted.

    PNG, JPEG, TIFF, WebP or BMP; colour or grey; 8 or 16 bit, taken as sRGB. Transparency is ignored. Raises
    :class:`BuildError`.
    """
    _there(path, "a picture")
    try:
        with warnings.catch_warnings():
            # the size is checked here, with a plainer message; odd palettes and notes are no concern
            warnings.simplefilter("ignore")
            with Image.open(path, formats=PICTURE_KINDS) as image:
                width, height = image.size
                if width * height > PICTURE_PIXELS:
                    raise BuildError(
                        f"{path}: the picture has {width} x {height} pixels; at most "
                        f"{millions(PICTURE_PIXELS)} are read, so save it smaller"
                    )
                return _linear(_upright(image))
    except BuildError:
        raise
    except Image.DecompressionBombError:
        raise BuildError(f"{path}: the picture is far too large to read; save it smaller") from None
    except UnidentifiedImageError:
        raise BuildError(f"{path}: this is not a picture that can be read; save it as PNG, JPEG or TIFF") from None
    except (OSError, ValueError, SyntaxError, EOFError, MemoryError, TypeError, AssertionError) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise BuildError(f"{path}: the picture is broken or cut short ({reason}); save it again") from error


def _upright(image: Image.Image) -> Image.Image:
    turn = image.getexif().get(0x0112, 1)
    ways = {
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_270,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_90,
    }
    return image.transpose(ways[turn]) if turn in ways else image


def _linear(image: Image.Image) -> Picture:
    if image.mode.startswith(("I", "F")):
        # single channel, 16 bit as a rule
        grey = np.asarray(image).astype(np.float64)
        if not np.isfinite(grey).all():
            raise ValueError("it holds values that are not numbers")
        top = 1.0 if image.mode == "F" and grey.max() <= 1.0 else 255.0 if grey.max() <= 255.0 else 65535.0
        level = colour.decoded(np.clip(grey / top, 0.0, 1.0)).astype(np.float32)
        return np.ascontiguousarray(np.broadcast_to(level[..., None], (*level.shape, 3)))
    return colour.decoded8(np.asarray(image.convert("RGB")))


class RawMesh:
    """Triangles as a file has them: ``vertices`` (V, 3) float64, ``faces`` (F, 3) int64; where the file has them
    ``uv`` (V, 2) v down and ``picture`` (H, W, 3) linear, and ``tint`` (V, 3) linear, else one colour for all."""

    def __init__(
        self,
        vertices: Array,
        faces: NDArray[np.int64],
        uv: Array | None,
        picture: Picture | None,
        tint: Picture | None,
    ) -> None:
        self.vertices, self.faces = vertices, faces
        self.uv, self.picture, self.tint = uv, picture, tint


def read_mesh(path: Path) -> RawMesh:
    """A mesh file, all its parts in one, placed as the file says. Raises :class:`BuildError`."""
    _there(path, "a mesh")
    kind = path.suffix.lower()
    if kind not in MESH_KINDS:
        raise BuildError(f'{path}: "{kind}" is not a kind of mesh that is read; save it as GLB, OBJ, PLY or STL')
    if path.stat().st_size > MESH_BYTES:
        raise BuildError(f"{path}: the mesh file is larger than {MESH_BYTES // 1_000_000} MB; save a coarser one")
    if kind == ".glb":
        _require_modest(path)
    parts = _loaded(path)
    try:
        raw = _joined(parts)
    except (ValueError, IndexError, TypeError, AttributeError) as error:
        raise BuildError(f"{path}: the mesh is broken ({error}); save it again") from error
    if len(raw.faces) == 0:
        raise BuildError(f"{path}: the file holds no triangles")
    if len(raw.faces) > MESH_FACES:
        raise BuildError(f"{path}: {len(raw.faces)} triangles are too many; at most {MESH_FACES} are read")
    if raw.faces.min() < 0 or raw.faces.max() >= len(raw.vertices):
        raise BuildError(f"{path}: the mesh is broken: it names corners that it does not have")
    if not np.isfinite(raw.vertices).all():
        raise BuildError(f"{path}: the mesh has corners whose place is not a number")
    size = float(np.ptp(raw.vertices, axis=0).max())
    if not 1e-3 <= size <= 100.0 or float(np.abs(raw.vertices).max()) > 1000.0:
        unit = "; is it in millimetres? Meshes" if size > 100.0 else "; meshes"
        raise BuildError(
            f"{path}: the mesh measures {size:.6g} m, which is no miniature{unit} are taken in metres, so scale it"
        )
    return raw


def _require_modest(path: Path) -> None:
    """Refuse a GLB that unfolds to more than is taken in, or whose pictures cannot be read, by its own description.

    The reader would place every copy, fill every list and leave out a picture that it cannot read without a word.
    Khronos, glTF 2.0, sections 3.5 to 3.8 and 4.4. Raises :class:`BuildError`.
    """
    told, binary = _glb_chunks(path)
    counted = {name: _tables(told.get(name)) for name in _GLB_LISTS}
    nodes, accessors = counted["nodes"], counted["accessors"]
    pieces = [len(_tables(mesh.get("primitives"))) for mesh in counted["meshes"]]
    copies = sum(pieces[node["mesh"]] for node in nodes if _among(node.get("mesh"), pieces))
    if (most := max(len(nodes), len(pieces), sum(pieces), copies)) > MESH_NODES:
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
        beside = path.parent / unquote(uri)
        try:
            if beside.resolve().is_relative_to(path.parent.resolve()) and beside.is_file():
                return beside.read_bytes()
        except (OSError, ValueError):
            pass
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
    except (OSError, ValueError, SyntaxError, EOFError, TypeError, MemoryError, IndexError, OverflowError) as error:
        reason = (str(error).splitlines() or [""])[0].partition("<")[0].strip() or type(error).__name__
        raise BuildError(
            f"{path}: {what} of the mesh cannot be read ({reason[:60]}); save the mesh again with it as PNG or JPEG"
        ) from error


def _loaded(path: Path) -> list[Any]:
    import trimesh

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            scene = trimesh.load_scene(path, process=False)
            return [part for part in scene.dump() if isinstance(part, trimesh.Trimesh)]
    except Exception as error:  # every reader fails in its own way on a broken file
        reason = (str(error).splitlines() or [""])[0] or type(error).__name__
        raise BuildError(f"{path}: the mesh is broken or cut short ({reason[:100]}); save it again") from error


def _joined(parts: list[Any]) -> RawMesh:
    vertices, faces, uvs, tints = [], [], [], []
    picture: Picture | None = None
    mapped = len(parts) == 1
    first = 0
    for part in parts:
        points = np.asarray(part.vertices, dtype=np.float64).reshape(-1, 3)
        vertices.append(points)
        faces.append(np.asarray(part.faces, dtype=np.int64).reshape(-1, 3) + first)
        uv, image, tint = _look_of(part)
        if mapped and image is not None:
            picture = image
            uvs.append(uv)
        elif image is not None:
            # several parts with pictures of their own: each corner takes the colour that its picture has there
            tint = _at(image, uv)
        tints.append(tint)
        first += len(points)
    return RawMesh(
        np.concatenate(vertices) if vertices else np.zeros((0, 3)),
        np.concatenate(faces) if faces else np.zeros((0, 3), dtype=np.int64),
        uvs[0] if uvs else None,
        picture,
        np.concatenate(tints) if tints else None,
    )


def _look_of(part: Any) -> tuple[Array | None, Picture | None, Picture]:
    """(uv with v down, picture, colour of each corner) of a part."""
    count = len(part.vertices)
    plain = np.full((count, 3), 0.35, dtype=np.float32)
    visual = part.visual
    if getattr(visual, "kind", None) == "texture":
        material = visual.material
        uv = None if visual.uv is None else np.asarray(visual.uv, dtype=np.float64)
        image = getattr(material, "image", None) or getattr(material, "baseColorTexture", None)
        if image is not None and uv is not None and uv.shape == (count, 2) and np.isfinite(uv).all():
            if math.prod(image.size) > PICTURE_PIXELS:
                raise ValueError("its picture is too large")
            return uv * (1.0, -1.0) + (0.0, 1.0), _linear(image), plain
        main = np.asarray(material.main_color, dtype=np.float64)[:3] / 255.0
        return None, None, np.broadcast_to(colour.decoded(main), (count, 3)).astype(np.float32)
    if getattr(visual, "kind", None) in ("vertex", "face"):
        codes = np.asarray(visual.vertex_colors)[:, :3].astype(np.uint8)
        return None, None, colour.decoded8(codes)
    return None, None, plain


def _at(image: Picture, uv: Array | None) -> Picture:
    if uv is None:
        raise ValueError("a part has a picture but no map")
    return sampled(image, uv)


def sampled(image: Picture, uv: Array) -> Picture:
    """Colours (N, 3) of the texels nearest to ``uv`` (N, 2), v down; the picture repeats beyond its edges."""
    h, w = image.shape[:2]
    columns = np.floor(uv[:, 0] * w).astype(np.int64) % w
    rows = np.floor(uv[:, 1] * h).astype(np.int64) % h
    return np.asarray(image[rows, columns])


def same_corners(vertices: Array) -> NDArray[np.int64]:
    """A number for every corner (V,), the same for corners in the same place."""
    _, number = np.unique(np.round(vertices / _SAME_PLACE).astype(np.int64), axis=0, return_inverse=True)
    return number.reshape(-1).astype(np.int64)


def require_closed(raw: RawMesh, name: str) -> None:
    """Every edge must be run through as often one way as the other; a volume must not be inside out.

    Raises :class:`BuildError`.
    """
    faces = same_corners(raw.vertices)[raw.faces]
    faces = faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])]
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    forward = edges[:, 0] < edges[:, 1]
    key = np.sort(edges, axis=1) @ np.array([len(raw.vertices) + 1, 1])
    _, inverse = np.unique(key, return_inverse=True)
    balance = np.bincount(inverse.reshape(-1), weights=np.where(forward, 1.0, -1.0))
    open_edges = int((balance != 0.0).sum())
    if open_edges or len(faces) == 0:
        raise BuildError(
            f"{name}: the bridge is not closed ({open_edges} open edges); close its holes, or turn its faces one way"
        )
    corners = raw.vertices[raw.faces]
    volume = float(np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])).sum()) / 6.0
    if volume <= 0.0:
        raise BuildError(f"{name}: the bridge is inside out; turn its faces over")
