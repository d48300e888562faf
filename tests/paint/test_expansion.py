"""Labels by graph cuts against every labelling there is, on fields so small that all can be tried."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from previz.paint.expansion import LabelField, expanded, least_cut


def grid(rows: int, columns: int, labels: int, seed: int, seams: float = 1.0) -> LabelField:
    """A field of texels in a grid with random costs and pictures."""
    rng = np.random.default_rng(seed)
    number = np.arange(rows * columns).reshape(rows, columns)
    links = np.concatenate(
        [
            np.stack([number[:, :-1].ravel(), number[:, 1:].ravel()], axis=1),
            np.stack([number[:-1].ravel(), number[1:].ravel()], axis=1),
        ]
    )
    count = rows * columns
    return LabelField(rng.uniform(0.0, 0.5, (labels, count)), rng.uniform(0.0, 1.0, (labels, count, 3)), links, seams)


def least_of_all(field: LabelField) -> float:
    """The least energy, by trying every labelling."""
    labels, count = field.own.shape
    return min(field.energy(np.array(label)) for label in product(range(labels), repeat=count))


def test_a_cut_is_the_least_of_all_choices() -> None:
    rng = np.random.default_rng(4)
    for _ in range(20):
        own = rng.uniform(-1.0, 1.0, 8)
        p, q = rng.integers(0, 8, (2, 14))
        p, q = p[p != q], q[p != q]
        apart = rng.uniform(0.0, 0.6, len(p))

        def cost(x: np.ndarray, own=own, p=p, q=q, apart=apart) -> float:
            return float((own * x).sum() + (apart * (~x[p] & x[q])).sum())

        wanted = min(cost(np.array(x)) for x in product((False, True), repeat=8))
        # costs are told in ten thousandths, rounded: half of one for each of 22
        assert cost(least_cut(own, p, q, apart)) == pytest.approx(wanted, abs=22 * 0.5e-4)


@pytest.mark.parametrize("seed", range(6))
def test_two_labels_are_the_best_there_are(seed) -> None:
    # with two labels one expansion is the whole problem, and a minimum cut its exact answer
    field = grid(3, 4, 2, seed)
    begun = np.zeros(12, dtype=int)
    found = expanded(field, begun, np.arange(12))
    assert field.energy(found) == pytest.approx(least_of_all(field), abs=2e-3)
    assert field.energy(found) <= field.energy(begun)


@pytest.mark.parametrize("seed", range(4))
def test_three_labels_come_near_the_best(seed) -> None:
    # Boykov, Veksler, Zabih 2001 prove no more than twice the best for equal seams; in practice it is far nearer
    field = grid(2, 4, 3, seed)
    found = expanded(field, field.own.argmin(axis=0), np.arange(8), rounds=5)
    best = least_of_all(field)
    assert best - 1e-9 <= field.energy(found) <= 1.05 * best


def test_what_is_held_stays_and_groups_keep_together() -> None:
    field = grid(4, 6, 3, 9, seams=0.1)
    begun = np.full(24, 2)
    node = np.repeat(np.arange(12), 2)
    node[:6] = -1
    found = expanded(field, begun, node)
    assert (found[:6] == 2).all()
    for number in range(3, 12):
        assert len(set(found[node == number].tolist())) == 1
    assert len(set(found.tolist())) > 1
    # the held row counts as a neighbour: the best of the groups' labels, by trying all
    groups = range(3, 12)

    def energy(labels: tuple[int, ...]) -> float:
        whole = begun.copy()
        for number, label in zip(groups, labels, strict=True):
            whole[node == number] = label
        return field.energy(whole)

    best = min(energy(labels) for labels in product(range(3), repeat=9))
    assert field.energy(found) <= 1.05 * best
