"""Signs on drawings: a camera at its entrance pupil, a lamp and the way it shines."""

from __future__ import annotations

import math

import numpy as np

from previz.draw.drawnset import StandMark
from previz.draw.panel import Panel
from previz.draw.paper import Paper
from previz.draw.style import INK, PAPER, Colour, mixed
from previz.units import mm_text


def draw_camera(
    paper: Paper, at: tuple[float, float], forward: tuple[float, float], colour: Colour = INK
) -> None:
    """A camera's body behind its entrance pupil: a box, a barrel and a cross at the pupil itself."""
    n = math.hypot(*forward)
    if n < 1e-9:
        paper.circle(at, 9.0, PAPER, colour, 1.8)
    else:
        fx, fy = forward[0] / n, forward[1] / n

        def put(along: float, across: float) -> tuple[float, float]:
            return at[0] + fx * along - fy * across, at[1] + fy * along + fx * across

        paper.polygon([put(-10, -5), put(5, -5), put(5, 5), put(-10, 5)], PAPER, colour, 1.6)
        paper.polygon([put(-34, -9), put(-10, -9), put(-10, 9), put(-34, 9)], mixed(colour, 0.25), colour, 1.6)
    for dx, dy in ((6.0, 0.0), (0.0, 6.0)):
        paper.line([(at[0] - dx, at[1] - dy), (at[0] + dx, at[1] + dy)], colour, 1.4)


def draw_lamp(paper: Paper, panel: Panel, lamp: StandMark) -> tuple[tuple[float, float], list[str]]:
    """A lamp with an arrow the way it shines; gives where it lies and what is to be written beside it.

    One outside the window is an arrow at its edge.
    """
    at = np.asarray(panel.point(lamp.position))
    aim = np.asarray(panel.point(lamp.aim))
    left, top, right, bottom = panel.inner
    held = np.clip(at, [left + 14.0, top + 26.0], [right - 14.0, bottom - 14.0])
    outside = bool(np.any(held != at))
    away = aim - held
    run = float(np.hypot(*away)) or 1.0
    toward = away / run
    words = [lamp.name]
    if outside:
        # the lamp stands past the sheet's edge: an arrow at the edge points the way it shines from
        words.append(f"{mm_text(float(np.hypot(*(at - held))) / panel.camera.px_per_m, 0)} further out")
        back = (held - at) / (float(np.hypot(*(held - at))) or 1.0)
        paper.line([held, held + back * 22.0], INK, 1.6)
        paper.arrow((float(held[0]), float(held[1])), (float(-back[0]), float(-back[1])), 11.0)
    else:
        for k in range(8):
            ray = np.array([math.cos(k * math.pi / 4), math.sin(k * math.pi / 4)])
            paper.line([held + ray * 9.0, held + ray * 13.0], INK, 1.2)
        paper.circle((float(held[0]), float(held[1])), 7.0, PAPER, INK, 1.6)
        tip = held + toward * min(run, 44.0)
        paper.line([held + toward * 15.0, tip], INK, 1.2)
        paper.arrow((float(tip[0]), float(tip[1])), (float(toward[0]), float(toward[1])), 9.0)
    return (float(held[0]), float(held[1])), words
