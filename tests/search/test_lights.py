"""Lamps and cards moved and dimmed by a search: the light is that of the scene built and baked anew."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from previz import colour
from previz.run.workers import WorkerPool
from previz.scene.model import Scene
from previz.scene.reader import read_scene
from previz.scene.search.asked import Search
from previz.search.bridges import bridge_sets
from previz.search.freedoms import placed
from previz.search.trials import Trial
from previz.stage.looking import Looker
from previz.stage.prepare import prepare
from previz.workshop.light.bake import bake_bridge, bake_wall, cast_bridge
from tests.search.example import SMALL
from tests.search.flatset import AMBIENT, HALF, NEAR, FlatSet, flat_set

LIT = """
[light]
ambient = 300

[[lamp]]
name = "key"
position = ["-300 mm", "1 m", "1500 mm"]
size = "300 mm"
lux = 600

[[lamp]]
name = "side"
position = ["900 mm", "500 mm", "900 mm"]
size = "200 mm"
lux = 300

[[card]]
name = "fill"
kind = "bounce"
position = ["600 mm", "200 mm", "900 mm"]
size = "600 x 400 mm"
"""
MOVABLE = {
    "lamp": [{"name": "key", "x": ["-500 mm", "500 mm"], "size": ["0.2 m", "0.8 m"], "lux": [100, 1200]}],
    "card": [{"name": "fill", "z": ["0.5 m", "1.2 m"]}],
}
WIDTH, HEIGHT = 480, 270
KEY = {"name": "key", "position": (-0.4, 0.8, 1.2), "size": 0.2, "lux": 500.0}
SIDE = {"name": "side", "position": (0.9, 0.3, 1.0), "size": 0.0, "lux": 200.0}
CARD = {"name": "fill", "kind": "bounce", "position": (0.6, 0.2, 0.9), "size": (0.6, 0.4)}


def light_of(s: FlatSet, before: FlatSet | None = None) -> Any:
    """The light of a set; ``before`` is another whose rays may be kept."""
    if before is None:
        return bake_bridge(bake_wall(s.wall, s.lighting, s.sight), s.bridge, s.sight)
    base = bake_wall(before.wall, before.lighting, before.sight)
    cast = cast_bridge(base, before.bridge, before.sight)
    return bake_bridge(bake_wall(before.wall, s.lighting, before.sight, base), before.bridge, before.sight, None, cast)


@pytest.mark.parametrize(
    "change",
    [
        [{**KEY, "lux": 1000.0}, SIDE],
        [{**KEY, "position": (0.3, 0.8, 1.2)}, SIDE],
        [{**KEY, "size": 0.5}, {**SIDE, "kelvin": 3200.0}],
        [KEY],
    ],
    ids=["brighter", "moved", "larger", "one less"],
)
def test_light_that_keeps_its_rays_is_the_light_baked_anew(change: list[dict[str, Any]]) -> None:
    before = flat_set([KEY, SIDE], texture_px=128, bridge_px=24, cards=[CARD])
    after = flat_set(change, texture_px=128, bridge_px=24, cards=[CARD])
    kept, anew = light_of(after, before), light_of(after)
    for name in ("clean", "wall", "bridge"):
        assert np.array_equal(getattr(kept, name), getattr(anew, name)), name
    for name in ("seen_clean", "seen_wall", "seen_bridge"):
        for one, other in zip(getattr(kept, name), getattr(anew, name), strict=True):
            assert np.array_equal(one, other), name


def test_a_lamp_twice_as_bright_gives_twice_its_light() -> None:
    """Light adds up: of the sum of lamp and ambience, by the same reference, the lamp's part doubles."""
    sets = [flat_set([{**KEY, "lux": lux}], texture_px=128, bridge_px=24) for lux in (250.0, 500.0)]
    one, two = (light_of(s, sets[0]) for s in sets)
    dark = flat_set([{**KEY, "lux": 1e-3}], texture_px=128, bridge_px=24)
    around = light_of(dark, sets[0]).wall * dark.lighting.reference
    parts = [one.wall * sets[0].lighting.reference - around, two.wall * sets[1].lighting.reference - around]
    lit = parts[0] > 0.05 * AMBIENT
    assert lit.mean() > 0.3
    assert np.median(parts[1][lit] / parts[0][lit]) == pytest.approx(2.0, rel=1e-3)


def test_a_lamp_that_moves_to_the_right_moves_the_shadow_to_the_left() -> None:
    """By similar triangles: a point lamp 1.2 m out, 0.2 m aside, throws the slab's edge, 0.5 m out, to the wall."""
    point = {**KEY, "size": 0.0}
    dark = {"light": {"ambient": 0.0, "bounce": False}}
    sets = [flat_set([{**point, "position": (x, 0.5, 1.2)}], 0.0, 256, 24, **dark) for x in (-0.2, 0.2)]
    farthest = 0.2 - (0.2 + HALF) * 1.2 / (1.2 - NEAR)
    ends = []
    for s in sets:
        columns = np.flatnonzero((light_of(s, sets[0]).shadow.mean(axis=2) < 0.5).any(axis=0))
        # the wall is 2 m wide, its picture as wide as the map
        ends.append((columns[[0, -1]] + 0.5) / light_of(s).shadow.shape[1] * 2.0 - 1.0)
    # a texel is 8 mm
    assert ends[1][0] == pytest.approx(farthest, abs=0.012)
    assert ends[0][1] == pytest.approx(-farthest, abs=0.012)


@pytest.fixture
def lit(tmp_path: Path) -> Scene:
    path = tmp_path / "lit.toml"
    path.write_text(SMALL.replace('shutter = "1/1000 s"         # the fast judge leaves movement out\n', "") + LIT)
    return read_scene(path).model_copy(update={"search": Search.model_validate(MOVABLE)})


class _Self:
    def done_by(self, looker: Looker) -> Looker:
        return looker


@pytest.mark.sweep
def test_a_moved_and_dimmed_lamp_is_judged_as_in_a_set_that_is_built_anew(lit: Scene) -> None:
    values = {"lamp key x": "200 mm", "lamp key size": "450 mm", "lamp key lux": "150", "card fill z": "1100 mm"}
    with WorkerPool(1) as pool:
        pool.load(prepare(lit, WIDTH))
        (own,) = pool.run([Trial({}, lit, WIDTH, HEIGHT)])
        (moved,) = pool.run([Trial(values, lit, WIDTH, HEIGHT)])
        (looker,) = pool.run([_Self()])
        codes = bridge_sets(looker).with_bridge(placed(lit, values)).ready.wall
        (again,) = pool.run([Trial({}, lit, WIDTH, HEIGHT)])
        assert again == own, "the set as it was is there again"
        anew = prepare(placed(lit, values), WIDTH)
        assert np.array_equal(codes.clean.code, anew.wall.clean.code)
        assert np.array_equal(codes.shadowed.code, anew.wall.shadowed.code)
        change = colour.decoded8(codes.clean.code) - colour.decoded8(prepare(lit, WIDTH).wall.clean.code)
        assert np.abs(change).max() > 0.02
        pool.load(anew)
        (fresh,) = pool.run([Trial({}, placed(lit, values), WIDTH, HEIGHT)])
    assert moved == fresh
    assert moved.break_reveal_pct != own.break_reveal_pct
