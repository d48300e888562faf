"""One layer drawn by itself: cut by what is in front of it, by both engines alike."""

import numpy as np
import pytest

from previz.look.view import View
from previz.workshop.surface import BRIDGE, NOTHING, SUPPORT, WALL
from tests.look.sets import VIEWS, blotches, box, bumpy_wall, difference, lens

NAMES = ["wall", "post", "bridge"]


def things():
    """A bridge half behind a post that stands in front of it."""
    return [
        bumpy_wall(steps=60),
        box((-0.06, -0.03, 0.0), (0.06, 0.0, 0.8), code=blotches(52, 37, 8)),
        box((0.0, -0.4, 0.5), (0.03, 0.3, 0.53), "post", SUPPORT),
    ]


@pytest.mark.parametrize("view", VIEWS)
def test_a_kept_layer_is_the_frames_own_samples(view, engine):
    engine.load(things())
    whole = engine.draw(VIEWS[view], NAMES, depth=True)
    kept = engine.draw(VIEWS[view], NAMES, depth=True, keep=BRIDGE)
    mine = whole.layer == BRIDGE
    assert 0.005 < mine.mean() < 0.5
    assert np.array_equal(kept.layer, np.where(mine, BRIDGE, NOTHING))
    assert np.array_equal(kept.depth, np.where(mine, whole.depth, 0.0))
    assert np.array_equal(kept.cover(BRIDGE), whole.cover(BRIDGE))
    # the post hides part of the bridge although it is not drawn itself
    alone = engine.draw(VIEWS[view], ["bridge"])
    assert (alone.layer == BRIDGE).sum() > 1.03 * mine.sum()


@pytest.mark.parametrize("view", VIEWS)
def test_layers_before_black_add_up_to_the_frame(view, engine):
    engine.load(things())
    whole = engine.draw(VIEWS[view], NAMES).colour
    parts = sum(engine.draw(VIEWS[view], NAMES, keep=layer).colour for layer in (WALL, BRIDGE, SUPPORT))
    assert np.abs(parts - whole).max() < 1e-6


def test_other_layers_show_the_background(engine):
    engine.load(things())
    red = (0.9, 0.1, 0.05)
    kept = engine.draw(lens(), NAMES, background=red, keep=BRIDGE)
    black = engine.draw(lens(), NAMES, keep=BRIDGE)
    assert np.abs(kept.colour - black.colour - (1.0 - black.cover(BRIDGE)[..., None]) * red).max() < 1e-6


def test_a_layer_over_the_wall_behind_it_is_the_frame(engine):
    wall, bridge, _ = things()
    engine.load([wall, bridge])
    whole = engine.draw(lens(), ["wall", "bridge"])
    kept = engine.draw(lens(), ["wall", "bridge"], keep=BRIDGE)
    behind = engine.draw(lens(), ["wall"])
    cover = kept.cover(BRIDGE)[..., None]
    laid = kept.colour + (1.0 - cover) * behind.colour
    edge = ((cover > 0.0) & (cover < 1.0))[..., 0]
    assert edge.any()
    assert np.abs(laid - whole.colour)[~edge].max() < 1e-6
    # in a pixel of the edge the wall's mean over the pixel stands for its part of the pixel; the wall's blotches
    # differ by up to 196 codes, and about half of a pixel is in question
    assert np.abs(laid - whole.colour)[edge].mean() < 0.01
    assert np.abs(laid - whole.colour)[edge].max() < 0.25


def test_engines_agree_on_a_layer(pictures, sight):
    for engine in (pictures, sight):
        engine.load(things())
    for view in VIEWS.values():
        found = difference(
            sight.draw(view, NAMES, depth=True, keep=BRIDGE), pictures.draw(view, NAMES, depth=True, keep=BRIDGE)
        )
        assert found.agrees(), found


def test_a_blurred_cover_is_asked_for_by_the_same_name():
    colour = np.zeros((1, 2, 3), dtype=np.float32)
    layer = np.array([[BRIDGE, WALL]], dtype=np.uint8)
    soft = np.array([[0.7, 0.2]], dtype=np.float32)
    view = View(colour, layer, None, 1)
    assert view.cover(BRIDGE).tolist() == [[1.0, 0.0]]
    view = View(colour, layer, None, 1, {BRIDGE: soft})
    assert view.cover(BRIDGE) is soft
    assert view.cover(WALL).tolist() == [[0.0, 1.0]]
