"""Folders that cannot be written to, disks that fill up, and two runs that want the same folder."""

import errno
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from previz.errors import OutputError
from previz.run.results import IN_USE, results_folder, results_in
from tests.command.scenes import laid
from tests.conftest import Command, Run, files

QUICK = ("--width", 160, "--workers", 1)
LOOKING = ("shoot", "score", "sheet")


@pytest.mark.parametrize("command", LOOKING)
def test_out_is_a_file(previz: Command, tmp_path: Path, command: str) -> None:
    (tmp_path / "out").write_bytes(b"mine")
    done = previz(command, laid(tmp_path / "set"), "--out", tmp_path / "out", *QUICK)
    assert done.code == 2
    assert "a file stands where a folder is needed" in done.err
    assert files(tmp_path)["out"] == b"mine"


@pytest.mark.parametrize("command", LOOKING)
def test_out_lies_under_a_file(previz: Command, tmp_path: Path, command: str) -> None:
    (tmp_path / "file").write_bytes(b"mine")
    done = previz(command, laid(tmp_path / "set"), "--out", tmp_path / "file" / "a" / "b", *QUICK)
    assert done.code == 2
    assert "cannot write" in done.err
    assert "Traceback" not in done.err


def test_a_name_too_long(previz: Command, tmp_path: Path) -> None:
    done = previz("score", laid(tmp_path / "set"), "--out", tmp_path / ("x" * 5000), *QUICK)
    assert done.code == 2
    assert "too long" in done.err
    assert "Traceback" not in done.err


@pytest.mark.skipif(not Path("/proc/version").exists(), reason="no folder that nobody can write to")
@pytest.mark.parametrize("command", LOOKING)
def test_a_folder_nobody_can_write_to(previz: Command, tmp_path: Path, command: str) -> None:
    done = previz(command, laid(tmp_path / "set"), "--out", "/proc/previz", *QUICK)
    assert done.code == 2
    assert "cannot write" in done.err
    assert done.err.count("\n") == 1


def test_a_file_in_the_way_of_the_frames(previz: Command, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "lens").write_bytes(b"mine")
    done = previz("shoot", laid(tmp_path / "set"), "--out", out, *QUICK)
    assert done.code == 2
    assert "a file stands where a folder is needed" in done.err
    assert files(out) == {"lens": b"mine"}


def test_a_link_that_leads_out_is_not_followed(previz: Command, tmp_path: Path) -> None:
    out, other = tmp_path / "out", tmp_path / "other"
    out.mkdir()
    other.mkdir()
    (other / ".part-1-1-1001.png").write_bytes(b"not ours")
    try:
        (out / "lens").symlink_to(other, target_is_directory=True)
    except OSError:
        pytest.skip("no links on this system")
    done = previz("shoot", laid(tmp_path / "set"), "--out", out, *QUICK)
    assert done.code == 2
    assert "leads out of" in done.err
    assert files(other) == {".part-1-1-1001.png": b"not ours"}


