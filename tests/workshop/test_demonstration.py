"""The demonstration sets: readable, covered by their walls on every frame, with their figures."""

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.workshop.figure import KINDS, draw_figure

SCENES = Path(__file__).parent.parent.parent / "scenes"
NAMES = ("quarry", "seastack", "crevasse")


@pytest.mark.parametrize("name", NAMES)
def test_wall_fills_the_frame_all_along_the_move(name: str) -> None:
    scene = read_scene(SCENES / f"{name}.toml")
    move = move_of(scene)
    wall = scene.wall
    for frame in move.frames[::4] + move.frames[-1:]:
        camera = move.camera(frame)
        w, h = camera.width_px, camera.height_px
        origins, directions = camera.rays(np.array([[0, 0], [w, 0], [0, h], [w, h]], dtype=float))
        # the farthest that any part of the wall lies behind the datum plane
        for z in (0.5 * wall.relief, -0.5 * wall.relief):
            hit = origins + ((z - origins[:, 2]) / directions[:, 2])[:, None] * directions
            assert np.abs(hit[:, 0]).max() < 0.5 * wall.width
            assert hit[:, 1].max() < wall.top
            assert hit[:, 1].min() > wall.top - wall.height


def test_sets_differ_in_what_matters() -> None:
    scenes = [read_scene(SCENES / f"{name}.toml") for name in NAMES]
    assert [s.scale for s in scenes] == [20.0, 32.0, 48.0]
    assert [s.wall.kind for s in scenes] == ["slate", "basalt", "ice"]
    assert len({s.camera.lens for s in scenes}) == 3
    assert len({s.rail.along for s in scenes}) == 3
    # each stands before it slides: what stands is not found by its sliding
    assert all(s.rail.stand > 0 for s in scenes)
    assert [(s.bridge.paint, s.paint.wall) for s in scenes] == [
        ("projected", "kept"), ("projected", "kept"), ("solved", "free"),
    ]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_camera_creeps_through_the_hold_and_then_slides(name: str) -> None:
    scene = read_scene(SCENES / f"{name}.toml")
    move = move_of(scene)
    first, last = (f - 1001 for f in scene.rail.hold)
    held = abs(move.rail[last] - move.rail[first])
    # a straight even move would cover its share of frames
    assert held < 0.7 * scene.rail.travel * (last - first) / (len(move.frames) - 1)
    assert first <= move.station_frame - 1001 <= last


@pytest.mark.parametrize("kind", tuple(KINDS))
def test_figure_stands_on_the_bottom_edge(kind: str) -> None:
    picture = draw_figure(kind, 240)
    assert picture.dtype == np.uint8
    assert picture.shape == (240, 120, 4)
    alpha = picture[..., 3]
    assert alpha[:3].max() > 128  # as tall as the picture
    feet = np.flatnonzero(alpha[-4:].max(axis=0) > 128)
    assert len(feet) > 5
    assert alpha[:, :2].max() == 0
    assert alpha[:, -2:].max() == 0
    # a performer in light, not a flat shape: many tones, none burnt out
    tones = picture[alpha == 255][:, :3].mean(axis=1)
    assert tones.std() > 20
    assert np.percentile(tones, 99) < 250


@pytest.mark.parametrize("kind", tuple(KINDS))
def test_saved_figure_is_the_drawn_one(kind: str) -> None:
    path = SCENES / "figures" / f"{kind}.png"
    assert path.stat().st_size <= 200_000
    with Image.open(path) as image:
        saved = np.asarray(image)
    drawn = draw_figure(kind, saved.shape[0])
    # other processors round the last bit of a power otherwise
    assert np.abs(saved.astype(int) - drawn.astype(int)).max() <= 2


def test_a_figure_nobody_knows() -> None:
    with pytest.raises(KeyError):
        draw_figure("tightrope", 100)
    with pytest.raises(ValueError, match="16 px"):
        draw_figure("walker", 8)
