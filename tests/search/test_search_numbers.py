"""What a search weighs against what, at the numbers where the answer turns; worked out by hand.

Weights and steps are judgement or common practice without a source, as the code says beside them.
"""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from previz.judge.interval import wilson
from previz.look.sight import SightLines
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.search.freedoms import freedoms_of, placed
from previz.search.knock import SLACKS, Drift, largest_drift, limit_of
from previz.search.ledger import Row
from previz.search.objective import Outcome, cost_of, rank_of
from previz.search.optimise import search
from previz.search.studio import Surroundings, misfits
from previz.search.trade import Trade
from previz.workshop.surface import WALL, Surface
from tests.search.example import small_scene
from tests.search.test_objective import judged

LONGEST = 0.5
FRAMES = 50.0


def cost(hold: float, reveal: float, station: float = 0.0, mean: float = 0.0, found: float = 0.0) -> float:
    return cost_of(judged(hold, reveal, station, mean, found), 0.6, FRAMES)


def test_a_missing_reveal_weighs_six_times_a_hold() -> None:
    # five of a hundred missing weigh as much as 0.3 of the shot
    assert cost(0.4, 55.0) == pytest.approx(cost(0.4 - 0.3 * LONGEST, 60.0))
    assert cost(0.4, 60.0) == pytest.approx(cost(0.4, 95.0)), "more reveal than asked for is worth nothing"


def test_break_inside_the_hold_decides_between_equal_holds() -> None:
    # a fifth more mean break weighs a hundredth of the shot
    assert cost(0.2, 60.0, mean=20.0) == pytest.approx(cost(0.2 - 0.01 * LONGEST, 60.0))


def test_what_shows_at_the_station_costs_what_lies_beyond_the_limit() -> None:
    # 9 % is 4 beyond the 5 of a hold: as much as 4 % of the shot
    assert cost(0.2, 60.0, station=9.0) == pytest.approx(cost(0.2 - 0.04 * LONGEST, 60.0, found=100.0))
    assert cost(0.2, 60.0, station=4.9) == cost(0.2, 60.0)


def test_of_equal_holds_the_one_that_fewer_have_found_is_better() -> None:
    # a fifth more of the viewers weigh a hundredth of the shot, also where nothing holds
    assert cost(0.2, 60.0, found=20.0) == pytest.approx(cost(0.2 - 0.01 * LONGEST, 60.0))
    assert cost(0.0, 60.0, found=60.0) > cost(0.0, 60.0, found=40.0)
    assert rank_of(judged(0.0, 61.0, found=60.0), 0.6) > rank_of(judged(0.0, 61.0, found=40.0), 0.6)


def test_a_quarter_of_a_metre_out_of_the_studio_weighs_one() -> None:
    near, far = (cost_of(Outcome(reason="rail", fits=False, by=by), 0.6, FRAMES) for by in (0.05, 0.30))
    assert far - near == pytest.approx(1.0)
    unjudged = cost_of(Outcome(reason="not in the frame", by=0.25), 0.6, FRAMES)
    assert far > near > unjudged > cost(0.0, 0.0)


def test_the_longer_hold_comes_before_the_clearer_reveal() -> None:
    assert rank_of(judged(0.06, 61.0), 0.6) < rank_of(judged(0.05, 95.0), 0.6)
    assert rank_of(judged(0.06, 61.0), 0.6) > rank_of(judged(0.06, 95.0), 0.6)
    assert rank_of(judged(0.06, 61.0, mean=2.0), 0.6) > rank_of(judged(0.06, 61.0, mean=1.0), 0.6)


def test_a_knocked_frame_is_lost_one_point_beyond_what_it_was() -> None:
    # what the judge itself may be off by: 1 point
    assert [limit_of(as_it_is) for as_it_is in (3.9, 4.5, 8.0)] == pytest.approx([5.0, 5.5, 9.0])


def test_knocks_are_looked_for_as_far_as_rigs_slip() -> None:
    # 20 mm, 5 degrees, 5 % of the focal length (judgement, no source)
    limits = {slack.name: slack.limit for slack in SLACKS}
    assert limits["height"] == limits["paint across"] == pytest.approx(0.02)
    assert limits["pan"] == limits["roll"] == pytest.approx(np.radians(5.0))
    assert limits["focal length"] == pytest.approx(0.05)


