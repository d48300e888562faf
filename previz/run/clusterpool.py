"""Work spread over the worker processes of a cluster, as :class:`WorkerPool` spreads it at home.

Which worker does what is decided here: a few jobs at a time go to each, by its address, and what a worker had when it
died goes to another. Results come back in the order of the jobs and are the same bytes as at home: every worker runs
the same version of everything that counts and draws in the same way, or is refused.
"""

from __future__ import annotations

import contextlib
import hashlib
import heapq
import os
import pickle
import queue
import time
import uuid
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final, Generic, TypeVar

from previz.errors import ClusterError, EngineError
from previz.look.choose import VARIABLE
from previz.run import clusterwork
from previz.run.clusterline import ANSWER_S, ClusterLine, first_line, require_same
from previz.run.clusterwork import JobDone, JobFailed, SetLacking, WorkerReport
from previz.run.ledger import file_sha256, files_named
from previz.run.workers import Opened
from previz.stage.looking import Job, Known
from previz.stage.prepare import ReadySet

Answer = TypeVar("Answer")

# s that a cluster without workers is given to get one: when a run begins, and when it has lost them all
FIRST_WORKERS_S: Final = 10.0
WORKERS_S: Final = 60.0

# s between looks at which workers are there
_LOOK_S: Final = 1.0

# jobs that a worker has at once: the next is there when one is done
_AHEAD: Final = 2

# workers that may die under one job before it is the job's doing, and times that a set may be lost on its way
_MOST_DEATHS: Final = 4
_MOST_SETS_LOST: Final = 8


@dataclass(eq=False)
class _Hand:
    """A worker: whether it was looked at, the set that it has, what it was asked for."""

    address: str
    trusted: bool = False
    holds: str = ""
    loading: Any = None
    reporting: Any = None
    busy: dict[int, Any] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class _News:
    """Something that was asked of a worker has come to an end: a job by its number, or what comes before jobs."""

    hand: _Hand
    number: int
    future: Any


# numbers of what is no job
_REPORT, _LOAD = -1, -2


