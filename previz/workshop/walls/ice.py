"""A crevasse in a glacier: blue scalloped walls, layers of old snow, fractures, fresh snow on the ledges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from previz.geometry import Array
from previz.workshop.noise import Cells, Field, smoothstep, uniform
from previz.workshop.surface import Picture
from previz.workshop.walls.sheet import Coat, Ground, WallGrid, courses


@dataclass(frozen=True, eq=False)
class _Ice:
    """Of every place: facets, layer (0 to 1) and its rim (mm), how far it is turned up
    or down (about -1 to 1), how deep it lies in a bowl (0 at the crest), and the height, -1 to 1."""

    facets: Cells
    layer: Field
    layer_rim: Field
    turned: Field
    bowls: Field
    height: Field


def _ice(sheet: WallGrid) -> _Ice:
    broad = sheet.fbm(520.0, 600.0, 1, octaves=2)
    sway = sheet.fbm(300.0, 200.0, 2, octaves=3)
    # ice breaks along flat faces: large ones, and splinters within them
    facets = sheet.facets(250.0, 330.0, 0.30, 30, buckled=0.30)
    splinters = sheet.facets(84.0, 120.0, 0.42, 40, buckled=0.35)
    out = uniform(sheet.number(3), facets.name)
    sideways = uniform(sheet.number(4), facets.name) - 0.5
    upward = uniform(sheet.number(5), facets.name) - 0.62
    small_out = uniform(sheet.number(6), splinters.name) - 0.5
    small_up = uniform(sheet.number(7), splinters.name) - 0.5
    rows = courses(-2600.0, 2600.0, 8.0, 44.0, sheet.number(8), power=1.8)
    depth = sheet.column + 0.16 * sheet.row + 30.0 * sway + 40.0 * (out - 0.5)
    layer = rows.index(depth)
    begins = rows.starts.astype(np.float32)
    rim = np.minimum(depth - begins[layer], begins[layer + 1] - depth)
    tone = uniform(sheet.number(10), np.arange(len(rows.thickness())))[layer]
    # the sun has eaten shallow bowls into the faces
    bowls = np.abs(sheet.fbm(78.0, 50.0, 11, octaves=2, gain=0.35))
    height = (
        0.28 * broad
        + 0.56 * (out - 0.5)
        + 0.80 * sideways * facets.right
        - 0.85 * upward * facets.up
        + 0.22 * small_out
        - 0.34 * small_up * splinters.up
        + 0.10 * (tone - 0.5)
        + 0.26 * bowls
    )
    turned = np.clip(-1.3 * upward - 0.7 * small_up + 0.5 * sideways, -1.0, 1.0)
    return _Ice(facets, tone, rim, turned.astype(np.float32), bowls, height.astype(np.float32))


def carve(ground: Ground, x: Array, y: Array) -> Field:
    """Height (h, w), about -1 to 1 of half the relief."""
    return _ice(WallGrid(ground, x, y)).height


def painted(ground: Ground, x: Array, y: Array) -> Picture:
    """Reflectance (h, w, 3)."""
    sheet = WallGrid(ground, x, y)
    ice = _ice(sheet)
    share = (sheet.column - ground.bottom / sheet.mm) / (ground.height / sheet.mm)
    mood = sheet.fbm(460.0, 420.0, 20, octaves=2)
    strokes = sheet.strokes(34.0, 10.0, -0.55, 22, octaves=3)
    # light comes from above and is eaten by depth; faces turned to the sky are pale
    lit = 0.20 + 0.50 * share + 0.36 * mood + 0.26 * ice.height - 0.34 * ice.turned + 0.14 * strokes
    lit = lit + 0.16 * (ice.layer - 0.5) - 0.40 * (ice.bowls - 0.25)
    coat = Coat.of(sheet.shape, "#10304f")
    coat.over("#285f86", smoothstep(0.05, 0.28, lit))
    coat.over("#5591ad", smoothstep(0.24, 0.48, lit))
    coat.over("#97bfcd", smoothstep(0.44, 0.70, lit))
    coat.over("#d6e4e6", smoothstep(0.66, 0.95, lit))
    coat.over("#3f97a0", 0.36 * smoothstep(0.1, 0.5, sheet.fbm(260.0, 300.0, 21, octaves=2)))
    coat.times(1.0 + 0.18 * strokes + 0.08 * sheet.grain(4.0, 1.3, 23) + 0.30 * (ice.layer - 0.5))
    _layers(coat, sheet, ice, strokes)
    _edges(coat, sheet, ice, strokes)
    return coat.picture()


def _layers(coat: Coat, sheet: WallGrid, ice: _Ice, strokes: Field) -> None:
    broken = sheet.fbm(120.0, 40.0, 30, octaves=2) + 0.4 * strokes
    coat.over("#5b6a70", 0.66 * smoothstep(0.86, 0.89, ice.layer) * smoothstep(-0.3, 0.2, broken))
    coat.over("#dbeaee", 0.50 * smoothstep(0.13, 0.09, ice.layer) * smoothstep(-0.3, 0.2, broken))
    coat.over("#0a2c50", 0.50 * smoothstep(1.8, 0.6, ice.layer_rim) * smoothstep(-0.1, 0.3, broken))
    # clouds of bubbles, and clear dark ice beside them
    patches = sheet.fbm(170.0, 120.0, 31, octaves=3) + 0.4 * strokes
    coat.over("#d3e5ec", 0.50 * smoothstep(0.32, 0.52, patches))
    coat.over("#062644", 0.55 * smoothstep(-0.28, -0.50, patches))


def _edges(coat: Coat, sheet: WallGrid, ice: _Ice, strokes: Field) -> None:
    broken = sheet.fbm(46.0, 36.0, 40, octaves=2)
    bristles = smoothstep(-0.45, 0.5, sheet.grain(5.0, 1.4, 41) + 0.5 * broken)
    out = sheet.raised(ice.height, 16.0)
    coat.over("#052040", 0.78 * smoothstep(0.04, 0.30, -out))
    crack = smoothstep(2.6, 0.7, ice.facets.gap) * smoothstep(-0.25, 0.25, broken)
    coat.over("#031a35", 0.85 * crack)
    coat.over("#052341", 0.66 * smoothstep(0.08, 0.5, sheet.overhang(ice.height, 7.0)))
    crest = smoothstep(0.07, 0.26, out) * smoothstep(-0.3, 0.3, broken)
    coat.over("#e3eef2", 0.60 * crest * bristles)
    # snow lies wherever something stands out below
    shelf = np.maximum(sheet.overhang(-ice.height, 9.0), 0.5 * sheet.overhang(-ice.height, 26.0))
    shelf = sheet.blurred(np.maximum(shelf, 0.6 * sheet.overhang(-ice.height, 3.5)), 3.0)
    ragged = 0.13 * sheet.fbm(60.0, 50.0, 50, octaves=4, gain=0.65) - 0.05
    lying = smoothstep(0.10, 0.17, shelf + ragged)
    coat.over("#a9c9da", 0.7 * smoothstep(0.05, 0.12, shelf + 1.4 * ragged) * smoothstep(0.0, 0.05, shelf))
    coat.over("#f1f3f1", 0.92 * lying)
    rime = sheet.fbm(120.0, 70.0, 51, octaves=5, gain=0.62) + 0.25 * strokes - 0.5 * ice.turned
    coat.over("#dfeaee", 0.75 * smoothstep(0.52, 0.66, rime))
    coat.over("#06284a", 0.50 * smoothstep(0.62, 0.80, -rime))
