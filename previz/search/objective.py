"""What makes one candidate better than another: the longest hold among those that reveal enough."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from previz.camera import Camera
from previz.geometry import Array
from previz.judge.hold import FrameScore, HoldSummary
from previz.judge.viewer import HOLDS_BELOW_PCT

# what a whole reveal that is missing weighs against a hold as long as the shot: more than any real set gives
# in exchange, so that the search stays on the side that reveals enough
_REVEAL_WEIGHT = 6.0

# between equal holds the one with less break in it is better
_BREAK_WEIGHT = 0.05

# and so is the one that fewer have found by the end of the hold asked for: it tells apart those that hold nothing
_FOUND_WEIGHT = 0.05

# everything that can be judged is better than what cannot, and that better than what does not fit the studio
_UNJUDGED, _UNFIT = 10.0, 20.0

# metres of misfit that weigh as much as a whole reveal
_MISFIT = 0.25


@dataclass(frozen=True)
class Outcome:
    """What was found of a candidate.

    ``hold`` m of the film as the table gives it, by whole frames from ``hold_first`` to ``hold_last``;
    ``fine_frames`` to where break or found passes the limit between two frames; ``hold_still`` m and ``still_frames``
    of single frames. Break and found in percent, None where a frame was not judged. ``drawn`` says that all of it was
    found in frames drawn and judged as ``score`` does, not by the fast judge.
    ``reason`` says why there is no judgement, then ``fits`` tells the studio from the judge, and ``by`` (m, or picture
    widths) how far off it is.
    """

    hold: float = 0.0
    fine_frames: float = 0.0
    hold_frames: int = 0
    hold_first: int | None = None
    hold_last: int | None = None
    break_station_pct: float | None = None
    break_mean_pct: float | None = None
    break_worst_pct: float | None = None
    break_reveal_pct: float | None = None
    slip_px: float = 0.0
    hold_still: float = 0.0
    still_frames: int = 0
    found_hold_pct: float | None = None
    drift_worst_deg_s: float | None = None
    drawn: bool = False
    reason: str = ""
    fits: bool = True
    by: float = 0.0

    @property
    def judged(self) -> bool:
        """Whether there is a judgement."""
        return not self.reason

    def enough(self, least_reveal: float) -> bool:
        """Whether the bridge shows enough at the reveal; ``least_reveal`` is a share."""
        return self.judged and (self.break_reveal_pct or 0.0) >= 100.0 * least_reveal


def cost_of(outcome: Outcome, least_reveal: float, longest: float) -> float:
    """What a search makes small; finite. ``least_reveal`` is a share, ``longest`` the shot's frames."""
    if not outcome.judged:
        return (_UNJUDGED if outcome.fits else _UNFIT) + min(outcome.by / _MISFIT, _UNJUDGED - 1.0)
    missing = max(0.0, least_reveal - 0.01 * (outcome.break_reveal_pct or 0.0))
    shows = 0.01 * max(0.0, (outcome.break_station_pct or 0.0) - HOLDS_BELOW_PCT)
    inside = 0.01 * (outcome.break_mean_pct or 0.0)
    found = 0.01 * (100.0 if outcome.found_hold_pct is None else outcome.found_hold_pct)
    held = outcome.fine_frames / longest
    return -held + _REVEAL_WEIGHT * missing + shows + _BREAK_WEIGHT * inside + _FOUND_WEIGHT * found


def rank_of(outcome: Outcome, least_reveal: float) -> tuple[float, ...]:
    """Sorts the best first: enough reveal, then the longest hold of the film in time, then the fewest who have found
    the bridge by the end of the hold asked for, then the longest hold on the rail, the clearest reveal and the
    least break.

    Of those that reveal too little the clearest reveal comes first; what could not be judged comes last.
    """
    reveal, mean = outcome.break_reveal_pct or 0.0, outcome.break_mean_pct or 0.0
    if not outcome.judged:
        return (2.0 if outcome.fits else 3.0, outcome.by, 0.0, 0.0, 0.0, 0.0)
    found = 100.0 if outcome.found_hold_pct is None else outcome.found_hold_pct
    held = -float(outcome.hold_frames), round(found, 3), -outcome.hold
    if outcome.enough(least_reveal):
        return (0.0, *held, -reveal, mean)
    return (1.0, -reveal, *held, mean)


def fine_frames(scores: list[FrameScore], summary: HoldSummary, found_at: float | None = None) -> float:
    """Frames between the times, on either side of the station, at which what shows passes the limit; between two frames
    that were looked at it is taken to change evenly. ``summary`` is that of single frames; ``found_at`` is the frame,
    between two, at which the film has been found, if it ever is: the hold ends there at the latest."""
    if summary.hold_first is None or summary.hold_last is None:
        return 0.0
    order = sorted(scores, key=lambda score: score.frame)
    frames = [score.frame for score in order]
    ends = []
    for inner, step in ((frames.index(summary.hold_first), -1), (frames.index(summary.hold_last), 1)):
        held, outer = order[inner], inner + step
        time = float(held.frame)
        if 0 <= outer < len(order) and order[outer].shown_pct is not None:
            over = (order[outer].shown_pct or 0.0) - (held.shown_pct or 0.0)
            share = (HOLDS_BELOW_PCT - (held.shown_pct or 0.0)) / over if over > 0.0 else 0.0
            time += min(max(share, 0.0), 1.0) * (order[outer].frame - held.frame)
        ends.append(time)
    return max((ends[1] if found_at is None else min(ends[1], found_at)) - ends[0], 0.0)


def out_of_frame(camera: Camera, vertices: Array) -> float:
    """How far the nearest of points (N, 3) m is from the picture, in picture widths; 1 where all are behind."""
    px = camera.project(vertices)
    px = px[np.isfinite(px).all(axis=1)]
    if len(px) == 0:
        return 1.0
    size = np.array([camera.width_px, camera.height_px])
    off = np.maximum(np.maximum(-px, px - size), 0.0)
    return min(float(np.linalg.norm(off, axis=1).min()) / camera.width_px, 1.0)
