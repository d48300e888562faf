"""Ordinary steps: what the clean wall shows across any line laid on it, and so what no viewer would remark.

The wall is looked at square on, drawn as large as it appears behind the bridge. Straight lines as long as a viewer
takes in at a glance are laid all over it in several directions, and the same steps are taken across them as across
the bridge's outline. A busy wall shows large steps everywhere and hides more than a plain one; a wall of upright
columns shows them across upright lines.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Generic, Protocol, Self, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from previz.errors import JudgeError
from previz.judge.fields import Fields, fields_by_scale, window_px
from previz.judge.outline import long_runs_only, smoothed
from previz.judge.viewer import (
    COLOUR_LINE_DEG,
    GRAIN_LINE_DEG,
    GRAIN_OFFSET,
    GRAIN_WINDOW,
    JND_COLOUR,
    JND_GRAIN,
    PIECE_SPACING_DEG,
    RIM_GAIN,
    SHORTEST_RUN_DEG,
    WINDOW_ASPECT,
    WINDOW_DEG,
    WINDOW_GAIN,
    WINDOW_OFFSET,
    Viewer,
    chance_found,
)
from previz.workshop.surface import Picture

Floats = NDArray[np.floating[Any]]
Array = NDArray[np.float64]

# of 100 pieces laid on the clean wall, this share lies below the limit (DEVELOPERS.md, "What the score says")
ORDINARY_SHARE: Final = 0.95

# kinds of step, in the order in which arrays hold them
KINDS: Final = ("colour", "grain", "rim")
JND: Final = np.array([JND_COLOUR, JND_GRAIN, JND_COLOUR])

# directions of the laid lines over half a turn; in between is interpolated
DIRECTIONS: Final = 8

# length of a laid line, degrees: what the fovea takes in at once is about two degrees across (textbook value); it is
# laid longer at both ends by what the windows along it reach
LINE_DEG: Final = 2.0
LAID_DEG: Final = 4.0

# lines laid in each direction
_LINES = 160

# magnifications at which the wall is looked at go up by this factor; in between is interpolated
LEVEL_FACTOR: Final = 1.25

# fewer lines than this on the clean wall say nothing about it
FEWEST_LINES = 12
TOO_LITTLE_WALL = "too little clean wall is in view to compare the outline with"


@dataclass(frozen=True, eq=False)
class Ordinary:
    """Limits of ordinary steps on one wall at one magnification.

    ``limit`` (A, S, K): for A directions of a line (angle 0 to pi from image x, y down), S scales and all kinds,
    the step that 95 of 100 pieces stay below, all scales and kinds counted together. ``chance`` (A,) is the share of
    pieces that the rules of break would still count.
    """

    limit: Array
    chance: Array

    def between(self, other: Ordinary, part: float) -> Ordinary:
        """Limits ``part`` of the way to another magnification of the same wall."""
        limit = (1 - part) * self.limit + part * other.limit
        return Ordinary(limit, (1 - part) * self.chance + part * other.chance)


def across(fields: Fields, scale: int, places: Array, normals: Array, sigma: float) -> Floats:
    """Field values (3, ..., 4) outside, inside and on ``places`` (..., 2) px.

    Beside them colour is looked at one window away, grain one of its own; on them there is no grain to look at (0).
    """
    sides = []
    for away in (sigma * normals, -sigma * normals):
        values = fields.at(scale, places + WINDOW_OFFSET * away)
        values[..., 3] = fields.at(scale, places + GRAIN_OFFSET * GRAIN_WINDOW * away)[..., 3]
        sides.append(values)
    on = fields.at(scale, places)
    on[..., 3] = 0.0
    return np.stack([*sides, on])


def steps_across(seen: Floats) -> Floats:
    """Differences (..., 7) that windows (3, ..., 4) show: colour (3) and grain (1) across, the rim's colour (3)."""
    rim = seen[2, ..., :3] - 0.5 * (seen[0, ..., :3] + seen[1, ..., :3])
    return np.concatenate([seen[0] - seen[1], rim], axis=-1)


def added_up(differences: Floats, along: Callable[[Floats, float], Floats]) -> Floats:
    """Size (N, ..., S, K) of differences (S, N, ..., 7) as the eye adds them up along a line: colour, grain and rim.

    ``along`` averages values (N, ...) along the line with a Gaussian window of so many degrees.
    """
    colours = differences[..., [0, 1, 2, 4, 5, 6]]
    joined = [along(d, WINDOW_ASPECT * width) ** 2 for d, width in zip(colours, WINDOW_DEG, strict=True)]
    # (N, ..., S, colour or rim)
    squares = np.stack([np.stack([j[..., :3].sum(axis=-1), j[..., 3:].sum(axis=-1)], axis=-1) for j in joined], axis=-2)
    sizes = np.sqrt(np.maximum(along(squares, COLOUR_LINE_DEG), 0.0)) / np.array([WINDOW_GAIN, RIM_GAIN], np.float32)
    grain = np.abs(along(np.moveaxis(differences[..., 3], 0, -1), GRAIN_LINE_DEG))
    return np.stack([sizes[..., 0], grain, sizes[..., 1]], axis=-1)


