"""Finding room for labels, so that none lies on another or on a line."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from previz.geometry import Array

SheetBox = tuple[float, float, float, float]

# directions tried around an anchor, nearest to reading order first
_TURNS = tuple(math.radians(a) for a in (-20, 20, -160, 160, -60, 60, -120, 120, -90, 90, 0, 180))

# what covering a square pixel of something costs, and of a line's surroundings, against a pixel of distance
_COVERED = 4.0
_CROSSED = 0.12

# what it costs that a line goes through a label, in heights of the label, and that a label's own leader goes through
# another label or along a line, for each pixel that it does
_STRUCK = 6.0
_THROUGH = 2.0


def _shared(boxes: Array, others: Array) -> Array:
    """Areas (N,) that boxes (N, 4) share with all others (M, 4)."""
    low = np.maximum(boxes[:, None, :2], others[None, :, :2])
    high = np.minimum(boxes[:, None, 2:], others[None, :, 2:])
    return np.asarray(np.clip(high - low, 0.0, None).prod(axis=2).sum(axis=1))


def inside(lines: Array, boxes: Array) -> Array:
    """Length (N, M) of each line (M, 4), from x, y to x, y, inside each box (N, 4) (Liang and Barsky's way)."""
    start, way = lines[None, :, :2], (lines[:, 2:] - lines[:, :2])[None]
    with np.errstate(divide="ignore", invalid="ignore"):
        a = (boxes[:, None, :2] - start) / way
        b = (boxes[:, None, 2:] - start) / way
    # a line that runs along an axis is inside between its box's sides, or never
    within = (start > boxes[:, None, :2]) & (start < boxes[:, None, 2:])
    level = np.broadcast_to(way == 0.0, a.shape)
    enter = np.where(level, np.where(within, -np.inf, np.inf), np.minimum(a, b)).max(axis=2)
    leave = np.where(level, np.where(within, np.inf, -np.inf), np.maximum(a, b)).min(axis=2)
    share = np.clip(np.minimum(leave, 1.0) - np.maximum(enter, 0.0), 0.0, None)
    return np.asarray(share * np.hypot(way[..., 0], way[..., 1]))


def _empty() -> Array:
    return np.zeros((0, 4))


@dataclass
class LabelRoom:
    """What is taken on a sheet. Boxes are (left, top, right, bottom) in pixels; ``bounds`` is where labels may lie.

    ``lines`` (M, 4) are the lines drawn, from x, y to x, y: no label is laid over one where there is another place.
    """

    bounds: SheetBox
    taken: list[SheetBox] = field(default_factory=list)
    crossed: list[SheetBox] = field(default_factory=list)
    lines: Array = field(default_factory=_empty)

    def block(self, box: SheetBox) -> None:
        """Mark a box as taken: no label may lie on it."""
        self.taken.append(box)

    def draw(self, points: ArrayLike) -> None:
        """Note a line through points (N, 2): no label is to lie over it."""
        p = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        self.lines = np.concatenate([self.lines, np.hstack([p[:-1], p[1:]])])

    def block_line(self, start: tuple[float, float], end: tuple[float, float], width: float = 3.0) -> None:
        """Mark a line: labels keep off it where they can."""
        self.draw([start, end])
        length = math.dist(start, end)
        steps = max(1, math.ceil(length / 8.0))
        for i in range(steps + 1):
            x = start[0] + (end[0] - start[0]) * i / steps
            y = start[1] + (end[1] - start[1]) * i / steps
            self.crossed.append((x - width, y - width, x + width, y + width))

    def copy(self) -> LabelRoom:
        """The same room, to be filled further on its own."""
        return LabelRoom(self.bounds, list(self.taken), list(self.crossed), self.lines)

    def costs(self, boxes: Array) -> Array:
        """What boxes (N, 4) would lie on (N,), in pixels of distance; none where they are free."""
        out = np.zeros(len(boxes))
        for others, weight in ((self.taken, _COVERED), (self.crossed, _CROSSED)):
            if others:
                out += weight * _shared(boxes, np.array(others))
        if len(self.lines):
            long = inside(self.lines, boxes)
            high = boxes[:, 3] - boxes[:, 1]
            out += _STRUCK * high * (long > 0.0).sum(axis=1) + long.sum(axis=1)
        return out

    def find(
        self,
        anchor: tuple[float, float],
        size: tuple[float, float],
        near: float = 8.0,
        far: float = 140.0,
        leader: bool = False,
    ) -> tuple[float, float]:
        """Top left corner for a label of ``size`` (width, height) as close to ``anchor`` as there is room.

        The place is taken from then on. Where there is no free place the least covered one is given. With ``leader`` a
        line to the anchor is drawn as well: it is kept out of other labels.
        """
        width, height = size
        step = min(6.0, near)
        distance = near + step * np.arange(max(1, math.ceil((far - near) / step)))
        turns = np.array(_TURNS)
        # the label's nearest edge, not its middle, keeps the distance
        cx = anchor[0] + np.cos(turns) * (distance[:, None] + width / 2.0)
        cy = anchor[1] + np.sin(turns) * (distance[:, None] + height / 2.0)
        left = np.minimum(np.maximum(cx - width / 2.0, self.bounds[0]), self.bounds[2] - width).ravel()
        top = np.minimum(np.maximum(cy - height / 2.0, self.bounds[1]), self.bounds[3] - height).ravel()
        boxes = np.column_stack([left, top, left + width, top + height])
        cost = np.repeat(distance, len(turns)) + self.costs(boxes)
        if leader and self.taken:
            ends = leader_ends(anchor, boxes)
            leaders = np.hstack([np.broadcast_to(anchor, ends.shape), ends])
            taken = np.array(self.taken)
            # what lies about the anchor itself is what is named
            taken = taken[~((taken[:, :2] <= anchor).all(axis=1) & (taken[:, 2:] >= anchor).all(axis=1))]
            cost += _THROUGH * inside(leaders, taken).sum(axis=0)
        best = int(np.argmin(cost))
        box = tuple(boxes[best].tolist())
        self.block((box[0], box[1], box[2], box[3]))
        if leader:
            self.draw([anchor, leader_ends(anchor, boxes[best : best + 1])[0]])
        return box[0], box[1]


def pieces(lines: Sequence[ArrayLike]) -> Array:
    """The straight pieces (M, 4) of lines (N, 2), from x, y to x, y."""
    flat = [np.asarray(line, dtype=np.float64).reshape(-1, 2) for line in lines]
    return np.concatenate([_empty(), *(np.hstack([p[:-1], p[1:]]) for p in flat)])


def leader_ends(anchor: tuple[float, float], boxes: Array) -> Array:
    """Where a leader from an anchor meets boxes (N, 4): their places (N, 2) nearest to it."""
    return np.asarray(np.clip(np.asarray(anchor), boxes[:, :2], boxes[:, 2:]))


def spread(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Places as near to ``wanted`` as can be, at least ``gap`` apart, between ``low`` and ``high``, order kept.

    Least squares under the order (pool adjacent violators). Where there is too little room the gap shrinks.
    """
    count = len(wanted)
    if count == 0:
        return []
    if count > 1:
        gap = min(gap, max(0.0, (high - low) / (count - 1)))
    order = sorted(range(count), key=lambda i: (wanted[i], i))
    # with the gaps taken out, places must only not fall: pools of (sum, number)
    pools: list[tuple[float, int]] = []
    for rank, i in enumerate(order):
        pools.append((wanted[i] - gap * rank, 1))
        while len(pools) > 1 and pools[-2][0] / pools[-2][1] > pools[-1][0] / pools[-1][1]:
            total, number = pools.pop()
            pools[-1] = (pools[-1][0] + total, pools[-1][1] + number)
    level = [total / number for total, number in pools for _ in range(number)]
    top = high - gap * (count - 1)
    out = [0.0] * count
    for rank, i in enumerate(order):
        out[i] = min(max(level[rank], low), top) + gap * rank
    return out
