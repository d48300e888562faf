"""What a stopped run has noted, and when it counts."""

import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

import previz.command.sheet.sheet as sheets
import previz.command.shoot.shoot as shooting
from previz.run.ledger import Ledger
from previz.run.output import OutputFolder
from previz.run.progress import Progress
from previz.run.workers import Opened
from previz.scene.reader import read_scene, scene_sha256
from tests.command.scenes import box_mesh, laid, photograph
from tests.conftest import Command, Run, files

# a set built anew, or whole runs, for nearly every test
pytestmark = pytest.mark.slow

QUICK = ("--width", 160, "--workers", 1)


def stopped(monkeypatch: pytest.MonkeyPatch, scene: Path, out: Path, frames: int = 2) -> None:
    """Shoot, and stop when so many frames have been noted."""
    write = shooting._write_frame
    left = [frames]

    def stopping(*arguments: Any) -> Any:
        if not left[0]:
            raise KeyboardInterrupt
        left[0] -= 1
        return write(*arguments)

    with monkeypatch.context() as there:
        there.setattr(shooting, "_write_frame", stopping)
        with pytest.raises(KeyboardInterrupt):
            shooting.shoot(scene, out, 160, True, 1, None, Progress(quiet=True))
    assert "unfinished.jsonl" in files(out)


