"""Attack: ``python -m tests.benchmarks.attack [--quick] [--json] [--workers N] [--cases N] [--sets N] [--seed S]
[--kept FOLDER]``.

Faulty scenes, meshes, pictures, photographs, tables and bench messages (``attackcases.py``), each read as the
commands read it; and valid random sets (``attacksets.py``) all the way through ``shoot`` at 320 px. Case and set are
drawn by number and seed alone: one that failed is run again by ``--case N`` or ``--set N``, which prints its traceback.

With ``--kept`` every outcome is kept as a line of JSON in that folder, what failed with its files, and a run that was
stopped goes on from there. Each worker is a process of its own: one that dies, or that takes more than a minute, is
counted and replaced. Memory is what the process holds at most beyond what it held before, looked at 50 times a second.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import queue
import shutil
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any, Final

import numpy as np

from previz.errors import PrevizError, SceneError
from tests.benchmarks.figures import Figure, at_most, report

SEED: Final = 21
CASES, SETS = 100_000, 500
QUICK_CASES, QUICK_SETS = 1000, 1
QUICK_S: Final = 32.0

# s for which what was begun is waited for when time is up; then it is left out
GRACE_S: Final = 5.0

# the first of the sets of a quick run: its paint need not be solved
QUICK_SET: Final = 1

# a case may take as long, s, and as much memory, bytes, over what its process had before
SLOW_S: Final = 5.0
LARGE: Final = 1_000_000_000

_PAGE: Final = os.sysconf("SC_PAGE_SIZE") if hasattr(os, "sysconf") else 4096

# after so many s a worker is stopped: a case, a set
PATIENCE: Final = {"case": 60.0, "set": 900.0}

# what is counted: a word that a trouble begins with, and the figure's name
TROUBLES: Final = {
    "traceback": "cases that end in a traceback",
    "died": "cases that end the process",
    "slow": f"cases over {SLOW_S:g} s",
    "large": f"cases over {LARGE / 1e9:g} GB",
    "control": "messages with raw control characters",
    "place": "scene faults without file and line",
    "long": "messages over 100 lines",
}
SET_TROUBLES: Final = {
    "traceback": "sets that end in a traceback",
    "died": "sets that end the process",
    "warning": "sets that warn",
    "NaN": "sets with a value that is no number",
    "no light": "sets whose first frame is black",
    "slow": "sets with a frame over 20 s",
    "range": "sets with a score out of range",
    "hold": "sets whose hold is not what their table says",
}


@dataclass
class Outcome:
    """What came of a case or set: ``what`` it was, ``troubles`` in words, what it ``said``, and what it cost."""

    job: str
    number: int
    kind: str = ""
    what: str = ""
    troubles: list[str] = field(default_factory=list)
    said: str = ""
    refused: bool = False
    seconds: float = 0.0
    megabytes: float = 0.0


def _held(process: int) -> int:
    """Bytes of memory that a process holds; 0 where the system does not tell (Linux's /proc, statm)."""
    try:
        return int(Path(f"/proc/{process}/statm").read_text(encoding="ascii").split()[1]) * _PAGE
    except (OSError, ValueError, IndexError):
        return 0


def _judged_message(error: PrevizError) -> list[str]:
    text = str(error)
    out = []
    if not text.replace("\n", "").isprintable():
        out.append(f"control: {text[:200]!r}")
    if text.count("\n") > 100:
        out.append(f"long: {text.count(chr(10))} lines")
    if isinstance(error, SceneError):
        # the end of a long list of faults is a fault of none of its lines
        bad = [f for f in error.faults if not f.file or not (f.line or _of_the_file(f.found))]
        out += [f"place: {fault}"[:300] for fault in bad[:1]]
    return out


def _of_the_file(found: str) -> bool:
    """Whether what was found is about a file as a whole: there is no line to tell."""
    return found in ("more of them", "an empty file", "binary data", "text in UTF-16") or found.endswith("MB")


def run_case(number: int, seed: int, folder: Path) -> Outcome:
    """Read a case, and judge how it went."""
    from tests.benchmarks.attackcases import case_of

    case = case_of(number, seed, folder)
    out = Outcome("case", number, case.kind, case.what[:200])
    begun = time.monotonic()
    try:
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            case.read()
    except PrevizError as error:
        out.refused, out.said = True, str(error)[:300]
        out.troubles += _judged_message(error)
    except MemoryError:
        out.troubles.append("large: out of memory")
    except Exception:
        out.said = traceback.format_exc()[-3000:]
        out.troubles.append(f"traceback: {out.said.strip().splitlines()[-1][:200]}")
    out.seconds = time.monotonic() - begun
    if out.seconds > SLOW_S:
        out.troubles.append(f"slow: {out.seconds:.1f} s")
    return out


def run_set(number: int, seed: int, folder: Path) -> Outcome:
    """Shoot a set, and judge how it went."""
    from tests.benchmarks.attacksets import set_of, shoot_set

    path = set_of(number, seed, folder)
    out = Outcome("set", number, "set", path.read_text(encoding="utf-8").splitlines()[0])
    begun = time.monotonic()
    try:
        out.troubles, slowest = shoot_set(path, folder / "out")
        out.said = f"slowest frame {slowest:.2f} s"
    except PrevizError as error:
        out.refused, out.said = True, str(error)[:600]
    except Exception:
        out.said = traceback.format_exc()[-3000:]
        out.troubles.append(f"traceback: {out.said.strip().splitlines()[-1][:200]}")
    out.seconds = time.monotonic() - begun
    return out


def _work(pipe: Connection, seed: int, kept: str | None) -> None:
    """A worker: jobs come down the pipe, outcomes go up."""
    # readers of broken files talk to standard error behind Python's back
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 2)
    os.dup2(null, 1)
    while True:
        try:
            job, number = pipe.recv()
        except EOFError:
            return
        with tempfile.TemporaryDirectory(prefix="attack-") as place:
            folder = Path(place)
            try:
                outcome = run_case(number, seed, folder) if job == "case" else run_set(number, seed, folder)
            except Exception:
                # the attack's own fault, in making the case
                told = traceback.format_exc()
                outcome = Outcome(job, number, troubles=[f"traceback: {told.strip().splitlines()[-1]}"], said=told)
            if kept is not None and outcome.troubles:
                shutil.copytree(folder, Path(kept) / f"{job}-{seed}-{number}", dirs_exist_ok=True)
        pipe.send(asdict(outcome))


