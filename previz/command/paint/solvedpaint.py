"""Solved paint as it is laid: solved or found from an earlier run, under a real brush and from a real palette."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from previz import __version__, colour
from previz.command.paint.guides import WallAround, WallAroundJob, WallPictureJob
from previz.command.paint.solving import USUAL_BRUSH, SolvedPaint, SolveReport, reflectance_of, solve, with_paint
from previz.errors import PrevizError
from previz.paint.brush import brushed
from previz.paint.palette import Palette, labelled, palette_of
from previz.run.frames import png_bytes, read_png
from previz.run.lightcache import LightCache
from previz.run.output import OutputFolder, json_text
from previz.run.progress import Progress
from previz.run.workers import WorkerPool
from previz.scene.model import Scene
from previz.stage.prepare import Painter, ReadySet, prepare, sight_of
from previz.workshop.charts import PADDING_PX
from previz.workshop.surface import Picture
from previz.workshop.texels import texel_owners

# paints of the numbered guide where the scene states no palette
_USUAL_PALETTE = 12

# the paint as it is lit, and what it was made from: a later run of the same scene need not solve it again
_PICTURE, _WALL_PICTURE, _RECORD = "solved.png", "solved-wall.png", "solved.json"


@dataclass(frozen=True, eq=False)
class LaidPaint:
    """A paint as it is laid: reflectance (H, W, 3), palette and its numbers (H, W), and all of it as it is ``lit``."""

    reflectance: Picture
    lit: SolvedPaint
    paints: Palette
    region: NDArray[np.int16]
    painter: Painter


def laid_paint(ready: ReadySet, solved: SolvedPaint, seen: NDArray[np.bool_]) -> LaidPaint:
    """The solved paint under a real brush and from a real palette, where the scene states them."""
    scene, built = ready.scene, ready.built
    painter = Painter(built, ready.wall, sight_of(built))
    reflectance = reflectance_of(solved.bridge, painter.light)
    valid = painter.texels.valid
    height, width = valid.shape
    owner = _charts_of(ready, width, height)
    brush = (scene.paint.brush or USUAL_BRUSH) / built.bridge.texel
    # what no frame sees counts little when colours are chosen
    weight = np.where(valid, np.where(seen, 1.0, 0.02), 0.0).astype(np.float32)
    paints = palette_of(reflectance, weight, scene.paint.palette or _USUAL_PALETTE)
    region = labelled(reflectance, valid, paints, brush, owner)
    if scene.paint.palette is not None:
        laid = paints.reflectance[np.maximum(region, 1) - 1].astype(np.float32)
        reflectance = np.where(region[..., None] > 0, laid, reflectance)
    elif scene.paint.brush is not None:
        reflectance = brushed(reflectance, valid, brush, owner)
    else:
        return LaidPaint(reflectance, solved, paints, region, painter)
    bridge = colour.encoded8(reflectance * painter.light)
    return LaidPaint(reflectance, SolvedPaint(bridge, solved.wall), paints, region, painter)


def _charts_of(ready: ReadySet, width: int, height: int) -> NDArray[np.int32]:
    """The chart (H, W) that each texel of the bridge's map belongs to, -1 for none."""
    faces = texel_owners(ready.built.bridge.surface, width, height, margin=True)
    owner = np.full((height, width), -1, dtype=np.int32)
    for number, chart in enumerate(ready.built.bridge.charts):
        window = chart.window(PADDING_PX // 2)
        owner[window] = np.where(faces[window] >= 0, number, owner[window])
    return owner


def keep(folder: OutputFolder, sha256: str, art: LaidPaint) -> None:
    """Keep a paint for later runs of the same scene."""
    # the record last: without it the pictures are not taken
    folder.place(_RECORD).unlink(missing_ok=True)
    folder.write_bytes(_PICTURE, png_bytes(art.lit.bridge))
    if art.lit.wall is not None:
        folder.write_bytes(_WALL_PICTURE, png_bytes(art.lit.wall))
    folder.write_text(_RECORD, json_text(_record(sha256, art.lit), decimals=4, sort_keys=True))


def kept(folder: OutputFolder, sha256: str, ready: ReadySet) -> SolvedPaint | None:
    """The paint that an earlier run of the same scene kept, None without one that fits the set."""
    try:
        record = json.loads(folder.place(_RECORD).read_text(encoding="utf-8"))
        wall = read_png(folder.place(_WALL_PICTURE)) if ready.scene.paint.wall == "free" else None
        paint = SolvedPaint(read_png(folder.place(_PICTURE)), wall)
    except (OSError, ValueError, PrevizError):
        return None
    fits = paint.bridge.shape == ready.bridge.code.shape and (wall is None or wall.shape == ready.wall.clean.code.shape)
    return paint if fits and record == _record(sha256, paint) else None


def painted_before(ready: ReadySet, folder: OutputFolder, sha256: str) -> ReadySet:
    """The set in the solved paint that an earlier run of the same scene kept; as it is where there is none."""
    paint = kept(folder, sha256, ready) if wants_solving(ready.scene) else None
    return ready if paint is None else with_paint(ready, paint)


def _record(sha256: str, paint: SolvedPaint) -> dict[str, object]:
    pictures = (paint.bridge,) if paint.wall is None else (paint.bridge, paint.wall)
    sums = [hashlib.sha256(np.ascontiguousarray(code).tobytes()).hexdigest() for code in pictures]
    return {"scene_sha256": sha256, "version": __version__, "pictures_sha256": sums}


def wants_solving(scene: Scene) -> bool:
    """Whether the scene's bridge is to be painted with paint solved for its hold."""
    return scene.bridge.paint == "solved" and scene.bridge.image is None


def made_ready(
    scene: Scene, folder: OutputFolder, sha256: str, engine: str | None, progress: Progress
) -> ReadySet:
    """The scene's set, built, lit (or its light found again in ``folder``) and in the paint that it asks for."""
    progress.say("building and lighting the set")
    ready = prepare(scene, None, LightCache(folder.path), progress.say)
    return with_solved_paint(ready, folder, sha256, engine, progress)


def with_solved_paint(
    ready: ReadySet, folder: OutputFolder, sha256: str, engine: str | None, progress: Progress
) -> ReadySet:
    """The ready set in its solved paint, from an earlier run or solved now; as it is where the scene asks for none."""
    if not wants_solving(ready.scene):
        return ready
    paint = kept(folder, sha256, ready)
    if paint is None:
        with WorkerPool(1, engine) as pool:
            pool.load(ready)
            art, _, _ = solved_paint(ready, pool, progress, None)
        keep(folder, sha256, art)
        paint = art.lit
    else:
        progress.note(f"the paint solved by an earlier run is taken: {folder.path.as_posix()}/{_PICTURE}")
    return with_paint(ready, paint)


def solved_paint(
    ready: ReadySet, pool: WorkerPool, progress: Progress, steps: int | None
) -> tuple[LaidPaint, SolveReport, WallAround]:
    """Solve and lay the paint of a set that a pool of one worker has loaded."""
    solved, report = solve(ready, pool, progress) if steps is None else solve(ready, pool, progress, steps)
    (around,) = pool.run([WallAroundJob()])
    progress.say("mixing and laying the paint")
    art = laid_paint(ready, solved, around.seen)
    if art.lit.wall is not None:
        pool.load(with_paint(ready, art.lit))
        (painted,) = pool.run([WallPictureJob(around.part)])
        around = replace(around, repainted=painted)
        pool.load(ready)
    return art, report, around
