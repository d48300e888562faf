"""The tiny set whose commands are killed, and what they are asked."""

from __future__ import annotations

import importlib
import pickle
from collections.abc import Callable
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from previz.scene.move import move_of
from previz.scene.reader import read_scene
from tests.command.scenes import laid

_CHANGES: Final = (
    ("frame = [320, 180]", "frame = [160, 90]"),
    ('width = "1.8 m"', 'width = "900 mm"'),
    ('height = "1.4 m"', 'height = "700 mm"\ntop = "350 mm"'),
    ('relief = "40 mm"', 'relief = "20 mm"'),
    ("triangles = 2000", "triangles = 600"),
    ("texture_px = 256", "texture_px = 128"),
    ('length = "700 mm"', 'length = "200 mm"'),
    ('"160 mm", "1250 mm"', '"120 mm", "800 mm"'),
    ("frames = 4", "frames = 3"),
    ("reveal = 1004", "reveal = 1003"),
    (
        'foot_mark = "400 mm"',
        'foot_mark = "100 mm"\ncamera = { lens = "35 mm", height = "1.6 m", distance = "9 m", travel = "0.3 m" }',
    ),
)

_SEARCH: Final = """
[search]
height = ["100 mm", "140 mm"]
tilt = ["-10 deg", "-6 deg"]
station = [1001, 1002]
budget = 10
finalists = 1
"""

# what is asked; with the scene's name and --out
COMMANDS: Final = {
    "new": ("new", "made", "--force"),
    "shoot": ("shoot", "--width", "160"),
    "score": ("score", "--width", "160"),
    "sheet": ("sheet", "--width", "160", "--tilt", "-10, -8 deg"),
    "search": ("search", "--width", "400"),
    "knock": ("knock", "--width", "400", "--samples", "10"),
    "paint": ("paint", "--steps", "1"),
    "rig": ("rig",),
    "plate": ("plate", "--width", "160"),
    "lineup": ("lineup", "--no-judge"),
    "export": ("export", "--gltf", "--svg", "--dxf"),
}
WITH_WORKERS: Final = ("shoot", "score", "sheet")

# s before a command whose workers are killed has any: it loads its libraries itself
QUIET: Final = 5.0

_PHOTO: Final = "photo.png"


def laid_out(place: Path, command: str) -> list[str]:
    """Lay what a command needs in the folder ``place``; gives its words."""
    place.mkdir(parents=True, exist_ok=True)
    words = list(COMMANDS[command])
    if command == "new":
        (place / "out").mkdir(exist_ok=True)
        return words
    path = laid(place, *_CHANGES)
    path.write_text(path.read_text(encoding="utf-8") + _SEARCH, encoding="utf-8", newline="\n")
    words.insert(1, path.name)
    if command == "lineup":
        (place / _PHOTO).write_bytes(_photographed(str(path)))
        words.insert(2, _PHOTO)
    words += ["--out", "out"]
    return words if command == "rig" else [*words, "--workers", "1"]


@cache
def _photographed(path: str) -> bytes:
    """The set's marker sheets as its own camera would photograph them, by an independent renderer."""
    from previz.lineup.correction import head_angles
    from previz.lineup.markers import board_of
    from tests.lineup.photographs import Paper, Spoils, Truth, photograph

    scene = read_scene(Path(path))
    move = move_of(scene)
    camera = move.camera(move.station_frame)
    size = (1200, 800)
    focal = scene.camera.lens / scene.camera.sensor[0] * size[0]
    truth = Truth(tuple(camera.position), tuple(head_angles(camera.world_from_cam)), focal, size, 0.0)
    papers = [Paper(s.numbers, s.at, s.side, s.world_from_sheet) for s in board_of(scene).sheets]
    return photograph(truth, papers, Spoils(seed=1))


def loaded(folder: Path) -> None:
    """Load what commands need, and have them keep in ``folder`` what is ordinary on a wall."""
    for question in ("shoot", "sheet", "search", "paint", "rig", "plate", "lineup", "export"):
        importlib.import_module(f"previz.command.{question}.{question}")
    for name in ("cli", "command.search.knock", "look.picture"):
        importlib.import_module(f"previz.{name}")
    module = importlib.import_module("previz.judge.ordinary")
    folder.mkdir(parents=True, exist_ok=True)
    known = _kept(module.ordinary_of, folder)
    for other in [module, *_users(module.ordinary_of)]:
        setattr(other, "ordinary_of", known)  # noqa: B010


def _users(function: Callable[..., Any]) -> list[Any]:
    import sys

    found = list(sys.modules.values())
    return [m for m in found if getattr(m, "ordinary_of", None) is function]


def _kept(worked_out: Callable[..., Any], folder: Path) -> Callable[..., Any]:
    """The same function, which keeps in files what it gave for every picture, viewer and cover."""
    import os

    def known(picture: Any, viewer: Any, cover: Any = None) -> Any:
        key = sha256(pickle.dumps((picture, viewer, cover))).hexdigest()
        place = folder / key
        if place.exists():
            return pickle.loads(place.read_bytes())
        out = worked_out(picture, viewer, cover)
        temporary = folder / f"{key}.{os.getpid()}"
        temporary.write_bytes(pickle.dumps(out))
        temporary.replace(place)
        return out

    return known
