"""Edges that run on: the same step on the same side over a long stretch, found though each piece of it is ordinary.

A straight edge of shadow across upright columns is a ratio of light that stays the same whatever it crosses. Windows on
a piece see the columns' own steps, which are larger; the eye follows the line. So steps are averaged with their sign
over stretches of one, two and four degrees, as colour and as ratio of light, and weighed against the same averages
along straight and gently bent lines on the clean wall. What is left of a run of such pieces once chance is taken away
is found (:mod:`previz.judge.runs`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from previz.errors import JudgeError
from previz.judge.breaks import Break, Sides
from previz.judge.fields import fields_by_scale, window_px
from previz.judge.ordinary import (
    DIRECTIONS,
    FEWEST_LINES,
    JND,
    KINDS,
    TOO_LITTLE_WALL,
    WallLevels,
    across,
    added_up,
    even_places,
    in_direction,
    limit_of,
    near_nothing,
    steps_across,
)
from previz.judge.outline import Outline, long_runs_only, smoothed, smoothed_along, without_short_runs
from previz.judge.runs import ChanceRuns, not_by_chance, runs_of
from previz.judge.viewer import (
    JND_COLOUR,
    JND_LIGHT,
    PIECE_SPACING_DEG,
    SHORTEST_RUN_DEG,
    STRETCH_DEG,
    WINDOW_GAIN,
    Viewer,
    chance_found,
)
from previz.workshop.surface import Picture

Floats = NDArray[np.floating[Any]]
Array = NDArray[np.float64]

# kinds of step in the order in which arrays hold them: those of a piece by itself, then the stretches
EDGE_KINDS: Final = (*KINDS, *("edge" for _ in STRETCH_DEG), *("light" for _ in STRETCH_DEG))
EDGE_JND: Final = np.array([*JND, *(JND_COLOUR for _ in STRETCH_DEG), *(JND_LIGHT for _ in STRETCH_DEG)])

# Length of a laid line, degrees, where the wall has room for it: long enough for the longest stretch and for runs to
# grow on. What lies within END_DEG of its ends only serves the windows along it.
LAID_DEG: Final = 10.0
END_DEG: Final = 1.0

# the share of the wall's shorter side that a line may take where that is less, and the least that says anything, deg
_MOST_OF_WALL: Final = 0.6
_SHORTEST_LAID_DEG: Final = 3.0

# of the laid lines one is straight, one bends to either side, with radii of so many degrees
_CURVES: Final = (0.0, 1.0 / 15.0, -1.0 / 15.0)

# lines laid in each direction
_LINES: Final = 60


@dataclass(frozen=True, eq=False)
class OrdinaryEdges:
    """Limits of ordinary steps along lines of one clean wall at one magnification, edges that run on included.

    ``limit`` (A, S, K): for A directions of a line, S scales and all of ``EDGE_KINDS``, the step that 95 of 100 pieces
    stay below, all scales and kinds counted together. ``runs`` says in what runs the others stand.
    """

    limit: Array
    runs: ChanceRuns

    def between(self, other: OrdinaryEdges, part: float) -> OrdinaryEdges:
        """Limits ``part`` of the way to another magnification of the same wall."""
        return OrdinaryEdges((1 - part) * self.limit + part * other.limit, self.runs.between(other.runs, part))


def found_edges(sides: Sides, outline: Outline, ordinary: OrdinaryEdges, viewer: Viewer) -> Break:
    """How much of contours that lie between wall and wall is found, piece by piece.

    ``sides`` (:func:`previz.judge.breaks.sides_of`) is what the windows see beside them with the bridge and without. A
    step counts as far as it is the bridge's doing, as a ratio of light: a shadow that lies on both sides of an edge of
    the rock moves no edge. ``kind`` of what comes back is the index into ``EDGE_KINDS``, ``chance`` is 0.
    """

    def averaged(values: Floats, sigma_deg: float) -> Floats:
        return smoothed_along(values, outline, sigma_deg * viewer.px_per_deg)

    step, own = _steps(sides.seen), _steps(sides.clean)
    added = _added_up(np.stack([step, step - own], axis=2), averaged).astype(np.float64)
    limit = np.maximum(in_direction(ordinary.limit, outline.normal), EDGE_JND)
    sizes = np.minimum(added[:, 0] / limit, _doing(added[:, 1])).max(axis=1)
    size = without_short_runs(sizes.max(axis=1), outline, SHORTEST_RUN_DEG * viewer.px_per_deg)
    chance = chance_found(size)
    runs = runs_of(chance, outline.line, outline.closed, PIECE_SPACING_DEG)
    by_direction = np.asarray(in_direction(np.eye(len(ordinary.limit)), outline.normal).mean(axis=0))
    expected = ordinary.runs.expected(by_direction, len(outline) * PIECE_SPACING_DEG, runs.weight)
    shown = np.append(not_by_chance(runs.weight, expected), 0.0)[runs.number]
    broken = np.asarray((size >= 1.0) & (shown >= 0.5))
    kind = np.where(broken, sizes.argmax(axis=1), -1).astype(np.int8)
    counted = float((chance * shown).mean())
    return Break(100.0 * counted, outline, size, broken, kind, counted, 0.0)


def _doing(changed: Array) -> Array:
    """How many just noticeable ratios of light the steps (N, S, K) have ``changed`` by: for each kind over its own
    stretch, for those of a piece by itself over the shortest."""
    light = changed[..., -len(STRETCH_DEG) :] / JND_LIGHT
    return np.concatenate([np.repeat(light[..., :1], len(KINDS), axis=-1), light, light], axis=-1)


def ordinary_edges_of(
    wall_square_on: Picture, viewer: Viewer, cover: NDArray[np.float32] | None = None
) -> OrdinaryEdges:
    """What is ordinary along lines of a clean wall, (H, W, 3) linear, drawn square on.

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
    middles = even_places(w, h, 0.5 * length * viewer.px_per_deg, _LINES)
    off_wall = near_nothing(cover, viewer) if cover is not None else None
    shortest = SHORTEST_RUN_DEG / PIECE_SPACING_DEG

    def averaged(values: Floats, sigma_deg: float) -> Floats:
        return smoothed(values, sigma_deg / PIECE_SPACING_DEG, closed=False)

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
    for sigma, fields in zip(window_px(viewer), fields_by_scale(wall_square_on, viewer), strict=True):
        for k, (places, normals) in enumerate(lines):
            steps[k].append(_steps(across(fields, 0, places, normals, sigma)))
    limits, weights, degrees = [], [], []
    for of_direction in steps:
        # the ends of the laid lines only serve the windows along them
        added = _added_up(np.stack(of_direction), averaged)[spare : count - spare]
        limit = limit_of(added.reshape(-1, *added.shape[2:]))
        limits.append(limit)
        size = (added / np.maximum(limit, EDGE_JND)).max(axis=(2, 3))
        chance = chance_found(long_runs_only(size, shortest, closed=False))
        number = np.repeat(np.arange(chance.shape[1]), chance.shape[0])
        open_ended = (False,) * chance.shape[1]
        weights.append(runs_of(chance.T.reshape(-1), number, open_ended, PIECE_SPACING_DEG).weight)
        degrees.append(chance.size * PIECE_SPACING_DEG)
    return OrdinaryEdges(np.stack(limits), ChanceRuns.counted(weights, degrees))


