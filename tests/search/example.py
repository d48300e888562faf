"""A small quarry that is built and judged in a moment, and pieces to change it with."""

from __future__ import annotations

from pathlib import Path

from previz.scene.model import Scene
from previz.scene.reader import read_scene

SMALL = '''\
title = "Small quarry"
scale = "1:20"
date = 2025-03-14

[delivery]
frame = [1920, 1080]

[wall]
kind = "slate"
width = "2.3 m"
height = "1.5 m"
top = "650 mm"
relief = "30 mm"
seed = 11
triangles = 2000
texture_px = 512

[bridge]
length = "700 mm"            # from the sill
width = "50 mm"
thickness = "12 mm"

[camera]
lens = "40 mm"
focus = "900 mm"
shutter = "1/1000 s"         # the fast judge leaves movement out
position = ["0 mm", "270 mm", "1600 mm"]   # the lens
tilt = "-12 deg"

[rail]
along = [1, 0, 0]
travel = "240 mm"            # to camera right
frames = 24
ease = "20%"
hold = [1001, 1008]
reveal = 1022

[search]
height = ["250 mm", "450 mm"]
tilt = ["-16 deg", "-8 deg"]
rail_length = ["150 mm", "500 mm"]
station = [1001, 1008]
least_reveal = "40%"
budget = 14
finalists = 2
'''


def small(folder: Path, *changes: tuple[str, str]) -> Path:
    """The file of the small quarry, each first text replaced by the second."""
    text = SMALL
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = folder / "small.toml"
    path.write_text(text, encoding="utf-8")
    return path


def small_scene(folder: Path, *changes: tuple[str, str]) -> Scene:
    """The small quarry as a scene."""
    return read_scene(small(folder, *changes))
