"""Reading what a scene names: pictures and meshes made elsewhere, none of them trusted."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, UnidentifiedImageError

from previz import colour
from previz.errors import BuildError, quoted
from previz.geometry import Array, rigid, transform_points, turned
from previz.scene.given.mesh import METRES, STATED, UNIT_WORDS, UNITS, MeshFile, Units, Up
from previz.scene.given.meshguard import require_modest, require_pictures
from previz.scene.limits import MESH_BYTES, MESH_FACES, PICTURE_KINDS, PICTURE_PIXELS, millions

# a picture (H, W, 3), linear light
Picture = NDArray[np.float32]

Taken = TypeVar("Taken")

MESH_KINDS = (".glb", ".obj", ".ply", ".stl", ".off")

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
    return _read(path, lambda image: _linear(_upright(image)))


def read_codes(path: Path) -> Array:
    """The code values (H, W), 0 to 1, of a picture file of any of those kinds; of colours their mean, none decoded."""
    return _read(path, lambda image: _codes(_upright(image)))


def picture_size(path: Path) -> tuple[int, int]:
    """Width and height (px) of a picture file, upright; nothing but its head is read. Raises :class:`BuildError`."""
    return _read(path, lambda image: image.size[::-1] if image.getexif().get(0x0112, 1) in (5, 6, 7, 8) else image.size)


def focal_35(path: Path) -> float | None:
    """Focal length (m) for a 36 mm wide frame that a photograph's camera wrote down; None where it did not."""

    def told(image: Image.Image) -> float | None:
        try:
            value = float(image.getexif().get_ifd(ExifTags.IFD.Exif).get(ExifTags.Base.FocalLengthIn35mmFilm) or 0.0)
        except (TypeError, ValueError, ZeroDivisionError, SyntaxError):
            return None
        return 1e-3 * value if 1.0 <= value <= 5000.0 else None

    return _read(path, told)


def _read(path: Path, take: Callable[[Image.Image], Taken]) -> Taken:
    """What is taken from a picture file. Raises :class:`BuildError`."""
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
                return take(image)
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


def _deep(image: Image.Image) -> Array:
    """Codes (H, W), 0 to 1, of a picture of a single channel, 16 bit as a rule."""
    grey = np.asarray(image).astype(np.float64)
    if not np.isfinite(grey).all():
        raise ValueError("it holds values that are not numbers")
    top = 1.0 if image.mode == "F" and grey.max() <= 1.0 else 255.0 if grey.max() <= 255.0 else 65535.0
    return np.asarray(np.clip(grey / top, 0.0, 1.0))


def _codes(image: Image.Image) -> Array:
    if image.mode.startswith(("I", "F")):
        return _deep(image)
    return np.asarray(np.asarray(image.convert("RGB"), dtype=np.float64).mean(axis=2) / 255.0)


def _linear(image: Image.Image) -> Picture:
    if image.mode.startswith(("I", "F")):
        level = colour.decoded(_deep(image)).astype(np.float32)
        return np.ascontiguousarray(np.broadcast_to(level[..., None], (*level.shape, 3)))
    return colour.decoded8(np.asarray(image.convert("RGB")))


# how a file's axes become right, up and out of the wall, by the axis that its program has up: always a turn. From z up,
# what the program shows from the front (looking along its y) is what the camera sees
_SET_FROM_FILE: Final[dict[Up, tuple[tuple[int, int, int], ...]]] = {
    "y": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "z": ((1, 0, 0), (0, 0, 1), (0, -1, 0)),
    "x": ((0, -1, 0), (1, 0, 0), (0, 0, 1)),
    "-y": ((-1, 0, 0), (0, -1, 0), (0, 0, 1)),
    "-z": ((1, 0, 0), (0, 0, -1), (0, 1, 0)),
    "-x": ((0, 1, 0), (-1, 0, 0), (0, 0, 1)),
}


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


def read_mesh(path: Path, given: MeshFile | None = None) -> RawMesh:
    """A mesh file, all its parts in one, placed as the file says and then as ``given`` does, in metres.

    Without ``given`` its numbers are metres in the scene's axes. Raises :class:`BuildError`.
    """
    _there(path, "a mesh")
    kind = path.suffix.lower()
    if kind not in MESH_KINDS:
        raise BuildError(f'{path}: "{kind}" is not a kind of mesh that is read; save it as GLB, OBJ, PLY, STL or OFF')
    if path.stat().st_size > MESH_BYTES:
        raise BuildError(f"{path}: the mesh file is larger than {MESH_BYTES // 1_000_000} MB; save a coarser one")
    if kind == ".glb":
        require_modest(path)
    elif kind == ".obj":
        require_pictures(path)
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
    return _sized(path, placed(raw, given or MeshFile(file=path)), given)


