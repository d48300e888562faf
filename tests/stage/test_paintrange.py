"""A bridge in so much light that black paint on it is too bright, or in so little that white is too dark."""

import numpy as np
import pytest

from previz import colour
from previz.judge.telltable import TELLS
from previz.look.choose import choose_engine
from previz.scene.model import Scene
from previz.stage.looking import FrameJob, FrameResult, Looker
from previz.stage.prepare import BRIDGE, prepare

WIDTH, HEIGHT = 480, 270


def scene(**lamp: object) -> Scene:
    """A board with a walkway before it, under a lamp from high above that lights the walkway's top."""
    return Scene.model_validate(
        {
            "title": "top light", "scale": "1:20", "delivery": {"frame": (480, 270), "rate": 25},
            "wall": {"kind": "board", "width": 1.6, "height": 1.2, "top": 0.6, "relief": 0.0, "seed": 4},
            "bridge": {"length": 0.5, "width": 0.05, "thickness": 0.012, "paint": "projected"},
            "camera": {"sensor": (0.0359, 0.0202), "lens": 0.035, "position": (0.0, 0.16, 1.1), "tilt": -0.14},
            "rail": {"along": (1.0, 0.0, 0.0), "travel": 0.05, "frames": 10, "hold": (1001, 1004), "reveal": 1010},
            "lamps": [{"name": "top", "position": (0.0, 1.4, 0.35), "aim": (0.0, 0.0, 0.3), "lux": 4000.0} | lamp],
            "light": {"ambient": 60.0, "bounce": False},
        }
    )  # fmt: skip


def judged(scene: Scene) -> tuple[FrameResult, bool]:
    """The frame at the station, and whether the engine has the bridge's own paint afterwards."""
    choice = choose_engine(None)
    looker = Looker(choice.engine)
    try:
        looker.load(prepare(scene, WIDTH))
        first = looker.look(FrameJob(1001, WIDTH, HEIGHT))
        again = looker.look(FrameJob(1001, WIDTH, HEIGHT))
        return first, np.array_equal(first.code, again.code)
    finally:
        choice.engine.close()


@pytest.mark.slow
def test_black_paint_in_strong_light_is_told() -> None:
    result, same = judged(scene(size=0.9))
    assert result.judged.found is not None
    assert result.judged.tell is not None
    assert "range" in result.judged.score.tells
    # it is told along the walkway's top, where the light falls
    where = result.judged.tell == TELLS.index("range")
    assert where.mean() > 0.2
    assert same


@pytest.mark.sweep
def test_the_limits_are_those_of_paint() -> None:
    """Between three and ninety per cent of the light that falls there (common practice, no source)."""
    choice = choose_engine(None)
    looker = Looker(choice.engine)
    try:
        ready = prepare(scene(), WIDTH)
        looker.load(ready)
        limits = looker.paint_range
        assert limits.any
        dark, bright = (colour.decoded8(code) for code in limits._codes)
        valid = (bright > 0.02) & (bright < 0.98)
        assert valid.any()
        assert np.median(dark[valid] / bright[valid]) == pytest.approx(0.03 / 0.90, rel=0.15)
        # projected paint lies between them, but for rounding
        code = ready.bridge.code.astype(int)
        low, high = (each.astype(int) for each in limits._codes)
        assert ready.bridge.name == BRIDGE
        assert ((code >= low - 2) & (code <= high + 2)).mean() > 0.99
    finally:
        choice.engine.close()


@pytest.mark.sweep
def test_flat_light_knows_no_limit() -> None:
    flat = scene().edited(lamps=[], light__ambient=0.0)
    choice = choose_engine(None)
    looker = Looker(choice.engine)
    try:
        looker.load(prepare(flat, WIDTH))
        assert not looker.paint_range.any
        assert "range" not in looker.look(FrameJob(1010, WIDTH, HEIGHT, pictures=False)).judged.score.tells
    finally:
        choice.engine.close()
