"""The report of a shoot: what it needs of every frame, kept while the run goes on, and the page made of it."""

from __future__ import annotations

import base64
import csv
import io
import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np

from previz.command.rig.rigfacts import (
    focus_lines,
    light_lines,
    marks_table,
    motion_lines,
    places,
    rig_facts,
    settings,
    support_lines,
    tables,
)
from previz.deliver.sheet.sheet import MOST_SHOWN, page_name, picture_box
from previz.deliver.shoot.overlay import LineBeside, OutlinePieces, sliding_pieces
from previz.deliver.shoot.page import BlindTest, Candidate, ReportPage, report_html
from previz.deliver.shoot.pagedata import (
    CleanPatch,
    base64_text,
    clean_patch,
    now_data,
    outline_lines,
    place_of,
    report_data,
)
from previz.deliver.shoot.pageset import mesh_data
from previz.draw.sideview import SideView, title_block
from previz.draw.style import HOLDS_BELOW_PCT
from previz.errors import OutputError
from previz.judge.film.found import FilmFrame
from previz.judge.film.people import viewers_needed
from previz.judge.hold import FrameScore, HoldSummary
from previz.run.blindtest import HASH_DIGITS, blind_words
from previz.run.frames import read_frame, read_png
from previz.run.output import OutputFolder
from previz.run.results import is_of_scene
from previz.stage.looking import FrameResult
from previz.stage.prepare import ReadySet
from previz.units import inches_text, mm_text
from previz.workshop.surface import Pixels8

REPORT = "report.html"

# what of a frame the curve is drawn from
_CURVE = ("frame", "rail_mm", "break_pct", "trace_pct", "found_pct", "drift_deg_s")

# what is kept of a frame lies here until the page is written
_FOLDER = "unfinished"


@dataclass(frozen=True, eq=False)
class ReportJob:
    """What a page is made of besides what was kept frame by frame. ``values`` are those of ``summary.json``."""

    ready: ReadySet
    side: SideView
    date: str
    order: Sequence[FrameScore]
    film: Sequence[FilmFrame]
    summary: HoldSummary
    values: Mapping[str, Any]


def keep_frame(
    folder: OutputFolder,
    result: FrameResult,
    pieces: Sequence[OutlinePieces],
    beside: Sequence[LineBeside],
    side: SideView,
    stood: Callable[[Pixels8], Pixels8],
    lens: Pixels8,
) -> None:
    """Keep what the page needs of a frame. ``stood`` puts the figure into a frame, ``lens`` has it already."""
    if result.clean_code is None:
        raise RuntimeError("a frame for the page came without its clean picture")
    patch = clean_patch(lens, stood(result.clean_code))
    kept: dict[str, Any] = {
        "now": now_data(side.frame(result.judged)),
        "lines": outline_lines(pieces),
        # which of them slide is known when the film is
        "beside": [[np.round(b.points, 1).tolist(), b.length.tolist(), b.closed] for b in beside],
        "patch": None,
    }
    if patch is not None:
        kept["patch"] = _packed(patch)
    text = json.dumps(kept, separators=(",", ":"))
    folder.write_text(_name(result.judged.score.frame), text)


def is_kept(folder: OutputFolder, frame: int) -> bool:
    """Whether a frame has been kept."""
    return folder.has(_name(frame))


def write_report(folder: OutputFolder, job: ReportJob) -> None:
    """Write ``report.html`` and remove what was kept for it."""
    kept = [_kept(folder, score.frame) for score in job.order]
    folder.write_text(REPORT, report_html(_page(folder, job, kept)))
    for score in job.order:
        folder.place(_name(score.frame)).unlink(missing_ok=True)
    with suppress(OSError):
        (folder.path / _FOLDER).rmdir()


def _name(frame: int) -> str:
    return f"{_FOLDER}/{frame}.json"


