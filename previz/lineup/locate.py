"""From the markers of a photograph, or from named points, to the camera."""

from __future__ import annotations

import csv
import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from previz.camera import Camera
from previz.errors import PlateError, quoted
from previz.geometry import Array
from previz.lineup.correction import head_angles
from previz.lineup.markers import Board
from previz.lineup.solve import CameraFit, Points, Priors, distorted, outward_of, solved_camera
from previz.scene.limits import POINTS, TABLE_BYTES
from previz.workshop.photographs.family import MODULES
from previz.workshop.photographs.find import MarkersFound, Photograph, found_markers, looked_for, seen_mirrored

# markers that must be found and agree
_LEAST: Final = 3

# a fit worse than this, px of a 3000 px wide picture, is not a set that stands as it is written
_WORST_RMS_PX: Final = 6.0

_COLUMNS: Final = ("name", "x", "y", "z", "px", "py")


@dataclass(frozen=True, eq=False)
class Located:
    """Where a photograph was taken from. ``points`` were given to ``solved``; ``missing`` are numbers not found,
    ``left_out`` names of what disagreed; ``photograph`` is the right way up; ``notes`` say what is worth knowing."""

    photograph: Photograph
    points: Points
    solved: CameraFit
    missing: tuple[int, ...]
    left_out: tuple[str, ...]
    notes: tuple[str, ...]


def measured(found: MarkersFound, board: Board) -> Points:
    """Corners of the markers that belong to a board."""
    kept = [k for k, number in enumerate(found.numbers) if number in board.numbers]
    where = [board.corner(found.numbers[k]) for k in kept]
    corners = found.corners[kept]
    names = ("top left", "top right", "bottom right", "bottom left")
    return Points(
        world=np.array([corner for _, corner in where]).reshape(-1, 3),
        px=corners.reshape(-1, 2),
        sheet=np.repeat(np.array([sheet for sheet, _ in where], dtype=np.int64), 4),
        outward=outward_of(corners).reshape(-1, 2) if kept else np.zeros((0, 2)),
        group=np.repeat(np.array([found.numbers[k] for k in kept], dtype=np.int64), 4),
        names=tuple(f"marker {found.numbers[k]}, {name}" for k in kept for name in names),
    )


def bent(points: Points, camera: Camera, k1: float) -> Array:
    """How far (N, 2) px straight lines laid through a marker's bent edges cross beside its corners.

    Distortion bends edges; the finder lays straight lines through them. The camera's own picture of the edges tells
    what that does.
    """
    corners = points.world.reshape(-1, 4, 3)
    part = np.linspace(0.8 / MODULES, 1.0 - 0.8 / MODULES, 9)
    ends = np.roll(corners, -1, axis=1)
    along = corners[:, :, None] + part[:, None] * (ends - corners)[:, :, None]
    px = distorted(camera, camera.project(along), k1)
    middle = px.mean(axis=2)
    off = px - middle[:, :, None]
    # direction of the best line: the larger axis of the scatter
    _, axes = np.linalg.eigh(np.einsum("tepi,tepj->teij", off, off))
    way = axes[..., 1]
    before_middle, before_way = np.roll(middle, 1, axis=1), np.roll(way, 1, axis=1)
    sides = np.stack([before_way, -way], axis=-1)
    reach = np.linalg.solve(sides, (middle - before_middle)[..., None])[..., 0, 0]
    crossed = before_middle + before_way * reach[..., None]
    straight = distorted(camera, camera.project(corners), k1)
    return np.asarray((crossed - straight).reshape(-1, 2))


