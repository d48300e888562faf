"""The values that a colour match works on: linear light, or its logarithm with a toe; and a fast way to apply it.

"linear" is linear light with Rec.709 primaries. "log" is ACEScct as its standard has it (Academy S-2016-001, section
4.4): primaries AP1, white about D60, a logarithm with a toe; what is called so elsewhere takes the numbers as they are.
0 and 1 of it are -0.0069 and 222.9 times the delivered white. The white D65 becomes AP1's by Bradford's adaptation.
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
    "linear": "linear light, Rec.709 primaries, D65, 1.0 is the delivered white; decode sRGB codes first",
    "log": "ACEScct (S-2016-001): its logarithm of linear light with AP1 primaries; decode sRGB codes first, then go "
    "from Rec.709 D65 to AP1",
}

# a space's name in names of files and corrections
SPACE_NAMES: Final[dict[Space, str]] = {"linear": "linear-rec709", "log": "acescct-ap1"}

# AP1 from linear Rec.709, D65 to the white of ACES by Bradford's adaptation; primaries of S-2014-004 and BT.709-6, to
# ten decimals; held against OpenColorIO and colour-science by tests/plate/test_space.py
AP1_FROM_RGB: Final = np.array(
    [
        [0.6130974024, 0.3395231462, 0.0473794514],
        [0.0701937225, 0.9163538791, 0.0134523985],
        [0.0206155929, 0.1095697729, 0.8698146341],
    ]
)
RGB_FROM_AP1: Final = np.linalg.inv(AP1_FROM_RGB)

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
    """Linear light (..., 3), Rec.709, in the working space."""
    v = np.asarray(linear)
    return v if space == "linear" else log_of(v @ AP1_FROM_RGB.T.astype(v.dtype))


def lit(values: ArrayLike, space: Space) -> Floats:
    """Working values (..., 3) as linear light, Rec.709."""
    v = np.asarray(values)
    return v if space == "linear" else linear_of(v) @ RGB_FROM_AP1.T.astype(v.dtype)


def graded(linear: ArrayLike, cdl: Cdl, space: Space) -> Floats:
    """Linear light (..., 3) after ``cdl`` in ``space``, exactly; may lie beyond 0..1 in the log space. Dtype kept."""
    return lit(applied(worked(linear, space), cdl), space)


class Grade:
    """``cdl`` in ``space`` as tables, for many frames: called with linear light (..., 3) in 0..1 (beyond is clipped).

    Gives float32 linear light, clipped to 0..1. The tables step by 1 / 262143 of the square root of light, so that
    blacks are served as finely as the eye needs: within 0.1 of an 8-bit sRGB code of :func:`graded`.
    """

    _LAST: Final = 262143

    def __init__(self, cdl: Cdl, space: Space) -> None:
        self.cdl, self.space = cdl, space
        light = (np.arange(self._LAST + 1) / self._LAST) ** 2
        curve = light if space == "linear" else log_of(light)
        ramp = np.repeat(curve[:, None], 3, axis=1)
        self._tables = np.ascontiguousarray(slope_offset_power(ramp, cdl).T.astype(np.float32))
        self._back: NDArray[np.float32] = linear_of(light).astype(np.float32)

    def __call__(self, linear: ArrayLike) -> NDArray[np.float32]:
        v = np.asarray(linear, dtype=np.float32)
        if self.cdl.changes_nothing:
            return np.clip(v, np.float32(0.0), np.float32(1.0))
        if self.space == "log":
            v = v @ AP1_FROM_RGB.T.astype(np.float32)
        out = np.empty_like(v)
        for channel in range(3):
            out[..., channel] = self._tables[channel][self._place(v[..., channel])]
        if self.cdl.saturation != 1.0:
            luma = (out @ LUMINANCE_WEIGHTS.astype(np.float32))[..., None]
            out = luma + np.float32(self.cdl.saturation) * (out - luma)
        if self.space == "log":
            out = self._back[self._place(out)] @ RGB_FROM_AP1.T.astype(np.float32)
        return np.clip(out, np.float32(0.0), np.float32(1.0), out=out)

    def _place(self, values: NDArray[np.float32]) -> NDArray[np.intp]:
        root = np.sqrt(np.clip(values, np.float32(0.0), np.float32(1.0)))
        return (root * np.float32(self._LAST) + np.float32(0.5)).astype(np.intp)
