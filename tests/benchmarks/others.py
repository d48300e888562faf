"""Scoring a camera in one way or another: ``python -m tests.benchmarks.others WAY SET WIDTH_PX``.

SET is a pickled ready set. Prints one JSON object: ``{"ms": ..., "cameras": ...}``, the median time of one scored
camera, or ``{"missing": ...}``. One way a process: a process can have only one OpenGL renderer.

Every way gives the frame with and without the bridge and which pixels are the bridge; what follows (outline, wall
behind it, break) is this project's own. Libraries may use every core, the fast judge uses one.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import pickle
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.camera import Camera
from previz.errors import JudgeError
from previz.judge.breaks import break_of
from previz.judge.ends import ends_of, just_inside
from previz.judge.frame import wall_px_per_m
from previz.judge.outline import outline_of
from previz.judge.viewer import Viewer
from previz.look.sight import SightEngine
from previz.look.view import Engine
from previz.stage.fastlooking import FastLooker
from previz.stage.looking import Looker
from previz.stage.prepare import CLEAN, WITH_BRIDGE, ReadySet
from previz.workshop.surface import BRIDGE as BRIDGE_LAYER
from previz.workshop.surface import LitSurface, Picture
from tests.benchmarks.crew import SEED, knocked_cameras
from tests.engine import open_engine

# seconds for one way, and how many cameras it may take at most
BUDGET_S = 5.0
MOST_CAMERAS = 40
FEWEST_CAMERAS = 2

# samples a pixel of the path tracer, and how far paths go: to the light without a bounce
PATH_SAMPLES = 2
PATH_DEPTH = 2

Cover = NDArray[np.float32]


class MissingError(Exception):
    """A library that is not installed."""


# a way to draw: the frame with and without the bridge, (H, W, 3) linear 0 to 1, and the bridge's share (H, W)
Way = Callable[[Camera], tuple[Picture, Picture, Cover]]


def _library(name: str) -> Any:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return importlib.import_module(name)
    except ImportError as error:
        raise MissingError("not installed: pip install -e '.[bench]'") from error


def _linear(code: NDArray[np.uint8]) -> Picture:
    return colour.decoded8(np.ascontiguousarray(code[..., :3]))


def own_engine(engine: Engine, ready: ReadySet) -> Way:
    """One of this project's engines."""
    engine.load(ready.lit)

    def draw(camera: Camera) -> tuple[Picture, Picture, Cover]:
        seen, clean = engine.draw(camera, WITH_BRIDGE), engine.draw(camera, CLEAN)
        return np.clip(seen.colour, 0.0, 1.0), np.clip(clean.colour, 0.0, 1.0), seen.cover(BRIDGE_LAYER)

    return draw


def _pyrender() -> Any:
    """pyrender on a machine without a screen, with the least that it needs to run beside numpy 2."""
    os.environ["PYOPENGL_PLATFORM"] = "egl"
    if not hasattr(np, "infty"):
        np.infty = np.inf  # type: ignore[attr-defined]
    _library("pyglet").options["headless"] = True
    return _library("pyrender")


def _pyrender_scene(library: Any, ready: ReadySet) -> tuple[Any, dict[str, Any]]:
    """A scene with the wall, with and without shadow, and the bridge, lit from the front; its nodes by name."""
    trimesh = _library("trimesh")
    images = _library("PIL.Image")
    scene = library.Scene(ambient_light=[0.6, 0.6, 0.6], bg_color=[0.0, 0.0, 0.0])
    nodes = {}
    for lit in ready.lit:
        uv = lit.surface.uv * [1.0, -1.0] + [0.0, 1.0]
        visual = trimesh.visual.TextureVisuals(
            uv=uv, material=trimesh.visual.material.SimpleMaterial(image=images.fromarray(lit.code))
        )
        mesh = trimesh.Trimesh(lit.surface.vertices, lit.surface.faces, visual=visual, process=False)
        nodes[lit.name] = scene.add(library.Mesh.from_trimesh(mesh, smooth=False), name=lit.name)
    scene.add(library.DirectionalLight(intensity=2.0), pose=np.eye(4))
    return scene, nodes


def _pyrender_camera(library: Any, camera: Camera) -> Any:
    return library.IntrinsicsCamera(
        camera.focal_px, camera.focal_px, camera.centre_x_px, camera.centre_y_px, znear=0.05, zfar=20.0
    )


