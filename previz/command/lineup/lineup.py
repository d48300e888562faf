"""The line-up: where the camera of a photograph stood, how to bring it back, and what the illusion is from there."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np

from previz.camera import Camera, camera_for
from previz.command.lineup.asbuilt import as_built_text
from previz.command.lineup.illusion import advice, break_words, drift_values
from previz.command.lineup.lineupjob import IllusionJob, IllusionNow, delivered_view
from previz.command.paint.solvedpaint import made_ready
from previz.command.shoot.shoot import scaled_height, scene_date
from previz.deliver.lineup.lineuppicture import LineupPicture, lineup_picture
from previz.draw.sideview import title_block
from previz.draw.style import break_text
from previz.errors import PlateError
from previz.geometry import Array
from previz.lineup.asbuilt import Offset, offset_of, pieces_of, places_of
from previz.lineup.correction import Step, correction, head_angles, plumb_words
from previz.lineup.locate import Located, located, located_by_points, read_points
from previz.lineup.markers import Board, board_of
from previz.lineup.solve import Points, Priors, distorted
from previz.run.frames import png_bytes
from previz.run.output import OutputFolder
from previz.run.progress import Progress
from previz.run.results import RunResult, results_folder, results_in
from previz.run.workers import WorkerPool
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.scene.reader import read_scene, scene_of_text, scene_sha256
from previz.scene.shape import bridge_shape
from previz.workshop.photographs.find import Photograph, read_photograph

# numbers of an edge drawn on the photograph

# m; width of the frame that a focal length "in 35 mm film" is meant for (Exif 2.32, FocalLengthIn35mmFilm; from memory)
_WIDE_35: Final = 0.036

_SIZE: Final = {"mm": 1e-3, "deg": math.radians(1.0), "%": 0.01}

@dataclass(frozen=True)
class LineupWishes:
    """What a line-up is asked for: the frame whose camera is wanted (station unless given), a photograph ``against``
    which the change is told, ``points`` measured by hand, whether the illusion is judged and in what width, whether
    the set as built is written."""

    frame: int | None = None
    against: Path | None = None
    points: Path | None = None
    judge: bool = True
    width_px: int = 960
    write: bool = False


def expected_camera(scene: Scene, wanted: Camera) -> Callable[[int, int], Camera]:
    """The wanted camera as a photograph of so many pixels, wide and high, would have it.

    A photograph spans the sensor's whole width (its height, where the picture stands on its side).
    """
    body = scene.camera
    lying = scene.delivery.frame[0] >= scene.delivery.frame[1]

    def camera(width_px: int, height_px: int) -> Camera:
        turned = (width_px >= height_px) != lying
        sensor = body.sensor[0] * (width_px / height_px if turned else 1.0)
        pan, tilt, roll = head_angles(wanted.world_from_cam).tolist()
        shift = (0.0, 0.0) if turned else body.shift
        return camera_for(wanted.position, pan, tilt, roll, body.lens, sensor, width_px, height_px, *shift)

    return camera


def lineup(
    scene_path: Path,
    photo: Path,
    wishes: LineupWishes,
    out: Path | None,
    workers: int | None,
    engine: str | None,
    progress: Progress,
) -> RunResult:
    """Find the camera of a photograph; say how to bring it back; write ``lineup.png`` and ``lineup.json``."""
    scene, sha256 = read_scene(scene_path), scene_sha256(scene_path)
    move = move_of(scene)
    frame = wishes.frame if wishes.frame is not None else move.station_frame
    if not move.frames[0] <= frame <= move.frames[-1]:
        raise PlateError(f"--frame {frame} lies outside the move, {move.frames[0]} to {move.frames[-1]}")
    points = None if wishes.points is None else read_points(wishes.points)
    found, reference = found_in(scene, move, frame, photo, points, wishes.against)
    wanted_here = reference.solved.camera if reference else _wanted(scene, move, frame, found)
    steps = steps_to(found, reference, wanted_here, along_at(move, frame))
    with results_in(results_folder(scene_path, out)) as folder:
        now = None
        if wishes.judge:
            cameras = found.solved.camera, wanted_here
            now = _judged(scene, sha256, cameras, frame, wishes, workers, engine, folder, progress)
        built = _as_built(points, found)
        values = _values(scene, sha256, frame, photo, found, steps, now, built, reference)
        values["plumb"] = plumb_words(found.solved.camera, wanted_here, along_at(move, frame))
        if wishes.write:
            name = f"{scene_path.stem}-as-built.toml"
            places: dict[str, Array] = {}
            if built and points is not None:
                places = places_of(points, found.solved, scene.knock.hung, scene.knock.hung_turn)
            text, left = as_built_text(scene_path, scene, move, frame, found, places, board_of(scene), folder.path)
            scene_of_text(text, folder.path / name)
            folder.write_text(name, text)
            values |= {"as_built_scene": name, "as_built_left_out": left}
        date = scene_date(scene, scene_path)
        folder.write_bytes("lineup.png", png_bytes(_drawn(scene, date, found, wanted_here, steps, values)))
        folder.write_json("lineup.json", values, decimals=6, sort_keys=False)
        return RunResult(values, folder.path)


def found_in(
    scene: Scene, move: Move, frame: int, photo: Path, points: Points | None, against: Path | None
) -> tuple[Located, Located | None]:
    """The camera of a photograph, and that of the one it is compared with."""
    board, priors = board_of(scene), Priors(scene.markers.placed, scene.markers.distortion)
    if against is None:
        return located_in(scene, move, frame, photo, board, points, priors), None
    reference, board = reference_of(scene, move, frame, against)
    return located_in(scene, move, frame, photo, board, None, replace(priors, placed=0.0)), reference


def reference_of(scene: Scene, move: Move, frame: int, photo: Path) -> tuple[Located, Board]:
    """A photograph to compare others with, and the board as it shows it: the sheets' own errors then cancel."""
    board, priors = board_of(scene), Priors(scene.markers.placed, scene.markers.distortion)
    seen = settled(board, located_in(scene, move, frame, photo, board, None, priors))
    return located_in(scene, move, frame, photo, seen, None, replace(priors, placed=0.0)), seen


