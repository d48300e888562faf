"""Knocks: what a camera and its paint may drift by, one freedom at a time and all together."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from previz.camera import Camera
from previz.geometry import Array
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.scene.model import Knock

# no drift beyond these is looked for: metres, radians, share of the focal length
_LIMITS = {"mm": 0.02, "deg": math.radians(5.0), "%": 0.05}

# drifts are found to within this, and reported as so many of it
_RESOLUTION = {"mm": 1e-5, "deg": math.radians(0.01), "%": 1e-4}

# size of a unit inside
SIZE = {"mm": 1e-3, "deg": math.radians(1.0), "%": 0.01}

# the first drift that is tried, in resolutions, and how much larger each next one is
_FIRST, _GROWTH = 8.0, 1.6

# what the judge itself may be off by, percent points: turning the camera about its entrance pupil, which moves nothing
# against anything, changes the judged break by 0.2 to 0.6 (standard deviation, 960 px wide)
_JUDGE_NOISE = 1.0

# 95 of 100: the quantile of the normal distribution that leaves 2.5 % above it
_Z95 = 1.959963984540054


@dataclass(frozen=True)
class Slack:
    """Something that may drift: its ``name`` and the two ways it goes in words, its ``unit``, which number of a knock
    it is, and what to do where there is little of it."""

    name: str
    unit: str
    index: int
    minus: str
    plus: str
    lock: str

    @property
    def limit(self) -> float:
        """The largest drift that is looked for, inside unit."""
        return _LIMITS[self.unit]

    @property
    def resolution(self) -> float:
        """How closely drifts are found, inside unit."""
        return _RESOLUTION[self.unit]

    def stated(self, knock: Knock) -> float:
        """What build and rig are true to, inside unit."""
        each = (*[knock.shift] * 3, *[knock.turn] * 3, knock.focal, knock.paint, knock.paint)
        return each[self.index]


# seven of the camera, two of the paint
SLACKS = (
    Slack("sideways", "mm", 0, "left", "right", "lock the sideways position"),
    Slack("height", "mm", 1, "lower", "higher", "lock the height"),
    Slack("distance", "mm", 2, "nearer", "farther", "lock the distance"),
    Slack("pan", "deg", 3, "left", "right", "lock the pan"),
    Slack("tilt", "deg", 4, "down", "up", "lock the tilt"),
    Slack("roll", "deg", 5, "left", "right", "lock the roll"),
    Slack("focal length", "%", 6, "shorter", "longer", "lock the zoom"),
    Slack("paint across", "mm", 7, "left", "right", "lay the paint true across the bridge"),
    Slack("paint along", "mm", 8, "inwards", "outwards", "lay the paint true along the bridge"),
)


def knocked(camera: Camera, knock: Array) -> Camera:
    """A camera after a knock (9,): shift to camera right, up and out of the wall (m), pan, tilt, roll (rad), focal
    length (share), and the paint's, which leaves the camera alone."""
    return camera.moved(
        knock[:3],
        pan=float(knock[3]),
        tilt=float(knock[4]),
        roll=float(knock[5]),
        focal_factor=1.0 + float(knock[6]),
    )


def misprint(knock: Array) -> Array:
    """How far (3,) m the paint lies off its place after a knock (9,): across the bridge and along it."""
    return np.array([knock[7], 0.0, knock[8]])


def only(slack: Slack, drift: float) -> Array:
    """The knock (9,) of one drift alone."""
    out = np.zeros(len(SLACKS))
    out[slack.index] = drift
    return out


def limit_of(as_it_is: float) -> float:
    """Break (percent) from which a frame counts as lost to a knock, by its break as it is.

    The usual limit; but a frame that is close to it already is not called lost for what the judge cannot tell.
    """
    return max(HOLDS_BELOW_PCT, as_it_is + _JUDGE_NOISE)


def largest_drift(holds: Callable[[float], bool], limit: float, resolution: float) -> float | None:
    """The largest drift, 0 to ``limit``, up to which all is well; None where it is well all the way.

    The first place where ``holds`` fails is looked for outwards in growing steps and then halved in between, to
    ``resolution``; the answer is on the safe side of it. A failure that ends again within one step may be missed.
    """
    if not holds(0.0):
        return 0.0
    held, step = 0.0, _FIRST * resolution
    while True:
        tried = min(step, limit)
        if not holds(tried):
            break
        if tried >= limit:
            return None
        held, step = tried, step * _GROWTH
    broken = tried
    while broken - held > resolution * (1.0 + 1e-9):
        middle = 0.5 * (held + broken)
        if holds(middle):
            held = middle
        else:
            broken = middle
    return math.floor(held / resolution + 1e-9) * resolution


def sample(knock: Knock, number: int) -> Array:
    """Build number ``number``: a knock (9,), every error evenly spread within plus and minus what is stated.

    "Plus or minus a millimetre" to a builder is a promise, not a deviation: nothing is outside, and nothing inside is
    likelier than the rest (common practice, no source; ISO/IEC Guide 98-3, 4.3.7, does the same where only limits
    are known, from memory). The same seed and number give the same build.
    """
    spread = np.random.default_rng([knock.seed, number]).uniform(-1.0, 1.0, len(SLACKS))
    return np.asarray(spread * np.array([slack.stated(knock) for slack in SLACKS]))


def wilson(successes: int, trials: int) -> tuple[float, float]:
    """95 % confidence interval of a probability, 0 to 1, from ``successes`` in ``trials``.

    Wilson, Journal of the American Statistical Association 22, 209-212, 1927. Without trials nothing is known: 0 to 1.
    """
    if trials == 0:
        return 0.0, 1.0
    share, z2 = successes / trials, _Z95**2
    middle = (share + z2 / (2 * trials)) / (1 + z2 / trials)
    half = _Z95 / (1 + z2 / trials) * math.sqrt(share * (1 - share) / trials + z2 / (4 * trials**2))
    low = 0.0 if successes == 0 else middle - half
    return low, 1.0 if successes == trials else middle + half


@dataclass(frozen=True)
class Drift:
    """How far one freedom may drift to either side, inside unit; None where the limit of the search comes first.

    ``station`` holds the frame at the station point, ``hold`` every frame of the hold that was looked at.
    """

    slack: Slack
    station: tuple[float | None, float | None]
    hold: tuple[float | None, float | None]

    def strain(self, stated: float) -> float:
        """Stated error / what the hold allows on its worse side: above 1 it can be lost by this freedom alone."""
        allowed = smaller(self.hold)
        if allowed is None or stated == 0.0:
            return 0.0
        return stated / allowed if allowed > 0.0 else math.inf


def smaller(sides: Sequence[float | None]) -> float | None:
    """The smaller of two drifts; None is beyond all."""
    known = [side for side in sides if side is not None]
    return min(known) if known else None