class _Worker:
    """A process that works, and what it works at."""

    def __init__(self, seed: int, kept: str | None) -> None:
        context = multiprocessing.get_context("spawn")
        self.pipe, theirs = context.Pipe()
        self.process = context.Process(target=_work, args=(theirs, seed, kept), daemon=True)
        self.process.start()
        theirs.close()
        self.job: tuple[str, int] | None = None
        self.until = 0.0
        self.before, self.most, self.warm = 0, 0, False

    def give(self, job: tuple[str, int]) -> None:
        self.job, self.until = job, time.monotonic() + PATIENCE[job[0]]
        self.before = self.most = _held(self.process.pid or 0)
        self.pipe.send(job)

    def look(self) -> None:
        """Note how much memory the process holds."""
        self.most = max(self.most, _held(self.process.pid or 0))

    def end(self) -> None:
        self.process.kill()
        self.process.join()
        self.pipe.close()


def run_all(
    jobs: Sequence[tuple[str, int]], workers: int, seed: int, kept: str | None, until: float = float("inf")
) -> Iterator[Outcome]:
    """Outcomes as they come. Past ``until`` (monotonic s) no other job is begun, and soon after none is waited for."""
    left: queue.SimpleQueue[tuple[str, int]] = queue.SimpleQueue()
    for job in jobs:
        left.put(job)
    crew = [_Worker(seed, kept) for _ in range(max(1, min(workers, len(jobs))))]
    try:
        while True:
            for worker in crew:
                if worker.job is None and not left.empty() and time.monotonic() < until:
                    worker.give(left.get())
            busy = {worker.pipe: worker for worker in crew if worker.job is not None}
            if not busy or time.monotonic() > until + GRACE_S:
                return
            ready = wait(list(busy), timeout=0.02)
            for pipe, worker in busy.items():
                worker.look()
                assert worker.job is not None
                outcome = None
                if pipe in ready:
                    try:
                        outcome = Outcome(**worker.pipe.recv())
                    except (EOFError, OSError):
                        worker.process.join()
                        outcome = Outcome(*worker.job, troubles=[f"died: exit code {worker.process.exitcode}"])
                elif time.monotonic() > worker.until:
                    outcome = Outcome(*worker.job, troubles=[f"slow: stopped after {PATIENCE[worker.job[0]]:g} s"])
                if outcome is None:
                    continue
                if outcome.troubles and outcome.troubles[0].startswith(("died", "slow: stopped")):
                    worker.end()
                    crew[crew.index(worker)] = _Worker(seed, kept)
                grown = worker.most - worker.before
                outcome.megabytes = round(grown / 1e6, 1)
                # a worker's first job loads the libraries
                if worker.warm and outcome.job == "case" and grown > LARGE:
                    outcome.troubles.append(f"large: {grown / 1e9:.2f} GB")
                worker.job, worker.warm = None, True
                yield outcome
    finally:
        for worker in crew:
            worker.end()


