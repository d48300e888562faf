"""What the commands say: tables, cautions, JSON, and the small commands that draw nothing."""

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import jsonschema
import pytest

from previz import __version__
from previz.command.shoot.words import shot_rows, verdict
from previz.run.progress import print_rows
from tests.command.scenes import laid
from tests.conftest import ROOT, Command, ended, started

SUMMARY = {
    "title": "A [bold]walk[/] over the :bridge:", "hold_wanted": [1001, 1040], "hold_first": 1001, "hold_last": 1038,
    "hold_frames": 38, "hold_mm": 36.125, "hold_s": 1.52,
    "station_frame": 1030, "break_station_pct": 0.0, "break_mean_pct": 2.34,
    "break_worst_pct": 12.34, "worst_frame": 1040, "worst_tells": ["colour", "grain"], "reveal_frame": 1090,
    "break_reveal_pct": 41.39, "trace_worst_pct": 0.7,
    "found_hold_pct": 3.2, "found_hold_low_pct": 0.9, "found_hold_high_pct": 9.4, "parallax_from": 1019,
    "hold_still_frames": 44, "hold_still_mm": 50.25, "helps": [],
    "engine": "pictures", "driver": "llvmpipe (LLVM 15.0.6, 256 bits)",
}  # fmt: skip


def test_summary_stays_on_one_line_a_row(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    print_rows(str(SUMMARY["title"]), shot_rows(SUMMARY, "renders/quarry"))
    out, err = capfd.readouterr()
    assert out == ""
    lines = [line.rstrip() for line in err.splitlines()]
    assert len(lines) == 13
    assert max(map(len, lines)) <= 80
    # a title is text, whatever is in it
    assert lines[0] == "A [bold]walk[/] over the :bridge:"
    # 36.125 mm are 1.4222 in, 1 7/16 to the nearest sixteenth
    assert 'frames 1001 to 1038, 36.1 mm (1 7/16") of rail, 1.52 s' in err
    assert "12.3 % at frame 1040, told by colour, grain" in err
    assert "41.4 % at frame 1090" in err


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"hold_last": 1040}, "yes"),
        ({"hold_last": 1050}, "yes"),
        ({}, "not over all"),
        ({"hold_first": 1002, "hold_last": 1040}, "not over all"),
        ({"hold_first": None, "hold_last": None}, "no: the bridge shows already at the station frame 1030"),
        ({"break_station_pct": None, "hold_first": None, "hold_last": None}, "cannot be told"),
    ],
)
def test_the_verdict_comes_first(changes: dict[str, object], words: str) -> None:
    assert verdict({**SUMMARY, **changes}).startswith(words)


def test_check_says_it_in_a_table_and_each_caution_once(previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path / "with blanks", name="wälk one.toml")
    done = previz("check", scene)
    assert done.code == 0
    assert done.out == "", "tables go to standard error"
    lines = done.err.splitlines()
    # what is to be typed next stands on one line, however long the file's name
    assert max(len(line.rstrip()) for line in lines if not line.startswith("next: ")) <= 80
    (distance,) = [line for line in lines if "lens to the wall" in line]
    assert "1250.0 mm" in distance
    cautions = [line for line in lines if line.startswith("caution: ")]
    assert len(cautions) == len(set(cautions)) >= 1
    assert list(scene.parent.iterdir()) != []
    assert {path.name for path in scene.parent.iterdir()} == {"wälk one.toml", "figure.png"}


def test_check_as_json(previz: Command, tmp_path: Path) -> None:
    done = previz("check", laid(tmp_path), "--json")
    assert done.code == 0
    found = json.loads(done.out)
    assert found["title"] == "Small quarry"
    assert ["lens to the wall", "1250.0 mm (4'-1 3/16\")"] in found["derived"]
    assert done.err == ""


def test_candidates_are_judged_with_projected_paint_and_that_is_said(previz: Command, tmp_path: Path) -> None:
    solved = laid(tmp_path / "a", ('paint = "projected"', 'paint = "solved"'))
    said = previz("sheet", solved, "--out", tmp_path / "3", "--width", 160, "--workers", 1).err
    assert " ".join(said.split()).count('Candidates are judged with "projected" paint') == 1
    assert "solved" not in previz("check", solved).err


