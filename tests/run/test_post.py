"""Jobs and answers of any size go between the first process and its workers without waiting for each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz.run.workers import WorkerPool
from previz.stage.looking import Looker


@dataclass(frozen=True, eq=False)
class Heavy:
    """A job as large as its answer: a few megabytes each, far beyond what a pipe holds."""

    load: NDArray[np.float64]

    def done_by(self, looker: Looker) -> NDArray[np.float64]:
        return self.load + 1.0


def test_large_jobs_with_large_answers_get_through() -> None:
    count, size = 12, 400_000
    with WorkerPool(2, "sightlines") as pool:
        _ = pool.opened
        answers = list(pool.run(Heavy(np.full(size, float(k))) for k in range(count)))
    assert [float(a[0]) for a in answers] == [k + 1.0 for k in range(count)]
    assert all(len(a) == size for a in answers)
