"""When a shot stands, slides, pauses and turns: its timing, what cannot be timed, and the marks and words for it."""

from __future__ import annotations

import math
from collections.abc import Iterator

from previz.rail import Timing, timing
from previz.scene.faults import Reason
from previz.scene.model import Rail
from previz.units import mm_text

FIRST_FRAME = 1001


def station_frame(rail: Rail) -> int:
    """The frame at which the lens stands at the station point: as told, else the middle of the hold."""
    return rail.station if rail.station is not None else (rail.hold[0] + rail.hold[1]) // 2


def timing_of(rail: Rail) -> Timing:
    """The timing of a rail that :func:`course_reasons` finds nothing against."""
    pauses = [(pause.at, pause.frames) for pause in rail.pauses]
    return timing(rail.frames, rail.travel, rail.ease, rail.stand, rail.stand_after, pauses)


def is_plain(rail: Rail) -> bool:
    """Whether the shot is one slide from its first frame to its last, and nothing else."""
    return not (rail.stand or rail.stand_after or rail.pauses or rail.pan or rail.tilt)


def course_reasons(rail: Rail) -> Iterator[Reason]:
    """Why stands, pauses and turns cannot be made as they are given."""
    before = 0.0
    for i, pause in enumerate(rail.pauses):
        loc = ("rail", "pauses", i, "at")
        if pause.at >= abs(rail.travel):
            expected = f"a pause before the end of the travel, {mm_text(abs(rail.travel))} from its start"
            yield Reason(loc, expected, mm_text(pause.at), "at the end it is stand_after")
        elif pause.at <= before:
            yield Reason(loc, f"a pause after the one before it, at {mm_text(before)}", mm_text(pause.at))
        before = max(before, pause.at)
    if not is_plain(rail):
        stood = rail.stand + rail.stand_after + sum(pause.frames for pause in rail.pauses)
        least = 1 + stood + len(rail.pauses) + 1
        if rail.frames < least:
            expected = f"at least {least} frames: {stood} are stood, and every stretch of the move takes one or more"
            yield Reason(("rail", "frames"), expected, str(rail.frames), "or stand and pause for less")
    if not isinstance(rail.aim, str):
        for key, turn in (("pan", rail.pan), ("tilt", rail.tilt)):
            if turn != 0.0:
                expected = f"no {key} where aim is a point: the camera turns to keep that point in place"
                yield Reason(("rail", key), expected, f"{math.degrees(turn):g} deg", f"leave out {key} or aim")


def turning_marks(course: Timing, last: int) -> list[tuple[str, int]]:
    """Where a shot that stands or pauses begins and ceases to move: words and frame numbers, in order.

    ``last`` is the time of the last frame. The frames of a stretch that stands are those from one mark to the next.
    """
    marks = [("slides" if course.pieces else "turns", course.begins)] if course.begins else []
    pauses = len(course.pieces) - 1
    for i in range(pauses):
        name = "pause" if pauses == 1 else f"pause {i + 1}"
        marks.append((name, course.pieces[i].ends))
        marks.append((f"{name} ends", course.pieces[i + 1].begins))
    if course.ends < last:
        marks.append(("stands", course.ends))
    return [(name, FIRST_FRAME + at) for name, at in marks]


def stretches(course: Timing, last: int) -> list[tuple[str, int, int]]:
    """What the shot does, stretch by stretch: "stands", "slides" or "turns", first and last frame number.

    ``last`` is the time of the last frame. Stretches share the frames at which one passes into the next.
    """
    word = "slides" if course.pieces else "turns"
    spans = [(piece.begins, piece.ends) for piece in course.pieces] or [(course.begins, course.ends)]
    out, at = [], 0
    for begins, ends in spans:
        if begins > at:
            out.append(("stands", at, begins))
        out.append((word, begins, ends))
        at = ends
    if last > at:
        out.append(("stands", at, last))
    return [(what, FIRST_FRAME + a, FIRST_FRAME + b) for what, a, b in out]


def top_turn(rail: Rail) -> tuple[float, float]:
    """Highest speed (rad a frame) of the move's pan and of its tilt; 0 where there is none.

    The flat of the trapezium of speed: the turn over its frames, over one less the easing.
    """
    course = timing_of(rail)
    span = max(course.ends - course.begins, 1)

    def top(turn: float, ease: float | None) -> float:
        return abs(turn) / span / (1.0 - (rail.ease if ease is None else ease))

    return top(rail.pan, rail.pan_ease), top(rail.tilt, rail.tilt_ease)
