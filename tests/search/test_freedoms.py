"""Candidates as written values: what is judged is what is written."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from previz.scene.edit import edited_text
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.search.freedoms import (
    NAMES,
    changes_of,
    freedoms_of,
    own_shares,
    own_values,
    placed,
    values_of,
)
from tests.search.example import SMALL, small_scene

ALL = {
    "height": ["250 mm", "450 mm"],
    "distance": ["1.3 m", "1.8 m"],
    "lateral": ["-60 mm", "60 mm"],
    "tilt": ["-16 deg", "-8 deg"],
    "pan": ["-3 deg", "3 deg"],
    "lens": ["28 mm", "50 mm"],
    "rail_angle": ["-5 deg", "20 deg"],
    "rail_length": ["150 mm", "500 mm"],
    "station": [1001, 1008],
    "bridge_length": ["600 mm", "800 mm"],
    "bridge_width": ["40 mm", "60 mm"],
    "bridge_taper": [0.8, 1.2],
    "bridge_height": ["8 mm", "16 mm"],
}


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    return small_scene(tmp_path).edited(search=ALL)


def test_everything_that_has_bounds_is_a_freedom(scene: Scene, tmp_path: Path) -> None:
    assert [freedom.name for freedom in freedoms_of(scene)] == list(NAMES)
    assert freedoms_of(small_scene(tmp_path).edited(search=None)) == []


def test_the_bounds_themselves_are_values(scene: Scene) -> None:
    freedoms = freedoms_of(scene)
    assert values_of(freedoms, np.zeros(len(freedoms))) == {
        "height": "250 mm", "distance": "1300 mm", "lateral": "-60 mm", "tilt": "-16 deg", "pan": "-3 deg",
        "lens": "28 mm", "rail_angle": "-5 deg", "rail_length": "150 mm", "station": "1001",
        "bridge_length": "600 mm", "bridge_width": "40 mm", "bridge_taper": "0.8", "bridge_height": "8 mm",
    }  # fmt: skip
    assert values_of(freedoms, np.ones(len(freedoms)))["bridge_taper"] == "1.2"


def test_lenses_at_hand(scene: Scene) -> None:
    (lens,) = freedoms_of(scene.edited(search={"lenses": ["50 mm", "28 mm", "35 mm"]}))
    assert [lens.text(share) for share in (0.0, 0.3, 0.34, 0.99, 1.0)] == ["50 mm", "50 mm", "28 mm", "35 mm", "35 mm"]
    assert lens.text(lens.share(0.036)) == "35 mm"


def test_narrow_bounds_are_searched_finely(scene: Scene) -> None:
    (height,) = freedoms_of(scene.edited(search={"height": ["250 mm", "250.5 mm"]}))
    assert height.highest - height.lowest >= 20
    assert height.text(0.5) == "250.25 mm"


def test_the_scene_and_its_file_hold_the_same_numbers(scene: Scene, tmp_path: Path) -> None:
    """To the last bit, whatever the values: the file that is written is the candidate that was judged."""
    freedoms = freedoms_of(scene)
    rng = np.random.default_rng(5)
    path = tmp_path / "candidate.toml"
    for _ in range(25):
        values = values_of(freedoms, rng.random(len(freedoms)))
        path.write_text(edited_text(SMALL, changes_of(scene, values)), encoding="utf-8")
        written, judged = read_scene(path), placed(scene, values)
        assert written.model_copy(update={"search": None}) == judged.model_copy(update={"search": None})


def test_values_reach_their_places(scene: Scene) -> None:
    values = {"rail_angle": "30 deg", "rail_length": "200 mm", "station": "1005", "bridge_height": "9.5 mm"}
    got = placed(scene, values)
    assert got.rail.along == pytest.approx((math.cos(math.pi / 6), 0.0, 0.5), abs=1e-9)
    assert (got.rail.travel, got.rail.station, got.bridge.thickness) == (0.2, 1005, 0.0095)
    # positive leads away from the wall
    assert move_of(got).positions[-1][2] > move_of(got).positions[0][2] + 0.09
    assert placed(scene.edited(rail__travel=-0.3), values).rail.travel == -0.2


def test_the_plane_in_focus_stays_in_the_set(scene: Scene) -> None:
    before = move_of(scene).camera(1004)
    point = before.position + 0.9 * before.forward
    got = placed(scene, {"height": "420 mm", "distance": "1500 mm", "tilt": "-15 deg"})
    now = move_of(got).camera(1004)
    assert got.camera.focus == pytest.approx(float(now.depth(point)), abs=0.05e-3)
    assert placed(scene.edited(camera__focus=None), {"height": "420 mm"}).camera.focus is None
    assert placed(scene, {"bridge_width": "40 mm"}).camera.focus == 0.9


def test_own_values_are_the_scene(scene: Scene) -> None:
    own = own_values(scene)
    assert own["height"] == "270 mm"
    assert own["tilt"] == "-12 deg"
    assert own["station"] == "1004"
    assert placed(scene, {name: own[name] for name in NAMES}) == scene.edited(rail__station=1004)
    shares = own_shares(scene, freedoms_of(scene))
    assert values_of(freedoms_of(scene), shares)["distance"] == "1600 mm"
