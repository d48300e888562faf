"""The tool against an independent path tracer: ``python -m tests.benchmarks.reality [--quick] [--json]``.

Every part of every set is a run of its own, so that a long run may be cut up, go on where it stopped, or be made on
several machines: ``--part P --set NAME`` (several of each), ``--workers N`` sets side by side, all that is made is kept
in ``--kept``. ``--record`` keeps what was found for the tests and the README, ``--table`` measures nothing and prints
the figures and tables of what is recorded. ``--stage`` makes frames in three steps: preparing and judging need the
tool, tracing needs mitsuba (the extra "bench") and gains by a graphics card.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path

from tests.benchmarks.figures import report
from tests.benchmarks.reality.pairs import write_pair
from tests.benchmarks.reality.record import PARTS, RECORDED, apart_table, figures_of, table
from tests.benchmarks.reality.runs import ONE_SET, QUICK_LEFT_OUT, Run, quick_figures, run_part
from tests.benchmarks.reality.sets import NAMES
from tests.benchmarks.reality.tracer import best_variant


def arguments(words: Sequence[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description="What does an independent path tracer see of what the tool says?")
    parser.add_argument("--quick", action="store_true", help="less than 45 s; says which figures it left out")
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")
    parser.add_argument("--table", action="store_true", help="measure nothing: figures and tables of what is recorded")
    parser.add_argument("--record", action="store_true", help="keep what was found for the tests and the README")
    parser.add_argument("--part", action="append", choices=PARTS, help="this part alone (several times)")
    parser.add_argument("--set", action="append", choices=NAMES, help="this set alone (several times)")
    parser.add_argument("--stage", choices=("prepare", "trace", "judge"), help="this step of the part frames alone")
    parser.add_argument("--workers", type=int, default=1, help="sets at a time")
    parser.add_argument("--kept", type=Path, help="keeps what is made, and goes on with what lies there")
    parser.add_argument("--samples", type=int, default=1024, help="paths a pixel; with few their noise counts as break")
    parser.add_argument("--frames", type=int, default=12, help="frames of each set, at most")
    parser.add_argument("--builds", type=int, default=10, help="builds by a careful hand")
    parser.add_argument("--pictures", type=Path, help="leaves pairs of frames there, of sets that lie in --kept")
    parser.add_argument("--variant", help="mitsuba's way of drawing; the fastest there is unless given")
    return parser.parse_args(words)


def main(words: Sequence[str] | None = None) -> None:
    """Measure, or print what was recorded."""
    asked = arguments(words)
    if asked.quick:
        report("reality", quick_figures(), asked.json, QUICK_LEFT_OUT)
        return
    if asked.table:
        report("reality", figures_of(RECORDED), asked.json)
        if not asked.json:
            print(f"\n{table(RECORDED)}\n\n{apart_table(RECORDED)}")
        return
    with tempfile.TemporaryDirectory() as folder:
        kept = asked.kept or Path(folder)
        variant = asked.variant or (best_variant() if asked.stage in (None, "trace") else "")
        runs = [
            Run(part, name, kept, variant, asked.samples, asked.frames, asked.stage, asked.builds, asked.workers)
            for part in asked.part or PARTS
            for name in asked.set or ONE_SET.get(part, NAMES)
        ]
        _all(runs, asked.workers)
        if asked.pictures is not None:
            for name in asked.set or NAMES:
                if (kept / name / "traced").exists():
                    write_pair(kept / name, name, asked.pictures)
        found = kept / "found"
        if asked.record:
            RECORDED.mkdir(parents=True, exist_ok=True)
            for path in sorted(found.glob("*.json")):
                (RECORDED / path.name).write_text(path.read_text(encoding="utf-8"), encoding="utf-8")
        report("reality", figures_of(found), asked.json)
        if not asked.json:
            print(f"\n{table(found)}\n\n{apart_table(found)}")


def _all(runs: Sequence[Run], workers: int) -> None:
    started = time.monotonic()

    def say(run: Run, outcome: str) -> None:
        print(f"{time.monotonic() - started:7.0f} s  {run.part} {run.name}: {outcome}", file=sys.stderr, flush=True)

    if workers <= 1:
        for run in runs:
            say(run, run_part(run))
        return
    with ProcessPoolExecutor(workers, get_context("spawn"), max_tasks_per_child=1) as pool:
        jobs = {pool.submit(run_part, run): run for run in runs}
        for job in as_completed(jobs):
            say(jobs[job], job.result())


if __name__ == "__main__":
    main()
