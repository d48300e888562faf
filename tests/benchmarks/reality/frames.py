"""One set by the tool and by the path tracer: prepared, traced and judged apart, maybe on several machines.

``prepare`` leaves a set's world, its views and the tool's own frames in a folder, ``trace`` the tracer's pictures
beside them (it needs nothing of the tool), ``judge`` compares the two.
"""

from __future__ import annotations

import json
import pickle
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from previz.command.paint.solvedpaint import with_solved_paint
from previz.judge.breaks import Break
from previz.judge.ends import EDGE, FREE_END, JOINT, ends_of, just_inside
from previz.judge.frame import JudgedFrame, Looks
from previz.judge.hold import FrameScore
from previz.judge.steps import KINDS
from previz.look.blur import blur_of
from previz.look.choose import choose_engine
from previz.run.lightcache import LightCache
from previz.run.output import OutputFolder
from previz.run.progress import Progress
from previz.scene.model import Scene
from previz.stage.delivering import JUDGED_WIDTH_PX
from previz.stage.looking import Looker
from previz.stage.prepare import ReadySet, prepare
from tests.benchmarks.reality.choice import carried_over, chosen_frames, found_by, loss_frames, stands
from tests.benchmarks.reality.compare import compared, drift_by_flow
from tests.benchmarks.reality.tracer import Tracer, View, World
from tests.benchmarks.reality.world import view_of, world_of

Picture = NDArray[np.float32]
Box = tuple[int, int, int, int]

# how far (px) round the bridge is drawn, and over how much of that the bridge's doing fades out at the box's edge
MARGIN_PX: Final = 90
FADE_PX: Final = 40

# frames after the hold asked for that are looked at for the end of what holds
_BEYOND: Final = 24

# where break or trace differ by more points than this, it is said where on the outline and by what either is found
APART_PTS: Final = 3.0


@dataclass(frozen=True)
class Plan:
    """What is to be drawn of a set: frames and why each, their boxes, and the size (width, height) px of the whole
    frames."""

    frames: dict[int, str]
    boxes: dict[int, Box]
    size_px: tuple[int, int]


def prepare_set(scene: Scene, folder: Path, most_frames: int, engine: str | None = None) -> Plan:
    """Build a set, judge its frames by the tool, and write down what is to be traced. Of one frame only the station's
    is judged."""
    folder.mkdir(parents=True, exist_ok=True)
    size_px = (JUDGED_WIDTH_PX, round(JUDGED_WIDTH_PX * scene.delivery.frame[1] / scene.delivery.frame[0]))
    ready = made_ready(scene, folder, size_px[0], engine)
    looker = Looker(choose_engine(engine).engine)
    looker.load(ready)
    scores = own_scores(looker, size_px, most_frames == 1)
    frames = chosen_frames(ready.move, scores, most_frames)
    boxes, own = {}, {}
    for frame in frames:
        looks = looker.delivered(frame, *size_px)[1][0]
        boxes[frame] = box_around(looks.cover)
        own[f"{frame}/seen"], own[f"{frame}/clean"] = (np.float16(p) for p in (looks.seen, looks.clean))
        own[f"{frame}/cover"] = np.float16(looks.cover)
    looker.engine.close()
    plan = Plan(frames, boxes, size_px)
    world_of(ready).save(folder / "world.npz")
    views = {f"{frame}": asdict(view_of(ready.move, frame, size_px, boxes[frame])) for frame in frames}
    # without focus and movement, for the tell, where the tool loses it
    views |= {
        f"{frame} sharp": asdict(view_of(ready.move, frame, size_px, boxes[frame], True))
        for frame in sorted({ready.move.station_frame, *loss_frames(scores, ready.move)})
        if frame in boxes
    }
    (folder / "views.json").write_text(json.dumps(views), encoding="utf-8")
    np.savez(folder / "own.npz", **own)
    with (folder / "ready.pickle").open("wb") as file:
        pickle.dump((ready, plan, scores), file)
    return plan


def made_ready(scene: Scene, folder: Path, width_px: int, engine: str | None = None) -> ReadySet:
    """A set built, lit and in the paint that it asks for; light and solved paint are kept in ``folder``."""
    # paint is solved on a texture for delivered frames, all else is as fine as frames of this width ask for
    ready = prepare(scene, None if scene.wants_solving else width_px, LightCache(folder))
    with Progress(quiet=True) as progress:
        return with_solved_paint(ready, OutputFolder(folder), "reality", engine, progress)


