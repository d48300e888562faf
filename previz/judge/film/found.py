"""Found: how likely a viewer who has watched the film from its first frame has found the bridge by now.

Three things are there to be found: what single frames show, what else the bridge puts into them, and how its pattern
slides. A still frame's share is found at a chance a second that comes from a study of people who looked for painted
things (:mod:`previz.judge.finders`). What moves adds up over 750 ms (Regan and Beverley, JOSA A 1, 433, 1984,
abstract): a leaky sum, for each length of the bridge by itself. Chances a second add up over time. It is an upper limit
for those who are not told that something is hidden.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz.judge.film.drift import LENGTHS
from previz.judge.finders import hazard
from previz.judge.hold import FilmSummary, FrameScore, HoldSummary, held_around
from previz.judge.telltable import PARALLAX
from previz.judge.viewer import HOLDS_BELOW_PCT, chance_found

Array = NDArray[np.float64]

# time constant over which movement adds up, s
TIME_CONSTANT_S: Final = 0.75

# Chance a second of finding an outline all of which is seen to slide. Movement against its ground is found at once, but
# where it is looked at. Low, middle and high are our estimate; no source.
MOVING_HAZARD: Final = (0.4, 1.0, 2.5)


@dataclass(frozen=True)
class FilmFrame:
    """One frame of the film: what share of the outline is seen to slide, percent, and the chance that a viewer has
    found the bridge by its end, percent, with what it may lie between. ``slides`` are the lengths of the bridge that
    are more likely than not found by their movement by then (numbers as in :class:`previz.judge.film.drift.Slide`)."""

    frame: int
    drift_pct: float
    found_pct: float
    found_low_pct: float
    found_high_pct: float
    slides: tuple[int, ...] = ()


class Watching:
    """A viewer who watches a film from its first frame on, ``rate`` frames to the second."""

    def __init__(self, rate: float) -> None:
        self._rate = rate
        self._kept = math.exp(-1.0 / (rate * TIME_CONSTANT_S))
        self._summed = np.zeros(2 * LENGTHS)
        self._exposure = np.zeros(3)

    def see(self, score: FrameScore) -> FilmFrame:
        """The next frame, and what has been found by its end."""
        times, share = np.zeros(2 * LENGTHS), np.zeros(2 * LENGTHS)
        for place, how_many, part in score.drift:
            times[place], share[place] = how_many, part
        self._summed = self._kept * self._summed + (1.0 - self._kept) * times
        chance = chance_found(self._summed)
        drift = float((share * chance).sum())
        slides = tuple(map(int, np.flatnonzero((share > 0.0) & (chance >= 0.5))))
        still = hazard(min(100.0, score.shown_pct or 0.0))
        chances = np.array([float(still.low), float(still.value), float(still.high)])
        self._exposure = self._exposure + (chances + drift * np.array(MOVING_HAZARD)) / self._rate
        low, found, high = 100.0 * -np.expm1(-self._exposure)
        return FilmFrame(score.frame, 100.0 * drift, float(found), float(low), float(high), slides)


def film_of(scores: Sequence[FrameScore], rate: float) -> list[FilmFrame]:
    """The film of frames judged one after the other, ``rate`` to the second."""
    viewer = Watching(rate)
    return [viewer.see(score) for score in scores]


def with_parallax(scores: Sequence[FrameScore], film: Sequence[FilmFrame]) -> list[FrameScore]:
    """The scores with parallax named first among the tells where more of the outline is found by its sliding, and more
    than may be, than by anything that stands."""
    out = []
    for score, one in zip(scores, film, strict=True):
        slides = one.drift_pct > max(HOLDS_BELOW_PCT, score.shown_pct or 0.0)
        out.append(replace(score, tells=(PARALLAX, *score.tells)) if slides else score)
    return out


def summary_of_film(
    summary: HoldSummary, scores: Sequence[FrameScore], film: Sequence[FilmFrame], wanted: tuple[int, int]
) -> HoldSummary:
    """The summary of a shot with its film: the stretch around the station frame on which every frame holds and the
    bridge is not found. ``wanted`` is the hold asked for, first and last frame."""
    holds = [score.holds and one.found_pct <= HOLDS_BELOW_PCT for score, one in zip(scores, film, strict=True)]
    held = held_around(scores, holds, summary.station_frame, wanted)
    inside = [k for k, score in enumerate(scores) if wanted[0] <= score.frame <= wanted[1]]
    end = film[inside[-1]]
    slides = [one.frame for score, one in zip(scores, film, strict=True) if PARALLAX in score.tells]
    told = FilmSummary(
        still_frames=summary.hold_frames,
        still=summary.hold,
        found_pct=end.found_pct,
        found_low_pct=end.found_low_pct,
        found_high_pct=end.found_high_pct,
        drift_deg_s=max(scores[k].drift_deg_s or 0.0 for k in inside),
        parallax_from=min(slides, default=None),
    )
    return replace(
        summary,
        hold_first=held.first,
        hold_last=held.last,
        hold_frames=held.frames,
        hold=held.rail,
        hidden=held.covers_wanted,
        film=told,
    )


def if_it_stood(scores: Sequence[FrameScore], rate: float, frames: int) -> tuple[int, int]:
    """How many frames pass until the bridge is found, as the shot is and if it stood ``frames`` more before it began:
    all of them, where it never is. It would stand as in its first frame."""
    if not scores:
        return 0, 0
    standing = [replace(scores[0], drift=(), drift_deg_s=0.0)] * frames

    def until(order: Sequence[FrameScore]) -> int:
        film = film_of(order, rate)
        return next((k for k, one in enumerate(film) if one.found_pct > HOLDS_BELOW_PCT), len(film))

    return until(scores), until([*standing, *scores])
