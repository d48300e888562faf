"""The optimiser at work on made-up costs whose least is known."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from previz.search.optimise import search

Array = np.ndarray[Any, Any]


class MadeUp:
    """Costs on a lattice, remembered; answers are refused once ``budget`` places are known."""

    def __init__(self, budget: int, middle: Array, waves: float = 2.0, steps: int = 1000) -> None:
        self.budget, self.middle, self.waves, self.steps = budget, middle, waves, steps
        self.known: dict[tuple[int, ...], float] = {}
        self.batches: list[int] = []

    def __call__(self, places: Array) -> list[float]:
        out = []
        self.batches.append(len(places))
        for place in places:
            key = tuple(int(v) for v in np.rint(place * self.steps))
            if key not in self.known:
                if len(self.known) == self.budget:
                    break
                self.known[key] = self.cost(np.array(key) / self.steps)
            out.append(self.known[key])
        return out

    def cost(self, x: Array) -> float:
        z = 10.0 * (x - self.middle)
        return float(np.sum(z * z) - self.waves * np.sum(np.cos(2.0 * np.pi * z / 3.0)))

    def left(self) -> int:
        return self.budget - len(self.known)

    def run(self, seed: int = 1) -> None:
        search(self, np.full(len(self.middle), 0.9), self.left, self.budget, seed)

    @property
    def best(self) -> Array:
        return np.array(min(self.known, key=lambda key: self.known[key])) / self.steps


def test_the_least_of_a_wavy_valley_is_found() -> None:
    """Waves of the cosine make 3 ** 4 local minima; the least is where all z are 0."""
    middle = np.array([0.37, 0.52, 0.21, 0.66])
    made_up = MadeUp(500, middle)
    made_up.run()
    assert len(made_up.known) == 500
    assert np.abs(made_up.best - middle).max() < 0.01


def test_a_least_at_the_edge_of_the_bounds() -> None:
    made_up = MadeUp(300, np.array([-0.5, 1.5]), waves=0.0)
    made_up.run()
    assert made_up.best == pytest.approx([0.0, 1.0], abs=2e-3)


def test_the_same_seed_asks_for_the_same_and_another_does_not() -> None:
    runs = [MadeUp(150, np.array([0.3, 0.6, 0.5])) for _ in range(3)]
    for made_up, seed in zip(runs, (4, 4, 5), strict=True):
        made_up.run(seed)
    assert list(runs[0].known) == list(runs[1].known)
    assert list(runs[0].known) != list(runs[2].known)


def test_a_search_of_few_places_ends_by_itself() -> None:
    made_up = MadeUp(400, np.array([0.3]), steps=9)
    made_up.run()
    assert len(made_up.known) <= 10
    assert made_up.best == pytest.approx([3 / 9])


def test_all_alike_ends_too() -> None:
    made_up = MadeUp(60, np.array([0.3, 0.3]))
    made_up.cost = lambda x: 24.0  # type: ignore[method-assign]
    made_up.run()
    assert 10 <= len(made_up.known) <= 60


def test_an_error_in_a_cost_is_not_lost() -> None:
    made_up = MadeUp(60, np.array([0.3, 0.3]))

    def fails(x: Array) -> float:
        if len(made_up.known) == 50:
            raise ZeroDivisionError
        return float(x.sum())

    made_up.cost = fails  # type: ignore[method-assign]
    with pytest.raises(ZeroDivisionError):
        made_up.run()


def test_batches_are_wide_enough_for_many_workers() -> None:
    made_up = MadeUp(300, np.full(5, 0.4))
    made_up.run()
    assert np.mean(made_up.batches) > 3.0
