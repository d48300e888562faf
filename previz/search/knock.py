"""Knocks: what camera, bridge, paint and lamps may be off by, one freedom at a time and all together as a build."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from previz.camera import Camera
from previz.geometry import Array
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.scene.model import Knock, Scene
from previz.stage.misbuilt import Misbuilt

# no drift beyond these is looked for: metres, radians, share of the focal length, dE*ab
_LIMITS = {"mm": 0.02, "deg": math.radians(5.0), "%": 0.05, "dE": 30.0}

# a lamp's errors are looked for as far as their slopes may be trusted: metres, share of its brightness
_LAMP_LIMITS = {"mm": 0.2, "%": 0.5}

# drifts are found to within this, and reported as so many of it
_RESOLUTION = {"mm": 1e-5, "deg": math.radians(0.01), "%": 1e-4, "dE": 0.05}

# the same of lamps, and of all that is set by hand on the bridge
_LAMP_RESOLUTION = {"mm": 1e-3, "%": 5e-3}
_HAND_RESOLUTION = 5e-5

# size of a unit inside
SIZE = {"mm": 1e-3, "deg": math.radians(1.0), "%": 0.01, "dE": 1.0}

# the first drift that is tried, in resolutions, and how much larger each next one is
_FIRST, _GROWTH = 8.0, 1.6

# what the judge itself may be off by, percent points: turning the camera about its entrance pupil, which moves nothing
# against anything, changes the judged break by 0.2 to 0.6 (standard deviation, 960 px wide)
_JUDGE_NOISE = 1.0


@dataclass(frozen=True)
class Slack:
    """Something that may drift: its ``name`` and the two ways it goes in words, its ``unit``, which number of a knock
    it is, what to do where there is little of it, and how it is told to keep ``within`` an amount. What has only a size
    goes one way: ``minus`` is empty."""

    name: str
    unit: str
    index: int
    minus: str
    plus: str
    lock: str
    within: str
    part: str = "camera"

    @property
    def limit(self) -> float:
        """The largest drift that is looked for, inside unit."""
        return (_LAMP_LIMITS if self.part == "lamp" else _LIMITS)[self.unit]

    @property
    def resolution(self) -> float:
        """How closely drifts are found, inside unit."""
        if self.part == "lamp":
            return _LAMP_RESOLUTION[self.unit]
        return _HAND_RESOLUTION if self.part == "bridge" and self.unit == "mm" else _RESOLUTION[self.unit]

    @property
    def sides(self) -> tuple[float, ...]:
        """The ways it goes, -1 and 1."""
        return (-1.0, 1.0) if self.minus else (1.0,)

    def stated(self, knock: Knock) -> float:
        """What build and rig are true to, inside unit."""
        each = (
            *[knock.shift] * 3, *[knock.turn] * 3, knock.focal, knock.paint, knock.paint, knock.paint_turn,
            *[knock.hung] * 3, *[knock.hung_turn] * 3, knock.colour, knock.brush, *[knock.lamp] * 3, knock.lamp_level,
        )  # fmt: skip
        return each[self.index]


# seven of the camera, three of the paint on the bridge, six of the bridge, two of the hand, four of the brightest lamp
SLACKS = (
    Slack("sideways", "mm", 0, "left", "right", "lock the sideways position", "the lens within {} sideways"),
    Slack("height", "mm", 1, "lower", "higher", "lock the height", "the lens within {} in height"),
    Slack("distance", "mm", 2, "nearer", "farther", "lock the distance", "the lens within {} in distance"),
    Slack("pan", "deg", 3, "left", "right", "lock the pan", "the camera within {} in pan"),
    Slack("tilt", "deg", 4, "down", "up", "lock the tilt", "the camera within {} in tilt"),
    Slack("roll", "deg", 5, "left", "right", "lock the roll", "the camera within {} in roll"),
    Slack("focal length", "%", 6, "shorter", "longer", "lock the zoom", "the focal length within {}"),
    Slack("paint across", "mm", 7, "left", "right", "lay the paint true across the bridge",
          "lay the paint within {} across the bridge", "paint"),
    Slack("paint along", "mm", 8, "inwards", "outwards", "lay the paint true along the bridge",
          "lay the paint within {} along the bridge", "paint"),
    Slack("paint turned", "deg", 9, "left", "right", "lay the paint straight on the bridge",
          "lay the paint straight on the bridge within {}", "paint"),
    Slack("bridge sideways", "mm", 10, "left", "right", "hang the bridge true sideways",
          "hang the bridge within {} sideways", "bridge"),
    Slack("bridge height", "mm", 11, "lower", "higher", "hang the bridge true in height",
          "hang the bridge within {} in height", "bridge"),
    Slack("bridge distance", "mm", 12, "in", "out", "hang the bridge tight to the wall",
          "hang the bridge within {} of the wall", "bridge"),
    Slack("bridge yaw", "deg", 13, "left", "right", "hang the bridge square to the wall",
          "hang the bridge within {} in yaw", "bridge"),
    Slack("bridge pitch", "deg", 14, "down", "up", "hang the bridge level along its length",
          "hang the bridge within {} in pitch", "bridge"),
    Slack("bridge roll", "deg", 15, "left", "right", "hang the bridge level across",
          "hang the bridge within {} in roll", "bridge"),
    Slack("colour", "dE", 16, "one way", "the other", "mix the colours true", "colours within {}", "hand"),
    Slack("brush", "mm", 17, "", "wide", "paint with a finer brush", "a brush of {} at most", "hand"),
    Slack("lamp sideways", "mm", 18, "left", "right", "lock the brightest lamp sideways",
          "the brightest lamp within {} sideways", "lamp"),
    Slack("lamp height", "mm", 19, "lower", "higher", "lock the brightest lamp's height",
          "the brightest lamp within {} in height", "lamp"),
    Slack("lamp distance", "mm", 20, "nearer", "farther", "lock the brightest lamp's distance",
          "the brightest lamp within {} in distance", "lamp"),
    Slack("lamp brightness", "%", 21, "dimmer", "brighter", "lock the brightest lamp's brightness",
          "the brightest lamp's brightness within {}", "lamp"),
)  # fmt: skip

# where in a knock they stand
_HUNG, _COLOUR, _BRUSH, _LAMPS = slice(10, 16), 16, 17, 18


def slacks_of(scene: Scene) -> tuple[Slack, ...]:
    """What may be off in a scene: no lamp where there is none, no hand where nothing is painted, and no brush where a
    picture to paint from asks for nothing finer."""
    bridge = scene.bridge
    left_out = set() if scene.lamps else {"lamp"}
    names = set()
    if bridge.image is None and bridge.paint == "bare":
        left_out |= {"hand", "paint"}
    finest = scene.paint.brush
    if bridge.image is not None and finest is not None and finest >= scene.knock.brush:
        names.add("brush")
    return tuple(slack for slack in SLACKS if slack.part not in left_out and slack.name not in names)


def knocked(camera: Camera, knock: Array) -> Camera:
    """A camera after a knock (22 or more,): shift to camera right, up and out of the wall (m), pan, tilt, roll (rad),
    focal length (share); the rest leaves the camera alone."""
    return camera.moved(
        knock[:3],
        pan=float(knock[3]),
        tilt=float(knock[4]),
        roll=float(knock[5]),
        focal_factor=1.0 + float(knock[6]),
    )


def misprint(knock: Array) -> Array:
    """How far (3,) m the paint lies off its place after a knock: across the bridge and along it."""
    return np.array([knock[7], 0.0, knock[8]])


def misbuilt(knock: Array, seed: tuple[int, ...]) -> Misbuilt | None:
    """What a knock, the camera's part apart, does to the build; None where it does nothing. ``seed`` says which colours
    are mixed wrong and how strokes fall."""
    if not knock[7:].any():
        return None
    return Misbuilt(
        misprint(knock),
        float(knock[9]),
        np.array(knock[_HUNG]),
        float(knock[_COLOUR]),
        float(knock[_BRUSH]),
        np.array(knock[_LAMPS:]).reshape(-1, 4),
        seed,
    )


def only(slack: Slack, drift: float) -> Array:
    """The knock (22,) of one drift alone."""
    out = np.zeros(len(SLACKS))
    out[slack.index] = drift
    return out


def limit_of(as_it_is: float) -> float:
    """Break (percent) from which a frame counts as lost to a knock, by its break as it is.

    The usual limit; but a frame that is close to it already is not called lost for what the judge cannot tell.
    """
    return max(HOLDS_BELOW_PCT, as_it_is + _JUDGE_NOISE)


def largest_drift(
    holds: Callable[[float], bool], limit: float, resolution: float, closely: float = 0.0
) -> float | None:
    """The largest drift, 0 to ``limit``, up to which all is well; None where it is well all the way.

    The first place where ``holds`` fails is looked for outwards in growing steps and then halved in between, to
    ``resolution`` or to the share ``closely`` of itself; the answer is on the safe side of it. A failure that ends
    again within one step may be missed.
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
    while broken - held > max(resolution * (1.0 + 1e-9), closely * held):
        middle = 0.5 * (held + broken)
        if holds(middle):
            held = middle
        else:
            broken = middle
    return math.floor(held / resolution + 1e-9) * resolution