def _kept(folder: OutputFolder, frame: int) -> dict[str, Any]:
    place = folder.place(_name(frame))
    try:
        found: dict[str, Any] = json.loads(place.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise OutputError(f"{place} cannot be read ({error}); delete it and run the command again") from error
    return found


def _packed(patch: CleanPatch) -> list[Any]:
    """A patch as it is kept: its corner and size, what of it covers, one bit a pixel, and the codes of that, bare: to
    compress what lies here for a minute takes longer than to write it."""
    covers = patch.code[..., 3] > 0
    h, w = covers.shape
    return [patch.left, patch.top, w, h, base64_text(np.packbits(covers).tobytes()),
            base64_text(patch.code[..., :3][covers].tobytes())]  # fmt: skip


def _patch(kept: Mapping[str, Any]) -> CleanPatch | None:
    if kept["patch"] is None:
        return None
    left, top, w, h, bits, codes = kept["patch"]
    covers = np.unpackbits(np.frombuffer(base64.b64decode(bits), dtype=np.uint8), count=w * h).reshape(h, w)
    code = np.zeros((h, w, 4), dtype=np.uint8)
    code[covers > 0, :3] = np.frombuffer(base64.b64decode(codes), dtype=np.uint8).reshape(-1, 3)
    code[..., 3] = covers * 255
    return CleanPatch(left, top, code)


def _beside(kept: Mapping[str, Any]) -> list[LineBeside]:
    return [LineBeside(np.array(xy), np.array(length), closed) for xy, length, closed in kept["beside"]]


def _page(folder: OutputFolder, job: ReportJob, kept: Sequence[Mapping[str, Any]]) -> ReportPage:
    scene, summary, values = job.ready.scene, job.summary, job.values
    facts = rig_facts(scene)
    rows = [
        {
            "frame": score.frame,
            "rail_mm": round(1e3 * score.rail, 3),
            "break_pct": None if score.break_pct is None else round(score.break_pct, 3),
            "trace_pct": None if score.trace_pct is None else round(score.trace_pct, 3),
            "drift_deg_s": None if score.drift_deg_s is None else round(score.drift_deg_s, 3),
            "found_pct": round(one.found_pct, 3),
            # what was not judged has no numbers, whatever the table of the shoot fills in
            "mismatch_de": None if None in (score.break_pct, score.mismatch_de) else round(score.mismatch_de or 0.0, 3),
            "slip_px": None if score.break_pct is None else round(score.slip_px, 3),
            "tells": list(score.tells),
            "reason": score.reason,
            "now": frame["now"],
            "lines": frame["lines"] + outline_lines(sliding_pieces(_beside(frame), one.slides)),
        }
        for score, one, frame in zip(job.order, job.film, kept, strict=True)
    ]
    marks = [{"name": mark.name, "frame": mark.frame} for mark in job.side.static.drawn.rail.marks]
    held = None if summary.hold_first is None else [summary.hold_first, summary.hold_last]
    go = by_frame([*((mark.name, mark.frame) for mark in job.side.static.drawn.rail.marks), *_worst(summary)])
    candidates, in_all = _candidates(folder, scene.delivery.frame[0] / scene.delivery.frame[1])
    return ReportPage(
        title=title_block(scene, job.date, "shot report"),
        verdict=_verdict(values),
        made=f"previz {values['version']}, {values['engine']}, {values['driver']}; scene {values['scene_sha256'][:16]}",
        size_px=(values["size_px"][0], values["size_px"][1]),
        rate=scene.delivery.rate,
        start=summary.station_frame,
        rows=rows,
        frames=_KeptFrames(folder, [score.frame for score in job.order], kept),
        curve={
            "rows": [{name: row[name] for name in _CURVE} for row in rows],
            "hold": list(scene.rail.hold),
            "held": held,
            "marks": marks,
            "limit_pct": HOLDS_BELOW_PCT,
        },
        set_=report_data(job.side.static, job.side.shown),
        solid=_solid(job),
        go=go,
        blind=_blind(job, kept),
        settings=settings(facts),
        places=places(facts),
        tables=(marks_table(facts), *tables(facts)),
        lines=(
            ("light", light_lines(facts)),
            ("focus and stop", focus_lines(facts)),
            ("motion and flicker", motion_lines(facts)),
            ("holding the bridge up", support_lines(facts)),
        ),
        cautions=values["cautions"],
        compare=_picture(folder, "compare.png"),
        compared=_table(folder, "compare.csv"),
        candidates=candidates,
        candidates_in_all=in_all,
        compare_of_scene=is_of_scene(folder, "compare.json", values["scene_sha256"]),
        candidates_of_scene=is_of_scene(folder, "sheet.json", values["scene_sha256"]),
    )


def _blind(job: ReportJob, kept: Sequence[Mapping[str, Any]]) -> BlindTest | None:
    """The blind test: clips from the first frame to the end of the hold asked for, which is what found is told of."""
    last = job.ready.scene.rail.hold[1] - job.order[0].frame + 1
    places = [place_of([line.points for line in _beside(frame)]) for frame in kept[:last]]
    if not any(places):
        return None
    values, claim = job.values, HOLDS_BELOW_PCT / 100.0
    found = values["found_hold_pct"]
    return BlindTest(
        places=places,
        scene=values["scene_sha256"][:HASH_DIGITS],
        judge="no number" if found is None else f"{found:.0f} of 100 who look for it have found it by then",
        people=blind_words(values["blind_test"]) if "blind_test" in values else "",
        needed=[(count, viewers_needed(count, claim)) for count in range(3)],
        claim_pct=HOLDS_BELOW_PCT,
    )


class _KeptFrames(Sequence[tuple[Pixels8, CleanPatch | None]]):
    """The frames and what changes in them without the bridge, read when they are asked for: a long film is large."""

    def __init__(self, folder: OutputFolder, frames: Sequence[int], kept: Sequence[Mapping[str, Any]]) -> None:
        self._folder, self._frames, self._kept = folder, frames, kept

    def __len__(self) -> int:
        return len(self._frames)

    def __getitem__(self, i: Any) -> Any:
        return read_frame(self._folder, "lens", self._frames[i]), _patch(self._kept[i])


def by_frame(named: Sequence[tuple[str, int]]) -> list[tuple[str, int]]:
    """Names of frames, one entry a frame: the first that names it has its place, and all of its names."""
    words: dict[int, list[str]] = {}
    for name, frame in named:
        words.setdefault(frame, []).append(name)
    return [(", ".join(names), frame) for frame, names in words.items()]


def _worst(summary: HoldSummary) -> list[tuple[str, int]]:
    return [] if summary.worst_frame is None else [("worst of the hold", summary.worst_frame)]


def _verdict(values: Mapping[str, Any]) -> str:
    if values["break_station_pct"] is None:
        words = f"The station point, frame {values['station_frame']}, could not be judged"
    elif not values["hold_frames"]:
        words = f"The bridge shows at the station point, frame {values['station_frame']}"
    elif values["hold_frames"] == 1:
        words = f"Holds in one frame only, {values['hold_first']}"
    else:
        hold = values["hold_mm"] / 1e3
        words = (
            f"Holds for {mm_text(hold)} / {inches_text(hold)} of rail, {values['hold_frames']} frames "
            f"({values['hold_s']:.2f} s), {values['hold_first']} to {values['hold_last']}"
        )
    if values["break_worst_pct"] is not None:
        first, last = values["hold_wanted"]
        words += (
            f"; over the hold asked for, {first} to {last}, the worst break is {values['break_worst_pct']:.1f} %, "
            f"frame {values['worst_frame']}"
        )
    if values["break_reveal_pct"] is not None:
        words += f"; at the reveal, frame {values['reveal_frame']}, {values['break_reveal_pct']:.1f} %"
    return words + "."


def _solid(job: ReportJob) -> dict[str, Any]:
    """The set in three dimensions: its parts, and where the eye stands at first."""
    ready, move = job.ready, job.ready.move
    camera = move.camera(move.station_frame)
    fov = 2.0 * float(np.degrees(np.arctan(0.5 * camera.height_px / camera.focal_px)))
    return {
        "parts": [mesh_data(ready.wall.shadowed), mesh_data(ready.bridge)],
        "rail": np.round(job.side.static.drawn.rail_line, 5).tolist(),
        "fov_deg": round(fov, 4),
        "aspect": round(camera.width_px / camera.height_px, 6),
        "reach": round(float(np.linalg.norm(np.asarray(camera.position))), 4),
        "from": [0.85, 0.42, 0.66],
    }


def _picture(folder: OutputFolder, name: str) -> Pixels8 | None:
    """A picture that another command has left here; None where it is missing or spoilt."""
    if not folder.has(name):
        return None
    try:
        return read_png(folder.place(name))[..., :3]
    except OutputError:
        return None


def _table(folder: OutputFolder, name: str) -> list[dict[str, str]]:
    """Rows of a table that another command has left here; none where it is missing or spoilt."""
    if not folder.has(name):
        return []
    try:
        found = list(csv.DictReader(io.StringIO(folder.place(name).read_text(encoding="utf-8"))))
    except (OSError, ValueError, csv.Error):
        return []
    # a row that is cut short or too long has fields without text or name
    return found if all(None not in row and None not in row.values() for row in found) else []


def _candidates(folder: OutputFolder, aspect: float) -> tuple[list[Candidate], int]:
    """The best candidates of the contact sheet in this folder, with their pictures cut out of its pages."""
    rows = [row for row in _table(folder, "sheet.csv") if row.get("rank", "").isdigit()]
    total = min(len(rows), MOST_SHOWN)
    pages: dict[int, Pixels8 | None] = {}
    out = []
    for row in rows[:total]:
        page, (left, top, right, bottom) = picture_box(int(row["rank"]), total, aspect)
        if page not in pages:
            pages[page] = _picture(folder, page_name(page))
        whole = pages[page]
        picture = None
        if whole is not None and bottom <= whole.shape[0] and right <= whole.shape[1] and not row.get("reason"):
            picture = whole[top + 3 : bottom - 3, left + 3 : right - 3]
        out.append(Candidate(row, picture))
    return out, len(rows)
