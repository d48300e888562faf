"""Walls of which it is known what is ordinary on them, so that one rule of the judge at a time decides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from previz.judge.ordinary import DIRECTIONS, Ordinary, SeatLimits
from previz.judge.runs import ChanceRuns
from previz.judge.steps import KINDS, OWN_KINDS
from previz.judge.viewer import SEATS, STRETCH_DEG, WINDOW_DEG

# no step is as large
NEVER = 1e6


def runs_on(degrees: float, *weights: float) -> ChanceRuns:
    """What a clean wall shows on so many degrees of line in any direction: runs of these weights (degrees)."""
    return ChanceRuns.counted([np.array(weights)] * DIRECTIONS, [degrees] * DIRECTIONS)


def wall_of(own: float | tuple[float, ...], running: float = NEVER, runs: ChanceRuns | None = None) -> Ordinary:
    """A wall with limits ``own`` of a piece's own kinds and ``running`` of what runs on; ``runs`` of what is larger."""
    limit = np.full((DIRECTIONS, len(WINDOW_DEG), len(KINDS)), running, dtype=np.float64)
    limit[..., : len(OWN_KINDS)] = own
    none = runs_on(100.0)
    shade = np.full((len(STRETCH_DEG), 2), NEVER)
    return Ordinary((SeatLimits(limit, runs or none, none, np.ones(48), shade),) * len(SEATS))


def own_alone(ordinary: Ordinary) -> Ordinary:
    """A wall on which nothing that runs on stands out and nothing comes of chance."""
    count, none = len(OWN_KINDS), runs_on(100.0)
    limits = [np.where(np.arange(len(KINDS)) < count, one.limit, NEVER) for one in ordinary.seats]
    pairs = zip(ordinary.seats, limits, strict=True)
    return Ordinary(tuple(replace(one, limit=limit, runs=none) for one, limit in pairs))
