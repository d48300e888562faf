"""A stranger's set: a modelled causeway with stairs, parapets and piers before a photographed wall of stone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import trimesh
from PIL import Image
from scipy.ndimage import gaussian_filter

MM = 1e-3

SCENE = """\
title = "Causeway"
scale = "1:24"
date = 2025-03-14

[delivery]
frame = [1280, 720]

[wall]
photo = "wall.png"
width = "1.8 m"
height = "1.4 m"
top = "700 mm"

[bridge]
mesh = "causeway.glb"
paint = "solved"

[camera]
lens = "35 mm"
position = ["0 mm", "150 mm", "1250 mm"]
tilt = "-8 deg"

[rail]
travel = "90 mm"
frames = 24
hold = [1001, 1012]
reveal = 1022

[paint]
brush = "4 mm"
palette = 10
"""

# where the deck's height changes: level, ten steps down, level again (m)
_LEVEL, _STEPS, _RUN, _RISE, _END = 200 * MM, 10, 20 * MM, 5 * MM, 600 * MM
_HALF, _PARAPET, _HIGH, _THICK = 25 * MM, 4 * MM, 10 * MM, 15 * MM
_PIERS = ((260 * MM, 300 * MM), (500 * MM, 540 * MM))


def deck(z: float) -> float:
    """Height (m) of the causeway's deck at z (m)."""
    return -_RISE * float(np.clip(np.floor((z - _LEVEL) / _RUN + 1e-9) + 1.0, 0.0, _STEPS))


def causeway() -> trimesh.Trimesh:
    """The causeway in metres, closed, of upright and level faces only."""
    xs = np.array([-_HALF, -_HALF + _PARAPET, -15 * MM, 15 * MM, _HALF - _PARAPET, _HALF])
    zs = np.unique(np.round([0.0, *(_LEVEL + k * _RUN for k in range(_STEPS + 1)), *np.ravel(_PIERS), _END], 9))
    levels = {k * _RISE for k in range(-_STEPS, 1)}
    ys = {round(y, 9) for level in levels for y in (level, level - _THICK, level + _HIGH)} | {-140 * MM}
    rows = np.array(sorted(ys))
    middle = [0.5 * (line[1:] + line[:-1]) for line in (xs, rows, zs)]
    solid = np.zeros([len(m) for m in middle], dtype=bool)
    for k, z in enumerate(middle[2]):
        top = deck(float(z))
        for i, x in enumerate(middle[0]):
            above = _HIGH if abs(x) > _HALF - _PARAPET else 0.0
            solid[i, :, k] = (middle[1] > top - _THICK) & (middle[1] < top + above)
            if abs(x) < 15 * MM and any(a < z < b for a, b in _PIERS):
                solid[i, :, k] |= middle[1] < top - _THICK
    return _skin(solid, (xs, rows, zs))


def _skin(solid: np.ndarray, lines: tuple[np.ndarray, np.ndarray, np.ndarray]) -> trimesh.Trimesh:
    """The faces between full and empty cells of a grid, outward."""
    corners, faces = [], []
    full = np.pad(solid, 1)
    for axis in range(3):
        for way in (-1, 1):
            bare = solid & ~np.roll(full, -way, axis=axis)[1:-1, 1:-1, 1:-1]
            for cell in np.argwhere(bare):
                u, v = (axis + 1) % 3, (axis + 2) % 3
                ring = [(0, 0), (1, 0), (1, 1), (0, 1)] if way > 0 else [(0, 0), (0, 1), (1, 1), (1, 0)]
                first = len(corners)
                for du, dv in ring:
                    at = cell.copy()
                    at[axis] += way > 0
                    at[u] += du
                    at[v] += dv
                    corners.append([lines[n][at[n]] for n in range(3)])
                faces += [[first, first + 1, first + 2], [first, first + 2, first + 3]]
    mesh = trimesh.Trimesh(np.array(corners), np.array(faces), process=False)
    mesh.merge_vertices()
    return mesh


def stone(width_px: int = 900, height_px: int = 700, seed: int = 3) -> np.ndarray:
    """A picture (h, w, 3) uint8 of a wall of stone: courses of blocks, stains and grain."""
    rng = np.random.default_rng(seed)

    def cloud(size: float) -> np.ndarray:
        field = gaussian_filter(rng.normal(size=(height_px, width_px)), size)
        return np.asarray(field / field.std())

    y, x = np.mgrid[:height_px, :width_px]
    x, y = x + 6.0 * cloud(25.0), y + 5.0 * cloud(25.0)
    course = np.floor(y / 46.0)
    block = np.floor((x + 37.0 * (course % 2) + 11.0 * (course % 3)) / 83.0)
    tone = np.sin(12.9898 * block + 78.233 * course) * 43758.5453
    tone -= np.floor(tone)
    across, along = (y / 46.0) % 1.0, ((x + 37.0 * (course % 2) + 11.0 * (course % 3)) / 83.0) % 1.0
    joint = np.minimum(np.minimum(across, 1.0 - across) * 46.0, np.minimum(along, 1.0 - along) * 83.0)
    level = 118.0 + 34.0 * (tone - 0.5) + 14.0 * cloud(40.0) + 9.0 * cloud(6.0) + 8.0 * cloud(1.2)
    level -= 45.0 * np.exp(-((joint / 2.2) ** 2))
    warm = 5.0 * cloud(60.0)
    return np.clip(np.stack([level + 8.0 + warm, level + 2.0, level - 10.0 - warm], axis=-1), 0, 255).astype(np.uint8)


def causeway_set(folder: Path, *changes: tuple[str, str], seed: int = 3) -> Path:
    """The scene file with its model and its photograph (drawn by ``seed``), each first text replaced by the second."""
    text = SCENE
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    folder.mkdir(parents=True, exist_ok=True)
    causeway().export(folder / "causeway.glb")
    Image.fromarray(stone(seed=seed)).save(folder / "wall.png")
    path = folder / "causeway.toml"
    path.write_text(text, encoding="utf-8")
    return path
