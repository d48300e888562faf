"""The main job: a scene in; frames, films, a plot, tables and a score out."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from previz import __version__
from previz.command.paint.solvedpaint import made_ready
from previz.command.shoot.films import growing_films
from previz.command.shoot.reportpage import ReportJob, by_frame, is_kept, keep_frame, write_report
from previz.command.shoot.verdict import judged_move, summary_values
from previz.deliver.shoot.holdplot import HoldPlot, hold_plot
from previz.deliver.shoot.overlay import (
    LineBeside,
    OutlinePieces,
    lines_beside,
    outline_pieces,
    sliding_pieces,
    tell_key,
    with_outline,
)
from previz.draw.sideview import SideView, title_block
from previz.errors import BuildError
from previz.judge.film.found import FilmFrame, if_it_stood
from previz.judge.frame import JudgedFrame
from previz.judge.hold import FrameScore, HoldSummary
from previz.judge.telltable import TELLS
from previz.look.choose import choose_engine
from previz.plate.figure import StandingFigure, figure_file, standing_figure
from previz.run.blindtest import blind_test
from previz.run.frames import frame_name, png_bytes, read_frame
from previz.run.ledger import Ledger, file_sha256, files_named, ledger_name
from previz.run.output import OutputFolder
from previz.run.pool import Pool, pool_of
from previz.run.progress import Progress
from previz.run.results import RunResult, results_folder, results_in
from previz.run.table import HoldRow, write_hold, write_summary
from previz.run.workers import Opened
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.scene.reader import read_scene, scene_sha256
from previz.search.helps import TRIED_PX, HelpsJob
from previz.stage.looking import FrameJob, FrameResult, walls_to_know
from previz.stage.mends import first_steps
from previz.stage.prepare import continues_wall
from previz.stage.standing import alike, for_all
from previz.workshop.surface import Pixels8


def scene_date(scene: Scene, scene_path: Path) -> str:
    """The date for title blocks: the one the scene gives, else that of its file, by UTC, the same everywhere."""
    if scene.date is not None:
        return scene.date.isoformat()
    changed = datetime.datetime.fromtimestamp(scene_path.stat().st_mtime, datetime.UTC)
    return changed.date().isoformat()


def shoot(
    scene_path: Path,
    out: Path | None,
    width_px: int,
    with_figure: bool,
    workers: int | None,
    engine: str | None,
    progress: Progress,
    cluster: str | None = None,
) -> RunResult:
    """Draw and judge the whole move; a stopped run of the same scene is continued."""
    scene, sha256 = read_scene(scene_path), scene_sha256(scene_path)
    figure = _wanted_figure(scene, scene_path) if with_figure else None
    move = move_of(scene)
    height_px = scaled_height(scene, width_px)
    date = scene_date(scene, scene_path)
    with (
        results_in(results_folder(scene_path, out)) as folder,
        pool_of(workers, engine, cluster, progress.say, len(move.frames)) as pool,
    ):
        # a fault in a table is told before the work and not after it
        people = _people(folder, sha256)
        ready = made_ready(scene, folder, sha256, engine, progress)
        pool.load(ready)
        progress.note(pool.opened.message)
        run = run_of(scene, sha256, pool.opened, (width_px, height_px), with_figure)
        ledger = Ledger(folder, ledger_name("shoot"), {**run, "date": date}, FrameScore)
        scores = {f: s for f, s in ledger.done.items() if _files_are_there(folder, f)}
        wanted = [f for f in move.frames if f not in scores]
        progress.going_on(len(move.frames) - len(wanted), len(move.frames), "frames")
        groups = alike(move, wanted)
        pool.learn(walls_to_know(ready, [group[0] for group in groups], width_px, height_px))
        results = for_all(pool.run([FrameJob(group[0], width_px, height_px) for group in groups]), groups)
        # drawn while the first frames are looked at; engines are asked for in one word
        chosen = choose_engine(pool.opened.engine.replace(" ", ""))
        side = SideView(ready, chosen.engine, date)
        with growing_films(folder, move.frames, set(scores), scene.delivery.rate) as films:
            try:
                for result in progress.over(results, len(wanted), "frames looked at and judged"):
                    score = result.judged.score
                    films.came(score.frame, *_write_frame(folder, move, result, side, figure))
                    ledger.add(score.frame, score)
                    scores[score.frame] = score
                chosen.engine.close()
            finally:
                ledger.close(finished=False)
            progress.say("writing films and tables")
            films.rest()
        told = judged_move(scene, move, scores)
        order, film, summary = told.order, told.film, told.summary
        _write_plot(folder, scene, date, move, order, film, summary)
        if summary.worst_frame is not None:
            job = FrameJob(summary.worst_frame, width_px, height_px)
            slides = next(one.slides for one in film if one.frame == summary.worst_frame)
            _write_worst(folder, next(iter(pool.run([job]))), slides)
        helps = _what_helps(scene, order, summary, pool, progress)
        values = summary_values(scene, told, run, (width_px, height_px), ready, helps) | people
        _write_tables(folder, order, film, values)
        progress.say("writing the report")
        write_report(folder, ReportJob(ready, side, date, order, film, summary, values))
        ledger.close(finished=True)
        progress.note(_strangers(folder, move))
    return RunResult(values, folder.path)


def score(
    scene_path: Path,
    out: Path | None,
    width_px: int,
    workers: int | None,
    engine: str | None,
    progress: Progress,
    cluster: str | None = None,
) -> RunResult:
    """Judge the whole move without keeping pictures; a stopped run of the same scene is continued."""
    scene, sha256 = read_scene(scene_path), scene_sha256(scene_path)
    move = move_of(scene)
    height_px = scaled_height(scene, width_px)
    with (
        results_in(results_folder(scene_path, out)) as folder,
        pool_of(workers, engine, cluster, progress.say, len(move.frames)) as pool,
    ):
        # a fault in a table is told before the work and not after it
        people = _people(folder, sha256)
        ready = made_ready(scene, folder, sha256, engine, progress)
        pool.load(ready)
        progress.note(pool.opened.message)
        run = run_of(scene, sha256, pool.opened, (width_px, height_px))
        ledger = Ledger(folder, ledger_name("score"), run, FrameScore)
        wanted = [f for f in move.frames if f not in ledger.done]
        progress.going_on(len(move.frames) - len(wanted), len(move.frames), "frames")
        groups = alike(move, wanted)
        jobs = [FrameJob(group[0], width_px, height_px, pictures=False) for group in groups]
        pool.learn(walls_to_know(ready, [job.frame for job in jobs], width_px, height_px))
        try:
            for result in progress.over(for_all(pool.run(jobs), groups), len(wanted), "frames judged"):
                ledger.add(result.judged.score.frame, result.judged.score)
        finally:
            ledger.close(finished=False)
        told = judged_move(scene, move, ledger.done)
        order, film, summary = told.order, told.film, told.summary
        helps = _what_helps(scene, order, summary, pool, progress)
        values = summary_values(scene, told, run, (width_px, height_px), ready, helps) | people
        _write_tables(folder, order, film, values)
        ledger.close(finished=True)
    return RunResult(values, folder.path)


def _people(folder: OutputFolder, sha256: str) -> dict[str, Any]:
    """What real viewers found in the report's blind test, where they have left it here."""
    found = blind_test(folder.path, sha256)
    return {} if found is None else {"blind_test": found}


