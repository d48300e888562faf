"""Which frames of a shot are traced, why, and what is known of those that are not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from previz.judge.film.found import film_of
from previz.judge.hold import FrameScore, held_around
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.scene.move import Move

# why a frame is traced: it stands for all that stand; it is one of those spread evenly over what moves of the hold
# asked for, or after it; or it lies about a loss frame of the tool's. The last kind is no fair sample of the shot:
# where the tool first crosses a limit its score has just jumped up.
STANDS: Final = "stands"
HOLD: Final = "hold"
AFTER: Final = "after"
LOSS: Final = "loss"

# of the frames that are spread evenly, this share goes to the hold asked for
_SHARE_OF_HOLD: Final = 2.0 / 3.0


def stands(move: Move, frame: int) -> bool:
    """Whether the camera stands all about a frame."""
    before, after = move.beside(frame)
    return float(np.ptp([move.rail_at(k) for k in (before, frame, after)])) == 0.0


def loss_frames(scores: Mapping[int, FrameScore], move: Move) -> tuple[int, int]:
    """The first frame after the station that no longer holds: as a still, and as a film; one past all where none is."""
    order = [scores[frame] for frame in sorted(scores)]
    film = film_of(order, float(move.scene.delivery.rate))
    wanted = move.scene.rail.hold
    out = []
    for holds in (
        [score.holds for score in order],
        [s.holds and one.found_pct <= HOLDS_BELOW_PCT for s, one in zip(order, film, strict=True)],
    ):
        held = held_around(order, holds, move.station_frame, wanted)
        out.append(move.station_frame if held.last is None else held.last + 1)
    return out[0], out[1]


def found_by(scores: Mapping[int, FrameScore], move: Move) -> float:
    """The chance, percent, that the bridge is found by the end of the hold asked for."""
    order = [scores[frame] for frame in sorted(scores) if frame <= move.scene.rail.hold[1]]
    return film_of(order, float(move.scene.delivery.rate))[-1].found_pct


def chosen_frames(move: Move, scores: Mapping[int, FrameScore], most: int) -> dict[int, str]:
    """The frames that are traced, at most so many, and why each.

    All that move where there is room for them. Else those about the tool's loss frames (the one before and the one
    itself, still and film), and the rest evenly over the moving part of the hold asked for and over what comes after.
    """
    station, last = move.station_frame, move.scene.rail.hold[1]
    if most <= 1:
        return {station: STANDS}
    moving = [f for f in scores if f > station and not stands(move, f)]
    hold, after = [f for f in moving if f <= last], [f for f in moving if f > last]
    about = sorted({f for loss in loss_frames(scores, move) for f in (loss - 1, loss) if f in moving})
    if len(moving) <= most - 1:
        about = []
    left = max(most - 1 - len(about), 0)
    of_hold = min(len(hold), left if not after else round(_SHARE_OF_HOLD * left))
    of_hold = max(of_hold, left - len(after))
    even = dict.fromkeys(_spread(hold, of_hold), HOLD) | dict.fromkeys(_spread(after, left - of_hold), AFTER)
    return dict(sorted((dict.fromkeys(about[:most - 1], LOSS) | even | {station: STANDS}).items()))


def _spread(frames: Sequence[int], count: int) -> list[int]:
    """So many of the frames, evenly, both ends among them."""
    if count <= 0 or not frames:
        return []
    return [frames[k] for k in np.unique(np.linspace(0, len(frames) - 1, min(count, len(frames))).round().astype(int))]


def carried_over(
    traced: Mapping[int, FrameScore], own: Mapping[int, FrameScore], move: Move
) -> tuple[dict[int, FrameScore], dict[int, FrameScore]]:
    """The scores of the whole shot as traced, and the tool's of the same frames: as far as the last traced frame.

    What stands is as the station's frame was traced. A frame between two traced ones lies on the line between their
    break and trace, whatever the tool's own score of it is; what slides is geometry, and the tool's. Frames after the
    last traced one are left out of both.
    """
    known = sorted(traced)
    station = move.station_frame
    full: dict[int, FrameScore] = {}
    for frame, score in own.items():
        if frame > known[-1]:
            continue
        if frame in traced:
            full[frame] = traced[frame]
        elif station in traced and stands(move, frame):
            full[frame] = replace(traced[station], frame=frame, rail=score.rail)
        else:
            parts = {
                part: float(np.interp(frame, known, [getattr(traced[f], part) or 0.0 for f in known]))
                for part in ("break_pct", "trace_pct")
            }
            full[frame] = replace(score, **parts)  # type: ignore[arg-type]
    return full, {frame: own[frame] for frame in full}
