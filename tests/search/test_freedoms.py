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
from previz.scene.search.asked import Search
from previz.scene.shape import bridge_shape
from previz.search.freedoms import (
    NAMES,
    changes_of,
    freedoms_of,
    own_shares,
    own_values,
    placed,
    shown_values,
    values_of,
)
from tests.search.example import SMALL, small_scene

ALL = {
    "height": ["250 mm", "450 mm"],
    "distance": ["1.3 m", "1.8 m"],
    "lateral": ["-60 mm", "60 mm"],
    "distance_with_lens": ["1.3 m", "1.8 m"],
    "tilt": ["-16 deg", "-8 deg"],
    "pan": ["-3 deg", "3 deg"],
    "lens": ["28 mm", "50 mm"],
    "rail_angle": ["-5 deg", "20 deg"],
    "rail_length": ["150 mm", "500 mm"],
    "rail_pan": ["-2 deg", "2 deg"],
    "stand": [0, 6],
    "slide": [8, 16],
    "station": [1001, 1008],
    "bridge_length": ["600 mm", "800 mm"],
    "bridge_width": ["40 mm", "60 mm"],
    "bridge_taper": [0.8, 1.2],
    "bridge_height": ["8 mm", "16 mm"],
    "wall": ["free", "kept"],
    "wall_turn": ["-20 deg", "20 deg"],
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
        "height": "250 mm", "distance": "1300 mm", "lateral": "-60 mm", "distance_with_lens": "1300 mm",
        "tilt": "-16 deg", "pan": "-3 deg", "lens": "28 mm", "rail_angle": "-5 deg", "rail_length": "150 mm",
        "rail_pan": "-2 deg", "stand": "0", "slide": "8", "station": "1001",
        "bridge_length": "600 mm", "bridge_width": "40 mm", "bridge_taper": "0.8", "bridge_height": "8 mm",
        "wall": "free", "wall_turn": "-20 deg",
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


def test_a_wall_is_kept_or_free_and_its_pattern_turned(scene: Scene) -> None:
    (wall, turn) = freedoms_of(scene.edited(search={"wall": ["kept", "free"], "wall_turn": ["-20 deg", "20 deg"]}))
    assert [wall.text(share) for share in (0.0, 0.49, 0.5, 1.0)] == ["kept", "kept", "free", "free"]
    assert [wall.text(wall.share_of(text)) for text in ("kept", "free")] == ["kept", "free"]
    assert turn.text(0.5) == "0 deg"
    assert turn.text(turn.share_of("7 deg")) == "7 deg"
    got = placed(scene, {"wall": "free", "wall_turn": "-12 deg"})
    assert (got.paint.wall, got.wall.turn) == ("free", pytest.approx(math.radians(-12.0)))
    assert own_shares(got, [wall, turn]).tolist() == pytest.approx([0.75, 0.2])
    # what both are unless given
    assert (own_values(scene)["wall"], own_values(scene)["wall_turn"]) == ("kept", "0 deg")


def test_own_values_are_the_scene(scene: Scene) -> None:
    own = own_values(scene)
    assert own["height"] == "270 mm"
    assert own["tilt"] == "-12 deg"
    assert own["station"] == "1004"
    assert placed(scene, {name: own[name] for name in NAMES}) == scene.edited(rail__station=1004)
    shares = own_shares(scene, freedoms_of(scene))
    assert values_of(freedoms_of(scene), shares)["distance"] == "1600 mm"


def test_a_stand_and_a_slide_keep_the_length_of_the_shot(scene: Scene) -> None:
    """24 frames: 5 stood, 12 slid, so 7 are stood at the end; without a slide of its own it slides over the rest."""
    got = placed(scene, {"stand": "5", "slide": "12", "rail_pan": "1.5 deg"})
    assert (got.rail.frames, got.rail.stand, got.rail.stand_after) == (24, 5, 7)
    assert got.rail.pan == pytest.approx(math.radians(1.5))
    places = move_of(got).positions
    assert np.ptp(places[:6], axis=0).max() == np.ptp(places[17:], axis=0).max() == 0.0
    assert places[6][0] > places[5][0] + 1e-6
    assert placed(scene, {"stand": "5"}).rail.stand_after == 0
    assert shown_values(scene, own_values(scene), {"stand": "5"})["slide"] == "19"


def test_the_bridge_stays_as_large_where_distance_and_lens_go_together(scene: Scene) -> None:
    """Thales: from k times as far on the same ray a lens k times as long draws the same size at the same place."""
    middle = bridge_shape(scene).centre
    before = move_of(scene).camera(1004)
    got = move_of(placed(scene, {"distance_with_lens": "1800 mm"})).camera(1004)
    assert got.position[2] == pytest.approx(1.8, abs=1e-9)
    aside = middle + [0.02, 0.0, 0.0]
    wide = [float(np.linalg.norm(c.project(aside) - c.project(middle))) for c in (before, got)]
    assert wide[1] == pytest.approx(wide[0], rel=1e-3)
    # the place is written to 0.1 mm, the lens to 0.01 mm
    assert got.project(middle) == pytest.approx(before.project(middle), abs=0.5)
    # what is near grows less, what is far more: it is another perspective
    deep = np.array([0.0, 0.0, -0.3])
    end = [float(np.linalg.norm(c.project(aside + deep) - c.project(middle + deep))) for c in (before, got)]
    assert end[1] > 1.02 * end[0]


LIT = """
[[lamp]]
name = "key"
position = ["0 mm", "1 m", "1500 mm"]   # over the lens
size = "400 mm"

[[lamp]]
name = "strip"
size = "600 x 300 mm"
lux = 200

[[card]]
name = "fill"
kind = "bounce"
position = ["600 mm", "200 mm", "900 mm"]
size = "600 x 400 mm"
"""
MOVABLE = {
    "lamp": [
        {"name": "strip", "y": ["0.5 m", "1.5 m"], "size": ["0.2 m", "0.8 m"], "lux": [50, 400]},
        {"name": "key", "x": ["-200 mm", "200 mm"]},
    ],
    "card": [{"name": "fill", "z": ["0.5 m", "1.2 m"], "size": ["300 mm", "600 mm"]}],
}


def _movable(scene: Scene) -> Scene:
    return scene.model_copy(update={"search": Search.model_validate(MOVABLE)})


def test_lamps_and_cards_that_move_are_written_as_the_scene_has_them(scene: Scene, tmp_path: Path) -> None:
    path = tmp_path / "lit.toml"
    path.write_text(SMALL + LIT, encoding="utf-8")
    lit = _movable(read_scene(path))
    freedoms = freedoms_of(lit)
    assert [freedom.name for freedom in freedoms] == [
        "lamp strip y", "lamp strip size", "lamp strip lux", "lamp key x", "card fill z", "card fill size"
    ]  # fmt: skip
    assert own_values(lit)["lamp strip size"] == "600 mm"
    rng = np.random.default_rng(5)
    candidate = tmp_path / "candidate.toml"
    for shares in (*rng.random((8, 6)), np.zeros(6), np.ones(6)):
        values = values_of(freedoms, shares)
        candidate.write_text(edited_text(SMALL + LIT, changes_of(lit, values)))
        written, judged = read_scene(candidate), placed(lit, values)
        assert written.model_copy(update={"search": None}) == judged.model_copy(update={"search": None})
    # the last: all at the upper bound, twice as long a strip as high
    assert (judged.lamps[0].position, judged.lamps[1].size) == ((0.2, 1.0, 1.5), (0.8, 0.4))
    assert (judged.lamps[1].lux, judged.lamps[1].position[1]) == (400.0, 1.5)
    assert (judged.cards[0].position[2], judged.cards[0].size) == (1.2, (0.6, 0.4))
    assert "# over the lens" in candidate.read_text()