def run_of(
    scene: Scene, sha256: str, opened: Opened, size_px: tuple[int, int], with_figure: bool = False
) -> dict[str, str]:
    """All that the results of a run depend on, in texts: the scene, the files it names, the program, how it draws."""
    run = {name: file_sha256(path) for name, path in files_named(scene).items()}
    figure = figure_file(scene) if with_figure else None
    return run | {
        "scene": sha256,
        "version": __version__,
        "engine": opened.engine,
        "driver": opened.driver,
        "size": f"{size_px[0]}x{size_px[1]}",
        "figure": "" if figure is None else file_sha256(figure),
    }


def _wanted_figure(scene: Scene, scene_path: Path) -> StandingFigure:
    figure = standing_figure(scene)
    if figure is None:
        raise BuildError(
            f'{scene_path}: there is no figure to stand in the frames; write figure = "figure.png" under [plate], or '
            "leave out --figure"
        )
    return figure


def scaled_height(scene: Scene, width_px: int) -> int:
    """Height, px, of the scene's frames when they are ``width_px`` wide."""
    full_width, full_height = scene.delivery.frame
    return max(round(full_height * width_px / full_width), 1)


def _strangers(folder: OutputFolder, move: Move) -> str:
    """A word about frames of an earlier, longer run, which would be taken for this one's; empty without any."""
    own = {frame_name(frame) for frame in move.frames}
    names = (path.name for path in folder.place("lens/1001.png").parent.glob("*.png"))
    strange = sorted(name for name in names if Path(name).stem.isdigit() and name not in own)
    if not strange:
        return ""
    which = strange[0] if len(strange) == 1 else f"{strange[0]} to {strange[-1]}"
    return (
        f"frames of an earlier run are still in {folder.path.as_posix()}/lens and no part of this one: {which} "
        f"({len(strange)} in all)"
    )


def _files_are_there(folder: OutputFolder, frame: int) -> bool:
    return is_kept(folder, frame) and all(folder.has(f"{series}/{frame_name(frame)}") for series in ("lens", "side"))


def _write_frame(
    folder: OutputFolder, move: Move, result: FrameResult, side: SideView, figure: StandingFigure | None
) -> tuple[Pixels8, Pixels8]:
    """Write a frame's pictures of lens and side, which come back, and keep what the page needs of it."""
    if result.code is None:
        raise RuntimeError("a frame to be kept came without its picture")
    score = result.judged.score

    def stood(code: Pixels8) -> Pixels8:
        if figure is None:
            return code
        there = figure.at(move.scene, score.frame)
        return there.stood_in(code, move.camera(score.frame, code.shape[1], code.shape[0]))

    lens, sheet = stood(result.code), side.at(result.judged)
    folder.write_bytes(f"lens/{frame_name(score.frame)}", png_bytes(lens))
    folder.write_bytes(f"side/{frame_name(score.frame)}", png_bytes(sheet))
    keep_frame(folder, result, judged_pieces(result.judged), _beside(result.judged), side, stood, lens)
    return lens, sheet


