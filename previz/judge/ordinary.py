"""Ordinary steps: what the clean wall shows across any line laid on it, and so what no viewer would remark.

The wall is looked at square on, drawn as large as it appears behind the bridge. Straight and gently bent lines are laid
all over it in several directions, and the same steps are taken across them as across the bridge's outline. A busy wall
shows large steps everywhere and hides more than a plain one; a wall of upright columns shows them across upright lines.
What still stands out there does so in runs, whose number and length are kept as well (:mod:`previz.judge.runs`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from previz.errors import JudgeError
from previz.judge.fields import fields_by_scale, window_px
from previz.judge.outline import long_runs_only, smoothed
from previz.judge.runs import ChanceRuns, runs_of
from previz.judge.steps import JND, OWN_KINDS, across, joined, own_steps, running_steps, steps_across
from previz.judge.trace.patches import Lit, shade_steps
from previz.judge.viewer import (
    GRAIN_OFFSET,
    GRAIN_WINDOW,
    PIECE_SPACING_DEG,
    SEATS,
    SHORTEST_RUN_DEG,
    Seat,
    Viewer,
    chance_found,
)
from previz.workshop.compiled import compiled
from previz.workshop.surface import Picture

Floats = NDArray[np.floating[Any]]
Array = NDArray[np.float64]

# of 100 pieces laid on the clean wall, this share lies below the limit (DEVELOPERS.md, "What the score says")
ORDINARY_SHARE: Final = 0.95

# directions of the laid lines over half a turn; in between is interpolated
DIRECTIONS: Final = 8

# Length of a laid line, degrees, where the wall has room for it: long enough for the longest stretch and for runs to
# grow on. What lies within END_DEG of its ends only serves the windows along it.
LAID_DEG: Final = 10.0
END_DEG: Final = 1.0

# the share of the wall's shorter side that a line may take where that is less, and the least that says anything, deg
_MOST_OF_WALL: Final = 0.75
_SHORTEST_LAID_DEG: Final = 3.0

# of the lines laid through a place one is straight, one bends to either side, with radii of so many degrees
_CURVES: Final = (0.0, 1.0 / 15.0, -1.0 / 15.0)

# places that lines are laid through in each direction
_PLACES: Final = 24

# shares of clean lines of one degree that show a step as large as a table of them says
_EXCEEDED: Final = np.geomspace(0.5, 2e-4, 48)

# magnifications at which the wall is looked at go up by this factor; in between is interpolated
LEVEL_FACTOR: Final = 1.25

# fewer places than this say nothing of how light the clean wall is from place to place
_FEWEST_PLACES: Final = 20

# fewer lines than this on the clean wall say nothing about it
FEWEST_LINES = 12
TOO_LITTLE_WALL = "too little clean wall is in view to compare the outline with"


@dataclass(frozen=True, eq=False)
class SeatLimits:
    """What is ordinary for one viewer.

    ``limit`` (A, S, K): for A directions of a line (angle 0 to pi from image x, y down), S scales and all kinds, the
    step that 95 of 100 pieces stay below, all scales counted together, and so are a piece's own kinds, and those that
    run on. ``runs`` and ``running_runs`` say in what runs the others stand, by either of these. ``most`` (E,): of lines
    a degree long, the share ``_EXCEEDED`` (E,) shows what runs on so many times as large as its limit somewhere.
    ``shade`` (S, 2): how much darker and how much lighter than what is around them 95 of 100 places stay below, for the
    stretches S together (:mod:`previz.judge.trace.patches`); infinite where too little wall is known.
    """

    limit: Array
    runs: ChanceRuns
    running_runs: ChanceRuns
    most: Array
    shade: Array

    def between(self, other: SeatLimits, part: float) -> SeatLimits:
        """Limits ``part`` of the way to another magnification of the same wall."""
        limit = (1 - part) * self.limit + part * other.limit
        runs = self.runs.between(other.runs, part)
        running_runs = self.running_runs.between(other.running_runs, part)
        most = (1 - part) * self.most + part * other.most
        return SeatLimits(limit, runs, running_runs, most, (1 - part) * self.shade + part * other.shade)

    def most_on(self, length_deg: float) -> float:
        """How many times its limit what runs on is somewhere on one clean line in twenty of ``length_deg`` degrees."""
        a_degree = 1.0 - ORDINARY_SHARE ** (1.0 / max(length_deg, 1.0))
        return float(np.interp(-np.log(a_degree), -np.log(_EXCEEDED), self.most))


@dataclass(frozen=True, eq=False)
class Ordinary:
    """What is ordinary on one wall at one magnification, for each of the three viewers in the order of ``SEATS``."""

    seats: tuple[SeatLimits, ...]

    def between(self, other: Ordinary, part: float) -> Ordinary:
        """What is ordinary ``part`` of the way to another magnification of the same wall."""
        pairs = zip(self.seats, other.seats, strict=True)
        return Ordinary(tuple(one.between(another, part) for one, another in pairs))

    def of(self, seat: Seat) -> SeatLimits:
        """What is ordinary for the viewer at a seat."""
        return self.seats[SEATS.index(seat)]


def ordinary_of(wall_square_on: Picture, viewer: Viewer, cover: NDArray[np.float32] | None = None) -> Ordinary:
    """Ordinary steps of a clean wall, (H, W, 3) linear, drawn square on.

    ``cover`` (H, W) is the share of wall in each pixel, everywhere 1 unless given; lines that see anything but wall
    are not laid. Raises ``JudgeError`` where there is too little wall to lay lines on.
    """
    h, w = wall_square_on.shape[:2]
    spacing = PIECE_SPACING_DEG * viewer.px_per_deg
    length = min(LAID_DEG, _MOST_OF_WALL * min(h, w) / viewer.px_per_deg)
    if length < _SHORTEST_LAID_DEG:
        raise JudgeError(TOO_LITTLE_WALL)
    count = round(length / PIECE_SPACING_DEG)
    spare = round(END_DEG / PIECE_SPACING_DEG)
    along = (np.arange(count) - 0.5 * (count - 1)) * spacing
    middles = even_places(w, h, 0.5 * length * viewer.px_per_deg, _PLACES)
    off_wall = near_nothing(cover, viewer) if cover is not None else None
    lines = []
    for k in range(DIRECTIONS):
        places, normals = _laid(middles, along, np.pi * k / DIRECTIONS, viewer.px_per_deg)
        if off_wall is not None:
            at = np.clip(places.astype(np.int64), 0, [w - 1, h - 1])
            clear = ~off_wall[at[..., 1], at[..., 0]].any(axis=0)
            places, normals = places[:, clear], normals[:, clear]
        if places.shape[1] < FEWEST_LINES:
            raise JudgeError(TOO_LITTLE_WALL)
        lines.append((places, normals))
    steps: list[list[Floats]] = [[] for _ in lines]
    # scale by scale: the fields of all scales of so large a picture would be the most that this program ever holds
    windows = zip(window_px(viewer), fields_by_scale(wall_square_on, viewer), strict=True)
    for sigma, fields in windows:
        for k, (places, normals) in enumerate(lines):
            steps[k].append(steps_across(across(fields, 0, places, normals, sigma)))
    counted = np.ones((h, w), dtype=np.float32) if cover is None else cover
    lit = Lit.of(wall_square_on, counted, viewer)
    shades = [_shade_limit(shade_steps(lit, seat, viewer)) for seat in SEATS]
    return Ordinary(_limits([np.stack(of_direction) for of_direction in steps], spare, shades))


def _shade_limit(steps: Array) -> Array:
    """Limit (S, 2) of steps of shade (N, S, 2); there is none where the wall shows too few places."""
    return np.full(steps.shape[1:], np.inf) if len(steps) < _FEWEST_PLACES else limit_of(steps)


def _limits(steps: list[Floats], spare: int, shades: list[Array]) -> tuple[SeatLimits, ...]:
    """What is ordinary for each seat where laid lines show the differences (S, N, M, 8) in each direction; the outer
    ``spare`` pieces of a line only serve the windows along it. ``shades`` are each seat's limits of patches."""

    def averaged(values: Floats, sigma_deg: float) -> Floats:
        return smoothed(values, sigma_deg / PIECE_SPACING_DEG, closed=False)

    squares = [joined(of_direction, averaged) for of_direction in steps]
    count = len(OWN_KINDS)
    seats = []
    for seat, shade in zip(SEATS, shades, strict=True):
        shortest = seat.degree * SHORTEST_RUN_DEG / PIECE_SPACING_DEG
        limits, most = [], []
        weights: tuple[list[Array], list[Array]] = ([], [])
        degrees: list[float] = []
        for square, of_direction in zip(squares, steps, strict=True):
            own = own_steps(square, of_direction, averaged, seat)
            parts = (own, running_steps(of_direction, averaged, seat))
            found = []
            for steps_of, jnd, into in zip(parts, (JND[:count], JND[count:]), weights, strict=True):
                laid = steps_of[spare : -spare or None]
                limit = limit_of(laid.reshape(-1, *laid.shape[2:]))
                size = (laid / np.maximum(limit, jnd)).max(axis=(2, 3))
                chance = chance_found(long_runs_only(size, shortest, closed=False))
                number = np.repeat(np.arange(chance.shape[1]), chance.shape[0])
                open_ended = (False,) * chance.shape[1]
                into.append(runs_of(chance.T.reshape(-1), number, open_ended, PIECE_SPACING_DEG).weight)
                found.append((limit, size))
            limits.append(np.concatenate([limit for limit, _ in found], axis=-1))
            most.append(found[1][1].max(axis=0))
            degrees.append(chance.size * PIECE_SPACING_DEG)
        length = len(chance) * PIECE_SPACING_DEG
        own_runs, running_runs = (ChanceRuns.counted(of_kind, degrees) for of_kind in weights)
        seats.append(SeatLimits(np.stack(limits), own_runs, running_runs, _most(most, length), shade))
    return tuple(seats)


