"""Strokes repainted: what must be true of it whatever the set, on frames that are plain functions of the codes."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from previz import colour
from previz.paint.repainting import LOOKS, Repainting, StrokeMap
from previz.paint.sensitivity import BreakGradient
from previz.workshop.pigment import BRIGHTEST_PAINT, DARKEST_PAINT

STROKES, EACH = 30, 4


def frame(wanted: np.ndarray, percent_of=None):
    """A frame that finds as much as its codes differ from those ``wanted`` (T, 3), squared, on the mean."""

    def at(codes: np.ndarray, judged: bool = True) -> BreakGradient:
        off = codes - wanted
        share = float((off**2).mean())
        percent = 100.0 * share if percent_of is None else percent_of(codes)
        return BreakGradient(share, percent, (2.0 * off / off.size).astype(np.float32), None)

    def slope(down: np.ndarray, clean: object, codes: np.ndarray, out: np.ndarray) -> None:
        out += down

    return SimpleNamespace(at=at, model=SimpleNamespace(slope=slope))


def strokes(reflectance: np.ndarray, paints: np.ndarray, own: bool = False, light: float = 1.0) -> StrokeMap:
    """Strokes of four texels each, the last four texels of all without one."""
    number = np.repeat(np.arange(STROKES, dtype=np.int32), EACH)
    number = np.append(number, np.full(EACH, -1, dtype=np.int32))
    rest = np.full((len(number), 3), 0.25, dtype=np.float32)
    return StrokeMap(number, paints.astype(np.int32), reflectance, np.full_like(rest, light), rest, own)


def greys(*codes: float) -> np.ndarray:
    return np.asarray(colour.decoded(np.repeat(np.array(codes)[:, None], 3, axis=1)), dtype=np.float64)


def test_strokes_come_to_the_paint_that_is_nearest() -> None:
    """Four greys, and a ramp of wanted codes: the least error is that of four even steps, width squared by 12."""
    ramp = np.linspace(0.3, 0.8, STROKES)
    wanted = np.append(np.repeat(ramp, EACH), np.full(EACH, 0.25))[:, None].repeat(3, axis=1).astype(np.float32)
    paints = greys(0.3, 0.45, 0.6, 0.75)
    made = Repainting([frame(wanted)], strokes(paints, np.full(STROKES, 3)))
    while made.go(4):
        pass
    assert made.begun_pct > 5.0
    assert made.worst_pct < 3.0 * 100.0 * (0.5 / 4.0) ** 2 / 12.0
    # what the paints have come to, and the nearest of them
    now = colour.encoded(made.reflectance)[:, 0]
    nearest = np.abs(now[None] - ramp[:, None]).argmin(axis=1)
    assert (made.paints == nearest).mean() > 0.7
    assert made.looks <= LOOKS


def test_a_stroke_keeps_one_paint_and_what_has_no_stroke_stays() -> None:
    made = Repainting([frame(np.full((124, 3), 0.9, np.float32))], strokes(greys(0.2, 0.9), np.zeros(STROKES)))
    made.go(LOOKS)
    codes = made._strokes.codes(made.paints, made.reflectance)
    assert (codes[-EACH:] == 0.25).all()
    assert np.ptp(codes[:-EACH].reshape(STROKES, EACH, 3), axis=1).max() == 0.0
    assert len(made.reflectance) == 2


def test_the_best_by_the_judge_is_kept() -> None:
    """What is followed falls on; the judge's break is least on the way, soon after the start."""
    def percent(codes: np.ndarray) -> float:
        return 100.0 * abs(float(codes[:-EACH].mean()) - 0.35)

    wanted = np.full((124, 3), 0.8, np.float32)
    made = Repainting([frame(wanted, percent)], strokes(greys(0.3, 0.8), np.zeros(STROKES)))
    while made.go(4):
        pass
    codes = made._strokes.codes(made.paints, made.reflectance)
    assert percent(codes) == pytest.approx(made.worst_pct, abs=1e-4)
    assert made.begun_pct == pytest.approx(5.0, abs=0.1)
    assert made.worst_pct < 4.0
    assert percent(made._strokes.codes(made._paints, made._reflectance)) > 10.0


def test_a_brush_alone_mixes_every_stroke_by_itself_within_what_paint_can_do() -> None:
    """Under half the light nothing comes to a code of 0.9: the brightest paint is what is left."""
    made = Repainting(
        [frame(np.full((124, 3), 0.9, np.float32))],
        strokes(greys(*np.linspace(0.3, 0.6, STROKES)), np.arange(STROKES), own=True, light=0.5),
    )
    before = made.worst_pct
    while made.go(4):
        pass
    assert made.worst_pct < 0.7 * before
    assert (made.paints == np.arange(STROKES)).all()
    assert made.reflectance.max() <= np.max(BRIGHTEST_PAINT) + 1e-9
    assert made.reflectance.min() >= np.min(DARKEST_PAINT) - 1e-9


def test_threads_change_nothing() -> None:
    wanted = np.random.default_rng(2).uniform(0.2, 0.8, (124, 3)).astype(np.float32)
    found = []
    for threads in (1, 3):
        both, begun = [frame(wanted), frame(wanted[::-1])], strokes(greys(0.2, 0.5, 0.8), np.ones(STROKES))
        made = Repainting(both, begun, threads)
        made.go(8)
        found.append((made.paints, made.reflectance))
    assert (found[0][0] == found[1][0]).all()
    assert (found[0][1] == found[1][1]).all()
