"""The search as a whole: killed and gone on with, with one worker and with two, and what it leaves."""

from __future__ import annotations

import csv
import json
import signal
import sqlite3
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from previz.command.search.finalists import DRAWN_PX
from previz.command.search.findings import _UNITS
from previz.command.search.search import LEDGER, search
from previz.command.shoot.shoot import score
from previz.errors import SceneError
from previz.run.progress import Progress
from previz.run.workers import WorkerPool
from previz.scene.reader import read_scene
from previz.search.freedoms import freedoms_of, placed
from previz.search.ladders import Freedom
from previz.search.trials import Trial
from previz.stage.prepare import prepare
from tests.conftest import ended, started
from tests.search.example import SMALL, small

WIDTH, HEIGHT = 480, 270

TABLE = "search.csv"


def values_in(row: Mapping[str, str], freedoms: list[Freedom]) -> dict[str, str]:
    """The candidate of a row of ``search.csv``, the same to the last letter as the one that was judged."""
    out = {}
    for freedom in freedoms:
        number = row[freedom.name + _UNITS[freedom.unit]]
        out[freedom.name] = f"{number} {freedom.unit}".strip()
    return out


def run(scene: Path, out: Path, workers: int = 1, budget: int | None = None) -> dict[str, Any]:
    return search(scene, out, WIDTH, budget, workers, None, Progress(quiet=True)).values


def rows(out: Path) -> list[dict[str, str]]:
    with (out / TABLE).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, dict[str, Any]]:
    """A search that nothing disturbed: its scene, its folder and its summary."""
    folder = tmp_path_factory.mktemp("whole")
    scene = small(folder)
    out = folder / "out"
    return scene, out, run(scene, out)


def test_every_candidate_is_in_the_table_with_its_reason(whole: tuple[Path, Path, dict[str, Any]]) -> None:
    _, out, summary = whole
    table = rows(out)
    assert len(table) == summary["candidates"] == 14
    assert sorted(int(row["number"]) for row in table) == list(range(14))
    assert [int(row["rank"]) for row in table] == list(range(1, 15))
    lost = [row for row in table if row["reason"]]
    assert lost, "some moves are too long for the wall"
    assert any(row["reason"].startswith("does not fit: ") and "wall missing" in row["reason"] for row in lost)
    assert summary["judged"] == 14 - len(lost)
    assert sum(summary["not_judged"].values()) == len(lost)
    for row in table:
        assert bool(row["hold_mm"]) != bool(row["reason"])
    order = [(row["reason"] != "", row["reveals"] != "yes", -int(row["hold_frames"] or 0)) for row in table]
    assert [key[:2] for key in order] == sorted(key[:2] for key in order)
    enough = [key[2] for key in order if key[:2] == (False, False)]
    assert enough == sorted(enough)


def test_the_best_is_at_least_as_good_as_the_scene(whole: tuple[Path, Path, dict[str, Any]]) -> None:
    _, out, summary = whole
    own = next(row for row in rows(out) if row["number"] == "0")
    assert (own["height_mm"], own["tilt_deg"], own["rail_length_mm"], own["station"]) == ("270", "-12", "240", "1004")
    assert summary["best"]["hold_frames"] >= summary["own"]["hold_frames"] > 0
    assert summary["best"]["break_reveal_pct"] >= 40.0


@pytest.mark.slow
def test_a_row_is_enough_to_judge_its_candidate_again(whole: tuple[Path, Path, dict[str, Any]]) -> None:
    """From the text of the table alone, on a set that is built anew, to the last digit of the table."""
    scene_path, out, _ = whole
    scene = read_scene(scene_path)
    # what is said of the best is said by drawn frames, not by the row's own trial
    table = [row for row in rows(out) if row["number"] != "0" and row["judged_by"] != "drawn frames"]
    chosen = [table[0], table[4], table[-1]]
    with WorkerPool(1) as pool:
        pool.load(prepare(scene, WIDTH))
        jobs = [Trial(values_in(row, freedoms_of(scene)), scene, WIDTH, HEIGHT) for row in chosen]
        for row, outcome in zip(chosen, pool.run(jobs), strict=True):
            assert row["reason"] == outcome.reason
            if outcome.judged:
                assert row["hold_mm"] == f"{1e3 * outcome.hold:.3f}"
                assert row["break_reveal_pct"] == f"{outcome.break_reveal_pct:.3f}"


def test_the_best_scene_reads_runs_and_scores_the_same(whole: tuple[Path, Path, dict[str, Any]]) -> None:
    """What is said of the best is what its own frames say: the two are one."""
    scene_path, out, summary = whole
    best = read_scene(out / "best.toml")
    table = rows(out)
    values = values_in(table[0], freedoms_of(read_scene(scene_path)))
    assert best == placed(read_scene(scene_path), values).model_copy(update={"folder": best.folder})
    shot = score(out / "best.toml", out / "scored", DRAWN_PX, 1, None, Progress(quiet=True))
    for key in ("break_station_pct", "break_reveal_pct", "break_worst_pct", "found_hold_pct", "hold_mm", "hold_s"):
        assert shot.values[key] == pytest.approx(summary["best"][key], abs=1e-3), key
    assert shot.values["hold_still_frames"] == summary["best"]["hold_still_frames"]
    assert table[0]["judged_by"] == table[1]["judged_by"] == "drawn frames"
    # and what the fast judge had said is not far from it: 2 points at the station, a frame of the hold
    (best_of,) = [one["by"] for one in summary["drawn"] if one["number"] == summary["best"]["number"]]
    fast, drawn = best_of["fast judge"], best_of["drawn frames"]
    assert fast["break_station_pct"] == pytest.approx(drawn["break_station_pct"], abs=2.0)
    assert abs(fast["hold_frames"] - drawn["hold_frames"]) <= 1


