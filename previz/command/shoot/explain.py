"""``previz score --explain FRAME``: one frame, and what of it is found."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from previz.command.paint.solvedpaint import made_ready
from previz.command.shoot.shoot import judged_pieces, run_of, scaled_height
from previz.deliver.shoot.explained import explained
from previz.errors import BuildError
from previz.judge.findings import FoundStretch, findings_of
from previz.judge.frame import JudgedFrame
from previz.judge.telltable import TELLS
from previz.judge.viewer import HOLDS_BELOW_PCT, SEATS
from previz.run.frames import png_bytes
from previz.run.progress import Progress
from previz.run.results import RunResult, results_folder, results_in
from previz.run.workers import WorkerPool
from previz.scene.move import move_of
from previz.scene.reader import read_scene, scene_sha256
from previz.stage.looking import FrameJob


def explain(
    scene_path: Path, out: Path | None, frame: int, width_px: int, engine: str | None, progress: Progress
) -> RunResult:
    """Judge one frame and leave ``explain-FRAME.png``: every contour, its size against its limit, its tell."""
    scene, sha256 = read_scene(scene_path), scene_sha256(scene_path)
    move = move_of(scene)
    if frame not in move.frames:
        raise BuildError(
            f"--explain: the move has no frame {frame}; it goes from {move.frames[0]} to {move.frames[-1]}"
        )
    size_px = width_px, scaled_height(scene, width_px)
    with results_in(results_folder(scene_path, out)) as folder, WorkerPool(1, engine) as pool:
        pool.load(made_ready(scene, folder, sha256, engine, progress))
        progress.note(pool.opened.message)
        (result,) = pool.run([FrameJob(frame, *size_px)])
        judged, score = result.judged, result.judged.score
        findings = findings_of(judged)
        verdict = _verdict(frame, judged)
        pairs = list(zip(score.break_by_seat, score.trace_by_seat, strict=True))
        if result.code is not None:
            words = tuple(word for word in TELLS if any(found.tell == word for found in findings))
            picture = explained(result.code, judged_pieces(judged, every=True), words, findings, verdict, pairs)
            folder.write_bytes(f"explain-{frame}.png", png_bytes(picture))
        run = run_of(scene, sha256, pool.opened, size_px)
    values: dict[str, Any] = {
        "title": scene.title,
        "scene_sha256": sha256,
        "version": run["version"],
        "engine": run["engine"],
        "driver": run["driver"],
        "frame": frame,
        "size_px": list(size_px),
        "verdict": verdict,
        "break_pct": score.break_pct,
        "trace_pct": score.trace_pct,
        "viewers": {
            seat.name: {"break_pct": found, "trace_pct": trace}
            for seat, (found, trace) in zip(SEATS, pairs, strict=False)
        },
        "found": [_row(found) for found in findings],
    }
    return RunResult(values, folder.path)


def _row(found: FoundStretch) -> dict[str, Any]:
    return {**asdict(found), "sentence": found.sentence}


def _verdict(frame: int, judged: JudgedFrame) -> str:
    score = judged.score
    if score.break_pct is None or judged.found is None:
        return f"frame {frame} cannot be judged: {score.reason}"
    holds = "holds" if score.holds else "does not hold"
    return (
        f"frame {frame} {holds}: {score.break_pct:.1f} % of the outline is found, "
        f"{score.trace_pct or 0.0:.1f} % of its length in traces (at most {HOLDS_BELOW_PCT:g} each)"
    )


def explained_rows(values: dict[str, Any], folder: str) -> list[tuple[str, str]]:
    """The lines that the command prints."""
    found = [(f"found {number}", each["sentence"]) for number, each in enumerate(values["found"], start=1)]
    picture = f"{folder}/explain-{values['frame']}.png"
    return [("verdict", values["verdict"]), *(found or [("found", "nothing")]), ("written", picture)]