def _most(most: list[Array], length_deg: float) -> Array:
    """The table ``most`` of :class:`SeatLimits` from the largest steps (M,) on lines of a length, by direction."""
    # a line of n degrees stays below a step as often as n lines of one degree do
    of_line = 1.0 - (1.0 - _EXCEEDED) ** length_deg
    return np.asarray(np.quantile(np.concatenate(most), 1.0 - of_line), dtype=np.float64)


def _laid(middles: Array, along: Array, angle: float, px_per_deg: float) -> tuple[Array, Array]:
    """Lines laid at ``angle`` through ``middles`` (M, 2) px, straight and gently bent: places and unit normals
    (N, 3 M, 2) at the distances ``along`` (N,) px from the middles."""
    tangent = np.array([np.cos(angle), np.sin(angle)])
    normal = np.array([-tangent[1], tangent[0]])
    curve = np.repeat(_CURVES, len(middles)) / px_per_deg
    turn = along[:, None] * curve
    with np.errstate(divide="ignore", invalid="ignore"):
        forth = np.where(curve == 0.0, along[:, None], np.sin(turn) / curve)
        aside = np.where(curve == 0.0, 0.0, (1.0 - np.cos(turn)) / curve)
    places = np.tile(middles, (len(_CURVES), 1)) + forth[..., None] * tangent + aside[..., None] * normal
    normals = np.cos(turn)[..., None] * normal - np.sin(turn)[..., None] * tangent
    return places, normals


