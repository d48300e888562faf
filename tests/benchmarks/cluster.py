"""Many machines, as four workers of one: ``python -m tests.benchmarks.cluster``, two of them killed on the way.

A search of a small set by the fast judge, and its best drawn and judged, through ``previz search --cluster``: the same
bytes as at home, and how much sooner four workers are done than one. A cluster starts no worker anew here, so that from
the second kill on two do the work of four. Four workers want four cores: with fewer the ratio says nothing.
``--quick`` tries fewer candidates of a shorter film and measures no ratio; it takes some two minutes of processor time,
for each of five processes loads its libraries and looks at the wall first.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.benchmarks.figures import Figure, at_least, machine, options, report
from tests.search.example import small

WORKERS = 4
BUDGET, QUICK = 400, 12

# the quick run's film is short, for its best are drawn and judged frame by frame
SHORT = (
    ("frames = 24", "frames = 6"),
    ("hold = [1001, 1008]", "hold = [1001, 1003]"),
    ("reveal = 1022", "reveal = 1006"),
    ("station = [1001, 1008]", "station = [1001, 1003]"),
    ("finalists = 2", "finalists = 1"),
)

# shares of the candidates tried when a worker is killed
KILLED_AT = (0.3, 0.6)

# s that anything may take
PATIENCE = 3000.0


@contextmanager
def cluster(workers: int) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """Scheduler and workers as README starts them, but for the nanny: who is killed stays away."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "scheduler.json"
        line = [sys.executable, "-m", "dask"]
        common = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": Path(__file__).parents[2]}
        head = [*line, "scheduler", "--host", "127.0.0.1", "--port", "0", "--dashboard-address", ":0"]
        started = [subprocess.Popen([*head, "--scheduler-file", str(file)], **common)]
        try:
            address = address_in(file)
            worker = [*line, "worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard"]
            started += [subprocess.Popen(worker, **common) for _ in range(workers)]
            await_workers(address, workers)
            yield address, started[1:]
        finally:
            for process in started:
                process.kill()
                process.wait()


def address_in(file: Path) -> str:
    """The scheduler's address, as soon as it has written it."""
    until = time.monotonic() + 60.0
    while time.monotonic() < until:
        if file.exists() and file.stat().st_size:
            return str(json.loads(file.read_text(encoding="utf-8"))["address"])
        time.sleep(0.1)
    raise RuntimeError("no scheduler came up")


def await_workers(address: str, count: int) -> None:
    """Wait until so many workers are there."""
    from distributed import Client

    with Client(address, set_as_default=False) as client:
        client.wait_for_workers(count, timeout=120)


def searched(
    scene: Path, out: Path, budget: int, address: str | None, kill: list[subprocess.Popen[bytes]]
) -> tuple[float, dict[str, bytes]]:
    """Seconds that a search takes, and the bytes it leaves; the first two of ``kill`` are killed on the way."""
    words = [sys.executable, "-m", "previz", "search", str(scene), "--out", str(out), "--budget", str(budget)]
    words += ["--workers", "1"] if address is None else ["--cluster", address]
    begun = time.monotonic()
    run = subprocess.Popen(words, stderr=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2])
    shares = [round(share * budget) for share in KILLED_AT]
    said = []
    for line in run.stderr or ():
        said.append(line)
        if line.startswith("candidates tried: ") and kill and shares and int(line.split()[2]) >= shares[0]:
            shares.pop(0)
            os.kill(kill.pop(0).pid, signal.SIGKILL)
    if run.wait(timeout=PATIENCE):
        raise RuntimeError("".join(said[-5:]))
    seconds = time.monotonic() - begun
    return seconds, {p.relative_to(out).as_posix(): p.read_bytes() for p in sorted(out.rglob("*")) if p.is_file()}


def main() -> None:
    """Measure and print."""
    asked = options(str(__doc__).splitlines()[0])
    # whoever stops this stops the cluster, too
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    budget = QUICK if asked.quick else BUDGET
    cores = int(machine()["cores"])
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        scene = small(folder, *(SHORT if asked.quick else ()))
        own_s, home = searched(scene, folder / "home", budget, None, [])
        with cluster(WORKERS) as (address, workers):
            doomed = workers[:2]
            killed_s, killed = searched(scene, folder / "killed", budget, address, doomed)
        wrong = differing(home, killed)
        figures = [
            Figure("cores here", cores, ""),
            Figure(f"candidates, {WORKERS} workers", budget, ""),
            Figure("here, one worker", own_s, "s"),
            Figure(f"cluster of {WORKERS}, two killed on the way", killed_s, "s"),
            at_least("killed on the way", 2 - len(doomed), "workers", 2),
            Figure("files that differ from those at home", wrong, "", "<= 0", wrong == 0),
        ]
        left_out = ["ratios of four workers to one"]
        if not asked.quick:
            with cluster(1) as (address, _):
                one_s, one = searched(scene, folder / "one", budget, address, [])
            with cluster(WORKERS) as (address, _):
                four_s, four = searched(scene, folder / "four", budget, address, [])
            differ = differing(home, one) + differing(home, four)
            figures += [
                Figure("cluster of one", one_s, "s"),
                Figure(f"cluster of {WORKERS}", four_s, "s"),
                Figure("files that differ, none killed", differ, "", "<= 0", differ == 0),
            ]
            name = f"{WORKERS} workers to one, two killed"
            if cores > WORKERS:
                figures += [at_least(f"{WORKERS} workers to one", one_s / four_s, "times", 3.0)]
                figures += [Figure(name, one_s / killed_s, "times")]
                left_out = []
    report("cluster", figures, asked.json, left_out)


def differing(one: dict[str, bytes], other: dict[str, bytes]) -> int:
    """How many files are in one and not the same in the other."""
    return sum(one.get(name) != other.get(name) for name in {*one, *other})


if __name__ == "__main__":
    main()