def own_scores(looker: Looker, size_px: tuple[int, int], station_alone: bool = False) -> dict[int, FrameScore]:
    """The tool's score of every frame until some time after the hold; where the shot stands, one frame is all."""
    move = looker.ready.move
    last = min(move.scene.rail.hold[1] + _BEYOND, move.frames[-1])
    scores: dict[int, FrameScore] = {}
    for frame in [move.station_frame] if station_alone else range(move.frames[0], last + 1):
        before = scores.get(frame - 1)
        if before is not None and stands(move, frame) and stands(move, frame - 1):
            scores[frame] = replace(before, frame=frame)
            continue
        scores[frame] = judged(looker, frame, looker.delivered(frame, *size_px)[1], size_px).score
    return scores


def judged(looker: Looker, frame: int, shown: Any, size_px: tuple[int, int]) -> JudgedFrame:
    """A frame by the tool's judge."""
    move = looker.ready.move
    blur = blur_of(move, frame, *size_px)
    return looker.judged(frame, shown, move.camera(frame, *size_px), blur, size_px, looker.around(frame, *size_px))


def box_around(cover: Picture, margin_px: int = MARGIN_PX) -> Box:
    """The part (left, top, width, height) px of a frame that holds the bridge and ``margin_px`` around it."""
    h, w = cover.shape
    rows, columns = np.flatnonzero(cover.max(axis=1) > 0.01), np.flatnonzero(cover.max(axis=0) > 0.01)
    if not len(rows):
        return 0, 0, w, h
    top, bottom = max(rows[0] - margin_px, 0), min(rows[-1] + 1 + margin_px, h)
    left, right = max(columns[0] - margin_px, 0), min(columns[-1] + 1 + margin_px, w)
    return int(left), int(top), int(right - left), int(bottom - top)


def views_in(folder: Path) -> dict[str, View]:
    """The views that are to be drawn, by name."""
    kept = json.loads((folder / "views.json").read_text(encoding="utf-8"))
    return {name: _view(view) for name, view in kept.items()}


def _view(kept: dict[str, Any]) -> View:
    moments = tuple(tuple(tuple(row) for row in moment) for moment in kept["moments"])
    pairs = {name: tuple(kept[name]) for name in ("centre_px", "size_px", "box")}
    return View(**(kept | pairs | {"moments": moments}))