def test_the_interval_is_of_ninety_five_in_a_hundred() -> None:
    # Wilson's interval for half of very many: the normal one, z / (2 sqrt n)
    low, high = wilson(50_000, 100_000)
    assert high - low == pytest.approx(2.0 * float(norm.ppf(0.975)) / (2.0 * np.sqrt(100_000.0)), rel=1e-4)


def test_a_loss_that_ends_again_is_found_where_it_is_as_wide_as_a_step() -> None:
    # steps grow by 1.6: between 5.0 and 7.9 at least one is tried
    def holds(drift: float) -> bool:
        return not 5.0 < drift < 7.9

    found = largest_drift(holds, 20.0, 0.01)
    assert found == pytest.approx(5.0, abs=0.0101)
    assert found is not None
    assert found <= 5.0


def test_strain_is_of_the_hold_and_not_of_the_station_alone() -> None:
    drift = Drift(SLACKS[0], (0.004, 0.004), (0.002, 0.001))
    assert drift.strain(0.001) == pytest.approx(1.0)


def front(*points: tuple[float, float]) -> list[tuple[float, float]]:
    trade = Trade(LONGEST)
    for number, (hold, reveal) in enumerate(points):
        trade.add(Row(number, {}, judged(hold, reveal)))
    return [(hold, reveal) for hold, reveal, _ in trade.front]


def test_the_front_has_only_what_nothing_else_beats_at_both() -> None:
    assert front((0.3, 20.0), (0.1, 80.0), (0.2, 18.0)) == [(0.3, 20.0), (0.1, 80.0)]
    assert front((0.2, 18.0), (0.3, 20.0), (0.25, 50.0)) == [(0.3, 20.0), (0.25, 50.0)]


class Remembered:
    """A bowl whose least is far from where the search begins; what was asked for, in order."""

    def __init__(self, budget: int) -> None:
        self.budget, self.asked = budget, [np.zeros(2)][:0]

    def __call__(self, places: NDArray[np.float64]) -> list[float]:
        fresh = list(places)[: self.left()]
        self.asked += [place.copy() for place in fresh]
        return [float(np.sum((place - 0.2) ** 2)) for place in fresh]

    def left(self) -> int:
        return self.budget - len(self.asked)


def test_the_scenes_own_place_is_tried_first() -> None:
    costs = Remembered(40)
    own = np.array([0.83, 0.91])
    search(costs, own, costs.left, costs.budget, 1)
    assert costs.asked[0] == pytest.approx(own)


def only_freedom(scene: Scene, **bounds: Any) -> Any:
    (freedom,) = freedoms_of(scene.edited(search=bounds))
    return freedom


def test_steps_are_as_fine_as_a_bridge_is_cut_and_a_rig_is_set(tmp_path: Path) -> None:
    scene = small_scene(tmp_path)
    for bounds, step in (
        ({"bridge_width": ["40 mm", "160 mm"]}, "0.5"),
        ({"bridge_height": ["8 mm", "28 mm"]}, "0.5"),
        ({"bridge_length": ["600 mm", "800 mm"]}, "1"),
        ({"height": ["250 mm", "450 mm"]}, "0.1"),
        ({"tilt": ["-16 deg", "-8 deg"]}, "0.01"),
        ({"rail_angle": ["-5 deg", "20 deg"]}, "0.1"),
        ({"lens": ["28 mm", "50 mm"]}, "0.1"),
    ):
        assert only_freedom(scene, **bounds).step == Decimal(step)


def test_narrow_bounds_have_twenty_steps_and_none_lies_outside(tmp_path: Path) -> None:
    scene = small_scene(tmp_path)
    # nineteen steps of half a millimetre are too few, twenty are enough
    assert only_freedom(scene, bridge_width=["40 mm", "49.5 mm"]).step == Decimal("0.05")
    assert only_freedom(scene, bridge_width=["40 mm", "50 mm"]).step == Decimal("0.5")
    between = only_freedom(scene, bridge_width=["40.2 mm", "60.2 mm"])
    assert (between.text(0.0), between.text(1.0)) == ("40.5 mm", "60 mm")


