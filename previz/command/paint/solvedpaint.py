"""Solved paint as it is laid: solved or found from an earlier run, under a real brush and from a real palette."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace

import numpy as np

from previz import __version__
from previz.command.paint.choosing import PaintChoice, chosen
from previz.command.paint.guides import WallAround, WallAroundJob, WallPictureJob
from previz.command.paint.laidpaint import LaidPaint, LayingHand
from previz.command.paint.solving import STARTS, SolvedPaint, SolveReport, StartJob, solve, with_paint
from previz.errors import PrevizError
from previz.run.frames import png_bytes, read_png
from previz.run.lightcache import LightCache
from previz.run.output import OutputFolder, json_text
from previz.run.progress import Progress
from previz.run.workers import WorkerPool
from previz.scene.model import Scene
from previz.stage.freewall import with_free_wall
from previz.stage.prepare import ReadySet, prepare

# the paint as it is lit, and what it was made from: a later run of the same scene need not solve it again
_PICTURE, _WALL_PICTURE, SOLVED_RECORD = "solved.png", "solved-wall.png", "solved.json"


def keep(folder: OutputFolder, sha256: str, ready: ReadySet, art: LaidPaint) -> None:
    """Keep a paint for later runs of the same set and hold, whatever else their scene says."""
    # the record last: without it the pictures are not taken
    folder.place(SOLVED_RECORD).unlink(missing_ok=True)
    folder.write_bytes(_PICTURE, png_bytes(art.lit.bridge))
    if art.lit.wall is not None:
        folder.write_bytes(_WALL_PICTURE, png_bytes(art.lit.wall))
    texel = repr(ready.built.bridge.texel)
    record = {"scene_sha256": sha256, "texel": texel, **_record(ready, art.lit)}
    folder.write_text(SOLVED_RECORD, json_text(record, decimals=4, sort_keys=True))


def kept(folder: OutputFolder, ready: ReadySet) -> SolvedPaint | None:
    """The paint that an earlier run kept for the same set and hold, None without one that fits."""
    try:
        record = json.loads(folder.place(SOLVED_RECORD).read_text(encoding="utf-8"))
        wall = read_png(folder.place(_WALL_PICTURE)) if ready.scene.paint.wall == "free" else None
        paint = SolvedPaint(read_png(folder.place(_PICTURE)), wall)
        found = {key: record[key] for key in _record(ready, paint)}
    except (OSError, ValueError, KeyError, TypeError, PrevizError):
        return None
    fits = paint.bridge.shape == ready.bridge.code.shape and (wall is None or wall.shape == ready.wall.clean.code.shape)
    return paint if fits and found == _record(ready, paint) else None


def kept_for_another(folder: OutputFolder, scene: Scene, before: ReadySet) -> ReadySet | None:
    """The scene's set in the paint that was kept last, for whatever scene that was solved: None where there is none, or
    it does not lie on the map of this bridge.

    ``before`` is the set made ready, as :func:`~previz.stage.prepare.prepare` takes it.
    """
    try:
        texel = float(json.loads(folder.place(SOLVED_RECORD).read_text(encoding="utf-8"))["texel"])
        wall = read_png(folder.place(_WALL_PICTURE)) if scene.paint.wall == "free" else None
        paint = SolvedPaint(read_png(folder.place(_PICTURE)), wall)
    except (OSError, ValueError, KeyError, TypeError, PrevizError):
        return None
    if not 0.0 < texel < 1.0:
        return None
    ready = prepare(scene, None, None, None, before, texel)
    fits = paint.bridge.shape == ready.bridge.code.shape and (wall is None or wall.shape == ready.wall.clean.code.shape)
    return with_paint(ready, paint) if fits else None


def painted_before(ready: ReadySet, folder: OutputFolder, sha256: str) -> ReadySet:
    """The set in the solved paint that an earlier run of the same scene kept; as it is where there is none."""
    if not ready.scene.wants_solving:
        return with_free_wall(ready)
    paint = kept(folder, ready)
    return ready if paint is None else with_paint(ready, paint)


def _record(ready: ReadySet, paint: SolvedPaint) -> dict[str, object]:
    pictures = (paint.bridge,) if paint.wall is None else (paint.bridge, paint.wall)
    sums = [hashlib.sha256(np.ascontiguousarray(code).tobytes()).hexdigest() for code in pictures]
    return {"content": content_key(ready), "version": __version__, "pictures_sha256": sums}


def content_key(ready: ReadySet) -> str:
    """A name for all that solved paint follows from: set, light, camera, move, brush and palette, and nothing else.

    Another title, plate, search or reveal, or another way of writing the same numbers, gives the same name.
    """
    scene = ready.scene
    plain = scene.model_dump(
        mode="json",
        include={
            **dict.fromkeys(("delivery", "camera", "rail", "lamps", "cards", "light", "knock", "paint"), True),
            # what walls and bridges are made of is in their surfaces
            "wall": {"seed", "doorway", "sideways", "gloss"},
            "bridge": {"gloss"},
        },
        exclude={
            "delivery": {"bars"},
            "rail": {"reveal"},
            "lamps": {"__all__": {"name", "watts"}},
            "cards": {"__all__": {"name"}},
            # lamps' errors and strokes are not solved for
            "knock": {"samples", "brush", "lamp", "lamp_level"},
            "paint": {"material", "sheet"},
        },
    )
    digest = hashlib.sha256(json.dumps(plain, sort_keys=True).encode())
    wall, bridge = ready.built.wall, ready.built.bridge.surface
    for values in (
        wall.vertices, wall.faces, wall.uv, wall.reflectance, bridge.vertices, bridge.faces, bridge.uv,
        ready.wall.clean.code, ready.wall.shadowed.code,
    ):  # fmt: skip
        digest.update(repr((values.shape, values.dtype.str)).encode())
        digest.update(np.ascontiguousarray(values).tobytes())
    return digest.hexdigest()


def made_ready(
    scene: Scene, folder: OutputFolder, sha256: str, engine: str | None, progress: Progress
) -> ReadySet:
    """The scene's set, built, lit (or its light found again in ``folder``) and in the paint that it asks for."""
    progress.say("building and lighting the set")
    cache = LightCache(folder.path)
    ready = prepare(scene, None, cache, progress.say)
    if cache.words:
        progress.say(cache.words)
    return with_solved_paint(ready, folder, sha256, engine, progress)