class ClusterPool:
    """The workers of the cluster at ``address`` ("tcp://host:port"), drawing with ``engine``; use it in ``with``.

    ``say`` is told which workers come and go. Raises :class:`ClusterError` where nobody answers, where there are no
    workers, where they run another version, and where the cluster goes away.
    """

    def __init__(self, address: str, engine: str | None, say: Callable[[str], None]) -> None:
        self._line, self._say = ClusterLine(address), say
        self._engine = engine or os.environ.get(VARIABLE) or None
        self._run = uuid.uuid4().hex
        self._hands: dict[str, _Hand] = {}
        # workers that are of no use, and were said to be
        self._refused: set[str] = set()
        self._news: queue.SimpleQueue[_News] = queue.SimpleQueue()
        self._opened: Opened | None = None
        self._looked = 0.0
        # since when there has been no worker
        self._alone: float | None = None
        self._key, self._packed, self._files = "", b"", dict[str, str]()
        self._scattered: Any = None
        self._sets_lost = 0
        self._course: _Course[Any] | None = None

    def __enter__(self) -> ClusterPool:
        self._line.connect()
        try:
            self._await_workers()
        except BaseException:
            self._line.close()
            raise
        count = len(self._hands)
        self._say(f"cluster {self._line.address}: {count} worker{'' if count == 1 else 's'}")
        return self

    def __exit__(self, kind: Any, error: Any, trace: Any) -> None:
        if self._course is not None:
            self._course.over = True
        if error is None:
            self._line.tell(list(self._hands), clusterwork.leave, self._run)
        self._line.close()

    def _await_workers(self) -> None:
        until = time.monotonic() + FIRST_WORKERS_S
        self._look_round()
        while not self._hands:
            if time.monotonic() > until:
                raise ClusterError(
                    f"the cluster at {self._line.address} has no workers; start some by: {self._line.worker_command}"
                )
            time.sleep(0.2)
            self._look_round()

    @property
    def opened(self) -> Opened:
        """How the cluster draws; waits until its workers have opened their engines."""
        while self._opened is None or any(hand.reporting is not None for hand in self._hands.values()):
            self._turn()
        return self._opened

    def load(self, ready: ReadySet) -> None:
        """Hand the set to every worker, and to each that comes later: once, known by its content."""
        packed = pickle.dumps(ready, protocol=5)
        self._drop_scattered()
        self._key, self._packed = hashlib.sha256(packed).hexdigest(), packed
        # as they were when the set was built from them
        files = files_named(ready.scene).values()
        self._files = {path.as_posix(): file_sha256(path) for path in files}
        self._sets_lost = 0
        self._equip()

    def learn(self, jobs: Iterable[Job[Known]]) -> None:
        """Nothing: who comes later would have to be told as well. Every worker finds it out when it needs it."""

    def run(self, jobs: Iterable[Job[Answer]]) -> Iterator[Answer]:
        """Results of the jobs, in their order, as they come. An error of a job is raised when its turn comes.

        Workers begin at once, before the first result is asked for. Only one run goes on at a time.
        """
        if self._course is not None:
            self._course.over = True
            for hand in self._hands.values():
                _drop(hand.busy.values())
                hand.busy.clear()
        course = _Course(jobs)
        self._course = course
        self._hand_out()
        return self._results(course)

    def _results(self, course: _Course[Answer]) -> Iterator[Answer]:
        while not course.over:
            while course.due in course.answers:
                yield course.taken()
            if not course.unfinished():
                return
            self._turn()

    def _turn(self) -> None:
        """Wait a moment for news, act on it, and see who is there."""
        with contextlib.suppress(queue.Empty):
            self._heard(self._news.get(timeout=_LOOK_S))
            while True:
                self._heard(self._news.get_nowait())
        if time.monotonic() - self._looked > _LOOK_S:
            self._look_round()
        self._equip()
        self._hand_out()

    def _look_round(self) -> None:
        """See which workers are there: new ones are asked what they are, what those had that are gone is done again."""
        there = self._line.workers()
        self._looked = time.monotonic()
        for address in [address for address in self._hands if address not in there]:
            self._gone(self._hands.pop(address))
        self._refused &= set(there)
        for address in there:
            if address not in self._hands and address not in self._refused:
                hand = self._hands[address] = _Hand(address)
                hand.reporting = self._post(hand, _REPORT, clusterwork.report, self._run, self._engine)
        if self._hands:
            self._alone = None
        elif self._alone is None:
            self._alone = self._looked
        elif self._looked - self._alone > WORKERS_S:
            raise ClusterError(
                f"the last worker of the cluster at {self._line.address} is gone, and no other has come for "
                f"{WORKERS_S:.0f} s; start some by: {self._line.worker_command}, and give the same command again"
            )

    def _gone(self, hand: _Hand) -> None:
        self._say(f"worker {hand.address} is gone; what it had is done again elsewhere")
        _drop([f for f in (hand.reporting, hand.loading, *hand.busy.values()) if f is not None])
        # it may have been the one that others were to have the set from
        self._drop_scattered()
        for number in hand.busy:
            self._lost(number)

    def _lost(self, number: int) -> None:
        course = self._course
        if course is None:
            return
        if course.lost(number) > _MOST_DEATHS:
            raise ClusterError(
                f"{_MOST_DEATHS + 1} workers of the cluster ended under one and the same job, perhaps for want of "
                "memory; give each worker more of it, or ask for smaller frames (--width) or fewer wall.triangles"
            )

    def _drop_scattered(self) -> None:
        """Forget the set as it is on its way; those that were still to load it are sent it anew."""
        for hand in self._hands.values():
            if hand.loading is not None:
                _drop([hand.loading])
                hand.loading = None
        self._scattered = None

    def _equip(self) -> None:
        """Have every worker load the set that it lacks. It is sent once; workers then have it from one another."""
        lacking = [h for h in self._hands.values() if h.trusted and h.holds != self._key and self._key]
        if not lacking:
            # there is no need to keep it twice
            self._scattered = None
            return
        for hand in lacking:
            if hand.loading is not None:
                continue
            if self._scattered is None:
                self._scattered = self._line.scattered(self._packed, hand.address)
                if self._scattered is None:
                    # whoever was to take it is gone
                    self._set_lost()
                    self._looked = 0.0
                    return
            how = (self._engine, self._key, self._scattered, self._files)
            hand.loading = self._post(hand, _LOAD, clusterwork.load, self._run, *how)

    def _set_lost(self) -> None:
        self._sets_lost += 1
        if self._sets_lost > _MOST_SETS_LOST:
            raise ClusterError(
                f"the set does not reach the workers of the cluster at {self._line.address}: they go away while they "
                "load it, perhaps for want of memory; give each worker more of it"
            )
        self._drop_scattered()

    def _hand_out(self) -> None:
        """Give every worker what it can take, each one job before any has two."""
        course = self._course
        if course is None or course.over:
            return
        able = [hand for hand in self._hands.values() if hand.trusted and hand.holds == self._key]
        for depth in range(1, _AHEAD + 1):
            for hand in able:
                if len(hand.busy) >= depth:
                    continue
                # results far ahead of their turn would fill the memory
                number = course.next_number(2 * _AHEAD * len(able))
                if number is None:
                    return
                hand.busy[number] = self._post(
                    hand, number, clusterwork.do, self._engine, self._key, course.packed[number]
                )

    def _post(self, hand: _Hand, number: int, what: Callable[..., Any], *how: Any) -> Any:
        """Ask something of one worker; what comes of it is heard in ``_heard``."""
        future = self._line.submit(hand.address, what, *how)
        news = self._news
        future.add_done_callback(lambda done: news.put(_News(hand, number, done)))
        return future

    def _heard(self, news: _News) -> None:
        hand, number = news.hand, news.number
        asked: Any = {_REPORT: hand.reporting, _LOAD: hand.loading}.get(number, hand.busy.get(number))
        if self._hands.get(hand.address) is not hand or asked is not news.future:
            return
        try:
            answer = news.future.result(timeout=ANSWER_S)
        except Exception as error:
            answer = error
        if number == _REPORT:
            hand.reporting = None
            self._reported(hand, answer)
        elif number == _LOAD:
            hand.loading = None
            if isinstance(answer, JobFailed):
                raise answer.error
            if isinstance(answer, JobDone):
                hand.holds = self._key
            else:
                self._set_lost()
        else:
            del hand.busy[number]
            self._answered(hand, number, answer)

    def _answered(self, hand: _Hand, number: int, answer: Any) -> None:
        course = self._course
        if course is None:
            return
        if isinstance(answer, JobDone | JobFailed):
            course.take(number, answer)
            if isinstance(answer, JobFailed):
                hand.holds = ""
        elif isinstance(answer, SetLacking):
            hand.holds = ""
            course.back(number)
        else:
            self._looked = 0.0
            self._lost(number)

    def _reported(self, hand: _Hand, answer: Any) -> None:
        """Take a worker on that is and draws as the others do."""
        if isinstance(answer, JobFailed):
            self._refuse(hand, ClusterError(f"the worker {hand.address} cannot draw: {answer.error}"))
        elif not isinstance(answer, JobDone):
            # gone before it could say what it is, or without this program
            if isinstance(answer, ImportError | AttributeError):
                found = f"the worker {hand.address} cannot load previz ({first_line(answer)})"
                self._refuse(hand, ClusterError(f"{found}; install it there as it is here"))
            else:
                del self._hands[hand.address]
                self._looked = 0.0
        else:
            self._taken_on(hand, answer.answer)

    def _taken_on(self, hand: _Hand, report: WorkerReport) -> None:
        try:
            require_same(f"the worker {hand.address}", report.versions, clusterwork.versions())
            if self._opened is None:
                self._opened = report.opened
            own, other = self._opened, report.opened
            if (own.engine, own.driver) != (other.engine, other.driver):
                raise EngineError(
                    f"the workers of the cluster draw in different ways, {own.engine} ({own.driver}) and "
                    f"{other.engine} ({other.driver}, {hand.address}); start workers that draw alike, or name one with "
                    "--engine"
                )
        except (ClusterError, EngineError) as error:
            self._refuse(hand, error)
        else:
            hand.trusted = True

    def _refuse(self, hand: _Hand, error: ClusterError | EngineError) -> None:
        """A worker of another kind ends a run that begins, and is left alone by one that goes on."""
        if self._course is None:
            raise error
        del self._hands[hand.address]
        self._refused.add(hand.address)
        self._say(f"{error}; it is left out")