def sample(knock: Knock, number: int, lamps: int = 1) -> Array:
    """Build number ``number`` of a set with so many ``lamps``: a knock (18 + 4 lamps,), every error evenly spread
    within plus and minus what is stated.

    "Plus or minus a millimetre" to a builder is a promise, not a deviation: nothing is outside, and nothing inside is
    likelier than the rest (common practice, no source; ISO/IEC Guide 98-3, 4.3.7, does the same where only limits
    are known, from memory). Colours err over the bridge by all that is stated and less, and the brush is the brush. The
    same seed and number give the same build.
    """
    stated = np.array([slack.stated(knock) for slack in SLACKS])
    stated = np.concatenate([stated, np.tile(stated[_LAMPS:], max(lamps - 1, 0))])
    out = np.random.default_rng([knock.seed, number]).uniform(-1.0, 1.0, len(stated)) * stated
    out[[_COLOUR, _BRUSH]] = stated[[_COLOUR, _BRUSH]]
    return np.asarray(out)


def counted(knock: Array, slacks: Sequence[Slack]) -> Array:
    """A knock with only those errors that are among ``slacks``; what is counted of one lamp is of all."""
    keep = np.zeros(len(knock), dtype=bool)
    indices = [slack.index for slack in slacks]
    keep[indices] = True
    keep[_LAMPS:] = np.resize(keep[_LAMPS : len(SLACKS)], len(knock) - _LAMPS)
    return np.where(keep, knock, 0.0)


