"""The knock as a whole, on a small set whose hold is known to be short sideways and long along the line of sight."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest
from scipy.stats import binomtest

from previz.command.search.knock import knock
from previz.run.frames import read_png
from previz.run.progress import Progress
from previz.scene.move import move_of
from previz.search import builds
from previz.search.builds import frames_before, frames_of_hold
from tests.search.example import small, small_scene

# a set built anew, or whole runs, for nearly every test
pytestmark = pytest.mark.slow

HIGHER = ('"270 mm"', '"350 mm"')
SHORT = ("hold = [1001, 1008]", "hold = [1004, 1005]\nstation = 1004")


def run(scene: Path, out: Path, samples: int = 20) -> dict[str, Any]:
    return knock(scene, samples, out, 480, 1, None, Progress(quiet=True)).values


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    folder = tmp_path_factory.mktemp("knock")
    scene = small(folder, HIGHER, SHORT)
    with pytest.MonkeyPatch.context() as there:
        # how closely drifts are found is test_knock.py's matter
        there.setattr(builds, "_CLOSELY", 0.2)
        return folder / "out", run(scene, folder / "out")


def by_name(summary: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {row["freedom"]: row for row in summary["drifts"]}


def allowed(row: dict[str, Any], where: str) -> float:
    """The smaller of a row's two sides, in its unit; what was never reached counts as the limit."""
    sides = [row[f"{where}_minus"], row[f"{where}_plus"]]
    return min(row["looked_up_to"] if side is None else side for side in sides)


def test_sideways_is_what_there_is_least_of(whole: tuple[Path, dict[str, Any]]) -> None:
    """Slip is f b (1/z_bridge - 1/z_wall) for a shift b across the line of sight; along it, it is smaller by the share
    of the bridge's own angle off the axis."""
    rows = by_name(whole[1])
    for where in ("station", "hold"):
        assert 0.0 < allowed(rows["sideways"], where) < allowed(rows["distance"], where)
        # a shift in height slips as far; how soon that shows is the pattern's doing
        assert allowed(rows["sideways"], where) <= 1.5 * allowed(rows["height"], where)


def test_turns_and_zooms_cost_no_parallax(whole: tuple[Path, dict[str, Any]]) -> None:
    rows = by_name(whole[1])
    for name in ("pan", "tilt", "roll", "focal length"):
        assert allowed(rows[name], "station") == rows[name]["looked_up_to"] == 5.0, name


def test_the_hold_allows_no_more_than_its_station_frame(whole: tuple[Path, dict[str, Any]]) -> None:
    rows = by_name(whole[1])
    assert list(rows)[:7] == ["sideways", "height", "distance", "pan", "tilt", "roll", "focal length"]
    for row in rows.values():
        for side in ("minus", "plus"):
            at_station, in_hold = row[f"station_{side}"], row[f"hold_{side}"]
            assert in_hold is None or at_station is None or in_hold <= at_station + 1e-9


def test_the_odds_and_their_interval(whole: tuple[Path, dict[str, Any]]) -> None:
    summary = whole[1]
    assert summary["builds"] == 20
    for found in summary["joint"].values():
        assert found["probability"] == found["holds"] / 20
        wanted = binomtest(found["holds"], 20).proportion_ci(confidence_level=0.95, method="wilson")
        assert found["interval_95"] == pytest.approx([wanted.low, wanted.high])
    assert summary["joint"]["hold"]["holds"] <= summary["joint"]["station"]["holds"]


def test_it_is_said_in_plain_words(whole: tuple[Path, dict[str, Any]]) -> None:
    out, summary = whole
    first = summary["sentences"][0]
    worst = by_name(summary)[summary["matters_most"]]
    assert first.endswith(" is all you have")
    shown = allowed(worst, "hold")
    assert f"{shown:.2f}" in first or f"{shown:.1f}" in first
    assert any("no worry" in sentence and "tilt" in sentence for sentence in summary["sentences"])
    assert any("of 100 builds" in sentence and "20 tried" in sentence for sentence in summary["sentences"])
    assert any(sentence.startswith("the film holds in") for sentence in summary["sentences"])
    assert len(summary["costliest"]) == 3
    assert summary["costliest"][0] == summary["matters_most"]
    costs = next(s for s in summary["sentences"] if s.startswith("what costs most: "))
    assert costs.count(";") == 2
    assert read_png(out / "knock.png").shape[1:] == (1600, 3)


