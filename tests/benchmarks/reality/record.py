"""What was measured, kept as JSON, one file a set and part; figures and README's table are made of them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from tests.benchmarks.figures import Figure, at_least, at_most
from tests.benchmarks.reality.choice import AFTER, HOLD, LOSS, STANDS
from tests.benchmarks.reality.frames import APART_PTS
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
        *_agreement(rows),
    ]  # fmt: skip
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


def _agreement(rows: Sequence[Record]) -> list[Figure]:
    """How well break and trace agree: where frames were taken evenly, in the holds asked for and after them."""
    out = []
    hold = [row for row in rows if row["why"] in (STANDS, HOLD)]
    apart = shown_apart(hold)
    out.append(at_least(f"frames of all holds, {len(hold)}, whose break and trace lie within 3 points",
                        _share(apart, APART_PTS), "%", 95.0))  # fmt: skip
    out.append(Figure("largest difference of break or trace in a hold", float(max(apart)), "points"))
    after = [row for row in rows if row["why"] == AFTER]
    if after:
        out.append(Figure(f"frames after the holds, {len(after)}, within 3 points",
                          _share(shown_apart(after), APART_PTS), "%"))  # fmt: skip
    about = [row for row in rows if row["why"] == LOSS]
    if about:
        out.append(Figure(f"frames chosen about the tool's loss frames, {len(about)}, within 3 points",
                          _share(shown_apart(about), APART_PTS), "%"))  # fmt: skip
    higher = [(row["own"]["break"] or 0.0) - (row["traced"]["break"] or 0.0) for row in hold + after]
    out.append(Figure("break, tool less traced, mean of evenly taken frames", float(np.mean(higher)), "points"))
    told = [row for row in hold + after if row["own"]["tells"] and row["traced"]["tells"]]
    if told:
        same = [row["own"]["tells"][0] == row["traced"]["tells"][0] for row in told]
        out.append(Figure(f"frames with tells in both, {len(told)}, the first of them the same",
                          100.0 * float(np.mean(same)), "%"))  # fmt: skip
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
        for frame in record["frames"]:
            for cause, points in frame["causes"].items():
                out.setdefault(cause, []).append(points)
    return [
        Figure(f"break priced, {len(points)} frames, {what}: {cause}", value, "points")
        for cause, points in out.items()
        for what, value in (("mean", float(np.mean(points))), ("most", max(points, key=abs)))
    ]


def _card_figures(found: Mapping[str, Record]) -> list[Figure]:
    stops = [abs(record["stops"]) for record in found.values()]
    return [at_most("grey card against the card's stop, worst set", max(stops), "stops", 0.15)] if stops else []


def _guide_figures(found: Mapping[str, Record]) -> list[Figure]:
    off = [mark["off_mm"] for record in found.values() for mark in record["marks"]]
    return [at_most("printed mark against where it must be, worst", max(off), "mm", 0.2)] if off else []


def _plate_figures(found: Mapping[str, Record]) -> list[Figure]:
    off = [frame["off_px"] for record in found.values() for frame in record["feet"]]
    out = [at_most("feet, path-traced against feet.csv, worst", max(off), "px", 0.3)] if off else []
    told = [record for record in found.values() if "shadow" in record]
    if not told:
        return out
    apart = [one["apart_px"] for record in told for one in record["silhouette"]]
    out.append(at_most("the figure's outline, laid and path-traced, worst frame", max(apart), "px", 0.3))
    for name, words in (("key", "the key's shadow of the figure"), ("all", "the same in all light")):
        shadows = [record["shadow"] for record in told]
        out.append(Figure(f"{words}, mean difference on the bridge's top, worst set",
                          max(shadow[f"{name} mean"] for shadow in shadows), "of the light"))  # fmt: skip
        out.append(Figure(f"{words}, what it takes: tool, traced, mean of sets", ", ".join(
            f"{float(np.mean([shadow[f'{name} {by}'] for shadow in shadows])):.3f}" for by in ("own", "traced")
        ), "of the light"))  # fmt: skip
    for what in ("patches", "figure"):
        for when in ("before", "after"):
            value = max(record["colour"][f"{what} {when}"] for record in told)
            out.append(Figure(f"colour, {what}, mean dE00 {when} the match, worst set", value, ""))
    return out


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
    """README's table: a set a row. Break and trace are the worst of the frames of the hold asked for."""
    found = read(folder, "frames")
    head = (
        "| set | frames: hold, after | bridge dE00, mean (95th) | outline dE00 | mask | shadow | "
        "break, tool (traced) | trace, tool (traced) | within 3 points: hold, after | lost at, still, tool (traced) | "
        "film | found, tool (traced) |"
    )
    lines = [head, "|---|---|---|---|---|---|---|---|---|---|---|---|"]
    for name, record in found.items():
        rows, loss = record["frames"], record["loss"]
        hold = [row for row in rows if row["why"] in (STANDS, HOLD)]
        after = [row for row in rows if row["why"] == AFTER]
        shown = [
            " (".join(f"{max((row[by][what] or 0.0) for row in hold):.1f}" for by in ("own", "traced")) + ")"
            for what in ("break", "trace")
        ]
        agree = [sum(apart <= APART_PTS for apart in shown_apart(part)) for part in (hold, after)]
        cells = [
            name if name in DEMONSTRATIONS else about(name), f"{len(hold)}, {len(after)}",
            f"{_mean(rows, 'bridge_de'):.2f} ({_mean(rows, 'bridge_de95'):.2f})",
            f"{_mean(rows, 'band_de'):.2f}", f"{_mean(rows, 'mask_pct'):.1f} %", f"{_mean(rows, 'shadow'):.3f}",
            *shown, f"{agree[0]}, {agree[1]}",
            *(f"{loss[f'own {kind}']} ({loss[f'traced {kind}']})" for kind in ("still", "film")),
            f"{record['found']['own']:.1f} ({record['found']['traced']:.1f}) %",
        ]  # fmt: skip
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def apart_table(folder: Path) -> str:
    """The frames of the holds that differ by more than 3 points, in runs that differ alike: set, frames, the worst of
    them, which viewer finds more, where on the outline and by what kinds of step."""
    lines = ["| set | frames | break, tool (traced) | trace | more found by | viewer | where | kinds |",
             "|---|---|---|---|---|---|---|---|"]  # fmt: skip
    for name, record in read(folder, "frames").items():
        run: list[Record] = []
        for row in [row for row in record["frames"] if row["why"] in (STANDS, HOLD)]:
            if run and ("where" not in row or _cause(row)[:3] != _cause(run[-1])[:3]):
                lines.append(_apart_line(name, run))
                run = []
            if "where" in row:
                run.append(row)
        if run:
            lines.append(_apart_line(name, run))
    return "\n".join(lines)