def with_solved_paint(
    ready: ReadySet, folder: OutputFolder, sha256: str, engine: str | None, progress: Progress
) -> ReadySet:
    """The ready set in its solved paint, from an earlier run or solved now; with its wall in bands where that is free
    and the scene asks for other paint."""
    if not ready.scene.wants_solving:
        return with_free_wall(ready)
    paint = kept(folder, ready)
    if paint is None:
        with WorkerPool(1, engine) as pool:
            pool.load(ready)
            solved = solved_paint(ready, pool, progress, None)
        progress.note(solved.choice.sentence)
        keep(folder, sha256, ready, solved.art)
        paint = solved.art.lit
    else:
        progress.note(f"the paint solved by an earlier run is taken: {folder.path.as_posix()}/{_PICTURE}")
    return with_paint(ready, paint)


@dataclass(frozen=True, eq=False)
class Solved:
    """Paint solved, laid and chosen: how solving went, which paint is kept, and the wall around the bridge."""

    choice: PaintChoice
    report: SolveReport
    around: WallAround

    @property
    def art(self) -> LaidPaint:
        """The paint that is kept, as it is laid."""
        return self.choice.art


def solved_paint(ready: ReadySet, pool: WorkerPool, progress: Progress, steps: int | None) -> Solved:
    """Solve and lay the paint of a set that a pool of one worker has loaded, and keep it where nothing that it could
    have begun with is better on frames between those solved for."""
    solved, report = solve(ready, pool, progress) if steps is None else solve(ready, pool, progress, steps)
    starts: dict[str, SolvedPaint] = {}
    for name, code in zip(STARTS, pool.run(StartJob(name) for name in STARTS), strict=True):
        # the station point is often one of the other places
        if not any(np.array_equal(code, other.bridge) for other in starts.values()):
            starts[name] = SolvedPaint(code, None if solved.wall is None else ready.wall.clean.code)
    progress.say("looking which of the bridge's texels are seen, and at the wall around it")
    (around,) = pool.run([WallAroundJob()])
    choice = chosen(ready, pool, LayingHand(ready, around.seen), solved, starts, progress)
    if choice.art.lit.wall is not None:
        pool.load(with_paint(ready, choice.art.lit))
        (painted,) = pool.run([WallPictureJob(around.part)])
        around = replace(around, repainted=painted)
        pool.load(ready)
    return Solved(choice, report, around)
