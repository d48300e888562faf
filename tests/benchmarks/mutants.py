"""Do the tests notice when a number moves? Stated mutations, each against tests of its own room.

``python -m tests.benchmarks.mutants [--quick] [--json] [--room NAME] [--workers N]``

Every mutation of ``tests/benchmarks/mutations/`` is made in a throw-away copy of ``previz/`` and ``tests/``, and its
tests run in a process of their own. It is killed when one of them fails; a mutated file that cannot be imported, tests
that cannot be collected, or that fail without any mutation, are faults of the list and end the run. One that runs out
of time is not killed. ``--quick`` takes a seeded sample.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import multiprocessing
import os
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

from tests.benchmarks.figures import Figure, at_least, report
from tests.benchmarks.mutations import Mutation, rooms

ROOT = Path(__file__).resolve().parents[2]

# what a mutation's tests may take, s; they are quick, but the machine may be busy and loops are compiled anew
TIME_LIMIT_S = 240.0

# a quick run begins no mutation after this, s, and takes so many at most
QUICK_S, QUICK_COUNT = 18.0, 12

SEED = 14
WANTED_PCT = 90.0

# what the processes of all mutations have in common is imported once: nothing of this project
COMMON = ["numpy", "scipy.ndimage", "scipy.spatial", "numba", "cv2", "trimesh", "PIL.Image", "pydantic", "pytest"]

# how a process ends that ran its tests: pytest's own code and this, so that one that broke down is not taken for a
# failed test; and our own words for a mutated file that cannot be imported and for one that took too long
_RAN = 100
PASSED, FAILED, NO_IMPORT, TIMED_OUT = _RAN, _RAN + 1, 70, -1


@dataclass(frozen=True)
class Outcome:
    """What came of one mutation: ``word`` is "killed", "survived" or "ran out of time"."""

    room: str
    mutation: Mutation
    word: str
    seconds: float


class FaultyListError(Exception):
    """The list of mutations is wrong: a text that is not there, tests that do not stand."""


def _tested(copy: str, module: str, tests: Sequence[str], log: str) -> None:
    """In a process of its own: import the module and run tests in a copy; the exit code says how it ended."""
    out = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    os.dup2(out, 1)
    os.dup2(out, 2)
    for name in [name for name in sys.modules if name.partition(".")[0] in ("previz", "tests")]:
        del sys.modules[name]
    os.chdir(copy)
    os.environ["PYTHONPATH"] = copy
    # most of a short test's time is pytest's own: what these tests do not need is left out
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    sys.path.insert(0, copy)
    importlib.invalidate_caches()
    code = NO_IMPORT
    try:
        if module:
            importlib.import_module(module)
        import pytest

        code = _RAN + int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "--assert=plain", "--tb=short", *tests]))
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


class Copies:
    """Throw-away copies of the tree, one a worker, and what is run in them."""

    def __init__(self, folder: Path, count: int) -> None:
        """Copies under ``folder``; compiled files come along, so that nothing unchanged is compiled again."""
        methods = multiprocessing.get_all_start_methods()
        self._context = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
        if "forkserver" in methods:
            multiprocessing.set_forkserver_preload(COMMON)
        self._free: SimpleQueue[Path] = SimpleQueue()
        self._compiled = _compiled_from(ROOT / "previz")
        self._stamp = int(time.time()) + 10
        for index in range(count):
            copy = folder / f"{index}"
            for name in ("previz", "tests", "scenes"):
                shutil.copytree(ROOT / name, copy / name)
            shutil.copy2(ROOT / "pyproject.toml", copy)
            self._free.put(copy)

    @contextmanager
    def _one(self) -> Iterator[Path]:
        copy = self._free.get()
        try:
            yield copy
        finally:
            self._free.put(copy)

    def unchanged(self, tests: Sequence[str]) -> None:
        """Tests must pass without a mutation, or a failure would prove nothing. Raises ``FaultyListError``."""
        with self._one() as copy:
            code, said = self._run(copy, "", tests)
        if code != PASSED:
            raise FaultyListError(f"without any mutation the tests do not pass (ends with {code}):\n{said}")

    def outcome(self, room: str, mutation: Mutation) -> Outcome:
        """Make one mutation, run its tests, undo it. Raises ``FaultyListError``."""
        begun = time.monotonic()
        with self._one() as copy:
            path = copy / mutation.file
            source, before = path.read_text(encoding="utf-8"), path.stat()
            try:
                mutated = mutation.applied(source)
            except ValueError as error:
                raise FaultyListError(f"{room}: {error}") from error
            try:
                path.write_text(mutated, encoding="utf-8")
                # compiled files are told by time and size alone: each mutation has a time of its own
                self._stamp += 1
                os.utime(path, (self._stamp, self._stamp))
                self._forget_machine_code(copy, mutation.file)
                module = ".".join(Path(mutation.file).with_suffix("").parts)
                code, said = self._run(copy, module, mutation.tests)
            finally:
                path.write_text(source, encoding="utf-8")
                os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
                self._forget_machine_code(copy, mutation.file)
        words = {PASSED: "survived", FAILED: "killed", TIMED_OUT: "ran out of time"}
        if code not in words:
            what = "cannot be imported" if code == NO_IMPORT else f"ends with {code}"
            raise FaultyListError(f"{room}: {mutation.file}: {mutation.replaced!r} {what}:\n{said}")
        return Outcome(room, mutation, words[code], time.monotonic() - begun)

    def _run(self, copy: Path, module: str, tests: Sequence[str]) -> tuple[int, str]:
        log = copy / "said.txt"
        process = self._context.Process(target=_tested, args=(str(copy), module, list(tests), str(log)))
        process.start()
        process.join(TIME_LIMIT_S)
        if process.is_alive():
            process.kill()
            process.join()
            return TIMED_OUT, ""
        said = log.read_text(encoding="utf-8", errors="replace") if log.exists() else ""
        return int(process.exitcode or 0), said[-3000:]

    def _forget_machine_code(self, copy: Path, file: str) -> None:
        """Loops compiled earlier keep what they took from other files: those that took from this one go."""
        changed = {file}
        while True:
            more = {user for user, sources in self._compiled.items() if sources & changed} - changed
            if not more:
                break
            changed |= more
        for user in changed - {file}:
            path = copy / user
            for kept in (path.parent / "__pycache__").glob(f"{path.stem}.*.nb[ic]"):
                kept.unlink()


def _compiled_from(package: Path) -> dict[str, set[str]]:
    """For each file with loops in machine code, the files that names in those loops come from."""
    found: dict[str, set[str]] = {}
    for path in package.rglob("*.py"):
        source = path.read_text(encoding="utf-8")
        # as a decorator, or called with the function
        if "@compiled" not in source and " compiled(" not in source:
            continue
        tree = ast.parse(source)
        origin = {
            alias.asname or alias.name: node.module
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("previz")
            for alias in node.names
        }
        # names in any function: more than the loops use, never less
        functions = [node for node in tree.body if isinstance(node, ast.FunctionDef)]
        names = {node.id for function in functions for node in ast.walk(function) if isinstance(node, ast.Name)}
        found[path.relative_to(package.parent).as_posix()] = {
            origin[name].replace(".", "/") + ".py" for name in names & origin.keys()
        }
    return found


def run(chosen: Sequence[tuple[str, Mutation]], workers: int, until_s: float) -> list[Outcome]:
    """What came of the mutations begun within ``until_s`` seconds, in their order. Raises ``FaultyListError``."""
    begun = time.monotonic()

    def one(item: tuple[str, Mutation]) -> Outcome | None:
        if time.monotonic() - begun > until_s:
            return None
        if until_s < float("inf"):
            copies.unchanged(item[1].tests)
        outcome = copies.outcome(*item)
        where = f"{outcome.mutation.file}: {outcome.mutation.replaced!r}"
        print(f"{outcome.word}, {outcome.seconds:.1f} s: {where}", file=sys.stderr, flush=True)
        return outcome

    with tempfile.TemporaryDirectory() as folder:
        copies = Copies(Path(folder), workers)
        with ThreadPoolExecutor(workers) as pool:
            if until_s == float("inf"):
                # all tests at once, a room at a time
                tests: dict[str, dict[str, None]] = {}
                for room, mutation in chosen:
                    tests.setdefault(room, {}).update(dict.fromkeys(mutation.tests))
                list(pool.map(copies.unchanged, [list(names) for names in tests.values()]))
            return [outcome for outcome in pool.map(one, chosen) if outcome is not None]


def figures_of(outcomes: Sequence[Outcome]) -> list[Figure]:
    """The share that was killed, in all and by room, and every survivor with its reason."""
    killed = [outcome for outcome in outcomes if outcome.word == "killed"]
    found = [
        Figure("mutations", len(outcomes), ""),
        at_least("killed", 100.0 * len(killed) / max(len(outcomes), 1), "%", WANTED_PCT),
    ]
    for room in dict.fromkeys(outcome.room for outcome in outcomes):
        mine = [outcome for outcome in outcomes if outcome.room == room]
        count = sum(outcome.word == "killed" for outcome in mine)
        found.append(Figure(f"killed in {room}, of {len(mine)}", 100.0 * count / len(mine), "%"))
    found += [
        Figure(
            f"{outcome.word}: {outcome.mutation.file}: {outcome.mutation.found!r} -> {outcome.mutation.replaced!r}",
            outcome.mutation.reason or "no reason stated",
            "",
        )
        for outcome in outcomes
        if outcome.word != "killed"
    ]
    return found


def main() -> None:
    """Measure and print."""
    every = rooms()
    parser = argparse.ArgumentParser(description="Figures of the tests: how many stated mutations they notice.")
    parser.add_argument("--quick", action="store_true", help="less than 45 s; says which figures it left out")
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")
    parser.add_argument("--room", choices=list(every), action="append", help="this room's mutations only")
    parser.add_argument("--match", default="", help="only mutations with this text in file, found, replaced or tests")
    parser.add_argument("--workers", type=int, default=len(os.sched_getaffinity(0)), help="mutations at a time")
    asked = parser.parse_args()
    chosen = [(room, mutation) for room in asked.room or every for mutation in every[room]]
    chosen = [(r, m) for r, m in chosen if asked.match in " ".join((m.file, m.found, m.replaced, *m.tests))]
    if not chosen:
        parser.error(f"no mutation has {asked.match!r} in it")
    wanted, until_s = chosen, float("inf")
    if asked.quick:
        random.Random(SEED).shuffle(wanted)
        wanted, until_s = wanted[:QUICK_COUNT], QUICK_S
    try:
        outcomes = run(wanted, max(asked.workers, 1), until_s)
    except FaultyListError as fault:
        sys.exit(f"mutants: {fault}")
    left = len(chosen) - len(outcomes)
    left_out = [f"{left} of {len(chosen)} mutations"] if asked.quick and left else []
    report("mutants", figures_of(outcomes), asked.json, left_out)


if __name__ == "__main__":
    main()
