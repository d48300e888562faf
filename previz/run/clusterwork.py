"""What a worker process of a cluster does for a run elsewhere: one engine and one set, in a thread of its own.

An OpenGL context belongs to the thread that opened it, and a worker may run several tasks at once: whatever is asked of
this process is done by one thread, one thing after the other. Nothing here knows the library that brings the work.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import os
import pickle
import platform
import traceback
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

import previz
from previz.errors import ClusterError, EngineError
from previz.look.choose import choose_engine
from previz.run.ledger import file_sha256
from previz.run.workers import Opened
from previz.stage.looking import Looker

# libraries whose version may change a number or a pixel
_COUNTED: Final = ("numpy", "scipy", "numba", "trimesh", "embreex", "pyrender", "pillow", "contourpy", "shapely")


@dataclass(frozen=True)
class WorkerReport:
    """What a worker process is: ``versions`` of all that its results depend on, and how it draws."""

    versions: dict[str, str]
    opened: Opened


@dataclass(frozen=True, eq=False)
class JobDone:
    """What came of a job or of loading a set."""

    answer: Any


@dataclass(frozen=True, eq=False)
class JobFailed:
    """The error that a job ended in, as it would have at home."""

    error: Exception


@dataclass(frozen=True)
class SetLacking:
    """The process does not have the set that the job is for: it is a new one, or works for others as well."""


def versions() -> dict[str, str]:
    """Everything that results depend on besides the scene and the driver, by name."""
    found = {
        "Python": platform.python_version(),
        "kind of processor": platform.machine(),
        "previz": previz.__version__,
        "previz's own files": _own_files(),
    }
    for name in _COUNTED:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "none"
    return found


@cache
def _own_files() -> str:
    """Eight digits that change with any line of this package: between versions the number alone says little."""
    root = Path(previz.__file__).parent
    digest = hashlib.sha256()
    for path in sorted(root.rglob("*.py"), key=lambda path: path.relative_to(root).as_posix()):
        digest.update(path.relative_to(root).as_posix().encode())
        # a checkout elsewhere may have other line ends
        digest.update(path.read_bytes().replace(b"\r\n", b"\n"))
    return digest.hexdigest()[:8]


class _Process:
    """This process at work: what it has opened and loaded, touched by its one thread alone."""

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="previz")
        self._engine: str | None = None
        self._opened: Opened | None = None
        self._looker: Looker | None = None
        self._key = ""
        self._user = ""

    def report(self, run: str, engine: str | None) -> WorkerReport:
        """Open the engine for a run."""
        self._user = run
        _, opened = self._open(engine)
        return WorkerReport(versions(), opened)

    def _open(self, engine: str | None) -> tuple[Looker, Opened]:
        if self._looker is None or self._opened is None or self._engine != engine:
            self._close()
            # one thread of the software renderer a process: the processes already fill the machine
            os.environ.setdefault("LP_NUM_THREADS", "1")
            choice = choose_engine(engine)
            self._engine = engine
            self._opened = Opened(choice.engine.name, choice.engine.driver, choice.message)
            self._looker = Looker(choice.engine)
        return self._looker, self._opened

    def _close(self) -> None:
        if self._looker is not None:
            self._looker.engine.close()
        self._looker, self._key = None, ""

    def load(self, run: str, engine: str | None, key: str, packed: bytes, files: Mapping[str, str]) -> None:
        """Load a set for a run, unless it is there already."""
        self._user = run
        looker, _ = self._open(engine)
        for name, sha256 in files.items():
            _require_file(Path(name), sha256)
        if self._key != key:
            self._key = ""
            looker.load(pickle.loads(packed))
            self._key = key

    def do(self, engine: str | None, key: str, packed: bytes) -> Any:
        """Do a job with the set that it is for."""
        looker, _ = self._open(engine)
        if self._key != key and key:
            return SetLacking()
        try:
            return pickle.loads(packed).done_by(looker)
        except Exception:
            # whatever it has left half done goes with the set
            self._key = ""
            raise

    def leave(self, run: str) -> None:
        """A run is over: where no other has come since, its engine and set are let go."""
        if self._user == run:
            self._close()

    def asked(self, what: Callable[..., Any], *how: Any) -> Any:
        """Have the thread do something; what it gives, or the error that it ended in."""
        return self._thread.submit(_caught, what, *how).result()

    def told(self, what: Callable[..., Any], *how: Any) -> None:
        """Have the thread do something when it comes to it."""
        self._thread.submit(_caught, what, *how)


def _require_file(path: Path, sha256: str) -> None:
    found = "" if not path.is_file() else file_sha256(path)
    if found != sha256:
        there = "another file of that name" if found else "no such file"
        raise ClusterError(
            f"a worker on {platform.node()} finds {there}: {path.as_posix()}; a scene's files have to lie under the "
            "same path on every machine (a shared folder; name the scene by its whole path)"
        )


def _caught(what: Callable[..., Any], *how: Any) -> Any:
    try:
        answer = what(*how)
    except Exception as error:
        error.add_note(traceback.format_exc())
        try:
            pickle.dumps(error)
        except Exception:
            return JobFailed(EngineError(f"a worker failed: {error!r}"))
        return JobFailed(error)
    return answer if isinstance(answer, SetLacking) else JobDone(answer)


_PROCESS: Final = _Process()


def report(run: str, engine: str | None) -> JobDone | JobFailed:
    """Open the ``engine`` for a run and give a :class:`WorkerReport`."""
    answer: JobDone | JobFailed = _PROCESS.asked(_PROCESS.report, run, engine)
    return answer


def load(run: str, engine: str | None, key: str, packed: bytes, files: Mapping[str, str]) -> JobDone | JobFailed:
    """Load the ``packed`` set of a content ``key`` for a run. ``files`` that it names must be here, path to SHA-256."""
    answer: JobDone | JobFailed = _PROCESS.asked(_PROCESS.load, run, engine, key, packed, files)
    return answer


def do(engine: str | None, key: str, packed: bytes) -> JobDone | JobFailed | SetLacking:
    """Do a ``packed`` job with the set of that content ``key``; with none where that is empty."""
    answer: JobDone | JobFailed | SetLacking = _PROCESS.asked(_PROCESS.do, engine, key, packed)
    return answer


def leave(run: str) -> None:
    """Let go of what a run needed, without waiting for it."""
    _PROCESS.told(_PROCESS.leave, run)
