"""A free wall in bands before any paint is solved: what of it changes, by how much, and what that does to the film."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from previz import colour
from previz.geometry import Array
from previz.scene.model import Scene
from previz.stage.freewall import in_bands, painted_over, with_free_wall
from previz.stage.prepare import WALL, ReadySet, prepare, sight_of
from tests.search.example import small_scene

CHANGE = 12


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    lit = small_scene(tmp_path_factory.mktemp("set")).edited(light__ambient=200.0)
    return lit.edited(
        lamps=({"name": "key", "position": (-0.8, 1.0, 1.5), "lux": 800.0, "size": 0.3},),
        paint__wall="free",
        paint__wall_change=CHANGE,
    )


@pytest.fixture(scope="module")
def plain(scene: Scene) -> ReadySet:
    return prepare(scene, 480)


def behind(ready: ReadySet, frame: int) -> Array:
    """Texels (N, 2), column and row, of the wall's picture that the bridge's corners hide in a frame."""
    eye = np.asarray(ready.move.camera(frame).position)
    corners = ready.built.bridge.surface.vertices
    towards = corners - eye
    towards /= np.linalg.norm(towards, axis=1)[:, None]
    hits = sight_of(ready.built).first_hits(np.broadcast_to(eye, corners.shape).copy(), towards, names=[WALL])
    height, width = ready.wall.clean.code.shape[:2]
    return (hits.uv[np.isfinite(hits.distance)] * [width, height]).astype(int)


def test_what_the_bridge_sweeps_past_is_in_bands_by_no_more_than_the_scene_lets_it(plain: ReadySet) -> None:
    banded = in_bands(plain)
    off = banded.wall.clean.code.astype(int) - plain.wall.clean.code
    # a hundredth of the codes is about a unit of dE*ab: 12 units are 30.6 codes, and half a code is rounding
    assert 25 < np.abs(off).max() <= 31
    changed = np.abs(off).max(axis=2) > 0
    # not the whole wall, and all that lies behind the bridge from first to last but the fading rim
    assert changed.mean() < 0.8
    rows, columns = (np.flatnonzero(changed.any(axis=axis)) for axis in (1, 0))
    for frame in (1001, 1004, 1008):
        texels = behind(plain, frame)
        assert len(texels) > 4
        assert columns[0] <= texels[:, 0].min()
        assert texels[:, 0].max() <= columns[-1]
        assert rows[0] <= texels[:, 1].min()
        assert texels[:, 1].max() <= rows[-1]


def test_bands_reach_as_far_as_the_bridge_sweeps_until_the_hold_ends(plain: ReadySet) -> None:
    def columns(last: int) -> Array:
        held = ReadySet(**{**vars(plain), "scene": plain.scene.edited(rail__hold=(1001, last), rail__station=1004)})
        off = in_bands(held).wall.clean.code.astype(int) - plain.wall.clean.code
        return np.flatnonzero(np.abs(off).max(axis=(0, 2)))

    whole, short = columns(1024), columns(1008)
    # the slide goes 240 mm to the right, and what a nearer bridge hides goes to the left, farther
    assert whole[0] <= behind(plain, 1024)[:, 0].min() < short[0]
    assert short[0] <= behind(plain, 1008)[:, 0].min()


def test_bands_run_along_the_slide(plain: ReadySet) -> None:
    """The rail runs along x: what is left of the pattern changes from row to row, not along rows."""

    def along_to_across(code: np.ndarray) -> float:
        middle = colour.decoded8(code)[140:205, 230:275].mean(axis=2)
        return float(np.abs(np.diff(middle, axis=1)).mean() / np.abs(np.diff(middle, axis=0)).mean())

    free = ReadySet(**{**vars(plain), "scene": plain.scene.edited(paint__wall_change=50)})
    assert along_to_across(in_bands(free).wall.clean.code) < 0.4 * along_to_across(plain.wall.clean.code)


def test_the_bridge_goes_on_with_the_bands_and_throws_its_shadow_on_them(plain: ReadySet) -> None:
    banded = in_bands(plain)
    assert not np.array_equal(banded.bridge.code, plain.bridge.code)
    left = colour.decoded8(plain.wall.shadowed.code) / np.maximum(colour.decoded8(plain.wall.clean.code), 1e-4)
    now = colour.decoded8(banded.wall.shadowed.code) / np.maximum(colour.decoded8(banded.wall.clean.code), 1e-4)
    bright = (banded.wall.clean.code.min(axis=2) > 60) & (plain.wall.clean.code.min(axis=2) > 60)
    assert np.percentile(np.abs(now - np.minimum(left, 1.0))[bright], 99) < 0.03
    # without a change there is none, to the last code
    same = painted_over(plain.wall, plain.wall.clean.code.copy())
    assert np.array_equal(same.shadowed.code, plain.wall.shadowed.code)


def test_a_kept_wall_stays_as_it_is_and_solved_paint_brings_its_own(plain: ReadySet, tmp_path: Path) -> None:
    kept = prepare(small_scene(tmp_path), 480)
    assert in_bands(kept) is kept
    solved = ReadySet(**{**vars(plain), "scene": plain.scene.edited(bridge__paint="solved")})
    assert with_free_wall(solved) is solved
    assert with_free_wall(plain) is not plain
    # a camera that only comes nearer slides along nothing
    straight = ReadySet(**{**vars(plain), "scene": plain.scene.edited(rail__along=(0.0, 0.0, 1.0))})
    assert in_bands(straight) is straight