def pyrender_naive(ready: ReadySet) -> Way:
    """As its documentation shows: a new renderer, lit, ids by a segmentation pass, once more without the bridge."""
    library = _pyrender()
    scene, nodes = _pyrender_scene(library, ready)

    def draw(camera: Camera) -> tuple[Picture, Picture, Cover]:
        eye = scene.add(_pyrender_camera(library, camera), pose=camera.world_from_cam)
        renderer = library.OffscreenRenderer(camera.width_px, camera.height_px)
        scene.remove_node(nodes["clean wall"])
        seen, _ = renderer.render(scene)
        ids = {nodes["wall"]: (40, 0, 0), nodes["bridge"]: (80, 0, 0)}
        marked, _ = renderer.render(scene, flags=library.RenderFlags.SEG, seg_node_map=ids)
        scene.remove_node(nodes["wall"])
        scene.remove_node(nodes["bridge"])
        scene.add_node(nodes["clean wall"])
        clean, _ = renderer.render(scene)
        renderer.delete()
        scene.add_node(nodes["wall"])
        scene.add_node(nodes["bridge"])
        scene.remove_node(eye)
        return _linear(seen), _linear(clean), (marked[..., 0] == 80).astype(np.float32)

    return draw


def pyrender_kept(ready: ReadySet) -> Way:
    """One renderer and one scene kept, unlit, meshes shown and hidden: with the bridge, its ids, without it."""
    library = _pyrender()
    scene, nodes = _pyrender_scene(library, ready)
    flat, segments = library.RenderFlags.FLAT, library.RenderFlags.SEG
    kept: dict[str, Any] = {}
    ids = {node: (40 * (k + 1), 0, 0) for k, node in enumerate(nodes.values())}

    def show(names: tuple[str, ...]) -> None:
        for name, node in nodes.items():
            node.mesh.is_visible = name in names

    def draw(camera: Camera) -> tuple[Picture, Picture, Cover]:
        if not kept:
            kept["renderer"] = library.OffscreenRenderer(camera.width_px, camera.height_px)
        if "camera" in kept:
            scene.remove_node(kept["camera"])
        kept["camera"] = scene.add(_pyrender_camera(library, camera), pose=camera.world_from_cam)
        show(WITH_BRIDGE)
        seen, _ = kept["renderer"].render(scene, flags=flat)
        marked, _ = kept["renderer"].render(scene, flags=segments, seg_node_map=ids)
        show(CLEAN)
        clean, _ = kept["renderer"].render(scene, flags=flat)
        cover = (marked[..., 0] == ids[nodes["bridge"]][0]).astype(np.float32)
        return _linear(seen), _linear(clean), cover

    return draw


def vtk_off_screen(ready: ReadySet) -> Way:
    """VTK: textured and unlit, three passes: with the bridge, without it, the bridge in one colour."""
    vtk = _library("vtk")
    convert = _library("vtk.util.numpy_support")
    renderer = vtk.vtkRenderer()
    renderer.SetBackground(0.0, 0.0, 0.0)
    actors = {lit.name: _vtk_actor(vtk, convert, lit) for lit in ready.lit}
    # the same meshes once more, everything black but the bridge
    plain = {f"{name} plain": _vtk_plain(vtk, actors[name], float(name == "bridge")) for name in WITH_BRIDGE}
    actors |= plain
    for actor in actors.values():
        renderer.AddActor(actor)
    window = vtk.vtkRenderWindow()
    window.SetOffScreenRendering(1)
    window.SetMultiSamples(0)
    window.AddRenderer(renderer)

    def grabbed(camera: Camera, names: tuple[str, ...]) -> NDArray[np.uint8]:
        for name, actor in actors.items():
            actor.SetVisibility(name in names)
        window.Render()
        pixels = vtk.vtkUnsignedCharArray()
        window.GetPixelData(0, 0, camera.width_px - 1, camera.height_px - 1, 1, pixels, 0)
        code = convert.vtk_to_numpy(pixels).reshape(camera.height_px, camera.width_px, 3)
        return np.ascontiguousarray(code[::-1])

    def draw(camera: Camera) -> tuple[Picture, Picture, Cover]:
        window.SetSize(camera.width_px, camera.height_px)
        eye = renderer.GetActiveCamera()
        eye.SetPosition(*camera.position)
        eye.SetFocalPoint(*(camera.position + camera.forward))
        eye.SetViewUp(*camera.world_from_cam[:3, 1])
        eye.SetViewAngle(np.degrees(2.0 * np.arctan(0.5 * camera.height_px / camera.focal_px)))
        renderer.ResetCameraClippingRange()
        seen = grabbed(camera, WITH_BRIDGE)
        clean = grabbed(camera, CLEAN)
        marked = grabbed(camera, tuple(plain))
        return _linear(seen), _linear(clean), (marked[..., 0] > 127).astype(np.float32)

    return draw


