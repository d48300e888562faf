"""Results are whole or not there at all, and never outside their folder."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from previz.errors import OutputError
from previz.run.ledger import Ledger
from previz.run.output import OutputFolder, json_text
from previz.run.results import IN_USE, results_in


def everything(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def test_writes_and_replaces(tmp_path: Path) -> None:
    folder = OutputFolder(tmp_path / "a" / "b")
    assert folder.write_text("lens/note.txt", "schräg\n").read_bytes() == b"schr\xc3\xa4g\n"
    folder.write_bytes("lens/note.txt", b"new")
    assert (tmp_path / "a/b/lens/note.txt").read_bytes() == b"new"
    assert folder.has("lens/note.txt")
    assert everything(tmp_path) == ["a/b/lens/note.txt"]


@pytest.mark.parametrize(
    "name", ["../out.txt", "a/../../out.txt", "/etc/passwd", "", "a//b", ".hidden", "C:\\x.txt", "a\\b", "a/..", "x\n"]
)
def test_names_that_leave_the_folder_are_refused(tmp_path: Path, name: str) -> None:
    folder = OutputFolder(tmp_path / "in")
    with pytest.raises(OutputError, match="is not a name for a result"):
        folder.write_text(name, "x")
    assert everything(tmp_path) == []


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    folder = OutputFolder(tmp_path / "in")
    (tmp_path / "elsewhere").mkdir()
    try:
        (tmp_path / "in" / "lens").symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    except OSError:
        pytest.skip("links are not allowed here")
    with pytest.raises(OutputError, match="leads out of"):
        folder.write_text("lens/1001.png", "x")
    assert everything(tmp_path / "elsewhere") == []


def test_a_failing_block_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    folder = OutputFolder(tmp_path)
    folder.write_text("a.txt", "old")

    def stop_half_way(error: BaseException) -> None:
        with folder.replacing("a.txt") as temporary:
            temporary.write_text("half")
            raise error

    for error in (RuntimeError("stopped"), KeyboardInterrupt(), SystemExit(1)):
        with pytest.raises(type(error)):
            stop_half_way(error)
    assert everything(tmp_path) == ["a.txt"]
    assert (tmp_path / "a.txt").read_text() == "old"


def test_the_temporary_name_keeps_the_ending(tmp_path: Path) -> None:
    with OutputFolder(tmp_path).replacing("lens.mp4") as temporary:
        assert temporary.suffix == ".mp4"
        assert temporary.parent == tmp_path
        temporary.write_bytes(b"x")


def test_a_failure_of_the_block_that_is_not_about_writing_passes_through(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), OutputFolder(tmp_path).replacing("a.txt"):
        (tmp_path / "not-there").read_bytes()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_full_disk_says_so(tmp_path: Path) -> None:
    # the kernel's own always-full device: the error is the one of a full disk (Linux, full(4))
    folder = OutputFolder(tmp_path)

    def write_to_the_full_device() -> None:
        with folder.replacing("a.txt") as temporary:
            temporary.symlink_to("/dev/full")
            temporary.write_bytes(b"x" * 100_000)

    with pytest.raises(OutputError) as caught:
        write_to_the_full_device()
    assert "the disk is full" in str(caught.value)
    assert "a.txt" in str(caught.value)
    assert ".part-" not in str(caught.value)
    assert everything(tmp_path) == []


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EROFS, "can only be read"),
        (errno.EACCES, "is not allowed"),
        (errno.EIO, "check the disk"),
        (errno.ENAMETOOLONG, "too long"),
    ],
)
def test_a_failed_write_is_one_clear_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, words: str
) -> None:
    folder = OutputFolder(tmp_path)
    folder.write_text("a.txt", "old")

    def half_written(self: Path, data: bytes) -> int:
        with self.open("wb") as file:
            file.write(data[: len(data) // 2])
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(Path, "write_bytes", half_written)
    with pytest.raises(OutputError, match=words) as caught:
        folder.write_bytes("a.txt", b"new and longer")
    assert "\n" not in str(caught.value)
    assert str(tmp_path / "a.txt") in str(caught.value)
    assert everything(tmp_path) == ["a.txt"]
    assert (tmp_path / "a.txt").read_text() == "old"


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("I am a file")
    for path in (tmp_path / "out", tmp_path / "out" / "deeper"):
        with pytest.raises(OutputError, match="a file stands where a folder is needed"):
            OutputFolder(path)
    folder = OutputFolder(tmp_path / "results")
    folder.write_text("lens", "a file")
    with pytest.raises(OutputError, match="a file stands where a folder is needed"):
        folder.write_text("lens/1001.png", "x")
    assert (tmp_path / "out").read_text() == "I am a file"


def test_a_folder_where_the_file_should_be(tmp_path: Path) -> None:
    folder = OutputFolder(tmp_path)
    (tmp_path / "a.txt").mkdir()
    with pytest.raises(OutputError, match="a folder has the name of this file"):
        folder.write_text("a.txt", "x")
    assert everything(tmp_path) == []


@pytest.mark.skipif(os.name == "nt" or getattr(os, "geteuid", lambda: 1)() == 0, reason="this user may write anywhere")
def test_a_folder_that_may_not_be_written_to(tmp_path: Path) -> None:
    folder = OutputFolder(tmp_path / "closed")
    folder.path.chmod(0o500)
    try:
        with pytest.raises(OutputError, match="is not allowed"):
            folder.write_text("a.txt", "x")
    finally:
        folder.path.chmod(0o700)


@pytest.mark.skipif(os.name == "nt", reason="needs a signal that cannot be caught")
def test_a_killed_write_leaves_the_old_file_and_its_remains_are_swept_up(tmp_path: Path) -> None:
    OutputFolder(tmp_path).write_text("film.mp4", "old")
    code = (
        "import sys, time\nfrom previz.run.output import OutputFolder\n"
        "with OutputFolder(sys.argv[1]).replacing('film.mp4') as temporary:\n"
        "    temporary.write_text('half')\n    print('half', flush=True)\n    time.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == b"half\n"
        child.send_signal(signal.SIGKILL)
        child.wait()
    folder = OutputFolder(tmp_path)
    assert (tmp_path / "film.mp4").read_text() == "old"
    assert folder.remove_leftovers() == 0, "a write that may still go on was removed"
    (left,) = tmp_path.glob(".part-*")
    long_ago = time.time() - 3600.0
    os.utime(left, (long_ago, long_ago))
    (tmp_path / ".part-of-me").write_text("not ours")
    assert folder.remove_leftovers() == 1
    assert everything(tmp_path) == [".part-of-me", "film.mp4"]


def test_what_a_killed_run_left_goes_whatever_the_clock_said_then(tmp_path: Path) -> None:
    left = tmp_path / ".part-1-2-film.mp4"
    left.write_bytes(b"half")
    ahead = time.time() + 1e8
    os.utime(left, (ahead, ahead))
    assert OutputFolder(tmp_path).remove_leftovers() == 0, "a write that may still go on was removed"
    assert OutputFolder(tmp_path).remove_leftovers(older_than=0.0) == 1
    assert everything(tmp_path) == []


@dataclass(frozen=True)
class Pair:
    first: float
    second: tuple[int, ...]


def test_json_reads_back_and_is_the_same_for_the_same_value() -> None:
    value = {
        "b": np.float32(0.1),
        "a": [np.int64(3), float("nan"), np.inf, -0.0, True, None],
        "rate": Fraction(24000, 1001),
        "whole": Fraction(25),
        "place": Path("lens") / "1001.png",
        "pair": Pair(1 / 3, (1, 2)),
        "array": np.array([[1.0, 2.00000004]]),
        "word": "Größe",
    }
    text = json_text(value, decimals=4)
    assert json.loads(text) == {
        "a": [3, None, None, 0.0, True, None],
        "array": [[1.0, 2.0]],
        "b": 0.1,
        "pair": {"first": 0.3333, "second": [1, 2]},
        "place": "lens/1001.png",
        "rate": "24000/1001",
        "whole": 25,
        "word": "Größe",
    }
    assert list(json.loads(text)) == sorted(value)
    assert "-0.0" not in text
    assert text.endswith("}\n")
    assert "\r" not in text
    assert json_text(dict(reversed(value.items())), decimals=4) == text
    assert list(json.loads(json_text({"b": 1, "a": 2}, sort_keys=False))) == ["b", "a"]


def test_json_refuses_what_it_cannot_say() -> None:
    with pytest.raises(TypeError, match="set has no JSON form"):
        json_text({"a": {1, 2}})


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_a_pipe_of_the_lock_s_name_does_not_hold_a_run_up(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / IN_USE)
    with pytest.raises(OutputError, match=r"\.in-use is no plain file"), results_in(tmp_path):
        pass
    assert (tmp_path / IN_USE).is_fifo()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_a_pipe_of_a_ledger_s_name_counts_for_nothing(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "unfinished.jsonl")
    assert Ledger(OutputFolder(tmp_path), "unfinished.jsonl", {"of": "a test"}, int).done == {}