def eased(knock: Array, slacks: Sequence[Slack], share: float) -> Array:
    """A knock whose errors among ``slacks`` are ``share`` of what they were, those of every lamp alike."""
    factor = np.ones(len(knock))
    factor[[slack.index for slack in slacks]] = share
    factor[_LAMPS:] = np.resize(factor[_LAMPS : len(SLACKS)], len(knock) - _LAMPS)
    return knock * factor


@dataclass(frozen=True)
class Drift:
    """How far one freedom may drift to either side, inside unit; None where the limit of the search comes first.

    ``station`` holds the frame at the station point, ``hold`` every frame of the hold that was looked at. ``added`` is
    how many points of break its stated error alone adds where it adds most, None where nothing was looked at.
    """

    slack: Slack
    station: tuple[float | None, float | None]
    hold: tuple[float | None, float | None]
    added: float | None = None

    def strain(self, stated: float) -> float:
        """Stated error / what the hold allows on its worse side: above 1 it can be lost by this freedom alone."""
        allowed = smaller(self.hold)
        if allowed is None or stated == 0.0:
            return 0.0
        return stated / allowed if allowed > 0.0 else math.inf


def costliest(drifts: Sequence[Drift], knock: Knock, most: int = 3) -> list[Drift]:
    """The errors that cost most, worst first, ``most`` at most: by what their stated size is of what the hold allows,
    and by what it adds to break where the hold allows it all. None that costs nothing."""
    order = sorted(drifts, key=lambda d: (-d.strain(d.slack.stated(knock)), -(d.added or 0.0), d.slack.index))
    return [d for d in order if d.strain(d.slack.stated(knock)) > 0.0 or (d.added or 0.0) > _JUDGE_NOISE][:most]


def smaller(sides: Sequence[float | None]) -> float | None:
    """The smaller of two drifts; None is beyond all."""
    known = [side for side in sides if side is not None]
    return min(known) if known else None