def _vtk_actor(vtk: Any, convert: Any, lit: LitSurface) -> Any:
    mesh = lit.surface
    points = vtk.vtkPoints()
    points.SetData(convert.numpy_to_vtk(np.ascontiguousarray(mesh.vertices, dtype=np.float32), deep=True))
    cells = vtk.vtkCellArray()
    offsets = np.arange(0, 3 * len(mesh.faces) + 1, 3, dtype=np.int64)
    cells.SetData(
        convert.numpy_to_vtk(offsets, deep=True, array_type=vtk.VTK_ID_TYPE),
        convert.numpy_to_vtk(mesh.faces.ravel().astype(np.int64), deep=True, array_type=vtk.VTK_ID_TYPE),
    )
    data = vtk.vtkPolyData()
    data.SetPoints(points)
    data.SetPolys(cells)
    # VTK's first row of texels is the lowest
    uv = np.ascontiguousarray(mesh.uv * [1.0, -1.0] + [0.0, 1.0], dtype=np.float32)
    data.GetPointData().SetTCoords(convert.numpy_to_vtk(uv, deep=True))
    image = vtk.vtkImageData()
    image.SetDimensions(lit.code.shape[1], lit.code.shape[0], 1)
    texels = np.ascontiguousarray(lit.code[::-1].reshape(-1, 3))
    image.GetPointData().SetScalars(convert.numpy_to_vtk(texels, deep=True))
    texture = vtk.vtkTexture()
    texture.SetInputData(image)
    texture.InterpolateOn()
    mapper = vtk.vtkPolyDataMapper()
    mapper.SetInputData(data)
    actor = vtk.vtkActor()
    actor.SetMapper(mapper)
    actor.SetTexture(texture)
    actor.GetProperty().LightingOff()
    return actor


def _vtk_plain(vtk: Any, actor: Any, level: float) -> Any:
    """The same mesh in one grey, without its texture."""
    mapper = vtk.vtkPolyDataMapper()
    mapper.SetInputData(actor.GetMapper().GetInput())
    plain = vtk.vtkActor()
    plain.SetMapper(mapper)
    plain.GetProperty().LightingOff()
    plain.GetProperty().SetColor(level, level, level)
    return plain


def path_tracer(ready: ReadySet) -> Way:
    """mitsuba in scalar mode, which runs anywhere: matt surfaces in even light, few samples, ids from a second one."""
    mi = _library("mitsuba")
    mi.set_variant("scalar_rgb")
    mi.set_log_level(mi.LogLevel.Error)
    shapes = {lit.name: _mitsuba_shape(mi, lit) for lit in ready.lit}
    # shapes are numbered in the order in which they come: the bridge is the second
    scenes = {
        names: mi.load_dict(
            {
                "type": "scene",
                "integrator": {"type": "aov", "aovs": "ids:shape_index",
                               "pictures": {"type": "path", "max_depth": PATH_DEPTH}},
                "light": {"type": "constant", "radiance": {"type": "rgb", "value": 1.0}},
                **{f"shape{k}": shapes[name] for k, name in enumerate(names)},
            }
        )
        for names in (WITH_BRIDGE, CLEAN)
    }

    def draw(camera: Camera) -> tuple[Picture, Picture, Cover]:
        # mitsuba's cameras look along +Z with X to the left
        turned = camera.world_from_cam @ np.diag([-1.0, 1.0, -1.0, 1.0])
        sensor = mi.load_dict(
            {
                "type": "perspective",
                "fov": float(np.degrees(2.0 * np.arctan(0.5 * camera.width_px / camera.focal_px))),
                "fov_axis": "x",
                "to_world": mi.ScalarTransform4f(turned.tolist()),
                "film": {"type": "hdrfilm", "width": camera.width_px, "height": camera.height_px,
                         "rfilter": {"type": "box"}},
                "sampler": {"type": "independent", "sample_count": PATH_SAMPLES},
            }
        )
        seen, clean = (
            np.array(mi.render(scenes[names], sensor=sensor, spp=PATH_SAMPLES)) for names in (WITH_BRIDGE, CLEAN)
        )
        # each pixel holds the mean of its samples' numbers: 1 for the wall and 2 for the bridge
        cover = np.clip(seen[..., -1] - 1.0, 0.0, 1.0).astype(np.float32)
        return np.clip(seen[..., :3], 0.0, 1.0), np.clip(clean[..., :3], 0.0, 1.0), cover

    return draw


