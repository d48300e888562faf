"""The command that solves the paint of a bridge and leaves what it is painted and cut from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from previz import __version__, colour
from previz.camera import Camera
from previz.command.paint.choosing import PAINT_NAMES, in_paint
from previz.command.paint.guides import WallAround, guide_of
from previz.command.paint.laidpaint import LaidPaint
from previz.command.paint.solvedpaint import Solved, keep, solved_paint
from previz.command.paint.solving import (
    SolvedPaint,
    compared_frames,
    paint_bench,
    solved_frames,
    solved_size_px,
    with_paint,
)
from previz.command.shoot.shoot import run_of, scaled_height, scene_date
from previz.deliver.paint.guide import guide_pdf
from previz.deliver.paint.paintstrip import PaintRow, paint_strip
from previz.deliver.paint.pattern import pattern_pdf
from previz.draw.pdf import PaperName
from previz.draw.sideview import title_block
from previz.errors import BuildError
from previz.geometry import Array
from previz.paint.recipes import NOTE, gamut, recipes_for
from previz.run.frames import png_bytes
from previz.run.knocktold import knock_lines
from previz.run.lightcache import LightCache
from previz.run.output import OutputFolder, json_text
from previz.run.pool import Pool, pool_of, require_cluster
from previz.run.progress import Progress
from previz.run.results import RunResult, results_folder, results_in, say_scene
from previz.run.table import csv_text
from previz.run.workers import WorkerPool
from previz.scene.model import Scene
from previz.scene.reader import read_scene, scene_sha256
from previz.search.helps import TRIED_PX, FilmLookJob
from previz.stage.cautions import scene_cautions
from previz.stage.looking import FrameJob, Looker
from previz.stage.prepare import ReadySet, prepare
from previz.workshop.pattern.unfold import unfold
from previz.workshop.surface import Pixels8

# paints that others would have made, for --compare, from those that people find first to those that they find last
OTHER_PAINTS = ("bare", "wash", "mean", "random", "greedy", "faces", "labelling", "single", "station")


@dataclass(frozen=True, eq=False)
class PaintedJob:
    """Judges frames in a paint and gives break (percent, None unjudged)."""

    paint: SolvedPaint
    frames: tuple[int, ...]
    size_px: tuple[int, int]
    pictured: int | None

    def done_by(self, looker: Looker) -> tuple[list[float | None], Pixels8 | None]:
        """Judge them; the picture (H, W, 3) of the frame ``pictured``."""
        breaks, picture = [], None
        with in_paint(looker, self.paint):
            for frame in self.frames:
                result = looker.look(FrameJob(frame, *self.size_px, pictures=frame == self.pictured))
                breaks.append(result.judged.score.break_pct)
                picture = result.code if frame == self.pictured else picture
        return breaks, picture


@dataclass(frozen=True)
class OtherPaintJob:
    """Lays one of ``OTHER_PAINTS`` and gives its lit codes (H, W, 3)."""

    name: str

    def done_by(self, looker: Looker) -> Pixels8:
        """Lay it."""
        return paint_bench(looker).lit(self.name, looker.loaded.move, *solved_size_px(looker.loaded.scene))


def paint(
    scene_path: Path,
    compare: bool,
    paper: PaperName,
    steps: int | None,
    every_sheet: bool,
    out: Path | None,
    workers: int | None,
    engine: str | None,
    progress: Progress,
    cluster: str | None = None,
) -> RunResult:
    """Solve the paint for the hold and write the map, the guide, the cut pattern and the strings."""
    scene, sha256 = read_scene(scene_path), scene_sha256(scene_path)
    scene = scene.edited(bridge__paint="projected", bridge__image=None)
    size_px = solved_size_px(scene)
    if cluster is not None:
        # it is needed when all is solved, and that nobody answers is better known before
        require_cluster(cluster)
    with results_in(results_folder(scene_path, out)) as folder:
        progress.say("building and lighting the set")
        ready = prepare(scene, None, LightCache(folder.path), progress.say)
        # solving keeps what it has found in one worker
        with WorkerPool(1, engine) as pool:
            pool.load(ready)
            progress.note(pool.opened.message)
            run = run_of(scene, sha256, pool.opened, size_px)
            solved = solved_paint(ready, pool, progress, steps)
            art, around = solved.art, solved.around
            others = {name: SolvedPaint(next(iter(pool.run([OtherPaintJob(name)]))), None) for name in _others(compare)}
        keep(folder, sha256, ready, art)
        films = _films(ready, art.lit, engine, progress)
        with pool_of(workers, engine, cluster, progress.say, len(others) + 1) as pool:
            rows, pictures = _judged(ready, {**others, "solved": art.lit}, pool, size_px, progress)
        values = {**_values(scene, run, solved, rows), "film": films}
        date = scene_date(scene, scene_path)
        progress.say("drawing guide and pattern")
        errors = knock_lines(folder, sha256)
        _write(folder, scene, date, ready, art, around, values, errors, paper, every_sheet)
        if compare:
            shown = _strip_rows(ready, rows, pictures, size_px)
            strip = paint_strip(title_block(scene, date, "paints compared"), shown)
            folder.write_bytes("compare.png", png_bytes(strip))
            folder.write_text("compare.csv", csv_text(list(rows[0]), [list(row.values()) for row in rows]))
            say_scene(folder, "compare.json", scene, sha256)
            values["files"] += ["compare.png", "compare.csv"]
        folder.write_text("paint.json", json_text(values, decimals=4, sort_keys=False))
    return RunResult(values, folder.path)


def _films(ready: ReadySet, lit: SolvedPaint, engine: str | None, progress: Progress) -> dict[str, Any]:
    """What is found of the film in projected paint and in the paint that is kept, by name: None where the station frame
    cannot be judged."""
    progress.say("following the film")
    size_px = TRIED_PX, scaled_height(ready.scene, TRIED_PX)
    told = {}
    with WorkerPool(1, engine) as pool:
        for name, painted in (("projected", ready), ("kept", with_paint(ready, lit))):
            pool.load(painted)
            look = next(iter(pool.run([FilmLookJob(*size_px)])))
            told[name] = None if look is None else asdict(look)
    return told


def _others(compare: bool) -> Sequence[str]:
    return OTHER_PAINTS if compare else ("station",)


def _judged(
    ready: ReadySet,
    paints: dict[str, SolvedPaint],
    pool: Pool,
    size_px: tuple[int, int],
    progress: Progress,
) -> tuple[list[dict[str, Any]], list[Pixels8]]:
    """Break of every paint on frames between those solved for, one row each, and a picture of the last of them."""
    frames = compared_frames(ready.scene)
    rows, pictures = [], []
    pool.load(ready)
    jobs = [PaintedJob(laid, frames, size_px, frames[-1]) for laid in paints.values()]
    answers = progress.over(pool.run(jobs), len(jobs), "paints judged")
    for name, (breaks, picture) in zip(paints, answers, strict=True):
        found = [b for b in breaks if b is not None]
        rows.append(
            {
                "paint": PAINT_NAMES.get(name, name),
                "break_mean_pct": float(np.mean(found)) if found else None,
                "break_worst_pct": float(np.max(found)) if found else None,
                "frames": len(found),
            }
        )
        if picture is not None:
            pictures.append(picture)
    return rows, pictures


def _strip_rows(
    ready: ReadySet, rows: Sequence[dict[str, Any]], pictures: Sequence[Pixels8], size_px: tuple[int, int]
) -> list[PaintRow]:
    camera = ready.move.camera(compared_frames(ready.scene)[-1], *size_px)
    part = _around_bridge(camera, ready.built.bridge.surface.vertices)
    return [
        PaintRow(row["paint"], np.ascontiguousarray(picture[part]), row["break_mean_pct"], row["break_worst_pct"])
        for row, picture in zip(rows, pictures, strict=True)
    ]


def _around_bridge(camera: Camera, vertices: Array) -> tuple[slice, slice]:
    """Rows and columns of the part of a frame that shows the bridge and half as much around it, in its shape."""
    px = camera.project(vertices[camera.depth(vertices) > 1e-3])
    whole = np.array([camera.width_px, camera.height_px], dtype=np.float64)
    low, high = np.clip(px.min(axis=0), 0.0, whole), np.clip(px.max(axis=0), 0.0, whole)
    share = min(1.0, 1.5 * float(((high - low) / whole).max()))
    first = np.clip(0.5 * (low + high - share * whole), 0.0, (1.0 - share) * whole).astype(int)
    last = np.maximum(first + (share * whole).astype(int), first + 1)
    return slice(int(first[1]), int(last[1])), slice(int(first[0]), int(last[0]))


def _values(
    scene: Scene, run: dict[str, str], solved: Solved, rows: list[dict[str, Any]]
) -> dict[str, Any]:
    art, report, choice = solved.art, solved.report, solved.choice
    by_name = {row["paint"]: row for row in rows}
    return {
        "title": scene.title,
        "scene_sha256": run["scene"],
        "version": __version__,
        "engine": run["engine"],
        "driver": run["driver"],
        "hold_wanted": list(scene.rail.hold),
        "frames_solved": solved_frames(scene),
        "views": report.frames,
        "steps": report.taken,
        "begun_with": report.start,
        "kept": PAINT_NAMES.get(choice.kept, choice.kept),
        "sentence": choice.sentence,
        "brush_mm": None if scene.paint.brush is None else 1e3 * scene.paint.brush,
        "palette": scene.paint.palette,
        "paints": [
            {"number": k + 1, "srgb": "#" + bytes(code).hex(), "lab": [float(v) for v in lab]}
            for k, (code, lab) in enumerate(zip(art.paints.codes, art.paints.lab, strict=True))
        ],
        "break_mean_pct": by_name["solved"]["break_mean_pct"],
        "break_worst_pct": by_name["solved"]["break_worst_pct"],
        "compared": rows,
        # solved paint and what it could begin with, all as they are laid; whole: judged on all frames between
        "laid": [
            {"paint": v.title, "shown_mean_pct": v.mean, "shown_worst_pct": v.worst, "frames": len(v.scores),
             "whole": v.whole}
            for v in choice.verdicts
        ],
        "cautions": scene_cautions(scene),
    }


def _write(
    folder: OutputFolder,
    scene: Scene,
    date: str,
    ready: ReadySet,
    art: LaidPaint,
    around: WallAround,
    values: dict[str, Any],
    errors: Sequence[str],
    paper: PaperName,
    every_sheet: bool,
) -> None:
    folder.write_bytes("paint.png", png_bytes(colour.encoded8(art.reflectance)))
    recipes = recipes_for(art.paints.reflectance)
    notes = _notes(scene, values)
    block = title_block(scene, date, "paint guide")
    guide = guide_of(
        block, ready, art.painter.texels, art.reflectance, art.region, art.paints, recipes, around, notes, errors
    )
    folder.write_bytes("guide.pdf", guide_pdf(guide, paper, every=every_sheet))
    values["files"] = ["paint.png", "guide.pdf"]
    try:
        pattern = unfold(ready.built.bridge, scene.paint.sheet, scene.paint.material)
    except BuildError as error:
        # the paint is none the worse for a bridge that cannot be cut from sheet
        values["cautions"].append(f"paint.sheet: No cut pattern is written: {error}.")
        # one from an earlier run is another bridge's
        folder.place("pattern.pdf").unlink(missing_ok=True)
    else:
        values["files"].append("pattern.pdf")
        folder.write_bytes("pattern.pdf", pattern_pdf(pattern, title_block(scene, date, "cut pattern"), paper))
    head = ["string", *(f"{what}_{axis}_mm" for what in ("lens", "edge", "wall") for axis in "xyz")]
    table = [
        [s.name, *(1e3 * float(v) for p in (s.lens, s.edge) for v in p), *_wall_mm(s.wall)] for s in around.strings
    ]
    folder.write_text("strings.csv", csv_text(head, table))
    values["files"] += ["strings.csv", "paint.json"]


def _wall_mm(wall: NDArray[np.float64] | None) -> list[float | None]:
    return [None, None, None] if wall is None else [1e3 * float(v) for v in wall]


def _notes(scene: Scene, values: dict[str, Any]) -> list[str]:
    notes = [NOTE, gamut()]
    if scene.paint.palette is None:
        notes.append(
            f"The numbered sheets are a mix of {len(values['paints'])} paints for painting by hand; paint.png, and the "
            "colour sheets that --every-sheet adds, show the paint itself. Write palette under [paint] in the scene to "
            "have the paint laid and judged in so many."
        )
    return [*notes, values["sentence"]]
