"""Frames that show the same because the shot stands: one of them is drawn and judged for all."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from previz.look.blur import moves_during
from previz.scene.move import FIRST_FRAME, Move
from previz.stage.looking import FrameResult


def alike(move: Move, frames: Iterable[int]) -> list[tuple[int, ...]]:
    """Frames in groups that show the same, groups and frames in the order in which they came.

    Frames are alike where the camera has one place and one turn while the shutter is open, the same a frame before and
    a frame after; all others are groups of their own.
    """
    groups: dict[object, list[int]] = {}
    for frame in frames:
        poses = {_pose(move, at) for at in (*move.beside(frame), frame)}
        stands = len(poses) == 1 and not moves_during(move, frame)
        groups.setdefault(poses.pop() if stands else frame, []).append(frame)
    return [tuple(group) for group in groups.values()]


def _pose(move: Move, frame: int) -> tuple[float, ...]:
    pan, tilt = move.turns(frame - FIRST_FRAME)
    return move.rail_at(frame), float(pan), float(tilt)


def for_all(results: Iterable[FrameResult], groups: Sequence[tuple[int, ...]]) -> Iterator[FrameResult]:
    """The result of each group's first frame, in order, as that of every frame of its group."""
    for result, group in zip(results, groups, strict=True):
        judged = result.judged
        for frame in group:
            yield replace(result, judged=replace(judged, score=replace(judged.score, frame=frame)))
