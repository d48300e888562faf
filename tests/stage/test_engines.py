"""Which engine draws, and what is said about it; and errors that come from worker processes."""

import json
import os
import pickle
from pathlib import Path

import pytest

from previz.errors import EngineError, Fault, JudgeError, SceneError
from previz.run.workers import WorkerPool
from tests.command.scenes import laid
from tests.conftest import ROOT, Command, ended, files, started

BLOCKED = """\
import sys
sys.modules["OpenGL"] = None
"""


@pytest.fixture
def without_opengl(tmp_path: Path) -> dict[str, str]:
    """An environment in which ``import OpenGL`` fails, in this process's children and in theirs."""
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "sitecustomize.py").write_text(BLOCKED, encoding="utf-8")
    return {"PYTHONPATH": os.pathsep.join([str(tmp_path / "site"), str(ROOT)])}


@pytest.mark.sweep
def test_without_opengl_sight_lines_draw_and_one_line_says_so(
    previz: Command, tmp_path: Path, without_opengl: dict[str, str]
) -> None:
    scene = laid(tmp_path / "set")
    options = ("--width", 160, "--workers", 2, "--json")
    silent = ended(started("score", scene, "--out", tmp_path / "1", *options, env=without_opengl))
    assert silent.code == 0, silent.err
    assert json.loads(silent.out)["engine"] == "sight lines"
    (line,) = silent.err.splitlines()
    assert line.startswith("no OpenGL here: frames are drawn by sight lines")
    # asked for, the same engine gives the same by one worker, and there is nothing to say
    options = ("--width", 160, "--workers", 1, "--json", "--engine", "sightlines")
    asked = previz("score", scene, "--out", tmp_path / "2", *options)
    assert asked.err == ""
    assert files(tmp_path / "2") == files(tmp_path / "1")


def test_without_opengl_pictures_cannot_be_had(tmp_path: Path, without_opengl: dict[str, str]) -> None:
    scene = laid(tmp_path / "set")
    options = ("--width", 160, "--engine", "pictures", "--workers", 1)
    done = ended(started("score", scene, "--out", tmp_path / "1", *options, env=without_opengl))
    assert done.code == 2
    assert done.err.startswith("previz: ")
    assert "ask for" in done.err
    assert "Traceback" not in done.err
    assert not (tmp_path / "1").exists()


def test_engine_from_the_environment(previz: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scene = laid(tmp_path / "set")
    monkeypatch.setenv("PREVIZ_ENGINE", "sightlines")
    done = previz("score", scene, "--out", tmp_path / "1", "--width", 160, "--workers", 1, "--json")
    assert json.loads(done.out)["engine"] == "sight lines"
    monkeypatch.setenv("PREVIZ_ENGINE", "magic")
    done = previz("score", scene, "--out", tmp_path / "2", "--width", 160, "--workers", 1, "--json")
    assert done.code == 2
    assert "magic" in done.err
    assert not (tmp_path / "2").exists()


@pytest.mark.usefixtures("opengl")
def test_pictures_draw_where_there_is_opengl(previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path / "set")
    done = previz("score", scene, "--out", tmp_path / "1", "--width", 160, "--workers", 1, "--json")
    assert json.loads(done.out)["engine"] == "pictures"
    assert done.err == ""


def test_a_room_has_no_more_workers_than_jobs() -> None:
    assert WorkerPool(64, None, 3).workers == 3
    assert WorkerPool(2, None, 100).workers == 2
    assert WorkerPool(5, None, 0).workers == 1


@pytest.mark.parametrize(
    "error",
    [
        SceneError([Fault("a.toml", 3, 1, "bridge.length", "a length", "700"), Fault("a.toml", 4, 1, "", "b", "c")]),
        EngineError("no engine"),
        JudgeError("not in the frame"),
    ],
)
def test_errors_travel_from_a_worker_unchanged(error: Exception) -> None:
    back = pickle.loads(pickle.dumps(error))
    assert type(back) is type(error)
    assert str(back) == str(error)
    assert getattr(back, "faults", None) == getattr(error, "faults", None)