def test_focus_follows_the_camera(tmp_path: Path) -> None:
    # moved straight back by 100 mm along a level line of sight, the point in focus is 100 mm farther
    scene = small_scene(tmp_path).edited(camera__tilt=0.0, camera__focus=0.9, camera__position=(0.0, 0.3, 1.6))
    assert placed(scene, {"distance": "1700 mm"}).camera.focus == pytest.approx(1.0)


def empty(wall_left: float = -5.0) -> Surroundings:
    """Nothing but a far wall behind the datum plane, which reaches from ``wall_left`` to 5 m."""
    corners = np.array([[-9.0, -9.0, -0.5], [9.0, -9.0, -0.5], [9.0, 9.0, -0.5], [-9.0, 9.0, -0.5]])
    faces = np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32)
    picture = np.full((2, 2, 3), 0.2, dtype=np.float32)
    wall = Surface("wall", WALL, corners, faces, np.zeros((4, 2), dtype=np.float32), picture)
    far_edge = np.array([[0.0, 0.0, 0.0]])
    return Surroundings(SightLines([wall]), ("wall",), far_edge, (wall_left, -5.0, 5.0, 5.0))


def square_on(tmp_path: Path, **changes: Any) -> Scene:
    search_ = {"closest_focus": 0.0, "floor": -5.0, "view_margin": 0.0}
    return small_scene(tmp_path).edited(
        camera__tilt=0.0, camera__position=(0.0, 0.35, 1.6), wall__relief=0.0, search={**search_, **changes}
    )


def by_word(scene: Scene, around: Surroundings, word: str) -> float:
    return max((m.by for m in misfits(scene, move_of(scene), around) if word in m.what), default=0.0)


def test_the_margin_of_wall_lies_beyond_the_picture(tmp_path: Path) -> None:
    scene = square_on(tmp_path, view_margin=0.02)
    leftmost = float(move_of(scene).positions[:, 0].min()) - 0.5 * 1.6 * 35.9 / 40.0
    assert by_word(scene, empty(leftmost - 0.021), "left") == 0.0
    assert by_word(scene, empty(leftmost - 0.015), "left") == pytest.approx(0.005, abs=1e-6)


def test_the_camera_is_tried_for_size_all_along_the_move(tmp_path: Path) -> None:
    # an arc ahead of its middle: the ends stand farther out, so that the nearest place to a thing is on the way
    scene = square_on(tmp_path, closest_focus=0.0)
    scene = scene.edited(rail__travel=0.9, rail__hold=(1001, 1001), rail__station=1001, rail__reveal=None,
                         rail__along=(1.0, 0.0, 0.0), camera__position=(-0.45, 0.35, 1.6))  # fmt: skip
    middle = np.array([[0.0, 0.35, 1.55]])
    around = empty()
    thing = Surroundings(around.sight, around.names, middle, around.wall)
    # a thing 50 mm ahead of the middle of the move is inside the barrel there, and far from it at both ends
    assert by_word(scene.edited(search={**scene.search.model_dump(), "lens_front": 0.08}), thing, "into the set") > 0.0  # type: ignore[union-attr]


def test_the_barrel_is_as_wide_as_the_lens(tmp_path: Path) -> None:
    # a wall 45 mm before the pupil, a lens whose front stands 40 mm ahead, turned by 60 degrees: the rim's far side
    # reaches 40 cos 60 + 35 sin 60 = 50.3 mm, and 35 mm of radius is what brings it there
    corners = np.array([[-9.0, -9.0, 1.555], [9.0, -9.0, 1.555], [9.0, 9.0, 1.555], [-9.0, 9.0, 1.555]])
    faces = np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32)
    wall = Surface("wall", WALL, corners, faces, np.zeros((4, 2), np.float32), np.full((2, 2, 3), 0.2, np.float32))
    around = Surroundings(SightLines([wall]), ("wall",), np.array([[0.0, 0.0, 0.0]]), (-90.0, -90.0, 90.0, 90.0))
    scene = square_on(tmp_path, lens_front=0.04, body=[0.01, 0.01, 0.2]).edited(
        camera__pan=np.radians(60.0), camera__lens_diameter=0.07
    )
    assert by_word(scene, around, "into the set") > 0.004
    assert by_word(scene.edited(camera__lens_diameter=0.05), around, "into the set") == 0.0
