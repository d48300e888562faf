"""The command that writes the set and the move for other software, in open formats."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from previz import __version__, colour
from previz.build.surface import BRIDGE as BRIDGE_LAYER
from previz.build.surface import LitSurface, Surface
from previz.build.unfold import unfold
from previz.deliver.cameracsv import write_camera
from previz.deliver.cameratrack import Body, sample_text, samples
from previz.deliver.dxf import dxf_text
from previz.deliver.exr import DeepFrame, exr_there, write_exr
from previz.deliver.flatdrawing import FlatDrawing
from previz.deliver.gltf import glb_bytes
from previz.deliver.interchange import Painted, Shining, Travel, missing
from previz.deliver.output import OutputFolder, json_text
from previz.deliver.setdrawings import cut_drawing, elevation_drawing, plan_drawing
from previz.deliver.svgdrawing import svg_text
from previz.deliver.usd import usd_there, write_usd
from previz.errors import BuildError
from previz.look.choose import choose_engine
from previz.look.view import Engine
from previz.pipeline.cautions import once, scene_cautions
from previz.pipeline.prepare import BRIDGE, WALL, WITH_BRIDGE, Painter, ReadySet, prepare, sight_of
from previz.pipeline.progress import Progress
from previz.pipeline.results import results_folder, results_in, strangers
from previz.pipeline.rig import drawing_of
from previz.pipeline.rigfacts import rig_facts
from previz.pipeline.shoot import scaled_height, scene_date
from previz.pipeline.solvedpaint import wants_solving, with_solved_paint
from previz.pipeline.solving import reflectance_of
from previz.scene.model import Lamp, Light, Scene
from previz.scene.move import Move
from previz.scene.reader import read_scene, scene_sha256

# samples a pixel and axis of the colour in exr/
_SAMPLES = 2


@dataclass(frozen=True)
class Wanted:
    """What is to be written besides the camera, which always is. ``plain`` pictures hold no light.

    ``everything`` writes all that can be written here and says what cannot.
    """

    gltf: bool = False
    usd: bool = False
    exr: bool = False
    svg: bool = False
    dxf: bool = False
    everything: bool = False
    plain: bool = False

    def settled(self) -> tuple[Wanted, list[str]]:
        """What will be written, and what is left out. With nothing asked for, all that needs no extra.

        Raises :class:`previz.errors.OutputError` where what is asked for by name needs a library that is not there.
        """
        lacking = []
        for there, what, extra in ((usd_there(), "set.usda", "usd"), (exr_there(), "exr/", "exr")):
            if there:
                continue
            error = missing(what, extra, ImportError(f"the extra {extra}"))
            if not self.everything and (self.usd if extra == "usd" else self.exr):
                raise error
            lacking.append(f"left out: {error}")
        if self.everything:
            return Wanted(True, usd_there(), exr_there(), True, True, True, self.plain), lacking
        if not (self.gltf or self.usd or self.exr or self.svg or self.dxf):
            return Wanted(gltf=True, svg=True, dxf=True, plain=self.plain), []
        return self, []


@dataclass(frozen=True)
class Exported:
    """What a run leaves: ``values`` is what ``export.json`` holds, ``folder`` where the files lie."""

    values: dict[str, Any]
    folder: Path


def export(
    scene_path: Path, wanted: Wanted, out: Path | None, width_px: int, engine: str | None, progress: Progress
) -> Exported:
    """Write the set, the camera and the drawings in open formats; ``exr/`` is ``width_px`` wide."""
    scene, sha256 = read_scene(scene_path), scene_sha256(scene_path)
    asked, left_out = wanted.settled()
    with results_in(results_folder(scene_path, out)) as folder:
        progress.say("building and lighting the set")
        ready = with_solved_paint(prepare(scene, None, folder.path, progress.say), folder, sha256, engine, progress)
        travel = travel_of(scene, ready.move)
        notes = _notes(asked, travel, scene)
        files = _camera_files(folder, scene, travel)
        surfaces = surfaces_of(ready, lit=not asked.plain)
        if asked.gltf:
            progress.say("writing set.glb")
            lamps = [shining(lamp, scene.light) for lamp in scene.lamps]
            folder.write_bytes("set.glb", glb_bytes(scene.title, surfaces, travel, lamps, __version__))
            files.append("set.glb")
        if asked.usd:
            progress.say("writing set.usda")
            files += write_usd(folder, scene.title, surfaces, travel, __version__)
        cautions = [*scene_cautions(scene), *ready.built.cautions]
        if asked.svg or asked.dxf:
            progress.say("drawing plan, elevation and cut parts")
            drawings, told = drawings_of(ready, scene_date(scene, scene_path))
            cautions += told
            files += _drawn(folder, drawings, asked)
        if asked.exr:
            size_px = (width_px, scaled_height(scene, width_px))
            frames = _written_frames(folder, ready, travel, size_px, engine, progress)
            for _ in progress.over(frames, len(travel.frames), "frames written to exr/"):
                pass
            files.append("exr/")
        values = {
            "title": scene.title,
            "scene_sha256": sha256,
            "version": __version__,
            "frames": len(travel.frames),
            "pictures": "reflectance" if asked.plain else "light baked in",
            "notes": notes,
            "left_out": left_out,
            "cautions": once(cautions),
            "files": [*files, "export.json"],
        }
        folder.write_text("export.json", json_text(values, decimals=4, sort_keys=False))
        progress.note(strangers(folder, travel.frames, files, {"camera": ".json", "exr": ".exr"}))
    return Exported(values, folder.path)


def travel_of(scene: Scene, move: Move) -> Travel:
    """The camera's move as it is written to open files."""
    body = scene.camera
    return Travel(
        frames=move.frames,
        cameras=tuple(move.camera(frame) for frame in move.frames),
        rail=move.rail,
        rate=scene.delivery.rate,
        sensor_width=body.sensor[0],
        focal=body.lens,
        stop=body.stop,
        focus=body.focus,
        scale=scene.scale,
    )