def located(
    photograph: Photograph, board: Board, expected: Callable[[int, int], Camera], priors: Priors, usual_roll: float
) -> Located:
    """The camera of a photograph with a board's markers in it.

    ``expected`` gives the camera that should be there with a frame of so many pixels, wide and high; ``usual_roll``
    (rad) is its roll. Raises :class:`PlateError` with the reason where the photograph cannot be used.
    """
    found = found_markers(photograph)
    points = measured(found, board)
    _refuse_strangers(photograph, found, board)
    frames = [sheet.world_from_sheet for sheet in board.sheets]
    solved = _solved(points, _guesses(photograph, expected), priors, frames)
    more = _hidden_ones(photograph, found, board, solved)
    if more.numbers:
        corners = np.concatenate([found.corners, more.corners])
        found = MarkersFound((*found.numbers, *more.numbers), corners, found.doubtful)
        points = measured(found, board)
        solved = _solved(points, _guesses(photograph, expected), priors, frames)
    # to the nearest quarter
    turn = round((head_angles(solved.camera.world_from_cam)[2] - usual_roll) / (0.5 * math.pi)) % 4
    if turn and not any("stood turned" in note for note in photograph.notes):
        return located(photograph.quarter_turned(-turn), board, expected, priors, usual_roll)
    limit = _WORST_RMS_PX * max(photograph.size_px) / 3000.0
    if solved.rms_px > limit:
        raise PlateError(
            f"{photograph.name}: the markers do not stand to one another as the scene says (off by "
            f"{solved.rms_px:.1f} px); measure the sheets' places again, or is this another set's photograph?"
        )
    good = np.unique(points.group[solved.used])
    if len(good) < _LEAST:
        raise PlateError(f"{photograph.name}: only {len(good)} markers agree with one another; at least {_LEAST} must")
    left_out = [f"marker {number}" for number in np.unique(points.group) if number not in good]
    missing = tuple(n for n in board.numbers if n not in found.numbers)
    notes = [*photograph.notes, *_sheet_notes(board, solved, priors)]
    if len(np.unique(points.sheet[solved.used])) == 1:
        notes.append("only one sheet is seen: distance and zoom are told apart poorly; show a second one nearer")
    return Located(photograph, points, solved, missing, tuple(left_out), tuple(notes))


def _hidden_ones(photograph: Photograph, found: MarkersFound, board: Board, solved: CameraFit) -> MarkersFound:
    """Markers of the board that were not read, looked for where a first camera sees them."""
    missing = [n for n in board.numbers if n not in found.numbers]
    places = np.array([solved.project(board.corner(n)[1]) for n in missing]).reshape(-1, 4, 2)
    return looked_for(photograph, missing, places)


def _guesses(photograph: Photograph, expected: Callable[[int, int], Camera]) -> list[Camera]:
    """The camera as it should be, as the photograph's own notes have it, and much shorter and longer lenses."""
    camera = expected(*photograph.size_px)
    lengths = [camera.focal_px]
    if photograph.focal_35 is not None:
        lengths.append(photograph.focal_35 / 0.036 * max(photograph.size_px))
    lengths += [0.6 * camera.focal_px, 1.6 * camera.focal_px]
    return [replace(camera, focal_px=length) for length in lengths]


def _solved(points: Points, guesses: Sequence[Camera], priors: Priors, frames: Sequence[Array]) -> CameraFit:
    solved = solved_camera(points, guesses, priors, frames)
    for _ in range(2):
        px = points.px - bent(points, solved.camera, solved.k1)
        solved = solved_camera(replace(points, px=px), [solved.camera], priors, frames)
    return solved


def _refuse_strangers(photograph: Photograph, found: MarkersFound, board: Board) -> None:
    own = [n for n in found.numbers if n in board.numbers]
    if len(own) >= _LEAST:
        return
    name = photograph.name
    wanted = f"{min(board.numbers)} to {max(board.numbers)}"
    strangers = [n for n in found.numbers if n not in board.numbers]
    if strangers and not own:
        raise PlateError(
            f"{name}: its markers (numbers {min(strangers)} to {max(strangers)}) belong to another set; this scene's "
            f"are {wanted}: print its own sheets with previz markers, or write markers.first"
        )
    mirrored = seen_mirrored(photograph)
    if mirrored >= _LEAST and not own:
        raise PlateError(f"{name}: the photograph is mirrored ({mirrored} markers read only back to front); flip it")
    hidden = f", {len(found.doubtful)} more half hidden or unsharp" if found.doubtful else ""
    raise PlateError(
        f"{name}: {len(own)} of this scene's markers ({wanted}) are found{hidden}; at least {_LEAST} must be whole, "
        "sharp and lit; without markers give named points with --points"
    )


