"""Labels for texels, chosen so that seams between them show least: a Markov random field made small by graph cuts.

The energy of a labelling is what each texel's label costs by itself and, at every pair of neighbours p, q of unlike
labels a, b, the seam: half the sum of the differences between what the two labels show at p and at q. That is a metric
in a and b for every pair, so each move of alpha expansion (any number of texels change to one label at once) has its
best found exactly as a minimum cut: Boykov, Veksler, Zabih, IEEE Transactions on Pattern Analysis and Machine
Intelligence 23, 1222, 2001; the graph as in Kolmogorov and Zabih, 26, 147, 2004. Cuts are SciPy's maximum flow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

Array = NDArray[np.float64]
Numbers = NDArray[np.intp]

# SciPy's flows are whole numbers of 32 bits: costs are told in so many parts, fewer where their sum would not fit
_PARTS: Final = 10_000.0
_MOST: Final = 2.0**30


@dataclass(frozen=True, eq=False)
class LabelField:
    """N texels and L labels for them.

    ``own`` (L, N) is what a label costs a texel, ``shown`` (L, N, 3) what it shows there, ``links`` (K, 2) the pairs
    of neighbours, ``seams`` the weight of a seam of full difference against ``own``. All are 0 or more.
    """

    own: NDArray[np.floating[Any]]
    shown: NDArray[np.floating[Any]]
    links: Numbers
    seams: float

    def seam(self, links: Numbers, a: NDArray[np.integer[Any]], b: NDArray[np.integer[Any]]) -> Array:
        """Cost (K,) of seams at pairs ``links`` (K, 2) whose texels have the labels ``a`` and ``b`` (K,)."""
        cost = np.zeros(len(links))
        for end in (0, 1):
            at = links[:, end]
            cost += np.abs(self.shown[a, at] - self.shown[b, at]).mean(axis=-1)
        return 0.5 * self.seams * cost

    def energy(self, label: NDArray[np.integer[Any]]) -> float:
        """Energy of the labels (N,)."""
        own = self.own[label, np.arange(len(label))].sum(dtype=np.float64)
        return float(own + self.seam(self.links, label[self.links[:, 0]], label[self.links[:, 1]]).sum())


def expanded(
    field: LabelField, label: NDArray[np.integer[Any]], node: Numbers, rounds: int = 3
) -> NDArray[np.int16]:
    """Labels (N,) of no more energy than ``label`` (N,): every label tried in turn, ``rounds`` times at most.

    Texels with one number in ``node`` (N,) keep together, and must begin with one label; those of number -1 keep the
    label that they have.
    """
    nodes = int(node.max(initial=-1)) + 1
    if nodes == 0:
        return label.astype(np.int16)
    free = node >= 0
    own = np.stack([np.bincount(node[free], cost[free], nodes) for cost in field.own])
    first = np.zeros(nodes, dtype=np.intp)
    first[node[free]] = np.flatnonzero(free)
    links = field.links[node[field.links[:, 0]] != node[field.links[:, 1]]]
    # a fixed texel stands second
    links = np.where((node[links[:, 0]] < 0)[:, None], links[:, ::-1], links)
    held = node[links[:, 1]] < 0
    inner, border = links[~held], links[held]
    now = label.astype(np.intp)
    for _ in range(rounds):
        changed = False
        for alpha in range(len(field.own)):
            alone = own[alpha] - own[now[first], np.arange(nodes)]
            moved = _moved(field, alpha, now, node, inner, border, alone)
            if moved is not None:
                now[free] = np.where(moved[node[free]], alpha, now[free])
                changed = True
        if not changed:
            break
    return now.astype(np.int16)


def _moved(
    field: LabelField, alpha: int, now: Numbers, node: Numbers, inner: Numbers, border: Numbers, own: Array
) -> NDArray[np.bool_] | None:
    """Which nodes (M,) change to ``alpha`` in the best move, None where no move gains anything.

    ``inner`` are the links between nodes, ``border`` those from a node to a fixed texel, ``own`` (M,) what the change
    costs each node by itself.
    """
    to = np.full(len(inner), alpha)
    a, b = now[inner[:, 0]], now[inner[:, 1]]
    none, second, first = field.seam(inner, a, b), field.seam(inner, a, to), field.seam(inner, to, b)
    p, q = node[inner[:, 0]], node[inner[:, 1]]
    gain = own + np.bincount(p, first - none, len(own)) - np.bincount(q, first, len(own))
    to, a, b = np.full(len(border), alpha), now[border[:, 0]], now[border[:, 1]]
    gain += np.bincount(node[border[:, 0]], field.seam(border, to, b) - field.seam(border, a, b), len(own))
    # never less than 0 but by rounding: seams are a metric
    apart = np.maximum(second + first - none, 0.0)
    moved = least_cut(gain, p, q, apart)
    # whole numbers round: a move that gains nothing is not made
    change = float(gain[moved].sum() + apart[~moved[p] & moved[q]].sum())
    return moved if change < -1e-9 else None


def least_cut(own: Array, p: Numbers, q: Numbers, apart: Array) -> NDArray[np.bool_]:
    """The choice x (M,) that makes sum(own x) + sum(apart (1 - x[p]) x[q]) least; ``apart`` (K,) is 0 or more."""
    count = len(own)
    # what a node can be moved by through its pairs, and one part more: beyond that it is decided
    most = np.bincount(p, apart, count) + np.bincount(q, apart, count)
    parts = min(_PARTS, _MOST / max(float(most.sum()) + count, 1e-9))
    limit = np.rint(most * parts) + 1.0
    pull = np.clip(np.rint(own * parts), -limit, limit)
    source, sink = count, count + 1
    every = np.arange(count)
    capacity = np.concatenate([np.rint(apart * parts), np.maximum(pull, 0.0), np.maximum(-pull, 0.0)])
    rows = np.concatenate([p, np.full(count, source), every])
    columns = np.concatenate([q, every, np.full(count, sink)])
    wanted = csr_matrix((capacity.astype(np.int32), (rows, columns)), shape=(count + 2, count + 2))
    wanted.eliminate_zeros()
    left = (wanted - maximum_flow(wanted, source, sink).flow).tocsr()
    left.data = np.maximum(left.data, 0)
    left.eliminate_zeros()
    reached = breadth_first_order(left, source, return_predecessors=False)
    chosen = np.ones(count + 2, dtype=bool)
    chosen[reached] = False
    return chosen[:count]
