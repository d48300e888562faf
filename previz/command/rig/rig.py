"""The command that writes the shot card and the drawings for the day."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from previz import __version__
from previz.command.paint.solvedpaint import painted_before
from previz.command.rig.daywords import (
    floor_table,
    focus_notes,
    focus_rows,
    measure_table,
    order_table,
    rail_rows,
    rail_values,
    stop_table,
)
from previz.command.rig.lamppage import lamp_page, lamp_picture
from previz.command.rig.lamps import LampAnswer, lamp_answer, lamp_values
from previz.command.rig.lampscene import lamps_text
from previz.command.rig.rigfacts import (
    RigFacts,
    focus_lines,
    light_lines,
    mark_rows,
    marks_table,
    motion_lines,
    notes,
    places,
    rig_facts,
    safety_lines,
    settings,
    support_lines,
    tables,
)
from previz.command.shoot.shoot import scaled_height, scene_date
from previz.deliver.rig.phonecard import phone_page
from previz.deliver.rig.rigcard import rig_pdf
from previz.deliver.rig.rigdata import RigCard
from previz.draw.drawnset import drawn_set
from previz.draw.pdf import PaperName
from previz.draw.sideview import title_block
from previz.judge.frame import JudgedFrame
from previz.rig.lightadvice import JudgeSet, light_found
from previz.rig.shadow import ShadowTell
from previz.run.frames import write_png
from previz.run.knocktold import knock_lines
from previz.run.lightcache import LightCache
from previz.run.output import json_text
from previz.run.progress import Progress
from previz.run.results import RunResult, results_folder, results_in
from previz.run.workers import WorkerPool
from previz.scene.reader import read_scene, scene_sha256
from previz.search.helps import TRIED_PX, HelpsJob
from previz.stage.cautions import scene_cautions
from previz.stage.delivering import JUDGED_WIDTH_PX
from previz.stage.looking import FrameJob
from previz.stage.prepare import ReadySet, continues_wall, prepare, sight_of
from previz.workshop.set import BuiltSet


def rig(
    scene_path: Path,
    paper: PaperName,
    out: Path | None,
    progress: Progress,
    engine: str | None = None,
    lamps: bool = False,
) -> RunResult:
    """Write ``rig.pdf``, ``rig.html`` for a phone, ``rig.json`` and, where the bridge throws a shadow, ``shadow.png``:
    what it leaves of the wall's light, white for all of it.

    With ``lamps`` the lamps at hand are placed first: the card is of the set lit by them, with a page for them, and
    ``lamps.toml`` and ``lamps.png`` are left as well.
    """
    scene, sha256 = read_scene(scene_path), scene_sha256(scene_path)
    with results_in(results_folder(scene_path, out)) as folder:
        cache = LightCache(folder.path)
        placed = None
        if lamps:
            placed = lamp_answer(scene, engine, progress, cache)
            text = lamps_text(scene_path, folder.path, scene, placed)
            scene = placed.scene
        progress.say("building and lighting the set")
        ready = painted_before(prepare(scene, None, cache, progress.say), folder, sha256)
        found = None
        if not ready.wall.lighting.flat:
            with WorkerPool(1, engine) as pool:
                progress.note(pool.opened.message)
                found = light_found(ready, sight_of(ready.built), judge_of(pool), progress.say, cache)
        facts = rig_facts(scene, found.level, found.reflectance) if found else rig_facts(scene)
        advice = (*(found.advice if found else ()), *_helps(ready, engine, progress))
        cautions = scene_cautions(scene)
        knock = knock_lines(folder, sha256)
        card = card_of(facts, ready.built, scene_date(scene, scene_path), knock, advice, cautions, placed)
        progress.say("drawing the card")
        folder.write_bytes("rig.pdf", rig_pdf(card, paper))
        folder.write_text("rig.html", phone_page(card))
        files = ["rig.pdf", "rig.html", "rig.json"]
        if found and found.shadow is not None:
            write_png(folder, "shadow.png", found.shadow)
            files.append("shadow.png")
        shadow = None if found is None else _shadow_values(found.tell)
        values = {**_values(facts, sha256, knock, advice, cautions), "shadow": shadow}
        if placed is not None:
            folder.write_text("lamps.toml", text)
            write_png(folder, "lamps.png", lamp_picture(placed))
            files += ["lamps.toml", "lamps.png"]
            values["lamps"] = lamp_values(placed)
        values["files"] = files
        folder.write_text("rig.json", json_text(values, decimals=4, sort_keys=False))
    return RunResult(values, folder.path)


def _helps(ready: ReadySet, engine: str | None, progress: Progress) -> tuple[str, ...]:
    """What would keep the film's bridge hidden for longer, in sentences, where it does not hold as long as it is to."""
    if not continues_wall(ready.scene):
        return ()
    progress.say("following the film")
    with WorkerPool(1, engine) as pool:
        pool.load(ready)
        told = next(iter(pool.run([HelpsJob(TRIED_PX, scaled_height(ready.scene, TRIED_PX))])))
    return tuple(f"The bridge is found by its sliding; {words}." for words in told)


