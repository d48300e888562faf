"""The viewer: how large a degree of the eye's field is in the delivered picture, and what an eye can tell."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from previz.colour import JND_DE76

# Picture heights between eye and screen. 3.2 is the design viewing distance of 1920 x 1080 pictures in
# ITU-R BT.2022 / BT.1845 (from memory): one delivered line is then one minute of arc. Degrees without a word are those
# of this, the middle viewer.
VIEWING_DISTANCE: Final = 3.2

# Spacing of outline pieces, degrees: one pixel of a picture of 540 lines.
PIECE_SPACING_DEG: Final = 1.0 / 30.0

# Half-widths (standard deviations) of the windows that look at either side of the outline, degrees. The windows
# are half a period wide at 8, 4 and 2 cycles a degree: from the peak of the contrast sensitivity function
# (7.9 c/deg, Mannos and Sakrison 1974) to two octaves below it. Half a period holds +-1 standard deviation.
WINDOW_DEG: Final = (1.0 / 32.0, 1.0 / 16.0, 1.0 / 8.0)

# How far from the outline the windows' centres lie, in standard deviations.
WINDOW_OFFSET: Final = 1.5

# The grain of a window is averaged over a window this much wider: a contrast energy needs more room than a mean. It
# lies so many of its own standard deviations from the outline that it sees next to nothing across it (Gaussian windows
# are cut off there), neither the other side's grain nor the step itself, which is no grain. Both by calibration: with 2
# and 1.5 paint averaged over views scores 15 points lower, and random and greedy back-projection as now.
GRAIN_WINDOW: Final = 3.0
GRAIN_OFFSET: Final = 2.5

# A straight edge of height h reads erf(offset / sqrt 2) h through two such windows.
WINDOW_GAIN: Final = math.erf(WINDOW_OFFSET / math.sqrt(2.0))

# A line along the outline that is of another colour than both sides of it is a rim: the window on the outline against
# the mean of the two beside it. A bar two standard deviations wide of height h reads this much of h.
RIM_GAIN: Final = math.erf(1.0 / math.sqrt(2.0)) - 0.5 * (
    math.erf((WINDOW_OFFSET + 1.0) / math.sqrt(2.0)) - math.erf((WINDOW_OFFSET - 1.0) / math.sqrt(2.0))
)

# Who looks, by the picture heights between eye and screen: 1.5 is the design viewing distance of 3840 x 2160 pictures
# (BT.2022, from memory) and about the middle rows of a cinema, 6 a television across a room (common practice, no
# source). All look through the same windows of the picture, as fine as 540 lines show and two octaves wider: half a
# period of 4 to 1 cycles a degree for the near one, 15 to 4 for the far one, where contrast sensitivity is never
# less than a third of its peak (Mannos and Sakrison 1974). They differ in how far along a line they add up.
NEAR, MIDDLE, FAR = "near", "middle", "far"
VIEWING_DISTANCES: Final = {NEAR: 1.5, MIDDLE: VIEWING_DISTANCE, FAR: 6.0}

# Windows are this many times longer along the outline than across it: the eye joins what lies in line.
WINDOW_ASPECT: Final = 2.0

# How far the eye adds up what lies in line, as the standard deviation of a window along the outline, degrees. Colour
# steps of any direction add up by their squares over what the fovea takes in at once (two standard deviations either
# way span its two degrees, textbook value). Grain differs by little but everywhere: its steps add up with their sign,
# over twice as far. Both were chosen by calibration: with shorter windows paint averaged over views scores below
# paint put back by views, which people find less often (tests/benchmarks/calibration.py).
COLOUR_LINE_DEG: Final = 0.5
GRAIN_LINE_DEG: Final = 1.0

# An edge that runs on: the same step on the same side, averaged with its sign over stretches of so many degrees. Eyes
# find a straight edge of shadow across upright columns although each piece of it is ordinary there. The stretch's
# Gaussian window has the standard deviation of a box of that length.
STRETCH_DEG: Final = (1.0, 2.0, 4.0)

# Runs of broken pieces shorter than this are not seen (DEVELOPERS.md, "What the score says"), degrees.
SHORTEST_RUN_DEG: Final = 0.1

# Just noticeable steps: colour in CIELAB units; grain as natural log of the ratio of root mean square contrast.
# A quarter more contrast is about the smallest change seen in a grain well above threshold (Legge and Foley 1980,
# from memory); contrast below GRAIN_FLOOR L* units is about invisible and counts as none.
JND_COLOUR: Final = JND_DE76
JND_GRAIN: Final = math.log(1.25)
GRAIN_FLOOR: Final = 1.0

# Just noticeable step of light, natural log of a ratio: what 2.3 L* are of a middle grey (L* 50, CIE 15).
JND_LIGHT: Final = 3.0 * math.log(1.0 + JND_COLOUR / 66.0)

# How steeply the chance of being found rises with the size of a step: the slope of the Weibull psychometric function of
# contrast detection, about 3.5 (Quick 1974; Robson and Graham 1981; both from memory). A hard limit would make break
# jump by points where a camera moves by a tenth of a millimetre.
PSYCHOMETRIC_SLOPE: Final = 3.5

# A frame holds when break is at most this, percent (DEVELOPERS.md, "What the score says").
HOLDS_BELOW_PCT: Final = 5.0


@dataclass(frozen=True)
class Seat:
    """Where one of the three viewers sits: ``name``, and ``degree``, how many of the middle viewer's degrees one of
    this viewer's degrees spans in the picture."""

    name: str
    degree: float


SEATS: Final = tuple(Seat(name, distance / VIEWING_DISTANCE) for name, distance in VIEWING_DISTANCES.items())
MIDDLE_SEAT: Final = next(seat for seat in SEATS if seat.name == MIDDLE)


@dataclass(frozen=True)
class Viewer:
    """The middle viewer of a picture of ``height_px`` lines."""

    height_px: int

    @property
    def px_per_deg(self) -> float:
        """Pixels to the degree in the middle of the picture."""
        return self.height_px * VIEWING_DISTANCE * math.tan(math.radians(1.0))


def chance_found(size: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    """How likely, 0 to 1, a step is found that is ``size`` (...) times its limit: one half at the limit itself.

    The Weibull psychometric function 1 - 2^-(x^slope), x >= 0 (Quick, Kybernetik 16, 65, 1974, from memory).
    """
    return np.asarray(1.0 - np.exp2(-np.power(np.asarray(size, dtype=np.float64), PSYCHOMETRIC_SLOPE)))