def compared(scene: Scene, move: Move, frame: int, photo: Path, board: Board) -> Located:
    """The camera of a photograph by a board as a reference shows it."""
    return located_in(scene, move, frame, photo, board, None, Priors(0.0, scene.markers.distortion))


def settled(board: Board, reference: Located) -> Board:
    """A board with its sheets where a photograph shows them."""
    frames = reference.solved.sheet_frames
    sheets = [replace(sheet, world_from_sheet=at) for sheet, at in zip(board.sheets, frames, strict=True)]
    return replace(board, sheets=tuple(sheets))


def located_in(
    scene: Scene, move: Move, frame: int, photo: Path, board: Board, points: Points | None, priors: Priors
) -> Located:
    """The camera of a photograph that should have been taken at a frame; by named points where it shows no markers."""
    photograph = with_first_guess(scene, read_photograph(photo))
    expected = expected_camera(scene, move.camera(frame))
    roll = scene.camera.roll
    if points is None:
        return located(photograph, board, expected, priors, roll)
    return _by_hand(scene, photograph, board, points, expected, priors)


def with_first_guess(scene: Scene, photograph: Photograph) -> Photograph:
    """A photograph whose camera wrote its plain focal length only: what that is on the scene's sensor.

    It is one of the lengths from which the fit is begun, and does not draw the answer towards it.
    """
    if photograph.focal_35 is not None or photograph.focal is None:
        return photograph
    return replace(photograph, focal_35=photograph.focal * _WIDE_35 / max(scene.camera.sensor))


def _by_hand(
    scene: Scene,
    photograph: Photograph,
    board: Board,
    points: Points,
    expected: Callable[[int, int], Camera],
    priors: Priors,
) -> Located:
    """By markers where there are any, else by the points; points of bridge and wall are then measured against it."""
    try:
        return located(photograph, board, expected, priors, scene.camera.roll)
    except PlateError:
        return located_by_points(photograph, points, expected, priors)


def _wanted(scene: Scene, move: Move, frame: int, found: Located) -> Camera:
    return expected_camera(scene, move.camera(frame))(*found.photograph.size_px)


def steps_to(found: Located, reference: Located | None, wanted: Camera, along: Array) -> tuple[Step, ...]:
    """What to do to come from a found camera to ``wanted``, or back to that of another photograph.

    Two found cameras have the doubts of both.
    """
    doubt = found.solved
    if reference is not None:
        other = reference.solved
        doubt = replace(
            doubt,
            covariance=doubt.covariance + other.covariance,
            freedom=min(doubt.freedom, other.freedom),
        )
    return correction(doubt, wanted, along)


def along_at(move: Move, frame: int) -> Array:
    """Direction of travel (3,) at a frame."""
    distance = move.rail_at(frame) - move.station_rail
    ends = move.track.position(np.array([distance - 1e-4, distance + 1e-4]))
    return np.asarray((ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0]))


def _judged(
    scene: Scene,
    sha256: str,
    cameras: tuple[Camera, Camera],
    frame: int,
    wishes: LineupWishes,
    workers: int | None,
    engine: str | None,
    folder: OutputFolder,
    progress: Progress,
) -> IllusionNow:
    """What ``score`` would say of the frame from the real camera and from the wanted one, in the set's own paint."""
    width_px = wishes.width_px
    own = move_of(scene).camera(frame, width_px, scaled_height(scene, width_px))
    real, wanted = (delivered_view(camera, own) for camera in cameras)
    ready = made_ready(scene, folder, sha256, engine, progress)
    progress.say("judging the illusion from where the camera is")
    with WorkerPool(workers, engine, jobs=1) as pool:
        pool.load(ready)
        progress.note(pool.opened.message)
        (now,) = pool.run([IllusionJob(frame, real, wanted)])
        return now


