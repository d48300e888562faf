"""Frames a second of three kinds: as the slide was shot, as the plate was shot, as the film is delivered.

Rates are exact fractions, so that an hour of 24000/1001 drifts by nothing.
"""

from __future__ import annotations

from fractions import Fraction

from previz.errors import PlateError


def rate_text(rate: Fraction) -> str:
    """Frames a second for people: ``"25"``, ``"23.976 (24000/1001)"``, ``"12.5"``."""
    shown = f"{float(rate):.3f}".rstrip("0").rstrip(".")
    return shown if Fraction(shown) == rate else f"{shown} ({rate.numerator}/{rate.denominator})"


def rates_sentence(plate: Fraction, delivered: Fraction) -> str:
    """What is done with a plate of another rate than the delivered one, in one sentence; nothing if they agree."""
    _above_zero(plate, delivered)
    if plate == delivered:
        return ""
    ratio = plate / delivered
    start = f"The plate was shot at {rate_text(plate)} and is delivered at {rate_text(delivered)} frames a second: "
    if ratio.denominator == 1:
        return start + f"every {_ordinal(ratio.numerator)} plate frame is used, and the performer keeps their pace."
    if ratio.numerator == 1:
        return start + f"every plate frame is shown {ratio.denominator} times, and the performer keeps their pace."
    # over one delivered second of frames: how many plate frames are shown twice or not at all
    uneven = abs(float(plate - delivered))
    what = "left out" if plate > delivered else "shown twice"
    return (
        start
        + f"the rates do not divide, so each delivered frame k takes the plate frame nearest to k x {ratio} and "
        + f"{uneven:.3g} frames a second are {what}; the performer keeps their pace and the move its duration. "
        + f"Played frame for frame instead, the plate would run {abs(float(delivered / plate) - 1.0):.1%} "
        + ("faster." if delivered > plate else "slower.")
    )


def slowing_sentence(shot: Fraction, delivered: Fraction) -> str:
    """What a slide shot at ``shot`` gives at the delivered rate, in one sentence."""
    _above_zero(shot, delivered)
    ratio = shot / delivered
    start = f"The slide was shot at {rate_text(shot)} and is delivered at {rate_text(delivered)} frames a second: "
    if ratio <= 1:
        return start + "there are no frames to spare, so any slowing needs made-up in-between frames."
    return start + f"it can be slowed {float(ratio):.3g} times before in-between frames have to be made up."


def _ordinal(number: int) -> str:
    ending = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def _above_zero(*rates: Fraction) -> None:
    for rate in rates:
        if rate <= 0:
            raise PlateError(f"{rate} is not a rate; expected frames a second above 0, such as 25 or 24000/1001")
