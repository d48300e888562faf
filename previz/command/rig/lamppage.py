"""The page and the picture of lamps that were placed, in words that are ready to print."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from previz import colour
from previz.command.rig.lamps import (
    DrawnLook,
    LampAnswer,
    arm_lines,
    dimming_text,
    lamp_lines,
    stand_text,
    way_lines,
)
from previz.deliver.rig.lampsheet import before_after
from previz.deliver.rig.rigdata import CardTable, LampPage, Notes
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.units import inches_text
from previz.workshop.surface import Pixels8


def lamp_picture(answer: LampAnswer) -> Pixels8:
    """Before and after side by side."""
    return before_after(_exposed(answer.before), _exposed(answer.after), _words(answer))


def lamp_page(answer: LampAnswer, cautions: Sequence[str]) -> LampPage:
    """The page of the lamps."""
    rows = tuple(
        (
            lamp.name,
            f"{_solid(_mm(lamp.position))}\n{_solid(' / '.join(inches_text(v) for v in lamp.position))}",
            _solid(_mm(lamp.aim)),
            stand_text(spot.stand),
            f"{lamp.lux:g}",
            dimming_text(spot, lamp),
            "-" if lamp.watts is None else f"{lamp.watts:g} W, {lamp.watts / answer.scene.light.volts:.1f} A",
            "",
        )
        for spot, lamp in zip(answer.judged.setup.spots, answer.scene.lamps, strict=True)
    )
    heads = ("lamp", "right / up / out, mm", "aim, mm", "carried by (right / out)", "lux", "set to", "takes",
             "measured")  # fmt: skip
    table = CardTable("lamps as placed", heads, rows, (0.11, 0.26, 0.14, 0.15, 0.06, 0.12, 0.08, 0.08))
    about = [text for text in cautions if text.startswith(("lamp", "light"))]
    notes = (
        Notes("what it does", lamp_lines(answer)),
        Notes("the shadow's way out", way_lines(answer)),
        Notes(
            "cautions",
            (*about, *arm_lines(answer), "Follow local electrical codes; a licensed electrician says what counts."),
            warn=True,
        ),
    )
    return LampPage(_exposed(answer.before), _exposed(answer.after), _words(answer), table, notes)


def _exposed(shown: DrawnLook) -> Pixels8:
    """A frame exposed for the wall behind the bridge, so that one lamp's side light and another's look alike bright."""
    if shown.wall_lux <= 0.0:
        return shown.code
    return colour.encoded8(colour.decoded8(shown.code) * np.float32(shown.white_lux / shown.wall_lux))


def _words(answer: LampAnswer) -> tuple[tuple[str, bool], tuple[str, bool]]:
    return _frame_words("as it was", answer.before), _frame_words("as placed", answer.after)


def _frame_words(name: str, shown: DrawnLook) -> tuple[str, bool]:
    shows = shown.trace_pct is None or shown.trace_pct > HOLDS_BELOW_PCT
    return f"{name}, frame {shown.worst_frame}: {shown.text}", shows


def _solid(text: str) -> str:
    return text.replace(" ", "\u00a0")


def _mm(place: Sequence[float]) -> str:
    return " / ".join(f"{1e3 * v:.0f}" for v in place)
