"""One frame, judged: everything the table of a move says of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from previz.build.surface import BRIDGE, WALL
from previz.camera import Camera
from previz.errors import JudgeError
from previz.geometry import Array
from previz.judge.breaks import KINDS, Break, break_of, clean_of
from previz.judge.hold import FrameScore
from previz.judge.mismatch import mismatch_of
from previz.judge.slip import slip_of
from previz.judge.viewer import Viewer
from previz.look.sight import SightLines
from previz.look.view import View

# a cause of fewer broken pieces than this share is not named
_WORTH_NAMING = 0.1


@dataclass(frozen=True, eq=False)
class JudgedFrame:
    """A frame's score and, where it could be judged, the outline piece by piece."""

    score: FrameScore
    found: Break | None


def judge_frame(
    frame: int,
    rail: float,
    with_bridge: View,
    clean: View,
    camera: Camera,
    station_point: Array,
    sight: SightLines,
    delivered_width_px: int,
) -> JudgedFrame:
    """Judge a frame from its two looks. A frame that cannot be judged has no break and says why."""
    viewer = Viewer(with_bridge.colour.shape[0])
    # what is delivered: light beyond white is white
    seen = np.clip(with_bridge.colour, 0.0, 1.0)
    wanted = np.clip(clean.colour, 0.0, 1.0)
    cover = with_bridge.cover(BRIDGE)
    mismatch = mismatch_of(seen, wanted, cover, viewer)
    try:
        found = break_of(seen, cover, clean_of(wanted, clean.cover(WALL), viewer), viewer)
    except JudgeError as error:
        return JudgedFrame(FrameScore(frame, rail, None, mismatch, 0.0, (), str(error)), None)
    slip = slip_of(found.outline, camera, station_point, sight, delivered_width_px)
    return JudgedFrame(FrameScore(frame, rail, found.percent, mismatch, slip, _tells(found)), found)


def _tells(found: Break) -> tuple[str, ...]:
    counts = np.bincount(found.kind[found.broken], minlength=len(KINDS))
    total = max(int(counts.sum()), 1)
    order = sorted(range(len(KINDS)), key=lambda k: (-counts[k], k))
    return tuple(KINDS[k] for k in order if counts[k] / total >= _WORTH_NAMING and found.percent > 0.0)
