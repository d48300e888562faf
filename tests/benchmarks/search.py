"""Figures of the search: ``python -m tests.benchmarks.search [--quick] [--json]``.

What a search says of its best ten against the frames of each: every one is written as a scene of its own, built anew
and told by ``score``, frame by frame. ``--quick`` takes four minutes. Beside it stands what the fast judge had said,
which leads the search and decides nothing of what is said of the best. Paint that would be solved is projected here: a
search does not solve.
"""

from __future__ import annotations

import csv
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from previz.command.search.finalists import DRAWN_PX
from previz.command.search.findings import scene_text
from previz.command.search.search import search
from previz.command.shoot.shoot import score
from previz.run.progress import Progress
from previz.scene.reader import read_scene
from previz.search.freedoms import freedoms_of
from previz.search.ledger import Row
from previz.search.objective import Outcome
from tests.benchmarks.figures import Figure, at_least, options, report
from tests.paint.causeway import causeway_set

SCENES = Path(__file__).resolve().parents[2] / "scenes"

# frames are judged as wide as the search judges them unless it is told otherwise
WIDTH = 480

# the quarry has its own
BOUNDS = {
    "seastack": '[search]\nheight = ["360 mm", "500 mm"]\nlateral = ["-420 mm", "-300 mm"]\nstand = [20, 40]\n',
    "crevasse": (
        '[search]\nheight = ["380 mm", "480 mm"]\ndistance_with_lens = ["2 m", "2.3 m"]\nwall = ["kept", "free"]\n'
    ),
    "causeway": '[search]\nheight = ["130 mm", "180 mm"]\ndistance = ["1.15 m", "1.35 m"]\nleast_reveal = "5%"\n',
}

# what search and drawn frames may differ by: points of break, frames of a hold
POINTS, FRAMES = 2.0, 1


def scene_of(name: str, folder: Path, finalists: int) -> Path:
    """The file of a set in a folder, with bounds to search within."""
    path = causeway_set(folder) if name == "causeway" else folder / f"{name}.toml"
    if name != "causeway":
        shutil.copytree(SCENES, folder, dirs_exist_ok=True)
    text = path.read_text(encoding="utf-8").replace('paint = "solved"', 'paint = "projected"')
    text += "\n" + BOUNDS.get(name, "")
    path.write_text(text.replace("[search]", f"[search]\nfinalists = {finalists}", 1), encoding="utf-8")
    return path


def compared(name: str, folder: Path, budget: int, finalists: int) -> list[dict[str, Any]]:
    """The best of a search, as the search says, as the fast judge said and as drawn frames say."""
    path = scene_of(name, folder, finalists)
    scene, out, quiet = read_scene(path), folder / "out", Progress(quiet=True)
    summary = search(path, out, WIDTH, budget, None, None, quiet).values
    fast = {one["number"]: one["by"]["fast judge"] for one in summary["drawn"]}
    with (out / "search.csv").open(encoding="utf-8", newline="") as file:
        table = [row for row in csv.DictReader(file) if not row["reason"]][:finalists]
    told = []
    for row in table:
        values = {}
        for freedom in freedoms_of(scene):
            suffix = f"_{freedom.unit}" if freedom.unit else ""
            values[freedom.name] = f"{row[freedom.name + suffix]} {freedom.unit}".strip()
        candidate = out / f"candidate-{row['rank']}.toml"
        one = Row(int(row["number"]), values, Outcome())
        candidate.write_text(scene_text(out, path, scene, one), encoding="utf-8")
        drawn = score(candidate, out / row["rank"], DRAWN_PX, None, None, quiet).values
        numbers = {
            "search": (float(row["break_station_pct"]), int(row["hold_still_frames"]), int(row["hold_frames"])),
            "drawn": (drawn["break_station_pct"], drawn["hold_still_frames"], drawn["hold_frames"]),
        }
        if one.number in fast:
            before = fast[one.number]
            numbers["fast"] = before["break_station_pct"], before["hold_still_frames"], before["hold_frames"]
        told.append({"set": name, "number": one.number, "judged_by": row["judged_by"], **numbers})
    return told


def agrees(one: Mapping[str, Any], who: str) -> bool:
    """Whether somebody's numbers are the drawn frames', as near as they have to be."""
    (a, a_still, a_film), (b, b_still, b_film) = one[who], one["drawn"]
    return abs(a - b) <= POINTS and abs(a_still - b_still) <= FRAMES and abs(a_film - b_film) <= FRAMES


def main() -> None:
    """Measure and report."""
    chosen = options(__doc__ or "")
    sets = ("causeway",) if chosen.quick else ("quarry", "seastack", "crevasse", "causeway")
    budget, finalists = (10, 2) if chosen.quick else (60, 10)
    told, figures = [], []
    for name in sets:
        with tempfile.TemporaryDirectory() as folder:
            told += compared(name, Path(folder), budget, finalists)
    for one in told:
        judges = [who for who in ("search", "drawn", "fast") if who in one]
        words = "; ".join(f"{who} {one[who][0]:.1f} %, {one[who][1]} / {one[who][2]}" for who in judges)
        figures.append(Figure(f"{one['set']} {one['number']}: at the station, still / film hold", words, ""))
    for name in sets:
        mine = [one for one in told if one["set"] == name]
        share = sum(agrees(one, "search") for one in mine) / len(mine)
        what = f"{name}: best {len(mine)} within {POINTS:g} points and {FRAMES} frame of their drawn frames"
        figures.append(at_least(what, 100.0 * share, "%", 100.0))
        before = [agrees(one, "fast") for one in mine if "fast" in one]
        figures.append(Figure(f"{name}: the fast judge alone", 100.0 * sum(before) / max(len(before), 1), "%"))
    left = ["the three demonstration sets, best ten of sixty"] if chosen.quick else []
    report("search", figures, chosen.json, left)


if __name__ == "__main__":
    main()