class _Course(Generic[Answer]):
    """Jobs on their way: what was handed out, what came back, and what is to be done again."""

    def __init__(self, jobs: Iterable[Job[Answer]]) -> None:
        self._coming = enumerate(jobs)
        self._ended = False
        self._again: list[int] = []
        self._losses: dict[int, int] = {}
        self.packed: dict[int, bytes] = {}
        self.answers: dict[int, JobDone | JobFailed] = {}
        self.due = 0
        self.over = False

    def next_number(self, most_ahead: int) -> int | None:
        """The job that is to be done next, first those again; no new one while so many answers wait for their turn."""
        if self._again:
            return heapq.heappop(self._again)
        if self._ended or len(self.answers) >= most_ahead:
            return None
        following = next(self._coming, None)
        if following is None:
            self._ended = True
            return None
        number, job = following
        self.packed[number] = pickle.dumps(job, protocol=5)
        return number

    def take(self, number: int, answer: JobDone | JobFailed) -> None:
        """What came of a job."""
        if self.packed.pop(number, None) is not None:
            self.answers[number] = answer

    def back(self, number: int) -> None:
        """A job is to be done by another, or by the same when it can."""
        heapq.heappush(self._again, number)

    def lost(self, number: int) -> int:
        """A job's worker is gone: it is done again. How often that was so."""
        self.back(number)
        self._losses[number] = self._losses.get(number, 0) + 1
        return self._losses[number]

    def taken(self) -> Answer:
        """The answer that is due."""
        answer = self.answers.pop(self.due)
        self.due += 1
        if isinstance(answer, JobFailed):
            self.over = True
            raise answer.error
        given: Answer = answer.answer
        return given

    def unfinished(self) -> bool:
        """Whether there is a job whose answer has not been given."""
        return bool(self.packed) or bool(self.answers) or not self._ended


def _drop(futures: Iterable[Any]) -> None:
    for future in futures:
        with contextlib.suppress(Exception):
            future.cancel()
