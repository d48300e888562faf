"""Progress and short tables on standard error; nothing on standard output, which belongs to ``--json``."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from types import TracebackType
from typing import TypeVar

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bar
from rich.table import Table
from rich.text import Text

from previz.errors import printable

Item = TypeVar("Item")

# lines longer than this are hard to read, however wide the window
_WIDEST = 100


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
                TimeRemainingColumn(),
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
        if self._bar is None:
            yield from items
            self.say(f"{what}: {total}")
            return
        task = self._bar.add_task(what, total=total)
        for item in items:
            yield item
            self._bar.advance(task)

    def tally(self, total: int, what: str) -> Tally:
        """A count of ``total`` that also says how good the best so far is."""
        return Tally(self._bar, self.say, total, what)


class Tally:
    """Counts what is done of a long search, with a word about the best so far. Without a bar, a line a tenth."""

    def __init__(self, bar: Bar | None, say: Callable[[str], None], total: int, what: str) -> None:
        self._bar, self._say, self._total, self._what = bar, say, total, what
        self._task = None if bar is None else bar.add_task(what, total=total)
        self._said = 0

    def at(self, done: int, word: str) -> None:
        """So many are done; ``word`` says what the best of them is."""
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, completed=done, description=f"{self._what}, {word}")
        elif done * 10 // self._total > self._said:
            self._said = done * 10 // self._total
            self._say(f"{self._what}: {done} of {self._total}, {word}")


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
