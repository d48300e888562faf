"""One part of one set, from its scene to its record; and the quick run."""

from __future__ import annotations

import json
import os
import tempfile
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from previz.scene.model import Scene
from tests.benchmarks.figures import Figure, at_most
from tests.benchmarks.reality import frames
from tests.benchmarks.reality.build import built
from tests.benchmarks.reality.card import metered
from tests.benchmarks.reality.causes import priced
from tests.benchmarks.reality.guide import printed_marks
from tests.benchmarks.reality.performer import performer_of
from tests.benchmarks.reality.plate import feet_of
from tests.benchmarks.reality.record import written
from tests.benchmarks.reality.sets import DEMONSTRATIONS, QUICK, scene_of
from tests.benchmarks.reality.tracer import best_variant, threads

# parts that are not measured on every set
ONE_SET: Final[dict[str, tuple[str, ...]]] = {
    # level tops, whose corners a flat sheet can be laid on by hand
    "guide": ("quarry", "crevasse", "seeded1", "seeded2", "seeded6"),
    "plate": DEMONSTRATIONS,
    "build": ("quarry",),
}

QUICK_LEFT_OUT: Final = (
    "all sets but a small one at its station frame", "traces, drift and loss frames", "causes priced", "grey card",
    "printed marks", "plate", "as-built loop",
)  # fmt: skip

# a quick look: one frame, few paths; its noise is said
_QUICK_SAMPLES: Final = 16


@dataclass(frozen=True)
class Run:
    """A part of a set that is to be measured; what it makes is kept in ``kept``."""

    part: str
    name: str
    kept: Path
    variant: str
    samples: int
    frames: int
    stage: str | None
    builds: int
    workers: int


def run_part(run: Run) -> str:
    """Measure it, keep what was found, and say in a word how it went: an error of one set does not end the others."""
    try:
        return _measured(run)
    except Exception:
        return f"failed\n{traceback.format_exc()}"


def _measured(run: Run) -> str:
    folder = run.kept / run.name
    folder.mkdir(parents=True, exist_ok=True)
    if run.workers > 1 and run.variant.startswith("llvm"):
        threads(max((os.cpu_count() or 1) // run.workers, 1))
    if run.part == "frames":
        if run.stage in (None, "prepare") and not (folder / "ready.pickle").exists():
            frames.prepare_set(scene_of(run.name, folder), folder, run.frames)
        if run.stage in (None, "trace"):
            frames.trace_set(folder, run.variant, run.samples)
        if run.stage in (None, "judge"):
            found = frames.judge_set(folder) | {"drift": frames.flow_rows(folder)}
            written(run.kept / "found", run.part, run.name, found)
        return run.stage or "done"
    if run.part == "causes":
        written(run.kept / "found", run.part, run.name, priced(folder, run.variant, run.samples))
        return "done"
    if run.part == "build":
        return _builds(run, folder)
    measure = {"card": metered, "guide": printed_marks, "plate": _plate}[run.part]
    found = measure(scene_of(run.name, folder), folder, run.variant, run.samples)
    written(run.kept / "found", run.part, run.name, found)
    return "done"


def _plate(scene: Scene, folder: Path, variant: str, samples: int) -> dict[str, Any]:
    """Feet, and the performer as a card."""
    return feet_of(scene, folder, variant, samples) | performer_of(scene, folder, variant, samples)


def _builds(run: Run, folder: Path) -> str:
    """Builds by number, each kept by itself as soon as it is there: those of another run are gone on with."""
    found = []
    for number in range(run.builds):
        kept = folder / f"build{number}.json"
        if not kept.exists():
            one = built(folder / f"build{number}", run.variant, run.samples, number)
            kept.write_text(json.dumps(one), encoding="utf-8")
        found.append(json.loads(kept.read_text(encoding="utf-8")))
        written(run.kept / "found", run.part, run.name, {"builds": found})
    return "done"


def quick_figures() -> list[Figure]:
    """One small set at its station frame: colours, masks and break."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        frames.prepare_set(scene_of(QUICK, folder), folder, 1)
        frames.trace_set(folder, best_variant(), _QUICK_SAMPLES, sharp=False)
        row = frames.judge_set(folder)["frames"][0]
    apart = abs(row["own"]["break"] - row["traced"]["break"])
    return [
        at_most("one frame: bridge dE00, grain and noise averaged away", row["bridge_de_smooth"], "", 1.0),
        Figure("one frame: bridge dE00 with the noise of few paths, mean", row["bridge_de"], ""),
        Figure("one frame: masks differ by", row["mask_pct"], "%"),
        Figure("one frame: shadow, mean difference", row["shadow"], "of the light"),
        # no target: what noise so few paths leave counts as break
        Figure("one frame: break, tool against path tracer", apart, "points"),
        Figure("one frame: noise of the mean near the outline", row["noise_code"], "codes"),
    ]
