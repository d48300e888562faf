"""What a search has found: its table, its summary, and any candidate of it as a scene file that runs."""

from __future__ import annotations

import itertools
import os
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from previz.command.search.words import words_of
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.run.output import OutputFolder
from previz.run.table import csv_text
from previz.run.workers import Opened
from previz.scene.edit import edited_text
from previz.scene.files import named_files
from previz.scene.model import Scene
from previz.scene.source import Loc
from previz.search.freedoms import changes_of, own_values, shown_values
from previz.search.ladders import Freedom
from previz.search.ledger import Row, SearchLedger
from previz.search.objective import Outcome
from previz.search.trade import Trade
from previz.units import inches_text

_UNITS = {"mm": "_mm", "deg": "_deg", "": ""}

# share of its bounds within which a value presses against an end
_PRESSES = 0.03

# rows of the table written at once
_CHUNK = 1000


def _parameters(scene: Scene, own: Mapping[str, str], values: Mapping[str, str]) -> dict[str, str]:
    """Every value of a candidate as text without its unit, by a name that has it; the scene's ``own`` for the rest."""
    out = {}
    for name, text in shown_values(scene, own, values).items():
        number, _, unit = text.partition(" ")
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
        **_parameters(scene, own, row.values),
        "hold_mm": 1e3 * found.hold if found.judged else None,
        "hold_frames": found.hold_frames if found.judged else None,
        "hold_s": found.hold_frames / float(scene.delivery.rate) if found.judged else None,
        "hold_first": found.hold_first,
        "hold_last": found.hold_last,
        "hold_still_mm": 1e3 * found.hold_still if found.judged else None,
        "hold_still_frames": found.still_frames if found.judged else None,
        "found_hold_pct": found.found_hold_pct,
        "drift_worst_deg_s": found.drift_worst_deg_s,
        "break_station_pct": found.break_station_pct,
        "break_mean_pct": found.break_mean_pct,
        "break_worst_pct": found.break_worst_pct,
        "break_reveal_pct": found.break_reveal_pct,
        "slip_px": found.slip_px if found.judged else None,
        "reveals": None if search is None or not found.judged else found.enough(search.least_reveal),
        "judged_by": ("drawn frames" if found.drawn else "fast judge") if found.judged else "",
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
    best: Row | None,
    finals: list[tuple[Row, Outcome]],
) -> dict[str, Any]:
    """What matters of a search, as ``search.json`` and ``--json`` have it.

    ``best`` is the best of those drawn, None where nothing could be judged; ``finals`` are all of them, as the fast
    judge and as their drawn frames have it.
    """
    counts = {"judged": 0, "reveals": 0}
    lost: dict[str, int] = {}
    first, own = ledger.row(0), own_values(scene)
    best = ledger.best() if best is None else best
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
        "drawn": [
            {"number": row.number, "by": {"fast judge": _numbers(row.outcome), "drawn frames": _numbers(found)}}
            for row, found in finals
        ],
        "nothing_holds": None if best is None else nothing_holds(scene, freedoms, own, best),
        "front": [{"number": n, "hold_mm": 1e3 * hold, "break_reveal_pct": reveal} for hold, reveal, n in trade.front],
    }


def _numbers(found: Outcome) -> dict[str, Any]:
    """What two judges of one candidate can be compared by."""
    return {
        "break_station_pct": found.break_station_pct,
        "break_reveal_pct": found.break_reveal_pct,
        "found_hold_pct": found.found_hold_pct,
        "hold_frames": found.hold_frames,
        "hold_still_frames": found.still_frames,
    }


def nothing_holds(scene: Scene, freedoms: list[Freedom], own: Mapping[str, str], best: Row) -> str | None:
    """Where the best candidate holds nothing: by how much it misses, and which bounds it presses against, in words."""
    found = best.outcome
    if not found.judged or found.hold_frames:
        return None
    misses = []
    at_station = found.break_station_pct or 0.0
    if at_station > HOLDS_BELOW_PCT:
        misses.append(f"at the station frame {at_station:.1f} % shows, {at_station - HOLDS_BELOW_PCT:.1f} too much")
    if found.found_hold_pct is not None:
        over = found.found_hold_pct - HOLDS_BELOW_PCT
        more = f", {over:.0f} more than may" if over > 0.0 else ""
        misses.append(f"{found.found_hold_pct:.0f} of 100 have found it by the end of the hold asked for{more}")
    values = shown_values(scene, own, best.values)
    pressed = []
    for freedom in freedoms:
        share = freedom.share_of(values[freedom.name]) if values.get(freedom.name) else 0.5
        if not freedom.choices and not _PRESSES < share < 1.0 - _PRESSES:
            end = "lowest" if share < 0.5 else "highest"
            pressed.append(f"the {end} {words_of(freedom.name)[0]}, {values[freedom.name]}")
    bounds = f"it presses against {' and '.join(pressed)}" if pressed else "it presses against no bound"
    return f"nothing that was tried holds; nearest is number {best.number}: {'; '.join([*misses, bounds])}"


def scene_text(folder: Path, scene_path: Path, scene: Scene, row: Row) -> str:
    """A candidate as the text of a scene file that lies in ``folder``."""
    own = scene_path.read_text(encoding="utf-8-sig")
    text = edited_text(own, {**changes_of(scene, row.values), **file_names(folder, scene, own)})
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


def file_names(folder: Path, scene: Scene, text: str) -> dict[Loc, Any]:
    """The files that the ``text`` of a scene names, as seen from another folder."""
    out: dict[Loc, Any] = {}
    for loc, name in named_files(tomllib.loads(text)):
        path = scene.path(Path(name))
        try:
            seen = Path(os.path.relpath(path.resolve(), folder.resolve()))
        except ValueError:
            # on another drive
            seen = path.resolve()
        out[loc] = seen.as_posix()
    return out