def test_a_write_that_fails_in_the_middle(
    shot: Run, previz: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half the bytes reach the disk, then it refuses."""
    write = Path.write_bytes
    left = [3]

    def failing(path: Path, data: bytes) -> int:
        left[0] -= 1
        if left[0] >= 0:
            return write(path, data)
        write(path, data[: len(data) // 2])
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))

    with monkeypatch.context() as there:
        there.setattr(Path, "write_bytes", failing)
        done = previz("shoot", shot.scene, "--out", tmp_path / "out", "--figure", *QUICK)
    assert done.code == 2
    assert "the disk is full" in done.err
    assert "Traceback" not in done.err
    made = files(tmp_path / "out")
    wanted = files(shot.out)
    assert made
    for name, data in made.items():
        if not name.startswith("unfinished"):
            assert data == wanted[name]
    # with room again the same command goes on
    assert previz("shoot", shot.scene, "--out", tmp_path / "out", "--figure", *QUICK).code == 0
    assert files(tmp_path / "out") == wanted


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of its own that holds 96 kB."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = shutil.which("mount")
    if not sys.platform.startswith("linux") or mount is None:
        pytest.skip("small disks are made with mount")
    made = subprocess.run(
        [mount, "-t", "tmpfs", "-o", "size=96k", "tmpfs", str(place)], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip("mounting is not allowed here")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_disk_that_is_full(shot: Run, previz: Command, small_disk: Path) -> None:
    done = previz("shoot", shot.scene, "--out", small_disk / "out", "--figure", *QUICK)
    assert done.code == 2
    assert "the disk is full" in done.err
    assert "Traceback" not in done.err
    wanted = files(shot.out)
    for name, data in files(small_disk).items():
        short = name.removeprefix("out/")
        assert short.startswith("unfinished") or data == wanted[short]


def test_a_disk_that_is_full_from_the_start(previz: Command, tmp_path: Path, small_disk: Path) -> None:
    (small_disk / "fill").write_bytes(bytes(96 * 1024))
    done = previz("score", laid(tmp_path / "set"), "--out", small_disk / "out", *QUICK)
    assert done.code == 2
    assert "the disk is full" in done.err
    assert files(small_disk).keys() == {"fill"}
    done = previz("new", "walk", cwd=small_disk)
    assert done.code == 2
    assert "the disk is full" in done.err
    assert files(small_disk).keys() == {"fill"}


def test_two_runs_do_not_share_a_folder(previz: Command, tmp_path: Path) -> None:
    scene, out = laid(tmp_path / "set"), tmp_path / "out"
    with results_in(out):
        done = previz("score", scene, "--out", out, *QUICK)
        assert done.code == 2
        assert "another run is writing" in done.err
        assert (out / IN_USE).exists()
    assert files(out) == {}
    # a file that a killed run has left is nothing to wait for
    (out / IN_USE).write_bytes(b"")
    assert previz("score", scene, "--out", out, *QUICK).code == 0
    assert files(out).keys() == {"hold.csv", "summary.json"}


def failing_run(path: Path, make: str = "") -> None:
    """A run that makes a folder or a file in its results, and fails."""
    with pytest.raises(OutputError, match="no luck"):
        _fail_in(path, make)


def _fail_in(path: Path, make: str) -> None:
    with results_in(path) as folder:
        if make.endswith(".csv"):
            folder.write_bytes(make, b"1")
        elif make:
            (folder.path / make).mkdir()
        raise OutputError("no luck")


def test_a_failed_run_leaves_no_empty_folders(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    failing_run(tmp_path / "there" / "a" / "b", "lens")
    assert [path.name for path in tmp_path.rglob("*")] == ["there"]
    # a folder that was there stays, and so does one with something in it
    failing_run(tmp_path / "there")
    failing_run(tmp_path / "new", "hold.csv")
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["hold.csv", "new", "there"]


@pytest.mark.parametrize(
    ("scene", "expected"),
    [
        ("quarry.toml", "renders/quarry"),
        ("sets/a.b.toml", "renders/a.b"),
        ("...toml", "renders/scene"),
        ("walk .toml", "renders/walk"),
        ("ä ö.toml", "renders/ä ö"),
    ],
)
def test_the_folder_of_a_scene_lies_in_renders(scene: str, expected: str) -> None:
    assert results_folder(Path(scene), None) == Path(expected)


def test_a_bug_is_not_hidden(previz: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from previz.command.shoot import shoot as shooting

    def broken(*_: Any) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(shooting, "made_ready", broken)
    with pytest.raises(ZeroDivisionError):
        previz("score", laid(tmp_path / "set"), "--out", tmp_path / "out", *QUICK)
    assert not (tmp_path / "out").exists()


def test_too_little_memory_is_said(previz: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from previz.command.shoot import shoot as shooting

    def greedy(*_: Any) -> None:
        raise MemoryError

    monkeypatch.setattr(shooting, "made_ready", greedy)
    done = previz("score", laid(tmp_path / "set"), "--out", tmp_path / "out", *QUICK)
    assert done.code == 2
    assert "not enough memory" in done.err
