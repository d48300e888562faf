"""The main job: a scene in; frames, films, a plot, tables and a score out."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from previz import __version__
from previz.build.surface import Pixels8
from previz.colour import JND_DE00
from previz.deliver.film import write_film
from previz.deliver.frames import frame_name, png_bytes, read_frame
from previz.deliver.holdplot import HoldPlot, hold_plot
from previz.deliver.output import OutputFolder
from previz.deliver.overlay import OutlinePieces, with_outline
from previz.deliver.table import HoldRow, write_hold, write_summary
from previz.judge.frame import JudgedFrame
from previz.judge.hold import FrameScore, HoldSummary, summarised
from previz.judge.viewer import Viewer
from previz.look.choose import choose_engine
from previz.pipeline.figure import StandingFigure, standing_figure
from previz.pipeline.ledger import Ledger
from previz.pipeline.looking import FrameJob, FrameResult, LookingRoom
from previz.pipeline.prepare import ReadySet, prepare
from previz.pipeline.progress import Progress
from previz.pipeline.sideview import SideView, title_block
from previz.scene.checks import cautions
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.scene.reader import read_scene, scene_sha256


def results_folder(scene_path: Path, out: Path | None) -> Path:
    """Where a scene's results go: ``out``, or ``renders/<scene>`` in the working folder."""
    return out if out is not None else Path("renders") / scene_path.stem


def scene_date(scene: Scene, scene_path: Path) -> str:
    """The date for title blocks: the one the scene gives, else that of its file."""
    if scene.date is not None:
        return scene.date.isoformat()
    return datetime.date.fromtimestamp(scene_path.stat().st_mtime).isoformat()


def shoot(
    scene_path: Path,
    out: Path | None,
    width_px: int,
    with_figure: bool,
    workers: int | None,
    engine: str | None,
    progress: Progress,
) -> dict[str, Any]:
    """Draw and judge the whole move; returns the summary that is also written."""
    scene = read_scene(scene_path)
    folder = OutputFolder(results_folder(scene_path, out))
    folder.remove_leftovers()
    move = move_of(scene)
    height_px = _height(scene, width_px)
    figure = standing_figure(scene) if with_figure else None
    with LookingRoom(workers, engine) as room:
        ready = prepare(scene)
        room.load(ready)
        chosen = choose_engine(engine)
        if chosen.message:
            progress.say(chosen.message)
        run = {
            "scene": scene_sha256(scene_path),
            "version": __version__,
            "engine": chosen.engine.name,
            "driver": chosen.engine.driver,
            "size": f"{width_px}x{height_px}",
            "figure": str(with_figure),
        }
        ledger = Ledger(folder, run)
        date = scene_date(scene, scene_path)
        side = SideView(ready, chosen.engine, date)
        finished = {f: s for f, s in ledger.done.items() if _files_are_there(folder, f)}
        wanted = [f for f in move.frames if f not in finished]
        jobs = [FrameJob(f, width_px, height_px) for f in wanted]
        scores = dict(finished)
        try:
            for result in progress.over(room.run(jobs), len(jobs), "frames looked at and judged"):
                score = result.judged.score
                _write_frame(folder, move, result, side, figure)
                ledger.add(score)
                scores[score.frame] = score
            chosen.engine.close()
        finally:
            ledger.close(finished=False)
        order = [scores[f] for f in move.frames]
        summary = _summary_of(scene, move, order)
        progress.say("writing films and tables")
        rate = scene.delivery.rate
        write_film(folder, "lens.mp4", _frames(folder, "lens", move.frames), rate)
        write_film(folder, "side.mp4", _frames(folder, "side", move.frames), rate)
        _write_plot(folder, scene, date, move, order, summary)
        if summary.worst_frame is not None:
            job = FrameJob(summary.worst_frame, width_px, height_px)
            _write_worst(folder, next(iter(room.run([job]))))
        values = _written(scene, scene_path, move, order, summary, run, folder, ready)
        _write_tables(folder, order, values)
    ledger.close(finished=True)
    return values


def score(
    scene_path: Path,
    out: Path | None,
    width_px: int,
    workers: int | None,
    engine: str | None,
    progress: Progress,
) -> dict[str, Any]:
    """Judge the whole move without keeping pictures; returns the summary that is also written."""
    scene = read_scene(scene_path)
    folder = OutputFolder(results_folder(scene_path, out))
    move = move_of(scene)
    height_px = _height(scene, width_px)
    with LookingRoom(workers, engine) as room:
        ready = prepare(scene)
        room.load(ready)
        jobs = [FrameJob(f, width_px, height_px, pictures=False) for f in move.frames]
        results = list(progress.over(room.run(jobs), len(jobs), "frames judged"))
    order = [r.judged.score for r in results]
    run = {
        "scene": scene_sha256(scene_path),
        "engine": results[0].engine,
        "driver": results[0].driver,
        "size": f"{width_px}x{height_px}",
    }
    values = _written(scene, scene_path, move, order, _summary_of(scene, move, order), run, folder, ready)
    _write_tables(folder, order, values)
    return values


def _height(scene: Scene, width_px: int) -> int:
    full_width, full_height = scene.delivery.frame
    return max(round(full_height * width_px / full_width), 1)


