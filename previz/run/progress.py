"""Progress and short tables on standard error; nothing on standard output, which belongs to ``--json``."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from types import TracebackType
from typing import Any, TypeVar

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bar
from rich.table import Table
from rich.text import Text

from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.units import inches_text

Item = TypeVar("Item")

# lines longer than this are hard to read, however wide the window
_WIDEST = 100

# rows of a sheet's table that are printed; the file has them all
_ROWS = 10

# columns of a sheet's table: key of the row, head, decimals
_SETTINGS = {
    "height": ("height_mm", "height mm", 0),
    "tilt": ("tilt_deg", "tilt deg", 1),
    "distance": ("distance_mm", "distance mm", 0),
    "lens": ("lens_mm", "lens mm", 1),
    "lateral": ("lateral_mm", "lateral mm", 0),
}
_NUMBERS = (("hold_mm", "hold mm", 1), ("break_worst_pct", "worst %", 1), ("break_reveal_pct", "reveal %", 1))


def _console(quiet: bool = False) -> Console:
    return Console(stderr=True, quiet=quiet, highlight=False, emoji=False, markup=False)


class Progress:
    """Says what is going on. Bars are drawn on a terminal only; ``quiet`` leaves out all but what must be said."""

    def __init__(self, quiet: bool = False) -> None:
        self._quiet = quiet
        self._console = _console()
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
            self._console.print(Text(text), soft_wrap=True)

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
        table.add_row(Text(label), Text(value))
    console = _console()
    console.print(Text(title, style="bold"))
    console.print(table)


def print_cautions(cautions: Iterable[str]) -> None:
    """Every caution once, wrapped to the window."""
    console = _console()
    width = max(40, min(console.width, _WIDEST))
    for caution in dict.fromkeys(cautions):
        lines = textwrap.wrap(
            caution, width, initial_indent="caution: ", subsequent_indent=" " * 9, break_on_hyphens=False
        )
        console.print(Text("\n".join(lines)), soft_wrap=True)


def _percent(value: float | None) -> str:
    return "not judged" if value is None else f"{value:.1f} %"


def _frames(first: int, last: int) -> str:
    return f"frame {first}" if first == last else f"frames {first} to {last}"


def verdict(summary: dict[str, Any]) -> str:
    """What matters, in a few words."""
    first, last = summary["hold_wanted"]
    if summary["break_station_pct"] is None:
        return f"cannot be told: the station frame {summary['station_frame']} cannot be judged"
    if summary["hold_first"] is None:
        return f"no: the bridge shows already at the station frame {summary['station_frame']}"
    if summary["hold_first"] <= first and last <= summary["hold_last"]:
        return "yes, over all of the hold asked for"
    return "not over all of the hold asked for"


def print_summary(summary: dict[str, Any], folder: str) -> None:
    """The shot in a short table."""
    hold_mm, frames = summary["hold_mm"], summary["hold_frames"]
    held = f"{hold_mm:.1f} mm ({inches_text(hold_mm / 1e3)}) of rail"
    if frames:
        held = f"{_frames(summary['hold_first'], summary['hold_last'])}, {held}"
    worst = _percent(summary["break_worst_pct"])
    if summary["worst_frame"] is not None:
        worst += f" at frame {summary['worst_frame']}"
        if summary["worst_tells"]:
            worst += f", told by {', '.join(summary['worst_tells'])}"
    rows = [
        ("hidden", verdict(summary)),
        ("hold asked for", _frames(*summary["hold_wanted"])),
        (f"holds (to {HOLDS_BELOW_PCT:g} %)", held if frames else "not at all"),
        ("break at station", f"{_percent(summary['break_station_pct'])} at frame {summary['station_frame']}"),
        ("break in the hold", f"{_percent(summary['break_mean_pct'])} in the mean"),
        ("worst in the hold", worst),
    ]
    if summary["reveal_frame"] is not None:
        reveal = f"{_percent(summary['break_reveal_pct'])} at frame {summary['reveal_frame']}"
        rows.append(("break at the reveal", reveal))
    rows += [("drawn by", f"{summary['engine']}, {summary['driver']}"), ("written to", folder)]
    print_rows(summary["title"], rows)


def print_candidates(title: str, rows: Sequence[dict[str, Any]], varied: Sequence[str], folder: str) -> None:
    """The best candidates in a short table, and how many could not be judged."""
    columns = [("rank", "rank", 0), *(_SETTINGS[name] for name in varied), *_NUMBERS]
    table = Table(box=None, pad_edge=True, padding=(0, 1), header_style="none")
    for _, head, _ in columns:
        table.add_column(Text(head), justify="right", no_wrap=True)
    judged = [row for row in rows if not row["reason"]]
    for row in judged[:_ROWS]:
        table.add_row(*(_number(row[key], decimals) for key, _, decimals in columns))
    console = _console()
    console.print(Text(title, style="bold"))
    if judged:
        console.print(table)
    if len(judged) > _ROWS:
        console.print(Text(f"  and {len(judged) - _ROWS} more"))
    lost = [row for row in rows if row["reason"]]
    if lost:
        many = "1 candidate" if len(lost) == 1 else f"{len(lost)} candidates"
        console.print(Text(f"  {many} cannot be judged; the first: {lost[0]['reason']}"), soft_wrap=True)
    console.print(Text(f"  written to {folder}"), soft_wrap=True)


def _number(value: float | None, decimals: int) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"
