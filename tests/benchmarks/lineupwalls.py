"""Figures of walls from photographs and of meshes from other programs, for ``python -m tests.benchmarks.lineup``.

A photograph at 35 degrees with a marker sheet and a grey card in it, made twice by others than what lays it flat:
traced through OpenCV's camera (tests/workshop/wallphotos.py), and drawn by OpenGL through the project's picture engine.
The wall laid flat is compared with the true one by scikit-image: phase correlation of patches, CIEDE2000. Meshes are
those of tests/scene/test_meshes_given.py, written by trimesh.
"""

from __future__ import annotations

import itertools
import tempfile
from pathlib import Path

import numpy as np

from previz.camera import Camera
from previz.errors import EngineError, SceneError
from previz.geometry import rigid
from previz.look.picture import PictureEngine
from previz.scene.cautions import cautions
from previz.scene.foreign import read_mesh
from previz.scene.given.mesh import MeshFile
from previz.workshop.photographs.rectify import flat_wall
from previz.workshop.set import plot_of, texel_lines
from previz.workshop.surface import WALL, LitSurface, Surface
from tests.benchmarks.figures import Figure, at_least, at_most
from tests.lineup.photographs import Paper, Truth
from tests.scene.example import modelled, scene_of
from tests.scene.test_meshes_given import KINDS, METRES, NO_FIGURE, PROGRAMS, corners, exported, walkway
from tests.workshop.sets import MM, scene
from tests.workshop.wallphotos import (
    Hung,
    Measured,
    TrueWall,
    against_truth,
    at_an_angle,
    box_of,
    encoded,
    light_on,
    painted_wall,
    saved,
    sheet_at,
)

WALL_KEYS = {"width": 1.3, "height": 0.9, "top": 0.5, "relief": 0.0}
CARD = (0.15, -0.25, 0.12, 0.09)
SHEET = (-0.05, 0.2)
SIZE, QUICK_SIZE = (4000, 3000), (1600, 1200)
# units that a mesh may be in although a file says nothing, or metres
UNITS = ("m", "cm", "mm", "in")


def figures(quick: bool) -> list[Figure]:
    """Measure."""
    return [*photograph_figures(quick), *mesh_figures(quick)]


def photograph_figures(quick: bool) -> list[Figure]:
    """The wall from a photograph at 35 degrees."""
    size = QUICK_SIZE if quick else SIZE
    wall = painted_wall(WALL_KEYS["width"], WALL_KEYS["height"], WALL_KEYS["top"])
    truth = at_an_angle(35.0, 1.5, 0.85 * size[0], size)
    papers = [sheet_at(scene({"photo": "a.jpg"}), "left", SHEET)]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        saved(light_on(wall, truth, papers, Hung(CARD)), folder / "traced.jpg")
        out = _rows("wall from a traced photograph at 35 deg", _flat(folder, "traced.jpg", truth, wall, size))
        try:
            saved(drawn(wall, truth, papers[0], Hung(CARD)), folder / "drawn.jpg")
        except EngineError as error:
            return [*out, Figure("wall from a photograph drawn by OpenGL", f"not drawn here: {error}", "")]
        return [*out, *_rows("wall from one drawn by OpenGL", _flat(folder, "drawn.jpg", truth, wall, size))]


def _flat(folder: Path, file: str, truth: Truth, wall: TrueWall, size: tuple[int, int]) -> Measured:
    given = {"file": file, "sheets": {"left": SHEET}, "grey": {"box": box_of(truth, CARD)}}
    made = scene({"photo": given, **WALL_KEYS, "texture_px": round(0.4 * size[0])}, folder=folder)
    flat = flat_wall(made, *texel_lines(plot_of(made)))
    return against_truth(flat.picture, flat.covered, wall)


