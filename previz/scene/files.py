"""The files that a scene names: are they there, and are they what they should be?"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from functools import lru_cache, wraps
from itertools import islice
from pathlib import Path
from typing import Any, Concatenate, ParamSpec, TypeVar

from previz.errors import quoted
from previz.scene.faults import Reason, nearest
from previz.scene.source import Loc

Asked = ParamSpec("Asked")
Made = TypeVar("Made")

MESHES = (".glb", ".obj", ".ply", ".stl", ".off")
PICTURES = (".bmp", ".jpeg", ".jpg", ".png", ".tif", ".tiff", ".webp")
TABLES = (".csv",)

# films and pictures that a figure may come in and that are not read: a general converter makes PNG of them
FILMS = (".avi", ".m4v", ".mkv", ".mov", ".mp4", ".mpeg", ".mpg", ".mts", ".mxf", ".webm")
FRAMES = (".cin", ".dpx", ".exr", ".tga")

# key path, what it holds, endings, whether a folder of numbered frames will do
_NAMED: tuple[tuple[Loc, str, tuple[str, ...], bool], ...] = (
    (("wall", "mesh"), "a mesh file", MESHES, False),
    (("wall", "photo"), "a picture file", PICTURES, False),
    (("wall", "relief", "file"), "a table or a picture file", (*TABLES, *PICTURES), False),
    (("bridge", "mesh"), "a mesh file", MESHES, False),
    (("bridge", "image"), "a picture file", PICTURES, False),
    (("plate", "figure"), "a picture file or a folder of numbered pictures", PICTURES, True),
    (("plate", "still"), "a picture file", PICTURES, False),
    (("plate", "miniature"), "a picture file", PICTURES, False),
    (("plate", "wanted"), "a table", TABLES, False),
    (("plate", "take"), "a table", TABLES, False),
    (("plate", "marks", "picture"), "a picture file", PICTURES, False),
)


def read_once(
    most: int,
) -> Callable[[Callable[Concatenate[Path, Asked], Made]], Callable[Concatenate[Path, Asked], Made]]:
    """Keep what the last ``most`` calls made of a file, as long as its time and size stay: decorates a reader whose
    first argument is the file's path."""

    def keeping(read: Callable[Concatenate[Path, Asked], Made]) -> Callable[Concatenate[Path, Asked], Made]:
        kept: Any = lru_cache(maxsize=most)(lambda _state, path, *args, **named: read(path, *args, **named))

        @wraps(read)
        def asked(path: Path, /, *args: Asked.args, **named: Asked.kwargs) -> Made:
            try:
                found = path.stat()
            except OSError:
                return read(path, *args, **named)  # which says what is wrong
            made: Made = kept((found.st_mtime_ns, found.st_size), path, *args, **named)
            return made

        return asked

    return keeping


def file_reasons(data: dict[str, Any], folder: Path) -> list[Reason]:
    """What is wrong with the files named in ``data``, the values of a scene file that lies in ``folder``.

    Values that are not file names at all are left to the model.
    """
    reasons = []
    for key, what, endings, frames in _NAMED:
        for loc, name in _names_at(data, key):
            if name.strip() and name.isprintable() and len(name) <= 500:
                wrong = trouble(folder / name, endings, frames)
                if wrong:
                    reasons.append(Reason(loc, what, f"{wrong[0]} ({quoted(name)})", wrong[1]))
    return reasons


def named_files(data: dict[str, Any]) -> Iterator[tuple[Loc, str]]:
    """Key path and text of every file or folder that ``data``, the values of a sound scene file, names."""
    for key, *_ in _NAMED:
        yield from _names_at(data, key)


def _names_at(data: dict[str, Any], key: Loc) -> Iterator[tuple[Loc, str]]:
    """The names at a key: its text, that of ``file`` in its table, or of every table in its list."""
    value: Any = data
    for step in key:
        value = value.get(step) if isinstance(value, dict) else None
    for loc, part in [(key, value)] if not isinstance(value, list) else [((*key, i), v) for i, v in enumerate(value)]:
        if isinstance(part, str):
            yield loc, part
        elif isinstance(part, dict) and isinstance(part.get("file"), str):
            yield (*loc, "file"), part["file"]


def trouble(path: Path, endings: tuple[str, ...], frames: bool = False) -> tuple[str, str] | None:
    """What is wrong with a file, and what to do; None where nothing is."""
    try:
        if path.is_dir():
            if not frames:
                return "a folder", _instead(path, endings)
            return None if _numbered(path) else ("a folder without numbered pictures", _named_or_converted(path))
        if not path.exists():
            return "no such file", _instead(path, endings)
        if not path.is_file():
            return "something that is not a plain file", ""
        if path.stat().st_size == 0:
            return "an empty file", "export it again"
        if path.suffix.lower() not in endings:
            convert = how_to_convert(path) if frames else ""
            return f'a file that ends in {quoted(path.suffix)}', convert or f"can be read: {' '.join(endings)}"
        with path.open("rb") as file:
            file.read(1)
    except OSError as error:
        return "a file that cannot be read", error.strerror or "see its permissions"
    return None


def how_to_convert(path: Path) -> str:
    """How a film, or a picture of a kind that is not read, becomes a figure's PNG with alpha; empty for other files."""
    kind = path.suffix.lower()
    if kind in FILMS:
        return f"make a folder {path.stem} of numbered PNG: ffmpeg -i {path.name} -pix_fmt rgba {path.stem}/%04d.png"
    if kind in FRAMES:
        name = re.sub(r"\d+$", lambda digits: f"%0{len(digits[0])}d", path.stem)
        return f"make PNG with alpha: ffmpeg -i {name}{path.suffix} -pix_fmt rgba {name}.png"
    return ""


def _named_or_converted(folder: Path) -> str:
    with os.scandir(folder) as entries:
        names = sorted(entry.name for entry in islice(entries, 100_000))
    found = (how_to_convert(Path(name)) for name in names)
    return next((words for words in found if words), "name them figure.1001.png ...")


def nearest_file(path: Path, endings: tuple[str, ...]) -> str:
    """The file or folder beside ``path`` whose name is most like it, or an empty text."""
    try:
        with os.scandir(path.parent) as entries:
            some = islice(entries, 10_000)
            names = sorted(e.name for e in some if e.is_dir() or e.name.lower().endswith(endings))
    except OSError:
        return ""
    same_stem = [name for name in names if Path(name).stem.lower() == path.stem.lower()]
    return same_stem[0] if same_stem else nearest(path.name, names)


def _instead(path: Path, endings: tuple[str, ...]) -> str:
    if not path.parent.is_dir():
        return f"there is no folder {quoted(path.parent.name)} there"
    near = nearest_file(path, endings)
    return f"did you mean {quoted(near)}?" if near and near != path.name else "names are relative to the scene file"


def _numbered(folder: Path) -> bool:
    with os.scandir(folder) as entries:
        return any(
            entry.name.lower().endswith(PICTURES) and Path(entry.name).stem[-1:].isdigit()
            for entry in islice(entries, 100_000)
        )