def _files_are_there(folder: OutputFolder, frame: int) -> bool:
    return all(folder.has(f"{series}/{frame_name(frame)}") for series in ("lens", "side"))


def _write_frame(
    folder: OutputFolder, move: Move, result: FrameResult, side: SideView, figure: StandingFigure | None
) -> None:
    if result.code is None:
        raise RuntimeError("a frame to be kept came without its picture")
    score = result.judged.score
    lens = result.code
    if figure is not None:
        lens = figure.stood_in(lens, move.camera(score.frame, lens.shape[1], lens.shape[0]))
    folder.write_bytes(f"lens/{frame_name(score.frame)}", png_bytes(lens))
    folder.write_bytes(f"side/{frame_name(score.frame)}", png_bytes(side.at(result.judged)))


def _frames(folder: OutputFolder, series: str, frames: Iterable[int]) -> Iterator[Pixels8]:
    return (read_frame(folder, series, frame) for frame in frames)


def _summary_of(scene: Scene, move: Move, order: Sequence[FrameScore]) -> HoldSummary:
    return summarised(order, scene.rail.hold, move.station_frame, scene.rail.reveal)


def outline_pieces(judged: JudgedFrame) -> list[OutlinePieces]:
    """The judged outline, line by line, for drawing."""
    found = judged.found
    if found is None:
        return []
    return [
        OutlinePieces(found.outline.xy[rows], found.broken[rows], closed)
        for number, closed in enumerate(found.outline.closed)
        for rows in [found.outline.line == number]
    ]


def _write_worst(folder: OutputFolder, result: FrameResult) -> None:
    if result.code is not None:
        folder.write_bytes("worst.png", png_bytes(with_outline(result.code, outline_pieces(result.judged))))


def _write_plot(
    folder: OutputFolder, scene: Scene, date: str, move: Move, order: Sequence[FrameScore], summary: HoldSummary
) -> None:
    names = {move.frames[0]: "start", move.frames[-1]: "end", scene.rail.hold[1]: "hold ends"}
    if scene.rail.reveal is not None:
        names[scene.rail.reveal] = "reveal"
    names[move.station_frame] = "station"
    plot = HoldPlot(
        title=title_block(scene, date, "break along the move"),
        frames=np.array([s.frame for s in order]),
        rail_mm=np.array([1e3 * s.rail for s in order]),
        break_pct=np.array([np.nan if s.break_pct is None else s.break_pct for s in order]),
        hold=scene.rail.hold,
        station=move.station_frame,
        reveal=scene.rail.reveal,
        held=None if summary.hold_first is None else (summary.hold_first, summary.hold_last or summary.hold_first),
        hold_mm=1e3 * summary.hold,
        thumbnails={frame: read_frame(folder, "lens", frame) for frame in sorted(names)},
        names=names,
    )
    folder.write_bytes("hold.png", png_bytes(hold_plot(plot)))


def _written(
    scene: Scene,
    scene_path: Path,
    move: Move,
    order: Sequence[FrameScore],
    summary: HoldSummary,
    run: dict[str, str],
    folder: OutputFolder,
    ready: ReadySet,
) -> dict[str, Any]:
    width, height = (int(n) for n in run["size"].split("x"))
    warnings = [f"{c.key}: {c.text}" for c in cautions(scene)]
    if ready.out_of_range > 0.01:
        warnings.append(
            f"bridge.paint: on {100.0 * ready.out_of_range:.0f} % of the bridge no paint is dark or bright enough for "
            "the light that falls there; bring more light to the bridge or less to the wall"
        )
    unjudged = [s for s in order if s.break_pct is None]
    if unjudged:
        first = unjudged[0]
        warnings.append(f"{len(unjudged)} frames cannot be judged, the first is {first.frame}: {first.reason}")
    judged = [s for s in order if s.break_pct is not None]
    certified = [s.frame for s in judged if s.mismatch_de is not None and s.mismatch_de < JND_DE00]
    return {
        "title": scene.title,
        "scene_sha256": run["scene"],
        "version": __version__,
        "engine": run["engine"],
        "driver": run["driver"],
        "frames": len(order),
        "size_px": [width, height],
        "px_per_deg": round(Viewer(height).px_per_deg, 3),
        "station_frame": summary.station_frame,
        "certified_frames": len(certified),
        "hold_mm": round(1e3 * summary.hold, 3),
        "hold_frames": summary.hold_frames,
        "hold_first": summary.hold_first,
        "hold_last": summary.hold_last,
        "break_mean_pct": _rounded(summary.break_mean_pct),
        "break_worst_pct": _rounded(summary.break_worst_pct),
        "break_station_pct": _rounded(summary.break_station_pct),
        "break_reveal_pct": _rounded(summary.break_reveal_pct),
        "worst_frame": summary.worst_frame,
        "worst_tells": list(summary.worst_tells),
        "cautions": warnings,
        "folder": folder.path.as_posix(),
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def _write_tables(folder: OutputFolder, order: Sequence[FrameScore], values: dict[str, Any]) -> None:
    rows = [HoldRow(s.frame, 1e3 * s.rail, s.break_pct, s.mismatch_de, s.slip_px, s.tells) for s in order]
    write_hold(folder, rows)
    # where the results lie is no part of them: the same scene gives the same bytes in any folder
    write_summary(folder, {key: value for key, value in values.items() if key != "folder"})
