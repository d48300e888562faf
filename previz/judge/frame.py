"""One frame, judged: everything the table of a move says of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from previz.build.surface import BRIDGE
from previz.camera import Camera
from previz.errors import JudgeError
from previz.geometry import Array
from previz.judge.breaks import Break, break_of
from previz.judge.hold import FrameScore
from previz.judge.mismatch import mismatch_of
from previz.judge.ordinary import KINDS, OrdinaryWall
from previz.judge.outline import Outline, outline_of
from previz.judge.slip import slip_of
from previz.judge.viewer import Viewer
from previz.look.sight import SightLines
from previz.look.view import View

# a cause of fewer broken pieces than this share is not named
_WORTH_NAMING = 0.1


@dataclass(frozen=True, eq=False)
class JudgedFrame:
    """A frame's score and, where it could be judged, the outline piece by piece, in a frame of that many pixels."""

    score: FrameScore
    found: Break | None
    width_px: int
    height_px: int


def judge_frame(
    frame: int,
    rail: float,
    with_bridge: View,
    clean: View,
    camera: Camera,
    station_point: Array,
    sight: SightLines,
    ordinary: OrdinaryWall,
    delivered_width_px: int,
) -> JudgedFrame:
    """Judge a frame from its two looks. A frame that cannot be judged has no break and says why.

    ``station_point`` (3,) m is where the paint lines up, ``sight`` casts against the wall and the bridge.
    """
    height_px, width_px = with_bridge.colour.shape[:2]
    viewer = Viewer(height_px)
    # what is delivered: light beyond white is white
    seen = np.clip(with_bridge.colour, 0.0, 1.0)
    wanted = np.clip(clean.colour, 0.0, 1.0)
    cover = with_bridge.cover(BRIDGE)
    mismatch = mismatch_of(seen, wanted, cover, viewer)
    outline = outline_of(cover, viewer)
    try:
        size = wall_px_per_m(outline, camera, sight)
        found = break_of(seen, wanted, outline, ordinary.at(size), viewer)
    except JudgeError as error:
        return JudgedFrame(FrameScore(frame, rail, None, mismatch, 0.0, (), str(error)), None, width_px, height_px)
    slip = slip_of(outline, camera, station_point, sight, delivered_width_px)
    score = FrameScore(frame, rail, found.percent, mismatch, slip, tells_of(found))
    return JudgedFrame(score, found, width_px, height_px)


def wall_px_per_m(outline: Outline, camera: Camera, sight: SightLines, wall: str = "wall") -> float:
    """How large the wall behind the outline appears: pixels to the metre, median over the pieces."""
    if len(outline) == 0:
        raise JudgeError("the bridge's outline is not in the frame")
    origins, directions = camera.rays(outline.xy)
    hits = sight.first_hits(origins, directions, names=[wall])
    met = np.isfinite(hits.distance)
    if not met.any():
        raise JudgeError("there is no wall behind the bridge")
    return camera.focal_px / float(np.median(camera.depth(hits.point[met])))


def tells_of(found: Break) -> tuple[str, ...]:
    """The kinds of step that give the bridge away, the most frequent first."""
    counts = np.bincount(found.kind[found.broken], minlength=len(KINDS))
    total = max(int(counts.sum()), 1)
    order = sorted(range(len(KINDS)), key=lambda k: (-counts[k], k))
    return tuple(KINDS[k] for k in order if counts[k] / total >= _WORTH_NAMING and found.percent > 0.0)
