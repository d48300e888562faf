"""What the studio allows: each limit by itself, against numbers worked out by hand."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from previz.look.sight import SightLines
from previz.scene.layout import wall_box
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.search.studio import Surroundings, edge_points, misfits
from previz.workshop.set import build_set
from tests.search.example import small_scene


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    high = small_scene(tmp_path).edited(camera__position=(0.0, 0.35, 1.6))
    return high.edited(wall__kind="board", wall__relief=0.0)


def found(scene: Scene, **search: Any) -> dict[str, float]:
    """Misfits of the scene: words and by how much, m."""
    scene = scene.edited(search=search)
    built = build_set(scene)
    bridge = built.bridge.surface
    sight = SightLines([built.wall, bridge])
    around = Surroundings(
        sight, (built.wall.name, bridge.name), edge_points(bridge.vertices, bridge.faces), wall_box(scene)
    )
    return {misfit.what: misfit.by for misfit in misfits(scene, move_of(scene), around)}


def test_a_shot_that_fits(scene: Scene) -> None:
    assert found(scene) == {}


def test_a_move_longer_than_the_rail(scene: Scene) -> None:
    ((what, by),) = found(scene, longest_rail=0.2).items()
    assert what == "a move of 240.0 mm on a rail for 200.0 mm"
    assert by == pytest.approx(0.04)
    assert found(scene.edited(rail__travel=-0.24), longest_rail=0.24) == {}


def test_closest_focus(scene: Scene) -> None:
    """At the station the lens is 0.9 m before the near end and 0.35 m above: the nearest edge is sqrt(.81 + .1225)."""
    ((what, by),) = found(scene, closest_focus=1.0).items()
    assert "lens that focuses from 1000.0 mm" in what
    assert by == pytest.approx(1.0 - math.sqrt(0.9**2 + 0.35**2), abs=1e-6)


def test_the_camera_and_the_floor(scene: Scene) -> None:
    """Tilted down by 12 degrees, the back of a body 200 mm deep rises: its lowest corner is the front one below."""
    lowest = 0.35 - 0.065 * math.cos(math.radians(12.0))
    assert found(scene, floor=lowest - 1e-6) == {}
    ((what, by),) = found(scene, floor=lowest + 0.01).items()
    assert "below the floor" in what
    assert by == pytest.approx(0.01, abs=1e-9)


def test_without_a_floor_the_walls_foot_is_it(scene: Scene) -> None:
    assert found(scene.edited(wall__height=3.0)) == {}
    low = scene.edited(wall__height=2.2, wall__top=1.75, camera__position=(0.0, -0.42, 1.6), camera__tilt=0.3)
    assert any("below the floor" in what for what in found(low))


def test_a_body_that_runs_into_the_bridge(scene: Scene) -> None:
    """The lens beside the bridge, its body 150 mm wide: it reaches over the bridge's edge and is not above it."""
    beside = scene.edited(
        camera__position=(0.09, -0.005, 0.6), camera__tilt=0.0, rail__travel=0.01, bridge__length=0.75
    )
    fits = {"floor": -5.0, "view_margin": 0.0, "closest_focus": 0.0}
    narrow = {**fits, "body": [0.1, 0.02, 0.1], "lens_front": 0.01}
    wide = {**fits, "body": [0.15, 0.02, 0.1], "lens_front": 0.01}
    assert not any("into the set" in what for what in found(beside.edited(camera__lens_diameter=0.02), **narrow))
    touching = {
        what: by
        for what, by in found(beside.edited(camera__lens_diameter=0.02), **wide).items()
        if "into the set" in what
    }
    ((what, by),) = touching.items()
    assert what.startswith("the camera reaches into the set at frame 10")
    # 10 mm across, and more along the slanting way from the lens
    assert 0.0099 < by < 0.03


def test_a_lens_that_runs_into_the_wall(scene: Scene) -> None:
    near = scene.edited(camera__position=(0.5, 0.3, 0.05), camera__tilt=0.0, rail__travel=0.01, bridge__length=0.2)
    fits = {"floor": -5.0, "closest_focus": 0.0}
    inside = [what for what in found(near, lens_front=0.08, **fits) if "into the set" in what]
    assert len(inside) == 1
    assert not [what for what in found(near, lens_front=0.04, **fits) if "into the set" in what]


def test_wall_behind_every_corner_of_every_frame(scene: Scene) -> None:
    """Square on at 1.6 m a 40 mm lens sees 1.6 * 35.9 / 40 m of wall: half of it, the move and the margin must fit."""
    square = scene.edited(camera__tilt=0.0, camera__position=(0.0, 0.0, 1.6), wall__height=3.0, wall__top=1.5)
    half = 0.5 * 1.6 * 35.9 / 40.0
    move = move_of(square)
    farthest = float(move.positions[-1][0])
    narrow = square.edited(wall__width=2.0 * (half + farthest) - 0.1)
    ((what, by),) = found(narrow, view_margin=0.0, floor=-5.0).items()
    assert what == "50.0 mm of wall missing at the picture's right at frame 1024"
    assert by == pytest.approx(0.05, abs=1e-6)
    assert found(narrow.edited(wall__width=2.0 * (half + farthest) + 0.05), view_margin=0.024, floor=-5.0) == {}
    assert found(narrow.edited(wall__width=2.0 * (half + farthest) + 0.05), view_margin=0.026, floor=-5.0) != {}


def test_bars_hide_what_the_wall_lacks(scene: Scene) -> None:
    square = scene.edited(camera__tilt=0.0, camera__position=(0.0, 0.0, 1.6), wall__height=1.5, wall__top=0.35)
    assert any("top" in what for what in found(square, floor=-5.0))
    assert found(square.edited(delivery__bars=2.39), floor=-5.0) == {}


def test_looking_past_the_wall(scene: Scene) -> None:
    up = scene.edited(camera__tilt=0.6, camera__position=(0.0, 0.35, 1.6), bridge__length=0.2)
    assert any(what.startswith("the picture looks past the wall") or "top" in what for what in found(up, floor=-5.0))


def test_edges_of_a_box() -> None:
    """A triangle of 3, 4 and 5 m: 17 points an edge, the corners among them."""
    corners = np.array([[0.0, 0.0, 0.0], [3.0, 0.0, 0.0], [0.0, 4.0, 0.0]])
    points = edge_points(corners, np.array([[0, 1, 2]], dtype=np.int32))
    assert points.shape == (51, 3)
    assert np.allclose(points[:, 0] / 3.0 + points[:, 1] / 4.0, 1.0) is False
    for corner in corners:
        assert np.linalg.norm(points - corner, axis=1).min() == 0.0
