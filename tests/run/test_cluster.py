"""A cluster of dask.distributed does what this machine would do: the same bytes, whoever dies, or one line that says
why not. Clusters here are of this machine: of processes where one is to die, of threads where nothing is drawn."""

from __future__ import annotations

import gc
import os
import shutil
import signal
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

from previz.errors import ClusterError, EngineError, JudgeError
from previz.run import clusterline, clusterpool, clusterwork
from previz.run.clusterpool import ClusterPool
from previz.run.clusterwork import JobDone, WorkerReport
from previz.run.workers import Opened, WorkerPool
from previz.scene.reader import read_scene
from previz.stage.looking import Looker
from previz.stage.prepare import prepare
from previz.workshop.surface import Picture
from tests.command.scenes import laid
from tests.conftest import Command, files

# sockets of the library's that it leaves to be collected
pytestmark = pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning")

clusters = pytest.mark.skipif(find_spec("distributed") is None, reason="the extra cluster is not installed")


@contextmanager
def cluster(workers: int, processes: bool) -> Iterator[Any]:
    """A cluster of this machine's own, known by its ``scheduler_address``."""
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=workers, threads_per_worker=1, processes=processes, protocol="tcp", dashboard_address=":0",
        silence_logs=50, worker_dashboard_address=None, memory_limit=0,
    ) as made:  # fmt: skip
        yield made
    del made
    gc.collect()


@pytest.fixture(scope="module")
def two() -> Iterator[str]:
    """The address of a cluster of two worker processes, of which a new one is started where one dies."""
    with cluster(2, processes=True) as made:
        yield made.scheduler_address


@pytest.fixture
def threads() -> Iterator[str]:
    """The address of a cluster of two workers in this process."""
    with cluster(2, processes=False) as made:
        yield made.scheduler_address


def pool(address: str, say: Callable[[str], None] = lambda _: None) -> ClusterPool:
    return ClusterPool(address, "sightlines", say)


@dataclass(frozen=True)
class Squared:
    """A job that needs no set."""

    value: int

    def done_by(self, looker: Looker) -> int:
        return self.value**2


@dataclass(frozen=True)
class Drawn:
    """A job that draws a frame as it is delivered, which is soon done beside judging it."""

    frame: int

    def done_by(self, looker: Looker) -> Picture:
        _, (looks, _) = looker.delivered(self.frame, 160, 90)
        return looks.seen


@dataclass(frozen=True)
class Deadly:
    """A job that kills the process which does it, the first time; the frame all the same."""

    mark: Path
    frame: Drawn

    def done_by(self, looker: Looker) -> Picture:
        if not self.mark.exists():
            self.mark.touch()
            os.kill(os.getpid(), signal.SIGKILL)
        return self.frame.done_by(looker)


@dataclass(frozen=True)
class Failing:
    """A job that ends in an error that a user can put right."""

    def done_by(self, looker: Looker) -> None:
        raise JudgeError("the bridge is out of the picture")


@clusters
@pytest.mark.slow
def test_workers_that_die_change_no_byte_of_the_frames(two: str, tmp_path: Path) -> None:
    ready = prepare(read_scene(laid(tmp_path / "set")), None)
    frames = [Drawn(frame) for frame in ready.move.frames]
    with WorkerPool(1, "sightlines") as own:
        own.load(ready)
        wanted = list(own.run(frames))
    jobs = [frames[0], Deadly(tmp_path / "mark", frames[1]), *frames[2:]]
    said: list[str] = []
    with pool(two, said.append) as there:
        there.load(ready)
        found = list(there.run(jobs))
    assert (tmp_path / "mark").exists()
    assert sum("is gone" in line for line in said) == 1
    assert len({one.tobytes() for one in wanted}) == len(wanted) > 3
    assert [one.tobytes() for one in found] == [one.tobytes() for one in wanted]