def trace_set(folder: Path, variant: str, samples: int, sharp: bool = True) -> None:
    """Draw all views of a set, those that are not there yet, in two halves that tell the noise."""
    traced = folder / "traced"
    traced.mkdir(exist_ok=True)
    tracer = None
    for name, view in views_in(folder).items():
        place = traced / f"{name}.npz"
        if place.exists() or (name.endswith("sharp") and not sharp):
            continue
        tracer = tracer or Tracer(World.load(folder / "world.npz"), variant)
        pictures = {}
        for what, names in (("seen", ("wall", "bridge")), ("clean", ("wall",))):
            halves = [tracer.draw(view, names, max(samples // 2, 1), seed) for seed in (1, 2)]
            pictures[what] = np.float16(0.5 * (halves[0] + halves[1]))
            pictures[f"{what} noise"] = np.float16(halves[0] - halves[1])
        pictures["cover"] = np.float16(tracer.cover(view, "bridge", ("wall",), 256))
        np.savez_compressed(place, samples=samples, **pictures)


def judge_set(folder: Path, engine: str | None = None) -> dict[str, Any]:
    """Compare what was traced of a set with what the tool drew."""
    with (folder / "ready.pickle").open("rb") as file:
        ready, plan, scores = pickle.load(file)
    looker = Looker(choose_engine(engine).engine)
    looker.load(ready)
    # the tool's own frames are judged as cut as the traced ones
    rows, traced, cut = [], {}, dict(scores)
    with np.load(folder / "own.npz") as own:
        for frame in plan.frames:
            place = folder / "traced" / f"{frame}.npz"
            if place.exists():
                row, cut[frame], traced[frame] = _judged_row(
                    looker, plan, frame, own, place, bool(scores[frame].tells)
                )
                row["own"] |= {"whole break": scores[frame].break_pct, "whole trace": scores[frame].trace_pct}
                rows.append(row)
    looker.engine.close()
    if not rows:
        raise AssertionError("no frame of the set is traced")
    move = ready.move
    for frame in scores:
        if move.station_frame in traced and stands(move, frame):
            cut[frame] = replace(cut[move.station_frame], frame=frame, rail=scores[frame].rail)
    traced_film, own_film = carried_over(traced, cut, move)
    losses = {
        f"{by} {kind}": frame
        for by, film in (("own", own_film), ("traced", traced_film))
        for kind, frame in zip(("still", "film"), loss_frames(film, move), strict=True)
    }
    return {
        "title": ready.scene.title,
        "wanted": list(move.scene.rail.hold),
        "loss": losses,
        "found": {"own": found_by(own_film, move), "traced": found_by(traced_film, move)},
        "between": sum(frame not in traced and not stands(move, frame) for frame in traced_film),
        "frames": rows,
    }


def _judged_row(
    looker: Looker, plan: Plan, frame: int, own: Mapping[str, Any], place: Path, told: bool
) -> tuple[dict[str, Any], FrameScore, FrameScore]:
    box = plan.boxes[frame]
    mine = tuple(np.asarray(own[f"{frame}/{what}"], dtype=np.float32) for what in ("seen", "clean", "cover"))
    with np.load(place) as kept:
        theirs = tuple(whole(kept[what], mine[k], box) for k, what in enumerate(("seen", "clean", "cover")))
        noise = np.asarray(kept["seen noise"], dtype=np.float32)
        samples = int(kept["samples"])
    without = {}
    sharp = place.with_name(f"{frame} sharp.npz")
    if sharp.exists():
        with np.load(sharp) as kept:
            pair = tuple(whole(kept[what], mine[k], box) for k, what in enumerate(("seen", "clean")))
        pair = (faded(*pair, box), pair[1])
        without["focus"] = lambda: pair
    # what the tool's frame is without one cause is asked for only where it breaks
    own_without = looker.delivered(frame, *plan.size_px)[1][1] if told else {}
    cut_looks = looks_of(faded(mine[0], mine[1], box), mine[1], mine[2])
    own_judged = judged(looker, frame, (cut_looks, own_without), plan.size_px)
    seen = faded(theirs[0], theirs[1], box)
    without["shadow"] = lambda: (unshaded(seen, theirs[1], theirs[2]), theirs[1])
    traced = judged(looker, frame, (looks_of(seen, theirs[1], theirs[2]), without), plan.size_px)
    row: dict[str, Any] = {
        "frame": frame, "why": plan.frames[frame], "samples": samples, **compared(mine, theirs, noise, box),
        "own": _score(own_judged.score), "traced": _score(traced.score), "sharp": sharp.exists(),
    }  # fmt: skip
    apart = ((getattr(j.score, part) or 0.0 for j in (own_judged, traced)) for part in ("break_pct", "trace_pct"))
    if max(abs(a - b) for a, b in apart) > APART_PTS:
        row["where"] = {"own": _where(looker, plan, own_judged), "traced": _where(looker, plan, traced)}
    return row, own_judged.score, traced.score


def _where(looker: Looker, plan: Plan, found: JudgedFrame) -> dict[str, Any]:
    """By which viewer, where and by what kind of step the bridge is found: of the outline and of its traces."""
    out: dict[str, Any] = {}
    if found.found is not None:
        camera = looker.ready.move.camera(found.score.frame, *plan.size_px)
        outline = found.found.outline
        ends = ends_of(outline, camera, just_inside(outline, camera, looker.sight))
        out = _told(found.found) | {
            name: 100.0 * float(found.found.found[ends == part].mean())
            for name, part in (("edges", EDGE), ("joint", JOINT), ("free end", FREE_END))
            if (ends == part).any()
        }
    if found.trace is not None:
        out["trace"] = _told(found.trace)
    return out


def _told(found: Break) -> dict[str, Any]:
    broken = found.broken
    kinds, counts = np.unique(found.kind[broken], return_counts=True)
    place = found.outline.xy[broken]
    return {
        "seat": found.seat.name, "by seat": list(found.by_seat), "pieces": len(broken), "broken": int(broken.sum()),
        "kinds": [KINDS[k] for k in kinds[np.argsort(-counts, kind="stable")][:3]],
        "box": [round(float(v)) for v in (*place.min(axis=0), *place.max(axis=0))] if len(place) else [],
    }  # fmt: skip


def _score(score: FrameScore) -> dict[str, Any]:
    return {
        "break": score.break_pct, "trace": score.trace_pct, "drift": score.drift_deg_s, "tells": list(score.tells),
    }  # fmt: skip


def looks_of(seen: Picture, clean: Picture, cover: Picture) -> Looks:
    """A frame's looks; what the bridge hides is taken for the right paint."""
    return Looks.sharp(seen, clean, cover)


def unshaded(seen: Picture, clean: Picture, cover: Picture) -> Picture:
    """A frame (H, W, 3) as it would be if the bridge changed no light on the wall: beside it the clean wall."""
    share = cover[..., None]
    # on the outline the wall's part of a pixel is as shaded as the wall beside it
    from scipy.ndimage import gaussian_filter

    beside = (cover < 0.002).astype(np.float32)
    weight = gaussian_filter(beside, 2.0) + 1e-6
    ratio = np.where(beside[..., None] > 0, seen / np.maximum(clean, 1e-4), 0.0)
    shade = np.stack([gaussian_filter(ratio[..., k], 2.0) / weight for k in range(3)], axis=-1)
    return np.clip(seen + (1.0 - share) * clean * (1.0 - np.where(weight[..., None] > 1e-3, shade, 1.0)), 0.0, 1.0)


def whole(part: NDArray[Any], around: Picture, box: Box) -> Picture:
    """A whole frame with a traced ``part`` in its box and the tool's picture around it."""
    left, top, width, height = box
    out = np.array(around, dtype=np.float32)
    out[top : top + height, left : left + width] = np.clip(np.asarray(part, dtype=np.float32), 0.0, 1.0)
    return out


def faded(seen: Picture, clean: Picture, box: Box) -> Picture:
    """A frame in which what the bridge does to the picture fades out towards the box's edges."""
    return np.asarray(clean + (seen - clean) * fading(seen.shape[:2], box)[..., None], dtype=np.float32)


def fading(shape: tuple[int, ...], box: Box) -> Picture:
    """What is left (H, W) of the bridge's doing: 1 inside the box, 0 at its edges; a frame's own edges are none."""
    h, w = shape[:2]
    left, top, width, height = box

    def axis(count: int, low: int, high: int) -> NDArray[np.float64]:
        at = np.arange(count) + 0.5
        rise = np.ones(count) if low == 0 else np.clip((at - low) / FADE_PX, 0.0, 1.0)
        fall = np.ones(count) if high == count else np.clip((high - at) / FADE_PX, 0.0, 1.0)
        return np.minimum(rise, fall)

    both = np.minimum(axis(h, top, top + height)[:, None], axis(w, left, left + width)[None])
    return (both * both * (3.0 - 2.0 * both)).astype(np.float32)


def flow_rows(folder: Path) -> list[dict[str, Any]]:
    """How fast the bridge slides by optical flow on traced neighbours, against what the tool says."""
    with (folder / "ready.pickle").open("rb") as file:
        ready, plan, scores = pickle.load(file)
    rate, rows = float(ready.scene.delivery.rate), []
    for frame in plan.frames:
        pair = [folder / "traced" / f"{f}.npz" for f in (frame, frame + 1)]
        if not all(p.exists() for p in pair) or plan.boxes.get(frame) is None or frame + 1 not in plan.boxes:
            continue
        pictures = []
        for f, place in zip((frame, frame + 1), pair, strict=True):
            with np.load(place) as kept:
                pictures.append((_in_frame(kept["seen"], plan, f), _in_frame(kept["clean"], plan, f),
                                 _in_frame(kept["cover"], plan, f)))
        own = scores[frame].drift_deg_s
        seen = drift_by_flow(pictures, rate, plan.size_px[1])
        if own is not None and seen is not None:
            rows.append({"frame": frame, "own": own, "flow": seen})
    return rows


def _in_frame(part: NDArray[Any], plan: Plan, frame: int) -> Picture:
    width, height = plan.size_px
    return whole(part, np.zeros((height, width, *part.shape[2:]), dtype=np.float32), plan.boxes[frame])