def surfaces_of(ready: ReadySet, lit: bool) -> list[Painted]:
    """Wall and bridge, with what they send to the lens, or with their paint before any light."""
    named: list[tuple[str, LitSurface, Surface]] = [
        (WALL, ready.wall.shadowed, ready.built.wall),
        (BRIDGE, ready.bridge, ready.built.bridge.surface),
    ]
    out = []
    for name, shown, plain in named:
        code = shown.code if lit else _reflectance_code(ready, name, plain)
        out.append(Painted(name, plain, code, lit))
    return out


def _reflectance_code(ready: ReadySet, name: str, surface: Surface) -> np.ndarray[Any, np.dtype[np.uint8]]:
    if name == WALL or ready.scene.bridge.image is not None or ready.scene.bridge.paint == "bare":
        return colour.encoded8(surface.reflectance)
    # what is painted on the bridge: what it sends to the lens, its light taken off
    painter = Painter(ready.built, ready.wall, sight_of(ready.built))
    return colour.encoded8(reflectance_of(ready.bridge.code, painter.light))


def shining(lamp: Lamp, light: Light) -> Shining:
    """A lamp as a point of light that gives its lux at the point it is aimed at: I = E d^2, in candela."""
    position, aim = np.asarray(lamp.position, dtype=np.float64), np.asarray(lamp.aim, dtype=np.float64)
    beam = None
    if lamp.cone is not None:
        half = 0.5 * lamp.cone
        beam = (half * (1.0 - lamp.edge), half * (1.0 + lamp.edge))
    candela = lamp.lux * float(((aim - position) ** 2).sum())
    tint = np.asarray(colour.lamp_tint(lamp.kelvin, light.white_balance), dtype=np.float64)
    return Shining(lamp.name, position, aim, candela, tint, beam)


