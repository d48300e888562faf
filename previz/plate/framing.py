"""The delivered picture inside its bars, and how far what was shot can be moved up and down behind them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from previz.errors import PlateError
from previz.geometry import Array
from previz.rail import eased
from previz.workshop.surface import Picture


@dataclass(frozen=True)
class Bars:
    """The delivered picture inside a frame of ``width_px`` x ``height_px``, in whole pixels.

    It covers columns ``left`` to ``right`` and rows ``top`` to ``bottom`` (exclusive); the rest is black bars, alike on
    both sides.
    """

    width_px: int
    height_px: int
    left: int
    top: int
    right: int
    bottom: int

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the delivered picture."""
        return self.right - self.left, self.bottom - self.top


def bars_of(width_px: int, height_px: int, aspect: float | None) -> Bars:
    """The bars of a delivered ``aspect`` (width / height; None for the whole frame) inside a frame.

    Bars are rounded to whole pixels: the aspect is met to a pixel of each. Raises :class:`PlateError` where an aspect
    leaves no picture.
    """
    if width_px < 1 or height_px < 1:
        raise ValueError(f"a frame has at least a pixel each way, not {width_px} x {height_px}")
    if aspect is None:
        return Bars(width_px, height_px, 0, 0, width_px, height_px)
    if not aspect > 0.0:
        raise ValueError(f"an aspect lies above 0, not {aspect}")
    across = max(0, round(0.5 * (width_px - height_px * aspect)))
    down = max(0, round(0.5 * (height_px - width_px / aspect)))
    bars = Bars(width_px, height_px, across, down, width_px - across, height_px - down)
    if min(bars.size_px) < 1:
        raise PlateError(
            f"bars of {aspect:g} leave no picture of a frame of {width_px} x {height_px} px; write delivery.bars as "
            "width / height, such as 2.39"
        )
    return bars


@dataclass(frozen=True)
class ReframeRoom:
    """How far (px) what was shot can be moved up and down behind the bars before its edge shows."""

    up_px: float
    down_px: float

    @property
    def text(self) -> str:
        """A plain sentence."""
        return f"the picture can be reframed {self.up_px:.0f} px up and {self.down_px:.0f} px down inside the bars"


def room_in(bars: Bars, spare_up_px: float = 0.0, spare_down_px: float = 0.0) -> ReframeRoom:
    """The room behind the bars, and what was shot above and below the frame besides (see :func:`spare_lines`)."""
    return ReframeRoom(bars.top + spare_up_px, bars.height_px - bars.bottom + spare_down_px)


def spare_lines(sensor: tuple[float, float], width_px: int, height_px: int) -> ReframeRoom:
    """What the whole height of the sensor (wide, high, m) gives above and below the frame, px of the frame.

    The frame takes the sensor's full width and the middle of its height, so half of the rest lies on either side.
    Nothing is spare where the frame is taller than the sensor.
    """
    spare = max(0.0, 0.5 * (sensor[1] * width_px / sensor[0] - height_px))
    return ReframeRoom(spare, spare)


def drift_curve(
    frames: int, drift_px: float, room: ReframeRoom, start_px: float = 0.0, ease: float = 0.5, margin_px: float = 0.0
) -> Array:
    """How far (frames,) px the picture stands above its place in the middle of the bars, frame by frame.

    It starts ``start_px`` above the middle and rises by ``drift_px`` (sinks where negative), and all that is in it with
    it. The speed rises evenly from rest over the first ``ease`` (0 to 0.5) of the
    frames and falls so at the end (:func:`~previz.rail.eased`). ``margin_px`` is kept clear of the edges, for what a
    wider filter takes in. Raises :class:`PlateError` where the edge would show, with what is possible.
    """
    if frames < 1:
        raise ValueError(f"a drift takes at least one frame, not {frames}")
    if not (math.isfinite(drift_px) and math.isfinite(start_px)):
        raise ValueError("a drift has a finite length and start")
    up, down = room.up_px - margin_px, room.down_px - margin_px
    highest, lowest = max(start_px, start_px + drift_px), min(start_px, start_px + drift_px)
    if highest > up + 1e-9 or lowest < -down - 1e-9:
        _refuse(drift_px, start_px, up, down)
    progress = np.linspace(0.0, 1.0, frames) if frames > 1 else np.zeros(1)
    return np.asarray(start_px + drift_px * eased(progress, ease))


def _refuse(drift_px: float, start_px: float, up: float, down: float) -> None:
    if up + down <= 0.0:
        raise PlateError(
            f"a drift of {drift_px:g} px shows the edge: there is no room above or below the picture; set "
            "delivery.bars to a wider picture, or shoot more of the sensor's height"
        )
    way = "up" if drift_px > 0.0 else "down"
    most = up - start_px if drift_px > 0.0 else down + start_px
    from_end = f"{down:g} px below" if drift_px > 0.0 else f"{up:g} px above"
    if not -down <= start_px <= up:
        raise PlateError(
            f"the picture starts {start_px:g} px above the middle, where the edge shows already; start between "
            f"{-down:g} and {up:g} px"
        )
    raise PlateError(
        f"a drift of {drift_px:g} px shows the edge: from there the picture can go at most {max(most, 0.0):g} px "
        f"{way}, and {up + down:g} px if it starts {from_end} the middle"
    )


def fastest_drift(curve: ArrayLike) -> float:
    """The largest step (px a frame) of a drift curve (frames,)."""
    steps = np.abs(np.diff(np.asarray(curve, dtype=np.float64)))
    return float(steps.max()) if len(steps) else 0.0


def framed(picture: Picture, bars: Bars, above_px: float = 0.0) -> Picture:
    """The frame (H, W, 3) float32 linear light as delivered: moved up by ``above_px`` behind its bars, the bars black.

    ``picture`` may be taller than the bars' frame, as many lines above as below: what was shot besides. Lines between
    lines are blended. Raises ``ValueError`` where the edge would show.
    """
    height, width = picture.shape[:2]
    above = height - bars.height_px
    if width != bars.width_px or above < 0 or above % 2:
        raise ValueError(f"a frame of {width} x {height} px does not fit bars for {bars.width_px} x {bars.height_px}")
    first = bars.top + above / 2 + above_px
    whole = math.floor(first + 1e-9)
    part = np.float32(max(first - whole, 0.0))
    lines = bars.bottom - bars.top
    needed = lines + (1 if part > 1e-6 else 0)
    if whole < 0 or whole + needed > height:
        raise ValueError(f"{above_px:g} px above the middle shows the edge of the picture")
    out = np.zeros((bars.height_px, width, picture.shape[2]), dtype=np.float32)
    columns = slice(bars.left, bars.right)
    shown = picture[whole : whole + lines, columns].astype(np.float32)
    if needed > lines:
        shown = shown * (1 - part) + picture[whole + 1 : whole + 1 + lines, columns] * part
    out[bars.top : bars.bottom, columns] = shown
    return out