@pytest.fixture(scope="module")
def stopped_once(shot: Run, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The results of the run of ``shot``, stopped after two of four frames."""
    out = tmp_path_factory.mktemp("stopped") / "half"
    with pytest.MonkeyPatch.context() as monkeypatch:
        stopped(monkeypatch, shot.scene, out)
    return out


@pytest.fixture
def half(stopped_once: Path, tmp_path: Path) -> Path:
    """A copy of them to go on with."""
    shutil.copytree(stopped_once, tmp_path / "half")
    return tmp_path / "half"


def test_a_frame_whose_file_is_gone_is_made_again(shot: Run, half: Path, previz: Command) -> None:
    (half / "side" / "1001.png").unlink()
    done = previz("shoot", shot.scene, "--out", half, "--figure", *QUICK)
    assert "1 of 4 frames are there already" in done.err
    assert files(half) == files(shot.out)


# test_what_makes_another_run has a width too
@pytest.mark.sweep
def test_frames_of_another_size_are_another_run(shot: Run, half: Path, previz: Command) -> None:
    done = previz("shoot", shot.scene, "--out", half, "--figure", "--width", 176, "--workers", 1)
    assert done.code == 0
    assert "going on" not in done.err
    assert "judged: 4" in done.err


OPENED = Opened("pictures", "a driver", "")


def run_key(folder: Path, opened: Opened = OPENED, width_px: int = 160, with_figure: bool = True) -> dict[str, str]:
    path = folder / "small.toml"
    return shooting.run_of(read_scene(path), scene_sha256(path), opened, (width_px, 90), with_figure)


def test_what_makes_another_run(tmp_path: Path) -> None:
    mesh = ('length = "700 mm"\nwidth = "50 mm"\n', 'mesh = "bridge.glb"\n')
    laid(tmp_path, ('kind = "slate"', 'photo = "wall.png"'), mesh)
    photograph(tmp_path / "wall.png")
    box_mesh(tmp_path / "bridge.glb")
    runs = [run_key(tmp_path)]
    assert run_key(tmp_path) == runs[0]
    runs.append(run_key(tmp_path, width_px=176))
    runs.append(run_key(tmp_path, with_figure=False))
    runs.append(run_key(tmp_path, Opened("sight lines", "a driver", "")))
    runs.append(run_key(tmp_path, Opened("pictures", "another driver", "")))
    for name in ("wall.png", "bridge.glb", "figure.png", "small.toml"):
        file = tmp_path / name
        file.write_bytes(file.read_bytes() + b"\n")
        runs.append(run_key(tmp_path))
    assert len({tuple(sorted(run.items())) for run in runs}) == len(runs) == 9


def test_a_stopped_run_goes_on_though_score_came_in_between(shot: Run, half: Path, previz: Command) -> None:
    assert previz("score", shot.scene, "--out", half, *QUICK).code == 0
    done = previz("shoot", shot.scene, "--out", half, "--figure", *QUICK)
    assert "2 of 4 frames are there already" in done.err
    assert "judged: 2" in done.err
    assert files(half) == files(shot.out)


def stopping_ledger(monkeypatch: pytest.MonkeyPatch, after: int) -> None:
    add = Ledger.add

    def stopping(ledger: Any, number: int, entry: Any) -> None:
        if len(ledger.done) == after:
            raise KeyboardInterrupt
        add(ledger, number, entry)

    monkeypatch.setattr(Ledger, "add", stopping)


def test_score_goes_on(shot: Run, previz: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "out"
    with monkeypatch.context() as there:
        stopping_ledger(there, 3)
        with pytest.raises(KeyboardInterrupt):
            shooting.score(shot.scene, out, 160, 1, None, Progress(quiet=True))
    assert files(out).keys() == {"unfinished-score.jsonl"}
    done = previz("score", shot.scene, "--out", out, *QUICK)
    assert "3 of 4 frames are there already" in done.err
    assert files(out) == {name: files(shot.out)[name] for name in ("hold.csv", "summary.json")}


def test_sheet_goes_on(previz: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scene, out = laid(tmp_path), tmp_path / "out"
    # the second cannot be, so it has no picture
    asked = {"distance": "1250, 500, 1200, 1300 mm"}
    with monkeypatch.context() as there:
        stopping_ledger(there, 3)
        with pytest.raises(KeyboardInterrupt):
            sheets.sheet(scene, asked, out, 160, 1, None, Progress(quiet=True))
    assert {"unfinished-sheet.jsonl", "unfinished/0000.png", "unfinished/0002.png"} <= files(out).keys()
    options = ("--distance", asked["distance"], *QUICK, "--json")
    other = previz("sheet", scene, "--out", tmp_path / "at once", *options)
    done = previz("sheet", scene, "--out", out, "--distance", asked["distance"], *QUICK)
    assert "3 of 4 candidates are there already" in done.err
    assert "candidates judged: 1" in done.err
    assert files(out) == files(tmp_path / "at once")
    assert not (out / "unfinished").exists()
    assert len(json.loads(other.out)) == 4


def test_only_the_best_pictures_are_kept(
    previz: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sheets, "MOST_SHOWN", 2)
    scene, out = laid(tmp_path), tmp_path / "out"
    with monkeypatch.context() as there:
        stopping_ledger(there, 3)
        with pytest.raises(KeyboardInterrupt):
            sheets.sheet(scene, {"height": "120..200 mm x 4"}, out, 160, 1, None, Progress(quiet=True))
    pictures = [name for name in files(out) if name.startswith("unfinished/")]
    # two of the three that are noted, and the one that was being noted
    assert len(pictures) in (2, 3)
    assert previz("sheet", scene, "--out", out, "--height", "120..200 mm x 4", *QUICK).code == 0
    assert files(out).keys() == {"sheet.png", "sheet-2.png", "sheet.csv", "sheet.json"}


@dataclass(frozen=True)
class Entry:
    """An entry of a ledger."""

    value: float
    words: tuple[str, ...] = ()


def test_ledger_gives_back_what_was_noted(tmp_path: Path) -> None:
    folder, run = OutputFolder(tmp_path), {"scene": "a"}
    ledger = Ledger(folder, "u.jsonl", run, Entry)
    entries = {3: Entry(0.1 + 0.2, ("colour",)), 1: Entry(1e-300), 2: Entry(-0.0)}
    for number, entry in entries.items():
        ledger.add(number, entry)
    ledger.close(finished=False)
    assert Ledger(folder, "u.jsonl", run, Entry).done == entries
    assert Ledger(folder, "u.jsonl", {"scene": "b"}, Entry).done == {}
    again = Ledger(folder, "u.jsonl", run, Entry)
    again.add(7, Entry(7.0))
    again.close(finished=False)
    assert Ledger(folder, "u.jsonl", run, Entry).done == entries | {7: Entry(7.0)}
    again.close(finished=True)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("spoil", "left"),
    [
        (lambda text: text[:-3], 2),
        (lambda text: text.replace('"number": 2', '"number": "x"'), 1),
        (lambda text: text.replace('"value": 0.2', '"value": "much"'), 1),
        (lambda text: text.replace('"value": 0.2', '"worth": 0.2'), 1),
        (lambda text: text.rstrip("\n") + '\n{"number": 4, "entry": {}}\n', 3),
        (lambda text: text + "\0\ufffd[[[", 3),
        (lambda text: text + "[" * 100_000, 3),
        (lambda text: text.replace('{"run"', '{"walk"'), 0),
        (lambda text: "null\n" + text, 0),
        (lambda text: "", 0),
    ],
)
def test_a_spoilt_ledger_counts_up_to_where_it_is_spoilt(
    tmp_path: Path, spoil: Callable[[str], str], left: int
) -> None:
    folder = OutputFolder(tmp_path)
    ledger = Ledger(folder, "u.jsonl", {}, Entry)
    for number in (1, 2, 3):
        ledger.add(number, Entry(number / 10.0))
    ledger.close(finished=False)
    text = (tmp_path / "u.jsonl").read_text(encoding="utf-8")
    assert spoil(text) != text
    (tmp_path / "u.jsonl").write_text(spoil(text), encoding="utf-8")
    assert list(Ledger(folder, "u.jsonl", {}, Entry).done) == [1, 2, 3][:left]


def test_a_ledger_of_other_bytes_does_not_count(tmp_path: Path) -> None:
    (tmp_path / "u.jsonl").write_bytes(b"\xff\xfe\x00\n\xff")
    assert Ledger(OutputFolder(tmp_path), "u.jsonl", {}, Entry).done == {}
