"""Work spread over worker processes, each of which holds one engine and one ready set.

Workers start (and load their libraries) while the set is still being built; the set then reaches each of them once.
Results come back in the order of the jobs, and do not depend on how many workers there are.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
import traceback
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from multiprocessing.reduction import ForkingPickler
from typing import Any, Generic, TypeVar

from previz.errors import EngineError
from previz.look.choose import Choice, choose_engine
from previz.run.sharing import Shared, received
from previz.stage.looking import Job, Known, Looker
from previz.stage.prepare import ReadySet
from previz.workshop.compiled import at_most_threads

Answer = TypeVar("Answer")


# a job of at most so many bytes is taken by the pipe to a worker even when the worker does not read
_FITS_A_PIPE = 4096

# what travels to a worker: a set to load, what others found out about it, or a job to do under its number
_LOAD, _KNOW, _DO = "load", "know", "do"


@dataclass(frozen=True)
class Opened:
    """How a pool draws: name and driver of its engine; ``message`` is one line for the user where there is a need."""

    engine: str
    driver: str
    message: str


def _opened(choice: Choice) -> Opened:
    return Opened(choice.engine.name, choice.engine.driver, choice.message)


def _work(line: Connection, engine: str | None, threads: int) -> None:
    """A worker's life: open the engine, then do what comes down the line until it is closed."""
    # Ctrl-C reaches the whole group; only the first process decides what happens then
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=end_with_parent, daemon=True).start()
    at_most_threads(threads)
    try:
        choice = choose_engine(engine)
        line.send((0, _opened(choice), None))
        looker = Looker(choice.engine)
        while True:
            order, number, what = line.recv()
            if order == _LOAD:
                looker.load(received(line))
            elif order == _KNOW:
                looker.know(what)
            else:
                line.send((number, what.done_by(looker), None))
    except (EOFError, BrokenPipeError, ConnectionResetError):
        return
    except Exception as error:
        error.add_note(traceback.format_exc())
        with contextlib.suppress(OSError):
            line.send((None, None, error))


def end_with_parent() -> None:
    """End this process as soon as the one that started it is gone, however it went and whatever is going on here."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)


@contextlib.contextmanager
def unheard_interrupts() -> Iterator[None]:
    """Hold Ctrl-C back for the moment: a process started meanwhile never hears it, and its start is not cut short."""
    heard: list[int] = []
    own = threading.current_thread() is threading.main_thread()
    before = signal.getsignal(signal.SIGINT)
    if own:
        signal.signal(signal.SIGINT, lambda number, _frame: heard.append(number))
    try:
        with _blocked_interrupts():
            yield
    finally:
        if own:
            signal.signal(signal.SIGINT, before)
    if heard:
        signal.raise_signal(signal.SIGINT)


@contextlib.contextmanager
def _blocked_interrupts() -> Iterator[None]:
    # a process inherits what the thread that starts it has blocked
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    # started on demand otherwise, and that would let Ctrl-C through again
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def default_workers() -> int:
    """As many workers as there are processors to run them on; commands take fewer where memory is short."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)