def _notes(asked: Wanted, travel: Travel, scene: Scene) -> list[str]:
    notes = ["places and sizes are the miniature's own; camera.csv has the camera's place at full size too"]
    if asked.gltf or asked.usd:
        if asked.plain:
            notes.append("the pictures on wall and bridge hold paint without light")
            if wants_solving(scene) and scene.paint.wall == "free":
                notes.append("the wall's picture is its design, without what solved paint lays over it")
        else:
            notes.append("the pictures on wall and bridge hold the light: show them without more of it")
    if asked.gltf and travel.shifted:
        notes.append("glTF has no lens shift: set.glb's camera looks without it; set.usda and camera/ have it")
    if asked.exr:
        notes.append("exr/ is in sharp focus and without motion blur; Z is metres along the axis, id 1 wall, 2 bridge")
    return notes


def _camera_files(folder: OutputFolder, scene: Scene, travel: Travel) -> list[str]:
    write_camera(folder, travel)
    body = scene.camera
    shot = scene.delivery.rate if body.rate is None else body.rate
    angle = 2.0 * np.pi * (0.5 if body.shutter is None else float(body.shutter * shot))
    held = Body(body.sensor[0], body.lens, body.stop, scene.delivery.rate, body.focus, body.iso, angle)
    all_samples = samples(scene.title, travel.frames, travel.cameras, held)
    for frame, sample in zip(travel.frames, all_samples, strict=True):
        folder.write_text(f"camera/{frame:04d}.json", sample_text(sample))
    return ["camera.csv", "camera/"]


def drawings_of(ready: ReadySet, date: str) -> tuple[dict[str, FlatDrawing], list[str]]:
    """Plan, elevation and cut parts by name, and a word where the bridge cannot be cut; ``date`` of the scene."""
    scene, told = ready.scene, []
    title = f"{scene.title}, 1:{scene.scale:g}, {date}"
    rig = drawing_of(rig_facts(scene), ready.built)
    out = {"plan": plan_drawing(title, rig), "elevation": elevation_drawing(title, rig)}
    try:
        pattern = unfold(ready.built.bridge, scene.paint.sheet, scene.paint.material)
    except BuildError as error:
        told.append(f"paint.sheet: No cut parts are drawn: {error}.")
    else:
        out["cut"] = cut_drawing(title, pattern)
    return out, told


def _drawn(folder: OutputFolder, drawings: dict[str, FlatDrawing], asked: Wanted) -> list[str]:
    files = []
    for name, drawing in drawings.items():
        if asked.svg:
            folder.write_text(f"{name}.svg", svg_text(drawing))
            files.append(f"{name}.svg")
        if asked.dxf:
            folder.write_text(f"{name}.dxf", dxf_text(drawing))
            files.append(f"{name}.dxf")
    return files


def _written_frames(
    folder: OutputFolder, ready: ReadySet, travel: Travel, size_px: tuple[int, int], engine: str | None,
    progress: Progress,
) -> Iterator[str]:  # fmt: skip
    choice = choose_engine(engine)
    progress.note(choice.message)
    about = (
        f"{travel.scale:g} times smaller than life; RGB linear Rec.709, 1 is what paints white in the scene's light; "
        "Z metres along the optical axis; id 0 nothing, 1 wall, 2 bridge; bridge.RGBA premultiplied"
    )
    try:
        choice.engine.load(ready.lit)
        for frame, camera in zip(travel.frames, travel.cameras, strict=True):
            made = deep_frame(choice.engine, camera.resized(*size_px))
            yield write_exr(folder, frame, made, travel.rate, about)
    finally:
        choice.engine.close()


def deep_frame(engine: Engine, camera: Any) -> DeepFrame:
    """A frame with its layers, by an engine that has the set loaded."""
    whole = engine.draw(camera, WITH_BRIDGE, _SAMPLES)
    alone = engine.draw(camera, WITH_BRIDGE, _SAMPLES, keep=BRIDGE_LAYER)
    centre = engine.draw(camera, WITH_BRIDGE, 1, depth=True)
    assert centre.depth is not None
    return DeepFrame(whole.colour, alone.colour, whole.cover(BRIDGE_LAYER), centre.depth, centre.layer)
