"""Baked light kept with the results: found after a camera move, not after a lamp move, baked anew where damaged."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from previz.run import lightcache
from previz.run.lightcache import LightCache, find_light, keep_light, light_key
from previz.scene.model import Scene
from previz.stage.prepare import bridge_as_lit, continues_wall, lighting_of, prepare
from tests.run.damage import DAMAGES, damaged

WIDTH = 320
BAKED = "baking the light"


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    return Scene.model_validate(
        {
            "title": "small", "scale": "1:20",
            "wall": {"kind": "slate", "width": 1.0, "height": 0.8, "top": 0.4, "triangles": 6000, "texture_px": 256},
            "bridge": {"length": 0.4, "width": 0.05, "thickness": 0.012},
            "camera": {"position": (0.0, 0.2, 1.2), "tilt": -0.15, "stop": 22.0},
            "rail": {"hold": (1001, 1040)},
            "light": {"ambient": 200.0},
            "lamps": [{"name": "key", "position": (-0.6, 0.9, 1.2), "size": 0.3, "lux": 900.0}],
            "folder": tmp_path,
        }
    )  # fmt: skip


def lit(scene: Scene, folder: Path) -> tuple[np.ndarray, bool]:
    """The wall as it is seen in its light, and whether the light had to be baked for it."""
    said: list[str] = []
    ready = prepare(scene, WIDTH, LightCache(folder), said.append)
    return ready.wall.shadowed.code, BAKED in said


def entries(folder: Path) -> list[Path]:
    return sorted((folder / lightcache.FOLDER).glob("*.npz"))


def test_found_again_after_a_camera_move_and_the_same(scene: Scene, tmp_path: Path) -> None:
    first, baked = lit(scene, tmp_path)
    assert baked
    kept = {path.name: path.read_bytes() for path in entries(tmp_path)}
    assert len(kept) == 1
    moved = scene.edited(
        camera__position=(0.1, 0.3, 0.9), camera__lens=0.05, camera__stop=5.6, rail__travel=0.3, rail__reveal=1090
    )
    again, baked = lit(moved, tmp_path)
    assert not baked
    assert np.array_equal(first, again)
    assert {path.name: path.read_bytes() for path in entries(tmp_path)} == kept


def test_the_same_with_a_cache_and_without(scene: Scene, tmp_path: Path) -> None:
    one, other = prepare(scene, WIDTH), prepare(scene, WIDTH, LightCache(tmp_path))
    found = prepare(scene, WIDTH, LightCache(tmp_path))
    for ready in (other, found):
        assert np.array_equal(one.wall.clean.code, ready.wall.clean.code)
        assert np.array_equal(one.wall.shadowed.code, ready.wall.shadowed.code)
        assert np.array_equal(one.bridge.code, ready.bridge.code)


@pytest.mark.parametrize(
    "change",
    [
        {"lamps": [{"name": "key", "position": (-0.6, 0.9, 1.3), "size": 0.3, "lux": 900.0}]},
        {"lamps": [{"name": "key", "position": (-0.6, 0.9, 1.2), "size": (0.3, 0.3), "lux": 900.0}]},
        {"light__bounce": False},
        {"light__ambient": 201.0},
        {"light__white_balance": 5000.0},
        {"bridge__width": 0.051},
        {"bridge__paint": "bare"},
        {"bridge__paint": "wash"},
        {"bridge__gloss": "gloss"},
        {"wall__gloss": "satin"},
        {"wall__seed": 8},
        {"cards": [{"name": "flag", "kind": "flag", "position": (0.0, 0.5, 0.6), "size": (0.2, 0.2)}]},
    ],
    ids=lambda change: next(iter(change)),
)
def test_refused_after_any_change_of_light_or_set(scene: Scene, tmp_path: Path, change: dict) -> None:
    from previz.workshop.set import build_set

    def key(one: Scene) -> str:
        built = build_set(one)
        return light_key(built.wall, bridge_as_lit(one, built), lighting_of(one), continues_wall(one))

    assert key(scene) == key(scene.edited(lamps=scene.model_dump()["lamps"]))
    assert key(scene.edited(**change)) != key(scene)


def test_watts_and_mains_are_not_light(scene: Scene) -> None:
    wall = prepare(scene.edited(lamps=(), light__ambient=0.0), WIDTH)
    surfaces = wall.built.wall, wall.wall.bridge_map
    other = scene.edited(lamps=({**scene.model_dump()["lamps"][0], "watts": 500.0},), light__mains=60)
    assert light_key(*surfaces, lighting_of(scene), True) == light_key(*surfaces, lighting_of(other), True)


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_entry_is_baked_again(scene: Scene, tmp_path: Path, damage: str) -> None:
    wanted, _ = lit(scene, tmp_path)
    (entry,) = entries(tmp_path)
    whole = entry.read_bytes()
    entry.write_bytes(damaged(whole, damage))
    got, baked = lit(scene, tmp_path)
    assert baked
    assert np.array_equal(got, wanted)
    assert entry.read_bytes() == whole


def test_only_the_newest_handful_is_kept(scene: Scene, tmp_path: Path) -> None:
    ready = prepare(scene, WIDTH)
    for k in range(lightcache.KEPT + 3):
        keep_light(tmp_path, f"entry{k}", ready.wall.light)
    assert len(entries(tmp_path)) == lightcache.KEPT
    assert find_light(tmp_path, f"entry{lightcache.KEPT + 2}", ready.wall.lighting) is not None


def test_a_flat_set_keeps_nothing(scene: Scene, tmp_path: Path) -> None:
    code, baked = lit(scene.edited(lamps=(), light__ambient=0.0), tmp_path)
    assert not baked
    assert entries(tmp_path) == []
    plain = prepare(scene.edited(lamps=(), light__ambient=0.0), WIDTH)
    assert np.array_equal(code, plain.wall.clean.code)


def test_nearness_of_the_camera_changes_only_the_paints_map(scene: Scene) -> None:
    """The bridge's paint is finer for a nearer lens; its light is the same light, carried over."""
    near, far = prepare(scene, 2 * WIDTH), prepare(scene, WIDTH)
    assert near.bridge.code.shape[0] > 1.5 * far.bridge.code.shape[0]
    for name in ("clean", "wall", "bridge"):
        assert np.array_equal(getattr(near.wall.light, name), getattr(far.wall.light, name))
