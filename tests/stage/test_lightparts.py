"""Light by parts against the same light baked whole, by the baker that is checked against closed forms."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from previz.scene.model import Lamp
from previz.scene.reader import read_scene
from previz.stage.lightparts import LightParts
from previz.stage.prepare import prepare, sight_of
from tests.command.scenes import laid

LAMPS = (
    Lamp(name="a", position=(-0.9, 0.5, 1.1), aim=(0.0, 0.0, 0.2), size=0.3, lux=700.0),
    Lamp(name="b", position=(0.9, 0.8, 1.3), aim=(0.0, 0.0, 0.2), size=0.2, lux=250.0, kelvin=3200.0),
)


def test_parts_add_up(tmp_path: Path) -> None:
    """Wall and shadow within half a percent of the light, on the mean, of the whole."""
    scene = read_scene(laid(tmp_path, ('paint = "projected"', 'paint = "wash"')))
    scene = scene.model_copy(update={"lamps": LAMPS, "light": scene.light.model_copy(update={"ambient": 120.0})})
    ready = prepare(scene, 320)
    parts = LightParts(ready, sight_of(ready.built))
    found = parts.lit(LAMPS).light
    for name in ("clean", "wall"):
        whole, summed = getattr(ready.wall.light, name), getattr(found, name)
        assert summed.shape == whole.shape
        assert np.abs(summed - whole).mean() < 0.005 * whole.mean(), name
    # over maps of another fineness, less what lies beside their charts
    mean, whole_mean = (light[light > 0.0].mean() for light in (found.bridge, ready.wall.light.bridge))
    assert abs(mean / whole_mean - 1.0) < 0.05
    # half as bright is half of a part: no ray is cast for it
    dim = parts.lit([LAMPS[0].model_copy(update={"lux": 350.0}), LAMPS[1]])
    assert dim.lighting.reference == 350.0 + 250.0 + 120.0
    part = parts.part(LAMPS[0])
    assert part is parts.part(LAMPS[0].model_copy(update={"lux": 3.0, "name": "other"}))
