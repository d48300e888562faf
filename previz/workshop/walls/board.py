"""A flat board painted to look like rock: angular patches, brush strokes, cracks, bare plywood where it has worn."""

from __future__ import annotations

import numpy as np

from previz.geometry import Array
from previz.workshop.noise import Field, hashed, smoothstep, uniform
from previz.workshop.surface import Picture
from previz.workshop.walls.sheet import Coat, Ground, WallGrid

_PIGMENTS = [
    "#6f675c", "#8b8274", "#4b463f", "#a59a86", "#5d5a55",
    "#38352f", "#786a55", "#c0b59e", "#2b2a28", "#857d78",
]  # fmt: skip


def carve(ground: Ground, x: Array, y: Array) -> Field:
    """Height (h, w): a board is flat, all of it at the datum plane."""
    return np.zeros((len(y), len(x)), dtype=np.float32)


def painted(ground: Ground, x: Array, y: Array) -> Picture:
    """Reflectance (h, w, 3)."""
    sheet = WallGrid(ground, x, y)
    stones = sheet.facets(210.0, 120.0, 0.5, 100, buckled=0.5)
    chips = sheet.facets(80.0, 40.0, -0.3, 110, buckled=0.6)
    pick = uniform(sheet.number(3), stones.name)
    coat = Coat.picked(_PIGMENTS, (pick * len(_PIGMENTS)).astype(np.int64))
    coat.over("#7b7264", 0.35 * smoothstep(-0.4, 0.4, sheet.fbm(300.0, 260.0, 12, octaves=2)))
    tone = 0.60 + 0.85 * uniform(sheet.number(4), chips.name)
    # strokes lie one way on one facet and another way on the next
    steep = (hashed(sheet.number(5), stones.name) & np.uint32(1)).astype(np.float32)
    flat_strokes = sheet.strokes(60.0, 9.0, -0.5, 6, octaves=3)
    upright_strokes = sheet.fbm(9.0, 46.0, 8, octaves=3)
    strokes = np.asarray(flat_strokes + (upright_strokes - flat_strokes) * steep, dtype=np.float32)
    # each facet is painted as if it were turned towards the light or away from it
    turned = 0.9 * (uniform(sheet.number(14), stones.name) - 0.35) * stones.up - 0.5 * stones.right
    coat.times(tone * (1.0 + 0.7 * turned + 0.42 * strokes + 0.10 * sheet.grain(2.5, 2.5, 7)))
    patches = sheet.fbm(190.0, 120.0, 10, octaves=3) + 0.5 * strokes
    coat.over("#c2b79d", 0.60 * smoothstep(0.30, 0.46, patches))
    coat.over("#1b1917", 0.66 * smoothstep(-0.26, -0.42, patches))
    coat.over("#6b5340", 0.45 * smoothstep(0.1, 0.45, sheet.fbm(160.0, 240.0, 11, octaves=3)))
    coat.times(1.06 + 0.50 * sheet.fbm(430.0, 360.0, 13, octaves=2))
    _edges(coat, sheet, stones.gap, chips.gap, strokes)
    _worn(coat, sheet, strokes)
    return coat.picture()


def _edges(coat: Coat, sheet: WallGrid, gap: Field, small_gap: Field, strokes: Field) -> None:
    broken = sheet.fbm(52.0, 44.0, 20, octaves=2)
    # painted light from the upper left: the shape of every stone is lit by how its border falls away
    stones = np.asarray(np.minimum(gap, 26.0) + 0.35 * np.minimum(small_gap, 9.0), dtype=np.float32)
    lit = stones - sheet.blurred(stones, 9.0)
    coat.over("#151311", 0.70 * smoothstep(1.0, 5.0, sheet.overhang(stones, 7.0)))
    coat.over("#d0c6ae", 0.55 * smoothstep(0.8, 3.0, lit) * smoothstep(-0.2, 0.5, strokes + 0.4 * broken))
    coat.over("#0e0d0c", 0.85 * smoothstep(2.6, 0.7, gap) * smoothstep(-0.5, 0.0, broken))
    coat.over("#171513", 0.60 * smoothstep(1.4, 0.4, small_gap) * smoothstep(-0.15, 0.25, broken))


def _worn(coat: Coat, sheet: WallGrid, strokes: Field) -> None:
    drips = smoothstep(0.15, 0.5, sheet.fbm(8.0, 200.0, 30, octaves=2))
    where = smoothstep(0.0, 0.4, sheet.fbm(230.0, 210.0, 31, octaves=2))
    coat.over("#241f1a", 0.45 * drips * where)
    moss = smoothstep(0.30, 0.40, sheet.fbm(50.0, 40.0, 32, octaves=4, gain=0.6) + 0.25 * strokes)
    coat.over("#68703f", 0.60 * moss * smoothstep(-0.4, 0.3, sheet.grain(2.2, 2.2, 33)))
    bare = smoothstep(0.50, 0.56, sheet.fbm(200.0, 120.0, 34, octaves=4, gain=0.55) + 0.2 * strokes)
    rings = sheet.fbm(700.0, 26.0, 35, octaves=3)
    coat.over("#b99b6e", 0.85 * bare)
    coat.over("#8a6c44", 0.55 * bare * smoothstep(0.0, 0.3, np.sin(30.0 * rings)))
    coat.over("#d8d2c2", 0.7 * smoothstep(0.93, 0.99, sheet.grain(2.4, 2.4, 36)))