def _sheet_notes(board: Board, solved: CameraFit, priors: Priors) -> list[str]:
    if priors.placed <= 0.0:
        return []
    out = []
    for sheet, off in zip(board.sheets, solved.sheet_off, strict=True):
        size = float(np.linalg.norm(off))
        if size > 3.0 * priors.placed:
            out.append(f"the sheet {sheet.name} seems to stand {size * 1e3:.1f} mm off its written place: measure it")
    return out


def read_points(path: Path) -> Points:
    """Named points of a photograph: a CSV file with the columns name, x, y, z (mm in the set) and px, py (pixels).

    Raises :class:`PlateError` with file and line.
    """
    try:
        if path.stat().st_size > TABLE_BYTES:
            raise PlateError(f"{path}: it is larger than {TABLE_BYTES // 1_000_000} MB; expected a table of points")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise PlateError(f"{path}: it cannot be read as a table of points: {error}") from error
    rows = csv.DictReader(text.splitlines())
    try:
        return _points_in(rows, path)
    except csv.Error as error:
        raise PlateError(f"{path}:{rows.line_num}: not a table of values ({error})") from error


def _points_in(rows: csv.DictReader[str], path: Path) -> Points:
    heads = [str(head).strip() for head in rows.fieldnames or ()]
    if not set(_COLUMNS) <= set(heads):
        # what is in the line is not said: it may be any file
        found = f"{len(heads)} other names" if heads else "nothing"
        raise PlateError(f"{path}: expected the columns {', '.join(_COLUMNS)}; found {found}")
    names: list[str] = []
    values: list[list[float]] = []
    for row in rows:
        clean = {str(key).strip(): (value or "").strip() for key, value in row.items() if isinstance(value, str)}
        if not any(clean.values()):
            continue
        try:
            numbers = [float(clean[column]) for column in _COLUMNS[1:]]
        except (ValueError, KeyError) as error:
            where = f"{path}:{rows.line_num}"
            raise PlateError(f"{where}: expected five numbers behind the name: x, y, z in mm and px, py") from error
        if not all(math.isfinite(number) for number in numbers):
            raise PlateError(f"{path}:{rows.line_num}: a number is not finite")
        names.append(clean["name"] or f"point {len(names) + 1}")
        values.append(numbers)
        if len(names) > POINTS:
            raise PlateError(f"{path}:{rows.line_num}: more than {POINTS} points; name those that matter")
    twice = sorted(name for name, count in Counter(names).items() if count > 1)
    if twice:
        raise PlateError(f"{path}: the name {quoted(twice[0])} is there twice; give every point its own")
    table = np.array(values, dtype=np.float64).reshape(-1, 5)
    count = len(table)
    none, each = np.full(count, -1, dtype=np.int64), np.arange(count, dtype=np.int64)
    return Points(table[:, :3] * 1e-3, table[:, 3:], none, np.zeros((count, 2)), each, tuple(names))


def located_by_points(
    photograph: Photograph, points: Points, expected: Callable[[int, int], Camera], priors: Priors
) -> Located:
    """The camera of a photograph in which named points were measured by hand."""
    w, h = photograph.size_px
    outside = [n for n, (x, y) in zip(points.names, points.px, strict=True) if not (0 <= x <= w and 0 <= y <= h)]
    if outside:
        raise PlateError(f"{photograph.name}: the point {outside[0]!r} lies outside the picture, {w} x {h} px")
    if len(points) < 6:
        raise PlateError(f"{photograph.name}: {len(points)} named points are too few; give 6 or more, spread in depth")
    solved = solved_camera(points, _guesses(photograph, expected), priors)
    used = int(solved.used.sum())
    if used < 6 or used < 0.6 * len(points) or solved.rms_px > 2.0 * _WORST_RMS_PX * max(w, h) / 3000.0:
        raise PlateError(
            f"{photograph.name}: only {used} of {len(points)} named points agree (off by {solved.rms_px:.1f} px); "
            "check their places, and that px counts to the right and py down"
        )
    left_out = tuple(name for name, good in zip(points.names, solved.used, strict=True) if not good)
    return Located(photograph, points, solved, (), left_out, photograph.notes)