def judge_of(pool: WorkerPool) -> JudgeSet:
    """Judges frames of a set as ``score`` does at its usual width."""

    def judge(ready: ReadySet, frames: Sequence[int]) -> list[JudgedFrame]:
        pool.load(ready)
        size_px = JUDGED_WIDTH_PX, scaled_height(ready.scene, JUDGED_WIDTH_PX)
        return [found.judged for found in pool.run(FrameJob(frame, *size_px, pictures=False) for frame in frames)]

    return judge


def card_of(
    facts: RigFacts,
    built: BuiltSet,
    date: str,
    knock: Sequence[str],
    advice: Sequence[str],
    cautions: Sequence[str],
    placed: LampAnswer | None = None,
) -> RigCard:
    """The card of a scene whose set is built; lamps that were ``placed`` get a page."""
    return RigCard(
        title_block=title_block(facts.scene, date, "rig"),
        settings=settings(facts),
        day=(
            measure_table("camera at the station point", places(facts)),
            measure_table("rail", rail_rows(facts)),
            measure_table("focus by tape", focus_rows(facts)),
            marks_table(facts),
            stop_table(facts),
            floor_table(facts),
        ),
        order=order_table(facts, knock),
        drawing=drawn_set(facts.move, built.wall, facts.support),
        tables=tables(facts),
        notes=notes(facts, knock, advice, cautions, focus_notes(facts)),
        support=support_lines(facts),
        lamps=None if placed is None else lamp_page(placed, cautions),
    )


def _values(
    facts: RigFacts, sha256: str, knock: Sequence[str], advice: Sequence[str], cautions: Sequence[str]
) -> dict[str, Any]:
    plan, found = facts.plan, facts.exposure
    return {
        "title": facts.scene.title,
        "scene_sha256": sha256,
        "version": __version__,
        "settings": {s.name: f"{s.value} ({s.more})" if s.more else s.value for s in settings(facts)},
        "camera": [{"name": m.name, "set_to": m.metric, "also": m.imperial} for m in places(facts)],
        "rail": rail_values(facts),
        "focus_by_tape": [{"name": m.name, "set_to": m.metric, "also": m.imperial} for m in focus_rows(facts)],
        "order_of_work": [list(row[:3]) for row in order_table(facts, knock).rows],
        "marks": mark_rows(facts),
        "focus": {
            "near_mm": 1e3 * plan.move.near,
            "wall_mm": 1e3 * plan.move.far,
            "blur_near_mm": 1e3 * plan.now.near,
            "blur_wall_mm": 1e3 * plan.now.wall,
            "blur_limit_mm": 1e3 * plan.blur_limit,
            "best_focus_mm": 1e3 * plan.best_focus,
            "least_stop": plan.least_stop,
            "chosen_stop": plan.chosen.stop,
            "sharpest_stop": plan.sharpest_stop,
            "working_stop": plan.working_stop,
            "airy_mm": 1e3 * plan.airy,
            "advice": list(focus_lines(facts)),
        },
        "light": {
            "wall_lux": found.light.wall,
            "bridge_lux": found.light.bridge,
            "needed_lux": found.needed,
            "wall_stops": _finite(found.wall),
            "bridge_stops": _finite(found.bridge),
            "ways": [{"name": w.name, "what": w.what, "cost": w.cost, "stops": w.stops} for w in facts.ways],
            "lines": list(light_lines(facts)),
        },
        "motion": list(motion_lines(facts)),
        "flicker": [
            {"mains_hz": f.mains, "safe": f.safe, "half_periods": f.half_periods, "differs_stops": _finite(f.differs)}
            for f in facts.flicker
        ],
        "support": list(support_lines(facts)),
        "knock": list(knock),
        "advice": list(advice),
        "safety": list(safety_lines(facts, cautions)),
        "cautions": list(cautions),
    }


def _shadow_values(tell: ShadowTell) -> dict[str, Any]:
    """What the judge finds of the bridge's shadow: a row a judged frame, the verdict of the hold and of the rest."""
    return {
        "hold": None if tell.hold is None else tell.hold.verdict,
        "outside": None if tell.outside is None else tell.outside.verdict,
        "frames": [
            {
                "frame": each.frame,
                "trace_pct": each.trace_pct,
                "outline_pct": each.outline_pct,
                "verdict": each.verdict,
                "found": None if each.stretch is None else each.stretch.sentence,
            }
            for each in tell.frames
        ],
    }


def _finite(number: float) -> float | None:
    return number if np.isfinite(number) else None
