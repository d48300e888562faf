"""A small scene that is quick to shoot, its files, and ways of spoiling them."""

from pathlib import Path

import numpy as np
import trimesh
from PIL import Image

SMALL = """\
title = "Small quarry"
scale = "1:20"
date = 2025-03-14

[delivery]
frame = [320, 180]
rate = 25

[wall]
kind = "slate"
width = "1.8 m"
height = "1.4 m"
relief = "40 mm"
seed = 7
triangles = 2000
texture_px = 256

[bridge]
length = "700 mm"
width = "50 mm"
paint = "projected"

[camera]
sensor = "35.9 x 24.0 mm"
lens = "35 mm"
position = ["0 mm", "160 mm", "1250 mm"]
tilt = "-8 deg"

[rail]
travel = "60 mm"
frames = 4
hold = [1001, 1002]
reveal = 1004
station = 1001

[plate]
figure = "figure.png"
foot_mark = "400 mm"
"""


def changed(*changes: tuple[str, str]) -> str:
    """The small scene with each first text, which must be in it once, replaced by the second."""
    text = SMALL
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} is {text.count(old)} times in the scene"
        text = text.replace(old, new)
    return text


def laid(folder: Path, *changes: tuple[str, str], name: str = "small.toml") -> Path:
    """The small scene, changed, as a file in ``folder``, beside its figure."""
    folder.mkdir(parents=True, exist_ok=True)
    if not (folder / "figure.png").exists():
        figure(folder / "figure.png")
    path = folder / name
    path.write_text(changed(*changes), encoding="utf-8", newline="\n")
    return path


def figure(path: Path, mode: str = "RGBA") -> Path:
    """A red performer 20 px wide and 60 px tall in a transparent picture (in ``mode`` RGB: a full one)."""
    picture = np.zeros((80, 40, 4), dtype=np.uint8)
    picture[10:70, 10:30] = (200, 20, 20, 255)
    Image.fromarray(picture).convert(mode).save(path)
    return path


def box_mesh(path: Path, closed: bool = True) -> Path:
    """A bridge of 60 x 12 x 700 mm as a mesh; open: without its last triangle."""
    box = trimesh.creation.box((0.06, 0.012, 0.7))
    box.apply_translation((0.0, -0.006, 0.34))
    if not closed:
        box = trimesh.Trimesh(box.vertices, box.faces[:-1], process=False)
    box.export(path)
    return path


def cut_short(path: Path, share: float = 0.5) -> Path:
    """Leave the first part of a file."""
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    return path


def photograph(path: Path) -> Path:
    """A noisy picture of a painted wall."""
    rng = np.random.default_rng(5)
    codes = np.clip(rng.normal(110.0, 25.0, (140, 180, 3)), 0, 255)
    Image.fromarray(codes.astype(np.uint8)).save(path)
    return path
