"""What is said where nothing holds: by how much the nearest misses, and which bounds it presses against."""

from __future__ import annotations

from pathlib import Path

from previz.command.search.findings import nothing_holds
from previz.search.freedoms import freedoms_of, own_values
from previz.search.ledger import Row
from previz.search.objective import Outcome
from tests.search.example import small_scene


def test_what_is_nearest_is_said_with_its_bounds(tmp_path: Path) -> None:
    scene = small_scene(tmp_path)
    freedoms, own = freedoms_of(scene), own_values(scene)
    found = Outcome(break_station_pct=9.3, break_reveal_pct=80.0, found_hold_pct=23.0)
    values = {"height": "449 mm", "tilt": "-12 deg", "rail_length": "150 mm", "station": "1004"}
    said = nothing_holds(scene, freedoms, own, Row(12, values, found))
    assert said == (
        "nothing that was tried holds; nearest is number 12: at the station frame 9.3 % shows, 4.3 too much; "
        "23 of 100 have found it by the end of the hold asked for, 18 more than may; "
        "it presses against the highest height, 449 mm and the lowest rail length, 150 mm"
    )
    middle = {**values, "height": "350 mm", "rail_length": "300 mm"}
    said = nothing_holds(scene, freedoms, own, Row(3, middle, Outcome(break_station_pct=2.0, found_hold_pct=40.0)))
    assert said is not None
    assert said.endswith("35 more than may; it presses against no bound")
    assert "station frame" not in said


def test_nothing_is_said_where_something_holds_or_nothing_can_be_judged(tmp_path: Path) -> None:
    scene = small_scene(tmp_path)
    for outcome in (Outcome(hold_frames=3, break_station_pct=1.0), Outcome(reason="does not fit: rail", fits=False)):
        assert nothing_holds(scene, freedoms_of(scene), own_values(scene), Row(0, {}, outcome)) is None
