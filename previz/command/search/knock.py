"""How much the shot may be knocked: each error alone, and all of them together as builds and rigs leave them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from statistics import median
from typing import Any

from previz.command.search.knockwords import amount, knock_sentences, needs_truer
from previz.command.shoot.shoot import run_of, scaled_height, scene_date
from previz.deliver.search.knockplot import KnockBar, KnockPlot, knock_plot
from previz.draw.sideview import title_block
from previz.judge.interval import wilson
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.run.frames import png_bytes
from previz.run.lightcache import LightCache
from previz.run.output import OutputFolder
from previz.run.pool import Pool, pool_of
from previz.run.progress import Progress
from previz.run.results import RunResult, results_folder, results_in
from previz.run.table import csv_text
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene, scene_sha256
from previz.search.builds import (
    AddedJob,
    AsItIs,
    AsItIsJob,
    BuildResult,
    BuildsJob,
    DriftJob,
    frames_before,
    frames_of_hold,
    limits_of,
)
from previz.search.helps import HelpsJob
from previz.search.knock import SIZE, Drift, Slack, costliest, limit_of, slacks_of
from previz.stage.freewall import with_free_wall
from previz.stage.mends import mends_of
from previz.stage.prepare import prepare

# columns of the table
_SIDES = ("station_minus", "station_plus", "hold_minus", "hold_plus")
_TABLE = ("freedom", "unit", *_SIDES, "looked_up_to", "stated", "stated_of_allowed", "break_added_pct")

# builds tried by one job
_BUILDS = 10

# builds tried again with the errors that cost most halved, at most
_AGAIN = 100


def knock(
    scene_path: Path,
    samples: int | None,
    out: Path | None,
    width_px: int,
    workers: int | None,
    engine: str | None,
    progress: Progress,
    cluster: str | None = None,
) -> RunResult:
    """Find what each error may be and how likely the shot and its film hold as built; write table and plot."""
    scene, sha256 = read_scene(scene_path), scene_sha256(scene_path)
    move = move_of(scene)
    count = scene.knock.samples if samples is None else samples
    size_px = width_px, scaled_height(scene, width_px)
    station = move.station_frame
    with (
        results_in(results_folder(scene_path, out)) as folder,
        pool_of(workers, engine, cluster, progress.say) as pool,
    ):
        pool.load(with_free_wall(prepare(scene, width_px, LightCache(folder.path), progress.say)))
        progress.note(pool.opened.message)
        asked = frames_of_hold(scene, move)
        looked = (*asked, *frames_before(scene, move))
        (as_is,) = pool.run([AsItIsJob(*size_px, looked)])
        broken = {f: as_is.scores[f].break_pct for f in asked}
        held = [f for f, b in broken.items() if b is not None and b <= HOLDS_BELOW_PCT]
        kept = held if station in held else []
        slacks = slacks_of(scene)
        drifts = _drifts(pool, size_px, broken, kept, slacks, progress) if kept else []
        worst = costliest(drifts, scene.knock)
        builds = _builds(pool, size_px, as_is, looked, count if kept else 0, (), progress)
        chance = sum(b.film for b in builds) / len(builds) if builds else None
        again: list[BuildResult] = []
        if needs_truer(chance) and worst and as_is.holds(asked):
            chosen = tuple(drift.slack for drift in worst)
            again = _builds(pool, size_px, as_is, looked, min(count, _AGAIN), chosen, progress)
        helps = mends_of(scene, as_is.worst(asked))
        if as_is.found.found_pct > HOLDS_BELOW_PCT:
            progress.say("trying what would help")
            helps += next(pool.run([HelpsJob(*size_px)]))
        lost = {f: b for f, b in broken.items() if f not in held}
        summary = _summary(scene, drifts, builds, again, as_is, asked, sorted(kept), lost, helps)
        run = run_of(scene, sha256, pool.opened, size_px)
        summary |= {"engine": run["engine"], "driver": run["driver"], "size_px": list(size_px)}
        summary = {"title": scene.title, "scene_sha256": sha256, **summary}
        _write(folder, scene, scene_path, drifts, summary)
    return RunResult(summary, folder.path)


def _drifts(
    pool: Pool,
    size_px: tuple[int, int],
    broken: dict[int, float | None],
    held: Sequence[int],
    slacks: Sequence[Slack],
    progress: Progress,
) -> list[Drift]:
    """How far each error may go alone, with what of its stated size adds to break in the frames ``held``."""
    limits = tuple((f, limit_of(broken[f] or 0.0)) for f in held)
    without = tuple((f, broken[f] or 0.0) for f in held)
    order = [(slack, chosen, side) for slack in slacks for chosen in (limits[:1], limits) for side in slack.sides]
    jobs = [DriftJob(*size_px, chosen, slack, side) for slack, chosen, side in order]
    drifts = list(progress.over(pool.run(jobs), len(jobs), "drifts found"))
    found = dict(zip([(slack.name, chosen, side) for slack, chosen, side in order], drifts, strict=True))
    asks = [AddedJob(*size_px, without, slack) for slack in slacks]
    added = progress.over(pool.run(asks), len(asks), "errors weighed")
    # what goes one way is as free as can be to the other
    return [
        Drift(
            slack,
            (found.get((slack.name, limits[:1], -1.0)), found[slack.name, limits[:1], 1.0]),
            (found.get((slack.name, limits, -1.0)), found[slack.name, limits, 1.0]),
            more,
        )
        for slack, more in zip(slacks, added, strict=True)
    ]


def _builds(
    pool: Pool,
    size_px: tuple[int, int],
    as_is: AsItIs,
    frames: Sequence[int],
    count: int,
    halved: tuple[Slack, ...],
    progress: Progress,
) -> list[BuildResult]:
    jobs = [
        BuildsJob(
            *size_px, limits_of(as_is.scores, frames), as_is.film, first, min(first + _BUILDS, count), halved
        )
        for first in range(0, count, _BUILDS)
    ]
    words = "tens of builds tried again" if halved else "tens of builds tried"
    return [built for part in progress.over(pool.run(jobs), len(jobs), words) for built in part]


def _summary(
    scene: Scene,
    drifts: list[Drift],
    builds: list[BuildResult],
    again: list[BuildResult],
    as_is: AsItIs,
    asked: Sequence[int],
    frames: list[int],
    lost: dict[int, float | None],
    helps: list[str],
) -> dict[str, Any]:
    strains = {d.slack.name: d.strain(d.slack.stated(scene.knock)) for d in drifts}
    most = max(strains, key=lambda name: strains[name], default=None)
    worst = as_is.worst(asked)
    summary: dict[str, Any] = {
        "station_frame": move_of(scene).station_frame,
        "frames": frames,
        "frames_lost_unknocked": {str(f): lost[f] for f in sorted(lost)},
        "unknocked": {
            "film_holds": as_is.holds(asked),
            "found_pct": as_is.found.found_pct,
            "worst_frame": worst.frame,
            "break_pct": worst.break_pct,
            "trace_pct": worst.trace_pct,
        },
        "drifts": [_row(drift, scene) for drift in drifts],
        "matters_most": most if most is not None and strains[most] > 0.0 else None,
        "costliest": [drift.slack.name for drift in costliest(drifts, scene.knock)],
        "builds": len(builds),
        "joint": {
            "station": _chance([built.station for built in builds]),
            "hold": _chance([built.hold for built in builds]),
            "film": _chance([built.film for built in builds]),
        },
        "middle_build": {
            "found_pct": median(built.found_pct for built in builds) if builds else None,
            "shown_pct": median(built.shown_pct for built in builds) if builds else None,
        },
        "costliest_halved": {"builds": len(again), **_chance([built.film for built in again])} if again else None,
        "helps": helps,
    }
    summary["sentences"] = knock_sentences(scene, drifts, as_is, asked, summary)
    return summary


def _chance(held: Sequence[bool]) -> dict[str, Any]:
    """How many builds hold, as a share, and what that share lies between."""
    tried, holds = len(held), sum(held)
    return {
        "holds": holds,
        "probability": holds / tried if tried else None,
        "interval_95": list(wilson(holds, tried)),
    }


def _row(drift: Drift, scene: Scene) -> dict[str, Any]:
    slack = drift.slack
    size = SIZE[slack.unit]

    def shown(value: float | None) -> float | None:
        return None if value is None else value / size

    strain = drift.strain(slack.stated(scene.knock))
    return {
        "freedom": slack.name,
        "unit": slack.unit,
        "station_minus": shown(drift.station[0]),
        "station_plus": shown(drift.station[1]),
        "hold_minus": shown(drift.hold[0]),
        "hold_plus": shown(drift.hold[1]),
        "looked_up_to": slack.limit / size,
        "stated": slack.stated(scene.knock) / size,
        "stated_of_allowed": None if math.isinf(strain) else strain,
        "break_added_pct": drift.added,
        "one_way": not slack.minus,
    }


def _write(
    folder: OutputFolder, scene: Scene, scene_path: Path, drifts: list[Drift], summary: dict[str, Any]
) -> None:
    rows = []
    for row in summary["drifts"]:
        beyond = f">{row['looked_up_to']:g}"
        sides = ["station_plus", "hold_plus"] if row["one_way"] else list(_SIDES)
        told = {key: beyond if key in sides and row[key] is None else row[key] for key in _TABLE}
        rows.append(list(told.values()))
    folder.write_text("knock.csv", csv_text(list(_TABLE), rows))
    bars = tuple(
        KnockBar(
            name=_in_full(drift.slack),
            unit=drift.slack.unit,
            part=drift.slack.part,
            station=_in_units(drift.station, drift.slack),
            hold=_in_units(drift.hold, drift.slack),
            limit=drift.slack.limit / SIZE[drift.slack.unit],
            stated=drift.slack.stated(scene.knock) / SIZE[drift.slack.unit],
            words=(
                f"{drift.slack.minus} {amount(drift.hold[0], drift.slack)}" if drift.slack.minus else "",
                f"{amount(drift.hold[1], drift.slack)} {drift.slack.plus}",
            ),
            worst=drift.slack.name in summary["costliest"],
            one_way=not drift.slack.minus,
        )
        for drift in drifts
    )
    joint = summary["joint"]["film"]
    plot = KnockPlot(
        title=title_block(scene, scene_date(scene, scene_path), "what the build may be off by"),
        headline=summary["sentences"][0],
        more=tuple(summary["sentences"][1 : 2 if drifts else None]),
        bars=bars,
        probability=joint["probability"],
        interval=(joint["interval_95"][0], joint["interval_95"][1]),
        builds=summary["builds"],
    )
    folder.write_bytes("knock.png", png_bytes(knock_plot(plot)))
    folder.write_json("knock.json", summary, decimals=4, sort_keys=False)


def _in_units(sides: tuple[float | None, float | None], slack: Slack) -> tuple[float | None, float | None]:
    minus, plus = (None if side is None else side / SIZE[slack.unit] for side in sides)
    return minus, plus


def _in_full(slack: Slack) -> str:
    """The name of an error among those of all parts of the build."""
    return f"camera {slack.name}" if slack.part == "camera" and slack.unit != "%" else slack.name
