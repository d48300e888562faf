"""A new scene, and a scene looked at without drawing anything."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

from previz.errors import OutputError
from previz.run.output import OutputFolder
from previz.scene.checks import derived
from previz.scene.reader import read_scene
from previz.scene.starter import starter_text
from previz.stage.cautions import once, scene_cautions

# what every system can hold in a file name, with its ending
_LONGEST = 100


def new_scene(name: str, force: bool) -> Path:
    """Write a starter scene ``name.toml`` to the working folder; an older one is kept unless ``force``."""
    stem = name.removesuffix(".toml")
    if not re.fullmatch(r"[A-Za-z0-9_-][A-Za-z0-9._-]*", stem):
        raise OutputError(
            f'"{name}" is not a name for a scene; use letters, digits, ".", "_" and "-", and run the command in the '
            "folder where the scene should lie"
        )
    if len(stem) > _LONGEST:
        raise OutputError(f"a name of {len(stem)} letters is too long for a scene; use at most {_LONGEST}")
    path = Path(f"{stem}.toml")
    if path.is_dir():
        raise OutputError(f"{path} is a folder; choose another name")
    if os.path.lexists(path) and not force:
        raise OutputError(f"{path} is there already; choose another name, or write over it with --force")
    return OutputFolder(Path()).write_text(path.name, starter_text(stem))


def check_scene(path: Path) -> dict[str, Any]:
    """What can be said of a scene before anything is drawn: title, derived numbers, cautions."""
    scene = read_scene(path)
    rows, said = derived(scene), scene_cautions(scene)
    if any(photo.measured for photo in scene.wall.photo or ()):
        from previz.workshop.walls.photo import photo_preview

        seen, more = photo_preview(scene)
        rows[3:3] = seen
        said = once([*said, *more])
    return {
        "title": scene.title,
        "derived": [list(row) for row in rows],
        "cautions": said,
    }