def _rows(name: str, found: Measured) -> list[Figure]:
    return [
        at_most(f"{name}: worst of {len(found.off_mm)} patches over 1.3 x 0.9 m", float(found.off_mm.max()), "mm", 1.0),
        Figure(f"{name}: mean of the patches", float(found.off_mm.mean()), "mm"),
        at_most(f"{name}: mean colour difference", found.de00, "dE00", 2.0),
        Figure(f"{name}: covered, sheet and card left out", 100.0 * found.covered, "%"),
    ]


def drawn(wall: TrueWall, truth: Truth, paper: Paper, hung: Hung) -> np.ndarray:
    """The photograph's linear light (h, w, 3), drawn by OpenGL at 3 x 3 samples a pixel."""
    w, h = truth.size_px
    camera = Camera(rigid(truth.world_from_cam, truth.place), truth.focal_px, 0.5 * w, 0.5 * h, w, h)
    texture, corner = paper.texture()
    step = 0.25e-3
    left, top = paper.world_from_sheet[0, 3] + corner[0], paper.world_from_sheet[1, 3] + corner[1]
    sheet = (left, top - texture.shape[0] * step, texture.shape[1] * step, texture.shape[0] * step)
    assert hung.card is not None
    plates = [
        _plate("wall", (-0.5 * wall.width, wall.top - wall.height, wall.width, wall.height), 0.0, wall.picture),
        _plate("sheet", sheet, 0.2 * MM, np.repeat(texture[..., None], 3, axis=2)),
        _plate("card", hung.card, 0.2 * MM, np.full((4, 4, 3), hung.reflectance, np.float32)),
    ]
    engine = PictureEngine()
    try:
        engine.load(plates)
        view = engine.draw(camera, [plate.name for plate in plates], 3, background=(0.05, 0.05, 0.05))
    finally:
        engine.close()
    return view.colour * np.array(hung.light, dtype=np.float32)


def _plate(name: str, box: tuple[float, float, float, float], out: float, picture: np.ndarray) -> LitSurface:
    """An upright rectangle (left, bottom, width, height) m with a picture on it, ``out`` m before the wall."""
    left, low, wide, high = box
    places = [(left, low + high), (left + wide, low + high), (left + wide, low), (left, low)]
    vertices = np.array([(x, y, out) for x, y in places])
    uv = np.array([(0, 0), (1, 0), (1, 1), (0, 1)], dtype=np.float32)
    faces = np.array([(0, 3, 2), (0, 2, 1)], dtype=np.int32)
    code = np.rint(encoded(picture) * 255.0).astype(np.uint8)
    return LitSurface(name, Surface(name, WALL, vertices, faces, uv, picture.astype(np.float32)), code)


def mesh_figures(quick: bool) -> list[Figure]:
    """Meshes in every unit and axis, told and untold."""
    mesh = walkway()
    wanted = corners(mesh.vertices)
    ups = ("y", "z") if quick else tuple(PROGRAMS)
    right = silent = tried = untold = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for kind, unit, up, mirrored in itertools.product(KINDS, METRES, ups, (False, True)):
            path = folder / f"b.{kind}"
            exported(path, mesh, unit, up, mirrored)
            found = corners(read_mesh(path, MeshFile(file=path, units=unit, up=up, mirror=mirrored)).vertices)
            tried += 1
            right += found.shape == wanted.shape and bool(np.allclose(found, wanted, atol=2e-3 * MM))
        for kind, unit in itertools.product(KINDS, [unit for unit in UNITS if unit != "m"]):
            exported(folder / f"b.{kind}", mesh, unit)
            untold += 1
            try:
                said = [c.text for c in cautions(scene_of(folder, *modelled(f"b.{kind}"), *NO_FIGURE))]
            except SceneError as error:
                said = [str(error)]
            silent += not any(f'units = "{unit}"' in text for text in said)
    return [
        at_least(f"meshes told, {tried} formats, units, axes and hands: understood", 100 * right / tried, "%", 100),
        at_most(f"meshes untold, {untold} formats and units: taken without a word", silent, "", 0),
    ]