def placed(raw: RawMesh, given: MeshFile) -> RawMesh:
    """A mesh as its file has it, put into metres and the scene's axes; a mirrored one keeps its outside outside."""
    where = set_from_file(given)
    faces = raw.faces
    vertices = transform_points(where, raw.vertices)
    if np.linalg.det(where[:3, :3]) < 0.0:
        faces = np.ascontiguousarray(faces[:, ::-1])
        out = RawMesh(vertices, faces, raw.uv, raw.picture, raw.tint)
        # a program whose axes are left-handed has turned the faces over already
        if open_edges(out)[0] == 0 and volume_of(out) < 0.0:
            faces = raw.faces
    return RawMesh(vertices, faces, raw.uv, raw.picture, raw.tint)


def set_from_file(given: MeshFile) -> Array:
    """(4, 4): a mesh file's numbers to metres in the scene's axes; its determinant is negative where it mirrors."""
    # a camera's pan to the right looks along -Z: the opposite sense of a front that looks along +Z
    turn = turned(-given.turn, 0.0, 0.0)
    swap = np.diag([-1.0 if given.mirror else 1.0, 1.0, 1.0])
    axes = np.array(_SET_FROM_FILE[given.up], dtype=np.float64)
    return rigid(swap @ turn @ axes * METRES[given.unit], given.move)


def _sized(path: Path, raw: RawMesh, given: MeshFile | None) -> RawMesh:
    """``raw`` where it is of a size to build from. Raises :class:`BuildError` that says which unit would do."""
    size = float(np.ptp(raw.vertices, axis=0).max())
    if 1e-3 <= size <= 100.0 and float(np.abs(raw.vertices).max()) <= 1000.0:
        return raw
    now = (given or MeshFile(file=path)).unit
    known = f"the mesh measures {size:.6g} m, which is no miniature"
    if 1e-3 <= size <= 100.0:
        far = float(np.abs(raw.vertices).max())
        raise BuildError(f"{path}: the mesh lies {far:.6g} m away from the set; move it in its file, or by move")
    better = unit_that_fits(size, now, lambda metres: 0.01 <= metres <= 20.0, 1.0)
    if better is None:
        raise BuildError(f"{path}: {known}; scale it in its program")
    stated = "" if given is not None and given.units else f" (a {path.suffix[1:].upper()} file states no unit)"
    if path.suffix.lower() in STATED and not (given is not None and given.units):
        stated = " as its format does"
    raise BuildError(
        f"{path}: {known}; is it in {UNIT_WORDS[better]}? It was taken in {UNIT_WORDS[now]}{stated}: "
        f'write mesh = {{ file = {quoted(path.name)}, units = "{better}" }}'
    )


def unit_that_fits(size: float, now: Units, fits: Callable[[float], bool], usual: float) -> Units | None:
    """Which other unit makes a mesh, ``size`` m across in the unit ``now``, one that ``fits``; nearest to ``usual``."""
    sizes = {unit: size * METRES[unit] / METRES[now] for unit in UNITS if unit != now}
    good = [unit for unit, metres in sizes.items() if fits(metres)]
    return min(good, key=lambda unit: abs(math.log(sizes[unit] / usual)), default=None)


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


def open_edges(raw: RawMesh) -> tuple[int, int]:
    """How many edges are not run through as often one way as the other, and how many faces have an area to speak of."""
    faces = same_corners(raw.vertices)[raw.faces]
    faces = faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])]
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    forward = edges[:, 0] < edges[:, 1]
    key = np.sort(edges, axis=1) @ np.array([len(raw.vertices) + 1, 1])
    _, inverse = np.unique(key, return_inverse=True)
    balance = np.bincount(inverse.reshape(-1), weights=np.where(forward, 1.0, -1.0))
    return int((balance != 0.0).sum()), len(faces)


def volume_of(raw: RawMesh) -> float:
    """Volume (m3) of a closed mesh; negative where it is inside out."""
    corners = raw.vertices[raw.faces]
    return float(np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])).sum()) / 6.0


def require_closed(raw: RawMesh, name: str) -> None:
    """Every edge must be run through as often one way as the other; a volume must not be inside out.

    Raises :class:`BuildError`.
    """
    open_, faces = open_edges(raw)
    if open_ or faces == 0:
        raise BuildError(
            f"{name}: the bridge is not closed ({open_} open edges); close its holes, or turn its faces one way"
        )
    if volume_of(raw) <= 0.0:
        raise BuildError(
            f"{name}: the bridge is inside out; turn its faces over, or write mirror = true under mesh where left and "
            "right are swapped as well"
        )
