"""Commands that are killed, put to sleep, or find the disk full, and what the same command makes of what they left.

A trial is one command on a tiny scene: it is disturbed a few times, at random moments, each time gone on with by the
same command, and in the end left alone. All that it then leaves must have the bytes of a run that nothing disturbed.
After each disturbance no file of a final name may be half written, and no process of the command may live a second
later; in the end no temporary file and no lock may lie there. Command, ways and shares of its time follow from a
trial's number and the seed; what they meet, from how fast the machine is.

Commands are forked from this process, which has loaded their libraries, and know what is ordinary on a wall that was
looked at before (the same whoever works it out): of a run there is then little but the command's own work. Those whose
workers are killed are processes of their own, as people start them.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

from PIL import Image

from previz.run.results import IN_USE
from tests.benchmarks.figures import Figure, at_most, report
from tests.benchmarks.killscenes import COMMANDS, QUIET, WITH_WORKERS, laid_out, loaded

ROOT: Final = Path(__file__).parents[2]
SEED: Final = 21
COUNT: Final = 200
QUICK_S: Final = 36.0
ROUNDS: Final = 4  # disturbances of one trial
PATIENCE_S: Final = 300.0  # for a run that nothing stops any more

SIGNALS: Final = ("KILL", "TERM", "INT", "HUP")
WAYS: Final = (*SIGNALS, "worker", "sleep", "clock", "full", "large")
KILLS: Final = (*SIGNALS, "worker", "clock")

TROUBLES: Final = {
    "half": "half-written files of a final name",
    "orphan": "processes that outlive their command by a second",
    "lock": "stale locks",
    "left": "temporary files left in the end",
    "other": "results with other bytes after going on",
    "code": "runs that end in another way than they should",
    "traceback": "runs that end in a traceback",
}


@dataclass
class Trial:
    """What came of a trial: the command, how it was disturbed, and ``troubles`` in words."""

    number: int
    command: str
    ways: list[str] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)
    missed: int = 0
    seconds: float = 0.0


@dataclass
class _Run:
    """A command at work: its process, which leads a group, and where it writes what it says."""

    process: int
    said: Path
    code: int | None = None

    def over(self) -> bool:
        if self.code is None:
            process, status = os.waitpid(self.process, os.WNOHANG)
            if process:
                self.code = os.waitstatus_to_exitcode(status)
        return self.code is not None

    def wait(self, until: float) -> bool:
        """Whether it is over by ``until``, monotonic s."""
        while not self.over():
            if time.monotonic() >= until:
                return False
            time.sleep(0.003)
        return True

    def tell(self, number: int) -> None:
        with suppress(ProcessLookupError):
            os.killpg(self.process, number)

    def text(self) -> str:
        return self.said.read_text(encoding="utf-8", errors="replace")


def _start(words: Sequence[str], place: Path, largest: int | None = None) -> _Run:
    """Run a command in the folder ``place``; ``largest`` is the size that a file may have, bytes."""
    said = place / "said.txt"
    workers = words[words.index("--workers") + 1] if "--workers" in words else "1"
    process = os.fork()
    if process:
        return _Run(process, said)
    try:
        # as a process that has just begun, before it minds Ctrl-C
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        os.setsid()
        os.chdir(_stood_in(words, place))
        null, out = os.open(os.devnull, os.O_RDONLY), os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666)
        for there, here in ((null, 0), (out, 1), (out, 2)):
            os.dup2(there, here)
        if largest is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (largest, largest))
        if workers != "1":
            env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])}
            os.execve(sys.executable, [sys.executable, "-m", "previz.cli", *words], env)
        from previz.cli import main

        sys.argv = ["previz", *words]
        try:
            main()
            code = 0
        except SystemExit as leave:
            code = leave.code if isinstance(leave.code, int) else 0
        sys.stdout.flush()
        os._exit(code)
    except BaseException:
        import traceback

        traceback.print_exc()
        sys.stderr.flush()
    finally:
        os._exit(1)


def _stood_in(words: Sequence[str], place: Path) -> Path:
    """The folder that a command is called in: what ``new`` makes comes to lie there."""
    return place / "out" if words[0] == "new" else place


def living(group: int) -> list[tuple[int, str]]:
    """Processes of a group that have not ended, with their command lines."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                state, _, owner = (entry / "stat").read_text().rpartition(")")[2].split()[:3]
                words = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
            except OSError:
                continue
            if int(owner) == group and state not in "ZX":
                found.append((int(entry.name), words))
    return found


