"""The relief that a scene's wall has: as it says, or as a grid of measured heights that it names."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from previz.errors import BuildError
from previz.geometry import Array
from previz.scene.files import read_once
from previz.scene.foreign import read_codes
from previz.scene.given.heights import HeightGrid
from previz.scene.limits import HEIGHTS, TABLE_BYTES, millions
from previz.scene.model import Scene

# m; nothing of a wall's relief reaches farther out of its plane
_DEEPEST = 10.0


def relief_of(scene: Scene) -> float:
    """Full depth (m) of a wall's relief: it lies within half of it on either side of its plane.

    Raises :class:`~previz.errors.BuildError` for a grid that cannot be read.
    """
    wall = scene.wall
    if isinstance(wall.relief, HeightGrid):
        return 2.0 * float(np.abs(heights_of(scene, wall.relief)).max())
    # a photograph has no carving, and a mesh its own
    return wall.relief if wall.photo is None else 0.0


def heights_of(scene: Scene, grid: HeightGrid) -> Array:
    """Measured heights (rows, columns) m, the top row first. Raises :class:`~previz.errors.BuildError`."""
    return _read(scene.path(grid.file), grid)


@read_once(2)
def _read(path: Path, grid: HeightGrid) -> Array:
    heights = _of_table(path) if grid.is_table else _of_picture(path, grid)
    rows, columns = heights.shape
    if rows < 2 or columns < 2:
        raise BuildError(f"{path}: {columns} x {rows} heights are no grid; at least 2 x 2 are needed")
    if rows * columns > HEIGHTS:
        raise BuildError(f"{path}: {columns} x {rows} heights; at most {millions(HEIGHTS)} are read")
    worst = float(np.abs(heights).max())
    if worst > _DEEPEST:
        raise BuildError(f"{path}: a height of {worst:.4g} m is no miniature's; heights in a CSV are taken in mm")
    return heights


def _of_table(path: Path) -> Array:
    try:
        if path.stat().st_size > TABLE_BYTES:
            raise BuildError(f"{path}: the table is larger than {TABLE_BYTES // 1_000_000} MB; save a coarser grid")
        with path.open(encoding="utf-8-sig", newline="") as file:
            first = file.readline()
            file.seek(0)
            mark = max(",;\t", key=first.count)
            rows = [row for row in csv.reader(file, delimiter=mark) if any(cell.strip() for cell in row)]
    except FileNotFoundError:
        raise BuildError(f"{path}: there is no such file; a table of heights is expected there") from None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise BuildError(f"{path}: not a table that can be read ({type(error).__name__}); save it as CSV") from None
    if not rows:
        raise BuildError(f"{path}: the table is empty; a row of heights in mm a line is expected")
    out = np.empty((len(rows), len(rows[0])))
    for number, row in enumerate(rows, 1):
        if len(row) != len(rows[0]):
            raise BuildError(
                f"{path}: row {number} has {len(row)} heights, the first {len(rows[0])}; all rows are as long"
            )
        try:
            out[number - 1] = [float(cell) for cell in row]
        except ValueError:
            raise BuildError(
                f"{path}: row {number} holds something that is no number; nothing but heights in mm is expected"
            ) from None
    if not np.isfinite(out).all():
        raise BuildError(f"{path}: it holds heights that are not finite; measure them, or fill them in between")
    return out * 1e-3


def _of_picture(path: Path, grid: HeightGrid) -> Array:
    share = read_codes(path)
    low, high = grid.low or 0.0, grid.high or 0.0
    return np.asarray(low + (high - low) * share)
