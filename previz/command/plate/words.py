"""What the plate asks of the miniature and what the shot gets, in short rows for people."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from previz.deliver.plate.handover import ORDER, correction_id
from previz.plate.cdl import Cdl
from previz.plate.feet import SLIDE_LIMIT_PX, FootTrack
from previz.plate.match import ColourMatch, cdl_text
from previz.plate.misses import Effect, Miss
from previz.plate.space import SPACE_NAMES, SPACE_WORDS, Space
from previz.plate.walk.walk import WalkTrack

Row = tuple[str, str]

PLATE_HEADER = (
    "name", "unit", "wanted", "has", "difference", "horizon_px", "size_px", "foot_px", "slip_px",
)  # fmt: skip

AS_SHOT = "of the frame as shot, before drift and bars"
FINISHED = "after drift and bars"
TIMES = "times only: drift and bars change none"

# what each file is of; films and everything else that is not named are told by the rest
_OF: dict[str, str] = {
    "feet.csv": f"{AS_SHOT}; drift_up_px says how far the picture then goes up",
    "plate.csv": AS_SHOT,
    "track/": AS_SHOT,
    "shadow/": AS_SHOT,
    "match.cc": f"for values {AS_SHOT}",
    "match.ccc": f"for values {AS_SHOT}",
    "match.txt": f"for values {AS_SHOT}",
    "retime.csv": TIMES,
    "retime.otio": TIMES,
    "animatic.mp4": FINISHED,
    "wipe.mp4": FINISHED,
    "split.mp4": FINISHED,
    "plate.json": f"pixels in it are {AS_SHOT}",
}

# an error of the picture below this, px, needs no line of its own
_UNSEEN_PX = 0.1


def files_are(files: Sequence[str]) -> dict[str, str]:
    """For each file whether it is before or after drift and bars. A file that nobody has told of raises KeyError."""
    return {name: _OF[name] for name in files}


def _framing_rows(told: Mapping[str, str]) -> list[Row]:
    # films first: they alone are after both
    groups = [(words, [name for name, of in told.items() if of.startswith((words, f"for values {words}"))])
              for words in (FINISHED, AS_SHOT, TIMES)]  # fmt: skip
    return _listed("files", [f"{words}: {', '.join(names)}" for words, names in groups if names])


def plate_rows(values: dict[str, Any], folder: str) -> list[Row]:
    """Rows (label, words) of ``plate.json``."""
    rows = _listed("plate", values["plate"]["sentences"])
    rows += _listed("the match asks for", [f"{name}: {words}" for name, words in values["asked"].items()])
    rows += _listed("the scene misses", values["missed"])
    rows += _listed("rail", values["rail"]["sentences"])
    rows += _listed("figure", values["figure"]["sentences"])
    rows += _listed("feet", values["feet"]["sentences"])
    rows += _listed("shadow", values["shadow"]["sentences"])
    rows += _listed("retime", values["retime"]["sentences"])
    rows += _listed("colour", values["match"]["sentences"])
    rows += _listed("framing", values["framing"]["sentences"])
    rows += _listed("split", values["split"]["sentences"])
    rows += _framing_rows(values["files_are"])
    return [*rows, ("written to", f"{folder}: {', '.join(values['files'])}")]


def _listed(label: str, lines: Sequence[str]) -> list[Row]:
    return [(label if number == 0 else "", line) for number, line in enumerate(lines)]


def miss_row(miss: Miss) -> tuple[object, ...]:
    """A row of ``plate.csv``, see ``PLATE_HEADER``."""
    done = miss.effect
    return (
        miss.name, miss.unit, miss.wanted, miss.has, miss.difference,
        done.worst_horizon_px, done.worst_size_px, done.worst_foot_px, done.worst_slip_px,
    )  # fmt: skip


def missed_lines(all_misses: Sequence[Miss], whole: Effect) -> list[str]:
    """What the scene misses, a line each, and what all of it does; one line where nothing is missed."""
    missed = [miss for miss in all_misses if not miss.matches]
    if not missed:
        return ["nothing: the scene matches the plate"]
    felt = [miss for miss in missed if not miss.effect.worst_px < _UNSEEN_PX]
    lines = [miss.text for miss in felt]
    if len(felt) < len(missed):
        names = ", ".join(miss.name for miss in missed if miss not in felt)
        lines.append(f"off, but by less than {_UNSEEN_PX:g} px in the picture: {names}")
    if len(missed) > 1:
        lines.append(
            f"all together: horizon off by {_px(whole.worst_horizon_px)}, figure's height by "
            f"{_px(whole.worst_size_px)}, feet by {_px(whole.worst_foot_px)}; they slip "
            f"{_px(whole.worst_slip_px, 2)} a frame at most, {_px(whole.drift_px)} in all"
        )
    return lines


def effect_values(done: Effect) -> dict[str, float]:
    """An effect's worst, in numbers."""
    return {
        "horizon_px": done.worst_horizon_px,
        "size_px": done.worst_size_px,
        "foot_px": done.worst_foot_px,
        "slip_px": done.worst_slip_px,
        "stray_px": done.drift_px,
        "turn_deg": math.degrees(done.worst_turn),
    }


