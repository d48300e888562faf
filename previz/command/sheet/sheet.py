"""The contact sheet: a grid of candidate cameras, judged on the same set, best first."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from previz import units
from previz.command.sheet.ranges import values_of
from previz.command.shoot.shoot import run_of, scaled_height, scene_date
from previz.deliver.sheet.sheet import (
    MOST_SHOWN,
    CandidatePlan,
    CandidateView,
    ContactCell,
    ContactSheet,
    Fact,
    write_contact_sheet,
)
from previz.draw.drawnset import drawn_set
from previz.draw.sideview import title_block
from previz.draw.style import both_text
from previz.errors import UnitError
from previz.judge.hold import HoldSummary
from previz.plate.cutout import Figure
from previz.plate.figure import cutout_of, figure_file, stood
from previz.run.ledger import Ledger, ledger_name
from previz.run.lightcache import LightCache
from previz.run.progress import Progress
from previz.run.results import RunResult, results_folder, results_in, say_scene
from previz.run.shelf import Shelf
from previz.run.workers import WorkerPool
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene, scene_sha256
from previz.search.candidates import CameraSetting, CandidateJob, CandidateResult, as_row, better
from previz.stage.cautions import left_out
from previz.stage.freewall import with_free_wall
from previz.stage.prepare import ReadySet, prepare
from previz.workshop.surface import Pixels8

_PARSERS = {
    "height": units.length,
    "tilt": units.angle,
    "distance": units.length,
    "lens": units.length,
    "lateral": units.length,
}

# a sheet of more candidates than this is no sheet any more
_MOST = 4000


def settings_of(scene: Scene, ranges: dict[str, str]) -> list[CameraSetting]:
    """Every combination of the values asked for; what is not asked for stays as the scene has it."""
    own = CameraSetting.of(scene)
    columns = [
        values_of(ranges[name], parse, name) if name in ranges else (getattr(own, name),)
        for name, parse in _PARSERS.items()
    ]
    count = math.prod(len(column) for column in columns)
    if count > _MOST:
        raise UnitError(f"{count} candidates are more than a sheet of {_MOST} can hold; ask for fewer values")
    return [CameraSetting(*values) for values in itertools.product(*columns)]


@dataclass(frozen=True)
class Kept:
    """What is kept of a judged candidate between runs; the rest follows from the scene and what was asked for."""

    summary: HoldSummary | None
    slip_px: float
    reason: str
    pictured: bool


def sheet(
    scene_path: Path,
    ranges: dict[str, str],
    out: Path | None,
    width_px: int,
    workers: int | None,
    engine: str | None,
    progress: Progress,
) -> RunResult:
    """Judge every candidate and write the contact sheet; a stopped run of the same candidates is continued."""
    scene, sha256 = read_scene(scene_path), scene_sha256(scene_path)
    settings = settings_of(scene, ranges)
    file = figure_file(scene)
    figure = None if file is None else cutout_of(file)
    size_px = width_px, scaled_height(scene, width_px)
    with (
        results_in(results_folder(scene_path, out)) as folder,
        WorkerPool(workers, engine, len(settings)) as pool,
    ):
        progress.say("building and lighting the set")
        ready = with_free_wall(prepare(scene, width_px, LightCache(folder.path), progress.say))
        pool.load(ready)
        progress.note(pool.opened.message)
        run = run_of(scene, sha256, pool.opened, size_px, with_figure=True)
        ledger = Ledger(folder, ledger_name("sheet"), {**run, "settings": repr(settings)}, Kept)
        shelf = Shelf(folder, MOST_SHOWN)
        _take_up(ledger, shelf, scene, settings)
        jobs = [CandidateJob(n, s, scene, *size_px) for n, s in enumerate(settings) if n not in ledger.done]
        progress.going_on(len(settings) - len(jobs), len(settings), "candidates")
        try:
            for result in progress.over(pool.run(jobs), len(jobs), "candidates judged"):
                picture = _with_figure(result, figure)
                if picture is not None:
                    shelf.put(better(result), result.number, picture)
                kept = Kept(result.summary, result.slip_px, result.reason, picture is not None)
                ledger.add(result.number, kept)
        finally:
            ledger.close(finished=False)
        results = sorted((_result(n, ledger.done[n], scene, settings[n]) for n in range(len(settings))), key=better)
        varied = [name for name in _PARSERS if len({getattr(s, name) for s in settings}) > 1]
        cells = tuple(
            _cell(rank, result, varied, shelf.picture(result.number), float(scene.delivery.rate))
            for rank, result in enumerate(results, start=1)
        )
        title = title_block(scene, scene_date(scene, scene_path), "contact sheet")
        write_contact_sheet(folder, ContactSheet(title, cells, _plan(ready, results)))
        say_scene(folder, "sheet.json", scene, sha256)
        shelf.clear()
        ledger.close(finished=True)
    rows = [{"rank": rank, **as_row(result)} for rank, result in enumerate(results, start=1)]
    cautions = [*left_out(scene), *ready.built.cautions]
    return RunResult({"title": scene.title, "rows": rows, "varied": varied, "cautions": cautions}, folder.path)


def _take_up(ledger: Ledger[Kept], shelf: Shelf, scene: Scene, settings: list[CameraSetting]) -> None:
    """Go on from what a stopped run has left; a candidate whose picture is missing is judged anew."""
    done = {n: _result(n, kept, scene, settings[n]) for n, kept in ledger.done.items() if n < len(settings)}
    pictured = sorted((n for n in done if ledger.done[n].pictured), key=lambda n: better(done[n]))
    for n in pictured[:MOST_SHOWN]:
        if shelf.has(n):
            shelf.remember(better(done[n]), n)
        else:
            del ledger.done[n]


def _result(number: int, kept: Kept, scene: Scene, setting: CameraSetting) -> CandidateResult:
    placed = setting.put_into(scene) if kept.pictured else None
    return CandidateResult(number, setting, placed, kept.summary, kept.slip_px, None, kept.reason)


def _cell(
    rank: int, result: CandidateResult, varied: list[str], picture: Pixels8 | None, rate: float
) -> ContactCell:
    summary = result.summary
    return ContactCell(
        rank=rank,
        facts=tuple(_fact(name, getattr(result.setting, name)) for name in varied or ["height", "tilt", "distance"]),
        picture=picture,
        hold=None if summary is None else summary.hold,
        hold_s=None if summary is None else summary.hold_frames / rate,
        hold_still=None if summary is None or summary.film is None else summary.film.still,
        found_hold_pct=None if summary is None or summary.film is None else summary.film.found_pct,
        break_mean_pct=None if summary is None else summary.break_mean_pct,
        break_worst_pct=None if summary is None else summary.break_worst_pct,
        break_reveal_pct=None if summary is None else summary.break_reveal_pct,
        reason=result.reason,
    )


def _fact(name: str, value: float) -> Fact:
    if name == "tilt":
        degrees = float(np.degrees(value))
        return Fact(name, f"{degrees:.1f} deg", "tilt_deg", degrees)
    text = f"{1e3 * value:g} mm" if name == "lens" else both_text(value, 0)
    return Fact(name, text, f"{name}_mm", 1e3 * value)


def _with_figure(result: CandidateResult, figure: Figure | None) -> Pixels8 | None:
    """The candidate's lens view with the performer in it; None where there is no view."""
    if result.code is None or result.scene is None or figure is None:
        return result.code
    move = move_of(result.scene)
    h, w = result.code.shape[:2]
    return stood(result.scene, figure).stood_in(result.code, move.camera(move.station_frame, w, h))


def _plan(ready: ReadySet, results: list[CandidateResult]) -> CandidatePlan:
    views = []
    for rank, result in enumerate(results, start=1):
        if result.scene is None:
            continue
        move = move_of(result.scene)
        camera = move.camera(move.station_frame)
        views.append(CandidateView(rank, np.asarray(camera.position), np.asarray(camera.forward), move.positions))
    return CandidatePlan(tuple(views), drawn_set(ready.move, ready.built.wall))
