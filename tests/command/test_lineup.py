"""The commands for the real camera, on the quarry with photographs of an independent renderer."""

import json
import math
import os
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import ExifTags, Image

from previz.command.lineup.lenscheck import lens_check
from previz.command.lineup.lineup import LineupWishes, lineup, with_first_guess
from previz.command.lineup.markers import markers
from previz.command.lineup.watch import watch
from previz.command.lineup.words import lens_rows, lineup_rows, marker_rows
from previz.command.paint.solving import SolvedPaint, with_paint
from previz.command.shoot.shoot import score
from previz.errors import PlateError
from previz.lineup.correction import head_angles
from previz.lineup.markers import board_of, hidden_from
from previz.run.progress import Progress
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.stage.prepare import ReadySet
from previz.workshop.photographs.find import read_photograph
from tests.command.scenes import laid
from tests.conftest import Command
from tests.lineup.photographs import Paper, Spoils, Truth, photograph

SCENES = Path(__file__).parent.parent.parent / "scenes"
QUIET = Progress(quiet=True)
SIZE = (1800, 1200)
NUMBERS_ONLY = LineupWishes(judge=False)


def truth_of(scene_path: Path) -> Truth:
    """The camera of a scene file as an independent one."""
    return camera_of(read_scene(scene_path), SIZE, -0.03)


def camera_of(scene: Scene, size_px: tuple[int, int], k1: float = 0.0) -> Truth:
    """A scene's own camera at the station frame as an independent one, its photographs ``size_px``."""
    move = move_of(scene)
    camera = move.camera(move.station_frame)
    focal = scene.camera.lens / scene.camera.sensor[0] * size_px[0]
    return Truth(tuple(camera.position), tuple(head_angles(camera.world_from_cam)), focal, size_px, k1)


def shoot(folder: Path, name: str, truth: Truth, scene_path: Path) -> Path:
    """A photograph in a file."""
    sheets = board_of(read_scene(scene_path)).sheets
    papers = [Paper(s.numbers, s.at, s.side, s.world_from_sheet) for s in sheets]
    path = folder / name
    path.write_bytes(photograph(truth, papers, Spoils(seed=len(name))))
    return path


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lineup")
    for path in SCENES.iterdir():
        if path.is_file():
            shutil.copy(path, folder)
        else:
            shutil.copytree(path, folder / path.name)
    scene = folder / "quarry.toml"
    truth = truth_of(scene)
    shoot(folder, "right.jpg", truth, scene)
    knocked = truth.knocked((3e-3, -3e-3, 3e-3), (math.radians(0.4), math.radians(-0.4), math.radians(0.4)))
    shoot(folder, "knocked.jpg", knocked, scene)
    return folder


def test_marker_sheets(place: Path) -> None:
    made = markers(place / "quarry.toml", None, place / "out", QUIET)
    assert (made.folder / "markers.pdf").stat().st_size > 1000
    assert made.values["by_rule"]
    (only,) = made.values["cautions"]
    assert "in the delivered picture of the move" in only
    assert marker_rows(made.values, "x")


@pytest.mark.parametrize("name", ["quarry", "seastack", "crevasse"])
def test_sheets_placed_by_rule_lie_in_the_frame_off_the_bridge(name: str) -> None:
    scene = read_scene(SCENES / f"{name}.toml")
    board, move = board_of(scene), move_of(scene)
    camera = move.camera(move.station_frame)
    assert set(hidden_from(board, camera).values()) == {0}
    corners = np.array([(x, 0.0, z) for x in (-0.5, 0.5) for z in (0.0, 1.0)])
    bridge = camera.project(corners * (scene.bridge.width, 1.0, scene.bridge.length))
    for sheet in board.sheets:
        px = camera.project(sheet.outline)
        assert px[:, 0].min() > bridge[:, 0].max() or px[:, 0].max() < bridge[:, 0].min()


