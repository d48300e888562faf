"""Strokes that lie repainted, so that the bridge is found least: what a brush and a palette leave is followed downhill.

Paint solved without a brush loses most of what was won when it is laid. Here the paint is always one that a hand can
lay: strokes of one width, each of one paint. Two things are changed by turns: which paint a stroke gets, and what the
paints are mixed to. Which strokes gain by which paint is told to first order by the gradient of the softened break
(:mod:`previz.paint.sensitivity`) and believed for no more strokes at once than has proved true before (a trust region
on the number of strokes, as in Conn, Gould, Toint, *Trust-Region Methods*, 2000, from memory); every step is tried
before it is taken, so nothing ever becomes worse on the frames that are followed.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.paint.solver import FRAME_POWER, HeldFrame
from previz.workshop.pigment import BRIGHTEST_PAINT, DARKEST_PAINT

Codes = NDArray[np.float32]
Array = NDArray[np.float64]

# looks at all frames, at most
LOOKS: Final = 24

# share of the strokes that gain to repaint at first, and how it grows with success and shrinks without
_TRUST: Final = 0.1
_GROWS, _SHRINKS = 1.6, 0.3

# how far (codes, 0 to 1) a stroke's colour may go at once, at first, and the least that this comes to
_NEAR: Final = 0.08
_LEAST_NEAR: Final = 0.01

# how far (codes, 0 to 1) paints are mixed otherwise at first, and the least that is worth a look
_MIXED: Final = 0.02
_LEAST_MIXED: Final = 0.002


@dataclass(frozen=True, eq=False)
class StrokeMap:
    """Strokes on a texture of T texels: ``number`` (T,) int32 is that of each texel's, -1 where there is none.

    ``paints`` (N,) int32 are the strokes' rows of ``reflectance`` (K, 3), linear light. Where ``own`` is set every
    stroke has a paint of its own, and keeps it. ``rest`` (T, 3) are the codes of texels without a stroke, ``light``
    (T, 3) what falls on them all.
    """

    number: NDArray[np.int32]
    paints: NDArray[np.int32]
    reflectance: Array
    light: Codes
    rest: Codes
    own: bool

    def codes(self, paints: NDArray[np.int32], reflectance: Array) -> Codes:
        """Codes (T, 3), 0 to 1, of the texture with other paints."""
        on = self.number >= 0
        out = self.rest.copy()
        out[on] = colour.encoded(reflectance[paints[self.number[on]]].astype(np.float32) * self.light[on])
        return np.clip(out, 0.0, 1.0)


class Repainting:
    """Repaints the strokes of a map for some frames, and remembers how far it has come.

    ``paints`` and ``reflectance`` are the best so far by the judge's worst frame, ``worst_pct`` its break there,
    ``begun_pct`` that of what was begun with, ``looks`` how often all frames were looked at. The same input gives the
    same answer, whatever the number of ``threads``.
    """

    def __init__(self, frames: Sequence[HeldFrame], strokes: StrokeMap, threads: int = 2) -> None:
        self._frames, self._strokes, self._threads = frames, strokes, threads
        self._paints, self._reflectance = strokes.paints.copy(), strokes.reflectance.copy()
        self.paints, self.reflectance = self._paints, self._reflectance
        count = len(strokes.paints)
        on = strokes.number >= 0
        self._on = np.flatnonzero(on)
        self._of = strokes.number[on]
        size = np.maximum(np.bincount(self._of, minlength=count), 1)
        self._light = self._summed(strokes.light) / size[:, None]
        self._trust, self._near = _TRUST, _NEAR
        self._mixed = _MIXED
        self._tried = np.zeros(count, dtype=np.bool_)
        self.looks = 0
        self._value, self._slope, self.worst_pct = self._look(self._paints, self._reflectance)
        self.begun_pct, self._best = self.worst_pct, self._value

    def go(self, looks: int) -> bool:
        """Look up to about so many times more; whether it is worth going on."""
        until = self.looks + looks
        while self.looks < min(until, LOOKS):
            shared = not self._strokes.own and self._repaint()
            if not self._mix() and not shared:
                return False
        return self.looks < LOOKS

    def _repaint(self) -> bool:
        """Give those strokes another paint that seem to gain most; whether anything was won."""
        while self.looks < LOOKS:
            gain, paint = self._gains()
            order = np.flatnonzero(gain > 0.0)
            if len(order) == 0:
                return False
            order = order[np.argsort(-gain[order], kind="stable")]
            chosen = order[: max(int(self._trust * len(order)), 1)]
            paints = self._paints.copy()
            paints[chosen] = paint[chosen]
            if self._take(paints, self._reflectance):
                self._trust, self._near = min(_GROWS * self._trust, 1.0), min(_GROWS * self._near, 1.0)
                return True
            self._trust = max(_SHRINKS * self._trust, 1.0 / len(order))
            self._near = max(0.5 * self._near, _LEAST_NEAR)
            if len(chosen) == 1:
                # what did not help alone is not asked again
                self._tried[chosen] = True
                return False
        return False

    def _gains(self) -> tuple[Array, NDArray[np.int32]]:
        """How much (N,) the whole gains by each stroke's best other paint, and that paint (N,).

        To first order, less what is lost to the bend of the curve: it is taken to turn back at a change of ``_near``.
        """
        slope = self._summed(self._slope)
        # (K, N, 3)
        codes = colour.encoded(self._reflectance[:, None] * self._light[None])
        change = codes - codes[self._paints, np.arange(len(self._paints))][None]
        bend = 0.5 / self._near * np.linalg.norm(slope, axis=-1)[None] * (change**2).sum(axis=-1)
        gains = -(change * slope[None]).sum(axis=-1) - bend
        best = gains.argmax(axis=0)
        gain = gains[best, np.arange(len(best))]
        gain[self._tried] = 0.0
        return np.asarray(gain), best.astype(np.int32)

    def _mix(self) -> bool:
        """Mix the paints a little otherwise, downhill; whether anything was won."""
        size = len(self._reflectance)
        # how a stroke's codes go with its paint's: both are sRGB's curve, so in the ratio of the codes
        own = colour.encoded(self._reflectance)[self._paints]
        lit = colour.encoded(self._reflectance[self._paints] * self._light)
        each = self._summed(self._slope) * lit / np.maximum(own, 1e-3)
        slope = np.stack([np.bincount(self._paints, weights=each[:, c], minlength=size) for c in range(3)], axis=-1)
        length = np.linalg.norm(slope, axis=-1, keepdims=True)
        usual = float(np.sqrt(np.mean(length**2)))
        if usual == 0.0:
            return False
        way = slope / (length + 0.3 * usual)
        while self._mixed >= _LEAST_MIXED and self.looks < LOOKS:
            codes = np.clip(colour.encoded(self._reflectance) - self._mixed * way, 0.0, 1.0)
            mixed = np.clip(colour.decoded(codes), DARKEST_PAINT, BRIGHTEST_PAINT).astype(np.float64)
            if self._take(self._paints, mixed):
                return True
            self._mixed *= 0.5
        return False

    def _take(self, paints: NDArray[np.int32], reflectance: Array) -> bool:
        """Try other paints; they are gone on with where less is found."""
        value, slope, worst = self._look(paints, reflectance)
        if (worst, value) < (self.worst_pct, self._best):
            self.paints, self.reflectance, self.worst_pct, self._best = paints, reflectance, worst, value
        if value >= self._value:
            return False
        self._paints, self._reflectance, self._value, self._slope = paints, reflectance, value, slope
        return True

    def _look(self, paints: NDArray[np.int32], reflectance: Array) -> tuple[float, Codes, float]:
        """The power mean over frames of what is found, its slope (T, 3) for the codes, and the worst break, percent."""
        codes = self._strokes.codes(paints, reflectance)
        self.looks += 1
        with ThreadPoolExecutor(self._threads) as pool:
            found = list(pool.map(lambda frame: frame.at(codes), self._frames))
        shares = np.array([one.share for one in found])
        value = float((shares**FRAME_POWER).mean() ** (1.0 / FRAME_POWER))
        weights = (shares / max(value, 1e-12)) ** (FRAME_POWER - 1.0) / len(shares)
        slope = np.zeros_like(codes)
        # frames that weigh next to nothing cost as much as the others
        for k in np.flatnonzero(weights > 1e-3 * weights.max()):
            self._frames[int(k)].model.slope(np.float32(weights[k]) * found[k].slope, None, codes, slope)
        return value, slope, max(one.percent for one in found)

    def _summed(self, values: Codes) -> Array:
        """Sums (N, 3) over the strokes of values (T, 3)."""
        part, count = values[self._on], len(self._strokes.paints)
        return np.stack([np.bincount(self._of, weights=part[:, c], minlength=count) for c in range(3)], axis=-1)
