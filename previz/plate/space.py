"""The values that a colour match works on: linear light, or its logarithm with a toe; and a fast way to apply it.

The logarithm is the curve of ACEScct (Academy S-2016-001, section 4.4) on linear light with Rec.709 primaries: the
curve only, not that encoding's primaries. 0 and 1 of it are -0.0069 and 222.9 times the delivered white.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from previz.colour import LUMINANCE_WEIGHTS, Floats
from previz.plate.cdl import Cdl, applied, slope_offset_power

Space = Literal["linear", "log"]

# what a colour decision list file says of its input
SPACE_WORDS: Final[dict[Space, str]] = {
    "linear": "linear light, Rec.709 primaries, D65, 1.0 is the delivered white",
    "log": "ACEScct curve (S-2016-001) on linear light with Rec.709 primaries, D65",
}

# S-2016-001, equations 2 and 3
_TOE_END: Final = 0.0078125
_TOE_SLOPE: Final = 10.5402377416545
_TOE_START: Final = 0.0729055341958355
_STOPS: Final = 17.52
_STOPS_BELOW: Final = 9.72
_TOE_END_CODE: Final = _TOE_SLOPE * _TOE_END + _TOE_START


def log_of(linear: ArrayLike) -> Floats:
    """Log code values of linear light, any shape, float dtype kept; black is 0.0729, white 0.5548."""
    v = np.asarray(linear)
    toe = _TOE_SLOPE * v + _TOE_START
    return np.where(v <= _TOE_END, toe, (np.log2(np.maximum(v, _TOE_END)) + _STOPS_BELOW) / _STOPS).astype(v.dtype)


def linear_of(code: ArrayLike) -> Floats:
    """Linear light of log code values; the inverse of :func:`log_of`."""
    c = np.asarray(code)
    light = np.exp2(np.maximum(c, _TOE_END_CODE) * _STOPS - _STOPS_BELOW)
    return np.where(c <= _TOE_END_CODE, (c - _TOE_START) / _TOE_SLOPE, light).astype(c.dtype)


def linear_slope_of(code: ArrayLike) -> Floats:
    """Derivative of :func:`linear_of`."""
    c = np.asarray(code)
    light = np.exp2(np.maximum(c, _TOE_END_CODE) * _STOPS - _STOPS_BELOW)
    return np.where(c <= _TOE_END_CODE, 1.0 / _TOE_SLOPE, light * (_STOPS * np.log(2.0))).astype(c.dtype)


def worked(linear: ArrayLike, space: Space) -> Floats:
    """Linear light in the working space."""
    return np.asarray(linear) if space == "linear" else log_of(linear)


def lit(values: ArrayLike, space: Space) -> Floats:
    """Working values as linear light."""
    return np.asarray(values) if space == "linear" else linear_of(values)


def graded(linear: ArrayLike, cdl: Cdl, space: Space) -> Floats:
    """Linear light (..., 3) after ``cdl`` in ``space``, exactly; may exceed 1 in the log space. Dtype kept."""
    return lit(applied(worked(linear, space), cdl), space)


class Grade:
    """``cdl`` in ``space`` as tables, for many frames: called with linear light (..., 3) in 0..1 (beyond is clipped).

    Gives float32 linear light, clipped to 0..1. The tables step by 1 / 65535 of the square root of light, so that
    blacks are served as finely as the eye needs: within 0.1 of an 8-bit sRGB code of :func:`graded`.
    """

    _LAST: Final = 65535

    def __init__(self, cdl: Cdl, space: Space) -> None:
        self.cdl, self.space = cdl, space
        light = (np.arange(self._LAST + 1) / self._LAST) ** 2
        ramp = np.repeat(light[:, None], 3, axis=1)
        self._tables = np.ascontiguousarray(slope_offset_power(worked(ramp, space), cdl).T.astype(np.float32))
        self._back: NDArray[np.float32] = linear_of(light).astype(np.float32)

    def __call__(self, linear: ArrayLike) -> NDArray[np.float32]:
        v = np.asarray(linear, dtype=np.float32)
        if self.cdl.changes_nothing:
            return np.clip(v, np.float32(0.0), np.float32(1.0))
        out = np.empty_like(v)
        for channel in range(3):
            out[..., channel] = self._tables[channel][self._place(v[..., channel])]
        if self.cdl.saturation != 1.0:
            luma = (out @ LUMINANCE_WEIGHTS.astype(np.float32))[..., None]
            out = luma + np.float32(self.cdl.saturation) * (out - luma)
        if self.space == "log":
            out = self._back[self._place(out)]
        return np.clip(out, np.float32(0.0), np.float32(1.0), out=out)

    def _place(self, values: NDArray[np.float32]) -> NDArray[np.intp]:
        root = np.sqrt(np.clip(values, np.float32(0.0), np.float32(1.0)))
        return (root * np.float32(self._LAST) + np.float32(0.5)).astype(np.intp)
