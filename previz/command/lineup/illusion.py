"""What a line-up says of the illusion: how much of the paint still holds, and what is to be done about it."""

from __future__ import annotations

from typing import Any, Final

from previz.command.lineup.lineupjob import Drifted, IllusionNow
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.scene.model import Scene
from previz.scene.shape import bridge_shape
from previz.stage.prepare import continues_wall
from previz.units import mm_text

# drifts over this many pixels are not told one by one
_FAR_PX: Final = 500.0


def drift_values(drifted: Drifted | None) -> dict[str, float | None]:
    """The paint's drift as a line-up's values; all None where there is none."""
    if drifted is None:
        return dict.fromkeys(
            ("paint_still_holding_pct", "paint_holds_to_mm", "paint_drift_median_px", "paint_drift_worst_px")
        )
    return {
        "paint_still_holding_pct": 100.0 * drifted.holding,
        "paint_holds_to_mm": 1e3 * drifted.holds_to,
        "paint_drift_median_px": drifted.median_px,
        "paint_drift_worst_px": drifted.worst_px,
    }


def advice(scene: Scene, now: IllusionNow) -> str:
    """Whether to repaint, in one sentence, with how much of the paint still lines up."""
    here, there = now.real.break_pct, now.wanted.break_pct
    if here is None:
        return f"the illusion cannot be judged from here: {now.real.reason}"
    back = there is not None and there <= HOLDS_BELOW_PCT
    if not continues_wall(scene):
        if here <= HOLDS_BELOW_PCT:
            return "the illusion holds from here: no repaint"
        if back:
            return "bring the camera back: the bridge does not break at the wanted place"
        return "the bridge breaks here and at the wanted place: its paint does not continue the wall"
    held = _held(now.drifted)
    if here <= HOLDS_BELOW_PCT:
        return f"the illusion holds from here: no repaint{held}"
    if back:
        return f"bring the camera back and the paint holds as it is; from here {_repaint(scene, now.drifted)}{held}"
    return f"the illusion is broken here and at the wanted place: the paint itself has to be mended{held}"


def _held(drifted: Drifted | None) -> str:
    if drifted is None:
        return ""
    most = f"{drifted.worst_px:.1f} px" if drifted.worst_px < _FAR_PX else f"more than {_FAR_PX:.0f} px"
    return f"; {100.0 * drifted.holding:.0f} % of the visible paint lines up to 1 px, it drifts {most} at most"


def _repaint(scene: Scene, drifted: Drifted | None) -> str:
    if drifted is None or drifted.holds_to < 5e-4:
        return "all of it would have to be repainted"
    if bridge_shape(scene).near - drifted.holds_to < 5e-4:
        return "it would have to be touched up where it drifts"
    return f"all of it beyond {mm_text(drifted.holds_to, 0)} from the sill would have to be repainted"


def break_words(values: dict[str, Any], text: Any) -> str:
    """Break from both places; ``text`` writes one of them."""
    here, there = values["break_now_pct"], values["break_wanted_pct"]
    words = f"{text(here)} from here, {text(there)} from the wanted place"
    if here is not None and there is not None and 0.05 < abs(here - there) <= NO_DIFFERENCE:
        return f"{words} (no difference: a clean wall itself scores up to {NO_DIFFERENCE:.0f} %)"
    return words


# a clean wall scores up to this many percent: DEVELOPERS.md, "What the score says"
NO_DIFFERENCE: Final = 2.0
