"""Figures of plate and miniature: ``python -m tests.benchmarks.plate [--quick] [--json]``.

Scale and marks (``plategeometry``), the retime (``plateretime``), feet and shadow (``platefeet``), a walking
performer's feet (``platewalk``), the colour match (``platematch``), and here the animatic as a film-maker waits for it:
the whole command in a process of its own.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks import platefeet, plategeometry, platematch, plateretime, platewalk
from tests.benchmarks.figures import Figure, at_most, options, report

ROOT = Path(__file__).resolve().parents[2]
QUARRY = ROOT / "scenes" / "quarry.toml"
WIDTH_PX = 1280
LONGEST_S = 60.0

LEFT_OUT = ("animatic of the quarry", "animatic, light there already", "animatic with split and wipe")


def _seconds(folder: Path, *wishes: str) -> float:
    """How long ``previz plate`` takes for the quarry's 100 frames, two workers, from its start to its end."""
    command = [sys.executable, "-m", "previz.cli", "plate", str(QUARRY), "--out", str(folder), "--json",
               "--width", str(WIDTH_PX), "--workers", "2", *wishes]  # fmt: skip
    there = {**os.environ, "PYTHONPATH": str(ROOT)}
    start = time.perf_counter()
    subprocess.run(command, cwd=ROOT, env=there, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def animatic_figures() -> list[Figure]:
    """Seconds for the animatic in an empty folder, again in the same one, and with both other films."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "out"
        first = _seconds(folder, "--burn-in")
        again = _seconds(folder, "--burn-in")
        whole = _seconds(folder, "--burn-in", "--split", "--wipe")
    size = "100 frames at 1280 x 720, two workers"
    return [
        at_most(f"animatic of the quarry, {size}, the set's light baked first", first, "s", LONGEST_S),
        at_most(f"animatic, {size}, light there already", again, "s", LONGEST_S),
        Figure(f"animatic with split and wipe, {size}, light there already", whole, "s"),
    ]


def main() -> None:
    """Measure and print."""
    asked = options(__doc__ or "")
    figures = [
        *plategeometry.figures(asked.quick),
        *plateretime.figures(asked.quick),
        *platefeet.figures(asked.quick),
        *platewalk.figures(asked.quick),
        *platematch.figures(asked.quick),
    ]
    if not asked.quick:
        figures += animatic_figures()
    report("plate", figures, asked.json, LEFT_OUT if asked.quick else ())


if __name__ == "__main__":
    main()