def _known(place: Path | None, seed: int) -> list[Outcome]:
    """Outcomes of an earlier run of the same seed; what a kill cut short is left out."""
    if place is None or not place.exists():
        return []
    out = []
    for line in place.read_text(encoding="utf-8").splitlines():
        with suppress(ValueError, TypeError):
            row: dict[str, Any] = json.loads(line)
            if row.pop("seed", None) == seed:
                out.append(Outcome(**row))
    return out


def figures_of(outcomes: Sequence[Outcome]) -> list[Figure]:
    """The benchmark's figures."""
    cases = [o for o in outcomes if o.job == "case"]
    sets = [o for o in outcomes if o.job == "set"]
    out = [Figure("cases", len(cases), ""), Figure("cases refused in plain words", sum(o.refused for o in cases), "")]
    for kind, count in sorted(Counter(o.kind for o in cases).items()):
        out.append(Figure(f"cases: {kind or 'unknown'}", count, ""))
    out += [at_most(name, _with(cases, word), "", 0) for word, name in TROUBLES.items()]
    out += [Figure("slowest case", max((o.seconds for o in cases), default=0.0), "s"),
            Figure("largest case", max((o.megabytes for o in cases), default=0.0), "MB")]  # fmt: skip
    if sets:
        out += [Figure("sets", len(sets), ""), Figure("sets refused in plain words", sum(o.refused for o in sets), "")]
        out += [at_most(name, _with(sets, word), "", 0) for word, name in SET_TROUBLES.items()]
        out += [Figure("slowest set", max(o.seconds for o in sets), "s")]
    return out


def _with(outcomes: Sequence[Outcome], word: str) -> int:
    return sum(any(trouble.startswith(word) for trouble in o.troubles) for o in outcomes)


def _one(job: str, number: int, seed: int) -> None:
    """Run one case or set here, and say all about it."""
    folder = Path(tempfile.mkdtemp(prefix=f"attack-{job}-{number}-"))
    outcome = run_case(number, seed, folder) if job == "case" else run_set(number, seed, folder)
    print(json.dumps(asdict(outcome), indent=2))
    print(outcome.said if outcome.said.isprintable() else outcome.said.encode("unicode_escape").decode())
    print(f"its files lie in {folder}")


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description="faulty files and random sets, many of them")
    parser.add_argument("--quick", action="store_true", help="less than 45 s; says which figures it left out")
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--cases", type=int, help=f"faulty files and messages; {CASES} unless given")
    parser.add_argument("--sets", type=int, help=f"valid sets through shoot; {SETS} unless given")
    parser.add_argument("--first", type=int, default=0, help="the first number of both")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--kept", type=Path, metavar="FOLDER", help="outcomes are kept there, and gone on from")
    parser.add_argument("--case", type=int, metavar="N", help="run one case, and say all about it")
    parser.add_argument("--set", type=int, metavar="N", help="run one set, and say all about it")
    asked = parser.parse_args()
    for job, number in (("case", asked.case), ("set", asked.set)):
        if number is not None:
            _one(job, number, asked.seed)
            return
    cases = asked.cases if asked.cases is not None else QUICK_CASES if asked.quick else CASES
    sets = asked.sets if asked.sets is not None else QUICK_SETS if asked.quick else SETS
    until = time.monotonic() + QUICK_S if asked.quick else float("inf")
    place = None
    if asked.kept is not None:
        asked.kept.mkdir(parents=True, exist_ok=True)
        place = asked.kept / "outcomes.jsonl"
    first_set = asked.first + (QUICK_SET if asked.quick else 0)
    wanted = [("set", first_set + k) for k in range(sets)] + [("case", asked.first + k) for k in range(cases)]
    known = {(o.job, o.number): o for o in _known(place, asked.seed)}
    outcomes = [known[job] for job in wanted if job in known]
    begun, left = time.monotonic(), [job for job in wanted if job not in known]
    for outcome in run_all(left, asked.workers, asked.seed, None if asked.kept is None else str(asked.kept), until):
        outcomes.append(outcome)
        if place is not None:
            with place.open("a", encoding="utf-8") as file:
                file.write(json.dumps({"seed": asked.seed, **asdict(outcome)}) + "\n")
        if not asked.json:
            for trouble in outcome.troubles:
                line = f"{outcome.job} {outcome.number} ({outcome.what}): {trouble}"
                print(line.encode("unicode_escape").decode(), file=sys.stderr)
            if len(outcomes) % 1000 == 0:
                print(f"{len(outcomes)} of {len(wanted)}, {time.monotonic() - begun:.0f} s", file=sys.stderr)
    left_out = [f"{len(wanted) - len(outcomes)} of {len(wanted)} cases and sets"] if len(outcomes) < len(wanted) else []
    if asked.quick:
        left_out += [f"{CASES - cases} cases, {SETS - sets} sets"]
    report("attack", figures_of(outcomes), asked.json, left_out)


if __name__ == "__main__":
    main()
