"""Colour decision list of the American Society of Cinematographers, version 1.2: ten numbers that change a picture.

Per channel ``clamp(in * slope + offset) ^ power``, then saturation about the Rec.709 luma, clamped again to 0..1
(ASC CDL transfer functions for interchange, version 1.2). The numbers mean something only together with the values
they are applied to: ``previz.plate.space`` names those.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from previz.colour import LUMINANCE_WEIGHTS, Floats

Triple = tuple[float, float, float]


@dataclass(frozen=True)
class Cdl:
    """Slope (0 or more), offset, power (above 0) of red, green and blue; saturation (0 or more). No unit.

    The default changes nothing but what lies outside 0..1. Raises ``ValueError`` for numbers that the standard forbids.
    """

    slope: Triple = (1.0, 1.0, 1.0)
    offset: Triple = (0.0, 0.0, 0.0)
    power: Triple = (1.0, 1.0, 1.0)
    saturation: float = 1.0

    def __post_init__(self) -> None:
        for name in ("slope", "offset", "power"):
            values = getattr(self, name)
            if len(values) != 3 or not all(math.isfinite(value) for value in values):
                raise ValueError(f"{name} needs three finite numbers, found {values}")
        if min(self.slope) < 0.0:
            raise ValueError(f"slope must not be negative, found {self.slope}")
        if min(self.power) <= 0.0:
            raise ValueError(f"power must be above 0, found {self.power}")
        if not (math.isfinite(self.saturation) and self.saturation >= 0.0):
            raise ValueError(f"saturation must be 0 or more, found {self.saturation}")

    @property
    def changes_nothing(self) -> bool:
        return self == NO_CHANGE

    def rounded(self, decimals: int = 6) -> Cdl:
        """The same to so many decimals, as files carry it; slope and power are kept above 0."""
        least = 10.0**-decimals

        def three(values: Triple, floor: float) -> Triple:
            # adding zero keeps -0.0 out
            r, g, b = (max(round(value, decimals), floor) + 0.0 for value in values)
            return r, g, b

        return Cdl(
            three(self.slope, least),
            three(self.offset, -math.inf),
            three(self.power, least),
            round(self.saturation, decimals),
        )


NO_CHANGE: Final = Cdl()


def slope_offset_power(values: ArrayLike, cdl: Cdl) -> Floats:
    """The first half: (..., 3) values of any range -> 0..1, channel by channel, dtype kept."""
    v = _floats(values)
    slope, offset, power = (np.asarray(three, dtype=v.dtype) for three in (cdl.slope, cdl.offset, cdl.power))
    return np.asarray(np.clip(v * slope + offset, 0.0, 1.0) ** power)


def saturated(values: ArrayLike, saturation: float) -> Floats:
    """The second half: (..., 3) values pulled to (below 1) or from their luma, clamped to 0..1, dtype kept."""
    v = _floats(values)
    luma = (v @ LUMINANCE_WEIGHTS.astype(v.dtype))[..., None]
    return np.asarray(np.clip(luma + v.dtype.type(saturation) * (v - luma), 0.0, 1.0))


def applied(values: ArrayLike, cdl: Cdl) -> Floats:
    """``cdl`` applied to (..., 3) values in its own working space; 0..1, float32 and float64 are kept."""
    return saturated(slope_offset_power(values, cdl), cdl.saturation)


def _floats(values: ArrayLike) -> Floats:
    v = np.asarray(values)
    return v if v.dtype in (np.float32, np.float64) else v.astype(np.float64)
