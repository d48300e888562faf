"""The command that brings plate and miniature together: scale, retime, feet, shadow, colour, framing, an animatic."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from previz import __version__, colour
from previz.command.paint.solvedpaint import made_ready
from previz.command.plate.animatic import FallsOn, SetJob, ShadowJob, in_order, jobs_of, staged
from previz.command.plate.bothsides import Both
from previz.command.plate.plateinput import still_of
from previz.command.plate.reel import Reel, forget_frames
from previz.command.plate.split import split_film
from previz.command.plate.words import (
    PLATE_HEADER,
    effect_values,
    feet_lines,
    files_are,
    match_lines,
    match_values,
    miss_row,
    missed_lines,
)
from previz.command.shoot.shoot import run_of, scaled_height
from previz.deliver.export.cameratrack import Body, samples, write_track
from previz.deliver.plate.feettable import write_feet
from previz.deliver.plate.handover import write_handover
from previz.deliver.plate.retimes import write_retime
from previz.errors import PlateError, PrevizError
from previz.geometry import Array
from previz.plate.cdl import NO_CHANGE
from previz.plate.cutout import standing_of
from previz.plate.feet import FootTrack
from previz.plate.figure import rgba_of
from previz.plate.framing import bars_of, fastest_drift, room_in, spare_lines
from previz.plate.match import ColourMatch, PixelBox, colour_match
from previz.plate.misses import misses, rail_fit, together
from previz.plate.scaling import remarks, view_crop, wanted_text
from previz.plate.shadow import key_lamp, key_share
from previz.plate.space import SPACE_NAMES, Space
from previz.run.film import write_film
from previz.run.ledger import file_sha256
from previz.run.output import OutputFolder, json_text
from previz.run.progress import Progress
from previz.run.results import RunResult, results_folder, results_in, strangers
from previz.run.table import csv_text
from previz.run.workers import Opened, WorkerPool
from previz.scene.model import Scene
from previz.scene.reader import read_scene, scene_sha256
from previz.stage.cautions import once, scene_cautions
from previz.stage.prepare import BRIDGE, WALL, ReadySet
from previz.workshop.surface import Picture

# a rail reaches a little further than the move that is ridden on it, m
_RAIL_END = 0.001


# what a run leaves only where it is asked for, or where the scene gives what it takes
_SOMETIMES = ("retime.csv", "retime.otio", "match.cc", "match.ccc", "match.txt", "split.mp4", "wipe.mp4")


@dataclass(frozen=True)
class PlateWishes:
    """What is asked for besides the animatic: words in its lower bar, a film of both scenes, a film with a wipe."""

    burn_in: bool = False
    split: bool = False
    wipe: bool = False


def plate(
    scene_path: Path,
    out: Path | None,
    width_px: int,
    wishes: PlateWishes,
    workers: int | None,
    engine: str | None,
    progress: Progress,
) -> RunResult:
    """Bring plate and miniature together and draw the animatic, ``width_px`` wide; a stopped run is continued."""
    scene, sha256 = read_scene(scene_path), scene_sha256(scene_path)
    both = Both.of(scene)
    still = _stills(scene)
    # what cannot be done is said before anything is built
    both.above()
    size_px = (width_px, scaled_height(scene, width_px))
    with (
        results_in(results_folder(scene_path, out)) as folder,
        WorkerPool(workers, engine, both.course.out) as pool,
    ):
        values: dict[str, Any] = {"title": scene.title, "scene_sha256": sha256, "version": __version__}
        progress.say("working out scale, retime and feet")
        files, said = _written_tables(folder, both)
        ready = made_ready(scene, folder, sha256, engine, progress)
        stage = both.stage(both.move, both.course.rail, size_px, mattes=True, burn_in=wishes.burn_in)
        pool.load(staged(ready, stage))
        progress.note(pool.opened.message)
        matches = _matches(both, still, pool)
        (fallen,) = pool.run([ShadowJob(both.station)]) if stage.throw is not None else (FallsOn({}),)
        cdl, space = NO_CHANGE, matches.space
        if matches.shown is not None:
            cdl = matches.shown.cdl
        files += _written_match(folder, scene, matches)
        run = _run_of(scene, sha256, pool.opened, size_px, wishes)
        reel = Reel(folder, "animatic", both.course.frames, run)
        all_jobs = jobs_of(stage, both.course.out, cdl, space, wishes.wipe, fallen.most)
        jobs = reel.missing(all_jobs)
        progress.going_on(len(all_jobs) - len(jobs), len(all_jobs), "places of the move")
        made = progress.over(pool.run(jobs), len(jobs), "places of the move drawn")
        try:
            write_film(folder, "animatic.mp4", reel.film(in_order(made)), scene.delivery.rate)
            if wishes.wipe:
                progress.say("writing the wipe")
                write_film(folder, "wipe.mp4", reel.pictures("wipe"), scene.delivery.rate)
            split = None
            if wishes.split:
                split = split_film(both, folder, pool, ready, (cdl, space), size_px, run, progress)
        except PrevizError:
            # going on would come to the same end
            reel.close()
            forget_frames(folder)
            raise
        finally:
            reel.close()
        films = ["animatic.mp4", *(["wipe.mp4"] if wishes.wipe else []), *(split.files if split else [])]
        values |= {
            "engine": pool.opened.engine,
            "driver": pool.opened.driver,
            "size_px": list(size_px),
            **said,
            **_facts(both, matches, fallen),
            "split": {"sentences": list(split.sentences) if split else []},
            "cautions": _cautions(both, ready, matches),
            "files": (left := [*films, *files, *(["shadow/"] if stage.throw is not None else []), "plate.json"]),
            "files_are": files_are(left),
        }
        folder.write_text("plate.json", json_text(values, decimals=4, sort_keys=False))
        forget_frames(folder)
        series = {"shadow": ".png", "track": ".json"}
        progress.note(strangers(folder, both.course.frames, values["files"], series, _SOMETIMES))
    return RunResult(values, folder.path)


def _run_of(
    scene: Scene, sha256: str, opened: Opened, size_px: tuple[int, int], wishes: PlateWishes
) -> dict[str, str]:
    """All that the frames depend on, in texts (see :func:`previz.command.shoot.shoot.run_of`)."""
    plate = scene.plate
    assert plate is not None
    named = {"still": plate.still, "miniature": plate.miniature, "wanted": plate.wanted, "take": plate.take,
             "marks": None if plate.marks is None else plate.marks.picture, "figure": plate.figure}  # fmt: skip
    run = run_of(scene, sha256, opened, size_px) | {"wishes": f"{wishes.burn_in} {wishes.wipe}"}
    for key, name in named.items():
        path = None if name is None else scene.path(name)
        files = [] if path is None else sorted(path.iterdir()) if path.is_dir() else [path]
        run[f"plate.{key}"] = " ".join(file_sha256(file) for file in files)
    return run


def _stills(scene: Scene) -> dict[str, Picture]:
    """The pictures of the colour match that the scene names, linear light."""
    assert scene.plate is not None
    if scene.plate.patches and scene.plate.still is None:
        raise PlateError("plate.patches: patches lie in plate.still, and the scene names none; add still to [plate]")
    named = {"plate": scene.plate.still, "miniature": scene.plate.miniature}
    return {whose: still_of(scene.path(file), f"plate.{'still' if whose == 'plate' else whose}")
            for whose, file in named.items() if file is not None}  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Matches:
    """The match as written to files, in its own space and in each; and as shown on the drawn frames.

    None, and nothing, without a still of the plate.
    """

    written: ColourMatch | None
    shown: ColourMatch | None
    space: Space
    of_photograph: bool
    by_space: dict[Space, ColourMatch]


def _matches(both: Both, still: dict[str, Picture], pool: WorkerPool) -> _Matches:
    assert both.scene.plate is not None
    space = both.scene.plate.match
    if "plate" not in still:
        return _Matches(None, None, space, "miniature" in still, {})
    (code,) = pool.run([SetJob(both.station)])
    drawn, photograph = colour.decoded8(code), still.get("miniature")
    if photograph is None:
        scale = drawn.shape[1] / both.scene.delivery.frame[0]
        miniature, patches = drawn, _patches(both.scene, scale)
    else:
        miniature, patches = photograph, _patches(both.scene, 1.0)
    written = colour_match(miniature, still["plate"], space, patches=patches)
    shown = written if photograph is None else colour_match(drawn, still["plate"], space)
    # whether it is asked for is said once: the other space's doubt is the same pictures'
    by_space = {
        each: written if each == space else colour_match(
            miniature, still["plate"], each, patches=patches, doubted=False
        )
        for each in SPACE_NAMES
    }  # fmt: skip
    return _Matches(written, shown, space, photograph is not None, by_space)


def _patches(scene: Scene, scale: float) -> list[tuple[PixelBox, PixelBox]]:
    """Boxes (miniature's, plate's); the miniature's for a picture ``scale`` times as large as they were measured in."""
    assert scene.plate is not None

    def box(given: tuple[float, float, float, float], factor: float) -> PixelBox:
        left, top, right, bottom = (round(value * factor) for value in given)
        return left, top, right, bottom

    return [(box(pair.miniature, scale), box(pair.plate, 1.0)) for pair in scene.plate.patches]