@clusters
@pytest.mark.sweep
def test_score_leaves_the_same_bytes_as_at_home(previz: Command, two: str, tmp_path: Path) -> None:
    scene = laid(tmp_path / "set")
    for name, words in (("home", ("--workers", 1)), ("away", ("--cluster", two))):
        done = previz("score", scene, "--out", tmp_path / name, "--width", 160, "--engine", "sightlines", *words)
        assert done.code == 0, done.err
    assert f"cluster {two}: " in done.err
    home, away = files(tmp_path / "home"), files(tmp_path / "away")
    assert len(home) >= 2
    assert home == away


@clusters
@pytest.mark.sweep
@pytest.mark.parametrize(
    "words",
    [
        ("search", "--budget", 12),
        ("knock", "--samples", 20),
        ("shoot", "--width", 160),
        ("paint", "--compare", "--steps", 2),
    ],
    ids=lambda words: words[0],
)
def test_every_command_that_spreads_leaves_the_same_bytes(
    previz: Command, two: str, tmp_path: Path, words: tuple[object, ...]
) -> None:
    scene = laid(tmp_path / "set")
    with scene.open("a", encoding="utf-8") as file:
        file.write('\n[search]\nheight = ["120 mm", "240 mm"]\nfinalists = 1\n')
    for name, where in (("home", ("--workers", 2)), ("away", ("--cluster", two))):
        done = previz(words[0], scene, "--out", tmp_path / name, *words[1:], "--engine", "sightlines", *where)
        assert done.code == 0, done.err
    home, away = files(tmp_path / "home"), files(tmp_path / "away")
    assert sorted(home) == sorted(away)
    assert [name for name in home if home[name] != away[name]] == []


@clusters
def test_answers_come_in_order_and_an_error_when_its_turn_comes(threads: str) -> None:
    with pool(threads) as there:
        assert list(there.run(Squared(k) for k in range(30))) == [k**2 for k in range(30)]
        assert list(there.run([])) == []
        given = there.run([Squared(3), Failing(), Squared(4)])
        assert next(given) == 9
        with pytest.raises(JudgeError, match="out of the picture"):
            next(given)
        # the pool goes on, and what is left of an abandoned run is nobody's
        abandoned = there.run(Squared(k) for k in range(100, 110))
        assert next(abandoned) == 10_000
        assert list(there.run([Squared(5)])) == [25]


@clusters
def test_a_job_that_ends_every_worker_is_given_up(
    threads: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clusterwork, "do", refusing)
    with pool(threads) as there, pytest.raises(ClusterError, match="ended under one and the same job"):
        list(there.run([Squared(1)]))


def refusing(*_: object) -> None:
    """What the library makes of a worker that is gone: an error of its own instead of an answer."""
    raise ConnectionError("the worker is gone")


def test_nobody_at_the_address_is_one_line(previz: Command, tmp_path: Path) -> None:
    if find_spec("distributed") is None:
        pytest.skip("the extra cluster is not installed")
    with socket.socket() as taken:
        # bound and not listening: nobody else can be there
        taken.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{taken.getsockname()[1]}"
        done = previz("score", laid(tmp_path), "--out", tmp_path / "out", "--cluster", address)
    assert done.code == 2
    assert done.err.splitlines()[-1].startswith(f"previz: nobody answers at {address} (")
    assert "dask scheduler" in done.err
    assert not (tmp_path / "out").exists() or files(tmp_path / "out") == {}


@clusters
def test_somebody_else_at_the_address_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clusterline, "ANSWER_S", 1.0)
    with socket.create_server(("127.0.0.1", 0)) as other:
        address = f"tcp://127.0.0.1:{other.getsockname()[1]}"
        with pytest.raises(ClusterError, match=f"what answers at {address} is no scheduler"), pool(address):
            pass


@clusters
def test_a_cluster_without_workers_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clusterpool, "FIRST_WORKERS_S", 0.3)
    with cluster(0, processes=False) as empty:
        address = empty.scheduler_address
        with pytest.raises(ClusterError, match=f"cluster at {address} has no workers; start some by: dask worker"):
            pool(address).__enter__()


