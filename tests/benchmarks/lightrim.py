"""Figures of the light around a doorway: lightness against light worked out place by place (part of ``light``)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from previz.look.sight import SightLines
from previz.scene.reader import read_scene
from previz.stage.prepare import WALL, lighting_of
from previz.workshop.light.bake import bake_wall
from previz.workshop.light.resample import enlarged, enlarged_on
from previz.workshop.relief import GridSurface
from previz.workshop.set import build_wall
from tests.benchmarks.figures import Figure, at_most
from tests.workshop.rim_light import light_at, lightness, rim_of

SCENES = Path(__file__).resolve().parents[2] / "scenes"

# demonstration sets looked at, and in a quick run
_SETS, _QUICK = ("quarry", "seastack", "crevasse"), ("quarry",)

# every so-many-th texel of the rim is looked at
_EVERY = 7


def figures(quick: bool) -> list[Figure]:
    """Everything measured here; ``quick`` looks at one set."""
    return [figure for name in (_QUICK if quick else _SETS) for figure in _rim(name)]


def left_out(quick: bool) -> list[str]:
    """What a run does not measure."""
    return ["the rims of two more sets"] if quick else []


def _rim(name: str) -> list[Figure]:
    scene = read_scene(SCENES / f"{name}.toml")
    wall, _ = build_wall(scene)
    assert isinstance(wall, GridSurface)
    sight = SightLines([replace(wall, name=WALL)])
    base = bake_wall(wall, lighting_of(scene), sight)
    rim = rim_of(scene, wall, _EVERY)
    paint = wall.reflectance[rim.row, rim.column]
    wanted = lightness(paint, light_at(rim, base, sight, scene))
    out = []
    for stretch, light in (
        ("", enlarged_on(wall, base.clean, *wall.reflectance.shape[:2])),
        (" if stretched straight", enlarged(base.clean, *wall.reflectance.shape[:2])),
    ):
        error = np.abs(lightness(paint, light[rim.row, rim.column]) - wanted)
        values = (("mean", float(error.mean()), 1.5), ("95th percentile", float(np.percentile(error, 95)), 4.0))
        for words, value, target in values:
            label = f"{name}: rim of the doorway{stretch}, error of L*, {words}"
            out.append(Figure(label, value, "") if stretch else at_most(label, value, "", target))
    return out
