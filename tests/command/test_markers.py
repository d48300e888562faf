"""Where marker sheets must not hang: each bad place on purpose, and the sentence that names it."""

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from previz.cli import cli
from previz.command.lineup.markers import cautions, frames_showing, markers
from previz.draw.drawnset import drawn_set
from previz.errors import OutputError
from previz.lineup.markers import board_of
from previz.run.progress import Progress
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene, scene_text
from tests.command.scenes import laid
from tests.lineup.photographs import Truth

SCENES = Path(__file__).parent.parent.parent / "scenes"


def scene_with(text: str, folder: Path, name: str = "quarry") -> Scene:
    """A demonstration scene with its own ``[markers]``."""
    path = folder / f"{name}.toml"
    own = scene_text(SCENES / f"{name}.toml").replace('figure = "figures/surveyor.png"\n', "")
    path.write_text(f"{own}\n[markers]\n{text}\n", encoding="utf-8")
    return read_scene(path)


def said(scene: Scene) -> str:
    board, move = board_of(scene), move_of(scene)
    shown = {sheet.name: frames_showing(scene, move, sheet) for sheet in board.sheets}
    return "\n".join(cautions(scene, move, board, shown))


GOOD = 'left = { middle = ["-540 mm", "-30 mm", "22 mm"] }\ncard = { middle = ["210 mm", "200 mm", "886 mm"] }'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            'left = { middle = ["-540 mm", "0 mm", "22 mm"] }\ncard = { middle = ["-500 mm", "60 mm", "26 mm"] }',
            "sheets left and card lie over one another",
        ),
        (
            'left = { middle = ["-540 mm", "-30 mm", "22 mm"] }\ncard = { middle = ["-300 mm", "160 mm", "800 mm"] }',
            "sheet card hides part of sheet left from the lens",
        ),
        (
            'right = { middle = ["60 mm", "60 mm", "22 mm"] }\ncard = { middle = ["-300 mm", "200 mm", "886 mm"] }',
            "sheet right: it hangs over the doorway",
        ),
        (
            'left = { middle = ["-1120 mm", "0 mm", "22 mm"] }\ncard = { middle = ["210 mm", "200 mm", "886 mm"] }',
            "beyond the wall's edge",
        ),
        (
            'left = { middle = ["-540 mm", "0 mm", "22 mm"] }\nfloor = { middle = ["60 mm", "-6 mm", "500 mm"] }',
            "sheet floor: it lies on the bridge or goes through it",
        ),
        (
            'left = { middle = ["-540 mm", "0 mm", "22 mm"] }\ncard = { middle = ["-10 mm", "120 mm", "1200 mm"] }',
            "sheet card: it covers part of the bridge in the picture of frame 10",
        ),
    ],
)
def test_a_bad_place_is_named(text: str, words: str, tmp_path: Path) -> None:
    assert words in said(scene_with(text, tmp_path))


def test_a_good_place_is_only_told_to_be_cleared(tmp_path: Path) -> None:
    lines = said(scene_with(GOOD, tmp_path)).splitlines()
    assert len(lines) == 1
    assert "take them away before the take" in lines[0]


@pytest.mark.parametrize("name", ["quarry", "seastack", "crevasse"])
def test_places_by_rule_are_good_ones(name: str) -> None:
    lines = said(read_scene(SCENES / f"{name}.toml")).splitlines()
    assert all("take them away" in line for line in lines)


def test_in_which_frames_a_sheet_is_shown(tmp_path: Path) -> None:
    """By OpenCV's projection of the sheet's own corners into every frame, whatever the bars leave."""
    scene = read_scene(SCENES / "seastack.toml")
    move = move_of(scene)
    w, h = scene.delivery.frame
    high = min(h, w / scene.delivery.bars) if scene.delivery.bars else h
    focal = scene.camera.lens / scene.camera.sensor[0] * w
    for sheet in board_of(scene).sheets:
        frames = frames_showing(scene, move, sheet)
        assert frames
        for frame, wanted in ((frames[0], True), (frames[1], True), (frames[1] + 8, False)):
            if frame > move.frames[-1]:
                continue
            camera = move.camera(frame)
            pan = np.arctan2(camera.forward[0], -camera.forward[2])
            tilt = np.arcsin(camera.forward[1])
            px = Truth(tuple(camera.position), (pan, tilt, scene.camera.roll), focal, (w, h)).px(sheet.outline)
            inside = px[:, 0].max() > 0 and px[:, 0].min() < w
            inside = inside and px[:, 1].max() > 0.5 * (h - high) and px[:, 1].min() < 0.5 * (h + high)
            assert inside == wanted, (sheet.name, frame)


def test_sheets_outside_the_bars_may_stay(tmp_path: Path) -> None:
    text = 'left = { middle = ["-540 mm", "-30 mm", "22 mm"] }\nfloor = { middle = ["0 mm", "-600 mm", "900 mm"] }'
    made = markers_of(scene_path(text, tmp_path), tmp_path / "out")
    shown = {row["sheet"]: row["shown"] for row in made["sheets"]}
    assert "remove before the take" in shown["left"]
    assert "may stay through the take" in shown["floor"]


def scene_path(text: str, folder: Path) -> Path:
    scene_with(text, folder)
    return folder / "quarry.toml"


def markers_of(path: Path, out: Path) -> dict:
    return markers(path, None, out, Progress(quiet=True)).values


def test_the_drawing_shows_a_wall_that_was_moved(tmp_path: Path) -> None:
    path = laid(tmp_path, ('relief = "40 mm"', 'relief = "40 mm"\nsideways = "30 mm"\n'
                           'doorway = { width = "120 mm", height = "110 mm" }'))  # fmt: skip
    scene = read_scene(path)
    drawn = drawn_set(move_of(scene))
    assert drawn.wall_box[0] == pytest.approx(-0.87)
    assert drawn.doorway == pytest.approx((-0.03, 0.0, 0.09, 0.11))


def test_without_opencv_the_extra_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("previz.command.lineup.cli.find_spec", lambda name: None)
    scene = str(laid(tmp_path))
    for arguments in (["markers", scene], ["lineup", scene, "photo.jpg"]):
        told = CliRunner().invoke(cli, arguments)
        assert isinstance(told.exception, OutputError)
        assert "OpenCV" in str(told.exception)
        assert 'pip install "stationpoint[lineup]"' in str(told.exception)
