"""The folder that a command leaves its results in: named, made, and written to by one run at a time."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from previz import __version__
from previz.errors import OutputError
from previz.run.output import OutputFolder, json_text, output_error
from previz.scene.model import Scene

# held while a run writes to the folder; the system lets go of it when the run ends, however it ends
IN_USE = ".in-use"

# folders inside the results that files are written to
SERIES = ("lens", "side", "shadow", "track", "unfinished", "light", "camera", "textures", "exr")


@dataclass(frozen=True)
class RunResult:
    """What a run leaves: the ``values`` that it prints (``title``, ``cautions`` and its own), and its ``folder``."""

    values: dict[str, Any]
    folder: Path


def results_folder(scene_path: Path, out: Path | None) -> Path:
    """Where a scene's results go: ``out``, or ``renders/<scene>`` in the working folder."""
    if out is not None:
        return out
    # a name of nothing but dots would lead out of renders/; some systems drop blanks and dots at the end
    return Path("renders") / (scene_path.stem.rstrip(" .") or "scene")


@contextmanager
def results_in(path: Path) -> Iterator[OutputFolder]:
    """The folder to write results to, while no other run writes to it.

    What a killed run left half written in it is removed first. Where the block fails before it has left anything, the
    folders made for it are removed again. Raises :class:`OutputError` where the folder cannot be written to.
    """
    made = [place for place in (path, *path.parents) if not os.path.lexists(place)]
    try:
        folder = OutputFolder(path)
        with _alone_in(path):
            folder.remove_leftovers(older_than=0.0, within=SERIES)
            yield folder
    except BaseException:
        if path in made:
            _remove_if_empty([*(path / name for name in SERIES), *made])
        raise


@contextmanager
def _alone_in(path: Path) -> Iterator[None]:
    place = path / IN_USE
    try:
        # a pipe of that name would have us wait for whoever reads it
        if os.path.lexists(place) and not place.is_file():
            raise OutputError(f"{place} is no plain file: remove it, or write elsewhere with --out")
        file = open(place, "ab", opener=_at_once)  # noqa: SIM115
    except OSError as error:
        raise output_error(error, path) from error
    try:
        if not _locked(file):
            raise OutputError(
                f"another run is writing to {path}; wait until it has ended, or write elsewhere with --out"
            )
        try:
            yield
        finally:
            # first, where the system allows it: a run that comes in between must not find a file that vanishes
            if sys.platform != "win32":
                place.unlink(missing_ok=True)
    finally:
        file.close()
    if sys.platform == "win32":
        with suppress(OSError):
            place.unlink()


def _at_once(name: str, flags: int) -> int:
    return os.open(name, flags | getattr(os, "O_NONBLOCK", 0), 0o666)


def _locked(file: IO[bytes]) -> bool:
    """Whether this run is the only one to hold ``file``."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    except OSError:
        # a disk without locks: go on without
        return True
    # the run before may have removed the file between our opening and our locking it
    return os.fstat(file.fileno()).st_nlink > 0


def _remove_if_empty(folders: list[Path]) -> None:
    for folder in folders:
        with suppress(OSError):
            folder.rmdir()


def strangers(
    folder: OutputFolder,
    frames: Sequence[int],
    files: Sequence[str],
    series: Mapping[str, str],
    sometimes: Sequence[str] = (),
) -> str:
    """A word about files of an earlier run, which would be taken for this one's ``files``; empty without any.

    ``series`` are folders of numbered ``frames`` and how their names end, ``sometimes`` files that not every run
    leaves.
    """
    out = [name for name in sometimes if name not in files and folder.has(name)]
    for name, ending in series.items():
        own = {f"{frame:04d}{ending}" for frame in frames} if f"{name}/" in files else set()
        found = (folder.path / name).glob(f"*{ending}")
        strange = sorted(path.name for path in found if path.stem.isdigit() and path.name not in own)
        if strange:
            out.append(f"{name}/{strange[0]} ({len(strange)} in all)")
    where = folder.path.as_posix()
    return f"left in {where} by an earlier run and no part of this one: {', '.join(out)}" if out else ""


def say_scene(folder: OutputFolder, name: str, scene: Scene, sha256: str) -> None:
    """Leave word of the scene that the files of one kind come from, in ``name`` (``sheet.json``)."""
    folder.write_text(name, json_text({"title": scene.title, "scene_sha256": sha256, "version": __version__}))


def is_of_scene(folder: OutputFolder, name: str, sha256: str) -> bool:
    """Whether word was left in ``name`` that the files of its kind come from this very scene file."""
    if not folder.has(name):
        return False
    try:
        found = json.loads(folder.place(name).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(found, dict) and found.get("scene_sha256") == sha256