def _written_match(folder: OutputFolder, scene: Scene, matches: _Matches) -> list[str]:
    if matches.written is None:
        return []
    return write_handover(folder, scene.title, matches.written, matches.by_space)


def _written_tables(folder: OutputFolder, both: Both) -> tuple[list[str], dict[str, Any]]:
    """Everything that needs no picture; the files' names, and what is said of retime and feet."""
    scene, course = both.scene, both.course
    track = both.track(both.move, course.rail[:, 1])
    write_feet(folder, track, both.above())
    cameras = both.cameras(both.move, course.rail[:, 1])
    body, exposure = scene.camera, scene.camera.shutter
    shot = scene.delivery.rate if body.rate is None else body.rate
    angle = 2.0 * np.pi * (0.5 if exposure is None else float(exposure * shot))
    held = Body(body.sensor[0], body.lens, body.stop, scene.delivery.rate, body.focus, body.iso, angle)
    write_track(folder, samples(scene.title, course.frames, cameras, held), course.frames)
    files, sentences = ["feet.csv", "track/"], list(course.sentences)
    if course.retime is not None:
        places, told = write_retime(folder, course.retime, scene.title)
        files += [place.name for place in places]
        sentences += told
    all_misses = misses(scene, both.told.numbers)
    folder.write_text("plate.csv", csv_text(PLATE_HEADER, [miss_row(miss) for miss in all_misses], decimals=4))
    whole = together(scene, both.told.numbers)
    said = {
        "frames": len(course.frames),
        "retime": {"written": course.retime is not None, "sentences": sentences},
        "feet": {
            "worst_frame": track.worst[0],
            "worst_slide_px": track.worst[1],
            "corners_worst_frame": track.corners_worst[0],
            "corners_worst_slide_px": track.corners_worst[1],
            "stands": track.stands(),
            "sentences": [*feet_lines(track), *_misplaced(both, track)],
        },
        "misses": [dict(zip(PLATE_HEADER, miss_row(miss), strict=True)) | {"matches": miss.matches}
                   for miss in all_misses],
        "together": effect_values(whole),
        "missed": missed_lines(all_misses, whole),
    }  # fmt: skip
    return [*files, "plate.csv"], said


