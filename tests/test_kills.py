"""The benchmark of kills finds what it is to find: half files, what is left, other bytes, processes that live on."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.benchmarks.kills import Trial, compared, figures_of, halves, is_whole, living
from tests.command.scenes import cut_short

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="process groups and /proc are Linux's")


def test_half_a_file_is_told_from_a_whole_one(tmp_path: Path) -> None:
    picture, table = tmp_path / "1001.png", tmp_path / "summary.json"
    Image.fromarray(np.random.default_rng(1).integers(0, 255, (40, 40, 3), dtype=np.uint8)).save(picture)
    table.write_text('{"hold": [1, 2]}', encoding="utf-8")
    assert is_whole(picture)
    assert is_whole(table)
    assert not is_whole(cut_short(picture))
    assert not is_whole(cut_short(table))


def test_half_files_are_told_and_what_belongs_there_is_not(tmp_path: Path) -> None:
    found = {"hold.csv": b"frame,ra", "done.csv": b"1\n", "unfinished.jsonl": b'{"ru', ".in-use": b"",
             "lens/.part-7-1-1001.png": b"half"}  # fmt: skip
    assert halves("KILL", found, tmp_path, {"hold.csv": b"frame,rail\n", "done.csv": b"1\n"}) == [
        "half: KILL: hold.csv, 8 bytes"
    ]


def test_what_is_left_in_the_end_is_told() -> None:
    wanted = {"hold.csv": b"1", "lens.mp4": b"2"}
    assert compared(wanted, wanted) == []
    found = {"hold.csv": b"3", ".in-use": b"", "lens/.part-7-1-1001.png": b"", "unfinished.jsonl": b""}
    assert compared(found, wanted) == [
        "lock: lies there in the end",
        "left: lens/.part-7-1-1001.png",
        "other: hold.csv, lens.mp4, unfinished.jsonl (3 in all)",
    ]


def test_a_process_that_lives_on_is_seen() -> None:
    child = "import subprocess, sys; subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])"
    process = subprocess.Popen([sys.executable, "-c", child], start_new_session=True)
    process.wait()
    # an orphan has its command line once it has begun
    while not any("sleep" in words for _, words in living(process.pid)):
        time.sleep(0.01)
    os.killpg(process.pid, signal.SIGKILL)
    while living(process.pid):
        time.sleep(0.01)


def test_troubles_are_counted() -> None:
    trials = [Trial(0, "shoot", ["KILL", "full"], ["half: a", "half: b", "other: c"]), Trial(1, "rig", ["worker"])]
    figures = {figure.name: figure for figure in figures_of(trials)}
    assert figures["kills"].value == 2
    assert figures["half-written files of a final name"].value == 2
    assert figures["results with other bytes after going on"].met is False
    assert figures["stale locks"].met is True
