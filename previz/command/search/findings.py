"""What a search has found: its table, its summary, and any candidate of it as a scene file that runs."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from previz.run.output import OutputFolder
from previz.run.table import csv_text
from previz.run.workers import Opened
from previz.scene.edit import edited_text
from previz.scene.model import Scene
from previz.scene.source import Loc
from previz.search.freedoms import NAMES, Freedom, changes_of, own_values
from previz.search.ledger import Row, SearchLedger
from previz.search.trade import Trade
from previz.units import inches_text

_UNITS = {"mm": "_mm", "deg": "_deg", "": ""}

# rows of the table written at once
_CHUNK = 1000


def _parameters(own: Mapping[str, str], values: Mapping[str, str]) -> dict[str, str]:
    """Every value of a candidate as text without its unit, by a name that has it; the scene's ``own`` for the rest."""
    out = {}
    for name in NAMES:
        number, _, unit = values.get(name, own[name]).partition(" ")
        out[name + _UNITS[unit or _unit(name)]] = number
    return out


def _unit(name: str) -> str:
    return "deg" if name == "rail_angle" else ""


def as_row(scene: Scene, own: Mapping[str, str], row: Row, rank: int) -> dict[str, Any]:
    """A candidate as a row of the table, in the units of its names; its values in full.

    ``own`` are the scene's own values, for what the candidate leaves as it is.
    """
    found, search = row.outcome, scene.search
    return {
        "rank": rank,
        "number": row.number,
        **_parameters(own, row.values),
        "hold_mm": 1e3 * found.hold if found.judged else None,
        "hold_frames": found.hold_frames if found.judged else None,
        "hold_s": found.hold_frames / float(scene.delivery.rate) if found.judged else None,
        "hold_first": found.hold_first,
        "hold_last": found.hold_last,
        "hold_still_mm": 1e3 * found.hold_still if found.judged else None,
        "found_hold_pct": found.found_hold_pct,
        "drift_worst_deg_s": found.drift_worst_deg_s,
        "break_station_pct": found.break_station_pct,
        "break_mean_pct": found.break_mean_pct,
        "break_worst_pct": found.break_worst_pct,
        "break_reveal_pct": found.break_reveal_pct,
        "slip_px": found.slip_px if found.judged else None,
        "reveals": None if search is None or not found.judged else found.enough(search.least_reveal),
        "reason": found.reason,
    }


def rows_of(ledger: SearchLedger, scene: Scene, trade: Trade) -> Iterator[dict[str, Any]]:
    """Rows of the table, the best first; every candidate is shown to ``trade`` as it goes by."""
    own = own_values(scene)
    for rank, row in enumerate(ledger.best_first(), start=1):
        trade.add(row)
        yield as_row(scene, own, row, rank)


def write_csv(folder: OutputFolder, rows: Iterator[dict[str, Any]]) -> None:
    """The table, a piece at a time: a search may have a million rows."""
    with folder.replacing("search.csv") as temporary, temporary.open("w", encoding="utf-8", newline="") as file:
        first = True
        while piece := list(itertools.islice(rows, _CHUNK)):
            text = csv_text(list(piece[0]), [list(row.values()) for row in piece])
            file.write(text if first else text.partition("\n")[2])
            first = False


def summary_of(
    scene: Scene,
    sha256: str,
    opened: Opened,
    size_px: tuple[int, int],
    ledger: SearchLedger,
    trade: Trade,
    freedoms: list[Freedom],
) -> dict[str, Any]:
    """What matters of a search, as ``search.json`` and ``--json`` have it."""
    counts = {"judged": 0, "reveals": 0}
    lost: dict[str, int] = {}
    best, first, own = ledger.best(), ledger.row(0), own_values(scene)
    for row in ledger.best_first():
        if not row.outcome.judged:
            short = row.outcome.reason.partition(":")[0]
            lost[short] = lost.get(short, 0) + 1
            continue
        counts["judged"] += 1
        counts["reveals"] += scene.search is not None and row.outcome.enough(scene.search.least_reveal)
    return {
        "title": scene.title,
        "scene_sha256": sha256,
        "engine": opened.engine,
        "driver": opened.driver,
        "size_px": list(size_px),
        "varied": [freedom.name for freedom in freedoms],
        "candidates": ledger.count,
        **counts,
        "not_judged": dict(sorted(lost.items())),
        "least_reveal_pct": 100.0 * (scene.search.least_reveal if scene.search else 0.0),
        "best": None if best is None else as_row(scene, own, best, 1),
        "own": None if first is None else as_row(scene, own, first, 0),
        "front": [{"number": n, "hold_mm": 1e3 * hold, "break_reveal_pct": reveal} for hold, reveal, n in trade.front],
    }


def scene_text(folder: Path, scene_path: Path, scene: Scene, row: Row) -> str:
    """A candidate as the text of a scene file that lies in ``folder``."""
    changes: dict[Loc, Any] = {**changes_of(scene, row.values), **_file_names(folder, scene)}
    text = edited_text(scene_path.read_text(encoding="utf-8-sig"), changes)
    found = row.outcome
    reveal = "not judged" if found.break_reveal_pct is None else f"{found.break_reveal_pct:.1f} % break at the reveal"
    note = (
        f"# Candidate {row.number} of a search in {scene_path.name}: holds "
        f"{found.hold_frames / float(scene.delivery.rate):.2f} s, {1e3 * found.hold:.1f} mm "
        f"({inches_text(found.hold)}) of rail, {reveal}."
    )
    # a line for editors must stay the first
    first, _, rest = text.partition("\n")
    line_end = "\r\n" if first.endswith("\r") else "\n"
    return f"{first}\n{note}{line_end}{rest}" if first.startswith("#:") else f"{note}{line_end}{text}"


def _file_names(folder: Path, scene: Scene) -> dict[Loc, Any]:
    """The files that the scene names, as seen from another folder."""
    out: dict[Loc, Any] = {}
    for table, key in (
        ("wall", "mesh"),
        ("wall", "photo"),
        ("bridge", "mesh"),
        ("bridge", "image"),
        ("plate", "figure"),
    ):
        name = getattr(getattr(scene, table), key, None)
        if name is None:
            continue
        path = scene.path(name)
        try:
            seen = Path(os.path.relpath(path.resolve(), folder.resolve()))
        except ValueError:
            # on another drive
            seen = path.resolve()
        out[table, key] = seen.as_posix()
    return out