def test_schema_is_json_that_takes_the_scene(previz: Command, tmp_path: Path) -> None:
    done = previz("schema")
    assert done.code == 0
    assert done.err == ""
    schema = json.loads(done.out)
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    data = tomllib.loads(laid(tmp_path).read_text(encoding="utf-8"))
    data["date"] = data["date"].isoformat()
    assert list(validator.iter_errors(data)) == []
    assert list(validator.iter_errors({**data, "scale": 20})) != []


def test_json_is_utf8_whatever_the_terminal_speaks(tmp_path: Path) -> None:
    scene = laid(tmp_path, ('title = "Small quarry"', 'title = "Grüße 橋"'))
    process = subprocess.run(
        [sys.executable, "-m", "previz.cli", "check", str(scene), "--json"],
        capture_output=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"},
        check=False,
    )
    assert process.returncode == 0, process.stderr
    assert json.loads(process.stdout.decode("utf-8"))["title"] == "Grüße 橋"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_standard_output_that_takes_nothing(tmp_path: Path) -> None:
    with Path("/dev/full").open("w") as full:
        process = subprocess.run(
            [sys.executable, "-m", "previz.cli", "check", str(laid(tmp_path)), "--json"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            check=False,
        )
    assert process.returncode == 2
    assert "cannot write to standard output" in process.stderr
    assert "Traceback" not in process.stderr
    assert "ignored" not in process.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pipe without a reader")
def test_a_reader_that_leaves_early_is_no_error(tmp_path: Path) -> None:
    process = started("check", laid(tmp_path), "--json")
    assert process.stdout is not None
    process.stdout.close()
    process.stdout = None
    done = ended(process)
    assert done.code == 0
    assert done.err == ""


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("shot", "x.toml"), 'Did you mean "shoot"?'),
        (("frobnicate",), "There are: new, check"),
        (("check", "x.toml", "--jsn"), "--json"),
        (("shoot",), "SCENE"),
        (("shoot", "x.toml", "--width", "many"), "--width"),
        (("shoot", "x.toml", "--width", "1000000000"), "--width"),
        (("shoot", "x.toml", "--workers", "0"), "--workers"),
        (("shoot", "x.toml", "--engine", "magic"), "'pictures', 'sightlines'"),
        (("shoot", "x.toml", "--out", ""), "--out"),
    ],
)
def test_words_that_are_not_understood(previz: Command, tmp_path: Path, arguments: tuple[str, ...], words: str) -> None:
    done = previz(*arguments, cwd=tmp_path)
    assert done.code == 2
    assert done.out == ""
    assert words in done.err
    assert "Traceback" not in done.err
    assert list(tmp_path.iterdir()) == []


def test_help_and_version(previz: Command) -> None:
    done = previz("--help")
    assert done.code == 0
    assert all(word in done.out for word in ("new", "check", "schema", "shoot", "score", "sheet"))
    assert previz("--version").out.strip().endswith(__version__)


def test_new_writes_a_scene_that_can_be_checked(previz: Command, tmp_path: Path) -> None:
    done = previz("new", "my-set", cwd=tmp_path)
    assert done.code == 0
    assert [path.name for path in tmp_path.iterdir()] == ["my-set.toml"]
    assert previz("check", tmp_path / "my-set.toml", "--json").code == 0
    before = (tmp_path / "my-set.toml").read_bytes()
    (tmp_path / "my-set.toml").write_bytes(b"mine")
    done = previz("new", "my-set.toml", cwd=tmp_path)
    assert done.code == 2
    assert "is there already" in done.err
    assert (tmp_path / "my-set.toml").read_bytes() == b"mine"
    assert previz("new", "my-set", "--force", cwd=tmp_path).code == 0
    assert (tmp_path / "my-set.toml").read_bytes() == before


@pytest.mark.parametrize("name", ["a/b", "..", "../x", "/x", "a\\b", "", ".", ".hidden", "a b", "ä", "x" * 300, "a\nb"])
def test_new_refuses_names_that_are_none(previz: Command, tmp_path: Path, name: str) -> None:
    folder = tmp_path / "inner"
    folder.mkdir()
    done = previz("new", "--", name, cwd=folder)
    assert done.code == 2
    assert "name" in done.err
    assert "Traceback" not in done.err
    assert [path.name for path in tmp_path.rglob("*")] == ["inner"]


def test_new_refuses_the_name_of_a_folder(previz: Command, tmp_path: Path) -> None:
    (tmp_path / "set.toml").mkdir()
    done = previz("new", "set", "--force", cwd=tmp_path)
    assert done.code == 2
    assert "is a folder" in done.err