@pytest.mark.slow
def test_a_knock_against_a_photograph(place: Path) -> None:
    wishes = replace(NUMBERS_ONLY, against=place / "right.jpg")
    made = lineup(place / "quarry.toml", place / "knocked.jpg", wishes, place / "out", 1, None, QUIET)
    change = {step["what"]: step["change"] for step in made.values["steps"]}
    wanted = {"slide": -3.0, "height": 3.0, "distance": -3.0, "pan": -0.4, "tilt": 0.4, "roll": -0.4}
    for name, value in wanted.items():
        assert abs(change[name] - value) < (0.5 if abs(value) > 1.0 else 0.05), name
    assert all(step["sure"] for step in made.values["steps"][:6])
    with Image.open(made.folder / "lineup.png") as picture:
        assert picture.size[0] == 1600
    assert json.loads((made.folder / "lineup.json").read_text(encoding="utf-8"))["frame"] == made.values["frame"]
    assert any("slide 3.0 mm to the left" in value for _, value in lineup_rows(made.values, "x"))


def test_the_right_place_needs_nothing(place: Path) -> None:
    made = lineup(place / "quarry.toml", place / "right.jpg", NUMBERS_ONLY, place / "out", 1, None, QUIET)
    assert not any(step["sure"] for step in made.values["steps"])
    assert abs(made.values["lens_mm"] - 40.0) < 0.12


@pytest.mark.slow
def test_same_bytes(place: Path) -> None:
    scene, photo = place / "quarry.toml", place / "knocked.jpg"
    one, two = (lineup(scene, photo, NUMBERS_ONLY, place / name, 1, None, QUIET).folder for name in ("a", "b"))
    for name in ("lineup.png", "lineup.json"):
        assert (one / name).read_bytes() == (two / name).read_bytes()


def test_the_set_as_built(place: Path) -> None:
    scene_path = place / "quarry.toml"
    scene, truth = read_scene(scene_path), truth_of(scene_path)
    # a bridge that was built 8 mm too long, 4 mm to the right, 2 mm high
    length, half = scene.bridge.length, 0.5 * scene.bridge.width
    drawn = np.array([(s * half, 0.0, length * p) for p in (0.15, 0.4, 0.7, 1.0) for s in (-1.0, 1.0)])
    px = truth.knocked((3e-3, -3e-3, 3e-3), tuple(np.radians([0.4, -0.4, 0.4]))).px(drawn + (0.004, 0.002, 0.008))
    rows = [
        f"bridge {n},{x * 1e3},{y * 1e3},{z * 1e3},{u},{v}"
        for n, ((x, y, z), (u, v)) in enumerate(zip(drawn, px, strict=True))
    ]
    points = place / "points.csv"
    points.write_text("name,x,y,z,px,py\n" + "\n".join(rows), encoding="utf-8")
    wishes = replace(NUMBERS_ONLY, points=points, write=True)
    made = lineup(scene_path, place / "knocked.jpg", wishes, place / "built", 1, None, QUIET)
    (piece,) = made.values["as_built"]
    off = np.abs(np.array(piece["shift_mm"]) - (4.0, 2.0, 8.0))
    assert np.all(off < np.maximum(3.0 * np.array(piece["shift_sd_mm"]), 0.3))
    built = read_scene(made.folder / made.values["as_built_scene"])
    assert abs(built.bridge.length - length - 0.008) < 4e-3
    assert built.camera.position != scene.camera.position
    assert abs(built.camera.pan - scene.camera.pan - math.radians(0.4)) < math.radians(0.1)


@pytest.mark.sweep
def test_lens_check(place: Path) -> None:
    scene_path, truth = place / "quarry.toml", truth_of(place / "quarry.toml")
    photos = [place / "right.jpg"]
    knocks = [((0.06, 0.05, -0.1), (-0.03, -0.02, 0.05)), ((-0.08, -0.04, -0.15), (0.04, 0.01, -0.3))]
    for number, (shift, turn) in enumerate(knocks):
        photos.append(shoot(place, f"lens{number}.jpg", truth.knocked(shift, turn), scene_path))
    made = lens_check(scene_path, photos, place / "out", QUIET)
    assert abs(made.values["lens_mm"] / 40.0 - 1.0) < 3e-3
    assert abs(made.values["k1"] + 0.03) < 0.01
    assert lens_rows(made.values, "x")
    with pytest.raises(PlateError, match="at least 3"):
        lens_check(scene_path, photos[:2], place / "out", QUIET)