def _misplaced(both: Both, track: FootTrack) -> list[str]:
    """A word where a whole plate picture has the feet elsewhere than the plate's numbers say."""
    figure = both.figure
    if figure is None or figure.layer is not None:
        return []
    pixels = rgba_of(figure.files[figure.shown[0]])
    if not (pixels[..., 3] >= 128).any():
        return []
    stands = standing_of(pixels)
    away = float(np.hypot(*(np.array(stands.foot) - track.layer_foot_px[0])))
    if away <= 0.03 * (stands.foot[1] - stands.top):
        return []
    return [
        f"in the figure's first frame the feet are {away:.0f} px from where the plate's numbers put them, so they are "
        "laid wrong by as much; check plate.camera, or mark feet and head under plate.marks"
    ]


def _facts(both: Both, matches: _Matches, fallen: FallsOn) -> dict[str, Any]:
    scene, numbers, course = both.scene, both.told.numbers, both.course
    assert scene.plate is not None
    wanted = abs(both.matched.scene.rail.travel)
    longest = abs(scene.rail.travel) if scene.search is None else scene.search.longest_rail
    if scene.search is None and wanted <= longest + _RAIL_END:
        # nobody said how long the rail is, only how long the move
        longest = wanted
    fit = rail_fit(scene, numbers, longest) if longest > 0.0 else None
    bars = bars_of(*scene.delivery.frame, scene.delivery.bars)
    room, spare = room_in(bars), spare_lines(scene.camera.sensor, *scene.delivery.frame)
    framing = [room.text]
    if spare.up_px >= 1.0:
        framing.append(f"the sensor's whole height gives {spare.up_px:.0f} px more above and below, if it is recorded")
    if scene.plate.drift_px != 0.0:
        framing.append(
            f"the picture drifts {scene.plate.drift_px:+g} px, {fastest_drift(both.above()):.2f} px a frame at most"
        )
    key = key_lamp(scene.lamps, scene.light, both.on_bridge.foot)
    share = None if key is None else key_share(key, scene.lamps, scene.light, both.on_bridge.foot)
    return {
        "plate": {
            "numbers": numbers,
            "solved": both.told.solved,
            "sentences": [*both.told.sentences, *remarks(scene, numbers)],
        },
        "asked": dict(wanted_text(scene, numbers))
        | {"crop": view_crop(numbers, scene.camera.lens, scene.camera.sensor[0]).text},
        "rail": {
            "wanted_mm": wanted * 1e3,
            "longest_mm": longest * 1e3,
            "fits": fit is None or fit.fits,
            "sentences": [] if fit is None else [fit.text],
        },
        "figure": {"sentences": ["none: the scene names none (plate.figure)"] if both.figure is None
                   else [*both.figure.sentences, *(both.walking.sentences if both.walking is not None else ())]},
        "shadow": {
            "lamp": None if key is None else key.name,
            "share": share,
            "matte_255_takes": None if share is None else np.minimum(share * fallen.most, 1.0),
            "falls_on_px": fallen.px,
            "sentences": _shadow_lines(both, None if key is None else key.name, share, fallen),
        },
        "match": {
            **(match_values(matches.written, matches.by_space) if matches.written is not None else {}),
            "sentences": _colour_lines(matches),
        },
        "framing": {"up_px": room.up_px, "down_px": room.down_px, "bars": bars, "sentences": framing},
        "way_back": len(course.frames) > course.out,
    }  # fmt: skip


