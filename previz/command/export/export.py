"""The command that writes the set and the move for other software, in open formats."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from previz import __version__, colour
from previz.command.export.exrframes import about_frames, write_frames
from previz.command.paint.solvedpaint import made_ready
from previz.command.paint.solving import reflectance_of
from previz.command.shoot.shoot import run_of, scaled_height, scene_date
from previz.deliver.export.cameracsv import write_camera
from previz.deliver.export.cameratrack import Body, sample_text, samples
from previz.deliver.export.exr import exr_there
from previz.deliver.export.gltf import WIDER, glb_bytes
from previz.deliver.export.interchange import PointLight, TexturedSurface, Travel
from previz.deliver.export.setdrawings import cut_drawing, elevation_drawing, plan_drawing
from previz.deliver.export.usd import usd_there, write_usd
from previz.draw.drawnset import drawn_set
from previz.draw.dxf import dxf_text
from previz.draw.flatdrawing import FlatDrawing
from previz.draw.svgdrawing import svg_text
from previz.errors import BuildError, missing
from previz.run.output import OutputFolder, json_text
from previz.run.progress import Progress
from previz.run.results import RunResult, results_folder, results_in, strangers
from previz.run.workers import WorkerPool
from previz.scene.model import Lamp, Light, Scene
from previz.scene.move import Move, move_of
from previz.scene.reader import read_scene, scene_sha256
from previz.stage.cautions import once, scene_cautions
from previz.stage.prepare import BRIDGE, WALL, Painter, ReadySet, sight_of
from previz.workshop.pattern.unfold import unfold
from previz.workshop.surface import LitSurface, Surface


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


def export(
    scene_path: Path,
    wanted: Wanted,
    out: Path | None,
    width_px: int,
    workers: int | None,
    engine: str | None,
    progress: Progress,
) -> RunResult:
    """Write the set, the camera and the drawings in open formats; ``exr/`` is ``width_px`` wide.

    Only ``exr/`` takes ``workers`` and an ``engine``; a run that was stopped in the midst of it goes on there.
    """
    scene, sha256 = read_scene(scene_path), scene_sha256(scene_path)
    asked, left_out = wanted.settled()
    size_px = (width_px, scaled_height(scene, width_px))
    with results_in(results_folder(scene_path, out)) as folder, ExitStack() as stack:
        pool = None
        if asked.exr:
            # its workers start while the set is built
            pool = stack.enter_context(WorkerPool(workers, engine, len(move_of(scene).frames)))
        ready = made_ready(scene, folder, sha256, engine, progress)
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
        if pool is not None:
            pool.load(ready)
            progress.note(pool.opened.message)
            run = run_of(scene, sha256, pool.opened, size_px)
            about = about_frames(travel.scale)
            write_frames(folder, pool, travel.frames, size_px, travel.rate, about, run, progress)
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
    return RunResult(values, folder.path)


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


def surfaces_of(ready: ReadySet, lit: bool) -> list[TexturedSurface]:
    """Wall and bridge, with what they send to the lens, or with their paint before any light."""
    named: list[tuple[str, LitSurface, Surface]] = [
        (WALL, ready.wall.shadowed, ready.built.wall),
        (BRIDGE, ready.bridge, ready.built.bridge.surface),
    ]
    out = []
    for name, shown, plain in named:
        code = shown.code if lit else _reflectance_code(ready, name, plain)
        out.append(TexturedSurface(name, plain, code, lit))
    return out


def _reflectance_code(ready: ReadySet, name: str, surface: Surface) -> np.ndarray[Any, np.dtype[np.uint8]]:
    if name == WALL or ready.scene.bridge.image is not None or ready.scene.bridge.paint == "bare":
        return colour.encoded8(surface.reflectance)
    # what is painted on the bridge: what it sends to the lens, its light taken off
    painter = Painter(ready.built, ready.wall, sight_of(ready.built))
    return colour.encoded8(reflectance_of(ready.bridge.code, painter.light))


def shining(lamp: Lamp, light: Light) -> PointLight:
    """A lamp as a point of light that gives its lux at the point it is aimed at: I = E d^2, in candela."""
    position, aim = np.asarray(lamp.position, dtype=np.float64), np.asarray(lamp.aim, dtype=np.float64)
    beam = None
    if lamp.cone is not None:
        half = 0.5 * lamp.cone
        beam = (half * (1.0 - lamp.edge), half * (1.0 + lamp.edge))
    candela = lamp.lux * float(((aim - position) ** 2).sum())
    tint = np.asarray(colour.lamp_tint(lamp.kelvin, light.white_balance), dtype=np.float64)
    return PointLight(lamp.name, position, aim, candela, tint, beam)


def _notes(asked: Wanted, travel: Travel, scene: Scene) -> list[str]:
    notes = ["places and sizes are the miniature's own; camera.csv has the camera's place at full size too"]
    if asked.gltf or asked.usd:
        if asked.plain:
            notes.append("the pictures on wall and bridge hold paint without light")
            if scene.paint.wall == "free":
                notes.append("the wall's picture is its design, without what is painted over it")
        else:
            notes.append("the pictures on wall and bridge hold the light: show them without more of it")
    elif asked.plain:
        notes.append("--plain changes nothing here: it is for the pictures of set.glb and set.usda")
    if asked.gltf and travel.shifted:
        exact = ", ".join([*(["set.usda"] if asked.usd else []), "camera/"])
        notes.append(
            f"glTF has no lens shift: set.glb's camera looks without it; {exact} and camera.csv have it, and "
            f'"{WIDER}" in set.glb holds the picture as a part of its own, which its extras name'
        )
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
    drawn = drawn_set(ready.move, ready.built.wall)
    out = {"plan": plan_drawing(title, drawn), "elevation": elevation_drawing(title, drawn)}
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


def export_rows(values: dict[str, Any], folder: str) -> list[tuple[str, str]]:
    """What was exported, in short rows for people."""
    rows = [("frames", str(values["frames"]))]
    rows += [("", text) for text in (*values["notes"], *values["left_out"])]
    return [*rows, ("written to", f"{folder}: {', '.join(values['files'])}")]