def _cause(row: Record) -> tuple[str, ...]:
    """Of the one that finds more: which, whether break or trace, where, the viewer, and the kinds of step."""
    part = max(("break", "trace"), key=lambda what: abs((row["own"][what] or 0.0) - (row["traced"][what] or 0.0)))
    by = max(("own", "traced"), key=lambda one: row[one][part] or 0.0)
    told = row["where"][by] if part == "break" else row["where"][by].get("trace", {})
    where = "beside the bridge"
    if part == "break":
        where = max(("joint", "free end", "edges"), key=lambda end: row["where"][by].get(end, 0.0))
    kinds = ", ".join(dict.fromkeys(told.get("kinds", ())))
    return "the tool" if by == "own" else "the tracer", part, where, told.get("seat", ""), kinds


def _apart_line(name: str, run: Sequence[Record]) -> str:
    first, last = run[0]["frame"], run[-1]["frame"]
    worst = max(run, key=lambda row: shown_apart([row])[0])
    by, _, where, seat, kinds = _cause(worst)
    shown = [f"{worst['own'][what] or 0.0:.1f} ({worst['traced'][what] or 0.0:.1f})" for what in ("break", "trace")]
    frames = f"{first}" if first == last else f"{first} to {last}"
    cells = [name, frames, *shown, by, seat, where, kinds or "all a little"]
    return "| " + " | ".join(cells) + " |"
