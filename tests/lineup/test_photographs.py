"""Photographs made by an independent renderer: found, or refused with the reason."""

import io
import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from previz.errors import PlateError
from previz.lineup.locate import Located, located
from previz.lineup.markers import Board
from previz.lineup.solve import Priors
from previz.workshop.photographs.family import modules
from previz.workshop.photographs.find import Photograph, found_markers, looked_for, read_photograph
from tests.lineup.photographs import Spoils, Truth, coded, codes8, jpeg, linear_picture
from tests.lineup.trials import (
    ANGLES,
    LENS,
    PLACE,
    SENSOR,
    SIZE,
    errors_of,
    expected,
    papers_of,
    photographed,
    two_planes,
)

BOARD = two_planes()
TRUTH = Truth(PLACE, ANGLES, LENS / SENSOR * SIZE[0], SIZE, -0.04).knocked((2e-3, -1e-3, 3e-3), (0.005, -0.004, 0.006))


@pytest.fixture(scope="module")
def linear() -> np.ndarray:
    return linear_picture(TRUTH, papers_of(BOARD), Spoils(seed=3))


@pytest.fixture(scope="module")
def codes(linear: np.ndarray) -> np.ndarray:
    return codes8(linear)


def found(path: Path, board: Board = BOARD) -> Located:
    return located(read_photograph(path), board, expected, Priors(), 0.0)


def assert_right(one: Located, truth: Truth = TRUTH) -> None:
    """Within what issue 8 asks: 0.5 mm, 0.05 deg, 0.3 %."""
    errors = errors_of(one.solved, truth)
    assert np.abs(errors[:3]).max() < 5e-4
    assert np.abs(errors[3:6]).max() < math.radians(0.05)
    assert abs(errors[6]) < 3e-3