class WorkerPool:
    """A pool of ``workers`` processes that draw and judge frames, no more than there are ``jobs``; use it in ``with``.

    Make it before the set is built: its workers then start meanwhile. With one worker everything happens in this
    process.
    """

    def __init__(self, workers: int | None = None, engine: str | None = None, jobs: int | None = None) -> None:
        self.workers = default_workers() if workers is None else max(1, workers)
        if jobs is not None:
            self.workers = max(1, min(self.workers, jobs))
        self._engine = engine
        self._lines: list[Connection] = []
        self._processes: list[BaseProcess] = []
        self._own: Looker | None = None
        self._opened: Opened | None = None

    def __enter__(self) -> WorkerPool:
        if self.workers == 1:
            choice = choose_engine(self._engine)
            self._opened = _opened(choice)
            self._own = Looker(choice.engine)
            return self
        try:
            self._start()
        except BaseException:
            self._end(at_once=True)
            raise
        return self

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        # the processes fill the machine between them, and no more than that
        share = max(default_workers() // self.workers, 1)
        threads = _environment(LP_NUM_THREADS=str(share), OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
        with threads, unheard_interrupts():
            for _ in range(self.workers):
                here, there = context.Pipe()
                process = context.Process(target=_work, args=(there, self._engine, share), daemon=True)
                process.start()
                # the worker's end lives on in the worker alone, so that its death is noticed here
                there.close()
                self._lines.append(here)
                self._processes.append(process)

    def __exit__(self, kind: Any, error: Any, trace: Any) -> None:
        self._end(at_once=error is not None)

    def _end(self, at_once: bool) -> None:
        for line in self._lines:
            line.close()
        if at_once:
            for process in self._processes:
                process.terminate()
        for process in self._processes:
            process.join(timeout=5.0)
            if process.is_alive():
                process.kill()
        if self._own is not None:
            self._own.engine.close()

    @property
    def opened(self) -> Opened:
        """How this pool draws; waits until its workers have opened their engines."""
        if self._opened is None:
            found = [_received(line)[1] for line in self._lines]
            self._opened = found[0]
            other = next((o for o in found if (o.engine, o.driver) != (found[0].engine, found[0].driver)), None)
            if other is not None:
                raise EngineError(
                    f"the worker processes draw in different ways, {found[0].engine} ({found[0].driver}) and "
                    f"{other.engine} ({other.driver}); run again with --workers 1, or name one with --engine"
                )
        return self._opened

    def load(self, ready: ReadySet) -> None:
        """Hand the set to every worker."""
        # what they report first has to be read first
        _ = self.opened
        if self._own is not None:
            self._own.load(ready)
        if self._lines:
            shared = Shared(ready)
            try:
                for line, process in zip(self._lines, self._processes, strict=True):
                    with _to_a_worker(line):
                        line.send((_LOAD, 0, None))
                        shared.send(line, process.pid or 0)
            finally:
                shared.close()

    def learn(self, jobs: Iterable[Job[Known]]) -> None:
        """Do jobs, each once, whose results every worker would else work out for itself when it needs them."""
        if self._own is not None:
            return
        packed = bytes(ForkingPickler.dumps((_KNOW, 0, list(self.run(jobs)))))
        for line in self._lines:
            _send_bytes(line, packed)

    def run(self, jobs: Iterable[Job[Answer]]) -> Iterator[Answer]:
        """Results of the jobs, in their order, as they come. An error of a job is raised when its turn comes.

        Workers begin at once, before the first result is asked for.
        """
        if self._own is not None:
            own = self._own
            return (job.done_by(own) for job in jobs)
        post = _Post(self._lines, jobs)
        post.hand_out()
        return post.results()


class _Post(Generic[Answer]):
    """Hands jobs out to workers and puts what comes back in order."""

    def __init__(self, lines: Sequence[Connection], jobs: Iterable[Job[Answer]]) -> None:
        self._coming = enumerate(jobs)
        self._next: bytes | None = None
        self._waiting: dict[int, Answer] = {}
        self._busy = dict.fromkeys(lines, 0)

    def hand_out(self) -> None:
        """Give every worker what it can take."""
        # one job ahead keeps a worker busy; results far ahead of their turn would fill the memory
        for line in self._busy:
            while self._busy[line] < 2 and len(self._waiting) < 4 * len(self._busy):
                packed = self._packed()
                if packed is None:
                    return
                if self._busy[line] and len(packed) > _FITS_A_PIPE:
                    # both sides would wait for the other to read
                    break
                self._next = None
                _send_bytes(line, packed)
                self._busy[line] += 1

    def _packed(self) -> bytes | None:
        """The job that is next, as it travels; None where there is none left."""
        if self._next is None:
            following = next(self._coming, None)
            self._next = None if following is None else bytes(ForkingPickler.dumps((_DO, *following)))
        return self._next

    def results(self) -> Iterator[Answer]:
        """What comes back, in the order of the jobs."""
        due = 0
        while any(self._busy.values()):
            ready = wait([line for line in self._busy if self._busy[line]])
            for line in [line for line in self._busy if line in ready]:
                number, result = _received(line)
                self._waiting[number] = result
                self._busy[line] -= 1
            self.hand_out()
            while due in self._waiting:
                yield self._waiting.pop(due)
                due += 1
            self.hand_out()


@contextlib.contextmanager
def _to_a_worker(line: Connection) -> Iterator[None]:
    """Sending down a line: where nobody is at its end any more, what went wrong there is raised."""
    try:
        yield
    except OSError:
        _received(line)
        raise EngineError(_DIED) from None


def _send_bytes(line: Connection, message: bytes) -> None:
    with _to_a_worker(line):
        line.send_bytes(message)


def _received(line: Connection) -> tuple[int, Any]:
    try:
        number, result, error = line.recv()
    except (EOFError, OSError):
        raise EngineError(_DIED) from None
    if error is not None:
        raise error
    return number, result


_DIED = (
    "a worker process ended unexpectedly, perhaps for want of memory; run again with --workers 1, "
    "smaller frames (--width) or fewer wall.triangles"
)


@contextlib.contextmanager
def _environment(**values: str) -> Iterator[None]:
    before = {name: os.environ.get(name) for name in values}
    os.environ.update({name: value for name, value in values.items() if name not in os.environ})
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)

