"""Global, then local: SciPy's differential evolution over the whole of the bounds, then its Nelder-Mead from the best.

Storn and Price, "Differential Evolution", Journal of Global Optimization 11, 341-359, 1997; Nelder and Mead, "A Simplex
Method for Function Minimization", The Computer Journal 7, 308-313, 1965. What is asked for comes in batches, each
batch fixed by the answers to those before it: however many of a batch are worked on at once, the search is the same.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import differential_evolution, minimize
from scipy.stats import qmc

Array = NDArray[np.float64]

# costs (N,) of places (N, D), each 0 to 1; a shorter answer says that the budget is spent
Costs = Callable[[Array], Sequence[float]]

# share of the budget for the global stage
_GLOBAL_SHARE = 0.7

# places that the local stage starts from, side by side
_STARTS = 4

# side of a local start's simplex, as a share of the bounds
_SIMPLEX = 0.06

# after so many batches without a place that is new, there is nothing more to find in this way
_MOST_IDLE = 60

# members of a generation for each thing that may change, and their fewest and most
_MEMBERS, _FEWEST, _MOST = 5, 15, 80


class _SpentError(Exception):
    """The budget is spent."""


@dataclass
class _Best:
    """The best places so far, no two closer than half a simplex."""

    kept: list[tuple[float, tuple[float, ...]]] = field(default_factory=list)

    def add(self, cost: float, place: Array) -> None:
        near = [k for k in self.kept if np.abs(np.array(k[1]) - place).max() < 0.5 * _SIMPLEX]
        if any(k[0] <= cost for k in near):
            return
        self.kept = sorted([k for k in self.kept if k not in near] + [(cost, tuple(float(v) for v in place))])[:_STARTS]


def search(costs: Costs, own: Array, left: Callable[[], int], budget: int, seed: int) -> None:
    """Search 0 to 1 in D directions for small costs.

    ``own`` (D,) is a place to begin with, ``left`` tells how much of the ``budget`` is left: places that were asked
    for before cost nothing. What was found is whatever ``costs`` remembers.
    """
    best = _Best()
    local = int(budget * (1.0 - _GLOBAL_SHARE))

    idle = 0

    def ask(places: Array) -> list[float]:
        nonlocal idle
        before = left()
        answers = list(costs(places))
        idle = idle + 1 if left() == before else 0
        for cost, place in zip(answers, places, strict=False):
            best.add(cost, place)
        if len(answers) < len(places) or idle > _MOST_IDLE:
            raise _SpentError
        return answers

    def ask_globally(places: Array) -> list[float]:
        if left() <= local:
            raise _SpentError
        return ask(places)

    with contextlib.suppress(_SpentError):
        _globally(ask_globally, own, seed)
    while left() > 0 and best.kept:
        before, idle = left(), 0
        with contextlib.suppress(_SpentError):
            _locally(ask, [np.array(place) for _, place in best.kept])
        if left() == before:
            # every place around the best is known: look farther off
            idle = 0
            with contextlib.suppress(_SpentError):
                _globally(ask, np.array(best.kept[0][1]), seed + before)
            if left() == before:
                return


def _globally(ask: Callable[[Array], list[float]], own: Array, seed: int) -> None:
    count = min(max(_MEMBERS * len(own), _FEWEST), _MOST)
    first = qmc.LatinHypercube(len(own), seed=np.random.default_rng(seed)).random(count)
    first[0] = own

    def batch(_: Any, places: Iterable[Array]) -> list[float]:
        return ask(np.array(list(places)))

    differential_evolution(
        lambda _: 0.0,
        [(0.0, 1.0)] * len(own),
        init=first,
        maxiter=1_000_000,
        tol=1e-4,
        recombination=0.9,
        seed=np.random.default_rng(seed + 1),
        polish=False,
        updating="deferred",
        workers=batch,
    )


def _locally(ask: Callable[[Array], list[float]], starts: list[Array]) -> None:
    """Nelder-Mead from every start, all in step: each asks for one place, and all are answered together."""
    asked: list[queue.Queue[Array | None]] = [queue.Queue() for _ in starts]
    answered: list[queue.Queue[float | None]] = [queue.Queue() for _ in starts]
    failed: list[BaseException] = []

    def one(number: int) -> None:
        def cost(place: Array) -> float:
            asked[number].put(np.array(place))
            answer = answered[number].get()
            if answer is None:
                raise _SpentError
            return answer

        start = starts[number]
        steps = np.where(start > 0.5, -_SIMPLEX, _SIMPLEX)
        simplex = np.concatenate([start[None], start + np.diag(steps)])
        try:
            minimize(
                cost,
                start,
                method="Nelder-Mead",
                bounds=[(0.0, 1.0)] * len(start),
                options={"initial_simplex": simplex, "xatol": 1e-3, "fatol": 1e-5, "adaptive": True},
            )
        except _SpentError:
            pass
        except BaseException as error:
            failed.append(error)
        finally:
            asked[number].put(None)

    threads = [threading.Thread(target=one, args=(n,), daemon=True) for n in range(len(starts))]
    for thread in threads:
        thread.start()
    at_work = list(range(len(starts)))
    try:
        while at_work:
            wanted = {n: asked[n].get() for n in at_work}
            at_work = [n for n in at_work if wanted[n] is not None]
            if at_work:
                answers = ask(np.array([wanted[n] for n in at_work]))
                for n, answer in zip(at_work, answers, strict=True):
                    answered[n].put(answer)
    finally:
        for n in range(len(starts)):
            answered[n].put(None)
        for thread in threads:
            thread.join()
    if failed:
        raise failed[0]
