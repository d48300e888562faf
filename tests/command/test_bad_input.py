"""What a user can get wrong in a scene and in the files it names: one message, exit code 2, nothing written."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.command.scenes import box_mesh, changed, cut_short, figure, laid, photograph
from tests.conftest import Command, Done, files

COMMANDS = ("check", "shoot", "score", "sheet")
QUICK = ("--width", 160, "--workers", 1)

MESH = ('length = "700 mm"\nwidth = "50 mm"\n', 'mesh = "bridge.glb"\n')
IMAGE = ('paint = "projected"', 'image = "bridge.png"')


def refused(previz: Command, command: str, scene: Path, *more: object) -> Done:
    """Run a command that must fail, and see that it leaves nothing and says one thing."""
    work = scene.parent / "work"
    work.mkdir(exist_ok=True)
    before = files(scene.parent) if scene.parent.is_dir() else {}
    options = () if command == "check" else (*QUICK, *more)
    done = previz(command, scene, *options, "--json", cwd=work)
    assert done.code == 2
    assert done.out == ""
    assert done.err.startswith("previz: ")
    assert done.err.count("previz: ") == 1
    assert "Traceback" not in done.err
    assert "Warning" not in done.err
    assert list(work.iterdir()) == [], "something was written"
    work.rmdir()
    assert files(scene.parent) == before
    return done


Spoil = Callable[[Path], object]


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda path: path.write_bytes(b""), "found an empty file"),
        (lambda path: path.unlink(), "found no such file"),
        (lambda path: (path.unlink(), path.mkdir()), "found a folder"),
        (lambda path: path.write_bytes(b"\x00\x01glTF" * 40), "binary data"),
        (lambda path: path.write_text(changed(('"700 mm"', "700"))), "bridge.length"),
        (lambda path: path.write_text(changed(('"700 mm"', '"1e9 mm"'))), "bridge.length"),
        (lambda path: path.write_text(changed(("triangles = 2000", "triangles = nan"))), "wall.triangles"),
        (lambda path: path.write_text(changed(("frames = 4", 'frames = "four"'))), "rail.frames"),
        (lambda path: path.write_text(changed(("seed = 7", "sead = 7"))), "did you mean"),
        (lambda path: path.write_text(changed(("[rail]", "[rail"))), "small.toml:"),
        (lambda path: path.write_text(changed(('"figure.png"', '"gone.png"'))), "plate.figure"),
        (lambda path: path.write_text(changed(MESH)), "bridge.mesh"),
    ],
)
def test_scenes_that_cannot_be_used(
    previz: Command, tmp_path: Path, command: str, spoil: Spoil, words: str
) -> None:
    scene = laid(tmp_path)
    spoil(scene)
    assert words in refused(previz, command, scene).err


def test_every_fault_is_told_at_once(previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path, ('"700 mm"', "700"), ("frames = 4", 'frames = "four"'), ("seed = 7", "sead = 7"))
    said = refused(previz, "shoot", scene).err
    assert all(key in said for key in ("bridge.length", "rail.frames", "wall.sead"))
    assert said.count("small.toml:") == 3


@pytest.mark.parametrize("command", ["shoot", "score", "sheet"])
@pytest.mark.parametrize(
    ("change", "name", "make", "words"),
    [
        (MESH, "bridge.glb", lambda p: cut_short(box_mesh(p)), "broken or cut short"),
        (MESH, "bridge.glb", lambda p: p.write_bytes(b"glTF, almost"), "broken or cut short"),
        (MESH, "bridge.glb", lambda p: box_mesh(p, closed=False), "closed"),
        (IMAGE, "bridge.png", lambda p: cut_short(photograph(p)), "broken or cut short"),
        (IMAGE, "bridge.png", lambda p: p.write_bytes(b"no picture at all"), "not a picture"),
        (('kind = "slate"', 'photo = "wall.png"'), "wall.png", lambda p: cut_short(photograph(p)), "broken"),
        (('kind = "slate"', 'mesh = "wall.glb"'), "wall.glb", lambda p: cut_short(box_mesh(p)), "broken"),
    ],
)
def test_broken_files(
    previz: Command, tmp_path: Path, command: str, change: tuple[str, str], name: str, make: Spoil, words: str
) -> None:
    make(tmp_path / name)
    said = refused(previz, command, laid(tmp_path, change)).err
    assert words in said
    assert name in said
    assert said.count("\n") == 1


def opaque(path: Path) -> None:
    Image.fromarray(np.full((9, 9, 4), 255, dtype=np.uint8)).save(path)


def invisible(path: Path) -> None:
    Image.fromarray(np.zeros((9, 9, 4), dtype=np.uint8)).save(path)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: figure(path, "RGB"), "no alpha"),
        (opaque, "opaque all over"),
        (invisible, "transparent all over"),
        (lambda path: cut_short(figure(path)), "broken or cut short"),
        (lambda path: path.write_bytes(b"no picture"), "not a picture that can be read"),
    ],
)
@pytest.mark.parametrize(("command", "options"), [("shoot", ("--figure",)), ("sheet", ())])
def test_figures_that_cannot_stand(
    previz: Command, tmp_path: Path, make: Spoil, words: str, command: str, options: tuple[object, ...]
) -> None:
    make(tmp_path / "figure.png")
    said = refused(previz, command, laid(tmp_path), *options).err
    assert words in said
    assert "figure.png" in said
    assert said.count("\n") == 1


@pytest.mark.sweep
def test_a_figure_that_is_not_asked_for_is_not_looked_at(previz: Command, tmp_path: Path) -> None:
    figure(tmp_path / "figure.png", "RGB")
    assert previz("score", laid(tmp_path), "--out", tmp_path / "out", *QUICK).code == 0


def test_a_figure_is_asked_for_and_there_is_none(previz: Command, tmp_path: Path) -> None:
    said = refused(previz, "shoot", laid(tmp_path, ('figure = "figure.png"\n', "")), "--figure").err
    assert "leave out --figure" in said


def test_a_folder_of_frames_gives_its_first(previz: Command, tmp_path: Path) -> None:
    folder = tmp_path / "walk"
    folder.mkdir()
    scene = laid(tmp_path, ('"figure.png"', '"walk"'))
    assert "plate.figure" in refused(previz, "shoot", scene, "--figure").err
    (folder / "take1.jpg").write_bytes(b"not the figure")
    assert "no PNG frames" in refused(previz, "shoot", scene, "--figure").err
    figure(folder / "walk.1002.png", "RGB")
    figure(folder / "walk.1001.png")
    assert previz("sheet", scene, "--out", tmp_path / "out", *QUICK).code == 0


@pytest.mark.parametrize(
    "change",
    [('kind = "slate"', 'photo = "wall.png"'), MESH, IMAGE, ('paint = "projected"', 'paint = "wash"')],
)
def test_other_ways_of_making_a_set(previz: Command, tmp_path: Path, change: tuple[str, str]) -> None:
    photograph(tmp_path / "wall.png")
    photograph(tmp_path / "bridge.png")
    box_mesh(tmp_path / "bridge.glb")
    done = previz("score", laid(tmp_path, change), "--out", tmp_path / "out", *QUICK, "--json")
    assert done.code == 0, done.err
    assert json.loads(done.out)["break_station_pct"] is not None


def test_frames_that_cannot_be_judged_are_said(previz: Command, tmp_path: Path) -> None:
    # looking up, the bridge is out of the picture
    scene = laid(tmp_path, ('tilt = "-8 deg"', 'tilt = "40 deg"'))
    done = previz("shoot", scene, "--out", tmp_path / "out", *QUICK)
    assert done.code == 0, done.err
    summary = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    assert summary["break_station_pct"] is None
    assert summary["hold_mm"] == 0
    assert any("4 frames cannot be judged, the first is 1001" in c for c in summary["cautions"])
    assert "cannot be told" in done.err
    assert "worst.png" not in files(tmp_path / "out")
