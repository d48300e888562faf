"""How much the shot may be knocked: each freedom alone, and all of them together as a build and a rig leave them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from previz.command.search.words import amount, knock_sentences
from previz.command.shoot.shoot import run_of, scaled_height, scene_date
from previz.deliver.search.knockplot import KnockBar, KnockPlot, knock_plot
from previz.draw.sideview import title_block
from previz.errors import JudgeError
from previz.geometry import Array
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.run.frames import png_bytes
from previz.run.lightcache import LightCache
from previz.run.output import OutputFolder
from previz.run.progress import Progress
from previz.run.results import RunResult, results_folder, results_in
from previz.run.table import csv_text
from previz.run.workers import WorkerPool
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.scene.reader import read_scene, scene_sha256
from previz.search.bridges import fast_looker
from previz.search.knock import (
    SIZE,
    SLACKS,
    Drift,
    Slack,
    knocked,
    largest_drift,
    limit_of,
    misprint,
    only,
    sample,
    wilson,
)
from previz.stage.looking import Looker
from previz.stage.prepare import prepare

# frames of the hold that are looked at, with both ends and the station among them
_FRAMES = 9

# builds tried by one job
_BUILDS = 10


@dataclass(frozen=True)
class _Probe:
    """Frames to look at, each ``width_px`` x ``height_px``; ``frames`` with the break in percent that each may show."""

    width_px: int
    height_px: int
    frames: tuple[tuple[int, float], ...]

    def broken(self, looker: Looker, frame: int, knock: Array) -> float | None:
        """Break of a frame in percent after a knock (9,); None where it cannot be judged."""
        scene = looker.loaded.scene
        move = looker.loaded.move
        station = move.camera(move.station_frame, self.width_px, self.height_px)
        camera = knocked(move.camera(frame, self.width_px, self.height_px), knock)
        off = misprint(knock)
        try:
            found = fast_looker(looker, own_paint=True).judged(scene, camera, station, off if off.any() else None)
        except JudgeError:
            return None
        return found.percent

    def holds(self, looker: Looker, knock: Array) -> bool:
        """Whether all frames hold after a knock."""
        for frame, limit in self.frames:
            percent = self.broken(looker, frame, knock)
            if percent is None or percent > limit:
                return False
        return True


@dataclass(frozen=True)
class _Unknocked(_Probe):
    """Break of frames as they are."""

    def done_by(self, looker: Looker) -> list[float | None]:
        """Judge them."""
        return [self.broken(looker, frame, np.zeros(len(SLACKS))) for frame, _ in self.frames]


@dataclass(frozen=True)
class _DriftJob(_Probe):
    """How far one freedom may drift to one side with every frame holding."""

    slack: Slack
    side: float

    def done_by(self, looker: Looker) -> float | None:
        """Find it."""

        def holds(drift: float) -> bool:
            return self.holds(looker, only(self.slack, self.side * drift))

        return largest_drift(holds, self.slack.limit, self.slack.resolution)


@dataclass(frozen=True)
class _BuildsJob(_Probe):
    """Builds number ``first`` up to ``last``, not included: does the station frame, the first, hold, and the hold?"""

    first: int
    last: int

    def done_by(self, looker: Looker) -> list[tuple[bool, bool]]:
        """Try them."""
        out = []
        for number in range(self.first, self.last):
            knock = sample(looker.loaded.scene.knock, number)
            at_station = replace(self, frames=self.frames[:1]).holds(looker, knock)
            out.append((at_station, at_station and self.holds(looker, knock)))
        return out


def frames_of_hold(scene: Scene, move: Move) -> tuple[int, ...]:
    """Frames spread over the hold that the scene asks for, with its ends and the station frame, which comes first."""
    first, last = scene.rail.hold
    spread = {int(f) for f in np.linspace(first, last, min(_FRAMES, last - first + 1)).round()}
    return (move.station_frame, *sorted(spread - {move.station_frame}))


def knock(
    scene_path: Path,
    samples: int | None,
    out: Path | None,
    width_px: int,
    workers: int | None,
    engine: str | None,
    progress: Progress,
) -> RunResult:
    """Find what each freedom may drift by and how likely the shot holds as built; write table and plot."""
    scene, sha256 = read_scene(scene_path), scene_sha256(scene_path)
    move = move_of(scene)
    count = scene.knock.samples if samples is None else samples
    size_px = width_px, scaled_height(scene, width_px)
    station = move.station_frame
    with results_in(results_folder(scene_path, out)) as folder, WorkerPool(workers, engine) as pool:
        pool.load(prepare(scene, width_px, LightCache(folder.path), progress.say))
        progress.note(pool.opened.message)
        asked = frames_of_hold(scene, move)
        (as_is,) = pool.run([_Unknocked(*size_px, tuple((frame, 0.0) for frame in asked))])
        broken = dict(zip(asked, as_is, strict=True))
        held = [f for f, b in broken.items() if b is not None and b <= HOLDS_BELOW_PCT]
        frames = tuple((f, limit_of(broken[f] or 0.0)) for f in held) if station in held else ()
        drifts = _drifts(pool, size_px, frames, progress) if frames else _no_drifts()
        jobs = [
            _BuildsJob(*size_px, frames, first, min(first + _BUILDS, count))
            for first in range(0, count if frames else 0, _BUILDS)
        ]
        builds = [b for part in progress.over(pool.run(jobs), len(jobs), "tens of builds tried") for b in part]
        lost = {f: b for f, b in broken.items() if f not in held}
        summary = _summary(scene, drifts, builds, sorted(f for f, _ in frames), lost)
        run = run_of(scene, sha256, pool.opened, size_px)
        summary |= {"engine": run["engine"], "driver": run["driver"], "size_px": list(size_px)}
        summary = {"title": scene.title, "scene_sha256": sha256, **summary}
        _write(folder, scene, scene_path, drifts, summary)
    return RunResult(summary, folder.path)


def _drifts(
    pool: WorkerPool, size_px: tuple[int, int], frames: tuple[tuple[int, float], ...], progress: Progress
) -> list[Drift]:
    jobs = [
        _DriftJob(*size_px, chosen, slack, side)
        for slack in SLACKS
        for chosen in (frames[:1], frames)
        for side in (-1.0, 1.0)
    ]
    found = list(progress.over(pool.run(jobs), len(jobs), "drifts found"))
    return [
        Drift(slack, (found[4 * n], found[4 * n + 1]), (found[4 * n + 2], found[4 * n + 3]))
        for n, slack in enumerate(SLACKS)
    ]


def _no_drifts() -> list[Drift]:
    return [Drift(slack, (0.0, 0.0), (0.0, 0.0)) for slack in SLACKS]


def _summary(
    scene: Scene,
    drifts: list[Drift],
    builds: list[tuple[bool, bool]],
    frames: list[int],
    lost: dict[int, float | None],
) -> dict[str, Any]:
    strains = {d.slack.name: d.strain(d.slack.stated(scene.knock)) for d in drifts}
    most = max(strains, key=lambda name: strains[name])
    tried = len(builds)
    joint = {
        name: {
            "holds": sum(b[at] for b in builds),
            "probability": sum(b[at] for b in builds) / tried if tried else None,
            "interval_95": list(wilson(sum(b[at] for b in builds), tried)),
        }
        for at, name in enumerate(("station", "hold"))
    }
    summary: dict[str, Any] = {
        "station_frame": move_of(scene).station_frame,
        "frames": frames,
        "frames_lost_unknocked": {str(f): lost[f] for f in sorted(lost)},
        "drifts": [_row(drift, scene) for drift in drifts],
        "matters_most": most if frames and strains[most] > 0.0 else None,
        "builds": tried,
        "joint": joint,
    }
    summary["sentences"] = knock_sentences(scene, drifts, summary)
    return summary


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
    }


def _write(
    folder: OutputFolder, scene: Scene, scene_path: Path, drifts: list[Drift], summary: dict[str, Any]
) -> None:
    rows = []
    for row in summary["drifts"]:
        beyond = f">{row['looked_up_to']:g}"
        sides = ("station_minus", "station_plus", "hold_minus", "hold_plus")
        rows.append([beyond if key in sides and value is None else value for key, value in row.items()])
    folder.write_text("knock.csv", csv_text(list(summary["drifts"][0]), rows))
    bars = tuple(
        KnockBar(
            name=drift.slack.name,
            unit=drift.slack.unit,
            station=_in_units(drift.station, drift.slack),
            hold=_in_units(drift.hold, drift.slack),
            limit=drift.slack.limit / SIZE[drift.slack.unit],
            stated=drift.slack.stated(scene.knock) / SIZE[drift.slack.unit],
            words=(
                f"{drift.slack.minus} {amount(drift.hold[0], drift.slack)}",
                f"{amount(drift.hold[1], drift.slack)} {drift.slack.plus}",
            ),
            worst=drift.slack.name == summary["matters_most"],
        )
        for drift in drifts
    )
    joint = summary["joint"]["hold"]
    plot = KnockPlot(
        title=title_block(scene, scene_date(scene, scene_path), "how far the camera may drift"),
        headline=summary["sentences"][0],
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