def written(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def test_corners_lie_where_opencv_projects_them(codes: np.ndarray) -> None:
    grey = cv2.cvtColor(codes, cv2.COLOR_RGB2GRAY)
    seen = found_markers(Photograph("x", codes, grey))
    assert sorted(seen.numbers) == sorted(BOARD.numbers)
    for number, corners in zip(seen.numbers, seen.corners, strict=True):
        assert np.abs(corners - TRUTH.px(BOARD.corner(number)[1])).max() < 0.15


@pytest.mark.parametrize("number", [0, 7])
def test_a_spoilt_photograph_of_a_knocked_camera(number: int) -> None:
    trial = photographed(number)
    assert np.abs(trial.errors[:3]).max() < 5e-4
    assert np.abs(trial.errors[3:6]).max() < math.radians(0.05)
    assert abs(trial.errors[6]) < 3e-3
    assert trial.right.all()


@pytest.mark.slow
def test_sixteen_bits(tmp_path: Path, linear: np.ndarray) -> None:
    deep = np.rint(coded(linear[..., None] * np.ones(3, dtype=np.float32)) * 65535.0).astype(np.uint16)
    for name in ("deep.png", "deep.tif"):
        path = tmp_path / name
        assert cv2.imwrite(str(path), deep)
        one = found(path)
        assert "read with 16 bits" in one.notes
        assert_right(one)
    grey = tmp_path / "grey.png"
    assert cv2.imwrite(str(grey), deep[..., 0])
    assert_right(found(grey))


def test_cmyk(tmp_path: Path, codes: np.ndarray) -> None:
    path = tmp_path / "cmyk.jpg"
    Image.fromarray(codes).convert("CMYK").save(path, quality=95)
    one = found(path)
    assert any("CMYK" in note for note in one.notes)
    assert_right(one)


@pytest.mark.parametrize(("orientation", "quarters"), [(6, 1), (3, 2), (8, 3)])
def test_exif_rotation(tmp_path: Path, codes: np.ndarray, orientation: int, quarters: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    # what a camera on its side stores: orientation 6 is to be turned clockwise by a quarter (EXIF 2.3, 4.6.4)
    stored = np.ascontiguousarray(np.rot90(codes, quarters))
    one = found(written(tmp_path / "turned.jpg", jpeg(stored, 92, exif)))
    assert "turned as its EXIF says" in one.notes
    assert_right(one)


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_a_turned_photograph_is_turned_back(tmp_path: Path, codes: np.ndarray, quarters: int) -> None:
    one = found(written(tmp_path / "t.jpg", jpeg(np.ascontiguousarray(np.rot90(codes, quarters)), 92)))
    assert any("turned back" in note for note in one.notes)
    assert one.photograph.size_px == SIZE
    assert_right(one)


def test_a_mirrored_photograph_is_refused(tmp_path: Path, codes: np.ndarray) -> None:
    with pytest.raises(PlateError, match="mirrored"):
        found(written(tmp_path / "m.jpg", jpeg(np.ascontiguousarray(codes[:, ::-1]), 92)))


def test_no_markers(tmp_path: Path) -> None:
    bare = codes8(linear_picture(TRUTH, [], Spoils()))
    with pytest.raises(PlateError, match=r"0 of this scene's markers .*--points"):
        found(written(tmp_path / "bare.jpg", jpeg(bare, 92)))


def test_another_sets_markers(tmp_path: Path, codes: np.ndarray) -> None:
    other = Board(tuple(replace(s, numbers=tuple(n + 100 for n in s.numbers)) for s in BOARD.sheets), False)
    with pytest.raises(PlateError, match="belong to another set"):
        found(written(tmp_path / "o.jpg", jpeg(codes, 92)), other)


def test_the_same_numbers_standing_otherwise_are_refused(tmp_path: Path, codes: np.ndarray) -> None:
    first, second = BOARD.sheets
    swapped = Board((replace(first, numbers=second.numbers), replace(second, numbers=first.numbers)), False)
    with pytest.raises(PlateError, match=r"do not stand|no camera|contradict|agree"):
        found(written(tmp_path / "s.jpg", jpeg(codes, 92)), swapped)


@pytest.mark.slow
def test_sixty_megapixels(tmp_path: Path, codes: np.ndarray) -> None:
    large = cv2.resize(codes, (9600, 6400), interpolation=cv2.INTER_CUBIC)
    path = written(tmp_path / "large.jpg", jpeg(large, 85))
    one = found(path)
    assert one.photograph.size_px == (9600, 6400)
    assert_right(one, replace(TRUTH, size_px=(9600, 6400), focal_px=TRUTH.focal_px * 4.0))


def test_too_large_a_picture_is_refused(tmp_path: Path) -> None:
    out = io.BytesIO()
    Image.new("1", (12000, 8000)).save(out, "PNG")
    with pytest.raises(PlateError, match="million pixels"):
        read_photograph(written(tmp_path / "huge.png", out.getvalue()))


@pytest.mark.parametrize("data", [b"", b"not a picture", b"\xff\xd8\xff\xe0 cut"])
def test_what_is_no_picture_is_refused(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(PlateError, match="cannot be read as a picture"):
        read_photograph(written(tmp_path / "x.jpg", data))


def test_a_missing_photograph_is_named(tmp_path: Path) -> None:
    with pytest.raises(PlateError, match="there is no such photograph"):
        read_photograph(tmp_path / "none.jpg")


def test_modules_are_those_of_opencvs_dictionary() -> None:
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    picture = cv2.aruco.generateImageMarker(family, 42, 80)
    assert np.array_equal(np.kron(modules(42), np.ones((10, 10), dtype=bool)), picture < 128)


@pytest.mark.slow
def test_markers_that_something_touches_are_looked_for_where_they_must_be() -> None:
    """In this photograph two dark blots touch four markers of one sheet, so that no reader takes any of its six."""
    trial = photographed(97)
    assert trial.markers >= 11
    assert trial.right.all()
    assert np.linalg.norm(trial.errors[:3]) < 0.5e-3


def test_a_marker_is_not_taken_for_another_one(linear: np.ndarray, tmp_path: Path) -> None:
    """What lies where a marker should be must also be printed as that marker is."""
    path = tmp_path / "photo.jpg"
    path.write_bytes(jpeg(codes8(linear), 92))
    taken = read_photograph(path)
    number = BOARD.numbers[0]
    there = TRUTH.px(BOARD.sheets[0].corners[0])[None]
    assert looked_for(taken, [number], there).numbers == (number,)
    assert looked_for(taken, [BOARD.numbers[1]], there).numbers == ()
    assert looked_for(taken, [number], there + 400.0).numbers == ()
    assert looked_for(taken, [number], there - 1e5).numbers == ()


def test_light_that_grows_across_the_set_does_not_move_the_markers(tmp_path: Path) -> None:
    # no noise and no distortion: what is left of a marker's place is what the slope of the light does to it
    truth = replace(TRUTH, k1=0.0)
    picture = linear_picture(truth, papers_of(BOARD), Spoils(noise=0.0, uneven=0.9))
    path = written(tmp_path / "slope.jpg", jpeg(codes8(picture), 97))
    seen = found_markers(read_photograph(path))
    off = []
    for number, corners in zip(seen.numbers, seen.corners, strict=True):
        if number in BOARD.sheets[1].numbers:
            off.append((corners - truth.px(BOARD.corner(number)[1])).mean(axis=0))
    assert len(off) == 6
    assert np.abs(np.mean(off, axis=0)).max() < 0.005


def test_sheets_before_hard_edged_clutter(tmp_path: Path) -> None:
    """Black and white scraps of all sizes behind the sheets: more corners than any quarry has."""
    rng = np.random.default_rng(12)
    behind = np.full((SIZE[1], SIZE[0]), 0.2, np.float32)
    for _ in range(600):
        middle, reach = rng.uniform((0.0, 0.0), SIZE), rng.uniform(10.0, 160.0)
        angles = np.sort(rng.uniform(0.0, 2.0 * math.pi, 4))
        scrap = middle + reach * np.column_stack([np.cos(angles), np.sin(angles)])
        cv2.fillConvexPoly(behind, np.rint(scrap).astype(np.int32), float(rng.choice([0.03, 0.1, 0.4, 0.8])))
    picture = linear_picture(TRUTH, papers_of(BOARD), Spoils(seed=5), behind)
    one = found(written(tmp_path / "clutter.jpg", jpeg(codes8(picture), 90)))
    assert not one.missing
    assert not one.left_out
    assert_right(one)