def _files(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def is_whole(place: Path) -> bool:
    """Whether a file can be read to its end; one of a kind that cannot be told is taken for half."""
    try:
        if place.suffix == ".png":
            with Image.open(place) as picture:
                picture.load()
        elif place.suffix == ".json":
            json.loads(place.read_text(encoding="utf-8"))
        elif place.suffix == ".sqlite":
            with sqlite3.connect(f"file:{place}?mode=ro", uri=True) as found:
                return bool(found.execute("PRAGMA integrity_check").fetchone()[0] == "ok")
        else:
            return False
    except (OSError, ValueError, SyntaxError, sqlite3.Error):
        return False
    return True


class Bench:
    """The tiny scene, what undisturbed runs leave of it, and how long they took; in ``folder``, kept if that is."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._wanted: dict[str, tuple[dict[str, bytes], float]] = {}
        loaded(folder / "ordinary")

    def wanted(self, command: str) -> tuple[dict[str, bytes], float]:
        """Files of an undisturbed run, and its seconds."""
        if command not in self._wanted:
            place = self.folder / "undisturbed" / command.replace(" ", "-")
            shutil.rmtree(place, ignore_errors=True)
            words = laid_out(place, command)
            seconds = 0.0
            # twice where what is ordinary was not known yet
            for _ in range(2):
                shutil.rmtree(place / "out", ignore_errors=True)
                laid_out(place, command)
                begun = time.monotonic()
                run = _start(words, place)
                if not run.wait(begun + PATIENCE_S) or run.code != 0:
                    run.tell(signal.SIGKILL)
                    raise RuntimeError(f"{command} ends with {run.code} undisturbed: {run.text()[-600:]}")
                seconds = time.monotonic() - begun
            self._wanted[command] = _files(place / "out"), seconds
        return self._wanted[command]

    def trial(self, number: int, seed: int, only: Sequence[str], commands: Sequence[str]) -> Trial:
        """Disturb a command ``ROUNDS`` times, go on, and compare."""
        dice = random.Random(f"{seed}/{number}")
        command = commands[number % len(commands)]
        ways = [w for w in only if (w != "worker") or command in WITH_WORKERS]
        out = Trial(number, command)
        begun = time.monotonic()
        drawn = dice.choices(ways, [3 if way in (*SIGNALS, "worker") else 1 for way in ways], k=ROUNDS)
        wanted, seconds = self.wanted(command)
        with tempfile.TemporaryDirectory(prefix="kills-", dir=self.folder) as there:
            place = Path(there)
            words = laid_out(place, command)
            for way in drawn:
                self._round(way, dice, words, place, (wanted, seconds), out)
            run = _start(words, place)
            ended = run.wait(time.monotonic() + PATIENCE_S)
            if not ended or run.code != 0:
                run.tell(signal.SIGKILL)
                out.troubles.append(f"code: going on ends with {run.code}: {run.text()[-400:]}")
            out.troubles += compared(_files(place / "out"), wanted)
        out.seconds = time.monotonic() - begun
        return out

    def _round(
        self, way: str, dice: random.Random, words: list[str], place: Path, undisturbed: tuple[dict[str, bytes], float],
        out: Trial,
    ) -> None:  # fmt: skip
        wanted, seconds = undisturbed
        moment, share = dice.random() * seconds, dice.random()
        if way == "worker":
            words = [*words[: words.index("--workers")], "--workers", "2", *words[words.index("--workers") + 2 :]]
            moment += QUIET
        largest = int(share * max(map(len, wanted.values()))) if way == "large" else None
        with _small_disk(place / "out", int(share * sum(map(len, wanted.values())))) if way == "full" else _as_it_is():
            run = _start(words, place, largest)
            ended = run.wait(time.monotonic() + (PATIENCE_S if way in ("full", "large") else moment))
            hit = not ended or way in ("full", "large")
            if not ended:
                hit = self._disturb(way, run, dice)
            if not run.wait(time.monotonic() + PATIENCE_S):
                out.troubles.append(f"code: {way} at {moment:.2f} s does not end it")
                run.tell(signal.SIGKILL)
                run.wait(time.monotonic() + 10.0)
            self._check(way, run, hit, out)
            out.troubles += halves(way, _files(place / "out"), place / "out", wanted)
        if way == "clock":
            # the clock was wrong by years while that ran
            for path in (place / "out").rglob("*"):
                years = dice.choice((-20, 10))
                os.utime(path, times=(time.time() + years * 3.15e7,) * 2)
        if hit:
            out.ways.append(way)
        else:
            out.missed += 1

    def _disturb(self, way: str, run: _Run, dice: random.Random) -> bool:
        """Do it; whether there was something to do it to."""
        if way == "sleep":
            run.tell(signal.SIGSTOP)
            time.sleep(2.0)
            run.tell(signal.SIGCONT)
        elif way == "worker":
            workers = [process for process, words in living(run.process) if "spawn_main" in words]
            if not workers:
                return False
            with suppress(ProcessLookupError):
                os.kill(dice.choice(workers), signal.SIGKILL)
        else:
            run.tell(signal.SIGKILL if way == "clock" else getattr(signal, f"SIG{way}"))
        return True

    def _check(self, way: str, run: _Run, hit: bool, out: Trial) -> None:
        end = time.monotonic() + 1.0
        while living(run.process) and time.monotonic() < end:
            time.sleep(0.02)
        for process, words in living(run.process):
            out.troubles.append(f"orphan: {way}: {words[:120]}")
            with suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)
        text = run.text()
        if "Traceback" in text:
            out.troubles.append(f"traceback: {way}: {text[-1500:]}")
        allowed = {0, 130 if way == "INT" else 2 if way in ("worker", "full", "large") else 0}
        if way in (*SIGNALS, "clock"):
            number = signal.SIGKILL if way == "clock" else getattr(signal, f"SIG{way}")
            allowed |= {-int(number), 128 + int(number)}
        if run.code not in (allowed if hit else {0}):
            out.troubles.append(f"code: {way} ends with {run.code}: {text[-300:]}")


def halves(way: str, found: dict[str, bytes], folder: Path, wanted: dict[str, bytes]) -> list[str]:
    """Files of final names that a disturbed run has left half written in ``folder``, as troubles."""
    out = []
    for name, data in found.items():
        if ".part-" in name or data == wanted.get(name) or Path(name).name == IN_USE:
            continue
        # ledgers end in half a line, and that is looked for; the journal of a table is its own
        if name.endswith((".jsonl", "-journal", "-wal", "-shm")) or is_whole(folder / name):
            continue
        out.append(f"half: {way}: {name}, {len(data)} bytes")
    return out


def compared(found: dict[str, bytes], wanted: dict[str, bytes]) -> list[str]:
    """How what lies there in the end differs from what an undisturbed run leaves, as troubles."""
    out = ["lock: lies there in the end"] if any(Path(name).name == IN_USE for name in found) else []
    out += [f"left: {name}" for name in found if ".part-" in name]
    names = {name for name in {*found, *wanted} if ".part-" not in name and Path(name).name != IN_USE}
    different = sorted(name for name in names if found.get(name) != wanted.get(name))
    if different:
        out.append(f"other: {', '.join(different[:8])} ({len(different)} in all)")
    return out


@contextmanager
def _as_it_is() -> Iterator[None]:
    yield


@contextmanager
def _small_disk(folder: Path, size: int) -> Iterator[None]:
    """A disk of ``size`` bytes beside what a folder holds, in its place; what lies there stays when it goes."""
    folder.mkdir(exist_ok=True)
    disk = folder.parent / "disk"
    disk.mkdir()
    held = sum(path.stat().st_size + 4096 for path in folder.rglob("*"))
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={held + max(size, 4096)}", "previz", str(disk)], check=True)
    try:
        shutil.copytree(folder, disk, dirs_exist_ok=True)
        subprocess.run(["mount", "--bind", str(disk), str(folder)], check=True)
        try:
            yield
        finally:
            subprocess.run(["umount", "--lazy", str(folder)], check=True)
            shutil.rmtree(folder)
            shutil.copytree(disk, folder)
    finally:
        subprocess.run(["umount", "--lazy", str(disk)], check=True)
        disk.rmdir()


def can_mount() -> bool:
    """Whether a small disk may be made here."""
    with tempfile.TemporaryDirectory() as place:
        try:
            with _small_disk(Path(place) / "out", 4096):
                return True
        except (OSError, subprocess.CalledProcessError):
            return False


def _known(place: Path | None, seed: int) -> dict[int, Trial]:
    out = {}
    if place is not None and place.exists():
        for line in place.read_text(encoding="utf-8").splitlines():
            with suppress(ValueError, TypeError):
                row: dict[str, Any] = json.loads(line)
                if row.pop("seed", None) == seed:
                    out[row["number"]] = Trial(**row)
    return out


def figures_of(trials: Sequence[Trial]) -> list[Figure]:
    """The benchmark's figures."""
    ways = Counter(way for trial in trials for way in trial.ways)
    commands = Counter(trial.command for trial in trials)
    out = [Figure("kills", sum(ways[way] for way in KILLS), "")]
    out += [Figure(f"disturbed: {way}", ways[way], "") for way in WAYS if ways[way]]
    out += [Figure(f"trials of {name}", count, "") for name, count in sorted(commands.items())]
    out += [Figure("came too late: the command had ended", sum(trial.missed for trial in trials), "")]
    for word, name in TROUBLES.items():
        out.append(at_most(name, sum(t.startswith(word) for trial in trials for t in trial.troubles), "", 0))
    return out


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description="commands that are killed at random moments, and gone on with")
    parser.add_argument("--quick", action="store_true", help="less than 45 s; says which figures it left out")
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")
    parser.add_argument("--count", type=int, help=f"kills; {COUNT} unless given")
    parser.add_argument("--first", type=int, default=0, help="number of the first trial")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--seconds", type=float, help="begin no other trial after so many")
    parser.add_argument("--commands", nargs="+", choices=sorted(COMMANDS), default=list(COMMANDS))
    parser.add_argument("--ways", nargs="+", choices=WAYS, default=list(WAYS))
    parser.add_argument("--kept", type=Path, metavar="FOLDER", help="outcomes are kept there, and gone on from")
    asked = parser.parse_args()
    commands = ["new", "score", "export"] if asked.quick else asked.commands
    ways = [way for way in asked.ways if way in SIGNALS or not asked.quick]
    left_out = [f"{', '.join(w for w in WAYS if w not in ways)}; commands but {', '.join(commands)}"]
    if "full" in ways and not can_mount():
        ways.remove("full")
        print("left out: a full disk, which may not be mounted here", file=sys.stderr)
    begun = time.monotonic()
    until = begun + (QUICK_S - 14.0 if asked.quick else asked.seconds or float("inf"))
    place = None if asked.kept is None else asked.kept / "outcomes.jsonl"
    known = _known(place, asked.seed)
    trials: list[Trial] = []
    with tempfile.TemporaryDirectory(prefix="kills-") as there:
        folder = Path(there) if asked.kept is None else asked.kept.resolve()
        folder.mkdir(parents=True, exist_ok=True)
        bench, number = Bench(folder), asked.first
        while sum(way in KILLS for trial in trials for way in trial.ways) < (asked.count or COUNT):
            trial = known.get(number)
            if trial is None or trial.command != commands[number % len(commands)]:
                if time.monotonic() >= until:
                    break
                trial = bench.trial(number, asked.seed, ways, commands)
                if place is not None:
                    with place.open("a", encoding="utf-8") as file:
                        file.write(json.dumps({"seed": asked.seed, **asdict(trial)}) + "\n")
                if not asked.json:
                    told = "; ".join(trial.troubles) or "nothing found"
                    line = f"{number} {trial.command} ({', '.join(trial.ways)}), {trial.seconds:.0f} s: {told}"
                    print(line, file=sys.stderr)
            trials.append(trial)
            number += 1
    report("kills", figures_of(trials), asked.json, left_out if asked.quick else [])


if __name__ == "__main__":
    main()
