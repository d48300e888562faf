"""What was measured, kept as JSON, one file a set and part; figures and README's table are made of them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from tests.benchmarks.figures import Figure, at_least, at_most
from tests.benchmarks.reality.sets import DEMONSTRATIONS, NAMES, about

RECORDED: Final = Path(__file__).resolve().parents[1] / "recorded" / "reality"

# one set's doings: frames and what they lose for want of this and that; of one set alone: the rest
PARTS: Final = ("frames", "causes", "card", "guide", "plate", "build")

Record = dict[str, Any]


def written(folder: Path, part: str, name: str, found: Record) -> Path:
    """Keep what was found of a set, numbers to five digits."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{part}-{name}.json"
    path.write_text(json.dumps(_short(found), indent=1) + "\n", encoding="utf-8")
    return path


def _short(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _short(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_short(one) for one in value]
    if isinstance(value, (float, np.floating)):
        return float(f"{float(value):.5g}")
    return int(value) if isinstance(value, np.integer) else value


def read(folder: Path, part: str) -> dict[str, Record]:
    """What was found of all sets in a part, by name, in the order of the sets."""
    found = {}
    for name in NAMES:
        path = folder / f"{part}-{name}.json"
        if path.exists():
            found[name] = json.loads(path.read_text(encoding="utf-8"))
    return found


def figures_of(folder: Path) -> list[Figure]:
    """All figures that what is kept allows."""
    return [
        *_frame_figures(read(folder, "frames")),
        *_cause_figures(read(folder, "causes")),
        *_card_figures(read(folder, "card")),
        *_guide_figures(read(folder, "guide")),
        *_plate_figures(read(folder, "plate")),
        *_build_figures(read(folder, "build")),
    ]


def rows_of(found: Mapping[str, Record]) -> list[Record]:
    """Frames of all sets."""
    return [row | {"set": name} for name, record in found.items() for row in record["frames"]]


def _frame_figures(found: Mapping[str, Record]) -> list[Figure]:
    rows = rows_of(found)
    if not rows:
        return []
    out = [
        Figure("sets, and frames of them, against the path tracer", f"{len(found)}, {len(rows)}", ""),
        at_most("bridge dE00, mean, worst set", max(_mean(r["frames"], "bridge_de") for r in found.values()), "", 1.0),
        at_most(
            "bridge dE00, 95th percentile, worst set", max(_mean(r["frames"], "bridge_de95") for r in found.values()),
            "", 2.5,
        ),
        Figure("outline band dE00, mean", _mean(rows, "band_de"), ""),
        Figure("clean wall dE00, mean", _mean(rows, "wall_de"), ""),
        Figure("masks differ by, mean", _mean(rows, "mask_pct"), "%"),
        Figure("shadow beside the bridge, mean difference", _mean(rows, "shadow"), "of the light"),
        at_most("noise of the mean near the outline, worst frame", max(r["noise_code"] for r in rows), "codes", 0.5),
    ]  # fmt: skip
    apart = shown_apart(rows)
    out.append(at_least("frames whose break and trace lie within 3 points", _share(apart, 3.0), "%", 95.0))
    out.append(Figure("largest difference of break or trace", float(max(apart)), "points"))
    losses = [
        abs(r["loss"][f"own {kind}"] - r["loss"][f"traced {kind}"])
        for r in found.values()
        for kind in ("still", "film")
    ]
    out.append(at_least("loss frames, still and film, within 1 frame", _share(losses, 1), "%", 90.0))
    out.append(at_most("loss frame, largest difference", max(losses), "frames", 2))
    drifts = [d for r in found.values() for d in r.get("drift", ())]
    if drifts:
        out.append(Figure("drift by flow less the tool's, mean", float(np.mean([d["flow"] - d["own"] for d in drifts])),
                          "deg/s"))  # fmt: skip
    return out


def shown_apart(rows: Iterable[Record]) -> list[float]:
    """Points by which break or trace of each frame differ, whichever do more."""
    return [
        max(abs((row["own"][what] or 0.0) - (row["traced"][what] or 0.0)) for what in ("break", "trace"))
        for row in rows
    ]


def _share(values: Sequence[float], limit: float) -> float:
    return 100.0 * float(np.mean([value <= limit for value in values]))


def _mean(rows: Iterable[Record], name: str) -> float:
    return float(np.mean([row[name] for row in rows]))


def _cause_figures(found: Mapping[str, Record]) -> list[Figure]:
    out: dict[str, list[float]] = {}
    for record in found.values():
        for cause, points in record["causes"].items():
            out.setdefault(cause, []).append(points)
    return [Figure(f"break priced: {cause}, mean of {len(p)} frames", float(np.mean(p)), "points")
            for cause, p in out.items()]  # fmt: skip


def _card_figures(found: Mapping[str, Record]) -> list[Figure]:
    stops = [abs(record["stops"]) for record in found.values()]
    return [at_most("grey card against the card's stop, worst set", max(stops), "stops", 0.15)] if stops else []


def _guide_figures(found: Mapping[str, Record]) -> list[Figure]:
    off = [mark["off_mm"] for record in found.values() for mark in record["marks"]]
    return [at_most("printed mark against where it must be, worst", max(off), "mm", 0.2)] if off else []


def _plate_figures(found: Mapping[str, Record]) -> list[Figure]:
    off = [frame["off_px"] for record in found.values() for frame in record["feet"]]
    return [at_most("feet, path-traced against feet.csv, worst", max(off), "px", 0.3)] if off else []


def _build_figures(found: Mapping[str, Record]) -> list[Figure]:
    builds = [build for record in found.values() for build in record["builds"]]
    if not builds:
        return []
    held, before = (sum(bool(build[key]) for build in builds) for key in ("holds", "holds_before"))
    apart = np.array([build["residual_px"] for build in builds])
    return [
        at_least(f"as-built loops of {len(builds)} that end in a hold as long as asked for", held, "",
                 0.8 * len(builds)),
        Figure("of them in the drawing's paint, laid by the same hand", before, ""),
        Figure("bridge seen elsewhere than the drawing has it, worst of the loops", float(apart[:, 0].max()), "px"),
        Figure("than the scene as built has it, worst", float(apart[:, 1].max()), "px"),
        Figure("most that noise alone counts", max(build["noise_pct"] for build in builds), "%"),
    ]  # fmt: skip


def table(folder: Path) -> str:
    """README's table: a set a row."""
    found = read(folder, "frames")
    head = (
        "| set | frames | bridge dE00, mean (95th) | outline dE00 | mask | shadow | break, tool (traced) | "
        "trace, tool (traced) | lost at, still, tool (traced) | film |"
    )
    lines = [head, "|---|---|---|---|---|---|---|---|---|---|"]
    for name, record in found.items():
        rows = record["frames"]
        loss = record["loss"]
        word = name if name in DEMONSTRATIONS else about(name)
        shown = [
            " / ".join(f"{max((row[by][what] or 0.0) for row in rows):.1f}" for by in ("own", "traced"))
            for what in ("break", "trace")
        ]
        cells = [
            word, str(len(rows)), f"{_mean(rows, 'bridge_de'):.2f} ({_mean(rows, 'bridge_de95'):.2f})",
            f"{_mean(rows, 'band_de'):.2f}", f"{_mean(rows, 'mask_pct'):.1f} %", f"{_mean(rows, 'shadow'):.3f}",
            *(text.replace(" / ", " (") + ")" for text in shown),
            *(f"{loss[f'own {kind}']} ({loss[f'traced {kind}']})" for kind in ("still", "film")),
        ]  # fmt: skip
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)
