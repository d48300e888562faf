"""Progress and short tables on standard error; nothing on standard output, which belongs to ``--json``."""

from __future__ import annotations

import os
import textwrap
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from types import TracebackType
from typing import TypeVar

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn
from rich.progress import Progress as Bar
from rich.table import Table
from rich.text import Text

from previz.errors import printable

Item = TypeVar("Item")

# lines longer than this are hard to read, however wide the window
_WIDEST = 100


# without a bar, what takes long says how far it is no more often than that, s
_SAID_EVERY = 30.0


class Pace:
    """How fast things go by and how long the rest of ``total`` will take, judged by all since ``done`` were there.

    ``now`` tells the time, s.
    """

    def __init__(self, total: int, done: int = 0, now: Callable[[], float] = time.monotonic) -> None:
        self._total, self._first, self._now = total, done, now
        self._begun = now()

    def words(self, done: int) -> str:
        """Rate and time left when so many are done, such as "12 a second, 3.0 min left"; nothing before any."""
        seconds = self._now() - self._begun
        new = done - self._first
        if new <= 0 or seconds <= 0.0:
            return ""
        rate = new / seconds
        told = f"{_figure(rate)} a second" if rate >= 1.0 else f"{_lasting(1.0 / rate)} each"
        left = (self._total - done) / rate
        return f"{told}, {_lasting(left)} left" if left > 0.0 else told


def _figure(value: float) -> str:
    return f"{value:.1f}" if value < 10.0 else f"{value:.0f}"


def _lasting(seconds: float) -> str:
    """A time in words, with no more than it is known to."""
    if seconds < 100.0:
        return f"{_figure(seconds)} s"
    if seconds < 100.0 * 60.0:
        return f"{_figure(seconds / 60.0)} min"
    return f"{_figure(seconds / 3600.0)} h"


class _Terminal(Console):
    """A terminal that nobody may read any more: a run goes on, and ends as it would have ended."""

    def on_broken_pipe(self) -> None:
        self.quiet = True
        with suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), 2)


def console(quiet: bool = False) -> Console:
    """The terminal that people read: standard error."""
    return _Terminal(stderr=True, quiet=quiet, highlight=False, emoji=False, markup=False)


def _shown(text: str, style: str = "") -> Text:
    return Text(printable(text), style=style)


class Progress:
    """Says what is going on. Bars are drawn on a terminal only; ``quiet`` leaves out all but what must be said."""

    def __init__(self, quiet: bool = False) -> None:
        self._quiet = quiet
        self._console = console()
        self._bar: Bar | None = None

    def __enter__(self) -> Progress:
        if self._console.is_terminal and not self._quiet:
            self._bar = Bar(
                TextColumn("{task.description}", markup=False),
                BarColumn(),
                MofNCompleteColumn(),
                TextColumn("{task.fields[pace]}", markup=False),
                console=self._console,
            )
            self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.stop()

    def say(self, text: str) -> None:
        """A line about what goes on."""
        if not self._quiet:
            self.note(text)

    def note(self, text: str) -> None:
        """Something that must be said, quiet or not; an empty text says nothing."""
        if text:
            self._console.print(_shown(text), soft_wrap=True)

    def going_on(self, done: int, total: int, what: str) -> None:
        """Say that a stopped run is continued, where it is."""
        if done:
            self.say(f"going on with a stopped run: {done} of {total} {what} are there already")

    def over(self, items: Iterable[Item], total: int, what: str) -> Iterator[Item]:
        """The items, counted as they go by."""
        pace = Pace(total)
        if self._bar is None:
            done, said = 0, time.monotonic()
            for item in items:
                yield item
                done += 1
                if done < total and time.monotonic() - said > _SAID_EVERY:
                    said = time.monotonic()
                    self.say(f"{what}: {done} of {total}, {pace.words(done)}")
            self.say(", ".join(part for part in (f"{what}: {total}", pace.words(done)) if part))
            return
        task = self._bar.add_task(what, total=total, pace="")
        for done, item in enumerate(items, 1):
            yield item
            self._bar.update(task, completed=done, pace=pace.words(done))

    def tally(self, total: int, what: str, done: int = 0) -> Tally:
        """A count of ``total`` that also says how good the best so far is; ``done`` of them are of an earlier run."""
        return Tally(self._bar, self.say, total, what, done)


class Tally:
    """Counts what is done of a long search, with a word about the best so far. Without a bar, a line a tenth."""

    def __init__(self, bar: Bar | None, say: Callable[[str], None], total: int, what: str, done: int = 0) -> None:
        self._bar, self._say, self._total, self._what = bar, say, total, what
        self._task = None if bar is None else bar.add_task(what, total=total, pace="")
        self._said = 0
        self._pace = Pace(total, done)

    def at(self, done: int, word: str) -> None:
        """So many are done; ``word`` says what the best of them is."""
        pace = self._pace.words(done)
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, completed=done, description=f"{self._what}, {word}", pace=pace)
        elif done * 10 // self._total > self._said:
            self._said = done * 10 // self._total
            self._say(f"{self._what}: {done} of {self._total}, {word}" + (f" ({pace})" if pace else ""))


def print_rows(title: str, rows: Iterable[Sequence[str]]) -> None:
    """A title and a table of labels and values, a line each where the window is not too narrow."""
    table = Table.grid(padding=(0, 2), pad_edge=True)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for label, value in rows:
        table.add_row(_shown(label), _shown(value))
    out = console()
    out.print(_shown(title, "bold"))
    out.print(table)


def print_next(text: str) -> None:
    """What comes next in the job, as the last line."""
    console().print(_shown(f"next: {text}", "dim"), soft_wrap=True)


def print_cautions(cautions: Iterable[str]) -> None:
    """Every caution once, wrapped to the window."""
    out = console()
    width = max(40, min(out.width, _WIDEST))
    for caution in dict.fromkeys(cautions):
        lines = textwrap.wrap(
            caution, width, initial_indent="caution: ", subsequent_indent=" " * 9, break_on_hyphens=False
        )
        out.print(_shown("\n".join(lines)), soft_wrap=True)
