"""Trials of the line-up: a camera knocked by 3 mm and 0.4 deg on every axis, photographed, found, compared."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.stats import t as student

from previz.camera import Camera, camera_for
from previz.command.lineup.lineup import settled, steps_to
from previz.lineup.correction import Step, correction
from previz.lineup.locate import Located, located, measured
from previz.lineup.markers import Board, MarkerSheet
from previz.lineup.solve import CameraFit, Priors, solved_camera
from previz.workshop.photographs.family import grid
from previz.workshop.photographs.find import MarkersFound, Photograph, read_photograph
from tests.lineup.photographs import Paper, Spoils, Truth, photograph

SHIFT, TURN = 3e-3, math.radians(0.4)
PLACE, ANGLES, LENS, SENSOR = (0.0, 0.16, 1.2), (0.0, math.radians(-8.0), 0.0), 0.035, 0.0359
SIZE = (2400, 1600)


def at_place(middle: tuple[float, float, float], turn: float = 0.0) -> np.ndarray:
    """(4, 4) of a sheet, turned about the vertical by SciPy."""
    m = np.eye(4)
    m[:3, :3] = Rotation.from_euler("Y", turn).as_matrix()
    m[:3, 3] = middle
    return m


def two_planes() -> Board:
    """Twelve markers on two planes: one on the wall, one on a card."""
    at = grid(0.06, "a4")
    left = MarkerSheet("left", tuple(range(6)), at, 0.06, at_place((-0.33, 0.0, 0.02)))
    card = MarkerSheet("card", tuple(range(36, 42)), at, 0.06, at_place((0.21, 0.03, 0.45), -0.25))
    return Board((left, card), False)


def papers_of(board: Board) -> list[Paper]:
    """The board's sheets as they really hang."""
    return [Paper(s.numbers, s.at, s.side, s.world_from_sheet) for s in board.sheets]


def expected(w: int, h: int) -> Camera:
    """The wanted camera."""
    pan, tilt, roll = ANGLES
    return camera_for(PLACE, pan, tilt, roll, LENS, SENSOR, w, h)


@dataclass(frozen=True, eq=False)
class Trial:
    """Errors (8,) of place (m), own turns (rad), ln focal length, k1; whether each lies in its 95 % interval; the steps
    and whether each has the right sign; how many markers were used."""

    errors: np.ndarray
    covered: np.ndarray
    steps: tuple[Step, ...]
    right: np.ndarray
    markers: int


def errors_of(solved: CameraFit, truth: Truth) -> np.ndarray:
    """Found less true (8,): the turns about the found camera's own axes."""
    camera = solved.camera
    between = Rotation.from_matrix(camera.world_from_cam[:3, :3].T @ truth.world_from_cam)
    pan, tilt, roll = between.as_euler("YXZ") * (-1.0, 1.0, -1.0)
    place = camera.position - truth.place
    return np.array([*place, -pan, -tilt, -roll, math.log(camera.focal_px / truth.focal_px), solved.k1 - truth.k1])


def judged(solved: CameraFit, truth: Truth, signs: np.ndarray, markers: int) -> Trial:
    """Compare with the truth."""
    errors = errors_of(solved, truth)
    covered = np.abs(errors) <= solved.spread * student.ppf(0.975, solved.freedom)
    steps = correction(solved, expected(*truth.size_px), np.array([1.0, 0.0, 0.0]))
    # six axes are knocked; the focal length is not
    right = np.array([np.sign(step.change) == -sign for step, sign in zip(steps, signs, strict=False)])
    return Trial(errors, covered, steps, right, markers)


def knocked_truth(rng: np.random.Generator) -> tuple[Truth, np.ndarray]:
    """A camera knocked on every axis, its signs (6,); lens and distortion of its own."""
    signs = rng.choice([-1.0, 1.0], 6)
    focal = LENS / SENSOR * SIZE[0] * (1.0 + 0.01 * rng.standard_normal())
    truth = Truth(PLACE, ANGLES, focal, SIZE, -0.04 + 0.03 * rng.standard_normal())
    return truth.knocked(tuple(SHIFT * signs[:3]), tuple(TURN * signs[3:])), signs