@pytest.mark.slow
def test_a_watched_folder(place: Path, tmp_path: Path) -> None:
    for stamp, name in enumerate(("right.jpg", "knocked.jpg")):
        shutil.copy(place / name, tmp_path / f"{stamp}-{name}")
    shutil.copy(place / "right.jpg", tmp_path / "2-again.jpg")
    (tmp_path / "3-broken.jpg").write_bytes(b"no picture")
    lines: list[str] = []
    done = watch(place / "quarry.toml", tmp_path, None, None, 4, lambda line, _: lines.append(line), pause=0.01)
    assert done == 4
    assert lines[0] == "0-right.jpg: taken as the reference"
    assert "KNOCKED: slide 3.0 mm to the left" in lines[1]
    assert lines[2] == "2-again.jpg: in place"
    assert lines[3].startswith("3-broken.jpg: not judged: it cannot be read")


@pytest.mark.slow
def test_a_photograph_written_slowly(place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A camera that stops in the middle of a file: told once it is whole, and not taken as the reference before."""
    shutil.copy(place / "right.jpg", tmp_path / "0-right.jpg")
    data = (place / "knocked.jpg").read_bytes()
    slow = tmp_path / "1-slow.jpg"
    slow.write_bytes(data[:1])
    lines: list[str] = []
    pauses: list[float] = []
    before: list[int] = []
    monkeypatch.setattr("previz.command.lineup.watch.time", SimpleNamespace(sleep=pauses.append))

    def say(line: str, _: object) -> None:
        lines.append(line)
        if len(lines) == 2:
            # stopped for so long that it was looked at: half of it cannot be read
            slow.write_bytes(data)
        before.append(len(pauses))

    slow.write_bytes(data[: len(data) // 2])
    watch(place / "quarry.toml", tmp_path, None, None, 3, say, pause=0.1)
    assert lines[0] == "0-right.jpg: taken as the reference"
    assert lines[1].startswith("1-slow.jpg: not judged: it cannot be read")
    assert "KNOCKED: slide 3.0 mm to the left" in lines[2]
    # told after two more looks into the folder: found to be another one, and found to be so still
    assert before[2] - before[1] == 2
    assert set(pauses) == {0.1}


def test_what_a_first_unusable_photograph_does_not_become(place: Path, tmp_path: Path) -> None:
    (tmp_path / "0-half.jpg").write_bytes((place / "right.jpg").read_bytes()[:9000])
    Image.fromarray(np.full((300, 400, 3), 90, dtype=np.uint8)).save(tmp_path / "1-nothing.png")
    shutil.copy(place / "right.jpg", tmp_path / "2-right.jpg")
    for stamp, name in enumerate(("0-half.jpg", "1-nothing.png", "2-right.jpg")):
        os.utime(tmp_path / name, (1e9 + stamp, 1e9 + stamp))
    lines: list[str] = []
    watch(place / "quarry.toml", tmp_path, None, None, 3, lambda line, _: lines.append(line), pause=0.01)
    assert [line.split(": ")[1] for line in lines] == ["not judged", "not judged", "taken as the reference"]


def with_exif(photo: Path, name: str, focal: float | None, focal_35: int | None) -> Path:
    """The same pixels, and other notes of the camera."""
    out = photo.parent / name
    exif = Image.Exif()
    notes = {ExifTags.Base.FocalLength: focal, ExifTags.Base.FocalLengthIn35mmFilm: focal_35}
    exif[ExifTags.IFD.Exif] = {int(tag): value for tag, value in notes.items() if value is not None}
    with Image.open(photo) as image:
        image.save(out, "PNG", exif=exif)
    return out


@pytest.mark.slow
@pytest.mark.parametrize(("focal", "focal_35"), [(85.0, None), (18.0, 27)])
def test_notes_of_the_camera_are_a_first_guess_only(place: Path, focal: float | None, focal_35: int | None) -> None:
    scene = place / "quarry.toml"
    kinds = ("a.png", None, None), ("b.png", focal, focal_35)
    photos = [with_exif(place / "knocked.jpg", *kind) for kind in kinds]
    plain, noted = (lineup(scene, photo, NUMBERS_ONLY, place / "e", 1, None, QUIET) for photo in photos)
    for key in ("position_mm", "pan_tilt_roll_deg", "lens_mm"):
        assert noted.values[key] == pytest.approx(plain.values[key], rel=1e-6, abs=1e-3)


def test_a_plain_focal_length_begins_the_fit(place: Path) -> None:
    """A zoom at 105 mm under a scene that says 40: no other guess comes near, and its sensor is the scene's."""
    photo = read_photograph(with_exif(place / "right.jpg", "zoomed.png", 105.0, None))
    scene = read_scene(place / "quarry.toml")
    assert photo.focal == pytest.approx(0.105)
    guessed = with_first_guess(scene, photo)
    assert guessed.focal_35 == pytest.approx(0.105 * 36.0 / 35.9)
    known = with_first_guess(scene, replace(photo, focal_35=0.07))
    assert known.focal_35 == 0.07


def test_options_that_would_be_passed_over(previz: Command, place: Path) -> None:
    both = ["--folder", ".", "--lens-check"]
    for options in (["--folder", ".", "--write"], ["--lens-check", "--points", "x.csv"], both):
        done = previz("lineup", place / "quarry.toml", *options)
        assert done.code == 2
        assert len(done.err.splitlines()) == 1


@pytest.mark.sweep
def test_the_illusion_in_a_whole_line_up(tmp_path: Path) -> None:
    scene = laid(tmp_path, ("frame = [320, 180]", "frame = [1280, 720]"))
    photo = shoot(tmp_path, "small.jpg", truth_of(scene), scene)
    made = lineup(scene, photo, LineupWishes(width_px=640), tmp_path / "out", 1, None, QUIET)
    scored = score(scene, tmp_path / "scored", 640, 1, None, QUIET)
    assert abs(made.values["break_wanted_pct"] - scored.values["break_station_pct"]) < 0.05
    assert abs(made.values["break_now_pct"] - made.values["break_wanted_pct"]) < 2.5
    assert made.values["paint_still_holding_pct"] > 80.0
    assert "no repaint" in made.values["repaint"]


def test_solved_paint_is_judged_as_it_is_laid(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is judged is the paint that an earlier run solved, here a red that nobody could miss, and no other."""
    size = ("frame = [320, 180]", "frame = [1280, 720]")
    scene = laid(tmp_path, size, ('paint = "projected"', 'paint = "solved"'))
    photo = shoot(tmp_path, "small.jpg", truth_of(scene), scene)

    def red(ready: ReadySet, *_: object) -> ReadySet:
        code = np.zeros_like(ready.bridge.code)
        code[..., 0] = 220
        return with_paint(ready, SolvedPaint(code, None))

    monkeypatch.setattr("previz.command.paint.solvedpaint.with_solved_paint", red)
    made = lineup(scene, photo, LineupWishes(width_px=640), tmp_path / "out", 1, None, QUIET)
    assert made.values["break_now_pct"] > 90.0
    assert made.values["break_wanted_pct"] > 90.0
    assert "the paint itself has to be mended" in made.values["repaint"]


def test_a_folder_that_is_not_there(place: Path) -> None:
    with pytest.raises(PlateError, match="no such folder"):
        watch(place / "quarry.toml", place / "none", None, None, 1, lambda *_: None)
