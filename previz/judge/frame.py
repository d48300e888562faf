"""One frame, judged: everything the table of a move says of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.errors import JudgeError
from previz.geometry import Array
from previz.judge.breaks import Break, Sides, added_step, decided, sides_of
from previz.judge.ends import ends_of, just_inside
from previz.judge.film.drift import drift_of, slide_of
from previz.judge.hold import FrameScore
from previz.judge.mismatch import mismatch_of
from previz.judge.ordinary import OrdinaryWall
from previz.judge.outline import Outline, outline_of
from previz.judge.slip import slip_of
from previz.judge.tells import TELL_OF_KIND, Mended, named, tells_of, trace_tells
from previz.judge.trace.traces import trace_of, trace_percents
from previz.judge.viewer import Viewer
from previz.look.sight import SightLines
from previz.workshop.surface import Picture


@dataclass(frozen=True, eq=False)
class Looks:
    """A frame as delivered with the bridge, ``seen``, and without it, ``clean``: (H, W, 3) float32, linear, 0 to 1, for
    light beyond white is white.

    ``cover`` (H, W) is the share of bridge in each pixel; ``right_paint`` the frame as it would be if the bridge showed
    just what it hides.
    """

    seen: Picture
    clean: Picture
    cover: NDArray[np.float32]
    right_paint: Picture

    @classmethod
    def sharp(cls, seen: Picture, clean: Picture, cover: NDArray[np.float32]) -> Looks:
        """A frame in which nothing is blurred."""
        seen, clean = np.clip(seen, 0.0, 1.0), np.clip(clean, 0.0, 1.0)
        share = cover[..., None]
        return cls(seen, clean, cover, seen * (1.0 - share) + clean * share)


@dataclass(frozen=True, eq=False)
class Around:
    """The cameras ``before`` and ``after`` a frame, ``seconds`` apart; ``reach`` (m) is how far the bridge comes out of
    the wall."""

    before: Camera
    after: Camera
    seconds: float
    reach: float


# how a frame looks with one cause of break taken away, drawn when it is asked for: the frame, and the clean frame
Without = Mapping[str, Callable[[], tuple[Picture, Picture]]]

# its name for the frame in which the bridge shows what it hides as nearly as there is paint for it: no cause taken away
BEST_PAINT: Final = "best paint"


@dataclass(frozen=True, eq=False)
class JudgedFrame:
    """A frame's score and, where it could be judged, outline and traces piece by piece, in a frame so large.

    ``tell`` (N,) int8 is the index into ``TELLS`` of each piece's tell, -1 where it is not broken; so is ``trace_tell``
    for the pieces of ``trace``, both None where the bridge leaves none. ``length`` (N,) int is the length of the bridge
    that each piece of the outline belongs to, by which the film adds up what slides; None where nothing is known of it.
    """

    score: FrameScore
    found: Break | None
    tell: NDArray[np.int8] | None
    width_px: int
    height_px: int
    trace: Break | None = None
    trace_tell: NDArray[np.int8] | None = None
    length: NDArray[np.int64] | None = None

    def in_frame(self, width_px: int, height_px: int) -> JudgedFrame:
        """The same with its outlines in a frame of another size."""
        if (width_px, height_px) == (self.width_px, self.height_px):
            return self
        factor = width_px / self.width_px
        found, trace = (
            None if lines is None else replace(lines, outline=lines.outline.scaled(factor))
            for lines in (self.found, self.trace)
        )
        return replace(self, found=found, trace=trace, width_px=width_px, height_px=height_px)


def judge_frame(
    frame: int,
    rail: float,
    looks: Looks,
    camera: Camera,
    station_point: Array,
    sight: SightLines,
    ordinary: OrdinaryWall,
    delivered_width_px: int,
    continues_wall: bool,
    without: Without,
    around: Around | None = None,
) -> JudgedFrame:
    """Judge a frame as it is delivered. A frame that cannot be judged has no break and says why.

    ``station_point`` (3,) m is where the paint lines up, ``sight`` casts against wall and bridge,
    ``continues_wall`` says whether the paint was made to line up with the wall. ``without`` draws the frame with one
    cause of break taken away, by the tell's name; it is asked only where the frame breaks. ``around`` says where the
    camera was before and will be after, for what slides; nothing does where it is not given.
    """
    height_px, width_px = looks.cover.shape
    viewer = Viewer(height_px)
    seen, wanted = looks.seen, looks.clean
    mismatch = mismatch_of(seen, wanted, looks.cover, viewer)
    outline = outline_of(looks.cover, viewer)
    try:
        limits = ordinary.at(wall_px_per_m(outline, camera, sight))
        sides = sides_of(seen, wanted, outline, viewer)
    except JudgeError as error:
        score = FrameScore(frame, rail, None, mismatch, 0.0, (), str(error))
        return JudgedFrame(score, None, None, width_px, height_px)
    ends = ends_of(outline, camera, just_inside(outline, camera, sight))
    found = decided(sides, outline, limits, viewer, ends=ends)
    trace = trace_of(seen, wanted, looks.cover, limits, viewer)
    slip = slip_of(outline, camera, station_point, sight, delivered_width_px)
    tell = np.full(len(outline), -1, dtype=np.int8)
    drawn = _Drawn(without, wanted)
    if found.broken.any():

        def beside(pair: tuple[Picture, Picture]) -> Sides:
            same = pair[1] is wanted or np.array_equal(pair[1], wanted)
            return sides_of(*pair, outline, viewer, sides.clean if same else None)

        mended = _mended((looks.right_paint, wanted), drawn, beside)
        tell = tells_of(found, sides, mended, limits, viewer, continues_wall, slip)
    told = [(found, tell)]
    trace_tell = None
    if trace is not None:
        matt = drawn.without("shine") if trace.found.broken.any() else None
        trace_tell = trace_tells(trace, matt, limits, viewer)
        told.append((trace.found, trace_tell))
    traces = None if trace is None else trace.found
    by_trace = trace_percents(traces, outline)
    score = FrameScore(
        frame, rail, found.percent, mismatch, slip, named(*told), "", max(by_trace), found.by_seat, by_trace
    )
    found = replace(found, step_de=added_step(sides, outline, viewer))
    length = None
    if around is not None:
        slide = slide_of(outline, (around.before, camera, around.after), around.seconds, sight, around.reach)
        drift = drift_of(slide, outline, seen, viewer)
        score = replace(score, drift_deg_s=drift.median_deg_s, drift=drift.by_length())
        length = slide.place
    return JudgedFrame(score, found, tell, width_px, height_px, traces, trace_tell, length)


class _Drawn:
    """Frames with one cause taken away, each drawn once."""

    def __init__(self, without: Without, wanted: Picture) -> None:
        self._without = without
        self._wanted = wanted
        self._kept: dict[str, tuple[Picture, Picture]] = {}

    @property
    def names(self) -> tuple[str, ...]:
        """The causes that there are to take away."""
        return tuple(self._without)

    def without(self, name: str) -> tuple[Picture, Picture] | None:
        """The frame and the clean frame without a cause, None where there is no such cause."""
        if name not in self._kept and name in self._without:
            seen, clean = self._without[name]()
            clean = clean if clean is self._wanted else np.clip(clean, 0.0, 1.0)
            self._kept[name] = (np.clip(seen, 0.0, 1.0), clean)
        return self._kept.get(name)


def _mended(
    right_paint: tuple[Picture, Picture], drawn: _Drawn, beside: Callable[[tuple[Picture, Picture]], Sides]
) -> Mended:
    """The frame with one cause of break taken away at a time; ``beside`` looks beside the outline of a pair."""
    pictures = {name: drawn.without(name) for name in drawn.names if name != BEST_PAINT}

    def best_paint() -> Sides | None:
        pair = drawn.without(BEST_PAINT)
        return None if pair is None else beside(pair)

    return Mended(
        beside(right_paint),
        {name: beside(pair) for name, pair in pictures.items() if pair is not None},
        best_paint,
    )


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


def kinds_named(found: Break) -> tuple[str, ...]:
    """The kinds of step that give the bridge away, the most frequent first: tells without their causes."""
    return named((found, np.where(found.broken, TELL_OF_KIND[found.kind], -1).astype(np.int8)))