def near_nothing(cover: NDArray[np.float32], viewer: Viewer) -> NDArray[np.bool_]:
    """Pixels (H, W) from which a window can see past the wall."""
    widest = window_px(viewer)[-1]
    reach = int(np.ceil((GRAIN_OFFSET + 1.0) * GRAIN_WINDOW * widest))
    return np.asarray(maximum_filter(cover < 0.999, size=2 * reach + 1, mode="nearest"))


def even_places(w: int, h: int, margin: float, count: int) -> Array:
    """About ``count`` places (K, 2) px spread evenly over a picture, ``margin`` from its edges; mirrored, the same."""
    wide, high = w - 2.0 * margin, h - 2.0 * margin
    if wide <= 0.0 or high <= 0.0:
        raise JudgeError(TOO_LITTLE_WALL)
    columns = max(round(np.sqrt(count * wide / high)), 1)
    rows = max(round(count / columns), 1)
    x = margin + (np.arange(columns) + 0.5) * wide / columns
    y = margin + (np.arange(rows) + 0.5) * high / rows
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def limit_of(steps: Floats) -> Array:
    """Limit (S, K) that 95 of 100 pieces (N, S, K) are below at all scales and in all kinds together."""
    # value by value, in runs that lie together: several times as fast as down the columns
    runs = np.ascontiguousarray(steps.reshape(len(steps), -1).T)
    each = np.maximum(np.quantile(runs, ORDINARY_SHARE, axis=1), 1e-6)
    together = np.quantile((runs / each[:, None]).max(axis=0), ORDINARY_SHARE)
    return np.asarray((each * together).reshape(steps.shape[1:]))