def judged_pieces(judged: JudgedFrame, every: bool = False) -> list[OutlinePieces]:
    """The judged outline and the traces, line by line, for drawing: those that are found, or ``every`` one."""
    traces = outline_pieces(judged.trace, judged.trace_tell)
    found = outline_pieces(judged.found, judged.tell)
    return [*found, *(piece for piece in traces if every or piece.broken.any())]


def _beside(judged: JudgedFrame) -> list[LineBeside]:
    return lines_beside(judged.found, judged.length, judged.width_px)


def _tells_drawn(pieces: Sequence[OutlinePieces]) -> tuple[str, ...]:
    told = [piece.tell[piece.broken] for piece in pieces if piece.tell is not None]
    return tuple(TELLS[k] for k in np.unique(np.concatenate(told)) if k >= 0) if told else ()


def _write_worst(folder: OutputFolder, result: FrameResult, slides: Sequence[int]) -> None:
    if result.code is not None:
        pieces = judged_pieces(result.judged) + sliding_pieces(_beside(result.judged), slides)
        drawn = with_outline(result.code, pieces)
        folder.write_bytes("worst.png", png_bytes(tell_key(drawn, _tells_drawn(pieces))))


def _write_plot(
    folder: OutputFolder,
    scene: Scene,
    date: str,
    move: Move,
    order: Sequence[FrameScore],
    film: Sequence[FilmFrame],
    summary: HoldSummary,
) -> None:
    named = [("start", move.frames[0]), ("end", move.frames[-1]), ("hold ends", scene.rail.hold[1])]
    if scene.rail.reveal is not None:
        named.append(("reveal", scene.rail.reveal))
    worst = summary.worst_frame
    if worst is not None and worst in (scene.rail.hold[1], scene.rail.reveal, move.station_frame):
        named.append(("worst of the hold", worst))
    names = {frame: words for words, frame in by_frame([*named, ("station", move.station_frame)])}
    plot = HoldPlot(
        title=title_block(scene, date, "what shows along the move"),
        frames=np.array([s.frame for s in order]),
        rail_mm=np.array([1e3 * s.rail for s in order]),
        break_pct=np.array([np.nan if s.shown_pct is None else s.shown_pct for s in order]),
        hold=scene.rail.hold,
        station=move.station_frame,
        reveal=scene.rail.reveal,
        held=None if summary.hold_first is None else (summary.hold_first, summary.hold_last or summary.hold_first),
        hold_mm=1e3 * summary.hold,
        hold_s=summary.hold_frames / float(scene.delivery.rate),
        found_pct=np.array([one.found_pct for one in film]),
        thumbnails={frame: read_frame(folder, "lens", frame) for frame in sorted(names)},
        names=names,
    )
    folder.write_bytes("hold.png", png_bytes(hold_plot(plot)))


def _what_helps(
    scene: Scene, order: Sequence[FrameScore], summary: HoldSummary, pool: Pool, progress: Progress
) -> list[str]:
    """What is nearest and what to change first where a still frame of the hold asked for shows the bridge, and what
    would make the film hold, with numbers, where its movement gives it away there."""
    film, (first, last) = summary.film, scene.rail.hold
    helps = first_steps(scene, order)
    if summary.hidden or film is None or film.parallax_from is None or film.parallax_from > last:
        return helps
    rate = float(scene.delivery.rate)
    frames = last - first + 1
    now, then = if_it_stood(order, rate, frames)
    until = "not found by the end" if then >= len(order) + frames else f"found at {then / rate:.1f} s"
    helps.append(f"stand for {frames} frames, then slide: {until}, not at {now / rate:.1f}")
    if scene.rail.travel and scene.rail.stand == 0:
        helps.append("pan about the entrance pupil: no parallax at all")
    helps.append("let the wall's bands run along the slide")
    if continues_wall(scene):
        progress.say("trying what would help")
        helps += next(iter(pool.run([HelpsJob(TRIED_PX, scaled_height(scene, TRIED_PX))])))
    return helps


def _write_tables(
    folder: OutputFolder, order: Sequence[FrameScore], film: Sequence[FilmFrame], values: dict[str, Any]
) -> None:
    rows = [
        HoldRow(
            s.frame, 1e3 * s.rail, s.break_pct, s.mismatch_de, s.slip_px, s.tells, s.trace_pct,
            s.drift_deg_s, one.drift_pct, one.found_pct,
        )
        for s, one in zip(order, film, strict=True)
    ]  # fmt: skip
    write_hold(folder, rows)
    write_summary(folder, values)
