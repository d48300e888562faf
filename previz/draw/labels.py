"""Finding room for labels, so that none lies on another."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

SheetBox = tuple[float, float, float, float]

# directions tried around an anchor, nearest to reading order first
_TURNS = tuple(math.radians(a) for a in (-20, 20, -160, 160, -60, 60, -120, 120, -90, 90, 0, 180))

# what covering a square pixel of something costs, against a pixel of distance
_COVERED = 4.0
_CROSSED = 0.12


def _shared(a: SheetBox, b: SheetBox) -> float:
    width = min(a[2], b[2]) - max(a[0], b[0])
    height = min(a[3], b[3]) - max(a[1], b[1])
    return width * height if width > 0.0 and height > 0.0 else 0.0


@dataclass
class LabelRoom:
    """What is taken on a sheet. Boxes are (left, top, right, bottom) in pixels; ``bounds`` is where labels may lie."""

    bounds: SheetBox
    taken: list[SheetBox] = field(default_factory=list)
    crossed: list[SheetBox] = field(default_factory=list)

    def block(self, box: SheetBox) -> None:
        """Mark a box as taken: no label may lie on it."""
        self.taken.append(box)

    def block_line(self, start: tuple[float, float], end: tuple[float, float], width: float = 3.0) -> None:
        """Mark a line: labels keep off it where they can."""
        length = math.dist(start, end)
        steps = max(1, math.ceil(length / 8.0))
        for i in range(steps + 1):
            x = start[0] + (end[0] - start[0]) * i / steps
            y = start[1] + (end[1] - start[1]) * i / steps
            self.crossed.append((x - width, y - width, x + width, y + width))

    def copy(self) -> LabelRoom:
        """The same room, to be filled further on its own."""
        return LabelRoom(self.bounds, list(self.taken), list(self.crossed))

    def find(
        self, anchor: tuple[float, float], size: tuple[float, float], near: float = 8.0, far: float = 140.0
    ) -> tuple[float, float]:
        """Top left corner for a label of ``size`` (width, height) as close to ``anchor`` as there is room.

        The place is taken from then on. Where there is no free place the least covered one is given.
        """
        width, height = size
        best, best_cost = (anchor[0] + near, anchor[1] - height / 2.0), math.inf
        distance = near
        while distance <= far:
            if distance >= best_cost:
                break
            for turn in _TURNS:
                # the label's nearest edge, not its middle, keeps the distance
                cx = anchor[0] + math.cos(turn) * (distance + width / 2.0)
                cy = anchor[1] + math.sin(turn) * (distance + height / 2.0)
                left = min(max(cx - width / 2.0, self.bounds[0]), self.bounds[2] - width)
                top = min(max(cy - height / 2.0, self.bounds[1]), self.bounds[3] - height)
                box = (left, top, left + width, top + height)
                cost = distance
                cost += _COVERED * sum(_shared(box, other) for other in self.taken)
                cost += _CROSSED * sum(_shared(box, other) for other in self.crossed)
                if cost < best_cost:
                    best, best_cost = (left, top), cost
            distance += 6.0
        self.block((best[0], best[1], best[0] + width, best[1] + height))
        return best


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