def _as_built(points: Points | None, found: Located) -> tuple[Offset, ...]:
    if points is None or not found.points.names[0].startswith("marker"):
        return ()
    return tuple(
        offset_of(piece, own, found.solved) for piece, own in pieces_of(points).items() if len(own) >= 2
    )


def _values(
    scene: Scene,
    sha256: str,
    frame: int,
    photo: Path,
    found: Located,
    steps: Sequence[Step],
    now: IllusionNow | None,
    built: Sequence[Offset],
    reference: Located | None,
) -> dict[str, Any]:
    solved = found.solved
    camera = solved.camera
    w, h = found.photograph.size_px
    lens = camera.focal_px * scene.camera.sensor[0] / w
    spread = solved.spread
    angles = np.degrees(head_angles(camera.world_from_cam))
    values: dict[str, Any] = {
        "title": scene.title,
        "scene_sha256": sha256,
        "photograph": photo.name,
        "size_px": [w, h],
        "frame": frame,
        "compared_with": "the scene" if reference is None else reference.photograph.name,
        "position_mm": [float(v) * 1e3 for v in camera.position],
        "position_sd_mm": [float(v) * 1e3 for v in spread[:3]],
        "pan_tilt_roll_deg": [float(v) for v in angles],
        "turns_sd_deg": [math.degrees(v) for v in spread[3:6]],
        "lens_mm": lens * 1e3,
        "lens_sd_mm": lens * 1e3 * float(spread[6]),
        "k1": solved.k1,
        "points_used": int(solved.used.sum()),
        "rms_px": solved.rms_px,
        "missing_markers": list(found.missing),
        "left_out": list(found.left_out),
        "steps": [
            {
                "what": step.name,
                "unit": step.unit,
                "change": step.change / _SIZE[step.unit],
                "give_95": step.give / _SIZE[step.unit],
                "sure": step.sure,
                "words": step.words,
            }
            for step in steps
        ],
        "notes": list(found.notes),
    }
    if now is not None:
        values |= {
            "break_now_pct": now.real.break_pct,
            "break_wanted_pct": now.wanted.break_pct,
            "tells_now": list(now.real.tells),
            "slip_now_px": now.real.slip_px,
            **drift_values(now.drifted),
            "repaint": advice(scene, now),
        }
    if built:
        values["as_built"] = [_built_row(offset) for offset in built]
    return values


def _built_row(offset: Offset) -> dict[str, Any]:
    return {
        "piece": offset.piece,
        "shift_mm": [float(v) * 1e3 for v in offset.shift],
        "shift_sd_mm": [float(v) * 1e3 for v in offset.spread[:3]],
        "turn_deg": [math.degrees(v) for v in offset.turn],
        "turn_sd_deg": [math.degrees(v) for v in offset.spread[3:]],
        "rms_px": offset.rms_px,
        "points": offset.count,
    }


def _drawn(
    scene: Scene, date: str, found: Located, wanted: Camera, steps: Sequence[Step], values: dict[str, Any]
) -> Any:
    solved = found.solved
    lines = _outlines(scene, np.asarray(wanted.position))
    good = solved.used
    unsure = [step for step in steps if not step.sure]
    if len(unsure) == len(steps):
        headline = "The camera stands where it should, as far as this photograph can tell"
    else:
        headline = "Bring the camera back:"
    facts = [
        f"camera at {', '.join(f'{v:.1f}' for v in values['position_mm'])} mm (right, up, out)",
        f"lens {values['lens_mm']:.2f} mm +-{1.96 * values['lens_sd_mm']:.2f} mm (95 %)",
        f"{values['points_used']} points, {values['rms_px']:.2f} px rms",
        f"compared with {values['compared_with']}",
    ]
    if "break_now_pct" in values:
        facts.insert(0, f"break {break_words(values, break_text)}")
    return lineup_picture(
        LineupPicture(
            photograph=found.photograph.code,
            wanted=[distorted(wanted, wanted.project(line), solved.k1) for line in lines],
            now=[solved.project(line) for line in lines],
            points=found.points.px[good],
            doubted=found.points.px[~good],
            headline=headline,
            steps=[*(step.words for step in steps), *([values["plumb"]] if values["plumb"] else [])],
            facts=facts,
            title=title_block(scene, date, "line-up"),
        )
    )


def _outlines(scene: Scene, eye: Array) -> list[Array]:
    """Edges (N, 3) m of the bridge, as they are seen from about ``eye``, and of the doorway."""
    out = bridge_shape(scene).drawn_lines(eye)
    if scene.wall.opening is not None:
        left, low, right, high = scene.wall.opening
        corners = np.array([(left, low, 0.0), (left, high, 0.0), (right, high, 0.0), (right, low, 0.0)])
        out.append(np.concatenate([np.linspace(a, b, 8) for a, b in pairwise(corners)]))
    return out