def test_the_best_scene_keeps_the_words_of_its_writer(whole: tuple[Path, Path, dict[str, Any]]) -> None:
    _, out, summary = whole
    text = (out / "best.toml").read_text(encoding="utf-8")
    note, _, rest = text.partition("\n")
    assert note.startswith(f"# Candidate {summary['best']['number']} of a search in small.toml: holds ")
    before, after = SMALL.split("\n"), rest.split("\n")
    changed = [line.split("=")[0].strip() for line in after if line not in before]
    assert set(changed) <= {"focus", "position", "tilt", "travel", "station"}
    assert "# the lens" in rest
    assert rest.index("# to camera right") - rest.index('travel = "') == 29


@pytest.mark.sweep
def test_two_workers_find_the_same(whole: tuple[Path, Path, dict[str, Any]], tmp_path: Path) -> None:
    scene, out, summary = whole
    again = run(scene, tmp_path / "two", workers=2)
    assert (tmp_path / "two" / TABLE).read_bytes() == (out / TABLE).read_bytes()
    assert (tmp_path / "two" / "best.toml").read_bytes() == (out / "best.toml").read_bytes()
    assert {**again, "best": None} == {**summary, "best": None}


def judged_so_far(out: Path) -> int:
    """Candidates that are safe in the ledger of a run that was stopped."""
    with sqlite3.connect(f"file:{(out / LEDGER).as_posix()}?mode=ro", uri=True) as ledger:
        return int(ledger.execute("SELECT count(*) FROM judged").fetchone()[0])


# a kill as the fifth candidate is to be kept, four being safe
KILLED = """
import os, signal
from previz.search.ledger import SearchLedger
add, kept = SearchLedger.add, []
def killed(ledger, *what):
    if len(kept) == 4:
        os.kill(os.getpid(), signal.SIGKILL)
    add(ledger, *what)
    ledger.commit()
    kept.append(what)
SearchLedger.add = killed
"""


@pytest.mark.sweep
@pytest.mark.skipif(sys.platform == "win32", reason="needs a signal that cannot be caught")
def test_a_killed_search_goes_on_with_a_larger_budget_and_ends_with_the_same_table(
    whole: tuple[Path, Path, dict[str, Any]], tmp_path: Path
) -> None:
    scene, reference, _ = whole
    out = tmp_path / "out"
    options = ("--width", WIDTH, "--workers", 1, "--budget", 12, "--json")
    killed = ended(started("search", scene, "--out", out, *options, first=KILLED))
    assert killed.code == -signal.SIGKILL
    assert judged_so_far(out) == 4
    assert not (out / TABLE).exists()
    run(scene, out)
    assert (out / TABLE).read_bytes() == (reference / TABLE).read_bytes()
    assert (out / "best.toml").read_bytes() == (reference / "best.toml").read_bytes()


def test_a_scene_without_bounds_is_told_what_to_write(tmp_path: Path) -> None:
    bare = small(tmp_path)
    bare.write_text(SMALL[: SMALL.index("[search]")], encoding="utf-8")
    with pytest.raises(SceneError, match=r"search: expected bounds to search within, like height = .* station"):
        run(bare, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_where_nothing_fits_the_table_says_so_and_there_is_no_best_scene(tmp_path: Path) -> None:
    """A rail shorter than any move asked for, and lenses that only stand inside the rock or the bridge."""
    scene = small(tmp_path, ("budget = 14", 'budget = 10\nlongest_rail = "10 mm"\ndistance = ["10 mm", "0.9 m"]'))
    out = tmp_path / "out"
    summary = run(scene, out)
    assert summary["judged"] == 0
    table = rows(out)
    assert len(table) == 10
    assert all(row["reason"] for row in table)
    reasons = " ".join(row["reason"] for row in table)
    assert "does not fit: a move of " in reasons
    assert "cannot be: " in reasons
    assert not (out / "best.toml").exists()
    assert (out / "trade.png").exists()
    json.dumps(summary)


@pytest.mark.slow
def test_a_bridge_out_of_the_frame_stays_in_the_table(tmp_path: Path) -> None:
    aside = ('tilt = ["-16 deg", "-8 deg"]', 'pan = ["30 deg", "40 deg"]')
    scene = small(tmp_path, aside, ("budget = 14", "budget = 10"))
    text = scene.read_text(encoding="utf-8").replace('width = "2.3 m"', 'width = "30 m"')
    scene.write_text(text.replace('height = "1.5 m"', 'height = "9 m"'), encoding="utf-8")
    out = tmp_path / "out"
    run(scene, out)
    assert any("outline is not in the frame" in row["reason"] for row in rows(out))
