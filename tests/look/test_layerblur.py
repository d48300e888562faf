"""A layer's blur as a linear map: against the frames that are delivered, and against its own transpose."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from previz.look.blur import LensBlur, blur_of, cut
from previz.look.layerblur import LayerBlur, gathered_blur, spread_blur
from previz.look.soft import depths_between, soft_frame, widened
from previz.look.view import View
from previz.stage.looking import Looker
from previz.stage.prepare import BRIDGE, CLEAN_WALL, prepare
from previz.workshop.surface import BRIDGE as BRIDGE_LAYER
from tests.engine import open_engine
from tests.search.example import small_scene

WIDTH, HEIGHT = 320, 180
# a part of the frame with the bridge and the wall beside it
LEFT, TOP, WIDE, HIGH = 96, 40, 128, 120


@pytest.fixture(scope="module")
def soft(tmp_path_factory: pytest.TempPathFactory):
    """The small set wide open, moving: its layers blurred as they are delivered, and what both maps take."""
    scene = small_scene(tmp_path_factory.mktemp("soft")).edited(camera__stop=5.6, camera__focus=1.0)
    ready = prepare(scene, WIDTH)
    looker = Looker(open_engine())
    looker.load(ready)
    blur = blur_of(ready.move, 1012, WIDTH, HEIGHT)
    assert blur is not None
    assert blur.moments
    own = blur.cut(LEFT, TOP, WIDE, HIGH)
    walls, bridges = (s.corners for s in (ready.built.wall, ready.built.bridge.surface))
    delivered = soft_frame(looker.engine, own, (CLEAN_WALL, CLEAN_WALL, BRIDGE), walls, bridges)
    assert delivered is not None
    margin = own.reach_px(*depths_between(own.camera, walls, bridges))
    camera = widened(cut(blur.camera, LEFT, TOP, WIDE, HIGH), margin)
    bridge = looker.engine.draw(camera, [CLEAN_WALL, BRIDGE], depth=True, keep=BRIDGE_LAYER)
    bridge = replace(bridge, depth=np.where(bridge.layer == BRIDGE_LAYER, bridge.depth, 0.0).astype(np.float32))
    return own, delivered, bridge, looker.engine.draw(camera, [CLEAN_WALL], depth=True)


def test_bridge_and_wall_are_those_of_the_delivered_frame(soft: tuple[LensBlur, object, View, View]) -> None:
    own, delivered, bridge, wall = soft
    spread = spread_blur(own, bridge)
    cover = spread.ahead(np.repeat(bridge.cover(BRIDGE_LAYER)[..., None], 3, axis=-1))
    light = spread.ahead(bridge.colour) / np.maximum(cover, 1.0)
    assert np.abs(np.minimum(cover[..., 0], 1.0) - delivered.cover).max() < 0.01
    assert float(delivered.bridge.max()) > 0.1
    off = float(np.abs(light - delivered.bridge).max())
    assert np.abs(gathered_blur(own, wall).ahead(wall.colour) - delivered.clean).max() < 1e-4
    # and blurring is not nothing
    margin = (bridge.colour.shape[0] - HIGH) // 2
    sharp = float(np.abs(bridge.colour[margin:-margin, margin:-margin] - delivered.bridge).max())
    assert sharp > 0.015
    assert off < 0.05 * sharp


@pytest.mark.parametrize("which", ["bridge", "wall"])
def test_transpose(soft: tuple[LensBlur, object, View, View], which: str) -> None:
    """<A x, y> = <x, A' y>, the definition of a transpose, for random x and y."""
    own, _, bridge, wall = soft
    blur: LayerBlur = spread_blur(own, bridge) if which == "bridge" else gathered_blur(own, wall)
    rng = np.random.default_rng(4)
    width, height = blur.wide_px
    x = rng.normal(size=(height, width, 3)).astype(np.float32)
    y = rng.normal(size=(HIGH, WIDE, 3)).astype(np.float32)
    ahead, back = blur.ahead(x), blur.back(y)
    assert float((ahead * y).sum(dtype=np.float64)) == pytest.approx(float((x * back).sum(dtype=np.float64)), rel=1e-3)


def test_parts_of_a_long_exposure(soft: tuple[LensBlur, object, View, View]) -> None:
    """Each part's kernels lie to one side; together they give away what there is: light is neither made nor lost."""
    own, _, bridge, _ = soft
    # more after than before: the parts' kernels are not each other's mirror images
    aside = [np.array([0.004 * k, 0.0, 0.0]) for k in (-0.5, 0, 1.5)]
    moving = replace(own, moments=tuple(own.camera.moved(shift) for shift in aside))
    assert len(moving.parts(0.8)) > 1
    blur = spread_blur(moving, bridge)
    assert any(not np.allclose(s.kernel, s.kernel[::-1, ::-1], atol=1e-3) for s in blur.shares)
    rng = np.random.default_rng(5)
    width, height = blur.wide_px
    x = rng.normal(size=(height, width, 3)).astype(np.float32)
    y = rng.normal(size=(HIGH, WIDE, 3)).astype(np.float32)
    ahead, back = blur.ahead(x), blur.back(y)
    assert float((ahead * y).sum(dtype=np.float64)) == pytest.approx(float((x * back).sum(dtype=np.float64)), rel=1e-3)
    light = float(blur.ahead(bridge.colour).sum(dtype=np.float64))
    margin = blur.margin
    there = float(bridge.colour[margin:-margin, margin:-margin].sum(dtype=np.float64))
    assert light == pytest.approx(there, rel=0.05)
