"""From frames to the shot: how long the illusion holds, and what a summary says of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from previz.judge.viewer import HOLDS_BELOW_PCT, SEATS


@dataclass(frozen=True)
class FrameScore:
    """What is known of one frame. ``break_pct`` is None where the frame cannot be judged; ``reason`` says why.

    ``trace_pct`` is what is found of the bridge's shadow, bounce and mirror image. Both are those of the viewer who
    finds most; ``break_by_seat`` and ``trace_by_seat`` are what each of the three finds, in the order of ``SEATS``;
    ``drift_deg_s`` is how fast the bridge's pattern is seen to slide, ``drift`` the same by lengths of the bridge
    (:meth:`previz.judge.film.drift.SeenSlide.by_length`);
    ``rail`` m of travel from the start of the move, ``mismatch_de`` dE00 (None where no picture was made), ``slip_px``
    delivered pixels, ``tells`` the causes of break, the most frequent first.
    """

    frame: int
    rail: float
    break_pct: float | None
    mismatch_de: float | None
    slip_px: float
    tells: tuple[str, ...] = ()
    reason: str = ""
    trace_pct: float | None = None
    break_by_seat: tuple[float, ...] = ()
    trace_by_seat: tuple[float, ...] = ()
    drift_deg_s: float | None = None
    drift: tuple[tuple[int, float, float], ...] = ()

    @property
    def holds(self) -> bool:
        """Whether the bridge cannot be found in this frame."""
        return self.shown_pct is not None and self.shown_pct <= HOLDS_BELOW_PCT

    @property
    def shown_pct(self) -> float | None:
        """Break or trace, whichever is more; None where the frame cannot be judged."""
        return None if self.break_pct is None else max(self.break_pct, self.trace_pct or 0.0)


@dataclass(frozen=True)
class HoldSummary:
    """The shot in a few numbers; break in percent, ``hold`` m of rail. None where there is nothing to say.

    ``hold_first`` and ``hold_last`` are the frames, around the station frame, between which every frame holds.
    Mean and worst are taken inside the hold that the scene asks for, and so is the worst of the traces. ``hidden`` says
    that every frame of it holds. Where there is a ``film``, hold and ``hidden`` are the film's: the bridge is
    not found by then. ``viewers`` gives, for each of the three by name, the worst break and the worst trace
    there, percent.
    """

    station_frame: int
    hold_first: int | None
    hold_last: int | None
    hold_frames: int
    hold: float
    break_mean_pct: float | None
    break_worst_pct: float | None
    break_station_pct: float | None
    break_reveal_pct: float | None
    worst_frame: int | None
    worst_tells: tuple[str, ...]
    trace_worst_pct: float | None
    hidden: bool
    viewers: Mapping[str, tuple[float, float]]
    film: FilmSummary | None = None


@dataclass(frozen=True)
class FilmSummary:
    """What the film adds: ``still_frames`` and ``still`` (m) of the still hold; ``found_pct`` by the end of the hold
    asked for, with its ``found_low_pct`` and ``found_high_pct``; the largest ``drift_deg_s`` there; and the frame from
    which more is found by what slides than in any still frame, None where there is none."""

    still_frames: int
    still: float
    found_pct: float
    found_low_pct: float
    found_high_pct: float
    drift_deg_s: float
    parallax_from: int | None


@dataclass(frozen=True)
class Held:
    """A stretch of a shot that holds: its ``first`` and ``last`` frame, None where there is none, how many ``frames``
    and how much ``rail`` (m) that is, and whether it ``covers_wanted``, the hold asked for."""

    first: int | None = None
    last: int | None = None
    frames: int = 0
    rail: float = 0.0
    covers_wanted: bool = False


def held_around(
    order: Sequence[FrameScore], holds: Sequence[bool], station_frame: int, wanted: tuple[int, int]
) -> Held:
    """The stretch around the station frame in which every frame of ``order`` holds, as ``holds`` says of each."""
    low = high = next((k for k, score in enumerate(order) if score.frame == station_frame), -1)
    if low < 0 or not holds[low]:
        return Held()
    while low > 0 and holds[low - 1]:
        low -= 1
    while high < len(holds) - 1 and holds[high + 1]:
        high += 1
    first, last = order[low], order[high]
    covers = first.frame <= wanted[0] and wanted[1] <= last.frame
    return Held(first.frame, last.frame, last.frame - first.frame + 1, abs(last.rail - first.rail), covers)


def summarised(
    scores: Sequence[FrameScore], wanted: tuple[int, int], station_frame: int, reveal: int | None
) -> HoldSummary:
    """Summary of scored frames in order. ``wanted`` is the hold asked for, first and last frame.

    Frames may have been left out (a sheet looks at every n-th): the hold then reaches as far as the last looked-at
    frame that holds.
    """
    by_frame = {score.frame: score for score in scores}
    station = by_frame.get(station_frame)
    order = [by_frame[frame] for frame in sorted(by_frame)]
    held = held_around(order, [score.holds for score in order], station_frame, wanted)
    inside = [s for s in scores if wanted[0] <= s.frame <= wanted[1] and s.break_pct is not None]
    # the worst frame is the one in which most is found, of the outline or of what the bridge does to the rest
    worst = max(inside, key=lambda s: (s.shown_pct or 0.0, -s.frame), default=None)
    return HoldSummary(
        station_frame=station_frame,
        hold_first=held.first,
        hold_last=held.last,
        hold_frames=held.frames,
        hold=held.rail,
        break_mean_pct=sum(s.break_pct or 0.0 for s in inside) / len(inside) if inside else None,
        break_worst_pct=max(s.break_pct or 0.0 for s in inside) if inside else None,
        break_station_pct=station.break_pct if station else None,
        break_reveal_pct=by_frame[reveal].break_pct if reveal in by_frame else None,
        worst_frame=worst.frame if worst else None,
        worst_tells=worst.tells if worst else (),
        trace_worst_pct=max(s.trace_pct or 0.0 for s in inside) if inside else None,
        hidden=held.covers_wanted,
        viewers={
            seat.name: (
                max((s.break_by_seat[k] for s in inside if s.break_by_seat), default=0.0),
                max((s.trace_by_seat[k] for s in inside if s.trace_by_seat), default=0.0),
            )
            for k, seat in enumerate(SEATS)
        },
    )
