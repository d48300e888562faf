"""Progress and short tables on standard error; nothing on standard output, which belongs to ``--json``."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from types import TracebackType
from typing import Any, TypeVar

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bar
from rich.table import Table

from previz.units import inches_text

Item = TypeVar("Item")


class Progress:
    """Says what is going on. Bars are drawn on a terminal only; ``quiet`` says nothing at all."""

    def __init__(self, quiet: bool = False) -> None:
        self._quiet = quiet
        self._console = Console(stderr=True, quiet=quiet)
        self._bar: Bar | None = None

    def __enter__(self) -> Progress:
        if self._console.is_terminal and not self._quiet:
            self._bar = Bar(
                TextColumn("{task.description}"),
                BarColumn(),
                MofNCompleteColumn(),
                TimeRemainingColumn(),
                TextColumn("{task.fields[note]}"),
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
        """One line."""
        self._console.print(text, markup=False, highlight=False, soft_wrap=True)

    def over(self, items: Iterable[Item], total: int, what: str) -> Iterator[Item]:
        """The items, counted as they go by."""
        if self._bar is None:
            yield from items
            self.say(f"{what}: {total}")
            return
        task = self._bar.add_task(what, total=total, note="")
        for item in items:
            yield item
            self._bar.advance(task)


def print_rows(title: str, rows: Iterable[tuple[str, str]]) -> None:
    """A table of labels and values on standard output."""
    table = Table(title=title, show_header=False, title_justify="left")
    table.add_column(overflow="fold")
    table.add_column(justify="right", overflow="fold")
    for label, value in rows:
        table.add_row(label, value)
    Console(file=sys.stdout, highlight=False).print(table)


def _percent(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f} %"


def print_summary(summary: dict[str, Any]) -> None:
    """The shot in a short table, on standard error."""
    table = Table(title=summary["title"], show_header=False, title_justify="left")
    table.add_column()
    table.add_column(justify="right")
    hold_mm = summary["hold_mm"]
    frames = summary["hold_frames"]
    range_text = f", frames {summary['hold_first']}-{summary['hold_last']}" if frames else ""
    table.add_row("holds for", f"{hold_mm:.1f} mm ({inches_text(hold_mm / 1e3)}) of rail{range_text}")
    station = f"break at the station point (frame {summary['station_frame']})"
    table.add_row(station, _percent(summary["break_station_pct"]))
    table.add_row("break inside the hold, mean", _percent(summary["break_mean_pct"]))
    worst = summary["worst_frame"]
    tells = ", ".join(summary["worst_tells"])
    where = f" (frame {worst}{': ' + tells if tells else ''})" if worst is not None else ""
    table.add_row(f"break inside the hold, worst{where}", _percent(summary["break_worst_pct"]))
    table.add_row("break at the reveal", _percent(summary["break_reveal_pct"]))
    table.add_row("drawn by", f"{summary['engine']} ({summary['driver']})")
    if summary.get("folder"):
        table.add_row("written to", summary["folder"])
    Console(stderr=True, highlight=False).print(table)
