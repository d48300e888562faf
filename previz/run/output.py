"""The folder that results are written to: every file whole or not at all.

A file is written under a temporary name beside its place and renamed when it is whole, so that a reader sees
the old file or the new one, never half of one. Nothing outside the folder is ever written.
"""

from __future__ import annotations

import dataclasses
import errno
import itertools
import json
import math
import os
import re
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from fractions import Fraction
from pathlib import Path, PurePath
from typing import Any

import numpy as np

from previz.errors import OutputError

# Names every system can hold; the letters and signs are the trade's habit for picture files
_NAME = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._-]*")
_TEMPORARY = re.compile(r"\.part-\d+-\d+-.+")

# A temporary file untouched for this long (s) belongs to a run that was killed
_LEFT_BEHIND = 600.0

# Windows keeps "disk full" and "write protected" under its own numbers as well
_FULL = {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)}
_REFUSED = {errno.EACCES, errno.EPERM, errno.EROFS}
_IN_THE_WAY = {errno.ENOTDIR, errno.EEXIST}
_WINDOWS_FULL = {39, 112}

_serial = itertools.count()


def output_error(error: OSError, path: Path) -> OutputError:
    """The one-line message for a failed write of ``path``: what went wrong and what to do about it."""
    number = error.errno
    if number in _FULL or getattr(error, "winerror", None) in _WINDOWS_FULL:
        why = "the disk is full; free some space, or write to another disk with --out"
    elif number == errno.EROFS:
        why = "the folder can only be read; write somewhere else with --out"
    elif number in _REFUSED:
        why = "writing there is not allowed; close any program that has it open, or write elsewhere with --out"
    elif number == errno.EISDIR:
        why = "a folder has the name of this file; move it away, or write elsewhere with --out"
    elif number in _IN_THE_WAY:
        why = "a file stands where a folder is needed; move it away, or write elsewhere with --out"
    elif number == errno.ENAMETOOLONG:
        why = "the name is too long for this disk; choose a shorter folder with --out"
    else:
        why = f"{error.strerror or error}; check the disk, or write elsewhere with --out"
    return OutputError(f"cannot write {path}: {why}")


class OutputFolder:
    """A folder for results. ``path`` is made, with its parents, if it is not there yet.

    File names are relative, with ``/`` between folders (``lens/1001.png``), of letters, digits, ``.``, ``_`` and
    ``-``. Raises :class:`OutputError` where the folder cannot be made or a name leads out of it.
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        _make_folder(self.path)

    def place(self, name: str) -> Path:
        """Where ``name`` lies. Makes no folder; raises :class:`OutputError` if it leads out of this one."""
        parts = name.split("/")
        if not all(_NAME.fullmatch(part) for part in parts):
            raise OutputError(
                f'"{name}" is not a name for a result; use letters, digits, ".", "_" and "-", with "/" between folders'
            )
        place = self.path.joinpath(*parts)
        # a link inside the folder may point elsewhere
        if not place.parent.resolve().is_relative_to(self.path.resolve()):
            raise OutputError(f"{place} leads out of {self.path} through a link; remove the link and run again")
        return place

    def has(self, name: str) -> bool:
        """Whether a whole file of that name is there."""
        return self.place(name).is_file()

    @contextmanager
    def replacing(self, name: str) -> Iterator[Path]:
        """A temporary path to write ``name`` to; renamed to it when the block ends, removed when it fails.

        The temporary name keeps the ending of ``name``, so that writers that look at it choose the right format.
        """
        place = self.place(name)
        _make_folder(place.parent)
        temporary = place.with_name(f".part-{os.getpid()}-{next(_serial)}-{place.name}")
        try:
            try:
                yield temporary
                temporary.replace(place)
            except OSError as error:
                if not _about_writing(error, temporary):
                    raise
                # renaming a file over a folder says "not allowed" on one system and "is a folder" on another
                if place.is_dir():
                    error = IsADirectoryError(errno.EISDIR, "is a folder")
                raise output_error(error, place) from error
        except BaseException:
            with suppress(OSError):
                temporary.unlink()
            raise

    def write_bytes(self, name: str, data: bytes) -> Path:
        """Write a file; gives its place."""
        with self.replacing(name) as temporary:
            temporary.write_bytes(data)
        return self.place(name)

    def write_among(self, name: str, data: bytes, most: int) -> Path:
        """Write a file and let go of all but the ``most`` used last of its kind in its folder; gives its place."""
        place = self.write_bytes(name, data)
        entries = sorted(place.parent.glob(f"*{place.suffix}"), key=_last_used, reverse=True)
        for old in entries[most:]:
            with suppress(OSError):
                old.unlink()
        return place

    def write_text(self, name: str, text: str) -> Path:
        """Write text as UTF-8 with the line ends it has (``\\n``); gives its place."""
        return self.write_bytes(name, text.encode("utf-8"))

    def write_json(self, name: str, value: object, decimals: int = 6, sort_keys: bool = True) -> Path:
        """Write :func:`json_text`; gives its place."""
        return self.write_text(name, json_text(value, decimals, sort_keys))

    def remove_leftovers(self, older_than: float = _LEFT_BEHIND, within: Sequence[str] | None = None) -> int:
        """Remove temporary files of runs that were killed (untouched for ``older_than`` s; 0: all); gives how many.

        Looks in the folder itself and the folders ``within`` it; in all of them unless given.
        """
        if within is None:
            left = list(self.path.rglob(".part-*"))
        else:
            # a link may lead out of the folder
            folders = [self.path, *(self.path / name for name in within if not (self.path / name).is_symlink())]
            left = [path for folder in folders for path in folder.glob(".part-*")]
        count = 0
        for path in sorted(left):
            with suppress(OSError):
                # a clock that was put back leaves files of the future
                old = older_than <= 0.0 or time.time() - path.stat().st_mtime >= older_than
                if old and _TEMPORARY.fullmatch(path.name):
                    path.unlink()
                    count += 1
        return count


def _last_used(place: Path) -> float:
    try:
        return place.stat().st_mtime
    except OSError:
        return 0.0


def json_text(value: object, decimals: int = 6, sort_keys: bool = True) -> str:
    """JSON text (RFC 8259) that is the same for the same value: two blanks a level, ``\\n`` at every line's end.

    Floats are rounded to ``decimals``; what is not a number (NaN, infinity) becomes ``null``; numpy values,
    fractions (as ``"24000/1001"``), paths and dataclasses are taken too. ``sort_keys=False`` keeps the order given.
    """
    plain = _plain(value, decimals)
    return json.dumps(plain, indent=2, sort_keys=sort_keys, ensure_ascii=False, allow_nan=False) + "\n"


def _plain(value: Any, decimals: int) -> Any:
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, np.generic):
        return _plain(value.item(), decimals)
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        # adding zero turns -0.0 into 0.0
        return round(value, decimals) + 0.0 if math.isfinite(value) else None
    if isinstance(value, Fraction):
        return value.numerator if value.denominator == 1 else f"{value.numerator}/{value.denominator}"
    if isinstance(value, PurePath):
        return value.as_posix()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name), decimals) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _plain(item, decimals) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return _plain(value.tolist(), decimals)
    if isinstance(value, list | tuple):
        return [_plain(item, decimals) for item in value]
    raise TypeError(f"{type(value).__name__} has no JSON form")


def _make_folder(path: Path) -> None:
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise output_error(error, path) from error


def _about_writing(error: OSError, temporary: Path) -> bool:
    # the block may also read other files; its failures there are not ours to explain
    if error.filename is None:
        return True
    return Path(os.fsdecode(error.filename)) == temporary
