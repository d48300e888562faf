"""The film of a move of which a few frames were looked at: what lies between is taken to change evenly.

A viewer watches from the first frame on, so that only the frames up to where the bridge has been found, or up to the
end of the hold asked for, have to be known for it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from previz.judge.film.found import FilmFrame, Watching, summary_of_film, with_parallax
from previz.judge.hold import FrameScore, HoldSummary
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.scene.move import Move

# how far apart in time drift is worked out; movement is seen over 750 ms
_EVERY_S: Final = 0.08

Drifting = Callable[[FrameScore], FrameScore]


@dataclass(frozen=True, eq=False)
class FilmHold:
    """A move as a film: its ``summary``, every frame's score, the film up to where it was followed, and ``end``,
    the frame at which found passes the limit, between two, None where it never does."""

    summary: HoldSummary
    scores: tuple[FrameScore, ...]
    film: tuple[FilmFrame, ...]
    end: float | None


def told_as_film(
    looked: Sequence[FrameScore], drifting: Drifting, still: HoldSummary, move: Move, wanted: tuple[int, int]
) -> FilmHold:
    """The film of a move from the scores ``looked`` at, in order, its first and last frame among them.

    ``drifting`` gives a score its drift; ``still`` is the summary of single frames, ``wanted`` the hold asked for.
    """
    rate = float(move.scene.delivery.rate)
    scores = between(looked, move)
    every = max(1, round(_EVERY_S * rate))
    viewer, end = Watching(rate), None
    film: list[FilmFrame] = []
    ahead: list[FrameScore] = []
    for k, score in enumerate(scores):
        if not ahead:
            ahead = _with_drift(scores[k : k + every], drifting, scores[k - 1]) if k else [drifting(score)]
        score = scores[k] = ahead.pop(0)
        one = viewer.see(score)
        if end is None and one.found_pct > HOLDS_BELOW_PCT:
            end = _passed(scores, film, one, k)
        film.append(one)
        if end is not None and score.frame >= wanted[1]:
            break
    # nothing is said of what was not followed but that it was found before
    rest = [replace(film[-1], frame=score.frame, drift_pct=0.0) for score in scores[len(film) :]]
    told = with_parallax(scores, [*film, *rest])
    summary = summary_of_film(still, told, [*film, *rest], wanted)
    return FilmHold(summary, tuple(told), tuple(film), end)


def with_drift_of(score: FrameScore, other: FrameScore) -> FrameScore:
    """A score with the drift of another of the same frame."""
    return replace(score, drift_deg_s=other.drift_deg_s, drift=other.drift)


def between(looked: Sequence[FrameScore], move: Move) -> list[FrameScore]:
    """A score for every frame of a move: those looked at, and even change between them. What lies beside a frame that
    cannot be judged cannot be judged either."""
    out: list[FrameScore] = []
    by_frame = {score.frame: score for score in looked}
    frames = sorted(by_frame)
    for frame in move.frames:
        if frame in by_frame:
            out.append(by_frame[frame])
            continue
        after = int(np.searchsorted(frames, frame))
        low, high = by_frame[frames[max(after - 1, 0)]], by_frame[frames[min(after, len(frames) - 1)]]
        span = high.frame - low.frame
        out.append(_mixed(low, high, (frame - low.frame) / span if span else 0.0, frame, move.rail_at(frame)))
    return out


def _mixed(low: FrameScore, high: FrameScore, part: float, frame: int, rail: float) -> FrameScore:
    def mean(a: float | None, b: float | None) -> float | None:
        return None if a is None or b is None else (1.0 - part) * a + part * b

    reason = "" if low.break_pct is not None and high.break_pct is not None else low.reason or high.reason
    return FrameScore(
        frame,
        rail,
        mean(low.break_pct, high.break_pct),
        None,
        (1.0 - part) * low.slip_px + part * high.slip_px,
        (low if part < 0.5 else high).tells,
        reason,
        mean(low.trace_pct, high.trace_pct),
    )


def _with_drift(scores: list[FrameScore], drifting: Drifting, before: FrameScore) -> list[FrameScore]:
    """Scores with their drift: worked out for the last of them, and even change up to it from the one ``before`` them.
    """
    last = drifting(scores[-1])
    start, stop = dict(_by_place(before)), dict(_by_place(last))
    out = []
    for k, score in enumerate(scores):
        part = (k + 1) / len(scores)
        slid = []
        for place in sorted(start.keys() | stop.keys()):
            (a, a_share), (b, b_share) = start.get(place, (0.0, 0.0)), stop.get(place, (0.0, 0.0))
            slid.append((place, (1.0 - part) * a + part * b, (1.0 - part) * a_share + part * b_share))
        speed = (1.0 - part) * (before.drift_deg_s or 0.0) + part * (last.drift_deg_s or 0.0)
        out.append(replace(score, drift_deg_s=speed, drift=tuple(slid)))
    return out


def _by_place(score: FrameScore) -> list[tuple[int, tuple[float, float]]]:
    return [(place, (times, share)) for place, times, share in score.drift]


def _passed(scores: Sequence[FrameScore], film: Sequence[FilmFrame], one: FilmFrame, k: int) -> float:
    """The frame at which found passes the limit, between the one before and number ``k``."""
    if not film:
        return float(scores[k].frame)
    before = film[-1].found_pct
    part = (HOLDS_BELOW_PCT - before) / max(one.found_pct - before, 1e-9)
    return scores[k - 1].frame + min(max(part, 0.0), 1.0)
