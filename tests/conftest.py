"""Commands run in this process, where that is quick, and in processes of their own, where that matters."""

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from previz.cli import main
from previz.errors import EngineError
from previz.look.choose import choose_engine
from previz.workshop.compiled import threads
from tests.command.scenes import laid

ROOT = Path(__file__).parents[1]

# processes beyond these gain little: each of them loads the libraries and prepares sets anew
_MOST_PROCESSES = 4


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Processes of ``-n auto``: one a core."""
    return min(threads(), _MOST_PROCESSES)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Whole files to each process, in their order: what a file prepares for its tests is prepared once."""
    from xdist.scheduler import LoadFileScheduling

    config.option.loadscopereorder = False
    return LoadFileScheduling(config, log)


@pytest.fixture(scope="session", autouse=True)
def known_walls() -> Iterator[None]:
    """What is ordinary on a clean wall, most of what a small frame takes to be judged, is worked out once a picture.

    It depends on picture, cover and viewer alone, and is the same whenever it is asked for. Tests that
    ask ``ordinary_of`` themselves, and commands in processes of their own, have it worked out.
    """
    with pytest.MonkeyPatch.context() as there:
        module = sys.modules.get("previz.judge.ordinary")
        if module is not None:
            there.setattr(module, "ordinary_of", once_a_picture(module.ordinary_of))
        yield


def once_a_picture(worked_out: Callable[..., Any]) -> Callable[..., Any]:
    """The same function, which keeps what it gave for every picture, viewer and cover."""
    known: dict[tuple[object, ...], Any] = {}

    def once(picture: Any, viewer: Any, cover: Any = None) -> Any:
        pictures = (np.ascontiguousarray(p) for p in (picture, cover) if p is not None)
        key = (viewer, *((p.shape, p.dtype.str, sha256(p).digest()) for p in pictures))
        if key not in known:
            known[key] = worked_out(picture, viewer, cover)
            for limits in known[key].seats:
                limits.limit.setflags(write=False)
        return known[key]

    return once


@dataclass(frozen=True)
class Done:
    """A command that has ended: its exit code and what it has written."""

    code: int
    out: str
    err: str


Command = Callable[..., Done]


@pytest.fixture
def previz(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Iterator[Command]:
    """Run a command in this process, as ``main`` does it: ``previz("score", path, "--json")``."""
    heard, lost = signal.getsignal(signal.SIGINT), sys.unraisablehook
    monkeypatch.setenv("COLUMNS", "80")

    def run(*arguments: object, cwd: Path | None = None) -> Done:
        monkeypatch.setattr(sys, "argv", ["previz", *map(str, arguments)])
        capfd.readouterr()
        with pytest.MonkeyPatch.context() as there:
            if cwd is not None:
                there.chdir(cwd)
            try:
                main()
                code: object = 0
            except SystemExit as leave:
                code = leave.code
        out, err = capfd.readouterr()
        assert isinstance(code, int | None)
        return Done(code or 0, out, err)

    yield run
    signal.signal(signal.SIGINT, heard)
    sys.unraisablehook = lost


# s after which a command is taken to have come to a standstill; nothing is expected to be quick
PATIENCE = 600.0


def started(
    *arguments: object, cwd: Path | None = None, env: dict[str, str] | None = None, first: str = ""
) -> "subprocess.Popen[str]":
    """A command in a process of its own, with a process group of its own; ``first`` is Python to be run before it."""
    way = ["-c", f"{first}\nfrom previz.cli import main\nmain()"] if first else ["-m", "previz.cli"]
    return subprocess.Popen(
        [sys.executable, *way, *map(str, arguments)],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "80", **(env or {})},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        start_new_session=True,
    )


def ended(process: "subprocess.Popen[str]", within: float = PATIENCE) -> Done:
    """What a started command has come to."""
    try:
        out, err = process.communicate(timeout=within)
    except subprocess.TimeoutExpired:
        if hasattr(os, "killpg"):
            os.killpg(process.pid, signal.SIGKILL)
        process.kill()
        raise
    return Done(process.returncode, out, err)


def files(folder: Path) -> dict[str, bytes]:
    """Every file under a folder, hidden ones too, by its name in it."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@dataclass(frozen=True)
class Run:
    """A finished run: the scene, where its results lie, and what the command said."""

    scene: Path
    out: Path
    said: Done


def made_once(tmp_path_factory: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """A folder that ``make`` has filled, once for all processes that test. Nobody may change what is in it."""
    base = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" not in os.environ or sys.platform == "win32":
        folder = tmp_path_factory.mktemp(name)
        make(folder)
        return folder
    import fcntl

    # the folder above is that of all processes of this run
    folder = base.parent / name
    with (base.parent / f"{name}.lock").open("ab") as file:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX)
        done = base.parent / f"{name}.done"
        if not done.exists():
            # not there, or left by a process that failed at it
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            make(folder)
            done.touch()
    return folder


@pytest.fixture(scope="session")
def shot(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """The small scene shot by two workers, with the figure, in a process of its own."""
    folder = made_once(tmp_path_factory, "shot", _shoot)
    return Run(folder / "set" / "small.toml", folder / "out", Done(**json.loads((folder / "said").read_text("utf-8"))))


def _shoot(folder: Path) -> None:
    scene = laid(folder / "set")
    for name in ("home", "temporary", "work"):
        (folder / name).mkdir()
    # what would be written outside the results comes to lie where it is seen
    env = {
        "HOME": str(folder / "home"),
        "USERPROFILE": str(folder / "home"),
        "TMPDIR": str(folder / "temporary"),
        "TEMP": str(folder / "temporary"),
        "XDG_CACHE_HOME": str(folder / "home"),
        "XDG_CONFIG_HOME": str(folder / "home"),
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    options = ("--out", folder / "out", "--width", 160, "--figure", "--workers", 2, "--json")
    said = ended(started("shoot", scene, *options, cwd=folder / "work", env=env))
    assert said.code == 0, said.err
    (folder / "said").write_text(json.dumps(asdict(said)), "utf-8")


@pytest.fixture(scope="session")
def opengl() -> None:
    """Skip where frames cannot be drawn by OpenGL."""
    try:
        choose_engine("pictures").engine.close()
    except EngineError as error:
        pytest.skip(f"no OpenGL on this machine: {error}")