def feet_lines(track: FootTrack) -> list[str]:
    """How the feet stand, by the similarity and by the layer's corners."""
    if isinstance(track, WalkTrack):
        return _walk_lines(track)
    lines = []
    for words, (frame, slide) in (("place, scale and turn", track.worst), ("the four corners", track.corners_worst)):
        verdict = "they stand" if slide <= SLIDE_LIMIT_PX else "they slide"
        where = f" at frame {frame}" if slide > 0.0 else ""
        lines.append(
            f"laid by {words}: worst slide {slide:.3f} px a frame{where}, {verdict} (limit {SLIDE_LIMIT_PX:g} px)"
        )
    return lines


def _walk_lines(track: WalkTrack) -> list[str]:
    count = int(track.contact.max(initial=-1)) + 1
    if count == 0:
        return ["no foot is planted: the figure glides along the bridge"]
    own = int((track.planted >= 0).sum())
    frame, step = track.goes_over
    return [
        f"{count} steps, a foot planted on {own} of {len(track.frames)} frames: while it is down its sole, as the "
        f"pictures show it, leaves its place by {track.drift_px:.3f} px at most (limit {SLIDE_LIMIT_PX:g} px)",
        f"from one foot to the next the layer is shifted by up to {step:.1f} px a frame (frame {frame}); where that is "
        "seen, give the steps their own places or more frames between them",
    ]


def match_lines(match: ColourMatch, by_space: Mapping[Space, ColourMatch]) -> list[str]:
    """What the colour match asks for, in the scene's own space and in each."""
    lines = [match.reason]
    whose = "miniature" if match.onto == "plate" else "plate"
    for space, one in by_space.items():
        own = ", match.cc" if space == match.space else ""
        where = f"{correction_id(space, match.asked)} in match.ccc{own if match.asked else ''}"
        lines.append(
            f"{where}, for the {whose}: {cdl_text(one.found)}; leaves {one.found_after.mean_de00:.2f} of "
            f"{one.before.mean_de00:.2f} dE00; for values in {SPACE_WORDS[space]}"
        )
    lines.append(f"applied {ORDER}; worked through in match.txt")
    if match.clipping.by_match > 0.0:
        lines.append(f"the match clips {match.clipping.by_match:.1%} of the picture's pixels")
    return lines


def match_values(match: ColourMatch, by_space: Mapping[Space, ColourMatch]) -> dict[str, Any]:
    """A colour match in numbers."""
    return {
        "asked": match.asked,
        "paired_by": match.paired,
        "space": match.space,
        "space_name": SPACE_NAMES[match.space],
        "values_are": SPACE_WORDS[match.space],
        "applied": ORDER,
        "onto": match.onto,
        **_cdl_values(match.cdl),
        "before": match.before,
        "after": match.after,
        "found": {
            SPACE_NAMES[space]: {
                "values_are": SPACE_WORDS[space], **_cdl_values(one.found), "leaves": one.found_after
            }
            for space, one in by_space.items()
        },
        "change_de": match.change_de,
        "doubt_de": match.doubt_de,
        "clipping": match.clipping,
    }  # fmt: skip


def _cdl_values(cdl: Cdl) -> dict[str, Any]:
    return {"slope": cdl.slope, "offset": cdl.offset, "power": cdl.power, "saturation": cdl.saturation}


def _px(value: float, decimals: int = 1) -> str:
    return f"{value:.{decimals}f} px" if math.isfinite(value) else "(not in view)"
