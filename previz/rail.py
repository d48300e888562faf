"""The track that the camera rides, and how far along it the camera is at a time of the shot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import floor

import numpy as np
from numpy.typing import ArrayLike

from previz.geometry import Array, unit


def eased(progress: ArrayLike, ease: float) -> Array:
    """Share of the travel done when ``progress`` (...), 0 to 1, of the frames has gone by.

    The speed rises evenly from rest over the first ``ease`` (0 to 0.5) of the frames, stays constant, and
    falls evenly to rest over the last ``ease``: a trapezium of speed, integrated.
    """
    t = np.clip(np.asarray(progress, dtype=np.float64), 0.0, 1.0)
    if not 0.0 <= ease <= 0.5:
        raise ValueError(f"ease must lie between 0 and 0.5, not {ease}")
    if ease == 0.0:
        return t
    top_speed = 1.0 / (1.0 - ease)
    start = 0.5 * top_speed / ease * t**2
    middle = top_speed * (t - 0.5 * ease)
    end = 1.0 - 0.5 * top_speed / ease * (1.0 - t) ** 2
    return np.where(t < ease, start, np.where(t > 1.0 - ease, end, middle))


@dataclass(frozen=True)
class Piece:
    """A stretch of the slide from rest to rest: ``length`` m of travel, signed, between two times of the shot.

    Times are in frames from the first frame of the shot, here whole ones.
    """

    begins: int
    ends: int
    length: float


@dataclass(frozen=True)
class Timing:
    """When the camera stands and when it moves. Times are in frames from the first frame of the shot.

    The slide goes from ``begins`` to ``ends`` in ``pieces``, each eased by ``ease``; between two of them the camera
    pauses. Pieces need not be there: then nothing travels. Before and after all stands.
    """

    begins: int
    ends: int
    pieces: tuple[Piece, ...]
    ease: float

    def travelled(self, time: ArrayLike) -> Array:
        """Travel (...) m since the start at times (...), fractional ones too."""
        t = np.asarray(time, dtype=np.float64)
        return self._sum([_share(t, p.begins, p.ends) for p in self.pieces], t.shape)

    def at_frames(self, count: int) -> Array:
        """The same (``count``,) m at the first ``count`` whole frames."""
        frame = np.arange(count)
        # the even steps of a row of shares, to the last digit
        shares = [
            np.linspace(0.0, 1.0, p.ends - p.begins + 1)[np.clip(frame - p.begins, 0, p.ends - p.begins)]
            for p in self.pieces
        ]
        return self._sum(shares, (count,))

    def _sum(self, shares: Sequence[Array], shape: tuple[int, ...]) -> Array:
        gone = [p.length * eased(share, self.ease) for p, share in zip(self.pieces, shares, strict=True)]
        if not gone:
            return np.zeros(shape)
        total = gone[0]
        for more in gone[1:]:
            total = total + more
        return np.asarray(total)

    def turned(self, time: ArrayLike, ease: float) -> Array:
        """Share (...) of a turn done at times (...): it goes from the slide's beginning to its end, through pauses."""
        t = np.asarray(time, dtype=np.float64)
        return eased(_share(t, self.begins, self.ends), ease)


def _share(time: Array, begins: int, ends: int) -> Array:
    # in a shot of one frame nothing has gone by
    return np.asarray((time - begins) / (ends - begins)) if ends > begins else np.zeros(time.shape)


def timing(
    frames: int,
    travel: float,
    ease: float,
    stand: int = 0,
    stand_after: int = 0,
    pauses: Sequence[tuple[float, int]] = (),
) -> Timing:
    """The timing of a shot of ``frames`` frames that travels ``travel`` m.

    ``stand`` and ``stand_after`` frames are stood before and after the slide. ``pauses`` are places (m from the start,
    above 0 whichever way the travel goes, rising) and frames stood there. The frames left are shared among the pieces
    between by their lengths, as near as whole frames go, so that all are about equally fast. Raises ``ValueError``
    where a piece has no frame or a pause does not lie between its neighbours.
    """
    last = frames - 1
    begins, ends = stand, last - stand_after
    places = [0.0, *(place for place, _ in pauses), abs(travel)]
    stood = [count for _, count in pauses]
    lengths = [after - before for before, after in pairwise(places)]
    moving = ends - begins - sum(stood)
    if pauses and min(lengths) <= 0.0:
        raise ValueError(f"pauses must lie between the ends of the travel and rise, not {places[1:-1]}")
    if min(stand, stand_after, *stood, 0) < 0 or (last and moving < len(lengths)) or ends < begins:
        raise ValueError(f"{frames} frames leave {moving} to slide in, fewer than the {len(lengths)} pieces")
    if travel == 0.0:
        return Timing(begins, ends, (), ease)
    # whole frames by which each piece is done, a frame or more apiece
    done = [floor(moving * place / abs(travel) + 0.5) for place in places[1:]]
    for k in range(len(done)):
        done[k] = min(max(done[k], k + 1), moving - (len(done) - 1 - k))
        if k and done[k] <= done[k - 1]:
            done[k] = done[k - 1] + 1
    pieces, at = [], begins
    way = -1.0 if travel < 0.0 else 1.0
    for k, length in enumerate(lengths):
        until = at + done[k] - (done[k - 1] if k else 0)
        pieces.append(Piece(at, until, travel if len(lengths) == 1 else way * length))
        at = until + (stood[k] if k < len(stood) else 0)
    return Timing(begins, ends, tuple(pieces), ease)


@dataclass(frozen=True, eq=False)
class Track:
    """A straight or curved track through ``through`` (3,) m, where the lens stands at the station frame.

    ``along`` (3,) is the unit direction of travel there. ``radius`` in metres bends a level track about a
    vertical axis: positive turns about a point on the side of the wall (ahead of the lens), negative about
    one behind the camera; 0 is straight.
    """

    through: Array
    along: Array
    radius: float = 0.0

    def _level_ahead(self) -> Array:
        # to the left of the direction of travel: with travel to camera right this points at the wall
        return unit(np.cross([0.0, 1.0, 0.0], self.along))

    def position(self, distance: ArrayLike) -> Array:
        """Places of the lens (..., 3) m at ``distance`` (...) m of travel from the station point."""
        s = np.asarray(distance, dtype=np.float64)
        if self.radius == 0.0:
            return np.asarray(self.through + s[..., None] * self.along)
        a = s / self.radius
        return np.asarray(
            self.through
            + self.radius * np.sin(a)[..., None] * self.along
            + self.radius * (1.0 - np.cos(a))[..., None] * self._level_ahead()
        )

    def heading(self, distance: ArrayLike) -> Array:
        """Pan (...) rad, to camera right, by which the track itself has turned since the station point."""
        s = np.asarray(distance, dtype=np.float64)
        return -s / self.radius if self.radius else np.zeros_like(s)
