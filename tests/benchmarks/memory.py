"""What the demonstration sets take of memory, and what a run said beforehand that it would.

Every set is shot with its film cut to a few frames: memory goes by the set and the frames' width, not by their number.
The peak is what the system says that a process held at most (its resident set); with more workers, the sum of theirs.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

from previz.run.memory import need_of
from previz.scene.reader import read_scene
from tests.benchmarks.figures import Figure, report
from tests.conftest import ROOT

# commands, and what makes each of them short without making it smaller
COMMANDS: Final[dict[str, list[str]]] = {
    "shoot": [],
    "score": [],
    "sheet": [],
    "plate": [],
    "paint": ["--steps", "4"],
    "rig": [],
    "search": ["--budget", "20"],
    "knock": ["--samples", "10"],
}
# those without these options: they look at frames as wide as they are delivered, or as wide as they are judged
WIDTHLESS: Final = ("paint", "rig")
ONE_WORKER: Final = ("rig",)

SETS: Final = ("quarry", "seastack", "crevasse")
WIDTHS: Final = (960, 1920)

# a forecast may be as far from the peak
LEAST, MOST = 0.8, 1.5

_CUTS: Final = (
    (r"(?m)^frames = \d+", "frames = 4"),
    (r"(?m)^stand = \d+", "stand = 1"),
    (r"(?m)^hold = \[\d+, \d+\]", "hold = [1001, 1002]"),
    (r"(?m)^reveal = \d+", "reveal = 1004"),
    (r"(?m)^station = 1\d+", "station = 1001"),
)


def cut_short(name: str, folder: Path) -> Path:
    """A demonstration set with a film of four frames, beside the files that it names."""
    text = (ROOT / "scenes" / f"{name}.toml").read_text(encoding="utf-8")
    for old, new in _CUTS:
        text, count = re.subn(old, new, text)
        assert count == 1 or "station" in old, old
    for path in (ROOT / "scenes").iterdir():
        if path.suffix != ".toml":
            (folder / path.name).symlink_to(path, target_is_directory=path.is_dir())
    place = folder / f"{name}.toml"
    place.write_text(text, encoding="utf-8", newline="\n")
    return place


def peak_of(words: list[str], folder: Path) -> tuple[int, dict[int, int]]:
    """The most bytes that a command held, and that each of its workers held. Raises RuntimeError where it fails."""
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    with (folder / "said.txt").open("w+") as said:
        command = [sys.executable, "-m", "previz.cli", *words]
        process = subprocess.Popen(command, env=env, stdout=said, stderr=said, cwd=folder)
        workers: dict[int, int] = {}
        while True:
            ended, status, used = os.wait4(process.pid, os.WNOHANG)
            if ended:
                break
            for worker in _children(process.pid):
                workers[worker] = max(workers.get(worker, 0), _peak(worker))
            time.sleep(0.05)
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode:
            said.seek(0)
            raise RuntimeError(f"{' '.join(words)} ends with {process.returncode}: {said.read()[-500:]}")
    # the system keeps one number for a process and for those that it has waited for
    return used.ru_maxrss * 1024, workers


def _children(process: int) -> list[int]:
    try:
        text = Path(f"/proc/{process}/task/{process}/children").read_text(encoding="ascii")
    except OSError:
        return []
    return [int(word) for word in text.split()]


def _peak(process: int) -> int:
    try:
        found = re.search(r"VmHWM:\s+(\d+) kB", Path(f"/proc/{process}/status").read_text(encoding="ascii"))
    except OSError:
        return 0
    return 0 if found is None else int(found[1]) * 1024


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description="memory that the demonstration sets take")
    parser.add_argument("--quick", action="store_true", help="less than 45 s; says which figures it left out")
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")
    parser.add_argument("--sets", nargs="+", choices=SETS, default=list(SETS))
    parser.add_argument("--widths", nargs="+", type=int, default=list(WIDTHS))
    parser.add_argument("--workers", nargs="+", type=int, default=[1])
    parser.add_argument("--command", default="shoot", choices=tuple(COMMANDS))
    asked = parser.parse_args()
    sets, widths = (["quarry"], [960]) if asked.quick else (asked.sets, asked.widths)
    command = "score" if asked.quick else asked.command
    figures: list[Figure] = []
    for name in sets:
        for width in widths:
            for workers in asked.workers:
                with tempfile.TemporaryDirectory(prefix="memory-") as there:
                    folder = Path(there)
                    path = cut_short(name, folder)
                    words = [command, str(path), *COMMANDS[command], "--out", "out"]
                    words += [] if command in WIDTHLESS else ["--width", str(width)]
                    words += [] if command in ONE_WORKER else ["--workers", str(workers)]
                    own, others = peak_of(words, folder)
                    peak = own + (sum(others.values()) if workers > 1 else 0)
                    seen = None if command in WIDTHLESS else width
                    told = need_of(read_scene(path), seen, solves=command == "paint").of(workers)
                title = f"{name}, {width} px, {workers} worker{'s' if workers > 1 else ''}"
                figures.append(Figure(f"{title}: peak", round(peak / 1e6), "MB"))
                if workers > 1:
                    most = max(others.values())
                    figures.append(Figure(f"{title}: the largest of its workers", round(most / 1e6), "MB"))
                share = told / peak
                met = bool(LEAST <= share <= MOST)
                figures.append(Figure(f"{title}: forecast / peak", share, "", f"{LEAST} to {MOST}", met))
                if not asked.json:
                    print(figures[-1], round(peak / 1e6), round(told / 1e6), file=sys.stderr, flush=True)
    left_out = [f"{', '.join(s for s in SETS if s not in sets)}, 1920 px, all but score"] if asked.quick else []
    report("memory", figures, asked.json, left_out)


if __name__ == "__main__":
    main()
