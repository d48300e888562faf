"""The trained finder's honesty: pairs that differ in nothing but the bridge, no set on both sides, rates told right.

What needs torch is skipped where there is none.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import maximum_filter

from previz.stage.looking import Looker
from previz.stage.prepare import prepare
from tests.benchmarks.finderfit import PEOPLE
from tests.benchmarks.finderscenes import CLIP, PAINTS, SHAPES, SOLVED, WALL_KINDS, finder_scene, unseen
from tests.benchmarks.finderset import WITH_SOLVED, Order, Pairs, made, orders, size_of
from tests.benchmarks.findertable import (
    COLUMNS,
    RECORD,
    Outcome,
    Rate,
    against_judge,
    against_people,
    merged,
    ranks_together,
    surest,
    table,
)
from tests.engine import open_engine

WIDTH = 128


def number_of(lit: bool) -> int:
    """The first walkway in flat light, or under lamps without bounce."""
    for number in range(4, 200):
        walkway = number % (len(WALL_KINDS) * len(SHAPES)) < len(WALL_KINDS)
        scene = finder_scene(number, Path(), size_of(WIDTH)) if walkway else None
        if scene is not None and bool(scene.lamps) == lit and not (lit and scene.light.bounce):
            return number
    raise AssertionError("no such set")


@pytest.fixture(scope="module")
def recorded() -> Outcome:
    return Outcome.read(RECORD)


def beside_bridge(number: int, folder: Path) -> tuple[Pairs, np.ndarray]:
    """The pairs of a set with a bare bridge, and where (C, T, H, W) nothing of the bridge is seen."""
    order = Order(number, ("bare",), WIDTH)
    engine = open_engine()
    pairs = made(order, engine)
    looker = Looker(engine)
    looker.load(prepare(finder_scene(number, folder, size_of(WIDTH))))
    cover = np.array(
        [[looker.delivered(first + k, *size_of(WIDTH))[1][0].cover for k in range(CLIP)] for first in order.clips]
    )
    return pairs, maximum_filter(cover, size=(1, 1, 3, 3)) == 0.0


@pytest.mark.slow
def test_pairs_in_flat_light_differ_where_the_bridge_is_and_nowhere_else(tmp_path) -> None:
    pairs, beside = beside_bridge(number_of(lit=False), tmp_path)
    differs = (pairs.seen[0] != pairs.clean).any(axis=-1)
    assert not differs[beside].any()
    assert differs[~beside].mean() > 0.3
    assert beside.any()
    assert not beside.all()


@pytest.mark.sweep
def test_under_lamps_without_bounce_the_rest_is_shadow(tmp_path) -> None:
    pairs, beside = beside_bridge(number_of(lit=True), tmp_path)
    # a shadow takes light and never gives any
    assert (pairs.seen[0][beside] <= pairs.clean[beside]).all()
    assert (pairs.seen[0][beside] < pairs.clean[beside]).any()


def test_no_set_is_learned_from_and_reported() -> None:
    wanted = orders(50, 20, 10, WIDTH)
    learned = [order for order in wanted if not unseen(order.number)]
    kept = [order for order in wanted if unseen(order.number)]
    assert len({order.number for order in wanted}) == len(wanted) == 80
    assert len(kept) == 10
    # another wall for each: the seeds are drawn by the number
    seeds = [finder_scene(order.number, Path(), size_of(WIDTH)).wall.seed for order in wanted if _slab(order.number)]
    assert len(set(seeds)) == len(seeds)
    # the first network's sets have no solved paint, the others' all do, and what is reported has everything
    assert all((SOLVED in order.paints) == (order.number >= WITH_SOLVED) for order in learned)
    assert all(order.paints == (*PAINTS, SOLVED) for order in kept)


def _slab(number: int) -> bool:
    """Whether the bridge of a set needs no file."""
    return SHAPES[number // len(WALL_KINDS) % len(SHAPES)] != "hung box"


def test_the_same_number_is_the_same_set(tmp_path) -> None:
    assert finder_scene(7, tmp_path, (96, 54)) == finder_scene(7, tmp_path, (96, 54))
    assert finder_scene(7, tmp_path, (96, 54)).wall.seed != finder_scene(8, tmp_path, (96, 54)).wall.seed
    assert Order(7, ("bare",), 96).clips == Order(7, ("mean",), 96).clips


def test_pairs_read_as_they_were_written(tmp_path) -> None:
    rng = np.random.default_rng(3)
    shape = (2, CLIP, 4, 6, 3)
    one = Pairs(
        5, "a set", 2, ("bare", "mean"), rng.integers(0, 255, shape, dtype=np.uint8),
        rng.integers(0, 255, (2, *shape), dtype=np.uint8), np.full((2, 2, 4), np.nan, dtype=np.float32),
    )  # fmt: skip
    again = Pairs.read(one.written(tmp_path))
    assert (again.number, again.title, again.lamps, again.paints) == (5, "a set", 2, ("bare", "mean"))
    for name in ("clean", "seen", "judged"):
        np.testing.assert_array_equal(getattr(again, name), getattr(one, name))
    assert [path.name for path in tmp_path.iterdir()] == ["5.npz"]


@pytest.mark.parametrize(("right", "count"), [(58, 100), (11, 11), (0, 7)])
def test_intervals_are_wilsons(right, count) -> None:
    # Wilson, JASA 22, 209 (1927): (p + z2/2n +- z sqrt(p q / n + z2/4n2)) / (1 + z2/n), z = 1.959964
    p, z2 = right / count, 1.959964**2
    half = np.sqrt(z2 * (p * (1.0 - p) / count + z2 / (4.0 * count**2)))
    wanted = [100.0 * (p + z2 / (2.0 * count) + way * half) / (1.0 + z2 / count) for way in (-1.0, 1.0)]
    assert Rate(right, count).interval == pytest.approx(wanted, abs=1e-3)


def test_rank_correlation_is_spearmans() -> None:
    a, b = [3.0, 1.0, 4.0, 1.5, 9.0], [2.0, 7.0, 1.0, 8.0, 2.5]
    ranks = [np.argsort(np.argsort(x)) for x in (a, b)]
    # without ties: 1 - 6 sum d2 / (n (n2 - 1)) (textbook)
    assert ranks_together(a, b) == pytest.approx(1.0 - 6.0 * np.sum((ranks[0] - ranks[1]) ** 2) / 120.0)
    assert np.isnan(ranks_together([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]))


def outcome_of(margin: dict[str, float], shown: dict[str, float], found: float = 0.0) -> Outcome:
    """Six sets, boxes among them, on which each paint has the same margin and break everywhere."""
    rows = [
        (4 * k, k % 2, paint, 0, np.array([shown[paint], 0.0, 0.0, found]), np.full(len(COLUMNS), value))
        for k in range(6)
        for paint, value in margin.items()
    ]
    return merged({"made": "by hand"}, rows)


def test_orders_are_right_where_they_are_known() -> None:
    people = {paint: (100.0 - share) / 10.0 for paint, (share, _) in PEOPLE.items()}
    alike = outcome_of(people, {paint: 10.0 * value for paint, value in people.items()})
    assert against_people(alike, "first still", alike.boxes)[0] == pytest.approx(1.0)
    assert against_judge(alike, "first still", list(PEOPLE)) == pytest.approx(1.0)
    turned = outcome_of({paint: -value for paint, value in people.items()}, people)
    assert against_people(turned, "first still", turned.boxes)[0] == pytest.approx(-1.0)
    assert against_judge(turned, "first still", list(PEOPLE)) == pytest.approx(-1.0)


def test_hidden_is_what_the_judge_calls_hidden() -> None:
    outcome = outcome_of({"bare": 1.0, "mean": 2.0, "greedy": -1.0}, {"bare": 5.1, "mean": 5.0, "greedy": 0.0}, 5.1)
    assert set(outcome.paint[outcome.hidden("still")]) == {"mean", "greedy"}
    assert not outcome.hidden("clip").any()
    rows = surest(outcome, "first still", 10)
    # not what it is wrong of, and each set and paint once
    assert [str(outcome.paint[row]) for row in rows] == ["mean"] * 6
    assert len({int(outcome.number[row]) for row in rows}) == 6


def test_what_is_recorded_reads_as_it_was_written(recorded: Outcome, tmp_path) -> None:
    recorded.written(tmp_path / "again.json")
    assert (tmp_path / "again.json").read_bytes() == RECORD.read_bytes()
    assert all(unseen(int(number)) for number in recorded.number)
    assert np.isfinite(recorded.margin).all()


def test_the_readme_shows_what_is_recorded(recorded: Outcome) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    for part in table(recorded).split("\n\n"):
        assert part in readme


def test_a_seed_is_a_batch() -> None:
    torch = pytest.importorskip("torch")
    from tests.benchmarks.findernet import Shelf, batch_of, pair_of, presented, swapped

    def first(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        made_of = torch.Generator().manual_seed(1)
        clips = [torch.randint(0, 256, (2, CLIP, 8, 12, 3), generator=made_of, dtype=torch.uint8) for _ in range(8)]
        shelf = Shelf(tuple(range(4)), (("bare",),) * 4, tuple(clips[:4]), tuple(clip[None] for clip in clips[4:]))
        batch = batch_of(shelf, 6, np.random.default_rng(seed))
        seen, _ = pair_of(shelf, batch)
        shown = presented(seen, torch.Generator().manual_seed(seed), torch.from_numpy(batch.still))
        return batch.at, shown.numpy(), swapped(batch, shelf)

    for a, b in zip(first(5), first(5), strict=True):
        np.testing.assert_array_equal(a, b)
    assert (first(5)[0] != first(6)[0]).any()


def test_a_still_stands_and_no_two_looks_are_alike() -> None:
    torch = pytest.importorskip("torch")
    from tests.benchmarks.findernet import presented

    clips = torch.randint(0, 256, (1, CLIP, 16, 24, 3), generator=torch.Generator().manual_seed(2), dtype=torch.uint8)
    clips = clips.expand(64, -1, -1, -1, -1)
    looks = torch.Generator().manual_seed(4)
    shown = presented(clips, looks, torch.full((64,), 2)).reshape(64, CLIP, 3, *presented(clips, looks).shape[2:])
    assert (shown == shown[:, :1]).all()
    # a wall one code brighter all over is told from none: looks at one picture differ by more themselves
    assert float(shown.mean(dim=(1, 2, 3, 4)).std()) > 4.0 / 255.0


@pytest.mark.sweep
def test_it_learns_what_is_there_and_nothing_from_thrown_labels() -> None:
    torch = pytest.importorskip("torch")
    from tests.benchmarks.findernet import Shelf, Training, margins, trained

    def shelf_of(numbers: range) -> Shelf:
        rows = []
        for number in numbers:
            rng = np.random.default_rng(number)
            clean = rng.integers(60, 120, (1, CLIP, 32, 32, 3), dtype=np.uint8)
            seen = clean[None].copy()
            top, left = rng.integers(4, 18, 2)
            seen[..., top : top + 10, left : left + 10, :] += 100
            rows.append((number, ("bare",), torch.from_numpy(clean), torch.from_numpy(seen)))
        return Shelf(*zip(*rows, strict=True))

    learned, kept = shelf_of(range(24)), shelf_of(range(100, 124))
    how = Training(40, 5.0, 8, 3)
    network, steps = trained(learned, how)
    assert steps == 40
    right = np.array([[still.ravel()[0], clip.ravel()[0]] for still, clip in margins(network, kept, 1)]) > 0.0
    assert right.mean() > 0.9
    thrown, _ = trained(learned, how, shuffled=True)
    sure = np.array([[still.ravel()[0], clip.ravel()[0]] for still, clip in margins(thrown, kept, 1)])
    # half of its labels say the one, half the other: it is sure of neither
    right = np.array([[still.ravel()[0], clip.ravel()[0]] for still, clip in margins(network, kept, 1)])
    assert np.abs(sure).mean() < 0.5 * np.abs(right).mean()