class EdgeWall(WallLevels[OrdinaryEdges]):
    """Ordinary edges of one clean wall at any magnification."""

    def __init__(self, draw: Callable[[float], tuple[Picture, NDArray[np.float32]]], viewer: Viewer) -> None:
        super().__init__(draw, viewer, ordinary_edges_of)


def _laid(middles: Array, along: Array, angle: float, px_per_deg: float) -> tuple[Array, Array]:
    """Lines laid at ``angle`` through ``middles`` (M, 2) px, straight and gently bent in turn: places and unit normals
    (N, M, 2) at the distances ``along`` (N,) px from the middles."""
    tangent = np.array([np.cos(angle), np.sin(angle)])
    normal = np.array([-tangent[1], tangent[0]])
    curve = np.resize(_CURVES, len(middles)) / px_per_deg
    turn = along[:, None] * curve
    with np.errstate(divide="ignore", invalid="ignore"):
        forth = np.where(curve == 0.0, along[:, None], np.sin(turn) / curve)
        aside = np.where(curve == 0.0, 0.0, (1.0 - np.cos(turn)) / curve)
    places = middles + forth[..., None] * tangent + aside[..., None] * normal
    normals = np.cos(turn)[..., None] * normal - np.sin(turn)[..., None] * tangent
    return places, normals


def _steps(seen: Floats) -> Floats:
    """Differences (..., 8) that windows (3, ..., 4) show across a line: those of break (7), and light (1)."""
    light = log_light(seen[0, ..., :1]) - log_light(seen[1, ..., :1])
    return np.concatenate([steps_across(seen), light], axis=-1)


def log_light(lightness: Floats) -> Floats:
    """Natural log of relative luminance for L* (CIE 15, 8.2.1): equal steps are equal ratios of light."""
    curved = np.maximum(lightness, 1.0)
    luminance = np.where(curved > 8.0, ((curved + 16.0) / 116.0) ** 3, curved / 903.2963)
    return np.log(luminance).astype(lightness.dtype)


def _added_up(differences: Floats, along: Callable[[Floats, float], Floats]) -> Floats:
    """Size (N, ..., S, K) of differences (S, N, ..., 8), in the order of ``EDGE_KINDS``; ``along`` as for break."""
    local = added_up(differences[..., :7], along)
    # (N, ..., S, 4): colour and light, with their signs
    signed = np.moveaxis(differences[..., [0, 1, 2, 7]], 0, -2)
    stretches = [along(signed, stretch / math.sqrt(12.0)) / np.float32(WINDOW_GAIN) for stretch in STRETCH_DEG]
    edges = [np.linalg.norm(stretch[..., :3], axis=-1) for stretch in stretches]
    lights = [np.abs(stretch[..., 3]) for stretch in stretches]
    return np.concatenate([local, np.stack([*edges, *lights], axis=-1)], axis=-1)
