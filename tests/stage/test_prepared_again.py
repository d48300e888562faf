"""A set made ready again for another camera is the one that is made from nothing, to the bit."""

from pathlib import Path

import numpy as np
import pytest

from previz.scene.reader import read_scene
from previz.stage.prepare import prepare, same_set
from tests.command.scenes import laid

LAMP = """[[lamp]]
name = "key"
position = ["-600 mm", "900 mm", "1400 mm"]
aim = ["0 mm", "0 mm", "0 mm"]
size = "120 mm"
lux = 800
"""


@pytest.mark.slow
def test_another_camera_takes_wall_and_light_over_and_nothing_else_differs(tmp_path: Path) -> None:
    scene = read_scene(laid(tmp_path, ('[plate]\nfigure = "figure.png"\nfoot_mark = "400 mm"\n', LAMP)))
    before = prepare(scene)
    moved = scene.edited(camera__position=(0.03, 0.2, 1.4), camera__lens=0.04)
    again, anew = prepare(moved, before=before), prepare(moved)
    assert again.built.wall is before.built.wall
    assert again.wall is before.wall
    assert anew.wall.shadows
    for one, other in zip(again.lit, anew.lit, strict=True):
        assert np.array_equal(one.code, other.code)
        assert np.array_equal(one.surface.vertices, other.surface.vertices)
    assert not np.array_equal(again.bridge.code, before.bridge.code)
    assert (again.built.cautions, again.wall_in_view) == (anew.built.cautions, anew.wall_in_view)
    for change in ({"bridge__width": 0.06}, {"bridge__paint": "wash"}, {"wall__seed": 8}):
        assert not same_set(scene, scene.edited(**change))
