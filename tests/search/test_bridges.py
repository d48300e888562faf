"""Other bridges in the loaded set: the same as if the set had been built with them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from previz.judge.hold import FrameScore
from previz.look.sight import SightLines
from previz.run.workers import WorkerPool
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.search.bridges import BridgeSets, bridge_sets, fast_looker
from previz.search.candidates import CameraSetting, CandidateJob
from previz.search.trials import Trial
from previz.stage.looking import FrameJob, Looker
from previz.stage.prepare import BRIDGE, WALL, lit_wall, prepare, sight_of
from previz.workshop.set import BuiltSet
from tests.search.example import small_scene

# a set built anew, or whole runs, for nearly every test
pytestmark = pytest.mark.slow

WIDTH, HEIGHT = 480, 270
LAMP = {"name": "key", "position": (-0.8, 1.0, 1.5), "lux": 800.0, "size": 0.3}


class Held:
    """A pool in this process, and its looker."""

    def __init__(self, pool: WorkerPool) -> None:
        self.pool = pool

    def load(self, scene: Scene) -> Looker:
        self.pool.load(prepare(scene, WIDTH))
        return next(iter(self.pool.run([_Self()])))


class _Self:
    def done_by(self, looker: Looker) -> Looker:
        return looker


@pytest.fixture(scope="module")
def held() -> Iterator[Held]:
    with WorkerPool(1) as pool:
        yield Held(pool)


@pytest.fixture
def lit(tmp_path: Path) -> Scene:
    higher = small_scene(tmp_path).edited(camera__position=(0.0, 0.35, 1.6))
    return higher.edited(lamps=(LAMP,), light__ambient=200.0)


def scores(sets: BridgeSets, scene: Scene) -> list[FrameScore]:
    fast, move = sets.with_bridge(scene).fast, move_of(scene)
    return [fast.score(scene, move, frame, WIDTH, HEIGHT) for frame in (1002, 1004, 1012)]


def test_a_bridge_put_in_later_is_judged_as_one_built_in(held: Held, lit: Scene) -> None:
    """Its shadow too: baked on a wall whose own shadows are remembered, it is the same to the last code value."""
    other = lit.edited(bridge__length=0.6, bridge__taper=1.2)
    looker = held.load(other)
    wanted = scores(bridge_sets(looker), other)
    shadowed = looker.loaded.wall.shadowed.code
    looker = held.load(lit)
    sets = bridge_sets(looker)
    own = scores(sets, lit)
    assert scores(sets, other) == wanted
    assert np.array_equal(sets.with_bridge(other).ready.wall.shadowed.code, shadowed)
    assert not np.array_equal(looker.loaded.wall.shadowed.code, shadowed)
    # and the other way round, after it
    assert scores(sets, lit) == own
    assert own != wanted


def test_a_second_bake_is_like_the_first(held: Held, lit: Scene) -> None:
    looker = held.load(lit)
    sets = bridge_sets(looker)
    for length in (0.5, 0.6):
        chosen = sets.with_bridge(lit.edited(bridge__length=length)).ready
        built = BuiltSet(chosen.built.wall, chosen.built.bridge)
        assert np.array_equal(
            chosen.wall.shadowed.code, lit_wall(chosen.scene, built, sight_of(built)).shadowed.code
        )


def test_a_bare_bridge_is_drawn_anew(held: Held, lit: Scene) -> None:
    bare = lit.edited(bridge__paint="bare")
    other = bare.edited(bridge__length=0.6)
    looker = held.load(other)
    wanted = scores(bridge_sets(looker), other)
    looker = held.load(bare)
    got = scores(bridge_sets(looker), other)
    for one, same in zip(got, wanted, strict=True):
        assert one.break_pct == pytest.approx(same.break_pct, abs=1.0)
    assert min(score.break_pct or 0.0 for score in got) > 60.0


def test_a_replaced_surface_leaves_the_others_embree_scenes_in_use(held: Held, lit: Scene) -> None:
    looker = held.load(lit)
    origins = np.array([[0.0, 0.3, 1.0], [0.0, 0.3, 0.5]])
    down = np.array([[0.0, 0.0, -1.0], [0.0, -1.0, 0.0]])
    before = looker.sight.first_hits(origins, down, names=[WALL])
    short = bridge_sets(looker).with_bridge(lit.edited(bridge__length=0.4))
    replaced = looker.sight.replaced(short.ready.bridge)
    assert np.array_equal(replaced.first_hits(origins, down, names=[WALL]).distance, before.distance)
    assert np.isfinite(looker.sight.first_hits(origins, down, names=[BRIDGE]).distance[1])
    assert not np.isfinite(replaced.first_hits(origins, down, names=[BRIDGE]).distance[1])
    kept = [geometry for geometry in replaced._kept.values() if geometry in looker.sight._kept.values()]
    assert len(kept) == 1
    with pytest.raises(KeyError):
        SightLines([]).replaced(short.ready.bridge)


def test_a_sheets_candidate_is_judged_fast_and_drawn_with_its_own_paint(held: Held, lit: Scene) -> None:
    """Against the pictures of a set painted for that candidate from the start."""
    setting = CameraSetting(height=0.4, tilt=lit.camera.tilt, distance=1.55, lens=0.04, lateral=0.01)
    looker = held.load(lit)
    (first, again) = held.pool.run([CandidateJob(n, setting, lit, WIDTH, HEIGHT) for n in (0, 1)])
    assert first.summary == again.summary
    assert first.summary is not None
    assert first.code is not None
    assert fast_looker(looker) is fast_looker(looker)
    own = held.load(setting.put_into(lit))
    station = own.look(FrameJob(1004, WIDTH, HEIGHT))
    assert station.code is not None
    assert np.abs(station.code.astype(int) - first.code).mean() < 0.5, "code values"
    # paint that is worked out from the wall does not know what light and paint cannot do (tests/benchmarks/judge.py)
    assert first.summary.break_station_pct == pytest.approx(station.judged.score.break_pct, abs=4.6)
    reveal = own.look(FrameJob(1022, WIDTH, HEIGHT, pictures=False)).judged.score.break_pct
    assert first.summary.break_reveal_pct == pytest.approx(reveal, abs=6.0)


@pytest.mark.sweep
def test_trials_of_one_set_do_not_depend_on_those_before(held: Held, lit: Scene) -> None:
    looker = held.load(lit)
    trials = [
        Trial({"height": height, "bridge_length": length}, lit, WIDTH, HEIGHT)
        for height, length in (("350 mm", "600 mm"), ("420 mm", "650 mm"), ("350 mm", "700 mm"))
    ]
    forth = [trial.done_by(looker) for trial in trials]
    looker = held.load(lit)
    back = [trial.done_by(looker) for trial in reversed(trials)]
    assert forth == list(reversed(back))
