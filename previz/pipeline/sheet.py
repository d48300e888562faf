"""The contact sheet: a grid of candidate cameras, judged on the same set, best first."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import numpy as np

from previz import units
from previz.build.surface import Pixels8
from previz.deliver.output import OutputFolder
from previz.deliver.sheet import CandidatePlan, CandidateView, ContactCell, ContactSheet, Fact, write_contact_sheet
from previz.deliver.style import both_text
from previz.errors import UnitError
from previz.pipeline.candidates import CandidateJob, CandidateResult, Setting, as_row, better
from previz.pipeline.figure import standing_figure
from previz.pipeline.looking import LookingRoom
from previz.pipeline.prepare import ReadySet, prepare
from previz.pipeline.progress import Progress
from previz.pipeline.ranges import values_of
from previz.pipeline.shoot import results_folder, scene_date
from previz.pipeline.sideview import bridge_outlines, title_block, wall_profiles
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene

_PARSERS = {
    "height": units.length,
    "tilt": units.angle,
    "distance": units.length,
    "lens": units.length,
    "lateral": units.length,
}

# a sheet of more candidates than this is no sheet any more
_MOST = 4000


def settings_of(scene: Scene, ranges: dict[str, str]) -> list[Setting]:
    """Every combination of the values asked for; what is not asked for stays as the scene has it."""
    own = Setting.of(scene)
    columns = [
        values_of(ranges[name], parse, name) if name in ranges else (getattr(own, name),)
        for name, parse in _PARSERS.items()
    ]
    count = int(np.prod([len(column) for column in columns]))
    if count > _MOST:
        raise UnitError(f"{count} candidates are more than a sheet of {_MOST} can hold; ask for fewer values")
    return [Setting(*values) for values in itertools.product(*columns)]


def sheet(
    scene_path: Path,
    ranges: dict[str, str],
    out: Path | None,
    width_px: int,
    workers: int | None,
    engine: str | None,
    progress: Progress,
) -> list[dict[str, Any]]:
    """Judge every candidate and write the contact sheet; returns its rows, best first."""
    scene = read_scene(scene_path)
    settings = settings_of(scene, ranges)
    folder = OutputFolder(results_folder(scene_path, out))
    full_width, full_height = scene.delivery.frame
    height_px = max(round(full_height * width_px / full_width), 1)
    with LookingRoom(workers, engine) as room:
        ready = prepare(scene, width_px)
        room.load(ready)
        jobs = [CandidateJob(n, s, scene, width_px, height_px) for n, s in enumerate(settings)]
        results = list(progress.over(room.run(jobs), len(jobs), "candidates judged"))
    results.sort(key=better)
    varied = [name for name in _PARSERS if len({getattr(s, name) for s in settings}) > 1]
    cells = tuple(_cell(rank, result, varied) for rank, result in enumerate(results, start=1))
    date = scene_date(scene, scene_path)
    contact = ContactSheet(title_block(scene, date, "contact sheet"), cells, _plan(ready, results))
    write_contact_sheet(folder, contact)
    return [{"rank": rank, **as_row(result)} for rank, result in enumerate(results, start=1)]


def _cell(rank: int, result: CandidateResult, varied: list[str]) -> ContactCell:
    summary = result.summary
    return ContactCell(
        rank=rank,
        facts=tuple(_fact(name, getattr(result.setting, name)) for name in varied or ["height", "tilt", "distance"]),
        picture=_with_figure(result),
        hold=None if summary is None else summary.hold,
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


def _with_figure(result: CandidateResult) -> Pixels8 | None:
    if result.code is None or result.scene is None:
        return result.code
    move = move_of(result.scene)
    figure = standing_figure(result.scene)
    if figure is None:
        return result.code
    h, w = result.code.shape[:2]
    return figure.stood_in(result.code, move.camera(move.station_frame, w, h))


def _plan(ready: ReadySet, results: list[CandidateResult]) -> CandidatePlan:
    views = []
    for rank, result in enumerate(results, start=1):
        if result.scene is None or result.code is None:
            continue
        move = move_of(result.scene)
        camera = move.camera(move.station_frame)
        views.append(CandidateView(rank, np.asarray(camera.position), np.asarray(camera.forward), move.positions))
    side, plan = bridge_outlines(ready)
    wall_side, wall_plan = wall_profiles(ready)
    return CandidatePlan(tuple(views), side, plan, wall_side, wall_plan)
