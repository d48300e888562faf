"""The bridge's shadow on the card: what the judge finds of it in the hold and outside it, in the judge's own words.

A few frames are judged as ``score`` judges them, and whether the shadow shows is what was found there, so that card and
score cannot differ. The step at the shadow's edge (:mod:`previz.rig.shadowstep`) chooses frames, says whose shadow it
is, and how much of one there is where nothing of it is found; it decides nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from previz.judge.findings import FoundStretch, findings_of
from previz.judge.frame import JudgedFrame
from previz.judge.telltable import TELLS
from previz.judge.viewer import HOLDS_BELOW_PCT, JND_COLOUR
from previz.look.sight import SightLines
from previz.rig.shadowstep import ShadowEdge, ShadowLight, steps_of, strongest_edge, wall_view
from previz.scene.layout import delivered_box_px, judged_frames
from previz.scene.model import Scene
from previz.scene.move import Move
from previz.units import mm_text
from previz.workshop.surface import Surface

# what a frame's shadow comes to
SHOWS, LITTLE, NOTHING, UNJUDGED = "shows", "a little", "nothing", "cannot be judged"

# less than this, percent, is told as 0.0 and is nothing
_FOUND_FROM_PCT: Final = 0.05

# frames of the move whose steps are measured, to choose those that are judged
_FRAMES = 9

_SHADOW = TELLS.index("shadow")

# judges frames of the move by their numbers, as ``score`` does
JudgeFrames = Callable[[Sequence[int]], Sequence[JudgedFrame]]


@dataclass(frozen=True)
class FrameShadow:
    """What the judge finds in a frame of what the bridge does to the light.

    ``trace_pct`` is the frame's trace, None where it cannot be judged, for the ``reason``; ``outline_pct`` the share of
    the outline that is told by shadow, where the score names that among its tells. ``stretch`` is the longest of all of
    this, None where nothing is long enough for a sentence, in a frame ``width_px`` wide.
    """

    frame: int
    trace_pct: float | None
    outline_pct: float = 0.0
    stretch: FoundStretch | None = None
    width_px: int = 0
    reason: str = ""

    @property
    def share_pct(self) -> float:
        """The larger of both shares, percent of the outline's length; 0 where the frame cannot be judged."""
        return max(self.trace_pct or 0.0, self.outline_pct)

    @property
    def verdict(self) -> str:
        """``SHOWS`` where the frame does not hold for it, ``LITTLE`` where it does although something is found."""
        if self.trace_pct is None:
            return UNJUDGED
        if self.share_pct > HOLDS_BELOW_PCT:
            return SHOWS
        return LITTLE if self.share_pct >= _FOUND_FROM_PCT else NOTHING


@dataclass(frozen=True)
class ShadowTell:
    """The bridge's shadow over the move: the judged ``frames``, the worst of them in the hold and the worst outside it
    (None where none was judged there), and one plain sentence or two.

    ``edge`` lies where the worst stretch does or, where nothing is found, at the strongest step in the hold; None where
    the wall is not in the picture.
    """

    frames: tuple[FrameShadow, ...]
    hold: FrameShadow | None
    outside: FrameShadow | None
    edge: ShadowEdge | None
    sentence: str


def shadow_of(judged: JudgedFrame) -> FrameShadow:
    """What a judged frame says of what the bridge does to the light."""
    score, found = judged.score, judged.found
    if score.break_pct is None or found is None:
        return FrameShadow(score.frame, None, reason=score.reason)
    outline = 0.0
    # as far as the score names it: a few pieces among many of another cause are not
    if judged.tell is not None and "shadow" in score.tells:
        outline = 100.0 * float((found.found * (judged.tell == _SHADOW)).mean())
    stretches = [one for one in findings_of(judged) if one.trace or (outline > 0.0 and one.tell == "shadow")]
    longest = stretches[0] if stretches else None
    return FrameShadow(score.frame, score.trace_pct or 0.0, outline, longest, judged.width_px)


def worst_of(frames: Iterable[FrameShadow]) -> FrameShadow | None:
    """The frame of which most is found, the first of equal ones; None where no frame was judged."""
    judged = [each for each in frames if each.trace_pct is not None]
    return max(judged, key=lambda each: (each.share_pct, -each.frame), default=None)