class OrdinaryWall:
    """What is ordinary on one clean wall at any magnification, worked out when it is first asked for.

    ``draw`` gives the clean wall square on, (H, W, 3) linear, and the share of wall in each pixel, (H, W), at a
    number of pixels to the metre.
    """

    def __init__(self, draw: Callable[[float], tuple[Picture, NDArray[np.float32]]], viewer: Viewer) -> None:
        self._draw = draw
        self._viewer = viewer
        self._levels: dict[int, Ordinary] = {}

    def at(self, px_per_m: float) -> Ordinary:
        """What is ordinary where the wall is ``px_per_m`` pixels to the metre large."""
        place = float(np.log(px_per_m) / np.log(LEVEL_FACTOR))
        low = int(np.floor(place))
        return self.level(low).between(self.level(low + 1), place - low)

    def known_near(self, px_per_m: float) -> Ordinary:
        """What is ordinary at the magnification nearest to ``px_per_m`` of those that are known already; the right one
        where none is."""
        if not self._levels:
            return self.at(px_per_m)
        place = float(np.log(px_per_m) / np.log(LEVEL_FACTOR))
        return self._levels[min(self._levels, key=lambda number: (abs(number - place), number))]

    def learn(self, number: int, known: Ordinary) -> None:
        """Take over what was worked out elsewhere for the magnification of a number."""
        self._levels.setdefault(number, known)

    def level(self, number: int) -> Ordinary:
        """What is ordinary at the magnification of a number."""
        if number not in self._levels:
            picture, cover = self._draw(LEVEL_FACTOR**number)
            self._levels[number] = ordinary_of(picture, self._viewer, cover)
        return self._levels[number]


def in_direction(table: Array, normals: Array) -> Array:
    """Rows of a table over directions (A, ...) for pieces with unit normals (N, 2), interpolated: (N, ...)."""
    rows = np.ascontiguousarray(table, dtype=np.float64).reshape(len(table), -1)
    out = np.empty((len(normals), rows.shape[1]))
    _in_direction(rows, np.asarray(normals, dtype=np.float64), out)
    return out.reshape(len(normals), *table.shape[1:])


@compiled
def _in_direction(rows, normals, out):  # type: ignore[no-untyped-def]
    count = rows.shape[0]
    for n in range(normals.shape[0]):
        # a line's direction is its normal turned by a quarter; opposite directions are one
        place = np.arctan2(-normals[n, 0], normals[n, 1]) % np.pi / np.pi * count
        low = int(np.floor(place))
        part = place - low
        for k in range(rows.shape[1]):
            out[n, k] = (1.0 - part) * rows[low % count, k] + part * rows[(low + 1) % count, k]