@clusters
@pytest.mark.parametrize("name", ["Python", "previz", "previz's own files", "numpy"])
def test_workers_of_another_version_are_refused(threads: str, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    here = {**clusterwork.versions(), name: "0.0.1"}
    # workers in this process would tell the changed version, too
    monkeypatch.setattr(clusterpool.clusterwork, "report", reported_now)
    monkeypatch.setattr(clusterwork, "versions", lambda: here)
    with pool(threads) as there, pytest.raises(ClusterError, match=f"has {name} .*, and here it is 0.0.1; install"):
        _ = there.opened


@clusters
def test_another_python_is_refused_before_anything_is_sent(threads: str, monkeypatch: pytest.MonkeyPatch) -> None:
    of_library = clusterline._of_library
    calls: list[str] = []

    def another(seen: Any) -> dict[str, str]:
        calls.append("")
        return {**of_library(seen), **({"Python": "3.10.1.final.0"} if len(calls) > 1 else {})}

    monkeypatch.setattr(clusterline, "_of_library", another)
    with pytest.raises(ClusterError, match=r"the scheduler at tcp://.* has Python 3\.10\.1"):
        pool(threads).__enter__()


VERSIONS = clusterwork.versions()
DRIVERS = ["one", "other"]


def reported_now(run: str, engine: str | None) -> JobDone:
    return JobDone(WorkerReport(VERSIONS, Opened("pictures", "one", "")))


def reported_in_turn(run: str, engine: str | None) -> JobDone:
    return JobDone(WorkerReport(VERSIONS, Opened("pictures", DRIVERS.pop(), "")))


@clusters
def test_workers_that_draw_differently_are_refused(threads: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clusterwork, "report", reported_in_turn)
    with pool(threads) as there, pytest.raises(EngineError, match="draw in different ways"):
        _ = there.opened


@clusters
def test_a_cluster_that_goes_away_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clusterline, "ANSWER_S", 1.0)
    with cluster(1, processes=False) as made, pool(made.scheduler_address) as there:
        given = there.run(Squared(k) for k in range(1000))
        assert next(given) == 0
        made.close()
        with pytest.raises(ClusterError, match=r"went away .* the same command goes on"):
            list(given)


@clusters
def test_a_file_that_a_worker_does_not_find_is_one_line(tmp_path: Path) -> None:
    missing = tmp_path / "away" / "painted.png"
    missing.parent.mkdir()
    missing.write_bytes(b"paint")
    sha256 = clusterwork.file_sha256(missing)
    clusterwork._require_file(missing, sha256)
    with pytest.raises(ClusterError, match="another file of that name"):
        clusterwork._require_file(missing, "0" * 64)
    shutil.rmtree(missing.parent)
    with pytest.raises(ClusterError, match=r"no such file.*same path on every machine"):
        clusterwork._require_file(missing, sha256)


@pytest.mark.parametrize(
    "address", ["127.0.0.1:8786", "tcp://127.0.0.1", "http://127.0.0.1:8786", "tcp://:8786", "tcp://a:b", "tcp://a:1/x"]
)
def test_another_address_is_refused(previz: Command, tmp_path: Path, address: str) -> None:
    done = previz("score", laid(tmp_path), "--cluster", address)
    assert done.code == 2
    assert "expected tcp://host:port, found" in done.err


def test_workers_here_and_there_are_not_asked_for_together(previz: Command, tmp_path: Path) -> None:
    done = previz("score", laid(tmp_path), "--workers", 2, "--cluster", "tcp://127.0.0.1:8786")
    assert done.code == 2
    assert "--workers counts processes here" in done.err


def test_the_extra_is_asked_for_in_one_line(previz: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clusterline, "find_spec", lambda _: None)
    done = previz("score", laid(tmp_path), "--out", tmp_path / "out", "--cluster", "tcp://127.0.0.1:8786")
    assert done.code == 2
    assert done.err.splitlines()[-1].startswith("previz: --cluster needs a library that is not installed")
    assert 'pip install "stationpoint[cluster]"' in done.err
