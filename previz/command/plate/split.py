"""The film of a scene as it is beside the scene that its plate asks for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from previz.command.plate.animatic import in_order, jobs_of, staged
from previz.command.plate.bothsides import Both
from previz.command.plate.plateinput import plate_rail
from previz.command.plate.reel import Reel
from previz.command.shoot.shoot import scaled_height
from previz.deliver.plate.animatic import side_by_side
from previz.errors import PlateError, PrevizError
from previz.geometry import Array
from previz.plate.cdl import Cdl
from previz.plate.misses import misses
from previz.plate.space import Space
from previz.run.film import write_film
from previz.run.lightcache import LightCache
from previz.run.output import OutputFolder
from previz.run.progress import Progress
from previz.run.workers import WorkerPool
from previz.scene.move import move_of
from previz.scene.shape import bridge_shape
from previz.stage.freewall import with_free_wall
from previz.stage.prepare import ReadySet, prepare
from previz.units import mm_text
from previz.workshop.surface import Pixels8


@dataclass(frozen=True)
class Split:
    files: tuple[str, ...]
    sentences: tuple[str, ...]


def split_film(
    both: Both,
    folder: OutputFolder,
    pool: WorkerPool,
    ready: ReadySet,
    grade: tuple[Cdl, Space],
    size_px: tuple[int, int],
    run: Mapping[str, str],
    progress: Progress,
) -> Split:
    """The film of the scene as it is beside the one scaled from the plate; a word where there can be none.

    ``run`` says in texts what its frames depend on.
    """
    half_px = (size_px[0] // 2, scaled_height(both.scene, size_px[0] // 2))
    scaled = both.matched.scene
    rail = plate_rail(both.scene, both.matched, both.move, both.course.rail)
    try:
        _refuse_unbuildable(both, rail[:, 1])
        progress.say("building and lighting the scaled set")
        # solved paint takes a minute of solving for a set that may never be built
        plain = scaled.edited(bridge__paint="projected") if scaled.wants_solving else scaled
        scaled_ready = with_free_wall(prepare(plain, None, LightCache(folder.path), progress.say))
        stages = [both.stage(both.move, both.course.rail, half_px), both.stage(move_of(plain), rail, half_px)]
    except PrevizError as error:
        return Split((), (f"no split: the scaled scene cannot be drawn ({error})",))
    halves = []
    for name, one, stage in (("left", ready, stages[0]), ("right", scaled_ready, stages[1])):
        reel = Reel(folder, name, both.course.frames, run)
        halves.append(reel.pictures(name))
        all_jobs = jobs_of(stage, both.course.out, *grade)
        jobs = reel.missing(all_jobs)
        progress.going_on(len(all_jobs) - len(jobs), len(all_jobs), f"places of the {name} half")
        pool.load(staged(one, stage))
        bars = stage.bars
        try:
            for frame in in_order(progress.over(pool.run(jobs), len(jobs), f"places of the {name} half drawn")):
                reel.keep(replace(frame, code=frame.code[bars.top : bars.bottom, bars.left : bars.right]))
        finally:
            reel.close()
    labels = ("as it is", "scaled from the plate")

    def pairs() -> Iterator[Pixels8]:
        for index, (left, right) in enumerate(zip(*halves, strict=True)):
            captions = (
                f"{both.course.frames[index]}  {mm_text(float(both.course.rail[index, 1]))}",
                mm_text(float(rail[index, 1])),
            )
            yield side_by_side(left, right, labels, captions)

    write_film(folder, "split.mp4", pairs(), both.scene.delivery.rate)
    said = ["left the scene as it is, right scaled from the plate, each in paint for its own station point"]
    if all(miss.matches for miss in misses(both.scene, both.told.numbers)):
        said.append("the scene matches the plate already: both halves show the same")
    if plain is not scaled:
        said.append("the right half is in projected paint: solved paint is solved for one set at a time")
    return Split(("split.mp4",), tuple(said))


def _refuse_unbuildable(both: Both, rail: Array) -> None:
    """Raise where the scaled scene's lens would stand in the wall or in the bridge."""
    frames = both.course.frames
    places = np.stack([both.matched.camera_at(float(at)).position for at in rail])
    behind = np.flatnonzero(places[:, 2] <= 0.0)
    if len(behind):
        raise PlateError(f"its lens would stand in or behind the wall at frame {frames[behind[0]]}; check [plate]")
    gaps = bridge_shape(both.matched.scene).distance(places)
    if float(gaps.min()) <= 0.0:
        raise PlateError(f"its lens would stand inside the bridge at frame {frames[int(gaps.argmin())]}; check [plate]")