def ordinary_of(wall_square_on: Picture, viewer: Viewer, cover: NDArray[np.float32] | None = None) -> Ordinary:
    """Ordinary steps of a clean wall, (H, W, 3) linear, drawn square on.

    ``cover`` (H, W) is the share of wall in each pixel, everywhere 1 unless given; lines that see anything but wall
    are not laid. Raises ``JudgeError`` where there is too little wall to lay lines on.
    """
    h, w = wall_square_on.shape[:2]
    spacing = PIECE_SPACING_DEG * viewer.px_per_deg
    count = max(round(LAID_DEG / PIECE_SPACING_DEG), 3)
    spare = round(0.5 * (LAID_DEG - LINE_DEG) / PIECE_SPACING_DEG)
    along = (np.arange(count) - 0.5 * (count - 1)) * spacing
    middles = even_places(w, h, 0.5 * LAID_DEG * viewer.px_per_deg, _LINES)
    off_wall = near_nothing(cover, viewer) if cover is not None else None
    shortest = SHORTEST_RUN_DEG / PIECE_SPACING_DEG

    def averaged(values: Floats, sigma_deg: float) -> Floats:
        return smoothed(values, sigma_deg / PIECE_SPACING_DEG, closed=False)

    lines = []
    for k in range(DIRECTIONS):
        angle = np.pi * k / DIRECTIONS
        tangent = np.array([np.cos(angle), np.sin(angle)])
        normal = np.array([-tangent[1], tangent[0]])
        places = middles[None] + along[:, None, None] * tangent
        if off_wall is not None:
            at = np.clip(places.astype(np.int64), 0, [w - 1, h - 1])
            places = places[:, ~off_wall[at[..., 1], at[..., 0]].any(axis=0)]
        if places.shape[1] < FEWEST_LINES:
            raise JudgeError(TOO_LITTLE_WALL)
        lines.append((places, normal))
    steps: list[list[Floats]] = [[] for _ in lines]
    # scale by scale: the fields of all scales of so large a picture would be the most that this program ever holds
    windows = zip(window_px(viewer), fields_by_scale(wall_square_on, viewer), strict=True)
    for sigma, fields in windows:
        for k, (places, normal) in enumerate(lines):
            steps[k].append(steps_across(across(fields, 0, places, normal, sigma)))
    limits, chances = [], []
    for of_direction in steps:
        # the ends of the laid lines only serve the windows along them
        laid = added_up(np.stack(of_direction), averaged)[spare : count - spare]
        limit = limit_of(laid.reshape(-1, *laid.shape[2:]))
        size = (laid / np.maximum(limit, JND)).max(axis=(2, 3))
        limits.append(limit)
        chances.append(chance_found(long_runs_only(size, shortest, closed=False)).mean())
    return Ordinary(np.stack(limits), np.array(chances))


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
    each = np.maximum(np.quantile(steps, ORDINARY_SHARE, axis=0), 1e-6)
    together = np.quantile((steps / each).max(axis=(1, 2)), ORDINARY_SHARE)
    return np.asarray(each * together)


class AtMagnification(Protocol):
    """What is known of a wall at one magnification."""

    def between(self, other: Self, part: float) -> Self:
        """What is known ``part`` of the way to another magnification."""


Level = TypeVar("Level", bound=AtMagnification)


class WallLevels(Generic[Level]):
    """What is ordinary on one clean wall at any magnification, worked out when it is first asked for.

    ``draw`` gives the clean wall square on, (H, W, 3) linear, and the share of wall in each pixel, (H, W), at a
    number of pixels to the metre; ``found`` works out what is ordinary in it.
    """

    def __init__(
        self,
        draw: Callable[[float], tuple[Picture, NDArray[np.float32]]],
        viewer: Viewer,
        found: Callable[[Picture, Viewer, NDArray[np.float32]], Level],
    ) -> None:
        self._draw = draw
        self._viewer = viewer
        self._found = found
        self._levels: dict[int, Level] = {}

    def at(self, px_per_m: float) -> Level:
        """What is ordinary where the wall is ``px_per_m`` pixels to the metre large."""
        place = float(np.log(px_per_m) / np.log(LEVEL_FACTOR))
        low = int(np.floor(place))
        return self._level(low).between(self._level(low + 1), place - low)

    def known_near(self, px_per_m: float) -> Level:
        """What is ordinary at the magnification nearest to ``px_per_m`` of those that are known already; the right one
        where none is."""
        if not self._levels:
            return self.at(px_per_m)
        place = float(np.log(px_per_m) / np.log(LEVEL_FACTOR))
        return self._levels[min(self._levels, key=lambda number: (abs(number - place), number))]

    def _level(self, number: int) -> Level:
        if number not in self._levels:
            picture, cover = self._draw(LEVEL_FACTOR**number)
            self._levels[number] = self._found(picture, self._viewer, cover)
        return self._levels[number]


class OrdinaryWall(WallLevels[Ordinary]):
    """Ordinary steps of one clean wall at any magnification."""

    def __init__(self, draw: Callable[[float], tuple[Picture, NDArray[np.float32]]], viewer: Viewer) -> None:
        super().__init__(draw, viewer, lambda picture, seen_by, cover: ordinary_of(picture, seen_by, cover))


def in_direction(table: Array, normals: Array) -> Array:
    """Rows of a table over directions (A, ...) for pieces with unit normals (N, 2), interpolated: (N, ...)."""
    # a line's direction is its normal turned by a quarter; opposite directions are one
    angle = np.arctan2(-normals[:, 0], normals[:, 1]) % np.pi
    place = angle / np.pi * len(table)
    low = np.floor(place).astype(np.int64)
    part = (place - low).reshape(-1, *([1] * (table.ndim - 1)))
    return np.asarray((1 - part) * table[low % len(table)] + part * table[(low + 1) % len(table)])