def shadow_tell(
    scene: Scene,
    move: Move,
    wall: Surface,
    light: ShadowLight,
    sight: SightLines,
    judge: JudgeFrames,
    names: tuple[str, str] = ("wall", "bridge"),
) -> ShadowTell:
    """What ``judge`` finds of the bridge's shadow in the hold and outside it.

    ``light`` is what the bridge keeps off ``wall``, ``names`` the wall and the bridge in ``sight``.
    """
    box = delivered_box_px(scene)
    first, last = scene.rail.hold
    middle = (first + last) // 2
    looked_at = sorted({*judged_frames(move, _FRAMES), middle})
    views = {frame: wall_view(move, frame, wall, sight, names, box) for frame in looked_at}
    steps = {frame: float(steps_of(view, light).max(initial=0.0)) for frame, view in views.items()}
    held = [frame for frame in views if first <= frame <= last]
    frames = tuple(shadow_of(each) for each in judge(_worth_judging(steps, held, move)))
    hold = worst_of(each for each in frames if first <= each.frame <= last)
    outside = worst_of(each for each in frames if not first <= each.frame <= last)
    told = _told(hold, outside)
    if told is not None and told.stretch is not None:
        edge = strongest_edge(views[told.frame], light, _delivered_px(told, scene))
    else:
        edge = strongest_edge(views[max(held, key=lambda frame: steps[frame])], light)
    return ShadowTell(frames, hold, outside, edge, _sentence(frames, hold, outside, edge))


def _worth_judging(steps: dict[int, float], held: Sequence[int], move: Move) -> list[int]:
    """Frames of those measured: ends and middle of the hold, the station, the move's end, and where steps are largest
    in the hold and outside it."""
    first, last = held[0], held[-1]
    rest = [frame for frame in steps if frame not in held]
    largest = [max(part, key=lambda frame: steps[frame]) for part in (held, rest) if part]
    return sorted({first, (first + last) // 2, last, move.station_frame, move.frames[-1], *largest})


def _delivered_px(shadow: FrameShadow, scene: Scene) -> tuple[float, float] | None:
    """Where the worst stretch of a frame lies in the delivered frame."""
    if shadow.stretch is None:
        return None
    factor = scene.delivery.frame[0] / shadow.width_px
    return factor * shadow.stretch.x_px, factor * shadow.stretch.y_px


def _told(hold: FrameShadow | None, outside: FrameShadow | None) -> FrameShadow | None:
    """The frame that the sentence is about: the hold's, where anything is found there."""
    found = [each for each in (hold, outside) if each is not None and each.verdict in (SHOWS, LITTLE)]
    return found[0] if found else None


def _sentence(
    frames: Sequence[FrameShadow], hold: FrameShadow | None, outside: FrameShadow | None, edge: ShadowEdge | None
) -> str:
    if hold is None:
        why = next((each.reason for each in frames if each.reason), "none of its frames was judged")
        return f"The bridge's shadow cannot be judged in the hold: {why}."
    told = _told(hold, outside)
    if told is not None:
        verb = "shows" if told.verdict == SHOWS else "is found, though not enough to lose it,"
        found = f"at frame {told.frame}: {_found(told, edge)}."
        if told is not hold:
            return f"The bridge's shadow is not found in the hold. {_subject(told)} {verb} outside it, {found}"
        if outside is not None and outside.share_pct > hold.share_pct:
            found += f" Outside the hold it comes to {outside.share_pct:.1f} % at frame {outside.frame}."
        return f"{_subject(told)} {verb} in the hold, {found}"
    numbers = ", ".join(str(each.frame) for each in frames if each.trace_pct is not None)
    nothing = f"The bridge's shadow is not found, in the hold or outside it (judged as in score: frames {numbers})."
    if edge is None or edge.step < JND_COLOUR:
        return nothing
    return (
        f"{nothing} There is one all the same, hidden by its softness or by the wall's own pattern: {edge.step:.1f} dE"
        f" at most, {_place(edge)}{_whose(edge)}."
    )


def _subject(told: FrameShadow) -> str:
    tell = "shadow" if told.stretch is None else told.stretch.tell
    return {"bounce": "Light that the bridge throws", "mirror": "The bridge's mirror image"}.get(
        tell, "The bridge's shadow"
    )


def _found(told: FrameShadow, edge: ShadowEdge | None) -> str:
    """What is found in a frame: the worst stretch, where it lies and whose it is, and the shares."""
    words = []
    if told.stretch is not None:
        at = ""
        if edge is not None:
            at = f", {_place(edge)}{_whose(edge) if told.stretch.tell == 'shadow' else ''}"
        words.append(f"{told.stretch.sentence}{at}")
    words.append(shares_text(told))
    return "; ".join(words)


def shares_text(shadow: FrameShadow) -> str:
    """The shares that are found of a frame's traces and outline, with what holds."""
    parts = []
    if shadow.trace_pct is not None and shadow.trace_pct >= _FOUND_FROM_PCT:
        parts.append(f"traces as long as {shadow.trace_pct:.1f} % of the outline")
    if shadow.outline_pct >= _FOUND_FROM_PCT:
        parts.append(f"{shadow.outline_pct:.1f} % of the outline itself")
    return f"{' and '.join(parts) or 'nothing'} (at most {HOLDS_BELOW_PCT:g} % holds)"


def _place(edge: ShadowEdge) -> str:
    x, y, _ = (mm_text(v, 0) for v in edge.place)
    return f"on the wall at {x} right, {y} up"


def _whose(edge: ShadowEdge) -> str:
    return f", thrown by {edge.lamp}" if edge.lamp else ""