def _mitsuba_shape(mi: Any, lit: LitSurface) -> Any:
    texture = {"type": "bitmap", "bitmap": mi.Bitmap(np.ascontiguousarray(lit.code)), "wrap_mode": "clamp"}
    properties = mi.Properties()
    properties["bsdf"] = mi.load_dict({"type": "twosided", "matt": {"type": "diffuse", "reflectance": texture}})
    mesh = mi.Mesh(lit.name, len(lit.surface.vertices), len(lit.surface.faces), has_vertex_texcoords=True,
                   props=properties)
    values = mi.traverse(mesh)
    values["vertex_positions"] = np.ascontiguousarray(lit.surface.vertices, dtype=np.float32).ravel()
    values["faces"] = np.ascontiguousarray(lit.surface.faces, dtype=np.uint32).ravel()
    values["vertex_texcoords"] = np.ascontiguousarray(lit.surface.uv * [1.0, -1.0] + [0.0, 1.0], np.float32).ravel()
    values.update()
    return mesh


WAYS: dict[str, Callable[[ReadySet], Way]] = {
    "pyrender-naive": pyrender_naive,
    "pyrender-kept": pyrender_kept,
    "pictures": lambda ready: own_engine(open_engine("pictures"), ready),
    "sight-lines": lambda ready: own_engine(SightEngine(), ready),
    "vtk": vtk_off_screen,
    "path-tracer": path_tracer,
}


def _timed(score: Callable[[Camera], object], cameras: list[Camera], warm: int) -> dict[str, Any]:
    """Median of as many cameras as the budget allows, after ``warm`` that are not counted."""
    for camera in cameras[:warm]:
        score(camera)
    took: list[float] = []
    started = time.perf_counter()
    for camera in cameras[:MOST_CAMERAS]:
        if len(took) >= FEWEST_CAMERAS and time.perf_counter() - started > BUDGET_S:
            break
        before = time.perf_counter()
        score(camera)
        took.append(time.perf_counter() - before)
    return {"ms": 1e3 * float(np.median(took)), "cameras": len(took)}


def timed_way(name: str, ready: ReadySet, width_px: int) -> dict[str, Any]:
    """Time one way, by its name in ``WAYS`` or "fast"."""
    size_px = (width_px, width_px * 9 // 16)
    cameras = knocked_cameras(ready.move, 8, size_px, SEED)
    # what every way needs beside its pictures comes from sight lines, which need no OpenGL
    looker = Looker(open_engine() if name in ("fast", "pictures") else SightEngine())
    looker.load(ready)
    ordinary, viewer = looker.ordinary(size_px[1]), Viewer(size_px[1])
    if name == "fast":
        judge = FastLooker(ready, looker.engine, looker.sight, looker.ordinary, own_paint=True)
        station = ready.move.camera(ready.move.station_frame, *size_px)
        return _timed(lambda camera: judge.judged(ready.scene, camera, station), cameras, len(cameras))
    draw = WAYS[name](ready)

    def score(camera: Camera) -> float:
        seen, clean, cover = draw(camera)
        outline = outline_of(cover, viewer)
        size = wall_px_per_m(outline, camera, looker.sight)
        ends = ends_of(outline, camera, just_inside(outline, camera, looker.sight))
        return break_of(seen, clean, outline, ordinary.at(size), viewer, ends).percent

    # what is ordinary on the wall is worked out once, before the clock runs
    for camera in cameras:
        ordinary.at(camera.focal_px / float(camera.depth(np.zeros(3))))
    _check(draw, cameras[0], looker)
    # what was drawn for the check has warmed the library
    return _timed(score, cameras[1:], 0)


def _check(draw: Way, camera: Camera, looker: Looker) -> None:
    """The way must draw this set and this camera: its bridge must lie where sight lines see it."""
    wanted = looker.engine.draw(camera, WITH_BRIDGE, samples=1).cover(BRIDGE_LAYER) > 0.5
    seen, _, cover = draw(camera)
    found = cover > 0.5
    shared = float((wanted & found).sum() / max((wanted | found).sum(), 1))
    if shared < 0.95:
        raise JudgeError(f"another picture than wanted: the bridge is shared to {100.0 * shared:.0f} %")
    if not float(seen[~found].std()) > 0.01:
        raise JudgeError("another picture than wanted: the wall has no pattern")


def main() -> None:
    """Time one way and print it."""
    parser = argparse.ArgumentParser(description="Time one way of scoring cameras.")
    parser.add_argument("way", choices=["fast", *WAYS])
    parser.add_argument("set", type=Path)
    parser.add_argument("width_px", type=int)
    asked = parser.parse_args()
    with asked.set.open("rb") as file:
        ready = pickle.load(file)
    try:
        found = timed_way(asked.way, ready, asked.width_px)
    except MissingError as error:
        found = {"missing": str(error)}
    print(json.dumps(found))


if __name__ == "__main__":
    main()
