"""Where nothing holds: the frame that comes nearest to it, and what to change first, by what gives the bridge away."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from previz.judge.hold import FrameScore
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.scene.model import Scene
from previz.stage.prepare import continues_wall

# common practice, no source; the trade's order: what can be mended on the floor, then what is painted again
_MENDS: Final = {
    "shadow": "more light from all over, or a fill lamp on the shadow (previz rig --lamps places them)",
    "shine": "a matter paint, or the lamp elsewhere",
    "focus": "a smaller stop, or focus nearer to the bridge",
    "slip": "a shorter hold, or paint solved for the whole of it",
    "colour": "paint solved for the whole hold (previz paint)",
    "grain": "paint solved for the whole hold (previz paint), or a finer brush",
    "range": "the light moved so that it asks for no brighter or darker paint than there is",
    "bounce": "less light on the bridge's sides, or a black flag between bridge and wall",
    "mirror": "a matter paint where the wall or the bridge is glossy",
    "parallax": "a slower slide, a longer stand before it, or the wall's bands along the slide",
}

_PROJECTED: Final = "paint that continues the wall (bridge.paint, projected or solved)"


def mends_of(scene: Scene, score: FrameScore) -> list[str]:
    """What would mend a frame that shows, by what gives it away, the first first; none where it holds."""
    if score.holds or score.break_pct is None:
        return []
    mends = [_MENDS[word] for word in score.tells if word in _MENDS][:1]
    if not continues_wall(scene) and scene.bridge.image is None:
        # nothing else is worth mending before that
        mends = [_PROJECTED, *(mend for mend in mends if "previz paint" not in mend)]
    return mends


def nearest_words(scores: Sequence[FrameScore]) -> str | None:
    """The frame of a move that comes nearest to hiding the bridge, in words; None where one hides it, or none can be
    judged."""
    told = [(value, score) for score in scores if (value := score.shown_pct) is not None]
    if not told or any(score.holds for _, score in told):
        return None
    least, score = min(told, key=lambda pair: pair[0])
    return f"nearest is frame {score.frame}: {least:.1f} % shows, at most {HOLDS_BELOW_PCT:g} % may"


def first_steps(scene: Scene, scores: Sequence[FrameScore]) -> list[str]:
    """For the frames (N) of the hold asked for: what is nearest, and what to change first, told by the worst."""
    first, last = scene.rail.hold
    asked = [score for score in scores if first <= score.frame <= last]
    breaking = [score for score in asked if score.break_pct is not None and not score.holds]
    if not breaking:
        return []
    nearest = nearest_words(scores)
    worst = max(breaking, key=lambda score: score.shown_pct or 0.0)
    return [*([nearest] if nearest else []), *(f"change first: {mend}" for mend in mends_of(scene, worst))]