def photographed(number: int, behind: np.ndarray | None = None) -> Trial:
    """A whole trial with a photograph: noise, blur, JPEG, distortion, uneven light and half-hidden markers.

    ``behind`` is linear light larger than the photograph, of which a part, perhaps mirrored, is what the sheets hang
    before."""
    rng = np.random.default_rng(1000 + number)
    board = two_planes()
    truth, signs = knocked_truth(rng)
    hidden = []
    for index in rng.choice(12, rng.integers(0, 4), replace=False):
        sheet = board.sheets[index // 6]
        corners = truth.px(sheet.corners[index % 6])
        x, y = corners[rng.integers(4)]
        hidden.append((float(x), float(y), float(rng.uniform(0.1, 0.5) * np.linalg.norm(corners[0] - corners[1]))))
    spoils = Spoils(
        blur_px=rng.uniform(0.5, 1.6),
        noise=rng.uniform(0.003, 0.012),
        uneven=rng.uniform(0.0, 0.6),
        jpeg=int(rng.integers(80, 97)),
        seed=number,
        hidden=tuple(hidden),
    )
    data = photograph(truth, papers_of(board), spoils, None if behind is None else part_of(behind, number))
    found = from_bytes(data, board, Priors())
    return judged(found.solved, truth, signs, len(np.unique(found.points.group[found.solved.used])))


def part_of(behind: np.ndarray, number: int) -> np.ndarray:
    """A part (h, w) as large as the photograph, another one for every trial."""
    rng = np.random.default_rng(3000 + number)
    w, h = SIZE
    y, x = (int(rng.integers(whole - need + 1)) for whole, need in zip(behind.shape, (h, w), strict=True))
    part = behind[y : y + h, x : x + w]
    return np.ascontiguousarray(part[:, ::-1] if rng.random() < 0.5 else part)


def from_bytes(data: bytes, board: Board, priors: Priors, name: str = "photo.jpg") -> Located:
    """Through a file, as a user's photograph comes."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        return located(read_photograph(path), board, expected, priors, 0.0)


def crossed_edges(corners: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Corners (T, 4, 2) where noisy straight lines through the edges cross: every line fitted by NumPy to 50 samples of
    the middle four fifths of an edge, each 0.15 px off."""
    lines = []
    for four in corners:
        for p, q in zip(four, np.roll(four, -1, axis=0), strict=True):
            along = (q - p) / np.linalg.norm(q - p)
            normal = np.array([along[1], -along[0]])
            part = np.linspace(0.1, 0.9, 50)
            slope, start = np.polyfit(part, rng.normal(0.0, 0.15, 50), 1)
            lines.append((p + start * normal, q + (start + slope) * normal))
    out = []
    for number in range(len(lines)):
        before = lines[number // 4 * 4 + (number - 1) % 4]
        one, other = (np.cross([*a, 1.0], [*b, 1.0]) for a, b in (before, lines[number]))
        x, y, w = np.cross(one, other)
        out.append((x / w, y / w))
    return np.array(out).reshape(-1, 4, 2)


def hung_beside(sheets: Sequence[MarkerSheet], placed: float, rng: np.random.Generator) -> list[MarkerSheet]:
    """Sheets as the solver's prior has it: shifted, and turned as much as that shifts a corner 0.1 m away."""
    hung = []
    for sheet in sheets:
        own = np.eye(4)
        own[:3, :3] = Rotation.from_rotvec(rng.normal(0.0, placed / 0.1, 3)).as_matrix()
        own[:3, 3] = rng.normal(0.0, placed, 3)
        hung.append(replace(sheet, world_from_sheet=sheet.world_from_sheet @ own))
    return hung


def printed(sheet: MarkerSheet, misprint: float, ink: float, rng: np.random.Generator) -> np.ndarray:
    """Corners (T, 4, 3) m of markers that lie ``misprint`` m (one standard deviation) beside their places on the paper,
    which has stretched or curled, and whose ink has run by ``ink`` m."""
    middle = sheet.corners.mean(axis=1, keepdims=True)
    on_paper = rng.normal(0.0, misprint, (len(middle), 1, 2)) @ sheet.world_from_sheet[:3, :2].T
    return middle + (sheet.corners - middle) * (1.0 + 2.0 * ink / sheet.side) + on_paper


def corners_seen(sheets: Sequence[MarkerSheet], truth: Truth, rng: np.random.Generator, misprint: float = 0.0,
                 ink: float = 0.0) -> np.ndarray:  # fmt: skip
    """Corners (T, 4, 2) px by cv2.projectPoints, with noise, no picture drawn."""
    return crossed_edges(np.concatenate([truth.px(printed(sheet, misprint, ink, rng)) for sheet in sheets]), rng)


def from_corners(corners: np.ndarray, board: Board, priors: Priors) -> Located:
    """The camera that sees these corners (T, 4, 2) px of all markers."""
    points = measured(MarkersFound(board.numbers, corners), board)
    frames = [sheet.world_from_sheet for sheet in board.sheets]
    solved = solved_camera(points, [expected(*SIZE)], priors, frames)
    blank = Photograph("none", np.zeros((SIZE[1], SIZE[0], 3), np.uint8), np.zeros((SIZE[1], SIZE[0]), np.uint8))
    return Located(blank, points, solved, (), (), ())


def misplaced(number: int, placed: float, misprint: float = 0.0, ink: float = 0.0) -> Trial:
    """A trial without a picture, of sheets that hang beside their places."""
    rng = np.random.default_rng(5000 + number)
    board = two_planes()
    truth, signs = knocked_truth(rng)
    corners = corners_seen(hung_beside(board.sheets, placed, rng), truth, rng, misprint, ink)
    return judged(from_corners(corners, board, Priors(placed)).solved, truth, signs, 12)


@dataclass(frozen=True, eq=False)
class Return:
    """A knock told by two photographs: errors (7,) of the steps back along, up, across (m), pan, tilt, roll (rad) and
    focal length (share); whether each lies in its interval; whether each of six has the right sign."""

    errors: np.ndarray
    covered: np.ndarray
    right: np.ndarray


def against(number: int, placed: float, drawn: bool = False) -> Return:
    """A camera knocked by 3 mm and 0.4 deg, compared as ``--against`` does with a photograph taken before, when it
    stood where it should; the sheets hang beside their places in both. ``drawn``: with real photographs of them."""
    rng = np.random.default_rng(7000 + number)
    board = two_planes()
    knocked, signs = knocked_truth(rng)
    before = replace(knocked, place=PLACE, angles=ANGLES)
    hung = hung_beside(board.sheets, placed, rng)

    def seen(truth: Truth, of: Board, priors: Priors, data: Any) -> Located:
        return from_bytes(data, of, priors) if drawn else from_corners(data, of, priors)

    if drawn:
        papers = papers_of(Board(tuple(hung), False))
        taken: list[Any] = [photograph(truth, papers, Spoils(seed=2 * number + k)) for k, truth in
                            enumerate((before, knocked))]  # fmt: skip
    else:
        taken = [corners_seen(hung, truth, rng) for truth in (before, knocked)]
    settled_board = settled(board, seen(before, board, Priors(placed), taken[0]))
    reference = seen(before, settled_board, Priors(), taken[0])
    found = seen(knocked, settled_board, Priors(), taken[1])
    along = np.array([1.0, 0.0, 0.0])
    steps = steps_to(found, reference, reference.solved.camera, along)
    pan, tilt, roll = (np.array(before.angles) - knocked.angles).tolist()
    # the rail runs along X, so that up is Y and across is Z
    true = np.array([*(np.array(before.place) - knocked.place), pan, tilt, roll, 0.0])
    errors = np.array([step.change for step in steps]) - true
    covered = np.abs(errors) <= np.array([step.give for step in steps])
    right = np.array([np.sign(step.change) == -sign for step, sign in zip(steps, signs, strict=False)])
    return Return(errors, covered, right)
