"""A wall's picture kept with the results: found where nothing that it is painted from has changed, and never else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from previz.run import wallcache
from previz.run.lightcache import LightCache
from previz.run.wallcache import find_picture, keep_picture, wall_key
from previz.scene.model import Scene
from previz.workshop.set import PaintedWall, build_wall
from tests.run.damage import DAMAGES, damaged

WALL = {"kind": "slate", "width": 1.0, "height": 0.8, "top": 0.4, "triangles": 3000, "texture_px": 128, "seed": 3}
FOUND = "the wall's picture"


@pytest.fixture(autouse=True)
def small_ones_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wallcache, "LEAST_TEXELS", 0)


def scene_of(folder: Path, **wall: object) -> Scene:
    return Scene.model_validate(
        {
            "title": "small", "scale": "1:20", "wall": wall or WALL,
            "bridge": {"length": 0.4, "width": 0.05, "thickness": 0.012},
            "camera": {"position": (0.0, 0.2, 1.2), "tilt": -0.15},
            "rail": {"hold": (1001, 1040)},
            "folder": folder,
        }
    )  # fmt: skip


def built(scene: Scene, folder: Path) -> tuple[np.ndarray, np.ndarray, tuple[str, ...], bool]:
    """The wall's picture and places, what was said of it, and whether the picture had been kept."""
    cache = LightCache(folder)
    wall, said = build_wall(scene, cache)
    return wall.reflectance, wall.vertices, said, FOUND in cache.taken


def entries(folder: Path) -> list[Path]:
    return sorted((folder / wallcache.FOLDER).iterdir())


def test_what_is_found_is_what_would_be_painted(tmp_path: Path) -> None:
    scene = scene_of(tmp_path)
    first, again = built(scene, tmp_path), built(scene, tmp_path)
    assert (first[3], again[3]) == (False, True)
    for other in (first, again):
        assert np.array_equal(other[0], build_wall(scene)[0].reflectance)
        assert np.array_equal(other[1], build_wall(scene)[0].vertices)
    assert LightCache(tmp_path).words == ""


def test_a_doorway_or_another_relief_is_made_in_the_same_picture(tmp_path: Path) -> None:
    built(scene_of(tmp_path), tmp_path)
    changed = scene_of(tmp_path).edited(wall__relief=0.02, wall__doorway={"width": 0.06, "height": 0.1})
    picture, vertices, _, found = built(changed, tmp_path)
    assert found
    plain, _ = build_wall(changed)
    assert np.array_equal(picture, plain.reflectance)
    assert np.array_equal(vertices, plain.vertices)


@pytest.mark.parametrize(
    "change",
    [
        {"wall__seed": 4}, {"wall__turn": 0.1}, {"wall__kind": "ice"}, {"wall__width": 1.1}, {"wall__height": 0.9},
        {"wall__top": 0.41}, {"wall__texture_px": 130},
    ],
    ids=lambda change: next(iter(change)),
)  # fmt: skip
def test_anything_that_it_is_painted_from_paints_it_anew(tmp_path: Path, change: dict) -> None:
    built(scene_of(tmp_path), tmp_path)
    changed = scene_of(tmp_path).edited(**change)
    picture, _, _, found = built(changed, tmp_path)
    assert not found
    assert np.array_equal(picture, build_wall(changed)[0].reflectance)


def test_a_photograph_is_known_by_what_is_in_the_file(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    scene = scene_of(tmp_path, photo="wall.png", width=1.0, height=0.8, top=0.4, relief=0.0, texture_px=128)
    pictures = []
    for _ in range(2):
        # as large, and written a moment later: only its bytes tell
        Image.fromarray(rng.integers(40, 200, (80, 100, 3), dtype=np.uint8)).save(tmp_path / "wall.png")
        first, again = built(scene, tmp_path), built(scene, tmp_path)
        assert (first[3], again[3]) == (False, True)
        assert first[2] == again[2] == build_wall(scene)[1]
        assert np.array_equal(first[0], again[0])
        pictures.append(again[0])
    assert not np.array_equal(*pictures)


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_picture_is_painted_again(tmp_path: Path, damage: str) -> None:
    scene = scene_of(tmp_path)
    wanted = built(scene, tmp_path)[0]
    (entry,) = entries(tmp_path)
    whole = entry.read_bytes()
    entry.write_bytes(damaged(whole, damage))
    picture, _, _, found = built(scene, tmp_path)
    assert not found
    assert np.array_equal(picture, wanted)
    assert entry.read_bytes() == whole


def test_no_more_than_a_few_are_kept(tmp_path: Path) -> None:
    painted: PaintedWall = (np.zeros((4, 5, 3), np.float32), ("said",))
    for k in range(wallcache.KEPT + 2):
        keep_picture(tmp_path, f"wall{k}", painted)
    assert len(entries(tmp_path)) == wallcache.KEPT
    found = find_picture(tmp_path, f"wall{wallcache.KEPT + 1}")
    assert found is not None
    assert found[1] == ("said",)


def test_what_is_painted_in_no_time_is_not_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()
    assert not built(scene_of(tmp_path), tmp_path)[3]
    assert list(tmp_path.iterdir()) == []


def test_gloss_cards_and_cameras_are_not_painted(tmp_path: Path) -> None:
    scene = scene_of(tmp_path)
    other = scene.edited(wall__gloss="gloss", camera__lens=0.05, light__ambient=10.0)
    assert wall_key(other) == wall_key(scene)