def _shadow_lines(both: Both, lamp: str | None, share: Array | None, fallen: FallsOn) -> list[str]:
    if both.figure is None:
        return ["none without a figure"]
    if lamp is None or share is None:
        return ["none: no lamp reaches the bridge's top at the foot mark"]
    lines = [
        f'thrown by "{lamp}", which gives {float(share.mean()):.0%} of the light at the foot mark; mattes are 8-bit '
        f"grey of linear shares at the delivered size, before bars and drift: 255 takes "
        f"{min(float(share.mean()) * fallen.most, 1.0):.0%} of the light"
    ]
    words = {"top": "the bridge's top", BRIDGE: "its sides and risers", WALL: "the wall and its doorway"}
    whole, frame = sum(fallen.px.values()), both.course.frames[both.station]
    if whole < 1.0:
        return [*lines, f"at frame {frame} none of it is in view"]
    parts = [f"{words.get(name, name)} {px / whole:.0%}" for name, px in fallen.px.items() if px / whole >= 0.005]
    return [*lines, f"at frame {frame} it falls on {', '.join(parts)} (of {whole:.0f} px of matte); drawn on all of "
                    "them; the set has no floor, so what falls below it is not"]  # fmt: skip


def _colour_lines(matches: _Matches) -> list[str]:
    if matches.written is None or matches.shown is None:
        alone = "; plate.miniature alone has nothing to be matched to" if matches.of_photograph else ""
        return [f"no match: plate.still names no still of the plate{alone}"]
    lines = match_lines(matches.written, matches.by_space)
    if matches.of_photograph:
        lines.append(f"match.cc is for the photograph; the drawn frames have a match of their own: "
                     f"{matches.shown.reason}")  # fmt: skip
    return lines


def _cautions(both: Both, ready: ReadySet, matches: _Matches) -> list[str]:
    told = () if matches.written is None else tuple(f"colour: {text}" for text in matches.written.cautions)
    return once([*scene_cautions(both.scene), *ready.built.cautions, *told])
