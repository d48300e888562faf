"""The files that a scene names: are they there, and are they what they should be?"""

from __future__ import annotations

import os
from itertools import islice
from pathlib import Path
from typing import Any

from previz.scene.faults import Reason, nearest
from previz.scene.source import Loc, quoted

MESHES = (".glb", ".obj", ".ply", ".stl")
PICTURES = (".bmp", ".jpeg", ".jpg", ".png", ".tif", ".tiff", ".webp")

# key path, what it holds, endings, whether a folder of numbered frames will do
_NAMED: tuple[tuple[Loc, str, tuple[str, ...], bool], ...] = (
    (("wall", "mesh"), "a mesh file", MESHES, False),
    (("wall", "photo"), "a picture file", PICTURES, False),
    (("bridge", "mesh"), "a mesh file", MESHES, False),
    (("bridge", "image"), "a picture file", PICTURES, False),
    (("plate", "figure"), "a picture file or a folder of numbered pictures", PICTURES, True),
)


def file_reasons(data: dict[str, Any], folder: Path) -> list[Reason]:
    """What is wrong with the files named in ``data``, the values of a scene file that lies in ``folder``.

    Values that are not file names at all are left to the model.
    """
    reasons = []
    for loc, what, endings, frames in _NAMED:
        table = data.get(str(loc[0]))
        name = table.get(loc[1]) if isinstance(table, dict) else None
        if isinstance(name, str) and name.strip() and name.isprintable() and len(name) <= 500:
            trouble = _trouble(folder / name, endings, frames)
            if trouble:
                reasons.append(Reason(loc, what, f"{trouble[0]} ({quoted(name)})", trouble[1]))
    return reasons


def _trouble(path: Path, endings: tuple[str, ...], frames: bool) -> tuple[str, str] | None:
    """What is wrong with a file, and what to do; None where nothing is."""
    try:
        if path.is_dir():
            if not frames:
                return "a folder", _instead(path, endings)
            return None if _numbered(path) else ("a folder without numbered pictures", "name them figure.1001.png ...")
        if not path.exists():
            return "no such file", _instead(path, endings)
        if not path.is_file():
            return "something that is not a plain file", ""
        if path.stat().st_size == 0:
            return "an empty file", "export it again"
        if path.suffix.lower() not in endings:
            return f'a file that ends in "{path.suffix}"', f"can be read: {' '.join(endings)}"
        with path.open("rb") as file:
            file.read(1)
    except OSError as error:
        return "a file that cannot be read", error.strerror or "see its permissions"
    return None


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
