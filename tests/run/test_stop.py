"""Runs that are stopped: by Ctrl-C, by a kill, and what is left of their processes."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image

from tests.command.scenes import laid
from tests.conftest import PATIENCE, Command, Done, ended, files, started

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="process groups and /proc are Linux's")

# frames to be stopped among and gone on with
FRAMES = 8
LONG = (("frames = 4", f"frames = {FRAMES}"), ("reveal = 1004", "reveal = 1008"))

# so many that no machine comes to the end of them before it is stopped (how soon it stops: ``tests.benchmarks.main``)
ENDLESS = (("frames = 4", "frames = 600"), ("reveal = 1004", "reveal = 1600"))

# a kill of the whole group as the third frame has been noted
KILLED = """
import os, signal
from previz.run.ledger import Ledger
add, noted = Ledger.add, []
def killed(*what):
    add(*what)
    noted.append(what)
    if len(noted) == 3:
        os.killpg(0, signal.SIGKILL)
Ledger.add = killed
"""


def waited(process: "subprocess.Popen[str]", until: Callable[[], bool]) -> None:
    """Wait until something is so while the process runs."""
    end = time.monotonic() + PATIENCE
    while not until():
        if process.poll() is not None or time.monotonic() > end:
            raise AssertionError(f"it never came to that: {ended(process)}")
        time.sleep(0.005)


def ledger_lines(out: Path) -> int:
    try:
        return (out / "unfinished.jsonl").read_text(encoding="utf-8").count("\n")
    except OSError:
        return 0


def living(group: int) -> list[str]:
    """Processes of a group that have not ended, as their command lines."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                state, _, pgrp = (entry / "stat").read_text().rpartition(")")[2].split()[:3]
                words = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
            except OSError:
                continue
            if int(pgrp) == group and state not in "ZX":
                found.append(words)
    return found


def gone(group: int) -> bool:
    end = time.monotonic() + PATIENCE
    while living(group):
        if time.monotonic() > end:
            return False
        time.sleep(0.02)
    return True


def whole(out: Path) -> None:
    """Every picture can be read to its end, and nothing half written is there."""
    for name in files(out):
        assert ".part-" not in name
        if name.endswith(".png"):
            with Image.open(out / name) as picture:
                picture.load()


def interrupted(process: "subprocess.Popen[str]", times: int = 1) -> Done:
    for _ in range(times):
        os.killpg(process.pid, signal.SIGINT)
        time.sleep(0.01)
    done = ended(process)
    assert done.code == 130
    assert done.out == ""
    assert "Traceback" not in done.err
    assert "ignored" not in done.err
    assert "stopped; whole files are kept" in done.err
    assert gone(process.pid)
    return done


@pytest.mark.slow
def test_ctrl_c_among_the_frames(tmp_path: Path) -> None:
    scene, out = laid(tmp_path, *ENDLESS), tmp_path / "out"
    process = started("shoot", scene, "--out", out, "--width", 160, "--workers", 2, "--json")
    waited(process, lambda: ledger_lines(out) >= 3)
    interrupted(process)
    whole(out)
    assert "summary.json" not in files(out)
    assert "lens.mp4" not in files(out)
    assert "unfinished.jsonl" in files(out)


def test_ctrl_c_while_the_set_is_built(tmp_path: Path) -> None:
    scene, out = laid(tmp_path, *ENDLESS), tmp_path / "out"
    process = started("shoot", scene, "--out", out, "--width", 160, "--workers", 2)
    # the folder is taken just before the workers start and the set is built
    waited(process, lambda: (out / ".in-use").exists())
    interrupted(process, times=2)
    assert set(files(out) if out.exists() else ()) <= {".in-use"}


@pytest.mark.sweep
def test_killed_then_going_on(previz: Command, tmp_path: Path) -> None:
    scene, out = laid(tmp_path, *LONG), tmp_path / "out"
    process = started("shoot", scene, "--out", out, "--width", 160, "--workers", 2, first=KILLED)
    assert ended(process).code == -signal.SIGKILL
    noted = ledger_lines(out) - 1
    assert noted == 3
    # what a kill in the middle of a write leaves behind
    (out / "lens" / f".part-{process.pid}-7-1009.png").write_bytes(b"half")
    frames = {name: (out / name).stat().st_mtime_ns for name in files(out) if name.endswith(".png")}
    done = previz("shoot", scene, "--out", out, "--width", 160, "--workers", 1)
    assert done.code == 0
    assert f"{noted} of {FRAMES} frames are there already" in done.err
    assert f"judged: {FRAMES - noted}" in done.err
    for number in range(1001, 1001 + noted):
        for series in ("lens", "side"):
            name = f"{series}/{number}.png"
            assert (out / name).stat().st_mtime_ns == frames[name], "a finished frame was drawn again"
    assert previz("shoot", scene, "--out", tmp_path / "at once", "--width", 160, "--workers", 1).code == 0
    assert files(out) == files(tmp_path / "at once")


@pytest.mark.slow
def test_workers_do_not_outlive_a_killed_command(tmp_path: Path) -> None:
    scene, out = laid(tmp_path, *ENDLESS), tmp_path / "out"
    process = started("score", scene, "--out", out, "--width", 1600, "--workers", 2)
    waited(process, lambda: sum("spawn_main" in words for words in living(process.pid)) == 2)
    os.kill(process.pid, signal.SIGKILL)
    # a worker that is still loading its libraries learns of it when it has
    assert gone(process.pid), living(process.pid)
    process.communicate()


@pytest.mark.slow
def test_a_worker_that_is_killed_is_one_message(tmp_path: Path) -> None:
    scene, out = laid(tmp_path, *ENDLESS), tmp_path / "out"
    process = started("score", scene, "--out", out, "--width", 160, "--workers", 2)
    workers: list[int] = []

    def there() -> bool:
        workers[:] = [int(e.name) for e in Path("/proc").iterdir() if e.name.isdigit() and _is_worker(e, process.pid)]
        return len(workers) == 2

    waited(process, there)
    os.kill(workers[0], signal.SIGKILL)
    done = ended(process)
    assert done.code == 2
    assert "a worker process ended unexpectedly" in done.err
    assert "Traceback" not in done.err
    assert not out.exists()


def _is_worker(entry: Path, parent: int) -> bool:
    try:
        ppid = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
        return ppid == parent and b"spawn_main" in (entry / "cmdline").read_bytes()
    except OSError:
        return False


@pytest.mark.skipif(sys.platform == "win32", reason="signals are sent as Linux and macOS send them")
def test_ctrl_c_while_libraries_are_loaded(tmp_path: Path) -> None:
    """Stopped as the first module of the commands is looked for."""
    (tmp_path / "sitecustomize.py").write_text(
        "import os, signal, sys\n"
        "class Finder:\n"
        "    def find_spec(self, name, *rest):\n"
        "        if name == 'previz.cli':\n"
        "            os.kill(os.getpid(), signal.SIGINT)\n"
        "sys.meta_path.insert(0, Finder())\n",
        encoding="utf-8",
    )
    places = os.pathsep.join([str(tmp_path), str(Path(__file__).parents[2])])
    done = subprocess.run(
        [sys.executable, "-m", "previz", "check", "x.toml"],
        env={**os.environ, "PYTHONPATH": places},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 130
    assert done.stdout == ""
    assert done.stderr == "previz: stopped before it began\n"
