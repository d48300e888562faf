"""The pool that a command's jobs are done in: worker processes of this machine, or those of a cluster."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager
from typing import Protocol, TypeVar

from previz.run.workers import Opened, WorkerPool
from previz.stage.looking import Job, Known
from previz.stage.prepare import ReadySet

Answer = TypeVar("Answer")


class Pool(Protocol):
    """Does jobs with one ready set. What comes out does not depend on where and by how many they are done."""

    @property
    def opened(self) -> Opened:
        """How it draws; waits until it can."""

    def load(self, ready: ReadySet) -> None:
        """Take over a set."""

    def learn(self, jobs: Iterable[Job[Known]]) -> None:
        """Have every worker know what comes of these jobs, where that is quicker than each finding it out."""

    def run(self, jobs: Iterable[Job[Answer]]) -> Iterator[Answer]:
        """Results of the jobs, in their order, as they come. An error of a job is raised when its turn comes."""


def pool_of(
    workers: int | None, engine: str | None, cluster: str | None, say: Callable[[str], None], jobs: int | None = None
) -> AbstractContextManager[Pool]:
    """A pool of so many ``workers`` here, no more than ``jobs``, or of those of the ``cluster`` at an address."""
    if cluster is None:
        return WorkerPool(workers, engine, jobs)
    from previz.run.clusterpool import ClusterPool

    return ClusterPool(cluster, engine, say)


def require_cluster(address: str) -> None:
    """Raises :class:`previz.errors.ClusterError` where no cluster with workers answers at an address."""
    from previz.run.clusterpool import ClusterPool

    with ClusterPool(address, None, lambda _: None):
        pass