def test_the_whole_build_is_tried(whole: tuple[Path, dict[str, Any]]) -> None:
    """A lens off by b slips f b (1/z_bridge - 1/z_wall), a bridge off by b against its wall f b / z_bridge: it may be
    off by less."""
    rows = by_name(whole[1])
    assert [name for name in rows if name.startswith("bridge")] == [
        f"bridge {way}" for way in ("sideways", "height", "distance", "yaw", "pitch", "roll")
    ]
    assert {"paint turned", "colour", "brush"} < set(rows)
    assert not any(name.startswith("lamp") for name in rows), "the set has none"
    assert 0.0 < allowed(rows["bridge sideways"], "hold") < allowed(rows["sideways"], "hold")
    assert 0.0 < allowed(rows["colour"], "hold") < 12.0
    for row in rows.values():
        assert 0.0 <= row["break_added_pct"] < 100.0


def test_the_film_of_builds_is_no_likelier_to_hold_than_their_stills(whole: tuple[Path, dict[str, Any]]) -> None:
    joint, unknocked = whole[1]["joint"], whole[1]["unknocked"]
    assert joint["film"]["holds"] <= joint["hold"]["holds"]
    assert unknocked["film_holds"] == (
        unknocked["found_pct"] <= 5.0 and unknocked["break_pct"] <= 5.0 and unknocked["trace_pct"] <= 5.0
    )
    assert unknocked["found_pct"] <= whole[1]["middle_build"]["found_pct"] + 1.0


def test_the_table(whole: tuple[Path, dict[str, Any]]) -> None:
    out, summary = whole
    with (out / "knock.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["freedom"] for row in rows] == list(by_name(summary))
    for row, found in zip(rows, summary["drifts"], strict=True):
        for key in ("station_minus", "station_plus", "hold_minus", "hold_plus"):
            wanted = f">{found['looked_up_to']:g}" if found[key] is None else f"{found[key]:.3f}"
            if found["one_way"] and key.endswith("minus"):
                wanted = ""
            assert row[key] == wanted
        assert row["unit"] == found["unit"]


def test_a_shot_that_never_held_has_nothing_to_lose(tmp_path: Path) -> None:
    scene = small(tmp_path, HIGHER, SHORT, ('thickness = "12 mm"', 'thickness = "12 mm"\npaint = "bare"'))
    summary = run(scene, tmp_path / "out")
    assert summary["frames"] == []
    assert summary["builds"] == 0
    assert summary["joint"]["hold"]["probability"] is None
    first, *helps = summary["sentences"]
    assert first.startswith("the bridge shows at the station frame 1004 without any error: break ")
    assert summary["unknocked"]["break_pct"] > 90.0
    assert "where at most 5 % holds, found by " in first
    assert "of 100 by frame 1005" in first
    assert helps[0] == "what would change that: paint that continues the wall (bridge.paint, projected or solved)"
    assert all(line.startswith("what would change that: ") for line in helps)
    assert summary["drifts"] == []
    assert (tmp_path / "out" / "knock.png").exists()


def test_frames_that_are_looked_at(tmp_path: Path) -> None:
    scene = small_scene(tmp_path)
    assert frames_of_hold(scene, move_of(scene)) == (1004, 1001, 1002, 1003, 1005, 1006, 1007, 1008)
    assert frames_before(scene, move_of(scene)) == ()
    late = scene.edited(rail__hold=(1005, 1008))
    assert frames_before(late, move_of(late)) == (1001, 1002, 1004)
    long = scene.edited(rail__frames=200, rail__hold=(1001, 1101), rail__reveal=1190)
    frames = frames_of_hold(long, move_of(long))
    assert frames[0] == 1051
    assert len(frames) == 9
    assert {1001, 1101} < set(frames)
