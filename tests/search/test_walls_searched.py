"""Walls that a search may paint over in bands, and turn: told as the drawn frames of what it writes."""

from __future__ import annotations

from pathlib import Path

import pytest

from previz.command.search.search import search
from previz.command.shoot.shoot import score
from previz.judge.hold import FrameScore
from previz.run.progress import Progress
from previz.run.workers import WorkerPool
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.search.bridges import sets_before_wall
from previz.search.trials import Trial
from previz.stage.freewall import in_bands
from previz.stage.looking import FrameJob, Looker
from previz.stage.prepare import prepare
from tests.search.example import small, small_scene

WIDTH, HEIGHT = 480, 270


class _Self:
    def done_by(self, looker: Looker) -> Looker:
        return looker


def loaded(pool: WorkerPool, scene: Scene) -> Looker:
    pool.load(prepare(scene, WIDTH))
    (looker,) = pool.run([_Self()])
    return looker


@pytest.mark.sweep
def test_a_wall_tried_is_judged_as_one_built_that_way_and_leaves_nothing_behind(tmp_path: Path) -> None:
    base = small_scene(tmp_path)
    others = {
        "turned": base.edited(wall__turn=0.4),
        "free": base.edited(paint__wall="free", paint__wall_change=30),
        "both": base.edited(wall__turn=0.4, paint__wall="free", paint__wall_change=30),
    }

    def judged(looker: Looker, scene: Scene) -> list[FrameScore]:
        fast, move = sets_before_wall(looker, scene, WIDTH).with_bridge(scene).fast, move_of(scene)
        scores = [fast.score(scene, move, frame, WIDTH, HEIGHT) for frame in (1006, 1012)]
        return [fast.drifting(scene, move, one, WIDTH, HEIGHT) for one in scores]

    with WorkerPool(1) as pool:
        wanted = {name: judged(loaded(pool, scene), scene) for name, scene in others.items()}
        looker = loaded(pool, base)
        own = judged(looker, base)
        assert {name: judged(looker, scene) for name, scene in others.items()} == wanted
        assert judged(looker, base) == own
        assert all(scores != own for scores in wanted.values())
        # and as frames that are drawn: bands along the slide leave less to be seen of it
        looker.load(in_bands(prepare(others["free"], WIDTH)))
        drawn = [looker.look(FrameJob(f, WIDTH, HEIGHT, pictures=False)).judged.score for f in (1006, 1012)]
        for fast, told, kept in zip(wanted["free"], drawn, own, strict=True):
            assert fast.break_pct == pytest.approx(told.break_pct, abs=6.0)
            assert fast.drift_deg_s is not None
            assert kept.drift_deg_s is not None
            assert fast.drift_deg_s < 0.8 * kept.drift_deg_s


@pytest.mark.sweep
def test_the_best_wall_is_written_and_scored_with_the_same_numbers(tmp_path: Path) -> None:
    path = small(
        tmp_path,
        ("[search]", '[paint]\nwall_change = 25\n\n[search]\nwall = ["kept", "free"]'),
        ("budget = 14", 'wall_turn = ["-40 deg", "40 deg"]\nbudget = 10'),
        ("finalists = 2", "finalists = 1"),
        ('tilt = ["-16 deg", "-8 deg"]\n', ""),
        ('rail_length = ["150 mm", "500 mm"]\n', ""),
        ("station = [1001, 1008]\n", ""),
    )
    out, quiet = tmp_path / "out", Progress(quiet=True)
    values = search(path, out, WIDTH, None, 1, None, quiet).values
    assert values["varied"] == ["height", "wall", "wall_turn"]
    table = (out / "search.csv").read_text(encoding="utf-8").splitlines()
    places = [table[0].split(",").index(name) for name in ("wall", "wall_turn_deg")]
    tried = [[row.split(",")[place] for place in places] for row in table[1:]]
    assert {wall for wall, _ in tried} == {"kept", "free"}
    assert len({turn for _, turn in tried}) > 3
    best, chosen = values["best"], read_scene(out / "best.toml")
    assert (chosen.paint.wall, chosen.paint.wall_change) == (best["wall"], 25)
    assert chosen.wall.turn == pytest.approx(float(best["wall_turn_deg"]) * 3.141592653589793 / 180.0)
    drawn = score(out / "best.toml", tmp_path / "best", 960, 1, None, quiet).values
    assert best["judged_by"] == "drawn frames"
    assert drawn["break_station_pct"] == pytest.approx(best["break_station_pct"], abs=1e-6)
    assert (drawn["hold_frames"], drawn["hold_still_frames"]) == (best["hold_frames"], best["hold_still_frames"])


def test_trials_say_why_a_wall_cannot_be_turned(tmp_path: Path) -> None:
    base = small_scene(tmp_path).edited(wall={"photo": "wall.jpg", "width": 2.3, "height": 1.5, "top": 0.65})
    with WorkerPool(1) as pool:
        looker = loaded(pool, small_scene(tmp_path))
        found = Trial({"wall_turn": "10 deg"}, base, WIDTH, HEIGHT).done_by(looker)
    assert not found.fits
    assert "wall.turn" in found.reason
