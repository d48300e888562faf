"""Candidates of a contact sheet in a short table for people."""

from __future__ import annotations

from typing import Any

from rich.table import Table
from rich.text import Text

from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.run.progress import console
from previz.run.results import RunResult

_ORDER = "best first: hold mm, then hold s, then least found, then least mean break, then clearest reveal"

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
# first what they are sorted by, in this order (``better`` of previz/search/candidates.py); worst is told beside mean
_NUMBERS = (
    ("hold_mm", "hold mm", 1),
    ("hold_s", "hold s", 2),
    ("found_hold_pct", "found %", 1),
    ("break_mean_pct", "mean %", 1),
    ("break_worst_pct", "worst %", 1),
    ("break_reveal_pct", "reveal %", 1),
)


def print_candidates(result: RunResult) -> None:
    """The best candidates in a short table, and how many could not be judged."""
    rows, varied = result.values["rows"], result.values["varied"]
    columns = [("rank", "rank", 0), *(_SETTINGS[name] for name in varied), *_NUMBERS]
    if len(varied) > 2:
        # no room for what nothing is sorted by
        columns = [column for column in columns if column[0] != "break_worst_pct"]
    table = Table(box=None, pad_edge=True, padding=(0, 1), header_style="none")
    for _, head, _ in columns:
        table.add_column(Text(head), justify="right", no_wrap=True)
    judged = [row for row in rows if not row["reason"]]
    for row in judged[:_ROWS]:
        table.add_row(*(_number(row[key], decimals) for key, _, decimals in columns))
    out = console()
    out.print(Text(result.values["title"], style="bold"))
    if judged:
        out.print(table)
        out.print(Text(f"  {_ORDER}"), soft_wrap=True)
        if not any(row["hold_s"] for row in judged):
            out.print(Text(f"  {_none_holds(judged)}"), soft_wrap=True)
    if len(judged) > _ROWS:
        out.print(Text(f"  and {len(judged) - _ROWS} more"))
    lost = [row for row in rows if row["reason"]]
    if lost:
        many = "1 candidate" if len(lost) == 1 else f"{len(lost)} candidates"
        out.print(Text(f"  {many} cannot be judged; the first: {lost[0]['reason']}"), soft_wrap=True)
    out.print(Text(f"  written to {result.folder.as_posix()}"), soft_wrap=True)


def _none_holds(judged: list[dict[str, Any]]) -> str:
    """What is nearest where no candidate holds, and what to do first."""
    shows = [row for row in judged if row["break_worst_pct"] is not None]
    if not shows:
        return "none of them holds"
    least = min(shows, key=lambda row: float(row["break_worst_pct"]))
    return (
        f"none of them holds: nearest is rank {least['rank']}, {least['break_worst_pct']:.1f} % at worst over the hold "
        f"asked for where at most {HOLDS_BELOW_PCT:g} % holds; previz score with its numbers says what to change first"
    )


def _number(value: float | None, decimals: int) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"
