"""Lamps on the mains, and how unevenly they light frames: which shutters and rates are safe at 50 and 60 Hz.

A lamp without a steady supply follows the mains: its light is taken as a rectified sine, |sin(2 pi f t)| at the
mains frequency f, dark twice a period. Filaments glow on through the gaps and flicker less, lamps on good electronic
supplies not at all: what is told here is the worst.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

# the two mains frequencies of the world, Hz
MAINS = (50, 60)

# light between frames that may differ by less than this, in stops, is taken for steady: common practice, no source
STEADY = 0.02

# how nearly (share of a half period) a rate must divide the flicker for every frame to begin at the same moment of it
_LOCKED = 1e-6


@dataclass(frozen=True)
class Flicker:
    """A shutter and a rate under lamps on one kind of mains.

    ``differs`` is how many stops one frame may be brighter than another; ``held`` whether the exposure holds a whole
    number of half periods, ``locked`` whether each frame begins at the same moment of the flicker. ``near_shutter`` (s)
    is the nearest exposure that is safe (None where a frame is too short for one), ``near_rate`` the nearest rate that
    is locked.
    """

    mains: int
    half_periods: float
    differs: float
    locked: bool
    near_shutter: float | None
    near_rate: float

    @property
    def held(self) -> bool:
        """Whether the exposure holds so nearly a whole number of half periods that no frame is seen to differ."""
        return self.differs <= STEADY

    @property
    def safe(self) -> bool:
        """Whether every frame gets the same light."""
        return self.held or self.locked


def uneven(exposure: float, mains: float) -> float:
    """Stops by which the brightest frame may exceed the darkest, for lamps that follow |sin(2 pi f t)|.

    An exposure (s) is n half periods and a rest r of one. Each whole half holds 2 (as an angle); the rest holds most
    where it lies about a crest, 2 sin(x / 2), and least about a gap, 2 (1 - cos(x / 2)), with x = pi r: integrals of
    the sine, so log2((n + sin(x / 2)) / (n + 1 - cos(x / 2))).
    """
    halves = exposure * 2.0 * mains
    whole = math.floor(halves + 1e-9)
    rest = max(halves - whole, 0.0)
    x = 0.5 * math.pi * rest
    most, least = whole + math.sin(x), whole + 1.0 - math.cos(x)
    return math.log2(most / least) if least > 0.0 else math.inf


def flicker(exposure: float, rate: float, mains: int) -> Flicker:
    """What lamps on mains of ``mains`` Hz do to frames exposed for ``exposure`` s at ``rate`` a second."""
    beats = 2.0 * mains
    most = math.floor(beats / rate + 1e-9)
    wanted = min(max(round(exposure * beats), 1), most)
    # a rate is locked where its frame time is a whole number of half periods
    turns = max(beats / rate, 1.0)
    near = min({math.floor(turns), math.ceil(turns)}, key=lambda n: abs(beats / n - rate))
    return Flicker(
        mains=mains,
        half_periods=exposure * beats,
        differs=uneven(exposure, mains),
        locked=abs(turns - round(turns)) <= _LOCKED and beats / rate >= 1.0 - _LOCKED,
        near_shutter=wanted / beats if most >= 1 else None,
        near_rate=beats / near,
    )


def time_text(seconds: float) -> str:
    """An exposure time as it is set: ``1/50 s``, ``1/48.0 s``, ``2.5 s``."""
    if seconds >= 0.4:
        return f"{seconds:g} s"
    part = 1.0 / seconds
    return f"1/{part:.0f} s" if abs(part - round(part)) < 0.005 * part else f"1/{part:.1f} s"


def flicker_text(found: Flicker) -> str:
    """One plain sentence without its stop: safe or not, and what would be."""
    halves = f"{found.half_periods:.2f} half periods".replace(".00 ", " ")
    if found.held:
        return f"safe: the exposure holds {halves}"
    if found.locked:
        return f"steady while the rate stays locked to the mains: the exposure holds {halves}"
    differs = f"up to {found.differs:.2f} stops" if math.isfinite(found.differs) else "without limit"
    shutter = "" if found.near_shutter is None else f"{time_text(found.near_shutter)} or "
    return f"not safe: {halves}, frames differ by {differs}; safe are {shutter}{found.near_rate:.6g} frames/s"
